//! What is the mean of each cell, and what is its doubt made of?
//!
//! A volley's mean has variance `between + within / n`. `within` is estimated in each
//! cell and leans on all cells as far as their scatters agree; `between` is estimated from cells with
//! several volleys and taken for all cells. Shots are never counted as independent of their volley: where
//! no cell has enough volleys, the result says what it assumes instead.

use super::doubt::{BETWEEN, KNOWN, Mean, WITHIN_CELL, WITHIN_POOLED, add_scaled};
use super::groups::Layout;
use super::input::Shot;
use super::robust::{DOUBTFUL_Z, MAD_OVER_SIGMA, median, usual_distance};
use super::slopes::{LocalSlope, Rung, local_slopes};
use super::special::{f_upper, t_two_sided};
use super::variance::{
    Nested, Reml, ScatterPrior, VolleySum, log_spread_trend, nested_anova, nested_reml, scatter_prior,
};
use crate::uncertainty::Estimate;
use serde::{Deserialize, Serialize};

/// Fewest degrees of freedom with which the scatter between volleys counts as measured: at 3 the 95 % quantile of t
/// is 3.2; at 2 it is 4.3 and at 1 it is 12.7. Below this the estimate counts with its one or two degrees of freedom
/// all the same: every interval is then several times wider as soon as a repeated volley lies further off than its
/// shots scatter (one session in three of a machine that does not wander), and the result says so. Taken as known it
/// would hold in 84 % only where the machine wanders.
pub const BETWEEN_DF_NEEDED: f64 = 3.0;

/// SD of a shot about its volley where nothing shows it (no volley of two shots, nothing repeated), deg. Common
/// practice, no source: a machine in order scatters by some 0.3 to 0.6 deg.
pub(crate) const UNSEEN_SCATTER_DEG: f64 = 0.5;

/// Its degrees of freedom: the fewest there are, so that no verdict rests on a guess.
const UNSEEN_SCATTER_DF: f64 = 1.0;

/// Residuals a cell needs before its own median deviation is trusted over that of all cells.
const CELL_MAD_NEEDS: usize = 8;

/// How the scatter between volleys is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BetweenSource {
    /// From cells with several volleys, at least three degrees of freedom.
    Repeats,
    /// One or two degrees of freedom: the estimate is used and widens every ± as far as it makes it up.
    FewRepeats,
    /// Not seen: volleys are taken to differ no more than their shots (and the stated doubt of a volley) explain.
    Assumed,
}

#[derive(Clone, Debug)]
pub(crate) struct VolleyMean {
    /// Mean brought to the setpoint's speed, rad.
    pub value: f64,
    /// Effective number of shots.
    pub weight: f64,
    /// Sum of squares about the mean, and its degrees of freedom.
    pub ss: f64,
    pub df: f64,
    pub shared: Vec<f64>,
    /// Known variance common to the volley, rad^2.
    pub known_var: f64,
    /// Mean measurement variance of an entry, rad^2.
    pub own_var: f64,
}

/// The cell means of one response (release or sideways angle).
#[derive(Clone, Debug)]
pub(crate) struct Fitted {
    pub volleys: Vec<VolleyMean>,
    /// One for each cell of the layout.
    pub cells: Vec<Mean>,
    /// Degrees of freedom of each variance part.
    pub df_of_part: Vec<f64>,
    pub nested: Nested,
    pub reml: Option<Reml>,
    pub source: BetweenSource,
    /// Variance between volleys in use, rad^2.
    pub between_var: f64,
    /// Seen variance of a shot within each cell and its degrees of freedom.
    pub seen_within: Vec<(f64, f64)>,
    pub prior: Option<ScatterPrior>,
    /// By how much each cell's variance is expected above the prior's, from the trend of scatter with speed.
    pub prior_factor: Vec<f64>,
    /// Mean measurement variance of a shot, rad^2.
    pub own_var: f64,
}

impl BetweenSource {
    /// Nothing stands in the intervals for the machine's wandering from volley to volley (SD `between` as used).
    pub(crate) fn leaves_drift_out(self, between: f64) -> bool {
        match self {
            Self::Repeats => false,
            Self::FewRepeats => between <= 0.0,
            Self::Assumed => true,
        }
    }
}

