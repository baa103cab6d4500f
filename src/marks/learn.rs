//! What colour, size, strength and profile have this session's marks?
//!
//! The colour comes from the strongest changes of all volleys; profile, texture, size and strength
//! from fits that start with a plain disc, and are repeated with what was learned.

use rayon::prelude::*;

use super::fit::{FittedMark, Target};
use super::patch::{Patch, RawPatch};
use super::separate::{Explained, choose, explain};
use super::shape::MarkShape;

/// Rounds of learning: the third changes centres by less than 0.05 mm.
const ROUNDS: usize = 3;
/// The strongest changes are this opaque at the most: the colour is set so that no pixel needs more.
const MOST_OPAQUE: f64 = 0.92;
/// Least marks that teach size and strength.
const LEAST_MARKS: usize = 3;

/// The patches of one volley.
pub struct VolleyPatches {
    /// Balls shot.
    pub shots: usize,
    /// Its patches.
    pub patches: Vec<RawPatch>,
}

/// The marks' colour, linear RGB, from all patches. `None` without patches.
pub fn colour(volleys: &[VolleyPatches]) -> Option<[f32; 3]> {
    // Relative change of each changed pixel, and the wall's own colour there.
    let mut changes: Vec<[f64; 3]> = Vec::new();
    let mut wall = [0.0f64; 3];
    for p in volleys.iter().flat_map(|v| &v.patches) {
        for i in 0..p.after.len() {
            let e = p.expected[i];
            if p.quiet[i] || p.masked[i] || !e[0].is_finite() {
                continue;
            }
            changes.push(std::array::from_fn(|c| (f64::from(p.after[i][c]) + 0.002) / (f64::from(e[c]) + 0.002) - 1.0));
            (0..3).for_each(|c| wall[c] += f64::from(e[c]));
        }
    }
    if changes.len() < 20 {
        return None;
    }
    let n = changes.len() as f64;
    let wall = wall.map(|w| w / n);
    // The direction of change: the mean, weighted by its own size so that weak pixels' noise does not turn it.
    let mut d = [0.0; 3];
    for r in &changes {
        let size = r.iter().map(|v| v * v).sum::<f64>().sqrt();
        (0..3).for_each(|c| d[c] += r[c] * size);
    }
    let norm = d.iter().map(|v| v * v).sum::<f64>().sqrt();
    if norm < 1e-9 {
        return None;
    }
    let d = d.map(|v| v / norm);
    let mut along: Vec<f64> = changes.iter().map(|r| (0..3).map(|c| r[c] * d[c]).sum()).collect();
    let k = ((along.len() as f64 * 0.995) as usize).min(along.len() - 1);
    let extreme = *along.select_nth_unstable_by(k, f64::total_cmp).1;
    Some(std::array::from_fn(|c| (wall[c] * (1.0 + d[c] * extreme / MOST_OPAQUE)).clamp(0.0, 1.0) as f32))
}

fn spread(mut v: Vec<f64>) -> (f64, f64) {
    v.sort_by(f64::total_cmp);
    let m = v[v.len() / 2];
    let mut d: Vec<f64> = v.iter().map(|x| (x - m).abs()).collect();
    d.sort_by(f64::total_cmp);
    (m, 1.4826 * d[d.len() / 2])
}

