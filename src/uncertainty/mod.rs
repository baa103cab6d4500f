//! How far off may a number be, and which part of that cancels in a comparison?
//!
//! Three answers, from the most used to the most careful:
//!
//! - [`Estimate`]: a value whose variance is kept in two parts, its **own** (differs
//!   from shot to shot) and what it **shares** with every other result of the session
//!   (a vector of sensitivities to independent unit-variance factors). Means and
//!   differences of estimates then come out right without a covariance matrix.
//! - [`propagate`]: the law of propagation of uncertainty, first order, many outputs,
//!   correlated inputs, with budget and effective degrees of freedom (JCGM 100:2008).
//! - [`monte_carlo`]: propagation of distributions with an adaptive number of trials,
//!   coverage intervals, and the test whether first order was good enough
//!   (JCGM 101:2008).
//!
//! ```
//! use pockmark::uncertainty::Estimate;
//! // Two heights, each 3 mm of its own and 4 mm from the one tape measure.
//! let a = Estimate { value: 1.250, own_var: 0.003_f64.powi(2), shared: vec![0.004] };
//! let b = Estimate { value: 1.200, own_var: 0.003_f64.powi(2), shared: vec![0.004] };
//! let d = a.minus(&b);
//! assert!((a.u() - 0.005).abs() < 1e-12);
//! assert!((d.u() - 0.003 * 2.0_f64.sqrt()).abs() < 1e-12); // the tape cancels
//! ```

mod estimate;
mod linear;
mod montecarlo;

pub use estimate::{BudgetShare, Estimate, SharedFactors};
pub use linear::{
    BudgetLine, NamedInput, Propagated, propagate, propagate_with, second_order_variance, welch_satterthwaite,
};
pub use montecarlo::{Agreement, Coverage, MonteCarlo, Sampled, compare_with_linear, monte_carlo, numerical_tolerance};

/// A value with its standard uncertainty, both in the same SI unit.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Input {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty, at least 0; 0 is taken as exact.
    pub u: f64,
}

impl Input {
    /// A value taken as exact.
    pub const fn exact(value: f64) -> Self {
        Self { value, u: 0.0 }
    }

    /// A value and its standard uncertainty.
    pub const fn new(value: f64, u: f64) -> Self {
        Self { value, u }
    }
}
