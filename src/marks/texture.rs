//! How coarse is the texture of this session's marks, and how strong?
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

/// Least pixels of a mark that has a say in texture and grain.
const LEAST_PIXELS: usize = 60;

/// Texture and grain from what fits leave inside marks.
///
/// A mark's residuals, less their mean (which its strength stands for), have at each lag a covariance; less what the
/// photo's noise has there, over the product of the levels, it is the texture's. The median over marks counts, so that
/// a pair that was taken for one mark does not. Grain is the integral of the autocorrelation up to its first zero: for anything
/// that varies slowly over a mark correlated residuals count as 1 / grain as many independent ones. Both are taken twice: against the opacity
/// as it is, and against what each mark has in it ([`opacity_and_parts_at`]).
pub(super) fn learn_texture<'a>(shape: &mut MarkShape, fits: impl Iterator<Item = (&'a Patch, &'a [FittedMark])>) {
    let bins = MOST_LAG as usize + 1;
    let lags = half_of_lags();
    let mut curves: Vec<Vec<f64>> = vec![Vec::new(); bins];
    let mut own_curves = curves.clone();
    for (patch, marks) in fits {
        // Each pixel's residual, and whose it is: the nearest mark's.
        let mut left = vec![(f64::NAN, usize::MAX); patch.opacity.len()];
        let mut means = vec![(0.0, 0.0, 0usize); marks.len()];
        let mut parts = vec![0.0; patch.opacity.len()];
        for (i, l) in left.iter_mut().enumerate() {
            if !(patch.sigma[i].is_finite() && patch.level[i] > 4.0 * patch.level_sigma(i)) {
                continue;
            }
            let w = patch.wall_mm[i];
            let Some((k, _)) = nearest_mark(marks, w).filter(|n| n.1 < WINDOW) else { continue };
            let (laid, squares) = opacity_and_parts_at(marks, shape, w);
            *l = (patch.opacity[i] - laid, k);
            parts[i] = squares.sqrt();
            means[k].0 += l.0;
            means[k].1 += patch.level[i];
            means[k].2 += 1;
        }
        for (i, l) in left.iter_mut().enumerate().filter(|(_, l)| l.1 != usize::MAX) {
            let (sum, level, _) = means[l.1];
            l.0 -= sum / level * patch.level[i];
        }
        let (w, h) = (patch.width, patch.height);
        for k in (0..marks.len()).filter(|&k| means[k].2 >= LEAST_PIXELS) {
            let is_own = |i: usize| left[i].1 == k;
            let of = |i: usize| [left[i].0, patch.sigma[i], patch.level[i], parts[i]];
            let mut sums = vec![[0.0f64; 4]; bins];
            let own = Own::new((w, h), is_own, of);
            for &(dx, dy, lag) in &lags {
                own.products((dx, dy), &mut sums[lag]);
            }
            for (l, [product, noise, level, own]) in sums.into_iter().enumerate() {
                let product = product - patch.noise_rho.get(l).map_or(0.0, |r| r * noise);
                curves[l].push(product / level.max(1e-12));
                own_curves[l].push(product / own.max(1e-12));
            }
        }
    }
    if curves[0].len() < LEAST_MARKS {
        return;
    }
    let texture_and_grain = |curves: Vec<Vec<f64>>| {
        let curve: Vec<f64> = curves.into_iter().map(|c| spread(c).0).collect();
        let variance = curve[0].max(1e-9);
        let rho: Vec<f64> = curve.iter().map(|c| c / variance).collect();
        (variance.sqrt().clamp(0.05, 0.8), grain_px(&rho).clamp(1.0, 100.0))
    };
    (shape.texture, shape.grain_px) = texture_and_grain(curves);
    (shape.own_texture, shape.own_grain_px) = texture_and_grain(own_curves);
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
