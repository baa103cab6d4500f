//! What came out of each volley, and which need a person's eye?

use std::collections::BTreeMap;

use minijinja::context;
use minijinja::value::Value;

use super::{Names, flag_meanings, flag_words, mps};
use crate::error::{Result, counted};
use crate::report::chart;
use crate::report::model::{MarkSummary, VolleyPicture, VolleySummary};
use crate::report::number::{ANGLE_PLACES, NONE, fixed, places, with_u};
use crate::report::picture;
use crate::report::units::Units;
use crate::session::results::Status;

fn status_words(status: Status) -> &'static str {
    match status {
        Status::Ok => "in order",
        Status::Look => "needs a look",
        Status::Failed => "failed",
    }
}

/// The id of a volley's part of the page: by its place, since names may hold anything.
fn id(index: usize) -> String {
    format!("volley-{}", index + 1)
}

/// Why a volley needs a look: its note, or what its flags mean.
fn why(volley: &VolleySummary) -> String {
    if !volley.note.is_empty() {
        return volley.note.clone();
    }
    let of_marks = volley.marks.iter().flat_map(|m| &m.flags);
    let mut flags: Vec<_> = volley.flags.iter().chain(of_marks).filter(|f| f.makes_look()).collect();
    flags.sort_unstable();
    flags.dedup();
    if flags.is_empty() {
        return "No reason was recorded: look at its picture and its marks.".into();
    }
    flags.iter().map(|f| f.meaning()).collect::<Vec<_>>().join("; ")
}

/// The volleys that are not in order, in shooting order.
pub(in crate::report) fn needs_look(volleys: &[VolleySummary]) -> Vec<Value> {
    volleys
        .iter()
        .enumerate()
        .filter(|(_, v)| v.status != Status::Ok)
        .map(|(i, v)| {
            context! {
                id => id(i),
                volley => v.volley.clone(),
                status => status_words(v.status),
                class => v.status.word(),
                why => why(v),
            }
        })
        .collect()
}

fn mark_row(m: &MarkSummary, units: Units) -> Value {
    context! {
        mark => m.mark,
        count => m.count,
        x => units.length_with_u(m.x_mm, m.x_u_mm),
        y => units.length_with_u(m.y_mm, m.y_u_mm),
        release => with_u(m.release_deg, m.release_u_deg, ANGLE_PLACES),
        own => with_u(m.release_deg.and(m.release_u_own_deg).map(|u| u * crate::report::number::COVERAGE), None, ANGLE_PLACES),
        sideways => with_u(m.sideways_deg, m.sideways_u_deg, ANGLE_PLACES),
        diameter => m.diameter_mm.map_or_else(|| NONE.into(), |d| units.length_coarse(d)),
        flags => flag_words(&m.flags),
    }
}

/// A standard deviation of `n` values with the digits that its own relative doubt, 1 / sqrt(2 (n - 1)), leaves it.
fn spread(sd: f64, n: u32) -> String {
    let u = sd / (2.0 * f64::from(n.max(2) - 1)).sqrt();
    fixed(sd, places(crate::report::number::COVERAGE * u, ANGLE_PLACES))
}

/// A mean place, with its ± where it is known.
fn mean_place(mm: f64, u_mm: Option<f64>, units: Units) -> String {
    if u_mm.is_some() { units.length_with_u(Some(mm), u_mm) } else { units.length_coarse(mm) }
}

fn volley_view(i: usize, v: &VolleySummary, names: &Names, units: Units, picture: Option<&VolleyPicture>) -> Value {
    let speed = v.setpoint_mps.or(v.speed_mps);
    let pictures = picture.and_then(|p| picture::view(p, v, &format!("picture-{}", i + 1)));
    context! {
        id => id(i),
        volley => v.volley.clone(),
        setup => names.short(&v.setup),
        status => status_words(v.status),
        class => v.status.word(),
        note => v.note.clone(),
        flags => flag_words(&v.flags),
        speed => speed.map(|s| units.speed_words(s)),
        read => v.speed_mps.map(|s| format!("{} {}", fixed(units.speed(s), 1), units.speed_word())),
        read_mps => v.speed_mps.map(mps),
        shots => v.shots,
        found => v.found,
        photo => v.photo.clone(),
        before_photo => v.before.clone(),
        release => v.mean_release_deg.map(|d| with_u(Some(d), v.mean_release_u_deg, ANGLE_PLACES)),
        spread => v.spread_release_deg.map(|s| spread(s, v.found)),
        mean_x => v.mean_x_mm.map(|x| mean_place(x, v.mean_x_u_mm, units)),
        mean_y => v.mean_y_mm.map(|y| mean_place(y, v.mean_y_u_mm, units)),
        pose => v.pose_rms_px.map(|r| fixed(r, 2)),
        pose_sheets => crate::error::listed(&v.pose_sheets),
        pictures => pictures,
        marks => v.marks.iter().map(|m| mark_row(m, units)).collect::<Vec<_>>(),
    }
}

/// What the volleys' part of the page is made of.
struct Volleys {
    volleys: Vec<VolleySummary>,
    names: Names,
    units: Units,
    pictures: BTreeMap<String, VolleyPicture>,
}

/// Every volley with its pictures and marks, each put into words only when the page comes to it: all at once they are as large as the page.
pub(in crate::report) fn volleys(
    volleys: &[VolleySummary],
    names: &Names,
    units: Units,
    pictures: &[VolleyPicture],
) -> Option<Value> {
    let pictures = pictures.iter().rev().map(|p| (p.volley.clone(), p.clone())).collect();
    let all = Volleys { volleys: volleys.to_vec(), names: names.clone(), units, pictures };
    (!volleys.is_empty()).then(|| {
        Value::make_object_iterable(all, |all| {
            let view =
                |(i, v): (usize, &VolleySummary)| volley_view(i, v, &all.names, all.units, all.pictures.get(&v.volley));
            Box::new(all.volleys.iter().enumerate().map(view))
        })
    })
}

/// The map of all marks with its legend; `None` when there is no mark.
pub(in crate::report) fn wall(volleys: &[VolleySummary], names: &Names, units: Units) -> Result<Option<Value>> {
    let marks: usize = volleys.iter().map(|v| v.marks.len()).sum();
    let description = format!(
        "{} of {}, facing the wall; the volley tables hold every place.",
        counted(marks, "mark"),
        counted(volleys.iter().filter(|v| !v.marks.is_empty()).count(), "volley")
    );
    let Some(chart) = chart::wall(volleys, &|v| names.series(&v.setup), units, &description)? else { return Ok(None) };
    let legend: Vec<Value> = names
        .setups()
        .iter()
        .map(|s| context! { swatch => chart::swatch(names.series(s), false), name => names.short(s) })
        .collect();
    Ok(Some(context! { chart => chart.page(), legend => legend, ellipse_sd => fixed(chart::ELLIPSE_SD, 0) }))
}

/// What the flags on the page mean, each once.
pub(in crate::report) fn meanings(volleys: &[VolleySummary]) -> Vec<Value> {
    flag_meanings(volleys.iter().flat_map(|v| v.flags.iter().chain(v.marks.iter().flat_map(|m| &m.flags))))
}
