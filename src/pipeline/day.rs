//! What is known of a session's volleys so far, and what has to be done anew when a photo comes, a table changes
//! or a person decides?
//!
//! A [`Day`] keeps of every compared pair of photos what later stages need (the patches that changed) and does
//! again only what changed: [`Day::follow`] looks at photos it has not seen, [`Day::learn`] learns the marks' looks
//! and judges, [`Known::measure`] applies a person's decisions and solves. [`super::run_session`] is a day driven from
//! end to end, so that whoever takes photos one by one comes to the same results.

mod parts;
mod size;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use super::Progress;
use super::kept::Kept;
use super::known::{Found, Known, Learned};
use super::looks::{Ask, Pivot, Spot, VolleyLook, look};
use super::page::{Page, Turn};
use super::passing::standing;
use super::place::{How, PlacedPhoto, Reference, place_photo};
use super::recalibrated::holding;
use crate::camera::{Wall, WallView};
use crate::error::Result;
use crate::photo::decode::{forget_spare, keep_blocks};
use crate::session::flags::FlagWord;
use crate::session::{PairedVolley, Session};

/// What tells one content of a file from another without reading it: length and time of the last change.
pub type Print = Option<(u64, SystemTime)>;

/// A file's print; `None` when it is not there.
pub fn print_of(path: &Path) -> Print {
    std::fs::metadata(path).ok().and_then(|m| Some((m.len(), m.modified().ok()?)))
}

/// How a photo sees the wall, or a sentence why that is not known.
pub type Sees<'a> = std::result::Result<&'a WallView, &'a str>;

/// A photo of the folder: its name, and what it was when it was looked at.
#[derive(Clone, Debug, PartialEq)]
struct Shown {
    name: String,
    print: Print,
}

/// Everything that a comparison depends on.
#[derive(Clone, Debug, PartialEq)]
struct Key {
    photo: Shown,
    before: Option<Shown>,
    shots: u32,
    problem: Option<String>,
    reference: Option<Shown>,
    /// Which calibration holds for the photo.
    wall: usize,
    /// A photo of the wall right after a volley: the photo from before that volley, and its shots.
    again: Option<(Shown, u32)>,
    /// What was known of the wall before it.
    wall_before: WallBefore,
}

/// What is known of the wall before a row's photo: where the page began, marks on it, what is hidden and since when.
#[derive(Clone, Debug, Default, PartialEq)]
struct WallBefore {
    page: Page,
    spots: usize,
    /// Each with its row, photo and size.
    veils: Vec<(usize, String, usize)>,
    /// Number of the row, where there are veils: they speak of rows by number.
    row: Option<usize>,
}

/// One row of the table that was looked at.
struct Step {
    key: Key,
    volley: PairedVolley,
    /// `None` for a photo of the wall without shots.
    found: Option<Arc<Found>>,
    /// The volley before it, seen once more.
    again: Option<Arc<VolleyLook>>,
    /// How the photo sees the wall, or why that is not known.
    view: std::result::Result<WallView, String>,
    by_sheets: bool,
    /// What it is kept under, where comparisons are kept.
    kept_name: Option<String>,
    /// What its photo says of the wall.
    turn: Arc<Turn>,
}

/// A session at work: see the module.
pub struct Day {
    known: Known,
    /// For each photo which calibration holds: 0 the first.
    holds: BTreeMap<String, usize>,
    tripod: BTreeMap<usize, Option<Reference>>,
    good: Option<(Shown, Reference)>,
    last: Option<(Shown, Result<PlacedPhoto>)>,
    steps: Vec<Step>,
    edition: u64,
    /// The edition at which this calibration, machine and marks came to hold.
    began: u64,
    kept: Option<Arc<Kept>>,
    /// Hashes of the calibrations.
    wall_hashes: BTreeMap<usize, String>,
    /// Whether what pictures of decisions need is kept.
    keep: bool,
    /// How many volleys there were when the marks' size was last asked about.
    size_asked_of: usize,
}

impl Day {
    /// A day of which no photo is known yet.
    ///
    /// # Errors
    /// A machine that no flight fits.
    pub fn new(session: &Session, wall: &Wall) -> Result<Self> {
        keep_blocks();
        Ok(Self {
            known: Known::new(session, wall)?,
            holds: BTreeMap::new(),
            tripod: BTreeMap::new(),
            good: None,
            last: None,
            steps: Vec::new(),
            edition: 0,
            began: 0,
            kept: None,
            wall_hashes: BTreeMap::new(),
            keep: false,
            size_asked_of: 0,
        })
    }

