//! What do the results rest on: doubts, calibration, files?

use minijinja::context;
use minijinja::value::Value;

use super::{Names, Voice, half, trimmed_to};
use crate::camera::wall::WallQuality;
use crate::error::Result;
use crate::error::listed;
use crate::marks::shape::MarkShape;
use crate::report::chart;
use crate::report::model::{Budget, CalibrationSummary, FileHash, Summary, VolleySummary};
use crate::report::number::{ANGLE_PLACES, COVERAGE, fixed};
use crate::report::units::Units;

/// What the picture of residuals shows, in words.
const RESIDUALS: &str = "One frame for each calibration photo, with a stroke from each corner as long and in the direction of what is left.";
/// Contributions below this share of the variance are not listed: all of them together change U by less than it is rounded.
const LEAST_SHARE: f64 = 0.005;

fn budget_row(b: &Budget, names: &Names, voice: &Voice) -> Value {
    let whole = b.u_own_deg.powi(2) + b.lines.iter().map(|l| l.u_deg.powi(2)).sum::<f64>();
    let all = std::iter::once((chart::OWN, b.u_own_deg)).chain(b.lines.iter().map(|l| (l.name.as_str(), l.u_deg)));
    let lines: Vec<Value> = all
        .filter(|(_, u)| whole > 0.0 && u * u >= LEAST_SHARE * whole)
        .map(|(name, u)| {
            context! {
                name => name,
                half => half(b.coverage * u, ANGLE_PLACES),
                share => fixed(100.0 * u * u / whole, 0),
            }
        })
        .collect();
    context! {
        setup => names.short(&b.setup),
        speed => voice.units.speed_words(b.setpoint_mps),
        half => half(b.coverage * b.u_deg, ANGLE_PLACES),
        lines => lines,
        advice => voice.say(&b.advice),
    }
}

/// Setup by setup, as the ladders, and slow before fast: the session may have mixed them.
pub(in crate::report) fn in_order(budgets: &[Budget], names: &Names) -> Vec<Budget> {
    let mut sorted = budgets.to_vec();
    sorted.sort_by(|a, b| {
        let place = |x: &Budget| names.series(&x.setup);
        place(a).cmp(&place(b)).then(a.setpoint_mps.total_cmp(&b.setpoint_mps))
    });
    sorted
}

/// The budgets: chart, legend, table, and each piece of advice once; `None` when there are none.
pub(in crate::report) fn budgets(budgets: &[Budget], names: &Names, voice: &Voice) -> Result<Option<Value>> {
    if budgets.is_empty() {
        return Ok(None);
    }
    let sorted = in_order(budgets, names);
    let budgets = sorted.as_slice();
    let parts = chart::parts(budgets);
    let mut advice: Vec<String> = Vec::new();
    for b in budgets.iter().filter(|b| !b.advice.is_empty()) {
        let said = voice.say(&b.advice);
        if !advice.contains(&said) {
            advice.push(said);
        }
    }
    let legend: Vec<Value> = parts
        .names
        .iter()
        .enumerate()
        .map(|(i, name)| context! { number => i + 1, class => format!("fill-s{i}"), name => name.clone() })
        .chain(parts.rest.then(|| context! { number => "", class => "fill-rest", name => "all others" }))
        .collect();
    let description =
        "Bars as long as the ± of each setpoint's mean, parted by each source's share; the table below lists them.";
    Ok(Some(context! {
        chart => chart::budgets(budgets, &parts, names, voice.units, description)?.map(|c| c.page()),
        legend => legend,
        rows => budgets.iter().map(|b| budget_row(b, names, voice)).collect::<Vec<_>>(),
        advice => advice,
    }))
}

fn photos(quality: &WallQuality) -> Vec<Value> {
    quality
        .photos
        .iter()
        .map(|p| {
            context! {
                photo => p.photo.clone(),
                corners => p.corners,
                dropped => p.dropped,
                rms => p.rms_px.map(|r| fixed(r, 2)),
                left_out => p.left_out.clone(),
            }
        })
        .collect()
}

fn tapes(quality: &WallQuality, units: Units) -> Vec<Value> {
    quality
        .tapes
        .iter()
        .map(|t| {
            context! {
                sheets => format!("{} to {}", t.sheets[0], t.sheets[1]),
                distance => units.length_with_u(Some(t.distance_mm), Some(t.u_mm)),
                off => units.length_signed(t.off_mm),
                far => t.off_mm.abs() > COVERAGE * t.u_mm,
            }
        })
        .collect()
}

/// Lengths measured by hand against the adjustment.
fn checks(c: &CalibrationSummary, units: Units) -> Vec<Value> {
    c.quality
        .checks
        .iter()
        .map(|k| {
            let off_mm = k.stated_mm - k.fitted_mm;
            context! {
                what => k.what.clone(),
                stated => units.length_with_u(Some(k.stated_mm), Some(k.u_mm)),
                fitted => fixed(units.length(k.fitted_mm), units.length_places()),
                off => units.length_signed(off_mm),
                far => off_mm.abs() > COVERAGE * k.u_mm,
            }
        })
        .collect()
}

/// The steps of a map in words.
pub(in crate::report) fn step_words(steps: &chart::Steps, c: &CalibrationSummary, units: Units) -> Vec<String> {
    let unit = units.length_word();
    let words = |mm: f64| format!("{} {unit}", trimmed_to(units.length(mm), units.length_places() + 1));
    (0..steps.len())
        .map(|i| match (i.checked_sub(1).and_then(|j| steps.limits_mm.get(j)), steps.limits_mm.get(i)) {
            (_, Some(limit)) => format!("within ± {}", words(*limit)),
            (Some(limit), None) => format!("worse than ± {}", words(*limit)),
            (None, None) => {
                match c.quality.trust_map.as_ref().and_then(|m| m.u_mm.iter().flatten().copied().reduce(f64::max)) {
                    Some(u) => {
                        format!("within ± {} {unit}", fixed(units.length(COVERAGE * u), units.length_places() + 1))
                    }
                    None => "all alike".into(),
                }
            }
        })
        .collect()
}

