//! Does every parser end every text, however hostile, in a value that holds or in one sentence: no panic, no hang?
//!
//! Good texts are damaged by a seeded generator and read. A usual run takes a few seconds; before a release run
//! `POCKMARK_CASES=100000 cargo test --release --test all fuzz::`. A failure names its case; the same seed gives it again.

use crate::common;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use crate::common::mutate::{cases, damage, damage_text, seeded};
use pockmark::camera::{Wall, WallView};
use pockmark::flight::{Impact, Solver};
use pockmark::pipeline::inputs::flight_inputs;
use pockmark::points::{PixelPoint, WallPoint};
use pockmark::quantity::{Dimension, Quantity, parse_number};
use pockmark::report::label::labels;
use pockmark::report::shelf::{entries, shelf_csv};
use pockmark::report::{Summary, page};
use pockmark::session::impacts::parse_impacts;
use pockmark::session::new::{SESSION_TOML, VOLLEYS_CSV};
use pockmark::session::results::{safe_cell, unsafe_text};
use pockmark::session::review::{parse_review, read_review, write_review};
use pockmark::session::{SessionSpec, VolleyTable};
use rand::RngExt;

/// Longest that one text may keep a parser busy, with what follows from it.
const LONGEST: Duration = Duration::from_secs(10);
/// Longest sentence, characters: a screenful.
const LONGEST_SENTENCE: usize = 1500;

/// Words that parsers stumble over.
const WORDS: &[&str] = &[
    "",
    "NaN",
    "nan m",
    "inf",
    "-inf",
    "Infinity",
    "1e308",
    "-1e308",
    "1e-308",
    "1e999",
    "99999999999999999999999",
    "-1",
    "0",
    "-0",
    "0.1e-5 m",
    "1e9 m ± 1e9 m",
    "6 m ± 1e300 m",
    "=cmd|' /C calc'!A0",
    "@SUM(A1:A9)",
    "+1+1",
    "-2+3",
    "=HYPERLINK(\"http://x\")",
    "../../secret.jpg",
    "/etc/passwd",
    "C:\\x.jpg",
    "\\\\server\\x.jpg",
    "CON",
    "a\u{0}b",
    "\u{202e}gpj.exe",
    "é",
    "名前",
    "🥍",
    "null",
    "true",
    "[]",
    "{}",
    "[[",
    "]]",
    "\"",
    "\"\"\"",
    "'''",
    ",,,,,,",
    ";",
    "\t",
    "#",
    "=",
    "1_000",
    "0x10",
    "1,5",
    "6,000 m",
    "6 m 5 mm",
    "± 5 mm",
    "6 m ±",
    "20 ft 3 1/0 in",
    "1/0 in",
    "5 furlong",
    "[wall]",
    "[[wall.tape]]",
    "[wall.tape]",
    "a.b.c = 1",
    "[1, 1]",
    "[1, 97]",
    "[-1, 99999999999]",
    "{ pocket = \"mid\" }",
    "1979-05-27T07:32:00Z",
    "volley",
    "move",
    "add",
    "checked",
];

/// Numbers and words that are JSON.
const JSON_WORDS: &[&str] = &[
    " 0",
    " -1",
    " 1",
    " 2",
    " 0.5",
    " 1e308",
    " -1e308",
    " 1e-308",
    " 1e18",
    " 4294967295",
    " 4294967296",
    " 18446744073709551615",
    " null",
    " true",
    " \"\"",
    " []",
    " {}",
    " \"sheet 1 x\"",
    " \"k1\"",
    " 180",
    " 1e6",
    " -0.0",
];