/// Learns the session's mark shape from its volleys' patches (opacity already computed).
pub fn learn(volleys: &[(usize, Vec<Patch>)], start: MarkShape, area_mm2: f64) -> MarkShape {
    let mut shape = start;
    let prior = shape.clone();
    // First look: how many marks where, with the plain disc.
    let mut fitted: Vec<(usize, usize, Vec<FittedMark>)> = volleys
        .par_iter()
        .enumerate()
        .flat_map_iter(|(v, (shots, patches))| {
            let explained: Vec<Explained> = patches.iter().map(|p| explain(p, &shape, area_mm2, shots + 1)).collect();
            let choice = choose(&explained, *shots);
            explained
                .into_iter()
                .zip(choice.counts)
                .enumerate()
                .map(move |(p, (e, k))| (v, p, e.fits[k].marks.clone()))
                .collect::<Vec<_>>()
        })
        .collect();
    fitted.retain(|f| !f.2.is_empty());
    for _ in 0..ROUNDS {
        let marks: Vec<FittedMark> = fitted.iter().flat_map(|f| f.2.iter().copied()).collect();
        if marks.len() < LEAST_MARKS {
            return shape;
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
        shape.radius_mm = (radius, lean(radius_sd, prior.radius_mm.1).max(0.05 * radius));
        shape.strength = (strength, lean(strength_sd, prior.strength.1).max(0.1 * strength));
        shape.learned_from = marks.len();
        fitted.par_iter_mut().for_each(|(v, p, marks)| {
            let target = Target::new(patch_of(*v, *p), &shape, area_mm2);
            *marks = target.adjust(marks, 12);
        });
        learn_texture(&mut shape, fitted.iter().map(|(v, p, m)| (patch_of(*v, *p), m.as_slice())));
    }
    shape
}

/// Calls `take(rho, opacity / strength, weight)` for every pixel that one mark has (almost) for itself.
fn own_pixels(patch: &Patch, marks: &[FittedMark], shape: &MarkShape, mut take: impl FnMut(f64, f64, f64)) {
    for i in 0..patch.opacity.len() {
        if !patch.sigma[i].is_finite() {
            continue;
        }
        let w = patch.wall_mm[i];
        let rho = |m: &FittedMark| (w[0] - m.x_mm).hypot(w[1] - m.y_mm) / m.radius_mm;
        let Some(nearest) = marks.iter().min_by(|a, b| rho(a).total_cmp(&rho(b))) else { return };
        let r = rho(nearest);
        // Within the nearest mark's reach, and outside all others (0.95 of a pixel's light must be this mark's alone).
        let alone =
            marks.iter().filter(|m| *m != nearest).all(|m| m.strength * shape.at(rho(m)).0 < 0.02 && rho(m) > 1.25);
        if r < shape.reach() && alone {
            let variance = (patch.sigma[i] / nearest.strength).powi(2) + 0.05;
            take(r, patch.opacity[i] / nearest.strength, 1.0 / variance);
        }
    }
}

/// Texture and grain from what fits leave inside marks.
fn learn_texture<'a>(shape: &mut MarkShape, fits: impl Iterator<Item = (&'a Patch, &'a [FittedMark])>) {
    let (mut rr, mut aa) = (0.0, 0.0);
    let (mut blocks, mut pixels, mut count) = (0.0, 0.0, 0.0);
    const SIDE: usize = 4;
    for (patch, marks) in fits {
        let target = Target::new(patch, shape, 1.0);
        let residual: Vec<f64> = (0..patch.opacity.len())
            .map(|i| {
                let inside = patch.sigma[i].is_finite() && patch.level[i] > 4.0 * patch.sigma[i];
                if inside { patch.opacity[i] - target.opacity_at(marks, patch.wall_mm[i]) } else { f64::NAN }
            })
            .collect();
        for (i, r) in residual.iter().enumerate() {
            if r.is_finite() {
                rr += (r * r - patch.sigma[i].powi(2)).max(0.0);
                aa += patch.level[i].powi(2);
            }
        }
        for by in 0..patch.height / SIDE {
            for bx in 0..patch.width / SIDE {
                let cells =
                    (0..SIDE * SIDE).map(|k| residual[(by * SIDE + k / SIDE) * patch.width + bx * SIDE + k % SIDE]);
                let v: Vec<f64> = cells.filter(|r| r.is_finite()).collect();
                if v.len() == SIDE * SIDE {
                    blocks += (v.iter().sum::<f64>() / v.len() as f64).powi(2);
                    pixels += v.iter().map(|r| r * r).sum::<f64>() / v.len() as f64;
                    count += 1.0;
                }
            }
        }
    }
    if aa > 0.0 {
        shape.texture = (rr / aa).sqrt().clamp(0.05, 0.8);
    }
    if count >= 20.0 {
        // Variance of a block's mean over a pixel's: 1 / 16 for independent pixels, 1 when a block scatters as one.
        shape.grain_px = ((SIDE * SIDE) as f64 * blocks / pixels).clamp(1.0, (SIDE * SIDE) as f64);
    }
}
