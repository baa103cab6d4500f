//! How does a photo get to a browser upright, whatever its format?
//!
//! JPEG, PNG and WebP that stand upright go as they are. What is turned by its Exif, and what browsers do not show, is
//! decoded as the program sees it and sent as JPEG, so that page and program agree on every pixel's place.

use std::path::Path;

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder};

use crate::error::{Error, Result};
use crate::photo::{decode_rgb, read_exif};

/// JPEG quality of what is encoded anew: marks' edges stay as they are to the eye.
const QUALITY: u8 = 92;

/// A photo's bytes and their media type. `dir` is the session's folder: nothing outside of it is read.
///
/// # Errors
/// It is not there, not inside the folder (links followed), or cannot be read.
pub fn upright(dir: &Path, photo: &Path) -> Result<(Vec<u8>, &'static str)> {
    let real = |p: &Path| p.canonicalize().map_err(|e| Error::io(p, "find", e));
    let (inside, path) = (real(dir)?, real(photo)?);
    if !path.starts_with(&inside) {
        return Err(Error::input(format!(
            "{} lies outside of the session's folder: copy the photo itself into photos/",
            photo.display()
        )));
    }
    let turn = read_exif(&path)?.orientation.unwrap_or(1);
    let bytes = std::fs::read(&path).map_err(|e| Error::io(&path, "read", e))?;
    if turn == 1
        && let Some(kind) = shown_by_browsers(&bytes)
    {
        return Ok((bytes, kind));
    }
    let rgb = decode_rgb(&path, turn)?;
    let mut out = Vec::new();
    JpegEncoder::new_with_quality(&mut out, QUALITY)
        .write_image(rgb.as_raw(), rgb.width(), rgb.height(), ExtendedColorType::Rgb8)
        .map_err(|e| Error::no_answer(format!("{} cannot be written as JPEG: {e}", photo.display())))?;
    Ok((out, "image/jpeg"))
}

/// The media type of a format that every browser shows, by the file's first bytes.
fn shown_by_browsers(bytes: &[u8]) -> Option<&'static str> {
    if bytes.starts_with(&[0xFF, 0xD8, 0xFF]) {
        Some("image/jpeg")
    } else if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        Some("image/png")
    } else if bytes.starts_with(b"RIFF") && bytes.get(8..12) == Some(b"WEBP") {
        Some("image/webp")
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tiff_comes_as_jpeg_and_a_jpeg_as_it_is() {
        let dir = tempfile::tempdir().unwrap();
        let picture = image::RgbImage::from_fn(64, 48, |x, y| image::Rgb([x as u8 * 3, y as u8 * 4, 90]));
        for (name, kind) in [("a.tif", "image/jpeg"), ("b.png", "image/png"), ("c.jpg", "image/jpeg")] {
            let path = dir.path().join(name);
            picture.save(&path).unwrap();
            let (bytes, found) = upright(dir.path(), &path).unwrap();
            assert_eq!(found, kind, "{name}");
            assert_eq!(bytes == std::fs::read(&path).unwrap(), name != "a.tif");
            assert_eq!(image::load_from_memory(&bytes).unwrap().width(), 64);
        }
    }

    #[test]
    fn nothing_outside_of_the_session_is_read() {
        let outside = tempfile::tempdir().unwrap();
        let dir = tempfile::tempdir().unwrap();
        let path = outside.path().join("x.png");
        image::RgbImage::new(4, 4).save(&path).unwrap();
        assert!(upright(dir.path(), &path).is_err());
        assert!(upright(dir.path(), &dir.path().join("../x.png")).is_err());
        #[cfg(unix)]
        {
            let link = dir.path().join("link.png");
            std::os::unix::fs::symlink(&path, &link).unwrap();
            let said = upright(dir.path(), &link).unwrap_err().to_string();
            assert!(said.contains("outside of the session"), "{said}");
        }
    }
}
