//! Did one change make a difference?
//!
//! Every pair of setups that differ in exactly one factor, setpoint by setpoint and over the
//! ladder. Doubts that both share cancel coherently. Three verdicts: "differs" (the difference is
//! not zero), "same" (shown smaller than what matters) and "unclear"; [`super::judge`] says when.

use super::doubt::Mean;
use super::groups::Layout;
use super::input::{MPH_PER_MPS, Setup, StudyOptions};
use super::judge::{Draft, Judged, PointDraft, Rules, judge};
use super::means::Fitted;
use super::words::{Names, tell};
use serde::{Deserialize, Serialize};

/// What a comparison shows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// The difference is not zero (and not shown to be smaller than what matters).
    Differs,
    /// Shown to be smaller than what matters.
    Same,
    /// Neither is shown.
    #[default]
    Unclear,
}

/// One difference b - a with its verdict; angles in degrees.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// The difference, b - a.
    pub difference_deg: f64,
    /// Its standard uncertainty; shared doubt enters only as far as it does not cancel.
    pub u_deg: f64,
    /// The part of `u_deg` that more volleys do not lessen.
    pub u_shared_deg: f64,
    /// Degrees of freedom of `u_deg`; `None`: infinite.
    pub df: Option<f64>,
    /// Lower end of the 95 % interval (of this difference alone).
    pub low_deg: f64,
    /// Upper end of the 95 % interval (of this difference alone).
    pub high_deg: f64,
    /// Chance of a difference at least this large without any, Holm-adjusted.
    pub p_differs: f64,
    /// Chance of seeing one this small if it were as large as what matters, Holm-adjusted.
    pub p_same: f64,
    /// The verdict.
    pub verdict: Verdict,
    /// With "same": not zero all the same, but too small to matter.
    pub small_but_real: bool,
    /// With "unclear": volleys of each setup (at each speed) to add for an 80 % chance of settling it; `None`: settled
    /// already, or more volleys would not do.
    pub more_volleys: Option<u32>,
    /// Where the scatter between volleys was not measured, with "differs" or "same": the SD of drift from volley to volley
    /// up to which the verdict stands, deg.
    pub holds_to_drift_deg: Option<f64>,
    /// The finding in words.
    pub sentence: String,
}

/// A difference at one setpoint.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PointDifference {
    /// Ladder speed, m/s.
    pub setpoint_mps: f64,
    /// The difference there.
    #[serde(flatten)]
    pub difference: Difference,
}

/// Two setups that differ in one factor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// The factor that changes.
    pub factor: String,
    /// Its value in the first (the reference where it takes part, else the one shot first).
    pub a: String,
    /// Its value in the second.
    pub b: String,
    /// The factors that stay.
    pub same: Setup,
    /// Setpoint by setpoint.
    pub points: Vec<PointDifference>,
    /// Plain mean over the setpoints that both have.
    pub overall: Difference,
    /// Change of the difference for each 10 mph, deg; `None` with a single common setpoint.
    pub trend_deg_per_10mph: Option<f64>,
    /// Its standard uncertainty, deg.
    pub trend_u_deg: Option<f64>,
}

impl Comparison {
    /// The same the other way round: `a - b`. `with` is what the sentences add to the names.
    pub(crate) fn reversed(&self, setups: &[&Setup], matters_deg: f64) -> Comparison {
        let turn = |d: &Difference| Difference {
            difference_deg: -d.difference_deg,
            low_deg: -d.high_deg,
            high_deg: -d.low_deg,
            ..d.clone()
        };
        let mut found = Judged {
            overall: turn(&self.overall),
            points: self
                .points
                .iter()
                .map(|p| PointDifference { setpoint_mps: p.setpoint_mps, difference: turn(&p.difference) })
                .collect(),
        };
        let with = with_words(setups.iter().copied(), &self.same);
        let (a, b) = (format!("{} {}", self.factor, self.b), format!("{} {}", self.factor, self.a));
        tell(&mut found, &Names { a: &a, b: &b, with: &with }, matters_deg);
        Comparison {
            a: self.b.clone(),
            b: self.a.clone(),
            points: found.points,
            overall: found.overall,
            trend_deg_per_10mph: self.trend_deg_per_10mph.map(|t| -t),
            ..self.clone()
        }
    }
}

/// A pair on its way: the factor that changes, the setups' indices, the differences.
struct Pair {
    factor: String,
    a: usize,
    b: usize,
    draft: Draft,
}

