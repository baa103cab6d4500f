//! What does a person's step on a mark turn into, and what do the volleys come to after it?
//!
//! A [`Review`] is a session at work with its decisions. Each [`Edit`] becomes rows of `review.csv`, saved at once, and
//! the volleys are measured again from memory. Every step can be undone.

use std::sync::Arc;

use serde::Deserialize;

use super::Progress;
use super::day::Day;
use super::decide::{Decided, Origin, place_of};
use super::kept::Kept;
use super::measured::Measured;
use super::outcome::{Outcome, write_results_as};
use super::pictures::{Pictures, circle};
use super::run::{conclude, homeless};
use crate::camera::Wall;
use crate::error::{Error, Result, typed};
use crate::points::{PixelPoint, WallPoint};
use crate::report::Summary;
use crate::session::Session;
use crate::session::hash::sha256_hex;
use crate::session::lock::{SessionLock, Work};
use crate::session::review::{
    Decision, Decisions, ReviewRow, SAME_MARK_M, SAME_PLACE_M, parse_review, read_review, review_text,
};
use crate::session::write_whole;

/// The two marks that a mark is split into start this far from its centre, radii: as near as two marks can be and show
/// as two; the person moves them from there.
const SPLIT_RADII: f64 = 0.4;
/// Most balls that a mark may stand for by a person's word.
const MOST_BALLS: u32 = 99;

/// A step of a person, on a volley. Marks are named by their index among those shown, places by photo pixels.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(tag = "do", rename_all = "snake_case")]
pub enum Edit {
    /// The mark is right.
    Accept {
        /// Which.
        mark: usize,
    },
    /// The mark is none of this volley's.
    Reject {
        /// Which.
        mark: usize,
    },
    /// A rejected mark is one after all.
    Restore {
        /// Which of the rejected ones.
        rejected: usize,
    },
    /// The mark's centre is here.
    Move {
        /// Which.
        mark: usize,
        /// Centre, px.
        x_px: f64,
        /// Centre, px.
        y_px: f64,
    },
    /// A mark is here.
    Add {
        /// Centre, px.
        x_px: f64,
        /// Centre, px.
        y_px: f64,
    },
    /// The mark stands for so many balls.
    Count {
        /// Which.
        mark: usize,
        /// How many.
        count: u32,
    },
    /// Two marks are one, half way between them. It stands for the balls of both, less those beyond the volley's shots.
    Merge {
        /// One of them; it is rejected.
        mark: usize,
        /// The other; it stays.
        into: usize,
    },
    /// One mark is two, side by side.
    Split {
        /// Which.
        mark: usize,
    },
    /// The volley was looked at; these are its marks.
    Check,
    /// The volley has to be looked at again.
    Uncheck,
}

/// A session under review.
pub struct Review {
    day: Day,
    notes: Vec<String>,
    rows: Vec<ReviewRow>,
    on_disk: Option<Vec<u8>>,
    undo: Vec<Vec<ReviewRow>>,
    redo: Vec<Vec<ReviewRow>>,
    decided: Vec<Option<Decided>>,
    measured: Vec<Measured>,
    summary: Summary,
    /// Counts every change, so that a step meant for an older state is not done to a newer one.
    revision: u64,
}

impl Review {
    /// Looks at all photos of a session and applies the decisions that there are.
    ///
    /// # Errors
    /// As for [`super::run_session`].
    pub fn open(session: &Session, wall: &Wall, progress: Progress) -> Result<Self> {
        let pairing = session.pair_photos()?;
        let path = session.paths.review_csv();
        let on_disk = std::fs::read(&path).ok();
        // What changed between the two is seen to have changed.
        let rows = read_review(&path)?;
        let mut day = Day::new(session, wall)?.keeping(Kept::open(&session.paths).map(Arc::new));
        day.follow(&pairing.volleys, progress);
        day.learn(progress)?;
        let summary = day.known().summarise(&[], &[]);
        let mut review = Self {
            on_disk,
            notes: pairing.notes,
            rows,
            undo: Vec::new(),
            redo: Vec::new(),
            decided: Vec::new(),
            measured: Vec::new(),
            summary,
            revision: 0,
            day,
        };
        review.measure();
        Ok(review)
    }

    fn measure(&mut self) {
        self.decided = self.day.known().decided(&self.rows);
        self.measured = self.day.known().measure(&self.decided, &self.rows);
        let mut notes = self.notes.clone();
        notes.extend(homeless(self.day.known(), &self.rows));
        self.summary = self.day.known().summarise(&self.measured, &notes);
        self.revision += 1;
    }

    /// The session.
    pub fn session(&self) -> &Session {
        self.day.session()
    }

    /// Counts every change.
    pub fn revision(&self) -> u64 {
        self.revision
    }

