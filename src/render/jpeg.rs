//! How does a rendered photo become a file that looks like a camera's?
//!
//! JPEG with an Exif block (CIPA DC-008: baseline tags of IFD0 and the Exif IFD).

use std::path::Path;

use exif::experimental::Writer;
use exif::{Field, In, Rational, SRational, Tag, Value};
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder, RgbImage, imageops};

use crate::error::{Error, Result};

/// What a camera writes beside the picture.
#[derive(Clone, Debug, PartialEq)]
pub struct ExifFields {
    /// Maker.
    pub make: String,
    /// Model.
    pub model: String,
    /// When it was taken, camera's own clock: "2031:05:09 14:02:33".
    pub taken: String,
    /// Milliseconds after `taken`, 0 to 999.
    pub taken_ms: u32,
    /// The clock's offset from UTC: "+02:00"; empty for none.
    pub offset: String,
    /// Exif orientation, 1 to 8: the picture is stored turned so that this turns it upright.
    pub orientation: u16,
    /// Focal length, mm.
    pub focal_mm: f64,
    /// Focal length that gives the same view on 35 mm film, mm; 0 for unknown.
    pub focal_35mm: u16,
    /// Exposure time, s.
    pub exposure_s: f64,
    /// Brightness of the scene (APEX Bv).
    pub brightness_bv: f64,
}

impl Default for ExifFields {
    fn default() -> Self {
        Self {
            make: "Invented".into(),
            model: "Barn Owl 3".into(),
            taken: "2031:05:09 14:00:00".into(),
            taken_ms: 0,
            offset: String::new(),
            orientation: 1,
            focal_mm: 5.6,
            focal_35mm: 27,
            exposure_s: 0.01,
            brightness_bv: 4.0,
        }
    }
}

/// Writes an **upright** photo as JPEG with its Exif block, whole or not at all.
///
/// `quality` is 1 to 100. Errors: an orientation outside 1 to 8, or a file that cannot be written.
pub fn write_jpeg(path: &Path, upright: &RgbImage, quality: u8, fields: &ExifFields) -> Result<()> {
    let bytes = encode_jpeg(upright, quality, fields)?;
    let name = path.file_name().and_then(|n| n.to_str()).unwrap_or("photo");
    let part = path.with_file_name(format!(".{name}.part"));
    let written = std::fs::write(&part, &bytes).and_then(|()| std::fs::rename(&part, path));
    written.map_err(|e| {
        // What is left of it is no photo; that it may not be there either is no matter.
        let _ = std::fs::remove_file(&part);
        Error::io(path, "write", e)
    })
}

/// The bytes that [`write_jpeg`] writes.
pub fn encode_jpeg(upright: &RgbImage, quality: u8, fields: &ExifFields) -> Result<Vec<u8>> {
    // Exif orientation says what the viewer does; the file holds the opposite.
    let stored = match fields.orientation {
        1 => None,
        2 => Some(imageops::flip_horizontal(upright)),
        3 => Some(imageops::rotate180(upright)),
        4 => Some(imageops::flip_vertical(upright)),
        5 => Some(imageops::flip_horizontal(&imageops::rotate90(upright))),
        6 => Some(imageops::rotate270(upright)),
        7 => Some(imageops::flip_horizontal(&imageops::rotate270(upright))),
        8 => Some(imageops::rotate90(upright)),
        other => return Err(Error::input(format!("orientation {other}: Exif knows 1 to 8"))),
    };
    let stored = stored.as_ref().unwrap_or(upright);
    let mut bytes = Vec::new();
    let failed = |e: image::ImageError| Error::input(format!("a photo cannot be written as JPEG: {e}"));
    let mut encoder = JpegEncoder::new_with_quality(&mut bytes, quality.clamp(1, 100));
    encoder
        .set_exif_metadata(exif_block(fields, stored.width(), stored.height())?)
        .map_err(|e| Error::input(format!("a photo's Exif block cannot be written: {e}")))?;
    encoder.write_image(stored, stored.width(), stored.height(), ExtendedColorType::Rgb8).map_err(failed)?;
    Ok(bytes)
}

fn exif_block(fields: &ExifFields, width: u32, height: u32) -> Result<Vec<u8>> {
    let text = |s: &str| Value::Ascii(vec![s.bytes().filter(u8::is_ascii).collect()]);
    let ratio = |v: f64, denom: u32| {
        let num = (v * f64::from(denom)).round().clamp(0.0, f64::from(u32::MAX)) as u32;
        Value::Rational(vec![Rational { num, denom }])
    };
    let bright = (fields.brightness_bv * 100.0).round().clamp(-1e6, 1e6) as i32;
    let mut entries = vec![
        (Tag::Make, text(&fields.make)),
        (Tag::Model, text(&fields.model)),
        (Tag::Orientation, Value::Short(vec![fields.orientation])),
        (Tag::DateTime, text(&fields.taken)),
        (Tag::DateTimeOriginal, text(&fields.taken)),
        (Tag::SubSecTimeOriginal, text(&format!("{:03}", fields.taken_ms.min(999)))),
        (Tag::FocalLength, ratio(fields.focal_mm, 100)),
        (Tag::FocalLengthIn35mmFilm, Value::Short(vec![fields.focal_35mm])),
        (Tag::ExposureTime, ratio(fields.exposure_s, 1_000_000)),
        (Tag::BrightnessValue, Value::SRational(vec![SRational { num: bright, denom: 100 }])),
        (Tag::DigitalZoomRatio, ratio(1.0, 1)),
        (Tag::PixelXDimension, Value::Long(vec![width])),
        (Tag::PixelYDimension, Value::Long(vec![height])),
    ];
    if !fields.offset.is_empty() {
        entries.push((Tag::OffsetTimeOriginal, text(&fields.offset)));
    }
    let fields: Vec<Field> =
        entries.into_iter().map(|(tag, value)| Field { tag, ifd_num: In::PRIMARY, value }).collect();
    let mut writer = Writer::new();
    fields.iter().for_each(|f| writer.push_field(f));
    let mut block = std::io::Cursor::new(Vec::new());
    writer.write(&mut block, false).map_err(|e| Error::input(format!("an Exif block cannot be written: {e}")))?;
    Ok(block.into_inner())
}
