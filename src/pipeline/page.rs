//! What is on the wall before a photo: where did the page begin, was it wiped, what is hidden, and what shows again?
//!
//! A page begins with a photo of the wall without shots, or where the old marks are gone though nobody said so. What covers a part
//! of the wall is left out of the comparison and remembered ([`super::veil`]); once a photo shows that part again, it is
//! compared there with the last photo that showed it before, and the marks are dealt out ([`super::settle`]).

use serde::{Deserialize, Serialize};

use super::behind::Behind;
use super::crops::Crops;
use super::day::Day;
use super::expect::Expected;
use super::judge::{FoundMark, Hiding, Judged, balls, judge_look, mean, top_to_bottom};
use super::looks::{Ask, Pivot, SIDEWAYS, VolleyLook, look};
use super::passing::Passed;
use super::place::PlacedPhoto;
use super::settle::{Claimant, settle};
use super::veil::{Mask, Veil, lift};
use crate::error::Result;
use crate::marks::shape::MarkShape;
use crate::points::WallPoint;
use crate::session::PairedVolley;

/// Old marks of which this share is gone were wiped: what a cloth leaves of one in five still shows, or another mark lies on it.
const WIPED: f64 = 0.6;
/// Fewer old marks cannot tell.
const LEAST_OLD: usize = 2;
/// A hidden part smaller than this many usual marks' areas is not remembered.
const LEAST_HIDDEN: f64 = 1.5;
/// A thing's edge is soft: what is this near to a hidden part belongs to it, usual radii.
const EDGE_RADII: f64 = 1.5;
/// Places that stand for a hidden part.
const PLACES: usize = 600;
/// A volley of which fewer than this share of the shots is seen has no mean: the rest is guesswork.
const LEAST_SEEN: f64 = 0.5;

/// A page of the wall: marks on it come from the rows from `first_row` on.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Page {
    /// First row whose shots are on it.
    pub first_row: usize,
    /// The photo that shows it without marks.
    pub clean: Option<String>,
}

/// A part of the wall that a photo shows again, compared with the last photo that showed it.
pub struct Late {
    /// Row of that photo.
    pub since: usize,
    /// What changed between them, in that part only.
    pub look: VolleyLook,
    /// The part.
    pub part: Mask,
}

/// What a row's photo leaves for the next.
#[derive(Default)]
pub struct Turn {
    /// The page.
    pub page: Page,
    /// What it hides.
    pub veils: Vec<Veil>,
    /// What it shows again.
    pub late: Vec<Late>,
    /// The old marks are gone.
    pub wiped: bool,
}

impl Day {
    /// Compares a photo with the one before (`row`'s), and settles page and veils.
    pub(super) fn turn_page(
        &mut self,
        index: usize,
        row: usize,
        shots: u32,
        before: &PlacedPhoto,
        after: &PlacedPhoto,
        turn: &mut Turn,
    ) -> Result<VolleyLook> {
        let old = self.spots(&turn.page);
        let ask = Ask {
            volley: index,
            shots: shots as usize,
            pivot: self.pivot(),
            radius_mm: self.look_radius_mm(),
            old: &old,
            only: None,
            keep: self.keeps(),
        };
        let mut now = look(self.wall_for(&after.name), &ask, before, after)?;
        now.crops = Crops::about(&now, ask.shots, &after.rgb, &before.rgb);
        let mut row = row;
        if now.gone.1 >= LEAST_OLD && now.gone.0 as f64 >= WIPED * now.gone.1 as f64 {
            now.wiped = shots > 0;
            let clean = turn.page.clean.clone().filter(|c| *c != before.name);
            *turn = Turn { page: Page { first_row: index, clean: turn.page.clean.clone() }, ..Turn::default() };
            if shots == 0 {
                turn.page = Page { first_row: index + 1, clean: Some(after.name.clone()) };
                turn.wiped = true;
                return Ok(now);
            }
            if let Some(clean) = clean
                && let Ok(placed) = self.placed(&clean)
                && let Ok(mut other) = look(self.wall_for(&after.name), &Ask { old: &[], ..ask }, &placed, after)
            {
                // A wiped wall is like the clean one where the old marks were, like the old one where the cloth was not, and
                // like neither where it was painted anew: which of them tells the marks better shows when they are judged.
                other.wiped = true;
                other.crops = Crops::about(&other, ask.shots, &after.rgb, &placed.rgb);
                row = self.row_of(&clean).unwrap_or(0);
                other.otherwise = Some(Box::new(now));
                now = other;
            }
            if let Some(covered) = &now.covered {
                turn.veils.push(Veil { mask: covered.clone(), row, photo: now.before.clone() });
            }
            return Ok(now);
        }
        if shots == 0 && (old.is_empty() || now.gone.0 > 0) {
            // No marks were there, or some are gone: the page is as this photo shows it.
            turn.page = Page { first_row: index + 1, clean: Some(after.name.clone()) };
        }
        self.turn_veils((index, row), shots, &now, after, turn);
        Ok(now)
    }