    /// Every volley with shots, as measured now, with its decisions.
    pub fn volleys(&self) -> impl Iterator<Item = (&Measured, Option<&Decided>)> {
        self.measured.iter().zip(self.decided.iter().map(Option::as_ref))
    }

    /// What the report would show now.
    pub fn summary(&self) -> &Summary {
        &self.summary
    }

    /// The decision in a row.
    pub fn decision(&self, row: usize) -> Option<Decision> {
        self.rows.get(row).map(|r| r.decision)
    }

    /// Steps that can be undone and done again.
    pub fn steps(&self) -> (usize, usize) {
        (self.undo.len(), self.redo.len())
    }

    /// The outline of a volley's mark, or of a rejected one, in the photo after it, px.
    pub fn outline(&self, volley: usize, mark: usize, rejected: bool) -> Vec<(f64, f64)> {
        let Some((m, Some(d))) = self.measured.get(volley).zip(self.decided.get(volley).map(Option::as_ref)) else {
            return Vec::new();
        };
        let found = if rejected { d.rejected.get(mark).map(|r| &r.0) } else { d.judged.marks.get(mark) };
        m.view.as_ref().zip(found).map(|(v, f)| circle(v, (f.x_mm, f.y_mm), f.radius_mm)).unwrap_or_default()
    }

    /// Does a step on a volley (index among those with shots) and saves it.
    ///
    /// # Errors
    /// No such volley or mark; the photo's place is unknown; `review.csv` cannot be written, or was changed by
    /// something else meanwhile (it is then read again). Nothing is changed then.
    pub fn edit(&mut self, volley: usize, edit: Edit) -> Result<()> {
        let rows = self.edited(volley, edit)?;
        self.take(rows, |r, old| {
            r.undo.push(old);
            r.redo.clear();
        })
    }

    /// Takes the last step back.
    ///
    /// # Errors
    /// There is none; `review.csv` cannot be written.
    pub fn undo(&mut self) -> Result<()> {
        let rows = self.undo.last().cloned().ok_or_else(|| Error::input("there is no step to undo"))?;
        self.take(rows, |r, old| {
            r.undo.pop();
            r.redo.push(old);
        })
    }

    /// Does a step again that was taken back.
    ///
    /// # Errors
    /// There is none; `review.csv` cannot be written.
    pub fn redo(&mut self) -> Result<()> {
        let rows = self.redo.last().cloned().ok_or_else(|| Error::input("there is no step to do again"))?;
        self.take(rows, |r, old| {
            r.redo.pop();
            r.undo.push(old);
        })
    }

    fn take(&mut self, rows: Vec<ReviewRow>, remember: impl FnOnce(&mut Self, Vec<ReviewRow>)) -> Result<()> {
        if rows == self.rows {
            return Ok(());
        }
        let paths = self.session().paths.clone();
        if !paths.session_toml().is_file() {
            return Err(Error::input(format!(
                "{} is not there any more: put the session's folder back where it was, and decide again",
                paths.dir.display()
            )));
        }
        let lock = SessionLock::take(&paths, Work::Write, "review", &|_| {})?;
        let path = paths.review_csv();
        let now = std::fs::read(&path).ok();
        if now != self.on_disk {
            self.rows = match &now {
                Some(bytes) => parse_review(&String::from_utf8_lossy(bytes))?,
                None => Vec::new(),
            };
            self.on_disk = now;
            self.undo.clear();
            self.redo.clear();
            self.measure();
            return Err(Error::input(
                "review.csv was changed by something else meanwhile and has been read again: look, and do your last step again",
            ));
        }
        let bytes = review_text(&rows)?;
        // Nothing is written that could not be read again. The file rounds places: what is shown now is what a later run reads.
        let rows = parse_review(&String::from_utf8_lossy(&bytes))
            .map_err(|e| e.context("this step was not saved, for review.csv could not be read after it"))?;
        write_whole(&path, &bytes)?;
        self.on_disk = Some(bytes);
        drop(lock);
        let old = std::mem::replace(&mut self.rows, rows);
        remember(self, old);
        self.measure();
        Ok(())
    }

