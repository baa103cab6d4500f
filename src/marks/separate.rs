//! How many marks are in this patch?
//!
//! Marks are added one at a time where the residual asks for one, or by splitting one in two, and all are
//! adjusted together; each number K has its evidence. Which K is right is decided for a whole volley at once
//! ([`choose`]): the product of the patches' evidences times how likely the total is, given how
//! many balls were shot. Shots are a prior there, not a quota: strong evidence for one more or one fewer wins.

use super::fit::{Fit, FittedMark, Target};
use super::patch::Patch;
use super::shape::MarkShape;

/// Residual places tried for each further mark.
const PROPOSALS: usize = 4;
/// Steps of a first, rough adjustment of each trial, and of the best ones.
const ROUGH: usize = 8;
const FINE: usize = 25;
/// Steps on all pixels: the thinned ones have led near the end.
const LAST: usize = 6;
/// -2 ln of how unlikely each missing mark is: a ball that leaves no mark or hits elsewhere happens once in some
/// thirty volleys (common practice, no source).
const MISSING_PENALTY: f64 = 7.0;
/// The same for each mark too many: a machine throws what was put into it, and a wrong count in the list, or a mark that
/// something else left among the balls', comes once in some three hundred volleys (common practice, no source).
const EXTRA_PENALTY: f64 = 11.5;

/// Fits of a patch for K = 0, 1, 2 ...
#[derive(Clone, Debug)]
pub struct Explained {
    /// By number of marks; index 0 has none.
    pub fits: Vec<Fit>,
}

/// How much of a patch is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Effort {
    /// Discs on every second pixel: where the marks are, to learn from.
    Rough,
    /// Waving and tilting marks on all pixels.
    Whole,
}

/// Explains a patch by up to `most` marks.
pub fn explain(patch: &Patch, shape: &MarkShape, area_mm2: f64, most: usize, effort: Effort) -> Explained {
    let target = Target::new(patch, shape, area_mm2);
    let thin = Target::thinned(patch, shape, area_mm2);
    let search = Search { target: &target, thin: &thin, effort };
    let mut fits = vec![Fit {
        marks: Vec::new(),
        misfit: target.misfit_of_nothing(),
        minus_2_ln_evidence: target.misfit_of_nothing(),
        covariance: nalgebra::DMatrix::zeros(0, 0),
    }];
    let mut worse = 0;
    for k in 1..=most {
        let base = fits[k - 1].marks.clone();
        let mut trials: Vec<Vec<FittedMark>> = thin
            .proposals(&base, PROPOSALS)
            .into_iter()
            .map(|m| {
                let mut t = base.clone();
                t.push(m);
                t
            })
            .collect();
        for i in 0..base.len() {
            trials.extend(splits(&base, i));
        }
        let Some(fine) = search.best(trials) else { break };
        let least = fits.iter().map(|f| f.minus_2_ln_evidence).fold(f64::MAX, f64::min);
        // Two numbers in a row that are far worse than the best: no further one will turn the tide.
        worse = if fine.minus_2_ln_evidence > least + 20.0 { worse + 1 } else { 0 };
        fits.push(fine);
        if worse == 2 {
            break;
        }
    }
    // Adding alone can start from a wrong place that only one more mark repairs: what is left of that when one of
    // its marks goes is tried as well.
    for k in (1..fits.len().saturating_sub(1)).rev() {
        let more = &fits[k + 1].marks;
        let trials: Vec<Vec<FittedMark>> = (0..more.len())
            .map(|i| more.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, m)| *m).collect())
            .collect();
        if let Some(fine) = search.best(trials)
            && fine.misfit < fits[k].misfit
        {
            fits[k] = fine;
        }
    }
    Explained { fits }
}

struct Search<'a> {
    target: &'a Target<'a>,
    thin: &'a Target<'a>,
    effort: Effort,
}

impl Search<'_> {
    /// The trial that fits best once all are adjusted: all roughly, the two best of them with waves and tilt, the best on all pixels.
    fn best(&self, trials: Vec<Vec<FittedMark>>) -> Option<Fit> {
        let mut rough: Vec<(f64, Vec<FittedMark>)> =
            trials.into_iter().map(|t| self.thin.adjust(&t, ROUGH, false)).map(|m| (self.thin.misfit(&m), m)).collect();
        rough.sort_by(|a, b| a.0.total_cmp(&b.0));
        if self.effort == Effort::Rough {
            return rough.into_iter().next().map(|(_, m)| self.thin.finish(m));
        }
        rough.truncate(2);
        rough
            .into_iter()
            .map(|(_, m)| self.thin.adjust(&m, FINE, true))
            .map(|m| (self.thin.misfit(&m), m))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, m)| self.target.finish(self.target.adjust(&m, LAST, true)))
    }
}

/// One mark replaced by two: apart in two directions, and a small one inside a large one.
pub(super) fn splits(base: &[FittedMark], i: usize) -> Vec<Vec<FittedMark>> {
    let m = base[i];
    let d = 0.35 * m.radius_mm;
    let half = (1.0 - (1.0 - m.strength).max(0.02).sqrt()).max(0.05);
    [(d, 0.0, 0.0), (0.0, d, 0.0), (0.1 * d, 0.1 * d, 0.12)]
        .into_iter()
        .map(|(dx, dy, grow)| {
            let mut t = base.to_vec();
            // Two discs: what made one mark wave or tilt may have been the other.
            let moved = |sign: f64| {
                FittedMark::disc(m.x_mm + sign * dx, m.y_mm + sign * dy, m.radius_mm * (1.0 + sign * grow), half)
            };
            t[i] = moved(-1.0);
            t.push(moved(1.0));
            t
        })
        .collect()
}

/// One way to count a volley's marks.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Marks in each patch.
    pub counts: Vec<usize>,
    /// Its probability among all totals.
    pub probability: f64,
}

/// The best numbers of marks in the patches of a volley for every total, most probable first.
pub fn choose(patches: &[Explained], shots: usize) -> Vec<Choice> {
    let penalty = |total: usize| {
        let each = if total > shots { EXTRA_PENALTY } else { MISSING_PENALTY };
        each * total.abs_diff(shots) as f64
    };
    // best[t] = least sum of -2 ln evidence with t marks in the patches so far, and the counts.
    let mut best: Vec<Option<(f64, Vec<usize>)>> = vec![Some((0.0, Vec::new()))];
    for p in patches {
        let mut next: Vec<Option<(f64, Vec<usize>)>> = vec![None; best.len() + p.fits.len() - 1];
        for (t, b) in best.iter().enumerate() {
            let Some((cost, counts)) = b else { continue };
            for (k, fit) in p.fits.iter().enumerate() {
                let c = cost + fit.minus_2_ln_evidence;
                if next[t + k].as_ref().is_none_or(|n| c < n.0) {
                    let mut counts = counts.clone();
                    counts.push(k);
                    next[t + k] = Some((c, counts));
                }
            }
        }
        best = next;
    }
    let mut all: Vec<(f64, Vec<usize>)> =
        best.into_iter().enumerate().filter_map(|(t, b)| b.map(|(c, n)| (c + penalty(t), n))).collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let least = all.first().map_or(0.0, |a| a.0);
    let sum: f64 = all.iter().map(|a| (-0.5 * (a.0 - least)).exp()).sum();
    all.into_iter().map(|(c, counts)| Choice { counts, probability: (-0.5 * (c - least)).exp() / sum }).collect()
}
