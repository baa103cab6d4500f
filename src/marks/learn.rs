//! What colour, size, strength and profile have this session's marks?
//!
//! The colour comes from the strongest changes of all volleys; profile, texture, size and strength
//! from fits that start with a plain disc, and are repeated with what was learned.

use rayon::prelude::*;

use super::adjust::Freedom;
use super::fit::{FittedMark, MODES, TILT, UNKNOWNS, WAVE_ORDERS};
use super::patch::{Patch, RawPatch};
use super::relief::are_dents;
use super::separate::{Effort, Explained, choose, explain};
use super::shape::{LEAST_MARKS, MarkShape, WINDOW, spread};
use super::smear::smeared;
use super::takes::Takes;
use super::target::Target;
use super::texture::learn_texture;

/// Rounds of learning: the third changes centres by less than 0.05 mm.
const ROUNDS: usize = 3;
/// The strongest changes are this opaque at the most: the colour is set so that no pixel needs more.
const MOST_OPAQUE: f64 = 0.92;
/// The same where all marks are faint, and the colour that is then farther from the wall's: it shows where marks lie over marks, which add up
/// while they are faint and saturate when they are not.
const FAINTER: [f64; 2] = [0.5, 0.25];
/// A fainter reading must lower the misfit by this: torn outlines alone make differences of some units.
const CLEARLY_FAINTER: f64 = 20.0;
/// Size of the change that leaves no light in any of the three colours. What becomes lighter may change by some forty times as much, as where a fly has gone that was
/// as dark as can be: it weighs no more than that, or four flies would outweigh five balls.
const MOST_DARKENED: f64 = 1.732_050_807_568_877_2;
/// Fewer changed pixels than this tell no colour: a single mark at two pixels a radius has a dozen, and noise passes for so many.
const LEAST_CHANGED: usize = 20;
/// A wall in less than this share of the full light says nothing of its colour.
const LEAST_LIGHT: f32 = 0.02;

/// The marks' colour, linear RGB, from all patches, and what it would be were the marks fainter by each of [`FAINTER`], as far as there
/// are such colours. Empty without patches.
fn colours(volleys: &[(usize, &[RawPatch])]) -> Vec<[f32; 3]> {
    let Some((wall, change)) = strongest_change(volleys) else { return Vec::new() };
    let at = |opaque: f64| -> [f64; 3] { std::array::from_fn(|c| wall[c] * (1.0 + change[c] / opaque)) };
    let fainter = FAINTER.iter().map(|f| at(f * MOST_OPAQUE));
    let all = std::iter::once(at(MOST_OPAQUE)).chain(fainter.filter(|c| c.iter().all(|v| (0.0..=1.0).contains(v))));
    all.map(|c| c.map(|v| v.clamp(0.0, 1.0) as f32)).collect()
}

/// A volley's changed pixels.
struct Changes {
    /// Relative change of each, and the wall's own colour there.
    pixels: Vec<([f64; 3], [f64; 3])>,
    /// Sum of the changes, each weighted by its own size so that weak pixels' noise does not turn it, up to [`MOST_DARKENED`].
    sum: [f64; 3],
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|c| a[c] * b[c]).sum()
}

/// The direction of a sum, of length one; `None` where it has none.
fn direction(sum: [f64; 3]) -> Option<[f64; 3]> {
    let norm = dot(sum, sum).sqrt();
    (norm >= 1e-9).then(|| sum.map(|v| v / norm))
}

impl Changes {
    fn of(patches: &[RawPatch]) -> Self {
        let mut out = Self { pixels: Vec::new(), sum: [0.0; 3] };
        for p in patches {
            for i in 0..p.after.len() {
                let e = p.expected[i];
                if p.quiet[i] || p.masked[i] || !e[0].is_finite() {
                    continue;
                }
                let r: [f64; 3] =
                    std::array::from_fn(|c| (f64::from(p.after[i][c]) + 0.002) / (f64::from(e[c]) + 0.002) - 1.0);
                let size = dot(r, r).sqrt();
                let weight = size.min(MOST_DARKENED).powi(2) / size.max(1e-9);
                (0..3).for_each(|c| out.sum[c] += r[c] * weight);
                let shade = p.shade.get(i).copied().unwrap_or([1.0; 3]);
                out.pixels.push((r, std::array::from_fn(|c| f64::from(e[c] / shade[c].max(LEAST_LIGHT)))));
            }
        }
        out
    }
}

