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

    /// The cell, `side` pixels wide and high, that the place belongs to in a grid of so many `(across, down)` whose first pixel is `origin`; `None` beside
    /// it. A pixel reaches half a pixel to each side of its centre.
    pub fn cell(self, origin: (usize, usize), side: usize, size: (usize, usize)) -> Option<(usize, usize)> {
        let cell = |v: f64, o: usize| (v + 0.5 - o as f64) / side as f64;
        let (x, y) = (cell(self.x_px, origin.0), cell(self.y_px, origin.1));
        let inside = x >= 0.0 && y >= 0.0 && x < size.0 as f64 && y < size.1 as f64;
        inside.then_some((x as usize, y as usize))
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
