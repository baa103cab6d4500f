//! Does the program end with the right exit code, and say what is wrong and what to do, before any photo is looked at?

use std::fs;
use std::path::{Path, PathBuf};

use crate::common::pockmark;

const COMMANDS: &[&str] = &["new", "sheets", "inspect", "calibrate", "run", "demo"];

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

/// Writes a text in place of another into a file that holds it.
fn replace(path: &Path, was: &str, is: &str) {
    let text = std::fs::read_to_string(path).unwrap();
    assert!(text.contains(was), "{} does not hold {was}", path.display());
    std::fs::write(path, text.replace(was, is)).unwrap();
}

/// A new session called `garage` in a folder.
fn garage(folder: &Path) -> PathBuf {
    let made = pockmark(folder, ["new", "garage"]);
    assert_eq!(made.code, 0, "{}", made.err);
    folder.join("garage")
}

fn gray_photo(path: &Path) {
    image::GrayImage::from_pixel(320, 240, image::Luma([120])).save(path).unwrap();
}

#[test]
fn help_and_version_are_answers_not_errors() {
    let dir = folder();
    for command in COMMANDS {
        let help = pockmark(dir.path(), [command, "--help"]);
        assert_eq!(help.code, 0);
        assert!(help.out.contains(&format!("pockmark {command}")), "{command} shows no worked example: {}", help.out);
    }
    let help = pockmark(dir.path(), ["--help"]);
    assert!(help.code == 0 && help.out.contains("3 done but something needs a look"), "{}", help.out);
    let version = pockmark(dir.path(), ["--version"]);
    assert_eq!((version.code, version.out.trim()), (0, concat!("pockmark ", env!("CARGO_PKG_VERSION"))));
}

#[test]
fn wrong_usage_ends_with_two_and_says_what_is_right() {
    let dir = folder();
    let cases: &[(&[&str], &[&str])] = &[
        (&[], &["Usage"]),
        (&["calibrat", "x"], &["calibrate"]),
        (&["run"], &["<SESSION>", "--help"]),
        (&["inspect"], &["<PHOTOS>"]),
        (&["inspect", "--square", "0", "x.jpg"], &["--square 0", "above 0"]),
        (&["sheets", "--square", "100"], &["100 mm", "60.3 mm", "poster"]),
        (&["sheets", "--paper", "a9"], &["a9", "a4, letter"]),
        (&["sheets", "--count", "0"], &["0 sheets", "at least 1"]),
        (&["sheets", "--first", "98"], &["98", "1 to 97"]),
        (&["sheets", "--first", "0"], &["number 0", "numbered from 1"]),
        (&["sheets", "-o", "x.png"], &["-o x.png", "ends in .pdf"]),
        (&["sheets", "-o", "-"], &["-o -", "ends in .pdf"]),
        (&["demo", "--seed", "-1"], &["-1"]),
        (&["sheets", "--square", "-3"], &["squares of -3 mm", "20 to"]),
        (&["sheets", "--square", "NaN"], &["squares of NaN mm"]),
        (&["sheets", "--count", "-3"], &["-3", "whole number"]),
        (&["inspect", "--square", "-3", "x.jpg"], &["--square -3", "above 0"]),
        (&["sheets", "-o", "nowhere/sheets.pdf"], &["no folder nowhere", "make it first"]),
        (&["sheets", "--square", "60mm"], &["60mm", "plain number, such as 60"]),
        (&["plan", "garage", "--shots", "-3"], &["-3", "--shots", "whole number"]),
        (&["plan", "garage", "--seed", "-1"], &["-1", "--seed", "whole number"]),
        (&["label", "garage", "--skip", "some"], &["some", "--skip", "whole number"]),
    ];
    for (args, parts) in cases {
        pockmark(dir.path(), *args).says(2, parts);
    }
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0, "wrong usage leaves nothing behind");
}

#[test]
fn shells_complete_and_the_manual_has_a_page_for_every_command() {
    let dir = folder();
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let made = pockmark(dir.path(), ["completions", shell]);
        assert_eq!(made.code, 0, "{}", made.err);
        assert!(COMMANDS.iter().all(|c| made.out.contains(c)), "{shell}");
    }
    pockmark(dir.path(), ["completions", "cmd"]).says(2, &["cmd", "bash", "powershell"]);
    let page = pockmark(dir.path(), ["man"]);
    assert!(page.code == 0 && page.out.contains(".SH EXAMPLE\n.nf\nA day at the bench:\n"), "{}", page.out);
    let written = pockmark(dir.path(), ["man", "--to", "man1"]);
    assert_eq!(written.code, 0, "{}", written.err);
    for command in COMMANDS {
        let page = fs::read_to_string(dir.path().join(format!("man1/pockmark-{command}.1"))).unwrap();
        assert!(page.contains(&format!(".TH pockmark-{command} 1")) && page.contains(".SH EXAMPLE"), "{page}");
    }
}

