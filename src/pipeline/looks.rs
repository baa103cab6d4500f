//! What does each volley's photo show that the photo before it did not?
//!
//! Every photo is decoded once, placed on the wall by the sheets that it shows, and compared with the one
//! before; what is kept of it are the patches that changed.

use super::crops::Crops;
use super::decision::SIGNIFICANCE_STEP;
use super::grid::{Grid, paper};
use super::place::{How, PlacedPhoto};
use super::stowed::Stowed;
use super::veil::Mask;
use serde::{Deserialize, Serialize};

use crate::camera::{Located, Wall, WallView};
use crate::error::{Error, Result};
use crate::marks::blocks::MOST_FACTOR;
use crate::marks::group::{Groups, Rules, group};
use crate::marks::{Pair, Reduced, Thing, detect, find_things, reduce};
use crate::points::{PixelPoint, WallPoint};
use crate::session::flags::FlagWord;

/// A usual mark's radius on the grid that is searched, cells, at least: fine enough to part neighbours and to see faint marks, coarse enough to be fast. At
/// 0.8 px a millimetre 94, 86 and 81 of 100 marks 16 mm across of strength 0.03 were found with 4.5, 3.5 and 3.0; larger and stronger ones alike
/// (`examples/completeness.rs`).
const RADIUS_CELLS: f64 = 4.5;
/// The same in a photo so fine that a cell would have [`FINE_PX`] pixels a side or more: their noise goes with their number, so that a little less of a
/// mark is enough. At 12 megapixels a run then takes a sixth less time.
const RADIUS_CELLS_FINE: f64 = 3.5;
const FINE_PX: f64 = 3.0;

/// Pixels of a cell's side, for a usual mark of this radius.
pub fn cell_px(radius_px: f64) -> usize {
    let cell = radius_px / RADIUS_CELLS;
    let px = if cell < FINE_PX { cell } else { radius_px / RADIUS_CELLS_FINE };
    (px as usize).clamp(1, MOST_FACTOR)
}

/// Around a part that is asked for, marks that reach into it are looked for as well: this many usual radii.
const RING_RADII: f64 = 2.0;

/// Marks are looked for this far to either side of the arm's plane, over the distance to the wall: 14 deg, three
/// times what a pocket throws sideways (common practice, no source).
pub(super) const SIDEWAYS: f64 = 0.25;

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
        let (x, y) = self.grid.cell_of(p)?;
        let i = y * self.grid.width + x;
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

/// A fraction of one in so many old marks is many.
const MANY: usize = 4;
/// A mark's change is plain where it is this share of the strongest one's: of one ball's marks the weakest is a third of the strongest.
const PLAIN: f32 = 0.25;

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

/// How many of the old marks are gone, and how many could be judged. A cloth takes dark and light ones alike, and what lay before the wall
/// goes by itself: where one kind is all there still, or both are many, the one counts of which less is gone.
fn gone(r: &Reduced, light: &[[f32; 3]], view: &WallView, old: &[Spot]) -> (usize, usize) {
    let is_dark = |s: &&Spot| s.change.iter().sum::<f32>() < 0.0;
    let (dark, pale): (Vec<&Spot>, Vec<&Spot>) = plain(old).into_iter().partition(is_dark);
    let (dark, pale) = (gone_of(r, light, view, &dark), gone_of(r, light, view, &pale));
    let all = (dark.0 + pale.0, dark.1 + pale.1);
    if dark.1 == 0 || pale.1 == 0 {
        return all;
    }
    let less = if dark.0 * pale.1 <= pale.0 * dark.1 { dark } else { pale };
    if less.0 == 0 || MANY * less.1 >= all.1 { less } else { all }
}

/// Those that are not much weaker than the others: of a faint place nobody can say whether it is gone.
fn plain(spots: &[Spot]) -> Vec<&Spot> {
    let size = |s: &Spot| s.change.iter().map(|c| c * c).sum::<f32>();
    let most = spots.iter().map(size).fold(0.0, f32::max);
    spots.iter().filter(|s| size(s) >= PLAIN * PLAIN * most).collect()
}

fn gone_of(r: &Reduced, light: &[[f32; 3]], view: &WallView, old: &[&Spot]) -> (usize, usize) {
    let (mut gone, mut judged) = (0, 0);
    let grid = Grid::of(r);
    for s in old {
        let Some((x, y)) = view.pixel_from_wall(s.at).and_then(|p| grid.cell_of(p)) else { continue };
        let now = change_at(r, light, x, y);
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
    // A cell of one photo is taken for an upright cell of the other.
    if was.turn != is.turn {
        return Err(Error::no_answer(format!(
            "{}: the camera was held another way up than for {}: hold it alike for the photos before and after a volley",
            after.name, before.name
        )));
    }
    let pair = Pair::new(&before.rgb, &was.view, &after.rgb, &is.view);
    let place = usual_place(is, pivot.right_m);
    let j = is.view.pixels_per_metre(place).ok_or_else(|| nowhere(after))?;
    let px_per_m = (j[0][0] * j[1][1] - j[0][1] * j[1][0]).abs().sqrt();
    let factor = cell_px(radius_mm * 1e-3 * px_per_m);
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
