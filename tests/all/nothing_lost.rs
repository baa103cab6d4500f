//! Is anything lost when the program is killed, the disk is full or write-protected, or two run at once?

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use crate::common::mutate::{cases, seeded};
use crate::common::{pockmark, session};
use pockmark::points::WallPoint;
use pockmark::session::review::{Decision, ReviewRow, read_review, write_review};
use rand::RngExt;

const RESULTS: [&str; 4] = ["shots.csv", "volleys.csv", "summary.json", "report.html"];
const REVIEW: &str = "volley,action,x_mm,y_mm,to_x_mm,to_y_mm,count,note\n1,checked,,,,,,seen\n";

type Files = BTreeMap<PathBuf, Vec<u8>>;

fn files(dir: &Path) -> Files {
    let mut out = Files::new();
    for e in fs::read_dir(dir).unwrap().map(|e| e.unwrap()) {
        if e.path().is_dir() {
            out.extend(files(&e.path()));
        } else {
            out.insert(e.path(), fs::read(e.path()).unwrap());
        }
    }
    out
}

fn start(dir: &Path, command: &str) -> Child {
    Command::new(env!("CARGO_BIN_EXE_pockmark"))
        .arg(command)
        .arg(dir)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

#[track_caller]
fn ran(dir: &Path, command: &str) {
    let ended = pockmark(dir.parent().unwrap(), [command.as_ref(), dir.as_os_str()]);
    assert!([0, 3].contains(&ended.code), "{}{}", ended.out, ended.err);
}

fn results(dir: &Path) -> [Option<Vec<u8>>; 4] {
    RESULTS.map(|n| fs::read(dir.join("results").join(n)).ok())
}

/// A session measured by hand: quick, so that a kill often falls into its writing.
fn by_hand(dir: &Path) {
    assert_eq!(pockmark(dir.parent().unwrap(), ["new".as_ref(), dir.as_os_str()]).code, 0);
    let (mut volleys, mut impacts) =
        (String::from("volley,shots,speed_mph,setpoint_mph,pocket\n"), String::from("volley,x_mm,y_mm\n"));
    for v in 0..30 {
        let (mph, pocket) = (35 + 10 * (v / 2 % 4), ["mid", "low"][v % 2]);
        volleys += &format!("{v},5,{mph},{mph},{pocket}\n");
        for k in 0..5 {
            impacts += &format!("{v},{},{}\n", 1000 + 7 * k, 600 + 4 * mph + 11 * k + 60 * (v % 2));
        }
    }
    fs::write(dir.join("volleys.csv"), volleys).unwrap();
    fs::write(dir.join("impacts.csv"), impacts).unwrap();
}

/// A small rendered day, calibrated and run once.
fn day() -> &'static Path {
    static DAY: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    let (_, dir) = DAY.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let dir = folder.path().join("Tag é 1");
        session::render(&dir, 5, 0.5, 3);
        ran(&dir, "run");
        (folder, dir)
    });
    dir
}

