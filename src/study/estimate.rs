//! What does one measured angle carry with it?
//!
//! The one place that names the number-with-doubt type of the project, so that the
//! rest of the study imports it from here.

use serde::{Deserialize, Serialize};

/// A value with its doubt split in two: `u^2 = own_var + sum(shared^2)`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The value (radians in the study).
    pub value: f64,
    /// Variance of what differs from shot to shot (rad^2 in the study).
    pub own_var: f64,
    /// Sensitivities to whitened unit-variance factors that all shots have in common.
    pub shared: Vec<f64>,
}
