//! What is the nearest ladder that never turns back?
//!
//! Isotonic regression by pooling adjacent violators (Barlow, Bartholomew, Bremner and Brunk
//! 1972, "Statistical inference under order restrictions").

/// Weighted least-squares fit that never rises (`falling`) or never falls; one value for each (y, weight).
pub fn isotonic(points: &[(f64, f64)], falling: bool) -> Vec<f64> {
    let sign = if falling { -1.0 } else { 1.0 };
    let mut blocks: Vec<(f64, f64, usize)> = Vec::new();
    for &(y, w) in points {
        let mut block = (sign * y, w, 1);
        while let Some(last) = blocks.last().copied().filter(|b| b.0 > block.0) {
            blocks.pop();
            let weight = last.1 + block.1;
            block = ((last.0 * last.1 + block.0 * block.1) / weight, weight, last.2 + block.2);
        }
        blocks.push(block);
    }
    blocks.iter().flat_map(|b| std::iter::repeat_n(sign * b.0, b.2)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pituitary() {
        // Source: data set `pituitary` of R package isotone (size of the pituitary fissure at ages 8, 10, 12,
        // 14): fitted 22.2222, 22.2222, 22.2222, 24.25.
        let by_age: [&[f64]; 4] = [&[21.0, 23.5, 23.0], &[24.0, 21.0, 25.0], &[21.5, 22.0, 19.0], &[23.5, 25.0]];
        let points: Vec<(f64, f64)> =
            by_age.iter().map(|g| (g.iter().sum::<f64>() / g.len() as f64, g.len() as f64)).collect();
        let fit = isotonic(&points, false);
        for v in &fit[..3] {
            assert!((v - 22.2222).abs() < 5e-5, "{fit:?}");
        }
        assert!((fit[3] - 24.25).abs() < 1e-12);
    }

    #[test]
    fn a_falling_ladder_is_left_alone() {
        let points = [(9.0, 1.0), (7.0, 2.0), (4.0, 1.0)];
        assert_eq!(isotonic(&points, true), vec![9.0, 7.0, 4.0]);
        assert!(isotonic(&[], true).is_empty());
    }
}
