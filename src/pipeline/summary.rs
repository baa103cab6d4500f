//! How do measured volleys become a study, budgets and a summary?

use super::budget::budgets;
use super::measured::{Measured, factor_pairs, studied};
use super::zero::{add_zero_factors, zero_words};
use crate::camera::Wall;
use crate::error::counted;
use crate::flight::Solver;
use crate::marks::shape::MarkShape;
use crate::photo::read_exif;
use crate::report::Units;
use crate::report::model::{CalibrationSummary, Summary, VERSION, VolleySummary};
use crate::session::Session;
use crate::session::flags::FlagWord;
use crate::session::results::Status;
use crate::study::{Doubtful, Setup, Shot, Study, StudyOptions, analyse};
use crate::uncertainty::SharedFactors;

/// Settings that only photos need, by the start of their keys.
const OF_PHOTOS: [&str; 5] = ["wall.origin_sheet", "wall.level", "wall.plumb", "wall.printed", "wall.tape"];

/// Name of the shared factor of the tape that impacts were measured with.
const TAPE_SCALE: &str = "tape scale";

/// The names of what all arm angles of a session share: the flight's inputs, then what their places on the wall share.
/// A zero from zero shots adds its own behind ([`add_zero_factors`]).
/// `calibration_factors` is how many the calibrations of the session have together, absent for impacts measured by hand.
pub fn shared_factors(session: &Session, calibration_factors: Option<usize>, solver: &Solver) -> SharedFactors {
    let mut factors = solver.shared_factors(calibration_factors.unwrap_or(0));
    if calibration_factors.is_none() && session.spec.impacts.tape_scale.is_some_and(|q| q.u > 0.0) {
        factors.names.push(TAPE_SCALE.into());
    }
    factors
}

/// Without every place sideways there is no sideways mean to speak of.
fn forget_sideways(study: &mut Study) {
    for l in &mut study.ladders {
        (l.sideways_deg, l.sideways_u_deg) = (None, None);
        for p in &mut l.points {
            (p.sideways_deg, p.sideways_u_deg) = (None, None);
        }
    }
}

/// A pocket throws no farther to the side than this, degrees (common practice, no source).
const FAR_SIDEWAYS_DEG: f64 = 5.0;

/// Says so when the shots as a whole flew far from the arm's plane: it is not where the session has it.
fn far_sideways(study: &Study) -> Option<String> {
    let mut means: Vec<f64> = study.ladders.iter().filter_map(|l| l.sideways_deg).collect();
    means.sort_by(f64::total_cmp);
    let usual = *means.get(means.len() / 2)?;
    (usual.abs() > FAR_SIDEWAYS_DEG).then(|| {
        format!(
            "the shots flew {:.1} deg to the {} of the arm's plane, farther than a pocket throws: check machine.pivot_right, machine.plane_turn and wall.origin_sheet in session.toml",
            usual.abs(),
            if usual > 0.0 { "right" } else { "left" }
        )
    })
}

/// What to say where marks are smeared.
const SMEARED: &str = "the marks are longer than wide, as balls leave that slide along the wall: the middle of each was measured, and where the ball first touched may be some millimetres to one side, the same side for every ball; differences between setups hardly mind, angles themselves may be off by that";
/// What to say where marks are dents.
const DENTS: &str = "the marks have a darker and a paler side, as dents have in light from one side: both were measured, but where one of them is fainter a mark's place may be off by some millimetres, every mark's to the same side; chalk the balls, or light the wall from the front";

/// A release angle that is known no better than this, degrees (half of its 95 % interval), is not known: first order cannot
/// say so much of a circle.
const HARDLY_KNOWN_DEG: f64 = 30.0;

/// Says so when stated doubts are so large that the angles are not known at all.
fn hardly_known(measured: &[Measured]) -> Option<String> {
    let half = |m: &Measured| m.volley_row().mean_release_u_deg.map(|u| 2.0 * u);
    let most = measured.iter().filter_map(half).fold(0.0, f64::max);
    (most > HARDLY_KNOWN_DEG).then(|| {
        format!(
            "the release angles are known to ± {most:.0} deg only: check every ± in session.toml, one is far too large"
        )
    })
}

/// Flags the shots that the study finds doubtful, and has their volleys looked at.
fn flag_doubtful(volleys: &mut [VolleySummary], doubtful: &[Doubtful], marks: &[(usize, u32)]) {
    for d in doubtful {
        let Some(&(volley, number)) = marks.get(d.shot) else { continue };
        let Some(v) = volleys.get_mut(volley) else { continue };
        if let Some(m) = v.marks.iter_mut().find(|m| m.mark == number) {
            // Readings by hand are flagged already, with their line.
            if m.flags.contains(&FlagWord::DoubtfulShot) {
                continue;
            }
            m.flags.push(FlagWord::DoubtfulShot);
        }
        if !v.flags.contains(&FlagWord::DoubtfulShot) {
            v.flags.push(FlagWord::DoubtfulShot);
            v.flags.sort_unstable();
        }
        // A person who decided on this volley's marks has looked at it.
        if v.flags.contains(&FlagWord::Reviewed) {
            continue;
        }
        if v.status == Status::Ok {
            v.status = Status::Look;
        }
        if !v.note.is_empty() {
            v.note += "; ";
        }
        v.note += &format!(
            "mark {number} lies {:.1} deg from the middle of its volley, further than the scatter explains (it stays in every mean): look at the photo",
            (d.release_deg - d.median_deg).abs()
        );
    }
}

/// Day of the first volley's photo, by the camera's clock.
fn measured_on(session: &Session, measured: &[Measured]) -> Option<String> {
    measured.iter().find_map(|m| {
        let taken = read_exif(&session.paths.photos().join(&m.volley.photo)).ok()?.taken?;
        Some(taken.local.date().to_string())
    })
}

