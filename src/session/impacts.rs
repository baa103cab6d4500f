//! Where did the balls strike, as measured by hand without photos (`impacts.csv`)?
//!
//! One row a ball: `volley`, `x_mm | x_cm | x_in`, `y_mm | y_cm | y_in`; heights alone will do (then
//! no sideways angle follows). Optional: `plus_minus_mm | _cm | _in`, how far off the reading may be at
//! 95 %, and `note`.

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

const UNITS: [&str; 3] = ["mm", "cm", "in"];

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
    /// Standard uncertainty of the reading, m (half of what was written), where stated.
    pub u_m: Option<f64>,
    /// Whatever the person noted.
    pub note: String,
}

/// A column of lengths and its unit.
#[derive(Clone, Copy)]
struct LengthColumn {
    column: usize,
    unit: &'static str,
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
    known.extend(["x", "y", "plus_minus"].iter().flat_map(|stem| UNITS.map(|u| format!("{stem}_{u}"))));
    if let Some(unknown) = names.iter().find(|n| !n.is_empty() && !known.contains(n)) {
        let hint = nearest(unknown, known.iter().map(String::as_str)).map_or(
            "columns are volley, x_mm or x_cm or x_in, y_ likewise, plus_minus_ likewise, note".to_string(),
            |near| format!("did you mean {near}?"),
        );
        return Err(Error::input(format!("there is no column {unknown} here; {hint}")));
    }
    let volley = names.iter().position(|n| n == "volley");
    let volley = volley
        .ok_or_else(|| Error::input("there is no column volley; the header should read like volley,x_mm,y_mm"))?;
    let y = length_column(&names, "y")?;
    let y = y.ok_or_else(|| Error::input("there is no column of heights; name it y_mm, y_cm or y_in"))?;
    let (x, doubt) = (length_column(&names, "x")?, length_column(&names, "plus_minus")?);
    let note = names.iter().position(|n| n == "note");
    let rows = table
        .rows
        .iter()
        .map(|row| {
            let fail = |text: &str| Error::input(format!("line {}: {text}", row.line));
            let volley = unsafe_text(row.cell(volley)).to_string();
            if volley.is_empty() {
                return Err(fail("names no volley; write its name as in volleys.csv"));
            }
            let Some(y_m) = length(&table, row, Some(y))? else {
                return Err(fail("the height is blank; write it, or remove the row"));
            };
            let half_width_m = length(&table, row, doubt)?;
            if half_width_m.is_some_and(|h| h < 0.0) {
                return Err(fail("plus_minus is negative; write it without a sign"));
            }
            Ok(ImpactRow {
                line: row.line,
                volley,
                x_m: length(&table, row, x)?,
                y_m,
                u_m: half_width_m.map(|h| h / STATED_COVERAGE),
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
        let Some(row) = table.rows.iter().find(|r| r.volley == impact.volley) else {
            let hint = nearest(&impact.volley, table.rows.iter().map(|r| r.volley.as_str()))
                .map_or("add it there".to_string(), |near| format!("is {near} meant?"));
            return Err(Error::input(format!(
                "impacts.csv line {}: volley {} is not in volleys.csv; {hint}",
                impact.line, impact.volley
            )));
        };
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
    for unit in UNITS {
        let name = format!("{stem}_{unit}");
        if let Some(column) = names.iter().position(|n| *n == name) {
            if let Some(before) = found {
                return Err(Error::input(format!(
                    "{stem} stands in two columns, in {} and in {unit}; keep one",
                    before.unit
                )));
            }
            found = Some(LengthColumn { column, unit });
        }
    }
    Ok(found)
}

fn length(table: &Table, row: &Row, column: Option<LengthColumn>) -> Result<Option<f64>> {
    let Some(LengthColumn { column, unit }) = column else { return Ok(None) };
    let Some(number) = table.number(row, column)? else { return Ok(None) };
    let found =
        Quantity::parse(&format!("{number} {unit}"), Dimension::Length).place(|| format!("line {}", row.line))?;
    if found.value.abs() > FARTHEST_M {
        return Err(Error::input(format!(
            "line {}: {number} {unit} is further than {FARTHEST_M} m from the origin; check the number and the column's unit",
            row.line
        )));
    }
    Ok(Some(found.value))
}
