//! How sure is a mean, a difference, an average over the ladder?
//!
//! Every such answer is a weighted sum of cell means. A [`Mean`] therefore keeps where its
//! own variance came from, part by part, so that a variance estimated once and used in
//! several cells is not counted as several independent estimates. The quantile is
//! Student's t at the Welch-Satterthwaite degrees of freedom (JCGM 100:2008, G.4), in
//! which the shared doubt counts as known.

use super::special::{t_quantile, t_two_sided, t_upper};

/// Index of the part taken as known (infinitely many degrees of freedom).
pub(crate) const KNOWN: usize = 0;
/// Index of the part from the scatter of whole volleys about their cell.
pub(crate) const BETWEEN: usize = 1;
/// Index of the part from the scatter of shots about their volley, all cells together.
pub(crate) const WITHIN_POOLED: usize = 2;
/// First index of the parts from the scatter of shots within one cell.
pub(crate) const WITHIN_CELL: usize = 3;

/// A value with own variance by part and shared sensitivities.
#[derive(Clone, Debug, Default)]
pub(crate) struct Mean {
    /// The value, rad.
    pub value: f64,
    /// Variance by part index, rad^2.
    pub own: Vec<f64>,
    /// Sensitivities to the shared unit-variance factors, rad.
    pub shared: Vec<f64>,
}

/// Adds `k * from` to `to`, growing `to` where it is shorter.
pub(crate) fn add_scaled(to: &mut Vec<f64>, k: f64, from: &[f64]) {
    if to.len() < from.len() {
        to.resize(from.len(), 0.0);
    }
    for (a, b) in to.iter_mut().zip(from) {
        *a += k * b;
    }
}

