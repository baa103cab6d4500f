//! How do a session's volley photos become shots, volleys and a study, from end to end?

use super::Progress;
use super::day::Day;
use super::known::Known;
use super::measured::Measured;
use super::outcome::Outcome;
use super::pictures::Pictures;
use crate::camera::Wall;
use crate::error::Result;
use crate::session::Session;
use crate::session::review::{ReviewRow, read_review};

/// Runs a session against its calibration; a person's decisions in `review.csv` hold.
///
/// # Errors
/// Files of the session that cannot be used; a machine that no flight fits. A single photo or volley that cannot be
/// used fails that volley only, and says why.
pub fn run_session(session: &Session, wall: &Wall, progress: Progress) -> Result<Outcome> {
    run_and_keep(session, wall, false, progress)
}

/// [`run_session`], with a picture of every decision where they are wanted ([`super::decision`]).
///
/// # Errors
/// As for [`run_session`].
pub fn run_and_keep(session: &Session, wall: &Wall, pictures: bool, progress: Progress) -> Result<Outcome> {
    let pairing = session.pair_photos()?;
    let decisions = read_review(&session.paths.review_csv())?;
    let mut day = Day::new(session, wall)?;
    if pictures {
        day.keep_pictures();
    }
    day.follow(&pairing.volleys, progress);
    day.learn(progress);
    let mut outcome = conclude(day.known(), &decisions, &pairing.notes, &Pictures::default(), progress);
    if pictures {
        outcome.decisions = day.known().decision_pictures(&outcome.volleys, progress)?;
    }
    Ok(outcome)
}

/// What a day that was learned comes to.
pub fn conclude(
    known: &Known,
    decisions: &[ReviewRow],
    notes: &[String],
    cut: &Pictures,
    progress: Progress,
) -> Outcome {
    let measured = known.measure(&known.decided(decisions), decisions);
    let mut notes = notes.to_vec();
    notes.extend(homeless(known, decisions));
    notes.extend(super::used::wipe_soon(&measured));
    let mut summary = known.summarise(&measured, &notes);
    if let Some(study) = &mut summary.study {
        study.take_photo_pairs(&known.photographed_twice(&measured));
    }
    let pictures = cut.of(&known.session().paths, &summary.volleys, progress);
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

/// A sentence on decisions about volleys that are not in the table.
pub(super) fn homeless(known: &Known, decisions: &[ReviewRow]) -> Option<String> {
    let known = |v: &str| known.session().volleys.rows.iter().any(|r| r.volley == v);
    let mut names: Vec<&str> = decisions.iter().map(|d| d.volley.as_str()).filter(|v| !known(v)).collect();
    names.sort_unstable();
    names.dedup();
    (!names.is_empty()).then(|| {
        format!(
            "review.csv decides on volleys that volleys.csv does not have ({}): give them their names there, or remove those rows",
            names.join(", ")
        )
    })
}
