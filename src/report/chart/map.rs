//! Where on the wall are the marks, and where are the sheets?
//!
//! Both maps are drawn as seen facing the wall, a millimetre as long across as upwards.

use super::axes::{Axes, BOTTOM_PX, RIGHT_PX, TOP_PX, equal_scale, plain, plot, range};
use super::{Canvas, Caption, Chart, Drawn, Ink, POSTER_PX, Stand, WIDE_PX, figure, shorten};
use crate::error::Result;
use crate::report::model::{CalibrationSummary, VolleySummary};
use crate::report::units::Units;

/// Room at the left for labels such as −1200, px.
const LEFT_PX: f64 = 52.0;
/// The ellipse's half axes in standard deviations of the volley's balls.
pub(in crate::report) const ELLIPSE_SD: f64 = 2.0;
/// Share of the map's width kept for names.
const NAMES_SHARE: f64 = 0.25;
/// Balls a scatter ellipse needs: with two it would be a line.
const ELLIPSE_NEEDS: f64 = 3.0;

/// A mark's place, in the page's unit, and the balls it stands for.
type Place = (f64, f64, f64);

/// A volley's scatter: centre and two half axes, in the page's unit.
struct Ellipse {
    centre: (f64, f64),
    long: (f64, f64),
    short: (f64, f64),
}

impl Ellipse {
    fn outline(&self) -> impl Iterator<Item = (f64, f64)> {
        (0..=48).map(|k| {
            let (s, c) = (f64::from(k) / 48.0 * std::f64::consts::TAU).sin_cos();
            (self.centre.0 + c * self.long.0 + s * self.short.0, self.centre.1 + c * self.long.1 + s * self.short.1)
        })
    }
}

fn places(volley: &VolleySummary, units: Units) -> Vec<Place> {
    let place = |mm: Option<f64>| plain(mm?).map(|v| units.length(v));
    volley.marks.iter().filter_map(|m| Some((place(m.x_mm)?, place(m.y_mm)?, f64::from(m.count.max(1))))).collect()
}

/// Covariance ellipse of places weighted by balls.
fn ellipse(places: &[Place]) -> Option<Ellipse> {
    let n: f64 = places.iter().map(|p| p.2).sum();
    if n < ELLIPSE_NEEDS || places.len() < 2 {
        return None;
    }
    let mean = |f: &dyn Fn(&Place) -> f64| places.iter().map(|p| p.2 * f(p)).sum::<f64>() / n;
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

/// Points and least size are in the page's unit of length.
pub(super) struct Map<'a> {
    pub caption: Caption<'a>,
    pub points: Vec<(f64, f64)>,
    pub margin: f64,
    pub least: f64,
    /// Height over width, at most.
    pub tallest: f64,
    /// Leaves room at the right for names.
    pub names: bool,
    pub units: Units,
}

/// Draws a map that holds all points: as tall as its shape asks for, within limits.
pub(super) fn map(map: &Map, draw: impl Fn(&Canvas, &super::axes::Plot) -> Drawn) -> Result<Option<Chart>> {
    let (xs, ys) = (map.points.iter().map(|p| p.0), map.points.iter().map(|p| p.1));
    let (Some(x), Some(y)) = (range(xs, map.margin, map.least), range(ys, map.margin, map.least)) else {
        return Ok(None);
    };
    let aspect = (y.end - y.start) / (x.end - x.start);
    let height = |width: f64| (width - LEFT_PX - RIGHT_PX) * aspect.clamp(0.35, map.tallest) + TOP_PX + BOTTOM_PX;
    let heights = [height(f64::from(WIDE_PX)), height(f64::from(super::NARROW_PX)), f64::from(POSTER_PX.1)];
    figure(&map.caption, heights, |canvas| {
        let inner = (canvas.width_px - LEFT_PX - RIGHT_PX, canvas.height_px - TOP_PX - BOTTOM_PX);
        let kept = if map.names { NAMES_SHARE * inner.0 } else { 0.0 };
        let (mut x, y) = equal_scale(x.clone(), y.clone(), (inner.0 - kept, inner.1));
        x.end += kept * (x.end - x.start) / (inner.0 - kept);
        let unit = map.units.length_word();
        let (x_title, y_title) = (format!("To the right, {unit}"), format!("Up, {unit}"));
        let axes =
            Axes { x, y, x_title: &x_title, y_title: &y_title, left_px: LEFT_PX, y_labels: true, whole_x: false };
        let plot = plot(canvas, &axes)?;
        draw(canvas, &plot)
    })
    .map(Some)
}

