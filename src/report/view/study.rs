//! What did the study find, in words, pictures and tables?

use minijinja::context;
use minijinja::value::Value;

use super::{Names, Voice, from_to, half, mps, trimmed, with_limits};
use crate::error::{Result, listed};
use crate::report::chart;
use crate::report::model::VolleySummary;
use crate::report::number::{ANGLE_PLACES, COVERAGE, NONE, fixed, plus_minus, signed_plus_minus, with_u};
use crate::report::units::Units;
use crate::session::flags::FlagWord;
use crate::study::{BetweenSource, Comparison, Difference, Doubtful, Ladder, MPH_PER_MPS, Steadiness, Study, Verdict};

/// A verdict in a few words.
fn verdict_words(d: &Difference) -> &'static str {
    match d.verdict {
        Verdict::Differs => "a real difference",
        Verdict::Same if d.small_but_real => "the same for all that matters (a small real difference)",
        Verdict::Same => "the same for all that matters",
        Verdict::Unclear => "not clear yet",
    }
}

fn verdict_class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Differs => "differs",
        Verdict::Same => "same",
        Verdict::Unclear => "unclear",
    }
}

/// The findings that open the page: the comparisons' sentences, or the ladders' where nothing can be compared.
pub(in crate::report) fn verdicts(study: &Study, voice: &Voice) -> Vec<Value> {
    if study.comparisons.is_empty() {
        return study.ladders.iter().map(|l| context! { class => "plain", text => voice.say(&l.sentence) }).collect();
    }
    study
        .comparisons
        .iter()
        .map(|c| {
            context! {
                class => verdict_class(c.overall.verdict),
                word => verdict_words(&c.overall),
                text => voice.say(&c.overall.sentence),
                same => same_words(c),
            }
        })
        .collect()
}

fn same_words(c: &Comparison) -> String {
    if c.same.iter().next().is_some() { c.same.words() } else { String::new() }
}

/// Half width of the 95 % interval, from its ends.
fn reach(low: f64, high: f64) -> f64 {
    0.5 * (high - low)
}

/// The speed at which the angle reaches zero, with its interval; `None` where it is not crossed.
fn zero(l: &Ladder, units: Units) -> Option<String> {
    let shown = |v: f64| units.speed(v);
    let text = match (l.zero_speed_low_mps, l.zero_speed_high_mps) {
        (Some(low), None) => format!("{} (from {} on)", fixed(shown(l.zero_speed_mps?), 1), fixed(shown(low), 1)),
        (None, Some(high)) => format!("{} (up to {})", fixed(shown(l.zero_speed_mps?), 1), fixed(shown(high), 1)),
        (low, high) => with_limits(shown(l.zero_speed_mps?), low.map(shown), high.map(shown), 1),
    };
    Some(format!("{text} {}", units.speed_word()))
}

/// What a change over 10 of the page's units of speed is of one over 10 mph.
fn per_ten(units: Units) -> f64 {
    MPH_PER_MPS / units.per_mps()
}

fn ladder_row(l: &Ladder, names: &Names, voice: &Voice) -> Value {
    let units = voice.units;
    let points: Vec<Value> = l
        .points
        .iter()
        .map(|p| {
            context! {
                speed => units.speed_number(p.setpoint_mps),
                mps => mps(p.setpoint_mps),
                release => plus_minus(p.mean_deg, Some(reach(p.low_deg, p.high_deg)), ANGLE_PLACES),
                own => half(p.coverage() * p.u_own_deg, ANGLE_PLACES),
                spread => p.spread_deg.map_or_else(|| NONE.into(), |s| with_limits(s, p.spread_low_deg, p.spread_high_deg, ANGLE_PLACES)),
                sideways => with_u(p.sideways_deg, p.sideways_u_deg, ANGLE_PLACES),
                shots => p.shots,
                volleys => p.volleys,
            }
        })
        .collect();
    context! {
        name => names.short(&l.setup),
        swatch => chart::swatch(names.series(&l.setup), true),
        sentence => voice.say(&l.sentence),
        zero => zero(l, units),
        change => l.change_deg.zip(l.change_u_deg).map(|(d, u)| signed_plus_minus(d, COVERAGE * u, ANGLE_PLACES)),
        trend => l.spread_trend.filter(|t| t.p < 0.05).map(|t| trend_words(t.factor_per_10mph.powf(per_ten(units)))),
        points => points,
    }
}

/// What becomes of a scatter that is multiplied by `factor`.
fn trend_words(factor: f64) -> String {
    if factor < 1.0 {
        format!("shrinks to {} of itself", fixed(factor, 2))
    } else {
        format!("grows by a factor of {}", fixed(factor, 2))
    }
}

/// What the chart's lines are. Where a ladder turns back by more than chance explains, its line goes through its means.
fn line_words(ladders: &[Ladder], names: &Names) -> String {
    const FORWARD: &str = "the nearest ladder that never turns back";
    let back: Vec<String> = ladders.iter().filter(|l| !l.monotone).map(|l| names.short(&l.setup)).collect();
    match back.as_slice() {
        [] => FORWARD.into(),
        all if all.len() == ladders.len() => "from mean to mean".into(),
        some => format!("{FORWARD}, but from mean to mean where one turns back ({})", some.join("; ")),
    }
}

/// The ladders: chart, legend, one table for each setup.
pub(in crate::report) fn ladders(study: &Study, names: &Names, voice: &Voice) -> Result<Value> {
    let description: Vec<String> = study.ladders.iter().map(|l| voice.say(&l.sentence)).collect();
    // Colours follow the names' order, which is that of the ladders.
    let chart = chart::ladders(&study.ladders, voice.units, &description.join(" "))?.map(|c| c.page());
    Ok(context! {
        chart => chart,
        shared => names.shared(),
        rows => study.ladders.iter().map(|l| ladder_row(l, names, voice)).collect::<Vec<_>>(),
        lines => line_words(&study.ladders, names),
    })
}

