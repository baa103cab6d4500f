//! Are the marks dents?
//!
//! Light that comes from one side makes one half of a dent darker and the other paler. Taken for a mark, the dark half alone would be measured, and every
//! place of the session would be off by a quarter of a mark, the same way. Where the marks have a pale half beside the dark one as a rule, both count: the
//! size of the change, whichever its sign, fills the dent, and its middle is the ball's.

use super::fit::{FittedMark, nearest_mark};
use super::patch::{Patch, level};

/// Pixels this near a mark, radii, may be its other half.
const REACH: f64 = 2.5;
/// Standard deviations of its noise that a pixel's change must exceed.
const CLEAR: f64 = 3.0;
/// Changes to the other side, over those to the marks' own, of the mark in the middle of the ranking, from which on marks are dents. Scuffs and chalk have up
/// to 0.02 (sharpening's rims and what rubs off), overlapping dents 0.25 and more (renderings).
const TWO_SIDED: f64 = 0.1;
/// The same where the other side lies one way from most marks, as light from one side has it: of another renderer's four days of dents with a hardly paler side three have 0.02
/// to 0.06; scuffs and chalk have it all about them.
const HARDLY: f64 = 0.01;
/// The number of marks times the squared length of the mean of those ways, each of length one: by chance it is more with exp(-7), one in a thousand (Rayleigh's test: Mardia and
/// Jupp, *Directional Statistics*, 2000, 6.3, from memory), which takes seven marks at least. Those three days have 8.7 to 19; 28 own kinds and ten of the other renderer's have up to 3.
const ONE_WAY: f64 = 7.0;
/// Least marks that tell.
const LEAST_MARKS: usize = 5;
/// 2 over the root of pi: of a Gaussian's noise alone |a| - this x sigma x exp(-a^2 / 2 sigma^2) has mean zero.
const NOISE_SIZE: f64 = std::f64::consts::FRAC_2_SQRT_PI;

/// What lies about a mark, on its own side of the wall's colour and on the other: the change, and the places' sum weighted by it.
type Side = [f64; 3];

/// Whether fitted marks have two sides as a rule.
pub(super) fn are_dents<'a>(fits: impl Iterator<Item = (&'a Patch, &'a [FittedMark])>) -> bool {
    let (mut ratios, mut ways): (Vec<f64>, Vec<[f64; 2]>) = Default::default();
    for (patch, marks) in fits {
        let mut sides = vec![[Side::default(); 2]; marks.len()];
        for (i, a) in patch.opacity.iter().enumerate().filter(|(i, a)| a.abs() > CLEAR * patch.sigma[*i]) {
            let w = patch.wall_mm[i];
            if let Some((k, _)) = nearest_mark(marks, w).filter(|n| n.1 < REACH) {
                let side = &mut sides[k][usize::from(*a < 0.0)];
                *side = [side[0] + a.abs(), side[1] + a.abs() * w[0], side[2] + a.abs() * w[1]];
            }
        }
        for [own, other] in sides.iter().filter(|s| s[0][0] > 0.0) {
            ratios.push(other[0] / own[0]);
            if other[0] > 0.0 {
                let to = [other[1] / other[0] - own[1] / own[0], other[2] / other[0] - own[2] / own[0]];
                let length = to[0].hypot(to[1]).max(1e-9);
                ways.push(to.map(|v| v / length));
            }
        }
    }
    let n = ratios.len();
    if n < LEAST_MARKS {
        return false;
    }
    let middle = *ratios.select_nth_unstable_by(n / 2, f64::total_cmp).1;
    let sum = ways.iter().fold([0.0; 2], |s, w| [s[0] + w[0], s[1] + w[1]]);
    // Marks without another side count among them: they lie no way.
    let one_way = (sum[0].powi(2) + sum[1].powi(2)) / n as f64;
    middle > TWO_SIDED || (middle > HARDLY && one_way > ONE_WAY)
}

/// A patch whose opacity is the size of the change, less what noise alone makes of that.
pub(super) fn both_sides(mut patch: Patch) -> Patch {
    for (a, sigma) in patch.opacity.iter_mut().zip(&patch.sigma) {
        if sigma.is_finite() {
            *a = a.abs() - NOISE_SIZE * sigma * (-0.5 * (*a / sigma).powi(2)).exp();
        }
    }
    patch.level = level(&patch.opacity, &patch.sigma, patch.width, patch.height);
    patch
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::marks::sample;

    const SIDE: usize = 60;

    /// A patch of 1 mm a pixel with a mark of radius 12 mm in its middle, of which the lower half changes to the other side by this share, and noise.
    fn patch(lower: f64) -> Patch {
        sample::patch(SIDE, |i| {
            let [x, y] = sample::place(i, SIDE);
            // Uniform, of standard deviation 0.01.
            let noise = 0.01 * 12f64.sqrt() * sample::uniform(i);
            let inside = x.hypot(y) < 12.0;
            noise + if inside { if y > 0.0 { 0.3 } else { -0.3 * lower } } else { 0.0 }
        })
    }

    #[test]
    fn marks_with_a_pale_half_are_dents_and_others_are_not() {
        // The dark half is what was found.
        let found = [FittedMark::disc(0.0, 5.0, 9.0, 0.3)];
        let all = |lower: f64| {
            let patches: Vec<Patch> = (0..6).map(|_| patch(lower)).collect();
            are_dents(patches.iter().map(|p| (p, found.as_slice())))
        };
        assert!(all(1.0) && all(0.4));
        assert!(!all(0.0) && !all(0.03), "sharpening makes a pale rim of some hundredths");
    }

    #[test]
    fn a_hardly_paler_side_tells_where_it_lies_one_way() {
        let found = [FittedMark::disc(0.0, 5.0, 9.0, 0.3)];
        // A few pixels that are paler, below each mark or all about it.
        let day = |one_way: bool| -> Vec<Patch> {
            let place =
                |k: usize| if one_way { (30, 38 + k % 2) } else { [(30, 38), (48, 25), (30, 12), (12, 25)][k % 4] };
            let each = |k: usize| {
                let (mut p, (x, y)) = (patch(0.0), place(k));
                for (u, v) in (0..16).map(|i| (x + i % 4, y + i / 4)) {
                    p.opacity[v * SIDE + u] = -0.2;
                }
                p
            };
            (0..8).map(each).collect()
        };
        let dents = |day: &[Patch]| are_dents(day.iter().map(|p| (p, found.as_slice())));
        assert!(dents(&day(true)) && !dents(&day(false)));
        assert!(!dents(&day(true)[..6]), "six may lie one way by chance");
    }

    #[test]
    fn both_halves_make_a_whole_about_the_middle() {
        let p = both_sides(patch(1.0));
        let sum = |of: &dyn Fn(usize) -> f64| (0..SIDE * SIDE).map(|i| of(i) * p.opacity[i]).sum::<f64>();
        let (mass, middle) = (sum(&|_| 1.0), sum(&|i| p.wall_mm[i][1]));
        // Source: by hand: 0.3 over a disc of 12 mm. This noise is uniform: its mean size is 0.866 standard deviations, not a Gaussian's 0.798, so that 3600 of
        // its pixels leave up to 0.01 x 3600 x 0.07 = 2.4; a pixel at the rim more or less makes 0.3.
        assert!((mass - 0.3 * std::f64::consts::PI * 144.0).abs() < 4.0, "{mass}");
        assert!((middle / mass).abs() < 0.1, "{}", middle / mass);
        assert!(p.level[30 * SIDE + 30] > 0.2 && p.level[0] < 0.02);
    }
}
