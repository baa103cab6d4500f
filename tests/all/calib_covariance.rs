//! Does the calibration know how right it is? Its stated covariance against what 200 repetitions really scatter.

use crate::common::calib::{Chance, MIDDLE, Odd, Room, calibrated, looking_at, place, wall_errors};
use pockmark::camera::lens::TERMS;
use pockmark::camera::{CalibrationInput, Lens, WallView, locate};
use pockmark::points::WallPoint;
use rayon::prelude::*;

/// A lens drawn from what lenses do, as far as the polynomial holds over the photo.
fn any_lens(chance: &mut Chance) -> Lens {
    loop {
        let mut l = Lens::pinhole(2080, 1560, 1600.0 * (1.0 + 0.1 * chance.normal()));
        (l.cx, l.cy) = (l.cx + 20.8 * chance.normal(), l.cy + 20.8 * chance.normal());
        (l.k1, l.k2, l.k3) = (0.15 * chance.normal(), 0.15 * chance.normal(), 0.05 * chance.normal());
        (l.p1, l.p2) = (1e-3 * chance.normal(), 1e-3 * chance.normal());
        let r = 0.5 * 2600.0 / l.fx;
        let fine = (0..20).all(|i| {
            let r2 = (r * f64::from(i) / 19.0).powi(2);
            (0.5..1.6).contains(&(1.0 + r2 * (3.0 * l.k1 + r2 * (5.0 * l.k2 + 7.0 * r2 * l.k3))))
        });
        if fine {
            return l;
        }
    }
}

/// Squares of errors over their variances, by what they are of.
#[derive(Default)]
struct Scores(Vec<(String, Vec<f64>)>);

impl Scores {
    fn add(&mut self, what: &str, z: f64) {
        match self.0.iter_mut().find(|s| s.0 == what) {
            Some(s) => s.1.push(z),
            None => self.0.push((what.into(), vec![z])),
        }
    }

    fn of(&self, what: &str) -> (f64, f64, usize) {
        let z = &self.0.iter().find(|s| s.0 == what).unwrap_or_else(|| panic!("no {what}")).1;
        let n = z.len() as f64;
        let held = z.iter().filter(|z| z.abs() <= 2.0).count() as f64 / n;
        ((z.iter().map(|z| z * z).sum::<f64>() / n).sqrt(), held, z.len())
    }

    fn print(&self) {
        for (what, _) in &self.0 {
            let (rms, held, n) = self.of(what);
            println!("{what:28} rms z {rms:.3}  within k = 2: {:.1} %  (n {n})", 100.0 * held);
        }
    }
}

fn merge(all: Vec<Scores>) -> Scores {
    let mut out = Scores::default();
    for s in all {
        for (what, z) in s.0 {
            z.into_iter().for_each(|z| out.add(&what, z));
        }
    }
    out
}

