//! Which volleys were fired, in which order, how fast, with which setup (`volleys.csv`)?
//!
//! One row a volley in shooting order. Known columns: `volley`, `photo`, `shots`, `speed_mph |
//! speed_kmh | speed_mps`, `speed_spread_*` (SD of the shots), `setpoint_*`, `known_release_deg` and
//! `known_release_plus_minus_deg` (zero shots), `note`; every other
//! column is a factor. A row with shots = 0 is a photo of the wall before more shots. A row with a setpoint but neither speed
//! nor photo is planned and not shot: it waits in [`VolleyTable::planned`].

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde::Serialize;

use super::nearest::nearest;
use super::results::{SHOT_COLUMNS, VOLLEY_COLUMNS};
use super::table::{LARGEST_FILE_BYTES, Row, Table, plain_file_name, plain_name, read_text};
use crate::error::{Context, Error, Result, listed};
use crate::quantity::{Dimension, Quantity};

/// Fastest ball taken, m/s; beyond the speed of sound something else is wrong.
pub const FASTEST_MPS: f64 = 340.0;
/// Most shots between two photos.
pub const MOST_SHOTS: u32 = 1000;
/// Largest known release angle of a zero shot, deg.
pub const MOST_KNOWN_DEG: f64 = 90.0;

/// The whole table.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct VolleyTable {
    /// The factor columns' names, in the order written.
    pub factor_names: Vec<String>,
    /// The rows, in shooting order.
    pub rows: Vec<VolleyRow>,
    /// Rows that are planned but not shot: a setpoint and shots, but neither a speed reading nor a photo yet.
    pub planned: Vec<VolleyRow>,
    /// Unit that the speeds are written in: "mph", "km/h" or "m/s".
    pub speed_unit: &'static str,
}

/// One row: a volley, or (shots = 0) a photo of the wall before more shots.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct VolleyRow {
    /// Line in the file, from 1.
    pub line: u64,
    /// The volley's name; no two rows share one.
    pub volley: String,
    /// The photo's plain file name in `photos/`; `None`: taken in shooting order.
    pub photo: Option<String>,
    /// Balls fired since the photo before.
    pub shots: u32,
    /// Mean speed of the shots, m/s; always there when shots > 0, but for planned rows.
    pub speed_mps: Option<f64>,
    /// Standard deviation of the shots' speeds, m/s.
    pub speed_spread_mps: Option<f64>,
    /// Speed aimed at, m/s.
    pub setpoint_mps: Option<f64>,
    /// Where it is a zero shot: the release angle that is known beforehand (a rigid cup), rad.
    pub known_release: Option<Quantity>,
    /// Whatever the person noted.
    pub note: String,
    /// Factor and value; [`VolleyTable::factor_names`] holds the order.
    pub factors: BTreeMap<String, String>,
}

impl VolleyRow {
    /// Whether it is planned but not shot.
    pub fn is_planned(&self) -> bool {
        self.shots > 0 && self.speed_mps.is_none()
    }

    /// What to do about a planned row that something else speaks of as shot.
    pub fn awaits_reading(&self) -> String {
        format!(
            "volley {} has no speed reading yet in volleys.csv (line {}), so that it counts as planned and not shot: fill in its speed",
            self.volley, self.line
        )
    }
}

