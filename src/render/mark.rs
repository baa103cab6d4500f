//! What does a ball leave on the wall?
//!
//! A ragged disc, not opaque: after = before x (1 - a) + colour x a, with the share a of [`Mark::alpha`]. Bare rubber
//! slides as it flattens, so a scuff's rim takes most of the colour, and the wall's roughness leaves holes. A chalked ball
//! prints its powder: fullest in the middle, patchy, thinning outwards.

use super::noise::{smooth, uniform};
use crate::points::WallPoint;

/// Waves round the rim that make it ragged: the second to the seventh. The first would only shift the disc.
const WAVES: std::ops::RangeInclusive<i64> = 2..=7;
/// Mean depth of the slowest wave, share of the radius; faster ones are shallower, together about 4 % RMS.
const WAVE_DEPTH: f64 = 0.035;
/// Depth of the fine fray on top, m: the wall's own grain.
const FRAY_M: f64 = 5e-4;
/// Width of the soft outer edge, m: rubber lifts off over about a millimetre.
const EDGE_M: f64 = 1.2e-3;
/// How far outside its nominal radius a mark may reach.
pub const REACH: f64 = 1.25;

/// Depth of a chalk mark's patches.
const PATCHY: f64 = 0.75;

/// A rough wall's marks: their rim waves deeper this many times, frays as deep and as wide as this (m, mm), and has holes this deep.
const ROUGH_WAVES: f64 = 1.6;
const ROUGH_FRAY_M: f64 = 1.5e-3;
const ROUGH_FRAY_MM: f64 = 3.6;
const ROUGH_HOLES: f64 = 0.8;

/// A dusty ball's mark is specks as wide as this, mm; so much of its middle they cover, and so much outside of its rim, where they were thrown.
const SPECK_MM: f64 = 2.2;
const SPECKS: f64 = 0.72;
const THROWN: f64 = 0.05;

/// How a mark came about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum MarkKind {
    /// Rubbed off by a bare ball.
    #[default]
    Scuff,
    /// Powder from a chalked ball.
    Chalk,
    /// Rubbed off on a rough wall: a torn outline, and holes as wide as the wall's bumps.
    Rough,
    /// Dust that a ball brought, in specks that cover the wall or do not, some of them thrown outside of its rim.
    Dust,
}

/// One ball's mark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// How it came about.
    pub kind: MarkKind,
    /// Where the ball's centre was, straight in front.
    pub centre: WallPoint,
    /// Mean diameter, m.
    pub diameter_m: f64,
    /// Largest share of colour, 0 to 1.
    pub strength: f64,
    /// Colour (linear albedo).
    pub colour: [f32; 3],
    /// Its raggedness.
    pub seed: u64,
}

impl Mark {
    /// Share of colour at a place, 0 to `strength`.
    pub fn alpha(&self, p: WallPoint) -> f64 {
        let (dx, dy) = (p.x_m - self.centre.x_m, p.y_m - self.centre.y_m);
        let (r, radius_m) = (dx.hypot(dy), 0.5 * self.diameter_m);
        if r.is_nan() || r >= REACH * radius_m + EDGE_M {
            return 0.0;
        }
        let angle = dy.atan2(dx);
        let rough = self.kind == MarkKind::Rough;
        let (wave_depth, fray_m, fray_mm) =
            if rough { (ROUGH_WAVES * WAVE_DEPTH, ROUGH_FRAY_M, ROUGH_FRAY_MM) } else { (WAVE_DEPTH, FRAY_M, 1.7) };
        let waves: f64 = WAVES
            .map(|k| {
                let phase = std::f64::consts::TAU * uniform(k, 0, self.seed);
                let depth = 2.0 * wave_depth * uniform(k, 1, self.seed) / (k - 1) as f64;
                depth * (k as f64 * angle + phase).cos()
            })
            .sum();
        let (x_mm, y_mm) = (dx * 1e3, dy * 1e3);
        if self.kind == MarkKind::Dust {
            return self.dust(r / (radius_m * (1.0 + waves)), (x_mm, y_mm));
        }
        let fray_m = fray_m * smooth(x_mm / fray_mm, y_mm / fray_mm, self.seed ^ 3);
        let rim_m = radius_m * (1.0 + waves) + fray_m;
        let edge = ((rim_m - r) / EDGE_M + 0.5).clamp(0.0, 1.0);
        let edge = edge * edge * (3.0 - 2.0 * edge);
        let rho = r / rim_m;
        let holes = 0.5
            + 0.5
                * (0.65 * smooth(x_mm / 3.1, y_mm / 3.1, self.seed ^ 1)
                    + 0.35 * smooth(x_mm / 1.3, y_mm / 1.3, self.seed ^ 2));
        let body = match self.kind {
            MarkKind::Scuff => {
                let ring = (rho - 0.87) / 0.10;
                (0.58 + 0.42 * (-0.5 * ring * ring).exp()) * (1.0 - 0.35 * holes)
            }
            MarkKind::Rough => {
                let ring = (rho - 0.85) / 0.15;
                let bumps = 0.6 * smooth(x_mm / 4.6, y_mm / 4.6, self.seed ^ 1)
                    + 0.4 * smooth(x_mm / 2.1, y_mm / 2.1, self.seed ^ 2);
                (0.6 + 0.4 * (-0.5 * ring * ring).exp()) * (1.0 - ROUGH_HOLES * (0.5 + 0.5 * bumps))
            }
            MarkKind::Chalk | MarkKind::Dust => {
                let patches = 0.5 + 0.5 * smooth(x_mm / 5.5, y_mm / 5.5, self.seed ^ 4);
                (1.0 - 0.45 * rho * rho) * (1.0 - PATCHY * (0.5 * holes + 0.5 * patches))
            }
        };
        (self.strength * edge * body).clamp(0.0, 1.0)
    }

