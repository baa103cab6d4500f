//! Which marks does a volley's photo show, and how sure is that?
//!
//! Every patch is explained by 0, 1, 2 ... marks; the numbers are chosen for the whole volley by evidence, with
//! the shots as a prior. Where another number is nearly as probable, the volley's mean carries what that
//! would change; where fewer marks than shots are told apart, the mark that most likely hides another says so.

use std::borrow::Cow;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::behind::Behind;
use super::looks::VolleyLook;
use super::passing::Passed;
use crate::error::Result;
use crate::marks::fit::{FittedMark, MODES, UNKNOWNS};
use crate::marks::learn::learn_with_colour;
use crate::marks::left_over::left_over;
use crate::marks::patch::{Patch, RawPatch};
use crate::marks::seam::seam_through;
use crate::marks::separate::{Choice, Effort, Explained, between_trials_mm2, choose, explain, reconsider, refine};
use crate::marks::shape::MarkShape;
use crate::marks::ways::{Way, extra_mm, ways};

/// Choices less probable than this do not count.
const LEAST_PROBABILITY: f64 = 0.01;

/// A mark of a volley, wall mm.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FoundMark {
    /// Centre.
    pub x_mm: f64,
    /// Centre.
    pub y_mm: f64,
    /// Covariance of the centre, mm^2.
    pub covariance_mm2: [[f64; 2]; 2],
    /// Radius, mm.
    pub radius_mm: f64,
    /// Strength (mean opacity).
    pub strength: f64,
    /// Waves of its rim and tilt ([`FittedMark::modes`]).
    pub modes: [f64; MODES],
    /// Balls that it stands for.
    pub count: u32,
    /// Strength over its own standard uncertainty.
    pub significance: f64,
    /// Overlaps another mark of the volley.
    pub overlaps: bool,
    /// Index of its patch.
    pub patch: usize,
    /// Row of the later photo that shows it, when something hid it in the volley's own; and which of that row's looks back.
    pub seen_in: Option<(usize, usize)>,
    /// The wall has a seam there.
    pub on_seam: bool,
}

/// A volley's marks.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Judged {
    /// The marks, top to bottom.
    pub marks: Vec<FoundMark>,
    /// Probability of the number of marks chosen, among all numbers.
    pub probability: f64,
    /// When all shots were told apart: the weight of the marks as they are among all ways to place the least certain of them.
    pub sure: f64,
    /// Index of the mark that is least certain, when it is not beyond doubt.
    pub doubtful: Option<usize>,
    /// How far the mean over all choices lies from the mean of the marks as chosen, mm.
    pub mean_shift_mm: [f64; 2],
    /// Where something changed as much as a mark would, and no mark explains it, mm.
    pub left_over_mm: Option<[f64; 2]>,
    /// A place changed by more than all shots could mark: something else is there, and marks may hide behind it.
    pub too_much: bool,
    /// Variance of the mean from the choice itself, mm^2.
    pub mean_variance_mm2: [[f64; 2]; 2],
    /// Marks that do not belong with the others, left out because there were more than shots.
    pub dropped: Vec<FoundMark>,
    /// Index of a mark that lies far from the others though there are as many as shots.
    pub stray: Option<usize>,
    /// What something hid, where it did.
    pub hidden: Hiding,
    /// The marks are those of [`super::looks::VolleyLook::otherwise`].
    pub otherwise: bool,
    /// Volleys whose marks change the wall the other way than the session's as a rule, this one among them (`OtherLook`); 0 where its
    /// marks do not.
    pub other_side: u32,
    /// Something was left out that came before this photo and was gone in the next, or that came before the last and is gone in this.
    pub passed: bool,
    /// Its marks are gone in the next photo.
    pub own_gone: bool,
    /// The marks of the volley before are gone in its photo, though it was compared with the last one.
    pub older_gone: bool,
}

/// What became of shots that something may have hidden.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Hiding {
    /// Shots not seen that may have struck behind something.
    pub missing: u32,
    /// Shots that a later photo showed.
    pub settled: u32,
    /// Marks that a later photo showed and that may be this volley's or another's.
    pub either: u32,
    /// The later photo.
    pub later: Option<String>,
    /// Which other volley those marks may belong to.
    pub other: Option<String>,
    /// Too many are missing for a mean.
    pub no_mean: bool,
}

