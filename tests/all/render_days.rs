//! Does a day drawn from a recipe show what happened on it?

use pockmark::points::WallPoint;
use pockmark::render::recipe::{Event, Recipe, SunPath};
use pockmark::render::scenario::Machine;
use pockmark::render::{Scenario, Solid, Sun};

/// Vacuum flight, as far as the mark's place matters here.
fn vacuum(m: &Machine, arm_rad: f64, sideways_rad: f64, speed_mps: f64) -> WallPoint {
    let out_m = m.pivot_out_m - m.arm_m * arm_rad.sin();
    let level_mps = speed_mps * arm_rad.cos();
    let time_s = out_m / (level_mps * sideways_rad.cos());
    let up_m =
        m.pivot_up_m + m.arm_m * arm_rad.cos() - speed_mps * arm_rad.sin() * time_s - 0.5 * 9.81 * time_s * time_s;
    WallPoint::new(m.pivot_right_m + level_mps * sideways_rad.sin() * time_s, up_m)
}

struct Day {
    scenario: Scenario,
    folder: tempfile::TempDir,
    truth: serde_json::Value,
    rows: Vec<csv::StringRecord>,
}

impl Day {
    /// Four volleys of the demonstration's, small, with what `change` makes of them.
    fn new(change: impl FnOnce(&mut Recipe)) -> Self {
        let mut recipe = Recipe::demo();
        recipe.events.clear();
        recipe.volleys.truncate(4);
        recipe.by_hand.truncate(1);
        recipe.light_wanders = [0.0; 3];
        recipe.nudge = [0.0; 2];
        change(&mut recipe);
        let scenario = Scenario::draw(recipe, 3).with_photo_scale(0.3);
        let folder = tempfile::tempdir().unwrap();
        let m = scenario.machine;
        scenario.write(folder.path(), &|arm, side, speed| vacuum(&m, arm, side, speed)).unwrap();
        let truth = serde_json::from_slice(&std::fs::read(folder.path().join("truth.json")).unwrap()).unwrap();
        let mut table = csv::Reader::from_path(folder.path().join("volleys.csv")).unwrap();
        let rows = table.records().map(Result::unwrap).collect();
        Self { scenario, folder, truth, rows }
    }

    fn photo(&self, row: usize) -> image::GrayImage {
        image::open(self.folder.path().join("photos").join(&self.rows[row][1])).unwrap().to_luma8()
    }

    /// Mean grey of 5 x 5 px round a place.
    fn grey(&self, photo: &image::GrayImage, x_m: f64, y_m: f64) -> f64 {
        let p = self.scenario.recipe.tripod.pixel(WallPoint::new(x_m, y_m)).unwrap();
        let (x, y) = (p.x_px.round() as u32 - 2, p.y_px.round() as u32 - 2);
        (0..25).map(|i| f64::from(photo.get_pixel(x + i % 5, y + i / 5).0[0])).sum::<f64>() / 25.0
    }

    fn marks(&self, volley: usize) -> Vec<(f64, f64)> {
        let mm = |m: &serde_json::Value, k: &str| 1e-3 * m[k].as_f64().unwrap();
        let marks = self.truth["volleys"][volley]["marks"].as_array().unwrap();
        marks.iter().map(|m| (mm(m, "x_mm"), mm(m, "y_mm"))).collect()
    }
}

#[test]
fn wiping_takes_most_of_the_old_marks_and_has_a_row_when_it_was_photographed() {
    for photographed in [true, false] {
        let day = Day::new(|r| r.events = vec![(2, Event::Wiped { photographed })]);
        let shots: Vec<&str> = day.rows.iter().map(|r| &r[2]).collect();
        let want = if photographed { vec!["0", "5", "5", "0", "4", "5"] } else { vec!["0", "5", "5", "4", "5"] };
        assert_eq!(shots, want);
        let (clean, before, after) = (day.photo(0), day.photo(2), day.photo(3));
        let mut took = Vec::new();
        for (x, y) in day.marks(0).into_iter().chain(day.marks(1)) {
            let (c, b, a) = (day.grey(&clean, x, y), day.grey(&before, x, y), day.grey(&after, x, y));
            assert!(c - b > 6.0, "the mark at {x} {y} shows: {c} {b}");
            took.push((a - b) / (c - b));
        }
        took.sort_by(f64::total_cmp);
        // The median: new marks hide one or another where nobody photographed the wiped wall.
        assert!((0.5..0.98).contains(&took[took.len() / 2]), "{took:?}");
    }
}

