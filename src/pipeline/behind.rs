//! What does a volley come to when something hid a part of the wall, so that shots may have struck behind it?
//!
//! The marks that are seen are those that did not strike behind it, so their own mean leans away from it. With the scatter of the
//! session's volleys known, the group's middle m has the posterior prod N(x_i; m, s) P(m)^k, where k shots are
//! not seen and P(m) is the chance of a shot to strike behind (a censored sample: Tobin, *Econometrica* 26, 24, 1958).
//! The mean of all shots follows by summing over m and over the places behind.

/// Where shots may hide: places spread evenly over what something covers.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Behind {
    /// Places, wall mm.
    pub places_mm: Vec<[f64; 2]>,
    /// Area that each stands for, mm^2.
    pub area_mm2: f64,
}

/// A shot of a group is no farther from its middle than this many standard deviations: beyond is one in some 3000.
const REACH_SD: f64 = 4.0;
/// Steps of the sum over the group's middle, standard deviations: coarser ones move the mean by more than a tenth of its doubt.
const STEP_SD: f64 = 0.5;
/// Farthest that the middle may lie beyond the marks that are seen.
const BEYOND_SD: f64 = 5.0;
/// Most steps a side.
const MOST_STEPS: usize = 60;

impl Behind {
    /// Whether a shot of the group at `middle_mm` with scatter `sd_mm` may strike there; with no middle known it may.
    pub fn within_reach(&self, middle_mm: Option<[f64; 2]>, sd_mm: (f64, f64)) -> bool {
        let Some(m) = middle_mm else { return !self.places_mm.is_empty() };
        let sd = |p: &[f64; 2]| ((p[0] - m[0]) / sd_mm.0).hypot((p[1] - m[1]) / sd_mm.1);
        self.places_mm.iter().any(|p| sd(p) < REACH_SD)
    }

