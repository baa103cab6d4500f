//! What does each volley's photo show that the photo before it did not?
//!
//! Every photo is decoded once, placed on the wall by the sheets that it shows, and compared with the one
//! before; what is kept of it are the patches that changed.

use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use super::crops::Crops;
use super::decision::SIGNIFICANCE_STEP;
use super::stowed::Stowed;
use super::veil::Mask;
use image::{GrayImage, RgbImage};
use serde::{Deserialize, Serialize};

use crate::camera::expect::expected_sheets;
use crate::camera::moved::shift_words;
use crate::camera::{Located, NotRegistered, Optics, Wall, WallView, locate, register};
use crate::error::{Error, Result};
use crate::marks::group::{Groups, Rules, group};
use crate::marks::{Pair, Reduced, Thing, detect, find_things, reduce};
use crate::photo::decode::{decode_gray, decode_rgb, let_go, luma};
use crate::photo::read_exif;
use crate::points::{PixelPoint, WallPoint};
use crate::session::flags::FlagWord;
use crate::sheet::geometry::SheetPoint;
use crate::sheet::near::least_factor;
use crate::sheet::{SheetGeometry, SheetView, find_sheets, find_sheets_from, find_sheets_near};

/// A mark's radius on the grid that is searched, cells: fine enough to part neighbours, coarse enough to be fast.
const RADIUS_CELLS: f64 = 4.5;
/// Paper reaches this far beyond the board, mm of a sheet of 60 mm squares: left and right, above, below (A4 and Letter).
const PAPER_SIDE_MM: f64 = 19.0;
const PAPER_ABOVE_MM: f64 = 12.0;
const PAPER_BELOW_MM: f64 = 49.0;
/// A photo's sheets fit the calibration when their RMS is below this, or this many times the calibration's own.
const FIT_PX: f64 = 0.5;
const FIT_TIMES: f64 = 5.0;

/// A change of focal length that a person should know of: 0.3 % moves the edge of a picture by some 3 px, more than any focus does.
const ZOOM_WORTH_A_LOOK: f64 = 0.003;

/// Around a part that is asked for, marks that reach into it are looked for as well: this many usual radii.
const RING_RADII: f64 = 2.0;

/// Marks are looked for this far to either side of the arm's plane, over the distance to the wall: 14 deg, three
/// times what a pocket throws sideways (common practice, no source).
pub(super) const SIDEWAYS: f64 = 0.25;

/// A photo with its place on the wall.
pub struct PlacedPhoto {
    /// File name.
    pub name: String,
    /// Upright pixels.
    pub rgb: RgbImage,
    /// Where the camera stood and how that is known; `None` with the sentence in `problem`.
    pub place: Option<(Located, How)>,
    /// Why there is no place.
    pub problem: Option<String>,
    /// What changed since the calibration and was corrected: a sentence each, with its flag where a person must look.
    pub changed: Vec<(Option<FlagWord>, String)>,
}

impl Drop for PlacedPhoto {
    fn drop(&mut self) {
        let_go(std::mem::take(&mut self.rgb));
    }
}

/// A photo whose place is known, to which photos without sheets are registered.
pub struct Reference {
    /// Its name, for messages.
    pub name: String,
    path: PathBuf,
    /// Its grey values, read once a photo without sheets asks for them: most days none does.
    gray: OnceLock<Option<GrayImage>>,
    located: Located,
    size: (u32, u32),
    paper: Vec<bool>,
}

/// Cells of the reference's paper mask, px.
const MASK_PX: usize = 8;

impl Reference {
    /// From a photo of the calibration's size that was placed.
    pub fn new(wall: &Wall, path: &Path, located: &Located) -> Self {
        let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let size = (wall.camera.width, wall.camera.height);
        let (width, height) = (size.0 as usize / MASK_PX, size.1 as usize / MASK_PX);
        let paper = paper(wall, &located.view, &Grid { origin: (0, 0), factor: MASK_PX, width, height });
        Self { name, path: path.into(), gray: OnceLock::new(), located: located.clone(), size, paper }
    }

