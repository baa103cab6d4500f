//! `pockmark plan --geometry SESSION`: what lands on the wall, what a millimetre is worth, where to stand

use std::path::Path;

use pockmark::flight::geometry::{Distance, Geometry, Throw, Wanted, geometry};
use pockmark::flight::{FlightInputs, ReadAt};
use pockmark::pipeline::inputs::flight_inputs;
use pockmark::pipeline::read_wall;
use pockmark::report::Units;
use pockmark::report::lines::{Line, LineChart, line_chart};
use pockmark::session::impacts::UNSTATED_READING_U_M;
use pockmark::session::lock::{SessionLock, Work};
use pockmark::session::{Session, write_whole};
use pockmark::study::{MPH_PER_MPS, find_setpoints};
use pockmark::{Error, Result};
use serde_json::json;

use super::{Ended, progress, say};

/// Speeds looked at where volleys.csv has none, mph: the usual ladder.
const LADDER_MPH: [f64; 5] = [30.0, 40.0, 50.0, 60.0, 70.0];
/// Release angles looked at, deg: what heads and pockets throw, from none to a lot.
const RELEASES_DEG: [f64; 5] = [0.0, 5.0, 10.0, 15.0, 20.0];
/// Standard uncertainty of a mark's height from a photo, m: half a millimetre, as measured on rendered sessions, with
/// the calibration's part.
const PHOTO_MARK_U_M: f64 = 0.0007;
/// Half the height of a wall that nobody stated, m: a sheet of plywood on end.
const HALF_WALL_M: f64 = 1.2;
/// Distances tried: this far apart, up to the last, m.
const STEP_M: f64 = 0.25;
const LAST_M: f64 = 12.0;
/// Room between the arm's tip and the wall at the closest distance, m.
const LEAST_ROOM_M: f64 = 0.5;

/// What the answer rests on, in words.
struct Told {
    wanted: Wanted,
    notes: Vec<String>,
}

/// Prints what lands, what a millimetre is worth and which distance is best; draws `results/geometry.svg`.
pub fn run(session: &Path, json: bool) -> Result<Ended> {
    let session = Session::open(session)?;
    let mut spec = session.spec.clone();
    let mut more = Vec::new();
    if spec.machine.zero.is_none() {
        spec.machine.zero = Some(pockmark::quantity::Quantity::exact(0.0));
        more.push("[machine] zero is not stated (zero shots tell it): angles below count from upright, without the zero's doubt.".into());
    }
    let inputs = flight_inputs(&spec)?;
    let Told { wanted, mut notes } = told(&session, &inputs);
    notes.extend(more);
    let g = geometry(&inputs, &wanted)?;
    let units = Units::of(&session);
    let svg = line_chart(&chart(&g, &wanted, &inputs, units))?;
    let path = session.paths.results().join("geometry.svg");
    let lock = SessionLock::take(&session.paths, Work::Write, "plan --geometry", &progress)?;
    write_whole(&path, svg.as_bytes())?;
    drop(lock);
    if json {
        say(&(as_json(&g, &wanted, &notes) + "\n"))?;
    } else {
        say(&format!("{}wrote {}\n", describe(&g, &wanted, &inputs, units, &notes), path.display()))?;
    }
    Ok(Ended::Good)
}