/// Kills `command` at `count` random moments while the table goes from one speed to another and back. Every time the results
/// on the disk must be all old or all new (once the next program has looked), and the inputs untouched.
fn killed(dir: &Path, command: &str, count: u64) {
    fs::write(dir.join("review.csv"), REVIEW).unwrap();
    ran(dir, command);
    let table = fs::read_to_string(dir.join("volleys.csv")).unwrap();
    let heavier = fs::read_to_string(dir.join("session.toml")).unwrap();
    let tables = [table.clone(), table.clone()];
    // Two titles give two sets of results, each whole file of which says which set it is of.
    let toml = [heavier.replacen("title = \"", "title = \"A ", 1), heavier.replacen("title = \"", "title = \"B ", 1)];
    let speeds = [tables[0].replacen("35", "35.5", 1), tables[1].clone()];
    let put = |k: usize| {
        fs::write(dir.join("session.toml"), &toml[k]).unwrap();
        fs::write(dir.join("volleys.csv"), &speeds[k]).unwrap();
    };
    let mut whole = Vec::new();
    let mut longest = Duration::ZERO;
    for k in [0, 1] {
        put(k);
        let began = Instant::now();
        ran(dir, command);
        longest = longest.max(began.elapsed());
        whole.push(results(dir));
    }
    assert_ne!(whole[0], whole[1]);
    let inputs = |dir: &Path| {
        let mut all = files(dir);
        all.retain(|p, _| !p.starts_with(dir.join("results")) && !p.starts_with(dir.join(".pockmark")));
        all
    };
    // As the disk is now: set 1.
    let (mut now, mut old, mut new, mut halfway, mut mixed) = (1usize, 0, 0, 0, 0);
    for case in 0..count {
        let mut rng = seeded(23, case);
        put(1 - now);
        let before = inputs(dir);
        let mut child = start(dir, command);
        std::thread::sleep(longest.mul_f64(rng.random_range(0.0..1.5)));
        child.kill().unwrap();
        child.wait().unwrap();
        assert!(inputs(dir) == before, "case {case}: an input was changed");
        let found = results(dir);
        if dir.join("results/.switching.json").exists() {
            halfway += 1;
            mixed += usize::from(!whole.contains(&found));
        } else {
            assert!(whole.contains(&found), "case {case}: results are neither the old nor the new");
            *(if found == whole[now] { &mut old } else { &mut new }) += 1;
        }
        // Half of the times the next run completes it, half of the times it is killed again on another state.
        if rng.random() {
            ran(dir, command);
            let after = results(dir);
            let which = |k: usize| {
                RESULTS.iter().zip(&after).zip(&whole[k]).map(|((n, a), b)| (*n, a == b)).collect::<Vec<_>>()
            };
            assert!(
                after == whole[1 - now],
                "case {case}: the next run does not complete it: {:?}, old {:?}",
                which(1 - now),
                which(now)
            );
            now = 1 - now;
        } else {
            // Any command that writes looks first; afterwards it is one of the two.
            pockmark(dir.parent().unwrap(), ["report".as_ref(), dir.as_os_str()]);
            let found = results(dir);
            let which = (0..2).find(|k| whole[*k][..3] == found[..3]);
            now = which.unwrap_or_else(|| panic!("case {case}: mixed after recovery"));
        }
    }
    println!(
        "{command}: {count} kills within {longest:.2?}: {old} left the old results, {new} the new, {halfway} a switch to finish, of which {mixed} between two files"
    );
    ran(dir, command);
    let left: Vec<_> = fs::read_dir(dir.join("results")).unwrap().map(|e| e.unwrap().file_name()).collect();
    let begun = left.iter().filter(|n| n.to_string_lossy().starts_with(".writing-")).count();
    assert_eq!(left.len() - begun, RESULTS.len(), "{left:?}");
    assert_eq!(fs::read_to_string(dir.join("review.csv")).unwrap(), REVIEW);
}

#[test]
fn a_killed_solve_leaves_old_results_or_new() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("von Hand");
    by_hand(&dir);
    killed(&dir, "solve", cases(20));
}

#[test]
fn a_killed_run_leaves_old_results_or_new() {
    let folder = tempfile::tempdir().unwrap();
    let dir = session::copy(day(), &folder.path().join("Tag"));
    killed(&dir, "run", cases(20));
}

#[test]
#[ignore = "long: two hundred kills each"]
fn two_hundred_kills() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("von Hand");
    by_hand(&dir);
    killed(&dir, "solve", 200);
    killed(&session::copy(day(), &folder.path().join("Tag")), "run", 200);
}

