//! Is a run again quick where nothing changed, right where something did, and the same whichever way it came about?

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::{Duration, Instant, SystemTime};

use crate::common::{pockmark, session};

const VOLLEYS: usize = 4;
const RESULTS: [&str; 4] = ["shots.csv", "volleys.csv", "summary.json", "report.html"];
/// A run that finds nothing changed ends within this, on a machine that others use too; by itself it takes 0.02 s.
const QUICK: Duration = Duration::from_millis(1500);

struct Day {
    _folder: tempfile::TempDir,
    dir: PathBuf,
    first: BTreeMap<&'static str, Vec<u8>>,
    /// What the first run said.
    said: String,
}

fn results(dir: &Path) -> BTreeMap<&'static str, Vec<u8>> {
    RESULTS.map(|n| (n, fs::read(dir.join("results").join(n)).unwrap_or_else(|e| panic!("{n}: {e}")))).into()
}

/// A small day with an accent and spaces in its path, calibrated and run once.
fn day() -> &'static Day {
    static DAY: OnceLock<Day> = OnceLock::new();
    DAY.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let dir = folder.path().join("Übung am 3. Mai (½)");
        session::render(&dir, 5, 0.5, VOLLEYS);
        // Photos are older than their first run, as they are at the bench.
        for e in fs::read_dir(dir.join("photos")).unwrap() {
            let file = fs::File::options().write(true).open(e.unwrap().path()).unwrap();
            file.set_modified(SystemTime::now() - Duration::from_secs(60)).unwrap();
        }
        let said = ran(&dir, &[]);
        let first = results(&dir);
        Day { _folder: folder, dir, first, said }
    })
}

/// A copy of the day as it is after its first run; with the time of every photo.
fn copy(to: &Path) -> PathBuf {
    session::copy(&day().dir, &to.join("Kopie é"))
}

#[track_caller]
fn ran(dir: &Path, more: &[&str]) -> String {
    let mut args = vec!["run", dir.to_str().unwrap()];
    args.extend(more);
    let ended = pockmark(dir.parent().unwrap(), args);
    assert!([0, 3].contains(&ended.code), "{}{}", ended.out, ended.err);
    ended.out
}

#[track_caller]
fn same(a: &BTreeMap<&str, Vec<u8>>, b: &BTreeMap<&str, Vec<u8>>) {
    for name in RESULTS {
        assert!(a[name] == b[name], "{name} differs");
    }
}

fn looks(dir: &Path) -> BTreeMap<String, Vec<u8>> {
    let all = fs::read_dir(dir.join(".pockmark/looks")).unwrap().map(|e| e.unwrap());
    all.map(|e| (e.file_name().into_string().unwrap(), fs::read(e.path()).unwrap())).collect()
}

fn replace(path: &Path, was: &str, is: &str) {
    let text = fs::read_to_string(path).unwrap();
    assert!(text.contains(was), "{was} is not in {}", path.display());
    fs::write(path, text.replacen(was, is, 1)).unwrap();
}

#[test]
fn nothing_changed_is_answered_at_once_and_touches_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    // A copy has files of its own: their hashes, not their times, say that nothing changed.
    assert!(ran(&dir, &[]).contains("nothing changed"));
    let when = |n: &str| fs::metadata(dir.join("results").join(n)).unwrap().modified().unwrap();
    let before = RESULTS.map(when);
    let began = Instant::now();
    let said = ran(&dir, &[]);
    assert!(began.elapsed() < QUICK, "{:?}", began.elapsed());
    assert!(said.contains("nothing changed since the last run"), "{said}");
    // It says of every volley what the first run said.
    let first = day().said.lines().filter(|l| !l.starts_with("wrote ")).collect::<Vec<_>>().join("\n");
    assert!(first.contains(" ok, ") && said.starts_with(&first), "{said}");
    assert_eq!(before, RESULTS.map(when));
    let json: serde_json::Value = serde_json::from_str(&ran(&dir, &["--json"])).unwrap();
    assert_eq!(json["volleys"].as_array().unwrap().len(), VOLLEYS);
    same(&results(&dir), &day().first);
}

#[test]
fn everything_looked_at_anew_comes_to_the_same_bytes() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    ran(&dir, &["--anew"]);
    same(&results(&dir), &day().first);
    // From kept comparisons, since a result was tampered with.
    fs::write(dir.join("results/report.html"), "mine").unwrap();
    assert!(!ran(&dir, &[]).contains("nothing changed"));
    same(&results(&dir), &day().first);
}

