//! The student's way through the page in headless Chromium.
//!
//! Skipped, aloud, where `chromium` or `chromedriver` isn't there; `bash .ci/deps --tests` installs both.

mod browser;
mod page_server;

use std::time::Duration;

use browser::{Browser, runtime};
use fantoccini::Locator;
use fantoccini::actions::{InputSource, MOUSE_BUTTON_LEFT, MouseActions, PointerAction};
use fantoccini::key::Key;
use page_server::{Server, demo_bytes, demo_clip, demo_setup};
use serde_json::json;

/// Sends the clip and measures it with the keyboard alone; gives the first answer.
async fn to_the_answer(browser: &Browser, server: &Server) -> String {
    browser.client.goto(&server.address).await.unwrap();
    browser.run("window.faults = []; addEventListener('error', (e) => faults.push(String(e.message))); addEventListener('securitypolicyviolation', (e) => faults.push(e.blockedURI))").await;
    browser.wait("#clip-input").await.send_keys(demo_clip().to_str().unwrap()).await.unwrap();
    browser.wait("#length").await;
    // The marks begin at 448,432 and 832,432; the batten's ends are at 523,550 and 756,550.
    let shift = char::from(Key::Shift);
    let arrow = |key: Key, times: usize| char::from(key).to_string().repeat(times);
    let ends = browser.client.find_all(Locator::Css("#scale-body .row button")).await.unwrap();
    let down = format!("{shift}{}{shift}{}", arrow(Key::Down, 11), arrow(Key::Down, 8));
    ends[0].send_keys(&format!("{down}{shift}{}{shift}{}", arrow(Key::Right, 7), arrow(Key::Right, 5))).await.unwrap();
    ends[1].send_keys(&format!("{down}{shift}{}{shift}{}", arrow(Key::Left, 7), arrow(Key::Left, 6))).await.unwrap();
    let length = browser.wait("#length").await;
    length.send_keys(&format!("1 m{}", char::from(Key::Enter))).await.unwrap();
    browser.wait(".number").await.text().await.unwrap()
}

#[test]
fn a_student_measures_with_the_keyboard_mends_and_undoes() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(1200, 1000, false).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(&folder.path().join("room"), None);
        let first = to_the_answer(&browser, &server).await;
        assert!(first.contains("m/s"), "{first}");
        browser.wait("#strobe-body select option:nth-child(5)").await.click().await.unwrap();
        browser.wait("#mend-body canvas").await;
        browser.wait_until("[...document.querySelectorAll('#mend-body p')].some((p) => p.textContent.startsWith('x '))").await;
        browser.picture("desktop").await;
        assert_eq!(browser.faults().await, Vec::<String>::new());
        browser.run("[...document.querySelectorAll('#mend-body button')].find((b) => b.textContent == 'not the ball').click()").await;
        browser.wait_until("document.querySelector('#steps button')?.textContent.includes('left out the sighting')").await;
        browser.run("document.querySelector('#steps button').click()").await;
        browser.wait_until("document.querySelector('#steps button')?.textContent.startsWith('undo: marked')").await;
        assert_eq!(browser.wait(".number").await.text().await.unwrap(), first);
        assert_eq!(browser.run("return faults").await, json!([]));
        assert_eq!(browser.console_errors().await, Vec::<String>::new());
        let outside = "return performance.getEntriesByType('resource').map((r) => r.name).filter((n) => !n.startsWith(location.origin))";
        assert_eq!(browser.run(outside).await, json!([]));
        // Reload, and a restart of the server: the sheet is as it was.
        let port = server.kill();
        let _server = Server::start(&folder.path().join("room"), Some(port));
        browser.client.refresh().await.unwrap();
        assert_eq!(browser.wait(".number").await.text().await.unwrap(), first);
        browser.close().await;
    });
}

#[test]
fn the_sheet_fits_a_phone_in_the_dark() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(360, 740, true).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(&folder.path().join("room"), None);
        to_the_answer(&browser, &server).await;
        let wide = browser.run("return document.documentElement.scrollWidth - document.documentElement.clientWidth").await;
        assert_eq!(wide, 0, "nothing reaches over the edge");
        let small = "return [...document.querySelectorAll('button, .button, select, input')].filter((b) => b.offsetParent && b.getBoundingClientRect().height < 43.5).map((b) => b.outerHTML)";
        assert_eq!(browser.run(small).await, json!([]));
        assert_eq!(browser.faults().await, Vec::<String>::new());
        browser.picture("phone").await;
        browser.close().await;
    });
}