    /// The tripod photo of a session, when it can be placed by its sheets.
    pub fn of_tripod(wall: &Wall, path: &Path) -> Option<Self> {
        let gray = upright_gray(path)?;
        if gray.dimensions() != (wall.camera.width, wall.camera.height) {
            return None;
        }
        let set = wall.geometry();
        // The calibration knows where it stood; only where that is another photo now, or it shows sheets in part, all of it is searched.
        let numbers: Vec<usize> = wall.sheets.iter().map(|s| s.number).collect();
        let view = wall.tripod_pose.map(|pose| WallView { lens: wall.camera, pose });
        let expected = view.map_or_else(Vec::new, |v| expected_sheets(wall, &v, &numbers));
        let near = find_sheets_near(&gray, &set, &expected).filter(|n| n.sheets.len() == numbers.len());
        let sheets = near.unwrap_or_else(|| find_sheets(&gray, &set)).sheets;
        let located = locate(wall, &sheets)?;
        Some(Self::new(wall, path, &located))
    }

    /// Its grey values; `None` where the photo is no longer what it was.
    fn gray(&self) -> Option<&GrayImage> {
        let read = || upright_gray(&self.path).filter(|g| g.dimensions() == self.size);
        self.gray.get_or_init(read).as_ref()
    }

    fn avoid(&self, p: PixelPoint) -> bool {
        let (w, x, y) = (self.size.0 as usize / MASK_PX, p.x_px as usize / MASK_PX, p.y_px as usize / MASK_PX);
        x >= w || self.paper.get(y * w + x).copied().unwrap_or(true)
    }
}

/// A photo's grey values, upright; `None` when it cannot be read.
fn upright_gray(path: &Path) -> Option<GrayImage> {
    let turn = read_exif(path).ok()?.orientation.unwrap_or(1);
    decode_gray(path, turn).ok()
}

/// How a photo was placed on the wall.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum How {
    /// By the sheets that it shows.
    Sheets,
    /// By the wall itself.
    Wall {
        /// The photo it was registered to.
        to: String,
        /// How far the picture had moved, px.
        moved_px: f64,
        /// u of the alignment at the picture's middle, px.
        u_px: f64,
    },
}

/// Decodes a photo and places it: by its sheets, or without any by the wall itself against `references`, in turn.
///
/// # Errors
/// The photo cannot be read.
pub fn place_photo(wall: &Wall, folder: &Path, name: &str, references: &[&Reference]) -> Result<PlacedPhoto> {
    let path = folder.join(name);
    let exif = read_exif(&path)?;
    let rgb = decode_rgb(&path, exif.orientation.unwrap_or(1))?;
    let size = (wall.camera.width, wall.camera.height);
    let optics = Optics::of(&exif, rgb.dimensions()).differs_from(&wall.optics);
    let placed = |rgb, place: Result<(Located, How), String>| {
        let (place, problem) = match place {
            Ok(p) => (Some(p), None),
            Err(e) => (None, Some(e + &optics.as_ref().map_or(String::new(), |o| format!(" (Exif says {o})")))),
        };
        let changed = place.as_ref().map(|(l, _)| changed(l)).unwrap_or_default();
        PlacedPhoto { name: name.into(), rgb, place, problem, changed }
    };
    if rgb.dimensions() != size {
        let problem = format!(
            "{} x {} px, the calibration's photos {} x {}: use the same camera, zoom and crop, or photograph the sheets again",
            rgb.width(),
            rgb.height(),
            size.0,
            size.1
        );
        return Ok(placed(rgb, Err(problem)));
    }
    let gray = luma(&rgb);
    let place = place_gray(wall, &gray, references);
    Ok(placed(rgb, place))
}

