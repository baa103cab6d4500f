//! Which speeds does a ladder written by a person mean?
//!
//! "30..70 mph by 10", "30 to 70 mph by 10", "30, 40, 50 mph", "13 m/s, 18 m/s": one unit for all, or one behind each.

use crate::error::{Error, Result};
use crate::quantity::{Dimension, Quantity};
use crate::report::Units;
pub use crate::report::units::SpeedUnit;
use crate::session::VolleyTable;
use crate::session::volleys::FASTEST_MPS;

/// Most speeds of a ladder.
const MOST_SPEEDS: usize = 100;

/// The ending of the columns' names in `volleys.csv`: `speed_mph`, `speed_kmh`, `speed_mps`.
pub const fn column_ending(unit: SpeedUnit) -> &'static str {
    match unit {
        SpeedUnit::Mph => "mph",
        SpeedUnit::Kmh => "kmh",
        SpeedUnit::Mps => "mps",
    }
}

/// The unit that a table's speeds are written in.
pub fn unit_of(table: &VolleyTable) -> SpeedUnit {
    match table.speed_unit {
        "km/h" => SpeedUnit::Kmh,
        "m/s" => SpeedUnit::Mps,
        _ => SpeedUnit::Mph,
    }
}

/// A speed in a unit, to a thousandth of it: "40", "17.5".
pub fn exact_text(unit: SpeedUnit, speed_mps: f64) -> String {
    let units = Units { speed: unit, ..Units::default() };
    let text = format!("{:.3}", units.speed(speed_mps));
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// A ladder as written.
#[derive(Clone, Debug, PartialEq)]
pub struct Speeds {
    /// Ascending, each once, m/s.
    pub speeds_mps: Vec<f64>,
    /// The unit it was written in (feet a second become m/s).
    pub unit: SpeedUnit,
}

/// "70 mph" as number and unit; either may be empty.
fn parted(text: &str) -> (&str, &str) {
    let text = text.trim();
    let end = text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '+' | '-'))).unwrap_or(text.len());
    let (number, unit) = text.split_at(end);
    (number.trim(), unit.trim())
}

fn speed(number: &str, unit: &str, whole: &str) -> Result<f64> {
    let v = Quantity::parse(&format!("{number} {unit}"), Dimension::Speed)
        .map_err(|e| e.context(format!("ladder \"{whole}\"")))?
        .value;
    if v > 0.0 && v <= FASTEST_MPS {
        return Ok(v);
    }
    Err(Error::usage(format!(
        "ladder \"{whole}\": {number} {unit} is outside 0 to {FASTEST_MPS} m/s: check number and unit"
    )))
}

/// Reads a ladder.
///
/// # Errors
/// No unit, a unit of something else, steps that do not lead from the first to the last, too many speeds.
///
/// ```
/// let ladder = pockmark::pipeline::speeds::parse_ladder("30..70 mph by 10")?;
/// assert_eq!(ladder.speeds_mps.len(), 5);
/// assert!((ladder.speeds_mps[4] - 70.0 * 0.44704).abs() < 1e-12);
/// # Ok::<(), pockmark::Error>(())
/// ```
pub fn parse_ladder(text: &str) -> Result<Speeds> {
    let bad = |why: String| {
        Error::usage(format!("ladder \"{text}\": {why}; write for example \"30..70 mph by 10\" or \"30, 40, 50 mph\""))
    };
    let plain = text.replace(" to ", "..").replace('…', "..");
    let (range, step) = match plain.split_once("by") {
        Some((range, step)) => (range, Some(step)),
        None => (plain.as_str(), None),
    };
    let items: Vec<(&str, &str)> = match range.split_once("..") {
        Some((a, b)) => vec![parted(a), parted(b)],
        None => range.split([',', ';']).map(parted).filter(|(n, u)| !(n.is_empty() && u.is_empty())).collect(),
    };
    let last_unit = items.iter().rev().map(|i| i.1).find(|u| !u.is_empty());
    let unit = last_unit.or_else(|| step.map(|s| parted(s).1).filter(|u| !u.is_empty()));
    let Some(unit) = unit else { return Err(bad("no unit".into())) };
    let value = |(number, own): &(&str, &str)| speed(number, if own.is_empty() { unit } else { own }, text);
    let mut speeds = items.iter().map(value).collect::<Result<Vec<f64>>>()?;
    if range.contains("..") {
        let (Some(&from), Some(&to)) = (speeds.first(), speeds.last()) else { return Err(bad("no speeds".into())) };
        let Some(step) = step else { return Err(bad("a range needs its step".into())) };
        let step_mps = value(&parted(step))?;
        let count = ((to - from) / step_mps).round();
        if !(from < to && count >= 1.0 && (from + count * step_mps - to).abs() < 1e-6 * to) {
            return Err(bad("the steps do not lead from the first speed to the last".into()));
        }
        if count as usize >= MOST_SPEEDS {
            return Err(bad(format!("more than {MOST_SPEEDS} speeds")));
        }
        speeds = (0..=count as usize).map(|i| from + i as f64 * step_mps).collect();
    } else if step.is_some() {
        return Err(bad("a step needs a range".into()));
    }
    if speeds.is_empty() || speeds.len() > MOST_SPEEDS {
        return Err(bad(format!("{} speeds, but 1 to {MOST_SPEEDS} fit", speeds.len())));
    }
    speeds.sort_by(f64::total_cmp);
    speeds.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
    let unit = match unit.to_lowercase().as_str() {
        "mph" | "mi/h" => SpeedUnit::Mph,
        "km/h" | "kmh" | "kph" => SpeedUnit::Kmh,
        _ => SpeedUnit::Mps,
    };
    Ok(Speeds { speeds_mps: speeds, unit })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ladders_as_people_write_them() {
        let of = |t: &str| {
            let l = parse_ladder(t).unwrap();
            (l.speeds_mps.iter().map(|v| exact_text(l.unit, *v)).collect::<Vec<_>>().join(" "), l.unit)
        };
        assert_eq!(of("30..70 mph by 10"), ("30 40 50 60 70".into(), SpeedUnit::Mph));
        assert_eq!(of("30 mph to 70 mph by 20 mph"), ("30 50 70".into(), SpeedUnit::Mph));
        assert_eq!(of("70, 30,45.5 mph"), ("30 45.5 70".into(), SpeedUnit::Mph));
        assert_eq!(of("50..110 km/h by 30"), ("50 80 110".into(), SpeedUnit::Kmh));
        assert_eq!(of("13 m/s"), ("13".into(), SpeedUnit::Mps));
        assert_eq!(of("10..30mph by 5").0, "10 15 20 25 30");
        for t in [
            "30..70 by 10",
            "30..70 mph",
            "30..70 mph by 15",
            "70..30 mph by 10",
            "",
            "mph",
            "30 kg",
            "-3 mph",
            "1..900 mph by 0.1",
            "30 mph by 10",
            "30..70 mph by 0",
            "..",
            "by",
            "1e9 mph",
        ] {
            assert!(parse_ladder(t).is_err(), "{t}");
        }
    }
}
