//! How many marks are in this patch?
//!
//! Marks are added one at a time where the residual asks for one, or by splitting one in two, and all are
//! adjusted together; each number K has its evidence. Which K is right is decided for a whole volley at once
//! ([`choose`]): the product of the patches' evidences times how likely the total is, given how
//! many balls were shot. Shots are a prior there, not a quota: strong evidence for one more or one fewer wins.

use super::adjust::Freedom;
use super::fit::{Fit, FittedMark};
use super::patch::Patch;
use super::shape::MarkShape;
use super::target::{Target, every};
use super::ways::HUMBLE;

/// Residual places tried for each further mark.
const PROPOSALS: usize = 4;
/// Steps of a first, rough adjustment of each trial, and of the best ones.
const ROUGH: usize = 8;
const FINE: usize = 25;
/// A mark whose loss costs this much more misfit than the marks with it have is needed: waves and tilts of the others make up for some hundred at most.
const NEEDED: f64 = 300.0;
/// Different trials that are adjusted finely.
const REFINED: usize = 3;
/// The same of discs of about the usual size.
const REFINED_DISCS: usize = 2;
/// Steps after which an explanation whose misfit is still larger than the best one's by so much is given up. Of 536 that were followed to their ends
/// (overlapping marks, smooth and torn), all but one that came within 25 of the best were within 70 by then, and half to all of the others were beyond 200.
const FIRST: usize = 4;
const TOO_FAR: f64 = 200.0;
/// One mark more than this far above the misfit without it by then, priors included, is given up too, and with it all further ones: of 94 such (the same sessions and others) none came within
/// 17 of the evidence without it: with a shot unaccounted for ([`MISSING_PENALTY`]), a weight of less than one in a hundred.
const HOPELESS: f64 = 20.0;
/// Where roughly adjusted discs gain this much by one disc more, no number of waves and tilts makes up for it, and so many marks are only a start for more: of 599
/// such, none came within 190 of the evidence with one more once both were adjusted finely; two of 144 that gained 1000 to 1500 were the better.
const PASSED: f64 = 1500.0;
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
    /// Too much changed for so few marks: something else is there, and no number of marks was tried.
    pub too_much: bool,
}

/// More opacity than this many times what the marks looked for amount to is no set of marks: a person, a shadow's edge.
const TOO_MUCH: f64 = 3.0;

