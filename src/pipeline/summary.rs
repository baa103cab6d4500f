//! How do measured volleys become rows, a study, budgets and pictures?

use image::RgbImage;
use rayon::prelude::*;

use super::Progress;
use super::judge::{FoundMark, Judged};
use super::looks::VolleyLook;
use super::run::factor_pairs;
use crate::camera::{Wall, WallView};
use crate::flight::{Impact, Release, Solver};
use crate::marks::shape::MarkShape;
use crate::photo::{decode_rgb, read_exif};
use crate::points::{PixelPoint, WallPoint};
use crate::report::model::{
    Budget, BudgetLine, CalibrationSummary, FileHash, MarkSummary, Outline, Summary, VERSION, VolleyPicture,
    VolleySummary,
};
use crate::session::flags::FlagWord;
use crate::session::hash::sha256_file;
use crate::session::results::{ShotRow, Status, VolleyResult};
use crate::session::{PairedVolley, Session};
use crate::study::{Setup, Shot, StudyOptions, VolleyStatus, analyse};
use crate::uncertainty::{Estimate, SharedFactors};

/// Longer side of a report's picture, px.
const PICTURE_PX: u32 = 560;
/// Space around the marks in a picture, marks' radii.
const PICTURE_MARGIN: f64 = 3.0;

/// A mark with its place and release.
pub struct MeasuredMark {
    /// What was found.
    pub found: FoundMark,
    /// Its place on the wall with all doubts.
    pub impact: Impact,
    /// Its place in the photo.
    pub pixel: PixelPoint,
    /// Covariance of the place from the photo's own pose, m^2: all marks of the photo share it.
    pub pose_covariance_m2: [[f64; 2]; 2],
    /// Its release; `None` when the ball cannot get there.
    pub release: Option<Release>,
    /// What is special about it.
    pub flags: Vec<FlagWord>,
}

/// A volley with everything that was found of it.
pub struct Measured {
    /// The row and its photos.
    pub volley: PairedVolley,
    /// How far to trust it.
    pub status: Status,
    /// What is wrong and what to do.
    pub note: String,
    /// What is special about it.
    pub flags: Vec<FlagWord>,
    /// Its marks.
    pub marks: Vec<MeasuredMark>,
    /// How the photo sees the wall.
    pub view: Option<WallView>,
    /// RMS of the photo's sheet corners, px.
    pub pose_rms_px: Option<f64>,
    /// Sheets used.
    pub pose_sheets: Vec<usize>,
    /// Mean over all ways to count less the mean of the marks, mm, and the variance from the choice, mm^2.
    pub mean_shift_mm: [f64; 2],
    /// See `mean_shift_mm`.
    pub mean_variance_mm2: [[f64; 2]; 2],
}

impl Measured {
    /// A volley without an answer.
    pub fn failed(volley: &PairedVolley, note: String, flags: Vec<FlagWord>) -> Self {
        Self {
            volley: volley.clone(),
            status: Status::Failed,
            note,
            flags,
            marks: Vec::new(),
            view: None,
            pose_rms_px: None,
            pose_sheets: Vec::new(),
            mean_shift_mm: [0.0; 2],
            mean_variance_mm2: [[0.0; 2]; 2],
        }
    }

    /// A volley whose photo was looked at.
    pub fn looked(
        volley: &PairedVolley,
        l: &VolleyLook,
        judged: &Judged,
        marks: Vec<MeasuredMark>,
        mut flags: Vec<FlagWord>,
        mut notes: Vec<String>,
        known: Vec<String>,
    ) -> Self {
        flags.sort_unstable();
        flags.dedup();
        let look = flags.iter().any(|f| f.makes_look());
        let status = if marks.is_empty() {
            Status::Failed
        } else if look {
            Status::Look
        } else {
            Status::Ok
        };
        // What is known and corrected is worth a word only where a person looks anyway.
        if status != Status::Ok {
            notes.extend(known);
        }
        let mut note = notes.join("; ");
        if marks.is_empty() {
            note = format!(
                "no new mark was found: is {} the photo after this volley, and the row before it the photo before?",
                volley.photo
            );
        }
        Self {
            volley: volley.clone(),
            status,
            note,
            flags,
            marks,
            view: Some(l.located.view),
            pose_rms_px: l.located.sheets.first().map(|_| l.located.rms_px),
            pose_sheets: l.located.sheets.clone(),
            mean_shift_mm: judged.mean_shift_mm,
            mean_variance_mm2: judged.mean_variance_mm2,
        }
    }

    fn balls(&self) -> u32 {
        self.marks.iter().map(|m| m.found.count).sum()
    }

