//! Did the change make a difference, and how sure is that?
//!
//! Shots sit in volleys, volleys in setups at setpoints. [`analyse`] turns the list of shots into
//! a ladder for each setup, every comparison that changes one thing, how steady the machine was, which shots are
//! doubtful, and what is assumed. [`plan_options`] and [`plan_order`] prepare the next day.
//!
//! Angles are radians inside and degrees in the results (`_deg`); speeds are metres per second.

mod compare;
mod doubt;

mod groups;
mod holm;
mod input;
mod isotonic;
mod ladder;
mod line;
mod means;
mod plan;
mod power;
pub(crate) mod robust;
mod special;
mod steady;
mod variance;
mod zero;

pub use compare::{Comparison, Difference, PointDifference, Verdict};

pub use crate::uncertainty::Estimate;
pub use groups::find_setpoints;
pub use holm::holm;
pub use input::{MPH_PER_MPS, Setup, Shot, StudyOptions, VolleyStatus};
pub use isotonic::isotonic;
pub use ladder::{Ladder, LadderPoint, SpreadTrend, ZeroVerdict};
pub use line::Line;
pub use means::{BETWEEN_DF_NEEDED, BetweenSource, Doubtful};
pub use plan::{OrderInputs, PlanInputs, PlanOption, PlannedVolley, plan_options, plan_order};
pub use power::{equivalence_power, t_test_power, two_sample_n, two_sample_power};
pub use robust::{DOUBTFUL_Z, HUBER_K, huber_location, mad_sigma, median};
pub use special::{
    chi_squared_quantile, f_upper, noncentral_t_upper, normal_quantile, t_quantile, t_two_sided, t_upper,
};
pub use steady::{IndividualsChart, Repeat, Steadiness, individuals_chart};
pub use variance::{
    LogTrend, Nested, Reml, ScatterPrior, VolleySum, log_spread_trend, nested_anova, nested_reml, scatter_prior,
};

use crate::error::Result;
use serde::{Deserialize, Serialize};

/// The scatters of the session and how they are known.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Spreads {
    /// SD of a shot about its volley, all cells together, deg; `None`: no volley has two shots.
    pub within_deg: Option<f64>,
    /// Its degrees of freedom.
    pub within_df: f64,
    /// The measurement's own part of it (root mean square), deg.
    pub measurement_deg: f64,
    /// Degrees of freedom by which each cell's scatter leans on the others; `None`: cells are alike, or cannot be told apart.
    pub within_shared_df: Option<f64>,
    /// SD of volleys beyond what their shots explain, deg, as used (0 where assumed).
    pub between_deg: f64,
    /// The same by restricted maximum likelihood; `None` where volleys are not repeated.
    pub between_reml_deg: Option<f64>,
    /// Its degrees of freedom.
    pub between_df: f64,
    /// How it is known.
    pub between_source: BetweenSource,
    /// Chance of volleys scattering this much if only their shots scatter; `None` where not seen.
    pub between_p: Option<f64>,
    /// What is assumed, in words.
    pub sentence: String,
}

/// How much of what was there, and what was left out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Balls in the study.
    pub shots: u64,
    /// Volleys in the study.
    pub volleys: usize,
    /// Volleys in the study that a person should look at.
    pub look: Vec<String>,
    /// Volleys left out because they failed.
    pub failed: Vec<String>,
    /// Setups.
    pub setups: usize,
}

/// The whole answer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Study {
    /// Setpoints, slowest first, m/s.
    pub setpoints_mps: Vec<f64>,
    /// Some setpoints were found from the speeds.
    pub setpoints_found: bool,
    /// Smallest difference worth caring about, deg.
    pub matters_deg: f64,
    /// Smallest difference over the ladder that this session would find in four cases of five, deg (median over the
    /// comparisons); `None` without comparisons.
    pub smallest_seen_deg: Option<f64>,
    /// One for each setup, in shooting order.
    pub ladders: Vec<Ladder>,
    /// Every change of one factor.
    pub comparisons: Vec<Comparison>,
    /// How steady the machine was.
    pub steady: Steadiness,
    /// Scatters.
    pub spreads: Spreads,
    /// Shots that do not sit with the others; they are kept in every mean.
    pub doubtful: Vec<Doubtful>,
    /// Counts.
    pub counts: Counts,
    /// What a reader must know, in words.
    pub notes: Vec<String>,
}

fn spreads(release: &means::Fitted, volleys: usize, cells: usize) -> Spreads {
    let nested = &release.nested;
    let sd = |v: f64| v.max(0.0).sqrt().to_degrees();
    let between_deg = sd(release.between_var);
    let sentence = match release.source {
        BetweenSource::Repeats => format!(
            "Volleys of the same setup and speed differ by {between_deg:.2} deg (SD) beyond what their shots explain, from {} volleys in {} cells; this is counted in every interval.",
            volleys, cells
        ),
        BetweenSource::FewRepeats => format!(
            "Only {:.0} repeated volley(s): the scatter between volleys, {between_deg:.2} deg, is counted as if it were well known. Repeat at least {:.0} more for intervals that do not assume it.",
            nested.between_df,
            BETWEEN_DF_NEEDED - nested.between_df
        ),
        BetweenSource::Assumed => "One volley of each setup at each speed: drift from volley to volley cannot be seen. The intervals assume that volleys differ no more than their shots and the photos' stated doubt explain; repeat the reference at least four times through the day to do without this assumption.".into(),
    };
    Spreads {
        within_deg: nested.within.map(sd),
        within_df: nested.within_df,
        measurement_deg: sd(release.own_var),
        within_shared_df: release.prior.and_then(|p| ladder::finite(p.df)),
        between_deg,
        between_reml_deg: release.reml.map(|r| sd(r.between)),
        between_df: nested.between_df,
        between_source: release.source,
        between_p: release.p_between(),
        sentence,
    }
}

