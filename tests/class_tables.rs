//! `class`: measurement files from anywhere put together into one table.

use std::path::Path;
use std::process::Command;

fn class(folder: &Path, arguments: &[&str]) -> (i32, String, String) {
    let output =
        Command::new(env!("CARGO_BIN_EXE_lobline")).current_dir(folder).arg("class").args(arguments).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

#[test]
fn what_is_no_measurement_is_named() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("note.json"), "{}").unwrap();
    let (code, stdout, stderr) = class(folder.path(), &["note.json"]);
    assert_eq!((code, stdout.as_str()), (3, ""));
    assert!(stderr.contains("`note.json` isn't a measurement file") && stderr.contains("hint:"), "{stderr}");
    assert_eq!(class(folder.path(), &["missing"]).0, 3);
}

#[test]
fn what_several_machines_printed_is_one_table() {
    let folder = tempfile::tempdir().unwrap();
    let refused = |path: &str| {
        format!(
            r#"{{"format_version": 1, "clips": [{{"path": "{path}", "group": "{path}", "measurement": null,
                "error": {{"message": "no flight found", "hint": "film closer"}}}}]}}"#
        )
    };
    std::fs::write(folder.path().join("one.json"), refused("a.mp4")).unwrap();
    std::fs::write(folder.path().join("two.json"), refused("b.mp4")).unwrap();
    std::fs::write(folder.path().join("groups.csv"), "clip,group\na.mp4,Table 1\n").unwrap();
    let (code, stdout, stderr) =
        class(folder.path(), &["one.json", "two.json", "--groups", "groups.csv", "--out", "evening"]);
    assert_eq!(code, 0, "{stderr}");
    assert!(stdout.contains("Table 1") && stdout.contains("b.mp4") && stdout.contains("no flight found"), "{stdout}");
    let table = std::fs::read_to_string(folder.path().join("evening/class.csv")).unwrap();
    assert!(table.contains("Table 1") && table.contains("b.mp4"), "{table}");
    assert!(folder.path().join("evening/class.html").exists());
}
