//! Which of a volley's marks may be no ball's, or not lie where they were put?
//!
//! As many marks as shots is what everybody hopes for, and what a wrong count, a torn rim or a stain may look like too. What speaks against the marks is
//! asked for in turn, the weightiest first, and said in a sentence; what a person decided on is not asked about again.

use super::judge::{FoundMark, Judged};

/// A number of marks less probable than this is doubtful, whatever it is.
const SURE: f64 = 0.8;
/// Marks as they were told apart need this weight among all ways to place the least certain of them.
const CLEAR: f64 = 0.9;
/// A mark whose centre is known to no more than this part of its radius (u) may have been put there to make up the number: of those in rendered sessions half
/// were beside no ball, or stood for a second one elsewhere.
const LOOSE_RADII: f64 = 0.25;
/// A mark this much smaller than the middle one of its volley is no whole mark: balls shot alike leave marks that differ by a fifth. Of 1 013 marks of rendered
/// volleys that are in order none is; drips and remnants are.
const SMALL: f64 = 0.65;
/// The same of one this much larger, or this much fainter: a stain, a run of wet paint, a change of light that is fitted as a mark, or the soft rim of another
/// one. Of 509 volleys that nothing else spoke against (renderings, 307 of them not `src/render`'s) nine have such a mark, and seven of those are wrong.
const LARGE: f64 = 1.5;
const WEAK: f64 = 0.25;
/// No ball's mark is this much wider than the session's largest: what was read as wide as that were drying patches and the dust about marks; the widest
/// of 27 other kinds of session came to 1.04 times the usual largest (another renderer than `src/render`).
const WIDER: f64 = 1.2;
/// Two marks of which the fainter is less than so many of its standard uncertainties strong, at one place (so many of the usual radius apart), may be one
/// that is not even. Of another renderer's 283 volleys with as many marks as shots and nothing else against them, 16 have such a pair, and 14 of those are wrong (of uneven
/// marks, ten days of which have a shot less than their rows say); of 288 of `src/render`'s nine have one, all right.
const HARDLY_THERE: f64 = 5.5;
const ONE_PLACE_RADII: f64 = 0.5;

/// What speaks against the marks of a volley that has as many as shots, in words; `None` where nothing does. `settled` marks are those that a person decided on, and
/// `largest_mm` is the widest mark to expect.
pub(super) fn doubtful(judged: &Judged, largest_mm: f64, settled: &dyn Fn(usize) -> bool) -> Option<String> {
    let marks = judged.marks.as_slice();
    if marks.is_empty() {
        return None;
    }
    if judged.probability < SURE {
        let sure = 100.0 * judged.probability;
        return Some(format!(
            "the marks overlap so much that their number is only {sure:.0} % sure: look at the photo"
        ));
    }
    if let Some(i) = judged.doubtful.filter(|i| judged.sure < CLEAR && !settled(*i)) {
        return Some(format!("mark {} is barely told apart from its neighbour: look at the photo", i + 1));
    }
    if let Some((i, across_mm)) = too_large(marks, largest_mm, settled) {
        return Some(format!(
            "mark {} is {across_mm:.0} mm across, where {largest_mm:.0} mm are the most to expect (marks.largest in session.toml): look at the photo whether it is a ball's",
            i + 1
        ));
    }
    if let Some((i, unlike)) = unlike(marks, settled) {
        return Some(format!("mark {} is much {unlike}: look at the photo", i + 1));
    }
    if let Some((i, j, apart_mm)) = at_one_place(marks, settled) {
        return Some(format!(
            "marks {} and {} lie within {:.0} mm of each other, and one of them hardly stands out: they may be one mark that is not even, and a ball fewer than volleys.csv says; look at the photo",
            i + 1,
            j + 1,
            apart_mm.ceil().max(1.0)
        ));
    }
    let (i, u_mm) = loosest(marks, settled)?;
    Some(format!(
        "mark {} may lie up to {:.0} mm elsewhere, or be none, while another one stands for two balls: look at the photo",
        i + 1,
        2.0 * u_mm
    ))
}

