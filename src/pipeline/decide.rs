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
/// A volley's marks after a person's decisions.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decided {
    /// The marks that count, top to bottom.
    pub judged: Judged,
    /// Which of them a person decided on.
    pub by_person: Vec<bool>,
    /// Marks as found that a person rejected.
    pub rejected: Vec<FoundMark>,
    /// Whether a person looked at the whole volley and it still is as it was then.
    pub checked: bool,
    /// What must be looked at again, a sentence each.
    pub lost: Vec<String>,
    /// What is worth knowing, a sentence each.
    pub known: Vec<String>,
}

impl Decided {
    /// Whether a person decided on every mark.
    pub fn all(&self) -> bool {
        !self.by_person.is_empty() && self.by_person.iter().all(|b| *b)
    }

    fn balls(&self) -> u32 {
        self.judged.marks.iter().map(|m| m.count).sum()
    }

    /// Whether a person's decisions answer what a flag of the whole volley asks.
    pub fn settles(&self, flag: FlagWord, shots: u32) -> bool {
        match flag {
            FlagWord::MissingShots => self.checked || (self.all() && self.balls() == shots),
            FlagWord::Doubtful | FlagWord::Merged => self.checked || self.all(),
            FlagWord::ExtraMarks
            | FlagWord::Edge
            | FlagWord::OnSheet
            | FlagWord::BigChange
            | FlagWord::LightChanged
            | FlagWord::WipeWall => self.checked,
            _ => false,
        }
    }
}

fn place_of(m: &FoundMark) -> WallPoint {
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
    let rows: Vec<&ReviewRow> = rows.iter().filter(|r| r.volley == volley.row.volley).collect();
    let mut out = Decided { judged: judged.clone(), by_person: vec![false; judged.marks.len()], ..Decided::default() };
    if rows.is_empty() {
        return out;
    }
    let places: Vec<WallPoint> = judged.marks.iter().map(place_of).collect();
    let (for_mark, unmatched) = match_marks(&rows, &places);
    // Whether the marks are other ones, or elsewhere, than as judged.
    let mut changed = false;
    let mut marks: Vec<(FoundMark, bool)> = Vec::new();
    for (m, row) in judged.marks.iter().zip(&for_mark) {
        let mut m = m.clone();
        let Some(row) = row.and_then(|j| rows.get(j)) else {
            marks.push((m, false));
            continue;
        };
        let count = match row.decision {
            Decision::Reject => {
                changed = true;
                out.rejected.push(m);
                continue;
            }
            Decision::Move { to, count } => {
                changed = true;
                set_by_eye(&mut m, to);
                count
            }
            Decision::Accept { count } => count,
            Decision::Add { .. } | Decision::Checked { .. } => None,
        };
        changed |= count.is_some_and(|c| c != m.count);
        m.count = count.unwrap_or(m.count);
        marks.push((m, true));
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
        };
        set_by_eye(&mut m, at);
        m
    };
    for row in unmatched.iter().filter_map(|j| rows.get(*j)) {
        let Some(place) = row.place else { continue };
        match row.decision {
            Decision::Reject => out.known.push(format!("nothing is left to reject at {}", in_mm(place))),
            Decision::Move { to, count } => {
                changed = true;
                marks.push((own(to, count.unwrap_or(1)), true));
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
    for row in &rows {
        let (Decision::Add { count }, Some(place)) = (row.decision, row.place) else { continue };
        changed = true;
        let balls: u32 = marks.iter().map(|m| m.0.count).sum();
        // With all balls there and an undecided mark in the added one's place, that mark is the added one, found by now.
        let nearest = marks
            .iter_mut()
            .filter(|m| !m.1)
            .min_by(|a, b| place_of(&a.0).distance_m(place).total_cmp(&place_of(&b.0).distance_m(place)));
        match nearest {
            Some(m) if balls + count > volley.row.shots && place_of(&m.0).distance_m(place) <= SAME_MARK_M => {
                m.1 = true;
                m.0.count = count.max(m.0.count);
                out.known.push(format!("the mark added by hand at {} is found by itself now", in_mm(place)));
            }
            _ => marks.push((own(place, count), true)),
        }
    }
    for i in 0..marks.len() {
        let near =
            |a: &FoundMark, b: &FoundMark| place_of(a).distance_m(place_of(b)) < 1e-3 * (a.radius_mm + b.radius_mm);
        marks[i].0.overlaps = (0..marks.len()).any(|j| j != i && near(&marks[i].0, &marks[j].0));
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
    marks.sort_by(|a, b| top_to_bottom(&a.0, &b.0));
    (out.judged.marks, out.by_person) = marks.into_iter().unzip();
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
