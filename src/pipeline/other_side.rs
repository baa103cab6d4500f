//! Do the marks of some volleys change the wall the other way than most: dark ones of worn balls beside the pale dust of new ones?
//!
//! Which way marks change a wall is learned once, from the whole session (`marks::learn`); what changes it the other way is a ball that has gone, a stain that dries,
//! a mark that was wiped. But balls of two kinds may be shot at one wall. Volleys in which nothing was found are therefore asked once more, together and by
//! themselves: what changed as the session's marks do is hidden, what is left says what their marks look like, and a volley's are taken where they are about as many
//! as its shots and do not lie where marks had been.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::behind::Behind;
use super::judge::{FoundMark, Judged, judge_look, learn_looks};
use super::looks::VolleyLook;
use super::passing::Passed;
use crate::error::Result;
use crate::marks::patch::RawPatch;
use crate::marks::shape::MarkShape;
use crate::marks::things::spread;

/// A change along the session's marks that is hidden, as a part of the light: noise of a dim photo is a fifth of it.
const ALONG: f32 = 0.1;
/// Its soft edge, patch pixels: what is left of it beyond is below a tenth of a mark.
const EDGE_PX: usize = 2;
/// Marks this near to an earlier one's place, usual radii, with more than this share of their volley's lying so, are marks that were wiped off or dried. Of true ones
/// in a group that thirty balls struck half lie so.
const SAME_RADII: f64 = 0.4;
const MOST_OLD: f64 = 0.75;

/// Fewer volleys or marks than this may be a damp patch or a fly each: such volleys ask for a look.
const LEAST_VOLLEYS: usize = 2;
const LEAST_MARKS: usize = 5;

/// A volley without marks.
pub(super) struct Asked<'a> {
    /// Its place among those that were judged.
    pub index: usize,
    /// What changed.
    pub look: &'a VolleyLook,
    /// Its shots.
    pub shots: usize,
    /// What came and went.
    pub passed: &'a Passed,
}

/// What marks look like that change the wall the other way.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct OtherLook {
    /// The usual one.
    pub shape: MarkShape,
    /// Their colour, linear RGB.
    pub colour: [f32; 3],
    /// Volleys with such marks; 1 where too few marks or volleys say so for anybody to rely on it.
    pub volleys: u32,
}

/// That look, and the volleys that have it, by their place among those that were judged.
pub(super) type OtherSide = (OtherLook, Vec<(usize, Judged)>);

/// What a volley's marks look like: as `main` says, or the other way.
pub(super) fn looks_of<'a>(
    judged: &Judged,
    main: (&'a MarkShape, Option<[f32; 3]>),
    other: Option<&'a OtherLook>,
) -> (&'a MarkShape, Option<[f32; 3]>) {
    other.filter(|_| judged.other_side > 0).map_or(main, |o| (&o.shape, Some(o.colour)))
}

/// Looks for such volleys, and judges them; `colour` is that of the session's marks, `found` has all its marks, `start` a mark before anything is learned.
///
/// # Errors
/// As for [`VolleyLook::patches`].
pub(super) fn other_side(
    asked: &[Asked],
    start: &MarkShape,
    colour: [f32; 3],
    found: &[FoundMark],
) -> Result<Option<OtherSide>> {
    let of = |i: usize| Ok((asked[i].shots, hidden(&asked[i], colour)?.hide(asked[i].look.patches()?)));
    let (shape, Some(theirs)) = learn_looks(asked.len(), of, start)? else { return Ok(None) };
    let mut look = OtherLook { shape, colour: theirs, volleys: 1 };
    let one = |a: &Asked| Ok(judge_other(a, colour, &look, found)?.map(|j| (a.index, j)));
    let all: Vec<Option<(usize, Judged)>> = asked.par_iter().map(one).collect::<Result<_>>()?;
    let mut judged: Vec<(usize, Judged)> = all.into_iter().flatten().collect();
    let marks: usize = judged.iter().map(|(_, j)| j.marks.len()).sum();
    if judged.len() >= LEAST_VOLLEYS && marks >= LEAST_MARKS {
        look.volleys = judged.len() as u32;
    }
    judged.iter_mut().for_each(|(_, j)| j.other_side = look.volleys);
    Ok((!judged.is_empty()).then_some((look, judged)))
}

/// Judges a volley without marks by the other look; `None` where what it shows are no marks of its own.
///
/// # Errors
/// As for [`VolleyLook::patches`].
pub(super) fn judge_other(
    a: &Asked,
    colour: [f32; 3],
    look: &OtherLook,
    found: &[FoundMark],
) -> Result<Option<Judged>> {
    let hidden = hidden(a, colour)?;
    let judged = judge_look(a.look, a.shots, &Behind::default(), &look.shape, Some(look.colour), &hidden)?;
    let marks = are_marks(&judged.marks, a.shots, found, look.shape.radius_mm.0);
    Ok(marks.then_some(Judged { other_side: look.volleys, ..judged }))
}

