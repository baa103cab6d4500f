//! What does the camera itself say about a photo: when, which way up, how far zoomed?
//!
//! Exif (CIPA DC-008) as JPEG, PNG, TIFF and WebP carry it. Everything is optional: a photo
//! without Exif gives nothing but `None`, and so does a broken block, with a note. Values out of
//! the standard's range are dropped with a note, never passed on.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use exif::{Exif, In, Tag, Value};
use jiff::Timestamp;
use jiff::civil;
use jiff::tz::Offset;

use crate::error::{Error, Result};

/// TIFF files are read whole to find their Exif; beyond this size it is left unread.
/// (A 60 MP 16-bit photo is 360 MB.)
pub const LARGEST_FILE_BYTES: u64 = 512 * 1024 * 1024;

/// Longest text taken from a photo, characters.
const LONGEST_TEXT: usize = 100;

/// When a photo was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CaptureTime {
    /// The camera's clock, with the sub-second digits.
    pub local: civil::DateTime,
    /// East of UTC, s; `None` when the camera did not write it.
    pub offset_s: Option<i32>,
}

impl CaptureTime {
    /// The instant, where the camera wrote its offset from UTC.
    pub fn instant(&self) -> Option<Timestamp> {
        let offset = Offset::from_seconds(self.offset_s?).ok()?;
        offset.to_timestamp(self.local).ok()
    }

    /// Whether this was taken after `other`: by the instant where both say one, else by the cameras' clocks.
    pub fn is_after(&self, other: &Self) -> bool {
        match (self.instant(), other.instant()) {
            (Some(a), Some(b)) => a > b,
            _ => self.local > other.local,
        }
    }

    /// How long after `other` this was taken, s, as [`CaptureTime::is_after`] compares them; negative for earlier.
    pub fn seconds_after(&self, other: &Self) -> i64 {
        match (self.instant(), other.instant()) {
            (Some(a), Some(b)) => a.duration_since(b).as_secs(),
            _ => self.local.duration_since(other.local).as_secs(),
        }
    }
}

/// What a photo's Exif says; `None` where it says nothing usable.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PhotoExif {
    /// Camera maker.
    pub make: Option<String>,
    /// Camera model.
    pub model: Option<String>,
    /// Lens.
    pub lens_model: Option<String>,
    /// When it was taken (DateTimeOriginal, else DateTimeDigitized, with sub-seconds and offset).
    pub taken: Option<CaptureTime>,
    /// How the stored rows and columns must be turned to stand upright, 1..=8.
    pub orientation: Option<u8>,
    /// Focal length, mm, > 0.
    pub focal_length_mm: Option<f64>,
    /// Focal length that would frame alike on 36 mm x 24 mm film, mm, > 0.
    pub focal_length_35mm_mm: Option<f64>,
    /// Digital zoom, 1 = not used.
    pub digital_zoom: Option<f64>,
    /// Focus distance, m, > 0.
    pub subject_distance_m: Option<f64>,
    /// Width as the camera stored it, before turning, px.
    pub width_px: Option<u32>,
    /// Height as the camera stored it, before turning, px.
    pub height_px: Option<u32>,
    /// What was wrong with the Exif block, if anything.
    pub note: Option<String>,
}

/// Opens a photo; a pipe or a device, which might never end, is refused before it is opened.
pub(super) fn open_file(path: &Path) -> Result<File> {
    let about = std::fs::metadata(path).map_err(|e| Error::io(path, "open", e))?;
    if !about.is_file() {
        let (what, advice) = match about.is_dir() {
            true => ("a folder", format!("name its photos, such as {}", path.join("*.jpg").display())),
            false => ("no ordinary file", "name a photo".into()),
        };
        return Err(Error::input(format!("{} is {what}, but a photo is wanted: {advice}", path.display())));
    }
    File::open(path).map_err(|e| Error::io(path, "open", e))
}

/// Reads what the camera wrote into a photo (JPEG, PNG, TIFF or WebP).
///
/// # Errors
/// Only when the file cannot be opened or looked at; missing or broken Exif is no error.
pub fn read_exif(path: &Path) -> Result<PhotoExif> {
    let file = open_file(path)?;
    let bytes = file.metadata().map_err(|e| Error::io(path, "look at", e))?.len();
    if bytes > LARGEST_FILE_BYTES {
        return Ok(noted(format!("the file has {bytes} bytes, too many to look for Exif")));
    }
    let mut reader = exif::Reader::new();
    reader.continue_on_error(true);
    let mut broken = None;
    let read = reader.read_from_container(&mut BufReader::new(file)).or_else(|e| {
        e.distill_partial_result(|errors| {
            broken = errors.first().map(ToString::to_string);
        })
    });
    match read {
        Ok(block) => {
            let mut found = from_block(&block);
            if let Some(broken) = broken {
                add_note(&mut found, format!("part of the Exif block is broken ({broken})"));
            }
            Ok(found)
        }
        Err(exif::Error::NotFound(_)) => Ok(PhotoExif::default()),
        Err(e) => Ok(noted(format!("the Exif block cannot be read ({e})"))),
    }
}

