//! What is on a printed sheet, how is it drawn, and where is it in a photo?

pub mod again;
mod board;
mod crossing;
mod dark;
pub mod draw;
pub mod find;
pub mod geometry;
pub mod homography;
pub mod near;
mod rest;
pub mod saddle;
mod sharpen;
pub mod tag36h11;
pub mod tags;

pub use again::find_known_sheets;
pub use find::{
    Corner, LEAST_CORNERS, SheetView, SheetsSeen, TOO_NOISY, find_sheets, find_sheets_from, find_sheets_thoroughly,
};
pub use geometry::{SheetGeometry, SheetSet};
pub use homography::Homography;
pub use near::{ExpectedSheet, find_sheets_at, find_sheets_near};
