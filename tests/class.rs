//! The teacher's way with several groups in headless Chromium.

mod browser;
mod page_server;

use browser::{Browser, runtime};
use fantoccini::Locator;
use page_server::{ClassServer, demo_bytes, demo_clip, demo_setup};
use serde_json::json;

/// Whether anything reaches over the edge, and what is too small for a finger.
async fn fits(browser: &Browser) {
    let wide = browser.run("return document.documentElement.scrollWidth - document.documentElement.clientWidth").await;
    assert_eq!(wide, 0, "nothing reaches over the edge");
    let small = "return [...document.querySelectorAll('button, .button, select, input:not([type=checkbox])')].filter((b) => b.offsetParent && b.getBoundingClientRect().height < 43.5).map((b) => b.outerHTML)";
    assert_eq!(browser.run(small).await, json!([]));
}

async fn clean(browser: &Browser) {
    assert_eq!(browser.faults().await, Vec::<String>::new());
    let outside = "return performance.getEntriesByType('resource').map((r) => r.name).filter((n) => !n.startsWith(location.origin))";
    assert_eq!(browser.run(outside).await, json!([]));
}

#[test]
fn a_class_from_the_door_to_the_table() {
    runtime().block_on(async {
        let folder = tempfile::tempdir().unwrap();
        let Some(server) = ClassServer::start(folder.path(), &[]) else { return };
        let Some(teacher) = Browser::open(1400, 1000, false).await else { return };
        let Some(phone) = Browser::open(360, 740, true).await else { return };
        teacher.client.goto(&server.teacher).await.unwrap();
        teacher.wait("#class-code").await;
        assert_eq!(teacher.text("#class-code").await.replace(' ', ""), server.code);
        clean(&teacher).await;

        // By the scanned address: only the name is left to type.
        phone.client.goto(&format!("{}?code={}", server.join, server.code)).await.unwrap();
        phone.wait("#name").await;
        assert!(!phone.client.current_url().await.unwrap().as_str().contains(&server.code));
        fits(&phone).await;
        clean(&phone).await;
        phone.picture("join-phone").await;
        phone.fill("#code", "AAAAAA").await;
        phone.fill("#name", "Table 1").await;
        phone.press("join").await;
        phone.wait_until("document.querySelector('#say').textContent.includes('code of this class')").await;
        phone.fill("#code", &server.code.to_lowercase()).await;
        phone.press("join").await;
        phone.wait("#clip-input").await;
        assert!(phone.text("h1").await.contains("Table 1"));
        teacher.wait_until("document.querySelector('#list tbody')?.innerText.includes('no clip yet')").await;

        // The phone's own way; another group comes at the same time, and a third sends what is no clip.
        phone.wait("#clip-input").await.send_keys(demo_clip().to_str().unwrap()).await.unwrap();
        let (second, third) = (server.join_as("Table 2"), server.join_as("Table 3"));
        let of_second = server.send_demo(&second);
        server.upload(&third, "homework.mp4", b"no clip at all");
        phone.wait("#length").await;
        let script = "const [id] = [location.hash.slice(1)]; return id";
        let of_first = phone.run(script).await.as_str().unwrap().to_owned();
        // Where the ends are dragged to is the student's test; here the teacher looks on.
        let cookie = phone.client.get_all_cookies().await.unwrap()[0].to_string();
        let cookie = cookie.split(';').next().unwrap().to_owned();
        let done = server.ask(&cookie, "POST", &format!("/api/clips/{of_first}/setup"), demo_setup(0).as_bytes());
        assert_eq!(done.status, 204, "{}", done.text());
        phone.wait(".number").await;
        server.wait_for(&second, &of_second, &["done"]);
        // Rows have come by themselves.
        teacher.wait_until("[...document.querySelectorAll('#list tbody tr')].filter((row) => row.innerText.includes('±')).length === 2").await;
        teacher.wait_until("document.querySelector('#list tbody').innerText.includes(\"can't read this as a video\")").await;
        assert_eq!(teacher.text("#how-many").await, "3 groups in.");

        // Rig and forecast for all arrive on the phone.
        teacher.run("document.getElementById('common').open = true").await;
        for (field, text) in [("all-launcher", "wooden catapult"), ("all-setting", "3"), ("for-speed", "5.4 m/s"), ("for-angle", "50°"), ("for-height", "85 cm")] {
            teacher.fill(&format!("#{field}"), text).await;
        }
        teacher.press("use this for all").await;
        phone.wait_until("document.querySelector('#forecast-body').innerText.length > 80").await;
        phone.client.refresh().await.unwrap();
        phone.wait_until("document.querySelector('#teacher')?.innerText.includes('wooden catapult')").await;
        fits(&phone).await;
        clean(&phone).await;

        // Restart in the middle: both pages go on by themselves. Up to here nothing went wrong.
        for browser in [&teacher, &phone] {
            assert_eq!(browser.console_errors().await.into_iter().filter(|line| !line.contains("api/join")).collect::<Vec<_>>(), Vec::<String>::new());
        }
        let server = server.restart();
        let fourth = server.join_as("Table 10");
        let of_fourth = server.upload(&fourth, "late.mp4", &demo_bytes());
        server.wait_for(&fourth, &of_fourth, &["scale"]);
        teacher.wait_until("document.querySelector('#list tbody').innerText.includes('a known length is wanted')").await;
        // While the server was away nothing answered, and what was on its way was cut off; nothing else.
        assert_eq!(teacher.console_errors().await.into_iter().filter(|line| !line.contains("Failed to load resource: net::ERR_")).collect::<Vec<_>>(), Vec::<String>::new());
        assert_eq!(
            teacher.run("return [...document.querySelectorAll('#list tbody th a')].map((a) => a.textContent)").await,
            json!(["Table 1", "Table 2", "Table 3", "Table 10"])
        );

        // The shot book, drift, aim.
        assert_eq!(teacher.run("return document.querySelector('#book-launcher').value").await, "wooden catapult");
        // One was seen to go in, and where the bucket stood.
        teacher.run("const went = document.querySelector('#book select'); went.value = 'hit'; went.dispatchEvent(new Event('change')); document.querySelector('#book details').open = true").await;
        for (field, text) in [("opening", "25 cm"), ("rim", "24 cm"), ("distance", "3.05 m")] {
            teacher.fill(&format!("#book-{field}"), text).await;
        }
        teacher.press("record these shots").await;
        teacher.wait_until("document.querySelector('#say').textContent.includes('recorded')").await;
        teacher.wait("#drift-launcher").await;
        teacher.press("check it").await;
        teacher.wait_until("document.querySelector('#drift-body [role=status]').innerText.length > 20").await;
        for (field, text) in [("height", "85 cm"), ("opening", "25 cm"), ("opening_height", "24 cm"), ("ball_diameter", "70 mm")] {
            teacher.fill(&format!("#aim-{field}"), text).await;
        }
        teacher.press("where does it go?").await;
        teacher.wait(".instruction").await;
        assert!(teacher.text(".instruction").await.contains("along the floor"), "{}", teacher.text(".aim-answer").await);
        clean(&teacher).await;
        assert_eq!(teacher.console_errors().await, Vec::<String>::new());
        teacher.picture("class-desk").await;

        // Any result opens, and leads back.
        // The sheet scrolls smoothly, and the driver would press where the link was a moment ago.
        teacher.run("[...document.querySelectorAll('a')].find((a) => a.textContent === 'Table 2').scrollIntoView({ behavior: 'instant', block: 'center' })").await;
        teacher.client.find(Locator::LinkText("Table 2")).await.unwrap().click().await.unwrap();
        teacher.wait(".number").await;
        clean(&teacher).await;
        teacher.client.find(Locator::Css("#back a")).await.unwrap().click().await.unwrap();
        teacher.wait("#list tbody tr").await;
        teacher.close().await;
        phone.close().await;

        for (name, width, height, dark) in [("class-projector", 1920, 1080, false), ("class-phone", 360, 740, false), ("class-dark", 1400, 900, true)] {
            let Some(browser) = Browser::open(width, height, dark).await else { return };
            browser.client.goto(&server.teacher).await.unwrap();
            browser.wait("#list tbody tr").await;
            browser.wait("#together-body img").await;
            fits(&browser).await;
            clean(&browser).await;
            browser.picture(name).await;
            browser.close().await;
        }
    });
}

