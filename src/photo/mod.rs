//! What does a photo hold, before anything is looked for in it?

pub mod exif;
