//! What do a session's results say about two setups, and what do two sessions say together?
//!
//! Everything comes from `results/summary.json`, so an answer takes no time. The verdicts on pairs that differ in one thing are those
//! of the report; other pairs, and pairs of two sessions, are judged here as one question of their own.

use std::path::Path;

use serde::Serialize;

use super::rebuild::{out_of_date, read_summary};
use crate::error::{Error, Result, listed};
use crate::report::{Summary, Units};
use crate::session::results::Status;
use crate::session::{SessionPaths, check_dir};
use crate::study::{Across, Comparison, Ladder, Setup, Side, Study, StudyOptions, compare_sides, recorded};

/// Which comparisons are asked for.
#[derive(Clone, Debug, Default)]
pub struct Question {
    /// Only changes of this factor.
    pub by: Option<String>,
    /// Two setups by name, as on the page: "mesh=soft", or enough of it.
    pub pair: Option<(String, String)>,
    /// The setup that bridges two sessions; `None`: the one that the results name.
    pub reference: Option<String>,
}

/// The answers.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Compared {
    /// The session's title.
    pub session: String,
    /// The other session's title.
    pub with: Option<String>,
    /// The smallest difference worth caring about, deg.
    pub matters_deg: f64,
    /// Units that the session's people use; the sentences here speak of mph.
    pub units: Units,
    /// One for each pair.
    pub answers: Vec<Across>,
    /// What a reader must know, a sentence each.
    pub notes: Vec<String>,
    /// Something of it needs a look: a volley behind it, results older than their files, a reference that changed.
    pub needs_look: bool,
}

/// The study of a summary.
///
/// # Errors
/// The summary has none; the reason is passed on.
pub fn study_of(summary: &Summary) -> Result<&Study> {
    summary.study.as_ref().ok_or_else(|| {
        let why = summary.study_problem.as_deref().unwrap_or("nothing could be solved");
        Error::no_answer(format!("\"{}\" has no release angles to compare ({why}): mend that first", summary.title))
    })
}

fn plain(text: &str) -> String {
    text.trim().to_lowercase()
}

/// One part of a name: a value, with the factor where it is said.
struct Part {
    factor: Option<String>,
    value: String,
}

/// The parts of "mesh=soft, pocket low" or "soft".
fn parts(name: &str, factors: &[String]) -> Vec<Part> {
    let split = name.split([',', ';']).flat_map(|t| {
        // "mesh=soft pocket=low": spaces part only where every word holds an equals sign.
        let words: Vec<&str> = t.split_whitespace().collect();
        let each = words.len() > 1 && words.iter().all(|w| w.contains('='));
        if each { words } else { vec![t] }
    });
    split
        .filter(|t| !t.trim().is_empty())
        .map(|t| {
            if let Some((f, v)) = t.split_once(['=', ':']) {
                return Part { factor: Some(plain(f)), value: plain(v) };
            }
            let t = plain(t);
            let spoken = factors.iter().map(|f| plain(f)).find_map(|f| {
                let value = t.strip_prefix(&f)?.strip_prefix(' ')?.trim().to_string();
                Some(Part { factor: Some(f), value })
            });
            spoken.unwrap_or(Part { factor: None, value: t })
        })
        .collect()
}

fn quoted(study: &Study) -> String {
    study.ladders.iter().map(|l| format!("\"{}\"", l.setup.assignments())).collect::<Vec<_>>().join(", ")
}

/// The setups that a name fits, and the factors it speaks of.
fn find<'a>(study: &'a Study, name: &str) -> Result<(Vec<&'a Ladder>, Vec<String>)> {
    let mut factors: Vec<String> = Vec::new();
    for (k, _) in study.ladders.iter().flat_map(|l| l.setup.iter()) {
        if !factors.iter().any(|f| f == k) {
            factors.push(k.to_string());
        }
    }
    let parts = parts(name, &factors);
    if let Some(f) = parts.iter().filter_map(|p| p.factor.as_ref()).find(|f| !factors.iter().any(|k| plain(k) == **f)) {
        return Err(Error::usage(format!("\"{name}\": there is no factor {f}; setups are {}", quoted(study))));
    }
    let fits = |s: &Setup, p: &Part| {
        s.iter().any(|(k, v)| p.factor.as_ref().is_none_or(|f| *f == plain(k)) && plain(v) == p.value)
    };
    let found: Vec<&Ladder> =
        study.ladders.iter().filter(|l| !parts.is_empty() && parts.iter().all(|p| fits(&l.setup, p))).collect();
    if found.is_empty() {
        return Err(Error::usage(format!("no setup is called \"{name}\"; setups are {}", quoted(study))));
    }
    // A bare value speaks of the factor that has it.
    let spoken = factors
        .iter()
        .filter(|k| {
            let of = |p: &Part| match &p.factor {
                Some(f) => *f == plain(k),
                None => found.iter().any(|l| l.setup.get(k).is_some_and(|v| plain(v) == p.value)),
            };
            parts.iter().any(of)
        })
        .cloned()
        .collect();
    Ok((found, spoken))
}

