//! Which changed places belong together, and which are too big to be marks?
//!
//! Places closer than a mark's width may share marks and are cut out as one patch. A place far larger than all
//! shots of a volley could make is something else - a person, a hose, a shadow's edge: it is named, not fitted.

use serde::{Deserialize, Serialize};

use super::blocks::Reduced;
use super::detect::{Detection, Region};
use super::pair::Pair;
use super::patch::{RawPatch, cut};

/// A place may cover this many times the area of all the volley's marks laid side by side before it is too big.
const BIG: f64 = 3.0;
/// Space around a place, in usual radii: the fit needs unchanged wall around the marks.
const MARGIN_RADII: f64 = 1.2;
/// A place this much longer than wide, and narrower than half a mark's radius (one standard deviation), is an edge:
/// a seam or the board's rim that the two photos do not show alike.
const LONG: f64 = 3.0;
const NARROW_RADII: f64 = 0.5;
/// On paper only a change of grey by this share or more is worth a word.
const PAPER_CHANGE: f64 = 0.12;
/// Largest patch side, usual radii: larger ones would cost minutes.
const LARGEST_RADII: f64 = 60.0;

/// What became of the changed places of a pair.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Groups {
    /// Patches to be explained by marks.
    pub patches: Vec<RawPatch>,
    /// Places too big for marks.
    pub too_big: Vec<Region>,
    /// Places on paper (sheets), strong enough to be marks.
    pub on_paper: Vec<Region>,
}

/// What decides which changed places are cut out.
pub struct Rules<'a> {
    /// Balls shot.
    pub shots: usize,
    /// Usual radius of a mark, mm.
    pub radius_mm: f64,
    /// The same in cells of the reduced grid.
    pub radius_cells: f64,
    /// Cells that show paper: no patch starts there, and their pixels do not count.
    pub paper: &'a [bool],
    /// Whether a ball can strike what a cell shows.
    pub reachable: &'a dyn Fn((usize, usize)) -> bool,
}

/// Cuts the changed places of a pair into patches.
pub fn group(pair: &Pair, reduced: &Reduced, detection: &Detection, rules: &Rules) -> Groups {
    let mut out = Groups::default();
    let Rules { shots, radius_mm, radius_cells, paper: excluded, reachable } = *rules;
    let margin = (MARGIN_RADII * radius_cells).ceil() as usize;
    let one = std::f64::consts::PI * (radius_cells + detection.radius_cells).powi(2);
    let most = BIG * (shots.max(1) as f64 + 1.0) * one;
    let largest = LARGEST_RADII * radius_cells;
    let mut boxes: Vec<[usize; 4]> = Vec::new();
    for r in &detection.regions {
        let sides = [(r.x.1 - r.x.0) as f64, (r.y.1 - r.y.0) as f64];
        let (long, narrow) = r.axes_cells;
        if (long > LONG * narrow && narrow < NARROW_RADII * radius_cells) || !reachable(r.peak) {
            continue;
        }
        if r.cells as f64 > most || sides[0].max(sides[1]) > largest {
            out.too_big.push(r.clone());
            continue;
        }
        if excluded[r.peak.1 * reduced.width + r.peak.0] {
            // On paper a ball's mark is as strong as elsewhere; weaker changes there are the print's own edges.
            let grey = f64::from(r.change[0].abs());
            let round = long < LONG * narrow && r.cells as f64 > 0.5 * one;
            if r.significance > 2.0 * detection.threshold && grey > PAPER_CHANGE && round {
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
        out.patches.extend(cut(pair, reduced, detection, (b[0], b[1]), (b[2], b[3]), radius_mm, excluded));
    }
    out
}
