//! How do a session's volley photos become shots, volleys and a study?

use std::collections::BTreeMap;
use std::path::PathBuf;

use rayon::prelude::*;

use super::Progress;
use super::inputs::flight_inputs;
use super::judge::{FoundMark, Judged, judge};
use super::looks::{How, Pivot, PlacedPhoto, Reference, VolleyLook, look, place_photo};
use super::summary::{Measured, MeasuredMark, pictures, summarise};
use crate::camera::Wall;
use crate::error::Result;
use crate::flight::{Impact, Release, Solver};
use crate::marks::learn::{colour, learn};
use crate::marks::patch::Patch;
use crate::marks::shape::MarkShape;
use crate::photo::decode::luma;
use crate::points::{PixelPoint, WallPoint};
use crate::report::{Summary, VolleyPicture};
use crate::session::flags::FlagWord;
use crate::session::results::{ShotRow, Status, VolleyResult, shots_csv, volleys_csv, write_together};
use crate::session::{PairedVolley, Session};

/// Diameters of marks to expect when nothing is said, mm: a 63 mm ball flattens over 15 to 45 mm (common practice, no source).
const DIAMETER_MM: (f64, f64) = (15.0, 45.0);
/// Log light ratio between parts of the wall beyond which the light "changed much": a factor of two.
const LIGHT_STEP: f64 = 0.7;
/// A mark whose strength is fewer own standard uncertainties than this is faint.
const FAINT: f64 = 8.0;
/// A number of marks less probable than this is doubtful, whatever it is.
const SURE: f64 = 0.8;
/// Two centres this near, in usual radii, are told apart by ragged edges alone; with one of them smaller or weaker than
/// usual by [`UNLIKE`] standard deviations, up to [`NEAR`]. (Every split mark of five rendered kinds of session fell under one of the two.)
const VERY_NEAR: f64 = 0.4;
const NEAR: f64 = 1.0;
const UNLIKE: f64 = 1.2;
/// Camera shift between two photos that is worth a word, px.
const MOVED_PX: f64 = 3.0;

/// Everything that a run found.
pub struct Outcome {
    /// Rows of shots.csv.
    pub shots: Vec<ShotRow>,
    /// Rows of volleys.csv.
    pub volleys: Vec<VolleyResult>,
    /// Content of summary.json.
    pub summary: Summary,
    /// Pictures for the page.
    pub pictures: Vec<VolleyPicture>,
    /// Factor names, in the table's order.
    pub factor_names: Vec<String>,
}

impl Outcome {
    /// True when every volley is ok.
    pub fn all_ok(&self) -> bool {
        self.volleys.iter().all(|v| v.status == Status::Ok)
    }

    /// True when no volley gave a result.
    pub fn all_failed(&self) -> bool {
        !self.volleys.is_empty() && self.volleys.iter().all(|v| v.status == Status::Failed)
    }
}

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
    let mut summary = summarise(session, Some(wall), &solver, Some(&shape), &mut measured, &pairing.notes);
    summary.notes.extend(session.notes.iter().cloned());
    Ok(Outcome {
        shots: measured.iter().flat_map(Measured::shot_rows).collect(),
        volleys: measured.iter().map(Measured::volley_row).collect(),
        summary,
        pictures,
        factor_names: factors,
    })
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

/// One mark on the wall, with everything that makes it doubtful, m.
fn impact_of(
    wall: &Wall,
    whitened: &nalgebra::DMatrix<f64>,
    l: &VolleyLook,
    m: &FoundMark,
    volley: &PairedVolley,
) -> Impact {
    let point = WallPoint::new(m.x_mm * 1e-3, m.y_mm * 1e-3);
    Impact {
        point,
        own_cov_m2: m.covariance_mm2.map(|r| r.map(|v| v * 1e-6)),
        shared: l.located.shared_at(wall, whitened, point).unwrap_or_default(),
        speed_mps: volley.row.speed_mps.unwrap_or(f64::NAN),
        speed_own_u_mps: volley.row.speed_spread_mps.unwrap_or(0.0),
    }
}

