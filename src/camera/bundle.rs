//! Which lens, poses and sheet layout explain all measured corners at once?
//!
//! One weighted least-squares adjustment over every photo. Unknown are the lens (the terms that are
//! set free), the printed scale across and down of each kind of board, each sheet's place and turn, and a pose a photo:
//!
//! corner pixel = project(lens, R X + t),   X = cross + Rot(turn) (s_across a, s_down b, 0) + z(p, q)
//!
//! with (a, b) the corner's place from its sheet's cross as drawn, and z how far the paper stands off the wall there: zero,
//! but for a sheet that is known to be curled ([`relief_basis`]). Tape distances between crosses,
//! the bars, the level line and what is known of lenses beforehand are observations with a u of their own.
//! Minimised by Levenberg-Marquardt with Huber weights (P. J. Huber, *Ann. Math. Stat.* 35, 73, 1964);
//! derivatives are analytic. The covariance is the inverse normal matrix, scaled by chi-squared per
//! degree of freedom where that exceeds one.

use nalgebra::{DMatrix, DVector, Vector3};

use super::lens;
use super::unknowns::stepped;
use super::view::pose_column;

pub use super::unknowns::{Columns, CornerObs, Free, HELD, Knowledge, PrintKnown, RELIEF, State, relief_basis};

/// Where Huber's weights begin to fall, in u: 2.5 keeps 97 % efficiency on clean data.
const HUBER: f64 = 2.5;

/// What the adjustment found.
#[derive(Clone, Debug)]
pub struct Solution {
    /// The unknowns.
    pub state: State,
    /// Sum of Huber's rho over all observations (half squared residuals in u, for small ones).
    pub cost: f64,
    /// The corners' part of it.
    pub corner_cost: f64,
    /// Normal matrix at the solution.
    pub normal: DMatrix<f64>,
    /// The part of it that comes from what is known besides corners.
    pub known: DMatrix<f64>,
    /// Where each unknown stands in it.
    pub columns: Columns,
    /// Residual of each corner, measured - predicted, px, photo by photo; NaN where it cannot be projected.
    pub residuals_px: Vec<Vec<[f64; 2]>>,
    /// Observations less unknowns.
    pub dof: f64,
    /// See [`Knowledge::robust`].
    pub robust: bool,
}

impl Solution {
    /// RMS of the corners' residual distances, px (as OpenCV's calibration reports it).
    pub fn rms_px(&self) -> f64 {
        let all: Vec<f64> = self.residuals_px.iter().flatten().map(|r| r[0] * r[0] + r[1] * r[1]).collect();
        (all.iter().sum::<f64>() / all.len().max(1) as f64).sqrt()
    }

    /// Variance of unit weight of the corners: by how much their residuals exceed their stated u, squared; at least one where u is
    /// stated ([`Knowledge::robust`]).
    pub fn unit_variance(&self) -> f64 {
        let s2 = 2.0 * self.corner_cost / self.dof.max(1.0);
        if self.robust { s2.max(1.0) } else { s2 }
    }

    /// Inverse of the normal matrix; `None` when some unknowns are not determined.
    pub fn inverse(&self) -> Option<DMatrix<f64>> {
        inverse(&self.normal)
    }

    /// Information on all free unknowns: corners weigh as their residuals say, what is known besides as it was stated.
    pub fn information(&self) -> DMatrix<f64> {
        (&self.normal - &self.known) / self.unit_variance() + &self.known
    }

    /// Covariance of all free unknowns; `None` when some are not determined.
    pub fn covariance(&self) -> Option<DMatrix<f64>> {
        inverse(&self.information())
    }
}

/// Inverse of a symmetric matrix of unknowns that differ by many orders of magnitude (px, rad, k3): scaled to unit diagonal first.
pub fn inverse(normal: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let n = normal.nrows();
    let d = DVector::from_fn(n, |i, _| 1.0 / normal[(i, i)].sqrt());
    let scaled = DMatrix::from_fn(n, n, |i, j| normal[(i, j)] * d[i] * d[j]);
    let inverse = scaled.cholesky()?.inverse();
    Some(DMatrix::from_fn(n, n, |i, j| inverse[(i, j)] * d[i] * d[j]))
}