impl Mean {
    /// The weighted sum of independent means; shared sensitivities add with their signs.
    pub fn combine<'a>(terms: impl IntoIterator<Item = (f64, &'a Mean)>) -> Mean {
        let mut out = Mean::default();
        for (k, mean) in terms {
            out.value += k * mean.value;
            add_scaled(&mut out.own, k * k, &mean.own);
            add_scaled(&mut out.shared, k, &mean.shared);
        }
        out
    }

    /// Adds own variance to one part.
    pub fn add_own(&mut self, part: usize, var: f64) {
        if self.own.len() <= part {
            self.own.resize(part + 1, 0.0);
        }
        if let Some(v) = self.own.get_mut(part) {
            *v += var;
        }
    }

    /// Own variance, rad^2.
    pub fn own_var(&self) -> f64 {
        self.own.iter().sum::<f64>().max(0.0)
    }

    /// Shared variance, rad^2.
    pub fn shared_var(&self) -> f64 {
        self.shared.iter().map(|s| s * s).sum()
    }

    /// Own standard uncertainty, rad.
    pub fn u_own(&self) -> f64 {
        self.own_var().sqrt()
    }

    /// Standard uncertainty, own and shared, rad.
    pub fn u(&self) -> f64 {
        (self.own_var() + self.shared_var()).sqrt()
    }

    /// Welch-Satterthwaite degrees of freedom of [`Mean::u`]; infinite where all is known.
    pub fn df(&self, df_of_part: &[f64]) -> f64 {
        let total = self.own_var() + self.shared_var();
        let mut sum = 0.0;
        for (part, var) in self.own.iter().enumerate() {
            let df = df_of_part.get(part).copied().unwrap_or(f64::INFINITY);
            if df.is_finite() && df > 0.0 {
                sum += var * var / df;
            }
        }
        if sum > 0.0 { (total * total / sum).max(1.0) } else { f64::INFINITY }
    }

    /// Half-width of the interval that holds with probability `1 - alpha`, rad.
    pub fn half_width(&self, df_of_part: &[f64], alpha: f64) -> f64 {
        let u = self.u();
        if u == 0.0 { 0.0 } else { t_quantile(1.0 - 0.5 * alpha, self.df(df_of_part)) * u }
    }

    /// Two-sided p-value of "the true value is 0".
    pub fn p_zero(&self, df_of_part: &[f64]) -> f64 {
        let u = self.u();
        if u == 0.0 {
            return if self.value == 0.0 { 1.0 } else { 0.0 };
        }
        t_two_sided(self.value / u, self.df(df_of_part))
    }

    /// p-value of "the true value is at least `margin` away from 0": the larger of two
    /// one-sided tests (Schuirmann 1987). Small means that it is closer than `margin`.
    pub fn p_apart(&self, df_of_part: &[f64], margin: f64) -> f64 {
        let u = self.u();
        if u == 0.0 {
            return if self.value.abs() < margin { 0.0 } else { 1.0 };
        }
        t_upper((margin - self.value.abs()) / u, self.df(df_of_part))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn welch_from_parts() {
        // Source: R 4.2.2 t.test on Student's `sleep` data (Welch): t -1.860813467, df 17.77647352,
        // interval -3.36548323..0.20548323.
        let a = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
        let b = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
        let mean_of = |x: &[f64], part: usize| {
            let n = x.len() as f64;
            let value = x.iter().sum::<f64>() / n;
            let var = x.iter().map(|v| (v - value).powi(2)).sum::<f64>() / (n - 1.0) / n;
            let mut m = Mean { value, ..Mean::default() };
            m.add_own(part, var);
            m
        };
        let (ma, mb) = (mean_of(&a, 3), mean_of(&b, 4));
        let d = Mean::combine([(1.0, &ma), (-1.0, &mb)]);
        let dfs = [f64::INFINITY, f64::INFINITY, f64::INFINITY, 9.0, 9.0];
        assert!((d.value / d.u() + 1.860813467).abs() < 1e-8);
        assert!((d.df(&dfs) - 17.77647352).abs() < 1e-7);
        let half = d.half_width(&dfs, 0.05);
        assert!((d.value - half + 3.36548323).abs() < 1e-7);
        assert!((d.value + half - 0.20548323).abs() < 1e-7);
    }

    #[test]
    fn two_samples_pooled_and_welch() {
        // Source: NIST/SEMATECH e-Handbook 1.3.5.3 (car mileage: 249 and 79 cars, means 20.14458 and 30.48101, SD 6.41470
        // and 6.10771): pooled t -12.62059 with 326 degrees of freedom, Welch t -12.946 with 136.87.
        let (n1, n2, v1, v2) = (249.0, 79.0, 6.41470f64.powi(2), 6.10771f64.powi(2));
        let pooled = ((n1 - 1.0) * v1 + (n2 - 1.0) * v2) / (n1 + n2 - 2.0);
        let mean = |value: f64, part: usize, var: f64| {
            let mut m = Mean { value, ..Mean::default() };
            m.add_own(part, var);
            m
        };
        let dfs = [f64::INFINITY, f64::INFINITY, n1 + n2 - 2.0, n1 - 1.0, n2 - 1.0];
        let (a, b) = (mean(20.14458, 2, pooled / n1), mean(30.48101, 2, pooled / n2));
        let d = Mean::combine([(1.0, &a), (-1.0, &b)]);
        assert!((d.value / d.u() + 12.62059).abs() < 1e-4 && (d.df(&dfs) - 326.0).abs() < 1e-9);
        let (a, b) = (mean(20.14458, 3, v1 / n1), mean(30.48101, 4, v2 / n2));
        let d = Mean::combine([(1.0, &a), (-1.0, &b)]);
        assert!((d.value / d.u() + 12.946).abs() < 1e-3 && (d.df(&dfs) - 136.87).abs() < 0.01);
    }

    #[test]
    fn equivalence_of_pairs() {
        // Source: two one-sided tests on `sleep`, paired, margin 2 (computed with SciPy): p 0.15416
        // and 3.55e-6; 90 % interval -2.293005..-0.866995.
        let d: [f64; 10] = [-1.2, -2.4, -1.3, -1.3, 0.0, -1.0, -1.8, -0.8, -4.6, -1.4];
        let value = d.iter().sum::<f64>() / 10.0;
        let var = d.iter().map(|v| (v - value).powi(2)).sum::<f64>() / 90.0;
        let mut m = Mean { value, ..Mean::default() };
        m.add_own(WITHIN_POOLED, var);
        let dfs = [f64::INFINITY, f64::INFINITY, 9.0];
        assert!((m.p_apart(&dfs, 2.0) - 0.15416).abs() < 1e-5);
        let half = m.half_width(&dfs, 0.10);
        assert!((m.value - half + 2.293005).abs() < 1e-6);
        assert!((m.value + half + 0.866995).abs() < 1e-6);
    }

    #[test]
    fn shared_doubt_cancels_with_its_signs() {
        let a = Mean { value: 0.1, own: vec![1e-6], shared: vec![0.02, 0.01] };
        let b = Mean { value: 0.3, own: vec![3e-6], shared: vec![0.02, -0.01] };
        let d = Mean::combine([(1.0, &b), (-1.0, &a)]);
        assert!((d.value - 0.2).abs() < 1e-15);
        assert!((d.own_var() - 4e-6).abs() < 1e-18);
        assert!((d.shared_var() - 4e-4).abs() < 1e-15, "the first factor cancels, the second adds");
        assert_eq!(d.df(&[f64::INFINITY]), f64::INFINITY);
    }
}
