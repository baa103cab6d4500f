//! Where did the balls strike, as measured by hand without photos (`impacts.csv`)?
//!
//! One row a ball: `volley`, `x_mm | x_cm | x_m | x_in | x_ft`, `y_*` likewise; heights alone will do (then
//! no sideways angle follows). Optional: `plus_minus_*`, how far off the reading may be at
//! 95 %, and `note`. A column `x`, `y` or `plus_minus` without a unit in its name holds texts with their own
//! unit: `5 ft 3 1/4 in`, or with its own doubt `1.532 m ± 3 mm`.

use std::path::Path;

use serde::Serialize;

use super::nearest::nearest;
use super::results::unsafe_text;
use super::table::{LARGEST_FILE_BYTES, Row, Table, plain_name, read_text};
use super::volleys::VolleyTable;
use crate::error::{Context, Error, Result};
use crate::quantity::{Dimension, Quantity, STATED_COVERAGE};

/// Farthest impact from the origin, m.
pub const FARTHEST_M: f64 = 100.0;

const UNITS: [&str; 5] = ["mm", "cm", "m", "in", "ft"];

/// Standard uncertainty of a reading that says nothing of its doubt, m: ± 5 mm at 95 %. The middle of a mark 30 to
/// 45 mm across is judged by eye to a tenth of that, and a tape held up a wall is read to a millimetre or two
/// (common practice, no source). Smaller would claim care that nobody claimed, larger would drown the speed's doubt.
pub const UNSTATED_READING_U_M: f64 = 0.0025;

/// One impact.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ImpactRow {
    /// Line in the file, from 1.
    pub line: u64,
    /// The volley's name.
    pub volley: String,
    /// To the right of the origin, m; `None` when only heights were measured.
    pub x_m: Option<f64>,
    /// Above the origin, m.
    pub y_m: f64,
    /// Standard uncertainty of the height, m (half of what was written), where stated.
    pub u_m: Option<f64>,
    /// The same of `x_m`.
    pub x_u_m: Option<f64>,
    /// Whatever the person noted.
    pub note: String,
}

/// A column of lengths and its unit; `None`: each cell says its own.
#[derive(Clone, Copy)]
struct LengthColumn {
    column: usize,
    unit: Option<&'static str>,
}

/// Reads `impacts.csv`.
///
/// # Errors
/// When the file cannot be read, and as for [`parse_impacts`].
pub fn read_impacts(path: &Path) -> Result<Vec<ImpactRow>> {
    let text = read_text(path, LARGEST_FILE_BYTES)?;
    parse_impacts(&text).place(|| path.display().to_string())
}

/// Reads the text of an `impacts.csv`.
///
/// # Errors
/// A sentence with the line: an unknown column, a missing volley or height, a number out of range.
pub fn parse_impacts(text: &str) -> Result<Vec<ImpactRow>> {
    let table = Table::parse(text)?;
    let names: Vec<String> = table.header.iter().map(|n| plain_name(n)).collect();
    let mut known = vec!["volley".to_string(), "note".to_string()];
    for stem in ["x", "y", "plus_minus"] {
        known.push(stem.to_string());
        known.extend(UNITS.map(|u| format!("{stem}_{u}")));
    }
    if let Some(unknown) = names.iter().find(|n| !n.is_empty() && !known.contains(n)) {
        let hint = nearest(unknown, known.iter().map(String::as_str)).map_or(
            "columns are volley, x_mm (or _cm, _m, _in, _ft), y_mm likewise, plus_minus_mm likewise, note".to_string(),
            |near| format!("did you mean {near}?"),
        );
        return Err(Error::input(format!("there is no column {unknown} here; {hint}")));
    }
    let volley = names.iter().position(|n| n == "volley");
    let volley = volley
        .ok_or_else(|| Error::input("there is no column volley; the header should read like volley,x_mm,y_mm"))?;
    let y = length_column(&names, "y")?;
    let y = y.ok_or_else(|| Error::input("there is no column of heights; name it y_mm, y_cm, y_m, y_in or y_ft"))?;
    let (x, doubt) = (length_column(&names, "x")?, length_column(&names, "plus_minus")?);
    let note = names.iter().position(|n| n == "note");
    let rows = table
        .rows
        .iter()
        .map(|row| {
            let fail = |text: &str| Error::input(format!("line {}: {text}", row.line));
            let volley = unsafe_text(row.cell(volley));
            if volley.is_empty() {
                return Err(fail("names no volley; write its name as in volleys.csv"));
            }
            let Some(y_m) = length(&table, row, Some(y))? else {
                return Err(fail("the height is blank; write it, or remove the row"));
            };
            let half_width_m = length(&table, row, doubt)?.map(|q| q.value);
            if half_width_m.is_some_and(|h| h < 0.0) {
                return Err(fail("plus_minus is negative; write it without a sign"));
            }
            let x = length(&table, row, x)?;
            let own = |q: Quantity| if q.stated { Some(q.u) } else { half_width_m.map(|h| h / STATED_COVERAGE) };
            if half_width_m.is_some() && (y_m.stated || x.is_some_and(|x| x.stated)) {
                return Err(fail("has both a ± behind a length and a plus_minus; keep one"));
            }
            Ok(ImpactRow {
                line: row.line,
                volley,
                x_m: x.map(|q| q.value),
                y_m: y_m.value,
                u_m: own(y_m),
                x_u_m: x.and_then(own),
                note: note.map_or("", |c| row.cell(c)).to_string(),
            })
        })
        .collect::<Result<Vec<_>>>()?;
    if rows.is_empty() {
        return Err(Error::input("there are no impacts below the header; write one row for every ball"));
    }
    Ok(rows)
}