#[test]
fn a_file_that_is_no_clip_gets_a_reason_and_the_way_on() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(900, 900, false).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(&folder.path().join("room"), None);
        let bad = folder.path().join("homework.mp4");
        std::fs::write(&bad, "no clip at all").unwrap();
        browser.client.goto(&server.address).await.unwrap();
        browser.wait("#clip-input").await.send_keys(bad.to_str().unwrap()).await.unwrap();
        browser.wait("#film-body .off").await;
        let text = browser.run("return document.querySelector('#film-body').innerText").await;
        assert!(text.as_str().unwrap().contains("can't read this as a video"), "{text}");
        browser.wait("#clip-input").await.send_keys(demo_clip().to_str().unwrap()).await.unwrap();
        browser.wait("#length").await;
        assert_eq!(browser.faults().await, Vec::<String>::new());
        browser.close().await;
    });
}

/// What stands for *g* on the sheet.
const G: &str = "[...document.querySelectorAll('.answer')].find((one) => one.innerText.includes('gravity')).querySelector('.number').textContent";

/// Sends the clip through the page and states the demo's length by the page's own interface.
async fn measured_with(browser: &Browser, server: &Server, setup: &str) {
    browser.client.goto(&server.address).await.unwrap();
    browser.wait("#clip-input").await.send_keys(demo_clip().to_str().unwrap()).await.unwrap();
    browser.wait("#length").await;
    state(browser, setup).await;
}

/// States another setup as the page would.
async fn state(browser: &Browser, setup: &str) {
    let script = format!(
        "const done = arguments[0], id = location.hash.slice(1), at = `/api/clips/${{id}}`;
         fetch(at).then((r) => r.json()).then((view) => fetch(`${{at}}/setup`, {{ method: 'POST', headers: {{ 'content-type': 'application/json' }},
         body: JSON.stringify({{ step: view.step, setup: {{ ...view.setup, ...{setup} }} }}) }})).then((r) => done(r.status))"
    );
    assert_eq!(browser.client.execute_async(&script, Vec::new()).await.unwrap(), 204);
}

const LENGTH: &str = r#"{"length":{"from":[523,550],"to":[756,550],"length":"1.000 m"},"ball_diameter":"70 mm"}"#;

#[test]
fn a_sighting_is_dragged_with_the_mouse_and_taken_back_by_the_keyboard() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(1200, 1000, false).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(&folder.path().join("room"), None);
        measured_with(&browser, &server, LENGTH).await;
        browser.wait(".number").await;
        let before = browser.run(&format!("return {G}")).await;
        browser.wait("#strobe-body select option:nth-child(6)").await.click().await.unwrap();
        browser.wait("#mend-body canvas").await;
        browser.wait_until("[...document.querySelectorAll('#mend-body p')].some((p) => p.textContent.startsWith('x '))").await;
        let place = "[...document.querySelectorAll('#mend-body p')].find((p) => p.textContent.startsWith('x ')).textContent.match(/[\\d.]+/g).map(Number)";
        let old = browser.run(&format!("return {place}")).await;
        browser.run("document.querySelector('#mend-body canvas').scrollIntoView({ block: 'center' })").await;
        // The frame is drawn anew when it has been made ready.
        let canvas = browser.wait("#mend-body canvas").await;
        let by = |x, y| PointerAction::MoveBy { duration: Some(Duration::from_millis(50)), x, y };
        let drag = MouseActions::new("mouse".to_owned())
            .then(PointerAction::MoveToElement { element: canvas, duration: None, x: 0.0, y: 0.0 })
            .then(PointerAction::Down { button: MOUSE_BUTTON_LEFT })
            .then(by(40.0, 0.0))
            .then(by(0.0, 80.0))
            .then(PointerAction::Up { button: MOUSE_BUTTON_LEFT });
        browser.client.perform_actions(drag).await.unwrap();
        let new = browser.run(&format!("return {place}")).await;
        // A tenth of the finger's way.
        let moved = |i: usize| new[i].as_f64().unwrap() - old[i].as_f64().unwrap();
        assert!((moved(0) - 4.0).abs() < 0.11 && (moved(1) - 8.0).abs() < 0.11, "{old} to {new}");
        browser.press("the ball is here").await;
        browser.wait_until("document.querySelector('#steps button')?.textContent.includes('placed the ball')").await;
        // So far off the curve the fit leaves it out; what counts here is that it stands where it was put.
        browser.wait_until("document.querySelector('#strobe-body').innerText.includes('placed by you')").await;
        let ring = format!("[...document.querySelectorAll('#strobe-body circle.seen')].some((c) => Math.abs(c.cx.baseVal.value - {}) < 0.06 && Math.abs(c.cy.baseVal.value - {}) < 0.06)", new[0], new[1]);
        browser.wait_until(&ring).await;
        browser.wait("#strobe-body select").await.send_keys(&format!("{}z", char::from(Key::Control))).await.unwrap();
        browser.wait_until("!document.querySelector('#strobe-body').innerText.includes('placed by you')").await;
        assert_eq!(browser.run(&format!("return {G}")).await, before);
        browser.close().await;
    });
}

