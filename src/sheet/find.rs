//! Which sheets does a photo show, and where are their corners?
//!
//! Tags name the sheet and place it roughly; the saddle points are then fitted where the sheet's own
//! layout says that they are, and any that disagrees with the rest of its sheet is dropped and
//! counted. A sheet needs two tags that agree.

use std::collections::BTreeMap;

use image::GrayImage;

use super::board::boards;
use super::geometry::{
    SADDLES, SheetGeometry, SheetPoint, SheetSet, TAG_MODULES, TAGS, is_black, sheet_of_tag, tag_of_sheet,
};
use super::homography::Homography;
use super::saddle::{Saddle, WINDOWS, fit_saddle_within};
use super::sharpen::{BlurOf, sharpened};
use super::tags::{Part, Tag, check_tag, find_tags, find_tags_in, halve, least_side_px, refine_tag, tags_and_quads};
use crate::points::PixelPoint;

/// Most wrong modules of the 64 when a tag is looked for where its sheet says that it is: its id is known
/// then, and a random pattern has 32 +- 4 wrong, so that 10 is 5.5 standard deviations away.
const MOST_WRONG_EXPECTED: u32 = 10;
/// Farthest from its sheet's layout that a corner is kept, px, or in its own u.
const FARTHEST_PX: f64 = 0.5;
const FARTHEST_U: f64 = 8.0;
/// Least corners that place a sheet; a sheet that was recognised as a whole counts only with them.
pub const LEAST_CORNERS: usize = 4;
/// What is to be done where tags are read and corners are not: tags are told apart by whole modules, which noise and blur leave longer.
pub const TOO_NOISY: &str = "too noisy or not sharp: more light, a lower ISO, a tripod";
/// Least tags of a sheet that the photo shows whole.
const WHOLE_TAGS: usize = TAGS - 1;

/// Photos with more pixels than this are made smaller before their blur is undone.
const MOST_SHARPENED: usize = 6_000_000;
/// A photo of so many sheets, none blurred by more than this share of the smallest module that could be read with the blur undone, is
/// sharp: a sheet twice as blurred as the worst of them was still found without (own renders: 180 of 180 sheets, 1 066 of 1 080 tags,
/// at blurs of 0.3 to 0.7 modules).
const LEAST_SHARP: usize = 3;
const SHARP_MODULES: f64 = 0.35;

/// One saddle point of a sheet, measured.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Corner {
    /// Which, 0..6, row by row from the top left.
    pub index: usize,
    /// Where it lies on the sheet as drawn.
    #[serde(skip)]
    pub sheet: SheetPoint,
    /// What was measured.
    #[serde(flatten)]
    pub saddle: Saddle,
}

impl Corner {
    /// A saddle as it is drawn, not measured yet.
    pub fn drawn(geometry: SheetGeometry, index: usize) -> Self {
        let saddle = Saddle { point: PixelPoint::default(), u_px: 0.0, blur_px: 0.0, contrast: 0.0 };
        Self { index, sheet: geometry.saddle(index), saddle }
    }
}

/// One sheet as seen in a photo.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct SheetView {
    /// Its number, from 1.
    pub number: usize,
    /// Its saddle points that were measured.
    pub corners: Vec<Corner>,
    /// Its tags that were read.
    pub tags: Vec<Tag>,
    /// Saddle points that were measured and dropped, since they disagree with the sheet's layout.
    pub dropped: usize,
    /// Median blur of its edges, as the standard deviation of a Gaussian, px.
    pub blur_px: f64,
    /// RMS distance of its corners from a plane's view of its layout, px (flatness and lens together).
    pub layout_rms_px: f64,
}

impl SheetView {
    /// Whether the photo shows the whole sheet and yet hardly a corner of it: noise or blur is the reason then.
    pub fn lost_its_corners(&self) -> bool {
        self.tags.len() >= WHOLE_TAGS && self.corners.len() + self.dropped < LEAST_CORNERS
    }
}

/// All that was found of sheets in a photo.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct SheetsSeen {
    /// The sheets, by number.
    pub sheets: Vec<SheetView>,
    /// Tags read that no sheet could be built on (a single tag, or one out of place).
    pub stray_tags: Vec<Tag>,
}