/// Whether a patch holds more opacity than `most` marks could: [`TOO_MUCH`] times as many of the largest and strongest (two
/// standard deviations over the usual).
fn too_much(patch: &Patch, shape: &MarkShape, most: usize) -> bool {
    let radius = shape.radius_mm.0 + 2.0 * shape.radius_mm.1;
    let strength = (shape.strength.0 + 2.0 * shape.strength.1).min(1.0);
    patch.opacity_area_mm2() > TOO_MUCH * most as f64 * std::f64::consts::PI * radius * radius * strength
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
    let thin = Target::thinned(patch, shape, area_mm2);
    let target = (effort == Effort::Whole).then(|| Target::new(patch, shape, area_mm2));
    let nothing = target.as_ref().unwrap_or(&thin).misfit_of_nothing();
    let search = Search { target: target.as_ref(), thin: &thin };
    let mut fits = vec![Fit {
        marks: Vec::new(),
        misfit: nothing,
        minus_2_ln_evidence: nothing,
        covariance: nalgebra::DMatrix::zeros(0, 0),
        lack_of_fit: Vec::new(),
        trials: Vec::new(),
    }];
    if too_much(patch, shape, most) {
        return Explained { fits, too_much: true };
    }
    let mut worse = 0;
    let mut usual: Vec<FittedMark> = Vec::new();
    let one_more = |marks: &[FittedMark]| search.rough(with_one_more(&thin, marks));
    let mut rough = one_more(&[]);
    for k in 1..=most {
        // A mark whose rim waves and tilts can take in much of a second one, and what it leaves leads nowhere: discs of about the usual
        // size, found on their own, cannot.
        let mut discs = Vec::new();
        if effort == Effort::Whole {
            discs = distinct(&thin, with_one_more(&thin, &usual), REFINED_DISCS, SAME_ROUGH_MM, Freedom::UsualDisc);
            usual = discs.first().map_or_else(Vec::new, |d| d.1.clone());
        }
        if let Some((misfit, marks)) = rough.first().filter(|_| effort == Effort::Whole && k < most) {
            let next = one_more(marks);
            if next.first().is_some_and(|n| n.0 < misfit - PASSED) {
                fits.push(thin.finish(marks.clone()));
                rough = next;
                continue;
            }
        }
        let without = fits[k - 1].trials.first().map_or(f64::INFINITY, |t| t.0);
        let Some(fine) = search.best(rough, discs, without) else { break };
        let least = fits.iter().map(|f| f.minus_2_ln_evidence).fold(f64::MAX, f64::min);
        // Two numbers in a row that are far worse than the best: no further one will turn the tide. Nor will a second mark where the first is far from
        // paying for itself: it takes away less.
        worse = if fine.minus_2_ln_evidence > least + 20.0 { worse + 1 } else { 0 };
        fits.push(fine);
        if worse == 2 || (worse == 1 && k == 1) || k == most {
            break;
        }
        rough = one_more(&fits[k].marks);
    }
    // Adding alone can start from a wrong place that only one more mark repairs: what is left of that when one of
    // its marks goes is tried as well.
    for k in (1..fits.len().saturating_sub(1)).rev() {
        let more = &fits[k + 1].marks;
        let trials: Vec<Trial> = (0..more.len()).map(|i| Trial::without(more, i)).collect();
        // Where any mark that goes takes far more with it than the other numbers of marks may differ by, this number is none to choose.
        let rough = search.rough(trials);
        let needed = thin.misfit(more) + NEEDED;
        if rough.first().is_none_or(|r| r.0 > needed) {
            continue;
        }
        if let Some(mut fine) = search.best(rough, Vec::new(), f64::INFINITY) {
            if fine.misfit < fits[k].misfit {
                std::mem::swap(&mut fits[k], &mut fine);
            }
            fits[k].trials.append(&mut fine.trials);
        }
    }
    Explained { fits, too_much: false }
}

/// Looks again at one explanation of a patch by two or more marks: each mark in turn is taken away and put back wherever it might have
/// been instead. Adding marks one at a time ends where the first ones led; this finds what explains the patch better, and
/// what explains it as well.
pub fn reconsider(patch: &Patch, shape: &MarkShape, area_mm2: f64, fit: &Fit) -> Fit {
    if fit.marks.len() < 2 {
        return fit.clone();
    }
    let thin = Target::thinned(patch, shape, area_mm2);
    let target = Target::new(patch, shape, area_mm2);
    let search = Search { target: Some(&target), thin: &thin };
    let rough = search.rough(elsewhere(&thin, &fit.marks));
    let Some(mut again) = search.best(rough, Vec::new(), f64::INFINITY) else { return fit.clone() };
    let mut was = fit.clone();
    if was.misfit <= again.misfit {
        std::mem::swap(&mut was, &mut again);
    }
    again.trials.append(&mut was.trials);
    again
}