#[test]
fn what_changed_is_done_again_and_comes_out_as_if_it_were_new() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let table = fs::read_to_string(dir.join("volleys.csv")).unwrap();
    let photo = |row: usize| dir.join("photos").join(table.lines().nth(row).unwrap().split(',').nth(1).unwrap());
    let kept = looks(&dir);

    // A photo with other content but the same name, length and time of change.
    let about = fs::metadata(photo(3)).unwrap();
    let mut bytes = fs::read(photo(3)).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(photo(3), &bytes).unwrap();
    fs::File::options().write(true).open(photo(3)).unwrap().set_modified(about.modified().unwrap()).unwrap();
    assert!(!ran(&dir, &[]).contains("nothing changed"));
    let (mine, now) = (results(&dir), looks(&dir));
    let held = now.keys().filter(|n| kept.contains_key(*n)).count();
    // Row 3 and the one after it are compared anew, with three files each, and what is learned is another. The rows before hold: the clean wall, the
    // first volley, what changed in that, and what the page shows of it. The last row holds if the marks before it are the same to the last bit.
    assert!(now.len() <= kept.len());
    assert!(held == 4 || held == 7 && kept.len() == 14, "{held} of {}", kept.len());
    ran(&dir, &["--anew"]);
    same(&results(&dir), &mine);

    // Settings, tables and decisions.
    replace(&dir.join("session.toml"), "Demonstration", "Another day");
    assert!(!ran(&dir, &[]).contains("nothing changed"));
    assert!(String::from_utf8_lossy(&results(&dir)["report.html"]).contains("Another day"));
    fs::write(dir.join("review.csv"), "volley,action,x_mm,y_mm,to_x_mm,to_y_mm,count,note\n1,checked,,,,,,\n").unwrap();
    assert!(!ran(&dir, &[]).contains("nothing changed"));
    assert!(ran(&dir, &[]).contains("nothing changed"));
    let wall = fs::read_to_string(dir.join("wall.json")).unwrap();
    fs::write(dir.join("wall.json"), wall + "\n").unwrap();
    assert!(!ran(&dir, &[]).contains("nothing changed"));
}

#[test]
fn kept_files_that_were_damaged_are_not_believed() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let own = dir.join(".pockmark");
    for round in 0..3u8 {
        let all = looks(&dir);
        let count = all.len();
        for (i, (name, mut bytes)) in all.into_iter().enumerate() {
            let path = own.join("looks").join(name);
            let at = bytes.len() * (i + 1) / (count + 1);
            match round {
                0 => bytes[at] ^= 0x10,
                1 => bytes.truncate(if i == 0 { 0 } else { at }),
                _ => bytes.iter_mut().skip(90).for_each(|b| *b = 0xFF),
            }
            fs::write(path, bytes).unwrap();
        }
        fs::write(own.join("last.json"), ["{", "null", "\u{0}"][usize::from(round)]).unwrap();
        fs::write(own.join("prints.json"), ["{", "null", "\u{0}"][usize::from(round)]).unwrap();
        assert!(!ran(&dir, &[]).contains("nothing changed"));
        same(&results(&dir), &day().first);
    }
    // Without any of it.
    fs::remove_dir_all(&own).unwrap();
    ran(&dir, &[]);
    same(&results(&dir), &day().first);
    // The program's own folder is none to be led out of the session by.
    #[cfg(unix)]
    {
        let elsewhere = folder.path().join("elsewhere");
        fs::rename(&own, &elsewhere).unwrap();
        std::os::unix::fs::symlink(&elsewhere, &own).unwrap();
        let looks_before = fs::read_dir(elsewhere.join("looks")).unwrap().count();
        pockmark(folder.path(), ["run", "--anew", dir.to_str().unwrap()])
            .says(1, &[".pockmark is a link", "remove it"]);
        assert_eq!(fs::read_dir(elsewhere.join("looks")).unwrap().count(), looks_before);
        same(&results(&dir), &day().first);
    }
}