/// Finds all sheets of a photo.
pub fn find_sheets(gray: &GrayImage, set: &SheetSet) -> SheetsSeen {
    let (tags, unread) = tags_and_quads(gray);
    let mut seen = sheets_of(gray, gray, set, tags);
    // What tags did not name is recognised as a whole; a sheet that shows more this way counts as it is shown this way.
    for b in boards(gray, &unread, set) {
        let Some(v) = measure(gray, set.of(b.number), b.number, b.tags, b.map) else { continue };
        let known = seen.sheets.iter().position(|s| s.number == v.number);
        match known {
            Some(i) if seen.sheets[i].corners.len() >= v.corners.len() => {}
            Some(i) => seen.sheets[i] = v,
            None if v.corners.len() >= LEAST_CORNERS => seen.sheets.push(v),
            None => {}
        }
    }
    seen.sheets.sort_by_key(|s| s.number);
    let named: Vec<usize> = seen.sheets.iter().flat_map(|s| &s.tags).map(|t| t.id).collect();
    seen.stray_tags.retain(|t| !named.contains(&t.id));
    seen
}

/// The same from `1 / least_factor` (a power of two) of the photo's size on downwards: sheets with small tags are not found.
pub fn find_sheets_from(gray: &GrayImage, set: &SheetSet, least_factor: u32) -> SheetsSeen {
    let part = Part { origin: (0, 0), size: gray.dimensions() };
    sheets_of(gray, gray, set, find_tags_in(gray, part, least_factor))
}

/// As [`find_sheets`], and looks for tags once more with the blur undone: for photos of the sheets, where a second look is worth
/// its time. Tags of three pixels a module are then read up to a blur of two. A photo that is sharp is not looked at again.
pub fn find_sheets_thoroughly(gray: &GrayImage, set: &SheetSet) -> SheetsSeen {
    let plain = find_sheets(gray, set);
    // Modules of three pixels are those of a small photo: a large one is looked at smaller.
    let mut reduced = 1;
    while gray.as_raw().len() > MOST_SHARPENED * (reduced * reduced) as usize {
        reduced *= 2;
    }
    if !may_be_soft(&plain, reduced) {
        return plain;
    }
    let mut small: Option<GrayImage> = None;
    for _ in 0..reduced.ilog2() {
        small = Some(halve(small.as_ref().unwrap_or(gray)));
    }
    let factor = f64::from(reduced);
    let full = |p: PixelPoint| PixelPoint::new((p.x_px + 0.5) * factor - 0.5, (p.y_px + 0.5) * factor - 0.5);
    let again = [BlurOf::Light, BlurOf::Values].map(|blur| {
        let sharp = sharpened(small.as_ref().unwrap_or(gray), blur);
        let mut tags = find_tags(&sharp);
        // A sheet of which the plain photo shows every corner cannot show more.
        let complete =
            |t: &Tag| plain.sheets.iter().any(|s| s.corners.len() == SADDLES && s.number == sheet_of_tag(t.id).0);
        tags.retain(|t| !complete(t));
        tags.iter_mut().for_each(|t| t.corners = t.corners.map(full));
        sheets_of(gray, if factor > 1.0 { gray } else { &sharp }, set, tags)
    });
    let mut seen = SheetsSeen { stray_tags: plain.stray_tags, ..SheetsSeen::default() };
    let mut all: BTreeMap<usize, SheetView> = plain.sheets.into_iter().map(|v| (v.number, v)).collect();
    for v in again.into_iter().flat_map(|s| s.sheets) {
        // The plain photo's word counts, unless the other shows more of the sheet.
        if all.get(&v.number).is_none_or(|p| p.corners.len() < v.corners.len()) {
            all.insert(v.number, v);
        }
    }
    seen.stray_tags.retain(|t| {
        let found = all.get(&sheet_of_tag(t.id).0);
        !found.is_some_and(|v| v.tags.iter().any(|k| k.id == t.id && close(&k.corners, &t.corners, 0.5)))
    });
    seen.sheets = all.into_values().collect();
    seen
}

/// Whether a photo may show more sheets once its blur is undone, at `1 / reduced` of its size, than these.
fn may_be_soft(plain: &SheetsSeen, reduced: u32) -> bool {
    let module_px = least_side_px(reduced) / TAG_MODULES as f64;
    // A sheet that blur left no corners has no number for it.
    let soft =
        |v: &SheetView| v.corners.len() < LEAST_CORNERS || v.blur_px.is_nan() || v.blur_px > SHARP_MODULES * module_px;
    plain.sheets.len() < LEAST_SHARP || !plain.stray_tags.is_empty() || plain.sheets.iter().any(soft)
}

/// Sheets from tags that were read in `tagged`; corners are measured in `gray`.
pub(super) fn sheets_of(gray: &GrayImage, tagged: &GrayImage, set: &SheetSet, tags: Vec<Tag>) -> SheetsSeen {
    let mut by_sheet: BTreeMap<usize, Vec<Tag>> = BTreeMap::new();
    for tag in tags {
        by_sheet.entry(sheet_of_tag(tag.id).0).or_default().push(tag);
    }
    let mut seen = SheetsSeen::default();
    for (number, tags) in by_sheet {
        match view(gray, tagged, set.of(number), number, &tags) {
            Some(v) => seen.sheets.push(v),
            None => seen.stray_tags.extend(tags),
        }
    }
    seen
}

