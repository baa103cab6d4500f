//! What do both photos of a pair show of each small block of the wall?
//!
//! A search for marks needs no single pixels: both photos are averaged in linear light over blocks of the photo after, whose places in the photo
//! before the pair's map tells. The photo before is interpolated there (Catmull-Rom); a sum over a block's interpolated pixels is one weighted sum over
//! the pixels about it.

use image::RgbImage;
use rayon::prelude::*;

use super::pair::{Pair, STEP_PX, catmull_rom, linear};
use crate::camera::WallView;
use crate::points::{PixelPoint, WallPoint};
use crate::vectors::widest;

/// Numbers of a row that are added up together: four kilobytes.
const COLUMNS: usize = 1024;
/// Rows by which the map may slope over a band whose rows are turned into linear light together: more would cost more than it spares.
const MOST_SLOPE_PX: usize = 64;
/// Rows of blocks that are averaged together: their photo rows are turned into linear light once.
const BLOCK_ROWS: usize = 8;
/// Blocks of a row that are averaged together.
const BLOCKS: usize = 8;
/// Largest side of a block, px.
pub const MOST_FACTOR: usize = 32;

/// Both photos averaged over blocks of `factor` x `factor` pixels, linear RGB.
pub struct Reduced {
    /// Pixels a block side.
    pub factor: usize,
    /// Photo pixel of the first block's top-left pixel.
    pub origin: (usize, usize),
    /// Blocks across.
    pub width: usize,
    /// Blocks down.
    pub height: usize,
    /// After, block by block.
    pub after: Vec<[f32; 3]>,
    /// Before, on the same blocks; NaN where the photo before does not reach.
    pub before: Vec<[f32; 3]>,
}

/// Averages a part of a pair (`x` and `y`: first and one past the last pixel) over blocks of at most [`MOST_FACTOR`].
pub fn reduce(pair: &Pair, factor: usize, x: (usize, usize), y: (usize, usize)) -> Reduced {
    let factor = factor.clamp(1, MOST_FACTOR);
    let (x1, y1) = (x.1.min(pair.after.width() as usize), y.1.min(pair.after.height() as usize));
    let origin = (x.0.min(x1), y.0.min(y1));
    let (width, height) = ((x1 - origin.0) / factor, (y1 - origin.1) / factor);
    let nothing = vec![[0.0f32; 3]; width * height];
    let mut out = Reduced { factor, origin, width, height, after: nothing.clone(), before: nothing };
    let n = 1.0 / (factor * factor) as f32;
    // A still pair is not interpolated.
    let weights = if pair.still { Weights(Vec::new()) } else { Weights::new(factor) };
    let blocks = Blocks { pair, factor, weights };
    let band = width.max(1) * BLOCK_ROWS;
    let bands = out.after.par_chunks_mut(band).zip(out.before.par_chunks_mut(band)).enumerate();
    bands.for_each_init(Work::default, |Work { strip, places: at }, (k, (after, before))| {
        let first = k * BLOCK_ROWS;
        let rows = after.len() / width.max(1);
        let (top, bottom) = (first * factor + origin.1, (first + rows) * factor + origin.1);
        Strip::of(pair, (origin.0, origin.0 + width * factor), (top, bottom), strip);
        at.resize(width, [f32::NAN; 2]);
        widest(
            #[inline(always)]
            || {
                let lines = after.chunks_mut(width.max(1)).zip(before.chunks_mut(width.max(1)));
                for (row, (after, before)) in lines.enumerate() {
                    let corner = (origin.0, (first + row) * factor + origin.1);
                    block_sums(pair.after, corner, factor, after);
                    after.as_flattened_mut().iter_mut().for_each(|v| *v *= n);
                    if pair.still {
                        block_sums(pair.before, corner, factor, before);
                        before.as_flattened_mut().iter_mut().for_each(|v| *v *= n);
                        continue;
                    }
                    places(pair, corner, factor, at);
                    blocks.sums(strip, at, before);
                    // Interpolation may fall below nothing; what is outside stays NaN.
                    before.as_flattened_mut().iter_mut().for_each(|v| *v = if *v < 0.0 { 0.0 } else { *v * n });
                }
            },
        );
    });
    out
}

