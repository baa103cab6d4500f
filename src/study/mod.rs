//! Did the change make a difference, and how sure is that?
//!
//! Shots sit in volleys, volleys in setups at setpoints. [`analyse`] turns the list of shots into
//! a ladder for each setup, every comparison that changes one thing, how steady the machine was, which shots are
//! doubtful, and what is assumed. [`plan_options`] and [`plan_order`] prepare the next day.
//!
//! Angles are radians inside and degrees in the results (`_deg`); speeds are metres per second.

mod across;
mod compare;
mod doubt;
mod groups;
mod holm;
mod input;
mod isotonic;
mod judge;
mod ladder;
mod line;
mod means;
mod photos;
mod plan;
mod power;
pub(crate) mod robust;
mod slopes;
mod special;
mod steady;
mod variance;
mod words;
mod zero;

pub use crate::uncertainty::Estimate;
pub use across::{Across, Bridge, Side, compare_sides, difference_words, mean_words, recorded, verdict_words};
pub use compare::{Comparison, Difference, PointDifference, Verdict};
pub use groups::{SAME_STEP, find_setpoints};
pub use holm::holm;
pub use input::{MPH_PER_MPS, Setup, Shot, StudyOptions, VolleyStatus};
pub use isotonic::isotonic;
pub use ladder::{Ladder, LadderPoint, OwnPart, PartSource, SpreadTrend, ZeroVerdict};
pub use line::Line;
pub use means::{BETWEEN_DF_NEEDED, BetweenSource, Doubtful};
pub use photos::{PhotoPair, PhotoRepeats, photo_repeats};
pub use plan::{OrderInputs, PlanInputs, PlanOption, PlannedVolley, plan_options, plan_order};
pub use power::{equivalence_power, t_test_power, two_sample_power};
pub use robust::{DOUBTFUL_Z, mad_sigma, median};
pub use special::{
    chi_squared_quantile, f_upper, noncentral_t_upper, normal_quantile, t_quantile, t_two_sided, t_upper,
};
pub use steady::{IndividualsChart, Repeat, Steadiness, individuals_chart};
pub use variance::{
    LogTrend, Nested, Reml, ScatterPrior, VolleySum, log_spread_trend, nested_anova, nested_reml, scatter_prior,
};
pub(crate) use words::mph;

use crate::error::{Result, counted};
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
    /// SD of one shot of a setup at a speed, whenever in the session it is fired (`within` and `between` together),
    /// deg; `None` where not seen.
    #[serde(default)]
    pub repeatability_deg: Option<f64>,
    /// Share of the shots' variance about their volley that the measurement itself makes, 0 to 1.
    #[serde(default)]
    pub measurement_share: Option<f64>,
    /// Setups at speeds that were shot in several volleys.
    #[serde(default)]
    pub cells_repeated: usize,
    /// Setups at speeds that were shot in one volley only.
    #[serde(default)]
    pub cells_once: usize,
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
    /// Volleys left out because they failed or gave no angle.
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
    /// The setup repeated through the day, as the settings name it; `None`: none named.
    #[serde(default)]
    pub reference: Option<Setup>,
    /// Names of the shared factors, in the order of each point's `shared_deg`; several may carry one name.
    #[serde(default)]
    pub shared_factors: Vec<String>,
    /// One for each setup, in shooting order.
    pub ladders: Vec<Ladder>,
    /// Every change of one factor.
    pub comparisons: Vec<Comparison>,
    /// How steady the machine was.
    pub steady: Steadiness,
    /// Scatters.
    pub spreads: Spreads,
    /// What shots that were photographed twice say of the photos' part; `None`: none were.
    #[serde(default)]
    pub photo_repeats: Option<PhotoRepeats>,
    /// Shots that do not sit with the others; they are kept in every mean.
    pub doubtful: Vec<Doubtful>,
    /// Counts.
    pub counts: Counts,
    /// What a reader must know, in words.
    pub notes: Vec<String>,
}

impl Study {
    /// Takes in what shots that were photographed twice say.
    pub fn take_photo_pairs(&mut self, pairs: &[PhotoPair]) {
        self.photo_repeats = photo_repeats(pairs, self.spreads.within_deg, StudyOptions::default().alpha);
        if let Some(found) = &self.photo_repeats {
            self.notes.push(found.sentence.clone());
        }
    }
}

