//! What arm angle counts as release angle 0, as shots with a known release angle tell it?
//!
//! A ball from a rigid cup leaves at a release angle `k` that is known beforehand. Each such
//! shot gives an arm angle `a`, so the zero is `a - k`. Arm angles carry the session's shared
//! doubts (pivot, speed scale, drag ...), and the zero takes them along: a release angle
//! `a' - zero` then keeps only what the two flights do not share alike. At the speed and height of
//! the zero shots nothing of the pivot's or the speed's doubt is left.
//!
//! Own part of a volley's mean: what its marks carry, or the scatter `s` of the shots where that is more. With `nu`
//! degrees of freedom `s` is itself doubtful, so it counts `t(nu) / k` times, with `t` and `k` the half-widths of
//! Student's and of the normal distribution that hold 95.45 %. Volleys of one shot each show the scatter by how they
//! lie apart. A single shot shows none: no zero is taken from it.
//!
//! Volleys are weighted by their own variances. Where they lie further apart than their shots' scatter makes them in
//! three cases of four, the variance grows by the ratio of what is seen to what was expected (R. T. Birge, *Phys.
//! Rev.* 40, 207, 1932), and counts `t / k` times with one degree of freedom less than volleys. The test is that
//! lenient because it decides about pooling: at 5 % it would pool what differs too often (T. A. Bancroft, *Ann. Math.
//! Stat.* 15, 190, 1944). The doubt of the known angles is one and the same cup's: it does not average down.

use statrs::distribution::{ContinuousCDF, FisherSnedecor, StudentsT};

use crate::error::{Error, Result};
use crate::flight::check::normal_coverage_factor;
use crate::uncertainty::{Estimate, Input};

/// What ±2 u of a normal distribution holds.
const PROBABILITY: f64 = 0.954_499_736;

