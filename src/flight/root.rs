//! Where does a function with one peak cross zero on its way down?
//!
//! Left of its peak the function grows, right of it falls; minus infinity stands for
//! "nothing there". A bracket whose left end is above zero and whose right end is below
//! holds exactly the crossing to the right of the peak, so no step can end at the other.

/// The root is taken as met at this height, m: well below 1e-9 m, above rounding.
const HEIGHT_TOLERANCE_M: f64 = 1e-13;

/// A bracket (left above, right below) and the heights at its ends.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bracket {
    left: f64,
    above: f64,
    right: f64,
    below: f64,
}

/// Looks for a bracket by growing steps from a guess; `None` where that finds none.
pub(super) fn bracket(height: &impl Fn(f64) -> f64, guess: f64, first_step: f64) -> Option<Bracket> {
    let at_guess = height(guess);
    if at_guess >= 0.0 {
        return bracket_right(height, guess, at_guess, first_step);
    }
    let (mut right, mut below) = (guess, at_guess);
    let mut step = first_step;
    for _ in 0..8 {
        let left = right - step;
        let above = height(left);
        if above >= 0.0 {
            return Some(Bracket { left, above, right, below });
        }
        if above < below {
            return None; // Past the peak, or on the wrong side of it.
        }
        (right, below) = (left, above);
        step *= 2.0;
    }
    None
}

/// From a place above the target, steps right until below it.
pub(super) fn bracket_right(height: &impl Fn(f64) -> f64, left: f64, above: f64, first_step: f64) -> Option<Bracket> {
    let (mut left, mut above, mut step) = (left, above, first_step);
    for _ in 0..60 {
        let right = left + step;
        let below = height(right);
        if below < 0.0 {
            return Some(Bracket { left, above, right, below });
        }
        (left, above) = (right, below);
        step *= 2.0;
    }
    None
}

/// Highest point between two arm angles: a scan (1 deg over all angles), then a golden section.
pub(super) fn highest(height: &impl Fn(f64) -> f64, first: f64, last: f64) -> (f64, f64) {
    const SCAN: usize = 180;
    let step = (last - first) / SCAN as f64;
    let best = (0..=SCAN)
        .map(|i| first + step * i as f64)
        .map(|arm_rad| (arm_rad, height(arm_rad)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or((0.0, f64::NEG_INFINITY));
    let (mut low, mut high) = (best.0 - step, best.0 + step);
    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let mut found = best;
    for _ in 0..60 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        let (at_a, at_b) = (height(a), height(b));
        for candidate in [(a, at_a), (b, at_b)] {
            if candidate.1 > found.1 {
                found = candidate;
            }
        }
        if at_a > at_b {
            high = b
        } else {
            low = a
        }
        if high - low < 1e-9 {
            break;
        }
    }
    found
}

/// Chandrupatla's method (1997): inverse quadratic steps where they are safe, else
/// halving, always inside the bracket.
pub(super) fn root(height: &impl Fn(f64) -> f64, bracket: Bracket) -> f64 {
    let Bracket { left, above, right, below } = bracket;
    if above == 0.0 {
        return left;
    }
    // The far end may be unreachable (minus infinity): halve until it is a number.
    let (mut x1, mut f1, mut x2, mut f2) = (left, above, right, below);
    while f2 == f64::NEG_INFINITY {
        let middle = 0.5 * (x1 + x2);
        if middle == x1 || middle == x2 {
            return x1;
        }
        let f = height(middle);
        if f >= 0.0 { (x1, f1) = (middle, f) } else { (x2, f2) = (middle, f) }
    }
    let (mut x3, mut f3);
    // First a false-position step, which the nearly straight function rewards.
    let mut fraction = (f1 / (f1 - f2)).clamp(0.01, 0.99);
    for _ in 0..100 {
        let x = x1 + fraction * (x2 - x1);
        let f = height(x);
        if (f > 0.0) == (f1 > 0.0) {
            (x3, f3) = (x1, f1);
        } else {
            (x3, f3, x2, f2) = (x2, f2, x1, f1);
        }
        (x1, f1) = (x, f);
        let (best_x, best_f) = if f2.abs() < f1.abs() { (x2, f2) } else { (x1, f1) };
        let least = 2.0 * f64::EPSILON * best_x.abs() + 1e-16;
        let width = (x2 - x1).abs();
        if best_f.abs() <= HEIGHT_TOLERANCE_M || width <= 2.0 * least {
            return best_x;
        }
        let xi = (x1 - x2) / (x3 - x2);
        let phi = (f1 - f2) / (f3 - f2);
        fraction = if phi * phi < xi && (1.0 - phi) * (1.0 - phi) < 1.0 - xi {
            f1 / (f2 - f1) * f3 / (f2 - f3) + (x3 - x1) / (x2 - x1) * f1 / (f3 - f1) * f2 / (f3 - f2)
        } else {
            0.5
        };
        let edge = least / width;
        fraction = fraction.clamp(edge, 1.0 - edge);
    }
    x1
}
