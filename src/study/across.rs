//! How do two setups differ that need not be of one session?
//!
//! Works from ladders as `summary.json` keeps them: each mean with the parts of its own variance and its sensitivities
//! to the shared factors. Within one session the shared doubt cancels. Between two sessions it does not: both sessions'
//! shared factors are taken as independent (tape, zero and radar were set up anew), unless a reference setup that both
//! sessions shot stands between them. Then `(b - reference there) - (a - reference here)` cancels most of it, at the price
//! of the reference's own doubt in both; it rests on the reference itself being the same on both days.

use super::compare::{Comparison, Difference, each, trend, with_words};
use super::doubt::{KNOWN, Mean, WITHIN_CELL};
use super::groups::SAME_STEP;
use super::input::{MPH_PER_MPS, Setup};
use super::judge::{Draft, PointDraft, Rules, Whole, judge};
use super::ladder::{Ladder, LadderPoint, PartSource};
use super::slopes::{Rung, local_slopes};
use super::words::{plus_minus, signed_plus_minus};
use super::{Study, Verdict};
use crate::error::{Error, Result};
use serde::{Deserialize, Serialize};

/// A setup in a session's results.
#[derive(Clone, Copy, Debug)]
pub struct Side<'a> {
    /// The session's study.
    pub study: &'a Study,
    /// The setup's ladder in it.
    pub ladder: &'a Ladder,
    /// The session's title, for sentences.
    pub title: &'a str,
}

/// How the reference setup bridges two sessions.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bridge {
    /// The setup that both sessions shot.
    pub reference: Setup,
    /// Change of the reference itself from the first session to the second, deg.
    pub change_deg: f64,
    /// Its standard uncertainty, the shared doubt of both sessions included, deg.
    pub change_u_deg: f64,
    /// The change is more than all doubts explain: the machine, or the reference, was not the same.
    pub changed: bool,
    /// The answer over the ladder with the bridge, deg.
    pub difference_with_deg: f64,
    /// The same without it, deg.
    pub difference_without_deg: f64,
    /// Half width at 95 % of the answer over the ladder with the bridge, deg.
    pub half_width_with_deg: f64,
    /// The same without it, deg.
    pub half_width_without_deg: f64,
    /// The answer uses it.
    pub used: bool,
    /// What it buys, in words.
    pub sentence: String,
}

/// The answer for two setups.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Across {
    /// Title of the first setup's session.
    pub session_a: String,
    /// Title of the second setup's session.
    pub session_b: String,
    /// Both setups are of one session.
    pub one_session: bool,
    /// The factors in which they differ; none: the same setup in two sessions.
    pub changed: Vec<String>,
    /// The answer; with several changed factors `factor`, `a` and `b` hold them all.
    #[serde(flatten)]
    pub comparison: Comparison,
    /// The bridge, where both sessions have the reference.
    pub bridge: Option<Bridge>,
    /// What a reader must know, in words.
    pub notes: Vec<String>,
}

/// Degrees of freedom and places of the parts of both sessions' variances.
struct Parts {
    df: Vec<f64>,
    /// For each session the place of its volleys' and shots' parts, once seen.
    common: [[Option<usize>; 2]; 2],
    /// Where the second session's shared factors begin.
    second_shared: usize,
}

impl Parts {
    fn place(&mut self, session: usize, source: PartSource, df: Option<f64>) -> usize {
        let slot = match source {
            PartSource::Known => return KNOWN,
            PartSource::ShotsHere => None,
            PartSource::Volleys => self.common.get_mut(session).and_then(|c| c.first_mut()),
            PartSource::Shots => self.common.get_mut(session).and_then(|c| c.last_mut()),
        };
        match slot {
            Some(Some(place)) => *place,
            slot => {
                self.df.push(df.unwrap_or(f64::INFINITY));
                let place = self.df.len() - 1;
                if let Some(slot) = slot {
                    *slot = Some(place);
                }
                place
            }
        }
    }

    fn mean(&mut self, session: usize, p: &LadderPoint) -> Mean {
        let rad = 1f64.to_radians();
        let mut mean = Mean { value: p.mean_deg * rad, ..Mean::default() };
        for part in &p.own_parts {
            let place = self.place(session, part.source, part.df);
            mean.add_own(place, part.variance_deg2 * rad * rad);
        }
        if session == 1 {
            mean.shared = vec![0.0; self.second_shared];
        }
        mean.shared.extend(p.shared_deg.iter().map(|s| s * rad));
        mean
    }
}

