//! How many digits does a number deserve?
//!
//! A value is shown to the place of the second digit of its half width U (GUM 7.2.6), never finer than the
//! caller's finest place; U itself is never shown smaller than it is by more than a twentieth. Negative
//! numbers carry the typographic minus, which screen readers speak.

/// Coverage factor of every ± that is not from Student's t: about 95 % (GUM 6.2).
pub const COVERAGE: f64 = 2.0;
/// Finest place of an angle in degrees.
pub const ANGLE_PLACES: usize = 2;
/// Finest place of a length in millimetres.
pub const LENGTH_PLACES: usize = 1;
/// U may be shown smaller than it is by this share, so that 0.351 is 0.35 and not 0.36.
const MAY_SHRINK: f64 = 0.05;
/// Stands where there is no number.
pub const NONE: &str = "–";

/// Decimals for a value whose half width is `half_width`: its second digit, 0 to `finest` places.
///
/// ```
/// use pockmark::report::number::places;
/// assert_eq!([places(0.351, 2), places(2.3, 2), places(14.0, 2), places(0.03, 2)], [2, 1, 0, 2]);
/// ```
pub fn places(half_width: f64, finest: usize) -> usize {
    let size = half_width.abs();
    if !size.is_finite() || size == 0.0 {
        return finest;
    }
    // 9.95 and more would round to three digits.
    (0..finest).find(|&d| size * 10f64.powi(d as i32) >= 9.95).unwrap_or(finest)
}

/// A number with a fixed number of decimals, a typographic minus and no minus zero; [`NONE`] when not finite.
pub fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return NONE.into();
    }
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| b == b'0' || b == b'.') => rest.to_string(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// As [`fixed`], with a plus in front of what is above zero.
pub fn signed(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    let above = value > 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b));
    if above { format!("+{text}") } else { text }
}

/// A half width to the given place: never 0, and never too small by more than a twentieth.
pub fn half_width(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return NONE.into();
    }
    let scale = 10f64.powi(decimals as i32);
    let steps = (value.abs() * scale).round().max((value.abs() * scale * (1.0 - MAY_SHRINK)).ceil());
    let steps = if value == 0.0 { 0.0 } else { steps.max(1.0) };
    fixed(steps / scale, decimals)
}

/// "12.41 ± 0.35" with the digits that the half width deserves; without one (or at 0, exact) the value alone.
///
/// ```
/// use pockmark::report::number::plus_minus;
/// assert_eq!(plus_minus(12.4137, Some(0.351), 2), "12.41 ± 0.35");
/// assert_eq!(plus_minus(-12.4137, Some(2.31), 2), "\u{2212}12.4 ± 2.3");
/// assert_eq!(plus_minus(12.4137, Some(0.0012), 2), "12.41 ± 0.01");
/// ```
pub fn plus_minus(value: f64, half: Option<f64>, finest: usize) -> String {
    match half.filter(|h| h.is_finite() && *h > 0.0) {
        Some(h) => {
            let d = places(h, finest);
            format!("{} ± {}", fixed(value, d), half_width(h, d))
        }
        None => fixed(value, finest),
    }
}

/// As [`plus_minus`] with a sign in front of the value: for differences.
pub fn signed_plus_minus(value: f64, half: f64, finest: usize) -> String {
    if !(half.is_finite() && half > 0.0) {
        return signed(value, finest);
    }
    let d = places(half, finest);
    format!("{} ± {}", signed(value, d), half_width(half, d))
}

/// A value with its standard uncertainty as ± at [`COVERAGE`]; [`NONE`] without a value.
pub fn with_u(value: Option<f64>, u: Option<f64>, finest: usize) -> String {
    value.map_or_else(|| NONE.into(), |v| plus_minus(v, u.map(|u| COVERAGE * u), finest))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_widths_are_not_shrunk_to_nothing() {
        assert_eq!(half_width(0.004, 2), "0.01");
        assert_eq!(half_width(0.0141, 2), "0.02");
        assert_eq!(half_width(0.351, 2), "0.35");
        assert_eq!(half_width(0.0, 2), "0.00");
        assert_eq!(half_width(f64::NAN, 2), NONE);
    }

    #[test]
    fn signs() {
        assert_eq!(fixed(-0.004, 2), "0.00");
        assert_eq!(signed(0.004, 2), "0.00");
        assert_eq!(signed(1.5, 1), "+1.5");
        assert_eq!(signed(-1.5, 1), "\u{2212}1.5");
        assert_eq!(fixed(f64::INFINITY, 1), NONE);
    }

    #[test]
    fn the_place_changes_where_rounding_adds_a_digit() {
        assert_eq!(plus_minus(10.0, Some(0.994), 2), "10.00 ± 0.99");
        assert_eq!(plus_minus(10.0, Some(0.996), 2), "10.0 ± 1.0");
        assert_eq!(plus_minus(10.0, Some(9.96), 2), "10 ± 10");
        assert_eq!(with_u(Some(3.0), Some(0.1), 2), "3.00 ± 0.20");
        assert_eq!(with_u(None, Some(0.1), 2), NONE);
    }
}
