//! Pockmark turns photographs of ball marks on a target wall into release angles
//! that can be defended.
//!
//! Data flows one way; a module imports only from those above it in this list.

pub mod error;
pub mod points;
pub mod quantity;
pub mod uncertainty;
mod vectors;

pub mod photo;
pub mod sheet;

pub mod camera;
pub mod flight;
pub mod marks;

pub mod session;
pub mod study;

pub mod render;
pub mod report;

pub mod pipeline;

pub mod serve;

pub use error::{Error, ErrorKind, Result};