fn spreads(release: &means::Fitted, layout: &groups::Layout) -> Spreads {
    let nested = &release.nested;
    let sd = |v: f64| v.max(0.0).sqrt().to_degrees();
    let between_deg = sd(release.between_var);
    let once = layout.cells.iter().filter(|c| c.volleys.len() == 1).count();
    let repeated = layout.cells.len() - once;
    let volleys: usize = layout.cells.iter().map(|c| c.volleys.len()).filter(|n| *n > 1).sum();
    let also = match once {
        0 => String::new(),
        _ => format!(" The {once} shot in one volley only are taken to wander as much."),
    };
    let from = format!("seen in {volleys} volleys of {repeated} repeated setups and speeds");
    let sentence = match release.source {
        BetweenSource::Repeats if between_deg < 0.005 => format!(
            "From volley to volley the machine wanders no more than its shots scatter ({from}); every ± counts what is seen.{also}"
        ),
        BetweenSource::Repeats => format!(
            "From volley to volley the machine wanders by {between_deg:.2} deg (typically; {from}); every ± counts this.{also}"
        ),
        BetweenSource::FewRepeats => {
            let more = BETWEEN_DF_NEEDED - nested.between_df;
            let seen = if between_deg < 0.005 {
                "no wandering of the machine beyond its shots' scatter is seen, but so few can miss it".into()
            } else {
                format!(
                    "the machine seems to wander by {between_deg:.2} deg from volley to volley, but that is hardly known, and every ± is wide for it"
                )
            };
            format!("Hardly anything was repeated ({from}): {seen}. Repeat the reference {} to be surer.{also}", counted(more as usize, "more time"))
        }
        BetweenSource::Assumed => "Each setup was shot in one volley a speed, so whether the machine wanders from volley to volley was not seen. Every ± assumes that it does not; shoot the reference at least four times through the day to do without this assumption.".into(),
    };
    let within = nested.within;
    Spreads {
        within_deg: within.map(sd),
        within_df: nested.within_df,
        measurement_deg: sd(release.own_var),
        within_shared_df: release.prior.and_then(|p| ladder::finite(p.df)),
        between_deg,
        between_reml_deg: release.reml.map(|r| sd(r.between)),
        between_df: nested.between_df,
        between_source: release.source,
        between_p: release.p_between(),
        repeatability_deg: within.map(|w| sd(w + release.between_var)),
        measurement_share: within.filter(|w| *w > 0.0).map(|w| (release.own_var / w).min(1.0)),
        cells_repeated: repeated,
        cells_once: once,
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
    let release = means::fit(&layout, shots, |s| &s.release, true, &options.speed_shared_rel);
    let sideways = means::fit(&layout, shots, |s| &s.sideways, false, &[]);
    let (comparisons, mut notes) = compare::comparisons(&layout, &release, options);
    let doubtful = means::doubtful_shots(&layout, shots);
    let spreads = spreads(&release, &layout);
    notes.insert(0, spreads.sentence.clone());
    if release.scatter_unseen() {
        notes.push(format!(
            "No volley has two shots and nothing was repeated, so scatter cannot be seen: a shot is taken to scatter by {} deg, as machines commonly do, which is a guess, so every ± is wide and hardly anything can be told. Shoot several shots in a volley.",
            means::UNSEEN_SCATTER_DEG
        ));
    }
    if layout.setpoints_found {
        notes.push(format!("{} speeds were found in the readings.", layout.setpoints_mps.len()));
    }
    if !doubtful.is_empty() {
        notes.push(format!("{}, kept in every mean: look at volley {}.", counted(doubtful.len(), "doubtful shot"), {
            let mut names: Vec<&str> = doubtful.iter().map(|d| d.volley.as_str()).collect();
            names.dedup();
            names.join(", ")
        }));
    }
    let look: Vec<String> = layout
        .volleys
        .iter()
        .filter(|v| v.status == VolleyStatus::Look || doubtful.iter().any(|d| d.volley == v.name))
        .map(|v| v.name.clone())
        .collect();
    if !look.is_empty() {
        notes.push(format!(
            "{} in the study {} a look: {}.",
            counted(look.len(), "volley"),
            if look.len() == 1 { "needs" } else { "need" },
            look.join(", ")
        ));
    }
    let mut failed = layout.failed.clone();
    failed.extend(options.failed.iter().filter(|f| !layout.failed.contains(f)).cloned());
    if !failed.is_empty() {
        notes.push(format!("{} left out: {}.", counted(failed.len(), "failed volley"), failed.join(", ")));
    }
    // At the level at which the answers over the ladder are judged first.
    let level = options.alpha * judge::overall_share(comparisons.iter().map(|c| c.points.len()));
    let seen: Vec<f64> = comparisons
        .iter()
        .map(|c| smallest_found(c.overall.u_deg, c.overall.df.unwrap_or(f64::INFINITY), level))
        .collect();
    Ok(Study {
        setpoints_mps: layout.setpoints_mps.clone(),
        setpoints_found: layout.setpoints_found,
        matters_deg: options.matters_rad.to_degrees(),
        smallest_seen_deg: median(&seen),
        reference: options.reference.clone(),
        shared_factors: options.shared_factors.clone(),
        ladders: ladder::ladders(&layout, shots, &release, &sideways, options),
        comparisons,
        steady: steady::steadiness(&layout, &release, options),
        spreads,
        photo_repeats: None,
        doubtful,
        counts: Counts {
            shots: layout.volleys.iter().map(|v| layout.balls(v, shots)).sum(),
            volleys: layout.volleys.len(),
            look,
            failed,
            setups: layout.setups.len(),
        },
        notes,
    })
}
