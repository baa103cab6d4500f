//! How do impacts that were measured by hand become the same results as photos?
//!
//! [`solve_session`] reads `impacts.csv` beside `session.toml` and `volleys.csv`; neither photos nor `wall.json` are asked for.
//! Each reading's doubt is its own; what the tape's metre really is, all of them share.

use super::judge::FoundMark;
use super::linear::Cells;
use super::measure::far_speed;
use super::measured::{Measured, MeasuredMark, Studied, studied};
use super::outcome::Outcome;
use super::summary::{shared_factors, summarise};
use super::zero::{session_inputs, set_zero};
use crate::error::{Context, Error, Result};
use crate::flight::{FlightInputs, Impact, Solver};
use crate::points::WallPoint;
use crate::quantity::{Quantity, STATED_COVERAGE};
use crate::session::flags::FlagWord;
use crate::session::hash::{FileHash, sha256_hex};
use crate::session::impacts::{ImpactRow, UNSTATED_READING_U_M, check_volleys, parse_impacts};
use crate::session::table::{LARGEST_FILE_BYTES, read_text};
use crate::session::{Matched, PairedVolley, Session, VolleyRow};
use crate::study::{Shot, StudyOptions, analyse};

/// Solves a session whose impacts were measured by hand (`impacts.csv`).
///
/// # Errors
/// No `impacts.csv`, or one that cannot be used; a machine that no flight fits; neither a zero nor zero shots.
pub fn solve_session(session: &Session) -> Result<Outcome> {
    let path = session.paths.impacts_csv();
    if !path.is_file() {
        return Err(Error::input(format!(
            "there is no {}: write one row a ball, under a header such as volley,x_mm,y_mm (or volley,y_mm for heights alone)",
            path.display()
        )));
    }
    let text = read_text(&path, LARGEST_FILE_BYTES)?;
    let impacts = parse_impacts(&text).place(|| path.display().to_string())?;
    let mut outcome = solve_impacts(session, &impacts)?;
    outcome.summary.files.push(FileHash::new(&path, sha256_hex(text.as_bytes())));
    Ok(outcome)
}

/// The same for impacts already read.
///
/// # Errors
/// As [`solve_session`].
pub fn solve_impacts(session: &Session, impacts: &[ImpactRow]) -> Result<Outcome> {
    check_volleys(impacts, &session.volleys)?;
    let inputs = session_inputs(session)?;
    let solver = Solver::new(&inputs)?;
    let tape = session.spec.impacts.tape_scale.unwrap_or(Quantity::exact(1.0));
    let mut measured: Vec<Measured> = session
        .volleys
        .rows
        .iter()
        .filter(|r| r.shots > 0)
        .map(|row| volley(row, impacts, &solver, &inputs, session, tape))
        .collect();
    set_zero(session, shared_factors(session, None, &solver).len(), &mut measured);
    flag_doubtful(session, impacts, &mut measured);
    let notes = ["Impacts were measured by hand; no photo was used.".to_string()];
    let mut summary = summarise(session, None, &solver, None, &measured, &notes);
    summary.assumed_inputs.extend(assumed(session, impacts));
    if session.spec.impacts.tape_scale.is_none() {
        summary.assumed_inputs.push("impacts.tape_scale: not stated; the tape's metre is taken as exact".into());
    }
    summary.notes.extend(session.notes.iter().cloned());
    let names = session.volleys.factor_names.clone();
    let cells = Cells::new(session, &solver, &measured, summary.study.as_ref());
    Ok(Outcome {
        shots: measured.iter().flat_map(Measured::shot_rows).collect(),
        volleys: measured.iter().map(Measured::volley_row).collect(),
        summary,
        pictures: Vec::new(),
        decisions: Vec::new(),
        factor_names: names,
        cells,
    })
}

/// A reading far from the others of its volley is more often a slip of the pen than a throw: such a volley wants a look.
fn flag_doubtful(session: &Session, impacts: &[ImpactRow], measured: &mut [Measured]) {
    let found = studied(measured, &session.volleys.factor_names);
    let shots: Vec<Shot> = found.iter().map(|s| s.shot.clone()).collect();
    let Ok(study) = analyse(&shots, &StudyOptions::default()) else { return };
    for d in &study.doubtful {
        let Some(Studied { volley, mark, shot }) = found.get(d.shot) else { continue };
        let (Some(m), i) = (measured.get_mut(*volley), *mark as usize - 1) else { continue };
        if let Some(mark) = m.marks.get_mut(i) {
            mark.flags.push(FlagWord::DoubtfulShot);
        }
        let line = impacts.iter().filter(|r| r.volley == shot.volley).nth(i).map_or(0, |r| r.line);
        m.look(
            FlagWord::DoubtfulShot,
            format!(
                "line {line} of impacts.csv lies {:+.1} deg from the middle of the others: check the reading",
                d.release_deg - d.median_deg
            ),
        );
    }
}