/// Every impact must belong to a volley of the table that fired shots.
///
/// # Errors
/// Names the line, the volley and the nearest known name.
pub fn check_volleys(impacts: &[ImpactRow], table: &VolleyTable) -> Result<()> {
    for impact in impacts {
        let Some(row) = table.find(&impact.volley) else {
            let names = table.rows.iter().chain(&table.planned).map(|r| r.volley.as_str());
            let hint =
                nearest(&impact.volley, names).map_or("add it there".to_string(), |near| format!("is {near} meant?"));
            return Err(Error::input(format!(
                "impacts.csv line {}: volley {} is not in volleys.csv; {hint}",
                impact.line, impact.volley
            )));
        };
        if row.is_planned() {
            return Err(Error::input(format!("impacts.csv line {}: {}", impact.line, row.awaits_reading())));
        }
        if row.shots == 0 {
            return Err(Error::input(format!(
                "impacts.csv line {}: volley {} has shots = 0 in volleys.csv but an impact here; mend one of them",
                impact.line, impact.volley
            )));
        }
    }
    Ok(())
}

fn length_column(names: &[String], stem: &str) -> Result<Option<LengthColumn>> {
    let mut found: Option<LengthColumn> = None;
    let names_of = UNITS.map(|u| (format!("{stem}_{u}"), Some(u)));
    for (name, unit) in names_of.into_iter().chain([(stem.to_string(), None)]) {
        if let Some(column) = names.iter().position(|n| *n == name) {
            if let Some(before) = found {
                let words = |u: Option<&str>| u.map_or("as text".to_string(), |u| format!("in {u}"));
                return Err(Error::input(format!(
                    "{stem} stands in two columns, {} and {}; keep one",
                    words(before.unit),
                    words(unit)
                )));
            }
            found = Some(LengthColumn { column, unit });
        }
    }
    Ok(found)
}

fn length(table: &Table, row: &Row, column: Option<LengthColumn>) -> Result<Option<Quantity>> {
    let Some(LengthColumn { column, unit }) = column else { return Ok(None) };
    let found = match unit {
        None if row.cell(column).is_empty() => return Ok(None),
        None => Quantity::parse(row.cell(column), Dimension::Length),
        Some(unit) => {
            let Some(number) = table.number(row, column)? else { return Ok(None) };
            Quantity::parse(&format!("{number} {unit}"), Dimension::Length)
        }
    };
    let found = found.place(|| format!("line {}", row.line))?;
    if found.value.abs() > FARTHEST_M {
        return Err(Error::input(format!(
            "line {}: {} {} is further than {FARTHEST_M} m from the origin; check the number and its unit",
            row.line,
            row.cell(column).chars().take(40).collect::<String>(),
            unit.unwrap_or_default()
        )));
    }
    Ok(Some(found))
}
