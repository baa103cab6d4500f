//! Is first order good enough for this session's angles (`--monte-carlo`)?
//!
//! For each setup at each setpoint the mean release angle is worked out a second time with all distributions drawn and every
//! flight solved (JCGM 101:2008): the session's inputs once a trial, each volley's own part once for each volley, and the shots'
//! scatter beside. Clause 8 then says whether the first-order interval will do.

use rayon::prelude::*;

use super::Progress;
use super::budget::setpoint_of;
use super::measured::{Measured, factor_pairs};
use super::zero::told;
use crate::flight::{FlightInputs, Impact, MeanModel, Solver, check_mean};
use crate::report::model::{LinearCheckSummary, SampledInterval};
use crate::session::Session;
use crate::session::results::Status;
use crate::study::{Setup, Study, mph};
use crate::uncertainty::MonteCarlo;

/// Trials at most for one mean: with them the ends of an interval stand to 0.5 % of u (a tenth of what is allowed in most
/// cases), and a mean of two volleys takes some seconds.
const MOST_TRIALS: usize = 400_000;
/// How much finer than the tolerance the figures are to stand that judge first order (JCGM 101:2008, 8.2).
const FINER: f64 = 5.0;

/// Balls, later weights, and impacts of volleys' means.
type Terms = Vec<(f64, Impact)>;

/// Mean of one setup at one setpoint.
#[derive(Clone, Debug)]
pub struct Cell {
    /// The setup.
    pub setup: Setup,
    /// Ladder speed, m/s.
    pub setpoint_mps: f64,
    /// Its volleys' mean impacts.
    pub model: MeanModel,
}

/// All means of a session, ready for a check.
#[derive(Clone, Debug)]
pub struct Cells {
    /// The flight's inputs.
    pub inputs: FlightInputs,
    /// The means, in shooting order.
    pub cells: Vec<Cell>,
}

impl Cells {
    /// The means of the measured volleys that take part in the study.
    pub fn new(session: &Session, solver: &Solver, measured: &[Measured], study: Option<&Study>) -> Self {
        let names = &session.volleys.factor_names;
        let zero = told(session, measured).ok().flatten().map(|t| t.model);
        let mut cells: Vec<(Setup, f64, Terms)> = Vec::new();
        for m in measured.iter().filter(|m| m.status != Status::Failed && m.volley.row.known_release.is_none()) {
            let (Some(impact), Some(speed_mps)) = (m.mean_impact(), m.volley.row.speed_mps) else { continue };
            let setup = Setup::new(factor_pairs(names, &m.volley.row.factors));
            let at = setpoint_of(study, m.volley.row.setpoint_mps, speed_mps);
            let term = (f64::from(m.balls()), impact);
            match cells.iter_mut().find(|c| c.0 == setup && c.1 == at) {
                Some(c) => c.2.push(term),
                None => cells.push((setup, at, vec![term])),
            }
        }
        let cells = cells
            .into_iter()
            .map(|(setup, setpoint_mps, mut terms)| {
                let balls: f64 = terms.iter().map(|t| t.0).sum();
                terms.iter_mut().for_each(|t| t.0 /= balls);
                let point = study
                    .and_then(|s| s.ladders.iter().find(|l| l.setup == setup))
                    .and_then(|l| l.points.iter().find(|p| p.setpoint_mps == setpoint_mps));
                let marks = MeanModel { terms, extra_u_rad: 0.0, zero: None };
                let own = marks.linear(solver).map_or(0.0, |e| e.own_var);
                let seen = point.map_or(0.0, |p| p.u_own_deg.to_radians().powi(2));
                let extra_u_rad = (seen - own).max(0.0).sqrt();
                Cell { setup, setpoint_mps, model: MeanModel { extra_u_rad, zero: zero.clone(), ..marks } }
            })
            .collect();
        Self { inputs: *solver.inputs(), cells }
    }

    /// Runs the check for every mean.
    pub fn check(&self, progress: Progress) -> Vec<LinearCheckSummary> {
        progress(&format!("checking {} means by Monte Carlo", self.cells.len()));
        self.cells.par_iter().enumerate().map(|(i, c)| self.check_one(c, i as u64)).collect()
    }

    fn check_one(&self, cell: &Cell, seed: u64) -> LinearCheckSummary {
        let settings =
            MonteCarlo { digits: 2, finer: FINER, most_trials: MOST_TRIALS, seed: 1 + seed, ..MonteCarlo::default() };
        let linear = Solver::new(&self.inputs).and_then(|s| cell.model.linear(&s));
        let checked = check_mean(&self.inputs, &cell.model, &settings);
        let place = format!("{}, {}", cell.setup.words(), mph(cell.setpoint_mps));
        let deg = f64::to_degrees;
        let (mean, u) = linear.as_ref().map_or((f64::NAN, f64::NAN), |l| (deg(l.value), deg(l.u())));
        let seen = |v: f64| Some(v).filter(|v| v.is_finite());
        let mut summary = LinearCheckSummary {
            setup: cell.setup.clone(),
            setpoint_mps: cell.setpoint_mps,
            mean_deg: seen(mean),
            u_deg: seen(u),
            low_deg: seen(mean - 2.0 * u),
            high_deg: seen(mean + 2.0 * u),
            sampled: None,
            linear_will_do: false,
            sentence: String::new(),
        };
        match checked {
            Ok(c) => {
                let s = &c.sampled;
                summary.sampled = Some(SampledInterval {
                    mean_deg: s.mean,
                    u_deg: s.u,
                    low_deg: s.low,
                    high_deg: s.high,
                    trials: s.trials as u64,
                    stable: s.stable,
                    tolerance_deg: c.agreement.tolerance,
                });
                summary.linear_will_do = c.agreement.agrees;
                let worst = c.agreement.low_difference.max(c.agreement.high_difference);
                let verdict = if c.agreement.agrees {
                    "first order will do"
                } else if !s.stable {
                    "the trials leave it open whether first order will do: take the interval by Monte Carlo"
                } else {
                    "first order will not quite do: take the interval by Monte Carlo"
                };
                summary.sentence = format!(
                    "{place}: {:.3} to {:.3} deg by first order, {:.3} to {:.3} deg by Monte Carlo ({} trials); ends at most {worst:.4} deg apart, {:.4} allowed: {verdict}.",
                    mean - 2.0 * u,
                    mean + 2.0 * u,
                    s.low,
                    s.high,
                    s.trials,
                    c.agreement.tolerance
                );
            }
            Err(e) => {
                summary.sentence = format!(
                    "{place}: the doubts reach where there is no answer ({e}), so neither interval holds; state the inputs better"
                );
            }
        }
        summary
    }
}
