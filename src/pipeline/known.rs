//! What do the compared pairs of a session come to: looks of the marks, places, angles, study?
//!
//! [`Known`] is what a [`super::Day`] has of its volleys at one time. It is cheap to clone, so that learning and writing can go on
//! beside the next photo.

use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::Progress;
use super::again::photo_pair;
use super::decide::{Decided, decide};
use super::judge::{Judged, judge};
use super::linear::Cells;
use super::looks::VolleyLook;
use super::measure::{Calibrated, measure};
use super::measured::Measured;
use super::recalibrated::{LaterWall, later_walls};
use super::summary::{shared_factors, summarise};
use super::zero::{session_inputs, set_zero};
use crate::camera::Wall;
use crate::error::Result;
use crate::flight::Solver;
use crate::marks::learn::{colour, learn};
use crate::marks::patch::{Patch, RawPatch};
use crate::marks::shape::MarkShape;
use crate::report::Summary;
use crate::session::flags::FlagWord;
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
    /// Judged volleys, in the order of those that were compared.
    judged: Vec<Judged>,
    /// Judged second photos, in the order of those.
    judged_again: Vec<Judged>,
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

/// A row with shots, what it came to, and which calibration holds for it.
type Shot = (PairedVolley, Arc<Found>, usize);

/// What is known of a session's volleys at one time.
#[derive(Clone)]
pub struct Known {
    pub(super) session: Arc<Session>,
    pub(super) walls: Arc<Walls>,
    solver: Arc<Solver>,
    pub(super) start: MarkShape,
    /// Rows with shots.
    pub(super) shot: Vec<Shot>,
    /// Second photos of volleys, each with its row, and which calibration holds for it.
    pub(super) again: Vec<(PairedVolley, Arc<VolleyLook>, usize)>,
    /// The first photo that each calibration holds for.
    pub(super) holds_from: BTreeMap<usize, String>,
    pub(super) learned: Option<Arc<Learned>>,
}

impl Known {
    /// Nothing but the session and its calibration.
    ///
    /// # Errors
    /// A machine that no flight fits.
    pub fn new(session: &Session, wall: &Wall) -> Result<Self> {
        let m = &session.spec.marks;
        let expected =
            (m.smallest_m.map_or(DIAMETER_MM.0, |v| v * 1e3), m.largest_m.map_or(DIAMETER_MM.1, |v| v * 1e3));
        Ok(Self {
            solver: Arc::new(Solver::new(&session_inputs(session)?)?),
            walls: Arc::new(Walls::new(session, wall)?),
            session: Arc::new(session.clone()),
            start: MarkShape::plain(expected),
            shot: Vec::new(),
            again: Vec::new(),
            holds_from: BTreeMap::new(),
            learned: None,
        })
    }

    /// The session.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// Volleys with shots.
    pub fn volleys(&self) -> impl Iterator<Item = &PairedVolley> {
        self.shot.iter().map(|s| &s.0)
    }

    /// The usual mark as learned so far.
    pub fn shape(&self) -> &MarkShape {
        self.learned.as_ref().map_or(&self.start, |k| &k.shape)
    }

    /// Learns what the marks look like from all volleys and judges each with that, unless that is done.
    pub fn learn(&mut self, progress: Progress) -> Arc<Learned> {
        if let Some(l) = &self.learned {
            return l.clone();
        }
        progress("learning what the marks look like");
        let looked: Vec<(usize, &VolleyLook)> = self
            .shot
            .iter()
            .filter_map(|(v, f, _)| if let Found::Looked(l) = &**f { Some((v.row.shots as usize, &**l)) } else { None })
            .collect();
        let again = self.again.iter().map(|(v, l, _)| (v.row.shots as usize, l.groups.patches.as_slice()));
        let volley_patches: Vec<_> = looked.iter().map(|(n, l)| (*n, l.groups.patches.as_slice())).collect();
        let colour = colour(&volley_patches);
        let opacities: Vec<(usize, Vec<Patch>)> = match colour {
            Some(c) => volley_patches.par_iter().map(|(n, p)| (*n, p.iter().map(|p| p.opacity(c)).collect())).collect(),
            None => volley_patches.iter().map(|(n, _)| (*n, Vec::new())).collect(),
        };
        let shape = learn(&opacities, self.start.clone());
        progress(&format!("marks: {:.0} mm across, learned from {}", 2.0 * shape.radius_mm.0, shape.learned_from));
        let judged = opacities.par_iter().map(|(shots, patches)| judge(patches, *shots, &shape)).collect();
        let again: Vec<(usize, &[RawPatch])> = again.collect();
        let judged_again = again
            .par_iter()
            .map(|(shots, patches)| {
                let patches: Vec<Patch> =
                    colour.map_or_else(Vec::new, |c| patches.iter().map(|p| p.opacity(c)).collect());
                judge(&patches, *shots, &shape)
            })
            .collect();
        let learned = Arc::new(Learned { shape, colour, judged, judged_again });
        self.learned = Some(learned.clone());
        learned
    }