    fn edited(&self, volley: usize, edit: Edit) -> Result<Vec<ReviewRow>> {
        let missing =
            |what: &str| Error::input(format!("there is no such {what} any more: the page shows an older state"));
        let m = self.measured.get(volley).ok_or_else(|| missing("volley"))?;
        let d = self.decided.get(volley).and_then(Option::as_ref).ok_or_else(|| {
            Error::input(format!("volley {} failed, so its marks have no place: {}", m.volley.row.volley, m.note))
        })?;
        let view = m.view.as_ref().ok_or_else(|| missing("photo"))?;
        let wall = |x: f64, y: f64| {
            let seen = view.wall_from_pixel(PixelPoint::new(x, y)).filter(|w| w.x_m.hypot(w.y_m) < 100.0);
            seen.ok_or_else(|| Error::input("that place of the photo is not on the wall"))
        };
        let name = &m.volley.row.volley;
        let new = |place: Option<WallPoint>, decision| ReviewRow {
            volley: name.clone(),
            place,
            decision,
            note: String::new(),
        };
        let mark = |i: usize| d.judged.marks.get(i).zip(d.origins.get(i)).ok_or_else(|| missing("mark"));
        let mut rows: Vec<Option<ReviewRow>> = self.rows.iter().cloned().map(Some).collect();
        // One mark with what is now true of it.
        let set = |rows: &mut Vec<Option<ReviewRow>>, origin: &Origin, place: WallPoint, decision: Option<Decision>| {
            let (at, decision) = match (origin, decision) {
                (Origin::Found { place, .. }, d) => (Some(*place), d),
                // What a person set is an added mark, wherever it goes; rejected, it is gone.
                (Origin::Set { .. }, Some(Decision::Accept { count } | Decision::Move { count, .. })) => {
                    (Some(place), Some(Decision::Add { count: count.unwrap_or(1) }))
                }
                (Origin::Set { .. }, Some(Decision::Reject)) => (None, None),
                (Origin::Set { .. }, d) => (Some(place), d),
            };
            let note = origin.row().and_then(|r| self.rows.get(r)).map(|r| r.note.clone()).unwrap_or_default();
            let row = decision.map(|d| ReviewRow { note, ..new(at, d) });
            match origin.row().and_then(|r| rows.get_mut(r)) {
                Some(old) => *old = row,
                None => rows.push(row),
            }
        };
        // What stays as it is of a mark whose count or place changes.
        let with = |i: usize, to: Option<WallPoint>, count: u32| -> Result<(WallPoint, Decision)> {
            let (m, origin) = mark(i)?;
            let before = origin.row().and_then(|r| self.rows.get(r)).map(|r| r.decision);
            Ok(match (to, before) {
                (Some(to), _) | (None, Some(Decision::Move { to, .. })) => {
                    (to, Decision::Move { to, count: Some(count) })
                }
                _ => (place_of(m), Decision::Accept { count: Some(count) }),
            })
        };
        let mut uncheck = true;
        match edit {
            Edit::Accept { mark: i } => {
                let (m, origin) = mark(i)?;
                uncheck = false;
                let before = origin.row().and_then(|r| self.rows.get(r)).map(|r| r.decision);
                match before {
                    None => set(&mut rows, origin, place_of(m), Some(Decision::Accept { count: None })),
                    Some(Decision::Move { .. }) if matches!(origin, Origin::Set { .. }) => {
                        set(&mut rows, origin, place_of(m), Some(Decision::Add { count: m.count }));
                    }
                    Some(_) => {}
                }
            }
            Edit::Reject { mark: i } => {
                let (m, origin) = mark(i)?;
                set(&mut rows, origin, place_of(m), Some(Decision::Reject));
            }
            Edit::Restore { rejected } => {
                let (m, row) = d.rejected.get(rejected).ok_or_else(|| missing("mark"))?;
                if let Some(old) = rows.get_mut(*row) {
                    *old = Some(new(Some(place_of(m)), Decision::Accept { count: None }));
                }
            }
            Edit::Move { mark: i, x_px, y_px } => {
                let (m, origin) = mark(i)?;
                let to = wall(x_px, y_px)?;
                set(&mut rows, origin, to, Some(with(i, Some(to), m.count)?.1));
            }
            Edit::Add { x_px, y_px } => {
                let place = wall(x_px, y_px)?;
                self.keep_near(d, place, &mut rows, &new);
                rows.push(Some(new(Some(place), Decision::Add { count: 1 })));
            }
            Edit::Count { mark: i, count } => {
                if !(1..=MOST_BALLS).contains(&count) {
                    return Err(Error::input(format!("{count} balls: give 1 to {MOST_BALLS}")));
                }
                let (_, origin) = mark(i)?;
                let (place, decision) = with(i, None, count)?;
                set(&mut rows, origin, place, Some(decision));
            }
            Edit::Merge { mark: i, into } => {
                let ((a, from), (b, to)) = (mark(i)?, mark(into)?);
                if i == into {
                    return Err(Error::input("a mark cannot be merged with itself: choose another"));
                }
                let share = f64::from(a.count) / f64::from(a.count + b.count);
                let (p, q) = (place_of(a), place_of(b));
                let middle = WallPoint::new(q.x_m + share * (p.x_m - q.x_m), q.y_m + share * (p.y_m - q.y_m));
                let extra = d.balls().saturating_sub(m.volley.row.shots);
                let count = (a.count + b.count).saturating_sub(extra).max(1);
                set(&mut rows, from, p, Some(Decision::Reject));
                set(&mut rows, to, middle, Some(with(into, Some(middle), count)?.1));
            }
            Edit::Split { mark: i } => {
                let (m, origin) = mark(i)?;
                let (p, aside) = (place_of(m), 1e-3 * SPLIT_RADII * m.radius_mm);
                set(&mut rows, origin, p, Some(Decision::Reject));
                self.keep_near(d, p, &mut rows, &new);
                let first = m.count.div_ceil(2);
                for (sign, count) in [(-1.0, first), (1.0, (m.count - first).max(1))] {
                    let place = WallPoint::new(p.x_m + sign * aside, p.y_m);
                    rows.push(Some(new(Some(place), Decision::Add { count })));
                }
            }
            Edit::Check => {
                for (m, origin) in d.judged.marks.iter().zip(&d.origins) {
                    let before = origin.row().and_then(|r| self.rows.get(r)).map(|r| r.decision);
                    match (origin, before) {
                        (Origin::Found { place, .. }, None) => {
                            rows.push(Some(new(Some(*place), Decision::Accept { count: None })));
                        }
                        (Origin::Set { .. }, Some(Decision::Move { .. })) => {
                            set(&mut rows, origin, place_of(m), Some(Decision::Add { count: m.count }));
                        }
                        _ => {}
                    }
                }
                // Decisions whose marks are gone have been seen now.
                let used: Vec<usize> =
                    d.origins.iter().filter_map(|o| o.row()).chain(d.rejected.iter().map(|r| r.1)).collect();
                for (i, row) in rows.iter_mut().enumerate().take(self.rows.len()) {
                    if row.as_ref().is_some_and(|r| r.volley == *name) && !used.contains(&i) {
                        *row = None;
                    }
                }
                rows.push(Some(new(None, Decision::Checked { count: Some(d.balls()) })));
                uncheck = false;
            }
            Edit::Uncheck => {}
        }
        let about = |r: &ReviewRow| r.volley == *name && matches!(r.decision, Decision::Checked { .. });
        Ok(rows.into_iter().flatten().filter(|r| !(uncheck && about(r))).collect())
    }

