//! What becomes of a volley's marks when a person has decided on them?
//!
//! Decisions of `review.csv` come between judging and measuring: marks are rejected, moved, added, given counts; what
//! was decided no longer asks for a look. Decisions find their marks by place on the wall, so that they hold in
//! every re-run, and one that no longer finds its mark says so.

use super::judge::{FoundMark, HIDDEN_RADII, Judged, top_to_bottom};
use crate::marks::shape::MarkShape;
use crate::points::WallPoint;
use crate::session::PairedVolley;
use crate::session::flags::FlagWord;
use crate::session::review::{Decision, ReviewRow, SAME_MARK_M, match_marks};

/// u of a centre that a person set by eye, across and up, in radii of the mark. A mark's ragged rim strays from a
/// circle by some 0.15 radii (SD); the eye centres a circle between two opposite rims, so that the centre is their mean,
/// 0.15 / sqrt(2) = 0.1; more of the rim helps, but no more is claimed.
pub const BY_EYE_RADII: f64 = 0.1;
/// Where a mark comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Origin {
    /// The photos show it.
    Found {
        /// Where it was found.
        place: WallPoint,
        /// The decision about it (index into the rows), if any.
        row: Option<usize>,
    },
    /// A person set it.
    Set {
        /// The decision that did (index into the rows).
        row: usize,
    },
}

impl Origin {
    /// The decision about it, if any.
    pub fn row(self) -> Option<usize> {
        match self {
            Self::Found { row, .. } => row,
            Self::Set { row } => Some(row),
        }
    }
}

/// A volley's marks after a person's decisions.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decided {
    /// The marks that count, top to bottom.
    pub judged: Judged,
    /// Where each comes from.
    pub origins: Vec<Origin>,
    /// Marks as found that a person rejected, with the decision (index into the rows).
    pub rejected: Vec<(FoundMark, usize)>,
    /// Whether a person looked at the whole volley and it still is as it was then.
    pub checked: bool,
    /// What must be looked at again, a sentence each.
    pub lost: Vec<String>,
    /// What must be said but asks for no look, a sentence each.
    pub said: Vec<String>,
    /// What is worth knowing where a person looks anyway, a sentence each.
    pub known: Vec<String>,
}

impl Decided {
    /// Whether a person decided on every mark.
    pub fn all(&self) -> bool {
        !self.origins.is_empty() && self.origins.iter().all(|o| o.row().is_some())
    }

    /// Whether a person decided on a mark (index).
    pub fn by_person(&self, mark: usize) -> bool {
        self.origins.get(mark).is_some_and(|o| o.row().is_some())
    }

    /// Balls that the marks stand for.
    pub fn balls(&self) -> u32 {
        self.judged.marks.iter().map(|m| m.count).sum()
    }

    /// Whether a person's decisions answer what a flag of the whole volley asks.
    pub fn settles(&self, flag: FlagWord, shots: u32) -> bool {
        match flag {
            FlagWord::MissingShots | FlagWord::Blocked | FlagWord::LeftOver => {
                self.checked || (self.all() && self.balls() == shots)
            }
            FlagWord::Doubtful | FlagWord::DoubtfulShot | FlagWord::Merged => self.checked || self.all(),
            FlagWord::ExtraMarks
            | FlagWord::Edge
            | FlagWord::OnSheet
            | FlagWord::BigChange
            | FlagWord::Wiped
            | FlagWord::LightChanged
            | FlagWord::OutOfOrder
            | FlagWord::WipeWall => self.checked,
            _ => false,
        }
    }
}

/// A mark's place, m.
pub fn place_of(m: &FoundMark) -> WallPoint {
    WallPoint::new(1e-3 * m.x_mm, 1e-3 * m.y_mm)
}

fn in_mm(p: WallPoint) -> String {
    format!("({:.0}, {:.0}) mm", 1e3 * p.x_m, 1e3 * p.y_m)
}

/// A mark set by eye.
fn set_by_eye(m: &mut FoundMark, at: WallPoint) {
    (m.x_mm, m.y_mm) = (1e3 * at.x_m, 1e3 * at.y_m);
    let variance = (BY_EYE_RADII * m.radius_mm).powi(2);
    m.covariance_mm2 = [[variance, 0.0], [0.0, variance]];
}

