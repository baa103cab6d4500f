//! Which coded tags does a photo show, and where are their corners?
//!
//! Dark islands of a locally thresholded photo that are four-sided are read as AprilTag 36h11. The
//! photo is searched at full size and at halves of it, so that one window suits every tag size.
//! Tags say *which* sheet is seen and roughly where; measuring is done on the checkerboard's saddle
//! points, whose position does not move with blur.

use image::GrayImage;

use super::dark::{WINDOW_PX, dark_mask};
use super::homography::Homography;
use super::tag36h11::{CODES, quarter_turn};
use crate::points::PixelPoint;
use crate::vectors::widest;

/// Tag sides searched at one level, px: below 18 px (2.3 px a module) bits blur into each other, above 96 px the border outgrows the window.
const SIDE_PX: std::ops::Range<f64> = 18.0..96.0;
/// Most wrong bits of 36. A random pattern passes with 2.3e-5 at 2 (METHODS of the family: distance 11).
pub const MOST_WRONG_BITS: u32 = 2;
/// Most wrong modules of the 28 in the black border.
const MOST_WRONG_BORDER: u32 = 2;
/// Least difference between white and black, grey values.
const LEAST_CONTRAST: f64 = 20.0;

/// Most places along a tag's side where its edge is looked for: the line through them only has to hit modules, and twice as many led to the same
/// corners within 0.01 px (54 calibrations).
const MOST_ALONG_SIDE: usize = 20;

/// A tag that was read.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Tag {
    /// Its id, 0..587.
    pub id: usize,
    /// Its corners as printed: top left, top right, bottom right, bottom left.
    pub corners: [PixelPoint; 4],
    /// Bits that had to be corrected.
    pub wrong_bits: u32,
}

/// Four corners of a dark four-sided island, clockwise as seen, px.
pub type Quad = [[f64; 2]; 4];

/// Length of the shortest side of a tag with these corners, px.
pub fn shortest_side_px(corners: &[PixelPoint; 4]) -> f64 {
    (0..4).map(|k| corners[k].distance_px(corners[(k + 1) % 4])).fold(f64::MAX, f64::min)
}

/// Finds and reads all tags of a photo.
pub fn find_tags(gray: &GrayImage) -> Vec<Tag> {
    tags_and_quads(gray).0
}

/// The tags of a photo, and the dark four-sided islands that no tag was read in, their sides moved onto the edges seen.
pub(super) fn tags_and_quads(gray: &GrayImage) -> (Vec<Tag>, Vec<Quad>) {
    search(gray, Part { origin: (0, 0), size: gray.dimensions() }, 1)
}

/// A rectangle of a photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Part {
    /// Its top-left pixel.
    pub origin: (u32, u32),
    /// Pixels across and down.
    pub size: (u32, u32),
}

/// The smallest tag side, px of the photo, that a search which leaves out the photo's full size finds: what is searched at `1 / least_factor`.
pub fn least_side_px(least_factor: u32) -> f64 {
    SIDE_PX.start * f64::from(least_factor)
}

/// Finds and reads the tags in a part of a photo, at sizes from `1 / least_factor` (a power of two) of it on downwards: small tags of a
/// large photo cost most.
pub fn find_tags_in(gray: &GrayImage, part: Part, least_factor: u32) -> Vec<Tag> {
    search(gray, part, least_factor).0
}

fn search(gray: &GrayImage, part: Part, least_factor: u32) -> (Vec<Tag>, Vec<Quad>) {
    let (w, h) = (gray.width(), gray.height());
    let origin = (part.origin.0.min(w), part.origin.1.min(h));
    let size = (part.size.0.min(w - origin.0), part.size.1.min(h - origin.1));
    let whole = origin == (0, 0) && size == (w, h);
    let cut = (!whole).then(|| image::imageops::crop_imm(gray, origin.0, origin.1, size.0, size.1).to_image());
    let mut unread: Vec<Quad> = Vec::new();
    let mut found: Vec<Tag> = Vec::new();
    let mut half: Option<GrayImage> = None;
    let mut factor = 1;
    loop {
        let level = half.as_ref().or(cut.as_ref()).unwrap_or(gray);
        if level.width().min(level.height()) < 2 * WINDOW_PX as u32 {
            break;
        }
        if factor >= least_factor {
            take_tags(gray, level, (origin, f64::from(factor)), &mut found, &mut unread);
        }
        half = Some(halve(level));
        factor *= 2;
    }
    found.sort_by_key(|t| t.id);
    (found, unread)
}