/// The ladder's means of one setup, each brought to the first session's speeds where these differ a little.
fn means_at(parts: &mut Parts, session: usize, ladder: &Ladder, speeds_mps: &[f64]) -> Vec<Option<(Mean, f64)>> {
    let own: Vec<(Mean, f64, f64)> =
        ladder.points.iter().map(|p| (parts.mean(session, p), p.setpoint_mps, p.volleys as f64)).collect();
    // Already at their setpoints.
    let rungs: Vec<Rung> = own.iter().map(|(_, v, _)| Rung { setpoint_mps: *v, speed_mps: *v }).collect();
    let slopes = local_slopes(&rungs, &own.iter().map(|(m, _, _)| m.value).collect::<Vec<_>>());
    let all: Vec<&Mean> = own.iter().map(|(m, _, _)| m).collect();
    speeds_mps
        .iter()
        .map(|&at| {
            let away = |v: f64| (v / at).ln().abs();
            let (i, (m, v, n)) = own.iter().enumerate().min_by(|a, b| away(a.1.1).total_cmp(&away(b.1.1)))?;
            if away(*v) > SAME_STEP {
                return None;
            }
            let (mut mean, off_mps) = (m.clone(), v - at);
            let (slope, local) = slopes.get(i)?;
            mean.value -= slope * off_mps;
            mean.add_own(KNOWN, local.variance(&all, i, off_mps));
            Some((mean, *n))
        })
        .collect()
}

/// The same setup's ladders in both sessions, where `reference` names it: with several such setups the one that has most in common with the compared ones.
fn bridge_ladders<'a>(a: &Side<'a>, b: &Side<'a>, reference: &Setup) -> Option<(&'a Ladder, &'a Ladder)> {
    let alike = |s: &Setup| {
        let with = |o: &Setup| s.iter().filter(|(k, v)| o.get(k) == Some(v)).count();
        with(&a.ladder.setup) + with(&b.ladder.setup)
    };
    let mut best: Option<(&Ladder, &Ladder)> = None;
    for here in a.study.ladders.iter().filter(|l| reference.is_part_of(&l.setup)) {
        let Some(there) = b.study.ladders.iter().find(|l| l.setup == here.setup) else { continue };
        if best.is_none_or(|(h, _)| alike(&here.setup) > alike(&h.setup)) {
            best = Some((here, there));
        }
    }
    best
}

/// Factors in which two setups differ.
fn changed(a: &Setup, b: &Setup) -> Vec<String> {
    let mut out: Vec<String> = a.iter().filter(|(k, v)| b.get(k) != Some(v)).map(|(k, _)| k.to_string()).collect();
    out.extend(b.iter().filter(|(k, _)| a.get(k).is_none()).map(|(k, _)| k.to_string()));
    out
}

fn named(setup: &Setup, factors: &[String]) -> String {
    let of: Vec<String> = factors.iter().map(|f| format!("{f} {}", setup.get(f).unwrap_or("none"))).collect();
    if of.is_empty() { setup.words() } else { of.join(", ") }
}

fn same_part(setup: &Setup, factors: &[String]) -> Setup {
    factors.iter().fold(setup.clone(), |s, f| s.without(f))
}

/// A mean and its volleys at each speed, where there is one.
type AtSpeeds = [Option<(Mean, f64)>];

struct Bridged {
    points: Vec<PointDraft>,
    /// The mean over the points, where one change is taken off all of them.
    whole: Option<Whole>,
    /// The reference's own change from the first session to the second, averaged.
    change: Mean,
}

/// What stands on either side of the bridge, at the same speeds.
struct Banks<'a> {
    a: &'a AtSpeeds,
    b: &'a AtSpeeds,
    here: &'a AtSpeeds,
    there: &'a AtSpeeds,
    /// `a` is the reference itself: then the bridge is the comparison within the second session.
    a_is_reference: bool,
    /// `b` is the reference itself: then it is the comparison within the first.
    b_is_reference: bool,
}