/// A session killed at its very first run has no results, or all.
#[test]
fn a_killed_first_run_and_calibration_leave_nothing_half() {
    let folder = tempfile::tempdir().unwrap();
    let fresh = folder.path().join("fresh");
    session::copy(day(), &fresh);
    fs::remove_dir_all(fresh.join("results")).unwrap();
    fs::remove_dir_all(fresh.join(".pockmark")).unwrap();
    fs::remove_file(fresh.join("wall.json")).unwrap();
    let began = Instant::now();
    ran(&session::copy(&fresh, &folder.path().join("whole")), "run");
    let longest = began.elapsed();
    let wanted = results(&folder.path().join("whole"));
    for case in 0..cases(6).min(30) {
        let dir = session::copy(&fresh, &folder.path().join(format!("killed {case}")));
        let mut child = start(&dir, "run");
        std::thread::sleep(longest.mul_f64(seeded(29, case).random_range(0.0..1.0)));
        child.kill().unwrap();
        child.wait().unwrap();
        if let Ok(text) = fs::read_to_string(dir.join("wall.json")) {
            pockmark::camera::Wall::from_json(&text).unwrap();
        }
        let found = results(&dir);
        let unfinished = dir.join("results/.switching.json").exists();
        assert!(found == wanted || found.iter().all(Option::is_none) || unfinished, "case {case}");
        ran(&dir, "run");
        assert!(results(&dir) == wanted, "case {case}: the next run does not complete it");
        fs::remove_dir_all(&dir).unwrap();
    }
}

/// Not a test of its own: what a killed child does.
#[test]
#[ignore = "driven by decisions_survive_a_kill"]
fn writes_decisions_until_it_is_killed() {
    let Some(path) = std::env::var_os("POCKMARK_TEST_DECISIONS") else { return };
    for n in 1.. {
        write_review(Path::new(&path), &decisions(n)).unwrap();
    }
}

fn decisions(n: u32) -> Vec<ReviewRow> {
    let place = |i: u32| Some(WallPoint::new(f64::from(i) * 1e-3, f64::from(n) * 1e-3));
    let row =
        |i| ReviewRow { volley: format!("{i}"), place: place(i), decision: Decision::Reject, note: "é, \"x\"".into() };
    (0..200).map(row).collect()
}

#[test]
fn decisions_survive_a_kill() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("review.csv");
    write_review(&path, &decisions(0)).unwrap();
    for case in 0..cases(20) {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["writes_decisions_until_it_is_killed", "--exact", "--ignored"])
            .env("POCKMARK_TEST_DECISIONS", &path)
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(seeded(31, case).random_range(5..60)));
        child.kill().unwrap();
        child.wait().unwrap();
        let rows = read_review(&path).unwrap();
        let n = rows[0].place.unwrap().y_m * 1e3;
        assert_eq!(rows, decisions(n.round() as u32), "case {case}: decisions of two moments");
    }
}

#[test]
fn two_runs_at_once_both_end_well() {
    let folder = tempfile::tempdir().unwrap();
    let dir = session::copy(day(), &folder.path().join("Tag"));
    let wanted = results(&dir);
    for round in 0..3 {
        if round == 1 {
            fs::remove_dir_all(dir.join(".pockmark")).unwrap();
        }
        fs::remove_dir_all(dir.join("results")).unwrap();
        let mut all: Vec<Child> = (0..3).map(|_| start(&dir, "run")).collect();
        for child in &mut all {
            assert!(matches!(child.wait().unwrap().code(), Some(0 | 3)));
        }
        assert!(results(&dir) == wanted);
    }
}

/// A limit on the size of files, as a disk that is nearly full or an old memory card has.
#[cfg(unix)]
#[test]
fn a_disk_without_room_keeps_the_old_results() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("von Hand");
    by_hand(&dir);
    ran(&dir, "solve");
    let wanted = results(&dir);
    let text = fs::read_to_string(dir.join("volleys.csv")).unwrap();
    fs::write(dir.join("volleys.csv"), text.replace("35,35", "35.5,35")).unwrap();
    // Blocks of half a kilobyte or one, by the shell. With and without the signal that ends a program at once.
    for trap in ["trap '' XFSZ; ", ""] {
        for blocks in [0, 1, 8, 30, 60] {
            let script = format!("{trap}ulimit -f {blocks}; exec \"$0\" solve \"$1\"");
            let ended =
                Command::new("sh").args(["-c", &script, env!("CARGO_BIN_EXE_pockmark")]).arg(&dir).output().unwrap();
            let said = String::from_utf8_lossy(&ended.stderr);
            assert!(results(&dir) == wanted, "{blocks} blocks: results changed: {said}");
            assert!(!said.contains("panicked"), "{said}");
            if !trap.is_empty() {
                assert_eq!(ended.status.code(), Some(1), "{blocks}: {said}");
                assert!(said.contains("too large"), "{blocks}: {said}");
            }
        }
    }
    ran(&dir, "solve");
    assert!(results(&dir) != wanted);
}

