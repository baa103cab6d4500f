//! Does a calibration that was repeated in the middle of a session hold from there on, in the same frame?

use std::fs;

use pockmark::pipeline::{calibrate_again, calibrate_session, later_numbers, run_session, write_wall};
use pockmark::points::WallPoint;
use pockmark::render::recipe::Recipe;
use pockmark::render::{RenderPose, Scenario};
use pockmark::report::page;
use pockmark::session::Session;

fn no_progress(_: &str) {}

#[test]
fn a_later_calibration_holds_from_its_volley_on_in_the_same_frame() {
    let mut recipe = Recipe::demo();
    recipe.events.clear();
    recipe.volleys.truncate(2);
    let scenario = Scenario::draw(recipe, 5).with_photo_scale(0.6);
    let m = scenario.machine;
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("day");
    // Where balls fall does not matter here, but for that they fall on the wall and apart.
    let strike =
        |arm: f64, side: f64, _: f64| WallPoint::new(m.pivot_right_m + side, 0.9 - 2.0 * (arm - m.zero_rad - 0.25));
    scenario.write(&dir, &strike).unwrap();
    fs::create_dir(dir.join("calibration-2")).unwrap();
    for entry in fs::read_dir(dir.join("calibration")).unwrap() {
        let path = entry.unwrap().path();
        fs::copy(&path, dir.join("calibration-2").join(path.file_name().unwrap())).unwrap();
    }
    let settings = fs::read_to_string(dir.join("session.toml")).unwrap();
    let first_only = Session::open(&dir).unwrap();
    let (wall, _) = calibrate_session(&first_only, &no_progress).unwrap();
    write_wall(&first_only, 1, &wall).unwrap();

    // Without wall-2.json a run says what to do.
    let missing = run_session(&first_only, &wall, &no_progress).err().unwrap().to_string();
    assert!(missing.contains("wall-2.json") && missing.contains("pockmark calibrate"), "{missing}");

    fs::write(dir.join("session.toml"), format!("{settings}\n[[camera.again]]\nnumber = 2\nfrom = \"2\"\n")).unwrap();
    let session = Session::open(&dir).unwrap();
    assert_eq!(later_numbers(&session), [2]);
    let (second, c) = calibrate_again(&session, 2, &wall, &no_progress).unwrap();
    assert!(c.warnings.is_empty() && second.tripod_photo.as_deref() == Some("calibration-2/tripod.jpg"));
    // The same photos in the same frame: the same places.
    for (a, b) in wall.sheets.iter().zip(&second.sheets) {
        assert!((a.x_mm - b.x_mm).hypot(a.y_mm - b.y_mm) < 0.01, "{a:?} {b:?}");
    }
    write_wall(&session, 2, &second).unwrap();
    let twice = run_session(&session, &wall, &no_progress).unwrap();
    let later = &twice.summary.later_calibrations;
    assert!(later.len() == 1 && later[0].volleys == ["2"], "{later:?}");
    assert!(twice.summary.notes.iter().any(|n| n.starts_with("calibration-2 holds from")), "{:?}", twice.summary.notes);
    fs::remove_dir_all(dir.join("calibration-2")).unwrap();
    let once = run_session(&session, &wall, &no_progress).unwrap();
    assert!(!once.shots.is_empty() && once.shots.len() == twice.shots.len());
    for (a, b) in once.shots.iter().zip(&twice.shots) {
        let (x, y) = (a.x_mm.unwrap() - b.x_mm.unwrap(), a.y_mm.unwrap() - b.y_mm.unwrap());
        assert!(x.hypot(y) < 0.05, "{} mm apart", x.hypot(y));
        assert!((a.release_u_deg.unwrap() / b.release_u_deg.unwrap() - 1.0).abs() < 0.02);
    }
}

/// Writes another time into a JPEG's Exif; all times have one length.
fn retime(path: &std::path::Path, taken: &str) {
    let mut bytes = fs::read(path).unwrap();
    let was = taken_of(&bytes);
    let places: Vec<usize> = (0..bytes.len() - was.len()).filter(|&i| bytes[i..].starts_with(was.as_bytes())).collect();
    assert!(!places.is_empty() && was.len() == taken.len());
    for i in places {
        bytes[i..i + taken.len()].copy_from_slice(taken.as_bytes());
    }
    fs::write(path, bytes).unwrap();
}

