//! How should the next day be shot, from what is known and what is wanted?
//!
//! [`plan`] takes setups, ladder and spread from what a person typed, else from the session's table and results; says how many volleys
//! would give a clear answer; and draws up the day: blocks in random order, the reference in between, warm-up throws for fresh pockets,
//! wipes where marks would crowd. [`super::plan_text::write_plan`] writes it as `volleys.csv`, with a sheet to print and tick off.

use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use serde::Serialize;

use super::crowd::{Crowd, MAY_COVER};
use super::plan_text::{parse_setups, setup_from};
use super::rebuild::{out_of_date, read_summary};
use super::speeds::{SpeedUnit, parse_ladder, unit_of};
use crate::error::{Context, Error, Result, counted};
use crate::report::Summary;
use crate::session::table::{LARGEST_FILE_BYTES, read_text};
use crate::session::{SessionPaths, SessionSpec, VolleyTable, check_capitals, check_dir};
use crate::study::{
    BetweenSource, OrderInputs, PlanInputs, PlanOption, PlannedVolley, Setup, StudyOptions, find_setpoints, median,
    plan_options, plan_order,
};

/// Where the wandering from volley to volley is not known, it is taken as this share of the shots' scatter. With five shots a volley it
/// then weighs about as much as the scatter of their mean (1/4 against 1/5 of the variance): a plan without any allowance would ask for
/// too few volleys, and one volley would seem enough.
pub const ASSUMED_WANDER: f64 = 0.5;
/// Fewest volleys of each setup at each speed: one cannot show how volleys differ.
const LEAST_VOLLEYS: u32 = 2;
/// Repeats of the reference that a day should hold: four give the three degrees of freedom from which wandering counts as measured.
const LEAST_REPEATS: usize = 4;
/// Most volleys between two repeats of the reference.
const MOST_BETWEEN_REPEATS: usize = 10;
/// Longest day that is drawn up without being asked for, volleys.
const LONGEST_DAY: usize = 300;
/// Shots a volley for which the table of options is made, besides the one asked for.
const SHOTS_SHOWN: [u32; 4] = [1, 3, 5, 8];

/// When to wipe the wall.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Wipe {
    /// Where old marks would cover too much of new ones.
    #[default]
    Foreseen,
    /// After so many balls.
    After(u32),
    /// Never.
    Never,
}

/// What a person asks for; `None` and empty: taken from the session.
#[derive(Clone, Debug, Default)]
pub struct PlanRequest {
    /// "pocket=mid,low", one for each factor.
    pub setups: Vec<String>,
    /// Only the reference and the setups that differ from it in one thing.
    pub one_change: bool,
    /// "30..70 mph by 10".
    pub ladder: Option<String>,
    /// SD of the shots of a volley, rad.
    pub spread_rad: Option<f64>,
    /// SD of volleys beyond what their shots explain, rad.
    pub wander_rad: Option<f64>,
    /// Smallest difference worth caring about, rad.
    pub matters_rad: Option<f64>,
    /// Shots a volley.
    pub shots: u32,
    /// Volleys of each setup at each speed.
    pub volleys: Option<u32>,
    /// "pocket=mid".
    pub reference: Option<String>,
    /// Volleys between two repeats of the reference.
    pub reference_every: Option<u32>,
    /// All speeds of a setup together within a block.
    pub keep_together: bool,
    /// Shuffle the first block too, in which speeds otherwise rise.
    pub shuffle_all: bool,
    /// Freshly strung: "pocket=low", or "all".
    pub fresh: Vec<String>,
    /// Throws that warm a fresh pocket up.
    pub warm_up: u32,
    /// When to wipe.
    pub wipe: Wipe,
    /// Same seed, same order; `None`: a new one.
    pub seed: Option<u64>,
    /// Results to take the spread from; `None`: the session's own.
    pub from: Option<PathBuf>,
}

/// One line of the day.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum PlanRow {
    /// A photo of the wall, with something to do before it.
    Wall {
        /// Its name in `volleys.csv`.
        name: String,
        /// What to do.
        note: String,
    },
    /// A volley.
    Volley {
        /// Its name in `volleys.csv`.
        name: String,
        /// Block, setup, speed.
        #[serde(flatten)]
        planned: PlannedVolley,
    },
}

