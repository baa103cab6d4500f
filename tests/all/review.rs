//! Does the page for reviewing marks let only its own person in, keep what that person decides, and show it at once?
//!
//! Unix only: a program is ended as Ctrl-C does.
#![cfg(unix)]

use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::time::Instant;

use crate::common::pockmark;
use crate::common::session::{Running, copy, render};
use serde_json::{Value, json};

struct Day {
    folder: tempfile::TempDir,
}

/// A small day, rendered and calibrated once for all tests.
fn day() -> PathBuf {
    static DAY: OnceLock<Day> = OnceLock::new();
    let day = DAY.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        render(&folder.path().join("day"), 5, 0.6, 4);
        Day { folder }
    });
    day.folder.path().join("day")
}

/// The page of a session under review.
struct Page {
    program: Running,
    port: u16,
    secret: String,
}

struct Reply {
    status: u16,
    head: String,
    body: Vec<u8>,
}

/// One request as it stands.
fn ask(port: u16, request: &str, body: &str) -> Reply {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.write_all(request.as_bytes()).unwrap();
    stream.write_all(body.as_bytes()).unwrap();
    let mut all = Vec::new();
    stream.read_to_end(&mut all).unwrap();
    let end = all.windows(4).position(|w| w == b"\r\n\r\n").unwrap();
    let head = String::from_utf8_lossy(&all[..end]).to_string();
    let status = head.split_whitespace().nth(1).unwrap().parse().unwrap();
    Reply { status, head, body: all[end + 4..].to_vec() }
}

impl Page {
    fn open(dir: &Path) -> Self {
        let mut program = Running::start(&["review", dir.to_str().unwrap(), "--no-open"]);
        let link = program.hears("http://");
        let rest = link.strip_prefix("http://127.0.0.1:").unwrap();
        let (port, secret) = rest.trim_end_matches('/').split_once('/').unwrap();
        Self { program, port: port.parse().unwrap(), secret: secret.into() }
    }

    fn get(&self, path: &str) -> Reply {
        let (port, secret) = (self.port, &self.secret);
        ask(port, &format!("GET /{secret}/{path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n"), "")
    }

    fn post(&self, path: &str, content: &Value) -> Reply {
        let (port, secret, body) = (self.port, &self.secret, content.to_string());
        let head = format!(
            "POST /{secret}/{path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
            body.len()
        );
        ask(port, &head, &body)
    }

    fn state(&self) -> Value {
        let reply = self.get("state");
        assert_eq!(reply.status, 200);
        serde_json::from_slice(&reply.body).unwrap()
    }

    /// Does a step and gives the volley after it.
    #[track_caller]
    fn step(&self, volley: usize, edit: Value) -> Value {
        let mut content = edit;
        content["volley"] = json!(volley);
        content["revision"] = self.state()["revision"].clone();
        let reply = self.post("edit", &content);
        assert_eq!(reply.status, 200, "{}", String::from_utf8_lossy(&reply.body));
        let state: Value = serde_json::from_slice(&reply.body).unwrap();
        state["volleys"][volley].clone()
    }
}

fn marks(volley: &Value) -> Vec<(f64, f64)> {
    let place = |m: &Value| (m["x_px"].as_f64().unwrap(), m["y_px"].as_f64().unwrap());
    volley["marks"].as_array().unwrap().iter().map(place).collect()
}

/// Marks of a volley in shots.csv: place, count, flags.
fn shots(dir: &Path, volley: &str) -> Vec<(f64, f64, u32, String)> {
    let mut table = csv::Reader::from_path(dir.join("results/shots.csv")).unwrap();
    let rows: Vec<std::collections::BTreeMap<String, String>> = table.deserialize().map(Result::unwrap).collect();
    let rows = rows.into_iter().filter(|r| r["volley"] == volley);
    rows.map(|r| {
        (r["px_x"].parse().unwrap(), r["px_y"].parse().unwrap(), r["count"].parse().unwrap(), r["flags"].clone())
    })
    .collect()
}

