//! The page's server against clients that mean no good, and against being killed.

mod page_server;

use std::io::{Read, Write};
use std::time::{Duration, Instant};

use page_server::{Answer, Server, demo_bytes, demo_setup};

fn server() -> (tempfile::TempDir, Server) {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(&folder.path().join("room"), None);
    (folder, server)
}

#[test]
fn strangers_get_nothing() {
    let (_folder, server) = server();
    for path in ["/api/sheet", "/api/clips/aaaaaaaaaaaaaaaaaaaaaaaaaa", "/group/aaaaaaaaaaaaaaaaaaaaaaaaaa"] {
        assert_eq!(server.plain("GET", path, &[], b"").status, 403, "{path}");
    }
    assert_eq!(server.plain("GET", "/enter?key=aaaaaaaaaaaaaaaaaaaaaaaaaa", &[], b"").status, 403);
    let home = server.plain("GET", "/", &[], b"");
    assert!(home.status == 303 && home.head.contains("location: /closed"));
    let made_up = [("Cookie", format!("lobline-{}=aaaaaaaaaaaaaaaaaaaaaaaaaa", server.port))];
    let headers = [(made_up[0].0, made_up[0].1.as_str())];
    assert_eq!(server.plain("GET", "/api/sheet", &headers, b"").status, 403);
}

#[test]
fn every_answer_carries_the_policy() {
    let (_folder, server) = server();
    for path in ["/", "/closed", "/static/page.js", "/api/sheet", "/nowhere"] {
        let head = server.plain("GET", path, &[], b"").head;
        let policy = head.lines().find(|line| line.starts_with("content-security-policy:")).unwrap_or_default();
        assert!(policy.contains("default-src 'none'") && policy.contains("script-src 'self';"), "{path}: {head}");
        assert!(!policy.contains("unsafe"), "{policy}");
        assert!(head.contains("x-content-type-options: nosniff") && head.contains("referrer-policy: no-referrer"));
    }
    let cookie = server.plain("GET", server.address.strip_prefix(&server.origin()).unwrap(), &[], b"").head;
    assert!(cookie.contains("httponly") && cookie.contains("samesite=strict"), "{cookie}");
}

#[test]
fn other_names_and_other_pages_are_refused() {
    let (_folder, server) = server();
    let cookie = server.enter();
    for host in ["evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1.evil.example:80"] {
        assert_eq!(server.raw("GET", "/", &[("Host", host), ("Cookie", &cookie)], b"").status, 421, "{host}");
    }
    let own = format!("127.0.0.1:{}", server.port);
    assert_eq!(server.raw("GET", "/", &[("Host", &own), ("Host", "evil.example")], b"").status, 421);
    for origin in ["http://evil.example", "null", "https://127.0.0.1", "http://127.0.0.1:1"] {
        let headers = [("Cookie", cookie.as_str()), ("Origin", origin)];
        assert_eq!(server.plain("POST", "/api/clips?name=x", &headers, b"x").status, 403, "{origin}");
    }
    // Without an Origin nothing is changed either.
    assert_eq!(server.plain("POST", "/api/clips?name=x", &[("Cookie", &cookie)], b"x").status, 403);
    let crossed = [("Cookie", cookie.as_str()), ("Sec-Fetch-Site", "cross-site"), ("Sec-Fetch-Mode", "no-cors")];
    assert_eq!(server.plain("GET", "/api/sheet", &crossed, b"").status, 403);
}

#[test]
fn paths_and_ids_lead_nowhere_else() {
    let (_folder, server) = server();
    let cookie = server.enter();
    let id = server.upload(&cookie, "..%2F..%2Fetc%2Fpasswd", &demo_bytes());
    let view = server.wait_for(&cookie, &id, &["scale"]);
    assert_eq!(view["name"], "passwd");
    let tricks = [
        "/static/../Cargo.toml",
        "/static/..%2f..%2fCargo.toml",
        "/static/%2e%2e",
        "/api/clips/../../etc/passwd",
        "/api/clips/..%2F..%2Froom.json",
        "/api/clips/aaaaaaaaaaaaaaaaaaaaaaaaaa",
    ];
    for path in tricks {
        assert_eq!(server.own(&cookie, "GET", path, b"").status, 404, "{path}");
    }
    for name in [
        "file/..%2Fclip",
        "file/clip",
        "file/recording.json",
        "file/..%2F..%2Fgroup.json",
        "picture/x.graph",
        "frame/1",
        "file/overlay.mp4",
    ] {
        let status = server.own(&cookie, "GET", &format!("/api/clips/{id}/{name}"), b"").status;
        assert_eq!(status, 404, "{name}");
    }
    assert_eq!(server.own(&cookie, "GET", &format!("/api/clips/{id}/frame/..%2Fclip"), b"").status, 400);
}