/// The plan of a day.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Plan {
    /// The session's title.
    pub title: String,
    /// SD of the shots of a volley, deg.
    pub spread_deg: f64,
    /// SD of volleys beyond what their shots explain, deg.
    pub wander_deg: f64,
    /// Where both come from, in words.
    pub spread_sentence: String,
    /// Smallest difference worth caring about, deg.
    pub matters_deg: f64,
    /// Volleys needed, by shots a volley.
    pub options: Vec<PlanOption>,
    /// Shots a volley.
    pub shots: u32,
    /// Volleys of each setup at each speed.
    pub volleys: u32,
    /// Why that many, in words.
    pub volleys_sentence: String,
    /// The setups.
    pub setups: Vec<Setup>,
    /// The setup repeated through the day.
    pub reference: Setup,
    /// The ladder, m/s.
    pub setpoints_mps: Vec<f64>,
    /// The order's seed.
    pub seed: u64,
    /// The day.
    pub rows: Vec<PlanRow>,
    /// What else to know, a sentence each.
    pub notes: Vec<String>,
    /// Says so where the session changed since the results that scatter and places were taken from.
    pub stale: Option<String>,
    /// Unit of the speeds.
    #[serde(skip)]
    pub unit: SpeedUnit,
}

impl Plan {
    /// Volleys to shoot.
    pub fn volleys_to_shoot(&self) -> usize {
        self.rows.iter().filter(|r| matches!(r, PlanRow::Volley { .. })).count()
    }

    /// Photos to take (one a row).
    pub fn photos(&self) -> usize {
        self.rows.len()
    }

    /// Balls, warm-up throws not counted.
    pub fn balls(&self) -> usize {
        self.volleys_to_shoot() * self.shots as usize
    }
}

/// When to stop a ladder, in words.
pub const STOP_RULE: &str = "Stop a ladder when the angle is at zero: once a volley of a setup comes out at zero or below, leave out its faster volleys (leave their speed blank).";

/// How the note of every planned volley begins; what begins otherwise was written by a person.
pub(super) const BLOCK_NOTE: &str = "block ";

/// What the plan starts from: the table as it is.
struct Table {
    table: Option<VolleyTable>,
}

impl Table {
    fn setups(&self) -> Vec<Setup> {
        let mut out: Vec<Setup> = Vec::new();
        if let Some(t) = &self.table {
            for r in t.rows.iter().chain(&t.planned).filter(|r| r.shots > 0) {
                let pairs = t.factor_names.iter().map(|n| (n.clone(), r.factors.get(n).cloned().unwrap_or_default()));
                let setup = Setup::new(pairs);
                if !out.contains(&setup) {
                    out.push(setup);
                }
            }
        }
        out
    }

    fn setpoints(&self) -> Vec<f64> {
        let rows = self.table.iter().flat_map(|t| t.rows.iter().chain(&t.planned)).filter(|r| r.shots > 0);
        let aims: Vec<f64> = rows.filter_map(|r| r.setpoint_mps.or(r.speed_mps)).collect();
        find_setpoints(&aims)
    }
}

struct Spread {
    within_rad: f64,
    between_rad: f64,
    shared_rad: f64,
    sentence: String,
}

fn spread(request: &PlanRequest, summary: Option<&Summary>) -> Result<Spread> {
    let study = summary.and_then(|s| s.study.as_ref());
    let seen = study.and_then(|s| s.spreads.within_deg);
    let shared: Vec<f64> = study.iter().flat_map(|s| &s.comparisons).map(|c| c.overall.u_shared_deg).collect();
    let shared_rad = median(&shared).unwrap_or(0.0).to_radians();
    let (within_rad, mut sentence) = match (request.spread_rad, seen) {
        (Some(typed), _) => (typed, format!("Shots of a volley scatter by {:.2} deg (as typed)", typed.to_degrees())),
        (None, Some(deg)) => (deg.to_radians(), format!("Shots of a volley scatter by {deg:.2} deg (seen so far)")),
        (None, None) => {
            return Err(Error::usage(
                "how much shots scatter is not known: there are no results to take it from (run a session, or name one with --from), so type it, such as --spread \"0.5 deg\" (the standard deviation of the angles of one volley)",
            ));
        }
    };
    let measured = study.filter(|s| s.spreads.between_source != BetweenSource::Assumed);
    let (between_rad, words) = match (request.wander_rad, measured) {
        (Some(typed), _) => (typed, "as typed".to_string()),
        (None, Some(s)) => (s.spreads.between_deg.to_radians(), "seen so far".to_string()),
        (None, None) => (
            ASSUMED_WANDER * within_rad,
            "not seen yet: half of the shots' scatter is assumed; repeats of the reference will show it".to_string(),
        ),
    };
    sentence +=
        &format!(", the machine wanders by {:.2} deg from volley to volley ({words}).", between_rad.to_degrees());
    Ok(Spread { within_rad, between_rad, shared_rad, sentence })
}

