//! Does a calibration that was repeated in the middle of a session hold from there on, in the same frame?

use std::fs;

use pockmark::pipeline::{calibrate_again, calibrate_session, later_numbers, run_session, write_wall};
use pockmark::points::WallPoint;
use pockmark::render::Scenario;
use pockmark::render::recipe::Recipe;
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