#[test]
fn two_tabs_show_the_same_sheet() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(1200, 1000, false).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(&folder.path().join("room"), None);
        measured_with(&browser, &server, LENGTH).await;
        browser.wait(".number").await;
        let first = browser.client.window().await.unwrap();
        let url = browser.client.current_url().await.unwrap();
        let second = browser.client.new_window(true).await.unwrap().handle;
        browser.client.switch_to_window(second).await.unwrap();
        browser.client.goto(url.as_str()).await.unwrap();
        browser.wait("#strobe-body select option:nth-child(5)").await.click().await.unwrap();
        browser.press("not the ball").await;
        browser
            .wait_until("document.querySelector('#steps button')?.textContent.includes('left out the sighting')")
            .await;
        let now = browser.run(&format!("return {G}")).await;
        browser.client.switch_to_window(first).await.unwrap();
        browser
            .wait_until("document.querySelector('#steps button')?.textContent.includes('left out the sighting')")
            .await;
        assert_eq!(browser.run(&format!("return {G}")).await, now, "by itself, without a reload");
        browser.close().await;
    });
}

#[test]
fn a_huge_file_isn_t_even_sent() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(900, 900, false).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(&folder.path().join("room"), None);
        let huge = folder.path().join("huge.mp4");
        // Takes no room on the disk.
        std::fs::File::create(&huge).unwrap().set_len((1 << 30) + 1).unwrap();
        browser.client.goto(&server.address).await.unwrap();
        browser.wait("#clip-input").await.send_keys(huge.to_str().unwrap()).await.unwrap();
        browser.wait_until("document.querySelector('#say').textContent.includes('larger than')").await;
        assert_eq!(
            browser
                .run("return performance.getEntriesByType('resource').some((r) => r.name.includes('/api/clips?'))")
                .await,
            false
        );
        browser.close().await;
    });
}

#[test]
fn measuring_is_stopped_and_taken_up_again() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(900, 900, false).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(&folder.path().join("room"), None);
        // So much before it that nobody need be quick to stop it while it waits.
        let cookie = server.enter();
        for i in 0..4 {
            let id = server.upload(&cookie, &format!("before-{i}.mp4"), &demo_bytes());
            server.wait_for(&cookie, &id, &["scale"]);
            let path = format!("/api/clips/{id}/setup");
            assert_eq!(server.own(&cookie, "POST", &path, demo_setup(0).as_bytes()).status, 204);
        }
        browser.client.goto(&server.address).await.unwrap();
        browser.wait("#clip-input").await.send_keys(demo_clip().to_str().unwrap()).await.unwrap();
        browser.wait_until("document.querySelector('#film-body').innerText.includes('catapult.mp4: 1280')").await;
        browser.wait("#length").await;
        state(&browser, LENGTH).await;
        browser.press("cancel").await;
        browser.wait_until("document.querySelector('#ball-wait').innerText.includes('You stopped it')").await;
        assert_eq!(browser.faults().await, Vec::<String>::new());
        browser.press("measure it again").await;
        browser.wait(".number").await;
        browser.press("make the clip with the path drawn in").await;
        browser.wait("#take-body a[href*='overlay.mp4']").await;
        browser.close().await;
    });
}

#[test]
fn a_remedy_does_what_its_button_says() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(1200, 900, false).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(&folder.path().join("room"), None);
        // A batten of one metre taken for two: everything comes out twice as large.
        measured_with(&browser, &server, &LENGTH.replace("1.000 m", "2.000 m")).await;
        browser.wait(".number").await;
        let off: f64 = browser.run(&format!("return parseFloat({G})")).await.as_f64().unwrap();
        assert!(off > 15.0, "{off}");
        let words = "[...document.querySelectorAll('#answers-body button')].map((b) => b.textContent)";
        let remedies = browser.run(&format!("return {words}")).await;
        let length = remedies
            .as_array()
            .unwrap()
            .iter()
            .find_map(|words| words.as_str().unwrap().strip_prefix("the length is "));
        let length = length.unwrap_or_else(|| panic!("{remedies}")).to_owned();
        let metres: f64 = length.split(' ').next().unwrap().parse().unwrap();
        // g is 9.81 m/s² to within the interval of a clip like this, about 4 %.
        assert!((metres - 1.0).abs() < 0.05, "{length}");
        browser.press("the length is").await;
        browser
            .wait_until(&format!("document.querySelector('#steps button')?.textContent.includes('stated {length}')"))
            .await;
        browser.wait_until(&format!("Math.abs(parseFloat({G}) - 9.81) < 0.5")).await;
        browser.close().await;
    });
}

