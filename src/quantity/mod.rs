//! What number did the person write, in which unit, and how far off may it be?
//!
//! A quantity is text with a unit and, after ± (or +/-), how far off it may be at 95 %
//! (coverage factor k = 2): `"6.000 m ± 5 mm"`, `"20 ft 3 in ± 1/4 in"`, `"-10.0 deg ± 0.1 deg"`,
//! `"147 g +/- 1 g"`, `"60 mph"`, `"18 degC ± 1 degC"`, `"22 m/s ± 1 %"`.
//! Inside the program it is a [`Quantity`]: an SI value and a *standard* uncertainty `u`, half
//! of what was stated. Without ± the value is taken as exact and `stated` is false.
//!
//! ```
//! use pockmark::quantity::{Dimension, Quantity};
//! let arm = Quantity::parse("4 ft ± 1/8 in", Dimension::Length)?;
//! assert!((arm.value - 1.2192).abs() < 1e-12);
//! assert!((arm.u - 0.0254 / 16.0).abs() < 1e-12);
//! # Ok::<(), pockmark::Error>(())
//! ```

mod parse;
mod units;

pub use parse::parse_number;
pub use units::{Dimension, LARGEST_SI};

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};

/// Coverage factor of a stated ±: it holds in about 95 % of cases, so u is half of it.
pub const STATED_COVERAGE: f64 = 2.0;

/// A number in SI units with its standard uncertainty.
///
/// Which SI unit follows from the [`Dimension`] it was read as: m, rad, kg, m/s, K, Pa, 1, rad/s, s.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Quantity {
    /// The value, SI.
    pub value: f64,
    /// Standard uncertainty (k = 1), SI, never negative.
    pub u: f64,
    /// Whether a ± stood behind it; without one the value was taken as exact.
    pub stated: bool,
}

impl Quantity {
    /// A value taken as exact, SI.
    pub const fn exact(value: f64) -> Self {
        Self { value, u: 0.0, stated: false }
    }

    /// A value with a standard uncertainty (k = 1), both SI; the sign of `u` is dropped.
    pub const fn with_u(value: f64, u: f64) -> Self {
        Self { value, u: u.abs(), stated: true }
    }

    /// Reads a quantity of the given dimension from text.
    ///
    /// # Errors
    /// A sentence when the text has no number, no unit, a unit of something else, a decimal comma
    /// that could be a thousands separator, more than one ±, or a value that is not finite, larger
    /// than [`LARGEST_SI`] or below absolute zero.
    pub fn parse(text: &str, dimension: Dimension) -> Result<Self> {
        parse::parse(text, dimension)
    }

    /// Whether it was taken as exact: no ±, or a ± of zero.
    pub fn is_exact(&self) -> bool {
        self.u == 0.0
    }

    /// What was (or would be) written behind ±: 2 u, SI.
    pub fn stated_half_width(&self) -> f64 {
        STATED_COVERAGE * self.u
    }

    /// u over the value's size; `None` when the value is zero.
    pub fn relative_u(&self) -> Option<f64> {
        (self.value != 0.0).then(|| self.u / self.value.abs())
    }

    /// Text that [`Quantity::parse`] reads back, in the dimension's SI unit with every digit.
    pub fn to_si_text(&self, dimension: Dimension) -> String {
        let unit = dimension.si_word();
        let gap = if unit.is_empty() { "" } else { " " };
        let mut text = format!("{}{gap}{unit}", every_digit(self.value));
        if self.stated {
            text.push_str(&format!(" ± {}{gap}{unit}", every_digit(self.stated_half_width())));
        }
        text
    }

    /// Text in a unit of the caller's choice with `decimals` digits behind the point.
    ///
    /// # Errors
    /// When `unit` is no unit of `dimension`.
    pub fn to_text(&self, dimension: Dimension, unit: &str, decimals: usize) -> Result<String> {
        let found = units::find(unit, dimension).ok_or_else(|| {
            Error::input(format!("\"{unit}\" is no unit of {}; write {}", dimension.noun(), dimension.fitting_units()))
        })?;
        let (value, half_width) = (found.value_in_unit(self.value), found.interval_in_unit(self.stated_half_width()));
        let mut text = format!("{value:.decimals$} {unit}");
        if self.stated {
            text.push_str(&format!(" ± {half_width:.decimals$} {unit}"));
        }
        Ok(text)
    }
}

/// The shortest digits that read back to the same bits; tiny numbers with an exponent.
fn every_digit(value: f64) -> String {
    if value != 0.0 && value.abs() < 1e-6 { format!("{value:e}") } else { value.to_string() }
}