fn difference_row(label: String, mps: String, d: &Difference) -> Value {
    context! {
        label => label,
        mps => mps,
        difference => signed_plus_minus(d.difference_deg, reach(d.low_deg, d.high_deg), ANGLE_PLACES),
        interval => from_to(d.low_deg, d.high_deg, ANGLE_PLACES),
        verdict => verdict_words(d),
        class => verdict_class(d.verdict),
    }
}

fn comparison_group(c: &Comparison, units: Units) -> Value {
    let mut rows = Vec::new();
    let several = c.points.len() > 1;
    match c.points.as_slice() {
        [p] => rows.push(difference_row(units.speed_words(p.setpoint_mps), mps(p.setpoint_mps), &c.overall)),
        _ => rows.push(difference_row("Over the ladder".into(), String::new(), &c.overall)),
    }
    if several {
        rows.extend(
            c.points
                .iter()
                .map(|p| difference_row(units.speed_words(p.setpoint_mps), mps(p.setpoint_mps), &p.difference)),
        );
    }
    let trend = c.trend_deg_per_10mph.zip(c.trend_u_deg).map(|(t, u)| {
        let per = per_ten(units);
        signed_plus_minus(per * t, COVERAGE * per * u, ANGLE_PLACES)
    });
    context! { factor => c.factor.clone(), a => c.a.clone(), b => c.b.clone(), same => same_words(c), rows => rows, trend => trend }
}

/// The comparisons: chart, legend of verdicts, table; `None` when there are none.
pub(in crate::report) fn comparisons(study: &Study, voice: &Voice) -> Result<Option<Value>> {
    if study.comparisons.is_empty() {
        return Ok(None);
    }
    let description: Vec<String> = study.comparisons.iter().map(|c| voice.say(&c.overall.sentence)).collect();
    let legend: Vec<Value> = chart::VERDICTS
        .into_iter()
        .map(|(v, name)| context! { swatch => chart::verdict_swatch(v), name => name })
        .collect();
    Ok(Some(context! {
        chart => chart::comparisons(&study.comparisons, study.matters_deg, voice.units, &description.join(" "))?.map(|c| c.page()),
        matters => trimmed(study.matters_deg),
        smallest => study.smallest_seen_deg.map(|d| half(d, ANGLE_PLACES)),
        legend => legend,
        groups => study.comparisons.iter().map(|c| comparison_group(c, voice.units)).collect::<Vec<_>>(),
    }))
}

fn drift_words(s: &Steadiness) -> Option<String> {
    let (drift, low, high) = (s.drift_deg?, s.drift_low_deg?, s.drift_high_deg?);
    Some(signed_plus_minus(drift, reach(low, high), ANGLE_PLACES))
}

/// Machine steadiness and the session's scatters.
pub(in crate::report) fn steadiness(study: &Study, voice: &Voice) -> Result<Value> {
    let s = &study.steady;
    let sentence = voice.say(&s.sentence);
    let repeats: Vec<Value> = s
        .repeats
        .iter()
        .map(|r| {
            let odd = match (s.outside.contains(&r.volley), s.jumps.contains(&r.volley)) {
                (true, true) => "outside the limits, a jump",
                (true, false) => "outside the limits",
                (false, true) => "a jump",
                (false, false) => "",
            };
            context! {
                order => r.order,
                volley => r.volley.clone(),
                speed => voice.units.speed_number(r.setpoint_mps),
                away => crate::report::number::signed(r.away_deg, ANGLE_PLACES),
                odd => odd,
            }
        })
        .collect();
    let spreads = &study.spreads;
    let sd = |v: f64| fixed(v, ANGLE_PLACES);
    Ok(context! {
        chart => chart::repeats(s, &sentence)?.map(|c| c.page()),
        sentence => sentence,
        of_reference => s.of_reference,
        drift => drift_words(s),
        limits => s.limit_low_deg.zip(s.limit_high_deg).map(|(l, h)| from_to(l, h, ANGLE_PLACES)),
        repeats => repeats,
        within => spreads.within_deg.map(sd),
        measurement => sd(spreads.measurement_deg),
        between => (spreads.between_source != BetweenSource::Assumed || spreads.between_deg > 0.0).then(|| sd(spreads.between_deg)),
        between_sentence => voice.say(&spreads.sentence),
    })
}

/// Shots that do not sit with the others, of volleys that do not say so themselves.
pub(in crate::report) fn doubtful(study: &Study, volleys: &[VolleySummary]) -> Vec<Value> {
    let says = |v: &VolleySummary, d: &Doubtful| v.volley == d.volley && v.flags.contains(&FlagWord::DoubtfulShot);
    study
        .doubtful
        .iter()
        .filter(|d| !volleys.iter().any(|v| says(v, d)))
        .map(|d| {
            context! {
                volley => d.volley.clone(),
                release => fixed(d.release_deg, ANGLE_PLACES),
                median => fixed(d.median_deg, ANGLE_PLACES),
            }
        })
        .collect()
}

/// What the study covers, in one line.
pub(in crate::report) fn counts(study: &Study, units: Units) -> String {
    let c = &study.counts;
    let speeds: Vec<String> = study.setpoints_mps.iter().map(|v| units.speed_number(*v)).collect();
    let plural = |n: u64, one: &str| format!("{n} {one}{}", if n == 1 { "" } else { "s" });
    format!(
        "{} in {} of {} at {} {}",
        plural(c.shots, "shot"),
        plural(c.volleys as u64, "volley"),
        plural(c.setups as u64, "setup"),
        listed(&speeds),
        units.speed_word(),
    )
}
