//! Which setups does a person mean, and how does a plan become `volleys.csv`?

use std::path::{Path, PathBuf};

use super::plan::{BLOCK_NOTE, Plan, PlanRow, holds_readings};
use super::speeds::{column_ending, exact_text};
use crate::error::{Error, Result};
use crate::session::lock::{SessionLock, Work};
use crate::session::results::{safe_cell, write_together};
use crate::session::{SessionPaths, VolleyTable};
use crate::study::Setup;

/// Most setups that all combinations may make.
const MOST_SETUPS: usize = 100;

/// "factor=a,b" as factor and values.
fn factor(text: &str) -> Result<(String, Vec<String>)> {
    let bad = || Error::usage(format!("\"{text}\" names no setups: write factor=value,value, such as pocket=mid,low"));
    let (name, values) = text.split_once('=').ok_or_else(bad)?;
    let values: Vec<String> = values.split(',').map(|v| v.trim().to_string()).filter(|v| !v.is_empty()).collect();
    if name.trim().is_empty() || values.is_empty() {
        return Err(bad());
    }
    Ok((name.trim().to_string(), values))
}

/// Parts at ";", and at spaces where every word holds an equals sign.
fn assignments(text: &str) -> Vec<&str> {
    text.split(';')
        .flat_map(|t| {
            let words: Vec<&str> = t.split_whitespace().collect();
            if words.len() > 1 && words.iter().all(|w| w.contains('=')) { words } else { vec![t] }
        })
        .filter(|t| !t.trim().is_empty())
        .collect()
}

/// All combinations of "pocket=mid,low" and "mesh=soft,hard".
///
/// # Errors
/// A text without factor or value, a factor named twice, too many combinations.
pub fn parse_setups(texts: &[String]) -> Result<Vec<Setup>> {
    let mut factors: Vec<(String, Vec<String>)> = Vec::new();
    for text in texts.iter().flat_map(|t| assignments(t)) {
        let (name, mut values) = factor(text)?;
        match factors.iter_mut().find(|f| f.0.eq_ignore_ascii_case(&name)) {
            Some(known) => known.1.append(&mut values),
            None => factors.push((name, values)),
        }
    }
    let count = factors.iter().map(|f| f.1.len()).fold(1usize, usize::saturating_mul);
    if count > MOST_SETUPS {
        return Err(Error::usage(format!("{count} setups, but at most {MOST_SETUPS} fit a plan: name fewer values")));
    }
    let mut out: Vec<Vec<(String, String)>> = vec![Vec::new()];
    for (name, values) in &factors {
        out = out
            .into_iter()
            .flat_map(|pairs| {
                values.iter().map(move |v| {
                    let mut pairs = pairs.clone();
                    pairs.push((name.clone(), v.clone()));
                    pairs
                })
            })
            .collect();
    }
    let mut setups: Vec<Setup> = Vec::new();
    for s in out.into_iter().map(Setup::new) {
        if !setups.contains(&s) {
            setups.push(s);
        }
    }
    Ok(setups)
}

/// One setup, or part of one: "pocket=mid, mesh=soft".
///
/// # Errors
/// A text without factor or value.
pub fn setup_from(text: &str) -> Result<Setup> {
    let each = text.split(',').flat_map(assignments);
    let pairs = each
        .map(|t| {
            let (name, values) = factor(t)?;
            Ok((name, values.into_iter().next().unwrap_or_default()))
        })
        .collect::<Result<Vec<_>>>()?;
    Ok(Setup::new(pairs))
}