/// The map of trust with its steps in words.
fn trust(c: &CalibrationSummary, volleys: &[VolleySummary], units: Units) -> Result<Option<Value>> {
    let Some(steps) = c.quality.trust_map.as_ref().and_then(|m| chart::steps(m, units)) else { return Ok(None) };
    let said = step_words(&steps, c, units);
    let legend: Vec<Value> = said
        .iter()
        .enumerate()
        .map(|(i, name)| context! { darkness => format!("{:.3}", steps.darkness(i)), name => name.clone() })
        .collect();
    let description = format!(
        "A map of the wall in {} steps from well to less well known: {}. Crosses: sheets. Small marks: balls.",
        steps.len(),
        said.join(", ")
    );
    let chart = chart::trust(c, volleys, units, &description)?.map(|c| c.page());
    Ok(chart.map(|chart| context! { chart => chart, legend => legend }))
}

/// How far a printed scale is from what was drawn, in words.
fn scale_words(scale: f64) -> String {
    let percent = fixed((100.0 * (scale - 1.0)).abs(), 2);
    match percent.as_str() {
        "0.00" => "as drawn".into(),
        _ if scale > 1.0 => format!("{percent} % too large"),
        _ => format!("{percent} % too small"),
    }
}

/// Which volleys a calibration holds for, in words: it holds for all rows from some photo to some other.
fn volley_words(volleys: &[&str]) -> String {
    match volleys {
        [] => "no volley".into(),
        [one] => format!("volley {one}"),
        [first, .., last] => format!("volleys {first} to {last}"),
    }
}

/// The calibration: quality, photos, sheets with their map, tapes; nothing for impacts measured by hand.
pub(in crate::report) fn calibration(summary: &Summary, units: Units) -> Result<Option<Value>> {
    let Some(c) = &summary.calibration else { return Ok(None) };
    let numbers: Vec<usize> = c.sheets.iter().map(|s| s.number).collect();
    let description =
        format!("Sheets {} as seen facing the wall; the table below holds their places.", listed(&numbers));
    let later: Vec<&String> = summary.later_calibrations.iter().flat_map(|l| &l.volleys).collect();
    let own: Vec<&str> = summary.volleys.iter().map(|v| v.volley.as_str()).collect();
    let own: Vec<&str> = own.into_iter().filter(|v| !later.iter().any(|l| l.as_str() == *v)).collect();
    let holds = (!later.is_empty())
        .then(|| format!("Made again in the middle of the day: this one holds for {}.", volley_words(&own)));
    Ok(Some(context! {
        holds => holds,
        map => chart::sheets(c, units, &description)?.map(|c| c.page()),
        residuals => chart::residuals(c, RESIDUALS)?.map(|c| c.page()),
        trust => trust(c, &summary.volleys, units)?,
        ..numbers_of(c, units)
    }))
}

/// The calibrations repeated in the middle of the session.
pub(in crate::report) fn later_calibrations(summary: &Summary, units: Units) -> Vec<Value> {
    let all = summary.later_calibrations.iter().map(|l| {
        let volleys: Vec<&str> = l.volleys.iter().map(String::as_str).collect();
        let holds = match &l.photo {
            Some(photo) => format!("Holds from {photo} on: {}.", volley_words(&volleys)),
            None => "Taken after all photos: not used.".into(),
        };
        context! { number => l.number, holds => holds, calibration => numbers_of(&l.calibration, units) }
    });
    all.collect()
}

/// A calibration's numbers and tables.
fn numbers_of(c: &CalibrationSummary, units: Units) -> Value {
    let q = &c.quality;
    let sheets: Vec<Value> = c
        .sheets
        .iter()
        .map(|s| {
            context! {
                number => s.number,
                x => units.length_with_u(Some(s.x_mm), Some(s.x_u_mm)),
                y => units.length_with_u(Some(s.y_mm), Some(s.y_u_mm)),
                turn => fixed(s.turn_deg, 2),
            }
        })
        .collect();
    let used = q.photos.iter().filter(|p| p.left_out.is_none()).count();
    context! {
        rms => fixed(q.rms_px, 2),
        unit_u => fixed(q.unit_u, 2),
        corners => q.corners,
        used => used,
        left_out => q.photos.len() - used,
        terms => listed(&q.lens_terms),
        width => c.camera.width,
        height => c.camera.height,
        across => scale_words(c.printed_scale[0]),
        down => scale_words(c.printed_scale[1]),
        checks => checks(c, units),
        photos => photos(q),
        sheets => sheets,
        tapes => tapes(q, units),
    }
}

/// Files and their hashes.
pub(in crate::report) fn files(files: &[FileHash]) -> Vec<Value> {
    files.iter().map(|f| context! { path => f.path.clone(), sha256 => f.sha256.clone() }).collect()
}

/// What the session's marks look like, in numbers.
pub(in crate::report) fn mark_shape(shape: &MarkShape, units: Units) -> Value {
    let (radius, sd) = shape.radius_mm;
    context! {
        diameter => units.length_coarse(2.0 * radius),
        sd => units.length_coarse(2.0 * sd),
        learned_from => shape.learned_from,
    }
}