/// Reads the tags of a level whose first pixel is the photo's `origin` and whose pixels are `factor` of the photo's.
fn take_tags(
    gray: &GrayImage,
    level: &GrayImage,
    (origin, factor): ((u32, u32), f64),
    found: &mut Vec<Tag>,
    unread: &mut Vec<Quad>,
) {
    let full = |v: f64, from: u32| (v + 0.5) * factor - 0.5 + f64::from(from);
    for quad in quads(level) {
        let full = quad.map(|c| [full(c[0], origin.0), full(c[1], origin.1)]);
        // Most islands are the wall's own grain, or a tag that was read already: both are told at a glance.
        if found.iter().any(|t| is_read(t, &full)) || !looks_printed(gray, &full) {
            continue;
        }
        let refined = refine(gray, &full);
        let Some((id, wrong_bits, corners)) = read_tag(gray, &refined).or_else(|| read_tag(gray, &full)) else {
            unread.push(refined);
            continue;
        };
        let tag = Tag { id, corners: corners.map(|c| PixelPoint::new(c[0], c[1])), wrong_bits };
        let near = |t: &Tag| {
            let side = t.corners[0].distance_px(t.corners[2]);
            t.corners[0].distance_px(tag.corners[0]) < 0.3 * side
        };
        match found.iter_mut().find(|t| t.id == tag.id && near(t)) {
            Some(t) if t.wrong_bits > tag.wrong_bits => *t = tag,
            Some(_) => {}
            None => found.push(tag),
        }
    }
}

/// Whether a tag was read without fault where this quad is.
fn is_read(t: &Tag, quad: &[[f64; 2]; 4]) -> bool {
    let centre = |p: &dyn Fn(usize, usize) -> f64| -> [f64; 2] {
        std::array::from_fn(|axis| 0.25 * (0..4).map(|k| p(k, axis)).sum::<f64>())
    };
    let read = |k: usize, axis: usize| if axis == 0 { t.corners[k].x_px } else { t.corners[k].y_px };
    let (a, b) = (centre(&read), centre(&|k, axis| quad[k][axis]));
    let size = t.corners[0].distance_px(t.corners[2]);
    let other = (quad[0][0] - quad[2][0]).hypot(quad[0][1] - quad[2][1]);
    t.wrong_bits == 0 && (a[0] - b[0]).hypot(a[1] - b[1]) < 0.1 * size && (other / size - 1.0).abs() < 0.2
}

/// Whether a rough quad is about as much darker at its border than around it as print is: half the contrast that a tag must have.
fn looks_printed(gray: &GrayImage, quad: &[[f64; 2]; 4]) -> bool {
    let Some(h) = unit_square(quad) else { return false };
    // The middles of the modules of a square ring, so many modules from the quad's own outermost ones.
    let mean = |out: f64| {
        let side = (8.0 + 2.0 * out) as usize;
        let (mut sum, mut n) = (0.0, 0.0);
        for k in 0..side {
            let (a, low, high) = ((k as f64 + 0.5 - out) / 8.0, (0.5 - out) / 8.0, (7.5 + out) / 8.0);
            for p in [[a, low], [a, high], [low, a], [high, a]].into_iter().filter_map(|p| h.apply(p)) {
                sum += bilinear(gray, p[0], p[1]);
                n += 1.0;
            }
        }
        sum / f64::max(n, 1.0)
    };
    mean(1.0) - mean(0.0) > 0.5 * LEAST_CONTRAST
}

/// Half the size by averaging 2 x 2 pixels.
pub fn halve(gray: &GrayImage) -> GrayImage {
    let (w, h) = (gray.width() as usize / 2, gray.height() as usize / 2);
    let full = gray.width() as usize;
    let mut out = vec![0u8; w * h];
    let rows = gray.as_raw().chunks_exact(2 * full.max(1));
    for (out, rows) in out.chunks_exact_mut(w.max(1)).zip(rows) {
        let (above, below) = rows.split_at(full);
        widest(
            #[inline(always)]
            || {
                let pairs = above.as_chunks::<2>().0.iter().zip(below.as_chunks::<2>().0);
                for (out, (a, b)) in out.iter_mut().zip(pairs) {
                    let sum = u16::from(a[0]) + u16::from(a[1]) + u16::from(b[0]) + u16::from(b[1]);
                    *out = ((sum + 2) / 4) as u8;
                }
            },
        );
    }
    GrayImage::from_raw(w as u32, h as u32, out).unwrap_or_default()
}

