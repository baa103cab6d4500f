//! How large are the marks, where nobody has said?
//!
//! What is searched for, and what learning starts with, are marks of a usual size. A soft ball that flattens, or one that is thrown hard, may leave marks half as
//! large again: those are cut into pieces, and their number and places come out wrong. Where what was learned is a sign of that, the photos are
//! looked at once more for larger marks (or smaller ones), and that size is taken with which more volleys are in order.

use std::mem;
use std::sync::Arc;

use super::super::Progress;
use super::super::judge::LEARN_FROM;
use super::super::known::{Known, Learned};
use super::Day;
use crate::error::Result;
use crate::marks::shape::MarkShape;
use crate::session::PairedVolley;
use crate::session::results::Status;

/// Marks are perhaps not of the size that was looked for when their usual radius is this many times as large,
const LARGER: f64 = 1.2;
/// or this many times,
const SMALLER: f64 = 0.8;
/// or when radii scatter by more than this share of themselves,
const SCATTERED: f64 = 0.2;
/// or when fewer marks than this share of the shots were found, or more than this,
const FEW: f64 = 0.7;
const MANY: f64 = 1.15;
/// or when less than this share of the volleys is in order, and the radius is so many times as large.
const IN_ORDER: f64 = 0.5;
const SOMEWHAT_LARGER: f64 = 1.1;

/// A size that photos are searched for.
struct Size {
    /// Diameters to expect, mm; none where photos are searched for them already.
    diameter_mm: Option<(f64, f64)>,
    /// What learning must come to, mm: else it is no sign of marks of this size.
    comes_to_mm: (f64, f64),
    /// Radii that all marks may have, mm: learning that starts from one of them, and believes that marks scatter little about it, does not cut dusty marks
    /// into pieces.
    radii_mm: &'static [f64],
}

/// What most sessions' photos are searched for (`known::DIAMETER_MM`) may hold.
const USUAL: Size = Size { diameter_mm: None, comes_to_mm: (10.0, 18.0), radii_mm: &[11.0, 13.5, 16.5] };
/// What else marks may be; the ball's own width is the most that it can leave.
const LARGE: Size =
    Size { diameter_mm: Some((23.0, 63.0)), comes_to_mm: (17.0, 32.0), radii_mm: &[18.0, 21.0, 24.5, 28.0] };
const SMALL: Size = Size { diameter_mm: Some((9.0, 27.0)), comes_to_mm: (4.0, 11.0), radii_mm: &[7.0, 9.0] };
/// So many of those radii are tried, those nearest to what marks came to that may have been cut into pieces, times this: each costs as much as learning and judging
/// twice.
const NEAREST: usize = 2;
const PIECES: f64 = 1.08;
/// One session's marks are so much smaller and larger than their usual radius, as a share.
const ABOUT: f64 = 0.17;

/// Rows that the size is settled by, at the most: a hundred marks tell it.
const ASKED_ROWS: usize = 25;
/// The size is asked about again when there are so many times as many volleys.
const AGAIN_AT: f64 = 1.5;

/// How well a size serves: volleys in order, volleys with an answer, and those with as many marks as shots.
type Served = (usize, usize, usize);

/// What served best so far.
struct Best {
    served: Served,
    known: Known,
}

impl Day {
    /// Learns what the marks look like and judges all volleys, where anything changed since; where marks seem to be of another size than was looked for, and
    /// the session does not say how large they are, with the size that serves better.
    ///
    /// # Errors
    /// As for [`Known::learn`].
    pub fn learn(&mut self, progress: Progress) -> Result<Arc<Learned>> {
        let was_learned = self.known.learned.is_some();
        let learned = self.learn_with_size(progress)?;
        if was_learned {
            return Ok(learned);
        }
        Ok(self.settle_size(progress)?.unwrap_or(learned))
    }

    /// Looks at all photos again for marks of another size, where what was learned is a sign that theirs is: what was learned then, where that serves better.
    /// It is not asked again before half as many volleys more have come.
    ///
    /// # Errors
    /// As for [`Known::learn`]; the day then is as it was.
    pub fn settle_size(&mut self, progress: Progress) -> Result<Option<Arc<Learned>>> {
        let volleys = self.known.volleys().count();
        let Some(learned) = self.known.learned.clone() else { return Ok(None) };
        if self.known.size_is_stated() || (volleys as f64) < AGAIN_AT * self.size_asked_of as f64 {
            return Ok(None);
        }
        if !self.doubts_size(&learned) {
            return Ok(None);
        }
        self.size_asked_of = volleys;
        let (whole, edition) = (self.known.clone(), self.edition);
        // The first rows of a long day tell as much as all of them.
        let later = self.steps.split_off(self.steps.len().min(ASKED_ROWS));
        let settled = self.try_sizes(!later.is_empty(), progress);
        let better = match settled {
            Ok(true) if later.is_empty() => Ok(true),
            Ok(true) => {
                let rows = self.steps.iter().chain(&later).map(|s| s.volley.clone()).collect::<Vec<_>>();
                self.follow(&rows, progress);
                self.learn_with_size(progress).map(|_| true)
            }
            other => {
                self.steps.extend(later);
                self.known = whole;
                other
            }
        };
        // What was tried and not taken changed nothing.
        self.edition = if matches!(better, Ok(false)) { edition } else { edition + 1 };
        Ok(better?.then(|| self.known.learned.clone()).flatten())
    }