#[test]
fn what_is_no_clip_is_refused_with_a_reason() {
    let (folder, server) = server();
    let cookie = server.enter();
    // A playlist would have the decoder read other files or addresses.
    let playlist = b"#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nfile:///etc/passwd\n#EXT-X-ENDLIST\n".to_vec();
    let concat = b"ffconcat version 1.0\nfile /etc/passwd\n".to_vec();
    let cut = demo_bytes()[..2000].to_vec();
    for (name, bytes) in [
        ("text.mp4", b"hello, this is no clip".to_vec()),
        ("list.m3u8", playlist),
        ("list.txt", concat),
        ("cut.mp4", cut),
    ] {
        let id = server.upload(&cookie, name, &bytes);
        let view = server.wait_for(&cookie, &id, &["refused"]);
        let failure = &view["stage"]["failure"];
        assert_eq!(failure["kind"], "not_a_clip", "{name}: {failure}");
        assert!(!failure["hint"].as_str().unwrap().is_empty());
        // Where things are kept is nobody's business.
        assert!(!view.to_string().contains(folder.path().to_str().unwrap()), "{view}");
    }
    assert_eq!(server.own(&cookie, "POST", "/api/clips?name=empty.mp4", b"").status, 422);
}

/// A picture of 40 000 × 40 000 pixels, 4.8 GB when it is opened, in some 5 kB that say so.
#[test]
fn a_decompression_bomb_ends_at_the_limits() {
    let (_folder, server) = server();
    let cookie = server.enter();
    let id = server.upload(&cookie, "bomb.mp4", &huge_png(40_000));
    let view = server.wait_for(&cookie, &id, &["refused"]);
    assert!(view["look"].is_null(), "{view}");
    let id = server.upload(&cookie, "bomb.y4m", b"YUV4MPEG2 W16000 H16000 F30:1 Ip A1:1 C420\nFRAME\n");
    server.wait_for(&cookie, &id, &["refused"]);
    // The server itself goes on.
    assert_eq!(server.own(&cookie, "GET", "/api/sheet", b"").status, 200);
}

/// Head of an APNG of that size with an empty picture: the sizes are what a decoder goes by when it asks for memory.
fn huge_png(side: u32) -> Vec<u8> {
    let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut chunk = |kind: &[u8; 4], data: &[u8]| {
        png.extend((data.len() as u32).to_be_bytes());
        png.extend(kind);
        png.extend(data);
        png.extend([0; 4]);
    };
    let mut head = Vec::new();
    head.extend(side.to_be_bytes());
    head.extend(side.to_be_bytes());
    head.extend([8, 2, 0, 0, 0]);
    chunk(b"IHDR", &head);
    chunk(b"acTL", &[0, 0, 0, 1, 0, 0, 0, 0]);
    chunk(b"IDAT", &[0; 5000]);
    chunk(b"IEND", &[]);
    png
}

#[test]
fn too_much_is_refused_before_it_is_read() {
    let (folder, server) = server();
    let cookie = server.enter();
    let mut stream = server.connect();
    let origin = server.origin();
    let head = format!(
        "POST /api/clips?name=huge.mp4 HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nCookie: {cookie}\r\nOrigin: {origin}\r\nContent-Length: 99000000000\r\n\r\n",
        server.port
    );
    stream.write_all(head.as_bytes()).unwrap();
    let began = Instant::now();
    let mut start = [0; 12];
    stream.read_exact(&mut start).unwrap();
    assert_eq!(&start, b"HTTP/1.1 413");
    assert!(began.elapsed() < Duration::from_secs(5));
    // Large JSON is refused as well, and nothing is left of either.
    let big = vec![b' '; 200_000];
    let status = server.own(&cookie, "POST", "/api/clips/aaaaaaaaaaaaaaaaaaaaaaaaaa/setup", &big).status;
    assert!(status == 413 || status == 0, "{status}");
    let groups = folder.path().join("room/groups");
    let group = std::fs::read_dir(groups).unwrap().next().unwrap().unwrap().path();
    assert_eq!(std::fs::read_dir(group).unwrap().count(), 1, "only group.json");
}

