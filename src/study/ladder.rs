//! How does the release angle change with speed, setup by setup?
//!
//! Each setpoint's mean with its band, the ladder smoothed to never turn back where the evidence
//! allows, the speed at which control is lost, the scatter against speed, and the sideways bias.

use super::doubt::{BETWEEN, KNOWN, Mean, WITHIN_POOLED};
use super::groups::Layout;
use super::input::{MPH_PER_MPS, Setup, Shot, StudyOptions};
use super::isotonic::isotonic;
use super::means::Fitted;
use super::special::{chi_squared_quantile, t_two_sided};
use super::variance::log_spread_trend;
use super::words::{mph, plus_minus, signed_plus_minus};
use super::zero::{Zero, find_zero};
use serde::{Deserialize, Serialize};

/// Where a part of a mean's own variance was estimated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PartSource {
    /// Taken as known.
    Known,
    /// The scatter of whole volleys, one estimate for the session.
    Volleys,
    /// The scatter of shots about their volley, one estimate for the session.
    Shots,
    /// The scatter of shots about their volley, of this setup at this speed alone.
    ShotsHere,
}

/// A part of a mean's own variance. Parts of one source are one estimate in all points of a session (but for
/// [`PartSource::ShotsHere`]), so that doubts of differences can be put together from them without the shots.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct OwnPart {
    /// Where it was estimated.
    pub source: PartSource,
    /// The part, deg^2; below zero where one estimate is taken off another.
    pub variance_deg2: f64,
    /// Degrees of freedom of the estimate; `None`: infinite.
    pub df: Option<f64>,
}

/// One setpoint of a ladder; angles in degrees.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LadderPoint {
    /// Ladder speed, m/s; the mean is brought to it.
    pub setpoint_mps: f64,
    /// Mean release angle.
    pub mean_deg: f64,
    /// Its own standard uncertainty (does not cancel in comparisons).
    pub u_own_deg: f64,
    /// Its standard uncertainty, own and shared.
    pub u_deg: f64,
    /// Degrees of freedom of `u_deg`; `None`: infinite.
    pub df: Option<f64>,
    /// Lower end of the 95 % band.
    pub low_deg: f64,
    /// Upper end of the 95 % band.
    pub high_deg: f64,
    /// The mean on a ladder that never turns back; equal to `mean_deg` where it does not.
    pub monotone_deg: f64,
    /// Standard deviation of the shots about their volley, as seen; `None` with no volley of two shots.
    pub spread_deg: Option<f64>,
    /// 95 % interval of `spread_deg` (chi-squared).
    pub spread_low_deg: Option<f64>,
    /// 95 % interval of `spread_deg` (chi-squared).
    pub spread_high_deg: Option<f64>,
    /// What is left of the spread without the measurement's own doubt.
    pub spread_net_deg: Option<f64>,
    /// Mean sideways angle; absent where it was not measured.
    pub sideways_deg: Option<f64>,
    /// Standard uncertainty of the sideways angle, own and shared.
    pub sideways_u_deg: Option<f64>,
    /// Balls.
    pub shots: u64,
    /// Volleys.
    pub volleys: usize,
    /// What the square of `u_own_deg` is made of.
    #[serde(default)]
    pub own_parts: Vec<OwnPart>,
    /// Change of the mean with each shared factor (independent, of unit variance), deg, in the order of
    /// [`super::Study::shared_factors`]; a shorter list means zeros from there on.
    #[serde(default)]
    pub shared_deg: Vec<f64>,
}

impl LadderPoint {
    /// Half the 95 % interval over its u: Student's t of its degrees of freedom.
    pub fn coverage(&self) -> f64 {
        if self.u_deg > 0.0 { 0.5 * (self.high_deg - self.low_deg) / self.u_deg } else { 2.0 }
    }
}

