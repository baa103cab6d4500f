//! Is a photo's file complete, or is it still being copied?
//!
//! A decoder may take half a JPEG for a photo with a grey lower part. So the end that its format must have is looked
//! for; whether the content decodes shows later.

use std::path::Path;

use crate::error::{Error, Result};

/// Whether a photo's file has the end that its format asks for. Files of other formats count as complete: they fail when decoded.
///
/// # Errors
/// When it cannot be read.
pub fn is_whole(path: &Path) -> Result<bool> {
    let bytes = std::fs::read(path).map_err(|e| Error::io(path, "read", e))?;
    Ok(has_its_end(&bytes))
}

fn has_its_end(bytes: &[u8]) -> bool {
    if bytes.starts_with(&[0xFF, 0xD8]) {
        jpeg_has_its_end(bytes)
    } else if bytes.starts_with(b"\x89PNG") {
        // The last chunk: length 0, IEND, its check sum. Some programs write more behind it.
        bytes.windows(8).rev().any(|w| w == b"IEND\xAE\x42\x60\x82")
    } else if bytes.starts_with(b"RIFF") {
        // Length of all that follows, little-endian.
        let stated = bytes.get(4..8).and_then(|b| b.try_into().ok()).map(u32::from_le_bytes);
        stated.is_some_and(|n| bytes.len() as u64 >= u64::from(n) + 8)
    } else if bytes.starts_with(b"II*\0") || bytes.starts_with(b"MM\0*") {
        tiff_has_its_end(bytes)
    } else {
        bytes.len() > 16
    }
}

/// ITU T.81: segments up to the first scan (thumbnails lie inside of them), then an end-of-image marker.
fn jpeg_has_its_end(bytes: &[u8]) -> bool {
    let mut at = 2;
    loop {
        let Some(&[mark, kind]) = bytes.get(at..at + 2) else { return false };
        if mark != 0xFF {
            return false;
        }
        match kind {
            // Fill bytes, and markers without content.
            0xFF => at += 1,
            0x01 | 0xD0..=0xD7 => at += 2,
            0xD9 => return true,
            _ => {
                let Some(&[a, b]) = bytes.get(at + 2..at + 4) else { return false };
                at += 2 + usize::from(u16::from_be_bytes([a, b]));
                if kind == 0xDA {
                    // In the scan a marker's FF is never followed by D9 but at the end.
                    return bytes.get(at..).is_some_and(|rest| rest.windows(2).any(|w| w == [0xFF, 0xD9]));
                }
            }
        }
    }
}

/// TIFF 6.0: every strip (or tile) of the first picture lies inside the file.
fn tiff_has_its_end(bytes: &[u8]) -> bool {
    let little = bytes.starts_with(b"II");
    let number = |at: usize, size: usize| -> Option<usize> {
        let raw = bytes.get(at..at.checked_add(size)?)?;
        let fold = |v: usize, b: &u8| v << 8 | usize::from(*b);
        Some(if little { raw.iter().rev().fold(0, fold) } else { raw.iter().fold(0, fold) })
    };
    // A value of more than four bytes stands elsewhere in the file: TIFF 6.0, section 2, sizes of types 1 to 12.
    let outside_of_entry = |entry: usize, kind: usize, count: usize| -> Option<()> {
        let size = [1, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8].get(kind).copied()?;
        let length = count.checked_mul(size)?;
        if length > 4 {
            bytes.get(number(entry + 8, 4)?..)?.get(..length)?;
        }
        Some(())
    };
    let whole = || -> Option<bool> {
        let folder = number(4, 4)?;
        let (mut offsets, mut lengths) = (Vec::new(), Vec::new());
        let entries = number(folder, 2)?;
        // Behind the entries stands where the next picture's are.
        number(folder + 2 + 12 * entries, 4)?;
        for i in 0..entries {
            let entry = folder + 2 + 12 * i;
            let (tag, size) = (number(entry, 2)?, if number(entry + 2, 2)? == 3 { 2 } else { 4 });
            let count = number(entry + 4, 4)?;
            if !matches!(tag, 273 | 279 | 324 | 325) {
                outside_of_entry(entry, number(entry + 2, 2)?, count)?;
                continue;
            }
            if count > bytes.len() {
                return None;
            }
            let values = if count * size <= 4 { entry + 8 } else { number(entry + 8, 4)? };
            let list = if matches!(tag, 273 | 324) { &mut offsets } else { &mut lengths };
            for k in 0..count {
                list.push(number(values.checked_add(k * size)?, size)?);
            }
        }
        Some(offsets.iter().zip(&lengths).all(|(o, n)| o + n <= bytes.len()) && !offsets.is_empty())
    };
    whole().unwrap_or(false)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_part_of_a_photo_is_less_than_whole() {
        let picture = image::RgbImage::from_fn(90, 70, |x, y| image::Rgb([(x * 7 % 256) as u8, (y * 5) as u8, 40]));
        let dir = tempfile::tempdir().unwrap();
        for name in ["a.jpg", "a.png", "a.webp", "a.tif"] {
            let path = dir.path().join(name);
            picture.save(&path).unwrap();
            let bytes = std::fs::read(&path).unwrap();
            assert!(is_whole(&path).unwrap(), "{name}");
            for k in 0..bytes.len() {
                // What follows the pixels (an RIFF's padding, say) is not worth waiting for.
                let part = bytes.get(..k).unwrap();
                assert!(!has_its_end(part) || image::load_from_memory(part).is_ok(), "{name}: {k} of {}", bytes.len());
            }
            let half = &bytes[..bytes.len() / 2];
            assert!(!has_its_end(half), "{name}");
        }
    }

    #[test]
    fn a_thumbnails_end_is_not_the_photos() {
        // Start, an application segment that holds an end marker, then nothing.
        let mut bytes = vec![0xFF, 0xD8, 0xFF, 0xE1, 0, 6, 1, 0xFF, 0xD9, 2];
        assert!(!has_its_end(&bytes));
        bytes.extend([0xFF, 0xDA, 0, 4, 0, 0, 9, 9, 9]);
        assert!(!has_its_end(&bytes));
        bytes.extend([0xFF, 0xD9, 7, 7]);
        assert!(has_its_end(&bytes));
    }
}
