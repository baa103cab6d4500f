//! What does a photo show, upright, and what does it say about itself?

pub mod decode;
pub mod exif;
pub mod level;
pub mod whole;

pub use decode::{decode_gray, decode_rgb};
pub use exif::{CaptureTime, PhotoExif, read_exif};
