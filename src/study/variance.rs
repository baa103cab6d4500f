//! How much do volleys differ beyond what their shots explain?
//!
//! Two nested variances: shots about their volley (`within`) and volleys about their cell
//! (`between`), by analysis of variance and by restricted maximum likelihood for unbalanced
//! counts; and scatter estimates that borrow from one another (Smyth 2004, "Linear models and
//! empirical Bayes methods", Stat. Appl. Genet. Mol. Biol. 3, article 3).

use super::special::{f_upper, trigamma, trigamma_inverse};
use statrs::function::gamma::digamma;

/// One volley as seen by the variances.
#[derive(Clone, Copy, Debug)]
pub struct VolleySum {
    /// Mean of its shots.
    pub mean: f64,
    /// Effective number of shots (sum of relative weights).
    pub weight: f64,
    /// Weighted sum of squares about the mean.
    pub ss: f64,
    /// Degrees of freedom of `ss` (entries less one).
    pub df: f64,
}

/// Nested variances of volleys within cells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nested {
    /// Variance of one shot about its volley; `None` where no volley has two shots.
    pub within: Option<f64>,
    /// Degrees of freedom of `within`.
    pub within_df: f64,
    /// Mean square of volleys about their cell, in units of one shot; `None` where no cell has two volleys.
    pub between_square: Option<f64>,
    /// Degrees of freedom of `between_square`.
    pub between_df: f64,
    /// Shots per volley in the expectation `within + n0 * between` of `between_square`.
    pub n0: f64,
}

impl Nested {
    /// Variance of volleys about their cell, `(between_square - within) / n0`, not below 0.
    pub fn between(&self) -> Option<f64> {
        let square = self.between_square?;
        Some(((square - self.within.unwrap_or(0.0)) / self.n0).max(0.0))
    }

    /// F ratio and its degrees of freedom, where both scatters are seen.
    pub fn f_ratio(&self) -> Option<(f64, f64, f64)> {
        let within = self.within.filter(|w| *w > 0.0)?;
        Some((self.between_square? / within, self.between_df, self.within_df))
    }
}

/// Analysis of variance of volleys nested in cells, unbalanced counts allowed (Searle,
/// Casella and McCulloch 1992, section 3.6: `n0 = (N - sum n^2 / N) / (k - 1)`, summed over cells).
pub fn nested_anova(cells: &[Vec<VolleySum>]) -> Nested {
    let mut ss_within = 0.0;
    let mut within_df = 0.0;
    let mut ss_between = 0.0;
    let mut between_df = 0.0;
    let mut n0_sum = 0.0;
    for cell in cells {
        let total: f64 = cell.iter().map(|v| v.weight).sum();
        for v in cell {
            ss_within += v.ss;
            within_df += v.df;
        }
        if cell.len() < 2 || total <= 0.0 {
            continue;
        }
        let mean = cell.iter().map(|v| v.weight * v.mean).sum::<f64>() / total;
        ss_between += cell.iter().map(|v| v.weight * (v.mean - mean).powi(2)).sum::<f64>();
        between_df += cell.len() as f64 - 1.0;
        n0_sum += total - cell.iter().map(|v| v.weight * v.weight).sum::<f64>() / total;
    }
    Nested {
        within: (within_df > 0.0).then(|| ss_within / within_df),
        within_df,
        between_square: (between_df > 0.0).then(|| ss_between / between_df),
        between_df,
        n0: if between_df > 0.0 { n0_sum / between_df } else { 1.0 },
    }
}

/// Restricted-maximum-likelihood variances of volleys within cells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reml {
    /// Variance of one shot about its volley.
    pub within: f64,
    /// Variance of volleys about their cell.
    pub between: f64,
    /// The criterion at its least, `-2 log` restricted likelihood.
    pub criterion: f64,
}

