//! When will old marks hide new ones, so that the wall should be wiped first?
//!
//! Marks of shots fired alike scatter about one place. With standard deviation `s` of each and marks of radius `r`, an old mark lies on a
//! new one's place with a density that, over both scatters, covers `r^2 / (4 s^2) exp(-d^2 / (4 s^2))` of it on average, where `d` is the
//! distance of the two places; marks that are put down at random cover `1 - exp(-sum)` together.

use crate::flight::STANDARD_GRAVITY_MPS2;
use crate::report::Summary;
use crate::study::{SAME_STEP, Setup};

/// Share of a new mark that old ones may cover before the wall should be wiped: with half of its outline on bare wall a mark can still
/// be placed, with less it leans on what hides it.
pub const MAY_COVER: f64 = 0.5;
/// Radius of a mark where none has been seen, m: the middle of the 15 to 45 mm that a ball leaves (common practice, no source).
const USUAL_RADIUS_M: f64 = 0.015;
/// Least scatter of marks taken, m: below a radius the marks of a cell lie on each other all the same.
const LEAST_SCATTER_M: f64 = 0.005;

/// Where marks of earlier results lie.
struct Seen {
    setup: Setup,
    setpoint_mps: f64,
    at_m: [f64; 2],
}

/// Foresees where marks will lie.
pub struct Crowd {
    seen: Vec<Seen>,
    radius_m: f64,
    scatter_m: f64,
    pivot_out_m: f64,
    /// Places and numbers of the balls on the wall.
    on_wall: Vec<([f64; 2], f64)>,
}

impl Crowd {
    /// From earlier results, where there are any, and the angles' scatter, rad.
    pub fn new(summary: Option<&Summary>, spread_rad: f64, pivot_out_m: f64) -> Self {
        let mut seen = Vec::new();
        let (mut squares, mut df) = (0.0, 0.0);
        for v in summary.into_iter().flat_map(|s| &s.volleys) {
            let (Some(x), Some(y), Some(speed)) = (v.mean_x_mm, v.mean_y_mm, v.setpoint_mps.or(v.speed_mps)) else {
                continue;
            };
            seen.push(Seen { setup: v.setup.clone(), setpoint_mps: speed, at_m: [1e-3 * x, 1e-3 * y] });
            let places: Vec<[f64; 2]> = v.marks.iter().filter_map(|m| Some([m.x_mm?, m.y_mm?])).collect();
            if places.len() > 1 {
                // Both directions together: the mean of the two variances.
                squares += places.iter().map(|p| 0.5e-6 * ((p[0] - x).powi(2) + (p[1] - y).powi(2))).sum::<f64>();
                df += places.len() as f64 - 1.0;
            }
        }
        let scatter = if df > 0.0 { (squares / df).sqrt() } else { spread_rad * pivot_out_m };
        let radius_m = summary.and_then(|s| s.mark_shape.as_ref()).map_or(USUAL_RADIUS_M, |s| 1e-3 * s.radius_mm.0);
        Self { seen, radius_m, scatter_m: scatter.max(LEAST_SCATTER_M), pivot_out_m, on_wall: Vec::new() }
    }

    /// Where a setup's marks at a speed are expected, m: where they were seen, else where any setup's were at that speed, else by the
    /// fall of a ball that leaves level.
    fn place(&self, setup: &Setup, setpoint_mps: f64) -> [f64; 2] {
        let alike = |s: &&Seen| (s.setpoint_mps / setpoint_mps).ln().abs() < SAME_STEP;
        let own = self.seen.iter().filter(alike).find(|s| s.setup == *setup);
        match own.or_else(|| self.seen.iter().find(alike)) {
            Some(s) => s.at_m,
            None => [0.0, -0.5 * STANDARD_GRAVITY_MPS2 * (self.pivot_out_m / setpoint_mps).powi(2)],
        }
    }

    /// Share of a new mark there that old marks are expected to cover, 0 to 1.
    pub fn covered(&self, setup: &Setup, setpoint_mps: f64) -> f64 {
        let at = self.place(setup, setpoint_mps);
        let four = 4.0 * self.scatter_m.powi(2);
        let sum: f64 = self
            .on_wall
            .iter()
            .map(|(p, n)| {
                let d2 = (p[0] - at[0]).powi(2) + (p[1] - at[1]).powi(2);
                n * self.radius_m.powi(2) / four * (-d2 / four).exp()
            })
            .sum();
        1.0 - (-sum).exp()
    }

    /// Puts a volley's balls on the wall.
    pub fn add(&mut self, setup: &Setup, setpoint_mps: f64, balls: u32) {
        let at = self.place(setup, setpoint_mps);
        self.on_wall.push((at, f64::from(balls)));
    }

    /// The wall is clean again.
    pub fn wipe(&mut self) {
        self.on_wall.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_cover_as_many_as_were_simulated() {
        // Source: 200 000 points of new marks (radius 15 mm, scatter 20 mm about one place) against 10 old ones alike, simulated
        // (NumPy, seed 1): 0.648 of the area covered; the formula 1 - exp(-10 x 225 / 1600) = 0.755 takes the old places as drawn
        // anew for each point, which overstates a little: on the safe side.
        let setup = Setup::new([("pocket", "mid")]);
        let mut crowd = Crowd::new(None, 0.02 / 3.0, 3.0);
        assert_eq!(crowd.covered(&setup, 20.0), 0.0);
        crowd.add(&setup, 20.0, 10);
        assert!((crowd.covered(&setup, 20.0) - 0.755).abs() < 1e-3, "{}", crowd.covered(&setup, 20.0));
        // At another speed the ball falls elsewhere: 11 cm at 20 m/s, 5 cm at 30 m/s.
        assert!(crowd.covered(&setup, 30.0) < 0.2);
        crowd.wipe();
        assert_eq!(crowd.covered(&setup, 20.0), 0.0);
    }
}
