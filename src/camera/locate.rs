//! Where did the camera stand when this photo was taken, and what doubt does the wall inherit?
//!
//! With lens and layout known, a photo's sheets give its pose. What the calibration got wrong, the pose
//! follows: by the implicit function theorem the least-squares pose moves by
//! dpose = -(Jp' W Jp)^-1 Jp' W Jc dc when the calibration's parameters c move. Together with
//! d(wall point) / d(pose, lens) this gives how each whitened factor of the calibration's covariance moves a
//! wall point: the doubt that all marks of a session share.

use nalgebra::{DMatrix, Matrix6, Vector6};

use super::bundle::{CornerObs, Free, Knowledge, State, adjust, corner_on_wall};
use super::calibrate::corner_obs;
use super::lens;
use super::start::pose_of_plane;
use super::view::{Pose, WallView};
use super::wall::Wall;
use crate::points::WallPoint;
use crate::sheet::SheetView;

/// Farthest a corner may be from its place for a photo's pose, in u, before it is dropped.
const LIMIT_U: f64 = 6.0;
/// Least corners for a pose.
const LEAST_CORNERS: usize = 4;

/// A photo whose place is known.
#[derive(Clone, Debug)]
pub struct Located {
    /// Lens and pose.
    pub view: WallView,
    /// Covariance of the pose's six steps from this photo's own corner noise.
    pub pose_covariance: Matrix6<f64>,
    /// d(pose step) / d(calibration parameter): 6 x number of parameters of the wall's covariance.
    pub pose_by_calibration: DMatrix<f64>,
    /// RMS of residual distances, px.
    pub rms_px: f64,
    /// Corners used.
    pub corners: usize,
    /// Corners dropped since they do not fit the rest.
    pub dropped: usize,
    /// The sheets used.
    pub sheets: Vec<usize>,
}

fn state_of(wall: &Wall, pose: Pose) -> State {
    State {
        lens: wall.camera,
        scale: wall.printed_scale,
        sheets: wall.sheets.iter().map(|s| [s.x_mm * 1e-3, s.y_mm * 1e-3, s.turn_deg.to_radians()]).collect(),
        poses: vec![pose],
    }
}

fn nothing_else() -> Knowledge {
    Knowledge {
        tapes: Vec::new(),
        level: None,
        plumb: None,
        upright_u_rad: None,
        scale_across: (1.0, 1.0),
        scale_down: None,
        scale_ratio_u: 1.0,
        lens: [(0.0, f64::INFINITY); lens::N],
    }
}

/// Poses a photo by its sheets; `None` when it shows too little of sheets that the wall knows.
pub fn locate(wall: &Wall, sheets: &[SheetView]) -> Option<Located> {
    let mut corners: Vec<CornerObs> = sheets
        .iter()
        .filter_map(|s| wall.sheets.iter().position(|w| w.number == s.number).map(|i| (i, s)))
        .flat_map(|(i, s)| s.corners.iter().map(move |c| corner_obs(i, wall.geometry(), c)))
        .collect();
    let found = corners.len();
    let far = Pose { rotation: nalgebra::Rotation3::identity(), translation: nalgebra::Vector3::zeros() };
    let mut state = state_of(wall, far);
    let points: Vec<_> = corners
        .iter()
        .map(|c| {
            let x = corner_on_wall(&state, c).0;
            ([x.x, x.y], c.pixel)
        })
        .collect();
    state.poses[0] = pose_of_plane(&wall.camera, &points)?;
    let free = Free { lens: [false; lens::N], square_pixels: false, scale: false, sheets_but: None, poses: true };
    loop {
        let s = adjust(&state, &free, &[corners.clone()], &nothing_else(), 40);
        let s2 = s.unit_variance();
        let r = &s.residuals_px[0];
        let off = |i: usize| r[i][0].abs().max(r[i][1].abs()) / corners[i].u_px;
        let worst = (0..corners.len()).max_by(|&a, &b| off(a).total_cmp(&off(b)))?;
        // One at a time, against the scatter of the others: a bumped sheet must not drag the rest along.
        let others: f64 = (0..corners.len()).filter(|&i| i != worst).map(|i| off(i).powi(2)).sum::<f64>()
            / (corners.len().max(2) - 1) as f64;
        if off(worst) > LIMIT_U * others.sqrt().max(1.0) && corners.len() > LEAST_CORNERS {
            corners.remove(worst);
            state = s.state;
            continue;
        }
        if corners.len() < LEAST_CORNERS {
            return None;
        }
        let inverse = Matrix6::from_fn(|i, j| s.normal[(i, j)]).try_inverse()?;
        let normal = pose_normal_by_calibration(wall, &s.state, &corners);
        let by_calibration = -DMatrix::from_fn(6, 6, |i, j| inverse[(i, j)]) * normal;
        let mut used: Vec<usize> = corners.iter().map(|c| wall.sheets[c.sheet].number).collect();
        used.sort_unstable();
        used.dedup();
        return Some(Located {
            view: WallView { lens: wall.camera, pose: s.state.poses[0] },
            pose_covariance: inverse * s2,
            pose_by_calibration: by_calibration,
            rms_px: s.rms_px(),
            dropped: found - corners.len(),
            corners: corners.len(),
            sheets: used,
        });
    }
}