/// What a worker keeps from band to band.
#[derive(Default)]
struct Work {
    strip: Strip,
    places: Vec<[f32; 2]>,
}

impl Reduced {
    /// Centre of a block in the photo after.
    pub fn pixel_of(&self, bx: f64, by: f64) -> PixelPoint {
        let f = self.factor as f64;
        let (x0, y0) = (self.origin.0 as f64, self.origin.1 as f64);
        PixelPoint::new(x0 + f * bx + 0.5 * (f - 1.0), y0 + f * by + 0.5 * (f - 1.0))
    }

    /// Blocks a wall metre around a wall point, the geometric mean of the two directions.
    pub fn blocks_per_metre(&self, view: &WallView, w: WallPoint) -> Option<f64> {
        let j = view.pixels_per_metre(w)?;
        Some((j[0][0] * j[1][1] - j[0][1] * j[1][0]).abs().sqrt() / self.factor as f64)
    }
}

/// Sums of linear RGB over a row of blocks of a photo, from pixel (left, top) on.
#[inline(always)]
fn block_sums(photo: &RgbImage, (left, top): (usize, usize), factor: usize, sums: &mut [[f32; 3]]) {
    let width = 3 * photo.width() as usize;
    // A few blocks at a time, down first: their columns stay in the fastest cache.
    let mut columns = [0.0f32; COLUMNS];
    let together = COLUMNS / (3 * factor);
    for (k, sums) in sums.chunks_mut(together).enumerate() {
        let columns = &mut columns[..3 * factor * sums.len()];
        columns.fill(0.0);
        let first = 3 * (left + k * together * factor);
        for row in photo.as_raw().chunks_exact(width.max(1)).skip(top).take(factor) {
            let row = row.get(first..first + columns.len()).unwrap_or_default();
            columns.iter_mut().zip(row).for_each(|(c, v)| *c += linear(*v));
        }
        for (sum, columns) in sums.iter_mut().zip(columns.chunks_exact(3 * factor)) {
            *sum = [0.0; 3];
            for rgb in columns.chunks_exact(3) {
                (0..3).for_each(|c| sum[c] += rgb[c]);
            }
        }
    }
}

/// A part of a photo in linear light.
#[derive(Default)]
struct Strip {
    /// First number of a row of the photo (three a pixel), and first row.
    first: (usize, usize),
    /// Numbers a row, and rows.
    size: (usize, usize),
    rows: Vec<f32>,
}

impl Strip {
    /// The part of the photo before that blocks of the photo after between columns `left` and `right` and rows `top` and `bottom` show, in linear
    /// light: as large as what one such band shows of a photo from nearly the same place; a block turns the rest by itself.
    fn of(pair: &Pair, (left, right): (usize, usize), (top, bottom): (usize, usize), out: &mut Self) {
        let (w, h) = (pair.before.width() as usize, pair.before.height() as usize);
        out.size = (0, 0);
        if pair.still {
            return;
        }
        // The map is linear between the lattice's points: these say where the farthest ones are.
        let (r0, r1) = (top / STEP_PX, (bottom / STEP_PX + 2).min(pair.rows));
        let lattice = pair.offsets.get(r0 * pair.columns..r1 * pair.columns).unwrap_or_default();
        let reach = |k: usize| {
            let shifts = lattice.iter().map(|o| o[k]).filter(|v| v.is_finite());
            shifts.fold((f32::MAX, f32::MIN), |b, v| (b.0.min(v), b.1.max(v)))
        };
        let (across, down) = (reach(0), reach(1));
        if across.0 > across.1 || down.0 > down.1 {
            return;
        }
        let span = |from: usize, to: usize, shift: (f32, f32), most: usize| {
            let first = (from as f32 + shift.0 - 2.0).clamp(0.0, most as f32) as usize;
            let last = (to as f32 + shift.1 + 4.0).clamp(0.0, most as f32) as usize;
            (first, last.min(first + to - from + MOST_SLOPE_PX).max(first))
        };
        let ((x0, x1), (y0, y1)) = (span(left, right, across, w), span(top, bottom, down, h));
        out.first = (3 * x0, y0);
        let size = (3 * (x1 - x0), y1 - y0);
        out.size = size;
        // What is read beyond the last row's end has no weight, and has to be there.
        out.rows.resize(size.0 * size.1 + 3 * (MOST_FACTOR + 3), 0.0);
        let photo = pair.before.as_raw().chunks(3 * w.max(1)).skip(y0);
        widest(
            #[inline(always)]
            || {
                for (to, row) in out.rows.chunks_exact_mut(size.0.max(1)).take(size.1).zip(photo) {
                    to.iter_mut().zip(&row[3 * x0..3 * x1]).for_each(|(to, v)| *to = linear(*v));
                }
            },
        );
    }