    /// Share of colour of a dusty mark, so many radii from its middle: noise is cut where as much of the wall is to be covered as there is.
    fn dust(&self, rho: f64, (x_mm, y_mm): (f64, f64)) -> f64 {
        let noise = |k: u64, of: f64| smooth(x_mm / of, y_mm / of, self.seed ^ k);
        let specks = 0.75 * noise(1, SPECK_MM) + 0.25 * noise(2, 3.0 * SPECK_MM);
        // Fullest within 0.8 radii, next to nothing beyond 1.05.
        let inside = ((1.05 - rho) / 0.25).clamp(0.0, 1.0);
        let covered = THROWN * ((REACH - rho) / (REACH - 1.0)).clamp(0.0, 1.0) + (SPECKS - THROWN) * inside;
        // That noise lies between -1 and 1, half of it within 0.3 of 0.
        let cut = 1.2 * (0.5 - covered);
        (self.strength * ((specks - cut) / 0.15 + 0.5).clamp(0.0, 1.0)).clamp(0.0, 1.0)
    }

    /// The visible mark's own middle: the centroid of its share of colour, by a grid of 0.2 mm.
    pub fn visible_centre(&self) -> WallPoint {
        let step_m = 2e-4;
        let reach = ((REACH * 0.5 * self.diameter_m + EDGE_M) / step_m).ceil().min(2000.0) as i32;
        let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
        for j in -reach..=reach {
            for i in -reach..=reach {
                let (dx, dy) = (f64::from(i) * step_m, f64::from(j) * step_m);
                let a = self.alpha(WallPoint::new(self.centre.x_m + dx, self.centre.y_m + dy));
                (sum, sx, sy) = (sum + a, sx + a * dx, sy + a * dy);
            }
        }
        if sum > 0.0 { WallPoint::new(self.centre.x_m + sx / sum, self.centre.y_m + sy / sum) } else { self.centre }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_is_a_ragged_disc_of_its_size_with_a_darker_rim() {
        let mut fall = 0.0;
        for seed in 0..40 {
            let centre = WallPoint::new(0.3, 1.1);
            let mark = Mark { kind: MarkKind::Scuff, centre, diameter_m: 0.028, strength: 0.5, colour: [0.1; 3], seed };
            let ring = |mark: &Mark, rho: f64| {
                (0..90)
                    .map(|i| {
                        let a = f64::from(i) * std::f64::consts::TAU / 90.0;
                        mark.alpha(WallPoint::new(0.3 + rho * 0.014 * a.cos(), 1.1 + rho * 0.014 * a.sin()))
                    })
                    .sum::<f64>()
                    / 90.0
            };
            let (inside, rim, outside) = (ring(&mark, 0.4), ring(&mark, 0.85), ring(&mark, 1.25));
            assert!(rim > 1.15 * inside && inside > 0.15 && outside == 0.0, "{inside} {rim} {outside}");
            let shift_mm = 1e3 * mark.visible_centre().distance_m(mark.centre);
            assert!(shift_mm < 1.2, "seed {seed}: the visible middle is {shift_mm} mm off");
            // Chalk lies the other way: full inside, thin at the rim.
            let chalk = Mark { kind: MarkKind::Chalk, ..mark };
            let (inside, rim, outside) = (ring(&chalk, 0.3), ring(&chalk, 0.85), ring(&chalk, 1.25));
            assert!(rim > 0.05 && outside == 0.0, "{inside} {rim} {outside}");
            fall += inside / rim / 40.0;
        }
        // Source: by hand: (1 - 0.45 x 0.3^2) / (1 - 0.45 x 0.85^2) = 1.42 and the soft edge's share at 0.85; patches move each seed's by
        // some 0.15, the mean of 40 by 0.024; four of those.
        assert!((1.32..1.56).contains(&fall), "{fall}");
    }
}
