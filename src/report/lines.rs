//! How is a plain chart of lines drawn as a file of its own?
//!
//! The page's charts follow the page's colours; this one stands alone (a figure beside a table, figures of the documents), so its
//! colours are fixed and read on white paper.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::error::{Error, Result};

/// Okabe and Ito's colours that stand off white paper, then black, crimson, grey.
const COLOURS: [RGBColor; 8] = [
    RGBColor(0, 114, 178),
    RGBColor(213, 94, 0),
    RGBColor(0, 130, 95),
    RGBColor(160, 80, 130),
    RGBColor(130, 100, 0),
    RGBColor(0, 0, 0),
    RGBColor(190, 30, 60),
    RGBColor(110, 110, 110),
];
const SIZE_PX: (u32, u32) = (760, 460);
/// Canvas pixels for each pixel shown: shapes are drawn on whole pixels only, a quarter is not seen.
const FINE: i32 = 4;
/// Font sizes are divided by this when they are written as SVG.
const FONT_DIVISOR: f64 = 1.24;
const INK: RGBColor = RGBColor(40, 40, 40);
const GRID: RGBColor = RGBColor(222, 222, 222);

/// One line of a chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Its name, written at its end.
    pub name: String,
    /// Its points.
    pub points: Vec<(f64, f64)>,
    /// Drawn as marks instead of a line.
    pub marks: bool,
}

/// A chart of lines.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LineChart {
    /// Above it.
    pub title: String,
    /// Below the axis across.
    pub x_title: String,
    /// Above the axis upwards.
    pub y_title: String,
    /// The lines.
    pub lines: Vec<Line>,
    /// Level limits to show as thin lines, with names.
    pub levels: Vec<(String, f64)>,
    /// Upright places to show as thin lines, with names.
    pub uprights: Vec<(String, f64)>,
    /// The vertical axis' limits, where they are to be fixed.
    pub y_range: Option<(f64, f64)>,
}

/// Draws a chart as SVG text.
///
/// # Errors
/// Nothing to draw.
pub fn line_chart(chart: &LineChart) -> Result<String> {
    let finite = |p: &&(f64, f64)| p.0.is_finite() && p.1.is_finite();
    let points: Vec<(f64, f64)> = chart.lines.iter().flat_map(|l| l.points.iter().filter(finite)).copied().collect();
    let span = |values: &mut dyn Iterator<Item = f64>| {
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)))
    };
    let (x_low, x_high) = span(&mut points.iter().map(|p| p.0).chain(chart.uprights.iter().map(|u| u.1)));
    let (y_low, y_high) =
        chart.y_range.unwrap_or_else(|| span(&mut points.iter().map(|p| p.1).chain(chart.levels.iter().map(|l| l.1))));
    if !(x_low < x_high && y_low <= y_high) {
        return Err(Error::no_answer(format!("nothing to draw in \"{}\": the tables hold what there is", chart.title)));
    }
    let pad = if chart.y_range.is_some() { 0.0 } else { 0.06 * (y_high - y_low).max(1e-9) };
    let mut text = String::new();
    draw(chart, &mut text, (x_low, x_high), (y_low - pad, y_high + pad))
        .map_err(|e| Error::no_answer(format!("cannot draw \"{}\" ({e})", chart.title)))?;
    let (w, h) = SIZE_PX;
    let fine = |px: u32| px * FINE as u32;
    Ok(text.replacen(
        &format!("width=\"{}\" height=\"{}\"", fine(w), fine(h)),
        &format!("width=\"{w}\" height=\"{h}\""),
        1,
    ))
}

/// Digits that axis labels over a span need.
fn label(value: f64, span: f64) -> String {
    let decimals = if span < 0.5 { 2 } else { usize::from(span < 8.0) };
    crate::report::number::fixed(value, decimals)
}

type Drawn = std::result::Result<(), DrawingAreaErrorKind<std::io::Error>>;