/// Wall point of a corner, and its derivatives by the sheet's x, y, turn and the two scales.
pub fn corner_on_wall(state: &State, c: &CornerObs) -> (Vector3<f64>, [Vector3<f64>; 5]) {
    let [x, y, turn] = state.sheets[c.sheet];
    let (s, co) = turn.sin_cos();
    let scale = state.prints[state.print_of[c.sheet]];
    let (a, b) = (scale[0] * c.across_m, scale[1] * c.up_m);
    let z = relief_basis(c.saddle).iter().zip(&state.relief[c.sheet]).map(|(b, h)| b * h).sum();
    let at = Vector3::new(x + co * a - s * b, y + s * a + co * b, z);
    let by = [
        Vector3::new(1.0, 0.0, 0.0),
        Vector3::new(0.0, 1.0, 0.0),
        Vector3::new(-s * a - co * b, co * a - s * b, 0.0),
        Vector3::new(co * c.across_m, s * c.across_m, 0.0),
        Vector3::new(-s * c.up_m, co * c.up_m, 0.0),
    ];
    (at, by)
}

/// One observation's row: residual over u, and derivatives of the prediction over u by column.
struct Row {
    residual: f64,
    by: Vec<(usize, f64)>,
    robust: bool,
}

/// A corner's prediction with all that the hypotheses about it need.
pub struct Linear {
    /// Measured less predicted, px.
    pub residual: [f64; 2],
    /// Derivatives of the predicted pixel by the sheet's x, y, turn and its scales, px per unit.
    pub by_sheet: [[f64; 5]; 2],
    /// By the sheet's relief.
    pub by_relief: [[f64; RELIEF]; 2],
    /// By the lens terms.
    pub by_lens: [[f64; lens::N]; 2],
    /// By the pose's six steps.
    pub by_pose: [[f64; 6]; 2],
}

/// A corner's prediction and derivatives; `None` when it cannot be projected.
pub fn linear(state: &State, photo: usize, c: &CornerObs) -> Option<Linear> {
    let (x, by_sheet) = corner_on_wall(state, c);
    let pose = &state.poses[photo];
    let turned = pose.rotation * x;
    let p = state.lens.project_with_derivatives(&(turned + pose.translation))?;
    let dot = |r: usize, v: &Vector3<f64>| (0..3).map(|i| p.by_point[r][i] * v[i]).sum::<f64>();
    let along = by_sheet.map(|d| pose.rotation * d);
    let out_of_wall = pose.rotation * Vector3::z();
    let basis = relief_basis(c.saddle);
    Some(Linear {
        residual: [c.pixel.x_px - p.pixel.x_px, c.pixel.y_px - p.pixel.y_px],
        by_sheet: [0, 1].map(|r| std::array::from_fn(|k| dot(r, &along[k]))),
        by_relief: [0, 1].map(|r| basis.map(|b| b * dot(r, &out_of_wall))),
        by_lens: p.by_lens,
        by_pose: [0, 1].map(|r| std::array::from_fn(|k| dot(r, &pose_column(&turned, k)))),
    })
}

/// Derivatives of one pixel coordinate by the free unknowns: (column, px per unit).
pub fn by_columns(
    state: &State,
    columns: &Columns,
    photo: usize,
    c: &CornerObs,
    l: &Linear,
    r: usize,
) -> Vec<(usize, f64)> {
    let mut by: Vec<(usize, f64)> = Vec::with_capacity(25);
    for k in 0..lens::N {
        if columns.lens[k] != HELD {
            // fy that follows fx keeps its ratio.
            let ratio = if k == 1 && columns.lens[1] == columns.lens[0] { state.lens.fy / state.lens.fx } else { 1.0 };
            by.push((columns.lens[k], ratio * l.by_lens[r][k]));
        }
    }
    let prints = columns.prints[state.print_of[c.sheet]];
    for (column, d) in columns.sheets[c.sheet].into_iter().chain(prints).zip(l.by_sheet[r]) {
        if column != HELD {
            by.push((column, d));
        }
    }
    if columns.relief[c.sheet] != HELD {
        by.extend(l.by_relief[r].iter().enumerate().map(|(k, &d)| (columns.relief[c.sheet] + k, d)));
    }
    if columns.poses[photo] != HELD {
        by.extend(l.by_pose[r].iter().enumerate().map(|(k, &d)| (columns.poses[photo] + k, d)));
    }
    by
}

