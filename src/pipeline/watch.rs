//! What has to be done when photos land in a session's folder one by one, in bursts, in halves, or twice?
//!
//! [`Watch::round`] looks at the folder once and says what happened. A photo is taken when its file has stayed the same for
//! a moment and is complete; each volley is judged at a glance as soon as its photo is, with the looks of marks
//! learned so far. Learning from all volleys, judging all again and writing the results go on beside that, and end where
//! `run` would.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::{Duration, Instant};

use super::calibrate::read_wall;
use super::day::{Day, Print, print_of};
use super::known::Learned;
use super::outcome::{Outcome, write_results_as};
use super::pictures::Pictures;
use super::run::conclude;
use crate::error::Result;
use crate::photo::whole::is_whole;
use crate::session::pairing::{PhotoFolder, list_photos, pair_so_far};
use crate::session::results::VolleyResult;
use crate::session::review::{Decisions, read_decisions};
use crate::session::spec::LAST_CALIBRATION;
use crate::session::{Session, SessionPaths};

/// A file that stays the same for this long is taken for written, if its content is complete: programs that copy pause
/// for less, and two looks see it.
pub const STILL: Duration = Duration::from_millis(150);
/// After this long a file that is not complete is worth a word.
const SLOW: Duration = Duration::from_secs(10);
/// Results that could not be made or written, and tables that could not be read, are tried again after this long.
pub const AGAIN: Duration = Duration::from_secs(3);
/// After so many tries in a row that came to nothing, whoever is ending waits no longer.
const TRIES: u32 = 3;
/// A mean that later volleys move by more than this share of its U is said again.
const NEWS: f64 = 0.25;

/// What happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A volley was looked at (`again`: its answer changed when all volleys were judged together).
    Volley {
        /// What came out.
        result: Box<VolleyResult>,
        /// Whether it was said before.
        again: bool,
    },
    /// A photo of the wall without shots was looked at; a sentence where its place is not known.
    Wall {
        /// The row's name.
        volley: String,
        /// What is wrong with it.
        problem: Option<String>,
    },
    /// Something to wait for or to mend, one sentence.
    Notice(String),
    /// All results were written.
    Written,
}

/// A file of the folder as last seen.
struct Seen {
    print: Print,
    since: Instant,
    whole: bool,
    said: bool,
}

struct Worked {
    learned: Arc<Learned>,
    outcome: Outcome,
    written: Result<Vec<PathBuf>>,
    /// What the tables and photos were when this began.
    edition: Edition,
}

/// Counts what came in: of the tables, of the photos.
type Edition = (u64, u64);

/// What is to be tried again, and how often it failed.
#[derive(Clone, Copy, Debug, Default)]
struct Tries {
    again_at: Option<Instant>,
    /// In a row.
    failed: u32,
}

impl Tries {
    /// Whether to work now; `new`: something came in since the last results.
    fn is_due(&self, new: bool, now: Instant) -> bool {
        self.again_at.map_or(new, |t| now >= t)
    }

    fn fail(&mut self, now: Instant) {
        *self = Self { again_at: Some(now + AGAIN), failed: self.failed.saturating_add(1) };
    }

    /// Whether there is no hope that waiting helps.
    fn gave_up(&self) -> bool {
        self.failed >= TRIES
    }
}

/// A session being watched.
pub struct Watch {
    paths: SessionPaths,
    day: Day,
    seen: BTreeMap<String, Seen>,
    tables: Vec<Print>,
    /// Of tables that could not be read: they are read again, though no file says that it changed.
    tables_tries: Tries,
    /// A calibration is another one than the day was made with.
    new_wall: bool,
    decisions: Decisions,
    notes: Vec<String>,
    folder: Option<PhotoFolder>,
    /// Looks of marks from before the newest volleys.
    looks: Option<Arc<Learned>>,
    said: BTreeMap<String, VolleyResult>,
    noticed: BTreeSet<String>,
    pictures: Arc<Pictures>,
    working: Option<Receiver<Result<Worked>>>,
    /// Counts the changes of tables.
    tables_edition: u64,
    /// The edition that the results show.
    done: Option<Edition>,
    /// Whether the last results could not be written.
    unwritten: bool,
    tries: Tries,
    last: Option<Outcome>,
}

