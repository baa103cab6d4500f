//! How do measured volleys become a study, budgets and a summary?

use super::measured::{Measured, factor_pairs, study_marks, study_shots};
use crate::camera::Wall;
use crate::flight::Solver;
use crate::marks::shape::MarkShape;
use crate::photo::read_exif;
use crate::report::Units;
use crate::report::model::{
    Budget, BudgetLine, CalibrationSummary, CornerResidual, FileHash, LengthCheck, Summary, VERSION, VolleySummary,
};
use crate::session::Session;
use crate::session::flags::FlagWord;
use crate::session::hash::sha256_file;
use crate::session::results::Status;
use crate::study::{Doubtful, Setup, Shot, StudyOptions, VolleyStatus, analyse};
use crate::uncertainty::{Estimate, SharedFactors};

/// What to measure better, by the name of the largest contribution.
fn advice(lines: &[BudgetLine], own_deg: f64, whole_deg: f64) -> String {
    let Some(first) = lines.first().filter(|l| l.u_deg > own_deg) else {
        return "The shots' own scatter dominates: more volleys help most.".into();
    };
    let share = 100.0 * (first.u_deg / whole_deg).powi(2);
    let what = match first.name.as_str() {
        "speed scale" => "a speed reading with half the doubt",
        "pivot out" => "the distance from pivot to wall, measured again with a better tape",
        "pivot up" => "the pivot's height above the origin, measured again (a laser line or water level)",
        "arm" => "the arm's length to the ball's centre, measured again",
        "zero" => "the machine's zero, checked with a better angle gauge",
        "drag" => "the ball's drag (a second speed reading near the wall shows it)",
        "spin" => "the ball's spin (high-speed video of a marked ball)",
        "lean" => "the wall's lean, measured with a plumb line",
        "calibration" => "the tape distances between the crosses and the printed bars",
        _ => "this quantity, measured again",
    };
    format!(
        "{} dominates ({share:.0} % of the variance): {what} would help most. It cancels when setups of this session are compared.",
        first.name
    )
}

fn budgets(shots: &[Shot], factors: &SharedFactors, setpoint_of: impl Fn(&Shot) -> f64) -> Vec<Budget> {
    let mut cells: Vec<(Setup, f64, Vec<&Shot>)> = Vec::new();
    for s in shots.iter().filter(|s| s.status != VolleyStatus::Failed) {
        let at = setpoint_of(s);
        match cells.iter_mut().find(|c| c.0 == s.setup && c.1 == at) {
            Some(c) => c.2.push(s),
            None => cells.push((s.setup.clone(), at, vec![s])),
        }
    }
    cells
        .into_iter()
        .map(|(setup, setpoint_mps, shots)| {
            let n: f64 = shots.iter().map(|s| f64::from(s.count)).sum();
            let mean = Estimate::combination(shots.iter().map(|s| (f64::from(s.count) / n, &s.release)));
            let lines: Vec<BudgetLine> = mean
                .budget(factors)
                .into_iter()
                .filter(|l| l.name != "own" && l.u > 0.0)
                .map(|l| BudgetLine { name: l.name, u_deg: l.u.to_degrees() })
                .collect();
            let (own, whole) = (mean.u_own().to_degrees(), mean.u().to_degrees());
            let advice = advice(&lines, own, whole);
            Budget { setup, setpoint_mps, u_deg: whole, u_own_deg: own, lines, advice }
        })
        .collect()
}