/// Adjusts an explanation once more, with every pixel's variance as its marks make it ([`Target::about`]), and looks again for others as good:
/// the centres, their covariance and the other explanations' misfits follow. What decided on the number of marks stays.
pub fn refine(patch: &Patch, shape: &MarkShape, area_mm2: f64, fit: &Fit) -> Fit {
    if fit.marks.is_empty() {
        return fit.clone();
    }
    let mut marks = fit.marks.clone();
    let mut ends: Vec<(f64, Vec<FittedMark>)> = Vec::new();
    let mut known: Vec<Vec<FittedMark>> = fit.trials.iter().skip(1).map(|t| t.1.clone()).collect();
    for _ in 0..ROUNDS {
        let thin = Target::thinned_about(patch, shape, area_mm2, &marks);
        let mut trials: Vec<Vec<FittedMark>> = Vec::new();
        for t in &known {
            let far = |o: &Vec<FittedMark>| moves_mm(o, t).iter().any(|m| m[0].hypot(m[1]) > SAME_REFINED_MM);
            if far(&marks) && trials.iter().all(far) {
                trials.push(t.clone());
            }
        }
        if marks.len() > 1 {
            let others = distinct(&thin, elsewhere(&thin, &marks), OTHERS, SAME_REFINED_MM, Freedom::Disc);
            trials.extend(others.into_iter().map(|t| t.1));
        }
        let now = thin.adjust_some(&marks, &every(&marks), FINE, Freedom::Whole);
        let others = finely(&thin, trials, now.0, f64::INFINITY);
        ends = std::iter::once(now).chain(others).collect();
        // Another explanation that turns out the better one takes its place, and the variances follow it: one that has every ball about
        // where it was. That a ball is elsewhere is for the evidence to say that decided on their number.
        let near =
            |e: &(f64, Vec<FittedMark>)| moves_mm(&marks, &e.1).iter().all(|m| m[0].hypot(m[1]) < shape.radius_mm.0);
        let best = (0..ends.len()).filter(|&i| i == 0 || near(&ends[i]));
        let best = best.min_by(|&a, &b| ends[a].0.total_cmp(&ends[b].0)).unwrap_or(0);
        let best = if ends[best].0 < ends[0].0 - BETTER { best } else { 0 };
        ends.swap(0, best);
        marks.clone_from(&ends[0].1);
        if best == 0 {
            break;
        }
        known = ends.iter().skip(1).map(|e| e.1.clone()).collect();
    }
    for _ in 0..ROUNDS {
        marks = Target::about(patch, shape, area_mm2, &marks).adjust(&marks, LAST, Freedom::Whole);
    }
    let target = Target::about(patch, shape, area_mm2, &marks);
    let last = target.finish(marks);
    Fit { trials: ends, misfit: fit.misfit, minus_2_ln_evidence: fit.minus_2_ln_evidence, ..last }
}

/// The explanations that come of trials after a rough adjustment, those that came to the same end once, the best `most` of them.
fn distinct(
    thin: &Target,
    trials: Vec<Trial>,
    most: usize,
    same_mm: f64,
    freedom: Freedom,
) -> Vec<(f64, Vec<FittedMark>)> {
    let adjusted = |t: &Trial| {
        let (reached, marks) = thin.adjust_some(&t.marks, &t.moving, ROUGH, freedom);
        (if t.moving.len() == marks.len() { reached } else { thin.misfit(&marks) }, marks)
    };
    let mut rough: Vec<(f64, Vec<FittedMark>)> = trials.into_iter().map(|t| adjusted(&t)).collect();
    rough.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out: Vec<(f64, Vec<FittedMark>)> = Vec::with_capacity(most);
    for (misfit, marks) in rough {
        let same = |d: &[FittedMark]| moves_mm(d, &marks).iter().all(|m| m[0].hypot(m[1]) < same_mm);
        if out.len() < most && !out.iter().any(|(_, d)| same(d)) {
            out.push((misfit, marks));
        }
    }
    out
}

/// A start for marks that explain a patch, and which of them a rough adjustment moves: those that are new, and those that touch them. What lies elsewhere
/// is where it was adjusted to before.
struct Trial {
    marks: Vec<FittedMark>,
    moving: Vec<usize>,
}

/// Marks nearer than this many sums of their radii touch: rims wave, and a blurred rim reaches farther than its radius.
const TOUCH: f64 = 1.3;

impl Trial {
    /// Marks of which those at `new` have just been put there.
    fn new(marks: Vec<FittedMark>, new: &[usize]) -> Self {
        let touches = |m: &FittedMark, n: usize| m.distance_mm(&marks[n]) < TOUCH * (m.radius_mm + marks[n].radius_mm);
        let moving = (0..marks.len()).filter(|&k| new.iter().any(|&n| n == k || touches(&marks[k], n))).collect();
        Self { marks, moving }
    }

    /// Marks one of which goes.
    fn without(all: &[FittedMark], gone: usize) -> Self {
        let mut marks = all.to_vec();
        let gone = marks.remove(gone);
        let touches = |m: &FittedMark| m.distance_mm(&gone) < TOUCH * (m.radius_mm + gone.radius_mm);
        let moving = (0..marks.len()).filter(|&k| touches(&marks[k])).collect();
        Self { marks, moving }
    }
}

