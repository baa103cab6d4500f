//! Do results, decisions and hand-measured impacts reach the disk whole and come back the same?

use std::collections::BTreeMap;
use std::path::PathBuf;

use pockmark::points::WallPoint;
use pockmark::session::impacts::{check_volleys, parse_impacts};
use pockmark::session::results::{SHOT_COLUMNS, VOLLEY_COLUMNS, safe_cell, shots_csv, unsafe_text, volleys_csv};
use pockmark::session::review::{
    Decision, ReviewRow, SAME_MARK_M, match_marks, parse_review, read_review, write_review,
};
use pockmark::session::{FlagWord, ShotRow, Status, VolleyResult, VolleyTable, write_together, write_whole};
use proptest::prelude::*;

fn rows_of(bytes: &[u8]) -> Vec<BTreeMap<String, String>> {
    csv::Reader::from_reader(bytes).deserialize().map(|r| r.unwrap()).collect()
}

#[test]
fn shots_have_the_columns_and_digits_promised() {
    let row = ShotRow {
        volley: "3".into(),
        mark: 2,
        count: 1,
        photo: "IMG_1.jpg".into(),
        factors: [("pocket".to_string(), "=1+1".to_string()), ("mesh".to_string(), "-5".to_string())].into(),
        speed_mps: Some(13.41121),
        px_x: Some(1_024.125_4),
        y_mm: Some(-0.000_2),
        x_mm: Some(1021.3),
        release_deg: Some(9.123_456_7),
        release_u_deg: Some(f64::NAN),
        flags: vec![FlagWord::Faint, FlagWord::Merged],
        ..ShotRow::default()
    };
    let bytes = shots_csv(&[row], &["pocket".into(), "mesh".into()]).unwrap();
    let text = String::from_utf8(bytes.clone()).unwrap();
    assert_eq!(
        text.lines().next().unwrap(),
        "volley,mark,count,photo,pocket,mesh,speed_mps,px_x,px_y,x_mm,y_mm,x_u_mm,y_u_mm,diameter_mm,significance,release_deg,\
         release_u_own_deg,release_u_deg,sideways_deg,sideways_u_deg,flags"
    );
    let r = &rows_of(&bytes)[0];
    for (column, cell) in [
        ("pocket", "'=1+1"),
        ("mesh", "-5"),
        ("speed_mps", "13.4112"),
        ("px_x", "1024.125"),
        ("px_y", ""),
        ("y_mm", "0.000"),
        ("release_deg", "9.12346"),
        ("release_u_deg", ""),
        ("flags", "merged;faint"),
    ] {
        assert_eq!(r[column], cell, "{column}");
    }
    assert_eq!(r.len(), SHOT_COLUMNS.len() + 2);
    assert_eq!(rows_of(&shots_csv(&[], &[]).unwrap()).len(), 0);
}

#[test]
fn volleys_have_the_columns_promised() {
    let row = VolleyResult {
        volley: "@home".into(),
        photo: "b.jpg".into(),
        before: Some("a.jpg".into()),
        status: Status::Look,
        shots: 5,
        found: 4,
        mean_release_deg: Some(7.5),
        note: "one ball is missing, \"look\"\nat the photo".into(),
        ..VolleyResult::default()
    };
    let bytes = volleys_csv(&[row]).unwrap();
    let text = String::from_utf8(bytes.clone()).unwrap();
    assert_eq!(text.lines().next().unwrap(), VOLLEY_COLUMNS.join(","));
    let r = &rows_of(&bytes)[0];
    assert_eq!(
        (r["status"].as_str(), r["mean_release_deg"].as_str(), r["volley"].as_str()),
        ("look", "7.50000", "'@home")
    );
    assert_eq!(r["note"], "one ball is missing, \"look\" at the photo");
    assert_eq!(r["mean_x_mm"], "");
}

