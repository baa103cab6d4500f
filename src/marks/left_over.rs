//! What changed as much as a mark would, and is explained by none?
//!
//! A further mark is told by how much less it leaves unexplained, as if it looked like the session's. A ball's mark that looks otherwise - crisp where the
//! others are soft, say - may leave more about its rim than it takes away, so that no number of marks has it; and another place may fill its number. So,
//! whatever number was chosen, what the marks leave is looked at by itself.

use super::fit::{FittedMark, opacity_at};
use super::patch::Patch;
use super::shape::MarkShape;
use super::things::{opened, pieces};

/// A pixel is left over when marks explain less than this part of its opacity, and what they leave is at least this share of a usual mark's strength,
const PART: f64 = 0.5;
const LEAST_STRENGTH: f64 = 0.25;
/// and when it stands out by so many standard deviations of the photo's noise.
const CLEAR: f64 = 4.0;
/// So many pixels together, as a share of a usual mark's, are as much as a mark: of 477 volleys that nothing else spoke against (renderings, 283 of
/// them not `src/render`'s) the two that are wrong have a whole one, two that are right a third of one, and the next a quarter.
const LEAST_SHARE: f64 = 0.4;
/// Rims that a fit does not quite follow leave threads of at most two pixels' width.
const THREAD_PX: usize = 1;

/// Pixels of a patch that belong together and that no mark explains.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LeftOver {
    /// Their middle, wall mm.
    pub place_mm: [f64; 2],
    /// Their area over a usual mark's.
    pub share: f64,
}

/// The largest place that `marks` leave over in a patch, if it is as large as a mark.
pub fn left_over(patch: &Patch, marks: &[FittedMark], shape: &MarkShape) -> Option<LeftOver> {
    let least = LEAST_STRENGTH * shape.strength.0;
    let is_left = |i: usize| {
        let level = patch.level[i];
        if !patch.sigma[i].is_finite() || level < least || level <= CLEAR * patch.level_sigma(i) {
            return false;
        }
        let left = level - opacity_at(marks, shape, patch.wall_mm[i]);
        left > PART * level && left > least
    };
    let left: Vec<bool> = (0..patch.opacity.len()).map(is_left).collect();
    let (w, h) = (patch.width, patch.height);
    let broad = opened(&left, w, h, THREAD_PX);
    let usual = std::f64::consts::PI * (shape.radius_mm.0 / patch.mm_per_px).powi(2);
    let largest = pieces(&broad, w, h).into_iter().max_by_key(Vec::len)?;
    let n = largest.len() as f64;
    let place = |axis: usize| largest.iter().map(|&i| patch.wall_mm[i][axis]).sum::<f64>() / n;
    (n > LEAST_SHARE * usual).then(|| LeftOver { place_mm: [place(0), place(1)], share: n / usual })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::marks::sample;

    const SIDE: usize = 80;

    /// 1 mm a pixel, with these marks in it and nothing else.
    fn patch(marks: &[FittedMark], shape: &MarkShape) -> Patch {
        sample::patch(SIDE, |i| opacity_at(marks, shape, sample::place(i, SIDE)))
    }

    #[test]
    fn a_mark_that_no_fit_has_is_left_over() {
        let shape = MarkShape { radius_mm: (12.0, 1.0), strength: (0.4, 0.1), ..MarkShape::plain((20.0, 28.0)) };
        let there = [FittedMark::disc(-10.0, 5.0, 12.0, 0.4), FittedMark::disc(18.0, -12.0, 12.0, 0.7)];
        let p = patch(&there, &shape);
        assert_eq!(left_over(&p, &there, &shape), None);
        let Some(left) = left_over(&p, &there[..1], &shape) else { panic!("nothing left over") };
        assert!((left.place_mm[0] - 18.0).hypot(left.place_mm[1] + 12.0) < 0.5, "{left:?}");
        // With the foot of its rim, down to an eighth of its strength: at most 1.15 radii.
        assert!(left.share > 1.0 && left.share < 1.32, "{left:?}");
        // Fits that are half a millimetre to one side and somewhat too faint, or a millimetre too small, leave nothing as large as a mark.
        let near = [FittedMark { x_mm: -9.5, strength: 0.35, ..there[0] }, FittedMark { radius_mm: 11.0, ..there[1] }];
        assert_eq!(left_over(&p, &near, &shape), None);
        // Too faint, or too small, to be one of these marks.
        let faint = [FittedMark::disc(0.0, 0.0, 12.0, 0.08)];
        assert_eq!(left_over(&patch(&faint, &shape), &[], &shape), None);
        let small = [FittedMark::disc(0.0, 0.0, 6.0, 0.4)];
        assert_eq!(left_over(&patch(&small, &shape), &[], &shape), None);
        // What is not known says nothing.
        let mut unknown = patch(&there, &shape);
        unknown.sigma.fill(f64::INFINITY);
        assert_eq!(left_over(&unknown, &[], &shape), None);
    }
}