#[test]
fn nobody_else_gets_in_and_nothing_outside_is_served() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(&day(), &folder.path().join("day"));
    fs::write(folder.path().join("secret.jpg"), b"not yours").unwrap();
    let page = Page::open(&dir);
    let (port, secret) = (page.port, page.secret.clone());
    assert_eq!(page.get("").status, 200);
    let head = page.get("").head.to_lowercase();
    for part in ["content-security-policy: default-src 'none'", "referrer-policy: no-referrer", "nosniff", "no-store"] {
        assert!(head.contains(part), "{part} is not in {head}");
    }
    let shown = String::from_utf8(page.get("").body).unwrap();
    let parts = shown.split('"').filter(|p| [".js", ".css"].iter().any(|end| p.ends_with(end)));
    let parts: Vec<&str> = parts.inspect(|p| assert_eq!(page.get(p).status, 200, "{p}")).collect();
    assert_eq!(parts, ["review.css", "review.js", "hands.js"]);
    assert_eq!(
        page.get("photo/0/after").body,
        fs::read(dir.join("photos").join(page.state()["volleys"][0]["photo"].as_str().unwrap())).unwrap()
    );

    let plain = |path: &str, host: &str| {
        ask(port, &format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"), "").status
    };
    let here = format!("127.0.0.1:{port}");
    assert_eq!(plain(&format!("/{secret}/state"), &here), 200);
    for host in ["evil.example", &format!("evil.example:{port}"), "127.0.0.1", ""] {
        assert_eq!(plain(&format!("/{secret}/state"), host), 421, "{host}");
    }
    assert_eq!(ask(port, &format!("GET /{secret}/state HTTP/1.0\r\n\r\n"), "").status, 421, "no host at all");
    let wrong = secret.replace(|c: char| c.is_ascii_digit(), "a");
    for path in [
        "/",
        "/state",
        "/review.js",
        &format!("/{wrong}/state"),
        &format!("/{}/state", &secret[..31]),
        &format!("/x/../{secret}/state"),
    ] {
        assert_eq!(plain(path, &here), 403, "{path}");
    }
    for path in [
        "photo/0/../../../session.toml",
        "../secret.jpg",
        "photo/..%2f..%2fsecret.jpg/after",
        "photo/0/..%2f..%2f..%2fsecret.jpg",
        "photo//etc/passwd",
        "photo/99/after",
        "photo/-1/after",
        "photo/0/session.toml",
        "session.toml",
        "photos/../session.toml",
        "%2e%2e/session.toml",
    ] {
        let reply = page.get(path);
        assert!(
            [400, 404].contains(&reply.status),
            "{path}: {} {}",
            reply.status,
            String::from_utf8_lossy(&reply.body)
        );
        assert!(!reply.body.windows(9).any(|w| w == b"not yours"), "{path}");
    }
    // A foreign page may send, but not as ours.
    let body = r#"{"volley":0,"revision":1,"do":"check"}"#;
    let post = |more: &str| {
        let head = format!(
            "POST /{secret}/edit HTTP/1.1\r\nHost: {here}\r\nContent-Length: {}\r\nConnection: close\r\n{more}\r\n",
            body.len()
        );
        ask(port, &head, body).status
    };
    assert_eq!(post("Content-Type: text/plain\r\n"), 415);
    assert_eq!(post("Content-Type: application/json\r\nOrigin: http://evil.example\r\n"), 403);
    assert_eq!(post("Content-Type: application/json\r\nOrigin: null\r\n"), 403);
    let long = format!("{{\"volley\":0,\"x\":\"{}\"}}", "y".repeat(100_000));
    let head = format!(
        "POST /{secret}/edit HTTP/1.1\r\nHost: {here}\r\nContent-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
        long.len()
    );
    assert_eq!(ask(port, &head, &long).status, 413);
    assert!(!dir.join("review.csv").exists(), "none of these decided anything");

    // A second one is refused, and after a crash the next one is not.
    let second = pockmark(folder.path(), ["review", "day", "--no-open"]);
    second.says(1, &["another `pockmark review`", "is at work"]);
    let mut page = page;
    page.program.kill();
    let again = Page::open(&dir);
    assert_ne!(again.secret, secret);
}

