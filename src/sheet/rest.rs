//! Is what a corner's fit leaves another shape, or noise?
//!
//! Noise differs from pixel to pixel: in the mean of a cell of the window it nearly vanishes, and what another shape leaves stays. Noise also
//! differs from square to square: a tone curve raises it in the dark, clipping takes it away in the light. The cells' means are therefore held
//! against the scatter within each cell (M. B. Brown and A. B. Forsythe, "The small sample behavior of some statistics which test the equality of
//! several means", Technometrics 1974), and the corner's u comes from leaving out one cell after the other (the jackknife; R. G. Miller, "The
//! jackknife: a review", Biometrika 1974), which asks neither for one noise everywhere nor for independent pixels within a cell.

use super::crossing::{FREE, LEVEL, Normal, Params, Sample, Window};

/// Cells each way of a window. A cell of a window of 34 px, of squares of 40 px, has 18 pixels: its mean has a quarter of their noise.
const CELLS: usize = 8;
/// Most that the cells' means may scatter, as variance over what independent pixels give them. Over the fifty cells of a window the ratio
/// scatters by a fifth about 1; smoothing raises it (1.4 where a fifth of the next pixel is mixed in), sharpening lowers it. Discs of one grey laid over
/// drawn corners: of those that they move by more than 0.3 px no more are kept in noise than without, by the plain limit.
const MOST_TOGETHER: f64 = 2.0;

/// What a fit leaves, in cells of its window.
pub(super) struct Rest {
    /// RMS of the cells' means, grey values.
    pub shape: f64,
    /// Variance of the cells' means over what the scatter within them gives independent pixels.
    pub together: f64,
    /// Covariance of the fit's parameters.
    pub covariance: Normal,
}

impl Rest {
    /// Of a fit `p` of samples about the window's middle; `place` tells where in the window a pixel lies, 0 to 1 each way. `None` where one cell
    /// decides a parameter alone.
    pub fn of(
        samples: &[Sample],
        p: &Params,
        hand: f64,
        middle: (f64, f64),
        place: impl Fn(f64, f64) -> (f64, f64),
    ) -> Option<Self> {
        let mut cells: Vec<Vec<Sample>> = vec![Vec::new(); CELLS * CELLS];
        let cell = |v: f64| ((v * CELLS as f64) as usize).min(CELLS - 1);
        for s in samples {
            let (across, down) = place(s.0, s.1);
            cells[cell(down) * CELLS + cell(across)].push(*s);
        }
        cells.retain(|c| !c.is_empty());
        let (mut squares, mut expected, mut all) = (0.0, 0.0, Normal::zeros());
        let mut parts: Vec<(Normal, Params)> = Vec::with_capacity(cells.len());
        for cell in &cells {
            let n = cell.len() as f64;
            let (cost, jtj, jtr) = Window::new(cell, p, hand, middle).normal(p);
            all += jtj;
            parts.push((jtj, jtr));
            // The level's derivative is 1: its part is the residuals' sum. A single pixel has no scatter.
            let square = jtr[LEVEL].powi(2) / n;
            squares += square;
            expected += if n > 1.0 { (cost - square) / (n - 1.0) } else { square };
        }
        let mut covariance = Normal::zeros();
        for (jtj, jtr) in &parts {
            let moved = (all - jtj).cholesky()?.solve(jtr);
            covariance += moved * moved.transpose();
        }
        let n = parts.len() as f64;
        let rest = Self {
            shape: (squares / samples.len() as f64).sqrt(),
            together: squares / expected,
            covariance: covariance * ((n - 1.0) / n),
        };
        (parts.len() > FREE).then_some(rest)
    }

    /// Whether it is noise, when another shape may leave so much (grey values).
    pub fn is_noise(&self, most: f64) -> bool {
        self.shape <= most && self.together <= MOST_TOGETHER
    }
}

#[cfg(test)]
mod tests {
    use image::{GrayImage, Luma};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::super::saddle::{Saddle, fit_saddle};
    use crate::points::PixelPoint;

    /// Side of a square, px, and its directions.
    const SIDE: f64 = 40.0;
    const TURNS: [f64; 2] = [0.1, 1.7];

