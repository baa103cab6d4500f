//! Is a difference clear of zero, and clear of what matters?
//!
//! One row for each difference with its 95 % interval, over the band of differences too small to matter.

use super::axes::{Axes, plain, plot, range};
use super::rows::{LABELS_PX, Row, height_px, placed};
use super::{Canvas, Caption, Chart, Drawn, Ink, Stand, figure, shorten};
use crate::error::Result;
use crate::report::units::Units;
use crate::study::{Comparison, Difference, Verdict};

/// With more comparisons than this only the answers over the ladder are drawn; the table holds the rest.
const MOST_WITH_SPEEDS: usize = 8;
/// With more than this only the first are drawn.
const MOST_DRAWN: usize = 40;
/// The axis reaches this many times what matters at least, so that the band is seen whole.
const BAND_SHARE: f64 = 1.4;

struct Line<'a> {
    difference: &'a Difference,
    overall: bool,
}

fn rows(comparisons: &[Comparison], units: Units) -> Vec<Row<Line<'_>>> {
    let mut rows = Vec::new();
    for c in comparisons.iter().take(MOST_DRAWN) {
        let same = if c.same.iter().next().is_some() { format!(" ({})", c.same.words()) } else { String::new() };
        rows.push(Row::Heading(format!("{}: {} minus {}{same}", c.factor, c.b, c.a)));
        let label = match c.points.as_slice() {
            [p] => units.speed_words(p.setpoint_mps),
            _ => "ladder".into(),
        };
        rows.push(Row::Item(label, Line { difference: &c.overall, overall: true }));
        if c.points.len() > 1 && comparisons.len() <= MOST_WITH_SPEEDS {
            rows.extend(c.points.iter().map(|p| {
                Row::Item(units.speed_words(p.setpoint_mps), Line { difference: &p.difference, overall: false })
            }));
        }
    }
    rows
}

/// The chart; `None` when there is nothing to draw.
pub(in crate::report) fn comparisons(
    comparisons: &[Comparison],
    matters_deg: f64,
    units: Units,
    description: &str,
) -> Result<Option<Chart>> {
    let rows = rows(comparisons, units);
    let values = rows.iter().filter_map(|r| match r {
        Row::Item(_, l) => Some([l.difference.low_deg, l.difference.high_deg, l.difference.difference_deg]),
        Row::Heading(_) => None,
    });
    let matters = plain(matters_deg).unwrap_or(0.0).abs();
    let around = [-BAND_SHARE * matters, BAND_SHARE * matters];
    let Some(x) = range(values.flatten().chain(around), 0.04, 0.2).filter(|_| !rows.is_empty()) else {
        return Ok(None);
    };
    let caption = Caption { id: "compare", title: "Differences between setups with their 95 % intervals", description };
    let axes = Axes {
        x,
        y: 0.0..1.0,
        x_title: "Difference in release angle, deg",
        y_title: "",
        left_px: LABELS_PX,
        y_labels: false,
        whole_x: false,
    };
    let height = height_px(&rows);
    figure(&caption, [height; 3], |canvas| draw(canvas, &axes, &rows, matters)).map(Some)
}

fn draw(canvas: &Canvas, axes: &Axes, rows: &[Row<Line>], matters: f64) -> Drawn {
    let plot = plot(canvas, axes)?;
    let (bottom, top) = plot.up_px;
    canvas.bar((plot.x(-matters), top), (plot.x(matters), bottom), Ink::Band, 1.0)?;
    canvas.line(&[(plot.x(0.0), top), (plot.x(0.0), bottom)], Ink::Text, 1.2)?;
    canvas.text("too small to matter", (plot.x(0.0), 20.0), Stand::Above, Ink::Muted, false)?;
    let most = if canvas.narrow { 46 } else { 90 };
    for (y, row) in placed(rows) {
        let (label, line) = match row {
            Row::Heading(text) => {
                canvas.text(&shorten(text, most), (2.0, y), Stand::Right, Ink::Text, true)?;
                continue;
            }
            Row::Item(label, line) => (label, line),
        };
        let d = line.difference;
        canvas.text(label, (LABELS_PX - 8.0, y), Stand::Left, Ink::Muted, line.overall)?;
        let (Some(low), Some(high), Some(value)) = (plain(d.low_deg), plain(d.high_deg), plain(d.difference_deg))
        else {
            continue;
        };
        let width = if line.overall { 3.0 } else { 1.5 };
        canvas.line(&[(plot.x(low), y), (plot.x(high), y)], Ink::Text, width)?;
        canvas.marker(
            verdict_series(d.verdict),
            (plot.x(value), y),
            if line.overall { 6.0 } else { 4.4 },
            verdict_is_filled(d.verdict),
        )?;
    }
    Ok(())
}

/// Which series' colour and mark stands for a verdict.
pub(super) fn verdict_series(verdict: Verdict) -> usize {
    match verdict {
        Verdict::Differs => 3,
        Verdict::Same => 0,
        Verdict::Unclear => 1,
    }
}

/// What is not clear yet has an open mark.
pub(super) fn verdict_is_filled(verdict: Verdict) -> bool {
    verdict != Verdict::Unclear
}