#[test]
fn every_kind_of_step_is_saved_undone_and_kept_by_later_runs() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(&day(), &folder.path().join("day"));
    let mut page = Page::open(&dir);
    let began = page.state();
    let v = began["volleys"][0].clone();
    let name = v["volley"].as_str().unwrap().to_string();
    let before = marks(&v);
    assert!(before.len() >= 3, "{v}");
    let file = || fs::read_to_string(dir.join("review.csv")).unwrap();

    let clock = Instant::now();
    let v = page.step(0, json!({"do": "move", "mark": 1, "x_px": before[1].0 + 6.0, "y_px": before[1].1 - 2.0}));
    let took = clock.elapsed();
    println!("a step, two requests: {took:?}");
    assert!(file().contains(",move,"), "{}", file());
    let moved = marks(&v).into_iter().find(|p| (p.0 - before[1].0 - 6.0).hypot(p.1 - before[1].1 + 2.0) < 0.01);
    assert!(moved.is_some(), "{v}");
    assert_ne!(v["angle"], began["volleys"][0]["angle"], "angles follow");

    let far = (before[0].0 + 90.0, before[0].1 + 40.0);
    let v = page.step(0, json!({"do": "add", "x_px": far.0, "y_px": far.1}));
    assert_eq!(marks(&v).len(), before.len() + 1);
    let at = |v: &Value, p: (f64, f64)| {
        marks(v)
            .iter()
            .position(|q| (q.0 - p.0).hypot(q.1 - p.1) < 0.5)
            .unwrap_or_else(|| panic!("no mark at {p:?}: {v}"))
    };
    let v = page.step(0, json!({"do": "count", "mark": at(&v, far), "count": 3}));
    assert_eq!(v["marks"][at(&v, far)]["count"], 3);
    let v = page.step(0, json!({"do": "reject", "mark": at(&v, before[0])}));
    assert_eq!((marks(&v).len(), v["rejected"].as_array().unwrap().len()), (before.len(), 1));
    let v = page.step(0, json!({"do": "split", "mark": at(&v, far)}));
    assert_eq!(marks(&v).len(), before.len() + 1);
    let halves: Vec<usize> = (0..marks(&v).len()).filter(|i| v["marks"][*i]["decided"] == "added").collect();
    assert_eq!(halves.len(), 2);
    assert_eq!(halves.iter().map(|i| v["marks"][*i]["count"].as_u64().unwrap()).sum::<u64>(), 3);
    let v = page.step(0, json!({"do": "merge", "mark": halves[0], "into": halves[1]}));
    let v = page.step(0, json!({"do": "accept", "mark": at(&v, before[2])}));
    assert_eq!(v["marks"][at(&v, before[2])]["decided"], "accepted");
    let checked = page.step(0, json!({"do": "check"}));
    assert_eq!((checked["status"].as_str(), checked["checked"].as_bool()), (Some("ok"), Some(true)), "{checked}");

    // What is not there is refused and changes nothing.
    let now = page.state();
    for (step, status) in [
        (json!({"do": "reject", "mark": 99, "volley": 0, "revision": now["revision"]}), 409),
        (json!({"do": "reject", "mark": 0, "volley": 99, "revision": now["revision"]}), 409),
        (json!({"do": "reject", "mark": 0, "volley": 0, "revision": 1}), 409),
        (json!({"do": "count", "mark": 0, "count": 0, "volley": 0, "revision": now["revision"]}), 409),
        (json!({"do": "move", "mark": 0, "x_px": 1e300, "y_px": 0.0, "volley": 0, "revision": now["revision"]}), 409),
        (json!({"do": "fly", "volley": 0, "revision": now["revision"]}), 400),
    ] {
        assert_eq!(page.post("edit", &step).status, status, "{step}");
    }
    assert_eq!(page.state(), now);

    // Every step can be undone, to the very beginning, and done again.
    let mut steps = 0;
    while page.state()["can_undo"].as_bool().unwrap() {
        assert_eq!(page.post("undo", &json!({})).status, 200);
        steps += 1;
    }
    assert_eq!(steps, 8);
    assert_eq!(page.state()["volleys"], began["volleys"]);
    for _ in 0..steps {
        assert_eq!(page.post("redo", &json!({})).status, 200);
    }
    assert_eq!(page.state()["volleys"], now["volleys"]);

    // Done writes what a run would write; a later run keeps all of it.
    assert_eq!(page.post("finish", &json!({})).status, 200);
    page.program.wait();
    let names = ["shots.csv", "volleys.csv", "summary.json", "report.html"];
    let results = || names.map(|n| fs::read_to_string(dir.join("results").join(n)).unwrap());
    let first = results();
    pockmark(folder.path(), ["run", "day"]);
    for ((name, a), b) in names.iter().zip(first).zip(results()) {
        let differs = a.lines().zip(b.lines()).find(|(a, b)| a != b);
        let differs = differs.map(|(a, b)| [a, b].map(|l| l.chars().take(300).collect::<String>()));
        assert!(a == b, "{name}: {differs:?}");
    }
    let rows = shots(&dir, &name);
    let shown = marks(&now["volleys"][0]);
    assert_eq!(rows.len(), shown.len());
    for ((x, y, ..), p) in rows.iter().zip(&shown) {
        assert!((x - p.0).hypot(y - p.1) < 0.01);
    }
    assert!(rows.iter().any(|r| r.3.contains("reviewed")));
}