#[test]
fn a_ball_without_a_mark_counts_as_a_shot_and_one_behind_someone_as_hidden() {
    let day = Day::new(|r| {
        r.events = vec![(1, Event::NoMark(2)), (2, Event::Before(vec![Solid::ball(WallPoint::new(1.0, 1.0), 0.6)]))]
    });
    let volley = |v: usize| &day.truth["volleys"][v];
    assert_eq!((&day.rows[2][2], day.marks(1).len(), &volley(1)["missed"]), ("5", 3, &2.into()));
    let hidden: Vec<bool> = (0..4).map(|v| volley(v)["occluded"].as_bool().unwrap()).collect();
    assert_eq!(hidden, [false, false, true, false]);
    let (before, with, after) = (day.photo(2), day.photo(3), day.photo(4));
    let (b, w, a) = (day.grey(&before, 1.3, 1.2), day.grey(&with, 1.3, 1.2), day.grey(&after, 1.3, 1.2));
    assert!((b - a).abs() < 3.0 && (w - b).abs() > 5.0, "{b} {w} {a}");
}

#[test]
fn a_zoom_and_a_turn_last_and_sheets_taken_down_are_gone() {
    let turn_rad = 0.02;
    let day = Day::new(|r| {
        r.sheets_up = false;
        r.events = vec![(2, Event::Turned([0.0, turn_rad, 0.0]))];
    });
    let tripod = image::open(day.folder.path().join("calibration/tripod.jpg")).unwrap().to_luma8();
    // A black square of sheet 1, by 45 mm from its cross to the left and 225 mm up.
    let (x, y) = (-0.060, 0.222);
    let (hung, bare) = (day.grey(&tripod, x, y), day.grey(&day.photo(0), x, y));
    assert!(bare > hung + 60.0, "{hung} {bare}");
    // A turn to the right moves the picture to the left by turn x focal length and a little more off the middle.
    let shift_px = turn_rad * day.scenario.recipe.tripod.fx_px;
    let edge = |row: usize| {
        let photo = day.photo(row);
        let y = photo.height() / 2;
        // The wall's left edge against the dark room: the largest step of the row.
        (2..photo.width() / 3)
            .max_by_key(|&x| photo.get_pixel(x + 1, y).0[0].abs_diff(photo.get_pixel(x - 1, y).0[0]))
            .unwrap()
    };
    let moved: Vec<f64> = (1..5).map(|row| f64::from(edge(row)) - f64::from(edge(0))).collect();
    assert!(moved[0].abs() <= 1.0 && moved[1].abs() <= 1.0, "{moved:?}");
    for m in &moved[2..] {
        assert!(m.abs() > 0.8 * shift_px && m.abs() < 1.7 * shift_px, "{moved:?} for {shift_px}");
    }
}

#[test]
fn exposure_steps_and_a_moving_sun_show_where_they_should() {
    let edge = WallPoint::new(0.6, 0.9);
    let first = Sun { edge, towards_rad: 0.0, gain: 1.0, penumbra_m: 0.01, tint: [1.0; 3] };
    let day = Day::new(|r| {
        r.light.level = 0.4;
        r.sun = Some(SunPath { first, step_m: 0.1 });
        r.exposures = vec![(1.0, [1.0; 3]), (1.3, [1.0; 3])];
    });
    let photos: Vec<image::GrayImage> = (0..3).map(|i| day.photo(i)).collect();
    // A place that the sun leaves between the first and the third photo, and one that stays in it; the first and the third are exposed alike.
    let (left, stays) = (0.68, 1.6);
    let at = |i: usize, x: f64| day.grey(&photos[i], x, 0.6);
    assert!(at(0, left) - at(2, left) > 25.0, "{} {}", at(0, left), at(2, left));
    assert!((at(0, stays) - at(2, stays)).abs() < 3.0);
    assert!(at(1, stays) - at(0, stays) > 10.0);
}

#[test]
fn speeds_are_written_in_the_unit_of_the_day() {
    let head = |day: &Day| {
        let text = std::fs::read_to_string(day.folder.path().join("volleys.csv")).unwrap();
        text.lines().next().unwrap().to_owned()
    };
    let (us, metric) = (
        Day::new(|r| r.volleys.truncate(1)),
        Day::new(|r| {
            r.volleys.truncate(1);
            r.us_units = false;
        }),
    );
    assert!(head(&us).contains("speed_mph") && head(&metric).contains("speed_mps"));
    let speed = |day: &Day| day.rows[1][4].parse::<f64>().unwrap();
    // Source: 1 mph = 0.44704 m/s.
    assert!((0.447_04 * speed(&us) - speed(&metric)).abs() < 0.01);
}