/// Pairs of setups that two names mean: the two, or, where a name fits several, those that differ in nothing but what was named.
fn named_pairs<'a>((one, a): (&'a Study, &str), (two, b): (&'a Study, &str)) -> Result<Vec<(&'a Ladder, &'a Ladder)>> {
    let ((of_a, spoken_a), (of_b, spoken_b)) = (find(one, a)?, find(two, b)?);
    let all: Vec<(&Ladder, &Ladder)> = of_a.iter().flat_map(|x| of_b.iter().map(move |y| (*x, *y))).collect();
    if all.len() == 1 {
        return Ok(all);
    }
    let rest_is_same = |x: &Setup, y: &Setup| {
        let spoken = |k: &str| spoken_a.iter().chain(&spoken_b).any(|s| s == k);
        x.iter().all(|(k, v)| spoken(k) || y.get(k) == Some(v))
            && y.iter().all(|(k, _)| spoken(k) || x.get(k).is_some())
    };
    let pairs: Vec<_> =
        all.into_iter().filter(|(x, y)| x.setup != y.setup && rest_is_same(&x.setup, &y.setup)).collect();
    if pairs.is_empty() {
        return Err(Error::usage(format!(
            "\"{a}\" and \"{b}\" fit several setups, none of which differ in just that: say more; setups are {}, and {}",
            quoted(one),
            quoted(two)
        )));
    }
    Ok(pairs)
}

/// Is this comparison the one from `a` to `b` (`Some(false)`), or the other way round (`Some(true)`)?
fn turned(c: &Comparison, a: &Setup, b: &Setup) -> Option<bool> {
    let is = |s: &Setup, v: &str| s.get(&c.factor).unwrap_or("") == v && s.without(&c.factor) == c.same;
    if is(a, &c.a) && is(b, &c.b) {
        return Some(false);
    }
    (is(a, &c.b) && is(b, &c.a)).then_some(true)
}

/// What one session says.
///
/// # Errors
/// A name that fits nothing; setups without a common speed.
pub fn compare_within(summary: &Summary, question: &Question) -> Result<Compared> {
    let study = study_of(summary)?;
    let matters_rad = study.matters_deg.to_radians();
    let mut answers = Vec::new();
    let mut notes = Vec::new();
    match &question.pair {
        Some((a, b)) => {
            let mut other = Vec::new();
            for (x, y) in named_pairs((study, a), (study, b))? {
                let found = study.comparisons.iter().find_map(|c| Some((c, turned(c, &x.setup, &y.setup)?)));
                match found {
                    Some((c, turned)) => answers.push(recorded(study, &summary.title, c, turned)),
                    None => {
                        let side = |ladder| Side { study, ladder, title: summary.title.as_str() };
                        other.push((side(x), side(y)));
                    }
                }
            }
            let (found, wrong) = compare_sides(&other, None, matters_rad, StudyOptions::default().alpha);
            answers.extend(found);
            if let Some(e) = wrong.into_iter().next() {
                return Err(e);
            }
        }
        None => answers.extend(study.comparisons.iter().map(|c| recorded(study, &summary.title, c, false))),
    }
    keep_factor(&mut answers, question, study)?;
    if answers.is_empty() {
        let one_value = question.by.as_ref().and_then(|by| only_value(study, by));
        notes.push(match study.ladders.len() {
            2.. if let Some(said) = one_value => said,
            1 => "There is one setup only, so there is nothing to compare: change one thing and shoot the same speeds again.".to_string(),
            _ => "No two setups differ in just one thing at a common speed: name two setups to compare them all the same.".to_string(),
        });
    }
    notes.push(study.spreads.sentence.clone());
    Ok(Compared {
        session: summary.title.clone(),
        with: None,
        matters_deg: study.matters_deg,
        units: summary.units,
        answers,
        notes,
        needs_look: false,
    })
}

/// Says so where all setups have the same value of a factor.
fn only_value(study: &Study, by: &str) -> Option<String> {
    let of =
        |l: &Ladder| l.setup.iter().find(|(k, _)| plain(k) == plain(by)).map(|(k, v)| (k.to_string(), v.to_string()));
    let all: Vec<(String, String)> = study.ladders.iter().map(of).collect::<Option<_>>()?;
    let (factor, value) = all.first()?;
    all.iter().all(|(_, v)| v == value).then(|| {
        format!("{factor} has one value only ({value}), so there is nothing to compare by it: change it and shoot the same speeds again.")
    })
}

fn keep_factor(answers: &mut Vec<Across>, question: &Question, study: &Study) -> Result<()> {
    let Some(by) = &question.by else { return Ok(()) };
    let mut known: Vec<&str> = study.ladders.iter().flat_map(|l| l.setup.iter().map(|(k, _)| k)).collect();
    known.sort_unstable();
    known.dedup();
    if !known.iter().any(|k| plain(k) == plain(by)) {
        let list = if known.is_empty() { "none".to_string() } else { known.join(", ") };
        return Err(Error::usage(format!("there is no factor {by}: the factors are {list}")));
    }
    answers.retain(|a| a.changed.iter().any(|f| plain(f) == plain(by)));
    Ok(())
}