/// The parts of a mean's own variance, as they are stored.
fn own_parts(mean: &Mean, df_of_part: &[f64]) -> Vec<OwnPart> {
    let square_deg = 1f64.to_degrees().powi(2);
    let parts = mean.own.iter().enumerate().filter(|(_, v)| **v != 0.0);
    parts
        .map(|(part, var)| OwnPart {
            source: match part {
                KNOWN => PartSource::Known,
                BETWEEN => PartSource::Volleys,
                WITHIN_POOLED => PartSource::Shots,
                _ => PartSource::ShotsHere,
            },
            variance_deg2: var * square_deg,
            df: df_of_part.get(part).copied().and_then(finite),
        })
        .collect()
}

/// What the ladder says about zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ZeroVerdict {
    /// Crossed within the ladder.
    Reached,
    /// Not crossed, but an end of the ladder cannot be told from zero.
    Possible,
    /// Clear of zero at every speed of the ladder.
    NotReached,
    /// One speed only.
    OneSpeed,
}

/// One setup over all its speeds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ladder {
    /// The setup.
    pub setup: Setup,
    /// Its setpoints, slowest first.
    pub points: Vec<LadderPoint>,
    /// Speed at which the angle reaches zero, m/s; `None`: not within the ladder.
    pub zero_speed_mps: Option<f64>,
    /// Lower end of its 95 % interval; `None`: not reached, or open below the ladder.
    pub zero_speed_low_mps: Option<f64>,
    /// Upper end of its 95 % interval; `None`: not reached, or open above the ladder.
    pub zero_speed_high_mps: Option<f64>,
    /// Which of these it is.
    pub zero_verdict: ZeroVerdict,
    /// The same in words.
    pub zero_sentence: String,
    /// No step against the ladder's direction is beyond chance, so `monotone_deg` may be drawn.
    pub monotone: bool,
    /// Change from the slowest to the fastest setpoint.
    pub change_deg: Option<f64>,
    /// Its standard uncertainty.
    pub change_u_deg: Option<f64>,
    /// Change of log10 spread for each 10 m/s of speed, with the p-value of "none"; `None` below three setpoints.
    pub spread_trend: Option<SpreadTrend>,
    /// Mean sideways angle over the setpoints; absent where it was not measured.
    pub sideways_deg: Option<f64>,
    /// Its standard uncertainty.
    pub sideways_u_deg: Option<f64>,
    /// What it comes to, in words; empty where it was not measured.
    #[serde(default)]
    pub sideways_sentence: String,
    /// The setup's main finding in words.
    pub sentence: String,
}

/// How the scatter changes with speed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SpreadTrend {
    /// Factor by which the spread grows for each 10 mph.
    pub factor_per_10mph: f64,
    /// Chance of a trend at least this strong without any.
    pub p: f64,
}

pub(crate) fn finite(df: f64) -> Option<f64> {
    df.is_finite().then_some(df)
}

fn spread_trend(points: &[(f64, f64, f64)]) -> Option<SpreadTrend> {
    let trend = log_spread_trend(points)?;
    Some(SpreadTrend {
        factor_per_10mph: (trend.slope * 10.0 / MPH_PER_MPS).exp(),
        p: t_two_sided(trend.slope / trend.u, f64::INFINITY),
    })
}

/// Are all steps against the general direction within chance? Each is tested one-sided, Bonferroni over the steps.
fn turns_back(means: &[&Mean], df_of_part: &[f64], falling: bool, alpha: f64) -> bool {
    let sign = if falling { 1.0 } else { -1.0 };
    let steps = means.len().saturating_sub(1).max(1) as f64;
    means.windows(2).any(|w| {
        let [a, b] = w else { return false };
        let d = Mean::combine([(sign, *b), (-sign, *a)]);
        d.value > 0.0 && 0.5 * d.p_zero(df_of_part) < alpha / steps
    })
}