fn noted(note: String) -> PhotoExif {
    PhotoExif { note: Some(note), ..PhotoExif::default() }
}

fn add_note(found: &mut PhotoExif, note: String) {
    match &mut found.note {
        Some(before) => {
            before.push_str("; ");
            before.push_str(&note);
        }
        none => *none = Some(note),
    }
}

fn from_block(block: &Exif) -> PhotoExif {
    let mut found = PhotoExif {
        make: text(block, Tag::Make),
        model: text(block, Tag::Model),
        lens_model: text(block, Tag::LensModel),
        focal_length_mm: number(block, Tag::FocalLength).filter(|f| *f > 0.0),
        focal_length_35mm_mm: number(block, Tag::FocalLengthIn35mmFilm).filter(|f| *f > 0.0),
        // A numerator of zero means that digital zoom was not used.
        digital_zoom: number(block, Tag::DigitalZoomRatio)
            .filter(|z| *z >= 0.0)
            .map(|z| if z == 0.0 { 1.0 } else { z }),
        subject_distance_m: number(block, Tag::SubjectDistance).filter(|d| *d > 0.0 && *d < UNKNOWN_DISTANCE_M),
        width_px: whole(block, Tag::PixelXDimension).filter(|w| *w > 0),
        height_px: whole(block, Tag::PixelYDimension).filter(|h| *h > 0),
        ..PhotoExif::default()
    };
    match whole(block, Tag::Orientation) {
        None => {}
        Some(turn @ 1..=8) => found.orientation = u8::try_from(turn).ok(),
        Some(turn) => add_note(&mut found, format!("orientation {turn} is not one of 1 to 8 and was left out")),
    }
    let original = (Tag::DateTimeOriginal, Tag::SubSecTimeOriginal, Tag::OffsetTimeOriginal);
    let digitized = (Tag::DateTimeDigitized, Tag::SubSecTimeDigitized, Tag::OffsetTimeDigitized);
    found.taken = taken(block, original).or_else(|| taken(block, digitized));
    found
}

/// A numerator of FFFFFFFF stands for infinity; nothing measured here is beyond ten kilometres.
const UNKNOWN_DISTANCE_M: f64 = 1e4;

fn value(block: &Exif, tag: Tag) -> Option<&Value> {
    block.get_field(tag, In::PRIMARY).map(|f| &f.value)
}

fn bytes(block: &Exif, tag: Tag) -> Option<&[u8]> {
    match value(block, tag)? {
        Value::Ascii(lines) => lines.first().map(Vec::as_slice),
        _ => None,
    }
}

fn text(block: &Exif, tag: Tag) -> Option<String> {
    let shown: String = String::from_utf8_lossy(bytes(block, tag)?)
        .chars()
        .filter(|c| !c.is_control())
        .take(LONGEST_TEXT)
        .collect::<String>()
        .trim()
        .to_string();
    (!shown.is_empty()).then_some(shown)
}

fn whole(block: &Exif, tag: Tag) -> Option<u32> {
    value(block, tag)?.get_uint(0)
}

fn number(block: &Exif, tag: Tag) -> Option<f64> {
    let found = match value(block, tag)? {
        Value::Rational(v) => v.first()?.to_f64(),
        Value::SRational(v) => v.first()?.to_f64(),
        Value::Float(v) => f64::from(*v.first()?),
        Value::Double(v) => *v.first()?,
        other => f64::from(other.get_uint(0)?),
    };
    found.is_finite().then_some(found)
}

