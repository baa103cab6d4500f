//! How do pixels and wall millimetres belong together, and how well is that known?

pub mod advise;
pub mod bundle;
pub mod calibrate;
pub mod calibration;
mod doubts;
pub mod expect;
pub mod fit;
pub mod input;
mod kept;
pub mod lens;
pub mod lens_choice;
pub mod locate;
pub mod moved;
pub mod optics;
pub mod register;
pub mod start;
pub mod suspect;
pub mod trust;
pub mod turn;
pub mod unknowns;
pub mod view;
pub mod wall;
mod wall_check;

pub use calibrate::{Calibration, CalibrationInput, calibrate};
pub use lens::Lens;
pub use locate::{Located, locate, locate_turned};
pub use optics::Optics;
pub use register::{NotRegistered, Registered, register};
pub use turn::Turn;
pub use view::{Pose, WallView};
pub use wall::Wall;