    /// Mean place of all shots and its variance, from marks that are seen and `missing` shots that are not; `sd_mm` is the scatter
    /// of a volley's shots. `None` without a mark.
    pub fn mean(&self, seen: &[[f64; 2]], missing: u32, sd_mm: (f64, f64)) -> Option<([f64; 2], [[f64; 2]; 2])> {
        let (sx, sy) = sd_mm;
        let (k, n) = (f64::from(missing), seen.len() as f64 + f64::from(missing));
        let bound = |axis: usize| seen.iter().fold((f64::MAX, f64::MIN), |b, p| (b.0.min(p[axis]), b.1.max(p[axis])));
        if seen.is_empty() || sx <= 0.0 || sy <= 0.0 {
            return None;
        }
        let steps = |axis: usize, sd: f64| -> Vec<f64> {
            let (lo, hi) = bound(axis);
            let (lo, hi) = (lo - BEYOND_SD * sd, hi + BEYOND_SD * sd);
            let count = (((hi - lo) / (STEP_SD * sd)).ceil() as usize).clamp(1, MOST_STEPS);
            (0..=count).map(|i| lo + (hi - lo) * i as f64 / count as f64).collect()
        };
        let density = |p: &[f64; 2], m: &[f64; 2]| {
            let d2 = ((p[0] - m[0]) / sx).powi(2) + ((p[1] - m[1]) / sy).powi(2);
            (-0.5 * d2).exp() / (std::f64::consts::TAU * sx * sy)
        };
        // For each middle: weight, mean and scatter of the hidden shots.
        let mut all: Vec<(f64, [f64; 2], [[f64; 2]; 2])> = Vec::new();
        for &mx in &steps(0, sx) {
            for &my in &steps(1, sy) {
                let m = [mx, my];
                let ln: f64 = seen.iter().map(|p| density(p, &m).max(1e-300).ln()).sum();
                let (mut p, mut at, mut square) = (0.0, [0.0; 2], [[0.0; 2]; 2]);
                for q in &self.places_mm {
                    let w = density(q, &m) * self.area_mm2;
                    p += w;
                    for i in 0..2 {
                        at[i] += w * q[i];
                        (0..2).for_each(|j| square[i][j] += w * q[i] * q[j]);
                    }
                }
                if p > 1e-12 {
                    let at = at.map(|v| v / p);
                    let scatter = std::array::from_fn(|i| std::array::from_fn(|j| square[i][j] / p - at[i] * at[j]));
                    all.push((ln + k * p.min(1.0).ln(), at, scatter));
                }
            }
        }
        let most = all.iter().map(|a| a.0).fold(f64::MIN, f64::max);
        let weights: Vec<f64> = all.iter().map(|a| (a.0 - most).exp()).collect();
        let whole: f64 = weights.iter().sum();
        if whole.is_nan() || whole <= 0.0 {
            return None;
        }
        let sum: [f64; 2] = std::array::from_fn(|i| seen.iter().map(|p| p[i]).sum());
        let mean = |at: &[f64; 2]| -> [f64; 2] { std::array::from_fn(|i| (sum[i] + k * at[i]) / n) };
        let mut middle = [0.0; 2];
        for (w, (_, at, _)) in weights.iter().zip(&all) {
            (0..2).for_each(|i| middle[i] += w / whole * mean(at)[i]);
        }
        let mut variance = [[0.0; 2]; 2];
        for (w, (_, at, scatter)) in weights.iter().zip(&all) {
            let m = mean(at);
            for i in 0..2 {
                for j in 0..2 {
                    variance[i][j] +=
                        w / whole * ((m[i] - middle[i]) * (m[j] - middle[j]) + k * scatter[i][j] / (n * n));
                }
            }
        }
        Some((middle, variance))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// The half plane below `edge_mm`, on places 8 mm apart.
    fn below(edge_mm: f64) -> Behind {
        let places_mm =
            (0..30 * 30).map(|i| [(i % 30) as f64 * 8.0 - 116.0, edge_mm - 4.0 - (i / 30) as f64 * 8.0]).collect();
        Behind { places_mm, area_mm2: 64.0 }
    }

    #[test]
    fn the_mean_of_half_hidden_volleys_holds_the_truth() {
        // Volleys of five about (0, 0), SD 25 mm; what falls below -5 mm is hidden, and its number is known.
        let behind = below(-5.0);
        let mut chance = ChaCha8Rng::seed_from_u64(3);
        let (mut z2, mut naive2, mut n) = (0.0, 0.0, 0.0);
        for _ in 0..300 {
            let mut draw =
                || -> f64 { 25.0 * <StandardNormal as Distribution<f64>>::sample(&StandardNormal, &mut chance) };
            let shots: Vec<[f64; 2]> = (0..5).map(|_| [draw(), draw()]).collect();
            let seen: Vec<[f64; 2]> = shots.iter().copied().filter(|p| p[1] > -5.0).collect();
            let missing = 5 - seen.len() as u32;
            if seen.len() < 3 || missing == 0 {
                continue;
            }
            let truth = shots.iter().map(|p| p[1]).sum::<f64>() / 5.0;
            let (mean, variance) = behind.mean(&seen, missing, (25.0, 25.0)).unwrap();
            z2 += (mean[1] - truth).powi(2) / variance[1][1];
            naive2 += (seen.iter().map(|p| p[1]).sum::<f64>() / seen.len() as f64 - truth).powi(2) / variance[1][1];
            n += 1.0;
        }
        // The mean of n squared unit normals scatters by sqrt(2 / n); its SD here is measured, so 4 of them, and 20 % for the lattice.
        let tolerance = 4.0 * (2.0f64 / n).sqrt() + 0.2;
        assert!(n > 100.0 && (z2 / n - 1.0).abs() < tolerance, "{} of {n}", z2 / n);
        assert!(naive2 / n > 3.0, "the marks' own mean would have been wrong: {}", naive2 / n);
    }

    #[test]
    fn reach_ends_and_nothing_seen_says_nothing() {
        let behind = below(0.0);
        assert!(behind.within_reach(Some([0.0, 90.0]), (25.0, 25.0)));
        assert!(!behind.within_reach(Some([0.0, 110.0]), (25.0, 25.0)));
        assert!(behind.within_reach(None, (25.0, 25.0)) && !Behind::default().within_reach(None, (25.0, 25.0)));
        assert!(behind.mean(&[], 5, (25.0, 25.0)).is_none());
    }
}