/// Standard deviations that a pixel's level must exceed to count as changed; where no pixel's does by twice as much, half of the clearest one's: a
/// mark may be too faint for any single pixel to show it.
const CLEARLY_CHANGED: f64 = 4.0;

/// Where most of the change is: the patch with most opacity, its centre of opacity, mm.
fn heart(patches: &[Patch]) -> Option<(f64, f64)> {
    // Nothing where the deviation is not known: it is infinite there.
    let clear = |p: &Patch, i: usize| p.level[i] / p.level_sigma(i);
    let clearest = patches.iter().flat_map(|p| (0..p.level.len()).map(|i| clear(p, i))).fold(0.0, f64::max);
    let limit = CLEARLY_CHANGED.min(0.5 * clearest);
    let mass = |p: &Patch| {
        let (mut m, mut x, mut y) = (0.0, 0.0, 0.0);
        for i in (0..p.level.len()).filter(|&i| clear(p, i) > limit) {
            m += p.level[i];
            x += p.level[i] * p.wall_mm[i][0];
            y += p.level[i] * p.wall_mm[i][1];
        }
        (m * p.mm_per_px * p.mm_per_px, x / m, y / m)
    };
    patches.iter().map(mass).filter(|m| m.0 > 0.0).max_by(|a, b| a.0.total_cmp(&b.0)).map(|m| (m.1, m.2))
}

/// Most marks that a patch can hold: twice what its opacity amounts to in usual marks and two more, but one more than were shot.
fn most_marks(p: &Patch, shape: &MarkShape, shots: usize) -> usize {
    let mass = p.opacity_area_mm2();
    let one = std::f64::consts::PI * shape.radius_mm.0.powi(2) * shape.strength.0;
    ((2.0 * mass / one) as usize + 2).min(shots + 1)
}

/// -2 ln of how unlikely [`choose`] holds each missing mark, which is not unlikely at all where something hides a part of the wall.
const MISSING_COST: f64 = 7.0;

