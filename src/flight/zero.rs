//! What arm angle counts as release angle 0, as shots with a known release angle tell it?
//!
//! A ball from a rigid cup leaves at a release angle `k` that is known beforehand. Each such
//! shot gives an arm angle `a`, so the zero is `a - k`. Arm angles carry the session's shared
//! doubts (pivot, speed scale, drag ...), and the zero takes them along: a release angle
//! `a' - zero` then keeps only what the two flights do not share alike. At the speed and height of
//! the zero shots nothing of the pivot's or the speed's doubt is left.
//!
//! Own part of a volley's mean: what its marks carry, or the scatter `s` of the shots where that is more. With
//! `nu` degrees of freedom `s` is itself doubtful, so it counts `t(nu) / k` times, with `t` and `k` the half-widths of
//! Student's and of the normal distribution that hold 95.45 %. Volleys are weighted by their own
//! variances; where they disagree by more than these explain in 19 cases of 20, the variance grows by the ratio
//! of what is seen to what was expected (R. T. Birge, *Phys. Rev.* 40, 207, 1932). The doubt of the known angles is one and the
//! same cup's: it does not average down.

use statrs::distribution::{ChiSquared, ContinuousCDF, StudentsT};

use crate::error::{Error, Result};
use crate::flight::check::normal_coverage_factor;
use crate::uncertainty::{Estimate, Input};

/// What ±2 u of a normal distribution holds.
const PROBABILITY: f64 = 0.954_499_736;

/// One volley of zero shots.
#[derive(Clone, Debug, PartialEq)]
pub struct ZeroVolley {
    /// Its name.
    pub name: String,
    /// Balls and arm angle (rad) of each mark.
    pub arms: Vec<(u32, Estimate)>,
    /// The known release angle, rad.
    pub known: Input,
    /// Variance of the arm angle that all marks of this volley have in common (the photo's pose), rad2.
    pub volley_var: f64,
}

/// The zero and what it is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct Zero {
    /// The zero, rad: own part from the shots, shared part over the session's factors. Without the known angles' doubt.
    pub estimate: Estimate,
    /// Standard uncertainty of the known release angles, rad: a shared factor of its own.
    pub known_u_rad: f64,
    /// The weighted mean of the known release angles, rad.
    pub known_rad: f64,
    /// Weight of each volley that has marks, in the order given.
    pub weights: Vec<f64>,
    /// Balls behind it.
    pub shots: u32,
    /// Degrees of freedom of the shots' scatter.
    pub scatter_df: u32,
    /// How much further volleys lie apart than their own doubts explain (1: as expected, or one volley).
    pub disagreement: f64,
}

impl Zero {
    /// Standard uncertainty of the zero, rad, known angles included.
    pub fn u_rad(&self) -> f64 {
        self.estimate.u().hypot(self.known_u_rad)
    }

    /// What a release angle of the session is, given its arm angle (rad): the shared factors get two more,
    /// the zero's own part and the known angles' doubt, behind the first `factors`.
    pub fn release(&self, arm: &Estimate, factors: usize) -> Estimate {
        let mut release = arm.minus(&Estimate { own_var: 0.0, ..self.estimate.clone() });
        release.shared.resize(factors, 0.0);
        release.shared.extend([-self.estimate.u_own(), self.known_u_rad]);
        release
    }
}

/// The zero from zero shots.
///
/// # Errors
/// No volley with a mark; an arm angle that is no number.
pub fn zero_from_shots(volleys: &[ZeroVolley]) -> Result<Zero> {
    let used: Vec<&ZeroVolley> = volleys.iter().filter(|v| v.arms.iter().any(|(n, _)| *n > 0)).collect();
    if used.is_empty() {
        return Err(Error::no_answer("no zero shot left a mark: shoot the rigid cup again, or state [machine] zero"));
    }
    let (mut squares, mut df, mut shots) = (0.0, 0u32, 0u32);
    let mut means: Vec<(Estimate, f64)> = Vec::new();
    for v in &used {
        let balls = v.arms.iter().map(|(n, _)| n).sum::<u32>();
        let n = f64::from(balls);
        let mean = Estimate::combination(v.arms.iter().map(|(c, a)| (f64::from(*c) / n, a)));
        if !mean.value.is_finite() {
            return Err(Error::no_answer(format!("volley {}: a zero shot's arm angle is not a number", v.name)));
        }
        squares += v.arms.iter().map(|(c, a)| f64::from(*c) * (a.value - mean.value).powi(2)).sum::<f64>();
        df += v.arms.len() as u32 - 1;
        shots += balls;
        means.push((mean, n));
    }
    let shot_var = if df > 0 { squares / f64::from(df) * student_excess(df).powi(2) } else { 0.0 };
    let vars: Vec<f64> =
        means.iter().zip(&used).map(|((m, n), v)| m.own_var.max(shot_var / n) + v.volley_var.max(0.0)).collect();
    let exact = vars.iter().any(|v| *v <= 0.0);
    let raw: Vec<f64> = vars.iter().map(|v| if exact { 1.0 } else { 1.0 / v }).collect();
    let sum: f64 = raw.iter().sum();
    let weights: Vec<f64> = raw.iter().map(|w| w / sum).collect();
    let mut estimate = Estimate::combination(weights.iter().zip(&means).map(|(w, (m, _))| (*w, m)));
    let known_rad: f64 = weights.iter().zip(&used).map(|(w, v)| w * v.known.value).sum();
    estimate.value -= known_rad;
    estimate.own_var = weights.iter().zip(&vars).map(|(w, v)| w * w * v).sum();
    let mut disagreement = 1.0;
    if means.len() > 1 && !exact {
        let away = |m: &Estimate, v: &ZeroVolley| m.value - v.known.value - estimate.value;
        let chi: f64 = means.iter().zip(&used).zip(&vars).map(|(((m, _), v), var)| away(m, v).powi(2) / var).sum();
        let df = (means.len() - 1) as f64;
        if ChiSquared::new(df).is_ok_and(|d| chi > d.inverse_cdf(0.95)) {
            disagreement = (chi / df).max(1.0).sqrt();
            estimate.own_var *= disagreement * disagreement;
        }
    }
    Ok(Zero {
        estimate,
        known_u_rad: weights.iter().zip(&used).map(|(w, v)| w * v.known.u).sum(),
        known_rad,
        weights,
        shots,
        scatter_df: df,
        disagreement,
    })
}

