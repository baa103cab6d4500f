//! How far can each part of the wall be trusted?
//!
//! A wall point is seen by a fixed pixel of the tripod photo. Its place depends on the lens and on that photo's pose, and through
//! the adjustment's covariance on everything else: layout, printed scale, tapes. cov(w) = J cov J', J = dw / d(lens, pose).

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use super::bundle::{Columns, HELD, Solution, State, corner_on_wall};
use super::lens;
use super::view::WallView;
use crate::points::WallPoint;

/// How far beyond the outermost corners the map reaches, m.
const MARGIN_M: f64 = 0.3;
/// Cells along the longer side of the map.
const CELLS: f64 = 40.0;
/// Finest step, mm.
const LEAST_STEP_MM: f64 = 20.0;
/// Least side of the wall that matters, m: marks lie about the sheets, also where all sheets hang in one place.
const LEAST_ZONE_M: f64 = 0.8;

/// The whole standard uncertainty of wall points on a grid.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrustMap {
    /// First column, mm to the right of the origin.
    pub x0_mm: f64,
    /// Lowest row, mm above the origin.
    pub y0_mm: f64,
    /// Between columns and between rows, mm.
    pub step_mm: f64,
    /// Number of columns.
    pub columns: usize,
    /// Number of rows.
    pub rows: usize,
    /// Standard uncertainty along the worse direction, mm, row by row from the bottom; `null` where the photo does not see the wall.
    pub u_mm: Vec<Option<f64>>,
}

/// Lowest left and highest right of all corners on the wall, m.
pub fn extent(
    state: &State,
    corners: impl Iterator<Item = super::bundle::CornerObs>,
) -> Option<(WallPoint, WallPoint)> {
    let mut found: Option<(WallPoint, WallPoint)> = None;
    for c in corners {
        let x = corner_on_wall(state, &c).0;
        let p = WallPoint::new(x.x, x.y);
        let (lo, hi) = found.unwrap_or((p, p));
        found = Some((
            WallPoint::new(lo.x_m.min(p.x_m), lo.y_m.min(p.y_m)),
            WallPoint::new(hi.x_m.max(p.x_m), hi.y_m.max(p.y_m)),
        ));
    }
    found
}

/// The part of the wall that matters: between the sheets, at least [`LEAST_ZONE_M`] wide and high.
pub(super) fn zone(
    state: &State,
    corners: impl Iterator<Item = super::bundle::CornerObs>,
) -> Option<(WallPoint, WallPoint)> {
    let (lo, hi) = extent(state, corners)?;
    let grow = |a: f64, b: f64| {
        let more = (0.5 * (LEAST_ZONE_M - (b - a))).max(0.0);
        (a - more, b + more)
    };
    let ((x0, x1), (y0, y1)) = (grow(lo.x_m, hi.x_m), grow(lo.y_m, hi.y_m));
    Some((WallPoint::new(x0, y0), WallPoint::new(x1, y1)))
}

/// dw / d(unknowns) for a wall point seen in a photo: rows x and y; `None` when the photo does not see it.
pub(super) fn wall_by_unknowns(
    solution: &Solution,
    columns: &Columns,
    photo: usize,
    w: WallPoint,
) -> Option<Vec<(usize, [f64; 2])>> {
    let lens = solution.state.lens;
    let view = WallView { lens, pose: solution.state.poses[photo] };
    let p = view.pixel_from_wall(w)?;
    let inside = p.x_px >= 0.0
        && p.y_px >= 0.0
        && p.x_px <= f64::from(lens.width) - 1.0
        && p.y_px <= f64::from(lens.height) - 1.0;
    if !inside {
        return None;
    }
    let d = view.wall_by_parameters(w)?;
    let mut out = Vec::with_capacity(lens::N + 6);
    for k in 0..lens::N {
        if columns.lens[k] != HELD {
            let ratio = if k == 1 && columns.lens[1] == columns.lens[0] { lens.fy / lens.fx } else { 1.0 };
            out.push((columns.lens[k], d.by_lens[k].map(|v| v * ratio)));
        }
    }
    if columns.poses[photo] != HELD {
        out.extend(d.by_pose.iter().enumerate().map(|(k, &v)| (columns.poses[photo] + k, v)));
    }
    Some(out)
}

/// Covariance of a wall point, m^2.
pub(super) fn wall_covariance(by: &[(usize, [f64; 2])], covariance: &DMatrix<f64>) -> [[f64; 2]; 2] {
    let mut out = [[0.0; 2]; 2];
    for &(i, di) in by {
        for &(j, dj) in by {
            let c = covariance[(i, j)];
            for a in 0..2 {
                for b in 0..2 {
                    out[a][b] += di[a] * c * dj[b];
                }
            }
        }
    }
    out
}

/// Larger root of a 2 x 2 covariance's eigenvalues: u along the worse direction.
fn worse(c: &[[f64; 2]; 2]) -> f64 {
    let (mean, half) = (0.5 * (c[0][0] + c[1][1]), 0.5 * (c[0][0] - c[1][1]));
    (mean + half.hypot(c[0][1])).max(0.0).sqrt()
}

/// The map as seen from a photo. `corners` of the solution's photos say where the sheets are.
pub fn trust_map(
    solution: &Solution,
    covariance: &DMatrix<f64>,
    corners: &[Vec<super::bundle::CornerObs>],
    photo: usize,
) -> Option<TrustMap> {
    let (lo, hi) = zone(&solution.state, corners.iter().flatten().copied())?;
    let (width, height) = (hi.x_m - lo.x_m + 2.0 * MARGIN_M, hi.y_m - lo.y_m + 2.0 * MARGIN_M);
    let step_mm = (1e3 * width.max(height) / CELLS / 10.0).ceil().max(0.1 * LEAST_STEP_MM) * 10.0;
    let first = |v: f64| (1e3 * (v - MARGIN_M) / step_mm).floor() * step_mm;
    let (x0_mm, y0_mm) = (first(lo.x_m), first(lo.y_m));
    let count = |from: f64, to: f64| (((1e3 * (to + MARGIN_M) - from) / step_mm).ceil() as usize + 1).min(200);
    let (columns, rows) = (count(x0_mm, hi.x_m), count(y0_mm, hi.y_m));
    let mut u_mm = Vec::with_capacity(columns * rows);
    for row in 0..rows {
        for column in 0..columns {
            let w = WallPoint::new(1e-3 * (x0_mm + column as f64 * step_mm), 1e-3 * (y0_mm + row as f64 * step_mm));
            let u = wall_by_unknowns(solution, &solution.columns, photo, w)
                .map(|by| 1e3 * worse(&wall_covariance(&by, covariance)));
            // Files keep a micrometre.
            u_mm.push(u.filter(|u| u.is_finite()).map(|u| (1e3 * u).round() * 1e-3));
        }
    }
    Some(TrustMap { x0_mm, y0_mm, step_mm, columns, rows, u_mm })
}
