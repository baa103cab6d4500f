//! How coarse is the texture of this session's marks, and how strong? How far do their rims stray?
//!
//! A mark is torn and blotched: what a fit leaves inside it is more than the photo's noise, and hangs together from pixel to pixel. How much more, and over
//! how many pixels, decides how well a centre is known.

use super::fit::{FittedMark, nearest_mark, opacity_and_parts_at};
use super::patch::Patch;
use super::shape::{LEAST_MARKS, MarkShape, WINDOW, grain_px, spread};
use crate::vectors::widest;

/// Lags of the residuals' autocorrelation, px: a mark's raggedness hangs together over up to a sixth of its rim.
const MOST_LAG: i64 = 12;

/// One half of the lags up to [`MOST_LAG`], px across and down, each with its nearest whole length; the other half are their mirror images.
fn half_of_lags() -> Vec<(i64, i64, usize)> {
    let all = (0..=MOST_LAG).flat_map(|dy| (if dy == 0 { 0 } else { -MOST_LAG }..=MOST_LAG).map(move |dx| (dx, dy)));
    let with_length = |(dx, dy): (i64, i64)| (dx, dy, ((dx * dx + dy * dy) as f64).sqrt().round() as usize);
    all.map(with_length).filter(|l| l.2 <= MOST_LAG as usize).collect()
}

/// Least texture: no mark is known to be more even.
const LEAST_TEXTURE: f64 = 0.05;

/// Least pixels of a mark that has a say in texture and grain.
const LEAST_PIXELS: usize = 60;

/// Least pixels of each zone of such a mark: one whose rim or inner part lies under others, or was left out, says nothing of it.
const LEAST_IN_ZONE: usize = 15;
/// A rim strays by this part of the radius at the most: beyond, it is no rim.
const MOST_RAGGED: f64 = 0.2;

/// Zones of a mark, distance over radius: where its own scatter is seen, and where its rim strays.
const INNER: std::ops::Range<f64> = 0.0..0.75;
const RIM: std::ops::Range<f64> = 0.85..1.2;