    /// Whether what was learned elsewhere is about these volleys: sizes fit, no index leads out of a list.
    pub(super) fn fits(&self, learned: &Learned) -> bool {
        let looked = self.shot.iter().filter_map(|s| if let Found::Looked(l) = &*s.1 { Some(l) } else { None });
        let looked: Vec<_> = looked.collect();
        let judged = |(j, l): (&Judged, &&Box<VolleyLook>)| j.marks.iter().all(|m| m.patch < l.groups.patches.len());
        learned.shape.profile.len() == self.start.profile.len()
            && learned.judged.len() == looked.len()
            && learned.judged.iter().zip(&looked).all(judged)
            && learned.judged_again.len() == self.again.len()
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
                let patches: Vec<Patch> =
                    looks.colour.map_or_else(Vec::new, |c| l.groups.patches.par_iter().map(|p| p.opacity(c)).collect());
                let judged = judge(&patches, v.row.shots as usize, &looks.shape);
                let decided = decide(&judged, v, decisions, &looks.shape);
                measure(&self.walls.calibrated(*wall), &self.solver, v, l, &decided)
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
        let shape = self.shape();
        let mut at = 0;
        let mut out = Vec::new();
        for (volley, found, _) in &self.shot {
            out.push(match &**found {
                Found::Failed(..) => None,
                Found::Looked(_) => {
                    let judged = self.learned.as_ref().and_then(|k| k.judged.get(at)).unwrap_or(&nothing);
                    at += 1;
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
                (Found::Looked(l), Some(d)) => measure(&self.walls.calibrated(*wall), &self.solver, volley, l, d),
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
        self.set_zero(&mut out);
        out
    }

    /// The volleys of which a second photo was taken, with both readings of their marks.
    pub fn photographed_twice(&self, measured: &[Measured]) -> Vec<PhotoPair> {
        let Some(learned) = &self.learned else { return Vec::new() };
        let pair = |((v, l, wall), judged): (&(PairedVolley, Arc<VolleyLook>, usize), &Judged)| {
            let first = measured.iter().find(|m| m.volley.row.volley == v.row.volley)?;
            let decided = decide(judged, v, &[], &learned.shape);
            photo_pair(first, &measure(&self.walls.calibrated(*wall), &self.solver, v, l, &decided))
        };
        self.again.iter().zip(&learned.judged_again).filter_map(pair).collect()
    }

    /// The means behind the study, for a check by Monte Carlo.
    pub fn cells(&self, measured: &[Measured], summary: &Summary) -> Cells {
        Cells::new(&self.session, &self.solver, measured, summary.study.as_ref())
    }

    /// Study, budgets and everything else that the report shows.
    pub fn summarise(&self, measured: &[Measured], notes: &[String]) -> Summary {
        let shape = self.learned.as_ref().map(|k| &k.shape);
        let first = &self.walls.at(0).0;
        let mut summary = summarise(&self.session, Some(first), &self.solver, shape, measured, notes);
        for (i, l) in self.walls.later().iter().enumerate() {
            summary.notes.push(match self.holds_from.get(&(i + 1)) {
                Some(photo) => format!("calibration-{} holds from {photo} on", l.number),
                None => format!("calibration-{} was taken after all photos and is not used", l.number),
            });
        }
        summary.notes.extend(self.session.notes.iter().cloned());
        summary
    }
}