    /// The sum of stretches of rows from `(y, x)` on (x in numbers, not pixels), each with its weight; `None` where the strip has not all of them.
    #[inline(always)]
    fn sum<const N: usize>(&self, (y, x): (usize, usize), weights: &[f32]) -> Option<[f32; N]> {
        let mut all = [0.0f32; N];
        let (x, y) = (x.checked_sub(self.first.0)?, y.checked_sub(self.first.1)?);
        if x + 3 * weights.len() > self.size.0 || y + weights.len() > self.size.1 {
            return None;
        }
        let mut from = y * self.size.0 + x;
        for weight in weights {
            // What follows a row's end is the next row's: it is added up, and nobody asks for it.
            let row = self.rows.get(from..from + N)?.first_chunk::<N>()?;
            for i in 0..N {
                all[i] += weight * row[i];
            }
            from += self.size.0;
        }
        Some(all)
    }
}

/// Parts of a pixel to which a block's place in the photo before is rounded: by 0.0005 px at the most, a quarter of what the map itself may stray by.
const PARTS: usize = 1024;
/// Most pixels that a block takes across and down: interpolation needs one before its own and two after.
const MOST_TAPS: usize = MOST_FACTOR + 3;

/// What each pixel counts that Catmull-Rom interpolation takes for a block of neighbours together, for every fraction of a pixel in [`PARTS`].
struct Weights(Vec<[f32; MOST_TAPS]>);

impl Weights {
    fn new(factor: usize) -> Self {
        let of = |part: usize| {
            let one = catmull_rom(part as f32 / PARTS as f32);
            let mut out = [0.0; MOST_TAPS];
            for i in 0..factor {
                out[i..].iter_mut().zip(&one).for_each(|(o, v)| *o += v);
            }
            out
        };
        Self((0..PARTS).map(of).collect())
    }
}

/// Where the photo before shows the top left pixels of blocks of a row of the photo after, from pixel (left, top) on; NaN off the wall. The shift
/// between the photos is taken as one over a block (it changes by some 0.01 px), so that a block costs little more than its own pixels.
fn places(pair: &Pair, (left, top): (usize, usize), factor: usize, places: &mut [[f32; 2]]) {
    let half = factor / 2;
    let y = top + half;
    let cy = (y / STEP_PX).min(pair.rows - 2);
    let fy = (y - cy * STEP_PX) as f32 / STEP_PX as f32;
    let row = |r: usize| pair.offsets.get(r * pair.columns..).unwrap_or_default();
    let (upper, lower) = (row(cy), row(cy + 1));
    let shift = |c: usize| {
        let (a, b) = (upper[c], lower[c]);
        [a[0] + (b[0] - a[0]) * fy, a[1] + (b[1] - a[1]) * fy]
    };
    // Between which points of the lattice, and the shifts there.
    let mut between = (usize::MAX, [0.0; 2], [0.0; 2]);
    for (i, place) in places.iter_mut().enumerate() {
        let x0 = left + i * factor;
        let cx = ((x0 + half) / STEP_PX).min(pair.columns - 2);
        if cx != between.0 {
            between = (cx, shift(cx), shift(cx + 1));
        }
        let (_, a, b) = between;
        let fx = (x0 + half - cx * STEP_PX) as f32 / STEP_PX as f32;
        *place = [x0 as f32 + a[0] + (b[0] - a[0]) * fx, top as f32 + a[1] + (b[1] - a[1]) * fx];
    }
}

