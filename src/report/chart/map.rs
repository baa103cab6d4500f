//! Where on the wall are the marks, and where are the sheets?
//!
//! Both maps are drawn as seen facing the wall, a millimetre as long across as upwards.

use minijinja::value::Value;

use super::axes::{Axes, BOTTOM_PX, RIGHT_PX, TOP_PX, equal_scale, plain, plot, range};
use super::{Canvas, Caption, Drawn, Ink, Stand, WIDE_PX, figure, shorten};
use crate::error::Result;
use crate::report::model::{CalibrationSummary, VolleySummary};

/// Room at the left for labels such as −1200, px.
const LEFT_PX: f64 = 52.0;
/// The ellipse's half axes in standard deviations of the volley's balls.
pub(in crate::report) const ELLIPSE_SD: f64 = 2.0;
/// Balls a scatter ellipse needs: with two it would be a line.
const ELLIPSE_NEEDS: f64 = 3.0;

/// A volley's scatter: centre and two half axes, mm.
struct Ellipse {
    centre: (f64, f64),
    long: (f64, f64),
    short: (f64, f64),
}

impl Ellipse {
    fn outline(&self) -> impl Iterator<Item = (f64, f64)> {
        (0..=48).map(|k| {
            let (s, c) = (f64::from(k) / 48.0 * std::f64::consts::TAU).sin_cos();
            (
                self.centre.0 + c * self.long.0 + s * self.short.0,
                self.centre.1 + c * self.long.1 + s * self.short.1,
            )
        })
    }
}

fn places(volley: &VolleySummary) -> Vec<(f64, f64, f64)> {
    volley
        .marks
        .iter()
        .filter_map(|m| Some((plain(m.x_mm?)?, plain(m.y_mm?)?, f64::from(m.count.max(1)))))
        .collect()
}

/// Covariance ellipse of places weighted by balls.
fn ellipse(places: &[(f64, f64, f64)]) -> Option<Ellipse> {
    let n: f64 = places.iter().map(|p| p.2).sum();
    if n < ELLIPSE_NEEDS || places.len() < 2 {
        return None;
    }
    let mean = |f: &dyn Fn(&(f64, f64, f64)) -> f64| places.iter().map(|p| p.2 * f(p)).sum::<f64>() / n;
    let (mx, my) = (mean(&|p| p.0), mean(&|p| p.1));
    let scale = n / (n - 1.0);
    let xx = scale * mean(&|p| (p.0 - mx).powi(2));
    let yy = scale * mean(&|p| (p.1 - my).powi(2));
    let xy = scale * mean(&|p| (p.0 - mx) * (p.1 - my));
    let turn = 0.5 * (2.0 * xy).atan2(xx - yy);
    let (half_sum, root) = (0.5 * (xx + yy), (0.25 * (xx - yy).powi(2) + xy * xy).sqrt());
    let (long, short) = ((half_sum + root).max(0.0).sqrt(), (half_sum - root).max(0.0).sqrt());
    let (s, c) = turn.sin_cos();
    Some(Ellipse {
        centre: (mx, my),
        long: (ELLIPSE_SD * long * c, ELLIPSE_SD * long * s),
        short: (-ELLIPSE_SD * short * s, ELLIPSE_SD * short * c),
    })
}

struct Map<'a> {
    caption: Caption<'a>,
    points: Vec<(f64, f64)>,
    margin: f64,
    least_mm: f64,
}

/// Draws a map that holds all points: as tall as its shape asks for, within limits.
fn map(map: &Map, draw: impl Fn(&Canvas, &super::axes::Plot) -> Drawn) -> Result<Option<Value>> {
    let (xs, ys) = (map.points.iter().map(|p| p.0), map.points.iter().map(|p| p.1));
    let (Some(x), Some(y)) = (range(xs, map.margin, map.least_mm), range(ys, map.margin, map.least_mm)) else {
        return Ok(None);
    };
    let aspect = (y.end - y.start) / (x.end - x.start);
    let height = |width: f64| (width - LEFT_PX - RIGHT_PX) * aspect.clamp(0.35, 1.0) + TOP_PX + BOTTOM_PX;
    let heights = [height(f64::from(WIDE_PX)), height(f64::from(super::NARROW_PX))];
    figure(&map.caption, heights, |canvas| {
        let inner = (canvas.width_px - LEFT_PX - RIGHT_PX, canvas.height_px - TOP_PX - BOTTOM_PX);
        let (x, y) = equal_scale(x.clone(), y.clone(), inner);
        let axes = Axes {
            x,
            y,
            x_title: "To the right, mm",
            y_title: "Up, mm",
            left_px: LEFT_PX,
            y_labels: true,
            whole_x: false,
        };
        let plot = plot(canvas, &axes)?;
        draw(canvas, &plot)
    })
    .map(Some)
}