fn told(session: &Session, inputs: &FlightInputs) -> Told {
    let mut notes = Vec::new();
    let rows = &session.volleys.rows;
    let read: Vec<f64> = rows.iter().filter_map(|r| r.setpoint_mps.or(r.speed_mps)).collect();
    let mut speeds_mps = find_setpoints(&read);
    if speeds_mps.is_empty() {
        speeds_mps = LADDER_MPH.iter().map(|v| v / MPH_PER_MPS).collect();
        notes.push("volleys.csv has no speeds yet: 30 to 70 mph are looked at.".to_string());
    }
    let sheets = read_wall(session).ok().map(|w| w.sheets).unwrap_or_default();
    let by_sheets = sheets
        .iter()
        .map(|s| 1e-3 * s.y_mm)
        .fold(None, |m: Option<(f64, f64)>, y| Some(m.map_or((y, y), |(l, h)| (l.min(y), h.max(y)))));
    let wall = &session.spec.wall;
    let (bottom, top) = by_sheets.filter(|(l, h)| h - l > 0.3).unwrap_or((-HALF_WALL_M, HALF_WALL_M));
    let wall_m = [wall.bottom.map_or(bottom, |q| q.value), wall.top.map_or(top, |q| q.value)];
    if wall.bottom.is_none() || wall.top.is_none() {
        let from = if by_sheets.is_some_and(|(l, h)| h - l > 0.3) {
            "the sheets' crosses stand for its ends"
        } else {
            "1.2 m below to 1.2 m above the origin is taken"
        };
        notes.push(format!("[wall] bottom and top are not stated: {from}."));
    }
    let by_hand = session.paths.impacts_csv().is_file() && !session.paths.wall_json().is_file();
    let mark_u_m = match (by_hand, session.spec.impacts.plus_minus_m) {
        (true, Some(h)) => 0.5 * h,
        (true, None) => UNSTATED_READING_U_M,
        (false, _) => PHOTO_MARK_U_M,
    };
    notes.push(format!(
        "A mark's height is taken as good to ± {:.1} mm, {}; the shots' own scatter is not in these numbers.",
        2e3 * mark_u_m,
        if by_hand { "read by hand" } else { "from a photo" }
    ));
    let reach_m = inputs.arm_m.value + inputs.diameter_m.value + LEAST_ROOM_M;
    let read_m = if let ReadAt::FromWall(m) = inputs.read_at { m + inputs.arm_m.value } else { 0.0 };
    let first = (reach_m.max(read_m) / STEP_M).ceil() * STEP_M;
    let distances_m = (0..).map(|i| first + STEP_M * f64::from(i)).take_while(|d| *d <= LAST_M).collect();
    let releases_rad = RELEASES_DEG.iter().map(|d| d.to_radians()).collect();
    Told { wanted: Wanted { wall_m, releases_rad, speeds_mps, mark_u_m, distances_m }, notes }
}

fn deg(rad: Option<f64>) -> String {
    rad.map_or("-".into(), |r| format!("{:.2}", r.to_degrees()))
}

/// The row of throws at one speed.
fn at_speed(g: &Geometry, speed_mps: f64) -> impl Iterator<Item = &Throw> {
    g.throws.iter().filter(move |t| t.speed_mps == speed_mps)
}

fn describe(g: &Geometry, wanted: &Wanted, inputs: &FlightInputs, units: Units, notes: &[String]) -> String {
    let [bottom, top] = wanted.wall_m;
    let out = inputs.pivot_out_m.value;
    let mut t = format!(
        "The wall from {:.0} mm to {:.0} mm above the origin, the pivot {out:.3} m before it and {:.0} mm above the origin.\n\n",
        1e3 * bottom,
        1e3 * top,
        1e3 * inputs.pivot_up_m.value
    );
    t += "Height of the mark, mm (in brackets: beside the wall; -: never gets there)\n  release";
    for v in &wanted.speeds_mps {
        t += &format!("{:>12}", units.speed_words(*v));
    }
    t += "\n";
    for &r in &wanted.releases_rad {
        t += &format!("{:>6.0} deg", r.to_degrees());
        for &v in &wanted.speeds_mps {
            let throw = at_speed(g, v).find(|t| t.release_rad == r);
            let cell = throw.and_then(|t| t.height_m.map(|h| (h, t.lands)));
            t += &format!(
                "{:>12}",
                match cell {
                    None => "-".to_string(),
                    Some((h, true)) => format!("{:.0}", 1e3 * h),
                    Some((h, false)) => format!("({:.0})", 1e3 * h),
                }
            );
        }
        t += "\n";
    }
    t += "\nspeed      lands from   to, deg   1 mm is worth   one shot's ±   made of (95 %)\n";
    for r in &g.reach {
        let parts: Vec<String> =
            r.parts.iter().take(3).map(|(n, u)| format!("{n} {:.2}", 2.0 * u.to_degrees())).collect();
        t += &format!(
            "{:<10} {:>10} {:>9} {:>15} {:>14}   {}\n",
            units.speed_words(r.speed_mps),
            deg(r.top_rad),
            deg(r.bottom_rad),
            r.rad_per_m.map_or("-".into(), |s| format!("{:.4} deg", s.abs().to_degrees() * 1e-3)),
            r.u_rad.map_or("-".into(), |u| format!("{:.2} deg", 2.0 * u.to_degrees())),
            parts.join(", ")
        );
    }
    t += "(The last three columns are for a mark in the middle of the wall.)\n\n";
    t += &best(g, wanted, units);
    for n in notes {
        t += &format!("{n}\n");
    }
    t
}

