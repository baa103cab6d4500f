//! Where did a sheet hang that was bumped between photos, and how does one say so?

use std::collections::{BTreeMap, BTreeSet};

use super::bundle::{RELIEF, Solution, State};
use super::input::{CalibrationPhoto, WallFrame, corner_obs};
use super::suspect::{highest, own_place};
use crate::sheet::{Corner, SheetSet};

/// Two places nearer than this are one, m.
const SAME_PLACE_M: f64 = 0.5e-3;
/// Least corners for a place.
const LEAST_CORNERS: usize = 3;

/// A sheet's corners that were taken out of a photo.
#[derive(Clone, Debug)]
pub(super) struct Moved {
    /// Sheet number.
    pub number: usize,
    /// The photo's number in the input.
    pub photo: usize,
    /// The corners.
    pub corners: Vec<Corner>,
    /// Where the sheet hung in that photo: x, y in m, turn in rad; `None` when that photo cannot say.
    pub place: Option<[f64; 3]>,
    /// A sentence that stands for itself: the sheet was not moved, but is curled.
    pub sentence: Option<String>,
}

impl Moved {
    /// Taken out of a photo.
    pub fn new(number: usize, photo: usize, corners: Vec<(usize, Corner)>) -> Self {
        Self { number, photo, corners: corners.into_iter().map(|c| c.1).collect(), place: None, sentence: None }
    }

    /// Not moved, but not flat.
    pub fn curled(number: usize, sentence: String) -> Self {
        Self { number, photo: usize::MAX, corners: Vec::new(), place: None, sentence: Some(sentence) }
    }
}

/// Finds where each sheet hung in the photos that it was taken out of.
pub(super) fn place_all(
    moved: &mut [Moved],
    geometry: &SheetSet,
    index: &BTreeMap<usize, usize>,
    ids: &[usize],
    solution: &Solution,
) {
    for m in moved.iter_mut().filter(|m| m.corners.len() >= LEAST_CORNERS) {
        let (Some(&sheet), Some(k)) = (index.get(&m.number), ids.iter().position(|&i| i == m.photo)) else { continue };
        let corners: Vec<_> = m.corners.iter().map(|c| corner_obs(sheet, geometry.of(m.number), c)).collect();
        m.place = own_place(&solution.state, solution.state.poses[k], &corners);
    }
}

/// The photos whose place of the sheet holds rather than the one of the `kept` photos: those that agree with the tripod photo,
/// else those that are more. `None` when the kept place holds.
pub(super) fn better_place(
    moved: &[Moved],
    number: usize,
    kept: &[usize],
    tripod: Option<usize>,
) -> Option<BTreeSet<usize>> {
    let own: Vec<&Moved> = moved.iter().filter(|m| m.number == number && m.sentence.is_none()).collect();
    let together = |with: &Moved| -> BTreeSet<usize> {
        let near = |a: [f64; 3], b: [f64; 3]| (a[0] - b[0]).hypot(a[1] - b[1]) < SAME_PLACE_M;
        own.iter()
            .filter(|m| m.photo == with.photo || m.place.zip(with.place).is_some_and(|(a, b)| near(a, b)))
            .map(|m| m.photo)
            .collect()
    };
    if tripod.is_some_and(|t| kept.contains(&t)) {
        return None;
    }
    if let Some(m) = own.iter().find(|m| Some(m.photo) == tripod) {
        return Some(together(m));
    }
    own.iter().map(|m| together(m)).max_by_key(BTreeSet::len).filter(|g| g.len() > kept.len())
}

/// What a curled sheet looks like: "stands off the wall by about 6 mm at its lower left".
pub(super) fn relief_words(relief: &[f64; RELIEF]) -> String {
    let (height, (right, above)) = highest(relief);
    let vertical = if above > 0.5 {
        "upper "
    } else if above < -0.5 {
        "lower "
    } else {
        "middle "
    };
    format!(
        "its paper stands off the plane of the others by about {:.0} mm at its {vertical}{}",
        1e3 * height,
        if right > 0.0 { "right" } else { "left" }
    )
}

/// "4.9 mm to the left and 1.2 mm lower", with the turn where it is more than a tenth of a degree.
pub fn shift_words(by_m: [f64; 3]) -> String {
    let part = |v: f64, plus: &str, minus: &str| {
        (1e3 * v.abs() >= 0.1).then(|| format!("{:.1} mm {}", 1e3 * v.abs(), if v > 0.0 { plus } else { minus }))
    };
    let mut words: Vec<String> = [part(by_m[0], "to the right", "to the left"), part(by_m[1], "higher", "lower")]
        .into_iter()
        .flatten()
        .collect();
    if by_m[2].abs().to_degrees() >= 0.1 {
        let way = if by_m[2] > 0.0 { "counter-clockwise" } else { "clockwise" };
        words.push(format!("turned {:.1} deg {way}", by_m[2].abs().to_degrees()));
    }
    words.join(" and ")
}

/// A sentence for each sheet: in which photos it hung elsewhere, by how much, and what to do.
pub(super) fn sentences(
    moved: &[Moved],
    photos: &[CalibrationPhoto],
    frame: &WallFrame,
    state: &State,
    index: &BTreeMap<usize, usize>,
) -> Vec<String> {
    let mut out: Vec<String> = moved.iter().filter_map(|m| m.sentence.clone()).collect();
    let mut groups: BTreeMap<usize, Vec<&Moved>> = BTreeMap::new();
    for m in moved.iter().filter(|m| m.sentence.is_none()) {
        groups.entry(m.number).or_default().push(m);
    }
    for (number, mut all) in groups {
        all.sort_by_key(|m| m.photo);
        let names = |g: &[&Moved]| {
            g.iter().map(|m| photos.get(m.photo).map_or("", |p| p.name.as_str())).collect::<Vec<_>>().join(", ")
        };
        let here = index.get(&number).map(|&i| state.sheets[i]);
        let placed: Vec<[f64; 3]> = all.iter().filter_map(|m| m.place).collect();
        let n = placed.len().max(1) as f64;
        let mean = |k: usize| placed.iter().map(|p| p[k]).sum::<f64>() / n;
        let by = here.filter(|_| !placed.is_empty()).map(|h| {
            let turn = mean(2) - h[2];
            shift_words([mean(0) - h[0], mean(1) - h[1], turn.sin().atan2(turn.cos())])
        });
        let mut s = format!(
            "sheet {number} hung elsewhere in {}{} than in the other photos: it was bumped between them, and its corners there were left out",
            names(&all),
            by.filter(|b| !b.is_empty()).map_or(String::new(), |b| format!(", {b}"))
        );
        s += &match frame.rests_on(number) {
            Some(why) => format!(
                "; {why}: what was measured from its cross (the machine's place, the line) must belong to where it hangs now, so measure that again or photograph the sheets again"
            ),
            None if frame.taped(number) => {
                "; a tape distance ends at it: measure that again if it was measured before".into()
            }
            None => String::new(),
        };
        out.push(s);
    }
    out
}