/// A folder mounted for a test, where the test may mount.
struct Mounted(PathBuf);

impl Mounted {
    fn new(at: &Path, args: &[&str]) -> Option<Self> {
        let mounted = Command::new("mount").args(args).arg(at).stderr(Stdio::null()).status();
        mounted.is_ok_and(|s| s.success()).then(|| Self(at.to_path_buf()))
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_and_a_write_protected_one_say_so_and_keep_what_was_there() {
    let folder = tempfile::tempdir().unwrap();
    let disk = folder.path().join("card");
    fs::create_dir(&disk).unwrap();
    let Some(mounted) = Mounted::new(&disk, &["-t", "tmpfs", "-o", "size=900k", "tmpfs"]) else {
        println!("skipped: this test may not mount");
        return;
    };
    let dir = disk.join("Sitzung ü");
    by_hand(&dir);
    ran(&dir, "solve");
    let wanted = results(&dir);
    let text = fs::read_to_string(dir.join("volleys.csv")).unwrap();
    fs::write(dir.join("volleys.csv"), text.replace("35,35", "35.5,35")).unwrap();
    let filler = disk.join("filler");
    for left_kb in [0usize, 4, 16, 64, 128] {
        let mut full = vec![0u8; 0];
        // All the room there is, less what is left.
        while fs::write(&filler, &full).is_ok() {
            full.resize(full.len() + 4096, 0);
        }
        full.truncate(full.len().saturating_sub(4096 + 1024 * left_kb));
        fs::remove_file(&filler).unwrap();
        // The system counts such a disk's room roughly: what just fitted may not fit again.
        while fs::write(&filler, &full).is_err() {
            full.truncate(full.len() - 4096);
        }
        let ended = pockmark(folder.path(), ["solve".as_ref(), dir.as_os_str()]);
        ended.says(1, &["the disk is full", "make room"]);
        assert!(results(&dir) == wanted, "{left_kb} kB left: results changed");
        let begun = fs::read_dir(dir.join("results")).unwrap().count();
        assert_eq!(begun, RESULTS.len(), "{left_kb} kB left: something stays behind");
        fs::remove_file(&filler).unwrap();
    }
    // Write-protected: what was found is shown, not saved.
    let protect = Command::new("mount").args(["-o", "remount,ro"]).arg(&disk).status().unwrap();
    assert!(protect.success());
    let ended = pockmark(folder.path(), ["solve".as_ref(), dir.as_os_str()]);
    ended.says(1, &["write-protected", "not saved"]);
    assert!(ended.out.contains("30 ok") || ended.out.contains("to look at"), "{}", ended.out);
    assert!(results(&dir) == wanted);
    drop(mounted);

    // The same with photos.
    let card = folder.path().join("card 2");
    let card_dir = session::copy(day(), &card);
    fs::remove_dir_all(card.join(".pockmark")).unwrap();
    let Some(_mounted) = Mounted::new(&card, &["--bind", card.to_str().unwrap()]) else { return };
    if !Command::new("mount").args(["-o", "remount,ro,bind"]).arg(&card).status().unwrap().success() {
        return;
    }
    let before = files(&card);
    let ended = pockmark(folder.path(), ["run".as_ref(), card_dir.as_os_str()]);
    ended.says(1, &["write-protected", "not saved"]);
    assert!(ended.out.contains("3 ok") || ended.out.contains("to look at"), "{}", ended.out);
    pockmark(folder.path(), ["run".as_ref(), card_dir.as_os_str(), "--volleys".as_ref(), "1".as_ref()])
        .says(1, &["write-protected"]);
    assert!(files(&card) == before);
}