/// Takes the reference's change off every point of `points`: at its own speed where the reference has all of them, else its
/// mean. `None` where the reference has no speed in both sessions. `raw`: the same points without the bridge.
fn bridged(banks: &Banks, speeds_mps: &[f64], raw: &[PointDraft]) -> Option<Bridged> {
    let steps: Vec<Option<(Mean, f64)>> = banks
        .here
        .iter()
        .zip(banks.there)
        .map(|(a, b)| {
            let ((ma, na), (mb, nb)) = (a.as_ref()?, b.as_ref()?);
            Some((Mean::combine([(1.0, mb), (-1.0, ma)]), each(*na, *nb)))
        })
        .collect();
    let known: Vec<&(Mean, f64)> = steps.iter().flatten().collect();
    if known.is_empty() {
        return None;
    }
    let count = known.len() as f64;
    let change = Mean::combine(known.iter().map(|(m, _)| (1.0 / count, m)));
    let change_each = count * count / known.iter().map(|(_, n)| 1.0 / n).sum::<f64>();
    let mut points = Vec::new();
    let asked: Vec<usize> = (0..speeds_mps.len())
        .filter(|&i| banks.a.get(i).is_some_and(Option::is_some) && banks.b.get(i).is_some_and(Option::is_some))
        .collect();
    let all = asked.iter().all(|&i| steps.get(i).is_some_and(Option::is_some));
    if (banks.a_is_reference || banks.b_is_reference) && !all {
        return None;
    }
    for i in asked {
        let (ma, na) = banks.a.get(i)?.as_ref()?;
        let (mb, nb) = banks.b.get(i)?.as_ref()?;
        let (mean, n, behind) = if banks.a_is_reference {
            let (reference, n) = banks.there.get(i)?.as_ref()?;
            let n = each(*nb, *n);
            (Mean::combine([(1.0, mb), (-1.0, reference)]), n, n)
        } else if banks.b_is_reference {
            let (reference, n) = banks.here.get(i)?.as_ref()?;
            let n = each(*na, *n);
            (Mean::combine([(1.0, reference), (-1.0, ma)]), n, n)
        } else {
            let (off, n, weight) = match steps.get(i)? {
                Some((m, n)) if all => (m, *n, 1.0),
                _ => (&change, change_each, 1.0 / count),
            };
            // A difference of two differences: one count of volleys for each of two sides that bears the same scatter.
            let n = 1.0 / (1.0 / each(*na, *nb) + 1.0 / n);
            (Mean::combine([(1.0, mb), (-1.0, ma), (-1.0, off)]), n, (1.0 + weight) * n)
        };
        points.push(PointDraft { speed_mps: *speeds_mps.get(i)?, mean, each: n, behind });
    }
    let whole = (!all).then(|| {
        // The points share one change: it is taken off their mean once.
        let speeds = raw.len().max(1) as f64;
        let mean = Mean::combine(raw.iter().map(|p| (1.0 / speeds, &p.mean)));
        let n = speeds * speeds / raw.iter().map(|p| 1.0 / p.each).sum::<f64>();
        // Volleys with which two sides, all speeds together, would bear the same scatter.
        let both = 1.0 / (1.0 / n + 1.0 / change_each);
        Whole {
            mean: Mean::combine([(1.0, &mean), (-1.0, &change)]),
            each: both / speeds,
            behind: (1.0 / speeds + 1.0 / count) * both,
        }
    });
    Some(Bridged { points, whole, change })
}

/// The mean over the points and its half width, deg.
fn over_deg(points: &[PointDraft], whole: Option<&Whole>, df: &[f64], alpha: f64) -> (f64, f64) {
    let k = 1.0 / points.len().max(1) as f64;
    let mean = whole.map_or_else(|| Mean::combine(points.iter().map(|p| (k, &p.mean))), |w| w.mean.clone());
    (mean.value.to_degrees(), mean.half_width(df, alpha).to_degrees())
}

/// A pair before it is judged, with all that is known of it besides.
struct Prepared {
    across: Across,
    draft: Draft,
    /// The points for the trend: a change that all share does not tilt them.
    level: Vec<PointDraft>,
}

/// A comparison of a study as an answer; `reversed` for `a - b`.
pub fn recorded(study: &Study, title: &str, comparison: &Comparison, reversed: bool) -> Across {
    let setups: Vec<&Setup> = study.ladders.iter().map(|l| &l.setup).collect();
    Across {
        session_a: title.to_string(),
        session_b: title.to_string(),
        one_session: true,
        changed: vec![comparison.factor.clone()],
        comparison: if reversed { comparison.reversed(&setups, study.matters_deg) } else { comparison.clone() },
        bridge: None,
        notes: Vec::new(),
    }
}