/// What is hidden of a volley: what came and went, and what changed as the session's marks do.
fn hidden(a: &Asked, colour: [f32; 3]) -> Result<Passed> {
    let patches = a.look.patches()?;
    let along = patches.iter().map(|p| along(p, colour)).enumerate();
    Ok(a.passed.and(along.filter(|(_, mask)| mask.contains(&true)).collect()))
}

/// A sentence that names the volleys with such marks; `None` without any.
pub(super) fn two_kinds(names: &[String]) -> Option<String> {
    let which = match names {
        [] => return None,
        [one] => format!("volley {one}"),
        more => format!("volleys {}", more.join(", ")),
    };
    Some(format!(
        "marks of two kinds: those of {which} change the wall the other way than the others' (dark ones beside pale ones) and were looked for by themselves"
    ))
}

/// Which pixels of a patch changed as the session's marks do.
fn along(p: &RawPatch, colour: [f32; 3]) -> Vec<bool> {
    let changed = |i: usize| {
        let shade = p.shade.get(i).copied().unwrap_or([1.0; 3]);
        let (e, a) = (p.expected[i], p.after[i]);
        let way: [f32; 3] = std::array::from_fn(|c| colour[c] * shade[c] - e[c]);
        let size = |v: [f32; 3]| v.iter().map(|c| c * c).sum::<f32>().sqrt();
        let along = (0..3).map(|c| (a[c] - e[c]) * way[c]).sum::<f32>() / size(way).max(1e-6);
        !p.quiet[i] && along > ALONG * size(e)
    };
    let mask: Vec<bool> = (0..p.after.len()).map(changed).collect();
    spread(&mask, p.width, p.height, EDGE_PX)
}

/// Whether these are a volley's marks: at least half as many as its shots and one more at the most, and most of them where no mark was.
fn are_marks(marks: &[FoundMark], shots: usize, found: &[FoundMark], radius_mm: f64) -> bool {
    let count = marks.len();
    let on_old =
        |m: &&FoundMark| found.iter().any(|f| (f.x_mm - m.x_mm).hypot(f.y_mm - m.y_mm) < SAME_RADII * radius_mm);
    let old = marks.iter().filter(on_old).count();
    count > 0 && 2 * count >= shots && count <= shots + 1 && old as f64 <= MOST_OLD * count as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(x_mm: f64) -> FoundMark {
        FoundMark { x_mm, ..FoundMark::default() }
    }

    #[test]
    fn as_many_as_shots_beside_old_ones_are_marks_and_wiped_ones_are_not() {
        let marks = |from: f64, n: usize| (0..n).map(|i| mark(from + 20.0 * i as f64)).collect::<Vec<_>>();
        let old = marks(0.0, 5);
        assert!(are_marks(&marks(200.0, 5), 5, &old, 12.0));
        assert!(are_marks(&marks(60.0, 5), 5, &old, 12.0), "two of five lie on old ones");
        assert!(!are_marks(&marks(2.0, 5), 5, &old, 12.0), "all do");
        assert!(!are_marks(&marks(200.0, 2), 5, &old, 12.0));
        assert!(!are_marks(&marks(200.0, 7), 5, &old, 12.0));
        assert!(!are_marks(&[], 5, &old, 12.0));
    }

    #[test]
    fn what_changed_as_the_marks_do_is_hidden_with_its_edge() {
        let (side, wall, dark, pale) = (20, 0.4_f32, 0.2_f32, 0.6_f32);
        let value = |i: usize| match i % side {
            0..4 => pale,
            12..16 => dark,
            _ => wall,
        };
        let n = side * side;
        let patch = RawPatch {
            origin: (0, 0),
            step: 1,
            width: side,
            height: side,
            after: (0..n).map(|i| [value(i); 3]).collect(),
            expected: vec![[wall; 3]; n],
            light_u: Vec::new(),
            shade: Vec::new(),
            wall_mm: vec![[0.0; 2]; n],
            quiet: vec![false; n],
            masked: vec![false; n],
            mm_per_px: 1.0,
        };
        let mask = along(&patch, [0.9; 3]);
        for (i, hidden) in mask.iter().enumerate() {
            assert_eq!(*hidden, i % side < 4 + EDGE_PX, "{i}");
        }
        let mask = along(&patch, [0.1; 3]);
        assert!(mask[14] && mask[12 - EDGE_PX] && !mask[12 - EDGE_PX - 1] && !mask[0]);
    }
}