/// The reference among the setups: as typed, as `session.toml` says, else the first.
fn reference(request: &PlanRequest, spec: &SessionSpec, setups: &[Setup], notes: &mut Vec<String>) -> Result<Setup> {
    let typed = request.reference.as_deref().map(setup_from).transpose()?;
    let stated = (!spec.study.reference.is_empty())
        .then(|| Setup::new(spec.study.reference.iter().map(|(k, v)| (k.clone(), v.clone()))));
    let listed = || setups.iter().map(|s| format!("\"{}\"", s.assignments())).collect::<Vec<_>>().join(", ");
    if let Some(r) = typed.as_ref() {
        return setups.iter().find(|s| r.is_part_of(s)).cloned().ok_or_else(|| {
            Error::usage(format!("the reference {} is none of the setups: {}", r.assignments(), listed()))
        });
    }
    if let Some(found) = stated.as_ref().and_then(|r| setups.iter().find(|s| r.is_part_of(s))) {
        return Ok(found.clone());
    }
    let first = setups.first().cloned().unwrap_or_default();
    let toml: Vec<String> = first.iter().map(|(k, v)| format!("{} = {}", toml_key(k), toml_text(v))).collect();
    if setups.len() > 1 {
        notes.push(format!(
            "The reference, shot again and again, is {} (the first; --reference names another). Write under [study] in session.toml: reference = {{ {} }}",
            first.words(),
            toml.join(", ")
        ));
    }
    Ok(first)
}

/// Text as TOML writes it.
fn toml_text(text: &str) -> String {
    toml::Value::String(text.into()).to_string()
}

/// A key as TOML takes it: in quotes unless it is plain.
fn toml_key(key: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-');
    if !key.is_empty() && key.chars().all(plain) { key.into() } else { toml_text(key) }
}

/// How many volleys of each, and why.
fn volleys(request: &PlanRequest, options: &[PlanOption], cells: usize) -> Result<(u32, String)> {
    if let Some(v) = request.volleys {
        if v == 0 {
            return Err(Error::usage("0 volleys of each: ask for 1 or more"));
        }
        return Ok((v, format!("{v} volleys of each setup at each speed, as asked.")));
    }
    let wanted = options.iter().find(|o| o.shots == request.shots).and_then(|o| o.ladder_clear_80);
    let Some(needed) = wanted else {
        return Err(Error::no_answer(
            "no number of volleys gives a clear answer with this scatter: say with --volleys how many you can shoot, ask for more shots a volley, or for a larger difference (--matters)",
        ));
    };
    let v = needed.max(LEAST_VOLLEYS);
    if v as usize * cells > LONGEST_DAY {
        return Err(Error::no_answer(format!(
            "a clear answer needs {v} volleys of each setup at each speed, {} in all: say with --volleys how many you can shoot, ask for more shots a volley, or for a larger difference (--matters)",
            v as usize * cells
        )));
    }
    Ok((
        v,
        format!(
            "{v} volleys of each setup at each speed give a clear answer over the ladder with a chance of 80 % or more."
        ),
    ))
}