/// Smallest difference found with 80 % power at the standard uncertainty and degrees of freedom given, deg.
fn smallest_found(u_deg: f64, df: f64, alpha: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    while high < 1e6 && t_test_power(high, df, alpha) < 0.8 {
        low = high;
        high *= 2.0;
    }
    // To 1e-5 of a standard uncertainty, far finer than is printed.
    for _ in 0..18 {
        let middle = 0.5 * (low + high);
        if t_test_power(middle, df, alpha) < 0.8 { low = middle } else { high = middle }
    }
    high * u_deg
}

/// Analyses a session's shots.
///
/// `shots` in shooting order; volleys marked failed are left out and named. Errors name the shot or volley, what is wrong and
/// what to do. The doubts assume what [`Spreads::sentence`] says.
///
/// ```
/// use pockmark::study::{Estimate, Setup, Shot, StudyOptions, Verdict, analyse};
/// let mut shots = Vec::new();
/// for (volley, pocket, base) in [("1", "mid", 11.0), ("2", "low", 15.0)] {
///     for off in [-0.3, -0.1, 0.0, 0.1, 0.3] {
///         shots.push(Shot {
///             volley: volley.into(),
///             setup: Setup::new([("pocket", pocket)]),
///             speed_mps: 22.352,
///             release: Estimate { value: f64::to_radians(base + off), own_var: 1e-8, shared: vec![0.004] },
///             count: 1,
///             ..Shot::default()
///         });
///     }
/// }
/// let study = analyse(&shots, &StudyOptions::default())?;
/// let overall = &study.comparisons[0].overall;
/// assert_eq!(overall.verdict, Verdict::Differs);
/// assert!((overall.difference_deg - 4.0).abs() < 1e-9);
/// # Ok::<(), pockmark::Error>(())
/// ```
pub fn analyse(shots: &[Shot], options: &StudyOptions) -> Result<Study> {
    groups::check_options(options)?;
    let layout = groups::lay_out(shots)?;
    let release = means::fit(&layout, shots, |s| &s.release, true);
    let sideways = means::fit(&layout, shots, |s| &s.sideways, false);
    let (comparisons, mut notes) = compare::comparisons(&layout, &release, options);
    let doubtful = means::doubtful_shots(&layout, shots);
    let spreads = spreads(&release, layout.volleys.len(), layout.cells.len());
    notes.insert(0, spreads.sentence.clone());
    if release.nested.within.is_none() && release.nested.between_square.is_none() {
        notes.push("No volley has two shots and nothing was repeated: scatter cannot be seen, and only the measurement's own doubt is counted. Shoot at least two shots in a volley.".into());
    }
    if layout.setpoints_found {
        notes.push(format!("{} speeds were found in the readings.", layout.setpoints_mps.len()));
    }
    if !doubtful.is_empty() {
        notes.push(format!(
            "{} doubtful shot(s), kept in every mean: look at volley {}.",
            doubtful.len(),
            doubtful.iter().map(|d| d.volley.as_str()).collect::<Vec<_>>().join(", ")
        ));
    }
    let look: Vec<String> =
        layout.volleys.iter().filter(|v| v.status == VolleyStatus::Look).map(|v| v.name.clone()).collect();
    if !look.is_empty() {
        notes.push(format!("{} volley(s) in the study need a look: {}.", look.len(), look.join(", ")));
    }
    if !layout.failed.is_empty() {
        notes.push(format!("{} failed volley(s) left out: {}.", layout.failed.len(), layout.failed.join(", ")));
    }
    let seen: Vec<f64> = comparisons
        .iter()
        .map(|c| smallest_found(c.overall.u_deg, c.overall.df.unwrap_or(f64::INFINITY), options.alpha))
        .collect();
    Ok(Study {
        setpoints_mps: layout.setpoints_mps.clone(),
        setpoints_found: layout.setpoints_found,
        matters_deg: options.matters_rad.to_degrees(),
        smallest_seen_deg: median(&seen),
        ladders: ladder::ladders(&layout, shots, &release, &sideways, options),
        comparisons,
        steady: steady::steadiness(&layout, &release, options),
        spreads,
        doubtful,
        counts: Counts {
            shots: layout.volleys.iter().map(|v| layout.balls(v, shots)).sum(),
            volleys: layout.volleys.len(),
            look,
            failed: layout.failed.clone(),
            setups: layout.setups.len(),
        },
        notes,
    })
}
