//! A class's server against groups that want more than their own, and against being killed.

mod page_server;

use std::io::{Read, Write};
use std::time::Duration;

use page_server::{Answer, CLASS_ADDRESS, ClassServer, demo_bytes, request};
use serde_json::Value;

/// A class with two groups; `None` where there can be none.
fn class() -> Option<(tempfile::TempDir, ClassServer, String, String)> {
    let folder = tempfile::tempdir().unwrap();
    let server = ClassServer::start(folder.path(), &[])?;
    let (first, second) = (server.join_as("Table 1"), server.join_as("Table 2"));
    Some((folder, server, first, second))
}

#[test]
fn it_opens_only_where_it_was_told_to() {
    let folder = tempfile::tempdir().unwrap();
    let start = |more: &[&str]| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_lobline"));
        command.args(["serve", "--class", "--no-open", "--folder"]).arg(folder.path().join("class"));
        command.stdin(std::process::Stdio::null()).args(more).output().unwrap()
    };
    // Without a terminal nobody can be asked, so it must be said. A machine in no network has nothing to choose from.
    let unsaid = start(&[]);
    assert!(matches!(unsaid.status.code(), Some(2 | 4)), "{unsaid:?}");
    assert!(unsaid.stdout.is_empty());
    // Not to all networks at once, and not by an address of somebody else (RFC 5737).
    for address in ["0.0.0.0", "192.0.2.1"] {
        let refused = start(&["--address", address]);
        assert_eq!(refused.status.code(), Some(2), "{refused:?}");
        assert!(String::from_utf8_lossy(&refused.stderr).contains("no address of this machine"));
    }
    let Some((_folder, server, ..)) = class() else { return };
    // The class's port answers at no other address of the machine than the chosen one; what answers beside it is the teacher's.
    let host = format!("127.0.0.3:{}", server.port);
    assert!(std::net::TcpStream::connect(&host).is_err());
}

#[test]
fn the_teacher_s_key_and_session_count_on_this_machine_alone() {
    let Some((_folder, server, first, _)) = class() else { return };
    let teacher = server.enter();
    assert_eq!(server.teacher(&teacher, "GET", "/api/class", b"").status, 200);
    let key = server.teacher.split("/enter").nth(1).unwrap();
    assert_eq!(server.ask("", "GET", &format!("/enter{key}"), b"").status, 404);
    // The session's value under the name that the class's port has for its own.
    let stolen = format!("lobline-{}={}", server.port, teacher.split('=').nth(1).unwrap());
    let paths = ["/api/class", "/class", "/class/join.svg", "/api/class/drift", "/api/class/file/class.csv"];
    for path in paths {
        assert_ne!(server.ask(&stolen, "GET", path, b"").status, 200, "{path} for a stolen session");
        assert_ne!(server.ask("", "GET", path, b"").status, 200, "{path} for a stranger");
        assert_eq!(server.ask(&first, "GET", path, b"").status, 404, "{path} for a group");
    }
    for path in ["common", "record", "aim", "forgive", "clear"] {
        let body = br#"{"launcher":"x","flights":[]}"#;
        assert_eq!(server.ask(&first, "POST", &format!("/api/class/{path}"), body).status, 404, "{path}");
        assert_eq!(server.ask(&stolen, "POST", &format!("/api/class/{path}"), body).status, 403, "{path}");
    }
}