/// Marks with one more where what they leave asks for it, or in place of one of them.
fn with_one_more(thin: &Target, base: &[FittedMark]) -> Vec<Trial> {
    with_proposed(thin, base).chain((0..base.len()).flat_map(|i| with_split(base, i))).collect()
}

/// Marks with one more where what they leave asks for it.
fn with_proposed<'a>(thin: &Target, base: &'a [FittedMark]) -> impl Iterator<Item = Trial> + 'a {
    let more = |m| Trial::new(base.iter().copied().chain([m]).collect(), &[base.len()]);
    thin.proposals(base, PROPOSALS).into_iter().map(more)
}

/// Marks one of which is replaced by two.
fn with_split(base: &[FittedMark], i: usize) -> impl Iterator<Item = Trial> {
    let last = base.len();
    splits(base, i).into_iter().map(move |marks| Trial::new(marks, &[i, last]))
}

/// An explanation's marks, each in turn taken away and put back wherever it might have been instead.
fn elsewhere(thin: &Target, marks: &[FittedMark]) -> Vec<Trial> {
    let mut trials: Vec<Trial> = Vec::new();
    for (i, gone) in marks.iter().enumerate() {
        let rest = Trial::without(marks, i);
        let (_, base) = thin.adjust_some(&rest.marks, &rest.moving, ROUGH, Freedom::Disc);
        trials.extend(with_proposed(thin, &base));
        for (j, m) in base.iter().enumerate() {
            if m.distance_mm(gone) < NEIGHBOURS * (m.radius_mm + gone.radius_mm) {
                trials.extend(with_split(&base, j));
            }
        }
    }
    trials
}

/// Other explanations that are adjusted finely, and how far apart they must be in some mark before that, mm. Where two balls struck nearly one
/// place a dozen explain the patch alike.
const OTHERS: usize = 20;
const SAME_REFINED_MM: f64 = 1.5;
/// An explanation takes the place of the one that decided on the number of marks when it lowers the misfit by this: torn outlines alone make
/// differences of some units, and what explains them best is no nearer to the balls.
const BETTER: f64 = 10.0;
/// Rounds in which marks and variances follow each other: the third moves no centre by a tenth of its u.
const ROUNDS: usize = 2;

/// Marks this near, sums of radii, may have taken each other's place.
const NEIGHBOURS: f64 = 1.5;

/// What each centre's covariance lacks when one explanation is taken as given: the second moment, mm^2, of where the other explanations
/// by as many marks have it, each weighted by how well it explains the patch. Their marks are paired nearest first.
pub fn between_trials_mm2(fit: &Fit) -> Vec<[[f64; 2]; 2]> {
    let mut out = vec![[[0.0; 2]; 2]; fit.marks.len()];
    let Some((_, now)) = fit.trials.first() else { return out };
    let least = fit.trials.iter().map(|t| t.0).fold(f64::MAX, f64::min);
    let weights: Vec<f64> = fit.trials.iter().map(|t| (-0.5 * (t.0 - least) / HUMBLE).exp()).collect();
    // Two trials that came to the same end are one.
    let mut apart: Vec<(f64, Vec<[f64; 2]>)> = Vec::new();
    for ((_, marks), weight) in fit.trials.iter().zip(weights) {
        let moved = moves_mm(now, marks);
        let same = |a: &[[f64; 2]]| a.iter().zip(&moved).all(|(a, b)| (a[0] - b[0]).hypot(a[1] - b[1]) < SAME_MM);
        match apart.iter_mut().find(|(_, a)| same(a)) {
            Some((w, _)) => *w = weight.max(*w),
            None => apart.push((weight, moved)),
        }
    }
    let sum: f64 = apart.iter().map(|a| a.0).sum();
    for (weight, moved) in &apart {
        for (c, d) in out.iter_mut().zip(moved) {
            for i in 0..2 {
                (0..2).for_each(|j| c[i][j] += weight / sum * d[i] * d[j]);
            }
        }
    }
    out
}