/// Puts warm-ups and wipes between the volleys.
fn rows(request: &PlanRequest, order: Vec<PlannedVolley>, mut crowd: Crowd) -> Result<Vec<PlanRow>> {
    let fresh = request
        .fresh
        .iter()
        .map(|f| if f.trim().eq_ignore_ascii_case("all") { Ok(None) } else { setup_from(f).map(Some) })
        .collect::<Result<Vec<Option<Setup>>>>()?;
    for f in fresh.iter().flatten() {
        if !order.iter().any(|v| f.is_part_of(&v.setup)) {
            return Err(Error::usage(format!("fresh {}: no setup of the plan has that", f.assignments())));
        }
    }
    let mut warmed: Vec<Setup> = Vec::new();
    let mut rows =
        vec![PlanRow::Wall { name: "clean wall".into(), note: "photograph the wall before the first shot".into() }];
    let (mut wipes, mut since) = (0u32, 0u32);
    for v in order {
        let is_fresh = fresh.iter().any(|f| f.as_ref().is_none_or(|f| f.is_part_of(&v.setup)));
        if is_fresh && request.warm_up > 0 && !warmed.contains(&v.setup) {
            let first = rows.len() == 1;
            warmed.push(v.setup.clone());
            let note = format!(
                "throw {} balls to warm up {}, wipe the marks, photograph the wall",
                request.warm_up,
                v.setup.words()
            );
            if first {
                // The photo of the clean wall is then the one after the warm-up.
                rows.clear();
            }
            rows.push(PlanRow::Wall { name: format!("warm-up {}", warmed.len()), note });
            crowd.wipe();
            since = 0;
        }
        let wipe = match request.wipe {
            Wipe::Never => false,
            Wipe::After(balls) => since > 0 && since + request.shots > balls,
            Wipe::Foreseen => crowd.covered(&v.setup, v.setpoint_mps) > MAY_COVER,
        };
        if wipe {
            wipes += 1;
            rows.push(PlanRow::Wall {
                name: format!("wipe {wipes}"),
                note: "wipe the wall (or new paper), photograph it".into(),
            });
            crowd.wipe();
            since = 0;
        }
        crowd.add(&v.setup, v.setpoint_mps, request.shots);
        since += request.shots;
        rows.push(PlanRow::Volley { name: v.order.to_string(), planned: v });
    }
    Ok(rows)
}

fn new_seed() -> u64 {
    // Six digits are easily typed again, and a million orders are enough.
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(1, |d| u64::from(d.subsec_nanos()) / 7 % 1_000_000)
}