/// Level of the test whether volleys may be taken as one. Source: Bancroft 1944; about 25 % keeps the loss from
/// pooling what differs small.
const POOL_LEVEL: f64 = 0.25;

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
    /// Degrees of freedom of the shots' scatter; 0: stated, no shots behind it.
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
/// No volley with a mark; a single mark, which shows no scatter; an arm angle that is no number.
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
    let between_df = used.len() as u32 - 1;
    // No volley with two marks: how the volleys lie apart is the shots' scatter, and holds a volley's own doubt too.
    let by_volleys = df == 0;
    if by_volleys {
        if between_df == 0 {
            return Err(Error::no_answer(
                "a single mark of zero shots does not show how they scatter, so no zero is taken from it: shoot at least four",
            ));
        }
        let zeros: Vec<(f64, f64)> = means.iter().zip(&used).map(|((m, n), v)| (m.value - v.known.value, *n)).collect();
        let mean = zeros.iter().map(|(z, n)| z * n).sum::<f64>() / f64::from(shots);
        squares = zeros.iter().map(|(z, n)| n * (z - mean).powi(2)).sum();
        df = between_df;
    }
    let seen_var = squares / f64::from(df);
    // Variance of each volley's mean where one shot's is `shot_var`.
    let vars_at = |shot_var: f64| -> Vec<f64> {
        let of = means.iter().zip(&used);
        of.map(|((m, n), v)| {
            let (own, scatter, volley) = (m.own_var, shot_var / n, v.volley_var.max(0.0));
            if by_volleys { scatter.max(own + volley) } else { scatter.max(own) + volley }
        })
        .collect()
    };
    let vars = vars_at(seen_var * student_excess(df).powi(2));
    let exact = vars.iter().any(|v| *v <= 0.0);
    let raw: Vec<f64> = vars.iter().map(|v| if exact { 1.0 } else { 1.0 / v }).collect();
    let sum: f64 = raw.iter().sum();
    let weights: Vec<f64> = raw.iter().map(|w| w / sum).collect();
    let mut estimate = Estimate::combination(weights.iter().zip(&means).map(|(w, (m, _))| (*w, m)));
    let known_rad: f64 = weights.iter().zip(&used).map(|(w, v)| w * v.known.value).sum();
    estimate.value -= known_rad;
    let own_var = |vars: &[f64]| weights.iter().zip(vars).map(|(w, v)| w * w * v).sum::<f64>();
    estimate.own_var = own_var(&vars);
    let mut disagreement = 1.0;
    if between_df > 0 && !by_volleys && !exact {
        let plain = vars_at(seen_var);
        let away = |m: &Estimate, v: &ZeroVolley| m.value - v.known.value - estimate.value;
        let chi: f64 = means.iter().zip(&used).zip(&plain).map(|(((m, _), v), var)| away(m, v).powi(2) / var).sum();
        let ratio = chi / f64::from(between_df);
        if FisherSnedecor::new(f64::from(between_df), f64::from(df)).is_ok_and(|d| d.sf(ratio) < POOL_LEVEL) {
            let widened = own_var(&plain) * ratio.max(1.0) * student_excess(between_df).powi(2);
            if widened > estimate.own_var {
                disagreement = ratio.max(1.0).sqrt();
                estimate.own_var = widened;
            }
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
        let at = |value: f64| {
            volley(vec![shot(value - 0.001, 1e-6, &[]), shot(value + 0.001, 1e-6, &[])], Input::exact(0.1))
        };
        let zero = zero_from_shots(&[at(0.0), at(0.01)]).unwrap();
        assert!((zero.estimate.value + 0.095).abs() < 1e-15 && zero.scatter_df == 2);
        // By hand: scatter squared 2e-6, of a mean of two 1e-6; chi^2 = 2 (0.005)^2 / 1e-6 = 50 on one degree of
        // freedom.
        assert!((zero.disagreement - 50f64.sqrt()).abs() < 1e-9);
        assert!((zero.estimate.u_own() - 0.005 * student_excess(1)).abs() < 1e-9);
        // As far apart as the shots' scatter makes them: nothing is widened. Scatter of 2 degrees of freedom, 4 shots.
        let alike = zero_from_shots(&[at(0.0), at(0.001)]).unwrap();
        assert_eq!(alike.disagreement, 1.0);
        assert!((alike.estimate.u_own() - 2e-6f64.sqrt() / 2.0 * student_excess(2)).abs() < 1e-9);
        assert!(zero_from_shots(&[volley(vec![], Input::exact(0.0))]).is_err());
    }

    #[test]
    fn one_mark_tells_no_zero_and_volleys_of_one_shot_show_their_scatter() {
        let at = |value: f64| volley(vec![shot(value, 1e-5, &[])], Input::exact(0.1));
        let why = zero_from_shots(&[at(0.0)]).unwrap_err().to_string();
        assert!(why.contains("at least four"), "{why}");
        let zero = zero_from_shots(&[at(0.0), at(0.01)]).unwrap();
        assert_eq!((zero.scatter_df, zero.disagreement), (1, 1.0));
        // Scatter 0.005 sqrt(2), of 1 degree of freedom, over sqrt(2) shots.
        assert!((zero.estimate.u_own() - 0.005 * student_excess(1)).abs() < 1e-12);
    }

    #[test]
    fn the_zero_holds_as_often_as_it_says() {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        // Volleys, shots of each, SD of a shot and of a volley; marks with a tenth of a shot's scatter as their own u.
        // Wanted: at least 90 % within 2 u (95.45 % where all is seen; less where two volleys happen to lie close).
        let kinds = [
            (1, 4, 1.0, 0.0),
            (4, 1, 1.0, 0.0),
            (2, 1, 1.0, 0.0),
            (2, 4, 0.3, 1.0),
            (3, 4, 0.3, 1.0),
            (2, 4, 1.0, 0.0),
        ];
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(71);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        for (volleys, shots, within, between) in kinds {
            let days = 2000;
            let mut held = 0;
            for _ in 0..days {
                let list: Vec<ZeroVolley> = (0..volleys)
                    .map(|_| {
                        let off = 0.01 * between * normal();
                        let arms = (0..shots).map(|_| shot(off + 0.01 * within * normal(), 1e-4, &[])).collect();
                        volley(arms, Input::exact(0.0))
                    })
                    .collect();
                let zero = zero_from_shots(&list).unwrap();
                held += usize::from(zero.estimate.value.abs() <= 2.0 * zero.estimate.u_own());
            }
            let (share, se) = (f64::from(held as u32) / f64::from(days), (0.9 * 0.1 / f64::from(days)).sqrt());
            println!("{volleys} volleys of {shots}, SD {within} and {between}: {share}");
            assert!(share >= 0.90 - 3.0 * se, "{volleys} volleys of {shots}, SD {within} and {between}: {share}");
        }
    }
}
