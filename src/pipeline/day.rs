//! What is known of a session's volleys so far, and what has to be done anew when a photo comes, a table changes
//! or a person decides?
//!
//! A [`Day`] keeps of every compared pair of photos what later stages need (the patches that changed) and does
//! again only what changed: [`Day::follow`] looks at photos it has not seen, [`Day::learn`] learns the marks' looks
//! and judges, [`Day::measure`] applies a person's decisions and solves. [`super::run_session`] is a day driven from
//! end to end, so that whoever takes photos one by one comes to the same results.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::SystemTime;

use rayon::prelude::*;

use super::Progress;
use super::decide::decide;
use super::decision::{Shown as Drawn, decision_picture};
use super::expect::expected;
use super::judge::{FoundMark, Judged, better, judge, mean};
use super::linear::Cells;
use super::looks::{How, Pivot, PlacedPhoto, Reference, VolleyLook, place_photo};
use super::measure::{Calibrated, Seen, measure};
use super::measured::Measured;
use super::page::{Late, Owner, Page, Turn, hidden_places, settle_late, weigh_hidden};
use super::recalibrated::{LaterWall, holding, later_walls};
use super::stray::part_strays;
use super::summary::{shared_factors, summarise};
use super::used::use_up;
use super::veil::Veil;
use super::zero::{session_inputs, set_zero};
use crate::camera::{Wall, WallView};
use crate::error::Result;
use crate::flight::Solver;
use crate::marks::learn::{colour, learn};
use crate::marks::patch::Patch;
use crate::marks::shape::MarkShape;
use crate::photo::decode::{decode_rgb, luma};
use crate::photo::read_exif;
use crate::report::Summary;
use crate::session::flags::FlagWord;
use crate::session::review::ReviewRow;
use crate::session::{PairedVolley, Session};

/// Diameters of marks to expect when nothing is said, mm: a 63 mm ball flattens over 15 to 45 mm (common practice, no source).
const DIAMETER_MM: (f64, f64) = (15.0, 45.0);

/// What tells one content of a file from another without reading it: length and time of the last change.
pub type Print = Option<(u64, SystemTime)>;

/// What a volley came to before it is judged.
enum Found {
    Failed(String, Vec<FlagWord>),
    Looked(Box<VolleyLook>),
}

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
    /// What was known of the wall before it.
    wall_before: Known,
}

/// What is known of the wall before a row's photo: where the page began, marks on it, what is hidden and since when.
#[derive(Clone, Debug, Default, PartialEq)]
struct Known {
    page: Page,
    spots: usize,
    veils: Vec<(usize, String, usize)>,
}

/// One row of the table that was looked at.
struct Step {
    key: Key,
    volley: PairedVolley,
    /// `None` for a photo of the wall without shots.
    found: Option<Found>,
    /// How the photo sees the wall, or why that is not known.
    view: std::result::Result<WallView, String>,
    by_sheets: bool,
    /// Where the wall's page began, as far as this row's photo tells.
    page: Page,
    /// What is hidden in its photo.
    veils: Vec<Veil>,
    /// What its photo shows again, against the last photo that showed it before.
    late: Vec<Late>,
}

/// What the session's marks look like, and what was found with that.
#[derive(Clone, Debug)]
pub struct Learned {
    /// The usual mark.
    pub shape: MarkShape,
    /// The marks' colour, linear RGB; `None` where nothing changed anywhere.
    pub colour: Option<[f32; 3]>,
    /// Judged volleys, in the order of those that were compared.
    judged: Vec<Judged>,
}

/// A session at work: see the module.
pub struct Day {
    session: Session,
    wall: Wall,
    whitened: nalgebra::DMatrix<f64>,
    /// Calibrations that hold from a later photo on.
    later: Vec<LaterWall>,
    /// For each photo which calibration holds: 0 the first.
    holds: BTreeMap<String, usize>,
    solver: Solver,
    start: MarkShape,
    tripod: BTreeMap<usize, Option<Reference>>,
    good: Option<(Shown, Reference)>,
    last: Option<(Shown, Result<PlacedPhoto>)>,
    steps: Vec<Step>,
    learned: Option<Learned>,
    /// Whether what pictures of decisions need is kept.
    keep: bool,
}

