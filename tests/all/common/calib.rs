//! An invented wall with sheets, seen by an invented camera, corner by corner: no pixels, but known truth.

use std::collections::BTreeMap;

use nalgebra::{Matrix3, Rotation3, Vector3};
use pockmark::camera::bundle::relief_basis;
use pockmark::camera::calibrate::{CalibrationPhoto, Tape, WallFrame};
use pockmark::camera::{Calibration, CalibrationInput, Lens, Located, Optics, Pose, Wall, WallView, calibrate, locate};
use pockmark::points::{PixelPoint, WallPoint};
use pockmark::sheet::geometry::SADDLES;
use pockmark::sheet::saddle::Saddle;
use pockmark::sheet::{Corner, SheetSet, SheetView};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// What the program adds to a corner's own u, px.
const FLOOR_PX: f64 = 0.015;

/// Gaussian chance that can be repeated.
pub struct Chance(ChaCha8Rng);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}

/// The wall as it really is.
#[derive(Clone)]
pub struct Room {
    pub lens: Lens,
    /// Number, then x, y of the cross in m and turn in rad.
    pub sheets: Vec<(usize, [f64; 3])>,
    pub scale: [f64; 2],
    pub geometry: SheetSet,
    /// Scale of boards with a size of their own, by number.
    pub board_scale: BTreeMap<usize, [f64; 2]>,
    /// u of a corner as the program is told, px.
    pub corner_u_px: f64,
}

/// One photo's deviations from the room.
#[derive(Clone, Default)]
pub struct Odd {
    pub lens: Option<Lens>,
    /// Sheet number, shift x, y in m, turn in rad.
    pub moved: Vec<(usize, [f64; 3])>,
    /// Sheet number, coefficients of the relief in m.
    pub relief: Vec<(usize, [f64; 5])>,
}

/// A lens as phones have it.
pub fn phone_lens() -> Lens {
    let mut l = Lens::pinhole(2080, 1560, 1600.0);
    (l.cx, l.cy) = (l.cx - 12.0, l.cy + 6.0);
    (l.k1, l.k2, l.p1, l.p2) = (0.06, -0.11, 4e-4, -3e-4);
    l
}

/// Sheets around the place where balls strike.
pub fn eight_sheets() -> Vec<(usize, [f64; 3])> {
    let at =
        [(0.0, 0.0), (2.05, 0.0), (0.02, 1.72), (2.03, 1.70), (0.96, -0.14), (1.04, 1.79), (-0.06, 0.87), (2.10, 0.88)];
    at.iter().enumerate().map(|(i, &(x, y))| (i + 1, [x, y, 0.01 * (i as f64 - 3.0)])).collect()
}

/// The middle between the sheets.
pub const MIDDLE: (f64, f64) = (1.0, 0.95);

/// Where the camera stands for calibration photos: eye in m, roll in rad; the tripod last.
pub const VIEWS: [([f64; 3], f64); 6] = [
    ([0.10, 1.45, 2.45], 0.07),
    ([2.35, 0.30, 2.40], -0.10),
    ([0.95, 2.25, 2.30], 0.02),
    ([2.60, 1.45, 2.10], -0.05),
    ([-0.60, 0.60, 2.20], 0.09),
    ([1.86, 1.05, 2.38], 0.014),
];

/// A camera at `eye_m` that looks at a wall point.
pub fn looking_at(eye_m: [f64; 3], at: (f64, f64), roll_rad: f64) -> Pose {
    let eye = Vector3::from(eye_m);
    let forward = (Vector3::new(at.0, at.1, 0.0) - eye).normalize();
    let right = forward.cross(&Vector3::y()).normalize();
    let down = forward.cross(&right);
    let m = Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
    let rotation = Rotation3::new(Vector3::new(0.0, 0.0, roll_rad)) * Rotation3::from_matrix_unchecked(m);
    Pose { rotation, translation: -(rotation * eye) }
}

impl Room {
    pub fn new() -> Self {
        Self {
            lens: phone_lens(),
            sheets: eight_sheets(),
            scale: [1.002, 0.9985],
            geometry: SheetSet::default(),
            board_scale: BTreeMap::new(),
            corner_u_px: 0.02,
        }
    }

