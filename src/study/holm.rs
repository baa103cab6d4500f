//! How are many verdicts given without one being wrong by mere number?
//!
//! Holm's step-down adjustment, with weights (Holm 1979, "A simple sequentially rejective multiple test
//! procedure", Scand. J. Stat. 6, 65): the chance of any false rejection in the family stays below alpha,
//! however the tests hang together.

/// Adjusted p-values for (p, weight); larger weights spend more of alpha. Weights must be above 0.
///
/// ```
/// // Source: R p.adjust(c(.01, .04, .03, .005), "holm")
/// let adjusted = pockmark::study::holm(&[(0.01, 1.0), (0.04, 1.0), (0.03, 1.0), (0.005, 1.0)]);
/// for (got, want) in adjusted.iter().zip([0.03, 0.06, 0.06, 0.02]) {
///     assert!((got - want).abs() < 1e-12);
/// }
/// ```
pub fn holm(tests: &[(f64, f64)]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..tests.len()).collect();
    let ratio = |i: &usize| tests.get(*i).map_or(f64::INFINITY, |(p, w)| p / w);
    order.sort_by(|a, b| ratio(a).total_cmp(&ratio(b)));
    let mut left: f64 = tests.iter().map(|t| t.1).sum();
    let mut adjusted = vec![1.0; tests.len()];
    let mut highest = 0.0f64;
    for i in order {
        highest = highest.max((ratio(&i) * left).min(1.0));
        if let (Some(slot), Some((_, w))) = (adjusted.get_mut(i), tests.get(i)) {
            *slot = highest;
            left -= w;
        }
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_weights_are_plain_holm() {
        // Source: R p.adjust(c(.01, .04, .03, .005), "holm").
        let got = holm(&[(0.01, 1.0), (0.04, 1.0), (0.03, 1.0), (0.005, 1.0)]);
        for (g, w) in got.iter().zip([0.03, 0.06, 0.06, 0.02]) {
            assert!((g - w).abs() < 1e-12, "{got:?}");
        }
    }

    #[test]
    fn weights_spend_alpha() {
        // By hand: 0.02/0.5 = 0.04 first, at the full weight 1: 0.04; then 0.03 alone: max(0.04, 0.03).
        let got = holm(&[(0.02, 0.5), (0.03, 0.5)]);
        assert!((got[0] - 0.04).abs() < 1e-12 && (got[1] - 0.04).abs() < 1e-12, "{got:?}");
        assert!(holm(&[]).is_empty());
    }
}