#[test]
fn a_volley_without_a_ball_is_checked_and_can_be_read_again() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(&day(), &folder.path().join("day"));
    let mut page = Page::open(&dir);
    let mut v = page.state()["volleys"][0].clone();
    while !marks(&v).is_empty() {
        v = page.step(0, json!({"do": "reject", "mark": 0}));
    }
    let v = page.step(0, json!({"do": "check"}));
    assert_eq!(v["checked"], true, "{v}");
    assert!(v["note"].as_str().unwrap().contains("no ball left a mark here"), "{v}");
    let after = page.step(1, json!({"do": "accept", "mark": 0}));
    assert_eq!(after["marks"][0]["decided"], "accepted", "the next step reads it all again");
    page.program.kill();
    let again = Page::open(&dir);
    assert_eq!(again.state()["volleys"][0]["checked"], true);
    assert!(fs::read_to_string(dir.join("review.csv")).unwrap().contains("checked,,,,,0,"));
}

#[test]
fn a_file_changed_by_hand_meanwhile_is_not_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(&day(), &folder.path().join("day"));
    let page = Page::open(&dir);
    let v = page.step(0, json!({"do": "accept", "mark": 0}));
    assert_eq!(v["marks"][0]["decided"], "accepted");
    let own = "volley,action,x_mm,y_mm,to_x_mm,to_y_mm,count,note\n";
    fs::write(dir.join("review.csv"), own).unwrap();
    let step = json!({"do": "accept", "mark": 1, "volley": 0, "revision": page.state()["revision"]});
    let reply = page.post("edit", &step);
    assert_eq!(reply.status, 409);
    assert!(String::from_utf8_lossy(&reply.body).contains("changed by something else"));
    assert_eq!(fs::read_to_string(dir.join("review.csv")).unwrap(), own);
    assert!(page.state()["volleys"][0]["marks"][0]["decided"].is_null(), "what the file says now is shown");
}

/// The page in a real browser: keyboard, mouse, fingers, and how smoothly a photo of twelve megapixels moves.
#[test]
fn in_a_browser() {
    let Some(modules) = std::env::var_os("POCKMARK_BROWSER").map(PathBuf::from) else {
        println!("skipped: POCKMARK_BROWSER names no folder with playwright-core");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(&day(), &folder.path().join("day"));
    let large = folder.path().join("large");
    render(&large, 3, 2.0, 1);
    let pictures = Path::new(env!("CARGO_TARGET_TMPDIR")).join("review");
    fs::create_dir_all(&pictures).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/review.mjs");
    let ran = Command::new("node")
        .arg(script)
        .args([Path::new(env!("CARGO_BIN_EXE_pockmark")), &dir, &large, &pictures])
        .env("POCKMARK_BROWSER", modules)
        .status()
        .unwrap();
    assert!(ran.success(), "the browser's tests failed; pictures lie in {}", pictures.display());
}

#[test]
fn done_does_not_put_old_results_over_newer_ones() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(&day(), &folder.path().join("day"));
    let mut page = Page::open(&dir);
    page.step(0, json!({"do": "check"}));
    let decided = fs::read(dir.join("review.csv")).unwrap();
    let settings = fs::read_to_string(dir.join("session.toml")).unwrap();
    fs::write(dir.join("session.toml"), settings.replacen("Demonstration", "Another day", 1)).unwrap();
    let ran = pockmark(folder.path(), ["run", "day"]);
    assert!([0, 3].contains(&ran.code), "{}{}", ran.out, ran.err);
    let newer = fs::read(dir.join("results/summary.json")).unwrap();
    assert_eq!(page.program.end(), 1);
    assert!(fs::read(dir.join("results/summary.json")).unwrap() == newer, "newer results were written over");
    assert_eq!(fs::read(dir.join("review.csv")).unwrap(), decided);
}

#[test]
fn a_decision_waits_for_whoever_writes() {
    use pockmark::session::SessionPaths;
    use pockmark::session::lock::{SessionLock, Work};

    let folder = tempfile::tempdir().unwrap();
    let dir = copy(&day(), &folder.path().join("day"));
    let page = Page::open(&dir);
    let lock = SessionLock::take(&SessionPaths::new(&dir), Work::Write, "run", &|_| {}).unwrap();
    let (began, held) = (Instant::now(), std::time::Duration::from_secs(2));
    std::thread::scope(|s| {
        s.spawn(|| {
            std::thread::sleep(held);
            drop(lock);
        });
        page.step(0, json!({"do": "check"}));
    });
    assert!(began.elapsed() >= held && dir.join("review.csv").is_file());
}
