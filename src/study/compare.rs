//! Did one change make a difference?
//!
//! Every pair of setups that differ in exactly one factor, setpoint by setpoint and over the
//! ladder. Doubts that both share cancel coherently. Three verdicts: "differs" (the difference is
//! not zero), "same" (two one-sided tests show it smaller than what matters; Schuirmann 1987) and
//! "unclear". One weighted Holm family covers the study: half of alpha for the answers over the ladder, half for single
//! setpoints, what is not spent passing on. So the chance of any false "differs" in a whole
//! study is at most alpha, and likewise of any false "same".

use super::doubt::Mean;
use super::groups::Layout;
use super::holm::holm;
use super::input::{MPH_PER_MPS, Setup, StudyOptions};
use super::ladder::{finite, mph};
use super::means::{BetweenSource, Fitted};
use super::power::{equivalence_power, t_test_power};
use super::special::t_quantile;
use serde::{Deserialize, Serialize};

/// Power asked for when saying how many more volleys would do.
const POWER_TO_SETTLE: f64 = 0.8;
/// More volleys than this a day cannot hold; beyond it the answer is "not by more volleys".
const MOST_MORE_VOLLEYS: u32 = 100;

/// What a comparison shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// The difference is not zero (and not shown to be smaller than what matters).
    Differs,
    /// Shown to be smaller than what matters.
    Same,
    /// Neither is shown.
    Unclear,
}

/// One difference b - a with its verdict; angles in degrees.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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

struct Draft {
    factor: String,
    a: usize,
    b: usize,
    points: Vec<(f64, Mean, f64)>,
    overall: (Mean, f64),
    trend: Option<Mean>,
}

fn drafts(layout: &Layout, release: &Fitted, options: &StudyOptions) -> (Vec<Draft>, Vec<String>) {
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
            for (p, &speed) in layout.setpoints_mps.iter().enumerate() {
                let (Some(ca), Some(cb)) = (layout.cell(a, p), layout.cell(b, p)) else { continue };
                let (Some(ma), Some(mb)) = (release.cells.get(ca), release.cells.get(cb)) else { continue };
                let volleys = |c: usize| layout.cells.get(c).map_or(1.0, |c| c.volleys.len() as f64);
                let each = 2.0 / (1.0 / volleys(ca) + 1.0 / volleys(cb));
                points.push((speed, Mean::combine([(1.0, mb), (-1.0, ma)]), each));
            }
            if points.is_empty() {
                notes.push(format!("{} and {} share no speed, so they cannot be compared.", sa.words(), sb.words()));
                continue;
            }
            let k = 1.0 / points.len() as f64;
            let overall = Mean::combine(points.iter().map(|(_, d, _)| (k, d)));
            let each = points.len() as f64 / points.iter().map(|p| 1.0 / p.2).sum::<f64>();
            let mean_x = points.iter().map(|p| p.0).sum::<f64>() * k;
            let sxx = points.iter().map(|p| (p.0 - mean_x).powi(2)).sum::<f64>();
            let trend = (sxx > 0.0).then(|| Mean::combine(points.iter().map(|(x, d, _)| ((x - mean_x) / sxx, d))));
            out.push(Draft { factor: factor.to_string(), a, b, points, overall: (overall, each), trend });
        }
    }
    (out, notes)
}

/// Volleys to add to each of two setups so that a difference of what matters would be found, and no
/// difference shown to be none, each with a chance of 80 %. Takes the first Holm step's share of alpha.
fn more_volleys(d: &Mean, each: f64, df: f64, margin: f64, share: f64) -> Option<u32> {
    let will = |k: f64| {
        let u = (d.own_var() * each / (each + k) + d.shared_var()).sqrt();
        let df = df + k;
        u == 0.0
            || (t_test_power(margin / u, df, share) >= POWER_TO_SETTLE
                && equivalence_power(margin / u, df, share) >= POWER_TO_SETTLE)
    };
    if !will(f64::from(MOST_MORE_VOLLEYS)) {
        return None;
    }
    // More volleys never lessen the power: bisection.
    let (mut low, mut high) = (0, MOST_MORE_VOLLEYS);
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        if will(f64::from(middle)) { high = middle } else { low = middle }
    }
    Some(high)
}

