//! What do the tests of this folder look at? Small patches with a known opacity in every pixel, and noise that is the same in every run.

use super::patch::{Patch, level};

/// Uniform in [-0.5, 0.5), by index.
pub(super) fn uniform(i: usize) -> f64 {
    let mut h = (i as u64 + 7).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    h = (h ^ (h >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    ((h >> 33) % 1000) as f64 / 1000.0 - 0.5
}

/// Where pixel `i` of a square of `side` pixels is, mm from its middle, at 1 mm a pixel.
pub(super) fn place(i: usize, side: usize) -> [f64; 2] {
    let middle = 0.5 * (side as f64 - 1.0);
    [(i % side) as f64 - middle, middle - (i / side) as f64]
}

/// A square patch of 1 mm a pixel with this opacity, whose noise has a standard deviation of 0.01.
pub(super) fn patch(side: usize, opacity: impl Fn(usize) -> f64) -> Patch {
    let n = side * side;
    let opacity: Vec<f64> = (0..n).map(opacity).collect();
    let sigma = vec![0.01; n];
    Patch {
        width: side,
        height: side,
        level: level(&opacity, &sigma, side, side),
        opacity,
        sigma,
        wall_mm: (0..n).map(|i| place(i, side)).collect(),
        mm_per_px: 1.0,
        noise_rho: vec![1.0],
        noise_grain_px: 1.0,
    }
}