/// The first text in a file that is an Exif time: "2031:05:09 14:02:33".
fn taken_of(bytes: &[u8]) -> String {
    let is = |w: &[u8]| {
        w.iter().zip("0000:00:00 00:00:00".bytes()).all(|(b, p)| if p == b'0' { b.is_ascii_digit() } else { *b == p })
    };
    let found = bytes.windows(19).find(|w| is(w)).unwrap();
    String::from_utf8(found.to_vec()).unwrap()
}

#[test]
fn a_camera_set_up_elsewhere_in_the_middle_of_the_day_measures_on_as_before() {
    let mut recipe = Recipe::demo();
    recipe.events.clear();
    recipe.volleys.truncate(3);
    let mut elsewhere = recipe.clone();
    // Half a metre to the left, nearer, with another zoom.
    elsewhere.tripod.pose = RenderPose::looking_at([1.28, 1.20, 2.20], WallPoint::new(0.97, 0.90), 0.03);
    (elsewhere.tripod.fx_px, elsewhere.tripod.fy_px) = (0.93 * elsewhere.tripod.fx_px, 0.93 * elsewhere.tripod.fy_px);
    let [day, other] = [recipe, elsewhere].map(|r| Scenario::draw(r, 5).with_photo_scale(0.6));
    let m = day.machine;
    assert_eq!(m, other.machine);
    // Far apart, so that every mark stands for itself.
    let strike = |arm: f64, side: f64, _: f64| {
        WallPoint::new(m.pivot_right_m + 6.0 * side, 1.1 - 6.0 * (arm - m.zero_rad - 0.25))
    };
    let folder = tempfile::tempdir().unwrap();
    let (dir, b) = (folder.path().join("day"), folder.path().join("other"));
    day.write(&dir, &strike).unwrap();
    other.write(&b, &strike).unwrap();
    let mut photos: Vec<_> = fs::read_dir(dir.join("photos")).unwrap().map(|e| e.unwrap().file_name()).collect();
    photos.sort();
    let [_, first, second, third] = photos.as_slice() else { panic!("{photos:?}") };
    // From the second volley on the photos are the other camera's; its sheets were photographed after the first.
    for p in [second, third] {
        fs::copy(b.join("photos").join(p), dir.join("photos").join(p)).unwrap();
    }
    fs::rename(b.join("calibration"), dir.join("calibration-2")).unwrap();
    let time_of_first = taken_of(&fs::read(dir.join("photos").join(first)).unwrap());
    let between = format!("{}59", &time_of_first[..17]);
    for entry in fs::read_dir(dir.join("calibration-2")).unwrap() {
        retime(&entry.unwrap().path(), &between);
    }
    let session = Session::open(&dir).unwrap();
    let (wall, _) = calibrate_session(&session, &no_progress).unwrap();
    write_wall(&session, 1, &wall).unwrap();
    let (later, _) = calibrate_again(&session, 2, &wall, &no_progress).unwrap();
    write_wall(&session, 2, &later).unwrap();
    let outcome = run_session(&session, &wall, &no_progress).unwrap();

    let [again] = outcome.summary.later_calibrations.as_slice() else { panic!("{:?}", outcome.summary.notes) };
    assert_eq!((again.number, again.volleys.as_slice()), (2, &["2".to_string(), "3".into()][..]));
    assert_eq!(again.photo.as_deref(), second.to_str());
    assert!((again.calibration.camera.fx / wall.camera.fx - 0.93).abs() < 0.005);
    assert!(outcome.summary.files.iter().any(|f| f.path == "wall-2.json"));
    let page = page(&outcome.summary, &outcome.pictures).unwrap();
    assert!(page.contains("this one holds for volley 1."), "which volleys the first one holds for");
    let words = format!("Holds from {} on: volleys 2 to 3.", second.to_str().unwrap());
    assert!(page.contains("Calibrated again: calibration-2") && page.contains(&words));

    // Volleys lie where they truly do, whichever calibration placed them.
    let truth: serde_json::Value = serde_json::from_str(&fs::read_to_string(dir.join("truth.json")).unwrap()).unwrap();
    for v in truth["volleys"].as_array().unwrap() {
        let marks = v["marks"].as_array().unwrap();
        let mean = |axis: &str| marks.iter().map(|m| m[axis].as_f64().unwrap()).sum::<f64>() / marks.len() as f64;
        let got = outcome.volleys.iter().find(|r| r.volley == v["volley"].as_str().unwrap()).unwrap();
        let off = [got.mean_x_mm.unwrap() - mean("x_mm"), got.mean_y_mm.unwrap() - mean("y_mm")];
        println!("volley {}: mean {off:.2?} mm off", got.volley);
        assert!(off[0].hypot(off[1]) < 1.2, "volley {}: {off:?} mm off", got.volley);
    }
}
