//! What would the camera have seen, if the truth were known?
//!
//! The project's own renderer, for the demonstration and for tests: a flat wall with sheets and ball marks, seen
//! through a real lens, lit, blurred, noisy and compressed as a photo is. Everything follows from a scene, a
//! camera, a sensor and a seed; the number of threads changes nothing.
//!
//! Light is linear until the very end ([`render`] encodes it as sRGB). Edges of sheets are exact: each pixel gets
//! the area of ink inside it, not a count of samples.

pub mod camera;
mod flown;
pub mod ink;
pub mod jpeg;
pub mod light;
pub mod mark;
pub mod noise;
mod paper;
pub mod photo;
pub mod recipe;
pub mod scenario;
pub mod scene;
pub mod sensor;
pub mod smear;
pub mod solid;
pub mod wall;

pub use camera::{RenderCamera, RenderPose};
pub use jpeg::{ExifFields, write_jpeg};
pub use light::{Light, Sun};
pub use mark::{Mark, MarkKind};
pub use photo::{LinearImage, optics, radiance, render};
pub use recipe::Recipe;
pub use scenario::{Machine, Scenario};
pub use scene::{Scene, SheetOnWall};
pub use sensor::Sensor;
pub use smear::Smear;
pub use solid::Solid;
pub use wall::{Wall, WallKind};