/// Change of the difference with speed, rad for each m/s; `None` with a single speed.
pub(crate) fn trend(points: &[PointDraft]) -> Option<Mean> {
    let k = 1.0 / points.len().max(1) as f64;
    let mean_x = points.iter().map(|p| p.speed_mps).sum::<f64>() * k;
    let sxx = points.iter().map(|p| (p.speed_mps - mean_x).powi(2)).sum::<f64>();
    (sxx > 0.0).then(|| Mean::combine(points.iter().map(|p| ((p.speed_mps - mean_x) / sxx, &p.mean))))
}

/// Volleys that a difference rests on: the harmonic mean of both sides' numbers.
pub(crate) fn each(a: f64, b: f64) -> f64 {
    2.0 / (1.0 / a.max(1.0) + 1.0 / b.max(1.0))
}

/// "with mesh soft": what both setups have in common and others of the session have not; empty for nothing.
pub(crate) fn with_words<'a>(setups: impl Iterator<Item = &'a Setup> + Clone, same: &Setup) -> String {
    let varied: Vec<String> = same
        .iter()
        .filter(|(k, v)| setups.clone().any(|s| s.get(k) != Some(v)))
        .map(|(k, v)| format!("{k} {v}"))
        .collect();
    if varied.is_empty() { String::new() } else { format!("with {}", varied.join(", ")) }
}

fn pairs(layout: &Layout, release: &Fitted, options: &StudyOptions) -> (Vec<Pair>, Vec<String>) {
    let mut out = Vec::new();
    let mut notes = Vec::new();
    let is_reference =
        |s: usize| options.reference.as_ref().zip(layout.setups.get(s)).is_some_and(|(r, s)| r.is_part_of(s));
    for i in 0..layout.setups.len() {
        for j in i + 1..layout.setups.len() {
            let (a, b) = if is_reference(j) && !is_reference(i) { (j, i) } else { (i, j) };
            let (Some(sa), Some(sb)) = (layout.setups.get(a), layout.setups.get(b)) else { continue };
            let Some(factor) = sa.one_change(sb) else { continue };
            let mut points = Vec::new();
            for (p, &speed_mps) in layout.setpoints_mps.iter().enumerate() {
                let (Some(ca), Some(cb)) = (layout.cell(a, p), layout.cell(b, p)) else { continue };
                let (Some(ma), Some(mb)) = (release.cells.get(ca), release.cells.get(cb)) else { continue };
                let volleys = |c: usize| layout.cells.get(c).map_or(1.0, |c| c.volleys.len() as f64);
                let mean = Mean::combine([(1.0, mb), (-1.0, ma)]);
                let each = each(volleys(ca), volleys(cb));
                points.push(PointDraft { speed_mps, mean, each, behind: each });
            }
            if points.is_empty() {
                notes.push(format!("{} and {} share no speed, so they cannot be compared.", sa.words(), sb.words()));
                continue;
            }
            let named = |s: &Setup| format!("{factor} {}", s.get(factor).unwrap_or("none"));
            let draft = Draft {
                a: named(sa),
                b: named(sb),
                with: with_words(layout.setups.iter(), &sa.without(factor)),
                points,
                whole: None,
                df_of_part: release.df_of_part.clone(),
                drift_unseen: release.source.leaves_drift_out(release.between_var),
            };
            out.push(Pair { factor: factor.to_string(), a, b, draft });
        }
    }
    (out, notes)
}

/// Compares every pair that differs in one factor. Also returns notes on pairs left out.
pub(crate) fn comparisons(layout: &Layout, release: &Fitted, options: &StudyOptions) -> (Vec<Comparison>, Vec<String>) {
    let (pairs, notes) = pairs(layout, release, options);
    let rules = Rules { margin_rad: options.matters_rad, alpha: options.alpha };
    let drafts: Vec<Draft> = pairs.iter().map(|p| p.draft.clone()).collect();
    let per_10mph = 10.0 / MPH_PER_MPS;
    let out = pairs
        .iter()
        .zip(judge(&drafts, &rules))
        .filter_map(|(pair, judged)| {
            let (sa, sb) = (layout.setups.get(pair.a)?, layout.setups.get(pair.b)?);
            let value = |s: &Setup| s.get(&pair.factor).unwrap_or("").to_string();
            let trend = trend(&pair.draft.points);
            Some(Comparison {
                factor: pair.factor.clone(),
                a: value(sa),
                b: value(sb),
                same: sa.without(&pair.factor),
                points: judged.points,
                overall: judged.overall,
                trend_deg_per_10mph: trend.as_ref().map(|t| t.value.to_degrees() * per_10mph),
                trend_u_deg: trend.as_ref().map(|t| t.u().to_degrees() * per_10mph),
            })
        })
        .collect();
    (out, notes)
}
