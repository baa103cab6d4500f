//! How is a photo's part kept until it is on the page?
//!
//! As the JPEG file that the page will hold: a tenth of its pixels, so that a session of a thousand volleys keeps a thousand pairs of
//! them, and a page that is made again encodes nothing anew.

use std::sync::Arc;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use image::codecs::jpeg::JpegEncoder;
use image::imageops::{FilterType, resize};
use image::{ExtendedColorType, ImageEncoder, RgbImage};

use crate::error::{Error, Result};

/// Longest edge of an embedded picture, px: sharp at a page's width on a fine screen, some 100 kB each.
const LONGEST_EDGE_PX: u32 = 1000;
/// JPEG quality: marks' edges stay crisp, files stay small.
const QUALITY: u8 = 80;

/// A picture as JPEG; copies share the file.
#[derive(Clone, Debug, PartialEq)]
pub struct JpegPicture {
    file: Option<Arc<[u8]>>,
    size_px: (u32, u32),
}

impl JpegPicture {
    /// Encodes pixels; more than 1000 px on their longer edge are made smaller in the file.
    ///
    /// # Errors
    /// The encoder refuses them.
    pub fn of(pixels: &RgbImage) -> Result<Self> {
        let (w, h) = pixels.dimensions();
        if w == 0 || h == 0 {
            return Ok(Self { file: None, size_px: (w, h) });
        }
        let shrunk;
        let shown = if w.max(h) > LONGEST_EDGE_PX {
            let size = |edge: u32| (u64::from(edge) * u64::from(LONGEST_EDGE_PX) / u64::from(w.max(h))).max(1) as u32;
            shrunk = resize(pixels, size(w), size(h), FilterType::Triangle);
            &shrunk
        } else {
            pixels
        };
        let mut bytes = Vec::new();
        JpegEncoder::new_with_quality(&mut bytes, QUALITY)
            .write_image(shown.as_raw(), shown.width(), shown.height(), ExtendedColorType::Rgb8)
            .map_err(|e| {
                Error::no_answer(format!("cannot write a picture of {w} x {h} px as JPEG for the page: {e}"))
            })?;
        Ok(Self { file: Some(bytes.into()), size_px: (w, h) })
    }

    /// Width and height of the pixels it was made of, px.
    pub fn size_px(&self) -> (u32, u32) {
        self.size_px
    }

    /// The picture as a data URL (RFC 2397); `None` for one without pixels.
    pub(super) fn data_url(&self) -> Option<String> {
        let file = self.file.as_deref()?;
        Some(format!("data:image/jpeg;base64,{}", STANDARD.encode(file)))
    }
}
