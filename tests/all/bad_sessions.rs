//! Does a session's folder that is hostile, huge or half there end in one sentence, soon, and touch nothing outside of itself?

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::common::{Ended, pockmark};

/// Longest that a bad folder may keep the program busy.
const LONGEST: Duration = Duration::from_secs(10);

/// A session with a calibration and three small photos of nothing, and the folder around it.
fn session() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(pockmark(folder.path(), ["new", "garage"]).code, 0);
    let dir = folder.path().join("garage");
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    fs::copy(data.join("wall.json"), dir.join("wall.json")).unwrap();
    for name in ["a.jpg", "b.jpg", "c.jpg"] {
        fs::copy(data.join("photos/gray.jpg"), dir.join("photos").join(name)).unwrap();
    }
    fs::copy(data.join("photos/gray.jpg"), dir.join("calibration/tripod.jpg")).unwrap();
    fs::write(dir.join("volleys.csv"), "volley,photo,shots,speed_mph\nw,a.jpg,0,\n1,b.jpg,5,30\n2,c.jpg,5,40\n")
        .unwrap();
    (folder, dir)
}

/// Runs in time; what it said.
#[track_caller]
fn run(dir: &Path, command: &str) -> Ended {
    let began = Instant::now();
    let ended = pockmark(dir.parent().unwrap(), [command, "garage"]);
    assert!(began.elapsed() < LONGEST, "{command}: {:?}", began.elapsed());
    assert!(!ended.err.contains("panicked"), "{}", ended.err);
    ended
}

fn without_shots(dir: &Path) {
    // Photos of another size than the calibration's: every volley fails, each with its sentence.
    let ended = run(dir, "run");
    assert_eq!(ended.code, 1, "{}{}", ended.out, ended.err);
    assert!(ended.out.contains("2 failed"), "{}", ended.out);
}

#[test]
fn photos_of_another_camera_fail_their_volleys_only() {
    let (_folder, dir) = session();
    without_shots(&dir);
    assert!(dir.join("results/volleys.csv").is_file());
}

#[test]
fn huge_tables_are_refused_in_time() {
    let (_folder, dir) = session();
    let mut rows = String::from("volley,photo,shots,speed_mph\n");
    for i in 0..1_000_000 {
        writeln!(rows, "{i},a.jpg,5,30").unwrap();
    }
    fs::write(dir.join("volleys.csv"), &rows).unwrap();
    run(&dir, "run").says(1, &["volleys.csv", "larger than", "short text file"]);

    // As many rows as are read at all, and one photo (the other two are copies of it).
    let mut rows = String::from("volley,shots,speed_mph\n");
    for i in 0..20_000 {
        writeln!(rows, "{i},5,30").unwrap();
    }
    fs::write(dir.join("volleys.csv"), &rows).unwrap();
    run(&dir, "run").says(1, &["20000 rows", "1 photo is left", "and 19960 more"]);
    fs::write(dir.join("volleys.csv"), format!("{rows}x,5,30\n")).unwrap();
    run(&dir, "run").says(1, &["more than 20000 rows", "split it"]);

    // A calibration, decisions and settings of a hundred megabytes.
    for name in ["wall.json", "review.csv", "session.toml"] {
        let (_folder, dir) = session();
        fs::File::create(dir.join(name)).unwrap().set_len(100 << 20).unwrap();
        run(&dir, "run").says(1, &[name, "larger than"]);
    }
}

#[test]
fn names_that_lead_out_of_the_folder_are_refused() {
    let (folder, dir) = session();
    fs::copy(dir.join("photos/a.jpg"), folder.path().join("outside.jpg")).unwrap();
    for name in [
        "../../outside.jpg",
        "/etc/passwd",
        "..\\outside.jpg",
        "C:\\outside.jpg",
        "\\\\server\\x.jpg",
        "..",
        "photos/a.jpg",
    ] {
        fs::write(dir.join("volleys.csv"), format!("volley,photo,shots,speed_mph\nw,{name},0,\n1,b.jpg,5,30\n"))
            .unwrap();
        run(&dir, "run").says(1, &["line 2", "plain file name"]);
    }
    fs::write(dir.join("volleys.csv"), "volley,photo,shots,speed_mph\nw,a.jpg,0,\n1,b.jpg,5,30\n2,c.jpg,5,40\n")
        .unwrap();
    let text = fs::read_to_string(dir.join("session.toml")).unwrap();
    for name in ["../outside.jpg", "/etc/passwd", "calibration/../../outside.jpg"] {
        fs::write(dir.join("session.toml"), text.replace("calibration/tripod.jpg", name)).unwrap();
        run(&dir, "run").says(1, &["tripod_photo", "calibration/"]);
    }
}