impl Fitted {
    /// p-value of "volleys do not differ beyond their shots"; `None` where not seen.
    pub fn p_between(&self) -> Option<f64> {
        let (f, df1, df2) = self.nested.f_ratio()?;
        Some(f_upper(f, df1, df2))
    }

    /// No scatter at all can be seen: the shots' is assumed.
    pub fn scatter_unseen(&self) -> bool {
        self.nested.within.is_none() && self.nested.between_square.is_none()
    }
}

struct Entry {
    value: f64,
    count: f64,
    own_var: f64,
}

/// Variance within volleys by counts alone, and the counts' mean of the measurement variance.
fn first_scatter(groups: &[Vec<Entry>]) -> (f64, f64) {
    let (mut ss, mut df, mut own, mut balls) = (0.0, 0.0, 0.0, 0.0);
    for g in groups {
        let n: f64 = g.iter().map(|e| e.count).sum();
        let mean = g.iter().map(|e| e.count * e.value).sum::<f64>() / n;
        ss += g.iter().map(|e| e.count * (e.value - mean).powi(2)).sum::<f64>();
        df += g.len() as f64 - 1.0;
        own += g.iter().map(|e| e.count * e.own_var).sum::<f64>();
        balls += n;
    }
    (if df > 0.0 { ss / df } else { 0.0 }, if balls > 0.0 { own / balls } else { 0.0 })
}

/// Fits the nested means of one response; `to_setpoint` brings each shot to its setpoint's speed.
///
/// `speed_shared_rel`: relative change of all true speeds with each shared factor. What was read as one speed was another: brought to its setpoint's true
/// speed a mean changes by its slope times that.
pub(crate) fn fit(
    layout: &Layout,
    shots: &[Shot],
    response: fn(&Shot) -> &Estimate,
    to_setpoint: bool,
    speed_shared_rel: &[f64],
) -> Fitted {
    let setpoint_of = |cell: usize| {
        layout.cells.get(cell).and_then(|c| layout.setpoints_mps.get(c.setpoint)).copied().unwrap_or(f64::NAN)
    };
    let rows = |volley: usize| {
        layout.volleys.get(volley).into_iter().flat_map(|v| v.rows.iter()).filter_map(|&r| shots.get(r))
    };
    // Plain means by cell, for the slopes.
    let plain: Vec<(f64, f64)> = layout
        .cells
        .iter()
        .map(|c| {
            let of: Vec<&Shot> = c.volleys.iter().flat_map(|&v| rows(v)).collect();
            let n: f64 = of.iter().map(|s| f64::from(s.count)).sum();
            let mean = |f: &dyn Fn(&Shot) -> f64| of.iter().map(|s| f64::from(s.count) * f(s)).sum::<f64>() / n;
            (mean(&|s| s.speed_mps), mean(&|s| response(s).value))
        })
        .collect();
    let mut slope: Vec<f64> = vec![0.0; layout.cells.len()];
    // Of each setup its cells, and each one's slope.
    let mut slopes: Vec<(Vec<usize>, Vec<LocalSlope>)> = Vec::new();
    if to_setpoint {
        for setup in 0..layout.setups.len() {
            let cells = layout.cells_of(setup);
            let read = |&c: &usize| plain.get(c).map(|p| (Rung { setpoint_mps: setpoint_of(c), speed_mps: p.0 }, p.1));
            let (ladder, angles): (Vec<Rung>, Vec<f64>) = cells.iter().filter_map(read).unzip();
            let mut of = Vec::new();
            for (c, (value, local)) in cells.iter().zip(local_slopes(&ladder, &angles)) {
                if let Some(slot) = slope.get_mut(*c) {
                    *slot = value;
                }
                of.push(local);
            }
            slopes.push((cells, of));
        }
    }
    let cell_of: Vec<usize> = layout.volleys.iter().map(|v| layout.cell(v.setup, v.setpoint).unwrap_or(0)).collect();
    let entries: Vec<Vec<Entry>> = (0..layout.volleys.len())
        .map(|v| {
            let cell = cell_of.get(v).copied().unwrap_or(0);
            let k = slope.get(cell).copied().unwrap_or(0.0);
            rows(v)
                .map(|s| Entry {
                    value: response(s).value - k * (s.speed_mps - setpoint_of(cell)),
                    count: f64::from(s.count),
                    own_var: response(s).own_var,
                })
                .collect()
        })
        .collect();
    let (seen_var, own_var) = first_scatter(&entries);
    let true_var = (seen_var - own_var).max(0.0);
    let volleys: Vec<VolleyMean> = entries
        .iter()
        .enumerate()
        .map(|(v, list)| volley_mean(list, true_var, own_var, rows(v).map(|s| (response(s), s.volley_var))))
        .collect();
    let mut fitted = spreads(layout, volleys, own_var);
    fitted.cells = (0..layout.cells.len()).map(|c| cell_mean(layout, &fitted, c)).collect();
    for (cells, of) in &slopes {
        let means: Vec<&Mean> = cells.iter().filter_map(|&c| fitted.cells.get(c)).collect();
        let extra: Vec<(usize, f64)> = cells
            .iter()
            .zip(of)
            .enumerate()
            .filter_map(|(i, (&c, local))| {
                let off_mps = plain.get(c)?.0 - setpoint_of(c);
                off_mps.is_finite().then(|| (c, local.variance(&means, i, off_mps)))
            })
            .collect();
        for (c, var) in extra {
            if let Some(cell) = fitted.cells.get_mut(c) {
                cell.add_own(KNOWN, var);
                let per_rel = slope.get(c).copied().unwrap_or(0.0) * setpoint_of(c);
                add_scaled(&mut cell.shared, -per_rel, speed_shared_rel);
            }
        }
    }
    fitted
}

