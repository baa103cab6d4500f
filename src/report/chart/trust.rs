//! Where on the wall is a place how well known?
//!
//! A map in steps: the stronger a field's colour, the less its places are known, so that it reads in grey print too. The sheets' crosses
//! and all marks stand on it: what matters is how dark it is where balls strike.

use super::axes::plain;
use super::map::{Map, map};
use super::{Caption, Chart, Ink, Stand};
use crate::camera::trust::TrustMap;
use crate::error::Result;
use crate::report::model::{CalibrationSummary, VolleySummary};
use crate::report::number::COVERAGE;
use crate::report::units::{LengthUnit, MM_PER_IN, Units};

/// Limits of the steps, ± (95 %) in mm: each about twice the one before.
const LIMITS_MM: [f64; 7] = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0];
/// The same in inches, for a page in inches.
const LIMITS_IN: [f64; 7] = [0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5];
/// Steps drawn at most; more could not be told apart.
const MOST_STEPS: usize = 5;
/// Darkness of the lightest and the darkest step.
const DARKNESS: (f64, f64) = (0.08, 0.62);
/// Fields of a map larger than this are not drawn: a file may say anything.
const MOST_FIELDS: usize = 40_000;

/// The steps of a map.
pub(in crate::report) struct Steps {
    /// Upper limit of each step but the last, ± (95 %) in mm, smallest first.
    pub limits_mm: Vec<f64>,
}

impl Steps {
    /// Number of steps.
    pub fn len(&self) -> usize {
        self.limits_mm.len() + 1
    }

    fn of(&self, u_mm: f64) -> usize {
        self.limits_mm.iter().filter(|l| COVERAGE * u_mm > **l).count()
    }

    /// How dark a step is drawn, 0 to 1.
    pub fn darkness(&self, step: usize) -> f64 {
        let share = if self.len() > 1 { step as f64 / (self.len() - 1) as f64 } else { 0.0 };
        DARKNESS.0 + share * (DARKNESS.1 - DARKNESS.0)
    }
}

fn usable(m: &TrustMap) -> bool {
    let fields = m.columns.checked_mul(m.rows);
    let place = [m.x0_mm, m.y0_mm, m.step_mm].iter().all(|v| plain(*v).is_some());
    place && m.step_mm > 0.0 && fields.is_some_and(|n| n > 1 && n <= MOST_FIELDS && n == m.u_mm.len())
}

/// Which steps a map is drawn in; `None` where there is nothing to draw.
pub(in crate::report) fn steps(m: &TrustMap, units: Units) -> Option<Steps> {
    let values: Vec<f64> =
        m.u_mm.iter().flatten().map(|u| COVERAGE * u).filter(|u| u.is_finite() && *u >= 0.0).collect();
    let least = values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = values.iter().copied().fold(0.0, f64::max);
    if !usable(m) || values.is_empty() {
        return None;
    }
    let limits = match units.length {
        LengthUnit::Mm => LIMITS_MM,
        LengthUnit::Inch => LIMITS_IN.map(|l| l * MM_PER_IN),
    };
    let between: Vec<f64> = limits.into_iter().filter(|l| *l > least && *l < most).collect();
    // The smaller limits say more: there the balls strike.
    Some(Steps { limits_mm: between.into_iter().take(MOST_STEPS - 1).collect() })
}

