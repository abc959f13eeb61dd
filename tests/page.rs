//! The student's way through the page in headless Chromium.
//!
//! Skipped, aloud, where `chromium` or `chromedriver` isn't there; `bash .ci/deps --tests` installs both.

mod page_server;

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use fantoccini::key::Key;
use fantoccini::{Client, ClientBuilder, Locator};
use page_server::{Server, demo_clip, request};
use serde_json::json;

struct Browser {
    driver: Child,
    driver_port: u16,
    client: Client,
}

impl Browser {
    async fn open(width: u32, height: u32, dark: bool) -> Option<Self> {
        let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let mut command = Command::new("chromedriver");
        let driver = command.arg(format!("--port={port}")).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        let (Ok(mut driver), Ok(_)) = (driver, Command::new("chromium").arg("--version").output()) else {
            eprintln!("skipped: chromium or chromedriver is missing; `bash .ci/deps --tests` installs them");
            return None;
        };
        let mut args = vec![
            "--headless=new".to_owned(),
            "--no-sandbox".into(),
            "--disable-dev-shm-usage".into(),
            format!("--window-size={width},{height}"),
        ];
        if dark {
            args.push("--blink-settings=preferredColorScheme=0".into());
        }
        let mut wanted = serde_json::Map::new();
        wanted.insert("goog:chromeOptions".into(), json!({ "args": args }));
        if width < 500 {
            // A window of the browser can't be as narrow as a phone; its emulation can.
            let screen = json!({ "deviceMetrics": { "width": width, "height": height, "pixelRatio": 2.0 } });
            wanted["goog:chromeOptions"]["mobileEmulation"] = screen;
        }
        wanted.insert("goog:loggingPrefs".into(), json!({ "browser": "ALL" }));
        for _ in 0..50 {
            let connector = hyper_util::client::legacy::connect::HttpConnector::new();
            let client = ClientBuilder::new(connector)
                .capabilities(wanted.clone())
                .connect(&format!("http://127.0.0.1:{port}"))
                .await;
            if let Ok(client) = client {
                return Some(Self { driver, driver_port: port, client });
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
        let _ = driver.kill();
        panic!("the browser doesn't start");
    }

    async fn wait(&self, css: &str) -> fantoccini::elements::Element {
        self.client.wait().at_most(Duration::from_secs(90)).for_element(Locator::Css(css)).await.unwrap()
    }

    async fn run(&self, script: &str) -> serde_json::Value {
        self.client.execute(script, Vec::new()).await.unwrap()
    }

    async fn wait_until(&self, script: &str) {
        for _ in 0..450 {
            if self.run(&format!("return Boolean({script})")).await == true {
                return;
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
        panic!("never: {script}\n{}", self.run("return document.body.innerText").await);
    }

    /// Faults that axe-core finds (rules of WCAG 2.2 A and AA); none when it isn't installed, which is said.
    async fn faults(&self) -> Vec<String> {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/axe/node_modules/axe-core/axe.min.js");
        let Ok(axe) = std::fs::read_to_string(path) else {
            eprintln!("skipped: axe-core is missing; `bash .ci/deps --tests` fetches it");
            return Vec::new();
        };
        self.run(&axe).await;
        let script = "const done = arguments[0]; axe.run().then((found) => done(found.violations.map((one) => one.id + ': ' + one.nodes.map((node) => node.html).join(' | '))))";
        let found = self.client.execute_async(script, Vec::new()).await.unwrap();
        found.as_array().unwrap().iter().map(|one| one.as_str().unwrap().to_owned()).collect()
    }

    /// Errors that the browser wrote to its console since it was last asked, those of loading the page among them.
    async fn console_errors(&self) -> Vec<String> {
        let session = self.client.session_id().await.unwrap().expect("a session");
        let host = format!("127.0.0.1:{}", self.driver_port);
        let headers = [("Host", host.as_str()), ("Content-Type", "application/json")];
        let path = format!("/session/{session}/se/log");
        let answer = request(self.driver_port, "POST", &path, &headers, br#"{"type":"browser"}"#).json();
        let lines = answer["value"].as_array().unwrap_or_else(|| panic!("{answer}"));
        let errors = lines.iter().filter(|line| line["level"] == "SEVERE");
        errors.map(|line| line["message"].as_str().unwrap().to_owned()).collect()
    }

    async fn picture(&self, name: &str) {
        if let Some(folder) = std::env::var_os("LOBLINE_KEEP") {
            let folder = PathBuf::from(folder);
            std::fs::create_dir_all(&folder).unwrap();
            let height = self.run("return document.documentElement.scrollHeight").await.as_u64().unwrap().min(9000);
            let width = self.run("return innerWidth").await.as_u64().unwrap();
            let _ = self.client.set_window_size(width as u32, height as u32).await;
            tokio::time::sleep(Duration::from_millis(700)).await;
            std::fs::write(folder.join(format!("{name}.png")), self.client.screenshot().await.unwrap()).unwrap();
        }
    }

    async fn close(mut self) {
        let _ = self.client.close().await;
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

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

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap()
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
