//! Which photo more would help most?
//!
//! From the covariance itself: a camera is put, in thought, to every side of the wall, nearer and farther; the corners that it
//! would see add their information, its own pose taken out (Schur complement), and the doubt of wall points between the sheets is
//! worked out anew. The place that lowers it most is the advice, or that nothing more is needed. One tape distance more is tried
//! in the same way.

use nalgebra::{DMatrix, DVector, Matrix6, Rotation3, Vector3};
use serde::{Deserialize, Serialize};

use super::bundle::{CornerObs, Solution, by_columns, corner_on_wall, inverse, linear};
use super::input::{WallFrame, corner_obs};
use super::trust::{wall_by_unknowns, wall_covariance, zone};
use super::view::{Pose, WallView};
use crate::points::WallPoint;
use crate::sheet::find::Corner;
use crate::sheet::geometry::SADDLES;

/// Share of the doubt that advice must take away to be worth a walk.
const WORTH: f64 = 0.15;
/// Doubt (u) below which nothing more is needed, m: a mark's own centre is not known better.
const ENOUGH_M: f64 = 0.1e-3;
/// Points across and down at which the doubt is worked out.
const POINTS: usize = 5;
/// A corner is seen when its squares are this wide, px.
const LEAST_SQUARE_PX: f64 = 24.0;
/// Margin to the photo's edge, px.
const EDGE_PX: f64 = 20.0;
/// Sideways and upwards from square to the wall, rad: up to 45 deg.
const SIDES_RAD: [f64; 3] = [-0.7, 0.0, 0.7];
const HEIGHTS_RAD: [f64; 3] = [-0.55, 0.0, 0.55];
/// Distances over the one that the tripod has.
const DISTANCES: [(f64, &str); 3] = [(0.6, "closer"), (1.0, "as far away as now"), (1.5, "farther away")];
/// u of a tape distance that could be measured, m.
const TAPE_U_M: f64 = 0.5e-3;

/// What would help most.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Advice {
    /// A sentence.
    pub sentence: String,
    /// Root mean square standard uncertainty of wall points between the sheets as it is, mm.
    pub u_now_mm: f64,
    /// The same if the advice is followed; as it is when nothing more is needed.
    pub u_then_mm: f64,
}

/// What a doubt of the whole field is: single places are better and worse.
const FIELD: &str = " (root mean square over the field)";

impl Advice {
    /// The sentence for a calibration that has something to look at (`open`): then it is not said that nothing is needed.
    pub fn told(&self, open: bool) -> String {
        if open && self.u_then_mm >= self.u_now_mm && !self.sentence.is_empty() {
            return format!(
                "another photo would hardly help, but see what does not fit yet: wall positions between the sheets are good to {}{FIELD} only if all else is right",
                mm(1e-3 * self.u_now_mm)
            );
        }
        self.sentence.clone()
    }
}

/// As ±, at 95 %.
fn mm(u_m: f64) -> String {
    let v = 2e3 * u_m;
    if v < 1.0 { format!("± {v:.2} mm") } else { format!("± {v:.1} mm") }
}

/// u of the wall between the sheets, m: root mean square over points and directions.
fn doubt(points: &[Vec<(usize, [f64; 2])>], covariance: &DMatrix<f64>) -> f64 {
    let sum: f64 = points
        .iter()
        .map(|by| {
            let c = wall_covariance(by, covariance);
            0.5 * (c[0][0] + c[1][1])
        })
        .sum();
    (sum / points.len().max(1) as f64).sqrt()
}

/// A camera at `eye` that looks at `at`, upright.
fn looking_at(eye: Vector3<f64>, at: Vector3<f64>) -> Option<Pose> {
    let forward = (at - eye).try_normalize(1e-9)?;
    let right = forward.cross(&Vector3::y()).try_normalize(1e-9)?;
    let down = forward.cross(&right);
    let rotation = Rotation3::from_matrix_unchecked(nalgebra::Matrix3::from_rows(&[
        right.transpose(),
        down.transpose(),
        forward.transpose(),
    ]));
    Some(Pose { rotation, translation: -(rotation * eye) })
}