fn draw(chart: &LineChart, text: &mut String, x: (f64, f64), y: (f64, f64)) -> Drawn {
    let size = (SIZE_PX.0 * FINE as u32, SIZE_PX.1 * FINE as u32);
    let root = SVGBackend::with_string(text, size).into_drawing_area();
    root.fill(&WHITE)?;
    let sized = |px: f64| ("sans-serif", px * f64::from(FINE) * FONT_DIVISOR).into_font();
    let font = |px: f64| sized(px).color(&INK);
    let stroke = |colour: RGBAColor, px: f64| colour.stroke_width((px * f64::from(FINE)) as u32);
    let letters = chart.lines.iter().filter(|l| !l.marks).map(|l| l.name.chars().count()).max().unwrap_or(0);
    root.draw(&Text::new(chart.title.clone(), (12 * FINE, 10 * FINE), font(15.0)))?;
    root.draw(&Text::new(chart.y_title.clone(), (12 * FINE, 34 * FINE), font(12.5)))?;
    let inner = root.margin(56 * FINE, 8 * FINE, 8 * FINE, (12 + 7 * letters as i32) * FINE);
    let mut plot = ChartBuilder::on(&inner)
        .x_label_area_size(44 * FINE)
        .y_label_area_size(50 * FINE)
        .build_cartesian_2d(x.0..x.1, y.0..y.1)?;
    plot.configure_mesh()
        .max_light_lines(0)
        .bold_line_style(stroke(GRID.to_rgba(), 1.0))
        .axis_style(stroke(INK.to_rgba(), 1.0))
        .set_all_tick_mark_size(4 * FINE)
        .label_style(font(12.0))
        .axis_desc_style(font(12.5))
        .x_desc(chart.x_title.clone())
        .x_labels(9)
        .y_labels(8)
        .x_label_formatter(&|v| label(*v, x.1 - x.0))
        .y_label_formatter(&|v| label(*v, y.1 - y.0))
        .draw()?;
    for (name, at) in &chart.levels {
        plot.draw_series(LineSeries::new([(x.0, *at), (x.1, *at)], stroke(INK.mix(0.6), 1.0)))?;
        let (px, py) = plot.backend_coord(&(x.1, *at));
        let style = font(11.5).pos(Pos::new(HPos::Right, VPos::Bottom));
        root.draw(&Text::new(name.clone(), (px - 4 * FINE, py - 3 * FINE), style))?;
    }
    for (k, (name, at)) in chart.uprights.iter().enumerate() {
        plot.draw_series(LineSeries::new([(*at, y.0), (*at, y.1)], stroke(INK.mix(0.6), 1.0)))?;
        let (px, py) = plot.backend_coord(&(*at, y.1));
        // To the side where there is more room.
        let left = *at > 0.5 * (x.0 + x.1);
        let (h, by) = if left { (HPos::Right, -4 * FINE) } else { (HPos::Left, 4 * FINE) };
        // One below the other, so that names of lines close together can be read.
        let down = (2 + 15 * k as i32) * FINE;
        root.draw(&Text::new(name.clone(), (px + by, py + down), font(11.5).pos(Pos::new(h, VPos::Top))))?;
    }
    let mut ends: Vec<(i32, i32, &str, RGBColor)> = Vec::new();
    for (i, line) in chart.lines.iter().enumerate() {
        let colour = COLOURS.get(i % COLOURS.len()).copied().unwrap_or(BLACK);
        let inside = |p: &(f64, f64)| p.0.is_finite() && (y.0..=y.1).contains(&p.1);
        // What lies outside parts the line: it is not drawn across.
        for part in line.points.split(|p| !inside(p)).filter(|p| !p.is_empty()) {
            if line.marks {
                plot.draw_series(part.iter().map(|p| Circle::new(*p, 3 * FINE, colour.filled())))?;
            } else {
                plot.draw_series(LineSeries::new(part.iter().copied(), stroke(colour.to_rgba(), 2.0)))?;
            }
        }
        if let (Some(last), false) = (line.points.iter().rfind(|p| inside(p)), line.marks) {
            let at = plot.backend_coord(last);
            ends.push((at.0, at.1, &line.name, colour));
        }
    }
    // Names at the lines' ends, pushed apart where they would cover each other.
    ends.sort_by_key(|e| e.1);
    let mut least = i32::MIN;
    for (px, py, name, colour) in ends {
        let py = py.max(least);
        least = py + 14 * FINE;
        let style = sized(12.0).color(&colour).pos(Pos::new(HPos::Left, VPos::Center));
        root.draw(&Text::new(name.to_string(), (px + 6 * FINE, py), style))?;
    }
    root.present()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chart_holds_its_words_and_an_empty_one_is_refused() {
        let line = Line { name: "30 mph".into(), points: vec![(1.0, 2.0), (2.0, f64::NAN), (3.0, 4.0)], marks: false };
        let chart = LineChart { title: "u & distance".into(), lines: vec![line], ..LineChart::default() };
        let svg = line_chart(&chart).unwrap();
        assert!(svg.contains("30 mph") && svg.contains("u &amp; distance") && !svg.contains("NaN"), "{svg}");
        assert!(line_chart(&LineChart::default()).is_err());
    }
}