#[test]
fn a_group_sees_nothing_of_another() {
    let Some((folder, server, first, second)) = class() else { return };
    let id = server.upload(&first, "shot.mp4", &demo_bytes());
    server.wait_for(&first, &id, &["scale"]);
    let teacher = server.enter();
    let groups = server.teacher(&teacher, "GET", "/api/class", b"").json()["groups"].clone();
    let first_group = groups[0]["id"].as_str().unwrap().to_owned();
    for path in ["", "/still", "/frame/3", "/file/measurement.json", "/picture/strobe-1.png"] {
        let path = format!("/api/clips/{id}{path}");
        assert_eq!(server.ask(&second, "GET", &path, b"").status, 404, "{path}");
    }
    for what in ["setup", "mend", "undo", "redo", "cancel", "again", "overlay", "aim", "peek"] {
        let body = br#"{"step":0,"setup":{},"change":{"drop":[1]},"flight":1}"#;
        let answer = server.ask(&second, "POST", &format!("/api/clips/{id}/{what}"), body);
        assert!(matches!(answer.status, 404 | 422), "{what}: {}", answer.status);
    }
    assert_eq!(server.ask(&second, "DELETE", &format!("/api/clips/{id}"), b"").status, 404);
    // Naming the other group doesn't help: a group's session is for itself.
    let sheet = server.ask(&second, "GET", &format!("/api/sheet?group={first_group}"), b"").json();
    assert_eq!((sheet["name"].as_str(), sheet["recordings"].as_array().unwrap().len()), (Some("Table 2"), 0));
    assert_eq!(server.ask(&second, "GET", &format!("/group/{first_group}"), b"").status, 404);
    let sent = server.ask(&second, "POST", &format!("/api/clips?name=x&group={first_group}"), &demo_bytes());
    assert_eq!(sent.status, 201);
    let first_has = server.ask(&first, "GET", "/api/sheet", b"").json()["recordings"].as_array().unwrap().len();
    assert_eq!(first_has, 1, "it went to the sender's own group");
    for path in ["/group/..%2f..%2froom.json", "/api/class/file/..%2fjoin-code", "/class/static/..%2fclass.html"] {
        let answer = server.teacher(&teacher, "GET", path, b"");
        assert_eq!(answer.status, 404, "{path}: {}", answer.text());
    }
    // What one group's answers say never names the other's, nor where things are kept.
    let seen = server.ask(&second, "GET", "/api/sheet", b"").text();
    assert!(!seen.contains("Table 1") && !seen.contains(folder.path().to_str().unwrap()));
}

#[test]
fn other_names_and_other_pages_are_refused_at_both_doors() {
    let Some((_folder, server, first, _)) = class() else { return };
    let teacher = server.enter();
    let class_host = format!("{CLASS_ADDRESS}:{}", server.port);
    let own_host = format!("127.0.0.1:{}", server.teacher_port);
    let class_to = (CLASS_ADDRESS, server.port);
    let own_to = ("127.0.0.1", server.teacher_port);
    for host in ["evil.example", own_host.as_str(), "127.0.0.2", "localhost"] {
        let headers = [("Host", host), ("Cookie", first.as_str())];
        assert_eq!(request(class_to, "GET", "/api/sheet", &headers, b"").status, 421, "{host}");
    }
    for host in ["evil.example", class_host.as_str()] {
        let headers = [("Host", host), ("Cookie", teacher.as_str())];
        assert_eq!(request(own_to, "GET", "/api/class", &headers, b"").status, 421, "{host}");
    }
    // A page that a pupil serves can make the teacher's browser ask, but not as the teacher's page.
    for origin in ["http://evil.example", &format!("http://{class_host}"), "null"] {
        let headers = [("Host", own_host.as_str()), ("Cookie", teacher.as_str()), ("Origin", origin)];
        assert_eq!(request(own_to, "POST", "/api/class/clear", &headers, b"{}").status, 403, "{origin}");
    }
    let crossed = [("Host", class_host.as_str()), ("Cookie", first.as_str()), ("Sec-Fetch-Site", "cross-site")];
    assert_eq!(request(class_to, "GET", "/api/sheet", &crossed, b"").status, 403);
    for path in ["/join", "/class/static/class.js", "/api/class", "/api/join"] {
        let head = server.ask("", "GET", path, b"").head;
        let policy = head.lines().find(|line| line.starts_with("content-security-policy:")).unwrap_or_default();
        assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe"), "{path}: {head}");
    }
}