/// The map; `None` where there is nothing to draw.
pub(in crate::report) fn trust(
    c: &CalibrationSummary,
    volleys: &[VolleySummary],
    units: Units,
    description: &str,
) -> Result<Option<Chart>> {
    let Some((m, steps)) = c.quality.trust_map.as_ref().and_then(|m| Some((m, steps(m, units)?))) else {
        return Ok(None);
    };
    let side = |from: f64, n: usize| (from - 0.5 * m.step_mm, from + (n as f64 - 0.5) * m.step_mm);
    let ((x0, x1), (y0, y1)) = (side(m.x0_mm, m.columns), side(m.y0_mm, m.rows));
    let at = |x_mm: f64, y_mm: f64| (units.length(x_mm), units.length(y_mm));
    let caption = Caption { id: "trust", title: "How well a place on the wall is known", description };
    let shape = Map {
        points: vec![at(x0, y0), at(x1, y1)],
        margin: 0.02,
        least: units.length(500.0),
        tallest: 0.7,
        names: false,
        units,
        caption,
    };
    let marks: Vec<(f64, f64)> = volleys
        .iter()
        .flat_map(|v| &v.marks)
        .filter_map(|k| Some(at(plain(k.x_mm?)?, plain(k.y_mm?)?)))
        .filter(|p| (at(x0, y0).0..=at(x1, y1).0).contains(&p.0) && (at(x0, y0).1..=at(x1, y1).1).contains(&p.1))
        .collect();
    map(&shape, |canvas, plot| {
        let field = |column: f64, row: f64| plot.at(at(x0 + column * m.step_mm, y0 + row * m.step_mm));
        // What the photo does not see stays blank.
        let step_of = |u: &Option<f64>| u.map(|u| if u.is_finite() { steps.of(u) } else { steps.len() - 1 });
        for step in 0..steps.len() {
            // All fields of a step are one shape, for between two shapes that touch print shows a hairline: round each run of
            // fields from one home and back, so that the ways there and back, and edges that two fields share, cancel.
            let mut outline: Vec<(f64, f64)> = Vec::new();
            for (row, values) in m.u_mm.chunks(m.columns).enumerate() {
                let mut from = 0;
                for run in values.chunk_by(|a, b| step_of(a) == step_of(b)) {
                    let to = from + run.len();
                    if run.first().and_then(step_of) == Some(step) {
                        let (a, b) = (field(from as f64, row as f64), field(to as f64, row as f64 + 1.0));
                        let home = outline.first().copied().unwrap_or(a);
                        outline.extend([a, (b.0, a.1), b, (a.0, b.1), a, home]);
                    }
                    from = to;
                }
            }
            if !outline.is_empty() {
                canvas.fill(&outline, Ink::Series(0), steps.darkness(step))?;
            }
        }
        for p in &marks {
            canvas.marker(3, plot.at(*p), 1.8, true)?;
        }
        for s in &c.sheets {
            let Some((x, y)) = plain(s.x_mm).zip(plain(s.y_mm)) else { continue };
            let (px, py) = plot.at(at(x, y));
            canvas.line(&[(px - 6.0, py), (px + 6.0, py)], Ink::Text, 2.0)?;
            canvas.line(&[(px, py - 6.0), (px, py + 6.0)], Ink::Text, 2.0)?;
            canvas.text(&s.number.to_string(), (px + 7.0, py - 9.0), Stand::Right, Ink::Text, true)?;
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::units::SpeedUnit;

    const MM: Units = Units { speed: SpeedUnit::Mph, length: LengthUnit::Mm };

    fn map_of(u_mm: Vec<f64>) -> TrustMap {
        TrustMap {
            x0_mm: 0.0,
            y0_mm: 0.0,
            step_mm: 100.0,
            columns: u_mm.len(),
            rows: 1,
            u_mm: u_mm.into_iter().map(Some).collect(),
        }
    }

    #[test]
    fn steps_lie_within_what_the_map_holds() {
        let s = steps(&map_of(vec![0.075, 0.15, 0.6, f64::NAN]), MM).unwrap();
        assert_eq!(s.limits_mm, [0.2, 0.5, 1.0]);
        assert_eq!([0.075, 0.1, 0.105, 0.45, 0.55].map(|u| s.of(u)), [0, 0, 1, 2, 3]);
        assert!((s.darkness(0) - DARKNESS.0).abs() < 1e-12 && (s.darkness(3) - DARKNESS.1).abs() < 1e-12);
        assert_eq!(steps(&map_of(vec![0.15, 0.15]), MM).unwrap().len(), 1);
        let inches = steps(&map_of(vec![0.075, 0.15, 0.6]), Units { length: LengthUnit::Inch, ..MM }).unwrap();
        let said: Vec<f64> = inches.limits_mm.iter().map(|l| (l / MM_PER_IN * 1e3).round()).collect();
        assert_eq!(said, [10.0, 20.0], "thousandths of an inch");
    }

    #[test]
    fn maps_that_do_not_fit_are_not_drawn() {
        let mut m = map_of(vec![0.1, 0.2]);
        m.rows = 3;
        assert!(steps(&m, MM).is_none());
        (m.rows, m.columns) = (usize::MAX, 2);
        assert!(steps(&m, MM).is_none());
        assert!(steps(&map_of(vec![f64::NAN, f64::NAN]), MM).is_none());
    }
}
