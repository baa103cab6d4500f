//! Does watching a folder come to what a run comes to, however the photos arrive?
//!
//! Unix only: a program is ended as Ctrl-C does.
#![cfg(unix)]

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use crate::common::pockmark;
use crate::common::session::{PATIENCE, Running, copy, render};
use pockmark::pipeline::watch::{AGAIN, Event, Watch};
use pockmark::session::Session;

struct Day {
    folder: tempfile::TempDir,
}

/// A small day that was run, once for all tests.
fn day() -> PathBuf {
    static DAY: OnceLock<Day> = OnceLock::new();
    let day = DAY.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        render(&folder.path().join("day"), 11, 0.5, 5);
        let ran = pockmark(folder.path(), ["run", "day"]);
        assert!([0, 3].contains(&ran.code), "{}{}", ran.out, ran.err);
        Day { folder }
    });
    day.folder.path().join("day")
}

/// The day without its photos and results; the photos to drop, in order.
fn empty(folder: &Path) -> (PathBuf, Vec<(String, Vec<u8>)>) {
    let dir = copy(&day(), &folder.join("day"));
    fs::remove_dir_all(dir.join("results")).unwrap();
    let mut photos: Vec<(String, Vec<u8>)> = fs::read_dir(dir.join("photos"))
        .unwrap()
        .map(|e| e.unwrap())
        .map(|e| (e.file_name().into_string().unwrap(), fs::read(e.path()).unwrap()))
        .collect();
    photos.sort();
    fs::remove_dir_all(dir.join("photos")).unwrap();
    fs::create_dir(dir.join("photos")).unwrap();
    assert_eq!(photos.len(), 6, "a photo of the clean wall and five volleys");
    (dir, photos)
}

fn names(dir: &Path) -> Vec<String> {
    let mut table = csv::Reader::from_path(dir.join("volleys.csv")).unwrap();
    let at = table.headers().unwrap().iter().position(|h| h == "volley").unwrap();
    table.records().map(|r| r.unwrap()[at].to_string()).collect()
}

/// Results that do not hold file names or hashes of tables.
#[track_caller]
fn same_results(dir: &Path) {
    for name in ["shots.csv", "volleys.csv", "summary.json", "report.html"] {
        let of = |d: &Path| fs::read(d.join("results").join(name)).unwrap();
        assert!(of(dir) == of(&day()), "{name} differs from a run's");
    }
}

fn watch(dir: &Path) -> Running {
    let mut w = Running::start(&["watch", dir.to_str().unwrap(), "--no-open"]);
    w.hears("http://");
    w
}

#[test]
fn photos_dropped_singly_in_halves_and_in_bursts_give_what_a_run_gives() {
    let folder = tempfile::tempdir().unwrap();
    let (dir, photos) = empty(folder.path());
    let (rows, at) = (names(&dir), |n: &str| dir.join("photos").join(n));
    let mut w = watch(&dir);
    fs::write(at(&photos[0].0), &photos[0].1).unwrap();
    w.hears(&format!("{}: seen", rows[0]));
    let clock = Instant::now();
    fs::write(at(&photos[1].0), &photos[1].1).unwrap();
    let said = w.hears(&format!("volley {}: ", rows[1]));
    println!("{:.2} s until \"{said}\"", clock.elapsed().as_secs_f64());
    assert!(said.contains(" of 5") && said.contains(" deg"), "{said}");

    // Half a photo waits, and so does what comes behind it; garbage and hidden files are passed over.
    let (half, rest) = photos[2].1.split_at(photos[2].1.len() / 2);
    let mut file = File::create(at(&photos[2].0)).unwrap();
    file.write_all(half).unwrap();
    file.flush().unwrap();
    fs::write(at(&photos[3].0), &photos[3].1).unwrap();
    fs::write(at(".BARN_9.jpg.tmp"), b"a program's own").unwrap();
    for row in &rows[2..=3] {
        assert!(w.hears_within(&format!("volley {row}: "), Duration::from_secs(2)).is_none(), "{:?}", w.said);
    }
    file.write_all(rest).unwrap();
    drop(file);
    w.hears(&format!("volley {}: ", rows[2]));
    w.hears(&format!("volley {}: ", rows[3]));

    // A burst.
    for p in &photos[4..] {
        fs::write(at(&p.0), &p.1).unwrap();
    }
    w.hears(&format!("volley {}: ", rows[4]));
    w.hears(&format!("volley {}: ", rows[5]));
    let code = w.end();
    assert!([0, 3].contains(&code), "{code}: {:#?}", w.said);
    same_results(&dir);
}

