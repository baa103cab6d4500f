//! How does a drawing become pixels or outlines, alike on every machine?
//!
//! Drawings are SVG with text in Noto Sans (SIL Open Font License), which the program carries: no font of the machine is asked
//! for. Letters that it lacks are drawn as empty boxes.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder};
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::fontdb::Database;
use resvg::usvg::{Options, Tree};

use super::chart::escape;
use crate::error::{Error, Result};

/// The family that all drawings use.
pub(super) const FONT: &str = "Noto Sans";
/// Most pixels of a picture: 8K video has 33 million.
const MOST_PIXELS: u64 = 40_000_000;

fn fonts() -> Arc<Database> {
    static FONTS: OnceLock<Arc<Database>> = OnceLock::new();
    FONTS
        .get_or_init(|| {
            let mut db = Database::new();
            db.load_font_data(notosans::REGULAR_TTF.to_vec());
            db.load_font_data(notosans::BOLD_TTF.to_vec());
            db.set_sans_serif_family(FONT);
            db.set_serif_family(FONT);
            db.set_monospace_family(FONT);
            Arc::new(db)
        })
        .clone()
}

/// Reads a drawing; its text becomes outlines.
pub(super) fn tree(svg: &str) -> Result<Tree> {
    let options = Options { font_family: FONT.into(), fontdb: fonts(), ..Options::default() };
    Tree::from_str(svg, &options)
        .map_err(|e| Error::no_answer(format!("a drawing made here cannot be read again ({e})")))
}

/// A drawing as PNG, `width_px` wide.
pub(crate) fn png(svg: &str, width_px: u32) -> Result<Vec<u8>> {
    let tree = tree(svg)?;
    let size = tree.size();
    let scale = width_px as f32 / size.width();
    let height_px = (size.height() * scale).round().max(1.0) as u32;
    if u64::from(width_px) * u64::from(height_px) > MOST_PIXELS {
        return Err(Error::no_answer(format!(
            "a picture of {width_px} x {height_px} px is larger than {} million pixels: ask for a smaller one",
            MOST_PIXELS / 1_000_000
        )));
    }
    let mut pixels = Pixmap::new(width_px, height_px)
        .ok_or_else(|| Error::no_answer(format!("no picture of {width_px} x {height_px} px can be made")))?;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixels.as_mut());
    // The drawings have a background of their own, so nothing is left transparent.
    let rgb: Vec<u8> = pixels.pixels().iter().flat_map(|p| [p.red(), p.green(), p.blue()]).collect();
    let mut bytes = Vec::new();
    PngEncoder::new_with_quality(&mut bytes, CompressionType::Default, FilterType::Adaptive)
        .write_image(&rgb, width_px, height_px, ExtendedColorType::Rgb8)
        .map_err(|e| Error::no_answer(format!("cannot write a picture as PNG ({e})")))?;
    Ok(bytes)
}

/// Size at which letters are measured, px.
const MEASURED_PX: f64 = 100.0;

/// Width of a whole line as laid out, in sizes of the font.
fn line_width(text: &str, bold: bool) -> f64 {
    let weight = if bold { "bold" } else { "normal" };
    let svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"900\" height=\"200\"><text x=\"0\" y=\"100\" \
         font-size=\"{MEASURED_PX}\" font-weight=\"{weight}\">{}</text></svg>",
        escape(text)
    );
    tree(&svg).map_or(0.0, |t| f64::from(t.root().layer_bounding_box().width()) / MEASURED_PX)
}

/// How wide a text is, in sizes of the font: the sum of its letters, which is what a person reads as its length.
pub(super) fn text_width(text: &str, bold: bool) -> f64 {
    static WIDTHS: OnceLock<Mutex<HashMap<(char, bool), f64>>> = OnceLock::new();
    let mut known = WIDTHS.get_or_init(Mutex::default).lock().unwrap_or_else(PoisonError::into_inner);
    text.chars()
        .map(|c| {
            *known.entry((c, bold)).or_insert_with(|| {
                let apart = line_width(&format!("n{c}n"), bold) - line_width("nn", bold);
                if apart.is_finite() { apart.max(0.0) } else { 1.0 }
            })
        })
        .sum()
}

/// Cuts text to a width, in sizes of the font, with an ellipsis.
pub(super) fn cut_to(text: &str, bold: bool, width: f64) -> String {
    let clean: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text_width(&clean, bold) <= width {
        return clean;
    }
    let room = width - text_width("…", bold);
    let mut used = 0.0;
    let mut cut: String = clean
        .chars()
        .take_while(|c| {
            used += text_width(c.encode_utf8(&mut [0; 4]), bold);
            used <= room
        })
        .collect();
    cut.truncate(cut.trim_end().len());
    cut.push('…');
    cut
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_have_the_fonts_widths() {
        // Source: advance widths of Noto Sans Regular 2.000, units of 1000: a 561, i 258, M 907, space 260.
        for (c, units) in [("a", 561.0), ("i", 258.0), ("M", 907.0), (" ", 260.0)] {
            assert!((text_width(c, false) - units / 1000.0).abs() < 0.02, "{c}: {}", text_width(c, false));
        }
        assert!(text_width("mesh soft", true) > text_width("mesh soft", false));
        assert!(text_width("<&\u{7}", false) > 0.5);
    }

    #[test]
    fn texts_are_cut_to_a_width() {
        let cut = cut_to("a very long name of a pocket", false, 6.0);
        assert!(cut.ends_with('…') && text_width(&cut, false) <= 6.0 && text_width(&cut, false) > 4.0, "{cut}");
        assert_eq!(cut_to("short", false, 6.0), "short");
        assert_eq!(cut_to("ab", false, 0.1), "…");
    }

    #[test]
    fn pictures_have_their_size_and_a_limit() {
        let svg = "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"20\" height=\"10\"><rect width=\"20\" height=\"10\" fill=\"#ff0000\"/></svg>";
        let bytes = png(svg, 40).unwrap();
        let read = image::load_from_memory(&bytes).unwrap().to_rgb8();
        assert_eq!((read.dimensions(), read.get_pixel(39, 19).0), ((40, 20), [255, 0, 0]));
        assert!(png(svg, 40_000).is_err());
        assert!(tree("<svg").is_err());
    }
}