    /// The same, with comparisons kept on the disk.
    pub fn keeping(mut self, kept: Option<Arc<Kept>>) -> Self {
        self.kept = kept;
        self
    }

    /// Keeps from now on what pictures of decisions need: half a megabyte a photo.
    pub fn keep_pictures(&mut self) {
        self.keep = true;
    }

    /// No photo will come for now: the last one, kept for the next, goes.
    pub fn rest(&mut self) {
        self.last = None;
        forget_spare();
    }

    pub(super) fn keeps(&self) -> bool {
        self.keep
    }

    /// The session.
    pub fn session(&self) -> &Session {
        &self.known.session
    }

    /// The first calibration.
    pub fn wall(&self) -> &Wall {
        &self.known.walls.at(0).0
    }

    /// What is known now.
    pub fn known(&self) -> &Known {
        &self.known
    }

    /// Learns with the size of marks that was looked for.
    fn learn_with_size(&mut self, progress: Progress) -> Result<Arc<Learned>> {
        if self.known.learned.is_some() {
            return self.known.learn(progress);
        }
        let Some((kept, name)) = self.kept.clone().zip(self.learned_name()) else { return self.known.learn(progress) };
        if let Some(learned) = kept.get::<Learned>(&name).filter(|l| self.known.fits(l)) {
            self.known.learned = Some(Arc::new(learned));
            return self.known.learn(progress);
        }
        let learned = self.known.learn(progress)?;
        kept.put(&name, &*learned);
        Ok(learned)
    }

    /// What is learned depends on all comparisons, in their order.
    fn learned_name(&self) -> Option<String> {
        let mut parts = vec!["learned".to_string(), format!("{:?}", self.known.start)];
        let looked = |s: &&Step| s.again.is_some() || matches!(s.found.as_deref(), Some(Found::Looked(_)));
        for s in self.steps.iter().filter(looked) {
            parts.push(s.kept_name.clone()?);
        }
        Some(self.kept.as_ref()?.name(&parts))
    }

    /// Takes another state of the same folder's tables (a volley's speed or row was written). What was looked at stays
    /// where the settings that it depends on stay.
    ///
    /// # Errors
    /// A machine that no flight fits; the day then stays as it was.
    pub fn take_session(&mut self, session: &Session) -> Result<()> {
        let same_zero = session.volleys.has_zero_shots() == self.known.session.volleys.has_zero_shots();
        if session.spec == self.known.session.spec && same_zero {
            self.known.session = Arc::new(session.clone());
        } else {
            let mut fresh = self.anew(session, &self.known.walls.at(0).0)?;
            let (new, old) = (&session.spec, &self.known.session.spec);
            if (&new.machine, &new.marks, &new.camera) == (&old.machine, &old.marks, &old.camera) {
                fresh.tripod = std::mem::take(&mut self.tripod);
                fresh.good = self.good.take();
                fresh.last = self.last.take();
                fresh.holds = std::mem::take(&mut self.holds);
                fresh.known.holds_from = std::mem::take(&mut self.known.holds_from);
                fresh.steps = std::mem::take(&mut self.steps);
                (fresh.edition, fresh.began) = (self.edition, self.began);
                fresh.known.shot = std::mem::take(&mut self.known.shot);
                fresh.known.turns = std::mem::take(&mut self.known.turns);
                fresh.known.learned = self.known.learned.take();
                fresh.known.expects_size_of(&self.known);
                fresh.size_asked_of = self.size_asked_of;
            }
            *self = fresh;
        }
        Ok(())
    }

    /// Begins again under another calibration: no photo is known yet, and what was learned elsewhere before is not taken any more.
    ///
    /// # Errors
    /// As for [`Day::new`]; the day then stays as it was.
    pub fn begin_again(&mut self, session: &Session, wall: &Wall) -> Result<()> {
        *self = self.anew(session, wall)?;
        Ok(())
    }

    /// A day after this one. Editions go on: one that began at 0 again would be taken for an older one of the same number.
    fn anew(&self, session: &Session, wall: &Wall) -> Result<Self> {
        let began = self.edition + 1;
        let kept = self.kept.clone();
        Ok(Self { edition: began, began, keep: self.keep, ..Self::new(session, wall)?.keeping(kept) })
    }

    fn photo(&self, name: &str) -> PathBuf {
        self.known.session.paths.photos().join(name)
    }