impl Day {
    /// A day of which no photo is known yet.
    ///
    /// # Errors
    /// A machine that no flight fits.
    pub fn new(session: &Session, wall: &Wall) -> Result<Self> {
        let m = &session.spec.marks;
        let expected =
            (m.smallest_m.map_or(DIAMETER_MM.0, |v| v * 1e3), m.largest_m.map_or(DIAMETER_MM.1, |v| v * 1e3));
        Ok(Self {
            solver: Solver::new(&session_inputs(session)?)?,
            whitened: wall.whitened(),
            later: later_walls(session)?,
            holds: BTreeMap::new(),
            session: session.clone(),
            wall: wall.clone(),
            start: MarkShape::plain(expected),
            tripod: BTreeMap::new(),
            good: None,
            last: None,
            steps: Vec::new(),
            learned: None,
            keep: false,
        })
    }

    /// Keeps from now on what pictures of decisions need: half a megabyte a photo.
    pub fn keep_pictures(&mut self) {
        self.keep = true;
    }

    pub(super) fn keeps(&self) -> bool {
        self.keep
    }

    /// A picture of every decision, as PNG, with the volley's name; those whose photos cannot be read again have none.
    ///
    /// # Errors
    /// A picture cannot be made.
    pub fn decision_pictures(&self, measured: &[Measured], progress: Progress) -> Result<Vec<(String, Vec<u8>)>> {
        let Some(Learned { shape, colour: Some(colour), judged }) = &self.learned else { return Ok(Vec::new()) };
        let read = |name: &str| {
            let path = self.photo(name);
            decode_rgb(&path, read_exif(&path).ok()?.orientation.unwrap_or(1)).ok()
        };
        let mut out = Vec::new();
        for ((v, l), judged) in self.looked().into_iter().zip(judged) {
            progress(&format!("picture of volley {}", v.row.volley));
            let look = l.otherwise.as_deref().filter(|_| judged.otherwise).unwrap_or(l);
            let (Some(before), Some(after)) = (read(&look.before), read(&v.photo)) else { continue };
            let status = measured
                .iter()
                .find(|m| m.volley.row.volley == v.row.volley)
                .map_or(String::new(), |m| format!(": {}, {} of {} shots", m.status, m.balls(), v.row.shots));
            let title = format!("volley {}{status}", v.row.volley);
            let shown = Drawn { title: &title, look, before: &before, after: &after, judged, shape, colour: *colour };
            if let Some(png) = decision_picture(&shown)? {
                out.push((v.row.volley.clone(), png));
            }
            // What something hid is seen where a later photo shows it.
            let Some((row, which)) = judged.marks.iter().find_map(|m| m.seen_in) else { continue };
            let Some((step, late)) = self.steps.get(row).and_then(|s| Some((s, s.late.get(which)?))) else { continue };
            let (Some(before), Some(after)) = (read(&late.look.before), read(&step.volley.photo)) else { continue };
            let there = |m: &&FoundMark| m.seen_in == Some((row, which));
            let only = Judged { marks: judged.marks.iter().filter(there).cloned().collect(), ..Judged::default() };
            let title = format!("{title}, {} of them seen in {}", only.marks.len(), step.volley.photo);
            let shown = Drawn {
                title: &title,
                look: &late.look,
                before: &before,
                after: &after,
                judged: &only,
                shape,
                colour: *colour,
            };
            if let Some(png) = decision_picture(&shown)? {
                out.push((format!("{}-later", v.row.volley), png));
            }
        }
        Ok(out)
    }