/// All marks with each volley's mean and scatter; `series` gives a volley's setup by number.
pub(in crate::report) fn wall(
    volleys: &[VolleySummary],
    series: &dyn Fn(&VolleySummary) -> usize,
    description: &str,
) -> Result<Option<Value>> {
    let all: Vec<(usize, &VolleySummary, Vec<(f64, f64, f64)>)> =
        volleys.iter().map(|v| (series(v), v, places(v))).filter(|v| !v.2.is_empty()).collect();
    let points = all.iter().flat_map(|v| {
        v.2.iter().map(|p| (p.0, p.1)).chain(ellipse(&v.2).into_iter().flat_map(|e| e.outline().collect::<Vec<_>>()))
    });
    let caption = Caption { id: "wall", title: "All marks on the wall, with each volley's mean and scatter", description };
    let shape = Map { points: points.collect(), margin: 0.07, least_mm: 120.0, caption };
    map(&shape, |canvas, plot| {
        for (s, _, places) in &all {
            if let Some(e) = ellipse(places) {
                let outline: Vec<(f64, f64)> = e.outline().map(|p| plot.at(p)).collect();
                canvas.fill(&outline, Ink::Series(*s), 0.1)?;
                canvas.line(&outline, Ink::SeriesLine(*s), 1.2)?;
            }
        }
        for (s, _, places) in &all {
            for p in places {
                canvas.marker(*s, plot.at((p.0, p.1)), 2.6, p.2 > 1.0)?;
            }
        }
        let mut taken: Vec<(f64, f64)> = Vec::new();
        for (s, v, _) in &all {
            let (Some(x), Some(y)) = (v.mean_x_mm.and_then(plain), v.mean_y_mm.and_then(plain)) else { continue };
            let (px, py) = plot.at((x, y));
            for arm in [(7.0, 0.0), (0.0, 7.0)] {
                let ends = [(px - arm.0, py - arm.1), (px + arm.0, py + arm.1)];
                canvas.line(&ends, Ink::Paper, 4.0)?;
                canvas.line(&ends, Ink::Series(*s), 2.2)?;
            }
            label(canvas, plot, &v.volley, (px, py), &mut taken)?;
        }
        Ok(())
    })
}

/// Writes a name beside a point, in the first of several places where no other name stands; none is left out.
fn label(
    canvas: &Canvas,
    plot: &super::axes::Plot,
    name: &str,
    (px, py): (f64, f64),
    taken: &mut Vec<(f64, f64)>,
) -> Drawn {
    let text = shorten(name, 10);
    let width = 0.62 * canvas.font_px() * text.chars().count() as f64;
    let offsets = [(11.0, -9.0), (11.0, 10.0), (-11.0 - width, -9.0), (-11.0 - width, 10.0), (11.0, -24.0), (11.0, 25.0)];
    let free = |(dx, dy): &(f64, f64)| {
        let (x, y) = (px + dx, py + dy);
        x >= plot.across_px.0
            && x + width <= canvas.width_px
            && taken.iter().all(|t| (t.0 - x).abs() > width + 3.0 || (t.1 - y).abs() > canvas.font_px())
    };
    let (dx, dy) = offsets.iter().copied().find(free).unwrap_or((11.0, -9.0));
    taken.push((px + dx, py + dy));
    canvas.text(&text, (px + dx, py + dy), Stand::Right, Ink::Text, true)
}

/// The sheets' crosses, each with a stroke towards the sheet's top, and the tape distances between them.
pub(in crate::report) fn sheets(calibration: &CalibrationSummary, description: &str) -> Result<Option<Value>> {
    let all: Vec<(usize, f64, f64, f64)> = calibration
        .sheets
        .iter()
        .filter_map(|s| Some((s.number, plain(s.x_mm)?, plain(s.y_mm)?, plain(s.turn_deg)?)))
        .collect();
    let caption = Caption { id: "sheets", title: "Where the sheets' crosses are on the wall", description };
    let shape =
        Map { points: all.iter().map(|s| (s.1, s.2)).collect(), margin: 0.12, least_mm: 500.0, caption };
    map(&shape, |canvas, plot| {
        let cross = |number: usize| all.iter().find(|s| s.0 == number).map(|s| plot.at((s.1, s.2)));
        for tape in &calibration.quality.tapes {
            if let (Some(a), Some(b)) = (cross(tape.sheets[0]), cross(tape.sheets[1])) {
                canvas.line(&[a, b], Ink::SeriesLine(1), 1.4)?;
            }
        }
        for (number, x, y, turn) in &all {
            let (px, py) = plot.at((*x, *y));
            let (s, c) = turn.to_radians().sin_cos();
            let arm = |along: f64, aside: f64| (px - along * s + aside * c, py - along * c - aside * s);
            canvas.line(&[arm(0.0, -7.0), arm(0.0, 7.0)], Ink::Text, 2.0)?;
            canvas.line(&[arm(-7.0, 0.0), arm(22.0, 0.0)], Ink::Text, 2.0)?;
            canvas.text(&number.to_string(), (px + 10.0, py - 10.0), Stand::Right, Ink::Text, true)?;
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_ellipse_has_the_scatters_axes() {
        // Four points on the axes, by hand: variance 2 * 9 / 3 = 6 across, 2 * 1 / 3 upwards, no covariance.
        let e = ellipse(&[(3.0, 0.0, 1.0), (-3.0, 0.0, 1.0), (0.0, 1.0, 1.0), (0.0, -1.0, 1.0)]).unwrap();
        assert!((e.long.0 - ELLIPSE_SD * 6f64.sqrt()).abs() < 1e-12 && e.long.1.abs() < 1e-12);
        assert!((e.short.1 - ELLIPSE_SD * (2.0f64 / 3.0).sqrt()).abs() < 1e-12);
        assert!(ellipse(&[(3.0, 0.0, 1.0), (-3.0, 0.0, 1.0)]).is_none());
    }

    #[test]
    fn a_merged_mark_counts_its_balls() {
        let apart = ellipse(&[(0.0, 0.0, 1.0), (0.0, 0.0, 1.0), (6.0, 1.0, 1.0)]).unwrap();
        let merged = ellipse(&[(0.0, 0.0, 2.0), (6.0, 1.0, 1.0)]).unwrap();
        assert!((apart.long.0 - merged.long.0).abs() < 1e-12 && (apart.centre.0 - merged.centre.0).abs() < 1e-12);
    }
}