/// Largest drift SD, rad, at which a statistic `room` (rad) still exceeds its limit: solves
/// `room = t sqrt(u^2 + drift_weight * drift^2)`, with t at the level that the adjustment leaves to this test.
fn drift_to_overturn(room: f64, u: f64, t: f64, drift_weight: f64) -> f64 {
    (((room / t).powi(2) - u * u) / drift_weight).max(0.0).sqrt()
}

/// The level at which one test is judged after adjustment; `share` of alpha where its p is too small to tell.
fn level(alpha: f64, share: f64, raw: f64, adjusted: f64) -> f64 {
    if raw > 0.0 && adjusted > 0.0 { alpha * (raw / adjusted).min(1.0) } else { alpha * share }
}

struct Names<'a> {
    a: String,
    b: String,
    place: &'a str,
}

fn sentence(names: &Names, d: &Difference, matters_deg: f64, at_each: bool) -> String {
    let Names { a, b, place } = names;
    let drift = d.holds_to_drift_deg.map_or(String::new(), |v| {
        format!(" This stands unless volleys drift by more than {v:.2} deg (SD), which this session did not measure.")
    });
    let range = format!("between {:+.2} and {:+.2} deg", d.low_deg, d.high_deg);
    match d.verdict {
        Verdict::Differs => {
            let way = if d.difference_deg > 0.0 { "more" } else { "less" };
            format!(
                "{b} has {:.2} deg {way} whip than {a} {place} ({range}): a real difference.{drift}",
                d.difference_deg.abs()
            )
        }
        Verdict::Same => {
            let extra = match (d.small_but_real, d.holds_to_drift_deg) {
                (true, None) => "; there is a difference, but it is too small to matter",
                (true, Some(_)) => "; if volleys do not drift there is a difference, but too small to matter",
                (false, _) => "",
            };
            format!("{b} and {a} are the same {place} to within {matters_deg:.2} deg ({range}){extra}.{drift}")
        }
        Verdict::Unclear => {
            let more = match d.more_volleys {
                Some(1) => "one more volley".into(),
                Some(k) => format!("about {k} more volleys"),
                None => String::new(),
            };
            let where_ = if at_each { " at each speed" } else { "" };
            let next = if more.is_empty() {
                "more volleys alone will not settle it".to_string()
            } else {
                format!("{more} of each{where_} would settle it in four cases of five")
            };
            format!("{b} against {a} {place}: {:+.2} deg ({range}), not clear yet; {next}.", d.difference_deg)
        }
    }
}

