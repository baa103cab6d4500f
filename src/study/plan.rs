//! How should the next day be shot?
//!
//! How many volleys of how many shots would find a difference that matters, and in which order to shoot
//! them: in blocks that each hold every setup at every speed once, in random order, with the reference repeated at the start,
//! the end and in between.

use super::input::Setup;
use super::power::{equivalence_power, t_test_power};
use crate::error::{Error, Result};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

/// More volleys of one setup at one speed than this no day holds.
const MOST_VOLLEYS: u32 = 200;
/// Volleys in the longest order that is drawn up.
const LONGEST_ORDER: usize = 10_000;

/// What is known before the day; angles in rad.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlanInputs {
    /// SD of volleys beyond what their shots explain.
    pub between_sd_rad: f64,
    /// SD of a shot about its volley.
    pub within_sd_rad: f64,
    /// Shared doubt that does not cancel in a difference.
    pub shared_u_rad: f64,
    /// The smallest difference worth caring about.
    pub matters_rad: f64,
    /// Setups to compare.
    pub setups: u32,
    /// Speeds of the ladder.
    pub setpoints: u32,
    /// Allowed rate of false "differs".
    pub alpha: f64,
}

/// Volleys needed with a given number of shots in each.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlanOption {
    /// Shots in a volley.
    pub shots: u32,
    /// Volleys of each setup at each speed for an 80 % chance to find what matters at one speed; `None`: not by volleys.
    pub volleys_80: Option<u32>,
    /// The same for 90 %.
    pub volleys_90: Option<u32>,
    /// Volleys of each setup at each speed for an 80 % chance over the ladder; `None`: not by volleys.
    pub ladder_volleys_80: Option<u32>,
    /// The same for 90 %.
    pub ladder_volleys_90: Option<u32>,
    /// Volleys of each setup at each speed for an 80 % chance of a clear answer over the ladder, whichever it is: a difference of what
    /// matters found, and no difference shown to be none; `None`: not by volleys.
    pub ladder_clear_80: Option<u32>,
    /// The same for 90 %.
    pub ladder_clear_90: Option<u32>,
}

fn check(inputs: &PlanInputs) -> Result<()> {
    let sizes = [inputs.between_sd_rad, inputs.within_sd_rad, inputs.shared_u_rad];
    if sizes.iter().any(|v| !(*v >= 0.0 && v.is_finite())) || inputs.matters_rad.is_nan() || inputs.matters_rad <= 0.0 {
        return Err(Error::input(format!(
            "a plan needs spreads of 0 or more and a difference that matters above 0; seen {sizes:?} and {} rad",
            inputs.matters_rad
        )));
    }
    if !(inputs.alpha > 0.0 && inputs.alpha < 0.5) || inputs.setups == 0 || inputs.setpoints == 0 {
        return Err(Error::input(format!(
            "a plan needs alpha between 0 and 0.5 (seen {}), at least one setup (seen {}) and one speed (seen {})",
            inputs.alpha, inputs.setups, inputs.setpoints
        )));
    }
    Ok(())
}

/// What a test over `volleys` of `shots` in each cell rests on: standard uncertainty of the difference, its degrees of freedom, and the
/// share of alpha that one test of many gets.
///
/// Over the ladder the difference is the mean of all setpoints. The scatter between volleys is pooled over all cells, so at
/// `volleys = 1` it has no degrees of freedom unless it is known to be nothing.
fn design(inputs: &PlanInputs, volleys: u32, shots: u32, ladder: bool) -> (f64, f64, f64) {
    let cells = f64::from(inputs.setups) * f64::from(inputs.setpoints);
    let (volleys, shots) = (f64::from(volleys), f64::from(shots));
    let one = inputs.between_sd_rad.powi(2) + inputs.within_sd_rad.powi(2) / shots;
    let averaged = if ladder { f64::from(inputs.setpoints) } else { 1.0 };
    let u = (2.0 * one / (volleys * averaged) + inputs.shared_u_rad.powi(2)).sqrt();
    let df = if inputs.between_sd_rad > 0.0 { cells * (volleys - 1.0) } else { cells * (volleys * shots - 1.0) };
    // One test of many: the first step of Holm's adjustment over all pairs, half of alpha each for ladder and speeds.
    let pairs = (f64::from(inputs.setups) * (f64::from(inputs.setups) - 1.0) / 2.0).max(1.0);
    let (ladder_share, point_share) =
        if inputs.setpoints > 1 { (0.5, 0.5 / f64::from(inputs.setpoints)) } else { (1.0, 1.0) };
    (u, df, if ladder { ladder_share } else { point_share } / pairs)
}