#[test]
fn a_head_and_an_upload_that_never_end_are_cut_off() {
    let (_folder, server) = server();
    let cookie = server.enter();
    let mut head = server.connect();
    head.write_all(b"GET / HTTP/1.1\r\nHost: 127").unwrap();
    let mut upload = server.connect();
    let text = format!(
        "POST /api/clips?name=slow.mp4 HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nCookie: {cookie}\r\nOrigin: {}\r\nContent-Length: 100000\r\n\r\nabc",
        server.port,
        server.origin()
    );
    upload.write_all(text.as_bytes()).unwrap();
    let began = Instant::now();
    // The limits are 10 s for a head and 20 s of silence; a slow machine may take some seconds more.
    let first = Answer::read(&mut head);
    assert!(first.status == 0 || first.status == 408, "{}", first.status);
    assert!(began.elapsed() < Duration::from_secs(20));
    assert_eq!(Answer::read(&mut upload).status, 408);
    assert!(began.elapsed() < Duration::from_secs(40));
}

#[cfg(unix)]
#[test]
fn files_are_their_owners_alone() {
    use std::os::unix::fs::PermissionsExt;
    let (folder, server) = server();
    let cookie = server.enter();
    let id = server.upload(&cookie, "shot.mp4", &demo_bytes());
    let room = folder.path().join("room");
    let group = std::fs::read_dir(room.join("groups")).unwrap().next().unwrap().unwrap().path();
    for path in [room.clone(), room.join("groups"), group.clone(), group.join(&id)] {
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o700, "{}", path.display());
    }
}

