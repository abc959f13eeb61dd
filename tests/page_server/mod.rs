//! A server of the page in a process of its own, a clip to send, and plain requests: for the tests of the page.

#![allow(dead_code)]

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

const PROGRAM: &str = env!("CARGO_BIN_EXE_lobline");

/// A running server; ended when dropped.
pub struct Server {
    child: Child,
    pub port: u16,
    /// The printed address with its key.
    pub address: String,
}

impl Server {
    pub fn start(folder: &Path, port: Option<u16>) -> Self {
        let mut command = Command::new(PROGRAM);
        command.args(["serve", "--no-open", "--folder"]).arg(folder);
        let port = port.unwrap_or_else(|| free_port("127.0.0.1"));
        command.args(["--port", &port.to_string()]);
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut address = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut address).unwrap();
        let address = address.trim().to_owned();
        let port = address.split(':').nth(2).unwrap().split('/').next().unwrap().parse().unwrap();
        Self { child, port, address }
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Ends it as a power cut would.
    pub fn kill(mut self) -> u16 {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        self.port
    }

    pub fn origin(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// Opens the printed address and keeps the cookie.
    pub fn enter(&self) -> String {
        let path = self.address.strip_prefix(&self.origin()).unwrap();
        let answer = self.plain("GET", path, &[], b"");
        answer.cookie()
    }

    /// A request with the headers given and Host, nothing else.
    pub fn plain(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        let host = format!("127.0.0.1:{}", self.port);
        let mut all = vec![("Host", host.as_str())];
        all.extend_from_slice(headers);
        self.raw(method, path, &all, body)
    }

    pub fn raw(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        request(("127.0.0.1", self.port), method, path, headers, body)
    }

    pub fn connect(&self) -> TcpStream {
        connect(("127.0.0.1", self.port))
    }

    /// A request as the page makes it.
    pub fn own(&self, cookie: &str, method: &str, path: &str, body: &[u8]) -> Answer {
        let origin = self.origin();
        let headers = [("Cookie", cookie), ("Origin", &origin), ("Content-Type", "application/json")];
        self.plain(method, path, &headers, body)
    }

    pub fn upload(&self, cookie: &str, name: &str, bytes: &[u8]) -> String {
        let answer = self.own(cookie, "POST", &format!("/api/clips?name={name}"), bytes);
        assert_eq!(answer.status, 201, "{}", answer.text());
        answer.json()["id"].as_str().unwrap().to_owned()
    }

    /// Asks again and again until the recording's stage is one of `kinds`.
    pub fn wait_for(&self, cookie: &str, id: &str, kinds: &[&str]) -> serde_json::Value {
        wait_for(kinds, || self.own(cookie, "GET", &format!("/api/clips/{id}"), b"").json())
    }
}

/// A port of its own: the usual one is taken by whatever test is the first, and again by another while a server restarts.
fn free_port(host: &str) -> u16 {
    std::net::TcpListener::bind((host, 0)).unwrap().local_addr().unwrap().port()
}

/// Where the class of the tests is: in the loopback net, which nobody else reaches, and yet another address than the teacher's.
pub const CLASS_ADDRESS: &str = "127.0.0.2";

/// A class; ended when dropped. `None` where the system has no second loopback address, which is said.
pub struct ClassServer {
    child: Child,
    pub port: u16,
    pub code: String,
    /// Where groups come in.
    pub join: String,
    /// The printed address with its key, and the port in it.
    pub teacher: String,
    pub teacher_port: u16,
    pub folder: PathBuf,
}

impl ClassServer {
    pub fn start(folder: &Path, more: &[&str]) -> Option<Self> {
        if std::net::TcpListener::bind((CLASS_ADDRESS, 0)).is_err() {
            eprintln!("skipped: this system has no address {CLASS_ADDRESS}");
            return None;
        }
        let mut command = Command::new(PROGRAM);
        command
            .args(["serve", "--class", "--no-open", "--address", CLASS_ADDRESS, "--folder"])
            .arg(folder.join("class"));
        command.arg("--book").arg(folder.join("book.sqlite")).args(more);
        if !more.contains(&"--port") {
            command.args(["--port", &free_port(CLASS_ADDRESS).to_string()]);
        }
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut after = |name: &str| {
            let line = lines.next().unwrap().unwrap();
            line.strip_prefix(name).unwrap_or_else(|| panic!("{line}")).trim().to_owned()
        };
        let (join, code, teacher) = (after("join"), after("code").replace(' ', ""), after("teacher"));
        let port = |address: &str| address.split(':').nth(2).unwrap().split('/').next().unwrap().parse().unwrap();
        Some(Self {
            child,
            port: port(&join),
            code,
            teacher_port: port(&teacher),
            join,
            teacher,
            folder: folder.to_owned(),
        })
    }

