//! Is the first-order answer good enough, or does the function bend too much?
//!
//! Propagation of distributions (JCGM 101:2008): draw the inputs, run the model,
//! sort the outputs, in blocks until mean, standard uncertainty and both ends of the
//! coverage interval are stable to a numerical tolerance (clause 7.9), then compare
//! with the first-order interval (clause 8).

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use crate::error::{Error, Result};

/// Trials in a block: at least this many, JCGM 101:2008, 7.9.4 step b.
const LEAST_BLOCK: usize = 10_000;

/// Which coverage interval to take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coverage {
    /// Equal probability outside on both sides.
    Symmetric,
    /// The shortest that holds the probability.
    Shortest,
}

/// How a Monte Carlo run is to be made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonteCarlo {
    /// Coverage probability, above 0 and below 1.
    pub probability: f64,
    /// Kind of interval.
    pub coverage: Coverage,
    /// Significant digits of the standard uncertainty that are to be stable: 1 or 2.
    pub digits: u32,
    /// The figures are to be stable to the numerical tolerance divided by this: 1, or 5 where they are to judge first order
    /// (JCGM 101:2008, 8.2).
    pub finer: f64,
    /// Never more trials than this; reached without stability, [`Sampled::stable`] says so.
    pub most_trials: usize,
    /// Seed: the same seed gives the same numbers on every machine.
    pub seed: u64,
}

impl Default for MonteCarlo {
    /// 95.45 % (k = 2 of a normal), symmetric, one digit stable, at most a million trials.
    fn default() -> Self {
        Self {
            probability: 0.9545,
            coverage: Coverage::Symmetric,
            digits: 1,
            finer: 1.0,
            most_trials: 1_000_000,
            seed: 1,
        }
    }
}

/// What a Monte Carlo run gave, in the unit of the model's output.
#[derive(Clone, Debug, PartialEq)]
pub struct Sampled {
    /// Mean of the outputs.
    pub mean: f64,
    /// Their standard deviation.
    pub u: f64,
    /// Lower end of the coverage interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Trials run.
    pub trials: usize,
    /// Whether the figures are stable to `tolerance`.
    pub stable: bool,
    /// The numerical tolerance asked of the figures.
    pub tolerance: f64,
}

/// Whether a first-order interval agrees with the sampled one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Agreement {
    /// Distance of the lower ends.
    pub low_difference: f64,
    /// Distance of the upper ends.
    pub high_difference: f64,
    /// What is allowed.
    pub tolerance: f64,
    /// Both within the tolerance.
    pub agrees: bool,
}

/// Half a unit in the last of `digits` significant digits of `u`
/// (JCGM 101:2008, 7.9.2): u = 0.35 with 1 digit (0.4) gives 0.05.
pub fn numerical_tolerance(u: f64, digits: u32) -> f64 {
    if !(u.is_finite() && u > 0.0) {
        return 0.0;
    }
    // Written with the asked digits first: 0.98 at one digit is 1 x 10^0, not 9.8 x 10^-1.
    let digits = i32::try_from(digits.clamp(1, 9)).unwrap_or(1);
    let mut exponent = u.log10().floor() as i32 - (digits - 1);
    if (u / 10f64.powi(exponent)).round() >= 10f64.powi(digits) {
        exponent += 1;
    }
    0.5 * 10f64.powi(exponent)
}

