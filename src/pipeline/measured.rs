//! What is known of a volley once its marks are measured, and which rows does it become?

use std::collections::BTreeMap;

use super::judge::{FoundMark, Judged};
use super::looks::VolleyLook;
use crate::camera::WallView;
use crate::flight::{Impact, Release};
use crate::points::{PixelPoint, WallPoint};
use crate::report::model::{MarkSummary, VolleySummary};
use crate::session::PairedVolley;
use crate::session::flags::FlagWord;
use crate::session::results::{ShotRow, Status, VolleyResult};
use crate::study::{Setup, Shot, VolleyStatus};
use crate::uncertainty::Estimate;

/// A mark with its place and release.
pub struct MeasuredMark {
    /// What was found.
    pub found: FoundMark,
    /// Its place on the wall with all doubts.
    pub impact: Impact,
    /// Its place in the photo; `None` where it was measured by hand.
    pub pixel: Option<PixelPoint>,
    /// Whether its place sideways was measured; if not, `impact` has it straight ahead of the arm.
    pub x_known: bool,
    /// Covariance of the place from the photo's own pose, m^2: all marks of the photo share it.
    pub pose_covariance_m2: [[f64; 2]; 2],
    /// Its release; `None` when the ball cannot get there.
    pub release: Option<Release>,
    /// What is special about it.
    pub flags: Vec<FlagWord>,
    /// The photo that shows it, where that is not the volley's own.
    pub photo: Option<String>,
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
    /// Share of a new mark that old ones cover, 0 to 1, if shots like these strike where they struck: before the volley, and after it.
    pub covered: Option<[f64; 2]>,
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
            covered: None,
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
        let status = if marks.is_empty() || judged.hidden.no_mean {
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
        let volley = PairedVolley { before: Some(l.before.clone()), ..volley.clone() };
        Self {
            volley,
            status,
            note: notes.join("; "),
            flags,
            marks,
            view: Some(l.located.view),
            pose_rms_px: l.located.sheets.first().map(|_| l.located.rms_px),
            pose_sheets: l.located.sheets.clone(),
            mean_shift_mm: judged.mean_shift_mm,
            mean_variance_mm2: judged.mean_variance_mm2,
            covered: None,
        }
    }

    pub(super) fn balls(&self) -> u32 {
        self.marks.iter().map(|m| m.found.count).sum()
    }

    /// A volley whose impacts were measured by hand.
    pub(super) fn by_hand(
        volley: &PairedVolley,
        marks: Vec<MeasuredMark>,
        mut flags: Vec<FlagWord>,
        notes: Vec<String>,
    ) -> Self {
        flags.sort_unstable();
        flags.dedup();
        let answered = marks.iter().any(|m| m.release.is_some());
        let look = flags.iter().any(|f| f.makes_look());
        let status = match (answered, look) {
            (false, _) => Status::Failed,
            (true, true) => Status::Look,
            (true, false) => Status::Ok,
        };
        Self { status, flags, marks, ..Self::failed(volley, notes.join("; "), Vec::new()) }
    }

    /// Adds something that a person should look at.
    pub(super) fn look(&mut self, flag: FlagWord, note: String) {
        if self.status == Status::Ok && flag.makes_look() {
            self.status = Status::Look;
        }
        self.flags.push(flag);
        self.flags.sort_unstable();
        self.flags.dedup();
        self.note = if self.note.is_empty() { note } else { format!("{}; {note}", self.note) };
    }

    /// Whether every mark's place sideways was measured.
    pub(super) fn x_known(&self) -> bool {
        self.marks.iter().all(|m| m.x_known)
    }

    pub(super) fn mean_mm(&self) -> Option<[f64; 2]> {
        let n = f64::from(self.balls());
        let sum = self.marks.iter().fold([0.0; 2], |s, m| {
            let c = f64::from(m.found.count);
            [s[0] + c * m.found.x_mm, s[1] + c * m.found.y_mm]
        });
        (n > 0.0).then(|| [sum[0] / n + self.mean_shift_mm[0], sum[1] / n + self.mean_shift_mm[1]])
    }