/// Grey value between pixels, edge values outside.
pub fn bilinear(gray: &GrayImage, x: f64, y: f64) -> f64 {
    let (w, h) = (gray.width() as usize, gray.height() as usize);
    if w == 0 || h == 0 {
        return 0.0;
    }
    let x = x.clamp(0.0, (w - 1) as f64);
    let y = y.clamp(0.0, (h - 1) as f64);
    let (x0, y0) = (x as usize, y as usize);
    let (x1, y1) = ((x0 + 1).min(w - 1), (y0 + 1).min(h - 1));
    let (fx, fy) = (x - x0 as f64, y - y0 as f64);
    let raw = gray.as_raw();
    let v = |x: usize, y: usize| f64::from(raw[y * w + x]);
    between([v(x0, y0), v(x1, y0)], [v(x0, y1), v(x1, y1)], fx, fy)
}

/// The value between two above and two below, at these shares of the way across and down.
#[inline(always)]
fn between(above: [f64; 2], below: [f64; 2], fx: f64, fy: f64) -> f64 {
    (above[0] * (1.0 - fx) + above[1] * fx) * (1.0 - fy) + (below[0] * (1.0 - fx) + below[1] * fx) * fy
}

/// Pixels that are looked at together for a dark one.
const AHEAD: usize = 64;

/// Four-sided dark islands: corners in order around, clockwise as seen.
fn quads(gray: &GrayImage) -> Vec<[[f64; 2]; 4]> {
    let (w, h) = (gray.width() as usize, gray.height() as usize);
    // What was seen of an island is no longer dark.
    let mut dark = dark_mask(gray);
    let mut out = Vec::new();
    let mut stack = Vec::new();
    let mut next = 0;
    while next < dark.len() {
        let start = next;
        // Most of a photo is not dark: many pixels at once.
        let ahead = &dark[start..(start + AHEAD).min(dark.len())];
        if !ahead.iter().fold(false, |any, d| any | d) {
            next += AHEAD;
            continue;
        }
        next += 1;
        if !dark[start] {
            continue;
        }
        dark[start] = false;
        stack.push(start);
        let (mut area, mut x0, mut x1, mut y0, mut y1) = (0usize, w, 0, h, 0);
        let mut pixels: Vec<usize> = Vec::new();
        while let Some(i) = stack.pop() {
            let (x, y) = (i % w, i / w);
            area += 1;
            if area <= (SIDE_PX.end * SIDE_PX.end) as usize {
                pixels.push(i);
            }
            (x0, x1, y0, y1) = (x0.min(x), x1.max(x), y0.min(y), y1.max(y));
            let mut visit = |j: usize| {
                if dark[j] {
                    dark[j] = false;
                    stack.push(j);
                }
            };
            if x > 0 {
                visit(i - 1);
            }
            if x + 1 < w {
                visit(i + 1);
            }
            if y > 0 {
                visit(i - w);
            }
            if y + 1 < h {
                visit(i + w);
            }
        }
        let (bw, bh) = ((x1 + 1 - x0) as f64, (y1 + 1 - y0) as f64);
        let long = bw.max(bh);
        let touches = x0 == 0 || y0 == 0 || x1 + 1 == w || y1 + 1 == h;
        // A tag seen at up to 70 deg from the front has a side of a third of the other.
        if touches || long < SIDE_PX.start || bw.min(bh) < 0.5 * SIDE_PX.start || long > 1.5 * SIDE_PX.end {
            continue;
        }
        if let Some(q) = quad_of(&pixels, w, (x0, x1, y0, y1)) {
            out.push(q);
        }
    }
    out
}