    /// Ends it as a power cut would, and starts it again where it was.
    pub fn restart(mut self) -> Self {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        let (port, folder) = (self.port.to_string(), self.folder.clone());
        let again = Self::start(&folder, &["--port", &port]).unwrap();
        assert_eq!((&again.code, &again.teacher), (&self.code, &self.teacher), "both are found again");
        again
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// A request as a group's page makes it, and as anybody can.
    pub fn ask(&self, cookie: &str, method: &str, path: &str, body: &[u8]) -> Answer {
        ask((CLASS_ADDRESS, self.port), cookie, method, path, body)
    }

    /// A request as the teacher's page makes it.
    pub fn teacher(&self, cookie: &str, method: &str, path: &str, body: &[u8]) -> Answer {
        ask(("127.0.0.1", self.teacher_port), cookie, method, path, body)
    }

    /// Joins as a group; its cookie.
    pub fn join_as(&self, name: &str) -> String {
        let answer = self.ask("", "POST", "/api/join", &self.joining(name));
        assert_eq!(answer.status, 204, "{}", answer.text());
        answer.cookie()
    }

    pub fn joining(&self, name: &str) -> Vec<u8> {
        serde_json::to_vec(&serde_json::json!({ "code": self.code, "name": name })).unwrap()
    }

    /// Opens the teacher's address; the cookie.
    pub fn enter(&self) -> String {
        let path = self.teacher.strip_prefix(&format!("http://127.0.0.1:{}", self.teacher_port)).unwrap();
        self.teacher("", "GET", path, b"").cookie()
    }

    pub fn upload(&self, cookie: &str, name: &str, bytes: &[u8]) -> String {
        let answer = self.ask(cookie, "POST", &format!("/api/clips?name={name}"), bytes);
        assert_eq!(answer.status, 201, "{}", answer.text());
        answer.json()["id"].as_str().unwrap().to_owned()
    }

    /// Sends the demo's clip with its length, without waiting for what comes of it.
    pub fn send_demo(&self, cookie: &str) -> String {
        let id = self.upload(cookie, "catapult.mp4", &demo_bytes());
        let done = self.ask(cookie, "POST", &format!("/api/clips/{id}/setup"), demo_setup(0).as_bytes());
        assert_eq!(done.status, 204, "{}", done.text());
        id
    }

    /// Asks again and again until the recording's stage is one of `kinds`.
    pub fn wait_for(&self, cookie: &str, id: &str, kinds: &[&str]) -> serde_json::Value {
        wait_for(kinds, || self.ask(cookie, "GET", &format!("/api/clips/{id}"), b"").json())
    }
}

impl Drop for ClassServer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn ask(to: (&str, u16), cookie: &str, method: &str, path: &str, body: &[u8]) -> Answer {
    let (host, origin) = (format!("{}:{}", to.0, to.1), format!("http://{}:{}", to.0, to.1));
    let headers =
        [("Host", host.as_str()), ("Cookie", cookie), ("Origin", &origin), ("Content-Type", "application/json")];
    request(to, method, path, &headers, body)
}

fn wait_for(kinds: &[&str], view: impl Fn() -> serde_json::Value) -> serde_json::Value {
    let mut last = serde_json::Value::Null;
    for _ in 0..600 {
        last = view();
        if kinds.contains(&last["stage"]["kind"].as_str().unwrap_or_default()) {
            return last;
        }
        std::thread::sleep(Duration::from_millis(200));
    }
    panic!("the recording came to none of {kinds:?} within two minutes, but to {}", last["stage"]);
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

thread_local! {
    static DEVICE: std::cell::Cell<Option<std::net::Ipv4Addr>> = const { std::cell::Cell::new(None) };
}

/// From now on this thread's requests come from that address of the loopback net, as from a device of its own.
pub fn as_device(address: std::net::Ipv4Addr) {
    DEVICE.set(Some(address));
}

fn connected(to: (&str, u16)) -> std::io::Result<TcpStream> {
    let Some(device) = DEVICE.get() else { return TcpStream::connect(to) };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build()?;
    let stream = runtime.block_on(async {
        let socket = tokio::net::TcpSocket::new_v4()?;
        socket.bind((device, 0).into())?;
        socket.connect(std::net::SocketAddr::new(to.0.parse().map_err(std::io::Error::other)?, to.1)).await?.into_std()
    })?;
    stream.set_nonblocking(false)?;
    Ok(stream)
}

pub fn connect(to: (&str, u16)) -> TcpStream {
    let stream = connected(to).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    stream
}

/// A request to a server of this machine with just these headers, and the answer.
pub fn request(to: (&str, u16), method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
    let mut stream = connect(to);
    let mut text = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n", body.len());
    for (name, value) in headers {
        text += &format!("{name}: {value}\r\n");
    }
    stream.write_all(text.as_bytes()).unwrap();
    stream.write_all(b"\r\n").unwrap();
    // A server that refuses early doesn't read to the end.
    let _ = stream.write_all(body);
    Answer::read(&mut stream)
}

pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn read(stream: &mut impl Read) -> Self {
        let mut bytes = Vec::new();
        // A connection that is reset after the answer has given the answer all the same.
        let mut buffer = [0; 65536];
        while let Ok(count @ 1..) = stream.read(&mut buffer) {
            bytes.extend_from_slice(&buffer[..count]);
            // Not every server closes the connection when asked to.
            if is_whole(&bytes) {
                break;
            }
        }
        let end = head_end(&bytes).unwrap_or(bytes.len());
        let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
        let status = head.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0);
        Self { status, head, body: bytes.get(end + 4..).unwrap_or_default().to_vec() }
    }

