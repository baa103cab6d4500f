//! Which one thing would explain what the adjustment leaves: a sheet that was bumped, one that is not flat, a photo with another zoom?
//!
//! For each such hypothesis the adjustment would get a few unknowns more: the place of one sheet in one photo, one photo's own
//! focal length, one sheet's relief. One linear step from the solution, with all other unknowns free to follow, says by how
//! much chi-squared would fall and how large the change would be (the score test: C. R. Rao, *Proc. Camb. Phil. Soc.* 44, 50, 1948):
//!
//! fall = g' S^-1 g,  change = S^-1 g,  S = Hdd - Hdt Htt^-1 Htd.
//!
//! The hypothesis that explains most, for its number of unknowns, comes first.

use nalgebra::{DMatrix, DVector};

use super::bundle::{
    CornerObs, Free, Knowledge, Linear, RELIEF, Solution, State, adjust, by_columns, corner_on_wall, huber_weight,
    linear,
};
use super::start::pose_of_plane;
use super::view::Pose;

/// Least fall of chi-squared, in the photos' own scatter: with three unknowns 30 comes by chance once in 700 000 (with five: 70 000).
const LEAST_FALL: f64 = 30.0;
/// Smallest sheet's move that is named, m: less does not matter beside the doubts of paper.
const LEAST_MOVE_M: f64 = 0.3e-3;
/// Smallest change of focal length that is named.
const LEAST_ZOOM: f64 = 5e-4;
/// Smallest height of paper off the wall that is named, m: taped sheets lie within less.
const LEAST_RELIEF_M: f64 = 1.0e-3;
/// A move must leave no more than this share of its sheet's own misfit, or it is not a move but a bad corner.
const LEFT_BY_A_MOVE: f64 = 0.35;
/// Least corners of a sheet that can be said to have moved.
const LEAST_CORNERS: usize = 3;
/// An unknown that the photos hardly see beside the others: share of its information that is left.
const LEAST_LEFT: f64 = 1e-6;

/// One thing that may be wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Suspect {
    /// A sheet hung elsewhere in one photo than in the others.
    Moved {
        /// Index of the sheet.
        sheet: usize,
        /// Index of the photo.
        photo: usize,
    },
    /// A photo has its own focal length.
    Zoomed {
        /// Index of the photo.
        photo: usize,
        /// New over common focal length.
        factor: f64,
    },
    /// A sheet is not flat.
    Curled {
        /// Index of the sheet.
        sheet: usize,
        /// Its relief, m.
        relief: [f64; RELIEF],
    },
}

/// Normal equations of one hypothesis.
struct Extra {
    suspect: Suspect,
    size: usize,
    right: DVector<f64>,
    own: DMatrix<f64>,
    with: DMatrix<f64>,
}

impl Extra {
    fn new(suspect: Suspect, size: usize, n: usize) -> Self {
        let (right, own, with) = (DVector::zeros(size), DMatrix::zeros(size, size), DMatrix::zeros(n, size));
        Self { suspect, size, right, own, with }
    }

    fn add(&mut self, d: &[f64], residual: f64, weight: f64, by: &[(usize, f64)]) {
        for i in 0..self.size {
            self.right[i] += weight * d[i] * residual;
            for j in 0..self.size {
                self.own[(i, j)] += weight * d[i] * d[j];
            }
            for &(column, v) in by {
                self.with[(column, i)] += weight * v * d[i];
            }
        }
    }

    /// Fall of chi-squared and change; `None` where the photos do not see it.
    fn solve(&self, inverse: &DMatrix<f64>) -> Option<(f64, DVector<f64>)> {
        let s = &self.own - self.with.transpose() * inverse * &self.with;
        let seen = (0..self.size).all(|i| s[(i, i)] > LEAST_LEFT * self.own[(i, i)] && s[(i, i)] > 0.0);
        if !seen {
            return None;
        }
        let change = s.cholesky()?.solve(&self.right);
        let fall = self.right.dot(&change);
        (fall.is_finite() && change.iter().all(|v| v.is_finite())).then_some((fall, change))
    }
}

/// What a corner weighs and says of its own sheet, for the second look at a move.
struct Cell {
    rows: Vec<([f64; 3], f64)>,
    corners: usize,
}

impl Cell {
    /// Share of this sheet's misfit that is left when it may move.
    fn left(&self) -> f64 {
        let (mut h, mut g, mut all) = (nalgebra::Matrix3::zeros(), nalgebra::Vector3::zeros(), 0.0);
        for (d, r) in &self.rows {
            let d = nalgebra::Vector3::from_row_slice(d);
            h += d * d.transpose();
            g += d * *r;
            all += r * r;
        }
        match h.cholesky() {
            Some(c) => (1.0 - g.dot(&c.solve(&g)) / all).max(0.0),
            None => 1.0,
        }
    }
}

