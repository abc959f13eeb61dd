//! The student's way through the page in headless Chromium.
//!
//! Skipped, aloud, where `chromium` or `chromedriver` isn't there; `bash .ci/deps --tests` installs both.

mod browser;
mod page_server;

use browser::{Browser, runtime};
use fantoccini::Locator;
use fantoccini::key::Key;
use page_server::{Server, demo_clip};
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