/// Jp' W Jc: 6 x number of the covariance's parameters.
fn pose_normal_by_calibration(wall: &Wall, state: &State, corners: &[CornerObs]) -> DMatrix<f64> {
    let n = wall.covariance.parameters.len();
    let mut out = DMatrix::zeros(6, n);
    let rows: [Option<usize>; lens::N] = std::array::from_fn(|k| wall.lens_row(k));
    let (scale_across, scale_down) = (wall.row("scale_across"), wall.row("scale_down"));
    for c in corners {
        let (x, by_sheet) = corner_on_wall(state, c);
        let pose = &state.poses[0];
        let turned = pose.rotation * x;
        let Some(p) = state.lens.project_with_derivatives(&(turned + pose.translation)) else { continue };
        let number = wall.sheets[c.sheet].number;
        for r in 0..2 {
            let w = 1.0 / (c.u_px * c.u_px);
            let dot = |v: &nalgebra::Vector3<f64>| (0..3).map(|i| p.by_point[r][i] * v[i]).sum::<f64>();
            let jp = Vector6::from_fn(|k, _| dot(&super::view::pose_column(&turned, k)));
            let mut add = |column: Option<usize>, d: f64| {
                if let Some(j) = column {
                    for i in 0..6 {
                        out[(i, j)] += w * jp[i] * d;
                    }
                }
            };
            for (k, &row) in rows.iter().enumerate() {
                let row = if k == 1 && wall.square_pixels() { rows[0] } else { row };
                add(row, p.by_lens[r][k]);
            }
            for (k, axis) in ["x", "y", "turn"].iter().enumerate() {
                add(wall.row(&format!("sheet {number} {axis}")), dot(&(pose.rotation * by_sheet[k])));
            }
            add(scale_across, dot(&(pose.rotation * by_sheet[3])));
            add(scale_down, dot(&(pose.rotation * by_sheet[4])));
        }
    }
    out
}

impl Located {
    /// How the wall point shown by a fixed pixel moves with each whitened factor of the calibration
    /// (`whitened` from [`Wall::whitened`]): (x, y) in m per unit factor.
    pub fn shared_at(&self, wall: &Wall, whitened: &DMatrix<f64>, w: WallPoint) -> Option<Vec<[f64; 2]>> {
        let d = self.view.wall_by_parameters(w)?;
        let n = wall.covariance.parameters.len();
        // d(wall) / d(parameter): through the pose, and through the lens itself.
        let mut by = vec![[0.0; 2]; n];
        for (j, b) in by.iter_mut().enumerate() {
            for k in 0..6 {
                for a in 0..2 {
                    b[a] += d.by_pose[k][a] * self.pose_by_calibration[(k, j)];
                }
            }
        }
        for k in 0..lens::N {
            let row = if k == 1 && wall.square_pixels() { wall.lens_row(0) } else { wall.lens_row(k) };
            if let Some(j) = row {
                (0..2).for_each(|a| by[j][a] += d.by_lens[k][a]);
            }
        }
        Some(
            (0..whitened.ncols())
                .map(|f| std::array::from_fn(|a| (0..n).map(|j| by[j][a] * whitened[(j, f)]).sum()))
                .collect(),
        )
    }

    /// Covariance of a wall point from this photo's own pose noise, m^2.
    pub fn pose_covariance_at(&self, w: WallPoint) -> Option<[[f64; 2]; 2]> {
        let d = self.view.wall_by_parameters(w)?;
        let mut out = [[0.0; 2]; 2];
        for i in 0..6 {
            for j in 0..6 {
                for (a, row) in out.iter_mut().enumerate() {
                    for (b, v) in row.iter_mut().enumerate() {
                        *v += d.by_pose[i][a] * self.pose_covariance[(i, j)] * d.by_pose[j][b];
                    }
                }
            }
        }
        Some(out)
    }
}
