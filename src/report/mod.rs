//! What do people see of a session?
//!
//! [`model`] is everything that a report shows and `results/summary.json` holds; [`page`] draws it, with the
//! volleys' pictures, as one HTML file that needs no network and no scripts, so that no number on the page is
//! computed twice. [`lines`] draws charts that stand alone.

mod chart;
mod jpeg;
pub mod label;
pub mod lines;
pub mod model;
pub mod number;
mod page;
mod picture;
mod poster;
mod raster;
pub mod runsheet;
pub mod shelf;
pub mod units;
mod view;
mod win_ansi;

pub use jpeg::JpegPicture;
pub use model::{Summary, VolleyPicture};
pub use page::{page, write_page};
pub use poster::{ChartFiles, SIZE_PX as CHART_PX, Theme, charts};
pub(crate) use raster::png as drawing_png;
pub use units::Units;
