//! How likely is a test to find what is there?
//!
//! Power of Student's t test from the noncentral t, and of two one-sided tests when there is no
//! difference at all.

use super::special::{noncentral_t_upper, t_quantile, t_upper};

/// Power of a two-sided t test at level `alpha` when the true effect is `effect` standard uncertainties:
/// `P(T' > t)` with noncentrality `effect` (a rejection on the wrong side does not count as success).
pub fn t_test_power(effect: f64, df: f64, alpha: f64) -> f64 {
    noncentral_t_upper(t_quantile(1.0 - 0.5 * alpha, df), df, effect.abs())
}

/// Power of two one-sided tests, each at level `alpha`, to show "closer than the margin" when the true
/// difference is zero and the margin is `margin` standard uncertainties: `2 P(T < margin - t) - 1`, not below 0.
pub fn equivalence_power(margin: f64, df: f64, alpha: f64) -> f64 {
    (1.0 - 2.0 * t_upper(margin - t_quantile(1.0 - alpha, df), df)).max(0.0)
}

/// Power of the two-sample t test with `n` in each group (fractions allowed, `n >= 2`).
///
/// ```
/// // Source: R power.t.test(n = 20, delta = 1, sd = 1): power = 0.8689528
/// assert!((pockmark::study::two_sample_power(20.0, 1.0, 1.0, 0.05) - 0.8689528).abs() < 1e-7);
/// ```
pub fn two_sample_power(n: f64, difference: f64, sd: f64, alpha: f64) -> f64 {
    t_test_power(difference / (sd * (2.0 / n).sqrt()), 2.0 * (n - 1.0), alpha)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equivalence_needs_a_margin_beyond_its_quantile() {
        assert_eq!(equivalence_power(1.0, 20.0, 0.05), 0.0);
        // By hand, normal: margin 1.644854 + 1.281552 gives 2 Phi(1.281552) - 1 = 0.8.
        assert!((equivalence_power(1.6448536269514722 + 1.2815515655446004, f64::INFINITY, 0.05) - 0.8).abs() < 1e-9);
    }
}