/// Where a photo stands: by the sheets where they were before, else anywhere in the photo, else by the wall.
fn place_gray(wall: &Wall, gray: &GrayImage, references: &[&Reference]) -> Result<(Located, How), String> {
    let set = wall.geometry();
    let expected = references.last().map_or_else(Vec::new, |r| {
        let seen: Vec<usize> =
            r.located.sheets.iter().copied().chain(r.located.moved.iter().map(|m| m.number)).collect();
        expected_sheets(wall, &r.located.view, &seen)
    });
    if let Some(seen) = find_sheets_near(gray, &set, &expected)
        && let Some(place) = by_sheets(wall, &seen.sheets)
    {
        return place;
    }
    // Small tags are looked for last: it costs most, and only a camera that stands much farther away than before shows them.
    let side = expected.iter().map(|e| e.tag_side_px).fold(f64::INFINITY, f64::min);
    let factor = if side.is_finite() { least_factor(side) } else { 1 };
    if let Some(place) = by_sheets(wall, &find_sheets_from(gray, &set, factor).sheets) {
        return place;
    }
    let place = by_the_wall(gray, references);
    if place.is_err()
        && factor > 1
        && let Some(place) = by_sheets(wall, &find_sheets(gray, &set).sheets)
    {
        return place;
    }
    place
}

/// Where a photo with these sheets stands; `None` when they are too few.
fn by_sheets(wall: &Wall, sheets: &[SheetView]) -> Option<Result<(Located, How), String>> {
    let limit = FIT_PX.max(FIT_TIMES * wall.quality.rms_px);
    Some(match locate(wall, sheets)? {
        Located { ambiguous: Some(why), .. } => Err(format!(
            "its sheets disagree with the calibration: {why}, and it cannot be told which: photograph the sheets again"
        )),
        l if l.rms_px <= limit => Ok((l, How::Sheets)),
        l => Err(format!(
            "its sheets disagree with the calibration by {:.2} px RMS (limit {limit:.2}): zoom, focus or a sheet changed: photograph the sheets again",
            l.rms_px
        )),
    })
}

/// What of a placed photo's lens and sheets differs from the calibration, for people.
fn changed(l: &Located) -> Vec<(Option<FlagWord>, String)> {
    let mut out = Vec::new();
    if let Some(c) = l.change {
        let way = if c.focal > 0.0 { "longer" } else { "shorter" };
        let far = c.shift_px[0].hypot(c.shift_px[1]);
        if c.focal.abs() > ZOOM_WORTH_A_LOOK {
            out.push((
                Some(FlagWord::CameraMoved),
                format!(
                    "zoomed or refocused since the calibration: its own focal length, {:.2} ± {:.2} % {way}, was found and used; set the zoom back, or photograph the sheets again",
                    100.0 * c.focal.abs(),
                    200.0 * c.focal_u
                ),
            ));
        } else if c.focal != 0.0 {
            out.push((None, format!("focus changed: focal length {:.2} % {way}, corrected", 100.0 * c.focal.abs())));
        }
        if far > 0.0 {
            out.push((None, format!("the lens's axis had shifted by {far:.1} px (stabilisation), corrected")));
        }
    }
    for m in &l.moved {
        out.push((
            Some(FlagWord::SheetMoved),
            format!(
                "sheet {} hangs elsewhere than in the calibration ({}) and was not used: was it bumped? Photograph the sheets again if it is needed",
                m.number,
                shift_words(m.by)
            ),
        ));
    }
    out
}

fn by_the_wall(gray: &GrayImage, references: &[&Reference]) -> Result<(Located, How), String> {
    let mut why = "it shows no sheet that the calibration knows, and there is no placed photo to compare it with: leave the sheets up while you shoot, or name a tripod_photo".to_string();
    for r in references {
        let Some(reference) = r.gray() else { continue };
        match register(reference, &r.located, gray, &|p| r.avoid(p)) {
            Ok(f) => return Ok((f.located, How::Wall { to: r.name.clone(), moved_px: f.moved_px, u_px: f.u_px })),
            Err(NotRegistered::NothingToHold) => {
                why = "it shows no sheet, and the wall could not be followed (too little grain, or the camera moved too far): photograph the sheets again, and leave one or two up while you shoot".into();
            }
            Err(NotRegistered::Disagrees { tiles_px }) => {
                why = format!(
                    "it shows no sheet, and the wall does not fit {} by {tiles_px:.1} px: photograph the sheets again",
                    r.name
                );
            }
            Err(NotRegistered::Zoomed { factor }) => {
                why = format!(
                    "zoomed or refocused since {} (the picture is {:+.2} % larger): set the zoom back, or photograph the sheets again",
                    r.name,
                    100.0 * (factor - 1.0)
                );
            }
        }
    }
    Err(why)
}