/// Flags the shots that the study finds doubtful, and has their volleys looked at.
fn flag_doubtful(volleys: &mut [VolleySummary], doubtful: &[Doubtful], marks: &[(usize, u32)]) {
    for d in doubtful {
        let Some(&(volley, number)) = marks.get(d.shot) else { continue };
        let Some(v) = volleys.get_mut(volley) else { continue };
        if let Some(m) = v.marks.iter_mut().find(|m| m.mark == number) {
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

/// Puts everything that the report shows together. What the study finds doubtful is flagged here, with a note and a status of
/// its volley: [`super::Outcome::follow_summary`] takes that over into the tables.
pub fn summarise(
    session: &Session,
    wall: Option<&Wall>,
    solver: &Solver,
    shape: Option<&MarkShape>,
    measured: &[Measured],
    notes: &[String],
) -> Summary {
    let names = &session.volleys.factor_names;
    let shots = study_shots(measured, names);
    // A session that was calibrated again has the factors of every calibration; each mark knows how many.
    let carried = measured.iter().flat_map(|v| &v.marks).map(|m| m.impact.shared.len()).max();
    let calibration_factors = carried.unwrap_or(0).max(wall.map_or(0, |w| w.covariance.parameters.len()));
    let factors = solver.shared_factors(calibration_factors);
    let scale =
        factors.names.iter().map(|n| if n == "speed scale" { session.spec.speed.scale_u } else { 0.0 }).collect();
    let reference = &session.spec.study.reference;
    let options = StudyOptions {
        matters_rad: session.spec.study.matters_rad,
        reference: (!reference.is_empty())
            .then(|| Setup::new(names.iter().filter_map(|n| reference.get(n).map(|v| (n.clone(), v.clone()))))),
        speed_shared_rel: scale,
        shared_factors: factors.names.clone(),
        failed: measured
            .iter()
            .map(|m| &m.volley.row.volley)
            .filter(|v| !shots.iter().any(|s| s.volley == **v))
            .cloned()
            .collect(),
        ..StudyOptions::default()
    };
    let (study, study_problem) = if shots.is_empty() {
        (None, Some("no volley gave a release angle".to_string()))
    } else {
        match analyse(&shots, &options) {
            Ok(s) => (Some(s), None),
            Err(e) => (None, Some(e.to_string())),
        }
    };
    let nearest = |s: &Shot| {
        let points = study.as_ref().map_or(&[][..], |s| s.setpoints_mps.as_slice());
        let read = s.setpoint_mps.unwrap_or(s.speed_mps);
        points.iter().copied().min_by(|a, b| (a - read).abs().total_cmp(&(b - read).abs())).unwrap_or(read)
    };
    let budgets = budgets(&shots, &factors, nearest);
    let shown = session.spec.exact_inputs().iter().map(|s| format!("{} = {}", s.key, s.text)).collect();
    let mut files = Vec::new();
    for path in [
        session.paths.session_toml(),
        session.paths.volleys_csv(),
        session.paths.wall_json(),
        session.paths.review_csv(),
    ] {
        if let (Ok(sha256), Some(name)) = (sha256_file(&path), path.file_name()) {
            files.push(FileHash { path: name.to_string_lossy().into_owned(), sha256 });
        }
    }
    let mut volleys: Vec<VolleySummary> =
        measured.iter().map(|m| m.summary(Setup::new(factor_pairs(names, &m.volley.row.factors)))).collect();
    flag_doubtful(&mut volleys, study.as_ref().map_or(&[][..], |s| &s.doubtful), &study_marks(measured));
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
        calibration: wall.map(|w| CalibrationSummary {
            camera: w.camera,
            tripod_pose: w.tripod_pose,
            sheets: w.sheets.clone(),
            printed_scale: w.printed_scale,
            quality: w.quality.clone(),
            residuals: w
                .quality
                .residuals
                .iter()
                .map(|r| CornerResidual {
                    photo: r.photo.clone(),
                    sheet: r.sheet,
                    x_px: r.x_px,
                    y_px: r.y_px,
                    dx_px: r.dx_px,
                    dy_px: r.dy_px,
                })
                .collect(),
            trust_map: None,
            checks: w
                .quality
                .checks
                .iter()
                .map(|c| LengthCheck {
                    what: c.what.clone(),
                    stated_mm: c.stated_mm,
                    u_mm: c.u_mm,
                    fitted_mm: c.fitted_mm,
                })
                .collect(),
        }),
        mark_shape: shape.cloned(),
        exact_inputs: shown,
        assumed_inputs: session.spec.assumed_inputs().iter().map(|a| format!("{}: {}", a.key, a.sentence)).collect(),
        notes: notes.to_vec(),
        files,
    }
}