#[test]
fn codes_can_t_be_tried_for_long() {
    let Some((_folder, server, _, _)) = class() else { return };
    let wrong = br#"{"code":"AAAAAA","name":"Guess"}"#;
    let mut statuses: Vec<u16> = (0..14).map(|_| server.ask("", "POST", "/api/join", wrong).status).collect();
    assert_eq!(statuses.drain(..12).collect::<Vec<_>>(), [403; 12]);
    assert_eq!(statuses, [429, 429]);
    // Not even the right one is looked at now; the teacher sees it and can end it.
    assert_eq!(server.ask("", "POST", "/api/join", &server.joining("Late")).status, 429);
    let teacher = server.enter();
    let locked = server.teacher(&teacher, "GET", "/api/class", b"").json()["locked_out"].clone();
    assert_eq!(locked, serde_json::json!(["127.0.0.1"]));
    assert_eq!(server.teacher(&teacher, "POST", "/api/class/forgive", b"{}").status, 204);
    assert_eq!(server.ask("", "POST", "/api/join", &server.joining("Late")).status, 204);
}

#[test]
fn names_are_one_line_and_nobody_s_twice() {
    let Some((_folder, server, first, _)) = class() else { return };
    for name in ["table 1", "  Table   1 ", "Table\u{202e} 1", "", " \n"] {
        let answer = server.ask("", "POST", "/api/join", &server.joining(name));
        assert_eq!(answer.status, 422, "{name:?}");
    }
    let long = "<b>Group</b>\n".repeat(9);
    let cookie = server.join_as(&long);
    let name = server.ask(&cookie, "GET", "/api/sheet", b"").json()["name"].as_str().unwrap().to_owned();
    assert!(name.chars().count() <= 40 && !name.contains('\n'), "{name}");
    // A phone that lost its way comes back when the teacher says so, once.
    let teacher = server.enter();
    let groups = server.teacher(&teacher, "GET", "/api/class", b"").json()["groups"].clone();
    let group = groups.as_array().unwrap().iter().find(|group| group["name"] == "Table 1").unwrap()["id"].clone();
    let path = format!("/api/class/groups/{}/let-in", group.as_str().unwrap());
    assert_eq!(server.teacher(&teacher, "POST", &path, b"{}").status, 204);
    let back = server.join_as("Table 1");
    assert_ne!(back, first);
    let sheet = |cookie: &str| server.ask(cookie, "GET", "/api/sheet", b"").json();
    assert_eq!(sheet(&back), sheet(&first));
    assert_eq!(server.ask("", "POST", "/api/join", &server.joining("Table 1")).status, 422);
}

#[test]
fn groups_can_t_be_made_without_end() {
    let Some((_folder, server, _, _)) = class() else { return };
    let teacher = server.enter();
    let join = |i: usize| server.ask("", "POST", "/api/join", &server.joining(&format!("G{i}"))).status;
    let made = |statuses: &[u16]| statuses.iter().filter(|status| **status == 204).count();
    // Two are in already from here; one device or router makes twenty, until the teacher lets it go on.
    let first: Vec<u16> = (0..30).map(join).collect();
    assert_eq!((made(&first), first[29]), (18, 422));
    let mut all = made(&first);
    for round in 1..5 {
        assert_eq!(server.teacher(&teacher, "POST", "/api/class/forgive", b"{}").status, 204);
        all += made(&(0..20).map(|i| join(100 * round + i)).collect::<Vec<_>>());
    }
    assert_eq!(all, 78, "eighty groups are a class");
    assert_eq!(join(999), 422);
}