    /// What is hidden from now on, and what shows again.
    fn turn_veils(
        &mut self,
        (index, row): (usize, usize),
        own: u32,
        now: &VolleyLook,
        after: &PlacedPhoto,
        turn: &mut Turn,
    ) {
        let Some(covered) = &now.covered else { return };
        let (view, grid) = (now.located.view, now.grid);
        let radius = now.radius_cells;
        let least = LEAST_HIDDEN * std::f64::consts::PI * radius * radius;
        let count = |cells: &[bool]| cells.iter().filter(|c| **c).count() as f64;
        let lifted = lift(&turn.veils, &view, &grid, covered.flags(), (EDGE_RADII * radius).ceil() as usize);
        let mut veils = Vec::new();
        for (veil, freed) in std::mem::take(&mut turn.veils).into_iter().zip(lifted.freed) {
            let part = Mask::new(&view, grid, freed.clone()).filter(|_| count(&freed) >= least);
            let (Some(part), Ok(older)) = (part, self.placed(&veil.photo)) else {
                veils.push(veil);
                continue;
            };
            let ask = Ask {
                volley: index,
                shots: self.shots_between(veil.row + 1, index, own) as usize,
                pivot: self.pivot(),
                radius_mm: self.look_radius_mm(),
                old: &[],
                only: Some(&part),
                keep: self.keeps(),
            };
            let Ok(late) = look(self.wall_for(&after.name), &ask, &older, after) else {
                veils.push(veil);
                continue;
            };
            // Hidden still: what the older photo shows otherwise, and what did not change at all.
            let still = late.covered.as_ref().map(|m| m.on(&view, &grid));
            let was = veil.mask.on(&view, &grid);
            let cells: Vec<bool> =
                (0..was.len()).map(|i| if freed[i] { still.as_ref().is_some_and(|s| s[i]) } else { was[i] }).collect();
            if count(&cells) >= least
                && let Some(mask) = Mask::new(&view, grid, cells)
            {
                veils.push(Veil { mask, row: veil.row, photo: veil.photo });
            }
            turn.late.push(Late { since: veil.row, look: late, part });
        }
        if count(&lifted.fresh) >= least
            && let Some(mask) = Mask::new(&view, grid, lifted.fresh)
        {
            veils.push(Veil { mask, row, photo: now.before.clone() });
        }
        turn.veils = veils;
    }
}

/// Where shots may have struck unseen in a photo with these veils.
pub(super) fn hidden_places(turn: &Turn, pivot: Pivot) -> Behind {
    places_of(turn.veils.iter().map(|v| &v.mask), pivot)
}

/// The same, with the places that only an older photo can be compared at.
pub(super) fn unlooked_places(turn: &Turn, pivot: Pivot) -> Behind {
    places_of(turn.veils.iter().map(|v| &v.mask).chain(turn.late.iter().map(|l| &l.part)), pivot)
}

fn places_of<'a>(masks: impl Iterator<Item = &'a Mask>, pivot: Pivot) -> Behind {
    let widest = SIDEWAYS * pivot.out_m;
    let mut out = Behind::default();
    let mut area = 0.0;
    for mask in masks {
        let (places, each) = mask.places_mm(PLACES);
        let near = places.into_iter().filter(|p| (1e-3 * p[0] - pivot.right_m).abs() < widest);
        let before = out.places_mm.len();
        out.places_mm.extend(near);
        area += each * (out.places_mm.len() - before) as f64;
    }
    out.area_mm2 = area / out.places_mm.len().max(1) as f64;
    out
}

/// A volley that may own what a later photo shows.
pub(super) struct Owner<'a> {
    /// Its judgement.
    pub judged: &'a mut Judged,
    /// Its row.
    pub volley: &'a PairedVolley,
    /// What is hidden in its photo.
    pub veils: &'a [Veil],
    /// Where its marks are expected.
    pub expected: Option<Expected>,
    /// The photo is its own.
    pub shows: bool,
}

