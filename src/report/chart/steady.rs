//! Did the repeats stay where they were?

use super::axes::{Axes, plain, plot, range};
use super::{Canvas, Caption, Chart, Drawn, Ink, POSTER_PX, Stand, figure, shorten};
use crate::error::Result;
use crate::study::Steadiness;

/// The chart of repeats in shooting order; `None` when nothing was repeated.
pub(in crate::report) fn repeats(steady: &Steadiness, description: &str) -> Result<Option<Chart>> {
    let limits = [steady.limit_low_deg, steady.limit_high_deg];
    let values = steady.repeats.iter().map(|r| r.away_deg).chain(limits.into_iter().flatten()).chain([0.0]);
    let orders = steady.repeats.iter().map(|r| r.order as f64);
    let (Some(x), Some(y)) = (range(orders, 0.06, 2.0), range(values, 0.12, 0.4)) else { return Ok(None) };
    let caption =
        Caption { id: "steady", title: "Repeated volleys against their mean, in shooting order", description };
    let axes = Axes {
        x,
        y,
        x_title: "Volley, in shooting order",
        y_title: "Away from the mean of its repeats, deg",
        left_px: 44.0,
        y_labels: true,
        whole_x: true,
    };
    figure(&caption, [260.0, 240.0, f64::from(POSTER_PX.1)], |canvas| draw(canvas, &axes, steady)).map(Some)
}

fn draw(canvas: &Canvas, axes: &Axes, steady: &Steadiness) -> Drawn {
    let plot = plot(canvas, axes)?;
    plot.level(canvas, 0.0, Ink::Text, 1.2)?;
    for limit in [steady.limit_low_deg, steady.limit_high_deg].into_iter().flatten().filter_map(plain) {
        // Dashed, and named: not a matter of colour.
        plot.level(canvas, limit, Ink::SeriesLine(1), 1.4)?;
    }
    if let Some(high) = steady.limit_high_deg.and_then(plain) {
        canvas.text("limit", (plot.across_px.1 - 2.0, plot.y(high) + 9.0), Stand::Left, Ink::Muted, false)?;
    }
    let points: Vec<(f64, f64)> =
        steady.repeats.iter().filter_map(|r| Some(plot.at((r.order as f64, plain(r.away_deg)?)))).collect();
    if points.len() > 1 {
        canvas.line(&points, Ink::Grid, 1.2)?;
    }
    for r in &steady.repeats {
        let Some(away) = plain(r.away_deg) else { continue };
        let at = plot.at((r.order as f64, away));
        let odd = steady.outside.contains(&r.volley) || steady.jumps.contains(&r.volley);
        if odd {
            canvas.marker(1, at, 5.5, true)?;
            canvas.text(&shorten(&r.volley, 12), (at.0, at.1 - 8.0), Stand::Above, Ink::Text, true)?;
        } else {
            canvas.marker(0, at, 4.6, true)?;
        }
    }
    Ok(())
}