/// Draws up a day for a session's folder.
///
/// # Errors
/// No `session.toml`; a table of another name; setups, speeds or scatter that are neither typed nor to be found in the session; a text that cannot be read.
pub fn plan(session: &Path, request: &PlanRequest) -> Result<Plan> {
    let paths = SessionPaths::new(session);
    if !paths.session_toml().is_file() {
        return Err(Error::input(format!(
            "{} is no session: it has no session.toml; make one with `pockmark new`",
            session.display()
        )));
    }
    check_capitals(&paths)?;
    let text = read_text(&paths.session_toml(), LARGEST_FILE_BYTES)?;
    let spec = SessionSpec::parse(&text).place(|| paths.session_toml().display().to_string())?;
    if request.shots == 0 {
        return Err(Error::usage("0 shots in a volley: ask for 1 or more (5 suit most)"));
    }
    let summary = match &request.from {
        Some(other) => {
            check_dir(other)?;
            Some(read_summary(&SessionPaths::new(other))?)
        }
        None => paths.results().join("summary.json").is_file().then(|| read_summary(&paths)).transpose()?,
    };
    let table = Table {
        table: if paths.volleys_csv().is_file() && !is_example(&paths.volleys_csv())? {
            match VolleyTable::read(&paths.volleys_csv()) {
                Ok(t) => Some(t),
                // What is typed needs no table.
                Err(e) if request.setups.is_empty() || request.ladder.is_none() => return Err(e),
                Err(_) => None,
            }
        } else {
            None
        },
    };
    // A plan that was written over the table of its own session leaves nothing to run again.
    let own_is_shot = table.table.as_ref().is_none_or(|t| t.rows.iter().any(|r| r.shots > 0));
    let stale = match &request.from {
        Some(other) => summary.as_ref().and_then(|s| out_of_date(other, s)),
        None => summary.as_ref().filter(|_| own_is_shot).and_then(|s| out_of_date(session, s)),
    };
    let mut notes = Vec::new();
    let mut setups = if request.setups.is_empty() { table.setups() } else { parse_setups(&request.setups)? };
    let study = summary.as_ref().and_then(|s| s.study.as_ref());
    if setups.is_empty() && request.from.is_some() {
        setups = study.iter().flat_map(|s| &s.ladders).map(|l| l.setup.clone()).collect();
    }
    if setups.is_empty() {
        return Err(Error::usage(
            "what is to be compared? Name it, such as --setups pocket=mid,low (volleys.csv has none yet)",
        ));
    }
    let (mut setpoints_mps, unit) = match &request.ladder {
        Some(text) => {
            let l = parse_ladder(text)?;
            (l.speeds_mps, l.unit)
        }
        None => (table.setpoints(), table.table.as_ref().map_or(SpeedUnit::default(), unit_of)),
    };
    if setpoints_mps.is_empty() && request.from.is_some() {
        setpoints_mps = study.map(|s| s.setpoints_mps.clone()).unwrap_or_default();
    }
    if setpoints_mps.is_empty() {
        return Err(Error::usage(
            "which speeds? Name them, such as --ladder \"30..70 mph by 10\" (volleys.csv has none yet)",
        ));
    }
    let reference = reference(request, &spec, &setups, &mut notes)?;
    if request.one_change {
        setups.retain(|s| *s == reference || reference.one_change(s).is_some());
    }
    let spread = spread(request, summary.as_ref())?;
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    let inputs = PlanInputs {
        between_sd_rad: spread.between_rad,
        within_sd_rad: spread.within_rad,
        shared_u_rad: spread.shared_rad,
        matters_rad: request.matters_rad.unwrap_or(spec.study.matters_rad),
        setups: count(setups.len()),
        setpoints: count(setpoints_mps.len()),
        alpha: StudyOptions::default().alpha,
    };
    let mut shown = SHOTS_SHOWN.to_vec();
    shown.push(request.shots);
    shown.sort_unstable();
    shown.dedup();
    let options = plan_options(&inputs, &shown)?;
    let cells = setups.len() * setpoints_mps.len();
    let (volleys, volleys_sentence) = volleys(request, &options, cells)?;
    let total = cells * volleys as usize;
    let every =
        request.reference_every.unwrap_or_else(|| count((total / (LEAST_REPEATS - 1)).clamp(1, MOST_BETWEEN_REPEATS)));
    let seed = request.seed.unwrap_or_else(new_seed);
    let order = plan_order(&OrderInputs {
        setups: setups.clone(),
        setpoints_mps: setpoints_mps.clone(),
        volleys,
        reference: (every > 0).then(|| reference.clone()),
        reference_mps: None,
        reference_every: every,
        keep_setups_together: request.keep_together,
        climb_first: !request.shuffle_all,
        seed,
    })?;
    let crowd = Crowd::new(summary.as_ref(), spread.within_rad, spec.machine.pivot_out.value);
    let rows = rows(request, order, crowd)?;
    Ok(Plan {
        title: spec.title.clone(),
        spread_deg: spread.within_rad.to_degrees(),
        wander_deg: spread.between_rad.to_degrees(),
        spread_sentence: spread.sentence,
        matters_deg: inputs.matters_rad.to_degrees(),
        options,
        shots: request.shots,
        volleys,
        volleys_sentence,
        setups,
        reference,
        setpoints_mps,
        seed,
        rows,
        notes,
        stale,
        unit,
    })
}

/// Whether a `volleys.csv` still is the example of a new session.
fn is_example(path: &Path) -> Result<bool> {
    let plain = |t: &str| t.replace("\r\n", "\n").trim().to_string();
    Ok(plain(&read_text(path, LARGEST_FILE_BYTES)?) == plain(crate::session::new::VOLLEYS_CSV))
}

/// Why a `volleys.csv` must not be replaced without being told to: it holds readings, or cannot be read.
///
/// # Errors
/// The file is there but cannot be opened.
pub fn holds_readings(path: &Path) -> Result<Option<String>> {
    if !path.exists() || is_example(path)? {
        return Ok(None);
    }
    Ok(match VolleyTable::read(path) {
        Ok(t) => {
            let n = t.rows.iter().filter(|r| r.shots > 0).count();
            let by_hand =
                t.rows.iter().any(|r| r.photo.is_some()) || t.planned.iter().any(|r| !r.note.starts_with(BLOCK_NOTE));
            match (n, by_hand) {
                (0, false) => None,
                (0, true) => Some("volleys or photos that somebody wrote there".to_string()),
                _ => Some(format!("{} with speed readings", counted(n, "volley"))),
            }
        }
        Err(e) => Some(format!("something that cannot be read ({e})")),
    })
}