    fn mean_mm(&self) -> Option<[f64; 2]> {
        let n = f64::from(self.balls());
        let sum = self.marks.iter().fold([0.0; 2], |s, m| {
            let c = f64::from(m.found.count);
            [s[0] + c * m.found.x_mm, s[1] + c * m.found.y_mm]
        });
        (n > 0.0).then(|| [sum[0] / n + self.mean_shift_mm[0], sum[1] / n + self.mean_shift_mm[1]])
    }

    /// Variance of a release that all marks of this volley have in common and other volleys do not, rad^2.
    fn volley_var(&self, r: &Release, m: &MeasuredMark) -> f64 {
        let [x, y, _] = r.by_mark_and_speed;
        let through =
            |c: &[[f64; 2]; 2], scale: f64| scale * (x * x * c[0][0] + 2.0 * x * y * c[0][1] + y * y * c[1][1]);
        through(&m.pose_covariance_m2, 1.0) + through(&self.mean_variance_mm2, 1e-6)
    }

    /// Mean release of the volley: own part from marks, counting and pose. The speeds' spread does not enter: the
    /// volley's speed is the mean of its shots'.
    fn mean_release(&self) -> Option<Estimate> {
        let solved: Vec<(&MeasuredMark, &Release)> =
            self.marks.iter().filter_map(|m| m.release.as_ref().map(|r| (m, r))).collect();
        let n: f64 = solved.iter().map(|(m, _)| f64::from(m.found.count)).sum();
        let (first, slope) = solved.first()?;
        let mut mean = Estimate::combination(solved.iter().map(|(m, r)| (f64::from(m.found.count) / n, &r.release)));
        mean.own_var = solved
            .iter()
            .map(|(m, r)| {
                let [x, y, _] = r.by_mark_and_speed;
                let c = &m.impact.own_cov_m2;
                let v = x * x * c[0][0] + 2.0 * x * y * c[0][1] + y * y * c[1][1];
                (f64::from(m.found.count) / n).powi(2) * v
            })
            .sum::<f64>()
            + self.volley_var(slope, first);
        let [x, y, _] = slope.by_mark_and_speed;
        mean.value += 1e-3 * (x * self.mean_shift_mm[0] + y * self.mean_shift_mm[1]);
        Some(mean)
    }