fn pairs_of(geometry: SheetGeometry, tags: &[Tag]) -> Vec<([f64; 2], [f64; 2], f64)> {
    tags.iter()
        .flat_map(|t| {
            let printed = geometry.tag_corners(sheet_of_tag(t.id).1);
            printed.into_iter().zip(t.corners).map(|(s, c)| ([s.u_mm, s.v_mm], [c.x_px, c.y_px], 1.0))
        })
        .collect()
}

/// The sheet's view from its tags: looks for the tags that were not read, then for the saddles.
fn view(
    gray: &GrayImage,
    tagged: &GrayImage,
    geometry: SheetGeometry,
    number: usize,
    tags: &[Tag],
) -> Option<SheetView> {
    let mut best: Option<(Vec<Tag>, Homography)> = None;
    // Every tag proposes where the sheet is; the proposal that most tags confirm wins.
    for seed in tags {
        let mut confirmed = vec![seed.clone()];
        let mut h = Homography::fit(&pairs_of(geometry, &confirmed))?;
        // Twice: the second look starts from all that the first confirmed.
        for _ in 0..2 {
            let mut next = Vec::new();
            for slot in 0..TAGS {
                let Some(expected) = project4(&h, geometry, slot) else { continue };
                let id = tag_of_sheet(number, slot);
                let read = tags.iter().find(|t| t.id == id && close(&t.corners, &expected, 0.3));
                if let Some(t) = read {
                    next.push(t.clone());
                    continue;
                }
                let corners = refine_tag(tagged, &expected);
                let corners = if close(&corners, &expected, 0.2) { corners } else { expected };
                if let Some((wrong, _)) = check_tag(tagged, id, &corners)
                    && wrong <= MOST_WRONG_EXPECTED
                {
                    next.push(Tag { id, corners, wrong_bits: wrong });
                }
            }
            if next.is_empty() {
                break;
            }
            confirmed = next;
            h = Homography::fit(&pairs_of(geometry, &confirmed))?;
        }
        if best.as_ref().is_none_or(|b| confirmed.len() > b.0.len()) {
            best = Some((confirmed, h));
        }
        if best.as_ref().is_some_and(|b| b.0.len() == TAGS) {
            break;
        }
    }
    let (tags, h) = best?;
    if tags.len() < 2 {
        return None;
    }
    measure(gray, geometry, number, tags, h)
}

fn project4(h: &Homography, geometry: SheetGeometry, slot: usize) -> Option<[PixelPoint; 4]> {
    let mut out = [PixelPoint::default(); 4];
    for (o, s) in out.iter_mut().zip(geometry.tag_corners(slot)) {
        let p = h.apply([s.u_mm, s.v_mm])?;
        *o = PixelPoint::new(p[0], p[1]);
    }
    Some(out)
}

/// True when all four corners lie within `share` of the expected tag's shorter diagonal half.
fn close(a: &[PixelPoint; 4], expected: &[PixelPoint; 4], share: f64) -> bool {
    let size = expected[0].distance_px(expected[2]).min(expected[1].distance_px(expected[3])) / 2.0;
    a.iter().zip(expected).all(|(p, q)| p.distance_px(*q) < share * size)
}

/// A sheet exactly where it is expected to a quarter of a square; `None` unless all its corners are there, none of them out of place, and two of
/// its own tags between them.
pub(super) fn measure_at(
    gray: &GrayImage,
    geometry: SheetGeometry,
    number: usize,
    expected: &Homography,
) -> Option<SheetView> {
    let mut corners = measure_saddles(gray, geometry, expected, WINDOWS);
    if corners.len() < SADDLES {
        return None;
    }
    let map = Homography::fit(&saddle_pairs(&corners))?;
    let read = |slot: usize| {
        let (id, corners) = (tag_of_sheet(number, slot), project4(&map, geometry, slot)?);
        let (wrong_bits, _) = check_tag(gray, id, &corners)?;
        (wrong_bits <= MOST_WRONG_EXPECTED).then_some(Tag { id, corners, wrong_bits })
    };
    let tags: Vec<Tag> = (0..TAGS).filter_map(read).collect();
    // The tags' corners are the saddles' word: they say nothing of their own about them.
    let rms = drop_outliers(&mut corners, &[], geometry);
    (tags.len() >= 2 && corners.len() == SADDLES).then(|| SheetView {
        number,
        dropped: 0,
        blur_px: median_blur(&corners),
        layout_rms_px: rms,
        corners,
        tags,
    })
}