impl Watch {
    /// Starts watching a session that is calibrated.
    ///
    /// # Errors
    /// The session or its `wall.json` cannot be used.
    pub fn open(session: &Session) -> Result<Self> {
        let paths = session.paths.clone();
        // What changes from here on is seen to change; what changed while this waited and calibrated is read now.
        let tables = tables(&paths);
        let session = Session::open(&paths.dir)?;
        let wall = read_wall(&session)?;
        Ok(Self {
            day: Day::new(&session, &wall)?,
            tables,
            tables_tries: Tries::default(),
            new_wall: false,
            decisions: read_decisions(&paths.review_csv())?,
            seen: BTreeMap::new(),
            notes: Vec::new(),
            folder: None,
            looks: None,
            said: BTreeMap::new(),
            noticed: BTreeSet::new(),
            pictures: Arc::default(),
            working: None,
            tables_edition: 0,
            done: None,
            unwritten: false,
            tries: Tries::default(),
            last: None,
            paths,
        })
    }

    /// The results as last written or tried.
    pub fn outcome(&self) -> Option<&Outcome> {
        self.last.as_ref()
    }

    /// What is known of the session by now.
    pub fn day(&self) -> &Day {
        &self.day
    }

    fn edition(&self) -> Edition {
        (self.tables_edition, self.day.edition())
    }

    /// Whether everything that was taken in is in the results; `Some(false)` when they could not be made or written.
    pub fn is_settled(&self) -> Option<bool> {
        let nothing = self.day.known().volleys().next().is_none();
        if self.working.is_some() {
            None
        } else if self.tries.gave_up() {
            Some(false)
        } else {
            (nothing || self.done == Some(self.edition())).then_some(!self.unwritten)
        }
    }

    /// Looks at the folder once. `say` takes what happened, at once.
    pub fn round(&mut self, say: &mut dyn FnMut(Event)) {
        self.take_tables(say);
        let changed = self.take_files(say);
        if changed || self.folder.is_none() {
            self.list(say);
            self.follow(say);
        }
        self.collect(say);
        self.start_work(say);
    }

    fn notice(&mut self, text: String, say: &mut dyn FnMut(Event)) {
        if self.noticed.insert(text.clone()) {
            say(Event::Notice(text));
        }
    }

    /// Settings, volleys, decisions, calibration: read again when their files change, and after a moment when they could not be read: a
    /// program that had one open lets it go without a trace.
    fn take_tables(&mut self, say: &mut dyn FnMut(Event)) {
        let now = tables(&self.paths);
        let changed = now != self.tables;
        if !changed && !self.tables_tries.is_due(false, Instant::now()) {
            return;
        }
        // Behind settings, volleys and decisions stand the calibrations. Another one waits as long as another table is broken.
        self.new_wall |= now.get(3..) != self.tables.get(3..);
        self.tables = now;
        let before = self.day.edition();
        let fresh = (|| {
            let session = Session::open(&self.paths.dir)?;
            let decisions = read_decisions(&self.paths.review_csv())?;
            if self.new_wall {
                self.day.begin_again(&session, &read_wall(&session)?)?;
                self.new_wall = false;
            } else {
                self.day.take_session(&session)?;
            }
            if !self.day.still_holds(before) {
                self.looks = None;
            }
            self.decisions = decisions;
            Ok::<(), crate::Error>(())
        })();
        if changed || fresh.is_ok() {
            self.noticed.clear();
        }
        match fresh {
            Ok(()) => {
                self.tables_tries = Tries::default();
                self.tables_edition += 1;
                self.folder = None;
            }
            Err(e) => {
                self.tables_tries.fail(Instant::now());
                self.notice(format!("{e}; the tables from before are kept until that is mended"), say);
            }
        }
    }

