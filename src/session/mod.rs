//! What lies in a session's folder, and how is it read and written?

pub mod flags;
mod located;
mod nearest;
pub mod spec;
pub mod table;

pub use flags::FlagWord;
pub use spec::SessionSpec;
