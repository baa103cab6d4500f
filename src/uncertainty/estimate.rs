//! Which part of a doubt is a result's own, and which does it share with the rest?
//!
//! The shared part is written over *whitened* factors: independent, zero mean, unit
//! variance. With value `y`, own variance `v` and sensitivities `s`,
//! `u(y)^2 = v + sum_k s_k^2` and `cov(y_a, y_b) = sum_k s_ak s_bk` for two different
//! results. A weighted sum has own variance `sum w_i^2 v_i` and sensitivities
//! `sum w_i s_ik`: own parts average down, shared parts do not (JCGM 100:2008, 5.2.2
//! and F.1.2.3, with the common influences written out).

use serde::{Deserialize, Serialize};

/// The names of the shared factors, in the order of [`Estimate::shared`].
///
/// Many factors may carry one name ("calibration"): a budget adds them up by name.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SharedFactors {
    /// Group name of each factor.
    pub names: Vec<String>,
}

impl SharedFactors {
    /// How many factors there are.
    pub fn len(&self) -> usize {
        self.names.len()
    }

    /// Whether nothing is shared.
    pub fn is_empty(&self) -> bool {
        self.names.is_empty()
    }

    /// The distinct names, each once, in order of first appearance.
    pub fn groups(&self) -> Vec<&str> {
        let mut groups: Vec<&str> = Vec::new();
        for name in &self.names {
            if !groups.contains(&name.as_str()) {
                groups.push(name);
            }
        }
        groups
    }
}

/// A value whose own and shared doubts are kept apart; all in one unit.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Best estimate.
    pub value: f64,
    /// Variance of what belongs to this result alone, unit squared, at least 0.
    pub own_var: f64,
    /// Change of the value with each shared unit-variance factor. A shorter vector
    /// means zeros from there on.
    pub shared: Vec<f64>,
}

/// One line of a budget by name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BudgetShare {
    /// Group name of the shared factors, or "own".
    pub name: String,
    /// Standard uncertainty from this group alone, in the unit of the estimate.
    pub u: f64,
    /// Its share of the variance, 0 to 1; 0 where the whole variance is 0.
    pub share: f64,
}

impl Estimate {
    /// A value without any doubt.
    pub fn exact(value: f64) -> Self {
        Self { value, own_var: 0.0, shared: Vec::new() }
    }

    /// A value whose whole standard uncertainty `u` is its own.
    pub fn own(value: f64, u: f64) -> Self {
        Self { value, own_var: u * u, shared: Vec::new() }
    }

    /// Standard uncertainty of the result's own part.
    pub fn u_own(&self) -> f64 {
        self.own_var.max(0.0).sqrt()
    }

    /// Standard uncertainty of the shared part.
    pub fn u_shared(&self) -> f64 {
        self.shared_var().sqrt()
    }

    /// Standard uncertainty, own and shared together.
    pub fn u(&self) -> f64 {
        (self.own_var.max(0.0) + self.shared_var()).sqrt()
    }

    fn shared_var(&self) -> f64 {
        self.shared.iter().map(|s| s * s).sum()
    }

    /// Covariance with another result: only the shared factors contribute. (The
    /// covariance of a result with itself is `u^2`, which this does not give.)
    pub fn covariance(&self, other: &Self) -> f64 {
        self.shared.iter().zip(&other.shared).map(|(a, b)| a * b).sum()
    }