#[test]
fn an_encrypted_class_is_joined_after_the_warning() {
    runtime().block_on(async {
        let folder = tempfile::tempdir().unwrap();
        let Some(server) = ClassServer::start(folder.path(), &["--tls"]) else { return };
        // This browser takes the certificate as somebody does who has compared the fingerprint.
        let Some(phone) = Browser::open(360, 740, false).await else { return };
        phone.client.goto(&server.join).await.unwrap();
        phone.fill("#code", &server.code).await;
        phone.fill("#name", "Table 1").await;
        phone.press("join").await;
        phone.wait("#clip-input").await.send_keys(demo_clip().to_str().unwrap()).await.unwrap();
        phone.wait("#length").await;
        let cookies = phone.client.get_all_cookies().await.unwrap();
        assert!(cookies.iter().all(|cookie| cookie.secure() == Some(true) && cookie.http_only() == Some(true)));
        phone.close().await;
        let Some(teacher) = Browser::open(1200, 900, false).await else { return };
        teacher.client.goto(&server.teacher).await.unwrap();
        teacher
            .wait_until("document.querySelector('#list tbody')?.innerText.includes('a known length is wanted')")
            .await;
        let shown = teacher.run("return document.querySelector('.fingerprint').textContent").await;
        assert_eq!(shown.as_str().unwrap().split(':').count(), 32, "{shown}");
        teacher.close().await;
    });
}
