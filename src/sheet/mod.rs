//! What is on a printed sheet, how is it drawn, and where is it in a photo?

pub mod draw;
pub mod geometry;
pub mod tag36h11;

pub use geometry::SheetGeometry;