    /// `sum w_i y_i` of different results: own variances add as `w^2 v`, shared
    /// sensitivities add coherently. The same result must not stand twice.
    pub fn combination<'a>(terms: impl IntoIterator<Item = (f64, &'a Self)>) -> Self {
        let mut sum = Self::default();
        for (weight, term) in terms {
            sum.value += weight * term.value;
            sum.own_var += weight * weight * term.own_var;
            if sum.shared.len() < term.shared.len() {
                sum.shared.resize(term.shared.len(), 0.0);
            }
            for (total, s) in sum.shared.iter_mut().zip(&term.shared) {
                *total += weight * s;
            }
        }
        sum
    }

    /// `self - other`, where whatever both share alike cancels.
    pub fn minus(&self, other: &Self) -> Self {
        Self::combination([(1.0, self), (-1.0, other)])
    }

    /// `factor * self + offset`, both exact.
    pub fn scaled(&self, factor: f64, offset: f64) -> Self {
        let mut scaled = Self::combination([(factor, self)]);
        scaled.value += offset;
        scaled
    }

    /// The plain mean; `None` of nothing.
    pub fn mean(estimates: &[Self]) -> Option<Self> {
        if estimates.is_empty() {
            return None;
        }
        let weight = 1.0 / estimates.len() as f64;
        Some(Self::combination(estimates.iter().map(|e| (weight, e))))
    }

    /// Where the variance comes from: "own" and each group of `factors`, largest
    /// first. Sensitivities beyond the named factors are listed as "unnamed".
    pub fn budget(&self, factors: &SharedFactors) -> Vec<BudgetShare> {
        let mut groups: Vec<(&str, f64)> = vec![("own", self.own_var.max(0.0))];
        groups.extend(factors.groups().into_iter().map(|name| (name, 0.0)));
        for (index, s) in self.shared.iter().enumerate() {
            let name = factors.names.get(index).map_or("unnamed", String::as_str);
            // Group 0 is the result's own part, whatever a factor may be called.
            match groups.iter_mut().skip(1).find(|(group, _)| *group == name) {
                Some((_, variance)) => *variance += s * s,
                None => groups.push((name, s * s)),
            }
        }
        let total: f64 = groups.iter().map(|(_, variance)| variance).sum();
        let mut lines: Vec<BudgetShare> = groups
            .into_iter()
            .map(|(name, variance)| BudgetShare {
                name: name.to_owned(),
                u: variance.sqrt(),
                share: if total > 0.0 { variance / total } else { 0.0 },
            })
            .collect();
        lines.sort_by(|a, b| b.u.total_cmp(&a.u));
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(value: f64, own: f64, shared: &[f64]) -> Estimate {
        Estimate { value, own_var: own * own, shared: shared.to_vec() }
    }

    #[test]
    fn own_parts_average_down_and_shared_parts_do_not() {
        let shots: Vec<Estimate> = (0..25).map(|i| sample(f64::from(i), 5.0, &[3.0, 4.0])).collect();
        let mean = Estimate::mean(&shots).expect("25 shots have a mean");
        assert!((mean.value - 12.0).abs() < 1e-12);
        assert!((mean.u_own() - 1.0).abs() < 1e-12);
        assert!((mean.u_shared() - 5.0).abs() < 1e-12);
        assert!((mean.u() - 26.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!(Estimate::mean(&[]), None);
    }

    #[test]
    fn a_difference_keeps_only_what_is_not_shared_alike() {
        let d = sample(5.0, 3.0, &[2.0, 1.0]).minus(&sample(1.0, 4.0, &[2.0]));
        assert_eq!(d, sample(4.0, 5.0, &[0.0, 1.0]));
        let a = sample(5.0, 3.0, &[2.0, 1.0]);
        let b = sample(1.0, 4.0, &[0.5, -1.0]);
        let by_covariance = a.u().powi(2) + b.u().powi(2) - 2.0 * a.covariance(&b);
        assert!((a.minus(&b).u().powi(2) - by_covariance).abs() < 1e-12);
    }

    #[test]
    fn a_budget_adds_up_and_names_the_largest_first() {
        let factors = SharedFactors { names: vec!["calibration".into(), "arm".into(), "calibration".into()] };
        let e = sample(0.0, 1.0, &[3.0, 2.0, 4.0, 0.5]);
        let budget = e.budget(&factors);
        let names: Vec<&str> = budget.iter().map(|line| line.name.as_str()).collect();
        assert_eq!(names, ["calibration", "arm", "own", "unnamed"]);
        assert!((budget.iter().map(|line| line.u.powi(2)).sum::<f64>() - e.u().powi(2)).abs() < 1e-12);
        assert!((budget.iter().map(|line| line.share).sum::<f64>() - 1.0).abs() < 1e-12);
        assert!(Estimate::exact(1.0).budget(&factors).iter().all(|line| line.share == 0.0));
    }
}
