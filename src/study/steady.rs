//! Did the machine stay the same through the day?
//!
//! Volleys of a cell that was shot several times are compared with their cell's mean in shooting order: a
//! drift (straight line against order, cells taken out), a jump (moving range beyond 3.267 times its mean) and natural limits
//! (mean +- 2.66 mean moving ranges; Shewhart's chart for individual values, NIST/SEMATECH e-Handbook 6.3.2.2).

use super::groups::Layout;
use super::input::StudyOptions;
use super::means::Fitted;
use super::special::{t_quantile, t_two_sided};
use serde::{Deserialize, Serialize};

/// Mean of the range of two normal values over their SD.
const D2: f64 = 1.128;
/// Upper limit of a range of two over its mean.
const D4: f64 = 3.267;

/// Chart of individual values.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct IndividualsChart {
    /// Mean.
    pub centre: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
    /// Limit of the moving range.
    pub range_limit: f64,
    /// Indices of values outside the limits.
    pub outside: Vec<usize>,
    /// Indices of values that jumped from the one before.
    pub jumps: Vec<usize>,
}

/// Limits of individual values in time order; `None` with fewer than three.
pub fn individuals_chart(values: &[f64]) -> Option<IndividualsChart> {
    if values.len() < 3 {
        return None;
    }
    let centre = values.iter().sum::<f64>() / values.len() as f64;
    let ranges: Vec<f64> = values.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    let mean_range = ranges.iter().sum::<f64>() / ranges.len() as f64;
    let half = 3.0 * mean_range / D2;
    let range_limit = D4 * mean_range;
    let at = |keep: &dyn Fn(f64) -> bool, list: &[f64], from: usize| -> Vec<usize> {
        list.iter().enumerate().filter(|(_, v)| keep(**v)).map(|(i, _)| i + from).collect()
    };
    Some(IndividualsChart {
        centre,
        low: centre - half,
        high: centre + half,
        range_limit,
        outside: at(&|v| (v - centre).abs() > half, values, 0),
        jumps: at(&|r| r > range_limit, &ranges, 1),
    })
}

/// One repeated volley.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Repeat {
    /// Volley name.
    pub volley: String,
    /// Place in shooting order, from 1.
    pub order: usize,
    /// Ladder speed, m/s.
    pub setpoint_mps: f64,
    /// Its mean less its cell's mean, deg.
    pub away_deg: f64,
}

/// What the repeats show.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Steadiness {
    /// Only the reference setup's repeats were used (else those of all setups).
    pub of_reference: bool,
    /// The repeats in shooting order.
    pub repeats: Vec<Repeat>,
    /// Drift from the first to the last volley of the session, deg; `None` with fewer than two repeats to spare.
    pub drift_deg: Option<f64>,
    /// Its standard uncertainty, deg.
    pub drift_u_deg: Option<f64>,
    /// Lower end of its 95 % interval.
    pub drift_low_deg: Option<f64>,
    /// Upper end of its 95 % interval.
    pub drift_high_deg: Option<f64>,
    /// Chance of a drift at least this large without any.
    pub drift_p: Option<f64>,
    /// Limits within which repeats are expected, deg from their cell's mean.
    pub limit_low_deg: Option<f64>,
    /// Limits within which repeats are expected, deg from their cell's mean.
    pub limit_high_deg: Option<f64>,
    /// Volleys outside the limits.
    pub outside: Vec<String>,
    /// Volleys that jumped from the repeat before.
    pub jumps: Vec<String>,
    /// The finding in words.
    pub sentence: String,
}

struct Drift {
    per_volley: f64,
    u: f64,
    df: f64,
}

/// Slope of values on order with each cell's mean taken out of both.
fn drift(rows: &[(usize, f64, f64)]) -> Option<Drift> {
    let mut centred: Vec<(f64, f64)> = Vec::new();
    let mut cells: Vec<usize> = rows.iter().map(|r| r.0).collect();
    cells.sort_unstable();
    cells.dedup();
    for c in &cells {
        let of: Vec<&(usize, f64, f64)> = rows.iter().filter(|r| r.0 == *c).collect();
        let n = of.len() as f64;
        let (mx, my) = (of.iter().map(|r| r.1).sum::<f64>() / n, of.iter().map(|r| r.2).sum::<f64>() / n);
        centred.extend(of.iter().map(|r| (r.1 - mx, r.2 - my)));
    }
    let df = rows.len() as f64 - cells.len() as f64 - 1.0;
    let sxx: f64 = centred.iter().map(|p| p.0 * p.0).sum();
    if df < 1.0 || sxx <= 0.0 {
        return None;
    }
    let per_volley = centred.iter().map(|p| p.0 * p.1).sum::<f64>() / sxx;
    let rss: f64 = centred.iter().map(|p| (p.1 - per_volley * p.0).powi(2)).sum();
    Some(Drift { per_volley, u: (rss / df / sxx).sqrt(), df })
}

