//! What do the compared pairs of a session come to: looks of the marks, places, angles, study?
//!
//! [`Known`] is what a [`super::Day`] has of its volleys at one time. It is cheap to clone, so that learning and writing can go on
//! beside the next photo.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::Progress;
use super::again::photo_pair;
use super::behind::Behind;
use super::calibrate::file_of;
use super::crops::Crops;
use super::decide::{Decided, decide};
use super::decision::{Shown, decision_picture};
use super::expect::expected;
use super::judge::{FoundMark, Hiding, Judged, better, judge_look, learn_looks, mean};
use super::linear::Cells;
use super::looks::{Pivot, VolleyLook};
use super::made_with::doubts;
use super::measure::{Calibrated, Seen, far_speed, measure};
use super::measured::Measured;
use super::other_side::{Asked, OtherLook, judge_other, looks_of, other_side, two_kinds};
use super::page::{Owner, Turn, hidden_places, search_again, settle_late, unlooked_places, weigh_hidden};
use super::passing::{self, Passed, passed};
use super::recalibrated::{LaterWall, later_walls};
use super::stray::{Struck, part_strays};
use super::summary::{calibration_of, shared_factors, summarise};
use super::twice::look_twice;
use super::used::use_up;
use super::zero::{session_inputs, set_zero};
use crate::camera::Wall;
use crate::error::Result;
use crate::flight::Solver;
use crate::marks::shape::MarkShape;
use crate::photo::{decode_rgb, read_exif};
use crate::report::Summary;
use crate::report::model::LaterCalibration;
use crate::session::flags::FlagWord;
use crate::session::hash::FileHash;
use crate::session::results::VolleyResult;
use crate::session::review::ReviewRow;
use crate::session::{PairedVolley, Session};
use crate::study::PhotoPair;

/// Diameters of marks to expect when nothing is said, mm: a 63 mm ball flattens over 15 to 45 mm (common practice, no source).
const DIAMETER_MM: (f64, f64) = (15.0, 45.0);

/// What a volley came to before it is judged.
#[derive(Serialize, Deserialize)]
pub(super) enum Found {
    Failed(String, Vec<FlagWord>),
    Looked(Box<VolleyLook>),
}

/// What the session's marks look like, and what was found with that.
#[derive(Debug, Serialize, Deserialize)]
pub struct Learned {
    /// The usual mark.
    pub shape: MarkShape,
    /// The marks' colour, linear RGB; `None` where nothing changed anywhere.
    pub colour: Option<[f32; 3]>,
    /// The same of marks that change the wall the other way, where some volleys have such.
    pub other_side: Option<OtherLook>,
    /// Judged volleys, in the order of those that were compared.
    judged: Vec<Judged>,
    /// Judged second photos, in the order of those.
    judged_again: Vec<Judged>,
    /// Where the volleys struck.
    struck: Option<Struck>,
}

impl Learned {
    /// What the marks of a volley look like.
    fn looks_of(&self, judged: &Judged) -> (&MarkShape, Option<[f32; 3]>) {
        looks_of(judged, (&self.shape, self.colour), self.other_side.as_ref())
    }
}

/// All calibrations of a session, each with its whitened factors.
pub(super) struct Walls {
    walls: Vec<(Wall, nalgebra::DMatrix<f64>)>,
    later: Vec<LaterWall>,
}

impl Walls {
    fn new(session: &Session, first: &Wall) -> Result<Self> {
        let later = later_walls(session)?;
        let all = std::iter::once(first).chain(later.iter().map(|l| &l.wall));
        Ok(Self { walls: all.map(|w| (w.clone(), w.whitened())).collect(), later })
    }

    /// One of them, 0 the first.
    pub(super) fn at(&self, at: usize) -> &(Wall, nalgebra::DMatrix<f64>) {
        // There is always a first one, and what holds is always one of them.
        &self.walls[at.min(self.walls.len() - 1)]
    }

    pub(super) fn later(&self) -> &[LaterWall] {
        &self.later
    }

    /// Factors of all of them together.
    fn factors(&self) -> usize {
        self.walls.iter().map(|w| w.0.covariance.parameters.len()).sum()
    }

