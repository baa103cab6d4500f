//! Which volleys were photographed twice, and what do both photos say?
//!
//! A photo of the wall (a row with shots = 0) right after a volley shows the volley's marks once more, unless the wall was wiped first. It is
//! compared with the photo from before the volley, like the volley's own photo was. Where most marks come out at the same places, the volley
//! was photographed twice.

use super::measured::{Measured, MeasuredMark};
use crate::study::{PhotoPair, median};

/// Share of a volley's marks that must come out again, or else the wall was wiped or painted over.
const MOST_AGAIN: f64 = 0.6;

/// Both readings of a volley's lone marks, where the second photo shows most of them: each mark with the one that lies within half a
/// radius (two readings of one mark differ by far less, two marks lie further apart or are one).
pub fn photo_pair(first: &Measured, second: &Measured) -> Option<PhotoPair> {
    fn lone(m: &Measured) -> impl Iterator<Item = &MeasuredMark> {
        m.marks.iter().filter(|k| k.found.count == 1 && k.release.is_some())
    }
    let radius_mm = median(&first.marks.iter().map(|k| k.found.radius_mm).collect::<Vec<_>>())?;
    let (mut readings, mut stated_var) = (Vec::new(), Vec::new());
    for a in lone(first) {
        let away = |b: &&MeasuredMark| (b.found.x_mm - a.found.x_mm).hypot(b.found.y_mm - a.found.y_mm);
        let near = lone(second).min_by(|b, c| away(b).total_cmp(&away(c))).filter(|b| away(b) <= 0.5 * radius_mm);
        // Arm angles: a zero that zero shots tell is the same for both.
        if let (Some(r), Some(again)) = (&a.release, near.and_then(|b| b.release.as_ref())) {
            readings.push((r.arm.value, again.arm.value));
            stated_var.push(r.arm.own_var);
        }
    }
    let shown = !readings.is_empty() && readings.len() as f64 >= MOST_AGAIN * lone(first).count() as f64;
    shown.then(|| PhotoPair { volley: first.volley.row.volley.clone(), readings, stated_var })
}
