//! What does a wiped wall keep?
//!
//! A cloth spreads what it does not take away: a soft-edged patch of faint colour, streaked along the strokes.

use super::noise::{grain, smooth};
use crate::points::WallPoint;

/// Share of the patch's half-size over which it fades out.
const FADE: f64 = 0.35;

/// A wiped patch of the wall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Smear {
    /// Its middle.
    pub middle: WallPoint,
    /// Half its width and half its height, m.
    pub half_m: [f64; 2],
    /// Direction of the strokes, counter-clockwise from the right, rad.
    pub stroke_rad: f64,
    /// Share of colour in a full streak, 0 to 1.
    pub strength: f64,
    /// Colour (linear albedo).
    pub colour: [f32; 3],
    /// Its streaks.
    pub seed: u64,
}

impl Smear {
    /// Share of colour at a place, 0 to `strength`, for a pixel about `footprint_m` wide.
    pub fn alpha(&self, p: WallPoint, footprint_m: f64) -> f64 {
        let (dx, dy) = (p.x_m - self.middle.x_m, p.y_m - self.middle.y_m);
        // A hand's patch has no straight border.
        let ragged = 1.0 + 0.12 * smooth(7.0 * dx, 7.0 * dy, self.seed ^ 1);
        let out = (dx / self.half_m[0].max(1e-6)).abs().max((dy / self.half_m[1].max(1e-6)).abs()) * ragged;
        let inside = ((1.0 - out) / FADE).clamp(0.0, 1.0);
        if inside == 0.0 {
            return 0.0;
        }
        let (sin, cos) = self.stroke_rad.sin_cos();
        let (along_mm, over_mm) = (1e3 * (dx * cos + dy * sin), 1e3 * (dy * cos - dx * sin));
        // Strokes bend with the arm.
        let over_mm = over_mm + 12.0 * (along_mm / 160.0).sin();
        let streaks = 0.5
            + 0.3 * grain(along_mm, over_mm, 180.0, 9.0, 1e3 * footprint_m, self.seed ^ 2)
            + 0.2 * grain(along_mm, over_mm, 90.0, 3.5, 1e3 * footprint_m, self.seed ^ 3);
        self.strength * inside * inside * (3.0 - 2.0 * inside) * streaks.clamp(0.0, 1.0)
    }

    /// Lays the smear over a colour.
    pub(crate) fn paint(&self, p: WallPoint, footprint_m: f64, colour: &mut [f32; 3]) {
        let share = self.alpha(p, footprint_m) as f32;
        if share > 0.0 {
            colour.iter_mut().zip(self.colour).for_each(|(v, k)| *v += share * (k - *v));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_smear_is_faint_streaked_along_its_strokes_and_ends() {
        let smear = Smear {
            middle: WallPoint::new(1.0, 0.8),
            half_m: [0.2, 0.3],
            stroke_rad: 0.0,
            strength: 0.1,
            colour: [0.1; 3],
            seed: 5,
        };
        let at = |dx: f64, dy: f64| smear.alpha(WallPoint::new(1.0 + dx, 0.8 + dy), 0.001);
        assert_eq!(at(0.24, 0.0), 0.0);
        assert_eq!(at(0.0, -0.36), 0.0);
        let (mut along, mut over, mut sum) = (0.0, 0.0, 0.0);
        for i in 0..100 {
            let d = 0.002 * f64::from(i % 10) - 0.01;
            let e = 0.02 * f64::from(i / 10) - 0.1;
            let a = at(d, e);
            assert!((0.0..=0.1).contains(&a));
            sum += a;
            along += (at(d + 0.004, e) - a).abs();
            over += (at(d, e + 0.004) - a).abs();
        }
        assert!((0.03..0.08).contains(&(sum / 100.0)), "mean {}", sum / 100.0);
        assert!(over > 3.0 * along, "{over} {along}");
    }
}