    /// What two calibrations got wrong are different things: each has its own factors among all.
    fn calibrated(&self, at: usize) -> Calibrated<'_> {
        let factors = |w: &[(Wall, _)]| w.iter().map(|w| w.0.covariance.parameters.len()).sum();
        let (wall, whitened) = self.at(at);
        let (before, after) = (self.walls.get(..at).unwrap_or_default(), self.walls.get(at + 1..).unwrap_or_default());
        Calibrated { wall, whitened, before: factors(before), after: factors(after) }
    }
}

/// A volley that could be compared.
struct Compared<'a> {
    volley: &'a PairedVolley,
    look: &'a VolleyLook,
    /// Its row among all.
    row: usize,
    turn: &'a Turn,
}

/// A row with shots, what it came to, and which calibration holds for it.
type Shot = (PairedVolley, Arc<Found>, usize);

/// What is known of a session's volleys at one time.
#[derive(Clone)]
pub struct Known {
    pub(super) session: Arc<Session>,
    pub(super) walls: Arc<Walls>,
    solver: Arc<Solver>,
    /// What learning starts from.
    pub(super) start: MarkShape,
    /// The radius of marks that photos are searched for, mm.
    pub(super) look_radius_mm: f64,
    /// The widest mark to expect, mm.
    largest_mm: f64,
    /// Rows with shots.
    pub(super) shot: Vec<Shot>,
    /// Second photos of volleys, each with its row, and which calibration holds for it.
    pub(super) again: Vec<(PairedVolley, Arc<VolleyLook>, usize)>,
    /// Every row: what its photo says of the wall, which calibration holds, the row.
    pub(super) turns: Vec<(Arc<Turn>, usize, PairedVolley)>,
    /// The first photo that each calibration holds for.
    pub(super) holds_from: BTreeMap<usize, String>,
    pub(super) learned: Option<Arc<Learned>>,
}

impl Known {
    /// What was kept of a volley's photos for the page, where it was compared with this one before.
    pub(super) fn crops(&self, volley: &str, before: &str) -> Option<Crops> {
        let (_, found, _) = self.shot.iter().find(|(v, ..)| v.row.volley == volley)?;
        let Found::Looked(look) = &**found else { return None };
        let mut looks = std::iter::once(&**look).chain(look.otherwise.as_deref());
        looks.find(|l| l.before == before)?.crops().map(Cow::into_owned)
    }

    /// Nothing but the session and its calibration.
    ///
    /// # Errors
    /// A machine that no flight fits.
    pub fn new(session: &Session, wall: &Wall) -> Result<Self> {
        let m = &session.spec.marks;
        let largest_mm = m.largest_m.map_or(DIAMETER_MM.1, |v| v * 1e3);
        let start = MarkShape::plain((m.smallest_m.map_or(DIAMETER_MM.0, |v| v * 1e3), largest_mm));
        Ok(Self {
            solver: Arc::new(Solver::new(&session_inputs(session)?)?),
            walls: Arc::new(Walls::new(session, wall)?),
            session: Arc::new(session.clone()),
            look_radius_mm: start.radius_mm.0,
            start,
            largest_mm,
            shot: Vec::new(),
            again: Vec::new(),
            turns: Vec::new(),
            holds_from: BTreeMap::new(),
            learned: None,
        })
    }

    /// The session.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// The files that it rests on, as they were read: settings, volleys, calibrations.
    pub fn files(&self) -> Vec<FileHash> {
        let later = self.walls.later().iter().map(|l| (l.number, &l.wall));
        let walls = std::iter::once((1, &self.walls.at(0).0)).chain(later);
        let walls = walls.map(|(number, wall)| file_of(&self.session, number, wall));
        self.session.read.iter().cloned().chain(walls).collect()
    }

    /// Volleys with shots.
    pub fn volleys(&self) -> impl Iterator<Item = &PairedVolley> {
        self.shot.iter().map(|s| &s.0)
    }

    /// Whether the session says how large its marks are.
    pub(super) fn size_is_stated(&self) -> bool {
        let m = &self.session.spec.marks;
        m.smallest_m.is_some() || m.largest_m.is_some()
    }

