//! What becomes of a day on which someone stands before the wall, the wall is wiped unseen, or every shot has a photo of its own?
//!
//! Small days are rendered with known truth and taken through the pipeline.

use std::path::Path;

use pockmark::camera::Wall;
use pockmark::pipeline::grid::shows_paper;
use pockmark::pipeline::{Outcome, calibrate_session, run_session_keeping, write_results};
use pockmark::points::WallPoint;
use pockmark::render::recipe::{Event, MarkLook, PlannedVolley, Recipe, Varying};
use pockmark::render::{MarkKind, Scenario, Solid, WallKind};
use pockmark::session::results::Status;
use pockmark::session::{FlagWord, Session};

struct Day {
    wall: Wall,
    folder: tempfile::TempDir,
    outcome: Outcome,
    truth: serde_json::Value,
}

impl Day {
    fn new(pictures: bool, change: impl FnOnce(&mut Recipe)) -> Self {
        Self::at(0.7, pictures, change)
    }

    /// With photos `scale` times the demonstration's size.
    fn at(scale: f64, pictures: bool, change: impl FnOnce(&mut Recipe)) -> Self {
        let mut recipe = Recipe::demo();
        recipe.events.clear();
        recipe.by_hand.truncate(2);
        change(&mut recipe);
        let scenario = Scenario::draw(recipe, 11).with_photo_scale(scale);
        let folder = tempfile::tempdir().unwrap();
        scenario.write_flown(folder.path()).unwrap();
        let session = Session::open(folder.path()).unwrap();
        let quiet = |_: &str| {};
        let wall = calibrate_session(&session, &quiet).unwrap().0;
        let outcome = run_session_keeping(&session, &wall, None, pictures, &quiet).unwrap();
        write_results(&session, &outcome).unwrap();
        let truth = serde_json::from_slice(&std::fs::read(folder.path().join("truth.json")).unwrap()).unwrap();
        Self { wall, folder, outcome, truth }
    }

    /// True places of a volley's marks, mm, and its true mean release angle, deg.
    fn truth(&self, volley: usize) -> (Vec<[f64; 2]>, f64) {
        let marks = self.truth["volleys"][volley]["marks"].as_array().unwrap();
        let value = |m: &serde_json::Value, k: &str| m[k].as_f64().unwrap();
        let mean = marks.iter().map(|m| value(m, "release_deg")).sum::<f64>() / marks.len() as f64;
        (marks.iter().map(|m| [value(m, "x_mm"), value(m, "y_mm")]).collect(), mean)
    }

    /// Every true mark of a volley is found, none besides, and the mean holds the truth.
    fn is_right(&self, volley: usize) {
        let row = &self.outcome.volleys[volley];
        let (truth, mean_deg) = self.truth(volley);
        let found: Vec<_> = self.outcome.shots.iter().filter(|s| s.volley == row.volley).collect();
        assert_eq!(found.len(), truth.len(), "{row:?}");
        for t in truth {
            let off = |s: &&&pockmark::session::ShotRow| (s.x_mm.unwrap() - t[0]).hypot(s.y_mm.unwrap() - t[1]);
            let near = found.iter().map(|s| off(&s)).fold(f64::MAX, f64::min);
            // The sheets' places are doubtful by 0.6 mm, a mark at 0.4 px/mm by about as much; marks are 27 mm across.
            assert!(near < 5.0, "volley {}: nothing found at {t:?}", row.volley);
        }
        let (got, u) = (row.mean_release_deg.unwrap(), row.mean_release_u_deg.unwrap());
        assert!((got - mean_deg).abs() < 4.0 * u, "volley {}: {got} +- {u}, true {mean_deg}", row.volley);
    }
}

fn plan(volleys: &[(f64, usize)], shots: usize) -> Vec<PlannedVolley> {
    volleys.iter().map(|&(setpoint_mph, mesh)| PlannedVolley { setpoint_mph, mesh, shots }).collect()
}

fn someone() -> Event {
    // Slow balls strike low: they strike behind this one's back, fast ones over the head.
    Event::Before(Solid::person(1.08, -0.55, 1.6, 4))
}