/// The mark whose place is least certain, with the larger of its u across and up, mm, where that is more than [`LOOSE_RADII`]; none of those that are settled.
fn loosest(marks: &[FoundMark], settled: &dyn Fn(usize) -> bool) -> Option<(usize, f64)> {
    let u_mm = |m: &FoundMark| m.covariance_mm2[0][0].max(m.covariance_mm2[1][1]).sqrt();
    let loose = marks.iter().enumerate().filter(|(i, m)| u_mm(m) > LOOSE_RADII * m.radius_mm && !settled(*i));
    loose.map(|(i, m)| (i, u_mm(m))).max_by(|a, b| a.1.total_cmp(&b.1))
}

/// The largest mark, and how far it is across, mm, where that is more than a ball's can be.
///
/// What dries, fades or is lit otherwise on the whole wall is learned as the session's marks, so that none of it is unlike the others: of 348
/// volleys of another renderer than `src/render` the two that were wrong without a word were such.
fn too_large(marks: &[FoundMark], largest_mm: f64, settled: &dyn Fn(usize) -> bool) -> Option<(usize, f64)> {
    let across = marks.iter().enumerate().filter(|(i, _)| !settled(*i)).map(|(i, m)| (i, 2.0 * m.radius_mm));
    across.filter(|m| m.1 > WIDER * largest_mm).max_by(|a, b| a.1.total_cmp(&b.1))
}

/// The mark of three or more that is least like the middle one of its volley, and how: smaller than [`SMALL`] of it, larger than [`LARGE`], fainter than
/// [`WEAK`]; none of those that are settled.
fn unlike(marks: &[FoundMark], settled: &dyn Fn(usize) -> bool) -> Option<(usize, &'static str)> {
    if marks.len() < 3 {
        return None;
    }
    let (radius, strength) = (middle(marks, |m| m.radius_mm)?, middle(marks, |m| m.strength)?);
    let each = |(i, m): (usize, &FoundMark)| {
        // How far beyond its limit each is, over one.
        [
            (
                SMALL * radius / m.radius_mm,
                "smaller than the others, as what is no ball's may be, or what is left of one beside a seam",
            ),
            (m.radius_mm / (LARGE * radius), "larger than the others, as a stain or a change of light may be"),
            (WEAK * strength / m.strength, "fainter than the others, as a run, a stain or another mark's rim may be"),
        ]
        .map(|(beyond, how)| (beyond, i, how))
    };
    let all = marks.iter().enumerate().filter(|(i, _)| !settled(*i)).flat_map(each);
    all.filter(|a| a.0 > 1.0).max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, i, how)| (i, how))
}

/// The first two marks of a volley of which one may be a part of the other ([`HARDLY_THERE`], [`ONE_PLACE_RADII`]), and how far apart they lie, mm; none of those that
/// are settled.
fn at_one_place(marks: &[FoundMark], settled: &dyn Fn(usize) -> bool) -> Option<(usize, usize, f64)> {
    let radius = middle(marks, |m| m.radius_mm)?;
    let pairs = (0..marks.len()).flat_map(|j| (0..j).map(move |i| (i, j)));
    let apart = |(i, j): (usize, usize)| {
        let (a, b) = (&marks[i], &marks[j]);
        let apart_mm = (a.x_mm - b.x_mm).hypot(a.y_mm - b.y_mm);
        let part = apart_mm < ONE_PLACE_RADII * radius && a.significance.min(b.significance) < HARDLY_THERE;
        (part && !settled(i) && !settled(j)).then_some((i, j, apart_mm))
    };
    pairs.filter_map(apart).next()
}