#[test]
fn the_ball_is_shown_when_it_wasn_t_found() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(360, 740, false).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(&folder.path().join("room"), None);
        // A corner of the sky, in which nothing flies.
        let setup = LENGTH.replacen('{', r#"{"region":[[0,0],[40,40]],"#, 1);
        measured_with(&browser, &server, &setup).await;
        browser.press("show me the frames").await;
        browser.wait("#peek-at").await;
        browser.wait_until("document.querySelector('#show-body img')?.naturalWidth > 0").await;
        let wide = browser.run("return document.documentElement.scrollWidth - document.documentElement.clientWidth").await;
        assert_eq!(wide, 0, "nothing reaches over the edge");
        assert_eq!(browser.faults().await, Vec::<String>::new());
        browser.picture("show-the-ball").await;
        for _ in 0..3 {
            browser.press("next").await;
        }
        browser.run("document.getElementById('times').open = true").await;
        browser.press("the flight begins here").await;
        browser.wait_until("[...document.querySelectorAll('#times button')][0].textContent.includes('s)')").await;
        browser.press("look everywhere again").await;
        browser.wait(".number").await;
        // The place that was found, shown by hand, gives the same flight.
        let first = browser.run(&format!("return {G}")).await;
        let ball = browser.run("return fetch(`/api/clips/${location.hash.slice(1)}`).then((r) => r.json()).then((v) => { const s = v.result.flights[0].sightings[6]; return { frame: s.frame, at: [s.x, s.y] }; })").await;
        state(&browser, &format!(r#"{{"ball_at":{ball}}}"#)).await;
        browser.wait_until("document.querySelector('#show-body').innerText.includes('You showed me the ball')").await;
        browser.wait(".number").await;
        assert_eq!(browser.run(&format!("return {G}")).await, first);
        browser.close().await;
    });
}

#[test]
fn the_bucket_is_placed_and_something_upright_is_marked() {
    runtime().block_on(async {
        let Some(browser) = Browser::open(1000, 900, true).await else { return };
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(&folder.path().join("room"), None);
        measured_with(&browser, &server, r#"{"ball_diameter":"70 mm"}"#).await;
        // The ball is the scale: an answer at once, and a length only for whoever wants a better one.
        browser.wait(".number").await;
        assert_eq!(browser.run("return document.querySelector('#length').checkVisibility()").await, false);
        browser.run("document.querySelector('#aim-body details').open = true").await;
        for (field, text) in [("height", "85 cm"), ("opening", "25 cm"), ("opening_height", "24 cm")] {
            browser.fill(&format!("#aim-{field}"), text).await;
        }
        browser.press("where does it go?").await;
        browser.wait(".instruction").await;
        assert!(browser.text(".instruction").await.contains("along the floor"));
        // With a scatter comes the chance, and how it goes with the angle.
        browser.run("document.querySelector('#aim-body details details').open = true").await;
        for (field, text) in [("scatter_speed", "0.05 m/s"), ("scatter_angle", "0.5°")] {
            browser.fill(&format!("#aim-{field}"), text).await;
        }
        browser.press("where does it go?").await;
        browser.wait_until("document.querySelector('.aim-answer img')?.naturalWidth > 0").await;
        assert!(browser.text(".aim-answer").await.contains("Chance of a hit"));
        // Foretold by a timing gate: 70 mm in 13 ms are 5.38 m/s.
        browser.run("document.querySelector('#forecast-body details').open = true; const from = document.querySelector('#f-from'); from.value = 'gate'; from.dispatchEvent(new Event('change'))").await;
        assert_eq!(browser.run("return document.querySelector('#f-speed').checkVisibility()").await, false);
        for (field, text) in [("gate_length", "70.0 mm"), ("gate_time", "13.0 ms ± 0.3 ms"), ("angle", "50° ± 1°"), ("height", "85 cm")] {
            browser.fill(&format!("#f-{field}"), text).await;
        }
        browser.press("compare").await;
        browser.wait_until("document.querySelector('#forecast-body p')?.innerText.includes('forecast')").await;
        browser.run("document.getElementById('plumb').open = true").await;
        browser.press("this is upright").await;
        browser
            .wait_until("document.querySelector('#steps button')?.textContent.includes('marked a plumb line')")
            .await;
        browser.wait(".number").await;
        assert_eq!(browser.faults().await, Vec::<String>::new());
        browser.close().await;
    });
}