#[test]
fn nothing_is_written_among_the_photographs_and_a_file_in_the_way_is_named() {
    let dir = folder();
    let session = garage(dir.path());
    for at in ["garage/photos/sheets.pdf", "garage/calibration/sheets.pdf", "garage/../garage/photos/sheets.pdf"] {
        pockmark(dir.path(), ["sheets", "-o", at]).says(2, &["among the photographs", "another folder"]);
    }
    fs::create_dir_all(session.join("calibration-2/more")).unwrap();
    pockmark(&session, ["sheets", "-o", "calibration-2/more/a.pdf"]).says(2, &["among the photographs"]);
    pockmark(&session.join("photos"), ["sheets"]).says(2, &["among the photographs"]);
    for at in ["garage/sheets.pdf", "photos.pdf"] {
        assert_eq!(pockmark(dir.path(), ["sheets", "-o", at]).code, 0, "{at}");
    }
    // A folder of that name that is no session's.
    fs::create_dir(dir.path().join("photos")).unwrap();
    assert_eq!(pockmark(dir.path(), ["sheets", "-o", "photos/a.pdf"]).code, 0);

    pockmark(dir.path(), ["new", "photos.pdf"]).says(1, &["photos.pdf", "a file is where a folder is wanted"]);
    pockmark(dir.path(), ["new", "photos.pdf/x"]).says(1, &["photos.pdf/x", "a file is where a folder is wanted"]);
    pockmark(dir.path(), ["new", &"x".repeat(300)]).says(1, &["shorter"]);
    pockmark(dir.path(), ["inspect", "garage/photos"]).says(1, &["a folder", "garage/photos/*.jpg"]);
}