#[test]
fn cells_that_a_spreadsheet_would_run_are_harmless_in_results() {
    let (_folder, dir) = session();
    let formula = "=HYPERLINK(1)";
    let rows = format!(
        "volley,photo,shots,speed_mph,net;=1+1\nw,a.jpg,0,,\n{formula},b.jpg,5,30,@SUM(A1)\n-3,c.jpg,5,40,-2\n"
    );
    fs::write(dir.join("volleys.csv"), rows).unwrap();
    run(&dir, "run");
    let text = fs::read_to_string(dir.join("results/volleys.csv")).unwrap();
    assert!(text.contains(&format!("\n'{formula},")) && text.contains("\n-3,"), "{text}");
    // Many a spreadsheet parts cells at semicolons.
    let shots = fs::read_to_string(dir.join("results/shots.csv")).unwrap();
    assert!(shots.contains(",net;'=1+1,"), "{shots}");
}

#[cfg(unix)]
#[test]
fn links_pipes_and_devices_do_no_harm() {
    use std::os::unix::fs::symlink;
    use std::process::Command;

    let (folder, dir) = session();
    // Results would be written over somebody's files.
    let elsewhere = folder.path().join("elsewhere");
    fs::create_dir(&elsewhere).unwrap();
    fs::write(elsewhere.join("report.html"), "mine").unwrap();
    symlink(&elsewhere, dir.join("results")).unwrap();
    run(&dir, "run").says(1, &["results leads to", "out of the session's folder"]);
    assert_eq!(fs::read(elsewhere.join("report.html")).unwrap(), b"mine");
    assert_eq!(fs::read_dir(&elsewhere).unwrap().count(), 1);
    fs::remove_file(dir.join("results")).unwrap();

    // Photos that are links to what never ends, to themselves, to a text: passed over, or one sentence.
    for (target, name) in [("/dev/zero", "x.jpg"), ("y.jpg", "y.jpg"), ("/etc/passwd", "z.jpg"), ("/nowhere", "n.jpg")]
    {
        symlink(target, dir.join("photos").join(name)).unwrap();
    }
    assert!(Command::new("mkfifo").arg(dir.join("photos/p.jpg")).status().unwrap().success());
    without_shots(&dir);
    fs::write(dir.join("volleys.csv"), "volley,photo,shots,speed_mph\nw,a.jpg,0,\n1,z.jpg,5,30\n").unwrap();
    let ended = run(&dir, "run");
    assert!(ended.out.contains("z.jpg") && ended.out.contains("not a readable photo"), "{}{}", ended.out, ended.err);
    for name in ["x.jpg", "p.jpg", "y.jpg"] {
        fs::write(dir.join("volleys.csv"), format!("volley,photo,shots,speed_mph\nw,a.jpg,0,\n1,{name},5,30\n"))
            .unwrap();
        run(&dir, "run").says(1, &[name, "not in photos/"]);
    }

    // Tables and settings that are pipes or devices.
    for name in ["volleys.csv", "review.csv", "wall.json", "session.toml"] {
        for device in [true, false] {
            let (_folder, dir) = session();
            let path = dir.join(name);
            drop(fs::remove_file(&path));
            if device {
                symlink("/dev/zero", &path).unwrap();
            } else {
                assert!(Command::new("mkfifo").arg(&path).status().unwrap().success());
            }
            let ended = run(&dir, "run");
            assert_eq!(ended.code, 1, "{name}: {}{}", ended.out, ended.err);
            assert_eq!(ended.err.lines().count(), 1, "{name}: {}", ended.err);
        }
    }
}