/// The direction in which the wall's colour changed, of length one: which side most volleys are on (the others are taken out), and on that side the strongest pixels.
fn usual_direction(each: &mut Vec<Changes>) -> Option<[f64; 3]> {
    let sum = |each: &[Changes]| std::array::from_fn(|k| each.iter().map(|c| c.sum[k]).sum());
    let mut side = direction(sum(each))?;
    // Most volleys know the marks' colour; what one or two show besides (a ball left lying) may be stronger than all marks.
    let votes: Vec<f64> = each.iter().map(|c| dot(c.sum, side)).collect();
    let (with, against) = (votes.iter().filter(|v| **v > 0.0).count(), votes.iter().filter(|v| **v < 0.0).count());
    if against > 0 {
        let mut votes = votes.iter();
        each.retain(|_| votes.next().is_none_or(|v| (*v > 0.0) == (with >= against)));
        side = direction(sum(each))?;
    }
    let mut strongest = [0.0f64; 3];
    for (r, _) in each.iter().flat_map(|c| &c.pixels).filter(|p| dot(p.0, side) > 0.0) {
        let size = dot(*r, *r).sqrt();
        (0..3).for_each(|c| strongest[c] += r[c] * size);
    }
    direction(strongest)
}

/// The wall's mean colour where it changed, linear RGB, and the strongest relative change along the usual direction.
fn strongest_change(volleys: &[(usize, &[RawPatch])]) -> Option<([f64; 3], [f64; 3])> {
    let mut each: Vec<Changes> = volleys.iter().map(|v| Changes::of(v.1)).collect();
    let d = usual_direction(&mut each)?;
    let pixels: Vec<_> = each.into_iter().flat_map(|c| c.pixels).collect();
    if pixels.len() < LEAST_CHANGED {
        return None;
    }
    let marked: Vec<[f64; 3]> = pixels.iter().filter(|p| dot(p.0, d) > 0.0).map(|p| p.1).collect();
    let wall = std::array::from_fn(|k| marked.iter().map(|e| e[k]).sum::<f64>() / marked.len().max(1) as f64);
    let mut along: Vec<f64> = pixels.iter().map(|p| dot(p.0, d)).collect();
    let k = ((along.len() as f64 * 0.995) as usize).min(along.len() - 1);
    let extreme = *along.select_nth_unstable_by(k, f64::total_cmp).1;
    Some((wall, d.map(|v| v * extreme)))
}

/// Learns the session's mark shape and colour from its volleys' patches, each with the shots. No colour without patches.
pub fn learn_with_colour(volleys: &[(usize, &[RawPatch])], start: &MarkShape) -> (MarkShape, Option<[f32; 3]>) {
    let colours = colours(volleys);
    let Some((&first, fainter)) = colours.split_first() else { return (start.clone(), None) };
    let patches_at = |colour: [f32; 3], start: &MarkShape| -> Vec<(usize, Vec<Patch>)> {
        let opacity = |p: &RawPatch| start.opacity(p, colour);
        volleys.par_iter().map(|v| (v.0, v.1.par_iter().map(opacity).collect())).collect()
    };
    let mut patches = patches_at(first, start);
    let (mut shape, mut fitted) = learn_and_fit(&patches, start.clone());
    let mut start = start.clone();
    start.dents = are_dents(fitted.iter().map(|(v, p, marks)| (&patches[*v].1[*p], marks.as_slice())));
    if start.dents {
        patches = patches_at(first, &start);
        (shape, fitted) = learn_and_fit(&patches, start.clone());
    }
    if let Some(smeared) = smeared(&patches, &start, &shape, learn) {
        start = smeared;
        (shape, fitted) = learn_and_fit(&patches, start.clone());
    }
    let fits: Vec<_> =
        fitted.iter().map(|(v, p, marks)| (&volleys[*v].1[*p], &patches[*v].1[*p], marks.as_slice())).collect();
    start.takes = Takes::learn(&fits, &shape, first);
    if !start.takes.all() {
        patches = patches_at(first, &start);
        (shape, fitted) = learn_and_fit(&patches, start.clone());
    }
    let start = &start;
    let overlap =
        |marks: &[FittedMark]| marks.iter().enumerate().any(|(i, a)| marks[..i].iter().any(|b| a.overlaps(b)));
    let telling: Vec<&Fitted> = fitted.iter().filter(|f| overlap(&f.2)).collect();
    // Misfit of overlapping marks when the marks' colour is another.
    let misfit = |colour: [f32; 3]| -> f64 {
        let each = |(v, p, marks): &&Fitted| {
            let (was, now) = (&patches[*v].1[*p], start.opacity(&volleys[*v].1[*p], colour));
            let (ab, aa) =
                was.opacity.iter().zip(&now.opacity).fold((0.0, 1e-12), |s, (a, b)| (s.0 + a * b, s.1 + a * a));
            let weaker = ab / aa;
            let mut shape = shape.clone();
            shape.strength = (weaker * shape.strength.0, weaker * shape.strength.1);
            let scaled: Vec<FittedMark> =
                marks.iter().map(|m| FittedMark { strength: weaker * m.strength, ..*m }).collect();
            let target = Target::thinned(&now, &shape, 1.0);
            target.misfit(&target.adjust(&scaled, STEPS, Freedom::Whole))
        };
        telling.par_iter().map(each).sum()
    };
    if telling.is_empty() || fainter.is_empty() {
        return (shape, Some(first));
    }
    let best = fainter.iter().map(|&c| (misfit(c), c)).min_by(|a, b| a.0.total_cmp(&b.0));
    match best {
        Some((m, colour)) if m < misfit(first) - CLEARLY_FAINTER => {
            (learn(&patches_at(colour, start), start.clone()), Some(colour))
        }
        _ => (shape, Some(first)),
    }
}

