//! Was a row looked at before, by this run or by another machine's that did a part?

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use super::super::Progress;
use super::super::kept::{Kept, KeptLook};
use super::super::known::Found;
use super::super::looks::VolleyLook;
use super::super::page::Turn;
use super::super::place::{How, place_photo};
use super::super::recalibrated::holding;
use super::super::stowed::{find, stow};
use super::{Day, Key, Shown, Step, WallBefore};
use crate::session::PairedVolley;
use crate::session::hash::sha256_hex;

/// A row's two looks.
const OWN: &str = "own";
const AGAIN: &str = "again";

impl Step {
    /// Puts the patches on the disk; false when one of them stays.
    fn stow(&mut self, kept: &Arc<Kept>, name: &str) -> bool {
        let own = match self.found.as_mut().map(Arc::get_mut) {
            Some(Some(Found::Looked(l))) => stow(kept, name, OWN, l),
            Some(Some(Found::Failed(..))) | None => true,
            Some(None) => false,
        };
        let again = match self.again.as_mut().map(Arc::get_mut) {
            Some(Some(l)) => stow(kept, name, AGAIN, l),
            None => true,
            Some(None) => false,
        };
        own && again
    }
}

impl Day {
    /// Looks at some rows only, and keeps what it finds for whoever puts the parts together; how many were looked at anew, and how
    /// many were kept already.
    pub fn follow_part(&mut self, volleys: &[PairedVolley], rows: Range<usize>, progress: Progress) -> (usize, usize) {
        self.holds = holding(&self.known.session, self.known.walls.later(), volleys);
        let follows = self.known.session.spec.camera.tripod_photo.is_none();
        let mut by_sheets: BTreeMap<usize, bool> = BTreeMap::new();
        let (mut anew, mut there) = (0, 0);
        self.steps.clear();
        for (index, v) in volleys.iter().enumerate().take(rows.start) {
            let step = self.passed_over(index, v);
            self.steps.push(step);
        }
        for (index, v) in volleys.iter().enumerate().take(rows.end).skip(rows.start) {
            let wall = self.wall_of(&v.photo);
            let before = volleys.get(..index).unwrap_or_default();
            // The last photo before that showed sheets, under the same calibration, as a whole run finds it on its way.
            let same = before.iter().enumerate().rev().take_while(|(_, b)| self.wall_of(&b.photo) == wall);
            let reference = if follows {
                same.filter_map(|(i, b)| {
                    let shows = *by_sheets.entry(i).or_insert_with(|| self.shows_sheets(&b.photo));
                    shows.then(|| self.shown(&b.photo))
                })
                .next()
            } else {
                None
            };
            let twice = self.twice(volleys, index);
            let key = self.key(index, v, twice, reference);
            let (step, new) = self.kept_or_new(index, v, twice, key, progress);
            by_sheets.insert(index, step.by_sheets);
            self.steps.push(step);
            if new { anew += 1 } else { there += 1 }
        }
        (anew, there)
    }

    /// A row of another part: nothing is known of it.
    fn passed_over(&self, index: usize, v: &PairedVolley) -> Step {
        Step {
            key: self.key(index, v, None, None),
            volley: v.clone(),
            found: None,
            again: None,
            view: Err(String::new()),
            by_sheets: false,
            kept_name: None,
            turn: Arc::default(),
        }
    }

    fn shows_sheets(&self, photo: &str) -> bool {
        let wall = &self.known.walls.at(self.wall_of(photo)).0;
        let placed = place_photo(wall, &self.known.session.paths.photos(), photo, &[]);
        placed.is_ok_and(|p| matches!(p.place, Some((_, How::Sheets))))
    }