    /// A crossing blurred by 0.7 px, with a disc of one grey over it, and noise of these standard deviations in its dark and light squares,
    /// a little smoothed as by a camera; clipped, eight bits.
    fn photo(at: (f64, f64), noise: [f64; 2], disc: Option<(f64, f64, f64, f64)>, rng: &mut ChaCha8Rng) -> GrayImage {
        let mut carried = 0.0;
        GrayImage::from_fn(61, 61, |x, y| {
            let (dx, dy) = (f64::from(x) - at.0, f64::from(y) - at.1);
            let below = -TURNS[0].sin() * dx + TURNS[0].cos() * dy;
            let right = TURNS[1].sin() * dx - TURNS[1].cos() * dy;
            let soft = |d: f64| (d / 0.7 * 0.8).tanh();
            let white = 0.5 - 0.5 * soft(below) * soft(right);
            let mut level = 35.0 + 155.0 * white;
            let mut sd = noise[0] + (noise[1] - noise[0]) * white;
            if let Some((cx, cy, r, grey)) = disc
                && (dx - cx).hypot(dy - cy) < r
            {
                (level, sd) = (grey, noise[usize::from(grey > 110.0)]);
            }
            let fresh: f64 = StandardNormal.sample(rng);
            let unit = 0.98 * fresh + 0.2 * carried;
            carried = fresh;
            Luma([(level + sd * unit).round().clamp(0.0, 255.0) as u8])
        })
    }

    fn fit(photo: &GrayImage, near: (f64, f64)) -> Option<Saddle> {
        let [eu, ev] = TURNS.map(|a| [SIDE * a.cos(), SIDE * a.sin()]);
        fit_saddle(photo, PixelPoint::new(near.0 + 0.6, near.1 - 0.4), [eu, ev], true, 0.125)
    }

    fn somewhere(rng: &mut ChaCha8Rng) -> (f64, f64) {
        (30.0 + rng.random::<f64>() - 0.5, 30.0 + rng.random::<f64>() - 0.5)
    }

    #[test]
    fn corners_in_noise_are_kept_and_know_how_well() {
        let mut rng = ChaCha8Rng::seed_from_u64(8);
        for noise in [[27.0, 5.0], [35.0, 35.0], [20.0, 30.0]] {
            let (mut pulls, runs) = (Vec::new(), 400);
            for _ in 0..runs {
                let at = somewhere(&mut rng);
                let Some(s) = fit(&photo(at, noise, None, &mut rng), at) else { continue };
                pulls.extend([(s.point.x_px - at.0) / s.u_px, (s.point.y_px - at.1) / s.u_px]);
            }
            let chi = pulls.iter().map(|p: &f64| p * p).sum::<f64>() / pulls.len() as f64;
            let worst = pulls.iter().fold(0.0_f64, |w, p| w.max(p.abs()));
            println!("noise {noise:?}: {} of {runs} kept, chi-squared {chi:.3}, worst {worst:.1} u", pulls.len() / 2);
            // About 800 numbers: their mean square scatters by 0.05, and u itself by a tenth.
            assert!(
                pulls.len() / 2 > runs * 9 / 10 && (0.8..1.2).contains(&chi) && worst < 6.0,
                "{noise:?}: {chi} {worst}"
            );
        }
    }

    #[test]
    fn what_lies_over_a_corner_is_not_taken_for_noise() {
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        // Discs of one grey, anywhere in the window: how many corners that are kept do they move by more than 0.3 px?
        let [without, far @ ..] = [[1.0, 1.0], [27.0, 5.0], [25.0, 25.0]].map(|noise| {
            let (mut kept, mut far) = (0, 0);
            for _ in 0..600 {
                let at = somewhere(&mut rng);
                let mut place = || 30.0 * (rng.random::<f64>() - 0.5);
                let disc = (place(), place(), 3.0 + 0.3 * place().abs(), if place() > 0.0 { 45.0 } else { 180.0 });
                if let Some(s) = fit(&photo(at, noise, Some(disc), &mut rng), at) {
                    kept += 1;
                    far += usize::from(s.point.distance_px(PixelPoint::new(at.0, at.1)) > 0.3);
                }
            }
            println!("noise {noise:?}: {kept} of 600 kept, {far} of them off by more than 0.3 px");
            far
        });
        assert!(without > 0 && far.iter().all(|f| *f <= without), "{without} without noise, {far:?}");
    }
}