fn measure(
    wall: &Wall,
    whitened: &nalgebra::DMatrix<f64>,
    solver: &Solver,
    volley: &PairedVolley,
    l: &VolleyLook,
    judged: &Judged,
    shape: &MarkShape,
) -> Measured {
    let mut flags = Vec::new();
    let (mut notes, mut known): (Vec<String>, Vec<String>) = Default::default();
    let mut marks = Vec::new();
    for m in &judged.marks {
        let impact = impact_of(wall, whitened, l, m, volley);
        let solved: Option<Release> = match solver.solve(&impact) {
            Ok(r) => Some(r),
            Err(e) => {
                flags.push(FlagWord::Unreachable);
                notes.push(e.to_string());
                None
            }
        };
        let pixel = l.located.view.pixel_from_wall(impact.point).unwrap_or(PixelPoint::new(f64::NAN, f64::NAN));
        let pose = l.located.pose_covariance_at(impact.point).unwrap_or_default();
        let mut own = Vec::new();
        if m.count > 1 {
            own.push(FlagWord::Merged);
        }
        if m.overlaps {
            own.push(FlagWord::Crowded);
        }
        if m.significance < FAINT {
            own.push(FlagWord::Faint);
        }
        if near_edge(l, m, pixel) {
            own.push(FlagWord::Edge);
        }
        marks.push(MeasuredMark {
            found: m.clone(),
            impact,
            pixel,
            pose_covariance_m2: pose,
            release: solved,
            flags: own,
        });
    }
    let balls: u32 = marks.iter().map(|m| m.found.count).sum();
    let entries = marks.len() as u32;
    let shots = volley.row.shots;
    if entries < shots {
        flags.push(FlagWord::MissingShots);
        notes.push(if balls == shots {
            format!("{entries} marks for {shots} shots: the marks flagged merged most likely stand for several balls; look at the photo")
        } else {
            let where_ = hiding_place(&marks);
            format!("{} of {shots} shots missing{where_}: look for marks on top of each other or off the photo", shots - balls.min(shots))
        });
    }
    if balls > shots {
        flags.push(FlagWord::ExtraMarks);
        let weakest = marks.iter().enumerate().min_by(|a, b| a.1.found.significance.total_cmp(&b.1.found.significance));
        let which = weakest.map_or(String::new(), |(i, _)| format!(" (most doubtful: mark {})", i + 1));
        notes.push(format!("{balls} marks for {shots} shots{which}: check the photo and the count in volleys.csv"));
    }
    let unsure = marks.iter().enumerate().find(|(_, m)| told_apart_barely(&m.found, judged, shape));
    if entries == shots && !marks.is_empty() {
        if judged.probability < SURE {
            flags.push(FlagWord::Doubtful);
            notes.push(format!(
                "the marks overlap so much that their number is only {:.0} % sure: look at the photo",
                100.0 * judged.probability
            ));
        } else if let Some((i, _)) = unsure {
            flags.push(FlagWord::Doubtful);
            notes.push(format!("mark {} is barely told apart from its neighbour: look at the photo", i + 1));
        }
    }
    if !l.groups.too_big.is_empty() {
        flags.push(FlagWord::BigChange);
        notes.push(
            "something bigger than marks changed on the wall; shots may hide behind it: look at the photo".into(),
        );
    }
    if !l.groups.on_paper.is_empty() {
        flags.push(FlagWord::OnSheet);
        notes.push(
            "something changed on a sheet: look whether a ball hit it, and whether it still hangs flat and in place"
                .into(),
        );
    }
    if l.light_step > LIGHT_STEP {
        flags.push(FlagWord::LightChanged);
        notes
            .push("the light changed by more than a factor of two between parts of the wall: look at the photo".into());
    }
    if let How::Wall { to, moved_px, u_px } = &l.how {
        flags.extend([FlagWord::NoSheets, FlagWord::Registered]);
        if *moved_px > MOVED_PX {
            known.push(format!(
                "no sheet seen; followed the wall from {to}: moved {moved_px:.1} px, corrected to ± {:.2} px",
                2.0 * u_px
            ));
        }
    } else if l.shift_px > MOVED_PX {
        known.push(format!("the camera had moved by up to {:.1} px; the sheets corrected for it", l.shift_px));
    }
    if marks.iter().any(|m| m.flags.contains(&FlagWord::Edge)) {
        notes.push("a mark touches the photo's edge: aim the camera so that all marks are inside".into());
    }
    flags.extend(marks.iter().flat_map(|m| m.flags.iter().copied()).filter(|f| *f != FlagWord::Faint));
    Measured::looked(volley, l, judged, marks, flags, notes, known)
}