/// The one thing that explains most, when anything does. `modelled` are the sheets whose relief is adjusted already.
pub fn most_suspect(solution: &Solution, photos: &[Vec<CornerObs>], modelled: &[usize]) -> Option<Suspect> {
    let inverse = solution.inverse()?;
    let state = &solution.state;
    let (n, sheets) = (solution.columns.count, state.sheets.len());
    let mut curled: Vec<Extra> =
        (0..sheets).map(|sheet| Extra::new(Suspect::Curled { sheet, relief: [0.0; RELIEF] }, RELIEF, n)).collect();
    let mut others: Vec<Extra> = Vec::new();
    let mut cells: Vec<Option<Cell>> = Vec::new();
    let mut sizes = Vec::new();
    for (photo, corners) in photos.iter().enumerate() {
        let mut zoom = Extra::new(Suspect::Zoomed { photo, factor: 1.0 }, 1, n);
        let mut moved: Vec<Extra> =
            (0..sheets).map(|sheet| Extra::new(Suspect::Moved { sheet, photo }, 3, n)).collect();
        let mut seen: Vec<Cell> = (0..sheets).map(|_| Cell { rows: Vec::new(), corners: 0 }).collect();
        for c in corners {
            let Some(l) = linear(state, photo, c) else { continue };
            seen[c.sheet].corners += 1;
            for r in 0..2 {
                let by = by_columns(state, &solution.columns, photo, c, &l, r);
                let residual = l.residual[r];
                let weight = huber_weight(residual / c.u_px) / (c.u_px * c.u_px);
                sizes.push((residual / c.u_px).powi(2));
                let place: [f64; 3] = std::array::from_fn(|k| l.by_sheet[r][k]);
                moved[c.sheet].add(&place, residual, weight, &by);
                curled[c.sheet].add(&l.by_relief[r], residual, weight, &by);
                zoom.add(&[by_focal(state, &l, r)], residual, weight, &by);
                seen[c.sheet].rows.push((place.map(|d| d / c.u_px), residual / c.u_px));
            }
        }
        others.push(zoom);
        cells.push(None);
        for (m, s) in moved.into_iter().zip(seen) {
            if s.corners >= LEAST_CORNERS {
                others.push(m);
                cells.push(Some(s));
            }
        }
    }
    if sizes.is_empty() {
        return None;
    }
    let rows = sizes.len() as f64;
    let k = sizes.len() / 2;
    // Median of a chi-squared with one degree of freedom is 0.455; u is stated, so less is chance.
    let scatter = (*sizes.select_nth_unstable_by(k, f64::total_cmp).1 / 0.455).max(1.0);
    let mut best: Option<(f64, Suspect)> = None;
    let all = others.iter().zip(cells.iter().map(Option::as_ref)).chain(curled.iter().map(|e| (e, None)));
    for (extra, cell) in all {
        let Some((fall, change)) = extra.solve(&inverse) else { continue };
        if fall < LEAST_FALL * scatter {
            continue;
        }
        let suspect = match extra.suspect {
            Suspect::Moved { .. } => {
                let enough =
                    change[0].hypot(change[1]) > LEAST_MOVE_M && cell.is_some_and(|c| c.left() < LEFT_BY_A_MOVE);
                enough.then_some(extra.suspect)
            }
            Suspect::Zoomed { photo, .. } => (change[0].abs() > LEAST_ZOOM)
                .then(|| Suspect::Zoomed { photo, factor: (1.0 + change[0]).clamp(0.3, 3.0) }),
            Suspect::Curled { sheet, .. } => {
                let relief = std::array::from_fn(|k| change[k]);
                (highest(&relief).0 > LEAST_RELIEF_M && !modelled.contains(&sheet))
                    .then_some(Suspect::Curled { sheet, relief })
            }
        };
        let worth = fall - extra.size as f64 * rows.ln() * scatter;
        if let Some(s) = suspect
            && best.is_none_or(|b| worth > b.0)
        {
            best = Some((worth, s));
        }
    }
    best.map(|b| b.1)
}

fn by_focal(state: &State, l: &Linear, r: usize) -> f64 {
    state.lens.fx * l.by_lens[r][0] + state.lens.fy * l.by_lens[r][1]
}

/// How high the paper stands off the wall at most among its saddles (m), and where: (right of the middle, rows above it).
pub fn highest(relief: &[f64; RELIEF]) -> (f64, (f64, f64)) {
    let mut best = (0.0, (0.0, 0.0));
    for saddle in 0..crate::sheet::geometry::SADDLES {
        let basis = super::bundle::relief_basis(saddle);
        let z: f64 = basis.iter().zip(relief).map(|(b, h)| b * h).sum();
        if z.abs() > best.0 {
            best = (z.abs(), (basis[1], basis[2]));
        }
    }
    best
}

/// Focal length of one photo over the common one, adjusted by itself with the layout held; its pose follows.
pub fn own_focal(state: &State, corners: &[CornerObs], start: f64) -> Option<f64> {
    let mut lens = state.lens;
    (lens.fx, lens.fy) = (lens.fx * start, lens.fy * start);
    let points: Vec<_> = corners
        .iter()
        .map(|c| {
            let x = corner_on_wall(state, c).0;
            ([x.x, x.y], c.pixel)
        })
        .collect();
    let from = State { lens, poses: vec![pose_of_plane(&lens, &points)?], ..state.clone() };
    let mut free = Free::poses_only();
    (free.lens[0], free.lens[1]) = (true, true);
    let s = adjust(&from, &free, &[corners.to_vec()], &Knowledge { robust: true, ..Knowledge::nothing() }, 60);
    let factor = s.state.lens.fx / state.lens.fx;
    (factor.is_finite() && factor > 0.0).then_some(factor)
}

/// Where a sheet hung in one photo whose pose is known: x, y in m, turn in rad.
pub fn own_place(state: &State, pose: Pose, corners: &[CornerObs]) -> Option<[f64; 3]> {
    let sheet = corners.first()?.sheet;
    let from = State { poses: vec![pose], ..state.clone() };
    let free = Free { poses: false, loose: vec![sheet], ..Free::poses_only() };
    let s = adjust(&from, &free, &[corners.to_vec()], &Knowledge::nothing(), 40);
    Some(s.state.sheets[sheet])
}