    /// The session that it gives.
    pub fn cookie(&self) -> String {
        let line = self.head.lines().find(|line| line.starts_with("set-cookie:"));
        let line = line.unwrap_or_else(|| panic!("no cookie: {}", self.head));
        line["set-cookie:".len()..].split(';').next().unwrap().trim().to_owned()
    }

    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    pub fn json(&self) -> serde_json::Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|error| panic!("{error}: {}", self.text()))
    }
}

fn head_end(bytes: &[u8]) -> Option<usize> {
    bytes.windows(4).position(|four| four == b"\r\n\r\n")
}

/// Whether an answer that says its length has come to its end.
fn is_whole(bytes: &[u8]) -> bool {
    let Some(end) = head_end(bytes) else { return false };
    let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
    let length = head.lines().find_map(|line| line.strip_prefix("content-length:")?.trim().parse::<usize>().ok());
    length.is_some_and(|length| bytes.len() >= end + 4 + length)
}

/// A short recording with a known truth, rendered by the program's own demo, and the folder it stands in.
pub fn demo_clip() -> PathBuf {
    static MADE: OnceLock<tempfile::TempDir> = OnceLock::new();
    let folder = MADE.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let done = Command::new(PROGRAM).args(["--quiet", "demo"]).current_dir(folder.path()).output().unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        folder
    });
    folder.path().join("lobline-demo/catapult.mp4")
}

pub fn demo_bytes() -> Vec<u8> {
    fs::read(demo_clip()).unwrap()
}

/// What the demo's rig says of its scale, as the page sends it.
pub fn demo_setup(step: u64) -> String {
    let length = r#"{"from":[523,550],"to":[756,550],"length":"1.000 m"}"#;
    format!(
        r#"{{"step":{step},"setup":{{"length":{length},"ball_diameter":"70 mm u 0.3 mm","ball_mass":"80 g u 1 g","scale_offset":"0 m u 0.002 m"}}}}"#
    )
}
