//! How do a session's volley photos become shots, volleys and a study, from end to end?

use std::ops::Range;
use std::sync::Arc;

use super::Progress;
use super::day::Day;
use super::kept::Kept;
use super::known::Known;
use super::matched::look_at_matches;
use super::measured::Measured;
use super::outcome::Outcome;
use super::pictures::Pictures;
use crate::camera::Wall;
use crate::error::{Error, Result};
use crate::session::Session;
use crate::session::hash::{ABSENT, FileHash};
use crate::session::review::{Decisions, ReviewRow, read_decisions};

/// Runs a session against its calibration; a person's decisions in `review.csv` hold.
///
/// # Errors
/// Files of the session that cannot be used; a machine that no flight fits. A single photo or volley that cannot be
/// used fails that volley only, and says why.
pub fn run_session(session: &Session, wall: &Wall, progress: Progress) -> Result<Outcome> {
    run_session_keeping(session, wall, None, false, progress)
}

/// The same, with comparisons kept on the disk (only what changed is compared again), and with a picture of every decision where they are
/// wanted ([`super::decision`]): these need every photo to be compared anew.
///
/// # Errors
/// As for [`run_session`].
pub fn run_session_keeping(
    session: &Session,
    wall: &Wall,
    kept: Option<Arc<Kept>>,
    pictures: bool,
    progress: Progress,
) -> Result<Outcome> {
    let pairing = session.pair_photos()?;
    let decisions = read_decisions(&session.paths.review_csv())?;
    let mut day = Day::new(session, wall)?.keeping(kept.clone().filter(|_| !pictures));
    if pictures {
        day.keep_pictures();
    }
    day.follow(&pairing.volleys, progress);
    day.rest();
    day.learn(progress)?;
    if let Some(kept) = kept.filter(|_| !pictures) {
        kept.forget_unused();
    }
    let mut outcome = conclude(day.known(), &decisions, &pairing.notes, &Pictures::default(), progress);
    if pictures {
        outcome.decisions = day.known().decision_pictures(&outcome.volleys, progress)?;
    }
    Ok(outcome)
}

/// A part of a big session: looks at some of its volleys with shots (counted from 1 in the table's order, both ends included) and keeps
/// what it finds, so that a run of the whole session need not. How many rows were looked at anew, and how many were kept already.
///
/// # Errors
/// As for [`run_session`]; no volley has such a number; nothing can be kept there.
pub fn run_part(
    session: &Session,
    wall: &Wall,
    part: (usize, usize),
    kept: Arc<Kept>,
    progress: Progress,
) -> Result<(usize, usize)> {
    let pairing = session.pair_photos()?;
    let shot: Vec<usize> =
        pairing.volleys.iter().enumerate().filter(|(_, v)| v.row.shots > 0).map(|(i, _)| i).collect();
    let numbered = |n: usize| n.checked_sub(1).and_then(|n| shot.get(n)).copied();
    // A last part may be asked for beyond the end: job arrays are cut evenly.
    let rows: Range<usize> = match (numbered(part.0), numbered(part.1).or(shot.last().copied())) {
        (Some(first), Some(last)) if part.0 <= part.1 => first..last + 1,
        _ => {
            return Err(Error::usage(format!(
                "--volleys {}..{}: the session has volleys 1 to {} (those with shots, in the table's order)",
                part.0,
                part.1,
                shot.len()
            )));
        }
    };
    // Old marks count: a part begins where the page of its first volley began, so far as the rows say.
    let page = pairing.volleys.iter().take(rows.start).rposition(|v| v.row.shots == 0).unwrap_or(0);
    let mut day = Day::new(session, wall)?.keeping(Some(kept.clone()));
    Ok(day.follow_part(&pairing.volleys, page..rows.end, progress))
}

/// What a day that was learned comes to.
pub fn conclude(known: &Known, decisions: &Decisions, notes: &[String], cut: &Pictures, progress: Progress) -> Outcome {
    let rows = &decisions.rows;
    let mut measured = known.measure(&known.decided(rows), rows);
    let doubtful_matches = look_at_matches(&mut measured);
    let mut notes = notes.to_vec();
    notes.extend(homeless(known, rows));
    notes.extend(super::used::wipe_soon(&measured));
    let mut summary = known.summarise(&measured, &notes);
    summary.looks.extend(doubtful_matches);
    let path = known.session().paths.review_csv();
    summary.files.push(FileHash::new(&path, decisions.sha256.as_deref().unwrap_or(ABSENT)));
    if let Some(study) = &mut summary.study {
        study.take_photo_pairs(&known.photographed_twice(&measured));
    }
    let pictures =
        cut.of(&known.session().paths, &summary.volleys, &|volley, before| known.crops(volley, before), progress);
    let mut outcome = Outcome {
        cells: known.cells(&measured, &summary),
        shots: measured.iter().flat_map(Measured::shot_rows).collect(),
        volleys: measured.iter().map(Measured::volley_row).collect(),
        summary,
        pictures,
        decisions: Vec::new(),
        factor_names: known.session().volleys.factor_names.clone(),
    };
    outcome.follow_summary();
    outcome
}

/// Sentences on decisions about volleys that are not in the table, or that wait there for their reading.
pub(super) fn homeless(known: &Known, decisions: &[ReviewRow]) -> Vec<String> {
    let table = &known.session().volleys;
    let mut names: Vec<&str> = decisions.iter().map(|d| d.volley.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    let unknown: Vec<&str> = names.iter().copied().filter(|v| table.find(v).is_none()).collect();
    let none = (!unknown.is_empty()).then(|| {
        format!(
            "review.csv decides on volleys that volleys.csv does not have ({}): give them their names there, or remove those rows",
            unknown.join(", ")
        )
    });
    let waiting = names.iter().filter_map(|v| table.find(v)).filter(|r| r.is_planned());
    none.into_iter()
        .chain(waiting.map(|r| format!("review.csv decides on a volley, but {}", r.awaits_reading())))
        .collect()
}
