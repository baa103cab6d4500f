//! Which tail areas and quantiles does the study need?
//!
//! Student's t, F, chi-squared and the normal come from `statrs`; the quantile of t is
//! polished by Newton steps because verdicts sit on it. The noncentral t (for
//! power) and the trigamma function (for the spread of variances) are not there and are
//! computed here.

use statrs::distribution::{ChiSquared, Continuous, ContinuousCDF, FisherSnedecor, Normal, StudentsT};
use statrs::function::gamma::ln_gamma;

/// Above this many degrees of freedom Student's t is taken as normal: the 97.5 % quantiles
/// then differ by less than 3e-6, far below any figure printed.
const NORMAL_FROM_DF: f64 = 1e6;

/// Fewest degrees of freedom used for a quantile. Fewer would mean that a variance is
/// hardly known at all; Welch-Satterthwaite sums of parts with one each stay at or above it.
const LEAST_DF: f64 = 1.0;

/// Probability that a standard normal lies below `z`.
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * statrs::function::erf::erfc(-z / std::f64::consts::SQRT_2)
}

/// Quantile of the standard normal, `0 < p < 1`; NaN otherwise.
pub fn normal_quantile(p: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) {
        return f64::NAN;
    }
    let Ok(normal) = Normal::new(0.0, 1.0) else { return f64::NAN };
    let mut z = normal.inverse_cdf(p);
    for _ in 0..2 {
        let slope = normal.pdf(z);
        if slope > 1e-300 {
            z -= (normal_cdf(z) - p) / slope;
        }
    }
    z
}

fn usable_df(df: f64) -> f64 {
    if df.is_nan() { LEAST_DF } else { df.max(LEAST_DF) }
}

/// Probability that Student's t with `df` degrees of freedom (infinite allowed) exceeds `t`.
pub fn t_upper(t: f64, df: f64) -> f64 {
    if t.is_nan() {
        return f64::NAN;
    }
    if t.is_infinite() {
        return if t > 0.0 { 0.0 } else { 1.0 };
    }
    let df = usable_df(df);
    if df > NORMAL_FROM_DF {
        return normal_cdf(-t);
    }
    StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |d| d.sf(t))
}

/// Two-sided p-value of Student's t.
pub fn t_two_sided(t: f64, df: f64) -> f64 {
    (2.0 * t_upper(t.abs(), df)).min(1.0)
}

/// Quantile of Student's t, `0 < p < 1`; `df` may be infinite. NaN outside.
pub fn t_quantile(p: f64, df: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) {
        return f64::NAN;
    }
    if p < 0.5 {
        return -t_quantile(1.0 - p, df);
    }
    let df = usable_df(df);
    if df > NORMAL_FROM_DF {
        return normal_quantile(p);
    }
    let Ok(dist) = StudentsT::new(0.0, 1.0, df) else { return f64::NAN };
    let mut t = dist.inverse_cdf(p);
    for _ in 0..3 {
        let slope = dist.pdf(t);
        if slope > 1e-300 {
            let step = ((1.0 - p) - dist.sf(t)) / slope;
            t -= step.clamp(-0.5 * t.abs() - 0.1, 0.5 * t.abs() + 0.1);
        }
    }
    t
}

/// Probability that F with `df1` and `df2` degrees of freedom exceeds `f`.
pub fn f_upper(f: f64, df1: f64, df2: f64) -> f64 {
    if f <= 0.0 {
        return 1.0;
    }
    FisherSnedecor::new(df1, df2).map_or(f64::NAN, |d| d.sf(f))
}

/// Quantile of chi-squared with `df` degrees of freedom, `0 < p < 1`.
pub fn chi_squared_quantile(p: f64, df: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) {
        return f64::NAN;
    }
    ChiSquared::new(df).map_or(f64::NAN, |d| d.inverse_cdf(p))
}