/// Learns the session's mark shape from its volleys' patches (opacity already computed).
pub fn learn(volleys: &[(usize, Vec<Patch>)], start: MarkShape) -> MarkShape {
    learn_and_fit(volleys, start).0
}

/// A patch's marks: volley, patch, marks.
type Fitted = (usize, usize, Vec<FittedMark>);

/// [`learn`], with the marks that it was learned from.
fn learn_and_fit(volleys: &[(usize, Vec<Patch>)], start: MarkShape) -> (MarkShape, Vec<Fitted>) {
    let area_mm2 = start.area_mm2((0.0, 0.0));
    let mut shape = start;
    let prior = shape.clone();
    // First look: how many marks where, with the plain disc, or what may be far from one.
    let effort = if shape.smeared { Effort::Whole } else { Effort::Rough };
    let mut fitted: Vec<Fitted> = volleys
        .par_iter()
        .enumerate()
        .flat_map_iter(|(v, (shots, patches))| {
            let explained: Vec<Explained> =
                patches.iter().map(|p| explain(p, &shape, area_mm2, shots + 1, effort)).collect();
            let counts = choose(&explained, *shots).into_iter().next().map_or(Vec::new(), |c| c.counts);
            explained
                .into_iter()
                .zip(counts)
                .enumerate()
                .map(move |(p, (e, k))| (v, p, e.fits[k].marks.clone()))
                .collect::<Vec<_>>()
        })
        .collect();
    fitted.retain(|f| !f.2.is_empty());
    // Variances of a fitted radius and strength, their usual size.
    let mut held = [0.0f64; 2];
    for _ in 0..ROUNDS {
        let marks: Vec<FittedMark> = fitted.iter().flat_map(|f| f.2.iter().copied()).collect();
        if marks.len() < LEAST_MARKS {
            return (shape, fitted);
        }
        let patch_of = |v: usize, p: usize| &volleys[v].1[p];
        let mut samples = Vec::new();
        for (v, p, marks) in &fitted {
            own_pixels(patch_of(*v, *p), marks, &shape, |rho, a, w| samples.push((rho, a, w)));
        }
        shape.learn_profile(samples.into_iter());
        let (radius, radius_sd) = spread(marks.iter().map(|m| m.radius_mm).collect());
        let (strength, strength_sd) = spread(marks.iter().map(|m| m.strength).collect());
        // With few marks the spread itself is uncertain: it leans on the start's, as much as four marks weigh.
        let n = marks.len() as f64;
        let lean = |own: f64, start: f64| ((n * own * own + 4.0 * start * start) / (n + 4.0)).sqrt();
        // The prior has drawn each fit to the usual: what it still leaves open belongs to the spread.
        let (radius_sd, strength_sd) = (radius_sd.hypot(held[0].sqrt()), strength_sd.hypot(held[1].sqrt()));
        shape.radius_mm = (radius, lean(radius_sd, prior.radius_mm.1).max(0.05 * radius));
        shape.strength = (strength, lean(strength_sd, USUAL_SPREAD * strength).max(0.1 * strength));
        shape.learned_from = marks.len();
        fitted.par_iter_mut().for_each(|(v, p, marks)| {
            let target = Target::new(patch_of(*v, *p), &shape, area_mm2);
            *marks = target.adjust(marks, STEPS, Freedom::Whole);
        });
        learn_group(&mut shape, &fitted);
        held = learn_modes(&mut shape, &prior, volleys, &fitted, area_mm2);
        learn_texture(&mut shape, fitted.iter().map(|(v, p, m)| (patch_of(*v, *p), m.as_slice())));
    }
    (shape, fitted)
}

