//! What stands or lies before the wall?
//!
//! A chain of discs, each joined to the next (a ball is one, a hose many of one size, a person a few of several sizes), drawn in the wall's own
//! plane: from a camera that hardly moves, a thing near the wall looks just so.

use super::noise::grain;
use crate::points::WallPoint;

/// Darkest shade at the rim of a round body over its front: it turns away from the light.
const RIM_SHADE: f64 = 0.45;
/// Depth of a cloth's weave and creases.
const CLOTH: f64 = 0.16;

/// A smooth body before the wall.
#[derive(Clone, Debug, PartialEq)]
pub struct Solid {
    /// Middle and radius (m) of each disc.
    pub chain: Vec<(WallPoint, f64)>,
    /// Colour of its front (linear albedo).
    pub colour: [f32; 3],
    /// Its creases.
    pub seed: u64,
}

impl Solid {
    /// A ball on the floor whose middle is seen here.
    pub fn ball(middle: WallPoint, radius_m: f64) -> Self {
        Self { chain: vec![(middle, radius_m)], colour: [0.55, 0.56, 0.52], seed: 1 }
    }

    /// A garden hose through these places.
    pub fn hose(through: &[WallPoint], radius_m: f64) -> Self {
        Self { chain: through.iter().map(|&p| (p, radius_m)).collect(), colour: [0.05, 0.16, 0.07], seed: 2 }
    }

    /// A person seen from behind, feet under (x, foot), one arm towards the wall.
    pub fn person(x_m: f64, foot_m: f64, height_m: f64, seed: u64) -> Vec<Self> {
        let at = |dx: f64, y: f64, r: f64| (WallPoint::new(x_m + height_m * dx, foot_m + height_m * y), height_m * r);
        let part = |chain: Vec<(WallPoint, f64)>, colour: [f32; 3], seed| Self { chain, colour, seed };
        let (jeans, shirt, skin, hair) =
            ([0.035, 0.05, 0.09], [0.20, 0.055, 0.05], [0.42, 0.27, 0.20], [0.035, 0.025, 0.02]);
        vec![
            part(vec![at(-0.050, 0.02, 0.030), at(-0.048, 0.28, 0.036), at(-0.04, 0.50, 0.055)], jeans, seed),
            part(vec![at(0.055, 0.02, 0.030), at(0.046, 0.28, 0.036), at(0.04, 0.50, 0.055)], jeans, seed ^ 1),
            part(vec![at(-0.115, 0.79, 0.030), at(-0.145, 0.63, 0.026), at(-0.140, 0.50, 0.022)], shirt, seed ^ 2),
            part(vec![at(0.115, 0.79, 0.030), at(0.200, 0.70, 0.026), at(0.235, 0.80, 0.022)], shirt, seed ^ 3),
            part(vec![at(-0.140, 0.50, 0.020), at(-0.140, 0.47, 0.024)], skin, seed ^ 4),
            part(vec![at(0.235, 0.80, 0.019), at(0.240, 0.83, 0.023)], skin, seed ^ 5),
            part(vec![at(0.0, 0.52, 0.080), at(0.0, 0.66, 0.085), at(0.0, 0.76, 0.098)], shirt, seed ^ 6),
            part(vec![at(-0.085, 0.79, 0.040), at(0.085, 0.79, 0.040)], shirt, seed ^ 6),
            part(vec![at(0.0, 0.83, 0.033), at(0.0, 0.86, 0.033)], skin, seed ^ 7),
            part(vec![at(0.0, 0.925, 0.050), at(0.0, 0.945, 0.054)], hair, seed ^ 8),
        ]
    }

    /// Depth inside (m, negative outside) and the radius of the body there.
    fn depth(&self, p: WallPoint) -> (f64, f64) {
        let mut best = (f64::NEG_INFINITY, 1e-6);
        let mut consider = |q: WallPoint, radius: f64| {
            let depth = radius - p.distance_m(q);
            if depth > best.0 {
                best = (depth, radius);
            }
        };
        if let [only] = self.chain[..] {
            consider(only.0, only.1);
        }
        for pair in self.chain.windows(2) {
            let [(a, ra), (b, rb)] = pair else { continue };
            let (dx, dy) = (b.x_m - a.x_m, b.y_m - a.y_m);
            let t = (((p.x_m - a.x_m) * dx + (p.y_m - a.y_m) * dy) / (dx * dx + dy * dy).max(1e-12)).clamp(0.0, 1.0);
            consider(WallPoint::new(a.x_m + t * dx, a.y_m + t * dy), ra + t * (rb - ra));
        }
        best
    }

    /// True when it hides the place.
    pub fn hides(&self, p: WallPoint) -> bool {
        self.depth(p).0 > 0.0
    }

    /// Draws the body over a colour.
    pub(crate) fn paint(&self, p: WallPoint, footprint_m: f64, colour: &mut [f32; 3]) {
        let (depth, radius) = self.depth(p);
        let share = (depth / footprint_m.max(1e-6) + 0.5).clamp(0.0, 1.0) as f32;
        if share == 0.0 {
            return;
        }
        let out = (1.0 - depth / radius).clamp(0.0, 1.0);
        let turn = 1.0 - RIM_SHADE * (1.0 - (1.0 - out * out).sqrt());
        let (x_mm, y_mm, f_mm) = (1e3 * p.x_m, 1e3 * p.y_m, 1e3 * footprint_m);
        let crease = 0.6 * grain(x_mm + 0.6 * y_mm, y_mm, 90.0, 34.0, f_mm, self.seed)
            + 0.4 * grain(x_mm, y_mm, 7.0, 7.0, f_mm, self.seed ^ 9);
        let shade = (turn * (1.0 + CLOTH * crease)).max(0.0) as f32;
        colour.iter_mut().zip(self.colour).for_each(|(v, k)| *v += share * (k * shade - *v));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_body_hides_what_is_behind_it_and_nothing_else() {
        let hose = Solid::hose(&[WallPoint::new(0.0, 0.0), WallPoint::new(1.0, 0.0), WallPoint::new(1.0, 1.0)], 0.01);
        for (x, y, inside) in [(0.5, 0.009, true), (0.5, 0.011, false), (1.009, 0.5, true), (0.5, 0.5, false)] {
            assert_eq!(hose.hides(WallPoint::new(x, y)), inside, "{x} {y}");
        }
        let mut colour = [0.8; 3];
        hose.paint(WallPoint::new(0.5, 0.2), 0.001, &mut colour);
        assert_eq!(colour, [0.8; 3]);
        hose.paint(WallPoint::new(0.5, 0.0), 0.001, &mut colour);
        assert!(colour[0] < 0.07 && colour[1] < 0.2, "{colour:?}");
        let ball = Solid::ball(WallPoint::new(0.0, 0.0), 0.03);
        assert!(ball.hides(WallPoint::new(0.0, 0.029)) && !ball.hides(WallPoint::new(0.0, 0.031)));
        let nothing = Solid { chain: vec![], colour: [0.0; 3], seed: 0 };
        assert!(!nothing.hides(WallPoint::default()));
    }

    #[test]
    fn a_person_stands_between_feet_and_hair() {
        let person = Solid::person(1.0, -0.5, 1.8, 3);
        let hidden = |x: f64, y: f64| person.iter().any(|s| s.hides(WallPoint::new(x, y)));
        assert!(hidden(1.0, 0.8) && hidden(1.0, 1.2) && hidden(0.92, 0.0) && hidden(1.0, 1.25));
        assert!(!hidden(1.0, 1.35) && !hidden(1.0, -0.3) && !hidden(1.5, 0.5) && !hidden(0.4, 0.5));
    }
}