/// The two rows of a corner, `None` when it cannot be projected.
fn corner_rows(
    state: &State,
    columns: &Columns,
    photo: usize,
    c: &CornerObs,
    robust: bool,
) -> Option<([Row; 2], [f64; 2])> {
    let l = linear(state, photo, c)?;
    let w = 1.0 / c.u_px;
    let rows = [0, 1].map(|r| {
        let mut by = by_columns(state, columns, photo, c, &l, r);
        by.iter_mut().for_each(|b| b.1 *= w);
        Row { residual: l.residual[r] * w, by, robust }
    });
    Some((rows, l.residual))
}

fn knowledge_rows(state: &State, columns: &Columns, k: &Knowledge) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut add = |residual: f64, u: f64, by: &[(usize, f64)]| {
        let by: Vec<_> = by.iter().filter(|b| b.0 != HELD).map(|&(c, d)| (c, d / u)).collect();
        if !by.is_empty() {
            rows.push(Row { residual: residual / u, by, robust: false });
        }
    };
    for &(a, b, distance, u) in &k.tapes {
        let (p, q) = (state.sheets[a], state.sheets[b]);
        let (dx, dy) = (q[0] - p[0], q[1] - p[1]);
        let d = dx.hypot(dy).max(1e-9);
        let (ca, cb) = (columns.sheets[a], columns.sheets[b]);
        add(distance - d, u, &[(cb[0], dx / d), (cb[1], dy / d), (ca[0], -dx / d), (ca[1], -dy / d)]);
    }
    for (pair, axis) in [(k.level, 1), (k.plumb, 0)] {
        if let Some((a, b, u)) = pair {
            let off = state.sheets[b][axis] - state.sheets[a][axis];
            add(-off, u, &[(columns.sheets[b][axis], 1.0), (columns.sheets[a][axis], -1.0)]);
        }
    }
    if let (Some((turn, u)), Some(origin)) = (k.upright_rad, columns.sheets.iter().position(|s| s[0] == HELD)) {
        add(turn - state.sheets[origin][2], u, &[(columns.sheets[origin][2], 1.0)]);
    }
    for ((known, scale), &[ca, cd]) in k.prints.iter().zip(&state.prints).zip(&columns.prints) {
        add(known.across.0 - scale[0], known.across.1, &[(ca, 1.0)]);
        if let Some((value, u)) = known.down {
            add(value - scale[1], u, &[(cd, 1.0)]);
        }
        add(scale[0] - scale[1], known.ratio_u, &[(cd, 1.0), (ca, -1.0)]);
    }
    for (relief, &first) in state.relief.iter().zip(&columns.relief).filter(|(_, c)| **c != HELD) {
        for (i, h) in relief.iter().enumerate() {
            add(-h, k.relief_u_m, &[(first + i, 1.0)]);
        }
    }
    for (t, (&(value, u), &column)) in k.lens.iter().zip(&columns.lens).enumerate() {
        if u.is_finite() && !(t == 1 && columns.lens[1] == columns.lens[0]) {
            add(value - state.lens.terms()[t], u, &[(column, 1.0)]);
        }
    }
    rows
}

fn rho_and_weight(r: f64, robust: bool) -> (f64, f64) {
    if !robust || r.abs() <= HUBER { (0.5 * r * r, 1.0) } else { (HUBER * (r.abs() - 0.5 * HUBER), HUBER / r.abs()) }
}

/// Huber's weight of a residual in u.
pub fn huber_weight(r: f64) -> f64 {
    rho_and_weight(r, true).1
}

struct Normal {
    cost: f64,
    corner_cost: f64,
    matrix: DMatrix<f64>,
    known: DMatrix<f64>,
    right: DVector<f64>,
    residuals_px: Vec<Vec<[f64; 2]>>,
    rows: usize,
}

/// Sums over rows that depend on the same unknowns, such as those of one sheet's corners in one photo: side by side until all are in.
#[derive(Default)]
struct Block {
    columns: Vec<usize>,
    right: Vec<f64>,
    matrix: Vec<f64>,
    values: Vec<f64>,
}

impl Block {
    fn of(by: &[(usize, f64)]) -> Self {
        let n = by.len();
        let columns = by.iter().map(|b| b.0).collect();
        Self { columns, right: vec![0.0; n], matrix: vec![0.0; n * n], values: vec![0.0; n] }
    }

    fn take(&mut self, by: &[(usize, f64)], weight: f64, residual: f64) {
        self.values.iter_mut().zip(by).for_each(|(v, b)| *v = b.1);
        let rows = self.matrix.chunks_exact_mut(self.values.len().max(1));
        for ((row, right), value) in rows.zip(&mut self.right).zip(&self.values) {
            let weighted = weight * value;
            *right += weighted * residual;
            row.iter_mut().zip(&self.values).for_each(|(sum, v)| *sum += weighted * v);
        }
    }