#[test]
fn shots_behind_a_person_are_seen_in_the_next_photo_or_have_no_mean() {
    let day = Day::new(true, |r| {
        r.volleys = plan(&[(35.0, 0), (65.0, 1), (35.0, 1)], 4);
        r.events = vec![(0, someone()), (2, someone())];
    });
    (0..2).for_each(|v| day.is_right(v));
    let [hidden, next, last] = &day.outcome.volleys[..] else { panic!("three volleys") };
    assert!(hidden.flags.contains(&FlagWord::SeenLater) && hidden.flags.contains(&FlagWord::BigChange), "{hidden:?}");
    let photos: Vec<&str> =
        day.outcome.shots.iter().filter(|s| s.volley == hidden.volley).map(|s| s.photo.as_str()).collect();
    assert!(photos.iter().all(|p| *p == next.photo), "{photos:?}");
    // Nobody came after the last photo.
    assert_eq!((last.status, last.mean_release_deg), (Status::Failed, None), "{last:?}");
    assert!(last.flags.contains(&FlagWord::Blocked) && last.note.contains("photograph the wall again"), "{last:?}");
    let folder = day.folder.path().join("results/pictures");
    for name in ["volley-1.png", "volley-1-later.png", "volley-2.png", "volley-3.png"] {
        let picture = image::open(folder.join(name)).unwrap().to_rgb8();
        assert!(picture.width() > 5 * 200 && picture.height() > 200, "{name}: {:?}", picture.dimensions());
    }
}

/// Pixels of a colour.
fn pixels_like(path: &Path, colour: [u8; 3]) -> usize {
    image::open(path).unwrap().to_rgb8().pixels().filter(|p| p.0 == colour).count()
}

#[test]
fn a_wall_wiped_unseen_is_noticed() {
    let day = Day::new(true, |r| {
        r.volleys = plan(&[(35.0, 0), (55.0, 1)], 4);
        r.events = vec![(1, Event::Wiped { photographed: false })];
    });
    (0..2).for_each(|v| day.is_right(v));
    let [first, wiped] = &day.outcome.volleys[..] else { panic!("two volleys") };
    assert!(!first.flags.contains(&FlagWord::Wiped));
    assert!(wiped.flags.contains(&FlagWord::Wiped) && wiped.status == Status::Look, "{wiped:?}");
    assert!(wiped.note.contains("the old marks are gone"), "{}", wiped.note);
    // Circles are on four of the five views of each picture.
    let circles = pixels_like(&day.folder.path().join("results/pictures/volley-1.png"), [255, 196, 0]);
    assert!(circles > 4 * 4 * 60, "{circles}");
}

#[test]
fn single_shots_share_their_setup_and_setpoint() {
    let day = Day::new(false, |r| {
        r.volleys = plan(&[(45.0, 0); 3], 1);
        r.spread_deg = [1.0, 1.0];
    });
    (0..3).for_each(|v| day.is_right(v));
    assert!(day.outcome.volleys.iter().all(|v| v.status == Status::Ok), "{:?}", day.outcome.volleys);
    let study = day.outcome.summary.study.as_ref().unwrap();
    let [ladder] = &study.ladders[..] else { panic!("one setup: {:?}", study.ladders) };
    let [point] = &ladder.points[..] else { panic!("one setpoint") };
    assert_eq!((point.shots, point.volleys), (3, 3));

    // A sheet's board begins 90 mm to the left of its cross and ends 90 mm to the right; A4 paper goes on for 15 mm, Letter for 18.
    for sheet in &day.wall.sheets {
        let beside = |mm: f64| {
            let (sin, cos) = sheet.turn_deg.to_radians().sin_cos();
            WallPoint::new(1e-3 * (sheet.x_mm + mm * cos), 1e-3 * (sheet.y_mm + mm * sin))
        };
        assert!([0.0, 100.0, -100.0].iter().all(|mm| shows_paper(&day.wall, beside(*mm))), "{sheet:?}");
        assert!([125.0, -125.0].iter().all(|mm| !shows_paper(&day.wall, beside(*mm))), "{sheet:?}");
    }
}

#[test]
fn dark_marks_and_pale_ones_of_two_kinds_of_balls_are_both_found() {
    // A grey wall; worn balls darken it, as the demonstration's do, and new ones leave chalk: the second volley's and the fourth's.
    let dust = MarkLook {
        kind: MarkKind::Chalk,
        colour: [0.76, 0.76, 0.74],
        strength: Varying { middle: 0.5, hard: 0.0, sd: 0.05, range: (0.35, 0.7) },
        diameter_mm: Varying { middle: 27.0, hard: 1.8, sd: 1.5, range: (20.0, 35.0) },
    };
    let day = Day::new(false, |r| {
        r.wall.kind = WallKind::Concrete;
        r.volleys = plan(&[(45.0, 0), (55.0, 1), (65.0, 0), (35.0, 1)], 4);
        r.events = [1, 3].map(|v| (v, Event::OtherBalls(dust))).into();
    });
    (0..4).for_each(|v| day.is_right(v));
    // The page says which were asked by themselves: two and two, so either.
    let notes = &day.outcome.summary.notes;
    let says = |which: &str| notes.iter().any(|n| n.starts_with("marks of two kinds") && n.contains(which));
    assert!(says("volleys 2, 4") || says("volleys 1, 3"), "{notes:?}");
}