/// Power to find a difference of what matters.
fn power(inputs: &PlanInputs, volleys: u32, shots: u32, ladder: bool) -> f64 {
    let (u, df, share) = design(inputs, volleys, shots, ladder);
    if u == 0.0 {
        return 1.0;
    }
    if df < 1.0 { 0.0 } else { t_test_power(inputs.matters_rad / u, df, inputs.alpha * share) }
}

/// Power to give a clear answer: the lesser of finding a difference of what matters, and of showing none to be none.
fn clear_power(inputs: &PlanInputs, volleys: u32, shots: u32, ladder: bool) -> f64 {
    let (u, df, share) = design(inputs, volleys, shots, ladder);
    if u == 0.0 {
        return 1.0;
    }
    if df < 1.0 {
        return 0.0;
    }
    power(inputs, volleys, shots, ladder).min(equivalence_power(inputs.matters_rad / u, df, inputs.alpha * share))
}

/// Volleys needed for each number of shots a volley.
pub fn plan_options(inputs: &PlanInputs, shots: &[u32]) -> Result<Vec<PlanOption>> {
    check(inputs)?;
    if let Some(s) = shots.iter().find(|s| **s == 0) {
        return Err(Error::input(format!("{s} shots in a volley: write 1 or more")));
    }
    let least = |enough: &dyn Fn(u32) -> bool| {
        // More volleys never lessen the power: bisection.
        if !enough(MOST_VOLLEYS) {
            return None;
        }
        let (mut low, mut high) = (0, MOST_VOLLEYS);
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if enough(middle) { high = middle } else { low = middle }
        }
        Some(high)
    };
    let needed = |shots: u32, target: f64, ladder: bool| least(&|v| power(inputs, v, shots, ladder) >= target);
    let clear = |shots: u32, target: f64| least(&|v| clear_power(inputs, v, shots, true) >= target);
    Ok(shots
        .iter()
        .map(|&s| PlanOption {
            shots: s,
            volleys_80: needed(s, 0.8, false),
            volleys_90: needed(s, 0.9, false),
            ladder_volleys_80: needed(s, 0.8, true),
            ladder_volleys_90: needed(s, 0.9, true),
            ladder_clear_80: clear(s, 0.8),
            ladder_clear_90: clear(s, 0.9),
        })
        .collect())
}

/// What to shoot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OrderInputs {
    /// Setups under test, the reference among them or not.
    pub setups: Vec<Setup>,
    /// Ladder speeds, m/s.
    pub setpoints_mps: Vec<f64>,
    /// Volleys of each setup at each speed: the number of blocks.
    pub volleys: u32,
    /// The setup repeated through the day.
    pub reference: Option<Setup>,
    /// Speed of the repeats, m/s; `None`: the middle of the ladder.
    pub reference_mps: Option<f64>,
    /// Volleys between two repeats of the reference.
    pub reference_every: u32,
    /// Shoot all speeds of a setup together within a block (changing heads is slow), or mix freely (better balanced).
    pub keep_setups_together: bool,
    /// In the first block each setup's speeds rise, so that the speed at which control is lost is met from below.
    pub climb_first: bool,
    /// Same seed, same order.
    pub seed: u64,
}

/// One volley of the plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlannedVolley {
    /// Place in shooting order, from 1.
    pub order: usize,
    /// Block, from 1.
    pub block: u32,
    /// The setup.
    pub setup: Setup,
    /// The speed, m/s.
    pub setpoint_mps: f64,
    /// Here to watch the machine.
    pub reference: bool,
}

/// Every setup at every speed once, in random order; `climbs`: speeds rise, only the setups are shuffled.
fn one_block(inputs: &OrderInputs, speeds: &[f64], climbs: bool, rng: &mut ChaCha8Rng) -> Vec<(Setup, f64)> {
    let shuffled = |rng: &mut ChaCha8Rng| {
        let mut setups = inputs.setups.clone();
        setups.shuffle(rng);
        setups
    };
    if climbs && !inputs.keep_setups_together {
        return speeds.iter().flat_map(|v| shuffled(rng).into_iter().map(move |s| (s, *v))).collect();
    }
    let mut list: Vec<(Setup, f64)> = Vec::new();
    for s in shuffled(rng) {
        let mut own = speeds.to_vec();
        if !climbs {
            own.shuffle(rng);
        }
        list.extend(own.into_iter().map(|v| (s.clone(), v)));
    }
    if !inputs.keep_setups_together {
        list.shuffle(rng);
    }
    list
}

