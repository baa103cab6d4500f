//! What lies in a session's folder, and how is it read and written?

pub mod flags;
mod located;
mod nearest;
pub mod pairing;
pub mod results;
pub mod spec;
pub mod table;
pub mod volleys;

pub use flags::FlagWord;
pub use pairing::{PairedVolley, Pairing};
pub use results::{ShotRow, Status, VolleyResult, write_together, write_whole};
pub use spec::SessionSpec;
pub use volleys::{VolleyRow, VolleyTable};