/// Runs one target over `count` damaged versions of a text; how many were still read.
fn fuzz(name: &str, text: &str, words: &[&str], count: u64, read: &dyn Fn(&str) -> Result<(), String>) -> u64 {
    let deep =
        ["[".repeat(20_000), "{\"a\":".repeat(20_000), "a = ".to_string() + &"[".repeat(20_000), "x,".repeat(200_000)];
    let long =
        [text.repeat(50), "\n".repeat(100_000), "9".repeat(100_000), format!("{text}\n{}", "1,2\n".repeat(50_000))];
    let whole = deep.into_iter().chain(long);
    let damaged = (0..count).map(|case| {
        let mut rng = seeded(11, case);
        if rng.random_bool(0.7) {
            damage_text(&mut rng, text, words)
        } else {
            String::from_utf8_lossy(&damage(&mut rng, text.as_bytes(), SESSION_TOML.as_bytes())).into_owned()
        }
    });
    let mut good = 0;
    for (case, text) in whole.chain(damaged).enumerate() {
        let began = Instant::now();
        let said = catch_unwind(AssertUnwindSafe(|| read(&text)));
        let took = began.elapsed();
        let shown: String = text.chars().take(3000).collect();
        let said = said.unwrap_or_else(|_| panic!("{name}, case {case}: panicked on\n{shown}"));
        assert!(took < LONGEST, "{name}, case {case}: {took:?}\n{shown}");
        match said {
            Ok(()) => good += 1,
            Err(e) => {
                assert!(!e.is_empty() && e.chars().count() < LONGEST_SENTENCE, "{name}, case {case}: {e}");
                let steers = |c: char| c.is_control() && c != '\n' && c != '\t';
                assert!(!e.contains(steers), "{name}, case {case}: a control character reaches the terminal: {e:?}");
            }
        }
    }
    println!("{name}: {good} of {count} damaged texts were read all the same");
    assert!(good < count, "{name}: nothing was damaged");
    good
}

fn text(e: pockmark::Error) -> String {
    e.to_string()
}

/// Settings that can be read must also be settings that a flight can be solved with, or refused by a sentence.
fn settings(t: &str) -> Result<(), String> {
    let spec = SessionSpec::parse(t).map_err(text)?;
    let solver = Solver::new(&flight_inputs(&spec).map_err(text)?).map_err(text)?;
    let impact = Impact { point: WallPoint::new(0.1, 0.4), speed_mps: 25.0, speed_own_u_mps: 0.1, ..Impact::default() };
    let release = solver.solve(&impact).map_err(text)?;
    assert!(release.release.value.is_finite() && release.release.u().is_finite(), "an answer that is none");
    Ok(())
}

#[test]
fn session_toml() {
    fuzz("session.toml", SESSION_TOML, WORDS, cases(1500), &settings);
}

#[test]
fn volleys_csv() {
    let read = |t: &str| VolleyTable::parse(t).map(drop).map_err(text);
    fuzz("volleys.csv", VOLLEYS_CSV, WORDS, cases(1500), &read);
    let other = "sep=;\r\nvolley;photo;shots;speed_mph;speed_spread_mph;setpoint_mph;Netz;note\r\nw;a.jpg;0;;;;hart;\r\n1;b.jpg;5;35,2;0,3;35;hart;\"a; b\"\r\n";
    fuzz("volleys.csv with semicolons", other, WORDS, cases(1500), &read);
}

#[test]
fn impacts_csv() {
    let good =
        "volley,x_mm,y_mm,plus_minus_mm,note\n1,102.5,1210,5,\n1,88,1190,5,low\n2,-40.25,900,5,\"two, nearly\"\n";
    let read = |t: &str| {
        parse_impacts(t).map_err(text).map(|rows| {
            assert!(rows.iter().all(|r| r.y_m.is_finite() && r.x_m.is_none_or(f64::is_finite)));
        })
    };
    fuzz("impacts.csv", good, WORDS, cases(1500), &read);
}

#[test]
fn review_csv() {
    let good = "volley,action,x_mm,y_mm,to_x_mm,to_y_mm,count,note\n1,accept,100.000,900.000,,,2,merged\n1,reject,50,900,,,,\n2,move,10,20,12,22,,\n2,add,1,2,,,1,\n3,checked,,,,,4,\n";
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("review.csv");
    let read = |t: &str| {
        let rows = parse_review(t).map_err(text)?;
        // A decision that was read is written and read again as it was.
        write_review(&path, &rows).map_err(text)?;
        let again = read_review(&path).map_err(text)?;
        assert_eq!(again.len(), rows.len());
        for (a, b) in again.iter().zip(&rows) {
            assert_eq!((&a.volley, a.decision.word()), (&b.volley, b.decision.word()));
        }
        Ok(())
    };
    fuzz("review.csv", good, WORDS, cases(300), &read);
}