#[test]
fn twice_renamed_stopped_and_started_again() {
    let folder = tempfile::tempdir().unwrap();
    let (dir, photos) = empty(folder.path());
    let (rows, at) = (names(&dir), |n: &str| dir.join("photos").join(n));
    let mut w = watch(&dir);
    pockmark(folder.path(), ["watch", "day", "--no-open"]).says(1, &["another `pockmark watch`", "is at work"]);
    for p in &photos[..3] {
        fs::write(at(&p.0), &p.1).unwrap();
    }
    w.hears(&format!("volley {}: ", rows[2]));
    // The same photo once more, as a phone's sync makes it.
    let twice = photos[2].0.replace(".jpg", " (1).jpg");
    fs::write(at(&twice), &photos[2].1).unwrap();
    // A crash; a photo comes while nobody watches.
    w.kill();
    fs::write(at(&photos[3].0), &photos[3].1).unwrap();
    let mut w = watch(&dir);
    w.hears(&format!("volley {}: ", rows[3]));
    // Renamed within the order, and back.
    let other = photos[1].0.replace(".jpg", "a.jpg");
    fs::rename(at(&photos[1].0), at(&other)).unwrap();
    std::thread::sleep(Duration::from_secs(2));
    fs::rename(at(&other), at(&photos[1].0)).unwrap();
    for p in &photos[4..] {
        fs::write(at(&p.0), &p.1).unwrap();
    }
    w.hears(&format!("volley {}: ", rows[5]));
    fs::remove_file(at(&twice)).unwrap();
    std::thread::sleep(Duration::from_millis(500));
    let code = w.end();
    assert!([0, 3].contains(&code), "{code}: {:#?}", w.said);
    same_results(&dir);
    // A run takes the copy for what it is, too.
    fs::write(at(&twice), &photos[2].1).unwrap();
    let ran = pockmark(folder.path(), ["run", "day"]);
    assert!([0, 3].contains(&ran.code), "{}{}", ran.out, ran.err);
    let page = fs::read_to_string(dir.join("results/report.html")).unwrap();
    assert!(page.contains("byte for byte"), "the page says what was left out");
}

#[test]
fn rows_written_after_the_photo_and_decisions_made_meanwhile() {
    let folder = tempfile::tempdir().unwrap();
    let (dir, photos) = empty(folder.path());
    let (rows, at) = (names(&dir), |n: &str| dir.join("photos").join(n));
    let table = fs::read_to_string(dir.join("volleys.csv")).unwrap();
    let lines: Vec<&str> = table.lines().collect();
    let first = |n: usize| lines[..=n].join("\n") + "\n";
    fs::write(dir.join("volleys.csv"), first(2)).unwrap();
    let mut w = watch(&dir);
    for p in &photos[..3] {
        fs::write(at(&p.0), &p.1).unwrap();
    }
    w.hears(&format!("volley {}: ", rows[1]));
    w.hears("has no row in volleys.csv yet");
    // A row without its speed is not taken, and said.
    fs::write(dir.join("volleys.csv"), first(2) + &format!("{},5\n", rows[2])).unwrap();
    w.hears("mended");
    fs::write(dir.join("volleys.csv"), first(3)).unwrap();
    w.hears(&format!("volley {}: ", rows[2]));
    fs::write(dir.join("review.csv"), format!("volley,action,x_mm,y_mm\n{},add,1000,900\n", rows[2])).unwrap();
    w.hears(&format!("volley {}: 6 of 5", rows[2]));
    fs::remove_file(dir.join("review.csv")).unwrap();
    fs::write(dir.join("volleys.csv"), &table).unwrap();
    for p in &photos[3..] {
        fs::write(at(&p.0), &p.1).unwrap();
    }
    w.hears(&format!("volley {}: ", rows[5]));
    w.end();
    same_results(&dir);
}

#[test]
fn a_full_disk_is_said_and_the_results_come_when_there_is_room() {
    let folder = tempfile::tempdir().unwrap();
    let (dir, photos) = empty(folder.path());
    for p in &photos {
        fs::write(dir.join("photos").join(&p.0), &p.1).unwrap();
    }
    // No file may grow beyond 8 kB (the unit is 512 bytes): as on a full disk, the report does not fit.
    let mut full = Command::new("sh");
    full.args(["-c", "trap '' XFSZ; ulimit -f 16; exec \"$0\" watch \"$1\" --no-open"]);
    full.args([Path::new(env!("CARGO_BIN_EXE_pockmark")), &dir]);
    let mut w = Running::of(full);
    w.hears("could not be written");
    let left: Vec<_> = fs::read_dir(dir.join("results")).map(|d| d.flatten().collect()).unwrap_or_default();
    assert!(left.is_empty(), "nothing half-written lies there: {left:?}");
    assert_eq!(w.end(), 1);

    // In the way of the folder lies a file; then it does not.
    fs::remove_dir_all(dir.join("results")).unwrap();
    fs::write(dir.join("results"), b"").unwrap();
    let mut w = watch(&dir);
    w.hears("could not be written");
    fs::remove_file(dir.join("results")).unwrap();
    let began = Instant::now();
    while !dir.join("results/report.html").exists() && began.elapsed() < PATIENCE {
        std::thread::sleep(Duration::from_millis(100));
    }
    w.end();
    same_results(&dir);
}