#[test]
fn parts_done_apart_merge_into_the_whole() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    fs::remove_dir_all(dir.join(".pockmark")).unwrap();
    fs::remove_dir_all(dir.join("results")).unwrap();
    // Two machines, each with a copy of the folder; a part begins with the page of the wall that its first volley is on; the last part is asked for beyond the end.
    let other = session::copy(&dir, &folder.path().join("machine 2"));
    let said = ran(&dir, &["--volleys", "1..2"]);
    assert!(said.contains("3 photos looked at, 0 known already"), "{said}");
    let said = ran(&other, &["--volleys", "3..200"]);
    assert!(said.contains("5 photos looked at, 0 known already"), "{said}");
    let said = ran(&dir, &["--volleys", "2"]);
    assert!(said.contains("0 photos looked at, 3 known already"), "{said}");
    assert!(!dir.join("results").exists(), "a part writes no results");
    for (name, bytes) in looks(&other) {
        fs::write(dir.join(".pockmark/looks").join(name), bytes).unwrap();
    }
    let before = looks(&dir);
    ran(&dir, &[]);
    let after = looks(&dir);
    same(&results(&dir), &day().first);
    let new: Vec<_> = after.keys().filter(|n| !before.contains_key(*n)).collect();
    assert_eq!(new.len(), 1, "only what is learned from all is new: {new:?}");

    let here = dir.parent().unwrap();
    let name = dir.to_str().unwrap();
    pockmark(here, ["run", name, "--volleys", "9..12"]).says(2, &["--volleys 9..12", "volleys 1 to 4"]);
    for bad in ["0..2", "3..1", "a..b", "..", "1-3"] {
        pockmark(here, ["run", name, "--volleys", bad]).says(2, &["1..200"]);
    }
    pockmark(here, ["run", name, "--volleys", "1..2", "--json"]).says(2, &["--json"]);
    fs::remove_file(dir.join("wall.json")).unwrap();
    pockmark(here, ["run", name, "--volleys", "1..2"]).says(1, &["no wall.json", "pockmark calibrate"]);
}

#[test]
fn parquet_tables_stay_with_the_others() {
    use parquet::file::reader::{FileReader, SerializedFileReader};

    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let said = ran(&dir, &["--parquet"]);
    assert!(said.contains("shots.parquet") && said.contains("volleys.parquet"), "{said}");
    assert!(ran(&dir, &[]).contains("nothing changed") && ran(&dir, &["--parquet"]).contains("nothing changed"));
    let rows = |name: &str| {
        let file = fs::File::open(dir.join("results").join(name)).unwrap();
        SerializedFileReader::new(file).unwrap().metadata().file_metadata().num_rows()
    };
    let lines = |name: &str| csv::Reader::from_path(dir.join("results").join(name)).unwrap().records().count() as i64;
    assert_eq!((rows("shots.parquet"), rows("volleys.parquet")), (lines("shots.csv"), lines("volleys.csv")));
    // Once there, they are never left behind the others.
    let table = fs::read_to_string(dir.join("volleys.csv")).unwrap();
    let shorter: Vec<&str> = table.lines().take(VOLLEYS).collect();
    fs::write(dir.join("volleys.csv"), shorter.join("\n")).unwrap();
    ran(&dir, &[]);
    assert_eq!((rows("shots.parquet"), rows("volleys.parquet")), (lines("shots.csv"), lines("volleys.csv")));
    assert_eq!(rows("volleys.parquet"), VOLLEYS as i64 - 2);
}

#[test]
fn tables_that_changed_while_it_waited_are_taken() {
    use pockmark::session::SessionPaths;
    use pockmark::session::lock::{SessionLock, Work};

    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let lock = SessionLock::take(&SessionPaths::new(&dir), Work::Run, "run", &|_| {}).unwrap();
    let mut waiting = std::process::Command::new(env!("CARGO_BIN_EXE_pockmark"));
    let mut waiting = waiting.arg("run").arg(&dir).stdout(std::process::Stdio::null()).spawn().unwrap();
    std::thread::sleep(Duration::from_secs(1));
    replace(&dir.join("session.toml"), "Demonstration", "Another day");
    drop(lock);
    assert!([Some(0), Some(3)].contains(&waiting.wait().unwrap().code()));
    let titled = |title: &str| String::from_utf8_lossy(&results(&dir)["report.html"]).contains(title);
    assert!(titled("Another day"), "the old tables were run");
    assert!(ran(&dir, &[]).contains("nothing changed"));

    // Nor does it compute from those that a killed program had begun to replace.
    let text = fs::read_to_string(dir.join("session.toml")).unwrap();
    fs::write(dir.join(".writing-new"), text.replacen("Another day", "A third day", 1)).unwrap();
    fs::write(dir.join(".switching.json"), r#"[{"from":".writing-new","to":"session.toml"}]"#).unwrap();
    ran(&dir, &[]);
    assert!(titled("A third day"), "the tables before the switch were run");
}

#[test]
fn a_file_that_came_or_went_makes_the_results_old() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let at = |name: &str| dir.join(name);
    let label = || pockmark(folder.path(), ["label".as_ref(), dir.as_os_str()]);
    let is_old = |name: &str| {
        let ended = label();
        assert_eq!(ended.code, 3, "{name}: {}{}", ended.out, ended.err);
        assert!(ended.out.contains("Changed since") && ended.out.contains(name), "{name}: {}", ended.out);
    };
    let fresh = label();
    assert!(!fresh.out.contains("Changed since"), "{}{}", fresh.out, fresh.err);
    fs::write(at("review.csv"), "volley,action,x_mm,y_mm,to_x_mm,to_y_mm,count,note\n1,checked,,,,,,\n").unwrap();
    is_old("review.csv");
    ran(&dir, &[]);
    fs::remove_file(at("review.csv")).unwrap();
    is_old("review.csv");
    fs::write(at("review.csv"), "").unwrap();
    ran(&dir, &[]);
    fs::create_dir(at("calibration-2")).unwrap();
    fs::write(at("calibration-2/a.jpg"), "a photo").unwrap();
    fs::write(at("wall-2.json"), "{}").unwrap();
    is_old("wall-2.json");
}