fn span_words(wanted: &Wanted, units: Units) -> String {
    let ends = |v: &[f64]| (v.iter().copied().fold(f64::MAX, f64::min), v.iter().copied().fold(f64::MIN, f64::max));
    let (r, v) = (ends(&wanted.releases_rad), ends(&wanted.speeds_mps));
    let (slow, fast) = (units.speed_number(v.0), units.speed_words(v.1));
    format!("{:.0} to {:.0} deg at {slow} to {fast}", r.0.to_degrees(), r.1.to_degrees())
}

fn half(d: &Distance) -> String {
    d.u_rad.map_or("-".into(), |u| format!("± {:.2} deg", 2.0 * u.to_degrees()))
}

/// Where to stand, in words.
fn best(g: &Geometry, wanted: &Wanted, units: Units) -> String {
    let what = span_words(wanted, units);
    let mut t = format!(
        "Here, {:.2} m: {}, {} of {} throws land ({what}).\n",
        g.here.pivot_out_m,
        half(&g.here),
        g.here.land,
        g.here.of
    );
    let at = |i: Option<usize>| i.and_then(|i| g.distances.get(i));
    if let Some(d) = at(g.best) {
        t += &format!(
            "Smallest ±: {:.2} m from pivot to wall: {}, {} of {} throws land.\n",
            d.pivot_out_m,
            half(d),
            d.land,
            d.of
        );
    }
    if let Some(d) = at(g.best_that_lands).filter(|_| g.best != g.best_that_lands) {
        t += &format!(
            "Smallest ± where most throws land: {:.2} m: {}, {} of {} throws land.\n",
            d.pivot_out_m,
            half(d),
            d.land,
            d.of
        );
    }
    t
}

fn chart(g: &Geometry, wanted: &Wanted, inputs: &FlightInputs, units: Units) -> LineChart {
    let lines = wanted
        .speeds_mps
        .iter()
        .enumerate()
        .map(|(k, v)| Line {
            name: units.speed_words(*v),
            points: g
                .distances
                .iter()
                .filter_map(|d| Some((d.pivot_out_m, 2.0 * d.by_speed_rad.get(k).copied().flatten()?.to_degrees())))
                .collect(),
            marks: false,
        })
        .collect();
    let mut uprights = vec![("here".to_string(), inputs.pivot_out_m.value)];
    if let Some(d) = g.best_that_lands.and_then(|i| g.distances.get(i)) {
        uprights.push(("smallest where most land".to_string(), d.pivot_out_m));
    }
    LineChart {
        title: "How well one shot's release angle is known, by distance".into(),
        x_title: "from pivot to wall, m".into(),
        y_title: "± (95 %), deg, without the shots' own scatter".into(),
        lines,
        uprights,
        ..LineChart::default()
    }
}

fn as_json(g: &Geometry, wanted: &Wanted, notes: &[String]) -> String {
    let deg = |r: Option<f64>| r.map(f64::to_degrees);
    let distance = |d: &Distance| {
        json!({
            "pivot_out_m": d.pivot_out_m, "u_deg": deg(d.u_rad), "throws_that_land": d.land, "throws": d.of,
            "u_by_speed_deg": d.by_speed_rad.iter().map(|u| deg(*u)).collect::<Vec<_>>(),
        })
    };
    let at = |i: Option<usize>| i.and_then(|i| g.distances.get(i)).map(&distance);
    let value = json!({
        "wall_m": wanted.wall_m,
        "speeds_mps": wanted.speeds_mps,
        "mark_u_mm": 1e3 * wanted.mark_u_m,
        "throws": g.throws.iter().map(|t| json!({
            "release_deg": t.release_rad.to_degrees(), "speed_mps": t.speed_mps, "height_mm": t.height_m.map(|h| 1e3 * h),
            "lands": t.lands, "deg_per_mm": deg(t.rad_per_m).map(|s| 1e-3 * s), "u_deg": deg(t.u_rad),
        })).collect::<Vec<_>>(),
        "reach": g.reach.iter().map(|r| json!({
            "speed_mps": r.speed_mps, "top_deg": deg(r.top_rad), "bottom_deg": deg(r.bottom_rad),
            "deg_per_mm": deg(r.rad_per_m).map(|s| 1e-3 * s), "u_deg": deg(r.u_rad),
            "parts": r.parts.iter().map(|(n, u)| json!({"name": n, "u_deg": u.to_degrees()})).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
        "here": distance(&g.here),
        "distances": g.distances.iter().map(&distance).collect::<Vec<_>>(),
        "best": at(g.best),
        "best_that_lands": at(g.best_that_lands),
        "notes": notes,
    });
    serde_json::to_string_pretty(&value).unwrap_or_else(|e| Error::no_answer(format!("no JSON ({e})")).to_string())
}