    /// A row as it was kept, else looked at anew (then the second is true) and kept.
    pub(super) fn kept_or_new(
        &mut self,
        index: usize,
        v: &PairedVolley,
        twice: Option<&PairedVolley>,
        key: Key,
        progress: Progress,
    ) -> (Step, bool) {
        let name = self.kept_name(&key);
        let Some((kept, name)) = self.kept.clone().zip(name) else {
            return (self.step(index, v, twice, key, progress), true);
        };
        let whole = |mut k: KeptLook<Found, VolleyLook>| {
            let found = match &mut k.found {
                Some(Found::Looked(l)) => find(&kept, &name, OWN, l),
                _ => true,
            };
            (found && k.again.as_mut().is_none_or(|l| find(&kept, &name, AGAIN, l))).then_some(k)
        };
        if let Some(KeptLook { mut found, again, view, by_sheets, page }) = kept.look(&name).and_then(whole) {
            if let Some(Found::Looked(l)) = &mut found {
                l.volley = index;
            }
            let (found, again) = (found.map(Arc::new), again.map(Arc::new));
            let turn = Arc::new(Turn { page, ..Turn::default() });
            return (
                Step { key, volley: v.clone(), found, again, view, by_sheets, kept_name: Some(name), turn },
                false,
            );
        }
        let mut step = self.step(index, v, twice, key, progress);
        // A photo that could not be read may be readable the next time.
        let lasts = match step.found.as_deref() {
            Some(Found::Failed(_, flags)) => !flags.is_empty(),
            Some(Found::Looked(_)) => true,
            None => step.view.is_ok(),
        };
        // What hides a part of the wall hangs on rows before and after it: such rows are few, and are looked at again.
        let plain = step.turn.veils.is_empty() && step.turn.late.is_empty();
        let alone = match step.found.as_deref() {
            Some(Found::Looked(l)) => l.otherwise.is_none(),
            _ => true,
        };
        if !(plain && alone) {
            return (step, true);
        }
        if lasts && step.stow(&kept, &name) {
            let (found, again) = (step.found.as_deref(), step.again.as_deref());
            let page = step.turn.page.clone();
            let look = KeptLook { found, again, view: step.view.clone(), by_sheets: step.by_sheets, page };
            kept.put(&name, &look);
        }
        step.kept_name = Some(name);
        (step, true)
    }

    /// The name of everything that a comparison depends on; `None` where nothing is kept or a photo cannot be read.
    fn kept_name(&mut self, key: &Key) -> Option<String> {
        // Taken apart by name: a field that is added to what a comparison depends on has to be thought of here.
        let Key { photo: own, before, shots, problem, reference, wall: at, again, wall_before } = key;
        let WallBefore { page, spots: _, veils, row: _ } = wall_before;
        let kept = self.kept.clone()?;
        let wall = &self.known.walls.at(*at).0;
        if let std::collections::btree_map::Entry::Vacant(place) = self.wall_hashes.entry(*at) {
            place.insert(sha256_hex(wall.to_json().ok()?.as_bytes()));
        }
        let session = &self.known.session;
        let photo = |shown: &Shown| -> Option<String> {
            Some(format!("{} {}", kept.sha256(&session.paths.photos().join(&shown.name)).ok()?, shown.name))
        };
        let maybe = |shown: &Option<Shown>| shown.as_ref().map_or(Some(String::new()), &photo);
        let inside = if *at == 0 { &session.spec.camera.tripod_photo } else { &wall.tripod_photo };
        let tripod = inside.as_ref().map_or(Some(String::new()), |t| kept.sha256(&session.paths.dir.join(t)).ok());
        let m = &session.spec.machine;
        if !veils.is_empty() {
            return None;
        }
        // A photo without shots is compared with the one before it.
        let last = self.steps.last().map(|s| s.key.photo.clone()).filter(|_| *shots == 0);
        let clean = page.clean.as_ref().map(|c| self.shown(c));
        let parts = [
            "look".to_string(),
            maybe(&last)?,
            format!("{} {:?}", page.first_row, self.spots(page)),
            maybe(&clean)?,
            self.wall_hashes.get(at)?.clone(),
            tripod.unwrap_or_default(),
            photo(own)?,
            maybe(before)?,
            maybe(reference)?,
            maybe(&again.as_ref().map(|a| a.0.clone()))?,
            again.as_ref().map_or(0, |a| a.1).to_string(),
            format!("{shots} {problem:?}"),
            format!("{:?} {:?} {:?}", m.pivot_out.value, m.pivot_right.value, self.known.look_radius_mm),
        ];
        Some(kept.name(&parts))
    }
}