/// Half-sent bodies from one device, as many as the door has places.
#[test]
fn half_sent_bodies_of_one_device_don_t_close_the_door() {
    let Some((_folder, server, first, _)) = class() else { return };
    let half = format!(
        "POST /api/join HTTP/1.1\r\nHost: {CLASS_ADDRESS}:{0}\r\nOrigin: http://{CLASS_ADDRESS}:{0}\r\nContent-Type: \
         application/json\r\nContent-Length: 60000\r\n\r\n{{",
        server.port
    );
    let began = std::time::Instant::now();
    let mut held: Vec<std::net::TcpStream> = (0..512)
        .filter_map(|_| {
            let mut stream = std::net::TcpStream::connect((CLASS_ADDRESS, server.port)).ok()?;
            stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
            stream.write_all(half.as_bytes()).ok()?;
            Some(stream)
        })
        .collect();
    assert!(held.len() > 96);
    // Most were turned away at once; the others are given up within seconds, and the door is open again.
    let statuses: Vec<u16> = held.iter_mut().map(|stream| Answer::read(stream).status).collect();
    assert!(statuses.iter().all(|status| matches!(status, 0 | 400 | 408)), "{statuses:?}");
    assert!(began.elapsed() < Duration::from_secs(40), "{:?}", began.elapsed());
    assert_eq!(server.ask(&first, "GET", "/api/sheet", b"").status, 200);
    // The teacher comes by another way and never notices.
    assert_eq!(server.teacher(&server.enter(), "GET", "/api/class", b"").status, 200);
}

/// Whoever is refused while sending reads why.
#[test]
fn an_upload_that_is_refused_early_is_told_why() {
    let Some((_folder, server, ..)) = class() else { return };
    let answer = server.ask("lobline=nobody", "POST", "/api/clips?name=a.mp4", &vec![7; 8 << 20]);
    assert!(
        answer.status == 403 && answer.text().contains("hasn't been let in"),
        "{} {}",
        answer.status,
        answer.text()
    );
}

#[test]
fn bombs_and_slow_senders_of_one_group_harm_no_other() {
    let Some((folder, server, first, second)) = class() else { return };
    let bomb = b"YUV4MPEG2 W16000 H16000 F30:1 Ip A1:1 C420\nFRAME\n";
    let id = server.upload(&first, "bomb.y4m", bomb);
    // Announced as larger than anything that is taken.
    let mut huge = std::net::TcpStream::connect((CLASS_ADDRESS, server.port)).unwrap();
    let head = |length: u64| {
        format!(
            "POST /api/clips?name=a HTTP/1.1\r\nHost: {CLASS_ADDRESS}:{}\r\nCookie: {first}\r\nOrigin: http://{CLASS_ADDRESS}:{}\r\nContent-Length: {length}\r\n\r\n",
            server.port, server.port
        )
    };
    huge.write_all(head(99_000_000_000).as_bytes()).unwrap();
    let mut start = [0; 12];
    huge.read_exact(&mut start).unwrap();
    assert_eq!(&start, b"HTTP/1.1 413");
    // Three that never end are all that one group may have under way.
    let mut slow: Vec<std::net::TcpStream> = (0..3)
        .map(|_| {
            let mut stream = std::net::TcpStream::connect((CLASS_ADDRESS, server.port)).unwrap();
            stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
            stream.write_all(format!("{}abc", head(100_000)).as_bytes()).unwrap();
            stream
        })
        .collect();
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(server.ask(&first, "POST", "/api/clips?name=fourth", b"x").status, 429);
    let good = server.send_demo(&second);
    let view = server.wait_for(&second, &good, &["done"]);
    assert!(view["result"]["flights"][0]["answers"][0]["value"].as_str().unwrap().len() > 2);
    assert_eq!(server.wait_for(&first, &id, &["refused"])["look"], Value::Null);
    assert!(slow.iter_mut().all(|stream| Answer::read(stream).status == 408), "cut off after their silence");
    let leftovers = walk(folder.path()).into_iter().filter(|path| path.file_name().unwrap() == "clip").count();
    assert_eq!(leftovers, 2, "the bomb and the good clip; nothing of what was cut off");
}

fn walk(folder: &std::path::Path) -> Vec<std::path::PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    entries.flat_map(|path| if path.is_dir() { walk(&path) } else { vec![path] }).collect()
}