/// The plan as `volleys.csv`: speeds to fill in.
///
/// # Errors
/// Names of factors that the table cannot hold.
pub fn plan_csv(plan: &Plan) -> Result<Vec<u8>> {
    let mut factors: Vec<String> = Vec::new();
    for (k, _) in plan.setups.iter().flat_map(Setup::iter) {
        if !factors.iter().any(|f| f == k) {
            factors.push(k.to_string());
        }
    }
    let unit = column_ending(plan.unit);
    let mut writer = csv::WriterBuilder::new().from_writer(Vec::new());
    let mut put = |cells: Vec<String>| {
        writer.write_record(&cells).map_err(|e| Error::input(format!("the plan cannot be written: {e}")))
    };
    let mut header: Vec<String> = ["volley", "photo", "shots"].map(String::from).to_vec();
    header.extend([format!("speed_{unit}"), format!("speed_spread_{unit}"), format!("setpoint_{unit}")]);
    header.extend(factors.iter().map(|f| safe_cell(f)));
    header.push("note".into());
    put(header)?;
    let mut reference_was_shot = false;
    for row in &plan.rows {
        let blank = String::new;
        put(match row {
            PlanRow::Wall { name, note } => {
                let mut cells = vec![safe_cell(name), blank(), "0".into(), blank(), blank(), blank()];
                cells.extend(factors.iter().map(|_| blank()));
                cells.push(safe_cell(note));
                cells
            }
            PlanRow::Volley { name, planned } => {
                let aim = exact_text(plan.unit, planned.setpoint_mps);
                let mut cells = vec![safe_cell(name), blank(), plan.shots.to_string(), blank(), blank(), aim];
                cells.extend(factors.iter().map(|f| safe_cell(planned.setup.get(f).unwrap_or(""))));
                let reference = match (planned.reference, reference_was_shot) {
                    (true, true) => "; the reference again",
                    (true, false) => "; the reference",
                    (false, _) => "",
                };
                reference_was_shot |= planned.setup == plan.reference;
                cells.push(format!("{BLOCK_NOTE}{}{reference}", planned.block));
                cells
            }
        })?;
    }
    let bytes = writer.into_inner().map_err(|e| Error::input(format!("the plan cannot be written: {e}")))?;
    // What a session cannot read is not written.
    let text = String::from_utf8_lossy(&bytes);
    VolleyTable::parse(&text).map_err(|e| Error::usage(format!("the plan makes no table that could be read: {e}")))?;
    Ok(bytes)
}

/// A name beside `volleys.csv` that is free, for the table that was there.
fn kept_name(folder: &Path) -> PathBuf {
    (1..).map(|n| folder.join(format!("volleys-before-plan-{n}.csv"))).find(|p| !p.exists()).unwrap_or_default()
}

/// Writes `volleys.csv` and `run-sheet.pdf` into the session's folder, together. A table with readings is replaced only with `force`, and then kept
/// under another name. Gives the paths written, the kept one last.
///
/// # Errors
/// There are readings and `force` was not given; the folder cannot be written.
pub fn write_plan(session: &Path, plan: &Plan, run_sheet_pdf: &[u8], force: bool) -> Result<Vec<PathBuf>> {
    let paths = SessionPaths::new(session);
    let path = paths.volleys_csv();
    let csv = plan_csv(plan)?;
    let _lock = SessionLock::take(&paths, Work::Write, "plan", &|_| {})?;
    let readings = holds_readings(&path)?;
    let mut files: Vec<(PathBuf, &[u8])> = vec![(path.clone(), &csv), (session.join("run-sheet.pdf"), run_sheet_pdf)];
    let old;
    if let Some(what) = readings {
        if !force {
            return Err(Error::input(format!(
                "{} holds {what} and was left as it is: plan into a new session, or use --force (the old table is then kept under another name)",
                path.display()
            )));
        }
        old = std::fs::read(&path).map_err(|e| Error::io(&path, "read", e))?;
        files.push((kept_name(session), &old));
    }
    write_together(&files)?;
    Ok(files.into_iter().map(|f| f.0).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn setups_as_people_write_them() {
        let of = |t: &[&str]| {
            let texts: Vec<String> = t.iter().map(|t| (*t).to_string()).collect();
            parse_setups(&texts).unwrap().iter().map(Setup::assignments).collect::<Vec<_>>().join(" | ")
        };
        assert_eq!(of(&["pocket=mid,low"]), "pocket=mid | pocket=low");
        assert_eq!(of(&["pocket=mid,low", "mesh=soft"]), "pocket=mid, mesh=soft | pocket=low, mesh=soft");
        assert_eq!(of(&["pocket=mid,low mesh=a,b"]).matches('|').count(), 3);
        assert_eq!(of(&["head=Old One, New One"]), "head=Old One | head=New One");
        assert_eq!(of(&["pocket=mid", "pocket=mid,low"]), "pocket=mid | pocket=low");
        assert_eq!(setup_from("pocket=mid, mesh=soft").unwrap().assignments(), "pocket=mid, mesh=soft");
        for bad in ["pocket", "=mid", "pocket=", "pocket=,"] {
            assert!(parse_setups(&[bad.to_string()]).is_err(), "{bad}");
        }
    }
}