/// Texture, raggedness and their grain from what fits leave inside marks and at their rims.
///
/// A mark's residuals, less their mean (which its strength stands for), have at each lag a covariance. In the inner part, less what the
/// photo's noise has there, over the product of the levels, it is the texture's; at the rim, less noise and texture, over the product of the slopes, that of
/// the rim's straying. The median over marks counts, so that a pair that was taken for one mark does not. Grain is the integral of the autocorrelation up to
/// its first zero: for anything that varies slowly over a mark correlated residuals count as 1 / grain as many independent ones. Texture is taken
/// twice: against the opacity as it is, and against what each mark has in it ([`opacity_and_parts_at`]).
pub(super) fn learn_texture<'a>(shape: &mut MarkShape, fits: impl Iterator<Item = (&'a Patch, &'a [FittedMark])>) {
    let bins = MOST_LAG as usize + 1;
    let lags = half_of_lags();
    let mut curves: Vec<Vec<f64>> = vec![Vec::new(); bins];
    let mut own_curves = curves.clone();
    // Each mark's sums over its rim: products of residuals less noise, of levels, of slopes.
    let mut rims: Vec<Vec<[f64; 3]>> = Vec::new();
    for (patch, marks) in fits {
        // Each pixel's residual, whose it is (the nearest mark's), and how far out.
        let mut left = vec![(f64::NAN, usize::MAX, 0.0); patch.opacity.len()];
        let mut means = vec![(0.0, 0.0); marks.len()];
        // Pixels of each mark, of its inner part and of its rim.
        let mut seen = vec![[0usize; 3]; marks.len()];
        let mut parts = vec![0.0; patch.opacity.len()];
        for (i, l) in left.iter_mut().enumerate() {
            if !(patch.sigma[i].is_finite() && patch.level[i] > 4.0 * patch.level_sigma(i)) {
                continue;
            }
            let w = patch.wall_mm[i];
            let Some((k, rho)) = nearest_mark(marks, w).filter(|n| n.1 < WINDOW) else { continue };
            let (laid, squares) = opacity_and_parts_at(marks, shape, w);
            *l = (patch.opacity[i] - laid, k, rho);
            parts[i] = squares.sqrt();
            means[k].0 += l.0;
            means[k].1 += patch.level[i];
            let within = [true, INNER.contains(&rho), RIM.contains(&rho)];
            seen[k].iter_mut().zip(within).for_each(|(n, is)| *n += usize::from(is));
        }
        for (i, l) in left.iter_mut().enumerate().filter(|(_, l)| l.1 != usize::MAX) {
            let (sum, level) = means[l.1];
            l.0 -= sum / level * patch.level[i];
        }
        let size = (patch.width, patch.height);
        let less_noise = |l: usize, s: &[f64; 4]| s[0] - patch.noise_rho.get(l).map_or(0.0, |r| r * s[1]);
        let enough =
            |[all, inner, rim]: [usize; 3]| all >= LEAST_PIXELS && inner >= LEAST_IN_ZONE && rim >= LEAST_IN_ZONE;
        for k in (0..marks.len()).filter(|&k| enough(seen[k])) {
            let sums_of = |zone: &std::ops::Range<f64>, last: &dyn Fn(usize) -> f64| {
                let is_own = |i: usize| left[i].1 == k && zone.contains(&left[i].2);
                let of = |i: usize| [left[i].0, patch.sigma[i], patch.level[i], last(i)];
                let mut sums = vec![[0.0f64; 4]; bins];
                let own = Own::new(size, is_own, of);
                for &(dx, dy, lag) in &lags {
                    own.products((dx, dy), &mut sums[lag]);
                }
                sums
            };
            for (l, s) in sums_of(&INNER, &|i| parts[i]).iter().enumerate() {
                let product = less_noise(l, s);
                curves[l].push(product / s[2].max(1e-12));
                own_curves[l].push(product / s[3].max(1e-12));
            }
            let rim = sums_of(&RIM, &|i| patch.slope_per_mm(i));
            rims.push(rim.iter().enumerate().map(|(l, s)| [less_noise(l, s), s[2], s[3]]).collect());
        }
    }
    if curves[0].len() < LEAST_MARKS {
        return;
    }
    let medians = |curves: Vec<Vec<f64>>| -> Vec<f64> { curves.into_iter().map(|c| spread(c).0).collect() };
    let texture_and_grain = |curve: &[f64]| {
        let variance = curve[0].max(1e-9);
        let rho: Vec<f64> = curve.iter().map(|c| c / variance).collect();
        (variance.sqrt().clamp(LEAST_TEXTURE, 0.8), grain_px(&rho).clamp(1.0, 100.0))
    };
    let inner = medians(curves);
    (shape.texture, shape.grain_px) = texture_and_grain(&inner);
    (shape.own_texture, shape.own_grain_px) = texture_and_grain(&medians(own_curves));
    // What the rim's pixels have wrong together at a lag, over their squared slopes. A rim is a band: pairs that are so far apart are as many as were added up.
    let squares = |rim: &Vec<[f64; 3]>| rim[0][2].max(1e-12);
    let strays = |l: usize| spread(rims.iter().map(|r| (r[l][0] - inner[l] * r[l][1]) / squares(r)).collect()).0;
    let variance = strays(0);
    if variance > 0.0 {
        let together: f64 = (1..bins).map(strays).take_while(|s| *s > 0.0).sum();
        let most_mm = MOST_RAGGED * shape.radius_mm.0;
        (shape.ragged_mm, shape.ragged_px) =
            (variance.sqrt().min(most_mm), (1.0 + 2.0 * together / variance).min(100.0));
    } else {
        (shape.ragged_mm, shape.ragged_px) = (0.0, 1.0);
    }
}

/// Four numbers of each pixel that belongs to one mark, in a box about it; nothing elsewhere, and as far about it as lags reach.
struct Own {
    /// Pixels of the box across and down.
    size: (usize, usize),
    /// Numbers a row.
    stride: usize,
    numbers: [Vec<f64>; 4],
}

impl Own {
    /// Of the pixels of a patch of this size that are the mark's own; `of` each the four numbers.
    fn new((w, h): (usize, usize), is_own: impl Fn(usize) -> bool, of: impl Fn(usize) -> [f64; 4]) -> Self {
        let (mut x, mut y) = ((w, 0), (h, 0));
        for i in (0..w * h).filter(|&i| is_own(i)) {
            x = (x.0.min(i % w), x.1.max(i % w + 1));
            y = (y.0.min(i / w), y.1.max(i / w + 1));
        }
        let reach = MOST_LAG as usize;
        let size = (x.1.saturating_sub(x.0), y.1.saturating_sub(y.0));
        let stride = size.0 + 2 * reach;
        let mut numbers: [Vec<f64>; 4] = std::array::from_fn(|_| vec![0.0; stride * (size.1 + reach)]);
        for (v, u) in (0..size.1).flat_map(|v| (0..size.0).map(move |u| (v, u))) {
            let i = (y.0 + v) * w + x.0 + u;
            if is_own(i) {
                numbers.iter_mut().zip(of(i)).for_each(|(to, n)| to[v * stride + reach + u] = n);
            }
        }
        Self { size, stride, numbers }
    }