#[test]
fn photos_in_the_phones_format_count_among_what_may_change() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    fs::write(dir.join("photos/IMG_1.heic"), "a photo").unwrap();
    assert!(!ran(&dir, &[]).contains("nothing changed"));
    assert!(ran(&dir, &[]).contains("nothing changed"));
}

#[test]
fn a_part_is_looked_at_anew_where_that_is_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let kept = looks(&dir);
    assert!(ran(&dir, &["--volleys", "2"]).contains("0 photos looked at, 3 known already"));
    let said = ran(&dir, &["--volleys", "2", "--anew"]);
    assert!(said.contains("3 photos looked at, 0 known already"), "{said}");
    // What other parts keep is not theirs to throw away.
    assert!(kept.keys().all(|name| looks(&dir).contains_key(name)));
}

#[test]
fn pictures_and_labels_of_what_is_gone_go_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let names = |inside: &str| -> Vec<String> {
        let all = fs::read_dir(dir.join("results").join(inside)).unwrap();
        let mut names: Vec<String> = all.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    };
    ran(&dir, &["--keep-pictures"]);
    let all = names("pictures");
    assert_eq!(all.len(), VOLLEYS);
    fs::write(dir.join("results/pictures/Mine.png"), "mine").unwrap();
    let table = fs::read_to_string(dir.join("volleys.csv")).unwrap();
    let shorter: Vec<&str> = table.lines().take(table.lines().count() - 1).collect();
    fs::write(dir.join("volleys.csv"), shorter.join("\n")).unwrap();
    ran(&dir, &["--keep-pictures"]);
    assert_eq!(names("pictures").len(), VOLLEYS, "one went, mine is there: {:?}", names("pictures"));
    fs::write(dir.join("volleys.csv"), table).unwrap();
    ran(&dir, &[]);
    assert_eq!(names("pictures"), ["Mine.png"]);

    let label = |more: &str| {
        let ended = pockmark(folder.path(), ["label".as_ref(), dir.as_os_str()]);
        assert!([0, 3].contains(&ended.code), "{more}: {}{}", ended.out, ended.err);
        names("labels")
    };
    let first = label("first");
    for name in ["9-old.pdf", "9-old.svg", "9-old.png", "8-mine.png", "Mine.pdf"] {
        fs::write(dir.join("results/labels").join(name), "old").unwrap();
    }
    let mut wanted = [first, vec!["8-mine.png".into(), "Mine.pdf".into()]].concat();
    wanted.sort();
    assert_eq!(label("second"), wanted);
}

#[test]
fn whoever_writes_waits_for_whoever_writes() {
    use pockmark::session::SessionPaths;
    use pockmark::session::lock::{SessionLock, Work};

    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let name = dir.to_str().unwrap();
    let charts = dir.join("charts");
    let plan = ["plan", name, "--setups", "pocket=mid,low", "--ladder", "30, 40 mph", "--volleys", "1", "--force"];
    let more: [&[&str]; 4] = [
        &["label", name],
        &["report", name, "--charts", charts.to_str().unwrap()],
        &["plan", "--geometry", name],
        &[&plan[..], &["--spread", "0.5 deg"]].concat(),
    ];
    for args in more {
        let lock = SessionLock::take(&SessionPaths::new(&dir), Work::Write, "run", &|_| {}).unwrap();
        let began = Instant::now();
        let held = Duration::from_secs(3);
        let ended = std::thread::scope(|s| {
            s.spawn(|| {
                std::thread::sleep(held);
                drop(lock);
            });
            pockmark(folder.path(), args)
        });
        assert!([0, 3].contains(&ended.code), "{args:?}: {}{}", ended.out, ended.err);
        assert!(began.elapsed() >= held, "{args:?} did not wait");
    }
}

