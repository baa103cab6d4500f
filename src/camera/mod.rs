//! How do pixels and wall millimetres belong together, and how well is that known?

pub mod bundle;
pub mod calibrate;
pub mod lens;
pub mod locate;
pub mod register;
pub mod start;
pub mod view;
pub mod wall;

pub use calibrate::{Calibration, CalibrationInput, calibrate};
pub use lens::Lens;
pub use locate::{Located, locate};
pub use register::{NotRegistered, Registered, register};
pub use view::{Pose, WallView};
pub use wall::Wall;