fn zero_words(zero: &Zero, speeds: &[f64], lowest_angle: f64) -> (ZeroVerdict, String) {
    let (Some(first), Some(last)) = (speeds.first(), speeds.last()) else {
        return (ZeroVerdict::OneSpeed, "no speeds".into());
    };
    if speeds.len() < 2 {
        return (ZeroVerdict::OneSpeed, "one speed only: where the angle reaches zero cannot be seen".into());
    }
    let range = match (zero.low_mps, zero.high_mps) {
        (Some(l), Some(h)) => format!("between {} and {}", mph(l), mph(h)),
        (Some(l), None) => format!("from {} on, with no upper limit within the ladder", mph(l)),
        (None, Some(h)) => format!("up to {}, with no lower limit within the ladder", mph(h)),
        (None, None) => "anywhere on the ladder".into(),
    };
    match (zero.speed_mps, zero.possible) {
        (Some(v), _) => (ZeroVerdict::Reached, format!("reaches zero at {} ({range})", mph(v))),
        (None, true) => (ZeroVerdict::Possible, format!("zero is not crossed on the ladder, but it could be: {range}")),
        (None, false) if lowest_angle < 0.0 => {
            (ZeroVerdict::NotReached, format!("below zero at every speed from {} to {}", mph(*first), mph(*last)))
        }
        (None, false) => (ZeroVerdict::NotReached, format!("zero is not reached by {}", mph(*last))),
    }
}

fn sideways_words(side: &Mean, df_of_part: &[f64], alpha: f64) -> String {
    let half = side.half_width(df_of_part, alpha).to_degrees();
    let value = side.value.to_degrees();
    if value.abs() <= half {
        return format!("no lean to a side is seen ({} deg)", signed_plus_minus(value, half));
    }
    let way = if value > 0.0 { "right" } else { "left" };
    format!("throws {} deg to the {way}, facing the wall", plus_minus(value.abs(), half))
}

/// Builds one ladder for each setup.
pub(crate) fn ladders(
    layout: &Layout,
    shots: &[Shot],
    release: &Fitted,
    sideways: &Fitted,
    options: &StudyOptions,
) -> Vec<Ladder> {
    (0..layout.setups.len()).filter_map(|s| ladder(layout, shots, release, sideways, options, s)).collect()
}