/// What two sessions say together: `b` of the other session minus `a` of this one.
///
/// Without named setups: every setup that both have (did it stay the same?), and every pair that differs in one thing and that neither
/// session could compare by itself.
///
/// # Errors
/// As for [`compare_within`]; no common setups or speeds.
pub fn compare_sessions(here: &Summary, there: &Summary, question: &Question) -> Result<Compared> {
    let (one, two) = (study_of(here)?, study_of(there)?);
    let mut notes = Vec::new();
    let reference = match &question.reference {
        Some(name) => {
            let (found, _) = find(one, name)?;
            match found.as_slice() {
                [l] => Some(l.setup.clone()),
                _ => return Err(Error::usage(format!("the reference \"{name}\" fits several setups: say more"))),
            }
        }
        None => one.reference.clone().or_else(|| two.reference.clone()),
    };
    let pairs: Vec<(&Ladder, &Ladder)> = match &question.pair {
        Some((a, b)) => named_pairs((one, a), (two, b)).or_else(|why| {
            // The names may have been given the other way round.
            named_pairs((one, b), (two, a)).map_err(|_| why)
        })?,
        None => {
            let has = |s: &Study, setup: &Setup| s.ladders.iter().any(|l| l.setup == *setup);
            let all = one.ladders.iter().flat_map(|x| two.ladders.iter().map(move |y| (x, y)));
            all.filter(|(x, y)| {
                let by_itself =
                    (has(one, &x.setup) && has(one, &y.setup)) || (has(two, &x.setup) && has(two, &y.setup));
                x.setup == y.setup || (x.setup.one_change(&y.setup).is_some() && !by_itself)
            })
            .collect()
        }
    };
    if (one.matters_deg - two.matters_deg).abs() > 1e-9 {
        notes.push(format!(
            "The sessions disagree on what matters ({} and {} deg): that of \"{}\" is taken.",
            one.matters_deg, two.matters_deg, here.title
        ));
    }
    let titles = if here.title == there.title {
        (format!("{} (this session)", here.title), format!("{} (the other session)", there.title))
    } else {
        (here.title.clone(), there.title.clone())
    };
    let sides: Vec<(Side, Side)> = pairs
        .into_iter()
        .map(|(x, y)| {
            (Side { study: one, ladder: x, title: &titles.0 }, Side { study: two, ladder: y, title: &titles.1 })
        })
        .collect();
    let alpha = StudyOptions::default().alpha;
    let (mut answers, wrong) = compare_sides(&sides, reference.as_ref(), one.matters_deg.to_radians(), alpha);
    for e in wrong {
        if question.pair.is_some() {
            return Err(e);
        }
        notes.push(format!("{e}."));
    }
    keep_factor(&mut answers, question, one)?;
    if answers.is_empty() {
        notes.push("The two sessions have no setup in common and no pair that differs in one thing: name one setup of each to compare them all the same.".into());
    }
    let needs_look =
        answers.is_empty() || answers.iter().any(|a| a.bridge.as_ref().is_some_and(|b| b.changed && b.used));
    Ok(Compared {
        session: titles.0,
        with: Some(titles.1),
        matters_deg: one.matters_deg,
        units: here.units,
        answers,
        notes,
        needs_look,
    })
}

/// Names the volleys behind the results that nobody has settled yet, and says what about the session needs a look.
fn unsettled(summary: &Summary) -> Vec<String> {
    let open: Vec<&str> =
        summary.volleys.iter().filter(|v| v.status == Status::Look).map(|v| v.volley.as_str()).collect();
    let volleys = match open.as_slice() {
        [] => None,
        [one] => Some(format!("{}: volley {one} needs a look first.", summary.title)),
        all => Some(format!("{}: volleys {} need a look first.", summary.title, listed(all))),
    };
    let looks = summary.looks.iter().map(|l| format!("{}: {l}.", summary.title));
    looks.chain(volleys).collect()
}

/// Answers a question from the results on the disk.
///
/// # Errors
/// As for [`read_summary`], [`compare_within`] and [`compare_sessions`].
pub fn compare(session: &Path, other: Option<&Path>, question: &Question) -> Result<Compared> {
    check_dir(session)?;
    if let Some(other) = other {
        check_dir(other)?;
        // However the two are written.
        if session.canonicalize().is_ok_and(|one| other.canonicalize().is_ok_and(|two| one == two)) {
            return Err(Error::usage(format!(
                "{} and {} are the same session: name another one behind --with, or leave --with out to compare within it",
                session.display(),
                other.display()
            )));
        }
    }
    let here = read_summary(&SessionPaths::new(session))?;
    let mut stale: Vec<String> = out_of_date(session, &here).into_iter().collect();
    let mut open = Vec::new();
    let mut found = match other {
        None => compare_within(&here, question)?,
        Some(other) => {
            let there = read_summary(&SessionPaths::new(other))?;
            stale.extend(out_of_date(other, &there));
            let found = compare_sessions(&here, &there, question)?;
            open.extend(unsettled(&there));
            found
        }
    };
    open.extend(unsettled(&here));
    open.extend(stale);
    found.needs_look |= !open.is_empty();
    found.notes.extend(open);
    Ok(found)
}
