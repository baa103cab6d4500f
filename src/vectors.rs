//! How does a loop use vectors as wide as this processor has?
//!
//! The program is made for every 64-bit processor, whose vectors hold four single-precision numbers. Most hold eight or more: [`widest`]
//! has its work made twice over, and takes the version that the processor at hand can run. Both give the same bits: nothing is fused, no sum is
//! taken in another order than is written.

/// Does some work with the widest vectors at hand. What is not inlined into `work` is done as everywhere else, so `work` and the functions
/// that its loops call are marked `#[inline(always)]`.
#[inline(always)]
pub fn widest<R>(work: impl FnOnce() -> R) -> R {
    pulp::Arch::new().dispatch(work)
}

/// The larger of two numbers, the second where they do not compare: one instruction, which `max` with its care for NaN is not.
#[inline(always)]
pub fn larger<T: PartialOrd>(a: T, b: T) -> T {
    if a > b { a } else { b }
}

/// The smaller of two numbers, the second where they do not compare.
#[inline(always)]
pub fn smaller<T: PartialOrd>(a: T, b: T) -> T {
    if a < b { a } else { b }
}

/// ln 2 in two parts: the first has few bits, so that its product with a whole number is exact.
pub const LN_2: [f32; 2] = [0.693_359_4, -2.121_944_4e-4];

/// Natural logarithm of a positive number to 3e-7, relative or absolute; without a branch, so that a loop takes many at once. NaN stays NaN. Source:
/// the polynomial of `logf` in S. Moshier's Cephes library.
#[inline(always)]
pub fn ln(x: f32) -> f32 {
    const TERMS: [f32; 9] = [
        7.037_683_6e-2,
        -1.151_461e-1,
        1.167_699_9e-1,
        -1.242_014_1e-1,
        1.424_932_3e-1,
        -1.666_805_8e-1,
        2.000_071_5e-1,
        -2.499_999_4e-1,
        3.333_333e-1,
    ];
    // The bits of the root of a half: mantissas lie between it and the root of two.
    const ROOT: u32 = 0x3f35_04f3;
    let above = x.to_bits().wrapping_sub(ROOT);
    let power = ((above as i32) >> 23) as f32;
    let f = f32::from_bits((above & 0x007f_ffff) + ROOT) - 1.0;
    let z = f * f;
    let series = TERMS[1..].iter().fold(TERMS[0], |sum, t| sum * f + t) * f * z;
    let small = series + LN_2[1] * power - 0.5 * z;
    f + small + LN_2[0] * power + 0.0 * x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn logarithms_are_right() {
        let mut x = 1e-4f32;
        while x < 1e4 {
            let exact = f64::from(x).ln();
            assert!((f64::from(ln(x)) - exact).abs() < 3e-7 * exact.abs().max(1.0), "{x}");
            x *= 1.001;
        }
        assert!(ln(f32::NAN).is_nan() && ln(1.0) == 0.0);
    }

    #[test]
    fn the_widest_vectors_give_the_same_bits() {
        let many = || (0..1000).map(|i| ln(1.0 + i as f32)).collect::<Vec<f32>>();
        assert_eq!(widest(many), (0..1000).map(|i| ln(1.0 + i as f32)).collect::<Vec<f32>>());
    }
}