fn median_blur(corners: &[Corner]) -> f64 {
    let mut blur: Vec<f64> = corners.iter().map(|c| c.saddle.blur_px).collect();
    blur.sort_by(f64::total_cmp);
    blur.get(blur.len() / 2).copied().unwrap_or(f64::NAN)
}

fn measure(
    gray: &GrayImage,
    geometry: SheetGeometry,
    number: usize,
    tags: Vec<Tag>,
    h: Homography,
) -> Option<SheetView> {
    let mut map = h;
    // The last pass starts from the saddles of the one before, which place the sheet ten times better than tags: one window each does
    // there, where it shows them all.
    let mut corners = measure_saddles(gray, geometry, &map, 1);
    if corners.len() < SADDLES {
        corners = measure_saddles(gray, geometry, &map, WINDOWS);
    }
    if corners.len() >= 4 {
        map = Homography::fit(&saddle_pairs(&corners)).unwrap_or(map);
        corners = measure_saddles(gray, geometry, &map, WINDOWS);
    }
    let found = corners.len();
    let rms = drop_outliers(&mut corners, &tags, geometry);
    Some(SheetView {
        number,
        dropped: found - corners.len(),
        blur_px: median_blur(&corners),
        layout_rms_px: rms,
        corners,
        tags,
    })
}

/// A sheet's saddles where a map says that they are, with at most so many windows each.
fn measure_saddles(gray: &GrayImage, geometry: SheetGeometry, map: &Homography, windows: usize) -> Vec<Corner> {
    let s = geometry.square_mm;
    let measure = |index: usize| {
        let sheet = geometry.saddle(index);
        let at = [sheet.u_mm, sheet.v_mm];
        let p = map.apply(at)?;
        let d = map.derivative(at);
        let axes = [[d[0][0] * s, d[1][0] * s], [d[0][1] * s, d[1][1] * s]];
        let (row, column) = ((sheet.v_mm / s).round() as usize, (sheet.u_mm / s).round() as usize);
        let top_left_black = is_black(row - 1, column - 1);
        let (start, rim) = (PixelPoint::new(p[0], p[1]), geometry.rim_squares());
        let saddle = fit_saddle_within(gray, start, axes, top_left_black, rim, windows)?;
        Some(Corner { index, sheet, saddle })
    };
    (0..SADDLES).filter_map(measure).collect()
}

fn saddle_pairs(corners: &[Corner]) -> Vec<([f64; 2], [f64; 2], f64)> {
    corners.iter().map(|c| ([c.sheet.u_mm, c.sheet.v_mm], [c.saddle.point.x_px, c.saddle.point.y_px], 1.0)).collect()
}

/// Drops the worst corner while it lies too far from the map that the others and the tags make; the RMS that is left, px.
fn drop_outliers(corners: &mut Vec<Corner>, tags: &[Tag], geometry: SheetGeometry) -> f64 {
    loop {
        // Tag corners are about ten times less certain than saddles (measured: 0.07 to 0.3 px against 0.01 to 0.03 px).
        let weak: Vec<_> = pairs_of(geometry, tags).into_iter().map(|(a, b, _)| (a, b, 0.1)).collect();
        let residual = |c: &Corner, h: &Homography| {
            h.apply([c.sheet.u_mm, c.sheet.v_mm])
                .map_or(f64::MAX, |p| PixelPoint::new(p[0], p[1]).distance_px(c.saddle.point))
        };
        let mut pairs = saddle_pairs(corners);
        pairs.extend(&weak);
        let Some(all) = Homography::fit(&pairs) else { return f64::NAN };
        let mut worst: Option<(usize, f64)> = None;
        let mut sum = 0.0;
        for (i, c) in corners.iter().enumerate() {
            sum += residual(c, &all).powi(2);
            // Left-out residual: the map of the others says where this one should be.
            let others: Vec<Corner> = corners.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, c)| *c).collect();
            let mut pairs = saddle_pairs(&others);
            pairs.extend(&weak);
            let Some(h) = Homography::fit(&pairs) else { continue };
            let r = residual(c, &h);
            let limit = FARTHEST_PX.max(FARTHEST_U * c.saddle.u_px);
            if r > limit && worst.is_none_or(|(_, w)| r > w) {
                worst = Some((i, r));
            }
        }
        match worst {
            Some((i, _)) => {
                corners.remove(i);
            }
            None => return (sum / corners.len().max(1) as f64).sqrt(),
        }
    }
}
