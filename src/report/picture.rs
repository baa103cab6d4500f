//! How does a volley's picture get onto the page?
//!
//! The photo's part as a JPEG inside the page, with the marks' outlines as SVG over it: paler than the marks and dark
//! at their edges, so that they show on any wall and in grey print.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use image::codecs::jpeg::JpegEncoder;
use image::imageops::{FilterType, resize};
use image::{ExtendedColorType, ImageEncoder, RgbImage};
use minijinja::value::Value;
use minijinja::context;

use super::chart::{escape, plain};
use super::model::{MarkSummary, VolleyPicture, VolleySummary};
use crate::error::{Error, Result};

/// Longest edge of an embedded picture, px: sharp at a page's width on a fine screen, some 100 kB each.
const LONGEST_EDGE_PX: u32 = 1000;
/// JPEG quality: marks' edges stay crisp, files stay small.
const QUALITY: u8 = 80;

/// The picture as a data URL; `None` for a picture without pixels.
fn embedded(picture: &RgbImage) -> Result<Option<String>> {
    let (w, h) = picture.dimensions();
    if w == 0 || h == 0 {
        return Ok(None);
    }
    let shrunk;
    let shown = if w.max(h) > LONGEST_EDGE_PX {
        let size = |edge: u32| (u64::from(edge) * u64::from(LONGEST_EDGE_PX) / u64::from(w.max(h))).max(1) as u32;
        shrunk = resize(picture, size(w), size(h), FilterType::Triangle);
        &shrunk
    } else {
        picture
    };
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, QUALITY)
        .write_image(shown.as_raw(), shown.width(), shown.height(), ExtendedColorType::Rgb8)
        .map_err(|e| Error::no_answer(format!("cannot write a picture of {w} x {h} px as JPEG for the page: {e}")))?;
    Ok(Some(format!("data:image/jpeg;base64,{}", STANDARD.encode(bytes))))
}

/// Middle of a picture pixel in the overlay's frame, where (0, 0) is the picture's corner.
fn in_picture(picture: &VolleyPicture, (x, y): (f64, f64)) -> Option<(f64, f64)> {
    let step = picture.step_px;
    let place = ((x - picture.origin_px.0) / step + 0.5, (y - picture.origin_px.1) / step + 0.5);
    (plain(place.0).is_some() && plain(place.1).is_some()).then_some(place)
}

fn name(mark: u32, count: u32) -> String {
    if count > 1 { format!("{mark} (×{count})") } else { mark.to_string() }
}

fn overlay(picture: &VolleyPicture, marks: &[MarkSummary]) -> String {
    let (w, h) = (f64::from(picture.after.width()), f64::from(picture.after.height()));
    let font = w.max(h) / 26.0;
    let mut shapes = String::new();
    let mut names = String::new();
    let mut write_name = |text: String, (x, y): (f64, f64)| {
        let room = 0.6 * font * text.chars().count() as f64;
        let (x, y) = (x.min(w - room).max(0.0), y.clamp(font, (h - 0.2 * font).max(font)));
        names += &format!("<text x=\"{x:.1}\" y=\"{y:.1}\">{}</text>", escape(&text));
    };
    for outline in &picture.outlines {
        let points: Vec<(f64, f64)> = outline.points_px.iter().filter_map(|p| in_picture(picture, *p)).collect();
        if points.is_empty() {
            continue;
        }
        let d: Vec<String> = points.iter().map(|(x, y)| format!("{x:.1} {y:.1}")).collect();
        let d = format!("M{}Z", d.join("L"));
        shapes += &format!("<path class=\"under\" d=\"{d}\"/><path class=\"over\" d=\"{d}\"/>");
        let right = points.iter().fold(f64::NEG_INFINITY, |a, p| a.max(p.0));
        let top = points.iter().fold(f64::INFINITY, |a, p| a.min(p.1));
        write_name(name(outline.mark, outline.count), (right - 0.1 * font, top + 0.6 * font));
    }
    for m in marks.iter().filter(|m| picture.outlines.iter().all(|o| o.mark != m.mark)) {
        let Some((x, y)) = m.px_x.zip(m.px_y).and_then(|p| in_picture(picture, p)) else { continue };
        let r = 0.5 * font;
        let d = format!("M{:.1} {y:.1}H{:.1}M{x:.1} {:.1}V{:.1}", x - r, x + r, y - r, y + r);
        shapes += &format!("<path class=\"under\" d=\"{d}\"/><path class=\"over\" d=\"{d}\"/>");
        write_name(name(m.mark, m.count), (x + r, y - r));
    }
    format!("{shapes}<g font-size=\"{font:.1}\">{names}</g>")
}

/// The pictures of a volley for the template: `after` (SVG) and `before` (data URL or none); `None` when there is nothing to show.
pub(super) fn view(picture: &VolleyPicture, volley: &VolleySummary, id: &str) -> Result<Option<Value>> {
    let Some(after) = embedded(&picture.after)? else { return Ok(None) };
    let (w, h) = picture.after.dimensions();
    let title = format!("The wall after volley {}", volley.volley);
    let description = format!("{} ball(s) found, outlined and numbered as in the table below.", volley.found);
    let svg = format!(
        "<svg class=\"photo\" viewBox=\"0 0 {w} {h}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\" \
         xmlns=\"http://www.w3.org/2000/svg\"><title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>\
         <image href=\"{after}\" width=\"{w}\" height=\"{h}\"/>{}</svg>",
        escape(&title),
        escape(&description),
        overlay(picture, &volley.marks),
    );
    let before = embedded(&picture.before)?;
    Ok(Some(context! {
        after => Value::from_safe_string(svg),
        before => before.map(Value::from_safe_string),
        width => picture.before.width(),
        height => picture.before.height(),
    }))
}