/// A mark so near to another, or so near and so unlike the usual one, that ragged edges could pass for it.
fn told_apart_barely(m: &FoundMark, judged: &Judged, shape: &MarkShape) -> bool {
    let nearest = judged
        .marks
        .iter()
        .filter(|n| (n.x_mm, n.y_mm) != (m.x_mm, m.y_mm))
        .map(|n| (n.x_mm - m.x_mm).hypot(n.y_mm - m.y_mm))
        .fold(f64::MAX, f64::min);
    let radius = shape.radius_mm.0;
    let unlike =
        m.radius_mm < radius - UNLIKE * shape.radius_mm.1 || m.strength < shape.strength.0 - UNLIKE * shape.strength.1;
    nearest < VERY_NEAR * radius || (nearest < NEAR * radius && unlike)
}

fn near_edge(l: &VolleyLook, m: &FoundMark, p: PixelPoint) -> bool {
    let j = l.located.view.pixels_per_metre(WallPoint::new(m.x_mm * 1e-3, m.y_mm * 1e-3));
    let reach = j.map_or(0.0, |j| 1.2e-3 * m.radius_mm * j.iter().flatten().fold(0.0f64, |s, v| s.max(v.abs())));
    let (w, h) = (f64::from(l.size_px.0), f64::from(l.size_px.1));
    !(p.x_px > reach && p.y_px > reach && p.x_px < w - 1.0 - reach && p.y_px < h - 1.0 - reach)
}

/// Where a missing ball most likely hides: the strongest mark that overlaps others.
fn hiding_place(marks: &[MeasuredMark]) -> String {
    marks
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.found.strength.total_cmp(&b.1.found.strength))
        .map_or(String::new(), |(i, _)| format!(" (most likely under mark {})", i + 1))
}

/// Writes all results, whole or not at all; the paths written.
///
/// # Errors
/// The folder cannot be written.
pub fn write_results(session: &Session, outcome: &Outcome) -> Result<Vec<PathBuf>> {
    let folder = session.paths.results();
    let json = serde_json::to_string_pretty(&outcome.summary)
        .map_err(|e| crate::error::Error::no_answer(format!("the results hold a value that JSON cannot ({e})")))?;
    let page = crate::report::page(&outcome.summary, &outcome.pictures)?;
    let shots = shots_csv(&outcome.shots, &outcome.factor_names)?;
    let volleys = volleys_csv(&outcome.volleys)?;
    let files: Vec<(PathBuf, &[u8])> = vec![
        (folder.join("shots.csv"), &shots),
        (folder.join("volleys.csv"), &volleys),
        (folder.join("summary.json"), json.as_bytes()),
        (folder.join("report.html"), page.as_bytes()),
    ];
    std::fs::create_dir_all(&folder).map_err(|e| crate::error::Error::io(&folder, "make the folder", e))?;
    write_together(&files)?;
    Ok(files.into_iter().map(|f| f.0).collect())
}

/// Factors of a volley in the table's order.
pub fn factor_pairs(names: &[String], factors: &BTreeMap<String, String>) -> Vec<(String, String)> {
    names.iter().map(|n| (n.clone(), factors.get(n).cloned().unwrap_or_default())).collect()
}
