//! What does one measured angle carry with it?
//!
//! The one place that names the number-with-doubt type of the project, so that the
//! rest of the study imports it from here.

pub use crate::uncertainty::Estimate;