/// Applies the decisions of `rows` about this volley. What was learned (`shape`) gives an added mark its size.
pub fn decide(judged: &Judged, volley: &PairedVolley, rows: &[ReviewRow], shape: &MarkShape) -> Decided {
    let (indices, rows): (Vec<usize>, Vec<&ReviewRow>) =
        rows.iter().enumerate().filter(|(_, r)| r.volley == volley.row.volley).unzip();
    let places: Vec<WallPoint> = judged.marks.iter().map(place_of).collect();
    let (for_mark, unmatched) = match_marks(&rows, &places);
    let mut out = Decided { judged: judged.clone(), ..Decided::default() };
    // Whether the marks are other ones, or elsewhere, than as judged.
    let mut changed = false;
    let mut marks: Vec<(FoundMark, Origin)> = Vec::new();
    for ((m, place), j) in judged.marks.iter().zip(&places).zip(&for_mark) {
        let mut m = m.clone();
        let decision = j.and_then(|j| Some((*indices.get(j)?, rows.get(j)?.decision)));
        let count = match decision {
            Some((row, Decision::Reject)) => {
                changed = true;
                out.rejected.push((m, row));
                continue;
            }
            Some((_, Decision::Move { to, count })) => {
                changed = true;
                set_by_eye(&mut m, to);
                count
            }
            Some((_, Decision::Accept { count })) => count,
            _ => None,
        };
        changed |= count.is_some_and(|c| c != m.count);
        m.count = count.unwrap_or(m.count);
        marks.push((m, Origin::Found { place: *place, row: decision.map(|d| d.0) }));
    }
    let own = |at: WallPoint, count: u32| {
        let mut m = FoundMark {
            x_mm: 0.0,
            y_mm: 0.0,
            covariance_mm2: [[0.0; 2]; 2],
            radius_mm: shape.radius_mm.0,
            strength: shape.strength.0,
            count,
            significance: f64::NAN,
            overlaps: false,
            patch: usize::MAX,
            ..FoundMark::default()
        };
        set_by_eye(&mut m, at);
        m
    };
    for (index, row) in unmatched.iter().filter_map(|j| Some((*indices.get(*j)?, rows.get(*j)?))) {
        let Some(place) = row.place else { continue };
        match row.decision {
            Decision::Reject => out.said.push(format!(
                "review.csv rejects a mark at {}, where none is found: nothing was rejected there; check the place, or remove that row",
                in_mm(place)
            )),
            Decision::Move { to, count } => {
                changed = true;
                marks.push((own(to, count.unwrap_or(1)), Origin::Set { row: index }));
                out.lost.push(format!(
                    "the mark at {} that review.csv moves to {} is no longer found; the place set by hand stands: look at the photo and decide again",
                    in_mm(place),
                    in_mm(to)
                ));
            }
            _ => out.lost.push(format!(
                "the mark at {} that review.csv accepts is no longer found: look at the photo and decide again",
                in_mm(place)
            )),
        }
    }
    for (&index, row) in indices.iter().zip(&rows) {
        let (Decision::Add { count }, Some(place)) = (row.decision, row.place) else { continue };
        changed = true;
        let balls: u32 = marks.iter().map(|m| m.0.count).sum();
        // With all balls there and an undecided mark in the added one's place, that mark is the added one, found by now.
        let nearest = marks
            .iter_mut()
            .filter(|m| m.1.row().is_none())
            .min_by(|a, b| place_of(&a.0).distance_m(place).total_cmp(&place_of(&b.0).distance_m(place)));
        match nearest {
            Some((m, origin)) if balls + count > volley.row.shots && place_of(m).distance_m(place) <= SAME_MARK_M => {
                *origin = Origin::Found { place: place_of(m), row: Some(index) };
                m.count = count.max(m.count);
                out.known.push(format!("the mark added by hand at {} is found by itself now", in_mm(place)));
            }
            _ => marks.push((own(place, count), Origin::Set { row: index })),
        }
    }
    for i in 0..marks.len() {
        let near =
            |a: &FoundMark, b: &FoundMark| place_of(a).distance_m(place_of(b)) < 1e-3 * (a.radius_mm + b.radius_mm);
        if !rows.is_empty() {
            marks[i].0.overlaps = (0..marks.len()).any(|j| j != i && near(&marks[i].0, &marks[j].0));
        }
    }
    if changed {
        // The person's marks are the marks: no other number of them shifts or widens the mean. What a mark hides
        // is as far from its centre as it can be without showing.
        out.judged.mean_shift_mm = [0.0; 2];
        out.judged.mean_variance_mm2 = [[0.0; 2]; 2];
        for (m, _) in marks.iter_mut().filter(|m| m.0.count > 1) {
            let hidden = f64::from(m.count - 1) / f64::from(m.count) * HIDDEN_RADII * m.radius_mm;
            // A mark that was judged to hide others has that in its covariance already.
            (0..2).for_each(|k| {
                let have = &mut m.covariance_mm2[k][k];
                *have = if *have < hidden * hidden { *have + hidden * hidden } else { *have };
            });
        }
    }
    if !rows.is_empty() {
        marks.sort_by(|a, b| top_to_bottom(&a.0, &b.0));
    }
    // The least certain mark keeps its name wherever it stands now.
    let moved = |at: Option<usize>| {
        let was = places.get(at?)?;
        marks.iter().position(|m| matches!(m.1, Origin::Found { place, .. } if place == *was))
    };
    (out.judged.doubtful, out.judged.stray) = (moved(judged.doubtful), moved(judged.stray));
    (out.judged.marks, out.origins) = marks.into_iter().unzip();
    if changed && out.balls() >= volley.row.shots {
        // The person knows where the hidden ones struck.
        out.judged.hidden = Default::default();
    }
    if let Some(Decision::Checked { count }) =
        rows.iter().rev().map(|r| r.decision).find(|d| matches!(d, Decision::Checked { .. }))
    {
        let now = out.balls();
        out.checked = count.is_none_or(|c| c == now);
        if let Some(c) = count.filter(|c| *c != now) {
            out.lost.push(format!(
                "when a person checked this volley its marks stood for {c} balls, now for {now}: look again"
            ));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::volleys::VolleyRow;

    fn mark(x_mm: f64, y_mm: f64) -> FoundMark {
        FoundMark {
            x_mm,
            y_mm,
            covariance_mm2: [[0.16, 0.0], [0.0, 0.16]],
            radius_mm: 14.0,
            strength: 0.4,
            count: 1,
            significance: 12.0,
            overlaps: false,
            patch: 0,
            ..FoundMark::default()
        }
    }

    fn judged(marks: &[FoundMark]) -> Judged {
        let mean_variance_mm2 = [[4.0, 0.0], [0.0, 9.0]];
        Judged {
            marks: marks.to_vec(),
            probability: 0.7,
            mean_shift_mm: [1.0, 2.0],
            mean_variance_mm2,
            ..Judged::default()
        }
    }

    fn volley(shots: u32) -> PairedVolley {
        let row = VolleyRow {
            line: 2,
            volley: "7".into(),
            photo: None,
            shots,
            speed_mps: Some(20.0),
            speed_spread_mps: None,
            setpoint_mps: None,
            known_release: None,
            note: String::new(),
            factors: Default::default(),
        };
        PairedVolley {
            row,
            photo: "b.jpg".into(),
            matched: crate::session::Matched::Named,
            before: Some("a.jpg".into()),
            between: Vec::new(),
            problem: None,
            out_of_order: None,
        }
    }

    fn at(x_mm: f64, y_mm: f64) -> WallPoint {
        WallPoint::new(1e-3 * x_mm, 1e-3 * y_mm)
    }

    fn row(place: Option<WallPoint>, decision: Decision) -> ReviewRow {
        ReviewRow { volley: "7".into(), place, decision, note: String::new() }
    }

    fn decided(marks: &[FoundMark], shots: u32, rows: &[ReviewRow]) -> Decided {
        decide(&judged(marks), &volley(shots), rows, &MarkShape::plain((15.0, 45.0)))
    }

    #[test]
    fn nothing_decided_changes_nothing() {
        let marks = [mark(0.0, 50.0), mark(0.0, 0.0)];
        let other = ReviewRow { volley: "8".into(), ..row(Some(at(0.0, 0.0)), Decision::Reject) };
        let d = decided(&marks, 2, &[other]);
        assert_eq!(d.judged, judged(&marks));
        assert!(!d.all() && !d.by_person(0) && d.lost.is_empty());
        assert!(!d.settles(FlagWord::Doubtful, 2) && !d.settles(FlagWord::MissingShots, 2));
    }

    #[test]
    fn accepting_all_settles_what_the_number_of_marks_asked() {
        let marks = [mark(0.0, 50.0), mark(0.0, 0.0)];
        let accept = |y, count| row(Some(at(1.0, y)), Decision::Accept { count });
        let d = decided(&marks, 3, &[accept(50.0, None), accept(0.0, Some(2))]);
        assert!(d.all() && d.settles(FlagWord::MissingShots, 3) && !d.settles(FlagWord::MissingShots, 4));
        assert!(!d.settles(FlagWord::BigChange, 3), "what else changed on the wall was not decided");
        assert_eq!(d.judged.marks[1].count, 2);
        assert_eq!(d.judged.mean_shift_mm, [0.0; 2], "the person's count is the count");
        // 0.16 mm^2 of the fit, and (half of 0.2 x 14 mm)^2 for the ball that it hides.
        assert!((d.judged.marks[1].covariance_mm2[1][1] - (0.16 + 1.96)).abs() < 1e-12);
        // Accepted as found, the judge's own doubt about hidden balls stays.
        assert_eq!(decided(&marks, 3, &[accept(50.0, None)]).judged.mean_shift_mm, [1.0, 2.0]);
    }

    #[test]
    fn a_mark_set_by_eye_has_the_eyes_doubt() {
        let rows = [
            row(Some(at(0.0, 0.0)), Decision::Move { to: at(5.0, -3.0), count: None }),
            row(Some(at(90.0, 20.0)), Decision::Add { count: 1 }),
        ];
        let d = decided(&[mark(0.0, 50.0), mark(0.0, 0.0)], 3, &rows);
        let places: Vec<(f64, f64)> = d.judged.marks.iter().map(|m| (m.x_mm, m.y_mm)).collect();
        assert_eq!(places, [(0.0, 50.0), (90.0, 20.0), (5.0, -3.0)]);
        assert_eq!(d.origins[1], Origin::Set { row: 1 });
        assert!((d.judged.marks[2].covariance_mm2[0][0].sqrt() - 1.4).abs() < 1e-12);
        assert!((d.judged.marks[1].covariance_mm2[0][0].sqrt() - 1.5).abs() < 1e-12, "a usual mark's size");
        assert_eq!(d.judged.mean_variance_mm2, [[0.0; 2]; 2]);
    }

    #[test]
    fn decisions_hold_when_the_marks_are_found_elsewhere() {
        // A re-run finds the moved mark where it was moved to.
        let moved = row(Some(at(0.0, 0.0)), Decision::Move { to: at(30.0, 0.0), count: None });
        let d = decided(&[mark(29.0, 0.5)], 1, std::slice::from_ref(&moved));
        assert_eq!((d.judged.marks.len(), d.lost.len()), (1, 0));
        assert_eq!(d.judged.marks[0].x_mm, 30.0);
        // Neither here nor there: the person's place stands, and it is said.
        let d = decided(&[mark(200.0, 0.0)], 2, &[moved]);
        assert_eq!((d.judged.marks.len(), d.lost.len()), (2, 1));
        // An accepted mark that is gone is said; a rejected one is not worth a look.
        let gone = |d| decided(&[mark(200.0, 0.0)], 1, &[row(Some(at(0.0, 0.0)), d)]);
        assert!(gone(Decision::Accept { count: None }).lost[0].contains("(0, 0) mm"));
        let rejected = gone(Decision::Reject);
        assert!(rejected.lost.is_empty() && rejected.said[0].contains("(0, 0) mm, where none is found"));
    }

    #[test]
    fn an_added_mark_that_is_found_later_is_not_counted_twice() {
        let add = row(Some(at(0.0, 0.0)), Decision::Add { count: 1 });
        let marks = [mark(0.0, 50.0), mark(6.0, 0.0)];
        let d = decided(&marks, 2, std::slice::from_ref(&add));
        assert_eq!((d.judged.marks.len(), d.known.len()), (2, 1), "both shots are there already");
        assert!(d.by_person(1));
        assert_eq!(decided(&marks, 3, std::slice::from_ref(&add)).judged.marks.len(), 3, "one shot was missing");
        let accept = row(Some(at(6.0, 0.0)), Decision::Accept { count: None });
        assert_eq!(decided(&marks, 2, &[add, accept]).judged.marks.len(), 3, "a person wants both");
    }

    #[test]
    fn a_checked_volley_holds_until_its_marks_change() {
        let checked = |count| row(None, Decision::Checked { count });
        let marks = [mark(0.0, 50.0), mark(0.0, 0.0)];
        let d = decided(&marks, 5, &[checked(Some(2))]);
        assert!(d.checked && d.settles(FlagWord::MissingShots, 5) && d.settles(FlagWord::BigChange, 5));
        assert!(!d.settles(FlagWord::Unreachable, 5), "no eye makes a ball go where it cannot");
        let d = decided(&marks, 5, &[checked(Some(3))]);
        assert!(!d.checked && d.lost[0].contains("3 balls, now for 2"));
        assert!(decided(&marks, 5, &[checked(None)]).checked);
        // None of the marks was a ball's: that is an answer too.
        let reject = |y| row(Some(at(0.0, y)), Decision::Reject);
        let none = decided(&marks, 5, &[reject(50.0), reject(0.0), checked(Some(0))]);
        assert!(none.checked && none.lost.is_empty() && none.judged.marks.is_empty());
        let found = decided(&[mark(0.0, 50.0), mark(0.0, 0.0)], 5, &[reject(50.0), checked(Some(0))]);
        assert!(!found.checked && found.lost[0].contains("0 balls, now for 1"));
    }
}