/// Ends of two trials nearer than this, mm, in every mark are the same: one explanation, which adjustments reach to within some tenths of its u.
const SAME_MM: f64 = 1.0;
/// The same before the fine adjustment.
const SAME_ROUGH_MM: f64 = 0.5;

/// Where each mark went from one explanation to another, mm: the nearest pairs first.
fn moves_mm(from: &[FittedMark], to: &[FittedMark]) -> Vec<[f64; 2]> {
    let mut pairs: Vec<(f64, usize, usize)> = Vec::with_capacity(from.len() * to.len());
    for (i, a) in from.iter().enumerate() {
        pairs.extend(to.iter().enumerate().map(|(j, b)| (a.distance_mm(b), i, j)));
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out = vec![[0.0; 2]; from.len()];
    let (mut left, mut right) = (vec![false; from.len()], vec![false; to.len()]);
    for (_, i, j) in pairs {
        if !left[i] && !right[j] {
            (left[i], right[j]) = (true, true);
            out[i] = [to[j].x_mm - from[i].x_mm, to[j].y_mm - from[i].y_mm];
        }
    }
    out
}

struct Search<'a> {
    /// All pixels; `None` where a rough answer does.
    target: Option<&'a Target<'a>>,
    thin: &'a Target<'a>,
}

/// Explanations adjusted with waves and tilt, with their misfits, in the order given; those that stay far above the best of them or `least` are left out, and all
/// where the best stays above `most`.
fn finely(thin: &Target, trials: Vec<Vec<FittedMark>>, least: f64, most: f64) -> Vec<(f64, Vec<FittedMark>)> {
    let adjusted = |m: &[FittedMark], rounds| thin.adjust_some(m, &every(m), rounds, Freedom::Whole);
    let first: Vec<_> = trials.iter().map(|m| adjusted(m, FIRST)).collect();
    let best = first.iter().map(|m| m.0).fold(least, f64::min);
    if best > most {
        return Vec::new();
    }
    let limit = best + TOO_FAR;
    first.into_iter().filter(|m| m.0 <= limit).map(|(_, m)| adjusted(&m, FINE - FIRST)).collect()
}

impl Search<'_> {
    /// The best trials after a rough adjustment of all, different ones, best first.
    fn rough(&self, trials: Vec<Trial>) -> Vec<(f64, Vec<FittedMark>)> {
        let most = if self.target.is_some() { REFINED } else { 1 };
        distinct(self.thin, trials, most, SAME_ROUGH_MM, Freedom::Disc)
    }

    /// The trial that fits best once all, and all `discs`, are adjusted with waves and tilt, the best on all pixels; `None` where there is none, or none that has
    /// a chance against one mark fewer and its misfit `without` (on the thinned pixels).
    fn best(
        &self,
        rough: Vec<(f64, Vec<FittedMark>)>,
        discs: Vec<(f64, Vec<FittedMark>)>,
        without: f64,
    ) -> Option<Fit> {
        let Some(target) = self.target else {
            return rough.into_iter().next().map(|(_, m)| self.thin.finish(m));
        };
        // A disc of the usual size is often what the others led to as well.
        let mut both: Vec<Vec<FittedMark>> = Vec::with_capacity(rough.len() + discs.len());
        for (_, marks) in rough.into_iter().chain(discs) {
            if !both.contains(&marks) {
                both.push(marks);
            }
        }
        let mut trials = finely(self.thin, both, f64::INFINITY, without + HOPELESS);
        trials.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut fit = target.finish(target.adjust(&trials.first()?.1, LAST, Freedom::Whole));
        fit.trials = trials;
        Some(fit)
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
    /// -2 ln evidence of all patches together and of the total, up to a constant of the patches.
    pub minus_2_ln_evidence: f64,
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
    all.into_iter()
        .map(|(minus_2_ln_evidence, counts)| {
            let probability = (-0.5 * (minus_2_ln_evidence - least)).exp() / sum;
            Choice { counts, minus_2_ln_evidence, probability }
        })
        .collect()
}
