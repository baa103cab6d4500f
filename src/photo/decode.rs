//! How does a photo file become upright pixels?
//!
//! JPEG goes through `zune-jpeg`, which decodes straight to luma where colour is not needed (about
//! half the time); PNG, TIFF and WebP through `image`. The Exif orientation is applied, so pixel
//! (0, 0) is the top-left one of the photo as a person sees it.

use std::io::Read;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use image::metadata::Orientation;
use image::{DynamicImage, GrayImage, ImageDecoder, RgbImage};
use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;

use super::exif::{LARGEST_FILE_BYTES, open_file};
use crate::error::{Error, Result};
use crate::vectors::widest;

/// Largest photo that is decoded, pixels: 120 MP covers every phone and camera sold, and bounds
/// the memory that a hostile file can ask for (360 MB as RGB).
pub const MOST_PIXELS: u64 = 120_000_000;

/// Most memory that what stands beside a photo's pixels may take, bytes: profiles of colour have up to some MB (common practice, no source), and
/// one that unpacks to more is made to fill the memory.
const MOST_ABOUT_BYTES: u64 = 32 << 20;

/// Most pixels that one bit of a JPEG stands for: each block of 8 x 8 has a code of its own, of one bit or more (ITU-T T.81,
/// F.1.2.1 and G.1.2.1). A file with fewer is cut short, and need not be decoded for seconds to know it.
const PIXELS_PER_BIT: u64 = 64;

/// Decodes a photo to luma, turned upright by its Exif `orientation` (1..8).
///
/// # Errors
/// The file cannot be read, is not a photo of a known format, is cut short, or is larger than [`MOST_PIXELS`].
pub fn decode_gray(path: &Path, orientation: u8) -> Result<GrayImage> {
    let bytes = read(path)?;
    let upright = if is_jpeg(&bytes) {
        match jpeg(path, &bytes, ColorSpace::Luma) {
            Ok(Jpeg::Pixels(pixels, w, h)) => {
                DynamicImage::ImageLuma8(GrayImage::from_raw(w, h, pixels).ok_or_else(|| short(path))?)
            }
            // Where colours are passed over, some damage to them ends the reading that would not if they were read: a photo is readable or is not,
            // whatever is asked of it.
            Ok(Jpeg::FourInks) | Err(_) => DynamicImage::ImageLuma8(luma(&jpeg_rgb(path, &bytes)?)),
        }
    } else {
        other(path, &bytes)?
    };
    Ok(turn(upright, orientation).into_luma8())
}

/// Decodes a photo to 8-bit RGB, turned upright by its Exif `orientation` (1..8).
///
/// # Errors
/// As [`decode_gray`].
pub fn decode_rgb(path: &Path, orientation: u8) -> Result<RgbImage> {
    rgb(path, &read(path)?, orientation)
}

/// As [`decode_rgb`], if the upright photo's width and height, px, are `wanted`; else only these, from the file's head: what cannot be used need
/// not be decoded.
///
/// # Errors
/// As [`decode_gray`].
pub fn decode_rgb_if(
    path: &Path,
    orientation: u8,
    wanted: impl Fn((u32, u32)) -> bool,
) -> Result<std::result::Result<RgbImage, (u32, u32)>> {
    let bytes = read(path)?;
    let (w, h) = head(path, &bytes)?;
    // Exif's 5 to 8 lie on their side.
    let upright = if orientation > 4 { (h, w) } else { (w, h) };
    if !wanted(upright) {
        return Ok(Err(upright));
    }
    rgb(path, &bytes, orientation).map(Ok)
}

/// A file's pixels, turned upright.
fn rgb(path: &Path, bytes: &[u8], orientation: u8) -> Result<RgbImage> {
    let upright = if is_jpeg(bytes) { DynamicImage::ImageRgb8(jpeg_rgb(path, bytes)?) } else { other(path, bytes)? };
    Ok(turn(upright, orientation).into_rgb8())
}