/// Judges a volley from its patches. Where shots may have struck `behind` something, those that are missing are not looked for
/// under other marks.
pub fn judge(patches: &[Patch], shots: usize, shape: &MarkShape, behind: &Behind) -> Judged {
    let unseen = |n: usize| Hiding { missing: n as u32, ..Hiding::default() };
    let Some(heart) = heart(patches) else {
        let missing = if behind.places_mm.is_empty() { 0 } else { shots };
        return Judged { probability: 1.0, sure: 1.0, hidden: unseen(missing), ..Judged::default() };
    };
    let areas: Vec<f64> = patches
        .iter()
        .map(|p| {
            let n = p.wall_mm.iter().filter(|w| w[0].is_finite()).count().max(1) as f64;
            let centre =
                p.wall_mm.iter().filter(|w| w[0].is_finite()).fold((0.0, 0.0), |c, w| (c.0 + w[0] / n, c.1 + w[1] / n));
            // The nearest point of a long patch counts, not its middle.
            let half = 0.5 * p.mm_per_px * p.width.max(p.height) as f64;
            let away = ((centre.0 - heart.0).abs() - half).max(0.0);
            let up = ((centre.1 - heart.1).abs() - half).max(0.0);
            shape.area_mm2((away, up))
        })
        .collect();
    let mut explained: Vec<Explained> = patches
        .par_iter()
        .zip(&areas)
        .map(|(p, area)| explain(p, shape, *area, most_marks(p, shape, shots), Effort::Whole))
        .collect();
    // Only the likeliest number of marks is looked at again: marks added to fill the count find something to fit everywhere.
    let expects = behind.within_reach(Some(heart.into()), shape.group_mm);
    let chosen = |explained: &[Explained]| {
        let mut choices = choose(explained, shots);
        if expects {
            expect_missing(&mut choices, shots);
        }
        choices
    };
    if let Some(first) = chosen(&explained).first() {
        explained.par_iter_mut().zip(patches).zip(&areas).zip(&first.counts).for_each(|(((e, patch), area), k)| {
            if let Some(fit) = e.fits.get_mut(*k) {
                *fit = reconsider(patch, shape, *area, fit);
            }
        });
    }
    let choices = chosen(&explained);
    let Some(best) = choices.first() else { return Judged::default() };
    explained.par_iter_mut().zip(patches).zip(&areas).zip(&best.counts).for_each(|(((e, patch), area), k)| {
        if let Some(fit) = e.fits.get_mut(*k) {
            *fit = refine(patch, shape, *area, fit);
        }
    });
    let mut marks = marks_of(&explained, best, shape);
    marks.sort_by(top_to_bottom);
    let told = marks.len();
    let mut judged = Judged { probability: best.probability, sure: 1.0, ..Judged::default() };
    judged.too_much = explained.iter().any(|e| e.too_much);
    // What is fitted and counts as no mark explains nothing: where fewer shots are stated than marks are there, one of them may stand for several. A
    // place with too much to be marks is named as that.
    let counting = |e: &Explained, k: usize| -> Vec<FittedMark> {
        e.fits[k].marks.iter().copied().filter(|m| shape.counts(m)).collect()
    };
    let chosen = patches.iter().zip(explained.iter().zip(&best.counts)).filter(|(_, (e, _))| !e.too_much);
    let left = chosen.filter_map(|(p, (e, &k))| left_over(p, &counting(e, k), shape));
    judged.left_over_mm = left.max_by(|a, b| a.share.total_cmp(&b.share)).map(|l| l.place_mm);
    if told < shots && behind.within_reach(mean(&marks), shape.group_mm) {
        judged.hidden = unseen(shots - told);
    } else if let (true, Some(seen)) = (told < shots && strange(&explained, best, shape), mean(&marks)) {
        judged.mean_variance_mm2 = unknown_places(&marks, seen, shots, shape);
    } else if let Some(hidden) = hidden(patches, &explained, best, (told, shots), shape) {
        let own = mean(&marks);
        if told < shots {
            hidden.name(&mut marks, &explained, best);
        } else {
            judged.sure = hidden.sure;
            judged.doubtful = hidden.doubtful.and_then(|d| nearest(&marks, d));
        }
        if let (Some(own), Some(now)) = (own, mean(&marks)) {
            let (middle, variance) = hidden.mean(own, shots);
            judged.mean_shift_mm = [middle[0] - now[0], middle[1] - now[1]];
            judged.mean_variance_mm2 = variance;
        }
    }
    // Other numbers of marks do not move the mean, but they widen it.
    if let Some(own) = mean(&marks) {
        let others = choices.iter().filter(|c| c.probability > LEAST_PROBABILITY && *c != best);
        for (w, m) in others.filter_map(|c| mean(&marks_of(&explained, c, shape)).map(|m| (c.probability, m))) {
            for i in 0..2 {
                for j in 0..2 {
                    judged.mean_variance_mm2[i][j] += w * (m[i] - own[i]) * (m[j] - own[j]);
                }
            }
        }
    }
    judged.marks = marks;
    judged
}

/// Of two judgements of one volley against different photos before, whether the second is the better: the number of marks is
/// nearer to the shots, or as near and surer.
pub fn better(first: &Judged, second: &Judged, shots: usize) -> bool {
    let off = |j: &Judged| j.marks.len().abs_diff(shots);
    let sure = |j: &Judged| j.probability.min(j.sure);
    (off(second), -sure(second)) < (off(first), -sure(first))
}

/// Takes what missing marks cost out of the choices' probabilities.
fn expect_missing(choices: &mut [Choice], shots: usize) {
    let ln = |c: &Choice| {
        let missing = shots.saturating_sub(c.counts.iter().sum()) as f64;
        c.probability.max(f64::MIN_POSITIVE).ln() + 0.5 * MISSING_COST * missing
    };
    let most = choices.iter().map(ln).fold(f64::MIN, f64::max);
    choices.iter_mut().for_each(|c| c.probability = (ln(c) - most).exp());
    let sum: f64 = choices.iter().map(|c| c.probability).sum();
    choices.iter_mut().for_each(|c| c.probability /= sum);
    choices.sort_by(|a, b| b.probability.total_cmp(&a.probability));
}