/// A text as people see it: spaces of any kind are one space, and what has no width is not there. Two values that look alike are then one.
fn as_seen(text: &str) -> String {
    let no_width = |c: &char| matches!(c, '\u{ad}' | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}');
    let seen: String = text.chars().filter(|c| !no_width(c)).collect();
    seen.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// From so many volleys on, a factor that is another one in each of them is more likely a note: fewer may be a first comparison of so many setups.
const FEWEST_ALL_DIFFERENT: usize = 4;

/// The columns that are not factors, for slips of the pen.
const KNOWN: &[&str] = &[
    "volley",
    "photo",
    "shots",
    "note",
    "speed_mph",
    "speed_kmh",
    "speed_mps",
    "speed_spread_mph",
    "speed_spread_kmh",
    "speed_spread_mps",
    "setpoint_mph",
    "setpoint_kmh",
    "setpoint_mps",
    KNOWN_RELEASE,
    KNOWN_RELEASE_DOUBT,
];
/// The release angle of a zero shot, deg.
const KNOWN_RELEASE: &str = "known_release_deg";
/// How far off it may be at 95 %, deg.
const KNOWN_RELEASE_DOUBT: &str = "known_release_plus_minus_deg";

/// A column of speeds and its unit.
#[derive(Clone, Copy)]
struct SpeedColumn {
    column: usize,
    unit: &'static str,
}

struct Columns {
    volley: usize,
    photo: Option<usize>,
    shots: usize,
    note: Option<usize>,
    speed: Option<SpeedColumn>,
    spread: Option<SpeedColumn>,
    setpoint: Option<SpeedColumn>,
    known: Option<usize>,
    known_doubt: Option<usize>,
    factors: Vec<(usize, String)>,
}

impl VolleyTable {
    /// Whether any row is a zero shot.
    pub fn has_zero_shots(&self) -> bool {
        self.rows.iter().any(|r| r.known_release.is_some())
    }

    /// What about the factors may not be meant so, a sentence each.
    pub fn factor_notes(&self) -> Vec<String> {
        let shot = || self.rows.iter().chain(&self.planned).filter(|r| r.shots > 0 && r.known_release.is_none());
        let rows = shot().count();
        let mut notes = Vec::new();
        for factor in &self.factor_names {
            let values: Vec<&str> =
                shot().filter_map(|r| r.factors.get(factor)).map(String::as_str).filter(|v| !v.is_empty()).collect();
            let mut alike: BTreeMap<String, BTreeSet<&str>> = BTreeMap::new();
            for value in &values {
                alike.entry(value.to_lowercase()).or_default().insert(value);
            }
            for ways in alike.values().filter(|ways| ways.len() > 1) {
                let ways: Vec<String> = ways.iter().map(|w| format!("\"{w}\"")).collect();
                notes.push(format!(
                    "{factor} is written {} in volleys.csv, which are taken as different setups: write them alike if they are one",
                    listed(&ways)
                ));
            }
            if rows >= FEWEST_ALL_DIFFERENT && values.len() == rows && alike.len() == rows {
                notes.push(format!(
                    "{factor} is another one in each of the {rows} volleys of volleys.csv, so that every volley is a setup of its own: if it is meant as a note, write it into the column note"
                ));
            }
        }
        notes
    }

    /// The row of that name, shot or planned ([`VolleyRow::is_planned`]).
    pub fn find(&self, volley: &str) -> Option<&VolleyRow> {
        self.rows.iter().chain(&self.planned).find(|r| r.volley == volley)
    }

    /// Reads `volleys.csv`.
    ///
    /// # Errors
    /// When the file cannot be read, and as for [`VolleyTable::parse`].
    pub fn read(path: &Path) -> Result<Self> {
        let text = read_text(path, LARGEST_FILE_BYTES)?;
        Self::parse(&text).place(|| path.display().to_string())
    }

    /// Reads the text of a `volleys.csv`.
    ///
    /// # Errors
    /// A sentence with the line: a missing or misspelt column, a volley named twice or not at all,
    /// no shots, shots without a speed, a photo that is not a plain file name, a number out of range.
    pub fn parse(text: &str) -> Result<Self> {
        let table = Table::parse(text)?;
        let columns = Columns::of(&table)?;
        let (mut rows, mut planned): (Vec<VolleyRow>, Vec<VolleyRow>) = (Vec::new(), Vec::new());
        let mut lines_of: BTreeMap<String, u64> = BTreeMap::new();
        for row in &table.rows {
            let found = columns.read(&table, row)?;
            if let Some(before) = lines_of.insert(found.volley.to_lowercase(), row.line) {
                return Err(Error::input(format!(
                    "lines {before} and {} both name volley {}; give every row a name of its own",
                    row.line, found.volley
                )));
            }
            if found.is_planned() { planned.push(found) } else { rows.push(found) }
        }
        if rows.is_empty() && planned.is_empty() {
            return Err(Error::input("there are no volleys below the header; write one row for every photo"));
        }
        let speed_unit = columns.setpoint.or(columns.speed).map_or("mph", |c| c.unit);
        Ok(Self {
            factor_names: columns.factors.into_iter().map(|(_, name)| name).collect(),
            rows,
            planned,
            speed_unit,
        })
    }
}

impl Columns {
    fn of(table: &Table) -> Result<Self> {
        let names: Vec<String> = table.header.iter().map(|n| plain_name(n)).collect();
        let at = |name: &str| names.iter().position(|n| n == name);
        let need = |name: &str, example: &str| {
            at(name).ok_or_else(|| {
                let slip = nearest(name, table.header.iter().map(String::as_str))
                    .map_or(String::new(), |near| format!(" (is {near} meant?)"));
                Error::input(format!(
                    "there is no column {name}{slip}; the header should read like volley,photo,shots,speed_mph,{example}"
                ))
            })
        };
        let (volley, shots) = (need("volley", "pocket")?, need("shots", "pocket")?);
        let mut columns = Self {
            volley,
            photo: at("photo"),
            shots,
            note: at("note"),
            speed: speed_column(&names, "speed")?,
            spread: speed_column(&names, "speed_spread")?,
            setpoint: speed_column(&names, "setpoint")?,
            known: at(KNOWN_RELEASE),
            known_doubt: at(KNOWN_RELEASE_DOUBT),
            factors: Vec::new(),
        };
        for (i, (name, written)) in names.iter().zip(&table.header).enumerate() {
            if name.is_empty() || KNOWN.contains(&name.as_str()) {
                continue;
            }
            check_factor_name(name, written)?;
            columns.factors.push((i, written.clone()));
        }
        Ok(columns)
    }

    fn read(&self, table: &Table, row: &Row) -> Result<VolleyRow> {
        let line = row.line;
        let volley = row.cell(self.volley).to_string();
        if volley.is_empty() {
            return Err(Error::input(format!(
                "line {line} names no volley; write a name or number in the first column"
            )));
        }
        let fail = |text: String| Error::input(format!("line {line} (volley {volley}): {text}"));
        let photo = match self.photo.map(|c| row.cell(c)).filter(|p| !p.is_empty()) {
            Some(name) => Some(plain_file_name(name).map_err(|e| fail(format!("photo {e}")))?.to_string()),
            None => None,
        };
        let shots = match table.number(row, self.shots).map_err(|_| {
            fail(format!(
                "shots is \"{}\"; write how many balls were fired as a whole number, such as 5, or 0 for a photo of the wall",
                row.cell(self.shots).chars().take(40).collect::<String>()
            ))
        })? {
            None => {
                return Err(fail("shots is blank; write how many balls were fired, 0 for a photo of the wall".into()));
            }
            Some(n) if n.fract() == 0.0 && (0.0..=f64::from(MOST_SHOTS)).contains(&n) => n as u32,
            Some(n) => {
                return Err(fail(format!("shots is {n}; write a whole number from 0 to {MOST_SHOTS}")));
            }
        };
        let speed_mps = speed(table, row, self.speed)?;
        let speed_spread_mps = speed(table, row, self.spread)?;
        let setpoint_mps = speed(table, row, self.setpoint)?;
        // With a setpoint and no photo it is a planned volley that waits for its reading.
        if shots > 0 && speed_mps.is_none() && (setpoint_mps.is_none() || photo.is_some()) {
            let column = if self.speed.is_some() { "is blank" } else { "has no column" };
            return Err(fail(format!(
                "{shots} shots were fired but their speed {column}; write the mean of the readings in speed_mph, \
                 speed_kmh or speed_mps"
            )));
        }
        for (name, value, least) in
            [("speed", speed_mps, 1e-9), ("speed_spread", speed_spread_mps, 0.0), ("setpoint", setpoint_mps, 1e-9)]
        {
            if let Some(v) = value
                && !(least..=FASTEST_MPS).contains(&v)
            {
                return Err(fail(format!(
                    "{name} is {v:.1} m/s, outside 0 to {FASTEST_MPS} m/s; check the number and the column's unit"
                )));
            }
        }
        if let (Some(speed), Some(spread)) = (speed_mps, speed_spread_mps)
            && spread > 0.5 * speed
        {
            return Err(fail(format!(
                "speed_spread is {spread:.2} m/s at a speed of {speed:.2} m/s; write the standard deviation of the shots' speeds"
            )));
        }
        let known_release = self.known_release(table, row).map_err(|e| fail(e.to_string()))?;
        if known_release.is_some() && shots == 0 {
            return Err(fail(format!(
                "{KNOWN_RELEASE} is written, but shots is 0; a zero shot is a volley of its own"
            )));
        }
        let factors = self.factors.iter().map(|(c, name)| (name.clone(), as_seen(row.cell(*c)))).collect();
        let note = self.note.map_or("", |c| row.cell(c)).to_string();
        Ok(VolleyRow {
            line,
            photo,
            shots,
            speed_mps,
            speed_spread_mps,
            setpoint_mps,
            known_release,
            note,
            factors,
            volley,
        })
    }

    /// The known release angle of a zero shot with its doubt.
    fn known_release(&self, table: &Table, row: &Row) -> Result<Option<Quantity>> {
        let of = |column: Option<usize>| column.map_or(Ok(None), |c| table.number(row, c));
        let (value, doubt) = (of(self.known)?, of(self.known_doubt)?);
        let Some(value) = value else {
            return match doubt {
                None => Ok(None),
                Some(_) => Err(Error::input(format!(
                    "{KNOWN_RELEASE_DOUBT} stands without {KNOWN_RELEASE}; write the known release angle, such as 0"
                ))),
            };
        };
        let doubt = doubt.unwrap_or(0.0);
        if !(value.abs() <= MOST_KNOWN_DEG && (0.0..=MOST_KNOWN_DEG).contains(&doubt)) {
            return Err(Error::input(format!(
                "a known release angle of {value} ± {doubt} deg is outside -{MOST_KNOWN_DEG} to {MOST_KNOWN_DEG} deg; check the number"
            )));
        }
        Quantity::parse(&format!("{value} deg ± {doubt} deg"), Dimension::Angle).map(Some)
    }
}

/// The one column among `stem_mph`, `stem_kmh` and `stem_mps`.
fn speed_column(names: &[String], stem: &str) -> Result<Option<SpeedColumn>> {
    let mut found: Option<SpeedColumn> = None;
    for (suffix, unit) in [("mph", "mph"), ("kmh", "km/h"), ("mps", "m/s")] {
        let name = format!("{stem}_{suffix}");
        if let Some(column) = names.iter().position(|n| *n == name) {
            if let Some(before) = found {
                return Err(Error::input(format!(
                    "{stem} stands in two columns, in {} and in {unit}; keep one",
                    before.unit
                )));
            }
            found = Some(SpeedColumn { column, unit });
        }
    }
    Ok(found)
}

fn speed(table: &Table, row: &Row, column: Option<SpeedColumn>) -> Result<Option<f64>> {
    let Some(SpeedColumn { column, unit }) = column else { return Ok(None) };
    let Some(number) = table.number(row, column)? else { return Ok(None) };
    let quantity = Quantity::parse(&format!("{number} {unit}"), Dimension::Speed);
    quantity.map(|q| Some(q.value)).place(|| format!("line {}", row.line))
}

/// A factor must not look like a misspelt column, nor take the name of a column of the results.
fn check_factor_name(name: &str, written: &str) -> Result<()> {
    if name.starts_with("known_release") {
        return Err(Error::input(format!(
            "the column {written} does not say its unit in a way known here; write {KNOWN_RELEASE} or {KNOWN_RELEASE_DOUBT}"
        )));
    }
    for stem in ["speed_spread", "setpoint", "speed"] {
        if name == stem || name.strip_prefix(stem).is_some_and(|rest| rest.starts_with('_')) {
            return Err(Error::input(format!(
                "the column {written} does not say its unit in a way known here; write {stem}_mph, {stem}_kmh or {stem}_mps"
            )));
        }
    }
    if let Some(near) = nearest(name, KNOWN.iter().copied()) {
        return Err(Error::input(format!(
            "the column {written} looks like {near}; write {near}, or give the factor a name less like it"
        )));
    }
    if SHOT_COLUMNS.contains(&name) || VOLLEY_COLUMNS.contains(&name) {
        return Err(Error::input(format!(
            "the column {written} has the name of a column of the results; give the factor another name, such as {written}_used"
        )));
    }
    Ok(())
}
