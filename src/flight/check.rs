//! Would the answer differ if the whole distributions were carried through the flight?
//!
//! Draws every input from a normal distribution with its standard uncertainty, solves
//! each draw exactly, and compares the release angle's coverage interval with the
//! first-order one (JCGM 101:2008, clause 8): of one impact ([`check_linear`]) or of a mean over
//! volleys, with the zero as stated or from zero shots ([`check_mean`]).

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::error::Result;
use crate::flight::inputs::{Factor, FlightInputs, Values};
use crate::flight::release::Setting;
use crate::flight::solve::{Impact, Release, Solver, solve};
use crate::uncertainty::{Agreement, Estimate, MonteCarlo, Sampled, compare_with_linear, monte_carlo};

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
/// Humidity drawn beyond 0 or 1 is set to that limit, a distance of the speed's reading below 0 to 0; nothing else is cut.
///
/// # Errors
/// As [`solve`](fn@solve), for the impact or for a draw (an impact near the top of what
/// the ball reaches has draws that it cannot reach).
pub fn check_linear(inputs: &FlightInputs, impact: &Impact, settings: &MonteCarlo) -> Result<LinearCheck> {
    let linear = solve(inputs, impact)?;
    let sampled = monte_carlo(settings, |rng| {
        let shared = Shared::draw(inputs, impact.shared.len(), rng);
        Ok(shared.arm_rad(impact, rng)? - shared.values[Factor::Zero as usize])
    })?;
    let factor = normal_coverage_factor(settings.probability);
    let agreement = compare_with_linear(&sampled, linear.release.value, linear.release.u(), factor, settings.digits);
    Ok(LinearCheck { linear, sampled, agreement })
}

/// A mean release angle: impacts with their weights, and what else is doubtful about it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MeanModel {
    /// Weight and impact (of one shot, or of a volley's mean); the weights' sum is 1.
    pub terms: Vec<(f64, Impact)>,
    /// Standard uncertainty of the mean beside what the impacts carry (the shots' own scatter), rad.
    pub extra_u_rad: f64,
    /// Where the zero comes from zero shots; the inputs' own zero is then exact.
    pub zero: Option<ZeroModel>,
}

/// A zero from shots whose release angle is known.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ZeroModel {
    /// Weight and impact; the weights' sum is 1.
    pub terms: Vec<(f64, Impact)>,
    /// The weighted mean of their known release angles, rad.
    pub known_rad: f64,
    /// Standard uncertainty of that, rad.
    pub known_u_rad: f64,
    /// Standard uncertainty of the zero beside what the impacts carry, rad.
    pub extra_u_rad: f64,
}

/// The first-order mean beside the sampled one. Sampled figures are degrees: "two digits of u" means those that are printed.
#[derive(Clone, Debug, PartialEq)]
pub struct MeanCheck {
    /// First order, rad.
    pub linear: Estimate,
    /// Sampled, deg.
    pub sampled: Sampled,
    /// How the two intervals compare, deg.
    pub agreement: Agreement,
}

impl MeanModel {
    /// The mean by first order, rad.
    ///
    /// # Errors
    /// As [`Solver::solve`], for any of the impacts.
    pub fn linear(&self, solver: &Solver) -> Result<Estimate> {
        let mut mean = combined(&self.terms, solver)?;
        mean.own_var += self.extra_u_rad.powi(2);
        if let Some(z) = &self.zero {
            let mut zero = combined(&z.terms, solver)?;
            zero.value -= z.known_rad;
            zero.own_var += z.known_u_rad.powi(2) + z.extra_u_rad.powi(2);
            mean = mean.minus(&zero);
        }
        Ok(mean)
    }
}

fn combined(terms: &[(f64, Impact)], solver: &Solver) -> Result<Estimate> {
    let solved = terms.iter().map(|(w, i)| Ok((*w, solver.solve(i)?.release))).collect::<Result<Vec<_>>>()?;
    Ok(Estimate::combination(solved.iter().map(|(w, e)| (*w, e))))
}

/// Samples a mean release angle and compares with first order.
///
/// Whatever impacts share is drawn once for all of them; what is their own, once for each.
///
/// # Errors
/// As [`check_linear`].
pub fn check_mean(inputs: &FlightInputs, model: &MeanModel, settings: &MonteCarlo) -> Result<MeanCheck> {
    let linear = model.linear(&Solver::new(inputs)?)?;
    let zero_terms = model.zero.as_ref().map_or(&[][..], |z| z.terms.as_slice());
    let places = model.terms.iter().chain(zero_terms).map(|(_, i)| i.shared.len()).max().unwrap_or(0);
    let sampled = monte_carlo(settings, |rng| {
        let shared = Shared::draw(inputs, places, rng);
        let mut mean = -shared.values[Factor::Zero as usize];
        for (weight, impact) in &model.terms {
            mean += weight * shared.arm_rad(impact, rng)?;
        }
        mean += model.extra_u_rad * normal(rng);
        if let Some(z) = &model.zero {
            for (weight, impact) in &z.terms {
                mean -= weight * shared.arm_rad(impact, rng)?;
            }
            mean += z.known_rad + z.known_u_rad * normal(rng) + z.extra_u_rad * normal(rng);
        }
        Ok(mean.to_degrees())
    })?;
    let factor = normal_coverage_factor(settings.probability);
    let (value_deg, u_deg) = (linear.value.to_degrees(), linear.u().to_degrees());
    let agreement = compare_with_linear(&sampled, value_deg, u_deg, factor, settings.digits);
    Ok(MeanCheck { linear, sampled, agreement })
}

/// Half-width of the interval of a normal distribution that holds a probability, in standard deviations.
pub fn normal_coverage_factor(probability: f64) -> f64 {
    -std::f64::consts::SQRT_2 * statrs::function::erf::erfc_inv(1.0 + probability)
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    rng.sample(StandardNormal)
}

/// One draw of everything that impacts share.
struct Shared {
    values: Values,
    setting: Setting,
    /// One for each factor of the places on the wall.
    places: Vec<f64>,
}

impl Shared {
    fn draw(inputs: &FlightInputs, places: usize, rng: &mut ChaCha8Rng) -> Self {
        let mut values = inputs.values();
        for factor in inputs.factors() {
            values[factor as usize] += inputs.input(factor).u * normal(rng);
        }
        let humidity = &mut values[Factor::Humidity as usize];
        *humidity = humidity.clamp(0.0, 1.0);
        let setting = inputs.setting_of(&values);
        Self { values, setting, places: (0..places).map(|_| normal(rng)).collect() }
    }

    /// The arm angle of one impact with its own part drawn, rad.
    fn arm_rad(&self, impact: &Impact, rng: &mut ChaCha8Rng) -> Result<f64> {
        let mut point = impact.point;
        for ([x, y], z) in impact.shared.iter().zip(&self.places) {
            point.x_m += x * z;
            point.y_m += y * z;
        }
        // Cholesky factor of the mark's own covariance.
        let [[xx, xy], [_, yy]] = impact.own_cov_m2;
        let (z1, z2) = (normal(rng), normal(rng));
        let sd_x = xx.max(0.0).sqrt();
        let slope = if sd_x > 0.0 { xy / sd_x } else { 0.0 };
        point.x_m += sd_x * z1;
        point.y_m += slope * z1 + (yy - slope * slope).max(0.0).sqrt() * z2;
        let reading = impact.speed_mps + impact.speed_own_u_mps * normal(rng);
        let speed_mps = reading * (1.0 + self.values[Factor::SpeedScale as usize]);
        Ok(self.setting.solve(point, speed_mps)?.arm_rad)
    }
}
