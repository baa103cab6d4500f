//! Which changed places belong together, and which are too big to be marks?
//!
//! Places closer than a mark's width may share marks and are cut out as one patch. A place far larger than all
//! shots of a volley could make is something else - a person, a hose, a shadow's edge: it is named, not fitted.

use super::detect::{Detection, Region};
use super::pair::{Pair, Reduced};
use super::patch::{RawPatch, cut};

/// A place may cover this many times the area of all the volley's marks laid side by side before it is too big.
const BIG: f64 = 3.0;
/// Space around a place, in usual radii: the fit needs unchanged wall around the marks.
const MARGIN_RADII: f64 = 1.2;
/// Largest patch side, usual radii: larger ones would cost minutes.
const LARGEST_RADII: f64 = 60.0;

/// What became of the changed places of a pair.
#[derive(Clone, Debug, Default)]
pub struct Groups {
    /// Patches to be explained by marks.
    pub patches: Vec<RawPatch>,
    /// Places too big for marks.
    pub too_big: Vec<Region>,
    /// Places on paper (sheets), strong enough to be marks.
    pub on_paper: Vec<Region>,
}

/// Cuts the changed places of a pair into patches. `excluded` cells (paper) do not start one.
pub fn group(
    pair: &Pair,
    reduced: &Reduced,
    detection: &Detection,
    shots: usize,
    radius_mm: f64,
    radius_cells: f64,
    excluded: &[bool],
) -> Groups {
    let mut out = Groups::default();
    let margin = (MARGIN_RADII * radius_cells).ceil() as usize;
    let one = std::f64::consts::PI * (radius_cells + detection.radius_cells).powi(2);
    let most = BIG * (shots.max(1) as f64 + 1.0) * one;
    let largest = LARGEST_RADII * radius_cells;
    let mut boxes: Vec<[usize; 4]> = Vec::new();
    for r in &detection.regions {
        let sides = [(r.x.1 - r.x.0) as f64, (r.y.1 - r.y.0) as f64];
        if r.cells as f64 > most || sides[0].max(sides[1]) > largest {
            out.too_big.push(r.clone());
            continue;
        }
        if excluded[r.peak.1 * reduced.width + r.peak.0] {
            // On paper a ball's mark is as strong as elsewhere; weaker changes there are the print's own edges.
            if r.significance > 3.0 * detection.threshold && r.cells as f64 > 0.3 * one {
                out.on_paper.push(r.clone());
            }
            continue;
        }
        boxes.push([
            r.x.0.saturating_sub(margin),
            (r.x.1 + margin).min(reduced.width - 1),
            r.y.0.saturating_sub(margin),
            (r.y.1 + margin).min(reduced.height - 1),
        ]);
    }
    let touch = |a: &[usize; 4], b: &[usize; 4]| a[0] <= b[1] && b[0] <= a[1] && a[2] <= b[3] && b[2] <= a[3];
    let mut merged = true;
    while merged {
        merged = false;
        'search: for i in 0..boxes.len() {
            for j in i + 1..boxes.len() {
                if touch(&boxes[i], &boxes[j]) {
                    let b = boxes.remove(j);
                    let a = &mut boxes[i];
                    *a = [a[0].min(b[0]), a[1].max(b[1]), a[2].min(b[2]), a[3].max(b[3])];
                    merged = true;
                    break 'search;
                }
            }
        }
    }
    for b in boxes {
        let Some(mut patch) = cut(pair, reduced, detection, (b[0], b[1]), (b[2], b[3]), radius_mm, excluded) else {
            continue;
        };
        let inside = |r: &&Region| r.peak.0 >= b[0] && r.peak.0 <= b[1] && r.peak.1 >= b[2] && r.peak.1 <= b[3];
        patch.significance = detection.regions.iter().filter(inside).map(|r| r.significance).fold(0.0, f64::max);
        out.patches.push(patch);
    }
    out
}