    /// The volley's mean place with what makes it doubtful, for a flight of its own: own part from marks, counting and
    /// pose, not from the speeds' spread.
    pub(super) fn mean_impact(&self) -> Option<Impact> {
        let solved: Vec<&MeasuredMark> = self.marks.iter().filter(|m| m.release.is_some()).collect();
        let n: f64 = solved.iter().map(|m| f64::from(m.found.count)).sum();
        let first = solved.first()?;
        let mut mean = Impact {
            point: WallPoint::new(1e-3 * self.mean_shift_mm[0], 1e-3 * self.mean_shift_mm[1]),
            own_cov_m2: [[0.0; 2]; 2],
            shared: vec![[0.0; 2]; solved.iter().map(|m| m.impact.shared.len()).max().unwrap_or(0)],
            speed_mps: first.impact.speed_mps,
            speed_own_u_mps: 0.0,
        };
        for m in &solved {
            let w = f64::from(m.found.count) / n;
            mean.point.x_m += w * m.impact.point.x_m;
            mean.point.y_m += w * m.impact.point.y_m;
            for (sum, s) in mean.shared.iter_mut().zip(&m.impact.shared) {
                *sum = [sum[0] + w * s[0], sum[1] + w * s[1]];
            }
            for a in 0..2 {
                for b in 0..2 {
                    mean.own_cov_m2[a][b] += w * w * m.impact.own_cov_m2[a][b];
                }
            }
        }
        for a in 0..2 {
            for b in 0..2 {
                mean.own_cov_m2[a][b] += first.pose_covariance_m2[a][b] + 1e-6 * self.mean_variance_mm2[a][b];
            }
        }
        Some(mean)
    }

    /// Variance of a release that all marks of this volley have in common and other volleys do not, rad^2.
    pub(super) fn volley_var(&self, r: &Release, m: &MeasuredMark) -> f64 {
        let [x, y, _] = r.by_mark_and_speed;
        let through =
            |c: &[[f64; 2]; 2], scale: f64| scale * (x * x * c[0][0] + 2.0 * x * y * c[0][1] + y * y * c[1][1]);
        through(&m.pose_covariance_m2, 1.0) + through(&self.mean_variance_mm2, 1e-6)
    }

    /// Mean release of the volley: own part from marks, counting and pose. The speeds' spread does not enter where every ball was
    /// found, since the volley's speed is the mean of its shots'; the mean speed of `m` found of `n` differs from that by a
    /// variance of `s^2 (1/m - 1/n)` (sampling without replacement: W. Cochran, *Sampling Techniques*, 1977, theorem 2.2).
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
        let [x, y, by_speed] = slope.by_mark_and_speed;
        let not_found = (1.0 / n - 1.0 / f64::from(self.volley.row.shots).max(n)).max(0.0);
        mean.own_var += (by_speed * first.impact.speed_own_u_mps).powi(2) * not_found;
        mean.value += 1e-3 * (x * self.mean_shift_mm[0] + y * self.mean_shift_mm[1]);
        Some(mean)
    }

    /// Standard uncertainty of the mean place, own and shared, mm.
    fn mean_u_mm(&self) -> Option<[f64; 2]> {
        let n = f64::from(self.balls());
        let first = self.marks.first().filter(|_| n > 0.0)?;
        let u = |k: usize| {
            let weight = |m: &MeasuredMark| f64::from(m.found.count) / n;
            let own: f64 = self.marks.iter().map(|m| weight(m).powi(2) * m.impact.own_cov_m2[k][k]).sum();
            let shared: f64 = (0..first.impact.shared.len())
                .map(|i| {
                    self.marks.iter().map(|m| weight(m) * m.impact.shared.get(i).map_or(0.0, |s| s[k])).sum::<f64>()
                })
                .map(|s| s * s)
                .sum();
            let m2 = own + shared + first.pose_covariance_m2[k][k] + 1e-6 * self.mean_variance_mm2[k][k];
            1e3 * m2.max(0.0).sqrt()
        };
        Some([u(0), u(1)])
    }

    fn spread_deg(&self) -> Option<f64> {
        spread_deg(&self.marks, |r| r.release.value)
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
                photo: m.photo.clone().unwrap_or_else(|| self.volley.photo.clone()),
                factors: self.volley.row.factors.clone(),
                speed_mps: self.volley.row.speed_mps,
                px_x: s.px_x,
                px_y: s.px_y,
                x_mm: s.x_mm,
                y_mm: s.y_mm,
                x_u_mm: s.x_u_mm,
                y_u_mm: s.y_u_mm,
                diameter_mm: s.diameter_mm,
                significance: Some(m.found.significance).filter(|s| s.is_finite()),
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
                let across = |v: Option<f64>| v.filter(|_| m.x_known);
                let seen = |v: f64| Some(v).filter(|v| v.is_finite());
                MarkSummary {
                    mark: i as u32 + 1,
                    count: m.found.count,
                    px_x: m.pixel.and_then(|p| seen(p.x_px)),
                    px_y: m.pixel.and_then(|p| seen(p.y_px)),
                    x_mm: across(Some(m.found.x_mm)),
                    y_mm: Some(m.found.y_mm),
                    x_u_mm: across(u_mm(0)),
                    y_u_mm: u_mm(1),
                    diameter_mm: seen(2.0 * m.found.radius_mm),
                    release_deg: r.and_then(|r| deg(r.release.value)),
                    release_u_own_deg: r.and_then(|r| deg((r.release.own_var + pose_var).sqrt())),
                    release_u_deg: r.and_then(|r| deg((r.release.u().powi(2) + pose_var).sqrt())),
                    sideways_deg: across(r.and_then(|r| deg(r.sideways.value))),
                    sideways_u_deg: across(r.and_then(|r| deg(r.sideways.u()))),
                    flags: m.flags.clone(),
                }
            })
            .collect()
    }

    /// Its row of volleys.csv.
    pub fn volley_row(&self) -> VolleyResult {
        // Without trust there is no mean: a number in a table is believed.
        let answered = self.status != Status::Failed;
        let mean = self.mean_mm().filter(|_| answered);
        let release = self.mean_release().filter(|_| answered);
        VolleyResult {
            volley: self.volley.row.volley.clone(),
            photo: self.volley.photo.clone(),
            before: self.volley.before.clone(),
            status: self.status,
            shots: self.volley.row.shots,
            found: self.balls(),
            mean_x_mm: mean.filter(|_| self.x_known()).map(|m| m[0]),
            mean_y_mm: mean.map(|m| m[1]),
            mean_release_deg: release.as_ref().map(|r| r.value.to_degrees()),
            mean_release_u_own_deg: release.as_ref().map(|r| r.u_own().to_degrees()),
            mean_release_u_deg: release.as_ref().map(|r| r.u().to_degrees()),
            spread_release_deg: self.spread_deg(),
            flags: self.flags.clone(),
            note: self.note.clone(),
        }
    }

    pub(super) fn summary(&self, setup: Setup) -> VolleySummary {
        let row = self.volley_row();
        let mean_u_mm = self.mean_u_mm().filter(|_| self.status != Status::Failed);
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
            mean_x_u_mm: mean_u_mm.map(|u| u[0]),
            mean_y_u_mm: mean_u_mm.map(|u| u[1]),
            mean_release_deg: row.mean_release_deg,
            mean_release_u_own_deg: row.mean_release_u_own_deg,
            mean_release_u_deg: row.mean_release_u_deg,
            spread_release_deg: row.spread_release_deg,
            marks: self.mark_summaries(),
            pose_rms_px: self.pose_rms_px,
            pose_sheets: self.pose_sheets.clone(),
            view: self.view,
            covered_before: self.covered.map(|c| c[0]),
            covered_after: self.covered.map(|c| c[1]),
        }
    }
}