/// A randomised order in blocks, the reference interleaved.
pub fn plan_order(inputs: &OrderInputs) -> Result<Vec<PlannedVolley>> {
    let total = inputs.setups.len().saturating_mul(inputs.setpoints_mps.len()).saturating_mul(inputs.volleys as usize);
    if total == 0 {
        return Err(Error::input("a plan needs at least one setup, one speed and one volley"));
    }
    if total > LONGEST_ORDER {
        return Err(Error::input(format!("{total} volleys in a plan, but at most {LONGEST_ORDER}: ask for fewer")));
    }
    if let Some(s) = inputs.setpoints_mps.iter().chain(&inputs.reference_mps).find(|s| !(s.is_finite() && **s > 0.0)) {
        return Err(Error::input(format!("a speed of {s} m/s in a plan: write one above 0")));
    }
    let mut rng = ChaCha8Rng::seed_from_u64(inputs.seed);
    let mut speeds = inputs.setpoints_mps.clone();
    speeds.sort_by(f64::total_cmp);
    let middle = inputs.reference_mps.or_else(|| speeds.get(speeds.len() / 2).copied()).unwrap_or_default();
    let mut rows: Vec<(u32, Setup, f64, bool)> = Vec::new();
    let watch = |rows: &mut Vec<(u32, Setup, f64, bool)>, block: u32| {
        if let Some(r) = &inputs.reference {
            rows.push((block, r.clone(), middle, true));
        }
    };
    watch(&mut rows, 1);
    let mut since = 0;
    for block in 1..=inputs.volleys {
        for (setup, speed) in one_block(inputs, &speeds, inputs.climb_first && block == 1, &mut rng) {
            if inputs.reference_every > 0 && since >= inputs.reference_every {
                watch(&mut rows, block);
                since = 0;
            }
            rows.push((block, setup, speed, false));
            since += 1;
        }
    }
    watch(&mut rows, inputs.volleys);
    Ok(rows
        .into_iter()
        .enumerate()
        .map(|(i, (block, setup, setpoint_mps, reference))| PlannedVolley {
            order: i + 1,
            block,
            setup,
            setpoint_mps,
            reference,
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_setpoint_two_setups_single_shots_is_the_two_sample_test() {
        // Source: R power.t.test(power = .90, delta = 1): 22.0211 in each group, so 23 whole ones.
        let inputs = PlanInputs {
            between_sd_rad: 0.6,
            within_sd_rad: 0.8,
            shared_u_rad: 0.0,
            matters_rad: 1.0,
            setups: 2,
            setpoints: 1,
            alpha: 0.05,
        };
        let option = plan_options(&inputs, &[1]).unwrap()[0];
        assert_eq!(option.volleys_90, Some(23));
        assert_eq!(option.ladder_volleys_90, Some(23));
        assert!((power(&inputs, 20, 1, false) - 0.8689528).abs() < 1e-7);
        let hopeless = PlanInputs { shared_u_rad: 2.0, ..inputs };
        assert_eq!(plan_options(&hopeless, &[5]).unwrap()[0].volleys_80, None);
    }

    #[test]
    fn order_is_balanced_seeded_and_watched() {
        let setups = [Setup::new([("pocket", "mid")]), Setup::new([("pocket", "low")])];
        let inputs = OrderInputs {
            setups: setups.to_vec(),
            setpoints_mps: vec![13.4, 22.4, 31.3],
            volleys: 4,
            reference: Some(setups[0].clone()),
            reference_mps: None,
            reference_every: 6,
            keep_setups_together: false,
            climb_first: false,
            seed: 7,
        };
        let rows = plan_order(&inputs).unwrap();
        assert_eq!(rows, plan_order(&inputs).unwrap());
        assert_ne!(rows, plan_order(&OrderInputs { seed: 8, ..inputs.clone() }).unwrap());
        for block in 1..=4 {
            for s in &setups {
                for v in [13.4, 22.4, 31.3] {
                    let n = rows
                        .iter()
                        .filter(|r| !r.reference && r.block == block && r.setup == *s && r.setpoint_mps == v)
                        .count();
                    assert_eq!(n, 1);
                }
            }
        }
        let watched: Vec<usize> = rows.iter().filter(|r| r.reference).map(|r| r.order).collect();
        assert_eq!(watched, vec![1, 8, 15, 22, 29]);
        assert!(rows.iter().filter(|r| r.reference).all(|r| r.setpoint_mps == 22.4));
        let climbing = plan_order(&OrderInputs { climb_first: true, ..inputs.clone() }).unwrap();
        let first: Vec<f64> =
            climbing.iter().filter(|r| !r.reference && r.block == 1).map(|r| r.setpoint_mps).collect();
        assert_eq!(first, [13.4, 13.4, 22.4, 22.4, 31.3, 31.3]);
        assert!(plan_order(&OrderInputs { setups: vec![], ..inputs }).is_err());
    }
}