/// Whether something among the fits is strong enough to be a mark and of a size that no ball leaves: a shadow's edge, which may cover marks.
fn strange(explained: &[Explained], best: &Choice, shape: &MarkShape) -> bool {
    let chosen = explained.iter().zip(&best.counts).filter_map(|(e, &k)| e.fits.get(k));
    chosen.flat_map(|f| &f.marks).any(|m| !shape.counts(m) && m.strength >= shape.strength.0)
}

/// Variance of a volley's mean, mm^2, when those balls that are not seen may have struck anywhere in the group: each scatters about
/// the group's middle, which the `k` seen ones tell to within their own scatter over sqrt(k).
fn unknown_places(marks: &[FoundMark], seen: [f64; 2], shots: usize, shape: &MarkShape) -> [[f64; 2]; 2] {
    let (k, n) = (marks.len().max(1) as f64, shots.max(1) as f64);
    let missing = (n - k).max(0.0);
    let scatter = |axis: usize| {
        let off = |m: &FoundMark| [m.x_mm - seen[0], m.y_mm - seen[1]][axis].powi(2);
        // The seen ones may themselves scatter more than the session's do.
        let own = marks.iter().map(off).sum::<f64>() / k;
        own.max([shape.group_mm.0, shape.group_mm.1][axis].powi(2)) * (missing + missing * missing / k) / (n * n)
    };
    [[scatter(0), 0.0], [0.0, scatter(1)]]
}

/// A last mark that explains less than this of the misfit may be no ball: marks put on one too many in rendered
/// sessions gained up to 13, and one in a wrong place, with a ball missed elsewhere, up to 30.
const CLEAR_GAIN: f64 = 60.0;

/// Ways in which balls hide, and what the marks would be without the doubtful one.
struct Hidden {
    ways: Vec<Way>,
    /// Balls that hide.
    missing: usize,
    /// Weight of the marks as they were told apart, when all shots were.
    sure: f64,
    /// Place of the doubtful mark.
    doubtful: Option<[f64; 2]>,
}

/// Where balls may hide when so many marks were told apart for so many shots; `None` when every shot has a mark that cannot be mistaken.
fn hidden(
    patches: &[Patch],
    explained: &[Explained],
    best: &Choice,
    (told, shots): (usize, usize),
    shape: &MarkShape,
) -> Option<Hidden> {
    let mut counts = best.counts.clone();
    let mut doubtful_patch = None;
    if told > shots {
        return None;
    }
    if told == shots {
        // The patch whose last mark explains least: what if that mark is none? What counts as none already is not asked about.
        let balls = |p: usize, k: usize| explained[p].fits[k].marks.iter().filter(|m| shape.counts(m)).count();
        let gain = |p: usize| {
            let k = counts[p];
            if k < 2 || balls(p, k) <= balls(p, k - 1) {
                f64::MAX
            } else {
                explained[p].fits[k - 1].misfit - explained[p].fits[k].misfit
            }
        };
        let p = (0..counts.len()).min_by(|&a, &b| gain(a).total_cmp(&gain(b)))?;
        if gain(p) > CLEAR_GAIN {
            return None;
        }
        counts[p] -= 1;
        doubtful_patch = Some(p);
    }
    let bases: Vec<&[FittedMark]> = explained.iter().zip(&counts).map(|(e, &k)| e.fits[k].marks.as_slice()).collect();
    let known = doubtful_patch.map(|p| (p, explained[p].fits[best.counts[p]].marks.as_slice()));
    let ways = ways(patches, &bases, known, shape);
    let n = told - usize::from(doubtful_patch.is_some());
    let (mut sure, mut doubtful) = (1.0, None);
    if let Some(p) = doubtful_patch {
        // The way that is the present explanation: its additional ball lies where the present marks have theirs.
        let now = &explained[p].fits[best.counts[p]].marks;
        let extra = extra_mm(bases[p], now);
        let same = |w: &&Way| w.patch == p && (w.extra_mm[0] - extra[0]).hypot(w.extra_mm[1] - extra[1]) < SAME_WAY_MM;
        sure = ways.iter().filter(|w| w.known || same(w)).map(|w| w.weight).sum();
        doubtful = Some(extra);
    }
    Some(Hidden { ways, missing: shots - n, sure, doubtful })
}

/// Two ways whose additional balls are this near are the same, mm.
const SAME_WAY_MM: f64 = 4.0;