    /// Adds up each number times the same number of the pixel `(dx, dy)` away, dx up to [`MOST_LAG`] to either side, dy down.
    fn products(&self, (dx, dy): (i64, i64), sums: &mut [f64; 4]) {
        let reach = MOST_LAG as usize;
        let away = (reach as i64 + dx) as usize + dy as usize * self.stride;
        widest(
            #[inline(always)]
            || {
                for (sum, numbers) in sums.iter_mut().zip(&self.numbers) {
                    for row in (0..self.size.1).map(|v| v * self.stride) {
                        let one = &numbers[row + reach..][..self.size.0];
                        *sum += dot(one, &numbers[row + away..][..self.size.0]);
                    }
                }
            },
        );
    }
}

/// Sum of products, eight side by side.
#[inline(always)]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let ((a, last), (b, last_of_b)) = (a.as_chunks::<8>(), b.as_chunks::<8>());
    let mut sums = [0.0; 8];
    for (a, b) in a.iter().zip(b) {
        for i in 0..8 {
            sums[i] += a[i] * b[i];
        }
    }
    sums.iter().sum::<f64>() + last.iter().zip(last_of_b).map(|(a, b)| a * b).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::super::sample::{patch, place, uniform};
    use super::*;

    const SIDE: usize = 48;
    const MARKS: usize = 12;
    /// Independent stretches of a rim.
    const SECTORS: usize = 24;
    const STRENGTH: f64 = 0.4;

    /// What is learned from discs whose rims stray by so much (standard deviation, mm), and whose inner parts scatter by so much of their opacity.
    fn learned(ragged_mm: f64, texture: f64) -> MarkShape {
        let mut shape = MarkShape::plain((20.0, 30.0));
        let radius_mm = shape.radius_mm.0;
        // Uniform values of a standard deviation of one.
        let chance = |i: usize| 12f64.sqrt() * uniform(i);
        let patches: Vec<Patch> = (0..MARKS)
            .map(|k| {
                patch(SIDE, |i| {
                    let [x, y] = place(i, SIDE);
                    let sector = ((y.atan2(x) / std::f64::consts::TAU + 0.5) * SECTORS as f64) as usize % SECTORS;
                    let radius_mm = radius_mm + ragged_mm * chance(1_000_003 * (k + 1) + sector);
                    let own = STRENGTH * shape.at(x.hypot(y) / radius_mm).0;
                    let at = k * SIDE * SIDE + i;
                    own * (1.0 + texture * chance(at + 7_000_001)) + 0.01 * chance(at)
                })
            })
            .collect();
        let marks = [FittedMark::disc(0.0, 0.0, radius_mm, STRENGTH)];
        learn_texture(&mut shape, patches.iter().map(|p| (p, marks.as_slice())));
        shape
    }

    #[test]
    fn what_rims_stray_is_told_from_what_scatters_within() {
        // 288 sectors tell a deviation to 1 / sqrt(2 x 288) = 4 %, a median of marks to 5 %: three of that. The slope is that of smoothed opacity, by a tenth to a
        // fifth less than the rim's own, and what strays is larger by as much.
        let told = |ragged_mm: f64| learned(ragged_mm, 0.2);
        for ragged_mm in [0.4, 0.8] {
            let shape = told(ragged_mm);
            let over = shape.ragged_mm / ragged_mm;
            assert!((0.95..1.35).contains(&over), "{ragged_mm}: {over}");
            // A stretch of a rim is 3.3 mm long, and some 4 mm of a disc's slope are wide.
            assert!((7.0..20.0).contains(&shape.ragged_px), "{ragged_mm}: {}", shape.ragged_px);
            assert!((shape.texture / 0.2 - 1.0).abs() < 0.1, "{ragged_mm}: {}", shape.texture);
        }
        // Rims that do not stray: what is left is noise of 0.01 over a slope of 0.1 a mm.
        assert!(told(0.0).ragged_mm < 0.15, "{}", told(0.0).ragged_mm);
        // And what strays is no texture.
        assert_eq!(learned(0.8, 0.0).texture, LEAST_TEXTURE);
    }
}