/// Compares pairs of setups, `b - a` each, judged as one family; `reference` names the setup that may bridge two sessions.
///
/// Pairs that cannot be compared come back as errors: results of an older program that lack what this needs; setups that share no
/// speed; the same setup of one session twice.
pub fn compare_sides(
    pairs: &[(Side, Side)],
    reference: Option<&Setup>,
    matters_rad: f64,
    alpha: f64,
) -> (Vec<Across>, Vec<Error>) {
    let (mut ready, mut wrong) = (Vec::new(), Vec::new());
    for (a, b) in pairs {
        match prepare(*a, *b, reference, alpha) {
            Ok(p) => ready.push(p),
            Err(e) => wrong.push(e),
        }
    }
    let drafts: Vec<Draft> = ready.iter().map(|p| p.draft.clone()).collect();
    let per_10mph = 10.0 / MPH_PER_MPS;
    let judged = judge(&drafts, &Rules { margin_rad: matters_rad, alpha });
    let answers = ready
        .into_iter()
        .zip(judged)
        .map(|(mut p, judged)| {
            let slope = trend(&p.level);
            let c = &mut p.across.comparison;
            c.points = judged.points;
            c.overall = judged.overall;
            c.trend_deg_per_10mph = slope.as_ref().map(|t| t.value.to_degrees() * per_10mph);
            c.trend_u_deg = slope.as_ref().map(|t| t.u().to_degrees() * per_10mph);
            p.across
        })
        .collect();
    (answers, wrong)
}

fn prepare(a: Side, b: Side, reference: Option<&Setup>, alpha: f64) -> Result<Prepared> {
    let one_session = std::ptr::eq(a.study, b.study);
    let factors = changed(&a.ladder.setup, &b.ladder.setup);
    if one_session && factors.is_empty() {
        return Err(Error::usage(format!(
            "both names mean the same setup, {}: name two different ones",
            a.ladder.setup.words()
        )));
    }
    for side in [a, b] {
        if side.ladder.points.iter().any(|p| p.own_parts.is_empty() && p.u_own_deg > 0.0) {
            return Err(Error::input(format!(
                "results/summary.json of \"{}\" was written by an older version and lacks where each doubt comes from: run the session again",
                side.title
            )));
        }
    }
    let second_shared = if one_session { 0 } else { shared_len(a.study) };
    let mut parts = Parts { df: vec![f64::INFINITY; WITHIN_CELL], common: [[None; 2]; 2], second_shared };
    let b_session = usize::from(!one_session);
    let speeds: Vec<f64> = a.ladder.points.iter().map(|p| p.setpoint_mps).collect();
    let (of_a, of_b) = (means_at(&mut parts, 0, a.ladder, &speeds), means_at(&mut parts, b_session, b.ladder, &speeds));
    let points: Vec<PointDraft> = speeds
        .iter()
        .zip(of_a.iter().zip(&of_b))
        .filter_map(|(&speed_mps, (ma, mb))| {
            let ((ma, na), (mb, nb)) = (ma.as_ref()?, mb.as_ref()?);
            let each = each(*na, *nb);
            Some(PointDraft { speed_mps, mean: Mean::combine([(1.0, mb), (-1.0, ma)]), each, behind: each })
        })
        .collect();
    if points.is_empty() {
        return Err(Error::no_answer(format!(
            "{} and {} share no speed, so they cannot be compared: shoot both at one speed",
            a.ladder.setup.words(),
            b.ladder.setup.words()
        )));
    }
    let mut notes = Vec::new();
    let mut bridge = None;
    let mut used_points = points.clone();
    let mut whole = None;
    let itself = a.ladder.setup == b.ladder.setup && reference.is_some_and(|r| r.is_part_of(&a.ladder.setup));
    let found = reference.filter(|_| !one_session && !itself).and_then(|r| bridge_ladders(&a, &b, r));
    if let Some((here, there)) = found {
        let (of_here, of_there) = (means_at(&mut parts, 0, here, &speeds), means_at(&mut parts, 1, there, &speeds));
        let banks = Banks {
            a: &of_a,
            b: &of_b,
            here: &of_here,
            there: &of_there,
            a_is_reference: a.ladder.setup == here.setup,
            b_is_reference: b.ladder.setup == there.setup,
        };
        if let Some(found) = bridged(&banks, &speeds, &points) {
            let (bridged_deg, with) = over_deg(&found.points, found.whole.as_ref(), &parts.df, alpha);
            let (plain_deg, without) = over_deg(&points, None, &parts.df, alpha);
            let used = with < without;
            let changed = found.change.p_zero(&parts.df) <= alpha;
            let change_half = found.change.half_width(&parts.df, alpha).to_degrees();
            let change = signed_plus_minus(found.change.value.to_degrees(), change_half);
            let name = here.setup.words();
            let within = if banks.a_is_reference {
                format!(" (all within \"{}\")", b.title)
            } else if banks.b_is_reference {
                format!(" (all within \"{}\")", a.title)
            } else {
                String::new()
            };
            let mut sentence = if used {
                format!(
                    "The reference ({name}), shot in both sessions, stands between them{within}: it brings the ± from {without:.2} down to {with:.2} deg."
                )
            } else {
                format!(
                    "The reference ({name}) was shot in both sessions, but would make the ± no smaller ({with:.2} instead of {without:.2} deg), so it is not used."
                )
            };
            sentence += &if changed {
                format!(
                    " The reference itself changed by {change} deg between the sessions, more than all doubts explain: if the machine was set up differently, trust the answer through the reference ({}); if the reference itself changed, the one without it ({}).",
                    signed_plus_minus(bridged_deg, with),
                    signed_plus_minus(plain_deg, without)
                )
            } else {
                format!(" The reference itself shows no change between the sessions ({change} deg).")
            };
            if used {
                used_points.clone_from(&found.points);
                whole.clone_from(&found.whole);
            }
            bridge = Some(Bridge {
                reference: here.setup.clone(),
                change_deg: found.change.value.to_degrees(),
                change_u_deg: found.change.u().to_degrees(),
                changed,
                difference_with_deg: bridged_deg,
                difference_without_deg: plain_deg,
                half_width_with_deg: with,
                half_width_without_deg: without,
                used,
                sentence,
            });
        }
    }
    if !one_session && bridge.is_none() {
        let shot = |s: &Side| reference.is_some_and(|r| s.study.ladders.iter().any(|l| r.is_part_of(&l.setup)));
        let why = if itself {
            "this is the reference itself, and nothing else was shot in both to take them out"
        } else if found.is_some() {
            "the reference was shot in both sessions, but at no speed in common that could take them out"
        } else if shot(&a) && shot(&b) {
            "the reference was shot in both, but not in one and the same setup (name all of its factors in session.toml), so that it cannot take them out, nor show whether the machine itself stayed the same"
        } else {
            "no reference setup was shot in both to take them out, nor to show whether the machine itself stayed the same"
        };
        notes.push(format!("The doubts of both sessions' tapes, zeros and speeds count in full: {why}."));
    }
    if factors.len() > 1 {
        notes.push(format!(
            "{} things changed at once ({}), so which of them made the difference cannot be told.",
            factors.len(),
            factors.join(", ")
        ));
    }
    let level = if whole.is_some() { points } else { used_points.clone() };
    let draft = Draft {
        whole,
        df_of_part: parts.df,
        drift_unseen: [a, b].iter().map(|s| &s.study.spreads).any(|s| s.between_source.leaves_drift_out(s.between_deg)),
        ..draft(&a, &b, &factors, one_session, used_points)
    };
    let values = |s: &Setup| factors.iter().map(|f| s.get(f).unwrap_or("")).collect::<Vec<_>>().join(", ");
    let across = Across {
        session_a: a.title.to_string(),
        session_b: b.title.to_string(),
        one_session,
        comparison: Comparison {
            factor: factors.join(", "),
            a: values(&a.ladder.setup),
            b: values(&b.ladder.setup),
            same: same_part(&a.ladder.setup, &factors),
            points: Vec::new(),
            overall: Difference::default(),
            trend_deg_per_10mph: None,
            trend_u_deg: None,
        },
        changed: factors,
        bridge,
        notes,
    };
    Ok(Prepared { across, draft, level })
}

