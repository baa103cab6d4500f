//! Which terms of the lens do the photos support?
//!
//! Distortion terms are added only while the Bayesian information criterion (G. Schwarz, *Ann. Stat.* 6, 461, 1978) falls. The
//! choice says what the photos show of the lens. The adjustment that counts then lets every term move within what lenses do
//! ([`super::input`]): a term that the photos cannot see is not known to be zero, and far from the sheets that matters.

use super::bundle::{CornerObs, Free, Knowledge, Solution, State, adjust};
use super::lens;

/// Sets of distortion terms that are compared. Radial terms come in order; k1 alone can look useless where
/// k1 and k2 pull against each other, so the sets are compared as a whole, not grown one by one.
const LENS_SETS: [&[usize]; 7] = [&[], &[4], &[4, 5], &[4, 6, 7], &[4, 5, 6, 7], &[4, 5, 8], &[4, 5, 6, 7, 8]];
/// Least fall of the criterion that a larger set must bring (Kass and Raftery, *JASA* 90, 773, 1995: below 2 is "not worth more than a bare mention").
const LEAST_GAIN: f64 = 2.0;

/// The criterion: n ln(residual sum / n) + k ln n.
pub(super) fn bic(cost: f64, free: usize, coordinates: f64) -> f64 {
    let n = coordinates.max(1.0);
    n * (2.0 * cost / n).max(1e-12).ln() + free as f64 * n.ln()
}

fn bic_of(s: &Solution, photos: &[Vec<CornerObs>]) -> f64 {
    bic(s.cost, s.columns.count, 2.0 * photos.iter().map(Vec::len).sum::<usize>() as f64)
}

/// What of the lens the photos support.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct LensModel {
    /// Terms in the order of [`lens::TERMS`].
    pub on: [bool; lens::N],
    /// fy follows fx.
    pub square_pixels: bool,
}

impl LensModel {
    /// Focal length, principal point and these distortion terms.
    pub fn of(set: &[usize], square_pixels: bool) -> Self {
        let mut on = [true, true, true, true, false, false, false, false, false];
        set.iter().for_each(|&k| on[k] = true);
        Self { on, square_pixels }
    }

    /// These terms move.
    pub fn free(self, origin: usize, curled: &[usize]) -> Free {
        Free { curled: curled.to_vec(), ..Free::all(self.on, self.square_pixels, origin) }
    }

    /// Every term moves.
    pub fn free_all(self, origin: usize, curled: &[usize]) -> Free {
        Self { on: [true; lens::N], ..self }.free(origin, curled)
    }
}

/// Adjusts with each set of lens terms, and with fy on its own; the one with the least criterion wins.
pub(super) fn supported(
    start: &State,
    origin: usize,
    curled: &[usize],
    photos: &[Vec<CornerObs>],
    know: &Knowledge,
) -> (Solution, LensModel) {
    let fit = |model: LensModel| {
        let mut from = start.clone();
        let mut terms = from.lens.terms();
        (4..lens::N).filter(|&k| !model.on[k]).for_each(|k| terms[k] = 0.0);
        from.lens = from.lens.with_terms(terms);
        (adjust(&from, &model.free(origin, curled), photos, know, 60), model)
    };
    let mut best = fit(LensModel::of(LENS_SETS[0], true));
    for set in &LENS_SETS[1..] {
        let next = fit(LensModel::of(set, true));
        if bic_of(&next.0, photos) < bic_of(&best.0, photos) - LEAST_GAIN {
            best = next;
        }
    }
    let oblong = fit(LensModel { square_pixels: false, ..best.1 });
    if bic_of(&oblong.0, photos) < bic_of(&best.0, photos) - LEAST_GAIN { oblong } else { best }
}