    fn shown(&self, name: &str) -> Shown {
        let print = print_of(&self.photo(name));
        Shown { name: name.into(), print }
    }

    /// Brings the day to these rows with their photos: looks at every pair that is new or changed, forgets what is no
    /// longer there. Each photo is decoded once when they come in order.
    pub fn follow(&mut self, volleys: &[PairedVolley], progress: Progress) {
        self.follow_each(volleys, progress, &mut |_, _, _| {});
    }

    /// As [`Day::follow`]; `each` is told of every row that was looked at anew, with what is known up to there, and how its photo
    /// sees the wall (or a sentence why that is not known).
    pub fn follow_each(
        &mut self,
        volleys: &[PairedVolley],
        progress: Progress,
        each: &mut dyn FnMut(&Known, usize, Sees),
    ) {
        let mut old = std::mem::take(&mut self.steps);
        let keys: Vec<Key> = old.iter().map(|s| s.key.clone()).collect();
        let learned = self.known.learned.take();
        self.known.shot.clear();
        self.known.again.clear();
        self.known.turns.clear();
        let follows = self.known.session.spec.camera.tripod_photo.is_none();
        self.holds = holding(&self.known.session, self.known.walls.later(), volleys);
        self.known.holds_from.clear();
        let mut before = 0;
        let mut reference: Option<Shown> = None;
        for (index, v) in volleys.iter().enumerate() {
            let wall = self.wall_of(&v.photo);
            // A photo that is placed by another calibration is no reference for this one.
            if wall != std::mem::replace(&mut before, wall) {
                reference = None;
            }
            self.known.holds_from.entry(wall).or_insert_with(|| v.photo.clone());
            let twice = self.twice(volleys, index);
            let key = self.key(index, v, twice, reference.clone());
            let known = old.iter().position(|s| s.key == key);
            let mut step = match known {
                Some(i) => old.swap_remove(i),
                None => self.kept_or_new(index, v, twice, key, progress).0,
            };
            step.volley = v.clone();
            if follows && step.by_sheets {
                reference = Some(step.key.photo.clone());
            }
            self.known.shot.extend(step.found.as_ref().map(|f| (v.clone(), f.clone(), wall)));
            if let (Some(p), Some(l)) = (twice, &step.again) {
                self.known.again.push((p.clone(), l.clone(), wall));
            }
            self.known.turns.push((step.turn.clone(), wall, v.clone()));
            if known.is_none() {
                each(&self.known, index, step.view.as_ref().map_err(String::as_str));
            }
            self.steps.push(step);
        }
        if self.steps.iter().map(|s| &s.key).eq(&keys) {
            self.known.learned = learned;
        } else {
            self.edition += 1;
        }
    }

