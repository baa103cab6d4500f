//! Were the photos taken in the order of their rows?
//!
//! A volley's marks are what is new in its photo since the photo of the row above. When the cameras' times contradict the table, one of
//! the two is wrong, and marks may be given to another volley's balls. Photos without a time, and times that are equal, say nothing.

use std::collections::BTreeMap;

use super::pairing::{PairedVolley, PhotoFolder, by_name};
use crate::photo::exif::CaptureTime;

/// A clock that is set to another zone goes back by half an hour or more (Source: the tz database; all zones in use differ by quarters of an
/// hour, neighbouring ones by half an hour at least), less the few minutes between two photos. Rows that changed places are mostly nearer.
const CLOCK_SET_BACK_S: i64 = 25 * 60;

/// Tells each volley whose photo, or photo before, contradicts the order of the times; a note where that concerns no volley.
pub(super) fn check_order(volleys: &mut [PairedVolley], folder: &PhotoFolder) -> Option<String> {
    let taken: BTreeMap<&str, Option<CaptureTime>> = folder.photos.iter().map(|p| (p.name.as_str(), p.taken)).collect();
    let timed: Vec<(usize, CaptureTime)> = (volleys.iter().enumerate())
        .filter_map(|(i, v)| Some((i, taken.get(v.photo.as_str()).copied().flatten()?)))
        .collect();
    let back: Vec<&[(usize, CaptureTime)]> = timed.windows(2).filter(|w| w[0].1.is_after(&w[1].1)).collect();
    let &first = back.first()?;
    let names_agree = volleys.windows(2).all(|w| by_name(&w[0].photo, &w[1].photo).is_lt());
    let clock_set = back.len() == 1 && names_agree && first[0].1.seconds_after(&first[1].1) >= CLOCK_SET_BACK_S;
    let mut told = false;
    for i in 1..volleys.len() {
        let (row, above) = (&volleys[i], &volleys[i - 1]);
        if row.row.shots == 0 || row.before.as_deref() != Some(above.photo.as_str()) {
            continue;
        }
        // The nearest rows that have a time; mostly these two.
        let at = timed.partition_point(|t| t.0 < i);
        let (Some(last), Some(next)) = (at.checked_sub(1).and_then(|k| timed.get(k)), timed.get(at)) else { continue };
        let (p, q) = (&volleys[last.0], &volleys[next.0]);
        let says = if last.1.is_after(&next.1) {
            let own = (last.0, next.0) == (i - 1, i);
            // Camera's clock and counter together are right.
            let sure = own && numbered_alike(&p.photo, &q.photo) && by_name(&p.photo, &q.photo).is_gt();
            Some((taken_before(q, p, sure), sure))
        } else if clock_set {
            None
        } else {
            let mut others = timed.iter().filter(|t| t.0 < last.0 || t.0 > next.0);
            let between = others.find(|t| t.1.is_after(&last.1) && next.1.is_after(&t.1));
            between.map(|t| (taken_within(&volleys[t.0], row, above), false))
        };
        if let Some((sentence, sure)) = says {
            told = true;
            let row = &mut volleys[i];
            row.problem = row.problem.take().or(sure.then(|| sentence.clone()));
            row.out_of_order = Some(sentence);
        }
    }
    let (p, q) = (&volleys[first[0].0], &volleys[first[1].0]);
    (!told).then(|| {
        format!("line {} of volleys.csv: {}; rows must stand in shooting order", q.row.line, taken_before(q, p, true))
    })
}

/// Whether two names are alike but for their numbers, as one camera gives them.
fn numbered_alike(a: &str, b: &str) -> bool {
    let plain = |n: &str| n.chars().filter(|c| !c.is_ascii_digit()).collect::<String>().to_lowercase();
    plain(a) == plain(b)
}

fn taken_before(own: &PairedVolley, above: &PairedVolley, sure: bool) -> String {
    let what = format!(
        "{} (volley {}) was taken before {} (volley {}), which stands above it",
        own.photo, own.row.volley, above.photo, above.row.volley
    );
    if sure {
        format!("{what}: {MEND}")
    } else {
        format!("{what}, as their times say, so marks of other balls may count here: {MEND}; {CLOCK}")
    }
}

fn taken_within(other: &PairedVolley, own: &PairedVolley, above: &PairedVolley) -> String {
    format!(
        "{} (volley {}) was taken after {} and before {}, as their times say, so marks of other balls may count here: {MEND}; {CLOCK}",
        other.photo, other.row.volley, above.photo, own.photo
    )
}

const MEND: &str = "put the rows of volleys.csv in shooting order, each with its own photo";
const CLOCK: &str = "if only a camera's clock was wrong, check the volley with `pockmark review`";
