//! Does the calibration know how right it is? Its stated covariance against what 200 repetitions really scatter.

mod calib_common;

use calib_common::{Chance, MIDDLE, Odd, Room, VIEWS, calibrated, looking_at, place, wall_errors};
use pockmark::camera::lens::TERMS;
use pockmark::camera::{CalibrationInput, Lens, WallView, locate};
use pockmark::points::WallPoint;
use rayon::prelude::*;

const RUNS: u64 = 200;

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

#[test]
fn explore() {
    for views in [&[0, 1, 2, 3, 4, 5][..], &[5]] {
        println!("--- views {views:?}");
        merge((0..RUNS).into_par_iter().map(|s| once(s, views)).collect()).print();
    }
}
