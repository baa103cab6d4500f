//! Which volleys were photographed twice, and what do both photos say?
//!
//! A photo of the wall (a row with shots = 0) right after a volley shows the volley's marks once more, unless the wall was wiped first. It is
//! compared with the photo from before the volley, like the volley's own photo was. Where most marks come out at the same places, the volley
//! was photographed twice.

use super::Progress;
use super::day::Day;
use crate::report::model::{MarkSummary, Summary};
use crate::session::PairedVolley;
use crate::study::{PhotoPair, median};

/// Share of a volley's marks that must come out again, or else the wall was wiped or painted over.
const MOST_AGAIN: f64 = 0.6;

/// A mark of the first photo and its release angle from the second, where one lies within half a radius (two readings of one mark
/// differ by far less, two marks lie further apart or are one).
fn pairs_of(first: &[MarkSummary], second: &[(f64, f64, f64)], within_mm: f64) -> Vec<(f64, f64, f64)> {
    let lone = first.iter().filter(|m| m.count == 1);
    lone.filter_map(|m| {
        let (x, y, release, u) = (m.x_mm?, m.y_mm?, m.release_deg?, m.release_u_own_deg?);
        let away = |p: &&(f64, f64, f64)| (p.0 - x).hypot(p.1 - y);
        let near = second.iter().min_by(|a, b| away(a).total_cmp(&away(b)))?;
        (away(&near) <= within_mm).then(|| (release.to_radians(), near.2, u.to_radians().powi(2)))
    })
    .collect()
}

/// The volleys that were photographed twice, with both readings of their lone marks. A second photo that cannot be used is passed over.
pub fn photographed_twice(
    day: &mut Day,
    volleys: &[PairedVolley],
    summary: &Summary,
    progress: Progress,
) -> Vec<PhotoPair> {
    let twice = volleys
        .iter()
        .zip(volleys.iter().skip(1))
        .filter(|(v, next)| v.row.shots > 0 && v.before.is_some() && next.row.shots == 0);
    let mut out = Vec::new();
    for (v, next) in twice {
        let Some(first) = summary.volleys.iter().find(|s| s.volley == v.row.volley) else { continue };
        let radii: Vec<f64> = first.marks.iter().filter_map(|m| m.diameter_mm).map(|d| 0.5 * d).collect();
        let Some(radius_mm) = median(&radii) else { continue };
        progress(&format!("{}: was volley {} photographed twice?", next.photo, v.row.volley));
        let Some(measured) = day.measure_again(v, &next.photo) else { continue };
        let second: Vec<(f64, f64, f64)> = measured
            .marks
            .iter()
            .filter(|m| m.found.count == 1)
            .filter_map(|m| Some((m.found.x_mm, m.found.y_mm, m.release.as_ref()?.release.value)))
            .collect();
        let both = pairs_of(&first.marks, &second, 0.5 * radius_mm);
        let lone = first.marks.iter().filter(|m| m.count == 1 && m.release_deg.is_some()).count();
        if lone > 0 && both.len() as f64 >= MOST_AGAIN * lone as f64 {
            out.push(PhotoPair {
                volley: v.row.volley.clone(),
                readings: both.iter().map(|p| (p.0, p.1)).collect(),
                stated_var: both.iter().map(|p| p.2).collect(),
            });
        }
    }
    out
}
