//! Where does a straight line reach a value, and how sure is that?
//!
//! Least squares for a line, and Fieller's interval for the x at which it reaches a given y
//! (Fieller 1954, "Some problems in interval estimation", J. R. Stat. Soc. B 16, 175).

use super::special::t_quantile;

/// A straight line fitted by ordinary least squares.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Value at x = 0.
    pub intercept: f64,
    /// Change of y with x.
    pub slope: f64,
    /// Mean of the x.
    pub mean_x: f64,
    /// Sum of squares of x about its mean.
    pub sxx: f64,
    /// Residual variance.
    pub residual_var: f64,
    /// Number of points.
    pub n: f64,
}

impl Line {
    /// Fits `y = intercept + slope x` to (x, y); `None` with fewer than three points or a single x.
    pub fn fit(points: &[(f64, f64)]) -> Option<Line> {
        let n = points.len() as f64;
        if points.len() < 3 {
            return None;
        }
        let mean_x = points.iter().map(|p| p.0).sum::<f64>() / n;
        let mean_y = points.iter().map(|p| p.1).sum::<f64>() / n;
        let sxx = points.iter().map(|p| (p.0 - mean_x).powi(2)).sum::<f64>();
        if sxx <= 0.0 || !sxx.is_finite() {
            return None;
        }
        let slope = points.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum::<f64>() / sxx;
        let intercept = mean_y - slope * mean_x;
        let rss = points.iter().map(|p| (p.1 - intercept - slope * p.0).powi(2)).sum::<f64>();
        Some(Line { intercept, slope, mean_x, sxx, residual_var: rss / (n - 2.0), n })
    }

    /// Standard uncertainty of the slope.
    pub fn u_slope(&self) -> f64 {
        (self.residual_var / self.sxx).sqrt()
    }

    /// Degrees of freedom of the residual variance.
    pub fn df(&self) -> f64 {
        self.n - 2.0
    }

    /// The x at which the line's mean is `y`, with its `1 - alpha` interval.
    ///
    /// All x with `|intercept + slope x - y| <= t u(x)`. With `g = t^2 u(slope)^2 / slope^2 >= 1` the slope may be 0 and
    /// the set is not an interval: `None`.
    pub fn reach(&self, y: f64, alpha: f64) -> Option<(f64, f64, f64)> {
        let t = t_quantile(1.0 - 0.5 * alpha, self.df());
        let g = (t * self.u_slope() / self.slope).powi(2);
        if g.is_nan() || g >= 1.0 {
            return None;
        }
        let x = (y - self.intercept) / self.slope;
        let away = x - self.mean_x;
        let middle = self.mean_x + away / (1.0 - g);
        let half = t * self.residual_var.sqrt() / self.slope.abs()
            * ((1.0 - g) / self.n + away * away / self.sxx).sqrt()
            / (1.0 - g);
        Some((x, middle - half, middle + half))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn norris() {
        // Source: NIST StRD, linear regression, Norris: B0 -0.262323073774029, B1 1.00211681802045.
        let points = [
            (0.2, 0.1),
            (337.4, 338.8),
            (118.2, 118.1),
            (884.6, 888.0),
            (10.1, 9.2),
            (226.5, 228.1),
            (666.3, 668.5),
            (996.3, 998.5),
            (448.6, 449.1),
            (777.0, 778.9),
            (558.2, 559.2),
            (0.4, 0.3),
            (0.6, 0.1),
            (775.5, 778.1),
            (666.9, 668.8),
            (338.0, 339.3),
            (447.5, 448.9),
            (11.6, 10.8),
            (556.0, 557.7),
            (228.1, 228.3),
            (995.8, 998.0),
            (887.6, 888.8),
            (120.2, 119.6),
            (0.3, 0.3),
            (0.3, 0.6),
            (556.8, 557.6),
            (339.1, 339.3),
            (887.2, 888.0),
            (999.0, 998.5),
            (779.0, 778.9),
            (11.1, 10.2),
            (118.3, 117.6),
            (229.2, 228.9),
            (669.1, 668.4),
            (448.9, 449.2),
            (0.5, 0.2),
        ];
        let line = Line::fit(&points).unwrap();
        assert!((line.intercept + 0.262323073774029).abs() < 1e-10);
        assert!((line.slope - 1.00211681802045).abs() < 1e-12);
        assert!((line.u_slope() - 0.429796848199937e-3).abs() < 1e-12);
    }

    #[test]
    fn crystal_growth() {
        // Source: data of Graybill and Iyer 1994 (crystal weight g after 2, 4 .. 28 weeks; from memory); 15.8882
        // (14.6590, 17.1596) weeks for a mean of 8 g: The R Journal 6/1, 2014.
        let weights = [0.08, 1.12, 4.43, 4.98, 4.92, 7.18, 5.57, 8.40, 8.81, 10.81, 11.16, 10.12, 13.12, 15.04];
        let points: Vec<(f64, f64)> = weights.iter().enumerate().map(|(i, w)| (2.0 * (i as f64 + 1.0), *w)).collect();
        let (x, low, high) = Line::fit(&points).unwrap().reach(8.0, 0.05).unwrap();
        assert!((x - 15.8882).abs() < 5e-5, "{x}");
        assert!((low - 14.6590).abs() < 5e-5, "{low}");
        assert!((high - 17.1596).abs() < 5e-5, "{high}");
        // Source: Graybill and Iyer 1994, p. 434: 9.93 (8.65, 11.05) weeks for 5 g at 90 %.
        let (x, low, high) = Line::fit(&points).unwrap().reach(5.0, 0.10).unwrap();
        assert!(
            (x - 9.93).abs() < 5e-3 && (low - 8.65).abs() < 5e-3 && (high - 11.05).abs() < 5e-3,
            "{x} {low} {high}"
        );
    }

    #[test]
    fn a_level_line_reaches_nothing() {
        let points = [(1.0, 1.0), (2.0, -1.0), (3.0, 1.0), (4.0, -1.0)];
        assert_eq!(Line::fit(&points).unwrap().reach(0.0, 0.05), None);
        assert_eq!(Line::fit(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]), None);
    }
}
