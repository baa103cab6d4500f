//! Which marks does a volley's photo show, and how sure is that?
//!
//! Every patch is explained by 0, 1, 2 ... marks; the numbers are chosen for the whole volley by evidence, with
//! the shots as a prior. Where another number is nearly as probable, the volley's mean carries what that
//! would change; where fewer marks than shots are told apart, the mark that most likely hides another says so.

use rayon::prelude::*;

use crate::marks::fit::FittedMark;
use crate::marks::patch::Patch;
use crate::marks::separate::{Choice, Explained, choose, explain};
use crate::marks::shape::MarkShape;

/// Choices less probable than this do not count.
const LEAST_PROBABILITY: f64 = 0.01;
/// A mark must be at least this strong against the usual one to be a mark.
const LEAST_STRENGTH: f64 = 0.12;

/// A mark of a volley, wall mm.
#[derive(Clone, Debug, PartialEq)]
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
    /// Balls that it stands for.
    pub count: u32,
    /// Strength over its own standard uncertainty.
    pub significance: f64,
    /// Overlaps another mark of the volley.
    pub overlaps: bool,
    /// Index of its patch.
    pub patch: usize,
}

/// A volley's marks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Judged {
    /// The marks, top to bottom.
    pub marks: Vec<FoundMark>,
    /// Probability of the number of marks chosen, among all numbers.
    pub probability: f64,
    /// How far the mean over all choices lies from the mean of the marks as chosen, mm.
    pub mean_shift_mm: [f64; 2],
    /// Variance of the mean from the choice itself, mm^2.
    pub mean_variance_mm2: [[f64; 2]; 2],
}

/// Where most of the change is: the patch with most opacity, its centre of opacity, mm.
fn heart(patches: &[Patch]) -> Option<(f64, f64)> {
    let mass = |p: &Patch| {
        let (mut m, mut x, mut y) = (0.0, 0.0, 0.0);
        for i in 0..p.opacity.len() {
            if p.sigma[i].is_finite() && p.level[i] > 4.0 * p.sigma[i] {
                m += p.level[i];
                x += p.level[i] * p.wall_mm[i][0];
                y += p.level[i] * p.wall_mm[i][1];
            }
        }
        (m * p.mm_per_px * p.mm_per_px, x / m, y / m)
    };
    patches.iter().map(mass).filter(|m| m.0 > 0.0).max_by(|a, b| a.0.total_cmp(&b.0)).map(|m| (m.1, m.2))
}

/// Most marks that a patch can hold: twice what its opacity amounts to in usual marks, and two more.
fn most_marks(p: &Patch, shape: &MarkShape, shots: usize) -> usize {
    let mass: f64 = (0..p.opacity.len())
        .filter(|&i| p.sigma[i].is_finite() && p.level[i] > 3.0 * p.sigma[i])
        .map(|i| -(1.0 - p.level[i].min(0.95)).ln())
        .sum::<f64>()
        * p.mm_per_px
        * p.mm_per_px;
    let one = std::f64::consts::PI * shape.radius_mm.0.powi(2) * shape.strength.0;
    ((2.0 * mass / one) as usize + 2).min(shots + 2)
}

/// Judges a volley from its patches.
pub fn judge(patches: &[Patch], shots: usize, shape: &MarkShape) -> Judged {
    let Some(heart) = heart(patches) else { return Judged::default() };
    let explained: Vec<Explained> = patches
        .par_iter()
        .map(|p| {
            let n = p.wall_mm.iter().filter(|w| w[0].is_finite()).count().max(1) as f64;
            let centre =
                p.wall_mm.iter().filter(|w| w[0].is_finite()).fold((0.0, 0.0), |c, w| (c.0 + w[0] / n, c.1 + w[1] / n));
            // The nearest point of a long patch counts, not its middle.
            let half = 0.5 * p.mm_per_px * p.width.max(p.height) as f64;
            let away = ((centre.0 - heart.0).abs() - half).max(0.0);
            let up = ((centre.1 - heart.1).abs() - half).max(0.0);
            explain(p, shape, shape.area_mm2((away, up)), most_marks(p, shape, shots))
        })
        .collect();
    let choices = choose(&explained, shots);
    let Some(best) = choices.first() else { return Judged::default() };
    let mut marks = marks_of(&explained, best, shape);
    // Where fewer marks than shots are told apart, each way in which one patch hides the missing ball has its weight.
    let ways = ways_to_hide(&explained, best, &choices, shots);
    if let Some((_, full)) = ways.iter().max_by(|a, b| a.0.total_cmp(&b.0)) {
        name_hidden(&mut marks, &explained, best, full);
    }
    let mut judged = Judged { probability: best.probability, ..Judged::default() };
    if let Some(own) = mean(&marks) {
        let arrangements: Vec<(f64, [f64; 2])> = if ways.is_empty() {
            vec![(1.0, own)]
        } else {
            ways.iter().filter_map(|(w, c)| mean(&marks_of(&explained, c, shape)).map(|m| (*w, m))).collect()
        };
        let middle: [f64; 2] = std::array::from_fn(|k| arrangements.iter().map(|a| a.0 * a.1[k]).sum());
        judged.mean_shift_mm = [middle[0] - own[0], middle[1] - own[1]];
        // Other numbers of marks do not move the mean, but they widen it.
        let others = choices.iter().filter(|c| c.probability > LEAST_PROBABILITY && (*c != best || !ways.is_empty()));
        let all: Vec<(f64, [f64; 2])> = arrangements
            .iter()
            .copied()
            .chain(others.filter_map(|c| mean(&marks_of(&explained, c, shape)).map(|m| (c.probability, m))))
            .collect();
        judged.mean_variance_mm2 = std::array::from_fn(|i| {
            std::array::from_fn(|j| all.iter().map(|a| a.0 * (a.1[i] - middle[i]) * (a.1[j] - middle[j])).sum())
        });
    }
    marks.sort_by(|a, b| b.y_mm.total_cmp(&a.y_mm).then(a.x_mm.total_cmp(&b.x_mm)));
    judged.marks = marks;
    judged
}