/// Width and height as the file's head has them, px.
fn head(path: &Path, bytes: &[u8]) -> Result<(u32, u32)> {
    if !is_jpeg(bytes) {
        return Ok(open(path, bytes)?.dimensions());
    }
    let mut decoder = zune_jpeg::JpegDecoder::new_with_options(ZCursor::new(bytes), jpeg_options());
    decoder.decode_headers().map_err(|e| unreadable(path, e))?;
    let (w, h) = decoder.dimensions().ok_or_else(|| short(path))?;
    check_size(path, w as u64, h as u64)?;
    Ok((w as u32, h as u32))
}

fn jpeg_options() -> DecoderOptions {
    DecoderOptions::default().set_max_width(u16::MAX.into()).set_max_height(u16::MAX.into()).set_strict_mode(true)
}

/// Memory of a photo that is no longer needed: fresh pages for the next one cost a third of what decoding does.
static SPARE: Mutex<Vec<u8>> = Mutex::new(Vec::new());

/// Lets go of a photo; the next one that is decoded gets its memory.
pub fn let_go(photo: RgbImage) {
    if !photo.is_empty() {
        *SPARE.lock().unwrap_or_else(PoisonError::into_inner) = photo.into_raw();
    }
}

/// Gives back the memory that was waiting for the next photo: no more will come.
pub fn forget_spare() {
    *SPARE.lock().unwrap_or_else(PoisonError::into_inner) = Vec::new();
}

/// Largest block that the memory's keeper is told to keep: the grids of a photo of 50 megapixels. More than 32 MB the GNU C library always gives back.
const KEPT_BYTES: usize = 30 << 20;

/// Has blocks up to 30 MB kept for the next one to ask, where the GNU C library keeps the memory: until it has been given a large block
/// back it takes each such block from the system and returns it, and fresh pages for a photo's grids cost a twelfth of a run. Nothing is touched here, and
/// elsewhere nothing changes.
pub fn keep_blocks() {
    drop(std::hint::black_box(vec![0u8; KEPT_BYTES]));
}

/// So many zeros, in what was let go where it is as large. Nothing of the old photo may show where a broken one ends early.
fn memory(bytes: usize) -> Vec<u8> {
    let mut spare = std::mem::take(&mut *SPARE.lock().unwrap_or_else(PoisonError::into_inner));
    if spare.len() != bytes {
        return vec![0; bytes];
    }
    spare.fill(0);
    spare
}

/// Luma of an RGB photo by the weights that JPEG itself uses (ITU-R BT.601), rounded.
pub fn luma(rgb: &RgbImage) -> GrayImage {
    luma_of(rgb, (0, 0), rgb.dimensions())
}

/// Luma of a part of an RGB photo, from pixel `origin` on and so many across and down; less where the photo ends.
pub fn luma_of(rgb: &RgbImage, origin: (u32, u32), size: (u32, u32)) -> GrayImage {
    let (w, h) = rgb.dimensions();
    let (x0, y0) = (origin.0.min(w), origin.1.min(h));
    let (width, height) = (size.0.min(w - x0), size.1.min(h - y0));
    let mut data = vec![0u8; width as usize * height as usize];
    let (pixels, _) = rgb.as_raw().as_chunks::<3>();
    let rows = pixels.chunks(w.max(1) as usize).skip(y0 as usize);
    for (out, row) in data.chunks_mut(width.max(1) as usize).zip(rows) {
        widest(
            #[inline(always)]
            || {
                for (out, p) in out.iter_mut().zip(&row[x0 as usize..]) {
                    let [r, g, b] = p.map(u32::from);
                    *out = ((19595 * r + 38470 * g + 7471 * b + 32768) >> 16) as u8;
                }
            },
        );
    }
    GrayImage::from_raw(width, height, data).unwrap_or_default()
}

fn read(path: &Path) -> Result<Vec<u8>> {
    let fail = |e| Error::io(path, "read the photo", e);
    let mut bytes = Vec::new();
    // One byte more than is taken tells a file that grew while it was read.
    open_file(path)?.take(LARGEST_FILE_BYTES + 1).read_to_end(&mut bytes).map_err(fail)?;
    if bytes.is_empty() {
        return Err(Error::input(format!("{}: the file is empty; copy the photo again", path.display())));
    }
    if bytes.len() as u64 > LARGEST_FILE_BYTES {
        return Err(Error::input(format!(
            "{}: the file has more than {} MB, too many for a photo: save it as JPEG",
            path.display(),
            LARGEST_FILE_BYTES >> 20
        )));
    }
    Ok(bytes)
}