/// What a camera at a pose would add to the normal matrix: information of the corners seen, its pose taken out.
fn added(solution: &Solution, corners: &[CornerObs], pose: Pose, u_px: f64) -> Option<DMatrix<f64>> {
    let mut state = solution.state.clone();
    state.poses = vec![pose];
    let mut columns = solution.columns.clone();
    let n = columns.count;
    columns.poses = vec![n];
    let view = WallView { lens: state.lens, pose };
    let (w, h) = (f64::from(state.lens.width), f64::from(state.lens.height));
    let (mut all, mut with) = (DMatrix::<f64>::zeros(n, n), DMatrix::<f64>::zeros(n, 6));
    let mut own = Matrix6::<f64>::zeros();
    let mut seen = 0;
    for c in corners {
        let x = corner_on_wall(&state, c).0;
        let at = WallPoint::new(x.x, x.y);
        let (Some(p), Some(scale)) = (view.pixel_from_wall(at), view.pixels_per_metre(at)) else { continue };
        let narrow = scale[0][0].hypot(scale[1][0]).min(scale[0][1].hypot(scale[1][1]));
        let inside = p.x_px > EDGE_PX && p.y_px > EDGE_PX && p.x_px < w - EDGE_PX && p.y_px < h - EDGE_PX;
        // Corners are drawn a square apart, so a square is what lies between saddles.
        if !inside || narrow * square_m(c) < LEAST_SQUARE_PX {
            continue;
        }
        let Some(l) = linear(&state, 0, c) else { continue };
        seen += 1;
        for r in 0..2 {
            let by = by_columns(&state, &columns, 0, c, &l, r);
            let weight = 1.0 / (u_px * u_px);
            for &(i, di) in &by {
                for &(j, dj) in &by {
                    let v = weight * di * dj;
                    match (i < n, j < n) {
                        (true, true) => all[(i, j)] += v,
                        (true, false) => with[(i, j - n)] += v,
                        (false, false) => own[(i - n, j - n)] += v,
                        (false, true) => {}
                    }
                }
            }
        }
    }
    if seen < 4 {
        return None;
    }
    let own = DMatrix::from_fn(6, 6, |i, j| own[(i, j)]).cholesky()?.inverse();
    Some(all - &with * own * with.transpose())
}

/// Side of the square at a corner, m: saddles lie half a square off the cross's line.
fn square_m(c: &CornerObs) -> f64 {
    2.0 * c.across_m.abs()
}

fn words(side: f64, height: f64, distance: &str) -> String {
    let vertical = if height > 0.1 {
        "upper "
    } else if height < -0.1 {
        "lower "
    } else {
        ""
    };
    let place = match (side, vertical) {
        (s, v) if s > 0.1 => format!("from the {v}right"),
        (s, v) if s < -0.1 => format!("from the {v}left"),
        (_, "upper ") => "from above".into(),
        (_, "lower ") => "from below".into(),
        _ => "from straight ahead".into(),
    };
    format!("{place}, {distance}")
}

/// Advice from a solution; `photo` is the one that wall points are seen from.
pub(super) fn advise(
    solution: &Solution,
    photos: &[Vec<CornerObs>],
    numbers: &[usize],
    frame: &WallFrame,
    photo: usize,
) -> Advice {
    best(solution, photos, numbers, frame, photo).unwrap_or_else(|| Advice {
        sentence: "wall positions between the sheets cannot be judged: the tripod photo does not show them".into(),
        ..Advice::default()
    })
}

