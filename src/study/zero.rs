//! At which speed does the release angle reach zero?
//!
//! Between setpoints the ladder is the mean of the two parabolas through the neighbouring
//! points (through three at the ends, the line for two), a weighted sum of the means at every speed.
//! The interval is every speed at which that sum is within `t u` of zero: Fieller's set for a curve that is linear in its
//! means. Own doubt and shared doubt, the speed's own among it, all count. Nothing is said beyond the
//! ladder's ends: there the answer is "not reached", or an interval open to that side.

use super::doubt::{KNOWN, Mean, add_scaled};
use super::input::MPH_PER_MPS;
use super::special::t_quantile;

/// Speeds looked at between two setpoints before bisection; a set narrower than 1/64 of a step lies
/// around a crossing, which is found by its sign.
const LOOKS: usize = 64;

/// Standard uncertainty of how much a ladder of two speeds bends between them, deg for each mph from the one speed and each from the other. Common practice,
/// no source: a ladder that is level at first and falls by 12 deg over 42 mph has 0.0068.
const UNSEEN_BEND_DEG_PER_MPH2: f64 = 0.007;

/// What the ladder says about zero.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Zero {
    /// Speed at which the angle reaches zero, m/s.
    pub speed_mps: Option<f64>,
    /// Lower end; `None` with `possible`: open below the ladder.
    pub low_mps: Option<f64>,
    /// Upper end; `None` with `possible`: open above the ladder.
    pub high_mps: Option<f64>,
    /// Some speed of the ladder cannot be told from zero.
    pub possible: bool,
}

/// Lagrange weights of the given points at `x`.
fn lagrange(xs: &[f64], x: f64) -> Vec<f64> {
    let basis = |i: usize, xi: f64| {
        xs.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, xj)| (x - xj) / (xi - xj)).product::<f64>()
    };
    xs.iter().enumerate().map(|(i, xi)| basis(i, *xi)).collect()
}

/// Weights of the ladder's means at `x` in segment `s`: of the curve, and of the straight line.
fn weights(xs: &[f64], s: usize, x: f64) -> (Vec<f64>, Vec<f64>) {
    let n = xs.len();
    let place = |from: usize, to: usize| {
        let mut w = vec![0.0; from];
        w.extend(lagrange(xs.get(from..to).unwrap_or(&[]), x));
        w.resize(n, 0.0);
        w
    };
    let line = place(s, (s + 2).min(n));
    let curves = [s.checked_sub(1).map(|f| place(f, s + 2)), (s + 3 <= n).then(|| place(s, s + 3))];
    let mut curve = vec![0.0; n];
    let used: Vec<&Vec<f64>> = curves.iter().flatten().collect();
    for w in &used {
        add_scaled(&mut curve, 1.0 / used.len() as f64, w);
    }
    if used.is_empty() { (line.clone(), line) } else { (curve, line) }
}

/// The ladder at speed `x` of segment `s`, with its doubt.
///
/// How far the curve strays from the straight line is how little the points say about the bend; it is taken as the
/// half-width of a rectangular doubt. Two points say nothing about it: then it is [`UNSEEN_BEND_DEG_PER_MPH2`].
fn at(xs: &[f64], means: &[&Mean], s: usize, x: f64) -> Mean {
    let (curve, line) = weights(xs, s, x);
    let sum = |w: &[f64]| w.iter().zip(means).map(|(w, m)| w * m.value).sum::<f64>();
    let mut mean = Mean::combine(curve.iter().copied().zip(means.iter().copied()));
    let bend = sum(&curve) - sum(&line);
    mean.add_own(KNOWN, bend * bend / 3.0);
    if let &[from, to] = xs {
        let unseen = UNSEEN_BEND_DEG_PER_MPH2.to_radians() * MPH_PER_MPS * MPH_PER_MPS * (x - from) * (to - x);
        mean.add_own(KNOWN, unseen * unseen);
    }
    mean
}