/// A calibration as the report shows it.
pub fn calibration_of(wall: &Wall) -> CalibrationSummary {
    CalibrationSummary {
        camera: wall.camera,
        tripod_pose: wall.tripod_pose,
        sheets: wall.sheets.clone(),
        printed_scale: wall.printed_scale,
        quality: wall.quality.clone(),
    }
}

/// Puts everything that the report shows together. What the study finds doubtful is flagged here, with a note and a status of
/// its volley: [`super::Outcome::follow_summary`] takes that over into the tables. Of the files only the session's own are named. `wall` is absent for impacts measured by hand.
pub fn summarise(
    session: &Session,
    wall: Option<&Wall>,
    solver: &Solver,
    shape: Option<&MarkShape>,
    measured: &[Measured],
    notes: &[String],
) -> Summary {
    let names = &session.volleys.factor_names;
    let (places, shots): (Vec<(usize, u32)>, Vec<Shot>) =
        studied(measured, names).into_iter().map(|s| ((s.volley, s.mark), s.shot)).unzip();
    // A session that was calibrated again has the factors of every calibration; each mark knows how many.
    let carried = measured.iter().flat_map(|v| &v.marks).map(|m| m.impact.shared.len()).max().unwrap_or(0);
    let calibration_factors = wall.map(|w| carried.max(w.covariance.parameters.len()));
    let mut factors = shared_factors(session, calibration_factors, solver);
    add_zero_factors(session, &mut factors);
    let scale =
        factors.names.iter().map(|n| if n == "speed scale" { session.spec.speed.scale_u } else { 0.0 }).collect();
    let reference = &session.spec.study.reference;
    let options = StudyOptions {
        matters_rad: session.spec.study.matters_rad,
        reference: (!reference.is_empty())
            .then(|| Setup::new(names.iter().filter_map(|n| reference.get(n).map(|v| (n.clone(), v.clone()))))),
        speed_shared_rel: scale,
        shared_factors: factors.names.clone(),
        failed: (measured.iter().enumerate())
            .filter(|(i, m)| m.volley.row.known_release.is_none() && !places.iter().any(|p| p.0 == *i))
            .map(|(_, m)| m.volley.row.volley.clone())
            .collect(),
        ..StudyOptions::default()
    };
    let (mut study, study_problem) = if shots.is_empty() {
        let zero = measured.iter().any(|m| m.volley.row.known_release.is_some() && m.status != Status::Failed);
        let why = if zero {
            "only zero shots gave a release angle: shoot the setups too"
        } else {
            "no volley gave a release angle"
        };
        (None, Some(why.to_string()))
    } else {
        match analyse(&shots, &options) {
            Ok(s) => (Some(s), None),
            Err(e) => (None, Some(e.to_string())),
        }
    };
    if let Some(s) = study.as_mut()
        && !measured.iter().all(Measured::x_known)
    {
        forget_sideways(s);
    }
    let kinds = shape.into_iter().flat_map(|s| [(s.dents, DENTS), (s.smeared, SMEARED)]);
    let odd_marks = kinds.filter(|k| k.0).map(|k| k.1.to_string());
    let (zero_notes, zero) = zero_words(session, measured);
    let looks =
        study.iter().filter_map(far_sideways).chain(hardly_known(measured)).chain(odd_marks).chain(zero).collect();
    let budgets = budgets(&shots, &factors, solver.inputs(), study.as_ref());
    let needed = |key: &str| wall.is_some() || !OF_PHOTOS.iter().any(|p| key.starts_with(p));
    let exact = session.spec.exact_inputs();
    let shown = exact.iter().filter(|s| needed(&s.key)).map(|s| format!("{} = {}", s.key, s.text)).collect();
    let mut assumed: Vec<String> = session
        .spec
        .assumed_inputs()
        .iter()
        .filter(|a| needed(a.key))
        .map(|a| format!("{}: {}", a.key, a.sentence))
        .collect();
    let known: Vec<&str> = session
        .volleys
        .rows
        .iter()
        .filter(|r| r.known_release.is_some_and(|q| q.is_exact()))
        .map(|r| r.volley.as_str())
        .collect();
    if !known.is_empty() {
        assumed.push(format!(
            "volleys.csv known_release_plus_minus_deg: not stated for {}; their known release angles are taken as exact",
            known.join(", ")
        ));
    }
    let alone = measured.iter().filter(|m| !m.marks.is_empty() && m.volley.row.speed_spread_mps.is_none()).count();
    if alone > 0 {
        assumed.push(format!(
            "volleys.csv speed_spread: not stated for {}; each of their shots is taken to have flown at its volley's speed: the ± of a single mark leaves out how the shots' speeds scatter, that of a volley's mean does not",
            counted(alone, "volley")
        ));
    }
    let mut volleys: Vec<VolleySummary> =
        measured.iter().map(|m| m.summary(Setup::new(factor_pairs(names, &m.volley.row.factors)))).collect();
    flag_doubtful(&mut volleys, study.as_ref().map_or(&[][..], |s| &s.doubtful), &places);
    Summary {
        version: VERSION,
        written_by: format!("pockmark {}", env!("CARGO_PKG_VERSION")),
        title: session.spec.title.clone(),
        units: Units::of(session),
        measured_on: measured_on(session, measured),
        volleys,
        study,
        study_problem,
        budgets,
        linear_checks: Vec::new(),
        calibration: wall.map(calibration_of),
        later_calibrations: Vec::new(),
        mark_shape: shape.cloned(),
        exact_inputs: shown,
        assumed_inputs: assumed,
        looks,
        notes: notes.iter().cloned().chain(zero_notes).collect(),
        files: session.read.clone(),
    }
}