/// The four-sided shape of an island, from its convex hull; `None` when it is not four-sided.
fn quad_of(pixels: &[usize], w: usize, (_, _, y0, y1): (usize, usize, usize, usize)) -> Option<[[f64; 2]; 4]> {
    let mut ends = vec![(usize::MAX, 0usize); y1 + 1 - y0];
    for &i in pixels {
        let e = &mut ends[i / w - y0];
        e.0 = e.0.min(i % w);
        e.1 = e.1.max(i % w);
    }
    // Corners of the pixels themselves, so that the hull has the island's true extent.
    let mut points: Vec<[f64; 2]> = Vec::with_capacity(4 * ends.len());
    for (k, &(a, b)) in ends.iter().enumerate() {
        if a == usize::MAX {
            continue;
        }
        let (a, b, y) = (a as f64 - 0.5, b as f64 + 0.5, (k + y0) as f64);
        points.extend([[a, y - 0.5], [a, y + 0.5], [b, y - 0.5], [b, y + 0.5]]);
    }
    let hull = convex_hull(points);
    let hull_area = area(&hull);
    let mut poly = hull;
    while poly.len() > 4 {
        let n = poly.len();
        let least = (0..n).min_by(|&i, &j| {
            let t = |i: usize| area(&[poly[(i + n - 1) % n], poly[i], poly[(i + 1) % n]]);
            t(i).total_cmp(&t(j))
        })?;
        poly.remove(least);
    }
    let quad: [[f64; 2]; 4] = poly.try_into().ok()?;
    let a = area(&quad);
    // A disc reaches 0.64; a square whose corners are cut by a module reaches 0.94.
    (a > 0.8 * hull_area && a > 0.25 * SIDE_PX.start * SIDE_PX.start).then_some(quad)
}

/// Andrew's monotone chain; clockwise in a frame with y down.
fn convex_hull(mut p: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    p.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    p.dedup();
    if p.len() < 3 {
        return p;
    }
    let cross = |o: [f64; 2], a: [f64; 2], b: [f64; 2]| (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);
    let mut hull: Vec<[f64; 2]> = Vec::with_capacity(p.len());
    let half = |points: &mut dyn Iterator<Item = [f64; 2]>, hull: &mut Vec<[f64; 2]>| {
        let start = hull.len();
        for q in points {
            while hull.len() >= start + 2 && cross(hull[hull.len() - 2], hull[hull.len() - 1], q) <= 0.0 {
                hull.pop();
            }
            hull.push(q);
        }
        hull.pop();
    };
    half(&mut p.iter().copied(), &mut hull);
    half(&mut p.iter().rev().copied(), &mut hull);
    hull
}

fn area(p: &[[f64; 2]]) -> f64 {
    let n = p.len();
    (0..n).map(|i| p[i][0] * p[(i + 1) % n][1] - p[(i + 1) % n][0] * p[i][1]).sum::<f64>().abs() / 2.0
}

/// Grey values at quarter steps of a direction of unit length, so many to either side of a place.
fn along(gray: &GrayImage, (at, by): ([f64; 2], [f64; 2]), steps: i32, out: &mut Vec<f64>) {
    out.clear();
    let (w, h) = (gray.width() as usize, gray.height() as usize);
    let far = f64::from(steps) / 4.0;
    let inside = |k: usize, size: usize| at[k] >= far && at[k] + far + 1.0 < size as f64;
    if !(inside(0, w) && inside(1, h)) {
        out.extend((-steps..=steps).map(|s| {
            let d = f64::from(s) / 4.0;
            bilinear(gray, at[0] + d * by[0], at[1] + d * by[1])
        }));
        return;
    }
    // No value lies at the rim: the same as above without looking for it.
    let raw = gray.as_raw();
    out.extend((-steps..=steps).map(|s| {
        let d = f64::from(s) / 4.0;
        let (x, y) = (at[0] + d * by[0], at[1] + d * by[1]);
        let (x0, y0) = (x as i32, y as i32);
        let (fx, fy) = (x - f64::from(x0), y - f64::from(y0));
        let first = y0 as usize * w + x0 as usize;
        let pair = |from: usize| raw.get(from..from + 2).map_or([0.0; 2], |v| [f64::from(v[0]), f64::from(v[1])]);
        between(pair(first), pair(first + w), fx, fy)
    }));
}