/// The cells of one column of a table, by the volleys' names.
fn column(path: &Path, name: &str) -> BTreeMap<String, String> {
    let mut table = csv::Reader::from_path(path).unwrap();
    let head = table.headers().unwrap().clone();
    let at = |n: &str| head.iter().position(|h| h == n).unwrap();
    let (volley, cell) = (at("volley"), at(name));
    table.records().map(|r| r.unwrap()).map(|r| (r[volley].to_string(), r[cell].to_string())).collect()
}

#[test]
fn volleys_whose_photos_were_taken_in_another_order_are_never_ok() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let photos = column(&dir.join("volleys.csv"), "photo");
    let (two, three) = (&photos["2"], &photos["3"]);
    let table = fs::read_to_string(dir.join("volleys.csv")).unwrap();
    let swapped = table.replace(two, "other").replace(three, two).replace("other", three);
    fs::write(dir.join("volleys.csv"), swapped).unwrap();
    let said = ran(&dir, &[]);
    let results = dir.join("results/volleys.csv");
    let (status, flags) = (column(&results, "status"), column(&results, "flags"));
    assert_eq!(status["3"], "failed", "{said}");
    for volley in ["2", "3", "4"] {
        assert!(status[volley] != "ok" && flags[volley].contains("out_of_order"), "{volley}: {said}");
    }
    assert!(!flags["1"].contains("out_of_order"), "{said}");
    assert!(
        !flags["3"].contains("no_before") && said.contains(&format!("{two} (volley 3) was taken before {three}")),
        "{said}"
    );
}

#[test]
fn photos_that_no_row_names_and_that_do_not_fit_ask_for_their_names() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let photos = column(&dir.join("volleys.csv"), "photo");
    let table = fs::read_to_string(dir.join("volleys.csv")).unwrap();
    let unnamed = photos.values().fold(table, |t, p| t.replace(p, ""));
    fs::write(dir.join("volleys.csv"), unnamed).unwrap();
    assert!(!ran(&dir, &[]).contains("a column `photo`"), "all is well");
    // One is missing, and one is there twice, though not byte for byte.
    fs::remove_file(dir.join("photos").join(&photos["2"])).unwrap();
    let mut last = fs::read(dir.join("photos").join(&photos["4"])).unwrap();
    last.push(0);
    fs::write(dir.join("photos/zzz.jpg"), last).unwrap();
    let said = ran(&dir, &[]);
    let status = column(&dir.join("results/volleys.csv"), "status");
    assert!(said.contains("zzz.jpg") && said.contains("name them in a column `photo`"), "{said}");
    assert!(status["4"] == "failed", "{said}");
}

#[test]
fn photos_of_the_sheets_that_were_replaced_or_cannot_be_read_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let dir = copy(folder.path());
    let names: Vec<String> = pockmark::session::pairing::photo_names(&dir.join("calibration")).unwrap();
    let [first, second] = [0, 1].map(|i| names.iter().filter(|n| !n.starts_with("tripod")).nth(i).unwrap());
    let calibration = dir.join("calibration");
    fs::copy(calibration.join(first), calibration.join(second)).unwrap();
    let told = format!("calibration/{second} is another picture by now since wall.json was made");
    let said = ran(&dir, &[]);
    assert!(said.contains(&told) && said.contains("run `pockmark calibrate"), "{said}");
    let again = ran(&dir, &[]);
    assert!(again.contains("nothing changed") && again.contains(&told), "{again}");

    fs::write(calibration.join(second), &fs::read(calibration.join(first)).unwrap()[..2000]).unwrap();
    let calibrated = pockmark(folder.path(), ["calibrate".as_ref(), dir.as_os_str()]);
    calibrated.says(3, &[]);
    assert!(
        calibrated.out.contains(&format!("left out calibration/{second}: it cannot be read (")),
        "{}",
        calibrated.out
    );
    assert!(calibrated.out.contains("or remove it"), "{}", calibrated.out);
    assert!(!ran(&dir, &[]).contains("another picture"), "what is left out is known");
    // None is left but what cannot be read.
    for name in &names {
        fs::write(calibration.join(name), b"cut").unwrap();
    }
    pockmark(folder.path(), ["calibrate".as_ref(), dir.as_os_str()]).says(1, &["copy it again"]);
}
