//! How does a volley's picture get onto the page?
//!
//! The photo's part as a JPEG inside the page, with the marks' outlines as SVG over it: paler than the marks and dark
//! at their edges, so that they show on any wall and in grey print.

use minijinja::context;
use minijinja::value::Value;

use super::chart::{escape, plain};
use super::model::{MarkSummary, VolleyPicture, VolleySummary};
use crate::error::counted;

/// Middle of a picture pixel in the overlay's frame, where (0, 0) is the picture's corner.
fn in_picture(picture: &VolleyPicture, (x, y): (f64, f64)) -> Option<(f64, f64)> {
    let step = picture.step_px;
    let place = ((x - picture.origin_px.0) / step + 0.5, (y - picture.origin_px.1) / step + 0.5);
    (plain(place.0).is_some() && plain(place.1).is_some()).then_some(place)
}

fn name(mark: u32, count: u32) -> String {
    if count > 1 { format!("{mark} (×{count})") } else { mark.to_string() }
}

/// A mark to draw: its path, and the circle about it, px of the picture.
struct Ring {
    name: String,
    path: String,
    centre: (f64, f64),
    radius: f64,
}

fn rings(picture: &VolleyPicture, marks: &[MarkSummary], cross: f64) -> Vec<Ring> {
    let mut all = Vec::new();
    for outline in picture.outlines.iter() {
        let points: Vec<(f64, f64)> = outline.points_px.iter().filter_map(|p| in_picture(picture, *p)).collect();
        if points.is_empty() {
            continue;
        }
        let d: Vec<String> = points.iter().map(|(x, y)| format!("{x:.1} {y:.1}")).collect();
        let n = points.len() as f64;
        let centre = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
        let radius = points.iter().map(|p| (p.0 - centre.0).hypot(p.1 - centre.1)).fold(0.0, f64::max);
        let name = name(outline.mark, outline.count);
        all.push(Ring { name, path: format!("M{}Z", d.join("L")), centre, radius });
    }
    // A mark without an outline (moved or added by a person) is a cross.
    for m in marks.iter().filter(|m| picture.outlines.iter().all(|o| o.mark != m.mark)) {
        let Some((x, y)) = m.px_x.zip(m.px_y).and_then(|p| in_picture(picture, p)) else { continue };
        let path = format!("M{:.1} {y:.1}H{:.1}M{x:.1} {:.1}V{:.1}", x - cross, x + cross, y - cross, y + cross);
        all.push(Ring { name: name(m.mark, m.count), path, centre: (x, y), radius: cross });
    }
    all
}

/// Directions tried for a name, from the middle of all marks outwards first.
const DIRECTIONS: usize = 16;

/// Where each name stands: just outside its mark, where it covers the fewest names and other marks, inside the picture.
fn name_places(rings: &[Ring], font: f64, (w, h): (f64, f64)) -> Vec<(f64, f64)> {
    let n = rings.len().max(1) as f64;
    let middle = (rings.iter().map(|r| r.centre.0).sum::<f64>() / n, rings.iter().map(|r| r.centre.1).sum::<f64>() / n);
    let mut taken: Vec<(f64, f64, f64)> = Vec::new();
    for (i, ring) in rings.iter().enumerate() {
        let half = 0.31 * font * ring.name.chars().count() as f64;
        let outwards = (ring.centre.1 - middle.1).atan2(ring.centre.0 - middle.0);
        let place = |k: usize| {
            // 0, +1, -1, +2, -2 ... steps away from straight outwards.
            let turn = (k as f64 / 2.0).ceil() * if k % 2 == 1 { 1.0 } else { -1.0 };
            let (s, c) = (outwards + turn * std::f64::consts::TAU / DIRECTIONS as f64).sin_cos();
            let reach = ring.radius + 0.75 * font;
            (ring.centre.0 + c * (reach + half - 0.3 * font), ring.centre.1 + s * reach)
        };
        let cost = |&(x, y): &(f64, f64)| {
            let names = taken.iter().filter(|t| (t.0 - x).abs() < t.2 + half && (t.1 - y).abs() < 0.95 * font).count();
            let marks = rings
                .iter()
                .enumerate()
                .filter(|(j, r)| *j != i && (r.centre.0 - x).hypot(r.centre.1 - y) < r.radius + 0.3 * font);
            let outside = x - half < 0.0 || x + half > w || y - 0.5 * font < 0.0 || y + 0.5 * font > h;
            4 * names + marks.count() + if outside { 100 } else { 0 }
        };
        let best = (0..DIRECTIONS).map(place).min_by_key(cost).unwrap_or(ring.centre);
        taken.push((best.0, best.1, half));
    }
    taken.into_iter().map(|t| (t.0, t.1)).collect()
}

fn overlay(picture: &VolleyPicture, marks: &[MarkSummary]) -> String {
    let (w, h) = picture.after.size_px();
    let (w, h) = (f64::from(w), f64::from(h));
    let font = w.max(h) / 24.0;
    let rings = rings(picture, marks, 0.5 * font);
    let mut under = String::new();
    let mut over = String::new();
    let mut names = String::new();
    for (ring, (x, y)) in rings.iter().zip(name_places(&rings, font, (w, h))) {
        under += &format!("<path class=\"under\" d=\"{}\"/>", ring.path);
        over += &format!("<path class=\"over\" d=\"{}\"/>", ring.path);
        names += &format!("<text x=\"{x:.1}\" y=\"{:.1}\">{}</text>", y + 0.35 * font, escape(&ring.name));
    }
    format!("{under}{over}<g font-size=\"{font:.1}\" text-anchor=\"middle\">{names}</g>")
}

/// The pictures of a volley for the template: `after` (SVG) and `before` (data URL or none); `None` when there is nothing to show.
pub(super) fn view(picture: &VolleyPicture, volley: &VolleySummary, id: &str) -> Option<Value> {
    let after = picture.after.data_url()?;
    let (w, h) = picture.after.size_px();
    let title = format!("The wall after volley {}", volley.volley);
    let description =
        format!("{} found, outlined and numbered as in the table below.", counted(volley.found as usize, "ball"));
    let svg = format!(
        "<svg class=\"photo\" viewBox=\"0 0 {w} {h}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\" \
         xmlns=\"http://www.w3.org/2000/svg\"><title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>\
         <image href=\"{after}\" width=\"{w}\" height=\"{h}\"/>{}</svg>",
        escape(&title),
        escape(&description),
        overlay(picture, &volley.marks),
    );
    let (width, height) = picture.before.size_px();
    Some(context! {
        after => Value::from_safe_string(svg),
        before => picture.before.data_url().map(Value::from_safe_string),
        width => width,
        height => height,
    })
}
