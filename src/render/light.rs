//! How much light falls where?

use crate::points::WallPoint;

/// Sun through a door or window: everything on one side of a line gets more light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sun {
    /// A point of the shadow's edge.
    pub edge: WallPoint,
    /// Direction from the edge into the sun, counter-clockwise from the right, rad.
    pub towards_rad: f64,
    /// Extra light in the sun over the light at `middle`.
    pub gain: f64,
    /// Width over which the edge is soft, m: the sun is half a degree wide, so 9 mm a metre from what casts the shadow.
    pub penumbra_m: f64,
    /// Colour of the sun; white is [1, 1, 1].
    pub tint: [f32; 3],
}

impl Sun {
    /// Share of the sun seen from a place, 0 to 1.
    pub fn share(&self, p: WallPoint) -> f64 {
        let (sin, cos) = self.towards_rad.sin_cos();
        let into_m = (p.x_m - self.edge.x_m) * cos + (p.y_m - self.edge.y_m) * sin;
        let t = (into_m / self.penumbra_m.max(1e-6) + 0.5).clamp(0.0, 1.0);
        t * t * (3.0 - 2.0 * t)
    }
}

/// A soft field of light on the wall: a level, a slope, and a lamp's pool; over it, perhaps, sun with a hard edge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Light {
    /// Light at `middle` without the lamp; an albedo of 0.8 under level 1 nearly fills the sensor's range.
    pub level: f64,
    /// The point that level and slopes refer to.
    pub middle: WallPoint,
    /// Relative change a metre to the right, 1/m.
    pub slope_right_per_m: f64,
    /// Relative change a metre up, 1/m.
    pub slope_up_per_m: f64,
    /// Relative extra light in the middle of the lamp's pool.
    pub lamp: f64,
    /// Middle of the lamp's pool.
    pub lamp_at: WallPoint,
    /// Standard width of the lamp's pool, m.
    pub lamp_width_m: f64,
    /// Colour of the light; white is [1, 1, 1].
    pub tint: [f32; 3],
    /// Sun on part of the wall.
    pub sun: Option<Sun>,
}

impl Default for Light {
    /// Even white light.
    fn default() -> Self {
        Self {
            level: 1.0,
            middle: WallPoint::default(),
            slope_right_per_m: 0.0,
            slope_up_per_m: 0.0,
            lamp: 0.0,
            lamp_at: WallPoint::default(),
            lamp_width_m: 1.0,
            tint: [1.0; 3],
            sun: None,
        }
    }
}

impl Light {
    /// Light at a place, each colour, never negative.
    pub fn at(&self, p: WallPoint) -> [f32; 3] {
        let (dx, dy) = (p.x_m - self.middle.x_m, p.y_m - self.middle.y_m);
        let slope = 1.0 + self.slope_right_per_m * dx + self.slope_up_per_m * dy;
        let lamp = if self.lamp == 0.0 {
            0.0
        } else {
            let (lx, ly) = (p.x_m - self.lamp_at.x_m, p.y_m - self.lamp_at.y_m);
            self.lamp * (-0.5 * (lx * lx + ly * ly) / (self.lamp_width_m * self.lamp_width_m)).exp()
        };
        let level = (self.level * (slope.max(0.05) + lamp)).max(0.0) as f32;
        let soft = self.tint.map(|t| level * t);
        match &self.sun {
            None => soft,
            Some(sun) => {
                let more = (self.level * sun.gain * sun.share(p)).max(0.0) as f32;
                std::array::from_fn(|i| soft[i] + more * sun.tint[i])
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sun_shines_on_its_own_side_only_and_its_edge_is_as_soft_as_said() {
        let edge = WallPoint::new(1.0, 0.5);
        let sun =
            Sun { edge, towards_rad: std::f64::consts::FRAC_PI_2, gain: 1.5, penumbra_m: 0.02, tint: [1.0, 0.9, 0.8] };
        let light = Light { level: 0.4, sun: Some(sun), ..Light::default() };
        // Source: by hand: half a metre into the sun 0.4 x (1 + 1.5 x tint), in the shade 0.4, on the edge the mean of both.
        let near = |a: [f32; 3], b: [f32; 3]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-6);
        assert!(near(light.at(WallPoint::new(-3.0, 1.0)), [1.0, 0.94, 0.88]));
        assert!(near(light.at(WallPoint::new(5.0, 0.48)), [0.4; 3]));
        assert!(near(light.at(edge), [0.7, 0.67, 0.64]));
        assert!(light.at(WallPoint::new(1.0, 0.508))[0] < 1.0 && light.at(WallPoint::new(1.0, 0.511))[0] > 0.999_999);
    }
}