fn best(
    solution: &Solution,
    photos: &[Vec<CornerObs>],
    numbers: &[usize],
    frame: &WallFrame,
    photo: usize,
) -> Option<Advice> {
    let state = &solution.state;
    let (lo, hi) = zone(state, photos.iter().flatten().copied())?;
    let mut points = Vec::new();
    for i in 0..POINTS {
        for j in 0..POINTS {
            let part = |a: f64, b: f64, k: usize| a + (b - a) * (k as f64 + 0.5) / POINTS as f64;
            let w = WallPoint::new(part(lo.x_m, hi.x_m, i), part(lo.y_m, hi.y_m, j));
            points.extend(wall_by_unknowns(solution, &solution.columns, photo, w));
        }
    }
    if points.is_empty() {
        return None;
    }
    let known = solution.information();
    let now = doubt(&points, &inverse(&known)?);
    // Every corner of every sheet, as a new photo would see it.
    let mut u: Vec<f64> = photos.iter().flatten().map(|c| c.u_px).collect();
    u.sort_by(f64::total_cmp);
    let u_px = *u.get(u.len() / 2)? * solution.unit_variance().sqrt();
    let corners: Vec<CornerObs> = numbers
        .iter()
        .enumerate()
        .flat_map(|(i, &n)| {
            let g = frame.geometry.of(n);
            (0..SADDLES).map(move |k| corner_obs(i, g, &Corner::drawn(g, k)))
        })
        .collect();
    let middle = Vector3::new(0.5 * (lo.x_m + hi.x_m), 0.5 * (lo.y_m + hi.y_m), 0.0);
    let away = state.poses[photo].eye().z.abs().max(0.3);
    let mut least: Option<(f64, String)> = None;
    for side in SIDES_RAD {
        for height in HEIGHTS_RAD {
            for (times, how) in DISTANCES {
                let d = times * away;
                let eye = middle + d * Vector3::new(side.sin() * height.cos(), height.sin(), side.cos() * height.cos());
                let Some(pose) = looking_at(eye, middle) else { continue };
                let Some(more) = added(solution, &corners, pose, u_px) else { continue };
                let Some(covariance) = inverse(&(&known + more)) else { continue };
                let then = doubt(&points, &covariance);
                if least.as_ref().is_none_or(|l| then < l.0) {
                    least = Some((then, words(side, height, how)));
                }
            }
        }
    }
    let tape =
        tape(solution, numbers).and_then(|(more, a, b)| Some((doubt(&points, &inverse(&(&known + more))?), a, b)));
    Some(sentence(now, least, tape))
}

/// One more tape distance between the two crosses farthest apart: its information, and the sheets.
fn tape(solution: &Solution, numbers: &[usize]) -> Option<(DMatrix<f64>, usize, usize)> {
    let sheets = &solution.state.sheets;
    let mut far: Option<(f64, usize, usize)> = None;
    for a in 0..sheets.len() {
        for b in a + 1..sheets.len() {
            let d = (sheets[a][0] - sheets[b][0]).hypot(sheets[a][1] - sheets[b][1]);
            if far.is_none_or(|f| d > f.0) {
                far = Some((d, a, b));
            }
        }
    }
    let (d, a, b) = far.filter(|f| f.0 > 0.1)?;
    let n = solution.columns.count;
    let mut row = DVector::<f64>::zeros(n);
    for (sheet, sign) in [(a, -1.0), (b, 1.0)] {
        for k in 0..2 {
            let column = solution.columns.sheets[sheet][k];
            if column != super::bundle::HELD {
                row[column] += sign * (sheets[b][k] - sheets[a][k]) / d / TAPE_U_M;
            }
        }
    }
    Some((&row * row.transpose(), numbers[a], numbers[b]))
}

fn sentence(now: f64, photo: Option<(f64, String)>, tape: Option<(f64, usize, usize)>) -> Advice {
    let by_photo = photo.as_ref().map_or(f64::INFINITY, |p| p.0);
    let by_tape = tape.as_ref().map_or(f64::INFINITY, |t| t.0);
    let advice = |sentence: String, then: f64| Advice { sentence, u_now_mm: 1e3 * now, u_then_mm: 1e3 * then };
    if now <= ENOUGH_M || by_photo.min(by_tape) > (1.0 - WORTH) * now {
        return advice(
            format!(
                "nothing more is needed: wall positions between the sheets are good to {}{FIELD}, and another photo would hardly help",
                mm(now)
            ),
            now,
        );
    }
    match (photo, tape) {
        (_, Some((then, a, b))) if by_tape < by_photo => advice(
            format!(
                "a tape distance between the crosses of sheets {a} and {b}, good to ± {:.0} mm, would help most: wall positions would be good to {} instead of {}{FIELD}",
                2e3 * TAPE_U_M,
                mm(then),
                mm(now)
            ),
            then,
        ),
        (Some((then, place)), _) => advice(
            format!(
                "one more photo would help, {place}: wall positions would be good to {} instead of {}{FIELD}",
                mm(then),
                mm(now)
            ),
            then,
        ),
        _ => Advice::default(),
    }
}