/// What is kept of a compared pair.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct VolleyLook {
    /// Index into the paired volleys.
    pub volley: usize,
    /// Name of the photo before.
    pub before: String,
    /// How the photo before sees the wall.
    pub before_view: WallView,
    /// Where the camera stood.
    pub located: Located,
    /// How that is known.
    pub how: How,
    /// The changed places.
    pub groups: Groups,
    /// What came or went and is no mark.
    pub things: Vec<Thing>,
    /// The part of the wall that those cover, in one photo or the other.
    pub covered: Option<Mask>,
    /// Marks that came: a place and the change there for each changed place that may be marks.
    pub spots: Vec<Spot>,
    /// Of the old marks asked for, how many are gone, and how many can be judged.
    pub gone: (usize, usize),
    /// Changed cells in all.
    pub changed_cells: usize,
    /// Largest less smallest log light ratio.
    pub light_step: f64,
    /// True where the edges of sun and shade could be followed.
    pub light_followed: bool,
    /// Photo size, px.
    pub size_px: (u32, u32),
    /// How far the camera had moved between the two photos, px.
    pub shift_px: f64,
    /// What changed since the calibration and was corrected.
    pub changed: Vec<(Option<FlagWord>, String)>,
    /// Sheets hang on the wall in one of the photos.
    pub sheets_up: bool,
    /// True where the old marks are gone though no row says so.
    pub wiped: bool,
    /// The same photo against another one before, where it is not plain which is the better.
    pub otherwise: Option<Box<VolleyLook>>,
    /// Significance above which a cell counts.
    pub threshold: f64,
    /// Significance of each cell in steps of a quarter, 255 where there is none; empty unless it was asked for.
    pub(super) significance_map: Vec<u8>,
    pub(super) grid: Grid,
    /// The usual mark's radius, cells.
    pub(super) radius_cells: f64,
    /// Patches that lie on the disk.
    pub(super) patches_stowed: usize,
    /// Where.
    #[serde(skip)]
    pub(super) stowed: Option<Stowed>,
    /// The part of the photos that the page may show.
    #[serde(skip)]
    pub(super) crops: Option<Crops>,
    /// Where on the disk it lies.
    #[serde(skip)]
    pub(super) crops_stowed: Option<Stowed>,
}

impl VolleyLook {
    /// Significance of the change at a place of the photo; `None` where nothing is known, or it was not kept.
    pub fn significance_at(&self, p: PixelPoint) -> Option<f32> {
        let cell = |v: f64, o: usize| (v + 0.5 - o as f64) / self.grid.factor as f64;
        let (x, y) = (cell(p.x_px, self.grid.origin.0), cell(p.y_px, self.grid.origin.1));
        let inside = x >= 0.0 && y >= 0.0 && x < self.grid.width as f64 && y < self.grid.height as f64;
        let i = inside.then(|| y as usize * self.grid.width + x as usize)?;
        self.significance_map.get(i).filter(|s| **s != u8::MAX).map(|s| SIGNIFICANCE_STEP * f32::from(*s))
    }
}

/// A place where marks came, and how the light changed there (after / before less one, by colour).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Spot {
    /// Where.
    pub at: WallPoint,
    /// Change of each colour.
    pub change: [f32; 3],
}

/// Where on the wall marks are expected: straight in front of the arm's plane, at the middle of the photo's height.
fn usual_place(located: &Located, pivot_right_m: f64) -> WallPoint {
    let (w, h) = (f64::from(located.view.lens.width), f64::from(located.view.lens.height));
    let middle = located.view.wall_from_pixel(PixelPoint::new(0.5 * w, 0.5 * h)).unwrap_or_default();
    let ahead = WallPoint::new(pivot_right_m, middle.y_m);
    let seen =
        located.view.pixel_from_wall(ahead).is_some_and(|p| p.x_px > 0.0 && p.y_px > 0.0 && p.x_px < w && p.y_px < h);
    if seen { ahead } else { middle }
}

/// Cells of a photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Grid {
    pub(super) origin: (usize, usize),
    pub(super) factor: usize,
    pub(super) width: usize,
    pub(super) height: usize,
}

