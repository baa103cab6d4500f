//! How do a session's volley photos become shots, volleys and a study?

use rayon::prelude::*;

use super::Progress;
use super::inputs::flight_inputs;
use super::judge::{Judged, judge};
use super::looks::{How, Pivot, PlacedPhoto, Reference, VolleyLook, look, place_photo};
use super::measure::measure;
use super::measured::Measured;
use super::outcome::Outcome;
use super::pictures::pictures;
use super::summary::summarise;
use crate::camera::Wall;
use crate::error::Result;
use crate::flight::Solver;
use crate::marks::learn::{colour, learn};
use crate::marks::patch::Patch;
use crate::marks::shape::MarkShape;
use crate::photo::decode::luma;
use crate::session::flags::FlagWord;
use crate::session::{PairedVolley, Session};

/// Diameters of marks to expect when nothing is said, mm: a 63 mm ball flattens over 15 to 45 mm (common practice, no source).
const DIAMETER_MM: (f64, f64) = (15.0, 45.0);

/// What a volley came to before it is written down.
enum Found {
    Failed(String, Vec<FlagWord>),
    Looked(Box<VolleyLook>),
}

/// Runs a session against its calibration.
///
/// # Errors
/// Files of the session that cannot be used; a machine that no flight fits. A single photo or volley that cannot be
/// used fails that volley only, and says why.
pub fn run_session(session: &Session, wall: &Wall, progress: Progress) -> Result<Outcome> {
    let pairing = session.pair_photos()?;
    let solver = Solver::new(&flight_inputs(&session.spec)?)?;
    let marks_spec = &session.spec.marks;
    let expected = (
        marks_spec.smallest_m.map_or(DIAMETER_MM.0, |m| m * 1e3),
        marks_spec.largest_m.map_or(DIAMETER_MM.1, |m| m * 1e3),
    );
    let start = MarkShape::plain(expected);
    let found = compare_all(session, wall, &pairing.volleys, start.radius_mm.0, progress);

    progress("learning what the marks look like");
    let looked: Vec<&VolleyLook> =
        found.iter().filter_map(|(_, f)| if let Found::Looked(l) = f { Some(&**l) } else { None }).collect();
    let volley_patches: Vec<_> =
        looked.iter().map(|l| (pairing.volleys[l.volley].row.shots as usize, l.groups.patches.as_slice())).collect();
    let colour = colour(&volley_patches);
    let opacities: Vec<(usize, Vec<Patch>)> = match colour {
        Some(c) => volley_patches.par_iter().map(|(n, p)| (*n, p.iter().map(|p| p.opacity(c)).collect())).collect(),
        None => looked.iter().map(|l| (pairing.volleys[l.volley].row.shots as usize, Vec::new())).collect(),
    };
    let shape = learn(&opacities, start);
    progress(&format!("marks: {:.0} mm across, learned from {}", 2.0 * shape.radius_mm.0, shape.learned_from));
    let judged: Vec<Judged> = opacities.par_iter().map(|(shots, patches)| judge(patches, *shots, &shape)).collect();

    let whitened = wall.whitened();
    let mut at = 0;
    let mut measured = Vec::new();
    for (index, f) in &found {
        let volley = &pairing.volleys[*index];
        measured.push(match f {
            Found::Failed(why, flags) => Measured::failed(volley, why.clone(), flags.clone()),
            Found::Looked(l) => {
                let m = measure(wall, &whitened, &solver, volley, l, &judged[at], &shape);
                at += 1;
                m
            }
        });
    }
    let factors = session.volleys.factor_names.clone();
    let pictures = pictures(session, &measured, progress);
    let mut summary = summarise(session, Some(wall), &solver, Some(&shape), &measured, &pairing.notes);
    summary.notes.extend(session.notes.iter().cloned());
    let mut outcome = Outcome {
        shots: measured.iter().flat_map(Measured::shot_rows).collect(),
        volleys: measured.iter().map(Measured::volley_row).collect(),
        summary,
        pictures,
        factor_names: factors,
    };
    outcome.follow_summary();
    Ok(outcome)
}

/// Compares every volley's photo with the one before it; each photo is decoded once.
fn compare_all(
    session: &Session,
    wall: &Wall,
    volleys: &[PairedVolley],
    radius_mm: f64,
    progress: Progress,
) -> Vec<(usize, Found)> {
    let folder = session.paths.photos();
    let m = &session.spec.machine;
    let pivot = Pivot { out_m: m.pivot_out.value, right_m: m.pivot_right.value };
    let tripod = session.spec.camera.tripod_photo.as_ref().map(|t| session.paths.dir.join(t));
    let mut tripod = Lazy::new(|| tripod.and_then(|t| Reference::of_tripod(wall, &t)));
    let mut good: Option<Reference> = None;
    let mut last: Option<(String, Result<PlacedPhoto>)> = None;
    let mut out = Vec::new();
    for (index, v) in volleys.iter().enumerate() {
        let mut place = |name: &str| {
            let references: Vec<&Reference> = tripod.get().into_iter().chain(&good).collect();
            place_photo(wall, &folder, name, &references)
        };
        let after = place(&v.photo);
        if v.row.shots > 0 {
            let found = match (&v.problem, &v.before) {
                (Some(p), _) => Found::Failed(p.clone(), vec![FlagWord::NoBefore]),
                (None, None) => Found::Failed(
                    "there is no photo of the wall before it: photograph the wall before you shoot, as a row with shots = 0".into(),
                    vec![FlagWord::NoBefore],
                ),
                (None, Some(name)) => {
                    let before = match last.take() {
                        Some((n, p)) if n == *name => p,
                        _ => place(name),
                    };
                    match (&before, &after) {
                        (Ok(b), Ok(a)) => match look(wall, index, v, b, a, pivot, radius_mm) {
                            Ok(l) => {
                                progress(&format!("volley {}: {} places changed", v.row.volley, l.groups.patches.len()));
                                Found::Looked(Box::new(l))
                            }
                            Err(e) => Found::Failed(e.to_string(), vec![FlagWord::CameraMoved]),
                        },
                        (Err(e), _) | (_, Err(e)) => Found::Failed(e.to_string(), Vec::new()),
                    }
                }
            };
            out.push((index, found));
        }
        // Without a tripod photo the last photo that showed sheets stands in for it.
        if let Ok(PlacedPhoto { place: Some((l, How::Sheets)), rgb, .. }) = &after
            && session.spec.camera.tripod_photo.is_none()
        {
            good = Some(Reference::new(wall, &v.photo, luma(rgb), l));
        }
        last = Some((v.photo.clone(), after));
    }
    out
}

/// A value made when it is first asked for.
struct Lazy<T, F: FnOnce() -> Option<T>> {
    make: Option<F>,
    value: Option<T>,
}

impl<T, F: FnOnce() -> Option<T>> Lazy<T, F> {
    fn new(make: F) -> Self {
        Self { make: Some(make), value: None }
    }

    fn get(&mut self) -> Option<&T> {
        if let Some(make) = self.make.take() {
            self.value = make();
        }
        self.value.as_ref()
    }
}