#[cfg(unix)]
#[test]
fn secrets_are_their_owner_s_alone() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let Some(_server) = ClassServer::start(folder.path(), &["--tls"]) else { return };
    let class = folder.path().join("class");
    assert_eq!(std::fs::metadata(&class).unwrap().permissions().mode() & 0o777, 0o700);
    for name in ["room.json", "join-code", &format!("key-{CLASS_ADDRESS}.pem")] {
        let mode = std::fs::metadata(class.join(name)).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{name}");
    }
}

#[test]
fn without_encryption_nothing_comes_through_an_encrypted_door() {
    let folder = tempfile::tempdir().unwrap();
    let Some(server) = ClassServer::start(folder.path(), &["--tls"]) else { return };
    assert!(server.join.starts_with("https://"), "{}", server.join);
    assert_eq!(server.ask("", "GET", "/join", b"").status, 0, "plain speech gets no answer");
    // The teacher is on the same machine.
    assert_eq!(server.teacher(&server.enter(), "GET", "/api/class", b"").status, 200);
}

#[test]
fn a_page_for_one_and_a_class_don_t_take_each_other_s_folder() {
    let Some((folder, server, first, _)) = class() else { return };
    let id = server.upload(&first, "shot.mp4", &demo_bytes());
    let server = server.restart();
    let folder = folder.path().join("class");
    let kept = || std::fs::read_to_string(folder.join("room.json")).unwrap();
    let before = kept();
    drop(server);
    let alone = std::process::Command::new(env!("CARGO_BIN_EXE_lobline"))
        .args(["serve", "--no-open", "--folder"])
        .arg(&folder)
        .output()
        .unwrap();
    assert_eq!(alone.status.code(), Some(4));
    assert!(String::from_utf8_lossy(&alone.stderr).contains("holds a class"), "{alone:?}");
    assert_eq!(kept(), before, "keys and sessions are as they were");
    assert!(walk(&folder).iter().any(|path| path.to_str().unwrap().contains(&id)));
}