/// Runs `draw` (one output from one set of drawn inputs) until stable.
///
/// # Errors
/// Settings out of range, a trial that fails or is not finite.
pub fn monte_carlo<F>(settings: &MonteCarlo, mut draw: F) -> Result<Sampled>
where
    F: FnMut(&mut ChaCha8Rng) -> Result<f64>,
{
    let p = settings.probability;
    let fine = (1.0..=1e6).contains(&settings.finer);
    if !(p > 0.0 && p < 1.0) || settings.most_trials < 2 || settings.digits == 0 || !fine {
        return Err(Error::input(format!(
            "Monte Carlo with probability {p}, {} trials, {} digits, {} times finer: the probability must lie between 0 \
             and 1, with at least 2 trials and 1 digit, at least 1 time as fine",
            settings.most_trials, settings.digits, settings.finer
        )));
    }
    let block = LEAST_BLOCK.max((100.0 / (1.0 - p)).ceil().min(1e9) as usize);
    let mut rng = ChaCha8Rng::seed_from_u64(settings.seed);
    let mut outputs: Vec<f64> = Vec::new();
    let mut blocks: Vec<[f64; 4]> = Vec::new();
    let mut stable = false;
    let mut tolerance = 0.0;
    while !stable && outputs.len() < settings.most_trials {
        let start = outputs.len();
        let count = block.min(settings.most_trials - start);
        for _ in 0..count {
            let y = draw(&mut rng)?;
            if !y.is_finite() {
                return Err(Error::no_answer(
                    "a Monte Carlo trial is not finite: the inputs' doubts reach where the model has no answer",
                ));
            }
            outputs.push(y);
        }
        if count == block {
            let mut own: Vec<f64> = outputs.iter().skip(start).copied().collect();
            own.sort_by(f64::total_cmp);
            let (low, high) = interval(&own, p, settings.coverage);
            let (mean, u) = mean_and_sd(&own);
            blocks.push([mean, u, low, high]);
        }
        tolerance = numerical_tolerance(mean_and_sd(&outputs).1, settings.digits) / settings.finer;
        stable = blocks.len() >= 2
            && (0..4).all(|figure| {
                let column: Vec<f64> = blocks.iter().filter_map(|b| b.get(figure).copied()).collect();
                2.0 * mean_and_sd(&column).1 / (column.len() as f64).sqrt() <= tolerance
            });
    }
    let (mean, u) = mean_and_sd(&outputs);
    outputs.sort_by(f64::total_cmp);
    let (low, high) = interval(&outputs, p, settings.coverage);
    Ok(Sampled { mean, u, low, high, trials: outputs.len(), stable, tolerance })
}

/// Compares the first-order interval `y +- coverage_factor * u` with the sampled one:
/// first order is validated when both ends agree within [`numerical_tolerance`] of `u`
/// at `digits` digits (JCGM 101:2008, 8.1).
pub fn compare_with_linear(sampled: &Sampled, y: f64, u: f64, coverage_factor: f64, digits: u32) -> Agreement {
    let tolerance = numerical_tolerance(u, digits);
    let low_difference = (y - coverage_factor * u - sampled.low).abs();
    let high_difference = (y + coverage_factor * u - sampled.high).abs();
    let agrees = low_difference <= tolerance && high_difference <= tolerance;
    Agreement { low_difference, high_difference, tolerance, agrees }
}

fn mean_and_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    if values.is_empty() {
        return (f64::NAN, f64::NAN);
    }
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (mean, if n > 1.0 { (squares / (n - 1.0)).sqrt() } else { 0.0 })
}

/// Ends of the interval over sorted values: `q = pM` values lie inside (JCGM 101:2008, 7.7).
fn interval(sorted: &[f64], probability: f64, coverage: Coverage) -> (f64, f64) {
    let m = sorted.len();
    let inside = ((probability * m as f64 + 0.5) as usize).clamp(1, m.saturating_sub(1).max(1));
    let last_start = m.saturating_sub(inside + 1);
    let at = |i: usize| sorted.get(i.min(m.saturating_sub(1))).copied().unwrap_or(f64::NAN);
    let start = match coverage {
        Coverage::Symmetric => ((m - inside.min(m)) / 2).min(last_start),
        Coverage::Shortest => {
            (0..=last_start).min_by(|&a, &b| (at(a + inside) - at(a)).total_cmp(&(at(b + inside) - at(b)))).unwrap_or(0)
        }
    };
    (at(start), at(start + inside))
}