/// Moves the sides of a rough quad onto the strongest edge near them and intersects them again.
fn refine(gray: &GrayImage, quad: &[[f64; 2]; 4]) -> [[f64; 2]; 4] {
    let mut lines = [[0.0; 3]; 4];
    let mut across: Vec<f64> = Vec::new();
    for k in 0..4 {
        let (a, b) = (quad[k], quad[(k + 1) % 4]);
        let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
        let length = dx.hypot(dy);
        if length < 1.0 {
            return *quad;
        }
        // Outward normal of a quad that runs clockwise as seen (y down).
        let (nx, ny) = (dy / length, -dx / length);
        // The white margin is 1.3 modules wide: search no farther than one.
        let reach = (length / 8.0).clamp(1.5, 8.0);
        let steps = (4.0 * reach) as i32;
        let n = (length as usize).clamp(6, MOST_ALONG_SIDE);
        let (mut sw, mut sx, mut sy, mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for i in 0..n {
            let t = 0.12 + 0.76 * (i as f64 + 0.5) / n as f64;
            let (px, py) = (a[0] + t * dx, a[1] + t * dy);
            let (mut wsum, mut dsum) = (0.0, 0.0);
            // Grey values a quarter of a pixel apart across the edge; a gradient spans four of them.
            along(gray, ([px, py], [nx, ny]), steps + 2, &mut across);
            for (k, s) in (-steps..=steps).enumerate() {
                let d = f64::from(s) / 4.0;
                let g = across[k + 4] - across[k];
                if g > 0.0 {
                    wsum += g * g;
                    dsum += g * g * d;
                }
            }
            if wsum > 0.0 {
                let d = dsum / wsum;
                let (x, y, w) = (px + d * nx, py + d * ny, wsum);
                sw += w;
                sx += w * x;
                sy += w * y;
                sxx += w * x * x;
                sxy += w * x * y;
                syy += w * y * y;
            }
        }
        if sw <= 0.0 {
            return *quad;
        }
        let (mx, my) = (sx / sw, sy / sw);
        let (cxx, cxy, cyy) = (sxx / sw - mx * mx, sxy / sw - mx * my, syy / sw - my * my);
        let angle = 0.5 * (2.0 * cxy).atan2(cxx - cyy);
        let (nx, ny) = (-angle.sin(), angle.cos());
        lines[k] = [nx, ny, nx * mx + ny * my];
    }
    let mut out = *quad;
    for k in 0..4 {
        let (p, q) = (lines[(k + 3) % 4], lines[k]);
        let det = p[0] * q[1] - p[1] * q[0];
        if det.abs() < 0.05 {
            return *quad;
        }
        out[k] = [(p[2] * q[1] - p[1] * q[2]) / det, (p[0] * q[2] - p[2] * q[0]) / det];
        let side = (quad[k][0] - quad[(k + 1) % 4][0]).hypot(quad[k][1] - quad[(k + 1) % 4][1]);
        if (out[k][0] - quad[k][0]).hypot(out[k][1] - quad[k][1]) > 0.25 * side {
            return *quad;
        }
    }
    out
}

/// Contrast-corrected module values of a tag: 10 x 10, from one module outside it; 1 is white.
struct Modules {
    value: [[f64; 10]; 10],
    contrast: f64,
}

fn modules(gray: &GrayImage, tag_from_unit: &Homography) -> Option<Modules> {
    let mut value = [[0.0; 10]; 10];
    for (r, line) in value.iter_mut().enumerate() {
        for (c, v) in line.iter_mut().enumerate() {
            let (mut sum, mut n) = (0.0, 0.0);
            for dy in [-0.22, 0.0, 0.22] {
                for dx in [-0.22, 0.0, 0.22] {
                    let p = tag_from_unit.apply([(c as f64 - 0.5 + dx) / 8.0, (r as f64 - 0.5 + dy) / 8.0])?;
                    if p[0] < 0.0
                        || p[1] < 0.0
                        || p[0] > f64::from(gray.width()) - 1.0
                        || p[1] > f64::from(gray.height()) - 1.0
                    {
                        return None;
                    }
                    sum += bilinear(gray, p[0], p[1]);
                    n += 1.0;
                }
            }
            *v = sum / n;
        }
    }
    // Light across the tag: a plane through the white ring outside and one through the black border.
    let ring = |k: usize| {
        (0..10).flat_map(move |r| (0..10).map(move |c| (r, c))).filter(move |&(r, c)| {
            let d = r.min(c).min(9 - r).min(9 - c);
            d == k
        })
    };
    let plane = |k: usize| {
        let mut s = [0.0; 3];
        let (mut n, mut q) = (0.0, 0.0);
        for (r, c) in ring(k) {
            let (x, y) = (c as f64 - 4.5, r as f64 - 4.5);
            s[0] += value[r][c];
            s[1] += value[r][c] * x;
            s[2] += value[r][c] * y;
            n += 1.0;
            q += x * x;
        }
        [s[0] / n, s[1] / q, s[2] / q]
    };
    let (white, black) = (plane(0), plane(1));
    let contrast = white[0] - black[0];
    if contrast < LEAST_CONTRAST {
        return None;
    }
    let mut scaled = value;
    for (r, line) in scaled.iter_mut().enumerate() {
        for (c, v) in line.iter_mut().enumerate() {
            let (x, y) = (c as f64 - 4.5, r as f64 - 4.5);
            let (w, b) = (white[0] + white[1] * x + white[2] * y, black[0] + black[1] * x + black[2] * y);
            *v = (*v - b) / (w - b).max(0.3 * contrast);
        }
    }
    // Undo part of the blur between neighbouring modules (small tags): subtract the mean difference to the four neighbours.
    let mut sharp = scaled;
    for r in 1..9 {
        for c in 1..9 {
            let around = scaled[r - 1][c] + scaled[r + 1][c] + scaled[r][c - 1] + scaled[r][c + 1];
            sharp[r][c] = scaled[r][c] + 0.2 * (4.0 * scaled[r][c] - around);
        }
    }
    Some(Modules { value: sharp, contrast })
}

fn code_of(m: &Modules) -> (u64, u32) {
    let mut code = 0;
    let mut border = 0;
    for r in 1..9 {
        for c in 1..9 {
            let white = m.value[r][c] > 0.5;
            if (2..8).contains(&r) && (2..8).contains(&c) {
                code = (code << 1) | u64::from(white);
            } else {
                border += u32::from(white);
            }
        }
    }
    (code, border)
}

fn unit_square(corners: &[[f64; 2]; 4]) -> Option<Homography> {
    let unit = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
    let pairs: Vec<_> = unit.iter().zip(corners).map(|(&u, &c)| (u, c, 1.0)).collect();
    Homography::fit(&pairs)
}

/// Reads the tag inside a quad: id, wrong bits, corners in printed order.
fn read_tag(gray: &GrayImage, quad: &[[f64; 2]; 4]) -> Option<(usize, u32, [[f64; 2]; 4])> {
    let m = modules(gray, &unit_square(quad)?)?;
    let (code, border) = code_of(&m);
    if border > MOST_WRONG_BORDER {
        return None;
    }
    let mut turned = code;
    for turn in 0..4 {
        if let Some(id) = CODES.iter().position(|&c| (c ^ turned).count_ones() <= MOST_WRONG_BITS) {
            // After `turn` clockwise quarter turns the printed top left stands where corner `4 - turn` was seen.
            let corners = std::array::from_fn(|k| quad[(k + 4 - turn) % 4]);
            return Some((id, (CODES[id] ^ turned).count_ones(), corners));
        }
        turned = quarter_turn(turned);
    }
    None
}

/// Wrong bits of 36 when the tag with `id` is looked for at `corners` (printed order), and the contrast
/// in grey values; `None` outside the photo or without contrast.
pub fn check_tag(gray: &GrayImage, id: usize, corners: &[PixelPoint; 4]) -> Option<(u32, f64)> {
    let m = modules(gray, &unit_square(&corners.map(|c| [c.x_px, c.y_px]))?)?;
    let (code, border) = code_of(&m);
    Some(((CODES.get(id)? ^ code).count_ones() + border, m.contrast))
}

/// Corners of a tag known to be near `corners`, moved onto the edges seen.
pub fn refine_tag(gray: &GrayImage, corners: &[PixelPoint; 4]) -> [PixelPoint; 4] {
    refine(gray, &corners.map(|c| [c.x_px, c.y_px])).map(|c| PixelPoint::new(c[0], c[1]))
}