/// Steps of each round's adjustment.
const STEPS: usize = 12;

/// Spread of a session's strengths about the usual one before it is known, over that one: the same ball on the same wall (renderings and photos
/// seen; common practice). The start's own spread is that of strengths from one session to another.
const USUAL_SPREAD: f64 = 0.25;

/// Marks that the start's waves and tilt weigh as much as.
const MODES_LEAN: f64 = 4.0;
/// Least standard deviation of a mode: below it the disc is as good.
const LEAST_MODE: f64 = 0.005;

/// How much rims wave and marks tilt: each mode's variance is the mean of its square and of its own variance
/// (expectation and maximisation: Dempster, Laird and Rubin, *J. R. Stat. Soc. B* 39, 1, 1977), the orders apart. Returns the
/// medians of what the fits leave open of radius and strength, variances.
fn learn_modes(
    shape: &mut MarkShape,
    start: &MarkShape,
    volleys: &[(usize, Vec<Patch>)],
    fitted: &[Fitted],
    area_mm2: f64,
) -> [f64; 2] {
    let (squares, open): (Vec<[f64; MODES]>, Vec<[f64; 2]>) = fitted
        .par_iter()
        .flat_map_iter(|(v, p, marks)| {
            let fit = Target::new(&volleys[*v].1[*p], shape, area_mm2).finish(marks.clone());
            let variance = |k: usize, i: usize| fit.covariance[(UNKNOWNS * k + i, UNKNOWNS * k + i)].max(0.0);
            let each = |(k, m): (usize, &FittedMark)| {
                let squares = std::array::from_fn(|i| m.modes[i].powi(2) + variance(k, 4 + i));
                (squares, [variance(k, 2), variance(k, 3)])
            };
            fit.marks.iter().enumerate().map(each).collect::<Vec<_>>()
        })
        .unzip();
    let n = squares.len() as f64;
    let learned = |first: usize, start: f64| {
        // The median would not mind a merged pair, but says too little of a variance; a mean of squares capped at 3 SD does both.
        let cap = 9.0 * start * start;
        let sum: f64 = squares.iter().map(|s| s[first].min(cap) + s[first + 1].min(cap)).sum();
        ((0.5 * sum + MODES_LEAN * start * start) / (n + MODES_LEAN)).sqrt().max(LEAST_MODE)
    };
    let mut waves = shape.waves;
    for k in 0..WAVE_ORDERS.len() {
        waves[k] = learned(2 * k, start.waves[k]);
    }
    (shape.waves, shape.tilt) = (waves, learned(TILT, start.tilt));
    if open.is_empty() { [0.0; 2] } else { std::array::from_fn(|i| spread(open.iter().map(|o| o[i]).collect()).0) }
}

/// Scatter of marks about their volley's median, pooled over volleys.
fn learn_group(shape: &mut MarkShape, fitted: &[Fitted]) {
    let (mut x, mut y) = (Vec::new(), Vec::new());
    let last = fitted.iter().map(|f| f.0).max().unwrap_or(0);
    for v in 0..=last {
        let marks: Vec<&FittedMark> = fitted.iter().filter(|f| f.0 == v).flat_map(|f| &f.2).collect();
        if marks.len() < 2 {
            continue;
        }
        for (all, own) in [
            (&mut x, marks.iter().map(|m| m.x_mm).collect::<Vec<_>>()),
            (&mut y, marks.iter().map(|m| m.y_mm).collect::<Vec<_>>()),
        ] {
            let middle = spread(own.clone()).0;
            // Deviations from a sample's own median are too small by about sqrt((n - 1) / n).
            let n = own.len() as f64;
            all.extend(own.iter().map(|v| (v - middle).abs() * (n / (n - 1.0)).sqrt()));
        }
    }
    if x.len() < 2 * LEAST_MARKS {
        return;
    }
    let scale = |v: &mut Vec<f64>| {
        v.sort_by(f64::total_cmp);
        // The 68 % point of |deviation| is one standard deviation, and does not mind one ball in ten that strays.
        v[(v.len() as f64 * 0.683) as usize % v.len()].max(0.25 * shape.radius_mm.0)
    };
    shape.group_mm = (scale(&mut x), scale(&mut y));
}