impl Hidden {
    /// Mean of all shots over the ways, and the variance that the choice leaves; `own` is the mean of the marks told apart.
    fn mean(&self, own: [f64; 2], shots: usize) -> ([f64; 2], [[f64; 2]; 2]) {
        if self.ways.is_empty() || shots == 0 {
            return (own, Default::default());
        }
        let extra: [f64; 2] = std::array::from_fn(|k| self.ways.iter().map(|w| w.weight * w.extra_mm[k]).sum());
        let (n, m) = (shots as f64, self.missing as f64);
        let middle = std::array::from_fn(|k| match self.doubtful {
            // The doubtful mark is among those told apart: its place gives way to the mean over the ways.
            Some(now) => own[k] + (extra[k] - now[k]) / n,
            None => ((n - m) * own[k] + m * extra[k]) / n,
        });
        // Several missing balls are taken to hide independently.
        let variance = std::array::from_fn(|i| {
            std::array::from_fn(|j| {
                let each = |w: &Way| w.weight * (w.extra_mm[i] - extra[i]) * (w.extra_mm[j] - extra[j]);
                m / (n * n) * self.ways.iter().map(each).sum::<f64>()
            })
        });
        (middle, variance)
    }

    /// Gives the marks that most likely hide others their counts.
    fn name(&self, marks: &mut [FoundMark], explained: &[Explained], best: &Choice) {
        // Expected number of balls under each mark: a way without a mark of its own counts for the nearest.
        let mut expected = vec![0.0; marks.len()];
        for w in &self.ways {
            let at = match w.under {
                Some(i) => {
                    let m = &explained[w.patch].fits[best.counts[w.patch]].marks[i];
                    [m.x_mm, m.y_mm]
                }
                None => w.extra_mm,
            };
            if let Some(i) = nearest(marks, at) {
                expected[i] += w.weight * self.missing as f64;
            }
        }
        for _ in 0..self.missing {
            if let Some(i) = (0..marks.len()).max_by(|&a, &b| expected[a].total_cmp(&expected[b])) {
                marks[i].count += 1;
                if marks[i].count == 2 {
                    // Each ball of the entry is somewhere about its centre.
                    let hidden = (HIDDEN_RADII * marks[i].radius_mm).powi(2);
                    (0..2).for_each(|k| marks[i].covariance_mm2[k][k] += hidden);
                }
                expected[i] -= 1.0;
            }
        }
    }
}

/// SD of a hidden ball's centre about the mark that hides it, across and up, in radii: two balls further apart than 0.4
/// radii show as two, so the hidden one is somewhere on a disc of that radius, whose SD on an axis is half of it.
pub const HIDDEN_RADII: f64 = 0.2;

/// The order of a volley's marks.
pub fn top_to_bottom(a: &FoundMark, b: &FoundMark) -> std::cmp::Ordering {
    b.y_mm.total_cmp(&a.y_mm).then(a.x_mm.total_cmp(&b.x_mm))
}

/// Opacities for a mark colour; nothing where nothing changed anywhere.
pub(super) fn opacities(raw: &[RawPatch], colour: Option<[f32; 3]>, shape: &MarkShape) -> Vec<Patch> {
    let opacity = |c: [f32; 3]| raw.par_iter().map(|p| shape.opacity(p, c)).collect();
    colour.map_or_else(Vec::new, opacity)
}

/// What a photo shows, judged as by [`judge`] but for what `passed`, with the marks noted that lie where the wall has a seam.
///
/// # Errors
/// As for [`VolleyLook::patches`].
pub(super) fn judge_look(
    look: &VolleyLook,
    shots: usize,
    behind: &Behind,
    shape: &MarkShape,
    colour: Option<[f32; 3]>,
    passed: &Passed,
) -> Result<Judged> {
    let raw = passed.hide(look.patches()?);
    let mut judged = judge(&opacities(&raw, colour, shape), shots, shape, behind);
    (judged.passed, judged.own_gone, judged.older_gone) = (passed.things, passed.own_gone, passed.older_gone);
    for m in &mut judged.marks {
        m.on_seam = raw.get(m.patch).is_some_and(|p| seam_through(p, m.x_mm, m.y_mm, m.radius_mm));
        if m.on_seam {
            let cut = cut_off_mm(m.radius_mm, shape).powi(2);
            (0..2).for_each(|k| m.covariance_mm2[k][k] += cut);
        }
    }
    Ok(judged)
}