#[test]
fn demo_leaves_a_folder_that_holds_something_alone() {
    let dir = folder();
    fs::write(dir.path().join("mine.txt"), "mine").unwrap();
    let here = dir.path().to_str().unwrap();
    pockmark(dir.path(), ["demo", here]).says(2, &[here, "not empty", "another folder"]);
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn sheets_draws_what_lies_ready_in_calibration() {
    let dir = folder();
    let ready = Path::new(env!("CARGO_MANIFEST_DIR")).join("calibration");
    for paper in ["a4", "letter"] {
        let file = format!("{paper}.pdf");
        let drawn = pockmark(dir.path(), ["sheets", "--paper", paper, "-o", &file]);
        assert_eq!(drawn.code, 0, "{}", drawn.err);
        for part in ["sheets 1 to 8", "100 %", "150.0 mm", "200.0 mm"] {
            assert!(drawn.out.contains(part), "{}", drawn.out);
        }
        let ready = fs::read(ready.join(format!("sheets-{paper}.pdf"))).unwrap();
        assert!(fs::read(dir.path().join(file)).unwrap() == ready, "{paper}: the drawing differs from calibration/");
    }
    // A larger board has larger bars.
    let large = pockmark(dir.path(), ["sheets", "--paper", "poster", "--square", "90", "-o", "large.pdf"]);
    assert!(large.code == 0 && large.out.contains("225.0 mm") && large.out.contains("300.0 mm"), "{}", large.out);
}

#[test]
fn new_makes_a_session_once_and_never_writes_over_it() {
    let dir = folder();
    let garage = garage(dir.path());
    for name in ["session.toml", "volleys.csv", "calibration", "photos"] {
        assert!(garage.join(name).exists(), "{name}");
    }
    let mine = b"title = \"mine\"\n";
    fs::write(garage.join("session.toml"), mine).unwrap();
    pockmark(dir.path(), ["new", "garage"]).says(1, &["session.toml", "there already", "new folder"]);
    assert_eq!(fs::read(garage.join("session.toml")).unwrap(), mine);
}

#[test]
fn a_session_without_photos_says_which_photo_to_take() {
    let dir = folder();
    let garage = garage(dir.path());
    for command in ["run", "calibrate"] {
        pockmark(dir.path(), [command, "garage"]).says(1, &["calibration"]);
    }
    replace(&garage.join("session.toml"), "tripod_photo = ", "# tripod_photo = ");
    pockmark(dir.path(), ["run", "garage"])
        .says(1, &["calibration", "no photos", "from six places", "from the tripod"]);
    fs::write(garage.join("calibration").join("IMG_1.HEIC"), "x").unwrap();
    pockmark(dir.path(), ["run", "garage"]).says(1, &["IMG_1.HEIC", "HEIC", "JPEG"]);
    assert!(!garage.join("results").exists() && !garage.join("wall.json").exists(), "a failed run leaves no results");
}

#[test]
fn a_folder_that_is_no_session_says_how_to_make_one() {
    let dir = folder();
    for command in ["run", "calibrate"] {
        pockmark(dir.path(), [command, "nowhere"]).says(1, &["no folder nowhere", "session.toml", "pockmark new"]);
        pockmark(dir.path(), [command, "."]).says(1, &[". is no session", "session.toml", "pockmark new"]);
        fs::write(dir.path().join("notes.txt"), "x").unwrap();
        pockmark(dir.path(), [command, "notes.txt"]).says(1, &["notes.txt is a file", "session.toml"]);
    }
    garage(dir.path());
    pockmark(dir.path(), ["run", "."]).says(1, &[". is no session", "garage meant?"]);
}

#[test]
fn a_slip_in_session_toml_is_named_with_its_line_and_its_mending() {
    let pivot = "pivot_out = \"6.000 m ± 5 mm\"";
    let cases: &[(&str, &str, &[&str])] = &[
        (pivot, "pivot_out = \"6.000 furlong\"", &["pivot_out", "furlong", "write m, cm, mm, ft, in or yd"]),
        (pivot, "pivot_out = \"6.000\"", &["pivot_out", "no unit", "m, cm, mm, ft, in or yd"]),
        (pivot, "pivto_out = \"6.000 m\"", &["pivto_out", "did you mean pivot_out?"]),
        (pivot, "pivot_out = \"147 g\"", &["pivot_out", "147 g"]),
        (pivot, "", &["pivot_out"]),
    ];
    for (was, is, parts) in cases {
        let dir = folder();
        let session = garage(dir.path()).join("session.toml");
        let line = fs::read_to_string(&session).unwrap().lines().position(|l| l.starts_with("pivot_out")).unwrap() + 1;
        replace(&session, was, is);
        let ended = pockmark(dir.path(), ["run", "garage"]);
        ended.says(1, parts);
        ended.says(1, &["garage", "session.toml"]);
        if !is.is_empty() {
            ended.says(1, &[&format!("line {line}:")]);
        }
    }
}

#[test]
fn a_slip_in_volleys_csv_is_named_with_its_row_and_its_mending() {
    let cases: &[(&str, &[&str])] = &[
        ("volley,shots,speed_mph\nwall,0,\n1,5,\n", &["line 3 (volley 1)", "5 shots", "speed is blank", "speed_mph"]),
        ("volley,shots\nwall,0\n1,5\n", &["line 3 (volley 1)", "speed has no column", "speed_mph"]),
        ("volley,shots,speed\nwall,0,\n1,5,30\n", &["column speed", "unit", "speed_mph"]),
        ("volley,shots,speed_mph\nwall,0,\nWall,5,30\n", &["lines 2 and 3", "name"]),
        ("volley,shots,speed_mph\nwall,0,\n1,2.5,30\n", &["line 3", "2.5", "whole number"]),
        ("volley,shots,speed_mph\nwall,0,\n", &["no row has shots"]),
        ("", &["empty", "first line"]),
    ];
    for (text, parts) in cases {
        let dir = folder();
        let garage = garage(dir.path());
        fs::write(garage.join("volleys.csv"), text).unwrap();
        let ended = pockmark(dir.path(), ["run", "garage"]);
        ended.says(1, parts);
        ended.says(1, &["volleys.csv"]);
    }
}

#[test]
fn calibration_photos_without_sheets_say_what_a_good_one_is() {
    let dir = folder();
    let garage = garage(dir.path());
    for name in ["a.png", "b.png", "tripod.png"] {
        gray_photo(&garage.join("calibration").join(name));
    }
    replace(&garage.join("session.toml"), "tripod.jpg", "tripod.png");
    let words = ["no sheet", "3 calibration photos", "sharp", "pockmark inspect"];
    pockmark(dir.path(), ["calibrate", "garage"]).says(1, &words);
    assert!(!garage.join("wall.json").exists());
}

#[test]
fn inspect_answers_for_each_photo_and_fails_when_one_is_none() {
    let dir = folder();
    gray_photo(&dir.path().join("wall.png"));
    fs::write(dir.path().join("notes.jpg"), "not a photo").unwrap();
    let good = pockmark(dir.path(), ["inspect", "wall.png"]);
    assert_eq!(good.code, 0);
    assert!(good.out.contains("320 x 240 px") && good.out.contains("no sheet"), "{}", good.out);

    let both = pockmark(dir.path(), ["inspect", "notes.jpg", "wall.png"]);
    both.says(1, &["notes.jpg", "not a readable photo", "JPEG, PNG, TIFF or WebP"]);
    assert!(both.out.contains("320 x 240 px"), "the other photo is answered all the same: {}", both.out);
    pockmark(dir.path(), ["inspect", "missing.jpg"]).says(1, &["missing.jpg", "check the path"]);

    let json = pockmark(dir.path(), ["inspect", "--json", "notes.jpg", "wall.png"]);
    let json: serde_json::Value = serde_json::from_str(&json.out).unwrap();
    assert!(json[0]["error"].as_str().unwrap().contains("notes.jpg"));
    assert_eq!((&json[1]["width_px"], json[1]["sheets"].as_array().unwrap().len()), (&serde_json::json!(320), 0));
}