/// What averaging the photo before over blocks needs.
struct Blocks<'a> {
    pair: &'a Pair<'a>,
    factor: usize,
    weights: Weights,
}

impl Blocks<'_> {
    /// Sums of linear RGB of the photo before over what blocks of a row of the photo after show, from `strip`, the photo before's rows there; NaN
    /// where part of a block lies outside.
    #[inline(always)]
    fn sums(&self, strip: &Strip, places: &[[f32; 2]], sums: &mut [[f32; 3]]) {
        // Of a length that the compiler knows: numbers of a row of the pixels that a block takes, or some more.
        match self.factor + 3 {
            0..=8 => self.sums_of::<24>(strip, places, sums),
            9..=10 => self.sums_of::<32>(strip, places, sums),
            11..=16 => self.sums_of::<48>(strip, places, sums),
            _ => self.sums_of::<{ 3 * MOST_TAPS }>(strip, places, sums),
        }
    }

    #[inline(always)]
    fn sums_of<const NUMBERS: usize>(&self, strip: &Strip, places: &[[f32; 2]], sums: &mut [[f32; 3]]) {
        let taps = self.factor + 3;
        // First all columns' sums, then across: what was just written as whole vectors cannot yet be read from between them.
        let mut columns = [[0.0f32; NUMBERS]; BLOCKS + 1];
        for (places, sums) in places.chunks(BLOCKS).zip(sums.chunks_mut(BLOCKS)) {
            let mut across: [Option<&[f32]>; BLOCKS] = [None; BLOCKS];
            for ((columns, across), place) in columns.iter_mut().zip(&mut across).zip(places) {
                if let Some((sums, weights)) = self.columns(strip, *place) {
                    (*columns, *across) = (sums, Some(weights));
                }
            }
            let columns = columns.as_flattened();
            for (i, (sum, across)) in sums.iter_mut().zip(across).enumerate() {
                let Some(across) = across else {
                    *sum = [f32::NAN; 3];
                    continue;
                };
                // Four numbers for three: the last is the next pixel's red, and nobody's.
                let mut all = [0.0f32; 4];
                for (rgb, wx) in columns[i * NUMBERS..].windows(4).step_by(3).zip(&across[..taps]) {
                    (0..4).for_each(|c| all[c] += wx * rgb[c]);
                }
                *sum = [all[0], all[1], all[2]];
            }
        }
    }

    /// Sums down a block's columns, and the weights for their sum across; `None` where part of it lies outside.
    #[inline(always)]
    fn columns<const NUMBERS: usize>(&self, strip: &Strip, [px, py]: [f32; 2]) -> Option<([f32; NUMBERS], &[f32])> {
        let (w, h) = (self.pair.before.width() as usize, self.pair.before.height() as usize);
        let far = (self.factor - 1) as f32;
        let inside = px >= 1.0 && py >= 1.0 && px + far < w as f32 - 2.0 && py + far < h as f32 - 2.0;
        if !inside {
            return None;
        }
        let part = |v: f32| (v * PARTS as f32 + 0.5) as usize;
        let (qx, qy) = (part(px), part(py));
        let (x0, y0) = (qx / PARTS - 1, qy / PARTS - 1);
        let (across, down) = (self.weights.0.get(qx % PARTS)?, self.weights.0.get(qy % PARTS)?);
        let down = &down[..self.factor + 3];
        // Down first: whole stretches of rows at once.
        let sums = strip.sum::<NUMBERS>((y0, 3 * x0), down).unwrap_or_else(|| {
            let mut columns = [0.0f32; NUMBERS];
            let raw = self.pair.before.as_raw();
            for (y, wy) in (y0..).zip(down) {
                // One row more than there is has no weight, where a place was rounded up to the last.
                let row = raw.get(3 * (w * y + x0)..).unwrap_or_default();
                let row = row.iter().map(|v| self.pair.table[usize::from(*v)]);
                columns.iter_mut().zip(row).for_each(|(c, v)| *c += wy * v);
            }
            columns
        });
        Some((sums, across))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::{Lens, Pose};
    use nalgebra::{Matrix3, Rotation3, Vector3};

    /// Facing the wall from two metres, moved sideways and down.
    fn view(x_m: f64, y_m: f64) -> WallView {
        let facing = Matrix3::from_diagonal(&Vector3::new(1.0, -1.0, -1.0));
        let rotation = Rotation3::from_matrix_eps(&facing, 1e-12, 10, Rotation3::identity());
        let lens = Lens::pinhole(230, 190, 1600.0);
        WallView { lens, pose: Pose { rotation, translation: Vector3::new(x_m, y_m, 2.0) } }
    }

    #[test]
    fn blocks_are_the_means_of_their_pixels() {
        // Noise so bright that no interpolation between pixels falls below nothing, where single pixels stop and sums of them do not.
        let photo = |seed: u32| {
            let at = |x: u32, y: u32| x.wrapping_mul(2_654_435_761).wrapping_add(y.wrapping_mul(40_503) + seed);
            RgbImage::from_fn(230, 190, |x, y| {
                let v = at(x, y);
                image::Rgb([v >> 24, v >> 16, v ^ (v >> 11)].map(|v| 170 + (v % 86) as u8))
            })
        };
        let (before, after) = (photo(1), photo(7));
        // Still; by a part of a pixel; by 9.7 px across and 6.3 down, so that some blocks see what the photo before does not show.
        for (x_m, y_m) in [(0.0, 0.0), (0.0004, -0.0003), (0.0121, 0.0079)] {
            let pair = Pair::new(&before, &view(x_m, y_m), &after, &view(0.0, 0.0));
            for factor in [1, 2, 5, 6, 7, 8, 13, 14, 32] {
                let r = reduce(&pair, factor, (3, 228), (2, 189));
                assert_eq!((r.width, r.height), (225 / factor, 187 / factor));
                let mut seen = 0;
                for i in 0..r.width * r.height {
                    let (x0, y0) = (3 + i % r.width * factor, 2 + i / r.width * factor);
                    let pixels = || (0..factor * factor).map(|k| (x0 + k % factor, y0 + k / factor));
                    let mean = |of: &dyn Fn(usize, usize) -> [f32; 3], c: usize| {
                        pixels().map(|(x, y)| of(x, y)[c]).sum::<f32>() / (factor * factor) as f32
                    };
                    for c in 0..3 {
                        assert!((r.after[i][c] - mean(&|x, y| pair.after_at(x, y), c)).abs() < 1e-5);
                        let exact = mean(&|x, y| pair.before_at(x, y).unwrap_or([f32::NAN; 3]), c);
                        assert_eq!(exact.is_finite(), r.before[i][c].is_finite(), "{factor} {i}");
                        if exact.is_finite() {
                            let found = r.before[i][c];
                            // From 0.4 to 1 of full light between two pixels at the most, across and down; only a block's rim hangs on its place.
                            let rounded = 2.0 * 0.6 / (2 * PARTS * factor) as f32;
                            assert!((found - exact).abs() < 1e-4 + rounded, "{factor} {i} {c}: {found} {exact}");
                            seen += 1;
                        }
                    }
                }
                assert!(seen > 0, "{factor}");
            }
        }
    }
}