    /// The session.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// Takes another state of the same folder's tables (a volley's speed or row was written). What was looked at stays
    /// where the settings that it depends on stay.
    ///
    /// # Errors
    /// A machine that no flight fits; the day then stays as it was.
    pub fn take_session(&mut self, session: &Session) -> Result<()> {
        let same_zero = session.volleys.has_zero_shots() == self.session.volleys.has_zero_shots();
        if session.spec == self.session.spec && same_zero {
            self.session = session.clone();
        } else {
            let mut fresh = Self::new(session, &self.wall)?;
            let same = (&fresh.session.spec.machine, &fresh.session.spec.marks, &fresh.session.spec.camera)
                == (&self.session.spec.machine, &self.session.spec.marks, &self.session.spec.camera);
            if same {
                fresh.tripod = std::mem::take(&mut self.tripod);
                fresh.good = self.good.take();
                fresh.last = self.last.take();
                fresh.steps = std::mem::take(&mut self.steps);
                fresh.learned = self.learned.take();
                fresh.keep = self.keep;
            }
            *self = fresh;
        }
        Ok(())
    }

    fn photo(&self, name: &str) -> PathBuf {
        self.session.paths.photos().join(name)
    }

    fn shown(&self, name: &str) -> Shown {
        let print = std::fs::metadata(self.photo(name)).ok().and_then(|m| Some((m.len(), m.modified().ok()?)));
        Shown { name: name.into(), print }
    }

    /// Brings the day to these rows with their photos: looks at every pair that is new or changed, forgets what is no
    /// longer there. Each photo is decoded once when they come in order. The indices of rows looked at anew.
    pub fn follow(&mut self, volleys: &[PairedVolley], progress: Progress) -> Vec<usize> {
        let mut old = std::mem::take(&mut self.steps);
        self.holds = holding(&self.session, &self.later, volleys);
        let mut before = 0;
        let keys: Vec<Key> = old.iter().map(|s| s.key.clone()).collect();
        let follows = self.session.spec.camera.tripod_photo.is_none();
        let mut reference: Option<Shown> = None;
        let mut fresh = Vec::new();
        for (index, v) in volleys.iter().enumerate() {
            let wall = self.wall_of(&v.photo);
            // A photo that is placed by another calibration is no reference for this one.
            if wall != std::mem::replace(&mut before, wall) {
                reference = None;
            }
            let key = Key {
                wall,
                wall_before: self.known(),
                photo: self.shown(&v.photo),
                before: v.before.as_deref().map(|b| self.shown(b)),
                shots: v.row.shots,
                problem: v.problem.clone(),
                reference: reference.clone(),
            };
            let mut step = match old.iter().position(|s| s.key == key) {
                Some(i) => old.swap_remove(i),
                None => {
                    fresh.push(index);
                    self.step(index, v, key, progress)
                }
            };
            step.volley = v.clone();
            if follows && step.by_sheets {
                reference = Some(step.key.photo.clone());
            }
            self.steps.push(step);
        }
        if !self.steps.iter().map(|s| &s.key).eq(&keys) {
            self.learned = None;
        }
        fresh
    }

    /// Makes sure that the reference of a step is the one at hand: it is, unless photos came out of order.
    fn have_reference(&mut self, wanted: Option<&Shown>) {
        if self.good.as_ref().map(|g| &g.0) == wanted {
            return;
        }
        self.good = wanted.and_then(|w| {
            let wall = self.wall_at(self.wall_of(&w.name)).0;
            let placed = place_photo(wall, &self.session.paths.photos(), &w.name, &[]).ok()?;
            let (located, _) = placed.place.as_ref()?;
            Some((w.clone(), Reference::new(wall, &w.name, luma(&placed.rgb), located)))
        });
    }

    fn place(&mut self, name: &str) -> Result<PlacedPhoto> {
        let at = self.wall_of(name);
        if !self.tripod.contains_key(&at) {
            let wall = self.wall_at(at).0;
            let inside = if at == 0 { &self.session.spec.camera.tripod_photo } else { &wall.tripod_photo };
            let path = inside.as_ref().map(|t| self.session.paths.dir.join(t));
            let reference = path.and_then(|p| Reference::of_tripod(wall, &p));
            self.tripod.insert(at, reference);
        }
        let good = self.good.as_ref().filter(|g| self.wall_of(&g.0.name) == at);
        let references: Vec<&Reference> =
            self.tripod.get(&at).into_iter().flatten().chain(good.map(|g| &g.1)).collect();
        place_photo(self.wall_at(at).0, &self.session.paths.photos(), name, &references)
    }