/// Finds the crossing and its interval on a ladder of ascending speeds.
pub(crate) fn find_zero(xs: &[f64], means: &[&Mean], df_of_part: &[f64], alpha: f64) -> Zero {
    let n = xs.len().min(means.len());
    if n < 2 {
        return Zero::default();
    }
    let value = |s: usize, x: f64| at(xs, means, s, x).value;
    // Only the sign of |angle| - t u is used. The quantile lies between those of no and of the fewest degrees of
    // freedom, which settles most speeds without computing it.
    let fewest = df_of_part.iter().copied().fold(f64::INFINITY, f64::min);
    let t_of = |df: f64| t_quantile(1.0 - 0.5 * alpha, df);
    let (t_least, t_most) = (t_of(f64::INFINITY), t_of(fewest));
    let beyond = |s: usize, x: f64| {
        let m = at(xs, means, s, x);
        let (size, u) = (m.value.abs(), m.u());
        if size > 1.001 * t_most * u || size < 0.999 * t_least * u {
            return size - t_least * u;
        }
        size - m.half_width(df_of_part, alpha)
    };
    let root = |s: usize, f: &dyn Fn(usize, f64) -> f64, mut a: f64, mut b: f64| {
        let rising = f(s, a) < f(s, b);
        for _ in 0..60 {
            let middle = 0.5 * (a + b);
            if (f(s, middle) < 0.0) == rising { a = middle } else { b = middle }
        }
        0.5 * (a + b)
    };
    let mut out = Zero::default();
    let (mut low, mut high): (Option<f64>, Option<f64>) = (None, None);
    let mut ends = (false, false);
    for (s, pair) in xs.windows(2).enumerate() {
        let &[from, to] = pair else { continue };
        let place = |i: usize| from + (to - from) * i as f64 / LOOKS as f64;
        for i in 0..LOOKS {
            let (a, b) = (place(i), place(i + 1));
            let (va, vb) = (value(s, a), value(s, b));
            let crosses = (va > 0.0) != (vb > 0.0);
            if crosses && out.speed_mps.is_none() {
                out.speed_mps = Some(root(s, &value, a, b));
            }
            let (ga, gb) = (beyond(s, a), beyond(s, b));
            if ga <= 0.0 && s == 0 && i == 0 {
                ends.0 = true;
            }
            if gb <= 0.0 && s + 2 == n && i + 1 == LOOKS {
                ends.1 = true;
            }
            let piece = match (ga <= 0.0, gb <= 0.0) {
                (true, true) => Some((a, b)),
                (true, false) => Some((a, root(s, &beyond, a, b))),
                (false, true) => Some((root(s, &beyond, a, b), b)),
                (false, false) if crosses => {
                    let x = root(s, &value, a, b);
                    Some(if beyond(s, x) <= 0.0 { (root(s, &beyond, a, x), root(s, &beyond, x, b)) } else { (x, x) })
                }
                _ => None,
            };
            if let Some((l, h)) = piece {
                low = Some(low.map_or(l, |v: f64| v.min(l)));
                high = Some(high.map_or(h, |v: f64| v.max(h)));
            }
        }
    }
    out.possible = low.is_some();
    out.low_mps = if ends.0 { None } else { low };
    out.high_mps = if ends.1 { None } else { high };
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::special::t_quantile;

    fn mean(value: f64, var: f64) -> Mean {
        let mut m = Mean { value, ..Mean::default() };
        m.add_own(2, var);
        m
    }

    #[test]
    fn a_straight_ladder_gives_fiellers_interval() {
        // Two means a, b with equal variance v at x = 0, 1 and a + (b - a) x = 0. By hand (Fieller): the roots of
        // (a + (b-a) x)^2 = t^2 v ((1-x)^2 + x^2).
        let (a, b, v, df) = (3.0f64, -2.0f64, 0.04f64, 8.0f64);
        let dfs = [f64::INFINITY, f64::INFINITY, df];
        let (ma, mb) = (mean(a, v), mean(b, v));
        // Speeds so near each other that no bend between them matters.
        let z = find_zero(&[10.0, 10.001], &[&ma, &mb], &dfs, 0.05);
        let tv = t_quantile(0.975, df).powi(2) * v;
        let (qa, qb, qc) = ((b - a).powi(2) - 2.0 * tv, 2.0 * a * (b - a) + 2.0 * tv, a * a - tv);
        let root = (qb * qb - 4.0 * qa * qc).sqrt();
        let (low, high) = ((-qb - root) / (2.0 * qa), (-qb + root) / (2.0 * qa));
        assert!((z.speed_mps.unwrap() - 10.0006).abs() < 1e-12);
        assert!((z.low_mps.unwrap() - 10.0 - 1e-3 * low).abs() < 1e-12, "{z:?} {low}");
        assert!((z.high_mps.unwrap() - 10.0 - 1e-3 * high).abs() < 1e-12, "{z:?} {high}");
    }

    #[test]
    fn not_reached_and_open_ends() {
        let dfs = [f64::INFINITY; 3];
        let far = [mean(9.0, 0.01), mean(7.0, 0.01), mean(4.0, 0.01)];
        let refs: Vec<&Mean> = far.iter().collect();
        let z = find_zero(&[10.0, 20.0, 30.0], &refs, &dfs, 0.05);
        assert_eq!(z, Zero::default());
        let near = [mean(9.0, 0.01), mean(5.0, 0.01), mean(0.1, 0.01)];
        let refs: Vec<&Mean> = near.iter().collect();
        let z = find_zero(&[10.0, 20.0, 30.0], &refs, &dfs, 0.05);
        assert!(z.possible && z.speed_mps.is_none() && z.high_mps.is_none() && z.low_mps.unwrap() > 29.0, "{z:?}");
        assert_eq!(find_zero(&[10.0], &refs, &dfs, 0.05), Zero::default());
    }

    #[test]
    fn a_parabola_is_followed() {
        let f = |x: f64| 4.0 - 0.01 * x * x;
        let xs = [10.0, 15.0, 18.0, 24.0, 30.0];
        let all: Vec<Mean> = xs.iter().map(|&x| mean(f(x), 1e-10)).collect();
        let refs: Vec<&Mean> = all.iter().collect();
        let z = find_zero(&xs, &refs, &[f64::INFINITY; 3], 0.05);
        assert!((z.speed_mps.unwrap() - 20.0).abs() < 1e-9, "{z:?}");
    }
}