#[test]
fn nothing_is_lost_when_the_server_is_killed() {
    let (folder, server) = server();
    let cookie = server.enter();
    let id = server.upload(&cookie, "shot.mp4", &demo_bytes());
    server.wait_for(&cookie, &id, &["scale"]);
    let path = format!("/api/clips/{id}");
    assert_eq!(server.own(&cookie, "POST", &format!("{path}/setup"), demo_setup(0).as_bytes()).status, 204);
    // In the middle of measuring.
    let port = server.kill();
    let server = Server::start(&folder.path().join("room"), Some(port));
    let view = server.wait_for(&cookie, &id, &["done"]);
    let answers = view["result"]["flights"][0]["answers"].clone();
    let frame = view["result"]["flights"][0]["sightings"][3]["frame"].as_u64().unwrap();
    let drop = format!(r#"{{"step":{},"change":{{"drop":[{frame}]}}}}"#, view["step"]);
    let done = server.own(&cookie, "POST", &format!("{path}/mend"), drop.as_bytes());
    assert_eq!(done.status, 204, "{}", done.text());
    // The same change from a tab that hasn't seen the first.
    assert_eq!(server.own(&cookie, "POST", &format!("{path}/mend"), drop.as_bytes()).status, 409);
    let port = server.kill();
    let server = Server::start(&folder.path().join("room"), Some(port));
    let view = server.wait_for(&cookie, &id, &["done"]);
    let flight = &view["result"]["flights"][0];
    assert_eq!(flight["dropped"][0]["frame"], frame);
    assert!(flight["sightings"].as_array().unwrap().iter().all(|row| row["frame"] != frame));
    let undo = format!(r#"{{"step":{}}}"#, view["step"]);
    assert_eq!(server.own(&cookie, "POST", &format!("{path}/undo"), undo.as_bytes()).status, 204);
    let view = server.wait_for(&cookie, &id, &["done"]);
    let values = |answers: &serde_json::Value| -> Vec<String> {
        answers.as_array().unwrap().iter().map(|answer| answer["value"].to_string()).collect()
    };
    assert_eq!(values(&view["result"]["flights"][0]["answers"]), values(&answers));
    for name in
        ["lab-sheet.pdf", "lab-sheet.html", "sightings.csv", "sightings.xlsx", "measurement.json", "strobe-1.png"]
    {
        let file = server.own(&cookie, "GET", &format!("{path}/file/{name}"), b"");
        assert!(file.status == 200 && file.body.len() > 500, "{name}: {}", file.status);
    }
}

#[test]
fn one_folder_has_one_server() {
    let (folder, _server) = server();
    let second = std::process::Command::new(env!("CARGO_BIN_EXE_lobline"))
        .args(["serve", "--no-open", "--folder"])
        .arg(folder.path().join("room"))
        .output()
        .unwrap();
    assert_eq!(second.status.code(), Some(4));
    assert!(String::from_utf8_lossy(&second.stderr).contains("already serves"));
}

/// A reader that takes next to nothing of a large answer is cut off.
#[test]
fn a_reader_that_drips_is_cut_off() {
    let (_folder, server) = server();
    let cookie = server.enter();
    let mut stream = server.connect();
    let request =
        format!("GET /static/page.js HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nCookie: {cookie}\r\n\r\n", server.port);
    // Hundreds of answers that nobody reads fill all that lies between.
    let began = Instant::now();
    stream.set_write_timeout(Some(Duration::from_secs(60))).unwrap();
    let mut refused = false;
    let many = request.repeat(1000);
    while !refused && began.elapsed() < Duration::from_secs(50) {
        refused = stream.write_all(many.as_bytes()).is_err();
    }
    assert!(refused, "the server went on for a reader that reads nothing");
    assert!(began.elapsed() < Duration::from_secs(55), "{:?}", began.elapsed());
    assert_eq!(server.own(&cookie, "GET", "/api/sheet", b"").status, 200);
}

/// Files of the room as a power cut or another hand may leave them.
#[test]
fn an_empty_file_stops_nobody() {
    let (folder, running) = server();
    let cookie = running.enter();
    let id = running.upload(&cookie, "shot.mp4", &demo_bytes());
    running.wait_for(&cookie, &id, &["scale"]);
    let room = folder.path().join("room");
    let mut port = running.kill();
    let group = std::fs::read_dir(room.join("groups")).unwrap().next().unwrap().unwrap().path();
    let files = [group.join(&id).join("recording.json"), group.join("group.json"), room.join("room.json")];
    for (i, file) in files.iter().enumerate() {
        let whole = std::fs::read(file).unwrap();
        for left in [0, 1, whole.len() / 2, whole.len() - 1] {
            std::fs::write(file, &whole[..left]).unwrap();
            // What a writer left beside it that was cut off in the middle.
            std::fs::write(file.with_file_name(".tmpAbCdEf.part"), &whole[..left]).unwrap();
            let again = Server::start(&room, Some(port));
            // Sessions are in the room's own file.
            let cookie = if i == 2 { again.enter() } else { cookie.clone() };
            let sheet = again.own(&cookie, "GET", "/api/sheet", b"").json();
            assert_eq!(sheet["recordings"][0]["id"], id.as_str(), "{} cut to {left}: {sheet}", file.display());
            again.wait_for(&cookie, &id, &["scale"]);
            port = again.kill();
            let kept = std::fs::read_dir(file.parent().unwrap()).unwrap().map(|entry| entry.unwrap().file_name());
            let kept = kept.filter(|name| name.to_string_lossy().contains(".damaged-")).count();
            assert!(kept > 0, "what couldn't be read is kept");
            // Nor is it lost at the next start, when all files are whole again.
            let next = Server::start(&room, Some(port));
            let cookie = if i == 2 { next.enter() } else { cookie };
            assert_eq!(next.own(&cookie, "GET", "/api/sheet", b"").json()["recordings"][0]["id"], id.as_str());
            port = next.kill();
            if i == 2 {
                std::fs::write(file, &whole).unwrap();
            }
        }
    }
}

/// What the child must not be able to do it can't: the server tries it when it starts, and would say so.
#[cfg(target_os = "linux")]
#[test]
fn the_child_opens_nothing_else_reaches_nobody_and_starts_nothing() {
    use lobline::serve::child::{self, Ended, Forbidden, Order, Said, Task};
    let folder = tempfile::tempdir().unwrap();
    let (own, other) = (folder.path().join("own"), folder.path().join("other"));
    std::fs::create_dir(&own).unwrap();
    std::fs::create_dir(&other).unwrap();
    std::fs::write(other.join("secret"), "of another group").unwrap();
    std::fs::write(own.join("clip"), "x").unwrap();
    let listener = std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap();
    let program = std::path::PathBuf::from(env!("CARGO_BIN_EXE_lobline"));
    let forbidden =
        Forbidden { file: other.join("secret"), address: listener.local_addr().unwrap(), program: program.clone() };
    let order = Order {
        limits: lobline::serve::limits::ChildLimits::default(),
        clip: own.join("clip"),
        name: String::new(),
        folder: own.clone(),
        task: Task::Rehearse(forbidden.clone()),
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let rehearse = |order: &Order| {
        let (_keep, cancel) = tokio::sync::watch::channel(false);
        let mut could = None;
        let hear = |said| {
            if let Said::Could(what) = said {
                could = Some(what);
            }
        };
        let ended = runtime.block_on(child::run(&program, order, 1, cancel, hear));
        assert_eq!(ended, Ended::Done);
        could.unwrap()
    };
    assert_eq!(rehearse(&order), Vec::<String>::new());
    // The rehearsal itself sees what may be done: a file of its own folder.
    std::fs::write(own.join("mine"), "x").unwrap();
    let may = Order { task: Task::Rehearse(Forbidden { file: own.join("mine"), ..forbidden }), ..order };
    assert_eq!(rehearse(&may), ["reading other files", "writing other files"]);
}