#[test]
fn wall_json() {
    let good = include_str!("../data/wall.json");
    let read = |t: &str| {
        let wall = Wall::from_json(t).map_err(text)?;
        assert!(wall.whitened().iter().all(|v| v.is_finite()));
        let set = wall.geometry();
        for s in &wall.sheets {
            assert!(set.of(s.number).square_mm.is_finite() && wall.scale_of(s)[0].is_finite());
            wall.scale_rows(s);
        }
        if let Some(pose) = wall.tripod_pose {
            let view = WallView { lens: wall.camera, pose };
            for k in 0..16 {
                let p = PixelPoint::new(f64::from(k * wall.camera.width / 15), f64::from(wall.camera.height / 2));
                view.wall_from_pixel(p);
                view.pixel_from_wall(WallPoint::new(f64::from(k) - 8.0, 1.0));
            }
        }
        Ok(())
    };
    assert_eq!(read(good), Ok(()));
    fuzz("wall.json", good, JSON_WORDS, cases(600), &read);
}

/// One number of the tripod photo's pose that is none: the search for the nearest rotation once did not end.
#[test]
fn a_pose_that_is_none_is_refused_at_once() {
    let good = include_str!("../data/wall.json");
    let wall: serde_json::Value = serde_json::from_str(good).unwrap();
    for wrong in [1e18, -1e308, 1e-3, 2.0] {
        let mut wall = wall.clone();
        wall["tripod_pose"][2][0] = wrong.into();
        let began = Instant::now();
        assert!(Wall::from_json(&wall.to_string()).is_err(), "{wrong}");
        assert!(began.elapsed() < LONGEST);
    }
}

#[test]
fn summary_json() {
    let good = common::report::calibrated().to_json().unwrap();
    let read = |t: &str| {
        let summary = Summary::from_json(t).map_err(text)?;
        let html = page(&summary, &[]).map_err(text)?;
        assert!(html.ends_with("</html>\n") || html.contains("</html>"));
        labels(&summary);
        shelf_csv(&entries(&summary, "a", "", (false, false))).map_err(text)?;
        Ok(())
    };
    assert_eq!(read(&good), Ok(()));
    fuzz("summary.json", &good, JSON_WORDS, cases(300), &read);
}

#[test]
fn quantities() {
    let pieces = [
        "6", ".5", "1/4", "20 ft", "3 in", "m", "mm", "deg", "°", "'", "\"", " ", "±", "+/-", "%", "-", "−", "1e5",
        "degC", "kg", "½", "\u{0}", "é",
    ];
    for case in 0..cases(20_000) {
        let mut rng = seeded(13, case);
        let text: String = (0..rng.random_range(1..9)).map(|_| pieces[rng.random_range(0..pieces.len())]).collect();
        for dimension in Dimension::ALL {
            match Quantity::parse(&text, dimension) {
                Ok(q) => assert!(q.value.is_finite() && q.u.is_finite() && q.u >= 0.0, "{text}: {q:?}"),
                Err(e) => assert!(e.to_string().chars().count() < LONGEST_SENTENCE, "{text}: {e}"),
            }
        }
        drop(parse_number(&text));
    }
}

/// A cell that we write is no formula for a spreadsheet, comes back as it was, and a number stays a number.
#[test]
fn cells_are_harmless_and_come_back() {
    for case in 0..cases(20_000) {
        let mut rng = seeded(17, case);
        let text: String = (0..rng.random_range(0..4)).map(|_| WORDS[rng.random_range(0..WORDS.len())]).collect();
        let cell = safe_cell(&text);
        let first = cell.trim_start().chars().next();
        let number = cell.trim().parse::<f64>().is_ok();
        assert!(number || !matches!(first, Some('=' | '+' | '-' | '@')), "{text:?} became {cell:?}");
        let plain: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        assert_eq!(unsafe_text(&cell), plain);
        if let Ok(v) = text.parse::<f64>()
            && v.is_finite()
        {
            assert_eq!(cell, text, "a number was changed");
        }
    }
}
