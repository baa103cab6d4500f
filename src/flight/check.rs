//! Would the answer differ if the whole distributions were carried through the flight?
//!
//! Draws every input from a normal distribution with its standard uncertainty, solves
//! each draw exactly, and compares the release angle's coverage interval with the
//! first-order one (JCGM 101:2008, clause 8).

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::error::Result;
use crate::flight::inputs::{Factor, FlightInputs};
use crate::flight::solve::{Impact, Release, solve};
use crate::uncertainty::{Agreement, MonteCarlo, Sampled, compare_with_linear, monte_carlo};

/// The first-order release angle beside the sampled one, rad.
#[derive(Clone, Debug, PartialEq)]
pub struct LinearCheck {
    /// First order.
    pub linear: Release,
    /// Sampled.
    pub sampled: Sampled,
    /// How the two intervals compare.
    pub agreement: Agreement,
}

/// Samples the release angle of one impact and compares with first order.
///
/// Humidity drawn beyond 0 or 1 is set to that limit; nothing else is cut.
///
/// # Errors
/// As [`solve`](fn@solve), for the impact or for a draw (an impact near the top of what
/// the ball reaches has draws that it cannot reach).
pub fn check_linear(inputs: &FlightInputs, impact: &Impact, settings: &MonteCarlo) -> Result<LinearCheck> {
    let linear = solve(inputs, impact)?;
    let sampled = monte_carlo(settings, |rng| draw(inputs, impact, rng))?;
    // Of a normal distribution, as first order assumes.
    let factor = -std::f64::consts::SQRT_2 * statrs::function::erf::erfc_inv(1.0 + settings.probability);
    let agreement = compare_with_linear(&sampled, linear.release.value, linear.release.u(), factor, settings.digits);
    Ok(LinearCheck { linear, sampled, agreement })
}

/// One release angle from drawn inputs, rad.
fn draw(inputs: &FlightInputs, impact: &Impact, rng: &mut ChaCha8Rng) -> Result<f64> {
    let mut normal = || -> f64 { rng.sample(StandardNormal) };
    let mut values = inputs.values();
    for factor in inputs.factors() {
        values[factor as usize] += inputs.input(factor).u * normal();
    }
    let humidity = &mut values[Factor::Humidity as usize];
    *humidity = humidity.clamp(0.0, 1.0);
    let mut point = impact.point;
    for [x, y] in &impact.shared {
        let z = normal();
        point.x_m += x * z;
        point.y_m += y * z;
    }
    // Cholesky factor of the mark's own covariance.
    let [[xx, xy], [_, yy]] = impact.own_cov_m2;
    let (z1, z2) = (normal(), normal());
    let sd_x = xx.max(0.0).sqrt();
    let slope = if sd_x > 0.0 { xy / sd_x } else { 0.0 };
    point.x_m += sd_x * z1;
    point.y_m += slope * z1 + (yy - slope * slope).max(0.0).sqrt() * z2;
    let reading = impact.speed_mps + impact.speed_own_u_mps * normal();
    let speed_mps = reading * (1.0 + values[Factor::SpeedScale as usize]);
    let solved = inputs.setting_of(&values).solve(point, speed_mps)?;
    Ok(solved.arm_rad - values[Factor::Zero as usize])
}