/// Calls `take(rho, opacity / strength, weight)` for every pixel that one mark has (almost) for itself.
fn own_pixels(patch: &Patch, marks: &[FittedMark], shape: &MarkShape, mut take: impl FnMut(f64, f64, f64)) {
    let mut all: Vec<(f64, f64)> = Vec::with_capacity(marks.len());
    for i in 0..patch.opacity.len() {
        if !patch.sigma[i].is_finite() {
            continue;
        }
        all.clear();
        all.extend(marks.iter().map(|m| m.rho_and_tilt(patch.wall_mm[i])));
        let Some(nearest) = (0..marks.len()).min_by(|&a, &b| all[a].0.total_cmp(&all[b].0)) else { return };
        let (r, tilt) = all[nearest];
        if r >= WINDOW {
            continue;
        }
        // Within the nearest mark's reach, and outside all others (0.95 of a pixel's light must be this mark's alone).
        let others = marks.iter().zip(&all).enumerate().filter(|(k, _)| *k != nearest);
        let alone = others.map(|(_, o)| o).all(|(m, o)| m.strength * shape.at(o.0).0 < 0.02 && o.0 > 1.25);
        if alone {
            let strength = marks[nearest].strength * tilt.max(0.3);
            let variance = (patch.sigma[i] / strength).powi(2) + 0.05;
            take(r, patch.opacity[i] / strength, 1.0 / variance);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIDE: usize = 60;
    const WALL: [f32; 3] = [0.5, 0.48, 0.45];

    /// A wall on which what lies in the square from (10, 10) on, so many pixels wide, changed from one light to another.
    fn patch(wide: usize, from: f32, to: f32) -> RawPatch {
        let on = |i: usize| (10..10 + wide).contains(&(i % SIDE)) && (10..10 + wide).contains(&(i / SIDE));
        let all = |light: f32| (0..SIDE * SIDE).map(|i| WALL.map(|v| if on(i) { light * v } else { v })).collect();
        RawPatch {
            origin: (0, 0),
            step: 1,
            width: SIDE,
            height: SIDE,
            after: all(to),
            expected: all(from),
            light_u: Vec::new(),
            shade: Vec::new(),
            wall_mm: (0..SIDE * SIDE).map(|i| [(i % SIDE) as f64, -((i / SIDE) as f64)]).collect(),
            quiet: (0..SIDE * SIDE).map(|i| !on(i)).collect(),
            masked: vec![false; SIDE * SIDE],
            mm_per_px: 1.0,
        }
    }

    #[test]
    fn a_few_dark_pixels_that_went_do_not_outweigh_marks() {
        // Five marks of 22 mm take half of the light; four flies of 7 mm leave a wall that is fifty times as bright as they were.
        let each: Vec<RawPatch> =
            (0..9).map(|k| if k < 5 { patch(20, 1.0, 0.5) } else { patch(6, 0.02, 1.0) }).collect();
        let volleys: Vec<(usize, &[RawPatch])> = vec![(5, &each); 4];
        let (wall, change) = strongest_change(&volleys).unwrap();
        // Source: by hand.
        for c in 0..3 {
            let own = (0.5 * f64::from(WALL[c]) + 0.002) / (f64::from(WALL[c]) + 0.002) - 1.0;
            assert!((change[c] - own).abs() < 0.01, "{change:?}");
            assert!((wall[c] - f64::from(WALL[c])).abs() < 1e-6, "{wall:?}");
        }
        // Chalk on a dark wall may brighten it as much, and does.
        let chalk: Vec<RawPatch> = (0..5).map(|_| patch(20, 0.1, 1.0)).collect();
        let (_, change) = strongest_change(&[(5, chalk.as_slice()); 4]).unwrap();
        assert!(change.iter().all(|c| (7.0..9.0).contains(c)), "{change:?}");
    }
}