/// Compares every pair that differs in one factor. Also returns notes on pairs left out.
pub(crate) fn comparisons(layout: &Layout, release: &Fitted, options: &StudyOptions) -> (Vec<Comparison>, Vec<String>) {
    let (drafts, notes) = drafts(layout, release, options);
    let dfs = &release.df_of_part;
    let margin = options.matters_rad;
    // The family: one test over the ladder for each pair, and its setpoints where there are several.
    let point_tests: usize = drafts.iter().filter(|d| d.points.len() > 1).map(|d| d.points.len()).sum();
    let overall_share = if point_tests > 0 { 0.5 } else { 1.0 } / drafts.len().max(1) as f64;
    let point_share = 0.5 / point_tests.max(1) as f64;
    let mut tests: Vec<(&Mean, f64)> = Vec::new();
    for d in &drafts {
        tests.push((&d.overall.0, overall_share));
        if d.points.len() > 1 {
            tests.extend(d.points.iter().map(|p| (&p.1, point_share)));
        }
    }
    let adjusted = |f: &dyn Fn(&Mean) -> f64| holm(&tests.iter().map(|(m, w)| (f(m), *w)).collect::<Vec<_>>());
    let p_differs = adjusted(&|m| m.p_zero(dfs));
    let p_same = adjusted(&|m| m.p_apart(dfs, margin));
    let mut pairs = p_differs.iter().copied().zip(p_same.iter().copied());
    let unseen = release.source != BetweenSource::Repeats;
    let judge = |m: &Mean, (each, setpoints): (f64, usize), (p_differs, p_same): (f64, f64), share: f64| {
        let half = m.half_width(dfs, options.alpha);
        let (not_zero, close) = (p_differs <= options.alpha, p_same <= options.alpha);
        let verdict = match (not_zero, close) {
            (_, true) => Verdict::Same,
            (true, false) => Verdict::Differs,
            (false, false) => Verdict::Unclear,
        };
        let df = m.df(dfs);
        // A drift of variance v from volley to volley adds this times v to the difference.
        let drift_weight = 2.0 / (each * setpoints as f64);
        let drift = match verdict {
            Verdict::Differs => {
                let t = t_quantile(1.0 - 0.5 * level(options.alpha, share, m.p_zero(dfs), p_differs), df);
                Some(drift_to_overturn(m.value.abs(), m.u(), t, drift_weight))
            }
            Verdict::Same => {
                let t = t_quantile(1.0 - level(options.alpha, share, m.p_apart(dfs, margin), p_same), df);
                Some(drift_to_overturn(margin - m.value.abs(), m.u(), t, drift_weight))
            }
            Verdict::Unclear => None,
        };
        Difference {
            holds_to_drift_deg: drift.filter(|_| unseen).map(f64::to_degrees),
            difference_deg: m.value.to_degrees(),
            u_deg: m.u().to_degrees(),
            u_shared_deg: m.shared_var().sqrt().to_degrees(),
            df: finite(df),
            low_deg: (m.value - half).to_degrees(),
            high_deg: (m.value + half).to_degrees(),
            p_differs,
            p_same,
            verdict,
            small_but_real: close && not_zero,
            more_volleys: (verdict == Verdict::Unclear)
                .then(|| more_volleys(m, each, df, margin, options.alpha * share))
                .flatten(),
            sentence: String::new(),
        }
    };
    let mut out = Vec::new();
    for d in &drafts {
        let (Some(sa), Some(sb)) = (layout.setups.get(d.a), layout.setups.get(d.b)) else { continue };
        let value = |s: &Setup| s.get(&d.factor).unwrap_or("").to_string();
        let named = |s: &Setup| format!("{} {}", d.factor, value(s));
        let matters_deg = margin.to_degrees();
        let p = pairs.next().unwrap_or((1.0, 1.0));
        let mut overall = judge(&d.overall.0, (d.overall.1, d.points.len()), p, overall_share);
        let place = match d.points.as_slice() {
            [(x, _, _)] => format!("at {}", mph(*x)),
            _ => "over the ladder".into(),
        };
        let names = Names { a: named(sa), b: named(sb), place: &place };
        overall.sentence = sentence(&names, &overall, matters_deg, d.points.len() > 1);
        let mut points = Vec::new();
        for (x, m, each) in &d.points {
            if d.points.len() == 1 {
                points.push(PointDifference { setpoint_mps: *x, difference: overall.clone() });
                continue;
            }
            let p = pairs.next().unwrap_or((1.0, 1.0));
            let mut difference = judge(m, (*each, 1), p, point_share);
            let place = format!("at {}", mph(*x));
            let names = Names { a: named(sa), b: named(sb), place: &place };
            difference.sentence = sentence(&names, &difference, matters_deg, false);
            points.push(PointDifference { setpoint_mps: *x, difference });
        }
        let per_10mph = 10.0 / MPH_PER_MPS;
        out.push(Comparison {
            factor: d.factor.clone(),
            a: value(sa),
            b: value(sb),
            same: sa.without(&d.factor),
            points,
            overall,
            trend_deg_per_10mph: d.trend.as_ref().map(|t| t.value.to_degrees() * per_10mph),
            trend_u_deg: d.trend.as_ref().map(|t| t.u().to_degrees() * per_10mph),
        });
    }
    (out, notes)
}