/// By how much Student's interval is wider than the normal one.
fn student_excess(df: u32) -> f64 {
    let normal = normal_coverage_factor(PROBABILITY);
    StudentsT::new(0.0, 1.0, f64::from(df)).map_or(1.0, |t| t.inverse_cdf(0.5 + 0.5 * PROBABILITY) / normal)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shot(value: f64, own_u: f64, shared: &[f64]) -> (u32, Estimate) {
        (1, Estimate { value, own_var: own_u * own_u, shared: shared.to_vec() })
    }

    fn volley(arms: Vec<(u32, Estimate)>, known: Input) -> ZeroVolley {
        ZeroVolley { name: "cup".into(), arms, known, volley_var: 0.0 }
    }

    #[test]
    fn a_small_sample_counts_as_much_wider_as_students_t() {
        // Source: Student's t, two-sided 95.45 %: 13.968 (1 degree of freedom), 2.869 (4), from memory.
        assert!((student_excess(1) * 2.0 - 13.968).abs() < 2e-3, "{}", student_excess(1) * 2.0);
        assert!((student_excess(4) * 2.0 - 2.869).abs() < 2e-3, "{}", student_excess(4) * 2.0);
        assert!((student_excess(100_000) - 1.0).abs() < 1e-4);
    }

    #[test]
    fn shared_doubt_cancels_and_the_zeros_own_comes_in() {
        let cup = volley(
            vec![shot(-0.170, 0.001, &[0.01, 0.02]), shot(-0.174, 0.001, &[0.01, 0.02])],
            Input::new(0.0, 0.002),
        );
        let zero = zero_from_shots(&[cup]).unwrap();
        assert!((zero.estimate.value + 0.172).abs() < 1e-15 && zero.shots == 2 && zero.scatter_df == 1);
        // Scatter 0.002 sqrt(2), of 1 degree of freedom, over sqrt(2) shots.
        assert!((zero.estimate.u_own() - 0.002 * student_excess(1)).abs() < 1e-12);
        let release = zero.release(&shot(0.03, 0.001, &[0.01, 0.02, 0.003]).1, 3);
        assert!((release.value - 0.202).abs() < 1e-15);
        let (own, shared) = (release.own_var.sqrt(), &release.shared);
        assert!((own - 0.001).abs() < 1e-15, "the zero's doubt is shared, not the shot's own");
        assert!(shared[0].abs() < 1e-15 && shared[1].abs() < 1e-15 && (shared[2] - 0.003).abs() < 1e-15);
        assert!((shared[3] + zero.estimate.u_own()).abs() < 1e-15 && (shared[4] - 0.002).abs() < 1e-15);
    }

    #[test]
    fn volleys_that_disagree_widen_the_zero() {
        let at = |value: f64| volley(vec![shot(value, 0.001, &[])], Input::exact(0.1));
        let zero = zero_from_shots(&[at(0.0), at(0.01)]).unwrap();
        assert!((zero.estimate.value + 0.095).abs() < 1e-15);
        // chi^2 = 2 (5)^2 = 50 on one degree of freedom; alone 0.001 / sqrt(2).
        assert!((zero.disagreement - 50f64.sqrt()).abs() < 1e-9);
        assert!((zero.estimate.u_own() - 0.005).abs() < 1e-9);
        assert!(zero_from_shots(&[volley(vec![], Input::exact(0.0))]).is_err());
    }
}