#[test]
fn what_was_learned_under_other_settings_is_not_taken() {
    use pockmark::pipeline::{Day, read_wall};
    use std::sync::Arc;

    let mut session = Session::open(&day()).unwrap();
    let wall = read_wall(&session).unwrap();
    let volleys = session.pair_photos().unwrap().volleys;
    let begun = |d: &mut Day| {
        d.follow(&volleys[..2], &|_| {});
        (d.edition(), d.known().clone().learn(&|_| {}).unwrap())
    };
    let mut d = Day::new(&session, &wall).unwrap();
    let (edition, learned) = begun(&mut d);
    // Other marks to expect, then another calibration: all is looked at anew, and comes to as many changes as before.
    session.spec.marks.largest_m = Some(0.06);
    d.take_session(&session).unwrap();
    let (second, learned_second) = begun(&mut d);
    d.begin_again(&session, &wall).unwrap();
    begun(&mut d);
    for (edition, old) in [(edition, learned), (second, learned_second)] {
        d.take_learned(old.clone(), edition);
        assert!(!Arc::ptr_eq(&old, &d.known().clone().learn(&|_| {}).unwrap()), "edition {edition} was taken");
        assert!(!d.still_holds(edition));
    }
    // A change that the looks do not hang on leaves them.
    let (edition, learned) = (d.edition(), d.known().clone().learn(&|_| {}).unwrap());
    session.spec.title = "Another day".into();
    d.take_session(&session).unwrap();
    d.take_learned(learned.clone(), edition);
    assert!(Arc::ptr_eq(&learned, &d.known().clone().learn(&|_| {}).unwrap()) && d.still_holds(edition));
}

/// What a look at the folder gives to wait for or to mend.
fn round(w: &mut Watch) -> String {
    let mut said = Vec::new();
    w.round(&mut |e| said.extend(if let Event::Notice(text) = e { Some(text) } else { None }));
    said.join("; ")
}

#[test]
fn a_calibration_that_came_beside_a_broken_table_is_not_forgotten() {
    let folder = tempfile::tempdir().unwrap();
    let (dir, _) = empty(folder.path());
    let mut w = Watch::open(&Session::open(&dir).unwrap()).unwrap();
    let table = fs::read_to_string(dir.join("volleys.csv")).unwrap();
    let before = w.day().wall().camera.fx;
    let mut wall = pockmark::camera::Wall::from_json(&fs::read_to_string(dir.join("wall.json")).unwrap()).unwrap();
    wall.camera.fx += 100.0;
    fs::write(dir.join("wall.json"), wall.to_json().unwrap()).unwrap();
    fs::write(dir.join("volleys.csv"), "nothing that could be read\n").unwrap();
    let text = round(&mut w);
    assert!(text.contains("the tables from before are kept"), "{text}");
    assert_eq!(w.day().wall().camera.fx, before);
    fs::write(dir.join("volleys.csv"), table).unwrap();
    assert_eq!(round(&mut w), "");
    assert!((w.day().wall().camera.fx - before - 100.0).abs() < 1e-6, "the new calibration was forgotten");
}

#[test]
fn tables_that_could_not_be_read_are_read_again_though_nothing_changed() {
    let folder = tempfile::tempdir().unwrap();
    let (dir, _) = empty(folder.path());
    let mut w = Watch::open(&Session::open(&dir).unwrap()).unwrap();
    // Two files of one length and time are the same file to whoever looks at the folder.
    let settings = dir.join("session.toml");
    let text = fs::read_to_string(&settings).unwrap();
    let time = fs::metadata(&settings).unwrap().modified().unwrap() + Duration::from_secs(1);
    let put = |content: &str| {
        let beside = dir.join("beside.toml");
        fs::write(&beside, content).unwrap();
        File::options().write(true).open(&beside).unwrap().set_modified(time).unwrap();
        fs::rename(&beside, &settings).unwrap();
    };
    let title = w.day().session().spec.title.clone();
    let other: String = title.chars().rev().collect();
    put(&"x".repeat(text.len()));
    assert!(round(&mut w).contains("the tables from before are kept"));
    // Read again, still broken, and not said again.
    std::thread::sleep(AGAIN);
    assert_eq!(round(&mut w), "");
    put(&text.replacen(&title, &other, 1));
    assert_eq!((round(&mut w), w.day().session().spec.title.clone()), (String::new(), title));
    std::thread::sleep(AGAIN);
    assert_eq!((round(&mut w), w.day().session().spec.title.clone()), (String::new(), other));
}
