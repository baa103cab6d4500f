//! Does a photo without sheets know how well the wall's own grain placed it?

use image::GrayImage;
use nalgebra::{DMatrix, Rotation3, SMatrix};
use pockmark::camera::{Lens, Located, Pose, Registered, Turn, WallView, register};
use pockmark::points::WallPoint;
use pockmark::render::jpeg::{ExifFields, encode_jpeg};
use pockmark::render::{Light, Mark, MarkKind, RenderCamera, RenderPose, Scene, Sensor, Wall, WallKind, render};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

const SIZE: (usize, usize) = (1560, 1170);
const MIDDLE: WallPoint = WallPoint { x_m: 1.0, y_m: 0.95 };
const EYE: [f64; 3] = [1.86, 1.05, 2.38];

struct Chance(ChaCha8Rng);

impl Chance {
    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}

fn camera(pose: RenderPose) -> RenderCamera {
    let mut c = RenderCamera::pinhole(SIZE.0, SIZE.1, 66_f64.to_radians(), pose);
    (c.k1, c.k2, c.p1, c.p2) = (0.06, -0.11, 4e-4, -3e-4);
    c
}

fn view(c: &RenderCamera) -> WallView {
    let mut lens = Lens::pinhole(c.width as u32, c.height as u32, c.fx_px);
    (lens.cx, lens.cy, lens.fy) = (c.cx_px, c.cy_px, c.fy_px);
    (lens.k1, lens.k2, lens.p1, lens.p2, lens.k3) = (c.k1, c.k2, c.p1, c.p2, c.k3);
    let rotation = Rotation3::from_matrix_unchecked(c.pose.rotation);
    WallView { lens, pose: Pose { rotation, translation: -(rotation * c.pose.eye_m) } }
}

/// A place that is known exactly: what is found then is the registration's own error.
fn known(view: WallView) -> Located {
    Located {
        turn: Turn::NONE,
        view,
        own_covariance: SMatrix::zeros(),
        own_by_calibration: DMatrix::zeros(9, 0),
        rms_px: 0.0,
        corners: 0,
        dropped: 0,
        sheets: Vec::new(),
        change: None,
        moved: Vec::new(),
        ambiguous: None,
    }
}

fn photo(kind: WallKind, seed: u64, marks: usize, camera: &RenderCamera, level: f64, chance: &mut Chance) -> GrayImage {
    let marks = (0..marks)
        .map(|i| Mark {
            kind: MarkKind::Scuff,
            centre: WallPoint::new(MIDDLE.x_m + 0.08 * chance.normal(), MIDDLE.y_m + 0.3 * chance.normal()),
            diameter_m: 0.028,
            strength: 0.5,
            colour: [0.12, 0.12, 0.13],
            seed: 31 * seed + i as u64,
        })
        .collect();
    let scene = Scene {
        wall: Wall::endless(kind, seed),
        smears: Vec::new(),
        sheets: Vec::new(),
        marks,
        solids: Vec::new(),
        light: Light { level, slope_right_per_m: 0.05 * chance.normal(), ..Light::default() },
    };
    let shot = render(&scene, camera, &Sensor::default(), (1e9 * chance.normal()).abs() as u64).unwrap();
    let jpeg = encode_jpeg(&shot, 92, &ExifFields::default()).unwrap();
    image::load_from_memory(&jpeg).unwrap().to_luma8()
}

/// How far a wall point is off that the new photo shows: in its u, and m.
type Off = ([f64; 2], [f64; 2]);

fn errors(found: &Registered, truth: &WallView) -> Vec<Off> {
    let mut out = Vec::new();
    for i in 0..5 {
        for j in 0..5 {
            let w = WallPoint::new(MIDDLE.x_m + 0.2 * (f64::from(i) - 2.0), MIDDLE.y_m + 0.2 * (f64::from(j) - 2.0));
            let p = truth.pixel_from_wall(w).unwrap();
            let got = found.located.view.wall_from_pixel(p).unwrap();
            let c = found.located.pose_covariance_at(got).unwrap();
            let off = [got.x_m - w.x_m, got.y_m - w.y_m];
            out.push(([off[0] / c[0][0].sqrt(), off[1] / c[1][1].sqrt()], off));
        }
    }
    out
}

/// A kick of `kick_px`, and small nudges.
fn once(kind: WallKind, seed: u64, kick_px: f64) -> Option<Vec<Off>> {
    let mut chance = Chance(ChaCha8Rng::seed_from_u64(seed));
    let pose = RenderPose::looking_at(EYE, MIDDLE, 0.014);
    let before = camera(pose);
    let small = 1.3e-3;
    let way = std::f64::consts::TAU * (seed as f64 * 0.618).fract();
    let kick = kick_px / before.fx_px;
    let mut n = || small * chance.normal();
    let turn = [n() + kick * way.cos(), n() + kick * way.sin(), n() + 0.07 * kick];
    let shift = [n(), n(), n()];
    let after = camera(pose.nudged(turn, shift));
    let reference = photo(kind, seed, 0, &before, 1.0, &mut chance);
    let new = photo(kind, seed, 12, &after, 1.02, &mut chance);
    let found = register(&reference, &known(view(&before)), &new, &|_| false);
    match found {
        Ok(f) => Some(errors(&f, &view(&after))),
        Err(e) => {
            println!("{kind:?} {seed} {kick_px}: {e:?}");
            None
        }
    }
}

#[test]
fn a_photo_placed_by_the_walls_grain_knows_its_doubt() {
    let runs: u64 = 6;
    for kind in [WallKind::Plywood, WallKind::Concrete, WallKind::PaintedBoard] {
        for kick_px in [0.0, 45.0] {
            let all: Vec<_> = (0..runs).into_par_iter().map(|s| once(kind, 100 + s, kick_px)).collect();
            let all: Vec<_> = all.into_iter().flatten().collect();
            let n = (50 * all.len()).max(1) as f64;
            let squares = |of: fn(&Off) -> [f64; 2]| {
                (all.iter().flatten().map(|p| of(p).map(|v| v * v).iter().sum::<f64>()).sum::<f64>() / n).sqrt()
            };
            let (z, off_mm) = (squares(|p| p.0), 1e3 * squares(|p| p.1));
            println!(
                "{kind:?}, kicked by {kick_px} px: {} of {runs} placed, {off_mm:.3} mm RMS off, {z:.2} u",
                all.len()
            );
            assert_eq!(all.len() as u64, runs, "{kind:?} {kick_px}");
            // A twentieth of a pixel is 0.09 mm here.
            assert!(off_mm < 0.09, "{kind:?} {kick_px}: {off_mm} mm RMS off");
            // Points of a photo share its error: two numbers each count. Four standard deviations of their RMS.
            let tolerance = 4.0 / (4.0 * runs as f64).sqrt();
            assert!(z < 1.0 + tolerance, "{kind:?} {kick_px}: errors are {z} times their u");
        }
    }
}
