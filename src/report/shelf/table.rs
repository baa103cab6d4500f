//! What does a spreadsheet get of the shelf?
//!
//! One row for each setup at each speed, every factor in a column of its own. Text that a spreadsheet would take for a formula is
//! made harmless; what is not known is an empty cell.

use super::{ShelfEntry, factors};
use crate::error::{Error, Result};
use crate::session::results::safe_cell;
use crate::study::{MPH_PER_MPS, ZeroVerdict};

const FRONT: [&str; 3] = ["session", "folder", "measured_on"];
const BACK: [&str; 20] = [
    "setpoint_mph",
    "setpoint_mps",
    "release_deg",
    "release_u_own_deg",
    "release_u_deg",
    "release_low_deg",
    "release_high_deg",
    "spread_deg",
    "sideways_deg",
    "sideways_u_deg",
    "shots",
    "volleys",
    "zero",
    "zero_speed_mph",
    "zero_speed_mps",
    "zero_speed_low_mps",
    "zero_speed_high_mps",
    "look_volleys",
    "failed_volleys",
    "words",
];

fn number(value: Option<f64>, decimals: usize) -> String {
    value.filter(|v| v.is_finite()).map(|v| format!("{v:.decimals$}")).unwrap_or_default()
}

fn zero_word(v: ZeroVerdict) -> &'static str {
    match v {
        ZeroVerdict::Reached => "reached",
        ZeroVerdict::Possible => "possible",
        ZeroVerdict::NotReached => "not reached",
        ZeroVerdict::OneSpeed => "one speed",
    }
}

/// The shelf as a table, comma-separated UTF-8; with a byte-order mark where it holds more than ASCII, so that spreadsheets read it right.
///
/// # Errors
/// Never in practice; the writer's own errors are passed on.
pub fn shelf_csv(entries: &[ShelfEntry]) -> Result<Vec<u8>> {
    let factors = factors(entries);
    let fail = |e: csv::Error| Error::no_answer(format!("the shelf's table cannot be written ({e})"));
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let own = |name: &String| {
        let taken = FRONT.iter().chain(&BACK).any(|c| c.eq_ignore_ascii_case(name));
        safe_cell(&if taken { format!("factor {name}") } else { name.clone() })
    };
    let header =
        FRONT.iter().map(|c| c.to_string()).chain(factors.iter().map(own)).chain(BACK.iter().map(|c| c.to_string()));
    writer.write_record(header).map_err(fail)?;
    for e in entries {
        let l = &e.ladder;
        for p in &l.points {
            let mut row =
                vec![safe_cell(&e.session), safe_cell(&e.folder), safe_cell(e.measured_on.as_deref().unwrap_or(""))];
            row.extend(factors.iter().map(|f| safe_cell(e.setup.get(f).unwrap_or(""))));
            row.extend([number(Some(p.setpoint_mps * MPH_PER_MPS), 2), number(Some(p.setpoint_mps), 4)]);
            let angles = [
                Some(p.mean_deg),
                Some(p.u_own_deg),
                Some(p.u_deg),
                Some(p.low_deg),
                Some(p.high_deg),
                p.spread_deg,
                p.sideways_deg,
                p.sideways_u_deg,
            ];
            row.extend(angles.map(|a| number(a, 5)));
            row.extend([p.shots.to_string(), p.volleys.to_string(), zero_word(l.zero_verdict).into()]);
            row.push(number(l.zero_speed_mps.map(|v| v * MPH_PER_MPS), 2));
            row.extend([l.zero_speed_mps, l.zero_speed_low_mps, l.zero_speed_high_mps].map(|v| number(v, 4)));
            row.extend([e.looks.to_string(), e.failed.to_string(), safe_cell(&l.sentence)]);
            writer.write_record(&row).map_err(fail)?;
        }
    }
    let bytes =
        writer.into_inner().map_err(|e| Error::no_answer(format!("the shelf's table cannot be written ({e})")))?;
    Ok(if bytes.is_ascii() { bytes } else { [b"\xEF\xBB\xBF".as_slice(), &bytes].concat() })
}