/// Wall points between the sheets and beyond them.
fn near_and_far() -> [(&'static str, Vec<WallPoint>); 2] {
    let near = [(0.5, 0.4), (1.0, 0.95), (1.5, 1.4), (0.6, 1.3)].map(|(x, y)| WallPoint::new(x, y)).to_vec();
    let far = [(-0.25, -0.2), (2.3, 1.9), (-0.2, 1.95)].map(|(x, y)| WallPoint::new(x, y)).to_vec();
    [("near", near), ("far", far)]
}

/// One repetition: everything is drawn anew from inside its stated doubt.
fn once(seed: u64, views: &[usize]) -> Scores {
    let mut chance = Chance::new(seed);
    let mut room = Room::new();
    room.lens = any_lens(&mut chance);
    room.scale = [1.0 + 2e-3 * chance.normal(), 1.0 + 2e-3 * chance.normal()];
    // Set level to within the line's doubt.
    room.sheets[1].1[1] = 0.5e-3 * chance.normal();
    let input = room.input(views, &|_| Odd::default(), &mut chance);
    let (wall, c) = calibrated(&input);
    let mut out = Scores::default();
    for (k, term) in TERMS.iter().enumerate().filter(|(k, _)| *k != 1 || c.lens_u[1] > 0.0) {
        out.add(term, (c.lens.terms()[k] - room.lens.terms()[k]) / c.lens_u[k]);
    }
    for (s, (_, at)) in c.sheets.iter().zip(&room.sheets) {
        for (off, u) in [(s.x_m - at[0], s.u_m[0]), (s.y_m - at[1], s.u_m[1])] {
            if u > 0.0 {
                out.add("sheets", off / u);
            }
        }
        let u = wall.row(&format!("sheet {} turn", s.number)).map(|r| c.covariance[(r, r)].sqrt()).unwrap();
        out.add("sheets' turn", (s.turn_rad - at[2]) / u);
    }
    out.add("scale", (c.scale[0].0 - room.scale[0]) / c.scale[0].1);
    let (located, truth) = place(&wall, &room, &Odd::default(), [1.8, 1.1, 2.4], &mut chance);
    let located = located.unwrap();
    for (where_, points) in near_and_far() {
        for (off, cov) in wall_errors(&wall, &located, &truth, &points) {
            out.add(where_, off[0] / cov[0][0].sqrt());
            out.add(where_, off[1] / cov[1][1].sqrt());
            out.add(&format!("{where_} u mm"), 1e3 * cov[1][1].sqrt());
        }
    }
    out
}

/// One photo, as little as there can be: `sheets` of the eight, seen from `eye` looking at `at`; wall points at distances (m) from
/// the sheets' middle.
fn one_photo(seed: u64, sheets: &[usize], eye: [f64; 3], at: (f64, f64), rings: &[f64]) -> Scores {
    let mut chance = Chance::new(seed);
    let mut room = Room::new();
    room.lens = any_lens(&mut chance);
    room.scale = [1.0 + 2e-3 * chance.normal(), 1.0 + 2e-3 * chance.normal()];
    room.sheets.retain(|s| sheets.contains(&s.0));
    // Hung straight to within what is assumed.
    room.sheets[0].1[2] = 0.008 * chance.normal();
    let pose = looking_at(eye, at, 0.02);
    let photo = room.photo("only.jpg", &pose, &Odd::default(), &mut chance);
    let frame = room.frame(&[], None, &mut chance);
    let (wall, _) = calibrated(&CalibrationInput { photos: vec![photo], tripod: Some(0), frame });
    // The same photo serves as the volley's: the corners are the same measurement, so only what a new one adds is new.
    let seen = room.see(&pose, &Odd::default(), &mut chance);
    let located = locate(&wall, &seen).unwrap();
    let truth = WallView { lens: room.lens, pose };
    let mut out = Scores::default();
    for &ring in rings {
        let points: Vec<WallPoint> = (0..4)
            .map(|i| {
                let t = f64::from(i) * 1.57 + 0.4;
                WallPoint::new(at.0 + ring * t.cos(), at.1 + ring * t.sin())
            })
            .collect();
        for (off, cov) in wall_errors(&wall, &located, &truth, &points) {
            out.add(&format!("{ring:.2} m"), off[0] / cov[0][0].sqrt());
            out.add(&format!("{ring:.2} m"), off[1] / cov[1][1].sqrt());
            out.add(&format!("{ring:.2} m u mm"), 1e3 * cov[1][1].sqrt());
            out.add(&format!("{ring:.2} m off mm"), 1e3 * off[1]);
        }
    }
    out
}

/// Four standard deviations of a root mean square of `n` values, and of a share of 95.45 %.
fn tolerance(n: u64) -> (f64, f64) {
    let n = n as f64;
    (4.0 / (2.0 * n).sqrt(), 4.0 * (0.0455_f64 * 0.9545 / n).sqrt())
}

/// All points of a repetition share its draws, so only repetitions count as samples.
#[track_caller]
fn holds(scores: &Scores, what: &str, runs: u64) {
    let (rms, held, _) = scores.of(what);
    let (d_rms, d_held) = tolerance(runs);
    assert!((rms - 1.0).abs() < d_rms, "{what}: errors over their u are {rms:.3} RMS, 1 ± {d_rms:.3} was expected");
    assert!((held - 0.9545).abs() < d_held, "{what}: {:.1} % within k = 2", 100.0 * held);
}

#[test]
fn stated_doubts_are_those_of_two_hundred_repetitions() {
    let runs = 200;
    let scores = merge((0..runs).into_par_iter().map(|s| once(s, &[0, 1, 2, 3, 4, 5])).collect());
    scores.print();
    for what in TERMS.iter().filter(|t| **t != "fy").chain(&["sheets", "sheets' turn", "scale", "near", "far"]) {
        holds(&scores, what, runs);
    }
}

#[test]
fn one_photo_is_enough_and_its_doubt_grows_as_it_should() {
    let runs = 400;
    for (i, (name, sheets, eye, at, rings)) in [
        ("one sheet", &[1][..], [0.35, 0.5, 0.9], (0.0, 0.13), &[0.05, 0.1, 0.2, 0.3][..]),
        ("one sheet, far away", &[1], [0.5, 0.6, 1.8], (0.0, 0.13), &[0.1, 0.3, 0.6]),
        ("eight sheets", &[1, 2, 3, 4, 5, 6, 7, 8], [1.7, 1.2, 3.2], MIDDLE, &[0.2, 0.6, 1.0, 1.3]),
        ("four sheets", &[1, 2, 3, 4], [1.7, 1.2, 3.2], MIDDLE, &[0.2, 0.6, 1.0, 1.3]),
    ]
    .into_iter()
    .enumerate()
    {
        println!("--- {name}");
        let seed = 10_000 * (i as u64 + 1);
        let all = (seed..seed + runs).into_par_iter().map(|s| one_photo(s, sheets, eye, at, rings)).collect();
        let scores = merge(all);
        scores.print();
        for ring in rings {
            holds(&scores, &format!("{ring:.2} m"), runs);
        }
        let u = |ring: f64| scores.of(&format!("{ring:.2} m u mm")).0;
        assert!(u(rings[rings.len() - 1]) > 1.05 * u(rings[0]), "{name}: the doubt must grow away from the sheets");
    }
}
