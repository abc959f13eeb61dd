//! A headless Chromium, driven over WebDriver: for the tests of what opens in a browser.

#![allow(dead_code)]

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use fantoccini::{Client, ClientBuilder, Locator};
use serde_json::{Value, json};

use crate::page_server::request;

/// A browser of its own; end it with [`Browser::close`].
pub struct Browser {
    driver: Child,
    driver_port: u16,
    pub client: Client,
}

impl Browser {
    pub async fn open(width: u32, height: u32, dark: bool) -> Option<Self> {
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
        // A class's certificate is of its own making.
        wanted.insert("acceptInsecureCerts".into(), json!(true));
        wanted.insert("goog:loggingPrefs".into(), json!({ "browser": "ALL", "performance": "ALL" }));
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

    pub async fn wait(&self, css: &str) -> fantoccini::elements::Element {
        self.client.wait().at_most(Duration::from_secs(90)).for_element(Locator::Css(css)).await.unwrap()
    }

    pub async fn run(&self, script: &str) -> Value {
        self.client.execute(script, Vec::new()).await.unwrap()
    }

    pub async fn wait_until(&self, script: &str) {
        for _ in 0..450 {
            if self.run(&format!("return Boolean({script})")).await == true {
                return;
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
        panic!("never: {script}\n{}", self.run("return document.body.innerText").await);
    }

    /// Faults that axe-core finds (rules of WCAG 2.2 A and AA); none when it isn't installed, which is said.
    pub async fn faults(&self) -> Vec<String> {
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
    pub async fn console_errors(&self) -> Vec<String> {
        let lines = self.log("browser").await;
        let errors = lines.iter().filter(|line| line["level"] == "SEVERE");
        errors.map(|line| line["message"].as_str().unwrap().to_owned()).collect()
    }

    /// Addresses that the browser asked for since it was last asked, those that a policy refused among them; what the page
    /// carries in itself isn't asked for.
    pub async fn requests(&self) -> Vec<String> {
        let told = |line: &Value| serde_json::from_str::<Value>(line["message"].as_str().unwrap()).unwrap();
        let address = |line: &Value| {
            let message = &told(line)["message"];
            let sent = message["method"] == "Network.requestWillBeSent";
            sent.then(|| message["params"]["request"]["url"].as_str().unwrap().to_owned())
        };
        let asked = self.log("performance").await;
        asked.iter().filter_map(address).filter(|address| !address.starts_with("data:")).collect()
    }

    async fn log(&self, kind: &str) -> Vec<Value> {
        let session = self.client.session_id().await.unwrap().expect("a session");
        let host = format!("127.0.0.1:{}", self.driver_port);
        let headers = [("Host", host.as_str()), ("Content-Type", "application/json")];
        let path = format!("/session/{session}/se/log");
        let wanted = json!({ "type": kind }).to_string();
        let answer = request(("127.0.0.1", self.driver_port), "POST", &path, &headers, wanted.as_bytes()).json();
        answer["value"].as_array().unwrap_or_else(|| panic!("{answer}")).clone()
    }

    pub async fn picture(&self, name: &str) {
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

    /// Presses the button with these words.
    pub async fn press(&self, words: &str) {
        let script = format!(
            "const b = [...document.querySelectorAll('button')].find((b) => b.offsetParent && b.textContent.trim().startsWith({words:?})); if (b) b.click(); return Boolean(b)"
        );
        for _ in 0..150 {
            if self.run(&script).await == true {
                return;
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
        panic!("no button says {words}:\n{}", self.run("return document.body.innerText").await);
    }

    /// Types into a field, instead of what stands in it.
    pub async fn fill(&self, css: &str, text: &str) {
        let field = self.wait(css).await;
        field.clear().await.unwrap();
        field.send_keys(text).await.unwrap();
    }

    pub async fn text(&self, css: &str) -> String {
        self.run(&format!("return document.querySelector({css:?})?.innerText ?? ''")).await.as_str().unwrap().to_owned()
    }

    pub async fn close(mut self) {
        let _ = self.client.close().await;
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// For the tests, which wait for the browser.
pub fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap()
}
