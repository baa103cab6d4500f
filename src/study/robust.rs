//! Which shots do not belong with the others?
//!
//! Medians and their spread resist the very shots they are meant to find. A shot is
//! doubtful when its modified z-score `0.6745 (x - median) / MAD` exceeds 3.5 in size
//! (Iglewicz and Hoaglin 1993, "How to detect and handle outliers", ASQC). Doubtful
//! shots are named, never dropped.

/// MAD of normal data over its standard deviation: the 75 % quantile of the normal.
pub const MAD_OVER_SIGMA: f64 = 0.674_489_750_196_081_7;

/// Limit of the modified z-score (Iglewicz and Hoaglin 1993).
pub const DOUBTFUL_Z: f64 = 3.5;

/// Median distance of normal shots from the median of their own `n`, over that from the true one; shots that are the median themselves left out. With an even
/// number the two middle shots lie about their own median, and near it. By simulation, four million groups of each size up to twelve and fits beyond, all to
/// 0.003; the test makes it again.
pub(crate) fn usual_distance(n: usize) -> f64 {
    const EVEN: [f64; 5] = [0.721, 0.783, 0.835, 0.872, 0.896];
    if n % 2 == 1 {
        return 1.0 + 0.08 / n as f64;
    }
    (n / 2).checked_sub(2).and_then(|k| EVEN.get(k).copied()).unwrap_or(1.0 - 1.2 / n.max(2) as f64)
}

/// Median; `None` of nothing. NaN sorts last.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    let upper = *sorted.get(n / 2)?;
    if n % 2 == 1 {
        return Some(upper);
    }
    Some(0.5 * (upper + *sorted.get(n / 2 - 1)?))
}

/// Median absolute deviation from the median, scaled to estimate a normal's SD.
pub fn mad_sigma(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let away: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    Some(median(&away)? / MAD_OVER_SIGMA)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_from_a_groups_own_median_are_as_simulated() {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        for n in [3, 4, 5, 6, 8, 9, 10, 12, 16, 30] {
            let groups = 200_000 / n;
            let mut away: Vec<f64> = Vec::new();
            for _ in 0..groups {
                let shots: Vec<f64> = (0..n).map(|_| StandardNormal.sample(&mut rng)).collect();
                let centre = median(&shots).unwrap();
                away.extend(shots.iter().map(|v| (v - centre).abs()).filter(|a| *a > 0.0));
            }
            let found = median(&away).unwrap() / MAD_OVER_SIGMA;
            // Relative standard error of the median of |normal| is 1.17 over the root of the number; what hangs together in a group at most doubles it.
            let tolerance = 0.003 + 3.0 * 2.0 * 1.17 / (away.len() as f64).sqrt();
            assert!((found / usual_distance(n) - 1.0).abs() < tolerance, "{n}: {found} {}", usual_distance(n));
        }
    }

    #[test]
    fn chem_data() {
        // Source: R package MASS, data set `chem` (copper in wholemeal flour), median 3.385,
        // mad 0.526323.
        let chem = [
            2.9, 3.1, 3.4, 3.4, 3.7, 3.7, 2.8, 2.5, 2.4, 2.4, 2.7, 2.2, 5.28, 3.37, 3.03, 3.03, 28.95, 3.77, 3.4, 2.2,
            3.5, 3.6, 3.7, 3.7,
        ];
        assert!((median(&chem).unwrap_or(f64::NAN) - 3.385).abs() < 1e-12);
        assert!((mad_sigma(&chem).unwrap_or(f64::NAN) - 0.526323).abs() < 1e-5);
    }

    #[test]
    fn nothing_has_no_median() {
        assert_eq!(median(&[]), None);
        assert_eq!(mad_sigma(&[]), None);
    }
}