fn volley_mean<'a>(
    list: &[Entry],
    true_var: f64,
    own_var: f64,
    estimates: impl Iterator<Item = (&'a Estimate, f64)>,
) -> VolleyMean {
    // Relative weights: a lone ball measured as well as most weighs 1, a merged mark its count, a badly measured one less.
    let one = true_var + own_var;
    let weight = |e: &Entry| {
        let var = true_var / e.count + e.own_var;
        if one > 0.0 && var > 0.0 { one / var } else { e.count }
    };
    let total: f64 = list.iter().map(weight).sum();
    let value = list.iter().map(|e| weight(e) * e.value).sum::<f64>() / total;
    let mut shared = Vec::new();
    let mut known_var = 0.0f64;
    for (e, (estimate, volley_var)) in list.iter().zip(estimates) {
        add_scaled(&mut shared, weight(e) / total, &estimate.shared);
        known_var = known_var.max(volley_var);
    }
    VolleyMean {
        value,
        weight: total,
        ss: list.iter().map(|e| weight(e) * (e.value - value).powi(2)).sum(),
        df: list.len() as f64 - 1.0,
        shared,
        known_var,
        own_var: list.iter().map(|e| e.own_var).sum::<f64>() / list.len().max(1) as f64,
    }
}

/// Chance of a trend of scatter with speed below which it is followed. Strict, because following a trend that is not
/// there costs half the degrees of freedom.
const FOLLOW_TREND_P: f64 = 0.01;

/// Factor of each cell's expected variance from a power law of scatter in speed, where there is clear evidence of one.
fn scatter_factors(layout: &Layout, seen: &[(f64, f64)]) -> (Vec<f64>, bool) {
    let log_speed: Vec<f64> =
        layout.cells.iter().map(|c| layout.setpoints_mps.get(c.setpoint).map_or(0.0, |v| v.ln())).collect();
    let points: Vec<(f64, f64, f64)> = log_speed.iter().zip(seen).map(|(x, (v, df))| (*x, *v, *df)).collect();
    match log_spread_trend(&points).filter(|t| t_two_sided(t.slope / t.u, f64::INFINITY) < FOLLOW_TREND_P) {
        Some(t) => (log_speed.iter().map(|x| (2.0 * t.slope * (x - t.mean_x)).exp()).collect(), true),
        None => (vec![1.0; seen.len()], false),
    }
}

