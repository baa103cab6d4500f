//! What do people see of a session?
//!
//! [`model`] is everything that a report shows and `results/summary.json` holds; the page is drawn from it and from
//! the volleys' pictures, so that no number on the page is computed twice.

pub mod model;

pub use model::{Summary, VolleyPicture};

/// placeholder
pub fn page(_: &Summary, _: &[VolleyPicture]) -> crate::Result<String> {
    Ok("<html></html>".into())
}