    /// Which photos are complete; whether that changed.
    fn take_files(&mut self, say: &mut dyn FnMut(Event)) -> bool {
        let photos = self.paths.photos();
        let Ok(entries) = std::fs::read_dir(&photos) else {
            self.notice(format!("{} cannot be read: is it there?", photos.display()), say);
            return false;
        };
        let mut changed = false;
        let mut there = BTreeSet::new();
        let mut slow = Vec::new();
        let now = Instant::now();
        for entry in entries.flatten() {
            let Some(name) = entry.file_name().to_str().map(str::to_string) else { continue };
            if name.starts_with('.') || !entry.path().is_file() {
                continue;
            }
            let print = print_of(&entry.path());
            there.insert(name.clone());
            let seen = self.seen.entry(name.clone()).or_insert_with(|| {
                changed = true;
                Seen { print, since: now, whole: false, said: false }
            });
            if seen.print != print {
                changed = true;
                *seen = Seen { print, since: now, whole: false, said: false };
            }
            if !seen.whole && now.duration_since(seen.since) >= STILL {
                // What cannot be opened just now may be when its writer is done.
                seen.whole = print.is_some_and(|p| p.0 > 0) && is_whole(&entry.path()).unwrap_or(false);
                changed |= seen.whole;
                if !seen.whole && !seen.said && now.duration_since(seen.since) >= SLOW {
                    seen.said = true;
                    changed = true;
                    slow.push(format!("{name} is not complete yet: is it still being copied? If not, copy it again"));
                }
            }
        }
        for text in slow {
            say(Event::Notice(text));
        }
        let before = self.seen.len();
        self.seen.retain(|name, _| there.contains(name));
        changed || self.seen.len() != before
    }

    fn list(&mut self, say: &mut dyn FnMut(Event)) {
        match list_photos(&self.paths.photos()) {
            Ok(folder) => self.folder = Some(folder),
            Err(e) => self.notice(e.to_string(), say),
        }
    }

    /// Looks at the pairs that are new.
    fn follow(&mut self, say: &mut dyn FnMut(Event)) {
        let Some(mut folder) = self.folder.clone() else { return };
        let whole = |name: &str| self.seen.get(name).is_some_and(|s| s.whole);
        let given_up = |name: &str| self.seen.get(name).is_some_and(|s| s.said && !s.whole);
        folder.photos.retain(|p| !given_up(&p.name));
        // Until a photo under way says when it was taken, nobody knows where it belongs.
        let times = folder.photos.iter().any(|p| p.taken.is_some());
        if times && folder.photos.iter().any(|p| p.taken.is_none() && !whole(&p.name)) {
            return;
        }
        let (pairing, waiting) = match pair_so_far(&self.day.session().volleys, &folder) {
            Ok(p) => p,
            Err(e) => {
                self.notice(e.to_string(), say);
                return;
            }
        };
        // A photo that is still being copied has its place in the order already; what comes behind it waits.
        let ready = pairing.volleys.iter().take_while(|v| whole(&v.photo)).count();
        if ready == pairing.volleys.len() {
            let waiting: Vec<&str> = waiting.iter().map(String::as_str).filter(|n| whole(n)).collect();
            if !waiting.is_empty() {
                let text = format!(
                    "{} has no row in volleys.csv yet: write it (shots, speed, what was varied), and save",
                    waiting.join(", ")
                );
                self.notice(text, say);
            }
            if self.notes != pairing.notes {
                self.notes = pairing.notes;
                self.tables_edition += 1;
            }
        }
        let volleys = pairing.volleys.get(..ready).unwrap_or_default();
        let (looks, said, decisions) = (&mut self.looks, &mut self.said, &self.decisions);
        self.day.follow_each(volleys, &|_| {}, &mut |known, row, view| {
            let Some(v) = volleys.get(row) else { return };
            if v.row.shots == 0 {
                say(Event::Wall { volley: v.row.volley.clone(), problem: view.err().map(str::to_string) });
                return;
            }
            // The first volleys are few enough to learn from at once.
            let Some(now) = looks.clone().or_else(|| known.clone().learn(&|_| {}).ok()) else { return };
            let Some(measured) = known.last_at_a_glance(&now, &decisions.rows) else { return };
            if now.shape.learned_from > 0 {
                *looks = Some(now);
            }
            let result = measured.volley_row();
            let before = said.insert(v.row.volley.clone(), result.clone());
            if before.is_none_or(|b| differs(&b, &result) || b.photo != result.photo) {
                say(Event::Volley { result: Box::new(result), again: false });
            }
        });
    }