    /// How many volleys could be compared, and their shots.
    pub(super) fn looked_at(&self) -> (usize, u32) {
        let looked = self.looked();
        (looked.len(), looked.iter().map(|k| k.volley.row.shots).sum())
    }

    /// Looks for marks of these diameters, mm, from now on; nothing is known of any photo with that.
    pub(super) fn look_for(&mut self, diameter_mm: (f64, f64)) {
        self.learn_from(MarkShape::plain(diameter_mm));
        (self.look_radius_mm, self.largest_mm) = (self.start.radius_mm.0, diameter_mm.1);
    }

    /// Learning starts from these looks.
    pub(super) fn learn_from(&mut self, start: MarkShape) {
        self.start = start;
        self.learned = None;
    }

    /// Expects marks as another one does.
    pub(super) fn expects_size_of(&mut self, other: &Self) {
        self.start = other.start.clone();
        (self.look_radius_mm, self.largest_mm) = (other.look_radius_mm, other.largest_mm);
    }

    /// The usual mark as learned so far.
    pub fn shape(&self) -> &MarkShape {
        self.learned.as_ref().map_or(&self.start, |k| &k.shape)
    }

    /// Learns what the marks look like from all volleys and judges each with that, unless that is done.
    ///
    /// Memory: what changed in forty volleys at a time, and in one a worker.
    ///
    /// # Errors
    /// What was put on the disk while the photos were looked at can no longer be read.
    pub fn learn(&mut self, progress: Progress) -> Result<Arc<Learned>> {
        if let Some(l) = &self.learned {
            return Ok(l.clone());
        }
        progress("learning what the marks look like");
        let looked = self.looked();
        let passed = self.passed(&looked)?;
        let (mut shape, mut colour) = self.looks_of_marks(&looked, &passed)?;
        progress(&format!("marks: {:.0} mm across, learned from {}", 2.0 * shape.radius_mm.0, shape.learned_from));
        let mut judged: Vec<Judged> = looked
            .par_iter()
            .zip(&passed)
            .map(|(k, passed)| self.judge_one(k, (&shape, colour), passed))
            .collect::<Result<_>>()?;
        let mut other = None;
        if let Some(colour) = colour {
            self.settle_hidden(&mut judged, &looked, &shape, colour)?;
            other = self.ask_again(&mut judged, &looked, &passed, colour)?;
        }
        // Where only those have marks, what was learned first is none's: what somebody wrote on the wall may outweigh all marks.
        if judged.iter().all(|j| j.other_side > 1 || j.marks.is_empty())
            && let Some(only) = other.take()
        {
            (shape, colour) = (only.shape, Some(only.colour));
            for (j, (k, passed)) in judged.iter_mut().zip(looked.iter().zip(&passed)) {
                if std::mem::take(&mut j.other_side) == 0 {
                    *j = self.judge_one(k, (&shape, colour), passed)?;
                }
            }
            self.settle_hidden(&mut judged, &looked, &shape, only.colour)?;
        }
        let looks_of = |j: &Judged| looks_of(j, (&shape, colour), other.as_ref());
        let struck = Struck::of(judged.iter().zip(&looked).map(|(j, k)| (j, k.volley.row.shots)));
        judged.par_iter_mut().zip(&looked).zip(&passed).try_for_each(|((j, k), passed)| -> Result<()> {
            let behind = hidden_places(k.turn, self.pivot());
            let (shape, colour) = looks_of(j);
            search_again(j, k.look, k.volley.row.shots, &behind, (shape, colour), passed)?;
            part_strays(j, k.volley.row.shots, shape, struck.as_ref());
            weigh_hidden(j, &behind, shape);
            Ok(())
        })?;
        let second = |(v, look, _): &(PairedVolley, Arc<VolleyLook>, usize)| {
            let first = looked.iter().zip(&judged).find(|(k, _)| k.volley.row.volley == v.row.volley);
            let (shape, colour) = first.map_or((&shape, colour), |(_, j)| looks_of(j));
            let again = judge_look(look, v.row.shots as usize, &Behind::default(), shape, colour, &Passed::default())?;
            Ok(Judged { other_side: first.map_or(0, |(_, j)| j.other_side), ..again })
        };
        let judged_again = self.again.par_iter().map(second).collect::<Result<_>>()?;
        let learned = Arc::new(Learned { shape, colour, other_side: other, judged, judged_again, struck });
        self.learned = Some(learned.clone());
        Ok(learned)
    }