#[test]
fn files_are_replaced_whole_or_not_at_all() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("results").join("shots.csv");
    write_whole(&path, b"one").unwrap();
    write_whole(&path, b"two").unwrap();
    assert_eq!(std::fs::read(&path).unwrap(), b"two");
    // The second file cannot be written, so the first stays as it was.
    let blocked = dir.path().join("results").join("volleys.csv");
    std::fs::create_dir(&blocked).unwrap();
    let files: [(PathBuf, &[u8]); 2] = [(path.clone(), b"three"), (blocked.clone(), b"x")];
    let e = write_together(&files).unwrap_err().to_string();
    assert!(e.contains("is a folder"), "{e}");
    assert_eq!(std::fs::read(&path).unwrap(), b"two");
    std::fs::remove_dir(&blocked).unwrap();
    write_together(&files).unwrap();
    assert_eq!(std::fs::read(&path).unwrap(), b"three");
    let left: Vec<_> = std::fs::read_dir(dir.path().join("results")).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left.len(), 2, "nothing else stays behind: {left:?}");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let plain = dir.path().join("plain");
        std::fs::write(&plain, b"").unwrap();
        let mode = |p: &PathBuf| std::fs::metadata(p).unwrap().permissions().mode();
        assert_eq!(mode(&path), mode(&plain), "readable by whom any new file is");
    }
}

#[test]
fn decisions_come_back_and_find_their_mark() {
    let at = |x_mm: f64, y_mm: f64| WallPoint::new(x_mm * 1e-3, y_mm * 1e-3);
    let row = |volley: &str, place, decision| ReviewRow {
        volley: volley.into(),
        place: Some(place),
        decision,
        note: String::new(),
    };
    let rows = vec![
        row("1", at(100.0, 50.0), Decision::Accept { count: None }),
        row("1", at(100.0, 50.0), Decision::Reject),
        row("1", at(300.25, -50.5), Decision::Move { to: at(301.0, -52.0), count: None }),
        ReviewRow { note: "=hidden by tape".into(), ..row("=2", at(0.0, 0.0), Decision::Add { count: 2 }) },
        ReviewRow { place: None, ..row("3", at(0.0, 0.0), Decision::Checked { count: Some(0) }) },
    ];
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("review.csv");
    assert!(read_review(&path).unwrap().is_empty(), "no file, no decisions");
    write_review(&path, &rows).unwrap();
    assert_eq!(read_review(&path).unwrap(), rows);

    let first: Vec<&ReviewRow> = rows.iter().filter(|r| r.volley == "1").collect();
    let (found, lost) = match_marks(&first, &[at(101.0, 50.0), at(299.0, -50.0), at(200.0, 0.0)]);
    assert_eq!(found, [Some(1), Some(2), None], "the later row holds; nothing is decided far away");
    assert!(lost.is_empty());
    let (found, lost) = match_marks(&first, &[at(100.0 + SAME_MARK_M * 1e3 + 0.1, 50.0), at(301.0, -52.0)]);
    assert_eq!((found, lost), (vec![None, Some(2)], vec![1]), "a moved mark is known by where it went, too");
    let (found, _) = match_marks(&first, &[at(104.0, 50.0), at(99.0, 50.0)]);
    assert_eq!(found, [None, Some(1)], "a decision is about the nearest mark only");
    let added: Vec<&ReviewRow> = rows.iter().filter(|r| r.volley == "=2").collect();
    assert_eq!(match_marks(&added, &[at(0.0, 0.0)]), (vec![None], vec![]), "an added mark decides on no other");

    for (text, part) in [
        ("volley,action,x_mm\n1,accept,5\n", "x_mm and y_mm say where"),
        ("volley,action,x_mm,y_mm\n1,keep,5,5\n", "none of accept, reject, move, add"),
        ("volley,action,x_mm,y_mm\n1,move,5,5\n", "to_x_mm and to_y_mm"),
        ("volley,acton,x_mm,y_mm\n1,move,5,5\n", "did you mean action?"),
        ("volley,action,x_mm,y_mm,count\n1,add,5,5,0\n", "count is 0"),
        ("volley,action,x_mm,y_mm,count\n1,accept,5,5,0\n", "a whole number from 1 to"),
        ("volley,action,count\n1,checked,-1\n", "a whole number from 0 to"),
        ("volley,action,x_mm,y_mm\n,add,5,5\n", "names no volley"),
        ("volley,action,x_mm,y_mm\n1,add,5,5e8\n", "beyond"),
    ] {
        let e = parse_review(text).expect_err(text).to_string();
        assert!(e.contains(part), "{text}: {e}");
    }
}