    /// The sheets that a camera sees, with corners to which chance was done.
    pub fn see(&self, pose: &Pose, odd: &Odd, chance: &mut Chance) -> Vec<SheetView> {
        let lens = odd.lens.unwrap_or(self.lens);
        let (w, h) = (f64::from(lens.width), f64::from(lens.height));
        let noise = self.corner_u_px.hypot(FLOOR_PX);
        let mut out = Vec::new();
        for &(number, place) in &self.sheets {
            let g = self.geometry.of(number);
            let [mut x, mut y, mut turn] = place;
            if let Some((_, by)) = odd.moved.iter().find(|m| m.0 == number) {
                (x, y, turn) = (x + by[0], y + by[1], turn + by[2]);
            }
            let relief = odd.relief.iter().find(|r| r.0 == number).map_or([0.0; 5], |r| r.1);
            let scale = self.board_scale.get(&number).copied().unwrap_or(self.scale);
            let (sin, cos) = turn.sin_cos();
            let corners: Vec<Corner> = (0..SADDLES)
                .filter_map(|index| {
                    let (a, b) = g.from_cross_mm(g.saddle(index));
                    let (a, b) = (1e-3 * scale[0] * a, 1e-3 * scale[1] * b);
                    let z: f64 = relief_basis(index).iter().zip(&relief).map(|(b, h)| b * h).sum();
                    let at = Vector3::new(x + cos * a - sin * b, y + sin * a + cos * b, z);
                    let p = lens.project(&pose.camera_from_wall(&at))?;
                    let inside = p.x_px > 15.0 && p.y_px > 15.0 && p.x_px < w - 16.0 && p.y_px < h - 16.0;
                    inside.then(|| Corner {
                        saddle: Saddle {
                            point: PixelPoint::new(p.x_px + noise * chance.normal(), p.y_px + noise * chance.normal()),
                            u_px: self.corner_u_px,
                            blur_px: 0.8,
                            contrast: 80.0,
                        },
                        ..Corner::drawn(g, index)
                    })
                })
                .collect();
            if corners.len() >= 2 {
                out.push(SheetView { number, corners, tags: Vec::new(), dropped: 0, blur_px: 0.8, layout_rms_px: 0.0 });
            }
        }
        out
    }

    pub fn photo(&self, name: &str, pose: &Pose, odd: &Odd, chance: &mut Chance) -> CalibrationPhoto {
        CalibrationPhoto {
            name: name.into(),
            size_px: (self.lens.width, self.lens.height),
            optics: Optics::default(),
            sheets: self.see(pose, odd, chance),
        }
    }

    /// What a person measures: bars within 0.1 %, tapes within 0.5 mm (u).
    pub fn frame(&self, tapes: &[[usize; 2]], level: Option<[usize; 2]>, chance: &mut Chance) -> WallFrame {
        let place = |n: usize| self.sheets.iter().find(|s| s.0 == n).unwrap().1;
        let (bar_u, tape_u) = (1e-3, 0.5e-3);
        WallFrame {
            origin_sheet: self.sheets[0].0,
            level_sheets: level,
            plumb_sheets: None,
            upright_rad: None,
            level_u_m: 0.5e-3,
            tapes: tapes
                .iter()
                .map(|&[a, b]| {
                    let (p, q) = (place(a), place(b));
                    let distance_m = (p[0] - q[0]).hypot(p[1] - q[1]) + tape_u * chance.normal();
                    Tape { sheets: [a, b], distance_m, u_m: tape_u }
                })
                .collect(),
            scale_across: Some((self.scale[0] + bar_u * chance.normal(), bar_u)),
            scale_down: Some((self.scale[1] + bar_u * chance.normal(), bar_u)),
            geometry: self.geometry.clone(),
            board_u: self.geometry.own.keys().map(|&n| (n, 1e-3)).collect(),
        }
    }

    /// Photos from [`VIEWS`], the tripod last; `odd` deviates by the photo's number.
    pub fn input(&self, views: &[usize], odd: &dyn Fn(usize) -> Odd, chance: &mut Chance) -> CalibrationInput {
        let photos: Vec<CalibrationPhoto> = views
            .iter()
            .map(|&v| {
                let (eye, roll) = VIEWS[v];
                let name = if v == 5 { "tripod.jpg".to_string() } else { format!("side-{}.jpg", v + 1) };
                self.photo(&name, &looking_at(eye, MIDDLE, roll), &odd(v), chance)
            })
            .collect();
        let tripod = views.iter().position(|&v| v == 5);
        let (tapes, level): (&[[usize; 2]], _) =
            if self.sheets.len() > 3 { (&[[1, 2], [1, 3]], Some([1, 2])) } else { (&[], None) };
        CalibrationInput { photos, tripod, frame: self.frame(tapes, level, chance) }
    }
}

/// Calibrates as the program does, all the way to the file's content.
pub fn calibrated(input: &CalibrationInput) -> (Wall, Calibration) {
    let c = calibrate(input).unwrap();
    let hashes = vec![String::new(); input.photos.len()];
    (Wall::new(&c, input, &hashes), c)
}

/// A photo's error and covariance of wall points that its pixels show: (x, y) off in m and their 2 x 2 covariance.
pub fn wall_errors(
    wall: &Wall,
    located: &Located,
    truth: &WallView,
    points: &[WallPoint],
) -> Vec<([f64; 2], [[f64; 2]; 2])> {
    let whitened = wall.whitened();
    points
        .iter()
        .filter_map(|&w| {
            let pixel = truth.pixel_from_wall(w)?;
            let got = located.view.wall_from_pixel(pixel)?;
            let shared = located.shared_at(wall, &whitened, got)?;
            let mut c = located.pose_covariance_at(got)?;
            for s in &shared {
                for a in 0..2 {
                    for b in 0..2 {
                        c[a][b] += s[a] * s[b];
                    }
                }
            }
            Some(([got.x_m - w.x_m, got.y_m - w.y_m], c))
        })
        .collect()
}

pub fn place(wall: &Wall, room: &Room, odd: &Odd, eye: [f64; 3], chance: &mut Chance) -> (Option<Located>, WallView) {
    let pose = looking_at(eye, MIDDLE, 0.014);
    let seen = room.see(&pose, odd, chance);
    (locate(wall, &seen), WallView { lens: odd.lens.unwrap_or(room.lens), pose })
}
