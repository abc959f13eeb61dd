//! What the program is built of: licences, sources and duplicates by the rules of `deny.toml`, and where `unsafe` may stand.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

/// A package that is in the program: name, version and licence.
struct Package {
    name: String,
    version: String,
    licence: String,
}

/// The packages of a build for this system, without those that only tests bring.
fn packages() -> Vec<Package> {
    let output = Command::new(env!("CARGO"))
        .args(["tree", "--locked", "--offline", "--edges", "normal,build", "--prefix", "none", "--format", "{p}|{l}"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let package = |line: &str| {
        let (package, licence) = line.split_once('|').unwrap();
        let mut words = package.split_whitespace();
        let mut word = || words.next().unwrap().to_owned();
        // What was shown before is marked behind the licence.
        Package { name: word(), version: word(), licence: licence.trim_end_matches("(*)").trim().to_owned() }
    };
    text.lines().filter(|line| line.contains('|')).map(package).collect()
}

fn rules() -> toml::Table {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("deny.toml")).unwrap().parse().unwrap()
}

/// Whether an SPDX expression (specification 2.3, annex D) can be kept with the licences `allowed`: one side of each OR, all of each AND.
/// The old sign `/` stands for OR.
fn may_be_kept(expression: &str, allowed: &BTreeSet<&str>) -> bool {
    let split = |text: &str, word: &str| -> Vec<String> {
        let (mut parts, mut depth) = (vec![String::new()], 0);
        for piece in text.replace('(', " ( ").replace(')', " ) ").split_whitespace() {
            depth += i32::from(piece == "(") - i32::from(piece == ")");
            if piece == word && depth == 0 {
                parts.push(String::new());
            } else {
                let last = parts.last_mut().unwrap();
                last.push_str(piece);
                last.push(' ');
            }
        }
        parts
    };
    let text = expression.replace('/', " OR ");
    let text = text.trim();
    let or = split(text, "OR");
    if or.len() > 1 {
        return or.iter().any(|part| may_be_kept(part, allowed));
    }
    let and = split(text, "AND");
    if and.len() > 1 {
        return and.iter().all(|part| may_be_kept(part, allowed));
    }
    match text.strip_prefix('(').and_then(|text| text.strip_suffix(')')) {
        Some(inner) => may_be_kept(inner, allowed),
        None => allowed.contains(text),
    }
}

#[test]
fn expressions_are_read_as_the_standard_says() {
    let allowed = BTreeSet::from(["MIT", "ISC", "Apache-2.0 WITH LLVM-exception"]);
    for (expression, kept) in [
        ("MIT", true),
        ("GPL-3.0-only", false),
        ("GPL-3.0-only OR MIT", true),
        ("GPL-3.0-only AND MIT", false),
        ("(GPL-3.0-only OR MIT) AND ISC", true),
        ("(GPL-3.0-only OR MIT) AND Zlib", false),
        ("Apache-2.0 WITH LLVM-exception OR GPL-2.0-only", true),
        ("Zlib/MIT", true),
    ] {
        assert_eq!(may_be_kept(expression, &allowed), kept, "{expression}");
    }
}

#[test]
fn licences_sources_and_versions_keep_to_the_rules() {
    let (rules, packages) = (rules(), packages());
    let listed = |value: &toml::Value, key: Option<&str>| -> BTreeSet<String> {
        let name = |item: &toml::Value| key.map_or(item.as_str(), |key| item[key].as_str()).unwrap().to_owned();
        value.as_array().unwrap().iter().map(name).collect()
    };
    let allowed = listed(&rules["licenses"]["allow"], None);
    let allowed: BTreeSet<&str> = allowed.iter().map(String::as_str).collect();
    let mut versions: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    assert!(packages.len() > 100, "only {} packages were seen", packages.len());
    for Package { name, version, licence } in &packages {
        assert!(may_be_kept(licence, &allowed), "{name} may be given on under `{licence}` only");
        versions.entry(name).or_default().insert(version);
    }
    let known = listed(&rules["bans"]["skip"], Some("crate"));
    let twice: Vec<_> =
        versions.iter().filter(|(name, versions)| versions.len() > 1 && !known.contains(**name)).collect();
    assert_eq!(twice, Vec::new(), "two versions of one crate");
    // Of all that may be built, tests included.
    let lock = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.lock")).unwrap();
    let lock: toml::Table = lock.parse().unwrap();
    for package in
        lock["package"].as_array().unwrap().iter().filter(|package| package["name"].as_str() != Some("lobline"))
    {
        let source = package.get("source").and_then(toml::Value::as_str).unwrap_or("a folder");
        assert!(source.starts_with("registry+"), "{} comes from {source}", package["name"]);
    }
}

/// The few files that call C or go by the processor's own instructions; each says so at its head.
const WITH_UNSAFE: [&str; 7] = [
    "src/clip/orientation.rs",
    "src/clip/video.rs",
    "src/clip/video/complaints.rs",
    "src/clip/video/convert.rs",
    "src/clip/video/demux.rs",
    "src/clip/write.rs",
    "src/main.rs",
];

#[test]
fn unsafe_code_stands_where_it_is_named() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let manifest: toml::Table = std::fs::read_to_string(root.join("Cargo.toml")).unwrap().parse().unwrap();
    assert_eq!(manifest["lints"]["rust"]["unsafe_code"].as_str(), Some("deny"));
    let mut open = vec![root.join("src")];
    let mut allowing = Vec::new();
    while let Some(path) = open.pop() {
        if path.is_dir() {
            open.extend(std::fs::read_dir(path).unwrap().map(|entry| entry.unwrap().path()));
        } else if std::fs::read_to_string(&path).is_ok_and(|text| text.contains("allow(unsafe_code")) {
            allowing.push(path.strip_prefix(root).unwrap().to_owned());
        }
    }
    let named: BTreeSet<PathBuf> = WITH_UNSAFE.iter().map(PathBuf::from).collect();
    assert_eq!(allowing.into_iter().collect::<BTreeSet<_>>(), named);
}