    /// Begins to learn, judge and write, where something came in since and nothing is under way.
    fn start_work(&mut self, say: &mut dyn FnMut(Event)) {
        let due = self.tries.is_due(self.done != Some(self.edition()), Instant::now());
        if self.working.is_some() || !due || self.day.known().volleys().next().is_none() {
            return;
        }
        self.tries.again_at = None;
        let (send, receive) = channel();
        let mut known = self.day.known().clone();
        let (decisions, notes) = (self.decisions.clone(), self.notes.clone());
        let (pictures, edition) = (self.pictures.clone(), self.edition());
        let mut work = move || {
            let worked = known.learn(&|_| {}).map(|learned| {
                let outcome = conclude(&known, &decisions, &notes, &pictures, &|_| {});
                let written = write_results_as(known.session(), &outcome, "watch", false);
                Worked { learned, outcome, written, edition }
            });
            // Nobody waits any more when the program is ending.
            let _ = send.send(worked);
        };
        let beside = std::thread::Builder::new().spawn(move || {
            // One core for this, the others for the next photo.
            match rayon::ThreadPoolBuilder::new().num_threads(1).build() {
                Ok(pool) => pool.install(work),
                Err(_) => work(),
            }
        });
        match beside {
            Ok(_) => self.working = Some(receive),
            // The system gives no thread now: later, then.
            Err(e) => {
                self.tries.fail(Instant::now());
                self.notice(format!("{UNWRITTEN}: the system gives no thread for it ({e}); trying again"), say);
            }
        }
    }

    /// Takes what was worked out beside.
    fn collect(&mut self, say: &mut dyn FnMut(Event)) {
        let Some(working) = &self.working else { return };
        let worked = match working.try_recv() {
            Ok(Ok(w)) => w,
            Ok(Err(e)) => {
                // What was found and put away is lost: the photos are looked at again.
                self.working = None;
                self.tries.fail(Instant::now());
                self.day.forget();
                self.folder = None;
                self.notice(e.to_string(), say);
                return;
            }
            Err(TryRecvError::Empty) => return,
            Err(TryRecvError::Disconnected) => {
                self.working = None;
                self.tries.fail(Instant::now());
                return;
            }
        };
        self.working = None;
        if worked.learned.shape.learned_from > 0 && self.day.still_holds(worked.edition.1) {
            self.looks = Some(worked.learned.clone());
        }
        for v in &worked.outcome.volleys {
            let before = self.said.insert(v.volley.clone(), v.clone());
            if before.as_ref().is_none_or(|b| differs(b, v)) {
                say(Event::Volley { result: Box::new(v.clone()), again: before.is_some() });
            }
        }
        self.day.take_learned(worked.learned, worked.edition.1);
        match self.day.settle_size(&|_| {}) {
            // Another edition has begun with it: everything is judged and written once more.
            Ok(Some(learned)) => self.looks = Some(learned),
            Ok(None) => {}
            Err(e) => self.notice(e.to_string(), say),
        }
        self.done = Some(worked.edition);
        self.unwritten = worked.written.is_err();
        match worked.written {
            Ok(_) => {
                self.tries.failed = 0;
                self.noticed.retain(|n| !n.starts_with(UNWRITTEN));
                say(Event::Written);
            }
            Err(e) => {
                self.tries.fail(Instant::now());
                self.notice(format!("{UNWRITTEN}: {e}; trying again"), say);
            }
        }
        self.last = Some(worked.outcome);
    }
}

/// How a notice of results that could not be written begins.
const UNWRITTEN: &str = "the results could not be written";

fn tables(paths: &SessionPaths) -> Vec<Print> {
    let files = [paths.session_toml(), paths.volleys_csv(), paths.review_csv(), paths.wall_json()];
    let later = (2..=LAST_CALIBRATION).map(|n| paths.dir.join(format!("wall-{n}.json")));
    files.into_iter().chain(later).map(|p| print_of(&p)).collect()
}

/// Whether a volley's answer is another one for a person.
fn differs(a: &VolleyResult, b: &VolleyResult) -> bool {
    let angle = match (a.mean_release_deg, b.mean_release_deg, b.mean_release_u_own_deg) {
        (Some(x), Some(y), Some(u)) => (x - y).abs() > NEWS * 2.0 * u.max(b.mean_release_u_deg.unwrap_or(0.0)),
        (None, None, _) => false,
        _ => true,
    };
    angle || (a.status, a.shots, a.found) != (b.status, b.shots, b.found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_failed_waits_and_does_not_wait_for_ever() {
        let now = Instant::now();
        let mut tries = Tries::default();
        assert!(tries.is_due(true, now) && !tries.is_due(false, now));
        for n in 1..=TRIES {
            assert!(!tries.gave_up());
            tries.fail(now);
            // Nor does what is new hurry it.
            assert!(!tries.is_due(true, now) && tries.is_due(false, now + AGAIN), "{n}");
        }
        assert!(tries.gave_up());
    }
}