/// What was assumed about the readings, a sentence each.
fn assumed(session: &Session, impacts: &[ImpactRow]) -> Vec<String> {
    let mut all = Vec::new();
    let silent = impacts.iter().filter(|i| i.u_m.is_none() || (i.x_m.is_some() && i.x_u_m.is_none())).count();
    if silent > 0 && session.spec.impacts.plus_minus_m.is_none() {
        all.push(format!(
            "impacts.csv plus_minus: not stated for {silent} of {} readings; they are taken as good to ± {:.0} mm (95 %): the middle of a mark is judged by eye",
            impacts.len(),
            2e3 * UNSTATED_READING_U_M
        ));
    }
    let ahead = impacts.iter().filter(|i| i.x_m.is_none()).count();
    if ahead > 0 {
        all.push(format!(
            "impacts.csv x: not measured for {ahead} of {} balls; they are taken to fly straight ahead of the arm, and no sideways angle is given",
            impacts.len()
        ));
    }
    all
}

/// One volley from its rows.
fn volley(
    row: &VolleyRow,
    impacts: &[ImpactRow],
    solver: &Solver,
    inputs: &FlightInputs,
    session: &Session,
    tape: Quantity,
) -> Measured {
    let paired = PairedVolley {
        row: row.clone(),
        photo: String::new(),
        matched: Matched::Named,
        before: None,
        between: Vec::new(),
        problem: None,
        out_of_order: None,
    };
    let (mut flags, mut notes): (Vec<FlagWord>, Vec<String>) = Default::default();
    let stated_u_m = session.spec.impacts.plus_minus_m.map(|h| h / STATED_COVERAGE).unwrap_or(UNSTATED_READING_U_M);
    let ahead_m = inputs.pivot_right_m.value + inputs.pivot_out_m.value * inputs.plane_turn_rad.value.tan();
    let mut marks = Vec::new();
    for i in impacts.iter().filter(|i| i.volley == row.volley) {
        let x_u_m = if i.x_m.is_some() { i.x_u_m.unwrap_or(stated_u_m) } else { 0.0 };
        let y_u_m = i.u_m.unwrap_or(stated_u_m);
        let point = WallPoint::new(i.x_m.map_or(ahead_m, |x| x * tape.value), i.y_m * tape.value);
        let shared = if tape.u > 0.0 { vec![[i.x_m.map_or(0.0, |x| x * tape.u), i.y_m * tape.u]] } else { Vec::new() };
        let impact = Impact {
            point,
            own_cov_m2: [[x_u_m * x_u_m, 0.0], [0.0, y_u_m * y_u_m]],
            shared,
            speed_mps: row.speed_mps.unwrap_or(f64::NAN),
            speed_own_u_mps: row.speed_spread_mps.unwrap_or(0.0),
        };
        let release = match solver.solve(&impact) {
            Ok(r) => Some(r),
            Err(e) => {
                flags.push(FlagWord::Unreachable);
                notes.push(format!("line {} of impacts.csv: {e}", i.line));
                None
            }
        };
        marks.push(MeasuredMark {
            found: FoundMark {
                x_mm: 1e3 * point.x_m,
                y_mm: 1e3 * point.y_m,
                covariance_mm2: [[1e6 * x_u_m * x_u_m, 0.0], [0.0, 1e6 * y_u_m * y_u_m]],
                radius_mm: f64::NAN,
                strength: f64::NAN,
                count: 1,
                significance: f64::NAN,
                overlaps: false,
                patch: 0,
                ..FoundMark::default()
            },
            impact,
            pixel: None,
            x_known: i.x_m.is_some(),
            pose_covariance_m2: [[0.0; 2]; 2],
            photo: None,
            flags: if release.is_none() { vec![FlagWord::Unreachable] } else { Vec::new() },
            release,
        });
    }
    let (found, shots) = (marks.len() as u32, row.shots);
    if found == 0 {
        return Measured::failed(
            &paired,
            format!("no row of impacts.csv names volley {}: measure its marks, or remove the volley", row.volley),
            Vec::new(),
        );
    }
    if found < shots {
        flags.push(FlagWord::MissingShots);
        notes.push(format!(
            "{found} impacts for {shots} shots: measure the missing {}, or say in volleys.csv how many were fired; a mean without the balls that missed is one-sided",
            shots - found
        ));
    }
    if found > shots {
        flags.push(FlagWord::ExtraMarks);
        notes.push(format!("{found} impacts for {shots} shots: check impacts.csv and the count in volleys.csv"));
    }
    let mut measured = Measured::by_hand(&paired, marks, flags, notes);
    if let Some(why) = far_speed(row, session) {
        measured.look(FlagWord::FarSpeed, why);
    }
    measured
}