impl Grid {
    fn of(r: &Reduced) -> Self {
        Self { origin: r.origin, factor: r.factor, width: r.width, height: r.height }
    }

    /// Middle of a cell in the photo.
    pub(super) fn pixel_of(&self, x: usize, y: usize) -> PixelPoint {
        let middle = |v: usize, o: usize| (o + self.factor * v) as f64 + 0.5 * (self.factor as f64 - 1.0);
        PixelPoint::new(middle(x, self.origin.0), middle(y, self.origin.1))
    }
}

/// The part of a photo that a ball can strike: pixel ranges across and down, one past the last.
fn zone(is: &Located, pivot: Pivot, size: (u32, u32)) -> ((usize, usize), (usize, usize)) {
    let (w, h) = (f64::from(size.0), f64::from(size.1));
    let widest = SIDEWAYS * pivot.out_m;
    let (mut x, mut y) = ((f64::MAX, f64::MIN), (f64::MAX, f64::MIN));
    // A coarse lattice over the photo: a cell belongs when its centre or a neighbour's can be struck.
    let step = (w.max(h) / 40.0).max(8.0);
    let (nx, ny) = ((w / step) as usize + 2, (h / step) as usize + 2);
    for j in 0..ny {
        for i in 0..nx {
            let p = PixelPoint::new(i as f64 * step, j as f64 * step);
            if is.view.wall_from_pixel(p).is_some_and(|q| (q.x_m - pivot.right_m).abs() < widest) {
                x = (x.0.min(p.x_px - step), x.1.max(p.x_px + step));
                y = (y.0.min(p.y_px - step), y.1.max(p.y_px + step));
            }
        }
    }
    let cut = |r: (f64, f64), most: f64| (r.0.clamp(0.0, most) as usize, r.1.clamp(0.0, most) as usize);
    if x.0 > x.1 { ((0, size.0 as usize), (0, size.1 as usize)) } else { (cut(x, w), cut(y, h)) }
}

/// The paper of a sheet, board and margins: its reach across and down, mm.
fn paper_of(g: SheetGeometry) -> (Range<f64>, Range<f64>) {
    let k = g.square_mm / crate::sheet::geometry::SQUARE_MM;
    (
        -PAPER_SIDE_MM * k..3.0 * g.square_mm + PAPER_SIDE_MM * k,
        -PAPER_ABOVE_MM * k..4.0 * g.square_mm + PAPER_BELOW_MM * k,
    )
}

/// Cells of a view that show paper.
fn paper(wall: &Wall, view: &WallView, grid: &Grid) -> Vec<bool> {
    let Grid { origin, factor, width, height } = *grid;
    let mut out = vec![false; width * height];
    let set = wall.geometry();
    for s in &wall.sheets {
        let (u, v) = paper_of(set.of(s.number));
        let corner = |u_mm: f64, v_mm: f64| {
            let w = wall.wall_from_sheet(s, SheetPoint { u_mm, v_mm });
            let cell = |v: f64, o: usize| (v - o as f64) / factor as f64;
            view.pixel_from_wall(w).map(|p| [cell(p.x_px, origin.0), cell(p.y_px, origin.1)])
        };
        let corners = [(u.start, v.start), (u.end, v.start), (u.end, v.end), (u.start, v.end)];
        let Some(quad) = corners.into_iter().map(|(u, v)| corner(u, v)).collect::<Option<Vec<_>>>() else {
            continue;
        };
        let bound = |axis: usize, most: usize| {
            let lo = quad.iter().map(|p| p[axis]).fold(f64::MAX, f64::min).floor().max(0.0) as usize;
            let hi = quad.iter().map(|p| p[axis]).fold(f64::MIN, f64::max).ceil().clamp(0.0, most as f64) as usize;
            lo.min(most)..hi
        };
        for y in bound(1, height) {
            for x in bound(0, width) {
                let inside = (0..4).all(|i| {
                    let (p, q) = (quad[i], quad[(i + 1) % 4]);
                    (q[0] - p[0]) * (y as f64 - p[1]) - (q[1] - p[1]) * (x as f64 - p[0]) >= 0.0
                });
                out[y * width + x] |= inside;
            }
        }
    }
    out
}