fn draft(a: &Side, b: &Side, factors: &[String], one_session: bool, points: Vec<PointDraft>) -> Draft {
    let same = same_part(&a.ladder.setup, factors);
    let setups = a.study.ladders.iter().chain(&b.study.ladders).map(|l| &l.setup);
    let with = if factors.is_empty() { String::new() } else { with_words(setups, &same) };
    let day = |s: &Side| if one_session { String::new() } else { format!(" of \"{}\"", s.title) };
    Draft {
        a: named(&a.ladder.setup, factors) + &day(a),
        b: named(&b.ladder.setup, factors) + &day(b),
        with,
        points,
        whole: None,
        df_of_part: Vec::new(),
        drift_unseen: true,
    }
}

fn shared_len(study: &Study) -> usize {
    study.ladders.iter().flat_map(|l| &l.points).map(|p| p.shared_deg.len()).max().unwrap_or(0)
}

/// A verdict in two or three words, for a table.
pub fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Differs => "differs",
        Verdict::Same => "no difference that matters",
        Verdict::Unclear => "cannot tell",
    }
}

/// "+3.30 ± 0.27" of a difference, the ± at 95 %.
pub fn difference_words(d: &Difference) -> String {
    signed_plus_minus(d.difference_deg, 0.5 * (d.high_deg - d.low_deg))
}

/// "12.4 ± 0.5" of a ladder's mean.
pub fn mean_words(p: &LadderPoint) -> String {
    plus_minus(p.mean_deg, 0.5 * (p.high_deg - p.low_deg))
}