/// Standard deviation of one of the marks' angles (rad), deg; `None` with fewer than two.
pub(super) fn spread_deg(marks: &[MeasuredMark], angle: impl Fn(&Release) -> f64) -> Option<f64> {
    let v: Vec<f64> = marks.iter().filter_map(|m| m.release.as_ref()).map(angle).collect();
    let n = v.len() as f64;
    let mean = v.iter().sum::<f64>() / n;
    (v.len() > 1).then(|| (v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt().to_degrees())
}

/// A shot that the study takes, and where it comes from.
pub struct Studied {
    /// Index of its volley.
    pub volley: usize,
    /// Number of its mark in the volley, from 1.
    pub mark: u32,
    /// The shot.
    pub shot: Shot,
}

/// The shots that the study takes from measured volleys; marks that no flight reaches are not among them, nor are zero shots.
pub fn studied(measured: &[Measured], names: &[String]) -> Vec<Studied> {
    let mut out = Vec::new();
    for (volley, v) in measured.iter().enumerate().filter(|(_, v)| v.volley.row.known_release.is_none()) {
        let status = match v.status {
            Status::Ok => VolleyStatus::Ok,
            Status::Look => VolleyStatus::Look,
            Status::Failed => VolleyStatus::Failed,
        };
        let Some(speed_mps) = v.volley.row.speed_mps else { continue };
        let setup = Setup::new(factor_pairs(names, &v.volley.row.factors));
        for (m, mark) in v.marks.iter().zip(1..) {
            let Some(r) = m.release.as_ref() else { continue };
            let [x, y, _] = r.by_mark_and_speed;
            let mut release = r.release.clone();
            release.value += 1e-3 * (x * v.mean_shift_mm[0] + y * v.mean_shift_mm[1]);
            let shot = Shot {
                volley: v.volley.row.volley.clone(),
                status,
                setup: setup.clone(),
                setpoint_mps: v.volley.row.setpoint_mps,
                speed_mps,
                release,
                sideways: r.sideways.clone(),
                count: m.found.count,
                volley_var: v.volley_var(r, m),
            };
            out.push(Studied { volley, mark, shot });
        }
    }
    out
}

/// Factors of a volley in the table's order.
pub fn factor_pairs(names: &[String], factors: &BTreeMap<String, String>) -> Vec<(String, String)> {
    names.iter().map(|n| (n.clone(), factors.get(n).cloned().unwrap_or_default())).collect()
}