/// Probability that a noncentral t exceeds `t`.
///
/// `T = (Z + ncp) / S` with `S^2 = chi^2_df / df`, so the probability is the mean of
/// `Phi(ncp - t S)` over the density of `S`, `2 (df/2)^(df/2) / Gamma(df/2) s^(df-1) exp(-df s^2/2)`.
/// Integrated by the trapezoidal rule over `x = ln S`, where the integrand is smooth and dies away at both
/// ends, so that the error falls exponentially with the number of panels; below 1e-8 for `df >= 1` and `ncp <= 8`.
pub fn noncentral_t_upper(t: f64, df: f64, ncp: f64) -> f64 {
    const PANELS: usize = 400;
    const SPAN_SD: f64 = 12.0;
    // exp(-42) is below 1e-18: what lies further down does not count.
    const SPAN_LN: f64 = 42.0;
    if !(t.is_finite() && ncp.is_finite()) || df.is_nan() {
        return f64::NAN;
    }
    if df > NORMAL_FROM_DF {
        return normal_cdf(ncp - t);
    }
    let df = usable_df(df);
    let ln_scale = std::f64::consts::LN_2 + 0.5 * df * (0.5 * df).ln() - ln_gamma(0.5 * df);
    let sd = 1.0 / (2.0 * df).sqrt();
    let nearest = 1.0 - SPAN_SD * sd;
    let low = if nearest > 0.1 { nearest.ln() } else { -SPAN_LN / df - 1.0 };
    let high = (1.0 + SPAN_SD * sd).ln();
    let step = (high - low) / PANELS as f64;
    let sum: f64 = (0..=PANELS)
        .map(|i| {
            let x = low + step * i as f64;
            let s = x.exp();
            (ln_scale + df * (x - 0.5 * s * s)).exp() * normal_cdf(ncp - t * s)
        })
        .sum();
    (sum * step).clamp(0.0, 1.0)
}

/// Second derivative of ln Gamma, `x > 0`: recurrence up to 12, then the asymptotic series
/// (Abramowitz and Stegun 6.4.12).
pub fn trigamma(x: f64) -> f64 {
    if x <= 0.0 || x.is_nan() {
        return f64::NAN;
    }
    let mut x = x;
    let mut sum = 0.0;
    while x < 12.0 {
        sum += 1.0 / (x * x);
        x += 1.0;
    }
    let i = 1.0 / x;
    let i2 = i * i;
    sum + i * (1.0 + i * (0.5 + i * (1.0 / 6.0 - i2 * (1.0 / 30.0 - i2 * (1.0 / 42.0 - i2 / 30.0)))))
}

/// The `x` whose trigamma is `y`, `y > 0`: Newton steps on 1/trigamma, which is convex
/// (Smyth 2004, appendix).
pub fn trigamma_inverse(y: f64) -> f64 {
    if y <= 0.0 || y.is_nan() {
        return f64::INFINITY;
    }
    if y > 1e7 {
        return 1.0 / y.sqrt();
    }
    if y < 1e-6 {
        return 1.0 / y;
    }
    let mut x = 0.5 + 1.0 / y;
    for _ in 0..50 {
        let tri = trigamma(x);
        let h = 1e-5 * x;
        let slope = (trigamma(x + h) - trigamma(x - h)) / (2.0 * h);
        let step = tri * (1.0 - tri / y) / slope;
        x += step;
        if step.abs() < 1e-10 * x {
            break;
        }
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_agree_with_tables() {
        // Source: SciPy 1.17 stats.t.ppf, stats.norm.ppf (computed).
        for (p, df, want) in [
            (0.975, 1.0, 12.706204736174694),
            (0.975, 4.0, 2.7764451051977934),
            (0.995, 16.0, 2.9207816224251),
            (0.95, 2.5, 2.5582186141359355),
            (0.975, f64::INFINITY, 1.959963984540054),
        ] {
            let got = t_quantile(p, df);
            assert!((got - want).abs() < 1e-9 * want, "t({p}, {df}) = {got}, want {want}");
            assert!((t_quantile(1.0 - p, df) + want).abs() < 1e-8 * want);
        }
        assert!(t_quantile(1.0, 3.0).is_nan());
    }

    #[test]
    fn noncentral_t_agrees_with_reference() {
        // Source: SciPy 1.17 stats.nct.sf (computed).
        for (t, df, ncp, want) in [
            (2.0, 3.0, 1.5, 0.40032373162910706),
            (2.024394163911969, 38.0, 3.1622776601683795, 0.8689528016921273),
            (2.7764451051977987, 4.0, 6.0, 0.9909584280695855),
            (1.0, 1.0, 0.5, 0.4072522635599707),
            (-1.0, 7.5, 0.3, 0.8904231227450043),
            (4.363399391621392, 1.4587669626825661, 5.443442718869777, 0.7688031746527676),
        ] {
            let got = noncentral_t_upper(t, df, ncp);
            assert!((got - want).abs() < 1e-7, "nct({t}, {df}, {ncp}) = {got}, want {want}");
        }
    }

    #[test]
    fn trigamma_and_its_inverse_undo_each_other() {
        // Source: trigamma(1) = pi^2/6, trigamma(1/2) = pi^2/2 (closed forms).
        let pi2 = std::f64::consts::PI.powi(2);
        assert!((trigamma(1.0) - pi2 / 6.0).abs() < 1e-12);
        assert!((trigamma(0.5) - pi2 / 2.0).abs() < 1e-12);
        for x in [0.05, 0.7, 2.0, 31.0, 900.0] {
            assert!((trigamma_inverse(trigamma(x)) - x).abs() < 1e-6 * x, "{x}");
        }
    }
}
