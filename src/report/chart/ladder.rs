//! How does the release angle fall with speed?
//!
//! One line for each setup through its means, with the 95 % band of each point as whiskers (and as a band
//! while few setups share the chart), and on the zero line where each setup reaches zero.

use super::axes::{Axes, plain, plot, range};
use super::{Canvas, Caption, Chart, Drawn, Ink, POSTER_PX, figure, is_filled};
use crate::error::Result;
use crate::report::units::Units;
use crate::study::{Ladder, LadderPoint, ZeroVerdict};

/// With more setups than this bands would hide each other; whiskers say the same.
const MOST_BANDS: usize = 4;
/// Setups stand this far apart at one speed, px, so that their whiskers can be told apart.
const STEP_ASIDE_PX: f64 = 4.0;
/// All setups together step aside by no more than this, px.
const MOST_ASIDE_PX: f64 = 14.0;

fn drawable(point: &LadderPoint) -> bool {
    [point.setpoint_mps, point.mean_deg, point.low_deg, point.high_deg, point.monotone_deg]
        .iter()
        .all(|v| plain(*v).is_some())
}

/// The chart; `None` when there is nothing to draw.
pub(in crate::report) fn ladders(ladders: &[Ladder], units: Units, description: &str) -> Result<Option<Chart>> {
    let points = || ladders.iter().flat_map(|l| &l.points).filter(|p| drawable(p));
    let speeds = points().map(|p| units.speed(p.setpoint_mps));
    let angles = points().flat_map(|p| [p.low_deg, p.high_deg, p.mean_deg]).chain([0.0]);
    let (Some(x), Some(y)) = (range(speeds, 0.06, 4.0), range(angles, 0.06, 2.0)) else { return Ok(None) };
    if points().next().is_none() {
        return Ok(None);
    }
    let caption = Caption { id: "ladder", title: "Release angle against speed, by setup", description };
    let x_title = format!("Speed, {}", units.speed_word());
    let axes =
        Axes { x, y, x_title: &x_title, y_title: "Release angle, deg", left_px: 40.0, y_labels: true, whole_x: false };
    figure(&caption, [430.0, 340.0, f64::from(POSTER_PX.1)], |canvas| draw(canvas, &axes, ladders, units)).map(Some)
}

fn draw(canvas: &Canvas, axes: &Axes, ladders: &[Ladder], units: Units) -> Drawn {
    let plot = plot(canvas, axes)?;
    plot.level(canvas, 0.0, Ink::Text, 1.2)?;
    let n = ladders.len().max(1) as f64;
    let step = STEP_ASIDE_PX.min(MOST_ASIDE_PX / n);
    let shapes: Vec<(usize, f64, Vec<&LadderPoint>)> = ladders
        .iter()
        .enumerate()
        .map(|(i, l)| (i, (i as f64 - 0.5 * (n - 1.0)) * step, l.points.iter().filter(|p| drawable(p)).collect()))
        .collect();
    let at = |aside: f64, p: &LadderPoint, deg: f64| (plot.x(units.speed(p.setpoint_mps)) + aside, plot.y(deg));
    if ladders.len() <= MOST_BANDS {
        for (i, aside, points) in shapes.iter().filter(|s| s.2.len() > 1) {
            let mut edge: Vec<(f64, f64)> = points.iter().map(|p| at(*aside, p, p.high_deg)).collect();
            edge.extend(points.iter().rev().map(|p| at(*aside, p, p.low_deg)));
            canvas.fill(&edge, Ink::Series(*i), 0.16)?;
        }
    }
    for (i, aside, points) in &shapes {
        let line: Vec<(f64, f64)> = points.iter().map(|p| at(*aside, p, p.monotone_deg)).collect();
        if line.len() > 1 {
            canvas.line(&line, Ink::SeriesLine(*i), 2.0)?;
        }
        for p in points {
            canvas.line(&[at(*aside, p, p.low_deg), at(*aside, p, p.high_deg)], Ink::Series(*i), 1.4)?;
        }
    }
    for (i, aside, points) in &shapes {
        for p in points {
            canvas.marker(*i, at(*aside, p, p.mean_deg), 4.6, is_filled(*i))?;
        }
    }
    for (row, (i, l)) in ladders.iter().enumerate().filter(|(_, l)| l.zero_verdict == ZeroVerdict::Reached).enumerate()
    {
        let (Some(zero), Some(low), Some(high)) = (l.zero_speed_mps, l.zero_speed_low_mps, l.zero_speed_high_mps)
        else {
            continue;
        };
        if [zero, low, high].iter().any(|v| plain(*v).is_none()) {
            continue;
        }
        let y = plot.y(0.0) + 7.0 + 6.0 * row as f64;
        let x = |v: f64| plot.x(units.speed(v));
        canvas.line(&[(x(low), y), (x(high), y)], Ink::Series(i), 3.0)?;
        canvas.line(&[(x(zero), plot.y(0.0)), (x(zero), y + 3.0)], Ink::Series(i), 1.4)?;
    }
    Ok(())
}
