//! How much light falls where?

use crate::points::WallPoint;

/// A soft field of light on the wall: a level, a slope, and a lamp's pool. No hard shadows.
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
            let r = p.distance_m(self.lamp_at) / self.lamp_width_m;
            self.lamp * (-0.5 * r * r).exp()
        };
        let level = (self.level * (slope.max(0.05) + lamp)).max(0.0) as f32;
        self.tint.map(|t| level * t)
    }
}