    /// What came and went again between the photos of these volleys.
    fn passed(&self, looked: &[Compared]) -> Result<Vec<Passed>> {
        let wall = |row: usize| self.turns.get(row).map_or(0, |t| t.1);
        let seen = looked.iter().map(|k| passing::Seen {
            look: k.look,
            photo: &k.volley.photo,
            wall: wall(k.row),
            shots: k.volley.row.shots,
        });
        passed(&seen.collect::<Vec<_>>(), self.look_radius_mm)
    }

    /// What the marks look like.
    fn looks_of_marks(&self, looked: &[Compared], passed: &[Passed]) -> Result<(MarkShape, Option<[f32; 3]>)> {
        let of = |i: usize| Ok((looked[i].volley.row.shots as usize, passed[i].hide(looked[i].look.patches()?)));
        learn_looks(looked.len(), of, &self.start)
    }

    /// Judges one volley by itself, against the photo before that tells its marks better.
    fn judge_one(
        &self,
        k: &Compared,
        (shape, colour): (&MarkShape, Option<[f32; 3]>),
        passed: &Passed,
    ) -> Result<Judged> {
        let shots = k.volley.row.shots as usize;
        let behind = unlooked_places(k.turn, self.pivot());
        let one = |look: &VolleyLook, passed: &Passed| judge_look(look, shots, &behind, shape, colour, passed);
        let first = one(k.look, passed)?;
        let Some(other) = k.look.otherwise.as_ref().filter(|_| colour.is_some()) else { return Ok(first) };
        let second = one(other, &Passed::default())?;
        Ok(if better(&first, &second, shots) { Judged { otherwise: true, ..second } } else { first })
    }

    /// Asks volleys without marks whether theirs change the wall the other way; what those look like, where some do.
    fn ask_again(
        &self,
        judged: &mut [Judged],
        looked: &[Compared],
        passed: &[Passed],
        colour: [f32; 3],
    ) -> Result<Option<OtherLook>> {
        let each = judged.iter().zip(looked).zip(passed).enumerate();
        let without =
            each.filter(|(_, ((j, k), _))| j.marks.is_empty() && j.hidden == Hiding::default() && !k.look.wiped);
        let asked: Vec<Asked> = without
            .map(|(index, ((_, k), passed))| Asked { index, look: k.look, shots: k.volley.row.shots as usize, passed })
            .collect();
        let found: Vec<FoundMark> = judged.iter().flat_map(|j| &j.marks).cloned().collect();
        let Some((look, others)) = other_side(&asked, &self.start, colour, &found)? else { return Ok(None) };
        others.into_iter().for_each(|(i, j)| judged[i] = j);
        Ok(Some(look))
    }

    /// Whether what was learned elsewhere is about these volleys: sizes fit, no index leads out of a list.
    pub(super) fn fits(&self, learned: &Learned) -> bool {
        let looked = self.shot.iter().filter_map(|s| if let Found::Looked(l) = &*s.1 { Some(&**l) } else { None });
        let looked: Vec<&VolleyLook> = looked.collect();
        let judged = |(j, l): (&Judged, &&VolleyLook)| j.marks.iter().all(|m| m.patch < l.patch_count());
        let whole = |shape: &MarkShape| shape.profile.len() == self.start.profile.len();
        whole(&learned.shape)
            && learned.other_side.as_ref().is_none_or(|o| whole(&o.shape))
            && learned.judged.len() == looked.len()
            && learned.judged.iter().zip(&looked).all(judged)
            && learned.judged_again.len() == self.again.len()
    }

    pub(super) fn pivot(&self) -> Pivot {
        let m = &self.session.spec.machine;
        Pivot { out_m: m.pivot_out.value, right_m: m.pivot_right.value }
    }

    /// Rows of the table that have shots, whether or not they could be compared.
    fn shot_rows(&self) -> impl Iterator<Item = usize> {
        self.turns.iter().enumerate().filter(|(_, t)| t.2.row.shots > 0).map(|(i, _)| i)
    }