    /// The volley that the photo of a row without shots may show a second time.
    fn twice<'a>(&self, volleys: &'a [PairedVolley], index: usize) -> Option<&'a PairedVolley> {
        let (v, p) = (volleys.get(index)?, volleys.get(index.checked_sub(1)?)?);
        let same_wall = self.wall_of(&p.photo) == self.wall_of(&v.photo);
        (v.row.shots == 0 && p.row.shots > 0 && p.problem.is_none() && same_wall).then_some(p)
    }

    fn key(&self, index: usize, v: &PairedVolley, twice: Option<&PairedVolley>, reference: Option<Shown>) -> Key {
        Key {
            wall: self.wall_of(&v.photo),
            again: twice.and_then(|p| Some((self.shown(p.before.as_deref()?), p.row.shots))),
            photo: self.shown(&v.photo),
            before: v.before.as_deref().map(|b| self.shown(b)),
            shots: v.row.shots,
            problem: v.problem.clone(),
            reference,
            wall_before: self.wall_before(index),
        }
    }

    /// Forgets every comparison: they are made again, or found where they are kept.
    pub fn forget(&mut self) {
        self.steps.clear();
        self.known.learned = None;
        self.edition += 1;
    }

    /// Counts every change of what was looked at.
    pub fn edition(&self) -> u64 {
        self.edition
    }

    /// Whether the calibration, the machine and the marks to expect are still those of an edition.
    pub fn still_holds(&self, edition: u64) -> bool {
        edition >= self.began
    }

    /// A photo that is another by now than when it was looked at, or is gone.
    pub fn changed_photo(&self) -> Option<&str> {
        let shown = |s: &Step| s.key.photo.clone();
        let step = self.steps.iter().find(|s| self.shown(&s.key.photo.name) != shown(s));
        step.map(|s| s.key.photo.name.as_str())
    }

    /// Takes what was learned elsewhere from [`Day::known`] of this edition.
    pub fn take_learned(&mut self, learned: Arc<Learned>, edition: u64) {
        if edition == self.edition {
            self.known.learned = Some(learned);
        }
    }

    /// Makes sure that the reference of a step is the one at hand: it is, unless photos came out of order.
    fn have_reference(&mut self, wanted: Option<&Shown>) {
        if self.good.as_ref().map(|g| &g.0) == wanted {
            return;
        }
        self.good = wanted.and_then(|w| {
            let wall = &self.known.walls.at(self.wall_of(&w.name)).0;
            let placed = place_photo(wall, &self.known.session.paths.photos(), &w.name, &[]).ok()?;
            let (located, _) = placed.place.as_ref()?;
            Some((w.clone(), Reference::new(wall, &self.photo(&w.name), located)))
        });
    }

    fn place(&mut self, name: &str) -> Result<PlacedPhoto> {
        let at = self.wall_of(name);
        let (wall, session) = (&self.known.walls.at(at).0, &self.known.session);
        let tripod = self.tripod.entry(at).or_insert_with(|| {
            let inside = if at == 0 { &session.spec.camera.tripod_photo } else { &wall.tripod_photo };
            let path = inside.as_ref().map(|t| session.paths.dir.join(t));
            path.and_then(|p| Reference::of_tripod(wall, &p))
        });
        let good = self.good.as_ref().filter(|g| self.holds.get(&g.0.name).copied().unwrap_or(0) == at);
        let references: Vec<&Reference> = tripod.iter().chain(good.map(|g| &g.1)).collect();
        place_photo(wall, &session.paths.photos(), name, &references)
    }

    /// Which calibration holds for a photo.
    fn wall_of(&self, photo: &str) -> usize {
        self.holds.get(photo).copied().unwrap_or(0)
    }

    fn wall_before(&self, index: usize) -> WallBefore {
        let Some(last) = self.steps.last() else { return WallBefore::default() };
        let veils: Vec<_> = last.turn.veils.iter().map(|v| (v.row, v.photo.clone(), v.mask.cells())).collect();
        WallBefore {
            page: last.turn.page.clone(),
            spots: self.spots(&last.turn.page).len(),
            row: (!veils.is_empty()).then_some(index),
            veils,
        }
    }

    /// Marks that the page shows so far.
    pub(super) fn spots(&self, page: &Page) -> Vec<Spot> {
        let of = |s: &Step| match s.found.as_deref() {
            Some(Found::Looked(l)) => l.spots.clone(),
            _ => Vec::new(),
        };
        standing(self.steps.iter().skip(page.first_row).map(of), self.look_radius_mm())
    }

    pub(super) fn look_radius_mm(&self) -> f64 {
        self.known.look_radius_mm
    }

    pub(super) fn wall_for(&self, photo: &str) -> &Wall {
        &self.known.walls.at(self.wall_of(photo)).0
    }

    pub(super) fn row_of(&self, photo: &str) -> Option<usize> {
        self.steps.iter().rposition(|s| s.key.photo.name == photo)
    }

    /// A photo decoded and placed once more.
    pub(super) fn placed(&mut self, photo: &str) -> Result<PlacedPhoto> {
        self.place(photo)
    }

    /// Balls shot in the rows from `first` to the one before `last`, and `own` in that.
    pub(super) fn shots_between(&self, first: usize, last: usize, own: u32) -> u32 {
        self.steps.iter().take(last).skip(first).map(|s| s.key.shots).fold(own, u32::saturating_add)
    }

    pub(super) fn pivot(&self) -> Pivot {
        self.known.pivot()
    }

    fn step(
        &mut self,
        index: usize,
        v: &PairedVolley,
        twice: Option<&PairedVolley>,
        key: Key,
        progress: Progress,
    ) -> Step {
        self.have_reference(key.reference.as_ref());
        let after = self.place(&v.photo);
        let (found, turn) = self.compare(index, v, &key, &after, progress);
        let (found, turn) = (found.map(Arc::new), Arc::new(turn));
        // A wiped wall shows no volley a second time.
        let again = twice.zip(key.again.as_ref()).filter(|_| !turn.wiped).and_then(|(p, (before, _))| {
            progress(&format!("{}: was volley {} photographed twice?", v.photo, p.row.volley));
            let (was, is) = (self.place(&before.name).ok()?, after.as_ref().ok()?);
            self.look(index, key.wall, p, &was, is).ok().map(Arc::new)
        });
        let view = match &after {
            Ok(PlacedPhoto { place: Some((l, _)), .. }) => Ok(l.view),
            Ok(p) => Err(format!("{}: {}", p.name, p.problem.as_deref().unwrap_or("its place on the wall is unknown"))),
            Err(e) => Err(e.to_string()),
        };
        let mut by_sheets = false;
        if let Ok(PlacedPhoto { place: Some((l, How::Sheets)), .. }) = &after {
            by_sheets = true;
            // Without a tripod photo the last photo that showed sheets stands in for it.
            if self.known.session.spec.camera.tripod_photo.is_none() {
                let reference = Reference::new(&self.known.walls.at(key.wall).0, &self.photo(&v.photo), l);
                self.good = Some((key.photo.clone(), reference));
            }
        }
        self.last = Some((key.photo.clone(), after));
        Step { key, volley: v.clone(), found, again, view, by_sheets, kept_name: None, turn }
    }

    fn compare(
        &mut self,
        index: usize,
        v: &PairedVolley,
        key: &Key,
        after: &Result<PlacedPhoto>,
        progress: Progress,
    ) -> (Option<Found>, Turn) {
        let shots = v.row.shots;
        let carried = self.steps.last().map(|s| s.turn.veils.clone()).unwrap_or_default();
        let mut turn = Turn { page: key.wall_before.page.clone(), veils: carried, ..Turn::default() };
        let own_page = Page { first_row: index + 1, clean: Some(v.photo.clone()) };
        let failed = |why: String, flags: Vec<FlagWord>| (shots > 0).then_some(Found::Failed(why, flags));
        // A row without shots asks for a comparison only where something is hidden or marks may have been wiped.
        let before_row = match (&v.problem, &key.before, self.steps.last()) {
            (Some(p), _, _) => {
                // A photo of the wall that was taken too late is no photo of the wall before; the other word says more.
                let word = if v.out_of_order.is_some() { FlagWord::OutOfOrder } else { FlagWord::NoBefore };
                return (failed(p.clone(), vec![word]), turn);
            }
            (None, Some(shown), _) => Some(shown.name.clone()),
            (None, None, Some(last)) if shots == 0 => Some(last.key.photo.name.clone()),
            (None, None, _) => None,
        };
        let Some(name) = before_row else {
            if shots == 0 {
                turn.page = own_page;
            }
            let why = "there is no photo of the wall before it: photograph the wall before you shoot, as a row with shots = 0";
            return (failed(why.into(), vec![FlagWord::NoBefore]), turn);
        };
        let before = match self.last.take() {
            Some((s, p)) if s == self.shown(&name) => p,
            _ => self.place(&name),
        };
        let (b, a) = match (&before, after) {
            (Ok(b), Ok(a)) => (b, a),
            (Err(e), _) | (_, Err(e)) => {
                if shots == 0 {
                    turn = Turn { page: own_page, ..Turn::default() };
                }
                return (failed(e.to_string(), Vec::new()), turn);
            }
        };
        let row = self.steps.iter().rposition(|s| s.key.photo.name == name).unwrap_or(index.saturating_sub(1));
        let result = self.turn_page(index, row, shots, b, a, &mut turn);
        match result {
            Ok(l) if shots > 0 => {
                let much = if l.things.is_empty() { "" } else { ", and something that is no mark" };
                progress(&format!("volley {}: {} places changed{much}", v.row.volley, l.patch_count()));
                (Some(Found::Looked(Box::new(l))), turn)
            }
            Ok(_) => (None, turn),
            Err(e) => {
                if shots == 0 {
                    turn = Turn { page: own_page, ..Turn::default() };
                }
                (failed(e.to_string(), vec![FlagWord::CameraMoved]), turn)
            }
        }
    }

    fn look(
        &self,
        index: usize,
        wall: usize,
        v: &PairedVolley,
        b: &PlacedPhoto,
        a: &PlacedPhoto,
    ) -> Result<VolleyLook> {
        let ask = Ask {
            volley: index,
            shots: v.row.shots as usize,
            pivot: self.pivot(),
            radius_mm: self.look_radius_mm(),
            old: &[],
            only: None,
            keep: false,
        };
        look(&self.known.walls.at(wall).0, &ask, b, a)
    }
}