    fn spread_deg(&self) -> Option<f64> {
        let v: Vec<f64> = self.marks.iter().filter_map(|m| m.release.as_ref()).map(|r| r.release.value).collect();
        let n = v.len() as f64;
        let mean = v.iter().sum::<f64>() / n;
        (v.len() > 1).then(|| (v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt().to_degrees())
    }

    /// Its rows of shots.csv.
    pub fn shot_rows(&self) -> Vec<ShotRow> {
        let summary = self.mark_summaries();
        self.marks
            .iter()
            .zip(summary)
            .map(|(m, s)| ShotRow {
                volley: self.volley.row.volley.clone(),
                mark: s.mark,
                count: s.count,
                photo: self.volley.photo.clone(),
                factors: self.volley.row.factors.clone(),
                speed_mps: self.volley.row.speed_mps,
                px_x: s.px_x,
                px_y: s.px_y,
                x_mm: s.x_mm,
                y_mm: s.y_mm,
                x_u_mm: s.x_u_mm,
                y_u_mm: s.y_u_mm,
                diameter_mm: s.diameter_mm,
                significance: Some(m.found.significance),
                release_deg: s.release_deg,
                release_u_own_deg: s.release_u_own_deg,
                release_u_deg: s.release_u_deg,
                sideways_deg: s.sideways_deg,
                sideways_u_deg: s.sideways_u_deg,
                flags: s.flags,
            })
            .collect()
    }

    fn mark_summaries(&self) -> Vec<MarkSummary> {
        self.marks
            .iter()
            .enumerate()
            .map(|(i, m)| {
                let shared = |k: usize| m.impact.shared.iter().map(|s| s[k] * s[k]).sum::<f64>();
                let u_mm = |k: usize| {
                    Some(1e3 * (m.impact.own_cov_m2[k][k] + m.pose_covariance_m2[k][k] + shared(k)).max(0.0).sqrt())
                };
                let r = m.release.as_ref();
                let pose_var = r.map_or(0.0, |r| {
                    let [x, y, _] = r.by_mark_and_speed;
                    let c = &m.pose_covariance_m2;
                    x * x * c[0][0] + 2.0 * x * y * c[0][1] + y * y * c[1][1]
                });
                let deg = |v: f64| Some(v.to_degrees());
                MarkSummary {
                    mark: i as u32 + 1,
                    count: m.found.count,
                    px_x: Some(m.pixel.x_px),
                    px_y: Some(m.pixel.y_px),
                    x_mm: Some(m.found.x_mm),
                    y_mm: Some(m.found.y_mm),
                    x_u_mm: u_mm(0),
                    y_u_mm: u_mm(1),
                    diameter_mm: Some(2.0 * m.found.radius_mm),
                    release_deg: r.and_then(|r| deg(r.release.value)),
                    release_u_own_deg: r.and_then(|r| deg((r.release.own_var + pose_var).sqrt())),
                    release_u_deg: r.and_then(|r| deg((r.release.u().powi(2) + pose_var).sqrt())),
                    sideways_deg: r.and_then(|r| deg(r.sideways.value)),
                    sideways_u_deg: r.and_then(|r| deg(r.sideways.u())),
                    flags: m.flags.clone(),
                }
            })
            .collect()
    }

    /// Its row of volleys.csv.
    pub fn volley_row(&self) -> VolleyResult {
        let mean = self.mean_mm();
        let release = self.mean_release();
        VolleyResult {
            volley: self.volley.row.volley.clone(),
            photo: self.volley.photo.clone(),
            before: self.volley.before.clone(),
            status: self.status,
            shots: self.volley.row.shots,
            found: self.balls(),
            mean_x_mm: mean.map(|m| m[0]),
            mean_y_mm: mean.map(|m| m[1]),
            mean_release_deg: release.as_ref().map(|r| r.value.to_degrees()),
            mean_release_u_own_deg: release.as_ref().map(|r| r.u_own().to_degrees()),
            mean_release_u_deg: release.as_ref().map(|r| r.u().to_degrees()),
            spread_release_deg: self.spread_deg(),
            flags: self.flags.clone(),
            note: self.note.clone(),
        }
    }

    fn summary(&self, setup: Setup) -> VolleySummary {
        let row = self.volley_row();
        VolleySummary {
            volley: row.volley,
            photo: row.photo,
            before: row.before,
            status: row.status,
            note: row.note,
            flags: row.flags,
            setup,
            setpoint_mps: self.volley.row.setpoint_mps,
            speed_mps: self.volley.row.speed_mps,
            shots: row.shots,
            found: row.found,
            mean_x_mm: row.mean_x_mm,
            mean_y_mm: row.mean_y_mm,
            mean_release_deg: row.mean_release_deg,
            mean_release_u_own_deg: row.mean_release_u_own_deg,
            mean_release_u_deg: row.mean_release_u_deg,
            spread_release_deg: row.spread_release_deg,
            marks: self.mark_summaries(),
            pose_rms_px: self.pose_rms_px,
            pose_sheets: self.pose_sheets.clone(),
        }
    }
}

fn study_shots(measured: &[Measured], names: &[String]) -> Vec<Shot> {
    measured
        .iter()
        .flat_map(|v| {
            let status = match v.status {
                Status::Ok => VolleyStatus::Ok,
                Status::Look => VolleyStatus::Look,
                Status::Failed => VolleyStatus::Failed,
            };
            let setup = Setup::new(factor_pairs(names, &v.volley.row.factors));
            v.marks
                .iter()
                .filter_map(move |m| {
                    let r = m.release.as_ref()?;
                    let [x, y, _] = r.by_mark_and_speed;
                    let mut release = r.release.clone();
                    release.value += 1e-3 * (x * v.mean_shift_mm[0] + y * v.mean_shift_mm[1]);
                    Some(Shot {
                        volley: v.volley.row.volley.clone(),
                        status,
                        setup: setup.clone(),
                        setpoint_mps: v.volley.row.setpoint_mps,
                        speed_mps: v.volley.row.speed_mps?,
                        release,
                        sideways: r.sideways.clone(),
                        count: m.found.count,
                        volley_var: v.volley_var(r, m),
                    })
                })
                .collect::<Vec<_>>()
        })
        .collect()
}

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

/// Puts everything that the report shows together. What the study finds doubtful stands in the study.
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
    let calibration_factors = wall.map_or(0, |w| w.covariance.parameters.len());
    let factors = solver.shared_factors(calibration_factors);
    let scale =
        factors.names.iter().map(|n| if n == "speed scale" { session.spec.speed.scale_u } else { 0.0 }).collect();
    let reference = &session.spec.study.reference;
    let options = StudyOptions {
        matters_rad: session.spec.study.matters_rad,
        reference: (!reference.is_empty())
            .then(|| Setup::new(names.iter().filter_map(|n| reference.get(n).map(|v| (n.clone(), v.clone()))))),
        speed_shared_rel: scale,
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
    for path in [session.paths.session_toml(), session.paths.volleys_csv(), session.paths.wall_json()] {
        if let (Ok(sha256), Some(name)) = (sha256_file(&path), path.file_name()) {
            files.push(FileHash { path: name.to_string_lossy().into_owned(), sha256 });
        }
    }
    Summary {
        version: VERSION,
        written_by: format!("pockmark {}", env!("CARGO_PKG_VERSION")),
        title: session.spec.title.clone(),
        volleys: measured.iter().map(|m| m.summary(Setup::new(factor_pairs(names, &m.volley.row.factors)))).collect(),
        study,
        study_problem,
        budgets,
        calibration: wall.map(|w| CalibrationSummary {
            camera: w.camera,
            tripod_pose: w.tripod_pose,
            sheets: w.sheets.clone(),
            printed_scale: w.printed_scale,
            quality: w.quality.clone(),
        }),
        mark_shape: shape.cloned(),
        exact_inputs: shown,
        assumed_inputs: session.spec.assumed_inputs().iter().map(|a| format!("{}: {}", a.key, a.sentence)).collect(),
        notes: notes.to_vec(),
        files,
    }
}

/// Cuts each volley's part of the photos for the page; a volley whose photos cannot be read again has none.
pub fn pictures(session: &Session, measured: &[Measured], progress: Progress) -> Vec<VolleyPicture> {
    progress("cutting pictures");
    measured.par_iter().filter_map(|m| picture(session, m)).collect()
}

fn picture(session: &Session, m: &Measured) -> Option<VolleyPicture> {
    let view = m.view?;
    let outlines: Vec<Outline> = m
        .marks
        .iter()
        .enumerate()
        .map(|(i, k)| Outline { mark: i as u32 + 1, count: k.found.count, points_px: circle(&view, &k.found, 1.0) })
        .collect();
    let around: Vec<(f64, f64)> = m.marks.iter().flat_map(|k| circle(&view, &k.found, PICTURE_MARGIN)).collect();
    let bound = |f: &dyn Fn(&(f64, f64)) -> f64| {
        around.iter().map(f).fold((f64::MAX, f64::MIN), |b, v| (b.0.min(v), b.1.max(v)))
    };
    let ((x0, x1), (y0, y1)) = (bound(&|p| p.0), bound(&|p| p.1));
    if around.is_empty() || x1 <= x0 || y1 <= y0 {
        return None;
    }
    let read = |name: &str| -> Option<RgbImage> {
        let path = session.paths.photos().join(name);
        let turn = read_exif(&path).ok()?.orientation.unwrap_or(1);
        decode_rgb(&path, turn).ok()
    };
    let (after, before) = (read(&m.volley.photo)?, read(m.volley.before.as_deref()?)?);
    let (w, h) = (after.width(), after.height());
    let (x0, y0) = (x0.max(0.0) as u32, y0.max(0.0) as u32);
    let (x1, y1) = ((x1.ceil() as u32).min(w), (y1.ceil() as u32).min(h));
    if x1 <= x0 + 4 || y1 <= y0 + 4 || before.dimensions() != after.dimensions() {
        return None;
    }
    let step = (f64::from((x1 - x0).max(y1 - y0)) / f64::from(PICTURE_PX)).max(1.0);
    let cut = |im: &RgbImage| {
        let part = image::imageops::crop_imm(im, x0, y0, x1 - x0, y1 - y0).to_image();
        if step > 1.0 {
            let size = |n: u32| ((f64::from(n) / step) as u32).max(1);
            image::imageops::resize(&part, size(x1 - x0), size(y1 - y0), image::imageops::FilterType::Triangle)
        } else {
            part
        }
    };
    Some(VolleyPicture {
        volley: m.volley.row.volley.clone(),
        after: cut(&after),
        before: cut(&before),
        origin_px: (x0.into(), y0.into()),
        step_px: step,
        outlines,
    })
}

/// A mark's circle on the wall, `grow` times its radius, as the photo shows it.
fn circle(view: &WallView, m: &FoundMark, grow: f64) -> Vec<(f64, f64)> {
    (0..48)
        .filter_map(|k| {
            let a = f64::from(k) * std::f64::consts::TAU / 48.0;
            let r = 1e-3 * grow * m.radius_mm;
            let w = WallPoint::new(1e-3 * m.x_mm + r * a.cos(), 1e-3 * m.y_mm + r * a.sin());
            view.pixel_from_wall(w).map(|p| (p.x_px, p.y_px))
        })
        .collect()
}