fn jpeg_rgb(path: &Path, bytes: &[u8]) -> Result<RgbImage> {
    match jpeg(path, bytes, ColorSpace::RGB)? {
        Jpeg::Pixels(pixels, w, h) => RgbImage::from_raw(w, h, pixels).ok_or_else(|| short(path)),
        Jpeg::FourInks => Err(unreadable(path, "its colours are those of a printing press: save it as plain JPEG")),
    }
}

fn is_jpeg(bytes: &[u8]) -> bool {
    bytes.starts_with(&[0xff, 0xd8, 0xff])
}

fn is_heic(bytes: &[u8]) -> bool {
    bytes.get(4..8) == Some(b"ftyp")
        && matches!(bytes.get(8..12), Some(b"heic" | b"heix" | b"hevc" | b"mif1" | b"msf1" | b"avif"))
}

/// What to do about photos in the phones' own format.
pub fn phone_format_advice(name: &str) -> String {
    format!(
        "{name} is in the phone's HEIC format, which cannot be read here: export it as JPEG at full size (not a \
         screenshot, not through a messenger), and for the next session set the phone to JPEG (iPhone: Settings > \
         Camera > Formats > Most Compatible; Android: switch off HEIF or \"high efficiency\" in the camera's settings)"
    )
}

fn short(path: &Path) -> Error {
    Error::input(format!("{}: the photo is cut short; copy it again", path.display()))
}

fn unreadable(path: &Path, why: impl std::fmt::Display) -> Error {
    // Decoders' own words come with line ends and quotes.
    let why = why.to_string().split_whitespace().collect::<Vec<_>>().join(" ");
    let why = why.trim_matches('"');
    Error::input(format!(
        "{}: not a readable photo ({why}); copy it again from the camera, or save it as 8-bit JPEG",
        path.display()
    ))
}

fn check_size(path: &Path, width: u64, height: u64) -> Result<()> {
    if width == 0 || height == 0 {
        return Err(Error::input(format!(
            "{}: the photo has no pixels ({width} x {height}): copy it again from the camera, or remove it",
            path.display()
        )));
    }
    if width.saturating_mul(height) > MOST_PIXELS {
        return Err(Error::input(format!(
            "{}: {width} x {height} pixels; the limit is {} million pixels: save it smaller",
            path.display(),
            MOST_PIXELS / 1_000_000
        )));
    }
    Ok(())
}

/// What came of a JPEG.
enum Jpeg {
    /// Pixels, width, height.
    Pixels(Vec<u8>, u32, u32),
    /// The file holds four inks (CMYK), which only the way through RGB can read.
    FourInks,
}

fn jpeg(path: &Path, bytes: &[u8], space: ColorSpace) -> Result<Jpeg> {
    let options = jpeg_options().jpeg_set_out_colorspace(space);
    let mut decoder = zune_jpeg::JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    decoder.decode_headers().map_err(|e| unreadable(path, e))?;
    let (w, h) = decoder.dimensions().ok_or_else(|| short(path))?;
    check_size(path, w as u64, h as u64)?;
    if (bytes.len() as u64) * 8 < (w as u64 * h as u64) / PIXELS_PER_BIT {
        return Err(short(path));
    }
    let gray_file = decoder.input_colorspace() == Some(ColorSpace::Luma);
    if space == ColorSpace::Luma && matches!(decoder.input_colorspace(), Some(ColorSpace::CMYK | ColorSpace::YCCK)) {
        return Ok(Jpeg::FourInks);
    }
    let wanted = w * h * space.num_components();
    let size = decoder.output_buffer_size().ok_or_else(|| short(path))?;
    let mut pixels = if space == ColorSpace::RGB { memory(size) } else { vec![0; size] };
    decoder.decode_into(&mut pixels).map_err(|e| unreadable(path, e))?;
    if pixels.len() == wanted {
        return Ok(Jpeg::Pixels(pixels, w as u32, h as u32));
    }
    if gray_file && space == ColorSpace::RGB && pixels.len() == w * h {
        return Ok(Jpeg::Pixels(pixels.iter().flat_map(|&v| [v, v, v]).collect(), w as u32, h as u32));
    }
    Err(short(path))
}