/// REML of the model `shot = cell + volley + rest`, cells fixed.
///
/// With the ratio `r = between / within`, a volley of `n` shots has `det V = within^n (1 + n r)`
/// and enters the cell mean with weight `n / (1 + n r)`; `within` is profiled out, leaving one
/// dimension, searched on `log r` and at `r = 0`. `None` without repeated shots and repeated volleys.
pub fn nested_reml(cells: &[Vec<VolleySum>]) -> Option<Reml> {
    let anova = nested_anova(cells);
    if anova.within_df <= 0.0 || anova.between_df <= 0.0 {
        return None;
    }
    let ss_within = anova.within? * anova.within_df;
    let cells_used = cells.iter().filter(|c| !c.is_empty()).count() as f64;
    let shots: f64 = cells.iter().flatten().map(|v| v.df + 1.0).sum();
    let rest_df = shots - cells_used;
    let profile = |r: f64| {
        let mut ss = ss_within;
        let mut log_det = 0.0;
        for cell in cells.iter().filter(|c| !c.is_empty()) {
            let weight = |v: &VolleySum| v.weight / (1.0 + v.weight * r);
            let total: f64 = cell.iter().map(weight).sum();
            let mean = cell.iter().map(|v| weight(v) * v.mean).sum::<f64>() / total;
            ss += cell.iter().map(|v| weight(v) * (v.mean - mean).powi(2)).sum::<f64>();
            log_det += cell.iter().map(|v| (1.0 + v.weight * r).ln()).sum::<f64>() + total.ln();
        }
        let within = ss / rest_df;
        (rest_df * (1.0 + (2.0 * std::f64::consts::PI * within).ln()) + log_det, within)
    };
    // Golden section on log r; the criterion is smooth and in practice unimodal over 1e-6..1e6.
    let golden = 0.5 * (5f64.sqrt() - 1.0);
    let (mut low, mut high) = ((1e-6f64).ln(), (1e6f64).ln());
    for _ in 0..90 {
        let a = high - golden * (high - low);
        let b = low + golden * (high - low);
        if profile(a.exp()).0 < profile(b.exp()).0 { high = b } else { low = a }
    }
    let best = (0.5 * (low + high)).exp();
    let r = if profile(0.0).0 <= profile(best).0 { 0.0 } else { best };
    let (criterion, within) = profile(r);
    Some(Reml { within, between: r * within, criterion })
}

/// What the cells' scatters have in common.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScatterPrior {
    /// The typical variance.
    pub var: f64,
    /// How many degrees of freedom it is worth to each cell; infinite: cells do not differ; 0: each stands alone.
    pub df: f64,
}

/// Level of the two-sided F test by which two cells stand alone. Two scatters of few shots are pooled unless they
/// plainly disagree, since alone each has half the degrees of freedom; a slip of the test at 10 % costs only that
/// half.
const TWO_CELLS_ALONE: f64 = 0.10;

/// Fits the prior to the variances of several cells, `(variance, degrees of freedom)`.
///
/// With fewer than three cells there is nothing to learn how much they differ from. Two are given the pooled variance
/// at full weight, or each its own where an F test says that they differ (an exact zero says nothing: it is a
/// reading's last digit). With three or more, exact zeros are lifted to 1e-8 of the pooled variance, so that their
/// logarithm exists.
pub fn scatter_prior(cells: &[(f64, f64)]) -> Option<ScatterPrior> {
    let used: Vec<(f64, f64)> = cells.iter().copied().filter(|(v, df)| *df > 0.0 && v.is_finite()).collect();
    let df_sum: f64 = used.iter().map(|(_, df)| df).sum();
    if df_sum <= 0.0 {
        return None;
    }
    let pooled = used.iter().map(|(v, df)| v * df).sum::<f64>() / df_sum;
    if let [(a, df_a), (b, df_b)] = used.as_slice()
        && *a > 0.0
        && *b > 0.0
    {
        let above = f_upper(a / b, *df_a, *df_b);
        if 2.0 * above.min(1.0 - above) < TWO_CELLS_ALONE {
            return Some(ScatterPrior { var: pooled, df: 0.0 });
        }
    }
    if used.len() < 3 || pooled <= 0.0 {
        return Some(ScatterPrior { var: pooled, df: f64::INFINITY });
    }
    let logs: Vec<f64> =
        used.iter().map(|(v, df)| v.max(1e-8 * pooled).ln() - digamma(0.5 * df) + (0.5 * df).ln()).collect();
    let n = logs.len() as f64;
    let mean = logs.iter().sum::<f64>() / n;
    let seen = logs.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let by_chance = used.iter().map(|(_, df)| trigamma(0.5 * df)).sum::<f64>() / n;
    let extra = seen - by_chance;
    if extra <= 0.0 {
        return Some(ScatterPrior { var: pooled, df: f64::INFINITY });
    }
    let df = 2.0 * trigamma_inverse(extra);
    let var = (mean + digamma(0.5 * df) - (0.5 * df).ln()).exp();
    Some(ScatterPrior { var, df })
}

/// Trend of log SD.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LogTrend {
    /// Change of ln SD with x.
    pub slope: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// Weighted mean of the x.
    pub mean_x: f64,
}