#[test]
fn balls_that_lie_at_the_walls_foot_are_no_marks() {
    // In every photo elsewhere, paler than the wall; none in the last one.
    let lying = |k: usize| -> Event {
        let at = |i: usize| WallPoint::new(0.72 + 0.31 * ((2 * k + 3 * i) % 4) as f64, -0.38 - 0.05 * i as f64);
        Event::Before((0..2).map(|i| Solid { colour: [0.85, 0.85, 0.82], ..Solid::ball(at(i), 0.0315) }).collect())
    };
    let day = Day::new(false, |r| {
        r.volleys = plan(&[(45.0, 0), (55.0, 1), (65.0, 0), (35.0, 1)], 4);
        r.events = (0..3).map(|k| (k, lying(k))).collect();
    });
    (0..4).for_each(|v| day.is_right(v));
}

#[test]
fn joints_that_take_no_mark_do_not_move_the_marks_beside_them() {
    // A joint is 7 px wide then.
    let day = Day::at(1.2, false, |r| {
        r.wall.kind = WallKind::RakedBrick;
        r.look = MarkLook {
            kind: MarkKind::Chalk,
            colour: [0.76, 0.76, 0.74],
            strength: Varying { middle: 0.55, hard: 0.0, sd: 0.08, range: (0.35, 0.75) },
            ..r.look
        };
        r.volleys = plan(&[(35.0, 0), (45.0, 1), (55.0, 0), (65.0, 1), (40.0, 0), (60.0, 1)], 4);
    });
    let (mut squares, mut n, mut in_order) = (0.0, 0.0, 0);
    for volley in 0..6 {
        let row = &day.outcome.volleys[volley];
        let found: Vec<_> = day.outcome.shots.iter().filter(|s| s.volley == row.volley).collect();
        let truth = day.truth(volley).0;
        println!("{}: {} found, {} struck, {}", row.volley, found.len(), truth.len(), row.note);
        assert_eq!(found.len(), 4);
        if row.status != Status::Ok {
            continue;
        }
        in_order += 1;
        for s in found {
            let off = |t: &[f64; 2]| (s.x_mm.unwrap() - t[0]).hypot(s.y_mm.unwrap() - t[1]);
            squares += truth.iter().map(off).fold(f64::MAX, f64::min).powi(2);
            n += 1.0;
        }
    }
    let rms_mm = f64::sqrt(squares / n);
    println!("{n} marks, {rms_mm:.2} mm RMS");
    // Without leaving the joints out: 2.7 mm of three volleys, and five marks found in one of the others.
    assert!(in_order >= 3 && rms_mm < 2.0, "{in_order}");
}

#[test]
fn marks_of_another_size_are_found_where_nobody_says_how_large_they_are() {
    let cases = [
        (46.0, (38.0, 56.0), MarkKind::Dust, WallKind::Rubber),
        (13.0, (9.0, 17.0), MarkKind::Scuff, WallKind::PaintedBoard),
    ];
    for (middle, range, kind, wall) in cases {
        let day = Day::at(1.0, false, |r| {
            r.volleys = plan(&[(35.0, 0), (65.0, 1), (35.0, 1)], 5);
            r.look = MarkLook { kind, diameter_mm: Varying { middle, hard: 0.0, sd: 0.04 * middle, range }, ..r.look };
            if kind == MarkKind::Dust {
                (r.look.colour, r.look.strength) = ([0.72, 0.72, 0.70], Varying::within(0.6, 0.9));
            }
            r.wall.kind = wall;
            // Far apart: how those that overlap are parted is another question.
            r.spread_deg = [1.6, 1.6];
        });
        (0..3).for_each(|v| day.is_right(v));
        let shape = day.outcome.summary.mark_shape.as_ref().unwrap();
        // Dust thins out from 0.8 radii on.
        let least = if kind == MarkKind::Dust { 0.75 } else { 0.9 };
        assert!((least..1.1).contains(&(2.0 * shape.radius_mm.0 / middle)), "{middle}: {:?}", shape.radius_mm);
    }
}
