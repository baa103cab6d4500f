//! How does a wall get its grain without a picture of one?
//!
//! Hashes of lattice points, and smooth noise between them. Pure integer hashing, so the grain at a place depends
//! on the place and the seed alone.

/// A well-mixed number from a lattice point and a seed (the finaliser of SplitMix64; G. Steele et al., OOPSLA 2014).
pub fn hash(x: i64, y: i64, seed: u64) -> u64 {
    let mut z = seed
        .wrapping_add((x as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15))
        .wrapping_add((y as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f));
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// Uniform in [0, 1) from a lattice point and a seed.
pub fn uniform(x: i64, y: i64, seed: u64) -> f64 {
    (hash(x, y, seed) >> 11) as f64 / (1_u64 << 53) as f64
}

/// Smooth noise in [-1, 1] with features of about one unit.
pub fn smooth(x: f64, y: f64, seed: u64) -> f64 {
    let (x0, y0) = (x.floor(), y.floor());
    let (i, j) = (x0 as i64, y0 as i64);
    let ease = |t: f64| t * t * (3.0 - 2.0 * t);
    let (a, b) = (ease(x - x0), ease(y - y0));
    let top = uniform(i, j, seed) * (1.0 - a) + uniform(i + 1, j, seed) * a;
    let bottom = uniform(i, j + 1, seed) * (1.0 - a) + uniform(i + 1, j + 1, seed) * a;
    2.0 * (top * (1.0 - b) + bottom * b) - 1.0
}

/// Smooth noise with features of `across` x `up` (same unit as the place), fading out as a pixel's `footprint`
/// nears them, so that far walls do not sparkle.
pub fn grain(x: f64, y: f64, across: f64, up: f64, footprint: f64, seed: u64) -> f64 {
    // Full at a footprint of half a feature, gone at one and a half.
    let weight = (1.5 - footprint / across.min(up)).clamp(0.0, 1.0);
    if weight == 0.0 { 0.0 } else { weight * smooth(x / across, y / up, seed) }
}

/// Share of a pixel of width `footprint` that a straight line of half-width `half` covers, seen from `distance` off its middle.
pub fn line_cover(distance: f64, half: f64, footprint: f64) -> f64 {
    let (lo, hi) = ((distance.abs() - 0.5 * footprint).max(-half), (distance.abs() + 0.5 * footprint).min(half));
    ((hi - lo) / footprint.max(1e-9)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn smooth_noise_is_continuous_bounded_and_centred() {
        let mut sum = 0.0;
        let n = 4000;
        for i in 0..n {
            let (x, y) = (f64::from(i) * 0.713, f64::from(i) * 0.311 - 400.0);
            let v = smooth(x, y, 5);
            assert!(v.abs() <= 1.0 && (v - smooth(x + 1e-7, y, 5)).abs() < 1e-5);
            sum += v;
        }
        // Standard deviation of one value is below 0.6; five standard errors of the mean.
        assert!((sum / f64::from(n)).abs() < 5.0 * 0.6 / f64::from(n).sqrt());
    }

    #[test]
    fn a_line_covers_its_share() {
        assert_eq!(line_cover(0.0, 1.0, 4.0), 0.5);
        assert_eq!(line_cover(0.0, 3.0, 1.0), 1.0);
        assert_eq!(line_cover(1.0, 1.0, 1.0), 0.5);
        assert_eq!(line_cover(2.0, 1.0, 1.0), 0.0);
    }
}