/// Whether a wall point lies on the paper of a sheet.
pub fn shows_paper(wall: &Wall, p: WallPoint) -> bool {
    let set = wall.geometry();
    wall.sheets.iter().any(|s| {
        let ((u, v), at) = (paper_of(set.of(s.number)), wall.sheet_from_wall(s, p));
        u.contains(&at.u_mm) && v.contains(&at.v_mm)
    })
}

/// Where the machine stands, m.
#[derive(Clone, Copy, Debug)]
pub struct Pivot {
    /// Pivot axis to wall.
    pub out_m: f64,
    /// Arm's plane to the right of the origin.
    pub right_m: f64,
}

/// What is asked of a pair of photos.
pub struct Ask<'a> {
    /// Index of the row.
    pub volley: usize,
    /// Balls shot between the two photos.
    pub shots: usize,
    /// Where the machine stands.
    pub pivot: Pivot,
    /// The usual mark's radius, mm.
    pub radius_mm: f64,
    /// Marks that the photo before shows.
    pub old: &'a [Spot],
    /// Only this part of the wall; absent: all of it.
    pub only: Option<&'a Mask>,
    /// Keep the significance of every cell, for pictures.
    pub keep: bool,
}

/// An old mark is gone when this share of what it took from the light has come back: a cloth leaves a tenth or two behind.
const BACK: f32 = 0.5;

/// Mean of after / (light x before) - 1 over 3 x 3 cells.
fn change_at(r: &Reduced, light: &[[f32; 3]], x: usize, y: usize) -> [f32; 3] {
    let (mut sum, mut n) = ([0.0f32; 3], 0.0);
    for v in y.saturating_sub(1)..(y + 2).min(r.height) {
        for i in v * r.width + x.saturating_sub(1)..v * r.width + (x + 2).min(r.width) {
            let q: [f32; 3] = std::array::from_fn(|c| r.after[i][c] / (light[i][c] * r.before[i][c]).max(1e-4) - 1.0);
            if q.iter().all(|v| v.is_finite()) {
                (0..3).for_each(|c| sum[c] += q[c]);
                n += 1.0;
            }
        }
    }
    sum.map(|s| s / n)
}

/// How many of the old marks are gone, and how many could be judged.
fn gone(r: &Reduced, light: &[[f32; 3]], view: &WallView, old: &[Spot]) -> (usize, usize) {
    let (mut gone, mut judged) = (0, 0);
    for s in old {
        let Some(p) = view.pixel_from_wall(s.at) else { continue };
        let cell = |v: f64, o: usize| (v - o as f64) / r.factor as f64;
        let (x, y) = (cell(p.x_px, r.origin.0), cell(p.y_px, r.origin.1));
        if !(x >= 0.0 && y >= 0.0 && x < r.width as f64 && y < r.height as f64) {
            continue;
        }
        let now = change_at(r, light, x as usize, y as usize);
        if now.iter().any(|v| v.is_nan()) {
            continue;
        }
        judged += 1;
        // A mark that took the share c leaves 1 + c; what comes back takes that to 1 again.
        let back: [f32; 3] = s.change.map(|c| 1.0 / (1.0 + c).max(0.05) - 1.0);
        let (dot, all) = (0..3).fold((0.0, 0.0), |(d, a), c| (d + now[c] * back[c], a + back[c] * back[c]));
        gone += usize::from(all > 0.0 && dot > BACK * all);
    }
    (gone, judged)
}