/// Trend of ln SD on x over (x, variance, degrees of freedom); `None` with fewer than three.
///
/// `ln s^2 - digamma(df/2) + ln(df/2)` is unbiased for the log of the variance and has the known variance `trigamma(df/2)`,
/// so the fit is weighted least squares with known weights.
pub fn log_spread_trend(points: &[(f64, f64, f64)]) -> Option<LogTrend> {
    let rows: Vec<(f64, f64, f64)> = points
        .iter()
        .filter(|(_, var, df)| *var > 0.0 && *df > 0.0)
        .map(|(x, var, df)| {
            let half = 0.5 * df;
            (*x, 0.5 * (var.ln() - digamma(half) + half.ln()), 4.0 / trigamma(half))
        })
        .collect();
    let weight: f64 = rows.iter().map(|r| r.2).sum();
    let mean_x = rows.iter().map(|r| r.2 * r.0).sum::<f64>() / weight;
    let sxx = rows.iter().map(|r| r.2 * (r.0 - mean_x).powi(2)).sum::<f64>();
    if rows.len() < 3 || sxx.is_nan() || sxx <= 0.0 {
        return None;
    }
    let slope = rows.iter().map(|r| r.2 * (r.0 - mean_x) * r.1).sum::<f64>() / sxx;
    Some(LogTrend { slope, u: 1.0 / sxx.sqrt(), mean_x })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sums(groups: &[&[f64]]) -> Vec<VolleySum> {
        groups
            .iter()
            .map(|g| {
                let n = g.len() as f64;
                let mean = g.iter().sum::<f64>() / n;
                VolleySum { mean, weight: n, ss: g.iter().map(|x| (x - mean).powi(2)).sum(), df: n - 1.0 }
            })
            .collect()
    }

    // Source: Davies and Goldsmith 1972, as data set `Dyestuff` of R package lme4.
    const DYESTUFF: [[f64; 5]; 6] = [
        [1545.0, 1440.0, 1440.0, 1520.0, 1580.0],
        [1540.0, 1555.0, 1490.0, 1560.0, 1495.0],
        [1595.0, 1550.0, 1605.0, 1510.0, 1560.0],
        [1445.0, 1440.0, 1595.0, 1465.0, 1545.0],
        [1595.0, 1630.0, 1515.0, 1635.0, 1625.0],
        [1520.0, 1455.0, 1450.0, 1480.0, 1445.0],
    ];

    #[test]
    fn dyestuff() {
        // Source: R lme4: mean 1527.5, variances 1764.05 and 2451.25, REML criterion 319.654277.
        let groups: Vec<&[f64]> = DYESTUFF.iter().map(|g| g.as_slice()).collect();
        let cell = vec![sums(&groups)];
        let anova = nested_anova(&cell);
        assert!((anova.within.unwrap() - 2451.25).abs() < 1e-9);
        assert!((anova.between().unwrap() - 1764.05).abs() < 1e-9);
        assert_eq!((anova.within_df, anova.between_df, anova.n0), (24.0, 5.0, 5.0));
        let reml = nested_reml(&cell).unwrap();
        assert!((reml.within - 2451.25).abs() < 0.01, "{reml:?}");
        assert!((reml.between - 1764.05).abs() < 0.05, "{reml:?}");
        assert!((reml.criterion - 319.654277).abs() < 1e-6, "{reml:?}");
    }

    #[test]
    fn sirstv() {
        // Source: NIST StRD, one-way analysis of variance, SiRstv: F 1.18046237440255,
        // residual SD 0.104076068334656.
        let data: [[f64; 5]; 5] = [
            [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
            [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
            [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
            [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
            [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
        ];
        let groups: Vec<&[f64]> = data.iter().map(|g| g.as_slice()).collect();
        let anova = nested_anova(&[sums(&groups)]);
        let (f, df1, df2) = anova.f_ratio().unwrap();
        assert!((f - 1.18046237440255).abs() < 1e-8, "{f}");
        assert_eq!((df1, df2), (4.0, 20.0));
        assert!((anova.within.unwrap().sqrt() - 0.104076068334656).abs() < 1e-10);
    }

    #[test]
    fn alike_scatters_are_pooled_and_unlike_ones_kept() {
        let alike = scatter_prior(&[(1.0, 4.0), (1.1, 4.0), (0.9, 4.0), (1.0, 4.0)]).unwrap();
        assert_eq!(alike.df, f64::INFINITY);
        assert!((alike.var - 1.0).abs() < 1e-12);
        let unlike = scatter_prior(&[(0.01, 20.0), (1.0, 20.0), (100.0, 20.0), (0.1, 20.0)]).unwrap();
        assert!(unlike.df < 2.0, "{unlike:?}");
        assert_eq!(scatter_prior(&[(1.0, 0.0)]), None);
    }

    #[test]
    fn two_scatters_stand_alone_where_they_plainly_disagree() {
        // Source: F tables, upper 5 % of (7, 2): 19.35, of (2, 7): 4.74.
        let df_of = |a: f64, b: f64| scatter_prior(&[(a, 7.0), (b, 2.0)]).unwrap().df;
        assert_eq!([df_of(19.2, 1.0), df_of(19.5, 1.0)], [f64::INFINITY, 0.0]);
        assert_eq!([df_of(1.0, 4.7), df_of(1.0, 4.8)], [f64::INFINITY, 0.0]);
        assert_eq!(df_of(0.0, 1.0), f64::INFINITY, "no scatter to the last digit is no evidence");
    }
}
