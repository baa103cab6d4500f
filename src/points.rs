//! Which frame does a point belong to?
//!
//! Two frames meet everywhere in the project, so each has a type of its own and
//! the compiler keeps them apart.
//!
//! - [`PixelPoint`]: x right, y down, (0, 0) is the **centre** of the top-left
//!   pixel of the photo turned upright by its Exif orientation.
//! - [`WallPoint`]: origin at the origin sheet's cross, x right and y up as seen
//!   facing the wall, metres.

use serde::{Deserialize, Serialize};

/// A place in an upright photo, pixels; (0, 0) is the centre of the top-left pixel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PixelPoint {
    /// To the right, px.
    pub x_px: f64,
    /// Downwards, px.
    pub y_px: f64,
}

impl PixelPoint {
    /// A point from its two coordinates in pixels.
    pub const fn new(x_px: f64, y_px: f64) -> Self {
        Self { x_px, y_px }
    }

    /// Distance to another point, px.
    pub fn distance_px(self, other: Self) -> f64 {
        (self.x_px - other.x_px).hypot(self.y_px - other.y_px)
    }
}

/// A place on the wall plane, metres, facing the wall: x right, y up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct WallPoint {
    /// To the right, m.
    pub x_m: f64,
    /// Upwards, m.
    pub y_m: f64,
}

impl WallPoint {
    /// A point from its two coordinates in metres.
    pub const fn new(x_m: f64, y_m: f64) -> Self {
        Self { x_m, y_m }
    }

    /// Distance to another point, m.
    pub fn distance_m(self, other: Self) -> f64 {
        (self.x_m - other.x_m).hypot(self.y_m - other.y_m)
    }
}
