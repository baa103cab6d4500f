//! What do people see of a session?
//!
//! [`model`] is everything that a report shows and `results/summary.json` holds; [`page`] draws it, with the
//! volleys' pictures, as one HTML file that needs no network and no scripts, so that no number on the page is
//! computed twice.

mod chart;
pub mod model;
pub mod number;
mod page;
mod picture;
pub mod runsheet;
mod view;

pub use model::{Summary, VolleyPicture};
pub use page::page;
