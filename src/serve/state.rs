//! What does the review page need to know of the volleys, already in words and digits?

use serde::Serialize;

use crate::pipeline::decide::{Decided, Origin};
use crate::pipeline::measured::{Measured, factor_pairs};
use crate::pipeline::review::Review;
use crate::points::WallPoint;
use crate::report::Units;
use crate::report::number::{ANGLE_PLACES, LENGTH_PLACES, with_u};
use crate::session::flags::FlagWord;
use crate::session::results::Status;
use crate::session::review::Decision;
use crate::study::Setup;

/// A mark as the page shows it.
#[derive(Serialize)]
struct MarkState {
    mark: usize,
    count: u32,
    x_px: f64,
    y_px: f64,
    /// Outline about the centre, px.
    ring: Vec<[f64; 2]>,
    /// What a person did: "accepted", "moved", "added", or nothing.
    decided: Option<&'static str>,
    angle: String,
    place: String,
    words: Vec<&'static str>,
}

#[derive(Serialize)]
struct RejectedState {
    x_px: f64,
    y_px: f64,
    ring: Vec<[f64; 2]>,
}

#[derive(Serialize)]
struct VolleyState {
    volley: String,
    setup: String,
    speed: String,
    photo: String,
    before: Option<String>,
    width: u32,
    height: u32,
    status: &'static str,
    checked: bool,
    can_decide: bool,
    note: String,
    flags: Vec<[&'static str; 2]>,
    shots: u32,
    found: u32,
    angle: String,
    marks: Vec<MarkState>,
    rejected: Vec<RejectedState>,
}

#[derive(Serialize)]
struct State {
    title: String,
    revision: u64,
    can_undo: bool,
    can_redo: bool,
    /// Volleys that need a look come first.
    order: Vec<usize>,
    verdicts: Vec<String>,
    volleys: Vec<VolleyState>,
}

/// Outline and its centre: the mean of its points, since a circle's picture is nearly symmetric.
fn ring(outline: &[(f64, f64)], centre: Option<(f64, f64)>) -> ((f64, f64), Vec<[f64; 2]>) {
    let n = outline.len().max(1) as f64;
    let mean = outline.iter().fold((0.0, 0.0), |c, p| (c.0 + p.0 / n, c.1 + p.1 / n));
    let centre = centre.unwrap_or(mean);
    let tenth = |v: f64| (10.0 * v).round() / 10.0;
    (centre, outline.iter().step_by(2).map(|p| [tenth(p.0 - centre.0), tenth(p.1 - centre.1)]).collect())
}

fn decided_word(review: &Review, origin: &Origin) -> Option<&'static str> {
    match (origin, origin.row().and_then(|r| review.decision(r))?) {
        (Origin::Set { .. }, _) => Some("added"),
        (_, Decision::Move { .. }) => Some("moved"),
        _ => Some("accepted"),
    }
}

fn volley(review: &Review, index: usize, m: &Measured, d: Option<&Decided>) -> VolleyState {
    let names = &review.session().volleys.factor_names;
    let row = m.volley_row();
    let marks = m
        .shot_rows()
        .iter()
        .enumerate()
        .map(|(i, s)| {
            // In this volley's own photo, whichever photo showed the mark.
            let place = s.x_mm.zip(s.y_mm).map(|(x, y)| WallPoint::new(1e-3 * x, 1e-3 * y));
            let own = m.view.as_ref().zip(place).and_then(|(view, place)| view.pixel_from_wall(place));
            let ((x_px, y_px), ring) = ring(&review.outline(index, i, false), own.map(|p| (p.x_px, p.y_px)));
            MarkState {
                mark: i + 1,
                count: s.count,
                x_px,
                y_px,
                ring,
                decided: d.and_then(|d| d.origins.get(i)).and_then(|o| decided_word(review, o)),
                angle: with_u(s.release_deg, s.release_u_deg, ANGLE_PLACES),
                place: format!(
                    "{}, {} mm",
                    with_u(s.x_mm, s.x_u_mm, LENGTH_PLACES),
                    with_u(s.y_mm, s.y_u_mm, LENGTH_PLACES)
                ),
                words: s.flags.iter().filter(|f| **f != FlagWord::Reviewed).map(|f| f.word()).collect(),
            }
        })
        .collect();
    let rejected = (0..d.map_or(0, |d| d.rejected.len()))
        .map(|i| {
            let ((x_px, y_px), ring) = ring(&review.outline(index, i, true), None);
            RejectedState { x_px, y_px, ring }
        })
        .collect();
    let lens = m.view.map(|v| v.lens);
    VolleyState {
        volley: row.volley,
        setup: Setup::new(factor_pairs(names, &m.volley.row.factors)).words(),
        speed: m.volley.row.speed_mps.map_or(String::new(), |v| Units::of(review.session()).speed_words(v)),
        photo: row.photo,
        before: row.before,
        width: lens.map_or(0, |l| l.width),
        height: lens.map_or(0, |l| l.height),
        status: row.status.word(),
        checked: d.is_some_and(|d| d.checked),
        can_decide: d.is_some(),
        note: row.note,
        flags: row.flags.iter().map(|f| [f.word(), f.meaning()]).collect(),
        shots: row.shots,
        found: row.found,
        angle: with_u(row.mean_release_deg, row.mean_release_u_deg, ANGLE_PLACES),
        marks,
        rejected,
    }
}

/// Everything that the page shows, as JSON.
pub fn json(review: &Review) -> Vec<u8> {
    let volleys: Vec<VolleyState> = review.volleys().enumerate().map(|(i, (m, d))| volley(review, i, m, d)).collect();
    let summary = review.summary();
    let mut verdicts: Vec<String> = Vec::new();
    if let Some(s) = &summary.study {
        verdicts.extend(s.ladders.iter().map(|l| summary.spoken(&l.sentence)));
        verdicts.extend(s.comparisons.iter().map(|c| summary.spoken(&c.overall.sentence)));
    }
    verdicts.extend(summary.study_problem.iter().cloned());
    let (undo, redo) = review.steps();
    let mut order: Vec<usize> = (0..volleys.len()).collect();
    let rank = |s: Status| match s {
        Status::Look => 0,
        Status::Failed => 1,
        Status::Ok => 2,
    };
    order.sort_by_key(|i| review.volleys().nth(*i).map_or(3, |(m, _)| rank(m.status)));
    let state = State {
        title: summary.title.clone(),
        revision: review.revision(),
        can_undo: undo > 0,
        can_redo: redo > 0,
        order,
        verdicts,
        volleys,
    };
    // Numbers that JSON does not have become null; nothing else can fail.
    serde_json::to_vec(&state).unwrap_or_else(|_| b"{}".to_vec())
}