    /// Marks so near to an added one that a re-run might take them for it are accepted by name.
    fn keep_near(
        &self,
        d: &Decided,
        place: WallPoint,
        rows: &mut Vec<Option<ReviewRow>>,
        new: &dyn Fn(Option<WallPoint>, Decision) -> ReviewRow,
    ) {
        for (m, origin) in d.judged.marks.iter().zip(&d.origins) {
            if let Origin::Found { place: found, row: None } = origin
                && place_of(m).distance_m(place) <= SAME_MARK_M
                && !rows.iter().flatten().any(|r| {
                    r.decision == Decision::Reject && r.place.is_some_and(|p| p.distance_m(*found) < SAME_PLACE_M)
                })
            {
                rows.push(Some(new(Some(*found), Decision::Accept { count: None })));
            }
        }
    }

    /// What is another by now than when the review began, so that its results would not be those of a run.
    fn changed(&self) -> Vec<String> {
        let session = self.session();
        let files = self.day.known().files();
        let other = files.iter().filter(|f| f.is_other(&session.paths.dir));
        let mut changed: Vec<String> = other.map(|f| f.path.clone()).collect();
        let path = session.paths.review_csv();
        if std::fs::read(&path).ok() != self.on_disk {
            changed.push("review.csv".into());
        }
        changed.extend(self.day.changed_photo().map(|name| format!("photos/{name}")));
        changed
    }

    /// Writes the results as a run would now.
    ///
    /// # Errors
    /// Tables or photos are others by now; nothing is written then, since the results of a later run may lie there. The folder cannot
    /// be written.
    pub fn write(&self, progress: Progress) -> Result<(Outcome, Vec<std::path::PathBuf>)> {
        let changed = self.changed();
        if !changed.is_empty() {
            let dir = &self.session().paths.dir;
            return Err(Error::input(format!(
                "{} changed since this review began, so no results were written: your decisions are saved in review.csv, and `pockmark run {}` makes results of them and of what changed",
                changed.join(", "),
                typed(dir)
            )));
        }
        let sha256 = self.on_disk.as_deref().map(sha256_hex);
        let decisions = Decisions { rows: self.rows.clone(), sha256 };
        let outcome = conclude(self.day.known(), &decisions, &self.notes, &Pictures::default(), progress);
        let written = write_results_as(self.session(), &outcome, "review", false)?;
        Ok((outcome, written))
    }
}