fn spreads(layout: &Layout, volleys: Vec<VolleyMean>, own_var: f64) -> Fitted {
    let sums: Vec<Vec<VolleySum>> = layout
        .cells
        .iter()
        .map(|c| {
            let of = c.volleys.iter().filter_map(|&v| volleys.get(v));
            of.map(|m| VolleySum { mean: m.value, weight: m.weight, ss: m.ss, df: m.df }).collect()
        })
        .collect();
    let nested = nested_anova(&sums);
    let seen_within: Vec<(f64, f64)> = sums
        .iter()
        .map(|c| {
            let df: f64 = c.iter().map(|v| v.df).sum();
            (if df > 0.0 { c.iter().map(|v| v.ss).sum::<f64>() / df } else { 0.0 }, df)
        })
        .collect();
    let (prior_factor, trended) = scatter_factors(layout, &seen_within);
    let level: Vec<(f64, f64)> = seen_within.iter().zip(&prior_factor).map(|((v, df), k)| (v / k, *df)).collect();
    let prior = scatter_prior(&level);
    let source = if nested.between_df >= BETWEEN_DF_NEEDED {
        BetweenSource::Repeats
    } else if nested.between_df > 0.0 {
        BetweenSource::FewRepeats
    } else {
        BetweenSource::Assumed
    };
    let mut df_of_part = vec![f64::INFINITY; WITHIN_CELL + layout.cells.len()];
    // A fitted trend takes up one more constant: on average half the degrees of freedom are left at a point.
    let pool = if trended { 0.5 * nested.within_df } else { nested.within_df };
    let alone = prior.is_some_and(|p| p.df <= 0.0);
    let pooled_df = match prior {
        Some(_) if alone => pool,
        Some(p) => p.df.min(pool),
        None => UNSEEN_SCATTER_DF,
    };
    if let Some(d) = df_of_part.get_mut(WITHIN_POOLED) {
        *d = pooled_df;
    }
    if let Some(d) = df_of_part.get_mut(BETWEEN) {
        *d = if source == BetweenSource::Assumed { f64::INFINITY } else { nested.between_df };
    }
    for (d, (_, df)) in df_of_part.iter_mut().skip(WITHIN_CELL).zip(&seen_within) {
        // Where cells stand alone, one without a scatter of its own borrows what says little of it.
        *d = if *df > 0.0 {
            *df
        } else if alone {
            1.0
        } else {
            f64::INFINITY
        };
    }
    let without_within = nested.within.is_none();
    let between_var = match nested.between_square {
        Some(square) if without_within => ((square - own_var) / nested.n0).max(0.0),
        _ => nested.between().unwrap_or(0.0),
    };
    Fitted {
        volleys,
        cells: Vec::new(),
        df_of_part,
        nested,
        reml: nested_reml(&sums),
        source,
        between_var,
        seen_within,
        prior,
        prior_factor,
        own_var,
    }
}

/// Variance of one volley's mean, by part.
fn volley_var_parts(fitted: &Fitted, cell: usize, volley: &VolleyMean) -> Mean {
    let mut mean = Mean { value: volley.value, own: Vec::new(), shared: volley.shared.clone() };
    let n = volley.weight.max(f64::MIN_POSITIVE);
    let (seen, df) = fitted.seen_within.get(cell).copied().unwrap_or((0.0, 0.0));
    let factor = fitted.prior_factor.get(cell).copied().unwrap_or(1.0);
    match fitted.prior {
        None => {
            mean.add_own(KNOWN, fitted.own_var / n);
            if fitted.scatter_unseen() {
                mean.add_own(WITHIN_POOLED, UNSEEN_SCATTER_DEG.to_radians().powi(2) / n);
            }
        }
        Some(p) if p.df.is_infinite() => mean.add_own(WITHIN_POOLED, p.var * factor / n),
        Some(p) if p.df <= 0.0 => {
            mean.add_own(WITHIN_CELL + cell, if df > 0.0 { seen } else { p.var * factor } / n);
        }
        Some(p) => {
            mean.add_own(WITHIN_POOLED, p.df / (p.df + df) * p.var * factor / n);
            mean.add_own(WITHIN_CELL + cell, df / (p.df + df) * seen / n);
        }
    }
    // Readings that agree better than each is known are known no better than that.
    let lacks = (volley.own_var / n - mean.own_var()).max(0.0);
    let from_shots = mean.own_var() + lacks + volley.known_var;
    if let Some(square) = fitted.nested.between_square {
        let mut whole = mean.clone();
        whole.add_own(BETWEEN, square / fitted.nested.n0);
        match fitted.nested.within {
            Some(within) => whole.add_own(WITHIN_POOLED, -within / fitted.nested.n0),
            None => whole.add_own(KNOWN, -fitted.own_var / fitted.nested.n0),
        }
        if whole.own_var() > from_shots {
            return whole;
        }
    }
    mean.add_own(KNOWN, lacks + volley.known_var);
    mean
}

