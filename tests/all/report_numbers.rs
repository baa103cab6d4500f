//! Does every number that the page shows come from summary.json?
//!
//! All numbers of a page's running text and tables are followed back: each must be a number of the summary (or one of few
//! things made of it: twice a u, half an interval, a speed in other units), rounded to the digits shown. That the search can
//! fail is shown on the same page with a summary whose numbers were changed by some per mille.

use crate::common::report::{calibrated, rows};
use pockmark::report::label::labels;
use pockmark::report::units::{LengthUnit, SpeedUnit};
use pockmark::report::{Summary, Units, charts, page};
use serde_json::Value;

/// Numbers of a JSON value, and what the page may make of them.
fn numbers(v: &Value, all: &mut Vec<f64>) {
    match v {
        Value::Number(n) => all.extend(n.as_f64()),
        Value::Array(a) => a.iter().for_each(|v| numbers(v, all)),
        Value::Object(o) => {
            o.values().for_each(|v| numbers(v, all));
            let get = |k: &str| o.get(k).and_then(Value::as_f64);
            if let (Some(low), Some(high)) = (get("low_deg"), get("high_deg")) {
                all.push(0.5 * (high - low));
            }
            if let (Some(stated), Some(fitted)) = (get("stated_mm"), get("fitted_mm")) {
                all.push(stated - fitted);
            }
            if let (Some(u), Some(n)) = (get("spread_release_deg"), get("found")) {
                // A spread's own doubt sets its digits, not its value.
                all.extend([u, n]);
            }
            if let Some(Value::Array(scales)) = o.get("printed_scale") {
                all.extend(scales.iter().filter_map(Value::as_f64).map(|s| (100.0 * (s - 1.0)).abs()));
            }
            if let Some(Value::Array(lines)) = o.get("lines") {
                let parts = || lines.iter().filter_map(|l| l.get("u_deg")?.as_f64()).chain(get("u_own_deg"));
                let whole: f64 = parts().map(|u| u * u).sum();
                all.extend(parts().map(|u| 100.0 * u * u / whole));
            }
        }
        Value::String(s) => all.extend(shown(s).into_iter().map(|(v, _)| v)),
        Value::Null | Value::Bool(_) => {}
    }
}

/// Numbers of a text with their decimals; signs are left away, since a dash may be either.
fn shown(text: &str) -> Vec<(f64, usize)> {
    let mut out = Vec::new();
    let mut word = String::new();
    for c in text.chars().chain([' ']) {
        if c.is_ascii_digit() || (c == '.' && !word.is_empty()) {
            word.push(c);
            continue;
        }
        let number = word.trim_end_matches('.');
        if let Ok(v) = number.parse::<f64>() {
            out.push((v, number.split_once('.').map_or(0, |(_, d)| d.len())));
        }
        word.clear();
    }
    out
}

/// The page's text without styles, drawings, the prose that explains, and hashes.
fn text(html: &str) -> String {
    let body = html.split_once("</header>").unwrap().1;
    let body = body.split_once("<section id=\"cautions\"").unwrap().0;
    let mut kept = String::new();
    let mut rest = body;
    for (from, to) in std::iter::repeat_n(("<svg", "</svg>"), body.matches("<svg").count()) {
        let Some((before, after)) = rest.split_once(from) else { break };
        kept += before;
        rest = after.split_once(to).unwrap().1;
    }
    kept += rest;
    let mut plain = String::new();
    let mut inside = false;
    for line in kept.lines().filter(|l| !l.contains("class=\"reading\"") && !l.contains("between 12.06 and")) {
        for c in line.chars().chain(['\n']) {
            match c {
                '<' => inside = true,
                '>' => {
                    inside = false;
                    plain.push(' ');
                }
                c if !inside => plain.push(c),
                _ => {}
            }
        }
    }
    // Words of the page that hold numbers of their own.
    ["95 %", "k = 2", "2 standard deviations", "Student", "each 10 mph", "Each 10 mph"]
        .iter()
        .fold(plain, |t, w| t.replace(w, " "))
}

fn value(summary: &Summary) -> Value {
    serde_json::from_str(&summary.to_json().unwrap()).unwrap()
}

/// How many of the numbers shown cannot be followed to the summary, of those with at least `least` digits.
fn lost(html: &str, summary: &Summary, least: usize) -> (Vec<String>, usize) {
    let mut all = Vec::new();
    numbers(&value(summary), &mut all);
    let units = summary.units;
    let made: Vec<f64> =
        all.iter().flat_map(|v| [*v, 2.0 * v, units.speed(*v), units.length(*v), 2.0 * units.length(*v)]).collect();
    let mut sorted: Vec<f64> = made.into_iter().map(f64::abs).filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let follows = |v: f64, d: usize| {
        // Half widths may be rounded up by all but a twentieth of a step.
        let step = 10f64.powi(-(d as i32));
        let from = sorted.partition_point(|s| *s < v - 0.96 * step);
        sorted.get(from).is_some_and(|s| *s <= v + 0.5001 * step)
    };
    let numbers: Vec<(f64, usize)> = shown(&text(html))
        .into_iter()
        .filter(|(v, d)| format!("{v:.d$}").bytes().filter(u8::is_ascii_digit).count() >= least)
        .collect();
    let lost = numbers.iter().filter(|(v, d)| !follows(*v, *d)).map(|(v, d)| format!("{v:.d$}")).collect();
    (lost, numbers.len())
}