/// Volleys that the marks' looks are learned from, at the most: two hundred marks say how they scatter to a twentieth.
pub(super) const LEARN_FROM: usize = 40;

/// What marks look like, and their colour, from at most [`LEARN_FROM`] of `count` volleys, evenly spread; `of` gives each its shots and patches.
///
/// # Errors
/// Those of `of`.
pub(super) fn learn_looks<'a>(
    count: usize,
    of: impl Fn(usize) -> Result<(usize, Cow<'a, [RawPatch]>)> + Sync,
    start: &MarkShape,
) -> Result<(MarkShape, Option<[f32; 3]>)> {
    let n = count.min(LEARN_FROM);
    let volleys: Vec<(usize, Cow<[RawPatch]>)> =
        (0..n).into_par_iter().map(|i| of(i * count / n)).collect::<Result<_>>()?;
    let all: Vec<(usize, &[RawPatch])> = volleys.iter().map(|(shots, patches)| (*shots, &**patches)).collect();
    Ok(learn_with_colour(&all, start))
}

/// How far off the centre of a mark on a seam may be, mm (u on each axis): where a strip of it is missing beyond the seam, what is left is a disc whose
/// radius lacks half of the strip and whose centre is off by as much. Nothing where the radius is within what the session's scatter by.
fn cut_off_mm(radius_mm: f64, shape: &MarkShape) -> f64 {
    let lacks = shape.radius_mm.0 - radius_mm;
    if lacks > SMALLER_SD * shape.radius_mm.1 { lacks } else { 0.0 }
}

/// A mark this many standard deviations smaller than the session's is smaller than they scatter by: one in forty of whole ones is.
const SMALLER_SD: f64 = 2.0;

/// Index of the mark nearest to a place, mm.
pub(super) fn nearest(marks: &[FoundMark], at: [f64; 2]) -> Option<usize> {
    let near = |m: &FoundMark| (m.x_mm - at[0]).hypot(m.y_mm - at[1]);
    (0..marks.len()).min_by(|&a, &b| near(&marks[a]).total_cmp(&near(&marks[b])))
}

/// Balls that marks stand for.
pub(super) fn balls(marks: &[FoundMark]) -> u32 {
    marks.iter().map(|m| m.count).sum()
}

/// Mean place of a volley's balls, mm.
pub(super) fn mean(marks: &[FoundMark]) -> Option<[f64; 2]> {
    let n = f64::from(balls(marks));
    let sum =
        marks.iter().fold((0.0, 0.0), |s, m| (s.0 + f64::from(m.count) * m.x_mm, s.1 + f64::from(m.count) * m.y_mm));
    (n > 0.0).then(|| [sum.0 / n, sum.1 / n])
}

fn marks_of(explained: &[Explained], choice: &Choice, shape: &MarkShape) -> Vec<FoundMark> {
    let mut out = Vec::new();
    for (patch, (e, &k)) in explained.iter().zip(&choice.counts).enumerate() {
        let fit = &e.fits[k];
        let between = between_trials_mm2(fit);
        for (i, m) in fit.marks.iter().enumerate() {
            if !shape.counts(m) {
                continue;
            }
            let lack = fit.lack_of_fit.get(i).copied().unwrap_or(1.0);
            let c = |a: usize, b: usize| lack * fit.covariance[(UNKNOWNS * i + a, UNKNOWNS * i + b)];
            out.push(FoundMark {
                x_mm: m.x_mm,
                y_mm: m.y_mm,
                covariance_mm2: std::array::from_fn(|a| std::array::from_fn(|b| c(a, b) + between[i][a][b])),
                radius_mm: m.radius_mm,
                strength: m.strength,
                modes: m.modes,
                count: 1,
                significance: m.strength / c(3, 3).max(1e-12).sqrt(),
                overlaps: fit.marks.iter().enumerate().any(|(j, n)| j != i && m.overlaps(n)),
                patch,
                seen_in: None,
                on_seam: false,
            });
        }
    }
    out
}