    /// Which calibration holds for a photo.
    fn wall_of(&self, photo: &str) -> usize {
        self.holds.get(photo).copied().unwrap_or(0)
    }

    fn wall_at(&self, at: usize) -> (&Wall, &nalgebra::DMatrix<f64>) {
        at.checked_sub(1)
            .and_then(|i| self.later.get(i))
            .map_or((&self.wall, &self.whitened), |l| (&l.wall, &l.whitened))
    }

    fn known(&self) -> Known {
        let Some(last) = self.steps.last() else { return Known::default() };
        let veils = last.veils.iter().map(|v| (v.row, v.photo.clone(), v.mask.cells())).collect();
        Known { page: last.page.clone(), spots: self.spots(&last.page).len(), veils }
    }

    /// Marks that the page shows so far.
    pub(super) fn spots(&self, page: &Page) -> Vec<super::looks::Spot> {
        let of = |s: &Step| match &s.found {
            Some(Found::Looked(l)) => l.spots.clone(),
            _ => Vec::new(),
        };
        self.steps.iter().skip(page.first_row).flat_map(of).collect()
    }

    fn step(&mut self, index: usize, v: &PairedVolley, key: Key, progress: Progress) -> Step {
        self.have_reference(key.reference.as_ref());
        let after = self.place(&v.photo);
        let (found, turn) = self.compare(index, v, &key, &after, progress);
        let view = match &after {
            Ok(PlacedPhoto { place: Some((l, _)), .. }) => Ok(l.view),
            Ok(p) => Err(format!("{}: {}", p.name, p.problem.as_deref().unwrap_or("its place on the wall is unknown"))),
            Err(e) => Err(e.to_string()),
        };
        let mut by_sheets = false;
        if let Ok(PlacedPhoto { place: Some((l, How::Sheets)), rgb, .. }) = &after {
            by_sheets = true;
            // Without a tripod photo the last photo that showed sheets stands in for it.
            if self.session.spec.camera.tripod_photo.is_none() {
                let reference = Reference::new(self.wall_at(key.wall).0, &v.photo, luma(rgb), l);
                self.good = Some((key.photo.clone(), reference));
            }
        }
        self.last = Some((key.photo.clone(), after));
        let Turn { page, veils, late } = turn;
        Step { key, volley: v.clone(), found, view, by_sheets, page, veils, late }
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
        let carried = self.steps.last().map(|s| s.veils.clone()).unwrap_or_default();
        let mut turn = Turn { page: key.wall_before.page.clone(), veils: carried, late: Vec::new() };
        let own_page = Page { first_row: index + 1, clean: Some(v.photo.clone()) };
        let failed = |why: String, flags: Vec<FlagWord>| (shots > 0).then_some(Found::Failed(why, flags));
        // A row without shots asks for a comparison only where something is hidden or marks may have been wiped.
        let before_row = match (&v.problem, &key.before, self.steps.last()) {
            (Some(p), _, _) => return (failed(p.clone(), vec![FlagWord::NoBefore]), turn),
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
                progress(&format!("volley {}: {} places changed{much}", v.row.volley, l.groups.patches.len()));
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

    /// Rows that have shots, with what was found, in order.
    fn shot(&self) -> impl Iterator<Item = (&PairedVolley, &Found)> {
        self.steps.iter().filter_map(|s| s.found.as_ref().map(|f| (&s.volley, f)))
    }

    fn looked(&self) -> Vec<(&PairedVolley, &VolleyLook)> {
        self.shot().filter_map(|(v, f)| if let Found::Looked(l) = f { Some((v, &**l)) } else { None }).collect()
    }

    /// Factors of the calibrations before one: what two calibrations got wrong are different things.
    fn factors_before(&self, at: usize) -> usize {
        (0..at).map(|i| self.wall_at(i).0.covariance.parameters.len()).sum()
    }

    fn factors_after(&self, at: usize) -> usize {
        self.factors_before(self.later.len() + 1) - self.factors_before(at + 1)
    }

    /// How the photo of a row (index into the rows followed) sees the wall, or a sentence why that is not known.
    pub fn view(&self, row: usize) -> Option<std::result::Result<&WallView, &str>> {
        self.steps.get(row).map(|s| s.view.as_ref().map_err(String::as_str))
    }

    /// Learns what the marks look like from all volleys and judges each with that, where anything changed since.
    pub fn learn(&mut self, progress: Progress) -> &Learned {
        let learned = match self.learned.take() {
            Some(l) => l,
            None => {
                progress("learning what the marks look like");
                self.learn_now(progress)
            }
        };
        self.learned.insert(learned)
    }

    fn learn_now(&self, progress: Progress) -> Learned {
        let looked = self.looked();
        let volley_patches: Vec<_> =
            looked.iter().map(|(v, l)| (v.row.shots as usize, l.groups.patches.as_slice())).collect();
        let colour = colour(&volley_patches);
        let opacities: Vec<(usize, Vec<Patch>)> = match colour {
            Some(c) => volley_patches.par_iter().map(|(n, p)| (*n, p.iter().map(|p| p.opacity(c)).collect())).collect(),
            None => volley_patches.iter().map(|(n, _)| (*n, Vec::new())).collect(),
        };
        let shape = learn(&opacities, self.start.clone());
        progress(&format!("marks: {:.0} mm across, learned from {}", 2.0 * shape.radius_mm.0, shape.learned_from));
        let widest = self.pivot();
        let behind: Vec<_> = looked.iter().map(|(_, l)| hidden_places(&self.steps[l.volley].veils, widest)).collect();
        let mut judged: Vec<Judged> = opacities
            .par_iter()
            .zip(&behind)
            .map(|((shots, patches), behind)| judge(patches, *shots, &shape, behind))
            .collect();
        for (((v, l), j), behind) in looked.iter().zip(&mut judged).zip(&behind) {
            if let (Some(other), Some(colour)) = (&l.otherwise, colour) {
                let patches: Vec<Patch> = other.groups.patches.iter().map(|p| p.opacity(colour)).collect();
                let second = judge(&patches, v.row.shots as usize, &shape, behind);
                if better(j, &second, v.row.shots as usize) {
                    *j = Judged { otherwise: true, ..second };
                }
            }
        }
        if let Some(colour) = colour {
            self.settle_hidden(&mut judged, &looked, &shape, colour);
        }
        for (((v, _), j), behind) in looked.iter().zip(&mut judged).zip(&behind) {
            part_strays(j, v.row.shots, &shape);
            weigh_hidden(j, behind, &shape);
        }
        Learned { shape, colour, judged }
    }

    pub(super) fn start_radius_mm(&self) -> f64 {
        self.start.radius_mm.0
    }

    pub(super) fn wall_for(&self, photo: &str) -> &Wall {
        self.wall_at(self.wall_of(photo)).0
    }

    pub(super) fn row_of(&self, photo: &str) -> Option<usize> {
        self.steps.iter().rposition(|s| s.key.photo.name == photo)
    }

    /// A photo decoded and placed once more.
    pub(super) fn placed(&mut self, photo: &str) -> Result<PlacedPhoto> {
        self.place(photo)
    }

    /// Balls shot in the rows from `first` to `last`.
    pub(super) fn shots_between(&self, first: usize, last: usize) -> u32 {
        self.session.volleys.rows.iter().take(last + 1).skip(first).map(|r| r.shots).fold(0, u32::saturating_add)
    }

    pub(super) fn pivot(&self) -> Pivot {
        let m = &self.session.spec.machine;
        Pivot { out_m: m.pivot_out.value, right_m: m.pivot_right.value }
    }

    /// Deals out what later photos show of places that were hidden.
    fn settle_hidden(
        &self,
        judged: &mut [Judged],
        looked: &[(&PairedVolley, &VolleyLook)],
        shape: &MarkShape,
        colour: [f32; 3],
    ) {
        let out_mm = 1e3 * self.pivot().out_m;
        for (row, step) in self.steps.iter().enumerate() {
            for (which, late) in step.late.iter().enumerate() {
                let owns = |l: &VolleyLook| l.volley > late.since && l.volley <= row;
                let others: Vec<_> = judged
                    .iter()
                    .zip(looked)
                    .filter(|(j, (_, l))| !owns(l) && j.hidden.missing == 0)
                    .filter_map(|(j, (v, _))| Some((&v.row, mean(&j.marks)?)))
                    .collect();
                let owners = judged
                    .iter_mut()
                    .zip(looked)
                    .filter(|(_, (_, l))| owns(l))
                    .map(|(judged, (volley, l))| Owner {
                        judged,
                        volley,
                        veils: &self.steps[l.volley].veils,
                        expected: expected(&volley.row, &others, out_mm),
                        shows: l.volley == row,
                    })
                    .collect();
                settle_late(late, (row, which), &step.volley.photo, owners, shape, colour);
            }
        }
    }

    /// The volleys with their places and angles, after a person's decisions. Without [`Day::learn`] before it, no volley has marks.
    pub fn measure(&self, decisions: &[ReviewRow]) -> Vec<Measured> {
        let nothing = Judged::default();
        let mut at = 0;
        let mut out = Vec::new();
        for (volley, found) in self.shot() {
            out.push(match found {
                Found::Failed(why, flags) => {
                    let mut why = why.clone();
                    if decisions.iter().any(|d| d.volley == volley.row.volley) {
                        why += "; review.csv decides on its marks, which has to wait until its photos can be used";
                    }
                    Measured::failed(volley, why, flags.clone())
                }
                Found::Looked(l) => {
                    let judged = self.learned.as_ref().and_then(|k| k.judged.get(at)).unwrap_or(&nothing);
                    let shape = self.learned.as_ref().map_or(&self.start, |k| &k.shape);
                    at += 1;
                    let decided = decide(judged, volley, decisions, shape);
                    let other = l.otherwise.as_deref().filter(|_| judged.otherwise);
                    let look = other.unwrap_or(l);
                    let own = Seen { place: self.calibrated(&volley.photo), look, photo: &volley.photo };
                    let later = |(row, which): (usize, usize)| {
                        let step = self.steps.get(row)?;
                        let look = &step.late.get(which)?.look;
                        let photo = step.volley.photo.as_str();
                        Some(Seen { place: self.calibrated(photo), look, photo })
                    };
                    measure(&own, &later, &self.solver, volley, &decided)
                }
            });
        }
        let pages: Vec<usize> = self.steps.iter().filter(|s| s.found.is_some()).map(|s| s.page.first_row).collect();
        if let Some(k) = &self.learned {
            let current = self.steps.last().map_or(0, |s| s.page.first_row);
            use_up(&mut out, &pages, current, &k.shape);
        }
        let calibration_factors = self.factors_before(self.later.len() + 1);
        set_zero(&self.session, shared_factors(&self.session, Some(calibration_factors), &self.solver).len(), &mut out);
        out
    }

    /// The means behind the study, for a check by Monte Carlo.
    pub fn cells(&self, measured: &[Measured], summary: &Summary) -> Cells {
        Cells::new(&self.session, &self.solver, measured, summary.study.as_ref())
    }

    fn calibrated(&self, photo: &str) -> Calibrated<'_> {
        let at = self.wall_of(photo);
        let (wall, whitened) = self.wall_at(at);
        Calibrated { wall, whitened, before: self.factors_before(at), after: self.factors_after(at) }
    }

    /// Study, budgets and everything else that the report shows.
    pub fn summarise(&self, measured: &[Measured], notes: &[String]) -> Summary {
        let shape = self.learned.as_ref().map(|k| &k.shape);
        let mut summary = summarise(&self.session, Some(&self.wall), &self.solver, shape, measured, notes);
        for (i, l) in self.later.iter().enumerate() {
            let first = self.steps.iter().find(|s| s.key.wall == i + 1);
            summary.notes.push(match first {
                Some(s) => format!("calibration-{} holds from {} on", l.number, s.key.photo.name),
                None => format!("calibration-{} was taken after all photos and is not used", l.number),
            });
        }
        summary.notes.extend(self.session.notes.iter().cloned());
        summary
    }
}