fn ladder(
    layout: &Layout,
    shots: &[Shot],
    release: &Fitted,
    sideways: &Fitted,
    options: &StudyOptions,
    setup: usize,
) -> Option<Ladder> {
    let cells = layout.cells_of(setup);
    let speeds: Vec<f64> =
        cells.iter().filter_map(|&c| layout.setpoints_mps.get(layout.cells.get(c)?.setpoint).copied()).collect();
    let means: Vec<&Mean> = cells.iter().filter_map(|&c| release.cells.get(c)).collect();
    let aside: Vec<&Mean> = cells.iter().filter_map(|&c| sideways.cells.get(c)).collect();
    let (first, last) = (means.first()?, means.last()?);
    let dfs = &release.df_of_part;
    let floor = means.iter().map(|m| m.own_var()).fold(0.0, f64::max) * 1e-9 + 1e-30;
    let weighted: Vec<(f64, f64)> = means.iter().map(|m| (m.value, 1.0 / m.own_var().max(floor))).collect();
    let falling = last.value <= first.value;
    let smooth = isotonic(&weighted, falling);
    let monotone = !turns_back(&means, dfs, falling, options.alpha);
    let mut points = Vec::new();
    let mut scatter = Vec::new();
    for (i, &c) in cells.iter().enumerate() {
        let (mean, side, rows) = (means.get(i)?, aside.get(i)?, layout.cells.get(c)?);
        let (var, df) = release.seen_within.get(c).copied().unwrap_or((0.0, 0.0));
        let speed = *speeds.get(i)?;
        scatter.push((speed, var, df));
        let half = mean.half_width(dfs, options.alpha);
        let limit = |p: f64| (df > 0.0).then(|| (df * var / chi_squared_quantile(p, df)).sqrt().to_degrees());
        let shown = if monotone { smooth.get(i).copied().unwrap_or(mean.value) } else { mean.value };
        points.push(LadderPoint {
            setpoint_mps: speed,
            mean_deg: mean.value.to_degrees(),
            u_own_deg: mean.u_own().to_degrees(),
            u_deg: mean.u().to_degrees(),
            df: finite(mean.df(dfs)),
            low_deg: (mean.value - half).to_degrees(),
            high_deg: (mean.value + half).to_degrees(),
            monotone_deg: shown.to_degrees(),
            spread_deg: (df > 0.0).then(|| var.sqrt().to_degrees()),
            spread_low_deg: limit(1.0 - 0.5 * options.alpha),
            spread_high_deg: limit(0.5 * options.alpha),
            spread_net_deg: (df > 0.0).then(|| net_spread(release, rows.volleys.as_slice(), var)),
            sideways_deg: Some(side.value.to_degrees()),
            sideways_u_deg: Some(side.u().to_degrees()),
            shots: rows.volleys.iter().filter_map(|&v| layout.volleys.get(v)).map(|v| layout.balls(v, shots)).sum(),
            volleys: rows.volleys.len(),
            own_parts: own_parts(mean, dfs),
            shared_deg: mean.shared.iter().map(|s| s.to_degrees()).collect(),
        });
    }
    let zero = find_zero(&speeds, &means, dfs, options.alpha);
    let lowest = means.iter().map(|m| m.value).fold(f64::INFINITY, f64::min);
    let (zero_verdict, zero_sentence) = zero_words(&zero, &speeds, lowest);
    let change = (means.len() > 1).then(|| Mean::combine([(1.0, *last), (-1.0, *first)]));
    let k = 1.0 / aside.len() as f64;
    let side = Mean::combine(aside.iter().map(|m| (k, *m)));
    let name = layout.setups.get(setup)?;
    let at = |mean: &Mean, speed: f64| {
        let half = mean.half_width(dfs, options.alpha).to_degrees();
        format!("{} deg at {}", plus_minus(mean.value.to_degrees(), half), mph(speed))
    };
    let mut sentence = format!("{}: {}", name.words(), at(first, *speeds.first()?));
    if means.len() > 1 {
        sentence += &format!(", {}; {zero_sentence}", at(last, *speeds.last()?));
    }
    if !monotone {
        sentence += "; the angle turns back on the way by more than chance explains";
    }
    sentence.push('.');
    Some(Ladder {
        setup: name.clone(),
        points,
        zero_speed_mps: zero.speed_mps,
        zero_speed_low_mps: zero.low_mps,
        zero_speed_high_mps: zero.high_mps,
        zero_verdict,
        zero_sentence,
        monotone,
        change_deg: change.as_ref().map(|d| d.value.to_degrees()),
        change_u_deg: change.as_ref().map(|d| d.u().to_degrees()),
        spread_trend: spread_trend(&scatter),
        sideways_deg: Some(side.value.to_degrees()),
        sideways_u_deg: Some(side.u().to_degrees()),
        sideways_sentence: sideways_words(&side, sideways.df_of_part.as_slice(), options.alpha),
        sentence,
    })
}

/// Spread without the measurement's own part, deg.
fn net_spread(release: &Fitted, volleys: &[usize], var: f64) -> f64 {
    let of: Vec<f64> = volleys.iter().filter_map(|&v| release.volleys.get(v)).map(|v| v.own_var).collect();
    let own = of.iter().sum::<f64>() / of.len().max(1) as f64;
    (var - own).max(0.0).sqrt().to_degrees()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_steady_spread_has_no_trend_and_a_growing_one_has() {
        let level = spread_trend(&[(13.0, 1.0, 8.0), (18.0, 1.0, 8.0), (22.0, 1.0, 8.0), (27.0, 1.0, 8.0)]);
        assert!((level.unwrap().factor_per_10mph - 1.0).abs() < 1e-12);
        // Doubling over each 10 mph (4.4704 m/s), exact input.
        let grow: Vec<(f64, f64, f64)> = (0..4).map(|i| (4.4704 * f64::from(i), 4f64.powi(i), 30.0)).collect();
        let trend = spread_trend(&grow).unwrap();
        assert!((trend.factor_per_10mph - 2.0).abs() < 1e-9 && trend.p < 1e-6, "{trend:?}");
        assert!(spread_trend(&grow[..2]).is_none());
    }
}