fn taken(block: &Exif, (date, sub_second, offset): (Tag, Tag, Tag)) -> Option<CaptureTime> {
    let mut parts = exif::DateTime::from_ascii(bytes(block, date)?).ok()?;
    if let Some(digits) = bytes(block, sub_second) {
        // Blank digits are allowed by the standard and mean nothing.
        let _ = parts.parse_subsec(digits);
    }
    if let Some(digits) = bytes(block, offset) {
        let _ = parts.parse_offset(digits);
    }
    let local = civil::DateTime::new(
        i16::try_from(parts.year).ok()?,
        i8::try_from(parts.month).ok()?,
        i8::try_from(parts.day).ok()?,
        i8::try_from(parts.hour).ok()?,
        i8::try_from(parts.minute).ok()?,
        i8::try_from(parts.second).ok()?,
        i32::try_from(parts.nanosecond.unwrap_or(0)).ok()?,
    )
    .ok()?;
    Some(CaptureTime { local, offset_s: parts.offset.map(|minutes| i32::from(minutes) * 60) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use exif::{Field, Rational};
    use std::io::{Cursor, Write};

    fn field(tag: Tag, value: Value) -> Field {
        Field { tag, ifd_num: In::PRIMARY, value }
    }

    fn ascii(text: &str) -> Value {
        Value::Ascii(vec![text.as_bytes().to_vec()])
    }

    fn block(fields: &[Field]) -> Vec<u8> {
        let mut writer = exif::experimental::Writer::new();
        for f in fields {
            writer.push_field(f);
        }
        let mut out = Cursor::new(Vec::new());
        writer.write(&mut out, false).unwrap();
        out.into_inner()
    }

    fn jpeg(block: &[u8]) -> Vec<u8> {
        let mut out = vec![0xFF, 0xD8, 0xFF, 0xE1];
        let length = u16::try_from(block.len() + 8).unwrap();
        out.extend(length.to_be_bytes());
        out.extend(b"Exif\0\0");
        out.extend(block);
        out.extend([0xFF, 0xD9]);
        out
    }

    fn read(file: &[u8]) -> PhotoExif {
        let mut on_disk = tempfile::NamedTempFile::new().unwrap();
        on_disk.write_all(file).unwrap();
        on_disk.flush().unwrap();
        read_exif(on_disk.path()).unwrap()
    }

    fn full() -> Vec<Field> {
        vec![
            field(Tag::Make, ascii("Invented ")),
            field(Tag::Model, ascii("Workshop 12")),
            field(Tag::Orientation, Value::Short(vec![6])),
            field(Tag::DateTimeOriginal, ascii("2026:05:03 14:08:09")),
            field(Tag::SubSecTimeOriginal, ascii("25")),
            field(Tag::OffsetTimeOriginal, ascii("-05:30")),
            field(Tag::FocalLength, Value::Rational(vec![Rational { num: 57, denom: 10 }])),
            field(Tag::FocalLengthIn35mmFilm, Value::Short(vec![0])),
            field(Tag::DigitalZoomRatio, Value::Rational(vec![Rational { num: 0, denom: 1 }])),
            field(Tag::PixelXDimension, Value::Long(vec![4000])),
            field(Tag::PixelYDimension, Value::Long(vec![3000])),
        ]
    }

    fn check_full(found: &PhotoExif) {
        assert_eq!(found.make.as_deref(), Some("Invented"));
        assert_eq!(found.model.as_deref(), Some("Workshop 12"));
        assert_eq!(found.orientation, Some(6));
        let taken = found.taken.unwrap();
        assert_eq!(taken.local.to_string(), "2026-05-03T14:08:09.25");
        assert_eq!(taken.instant().unwrap().to_string(), "2026-05-03T19:38:09.25Z");
        assert_eq!(found.focal_length_mm, Some(5.7));
        assert_eq!(found.focal_length_35mm_mm, None, "0 means unknown");
        assert_eq!(found.digital_zoom, Some(1.0), "0 means not used");
        assert_eq!((found.width_px, found.height_px), (Some(4000), Some(3000)));
        assert_eq!(found.note, None);
    }

    #[test]
    fn all_four_containers_give_the_same() {
        let tiff = block(&full());
        check_full(&read(&tiff));
        check_full(&read(&jpeg(&tiff)));
        let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
        png.extend(u32::try_from(tiff.len()).unwrap().to_be_bytes());
        png.extend(b"eXIf");
        png.extend(&tiff);
        png.extend([0; 4]);
        png.extend(b"\0\0\0\0IEND\xae\x42\x60\x82");
        check_full(&read(&png));
        let mut webp = b"RIFF".to_vec();
        let padding = tiff.len() % 2;
        webp.extend(u32::try_from(4 + 8 + tiff.len() + padding).unwrap().to_le_bytes());
        webp.extend(b"WEBPEXIF");
        webp.extend(u32::try_from(tiff.len()).unwrap().to_le_bytes());
        webp.extend(&tiff);
        webp.extend(vec![0; padding]);
        check_full(&read(&webp));
    }

    #[test]
    fn no_exif_is_no_error_and_broken_exif_leaves_a_note() {
        assert_eq!(read(&[0xFF, 0xD8, 0xFF, 0xD9]), PhotoExif::default());
        assert!(read(b"not a photo at all").note.is_some());
        let found = read(&jpeg(b"MM\0*\xff\xff\xff\xff"));
        assert!(found.note.is_some() && found.taken.is_none(), "{found:?}");
        let whole = block(&full());
        for end in 0..whole.len() {
            let _ = read(&jpeg(&whole[..end]));
        }
        assert!(read_exif(Path::new("/nowhere/at/all.jpg")).is_err());
    }

    #[test]
    fn values_outside_the_standard_are_dropped() {
        let found = read(&block(&[
            field(Tag::Orientation, Value::Short(vec![9])),
            field(Tag::DateTimeOriginal, ascii("0000:00:00 00:00:00")),
            field(Tag::FocalLength, Value::Rational(vec![Rational { num: 1, denom: 0 }])),
        ]));
        assert_eq!((found.orientation, found.taken, found.focal_length_mm), (None, None, None));
        assert!(found.note.unwrap().contains("orientation 9"));
    }
}