/// All marks with each volley's mean and scatter; `series` gives a volley's setup by number.
pub(in crate::report) fn wall(
    volleys: &[VolleySummary],
    series: &dyn Fn(&VolleySummary) -> usize,
    units: Units,
    description: &str,
) -> Result<Option<Chart>> {
    let all: Vec<(usize, &VolleySummary, Vec<Place>)> =
        volleys.iter().map(|v| (series(v), v, places(v, units))).filter(|v| !v.2.is_empty()).collect();
    let outline = |places: &[Place]| ellipse(places).map_or_else(Vec::new, |e| e.outline().collect::<Vec<_>>());
    let points: Vec<(f64, f64)> =
        all.iter().flat_map(|v| v.2.iter().map(|p| (p.0, p.1)).chain(outline(&v.2))).collect();
    let caption =
        Caption { id: "wall", title: "All marks on the wall, with each volley's mean and scatter", description };
    let shape = Map {
        points: points.clone(),
        margin: 0.05,
        least: units.length(120.0),
        tallest: 0.8,
        names: true,
        units,
        caption,
    };
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
        let mut groups: Vec<Group> = Vec::new();
        for (s, v, _) in &all {
            let (Some(x), Some(y)) = (v.mean_x_mm.and_then(plain), v.mean_y_mm.and_then(plain)) else { continue };
            let (px, py) = plot.at((units.length(x), units.length(y)));
            for arm in [(6.0, 0.0), (0.0, 6.0)] {
                let ends = [(px - arm.0, py - arm.1), (px + arm.0, py + arm.1)];
                canvas.line(&ends, Ink::Paper, 3.6)?;
                canvas.line(&ends, Ink::Series(*s), 2.0)?;
            }
            let speed_mps = v.setpoint_mps.or(v.speed_mps);
            match groups.iter_mut().find(|g| g.series == *s && g.speed_mps == speed_mps) {
                Some(g) => {
                    g.names.push(&v.volley);
                    g.at.push((px, py));
                }
                None => groups.push(Group { series: *s, speed_mps, names: vec![&v.volley], at: vec![(px, py)] }),
            }
        }
        let right = points.iter().map(|p| plot.x(p.0)).fold(plot.across_px.0, f64::max);
        names(canvas, plot, groups, units, right)
    })
}

/// Volleys of one setup at one speed.
struct Group<'a> {
    series: usize,
    speed_mps: Option<f64>,
    names: Vec<&'a str>,
    /// Their means, px.
    at: Vec<(f64, f64)>,
}

impl Group<'_> {
    fn height_px(&self) -> f64 {
        self.at.iter().map(|p| p.1).sum::<f64>() / self.at.len().max(1) as f64
    }

    fn words(&self, units: Units, most: usize) -> String {
        let speed = self.speed_mps.map(|v| format!("{}: ", units.speed_words(v))).unwrap_or_default();
        shorten(&(speed + &self.names.join(", ")), most)
    }
}

/// Writes the groups' names in a column at the right of all marks, each with a thin line to its means.
fn names(canvas: &Canvas, plot: &super::axes::Plot, mut groups: Vec<Group>, units: Units, right_px: f64) -> Drawn {
    groups.sort_by(|a, b| a.height_px().total_cmp(&b.height_px()));
    let (bottom, top) = plot.up_px;
    let pitch = (canvas.font_px() + 3.0).min((bottom - top) / groups.len().max(1) as f64);
    // Down the column no closer than the pitch, then back up from the bottom where that ran out.
    let mut rows: Vec<f64> = Vec::new();
    for g in &groups {
        let least = rows.last().map_or(top + 0.5 * pitch, |r| r + pitch);
        rows.push(g.height_px().max(least));
    }
    let mut most = bottom - 0.5 * pitch;
    for row in rows.iter_mut().rev() {
        *row = row.min(most);
        most = *row - pitch;
    }
    let column = right_px + 26.0;
    let letters = ((canvas.width_px - column - 14.0) / (0.56 * canvas.font_px())).max(6.0) as usize;
    for (g, row) in groups.iter().zip(rows) {
        for (x, y) in &g.at {
            canvas.line(&[(x + 8.0, *y), (right_px + 6.0, *y), (column - 4.0, row)], Ink::Muted, 0.6)?;
        }
        canvas.marker(g.series, (column + 3.0, row), 3.6, true)?;
        canvas.text(&g.words(units, letters), (column + 11.0, row), Stand::Right, Ink::Text, false)?;
    }
    Ok(())
}

/// The sheets' crosses, each with a stroke towards the sheet's top, and the tape distances between them.
pub(in crate::report) fn sheets(
    calibration: &CalibrationSummary,
    units: Units,
    description: &str,
) -> Result<Option<Chart>> {
    let in_units = |mm: f64| plain(mm).map(|v| units.length(v));
    let all: Vec<(usize, f64, f64, f64)> = calibration
        .sheets
        .iter()
        .filter_map(|s| Some((s.number, in_units(s.x_mm)?, in_units(s.y_mm)?, plain(s.turn_deg)?)))
        .collect();
    let caption = Caption { id: "sheets", title: "Where the sheets' crosses are on the wall", description };
    let shape = Map {
        points: all.iter().map(|s| (s.1, s.2)).collect(),
        margin: 0.12,
        least: units.length(500.0),
        tallest: 0.6,
        names: false,
        units,
        caption,
    };
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