#[test]
fn every_number_of_the_page_is_the_summarys() {
    for units in [
        Units::default(),
        Units { speed: SpeedUnit::Kmh, length: LengthUnit::Inch },
        Units { speed: SpeedUnit::Mps, length: LengthUnit::Mm },
    ] {
        let summary = Summary { units, ..calibrated() };
        let html = page(&summary, &[]).unwrap();
        let (gone, n) = lost(&html, &summary, 1);
        assert!(n > 500, "only {n} numbers were found");
        assert!(gone.is_empty(), "{units:?}: {} of {n} numbers are not the summary's: {gone:?}", gone.len());
    }
}

#[test]
fn a_page_of_other_numbers_is_found_out() {
    fn change(v: &mut Value) {
        match v {
            Value::Number(n) if n.is_f64() => {
                let changed = n.as_f64().map(|v| v * 1.037 + 0.0173).and_then(serde_json::Number::from_f64);
                *v = changed.map_or(Value::Null, Value::Number);
            }
            Value::Array(a) => a.iter_mut().for_each(change),
            Value::Object(o) => o.values_mut().for_each(change),
            _ => {}
        }
    }
    let summary = calibrated();
    let html = page(&summary, &[]).unwrap();
    let mut other = value(&summary);
    change(&mut other);
    let other = Summary::from_json(&other.to_string()).unwrap();
    // Numbers of four digits and more: a short one is near some other number by chance.
    let (gone, n) = lost(&html, &other, 4);
    println!("{} of {n} numbers of four digits are missed", gone.len());
    assert!(n > 40 && 4 * gone.len() > 3 * n, "{} of {n}", gone.len());
}

#[test]
fn the_calibrations_checks_are_the_summarys() {
    let html = page(&calibrated(), &[]).unwrap();
    let rows = rows(&html, "checks");
    assert_eq!(rows[0], ["tape, sheets 1 and 2", "2190.2 ± 1.1", "2190.4", "\u{2212}0.2", ""]);
    // 150.21 less 148.87 is far beyond 0.24: the person is told.
    assert_eq!(rows[1][..4], ["bar across", "150.2 ± 0.3", "148.9", "+1.3"]);
    assert!(rows[1][4].contains("measure it again"));
    assert!(html.contains("id=\"residuals-h\"") && html.contains("id=\"trust-h\"") && html.contains("within ± 0.2 mm"));
}

#[test]
fn a_summary_of_an_older_program_still_reads() {
    let mut old = value(&calibrated());
    let gone = ["units", "measured_on", "residuals", "trust_map", "checks", "mean_x_u_mm", "mean_y_u_mm", "view"];
    fn without(v: &mut Value, gone: &[&str]) {
        match v {
            Value::Array(a) => a.iter_mut().for_each(|v| without(v, gone)),
            Value::Object(o) => {
                o.retain(|k, _| !gone.contains(&k.as_str()));
                o.values_mut().for_each(|v| without(v, gone));
            }
            _ => {}
        }
    }
    without(&mut old, &gone);
    let summary = Summary::from_json(&old.to_string()).unwrap();
    assert!(page(&summary, &[]).unwrap().contains("mph"));
}

#[test]
fn charts_stand_alone_as_drawings_and_pictures() {
    for theme in [pockmark::report::Theme::Light, pockmark::report::Theme::Dark] {
        let all = charts(&calibrated(), theme).unwrap();
        let names: Vec<&str> = all.iter().map(|c| c.name.as_str()).collect();
        assert_eq!(names, ["ladder", "compare", "wall", "budget", "sheets", "residuals", "trust"]);
        for c in &all {
            assert!(
                !c.svg.contains("var(--") && !c.svg.contains("currentColor"),
                "{}: a colour of the page is left",
                c.name
            );
            assert!(!c.svg.contains("=\"#0101") && !c.svg.contains("=\"#0100"), "{}: a token is left", c.name);
            assert!(c.svg.contains("<title>") && c.svg.contains("A session"));
            let picture = image::load_from_memory(&c.png).unwrap().to_rgb8();
            assert_eq!(picture.dimensions(), (1920, 1080));
            // Something is drawn: not all of one colour, and the corner is the background's.
            let corner = *picture.get_pixel(2, 2);
            let drawn = picture.pixels().filter(|p| **p != corner).count();
            assert!(drawn > 5000, "{}: {drawn} pixels", c.name);
        }
    }
}

#[test]
fn labels_say_what_the_summary_says() {
    let summary = calibrated();
    let study = summary.study.as_ref().unwrap();
    let labels = labels(&summary);
    assert_eq!(labels.len(), study.ladders.len());
    for (label, ladder) in labels.iter().zip(&study.ladders) {
        assert_eq!(label.setup, ladder.setup.words());
        for (row, p) in label.rows.iter().zip(&ladder.points) {
            let read = shown(&row.angle);
            let step = 10f64.powi(-(read[0].1 as i32));
            assert!((read[0].0 - p.mean_deg.abs()).abs() <= 0.5001 * step, "{} for {}", row.angle, p.mean_deg);
            assert_eq!(row.angle.starts_with('\u{2212}'), p.mean_deg < -0.5 * step);
            let half = 0.5 * (p.high_deg - p.low_deg);
            assert!(read[1].0 >= 0.95 * half && read[1].0 <= half + step, "{} for ± {half}", row.angle);
            assert_eq!(row.speed, summary.units.speed_words(p.setpoint_mps));
        }
        if let Some(v) = ladder.zero_speed_mps {
            assert!(label.lets_go.contains(&summary.units.speed_words(v)), "{}", label.lets_go);
        }
    }
}