/// Judges what a photo shows again, and deals it out to the volleys that may own it.
///
/// # Errors
/// As for [`judge_look`].
pub(super) fn settle_late(
    late: &Late,
    seen_in: (usize, usize),
    photo: &str,
    volleys: Vec<Owner>,
    shape: &MarkShape,
    colour: [f32; 3],
) -> Result<()> {
    let patches = late.look.patches()?;
    let within = |m: &FoundMark| {
        let near = |w: &[f64; 2]| (w[0] - m.x_mm).hypot(w[1] - m.y_mm) < m.radius_mm;
        patches.iter().any(|p| p.wall_mm.iter().any(near))
    };
    // As many as the volleys miss, and those that are known there.
    let expected: u32 = volleys
        .iter()
        .map(|o| {
            let marks = &o.judged.marks;
            let all: u32 = marks.iter().map(|m| m.count).sum();
            let there: u32 = marks.iter().filter(|m| within(m)).map(|m| m.count).sum();
            o.volley.row.shots.saturating_sub(all) + there
        })
        .sum();
    let mut seen =
        judge_look(&late.look, expected as usize, &Behind::default(), shape, Some(colour), &Passed::default())?;
    seen.marks.iter_mut().for_each(|m| m.seen_in = Some(seen_in));
    let hides: Vec<Box<dyn Fn([f64; 2]) -> bool>> = volleys
        .iter()
        .map(|o| {
            let veils = o.veils;
            let hides = move |p: [f64; 2]| veils.iter().any(|v| v.mask.holds(WallPoint::new(1e-3 * p[0], 1e-3 * p[1])));
            Box::new(hides) as Box<dyn Fn([f64; 2]) -> bool>
        })
        .collect();
    let mut claimants: Vec<Claimant> = volleys
        .into_iter()
        .zip(&hides)
        .map(|(o, hides)| Claimant {
            judged: o.judged,
            name: o.volley.row.volley.clone(),
            shots: o.volley.row.shots,
            hides,
            expected: o.expected,
            shows: o.shows,
        })
        .collect();
    settle(seen, photo, &mut claimants, shape);
    Ok(())
}

/// Judges again a volley that still misses shots when all that its photo shows was looked at, and nothing hides them: they are among its
/// own marks then.
///
/// # Errors
/// As for [`judge_look`].
pub(super) fn search_again(
    judged: &mut Judged,
    look: &VolleyLook,
    shots: u32,
    behind: &Behind,
    (shape, colour): (&MarkShape, Option<[f32; 3]>),
    passed: &Passed,
) -> Result<()> {
    if judged.hidden.missing == 0 || judged.otherwise || behind.within_reach(mean(&judged.marks), shape.group_mm) {
        return Ok(());
    }
    let late: Vec<FoundMark> = judged.marks.iter().filter(|m| m.seen_in.is_some()).cloned().collect();
    let left = shots.saturating_sub(balls(&late));
    let own = judge_look(look, left as usize, &Behind::default(), shape, colour, passed)?;
    let hidden = Hiding { missing: 0, ..judged.hidden.clone() };
    let n = f64::from(balls(&own.marks)) / f64::from((balls(&own.marks) + balls(&late)).max(1));
    let weakest = own.doubtful.and_then(|i| own.marks.get(i)).cloned();
    *judged = Judged { hidden, probability: judged.probability.min(own.probability), ..own };
    judged.mean_shift_mm = judged.mean_shift_mm.map(|v| n * v);
    judged.mean_variance_mm2 = judged.mean_variance_mm2.map(|r| r.map(|v| n * n * v));
    judged.marks.extend(late);
    judged.marks.sort_by(top_to_bottom);
    judged.doubtful = weakest.and_then(|w| judged.marks.iter().position(|m| *m == w));
    Ok(())
}

/// What shots that are still unseen do to a volley's mean.
pub(super) fn weigh_hidden(judged: &mut Judged, behind: &Behind, shape: &MarkShape) {
    let missing = judged.hidden.missing;
    if missing == 0 {
        return;
    }
    let seen: Vec<[f64; 2]> =
        judged.marks.iter().flat_map(|m| std::iter::repeat_n([m.x_mm, m.y_mm], m.count as usize)).collect();
    let share = seen.len() as f64 / (seen.len() as f64 + f64::from(missing));
    let weighed = behind.mean(&seen, missing, shape.group_mm);
    match (weighed, mean(&judged.marks)) {
        (Some((middle, variance)), Some(now)) if share >= LEAST_SEEN => {
            judged.mean_shift_mm = [middle[0] - now[0], middle[1] - now[1]];
            for i in 0..2 {
                (0..2).for_each(|j| judged.mean_variance_mm2[i][j] += variance[i][j]);
            }
        }
        _ => judged.hidden.no_mean = true,
    }
}