/// Looks at the repeats of the reference setup, or of every setup where it has none.
pub(crate) fn steadiness(layout: &Layout, release: &Fitted, options: &StudyOptions) -> Steadiness {
    let repeated: Vec<usize> =
        (0..layout.cells.len()).filter(|&c| layout.cells.get(c).is_some_and(|c| c.volleys.len() > 1)).collect();
    let of_ref = |c: &&usize| {
        let setup = layout.cells.get(**c).and_then(|c| layout.setups.get(c.setup));
        options.reference.as_ref().zip(setup).is_some_and(|(r, s)| r.is_part_of(s))
    };
    let reference: Vec<usize> = repeated.iter().filter(of_ref).copied().collect();
    let of_reference = !reference.is_empty();
    let cells = if of_reference { reference } else { repeated };
    let mut rows: Vec<(usize, usize, f64)> = Vec::new();
    for &c in &cells {
        let Some(cell) = layout.cells.get(c) else { continue };
        let of: Vec<(usize, f64)> =
            cell.volleys.iter().filter_map(|&v| Some((v, release.volleys.get(v)?.value))).collect();
        let mean = of.iter().map(|r| r.1).sum::<f64>() / of.len().max(1) as f64;
        rows.extend(of.iter().map(|r| (c, r.0, r.1 - mean)));
    }
    rows.sort_by_key(|r| r.1);
    let name = |v: usize| layout.volleys.get(v).map(|v| v.name.clone()).unwrap_or_default();
    let repeats: Vec<Repeat> = rows
        .iter()
        .map(|&(c, v, away)| Repeat {
            volley: name(v),
            order: v + 1,
            setpoint_mps: layout
                .cells
                .get(c)
                .and_then(|c| layout.setpoints_mps.get(c.setpoint))
                .copied()
                .unwrap_or(f64::NAN),
            away_deg: away.to_degrees(),
        })
        .collect();
    let slope = drift(&rows.iter().map(|&(c, v, y)| (c, v as f64, y)).collect::<Vec<_>>());
    let span = layout.volleys.len().saturating_sub(1) as f64;
    let aways: Vec<f64> = repeats.iter().map(|r| r.away_deg).collect();
    let chart = individuals_chart(&aways);
    let names = |list: &[usize]| list.iter().filter_map(|&i| repeats.get(i)).map(|r| r.volley.clone()).collect();
    let scaled = |k: f64| slope.as_ref().map(|s| (k * s.u + s.per_volley) * span).map(f64::to_degrees);
    let reach = slope.as_ref().map_or(0.0, |s| t_quantile(1.0 - 0.5 * options.alpha, s.df));
    let drift_p = slope.as_ref().map(|s| {
        if s.u > 0.0 {
            t_two_sided(s.per_volley / s.u, s.df)
        } else if s.per_volley == 0.0 {
            1.0
        } else {
            0.0
        }
    });
    let mut out = Steadiness {
        of_reference,
        drift_deg: scaled(0.0),
        drift_u_deg: slope.as_ref().map(|s| (s.u * span).to_degrees()),
        drift_low_deg: scaled(-reach),
        drift_high_deg: scaled(reach),
        drift_p,
        limit_low_deg: chart.as_ref().map(|c| c.low),
        limit_high_deg: chart.as_ref().map(|c| c.high),
        outside: chart.as_ref().map(|c| names(&c.outside)).unwrap_or_default(),
        jumps: chart.as_ref().map(|c| names(&c.jumps)).unwrap_or_default(),
        sentence: String::new(),
        repeats,
    };
    out.sentence = words(&out, options.alpha);
    out
}

fn words(s: &Steadiness, alpha: f64) -> String {
    if s.repeats.is_empty() {
        return "Nothing was shot twice, so whether the machine stayed the same cannot be seen: repeat the reference through the day."
            .into();
    }
    let mut text = match (s.drift_deg, s.drift_low_deg, s.drift_high_deg, s.drift_p) {
        (Some(d), Some(l), Some(h), Some(p)) if p <= alpha => {
            format!("The repeats drift by {d:+.2} deg over the session (between {l:+.2} and {h:+.2})")
        }
        (Some(_), Some(l), Some(h), _) => {
            format!("No drift seen in {} repeats (between {l:+.2} and {h:+.2} deg over the session)", s.repeats.len())
        }
        _ => format!("Only {} repeats: too few to see a drift", s.repeats.len()),
    };
    if !s.jumps.is_empty() {
        text += &format!("; a jump at volley {}", s.jumps.join(", "));
    }
    if !s.outside.is_empty() {
        text += &format!("; outside the limits: volley {}", s.outside.join(", "));
    }
    text.push('.');
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flowrate_chart() {
        // Source: NIST/SEMATECH e-Handbook 6.3.2.2 (flowrate, from memory): centre 50.81, limits 45.8159
        // and 55.8041.
        let flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
        let chart = individuals_chart(&flow).unwrap();
        assert!((chart.centre - 50.81).abs() < 1e-9);
        assert!((chart.low - 45.8159).abs() < 1e-4 && (chart.high - 55.8041).abs() < 1e-4, "{chart:?}");
        assert!(chart.outside.is_empty() && chart.jumps.is_empty());
        assert_eq!(individuals_chart(&flow[..2]), None);
    }

    #[test]
    fn a_jump_is_named() {
        let mut flow = vec![0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 0.0, 0.1];
        flow.extend([2.0, 2.1, 2.0]);
        assert_eq!(individuals_chart(&flow).unwrap().jumps, vec![10]);
    }

    #[test]
    fn drift_with_cells_taken_out() {
        let rows: Vec<(usize, f64, f64)> =
            (0..8).map(|i| (i % 2, i as f64, 0.5 * i as f64 + if i % 2 == 0 { 10.0 } else { -3.0 })).collect();
        let d = drift(&rows).unwrap();
        assert!((d.per_volley - 0.5).abs() < 1e-12 && d.df == 5.0);
        assert!(drift(&rows[..2]).is_none());
    }
}