/// The middle one of what the marks of a volley have.
fn middle(marks: &[FoundMark], of: impl Fn(&FoundMark) -> f64) -> Option<f64> {
    let mut all: Vec<f64> = marks.iter().map(of).collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(radius_mm: f64, u_mm: f64) -> FoundMark {
        let covariance_mm2 = [[0.1, 0.0], [0.0, u_mm * u_mm]];
        FoundMark { radius_mm, covariance_mm2, strength: 0.5, ..FoundMark::default() }
    }

    #[test]
    fn marks_that_are_loose_are_named() {
        let nobody = |_: usize| false;
        assert!(loosest(&[mark(13.0, 0.5), mark(14.5, 2.0), mark(11.0, 0.7)], &nobody).is_none());
        // A quarter of 13 mm is 3.25 mm. Where a person settled one, the next is named.
        let loose = [mark(13.0, 3.4), mark(14.0, 6.0), mark(13.0, 0.4)];
        assert_eq!(loosest(&loose, &nobody), Some((1, 6.0)));
        assert_eq!(loosest(&loose, &|i| i == 1), Some((0, 3.4)));
        assert!(loosest(&[], &nobody).is_none());
    }

    #[test]
    fn the_largest_of_marks_that_no_ball_leaves_is_named() {
        let nobody = |_: usize| false;
        let wet = [mark(28.0, 0.5), mark(33.0, 0.5), mark(20.0, 0.5)];
        assert_eq!(too_large(&wet, 45.0, &nobody), Some((1, 66.0)));
        assert_eq!(too_large(&wet, 45.0, &|i| i == 1), Some((0, 56.0)));
        assert_eq!(too_large(&wet, 60.0, &nobody), None, "the session says how large they may be");
        assert_eq!(too_large(&[mark(26.0, 0.5)], 45.0, &nobody), None);
    }

    #[test]
    fn marks_unlike_the_others_are_named() {
        let named = |marks: &[FoundMark], settled: &dyn Fn(usize) -> bool| {
            unlike(marks, settled).map(|(i, how)| (i, how.split(' ').next().unwrap_or_default()))
        };
        let nobody = |_: usize| false;
        let of = |radii: [f64; 5]| radii.map(|r| mark(r, 0.5));
        let faint = |share: f64| [0.5, 0.5 * share, 0.6, 0.4].map(|strength| FoundMark { strength, ..mark(13.0, 0.5) });
        // What balls of one volley differ by.
        assert_eq!(named(&of([13.0, 14.5, 11.0, 10.5, 15.5]), &nobody), None);
        assert_eq!(named(&faint(0.5), &nobody), None);
        // The one farthest from the middle; where a person settled it, the next.
        let small = of([13.0, 8.0, 14.0, 7.0, 14.0]);
        assert_eq!((named(&small, &nobody), named(&small, &|i| i == 3)), (Some((3, "smaller")), Some((1, "smaller"))));
        let large = of([13.0, 14.0, 20.0, 22.0, 12.0]);
        assert_eq!((named(&large, &nobody), named(&large, &|i| i == 3)), (Some((3, "larger")), None));
        assert_eq!((named(&faint(0.2), &nobody), named(&faint(0.2), &|i| i == 1)), (Some((1, "fainter")), None));
        // Of two nobody knows which is usual, and small ones among small ones are.
        assert_eq!(named(&[mark(8.0, 0.5), mark(14.0, 0.5)], &nobody), None);
        assert_eq!(named(&of([8.0, 7.5, 8.0, 8.5, 7.0]), &nobody), None);
        assert_eq!(named(&[], &nobody), None);
    }

    #[test]
    fn two_marks_at_one_place_of_which_one_hardly_stands_out_are_named() {
        let at = |x_mm: f64, significance: f64| FoundMark { x_mm, significance, ..mark(13.0, 0.5) };
        let nobody = |_: usize| false;
        let marks = [at(0.0, 15.0), at(40.0, 4.0), at(46.0, 14.0)];
        assert_eq!(at_one_place(&marks, &nobody), Some((1, 2, 6.0)));
        assert_eq!(at_one_place(&marks, &|i| i == 1), None, "a person set it there");
        assert_eq!(at_one_place(&[at(0.0, 4.0), at(7.0, 15.0)], &nobody), None, "half a radius is 6.5 mm");
        assert_eq!(at_one_place(&[at(0.0, 6.0), at(1.0, 6.0)], &nobody), None, "both stand out");
        let judged = Judged { marks: marks.to_vec(), probability: 1.0, sure: 1.0, ..Judged::default() };
        let says = doubtful(&judged, 45.0, &nobody).unwrap_or_default();
        assert!(says.contains("marks 2 and 3 lie within 6 mm") && says.contains("volleys.csv"), "{says}");
    }
}