    /// Adds the sums to where their unknowns stand, below the diagonal, and starts anew.
    fn add_to(&mut self, out: &mut Normal) {
        let rows = self.matrix.chunks_exact(self.columns.len().max(1));
        for (a, (row, &i)) in rows.zip(&self.columns).enumerate() {
            out.right[i] += self.right[a];
            for (v, &j) in row[..=a].iter().zip(&self.columns) {
                out.matrix[(i.max(j), i.min(j))] += v;
            }
        }
        *self = Self::default();
    }
}

fn normal(state: &State, columns: &Columns, photos: &[Vec<CornerObs>], knowledge: &Knowledge) -> Normal {
    let n = columns.count;
    let mut out = Normal {
        cost: 0.0,
        corner_cost: 0.0,
        matrix: DMatrix::zeros(n, n),
        known: DMatrix::zeros(0, 0),
        right: DVector::zeros(n),
        residuals_px: Vec::with_capacity(photos.len()),
        rows: 0,
    };
    let mut block = Block::default();
    let take = |row: &Row, block: &mut Block, out: &mut Normal| {
        let (rho, w) = rho_and_weight(row.residual, row.robust);
        out.cost += rho;
        out.rows += 1;
        if !row.by.iter().map(|b| b.0).eq(block.columns.iter().copied()) {
            block.add_to(out);
            *block = Block::of(&row.by);
        }
        block.take(&row.by, w, row.residual);
    };
    for (photo, corners) in photos.iter().enumerate() {
        let mut residuals = Vec::with_capacity(corners.len());
        for c in corners {
            match corner_rows(state, columns, photo, c, knowledge.robust) {
                Some((rows, r)) => {
                    take(&rows[0], &mut block, &mut out);
                    take(&rows[1], &mut block, &mut out);
                    residuals.push(r);
                }
                // Behind the camera or beyond the lens: as bad as a thousand u, so that no step leads there.
                None => {
                    out.cost += 2.0 * HUBER * 1000.0;
                    residuals.push([f64::NAN; 2]);
                }
            }
        }
        out.residuals_px.push(residuals);
    }
    block.add_to(&mut out);
    out.corner_cost = out.cost;
    let corners = out.matrix.clone();
    for row in knowledge_rows(state, columns, knowledge) {
        take(&row, &mut block, &mut out);
    }
    block.add_to(&mut out);
    out.known = &out.matrix - corners;
    out.matrix.fill_upper_triangle_with_lower_triangle();
    out.known.fill_upper_triangle_with_lower_triangle();
    out
}

/// Adjusts `start` to the corners of each photo and to what is known; at most `rounds` steps.
pub fn adjust(start: &State, free: &Free, photos: &[Vec<CornerObs>], knowledge: &Knowledge, rounds: usize) -> Solution {
    let columns = Columns::new(start, free);
    let mut state = start.clone();
    let mut now = normal(&state, &columns, photos, knowledge);
    let mut damping = 1e-4;
    for _ in 0..rounds {
        let mut a = now.matrix.clone();
        for i in 0..columns.count {
            a[(i, i)] = a[(i, i)] * (1.0 + damping) + 1e-12;
        }
        let Some(step) = a.cholesky().map(|c| c.solve(&now.right)) else {
            damping *= 10.0;
            if damping > 1e9 {
                break;
            }
            continue;
        };
        let trial = stepped(&state, &columns, &step);
        let next = normal(&trial, &columns, photos, knowledge);
        let fine = trial.lens.fx > 0.0 && trial.lens.fy > 0.0 && next.cost.is_finite();
        if fine && next.cost < now.cost {
            let gain = now.cost - next.cost;
            let done = gain < 1e-9 * now.cost + 1e-12;
            (state, now) = (trial, next);
            damping = (damping * 0.2).max(1e-12);
            if done {
                break;
            }
        } else {
            damping *= 6.0;
            if damping > 1e9 {
                break;
            }
        }
    }
    let dof = now.rows as f64 - columns.count as f64;
    Solution {
        state,
        cost: now.cost,
        corner_cost: now.corner_cost,
        normal: now.matrix,
        known: now.known,
        residuals_px: now.residuals_px,
        columns,
        dof,
        robust: knowledge.robust,
    }
}