fn balls(marks: &[FoundMark]) -> u32 {
    marks.iter().map(|m| m.count).sum()
}

/// Mean place of a volley's balls, mm.
fn mean(marks: &[FoundMark]) -> Option<[f64; 2]> {
    let n = f64::from(balls(marks));
    let sum =
        marks.iter().fold((0.0, 0.0), |s, m| (s.0 + f64::from(m.count) * m.x_mm, s.1 + f64::from(m.count) * m.y_mm));
    (n > 0.0).then(|| [sum.0 / n, sum.1 / n])
}

/// The ways in which all shots can be in the marks when `best` tells fewer apart, with weights that sum to one: for
/// one missing ball each patch in turn has one more mark; for several, the best explanation with all of them.
fn ways_to_hide(explained: &[Explained], best: &Choice, choices: &[Choice], shots: usize) -> Vec<(f64, Choice)> {
    let told: usize = best.counts.iter().sum();
    if told >= shots {
        return Vec::new();
    }
    if told + 1 < shots {
        let full = choices.iter().find(|c| c.counts.iter().sum::<usize>() == shots);
        return full.map(|c| vec![(1.0, c.clone())]).unwrap_or_default();
    }
    let mut ways: Vec<(f64, Choice)> = Vec::new();
    for (p, e) in explained.iter().enumerate() {
        let k = best.counts[p];
        // A patch without any mark hides none: a ball there would be a mark of its own.
        let (Some(now), Some(more)) = (e.fits.get(k), e.fits.get(k + 1)) else { continue };
        if k == 0 {
            continue;
        }
        let mut counts = best.counts.clone();
        counts[p] += 1;
        ways.push((now.minus_2_ln_evidence - more.minus_2_ln_evidence, Choice { counts, probability: 0.0 }));
    }
    let least = ways.iter().map(|w| w.0).fold(f64::MIN, f64::max);
    ways.iter_mut().for_each(|w| w.0 = (0.5 * (w.0 - least)).exp());
    let sum: f64 = ways.iter().map(|w| w.0).sum();
    ways.iter_mut().for_each(|w| w.0 /= sum);
    ways
}

fn marks_of(explained: &[Explained], choice: &Choice, shape: &MarkShape) -> Vec<FoundMark> {
    let mut out = Vec::new();
    for (patch, (e, &k)) in explained.iter().zip(&choice.counts).enumerate() {
        let fit = &e.fits[k];
        for (i, m) in fit.marks.iter().enumerate() {
            if m.strength < LEAST_STRENGTH * shape.strength.0 {
                continue;
            }
            let c = |a: usize, b: usize| fit.covariance[(4 * i + a, 4 * i + b)];
            out.push(FoundMark {
                x_mm: m.x_mm,
                y_mm: m.y_mm,
                covariance_mm2: [[c(0, 0), c(0, 1)], [c(1, 0), c(1, 1)]],
                radius_mm: m.radius_mm,
                strength: m.strength,
                count: 1,
                significance: m.strength / c(3, 3).max(1e-12).sqrt(),
                overlaps: fit
                    .marks
                    .iter()
                    .enumerate()
                    .any(|(j, n)| j != i && distance(m, n) < m.radius_mm + n.radius_mm),
                patch,
            });
        }
    }
    out
}

fn distance(a: &FittedMark, b: &FittedMark) -> f64 {
    (a.x_mm - b.x_mm).hypot(a.y_mm - b.y_mm)
}

/// Gives the marks that hide others their counts: where the explanation with all shots has two marks
/// nearest to one of these, that one stands for both.
fn name_hidden(marks: &mut [FoundMark], explained: &[Explained], best: &Choice, full: &Choice) {
    for (patch, e) in explained.iter().enumerate() {
        if full.counts[patch] <= best.counts[patch] {
            continue;
        }
        let mut missing = full.counts[patch] - best.counts[patch];
        let mut near: Vec<usize> = vec![0; marks.len()];
        for m in &e.fits[full.counts[patch]].marks {
            let nearest = (0..marks.len()).filter(|&i| marks[i].patch == patch).min_by(|&a, &b| {
                let d = |i: usize| (marks[i].x_mm - m.x_mm).hypot(marks[i].y_mm - m.y_mm);
                d(a).total_cmp(&d(b))
            });
            if let Some(i) = nearest {
                near[i] += 1;
            }
        }
        for (i, n) in near.iter().enumerate() {
            let more = n.saturating_sub(1).min(missing);
            marks[i].count += more as u32;
            missing -= more;
        }
    }
}