fn cell_mean(layout: &Layout, fitted: &Fitted, cell: usize) -> Mean {
    let Some(rows) = layout.cells.get(cell) else { return Mean::default() };
    let of: Vec<Mean> =
        rows.volleys.iter().filter_map(|&v| fitted.volleys.get(v)).map(|v| volley_var_parts(fitted, cell, v)).collect();
    // Where nothing scatters and nothing is in doubt all volleys weigh alike.
    let floor = of.iter().map(Mean::own_var).fold(0.0, f64::max) * 1e-6;
    let weights: Vec<f64> = of.iter().map(|m| if floor > 0.0 { 1.0 / m.own_var().max(floor) } else { 1.0 }).collect();
    let total: f64 = weights.iter().sum();
    Mean::combine(weights.iter().zip(&of).map(|(w, m)| (w / total, m)))
}

/// A shot that does not sit with the others of its volley.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Doubtful {
    /// Row in the list of shots, from 0.
    pub shot: usize,
    /// Its volley.
    pub volley: String,
    /// Its release angle, deg.
    pub release_deg: f64,
    /// Median of its volley (of its cell, where volleys have a single shot), deg.
    pub median_deg: f64,
    /// Modified z-score; beyond 3.5 is doubtful.
    pub modified_z: f64,
}

/// Names the doubtful shots; they stay in every mean.
pub(crate) fn doubtful_shots(layout: &Layout, shots: &[Shot]) -> Vec<Doubtful> {
    struct Away {
        row: usize,
        median: f64,
        away: f64,
        usual: f64,
    }
    let mut by_cell: Vec<Vec<Away>> = Vec::new();
    for cell in &layout.cells {
        let rows_of = |v: &usize| layout.volleys.get(*v).map(|v| v.rows.clone()).unwrap_or_default();
        let lists: Vec<Vec<usize>> = cell.volleys.iter().map(rows_of).collect();
        let (mut groups, single): (Vec<_>, Vec<_>) = lists.into_iter().partition(|l| l.len() > 1);
        groups.push(single.concat());
        let mut list = Vec::new();
        for group in groups.iter().filter(|g| g.len() >= 3) {
            let values: Vec<f64> = group.iter().filter_map(|&r| shots.get(r)).map(|s| s.release.value).collect();
            let Some(centre) = median(&values) else { continue };
            // A merged mark scatters less: its mean of n balls counts sqrt(n) times its distance.
            list.extend(group.iter().filter_map(|&row| {
                let s = shots.get(row)?;
                let away = (s.release.value - centre) * f64::from(s.count).sqrt();
                Some(Away { row, median: centre, away, usual: usual_distance(group.len()) })
            }));
        }
        by_cell.push(list);
    }
    // The middle shot of each odd volley is its own median: its zero would shrink the scale, and is left out.
    let sizes =
        |list: &[Away]| -> Vec<f64> { list.iter().map(|a| a.away.abs() / a.usual).filter(|a| *a > 0.0).collect() };
    let all: Vec<f64> = by_cell.iter().flat_map(|l| sizes(l)).collect();
    let common = median(&all).unwrap_or(0.0);
    let mut out = Vec::new();
    for list in &by_cell {
        let own = sizes(list);
        let scale = if own.len() >= CELL_MAD_NEEDS { median(&own).unwrap_or(0.0).max(common) } else { common };
        if scale <= 0.0 {
            continue;
        }
        for a in list {
            let modified_z = MAD_OVER_SIGMA * a.away / scale;
            let Some(shot) = shots.get(a.row).filter(|_| modified_z.abs() > DOUBTFUL_Z) else { continue };
            out.push(Doubtful {
                shot: a.row,
                volley: shot.volley.clone(),
                release_deg: shot.release.value.to_degrees(),
                median_deg: a.median.to_degrees(),
                modified_z,
            });
        }
    }
    out.sort_by_key(|d| d.shot);
    out
}