/// Compares a placed pair.
///
/// # Errors
/// The wall cannot be seen where marks are expected.
pub fn look(wall: &Wall, ask: &Ask, before: &PlacedPhoto, after: &PlacedPhoto) -> Result<VolleyLook> {
    let nowhere = |p: &PlacedPhoto| {
        Error::no_answer(format!("{}: {}", p.name, p.problem.as_deref().unwrap_or("its place on the wall is unknown")))
    };
    let Ask { volley, shots, pivot, radius_mm, old, only, keep } = *ask;
    let (was, _) = before.place.as_ref().ok_or_else(|| nowhere(before))?;
    let (is, how) = after.place.as_ref().ok_or_else(|| nowhere(after))?;
    let pair = Pair::new(&before.rgb, &was.view, &after.rgb, &is.view);
    let place = usual_place(is, pivot.right_m);
    let j = is.view.pixels_per_metre(place).ok_or_else(|| nowhere(after))?;
    let px_per_m = (j[0][0] * j[1][1] - j[0][1] * j[1][0]).abs().sqrt();
    let factor = ((radius_mm * 1e-3 * px_per_m / RADIUS_CELLS) as usize).clamp(1, 32);
    let (x, y) = zone(is, pivot, after.rgb.dimensions());
    let mut reduced = reduce(&pair, factor, x, y);
    let grid = Grid::of(&reduced);
    let radius_cells = radius_mm * 1e-3 * px_per_m / factor as f64;
    // Paper that neither photo shows is not there: its place is wall like any other.
    let excluded = if is.sheets.is_empty() && was.sheets.is_empty() {
        vec![false; reduced.width * reduced.height]
    } else {
        paper(wall, &is.view, &grid)
    };
    let things = find_things(&reduced, radius_cells, shots);
    for i in (0..things.covered.len()).filter(|&i| things.covered[i]) {
        (reduced.before[i], reduced.after[i]) = ([f32::NAN; 3], [f32::NAN; 3]);
    }
    // Where nothing was shot, the old marks may be gone: so much change speaks of no light.
    let changes = if shots == 0 { old.len() } else { shots };
    let mut detection = detect(&reduced, 2.0 * radius_cells, changes, &excluded);
    let gone = gone(&reduced, &detection.light, &is.view, old);
    // Pixels of a patch that reaches into what is covered say nothing.
    for i in (0..things.covered.len()).filter(|&i| things.covered[i]) {
        detection.light[i] = [f32::NAN; 3];
    }
    let widest = SIDEWAYS * pivot.out_m;
    let ring = only.map(|m| m.widened((RING_RADII * radius_cells).ceil() as usize));
    let reachable = |(x, y): (usize, usize)| {
        let w = is.view.wall_from_pixel(grid.pixel_of(x, y));
        w.is_some_and(|w| (w.x_m - pivot.right_m).abs() < widest && ring.as_ref().is_none_or(|r| r.holds(w)))
    };
    let rules = Rules { shots, radius_mm, radius_cells, paper: &excluded, reachable: &reachable };
    let groups = group(&pair, &reduced, &detection, &rules);
    let spots = detection
        .regions
        .iter()
        .filter(|r| reachable(r.peak) && !excluded[r.peak.1 * grid.width + r.peak.0] && !groups.too_big.contains(r))
        .filter_map(|r| {
            let at = is.view.wall_from_pixel(grid.pixel_of(r.peak.0, r.peak.1))?;
            Some(Spot { at, change: change_at(&reduced, &detection.light, r.peak.0, r.peak.1) })
        })
        .filter(|s| s.change.iter().all(|v| v.is_finite()))
        .collect();
    let coarse = |s: &f32| if s.is_nan() { u8::MAX } else { (s / SIGNIFICANCE_STEP).min(254.0) as u8 };
    let significance_map = if keep { detection.significance.iter().map(coarse).collect() } else { Vec::new() };
    Ok(VolleyLook {
        volley,
        before: before.name.clone(),
        before_view: was.view,
        located: is.clone(),
        how: how.clone(),
        light_step: detection.light_step,
        light_followed: detection.edges_followed(),
        size_px: after.rgb.dimensions(),
        spots,
        gone,
        changed_cells: detection.regions.iter().map(|r| r.cells).sum(),
        covered: Mask::new(&is.view, grid, things.covered),
        things: things.things,
        groups,
        shift_px: pair.largest_shift_px(),
        changed: after.changed.clone(),
        sheets_up: !(is.sheets.is_empty() && was.sheets.is_empty()),
        wiped: false,
        otherwise: None,
        threshold: detection.threshold,
        significance_map,
        grid,
        radius_cells,
        patches_stowed: 0,
        stowed: None,
        crops: None,
        crops_stowed: None,
    })
}