#[test]
fn impacts_measured_by_hand() {
    let rows = parse_impacts("volley;x_cm;y_in;plus_minus_mm;note\n1;-102,5;10,25;4;chalk\n1;;10;;\n").unwrap();
    assert!((rows[0].x_m.unwrap() + 1.025).abs() < 1e-12 && (rows[0].y_m - 10.25 * 0.0254).abs() < 1e-12);
    assert!((rows[0].u_m.unwrap() - 0.002).abs() < 1e-15 && rows[0].note == "chalk");
    assert_eq!((rows[1].x_m, rows[1].u_m), (None, None));
    assert_eq!(parse_impacts("volley,y_mm\n1,250\n").unwrap()[0].x_m, None, "heights alone will do");
    for (text, part) in [
        ("volley,x_mm\n1,5\n", "no column of heights"),
        ("volley,y\n1,5\n", "has no unit"),
        ("volley,y_yd\n1,5\n", "no column y_yd here"),
        ("volley,y_mm,y_cm\n1,5,5\n", "two columns"),
        ("volley,y_mm\n1,\n", "height is blank"),
        ("volley,y_mm\n,5\n", "names no volley"),
        ("volley,y_mm,depth\n1,5,5\n", "no column depth here"),
        ("volley,y_mm\n1,5000000\n", "further than 100 m"),
        ("volley,y_mm,plus_minus_mm\n1,5,-1\n", "negative"),
        ("volley,y_mm\n", "no impacts"),
    ] {
        let e = parse_impacts(text).expect_err(text).to_string();
        assert!(e.contains(part), "{text}: {e}");
    }
    let table = VolleyTable::parse("volley,shots,speed_mph,setpoint_mph\nwall,0,,\nv10,5,30,\nv20,5,,30\n").unwrap();
    let check = |v: &str| check_volleys(&parse_impacts(&format!("volley,y_mm\n{v},5\n")).unwrap(), &table);
    assert!(check("v10").is_ok());
    assert!(check("v11").unwrap_err().to_string().contains("is v10 meant?"));
    assert!(check("wall").unwrap_err().to_string().contains("shots = 0"));
    assert!(
        check("v20").unwrap_err().to_string().contains("volley v20 has no speed reading yet in volleys.csv (line 4)")
    );
}

proptest! {
    #[test]
    fn no_cell_is_a_formula_and_every_text_comes_back(text in "[=+@'\\-]{0,2}[=;\" +']{0,3}\\PC{0,8}") {
        let cell = safe_cell(&text);
        // Wherever a spreadsheet parts cells, quotes in front or not.
        for (i, part) in cell.split(';').enumerate() {
            let part = if i > 0 { part.trim_start_matches(|c: char| c == '"' || c.is_whitespace()) } else { part.trim_start() };
            let formula = part.starts_with(['=', '+', '-', '@']);
            prop_assert!(!formula || part.trim().parse::<f64>().is_ok(), "{}", cell);
        }
        prop_assert_eq!(unsafe_text(&cell), text);
    }

    #[test]
    fn any_review_or_impacts_text_is_read_or_refused(text in "(volley|action|x_mm|y_mm|accept|move|[,;\"\n]|[0-9.-]{1,3}|\\PC){0,50}") {
        let _ = parse_review(&text);
        let _ = parse_impacts(&text);
    }
}