    /// Volleys that could be compared.
    fn looked(&self) -> Vec<Compared<'_>> {
        self.shot
            .iter()
            .zip(self.shot_rows())
            .filter_map(|((volley, found, _), row)| {
                let (Found::Looked(look), Some((turn, ..))) = (&**found, self.turns.get(row)) else { return None };
                Some(Compared { volley, look, row, turn })
            })
            .collect()
    }

    /// Deals out what later photos show of places that were hidden.
    fn settle_hidden(
        &self,
        judged: &mut [Judged],
        looked: &[Compared],
        shape: &MarkShape,
        colour: [f32; 3],
    ) -> Result<()> {
        let out_mm = 1e3 * self.pivot().out_m;
        for (row, (turn, _, shown)) in self.turns.iter().enumerate() {
            for (which, late) in turn.late.iter().enumerate() {
                let owns = |k: &Compared| k.row > late.since && k.row <= row;
                let others: Vec<_> = judged
                    .iter()
                    .zip(looked)
                    .filter(|(j, k)| !owns(k) && j.hidden.missing == 0)
                    .filter_map(|(j, k)| Some((&k.volley.row, mean(&j.marks)?)))
                    .collect();
                let owners = judged
                    .iter_mut()
                    .zip(looked)
                    .filter(|(_, k)| owns(k))
                    .map(|(judged, k)| Owner {
                        judged,
                        volley: k.volley,
                        veils: &k.turn.veils,
                        expected: expected(&k.volley.row, &others, out_mm),
                        shows: k.row == row,
                    })
                    .collect();
                settle_late(late, (row, which), &shown.photo, owners, shape, colour)?;
            }
        }
        Ok(())
    }

    /// Measures a judged volley: its own marks in its own photo, those that something hid in the photo that shows them.
    fn measure_one(&self, volley: &PairedVolley, look: &VolleyLook, wall: usize, decided: &Decided) -> Measured {
        let look = look.otherwise.as_deref().filter(|_| decided.judged.otherwise).unwrap_or(look);
        let own = Seen { place: self.walls.calibrated(wall), look, photo: &volley.photo };
        let later = |(row, which): (usize, usize)| {
            let (turn, wall, shown) = self.turns.get(row)?;
            Some(Seen { place: self.walls.calibrated(*wall), look: &turn.late.get(which)?.look, photo: &shown.photo })
        };
        let mut measured = measure(&own, &later, &self.solver, volley, decided, self.largest_mm);
        if let Some(why) = far_speed(&volley.row, &self.session) {
            measured.look(FlagWord::FarSpeed, why);
        }
        measured
    }

    /// A picture of every decision, as PNG, with the volley's name; those whose photos cannot be read again have none.
    /// `rows` say how the volleys ended.
    ///
    /// # Errors
    /// A picture cannot be made.
    pub fn decision_pictures(&self, rows: &[VolleyResult], progress: Progress) -> Result<Vec<(String, Vec<u8>)>> {
        let Some(learned @ Learned { judged, .. }) = self.learned.as_deref() else { return Ok(Vec::new()) };
        let read = |name: &str| {
            let path = self.session.paths.photos().join(name);
            decode_rgb(&path, read_exif(&path).ok()?.orientation.unwrap_or(1)).ok()
        };
        let picture = |title: &str, look: &VolleyLook, photo: &str, judged: &Judged| {
            let (shape, Some(colour)) = learned.looks_of(judged) else { return Ok(None) };
            let (Some(before), Some(after)) = (read(&look.before), read(photo)) else { return Ok(None) };
            let patches = &*look.patches()?;
            let (before, after) = (&before, &after);
            decision_picture(&Shown { title, look, patches, before, after, judged, shape, colour })
        };
        let mut out = Vec::new();
        for (k, judged) in self.looked().into_iter().zip(judged) {
            let name = &k.volley.row.volley;
            progress(&format!("picture of volley {name}"));
            let ended = rows.iter().find(|r| r.volley == *name);
            let title = match ended {
                Some(r) => format!("volley {name}: {}, {} of {} shots", r.status, r.found, r.shots),
                None => format!("volley {name}"),
            };
            let look = k.look.otherwise.as_deref().filter(|_| judged.otherwise).unwrap_or(k.look);
            out.extend(picture(&title, look, &k.volley.photo, judged)?.map(|png| (name.clone(), png)));
            // What something hid is seen where a later photo shows it.
            let Some(seen_in) = judged.marks.iter().find_map(|m| m.seen_in) else { continue };
            let Some((turn, _, shown)) = self.turns.get(seen_in.0) else { continue };
            let Some(late) = turn.late.get(seen_in.1) else { continue };
            let there = |m: &&FoundMark| m.seen_in == Some(seen_in);
            let only = Judged { marks: judged.marks.iter().filter(there).cloned().collect(), ..Judged::default() };
            let title = format!("{title}, {} of them seen in {}", only.marks.len(), shown.photo);
            out.extend(picture(&title, &late.look, &shown.photo, &only)?.map(|png| (format!("{name}-later"), png)));
        }
        Ok(out)
    }

    /// The last volley by itself, with looks of marks that were learned before it came: quickly, and nearly
    /// what learning from all will say.
    pub fn last_at_a_glance(&self, looks: &Learned, decisions: &[ReviewRow]) -> Option<Measured> {
        let last = self.shot.last()?;
        // Its angle may hang on zero shots before it.
        let before = self.shot.split_last()?.1.iter().filter(|s| s.0.row.known_release.is_some());
        let mut measured: Vec<Measured> =
            before.chain([last]).map(|s| self.measure_at_a_glance(s, looks, decisions)).collect();
        self.set_zero(&mut measured);
        measured.pop()
    }

    fn measure_at_a_glance(&self, shot: &Shot, looks: &Learned, decisions: &[ReviewRow]) -> Measured {
        let (v, found, wall) = shot;
        match &**found {
            Found::Failed(why, flags) => Measured::failed(v, why.clone(), flags.clone()),
            Found::Looked(l) => {
                // What is hidden in its photo shows later, if at all.
                let row = self.turns.iter().rfind(|t| t.2.row.volley == v.row.volley);
                let behind = row.map(|t| unlooked_places(&t.0, self.pivot())).unwrap_or_default();
                let shots = v.row.shots as usize;
                let none = Passed::default();
                let first = judge_look(l, shots, &behind, &looks.shape, looks.colour, &none);
                let judged = match (first, &looks.other_side, looks.colour) {
                    (Ok(first), Some(other), Some(colour)) if first.marks.is_empty() && !l.wiped => {
                        let found: Vec<FoundMark> = looks.judged.iter().flat_map(|j| &j.marks).cloned().collect();
                        let asked = Asked { index: 0, look: l, shots, passed: &none };
                        judge_other(&asked, colour, other, &found).map(|other| other.unwrap_or(first))
                    }
                    (first, ..) => first,
                };
                let mut judged = match judged {
                    Ok(judged) => judged,
                    Err(e) => return Measured::failed(v, e.to_string(), Vec::new()),
                };
                let shape = looks.looks_of(&judged).0;
                part_strays(&mut judged, v.row.shots, shape, looks.struck.as_ref());
                weigh_hidden(&mut judged, &behind, shape);
                let decided = decide(&judged, v, decisions, shape);
                self.measure_one(v, l, *wall, &decided)
            }
        }
    }

    fn set_zero(&self, measured: &mut [Measured]) {
        let factors = shared_factors(&self.session, Some(self.walls.factors()), &self.solver);
        set_zero(&self.session, factors.len(), measured);
    }

    /// The volleys' marks after a person's decisions, for every row with shots; `None` for a volley that failed.
    /// Without [`Known::learn`] before it, no volley has marks.
    pub fn decided(&self, decisions: &[ReviewRow]) -> Vec<Option<Decided>> {
        let nothing = Judged::default();
        let mut at = 0;
        let mut out = Vec::new();
        for (volley, found, _) in &self.shot {
            out.push(match &**found {
                Found::Failed(..) => None,
                Found::Looked(_) => {
                    let judged = self.learned.as_ref().and_then(|k| k.judged.get(at)).unwrap_or(&nothing);
                    at += 1;
                    let shape = self.learned.as_ref().map_or(&self.start, |k| k.looks_of(judged).0);
                    Some(decide(judged, volley, decisions, shape))
                }
            });
        }
        out
    }

    /// The volleys with their places and angles; `decided` is what [`Known::decided`] gave for `decisions`.
    pub fn measure(&self, decided: &[Option<Decided>], decisions: &[ReviewRow]) -> Vec<Measured> {
        let mut out: Vec<Measured> = self
            .shot
            .iter()
            .zip(decided)
            .map(|((volley, found, wall), decided)| match (&**found, decided) {
                (Found::Looked(l), Some(d)) => self.measure_one(volley, l, *wall, d),
                (Found::Looked(_), None) => Measured::failed(volley, "it was not judged".into(), Vec::new()),
                (Found::Failed(why, flags), _) => {
                    let mut why = why.clone();
                    if decisions.iter().any(|d| d.volley == volley.row.volley) {
                        why += "; review.csv decides on its marks, which has to wait until its photos can be used";
                    }
                    Measured::failed(volley, why, flags.clone())
                }
            })
            .collect();
        let first_row = |row: usize| self.turns.get(row).map_or(0, |t| t.0.page.first_row);
        let pages: Vec<usize> = self.shot_rows().map(first_row).collect();
        use_up(&mut out, &pages, self.turns.last().map_or(0, |t| t.0.page.first_row), self.shape());
        let person =
            |i: usize| decided.get(i).and_then(Option::as_ref).is_some_and(|d| d.settles(FlagWord::Doubtful, 0));
        look_twice(&mut out, person);
        self.set_zero(&mut out);
        out
    }

    /// The volleys of which a second photo was taken, with both readings of their marks.
    pub fn photographed_twice(&self, measured: &[Measured]) -> Vec<PhotoPair> {
        let Some(learned) = &self.learned else { return Vec::new() };
        let pair = |((v, l, wall), judged): (&(PairedVolley, Arc<VolleyLook>, usize), &Judged)| {
            let first = measured.iter().find(|m| m.volley.row.volley == v.row.volley)?;
            let decided = decide(judged, v, &[], learned.looks_of(judged).0);
            photo_pair(first, &self.measure_one(v, l, *wall, &decided))
        };
        self.again.iter().zip(&learned.judged_again).filter_map(pair).collect()
    }

    /// The means behind the study, for a check by Monte Carlo.
    pub fn cells(&self, measured: &[Measured], summary: &Summary) -> Cells {
        Cells::new(&self.session, &self.solver, measured, summary.study.as_ref())
    }

    /// Names of volleys whose marks change the wall the other way than most.
    fn other_sided(&self) -> Vec<String> {
        let Some(learned) = &self.learned else { return Vec::new() };
        let each = self.looked().into_iter().zip(&learned.judged).filter(|(_, j)| j.other_side > 0);
        each.map(|(k, _)| k.volley.row.volley.clone()).collect()
    }

    /// Study, budgets and everything else that the report shows.
    pub fn summarise(&self, measured: &[Measured], notes: &[String]) -> Summary {
        let shape = self.learned.as_ref().map(|k| &k.shape);
        let first = &self.walls.at(0).0;
        let mut summary = summarise(&self.session, Some(first), &self.solver, shape, measured, notes);
        summary.looks.extend(doubts(&self.session, 1, first));
        summary.files = self.files();
        for (i, l) in self.walls.later().iter().enumerate() {
            let photo = self.holds_from.get(&(i + 1)).cloned();
            summary.notes.push(match &photo {
                Some(photo) => format!("calibration-{} holds from {photo} on", l.number),
                None => format!("calibration-{} was taken after all photos and is not used", l.number),
            });
            summary.looks.extend(doubts(&self.session, l.number, &l.wall));
            let shot = self.turns.iter().filter(|t| t.1 == i + 1 && t.2.row.shots > 0);
            let volleys = shot.map(|t| t.2.row.volley.clone()).collect();
            let calibration = calibration_of(&l.wall);
            summary.later_calibrations.push(LaterCalibration { number: l.number, photo, volleys, calibration });
        }
        summary.notes.extend(two_kinds(&self.other_sided()));
        summary.notes.extend(self.session.notes.iter().cloned());
        summary
    }
}