/// What the teacher states for all, what is removed, and what a restart in the middle leaves.
#[test]
fn a_lesson_through_a_restart_to_its_end() {
    let Some((folder, server, first, second)) = class() else { return };
    let (one, two) = (server.send_demo(&first), server.send_demo(&second));
    // In the middle of measuring.
    let server = server.restart();
    let teacher = server.enter();
    for (cookie, id) in [(&first, &one), (&second, &two)] {
        server.wait_for(cookie, id, &["done"]);
    }
    let list = || server.teacher(&teacher, "GET", "/api/class", b"").json();
    let speed = |i: usize| list()["groups"][i]["rows"][0]["speed"].as_str().unwrap().to_owned();
    assert!(speed(0).contains('±') && speed(0) == speed(1), "{}", list());
    // A forecast for all stands on each group's sheet.
    let common = br#"{"launcher":"wooden catapult","setting":"3","forecast":{"speed":"5.4 m/s","angle":"50 deg","height":"85 cm"}}"#;
    assert_eq!(server.teacher(&teacher, "POST", "/api/class/common", common).status, 204);
    let view = server.wait_for(&first, &one, &["done"]);
    assert!(view["result"]["flights"][0]["forecast"].as_str().unwrap().len() > 20, "{view}");
    let bad = br#"{"rig":"[scale]\nlengths = 3"}"#;
    let refused = server.teacher(&teacher, "POST", "/api/class/common", bad);
    assert_eq!(refused.status, 422, "{}", refused.text());
    assert_eq!(list()["common"]["launcher"], "wooden catapult", "what is wrong changes nothing");
    // Into the book, once; each group is a rig of its own.
    let flights = format!(
        r#"{{"launcher":"wooden catapult","setting":"3","session":"May","flights":[["{one}",1],["{two}",1]],
            "outcomes":[["{one}",1,"hit"]],"opening":"25 cm","opening_height":"24 cm","opening_distance":"3.05 m"}}"#
    );
    let record = || server.teacher(&teacher, "POST", "/api/class/record", flights.as_bytes()).json();
    // Both groups sent the very same clip: a flight is known by its clip, so that it counts once.
    assert!(record()["words"][0].as_str().unwrap().starts_with("1 shot recorded; 1 shot stood"), "{}", record());
    assert!(record()["words"][0].as_str().unwrap().starts_with("2 shots stood in the book already"));
    let out = std::process::Command::new(env!("CARGO_BIN_EXE_lobline"))
        .args(["book", "list", "--book"])
        .arg(folder.path().join("book.sqlite"))
        .output()
        .unwrap();
    let listed = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(listed.contains("wooden catap") && listed.contains("hit"), "{listed}");
    // A bucket whose distance nobody states is none.
    let nowhere = format!(r#"{{"launcher":"x","flights":[["{one}",1]],"opening":"25 cm"}}"#);
    assert_eq!(server.teacher(&teacher, "POST", "/api/class/record", nowhere.as_bytes()).status, 422);
    // The teacher foretells by the shot book; a group can't open it.
    let by_book = br#"{"launcher":"wooden catapult","setting":"3","forecast":{"like":{"book":"wooden catapult"},"angle":"50 deg","height":"85 cm"}}"#;
    assert_eq!(server.teacher(&teacher, "POST", "/api/class/common", by_book).status, 204);
    let sheet = server.ask(&first, "GET", "/api/sheet", b"").json();
    assert!(sheet["teacher_says"].as_str().unwrap().contains("1 shot of the wooden catapult"), "{sheet}");
    let view = server.wait_for(&first, &one, &["done"]);
    assert!(view["result"]["flights"][0]["forecast"].as_str().unwrap().len() > 20, "{view}");
    let stolen =
        format!(r#"{{"step":{},"setup":{{"forecast":{{"like":{{"book":"wooden catapult"}}}}}}}}"#, view["step"]);
    let refused = server.ask(&first, "POST", &format!("/api/clips/{one}/setup"), stolen.as_bytes());
    assert_eq!(refused.status, 422, "{}", refused.text());
    let drift = server.teacher(&teacher, "GET", "/api/class/drift?launcher=wooden%20catapult", b"");
    assert!(drift.status == 200 || drift.status == 422, "{}", drift.text());
    let aim = br#"{"opening":"25 cm","opening_height":"24 cm","height":"85 cm","ball_diameter":"70 mm"}"#;
    let told = server.teacher(&teacher, "POST", "/api/class/aim", aim);
    assert!(told.text().contains("along the floor"), "{}", told.text());
    let by_book = br#"{"launcher":"wooden catapult","angle":"50 deg","opening":"25 cm","height":"85 cm","ball_diameter":"70 mm"}"#;
    let told = server.teacher(&teacher, "POST", "/api/class/aim", by_book);
    assert!(told.text().contains("along the floor"), "{}", told.text());
    for name in ["class.csv", "class.html", "class.pdf", "class.png", "class.svg"] {
        let file = server.teacher(&teacher, "GET", &format!("/api/class/file/{name}"), b"");
        assert!(file.status == 200 && file.body.len() > 300, "{name}: {}", file.status);
    }
    // A group goes, and with it its session and its folder.
    let id = list()["groups"][1]["id"].as_str().unwrap().to_owned();
    assert_eq!(server.teacher(&teacher, "DELETE", &format!("/api/class/groups/{id}"), b"").status, 204);
    assert_eq!(server.ask(&second, "GET", "/api/sheet", b"").status, 403);
    assert!(!folder.path().join("class/groups").join(&id).exists());
    // The end: nothing stays of anybody, and the old code opens nothing.
    let old = server.joining("Late");
    assert_eq!(server.teacher(&teacher, "POST", "/api/class/clear", b"{}").status, 204);
    assert_eq!(server.ask("", "POST", "/api/join", &old).status, 403);
    assert_eq!(std::fs::read_dir(folder.path().join("class/groups")).unwrap().count(), 0);
    assert_eq!(list()["groups"], serde_json::json!([]));
    assert!(folder.path().join("book.sqlite").exists());
}