/// Reads the head of a photo that is no JPEG.
fn open<'b>(path: &Path, bytes: &'b [u8]) -> Result<impl ImageDecoder + 'b> {
    if is_heic(bytes) {
        return Err(Error::input(phone_format_advice(&path.display().to_string())));
    }
    let mut reader = image::ImageReader::new(std::io::Cursor::new(bytes))
        .with_guessed_format()
        .map_err(|e| Error::io(path, "read the photo", e))?;
    if reader.format().is_none() {
        return Err(unreadable(path, "JPEG, PNG, TIFF or WebP is expected"));
    }
    let mut about = image::Limits::default();
    about.max_alloc = Some(MOST_ABOUT_BYTES);
    reader.limits(about);
    let decoder = reader.into_decoder().map_err(|e| unreadable(path, e))?;
    let (w, h) = decoder.dimensions();
    check_size(path, w.into(), h.into())?;
    Ok(decoder)
}

fn other(path: &Path, bytes: &[u8]) -> Result<DynamicImage> {
    let mut decoder = open(path, bytes)?;
    let mut limits = image::Limits::default();
    limits.max_alloc = Some(MOST_PIXELS * 8);
    decoder.set_limits(limits).map_err(|e| unreadable(path, e))?;
    DynamicImage::from_decoder(decoder).map_err(|e| unreadable(path, e))
}

fn turn(mut image: DynamicImage, orientation: u8) -> DynamicImage {
    if let Some(o) = Orientation::from_exif(orientation) {
        image.apply_orientation(o);
    }
    image
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn orientation_six_turns_a_quarter_clockwise() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.png");
        let mut im = GrayImage::new(3, 2);
        im.put_pixel(0, 0, image::Luma([200]));
        im.save(&path).unwrap();
        let up = decode_gray(&path, 6).unwrap();
        assert_eq!(up.dimensions(), (2, 3));
        assert_eq!(up.get_pixel(1, 0).0, [200]);
    }

    #[test]
    fn a_photo_of_no_wanted_size_is_not_decoded() {
        let dir = tempfile::tempdir().unwrap();
        let pixels = RgbImage::from_fn(60, 40, |x, y| image::Rgb([(7 * x * y) as u8, (x * x) as u8, (11 * y) as u8]));
        for name in ["a.png", "a.jpg"] {
            let path = dir.path().join(name);
            pixels.save(&path).unwrap();
            assert_eq!(decode_rgb_if(&path, 6, |s| s == (40, 60)).unwrap().unwrap().dimensions(), (40, 60));
            // The pixels are broken, the head is whole.
            let bytes = std::fs::read(&path).unwrap();
            std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
            assert_eq!(decode_rgb_if(&path, 6, |s| s == (60, 40)).unwrap().unwrap_err(), (40, 60));
            assert!(decode_rgb(&path, 6).is_err());
        }
    }

    #[test]
    fn no_pixels_are_no_reason_to_save_a_photo_smaller() {
        let says = |w, h| check_size(Path::new("a.png"), w, h).unwrap_err().to_string();
        assert!(says(0, 0).contains("no pixels (0 x 0)") && says(0, 0).contains("copy it again"), "{}", says(0, 0));
        assert!(says(20_000, 20_000).contains("the limit is 120 million pixels: save it smaller"));
    }

    #[test]
    fn broken_files_say_what_to_do() {
        let dir = tempfile::tempdir().unwrap();
        for (name, bytes) in [
            ("empty.jpg", &b""[..]),
            ("text.jpg", b"hello there"),
            ("cut.jpg", &[0xff, 0xd8, 0xff, 0xe0, 0, 16]),
            ("phone.heic", b"\0\0\0\x18ftypheic\0\0\0\0"),
        ] {
            let path = dir.path().join(name);
            std::fs::write(&path, bytes).unwrap();
            let text = decode_gray(&path, 1).unwrap_err().to_string();
            assert!(text.contains(name) && (text.contains("copy") || text.contains("JPEG")), "{text}");
        }
    }
}