    /// Looks for marks of other sizes in the rows at hand; whether one serves better, which then is known.
    fn try_sizes(&mut self, part: bool, progress: Progress) -> Result<bool> {
        let rows: Vec<PairedVolley> = self.steps.iter().map(|s| s.volley.clone()).collect();
        if part {
            self.known.learned = None;
            self.follow(&rows, progress);
        }
        let (radius, scatter) = self.learn_with_size(progress)?.shape.radius_mm;
        let mut best = Best { served: served(&self.known), known: self.known.clone() };
        let sizes = [
            (scatter > SCATTERED * radius).then_some(USUAL),
            Some(LARGE),
            (radius < SMALLER * self.known.start.radius_mm.0).then_some(SMALL),
        ];
        let mut better = false;
        for size in sizes.into_iter().flatten() {
            if best.served.0 == self.known.volleys().count() {
                break;
            }
            let mut steps = None;
            if let Some(diameter_mm) = size.diameter_mm {
                progress(&format!("looking for marks of {:.0} to {:.0} mm", diameter_mm.0, diameter_mm.1));
                steps = Some(mem::take(&mut self.steps));
                self.known.look_for(diameter_mm);
                // The last photo and the reference are those of the last row: they are not the first one's.
                (self.good, self.last) = (None, None);
                self.follow(&rows, progress);
            }
            let now = self.try_size(&size, &mut best, progress);
            if let Some(steps) = steps.filter(|_| !matches!(now, Ok(true))) {
                self.steps = steps;
            }
            better |= now?;
        }
        self.known = best.known;
        Ok(better)
    }

    /// Learns with a size's diameters, and then from marks that are all about as large as one of its radii; whether that serves better than the best so far.
    fn try_size(&mut self, size: &Size, best: &mut Best, progress: Progress) -> Result<bool> {
        let mut better = match size.diameter_mm {
            Some(diameter_mm) => self.try_start(size, MarkShape::plain(diameter_mm), best, progress)?,
            None => false,
        };
        let whole = PIECES * self.known.shape().radius_mm.0;
        let mut radii_mm = size.radii_mm.to_vec();
        radii_mm.sort_by(|a, b| (a - whole).abs().total_cmp(&(b - whole).abs()));
        for r in radii_mm.into_iter().take(NEAREST) {
            let diameter_mm = (2.0 * r * (1.0 - ABOUT), 2.0 * r * (1.0 + ABOUT));
            for start in [MarkShape::plain(diameter_mm), MarkShape::torn(diameter_mm)] {
                better |= self.try_start(size, start, best, progress)?;
            }
        }
        Ok(better)
    }

    /// Learns from these looks; whether that comes to marks of the size and serves better than the best so far, which it then is.
    fn try_start(&mut self, size: &Size, start: MarkShape, best: &mut Best, progress: Progress) -> Result<bool> {
        self.known.learn_from(start);
        let radius = self.learn_with_size(progress)?.shape.radius_mm.0;
        let served = served(&self.known);
        let better = served > best.served && (size.comes_to_mm.0..size.comes_to_mm.1).contains(&radius);
        if better {
            *best = Best { served, known: self.known.clone() };
        }
        Ok(better)
    }

    /// Whether what was learned is a sign that the marks are of another size than was looked for.
    fn doubts_size(&self, learned: &Learned) -> bool {
        let start = self.known.start.radius_mm.0;
        let (radius, scatter) = learned.shape.radius_mm;
        let (volleys, shots) = self.known.looked_at();
        let learned_of = volleys.min(LEARN_FROM) as f64 / volleys.max(1) as f64;
        let a_shot = learned.shape.learned_from as f64 / (learned_of * f64::from(shots.max(1)));
        let another = radius > LARGER * start || radius < SMALLER * start || scatter > SCATTERED * radius;
        // Whether volleys are in order has to be measured: it is asked last.
        let disorder = || (served(&self.known).0 as f64) < IN_ORDER * volleys as f64;
        shots > 0 && (!(FEW..MANY).contains(&a_shot) || another || (radius > SOMEWHAT_LARGER * start && disorder()))
    }
}

/// How well a size served.
fn served(known: &Known) -> Served {
    let rows: Vec<_> = known.measure(&known.decided(&[]), &[]).iter().map(|m| m.volley_row()).collect();
    let answered = rows.iter().filter(|r| r.status != Status::Failed);
    let counted = answered.clone().filter(|r| r.found == r.shots).count();
    (rows.iter().filter(|r| r.status == Status::Ok).count(), answered.count(), counted)
}
