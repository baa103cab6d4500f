//! How do two photos of one wall come onto one pixel grid?
//!
//! The photo after the volley keeps its own pixels. For each of them the wall point that it shows is
//! looked up in the photo before, through both photos' poses and the lens; that map is smooth, so it
//! is computed on a coarse lattice and interpolated between. Values are linear light (the sRGB curve
//! of IEC 61966-2-1 undone, [`linear`]), where paint and light multiply.

use image::RgbImage;
use rayon::prelude::*;

use crate::camera::WallView;
use crate::points::{PixelPoint, WallPoint};
use crate::vectors::widest;

/// Lattice step of the shift between two photos, px. A camera of 3000 px focal length that turned by 10 mrad, 30 px, shifts the picture by what strays
/// from a straight line by less than 0.002 px over 32 px: the turn by 32^2 / 8 x 2 x 0.01 / 3000, a lens that bends by a tenth at the rim by half of that.
const STEP_PX: usize = 32;
/// Below this shift everywhere the photo before is read without interpolation, px: interpolating would
/// smooth its noise and change its texture by more than such a shift does.
const STILL_PX: f64 = 0.02;

/// Linear light, 0..1, of an 8-bit sRGB value: within 3e-4 of IEC 61966-2-1 everywhere, a seventh of what a level is worth in the middle, and
/// rising from level to level. A polynomial, since a loop takes eight of them at once, where a table takes one by one: cameras' own curves stray
/// from the standard by a hundred times as much.
#[inline(always)]
pub fn linear(value: u8) -> f32 {
    /// Of least largest error over the 256 levels, for x to x^5 with x the level over 255.
    const BY_LEVEL: [f64; 5] = [0.055_754_460, 0.372_109_287, 1.033_571_280, -0.695_572_976, 0.234_430_723];
    const TERMS: [f32; 5] = {
        let (mut terms, mut scale, mut k) = ([0.0f32; 5], 1.0, 0);
        while k < 5 {
            scale /= 255.0;
            terms[k] = (BY_LEVEL[k] * scale) as f32;
            k += 1;
        }
        terms
    };
    let v = f32::from(value);
    ((((TERMS[4] * v + TERMS[3]) * v + TERMS[2]) * v + TERMS[1]) * v + TERMS[0]) * v
}

/// [`linear`] of every level, for places that are read one by one.
pub fn linear_table() -> [f32; 256] {
    std::array::from_fn(|i| linear(i as u8))
}

/// Two photos of one wall, with the map between them.
pub struct Pair<'a> {
    /// The photo before.
    pub before: &'a RgbImage,
    /// The photo after.
    pub after: &'a RgbImage,
    /// How the photo after sees the wall.
    pub after_view: WallView,
    offsets: Vec<[f32; 2]>,
    columns: usize,
    rows: usize,
    still: bool,
    table: [f32; 256],
}

impl<'a> Pair<'a> {
    /// Pairs two photos through their views of the wall.
    pub fn new(before: &'a RgbImage, before_view: &WallView, after: &'a RgbImage, after_view: &WallView) -> Self {
        let columns = (after.width() as usize).div_ceil(STEP_PX) + 1;
        let rows = (after.height() as usize).div_ceil(STEP_PX) + 1;
        let same = before_view == after_view;
        let offsets: Vec<[f32; 2]> = (0..columns * rows)
            .into_par_iter()
            .map(|i| {
                if same {
                    return [0.0; 2];
                }
                let p = PixelPoint::new((i % columns * STEP_PX) as f64, (i / columns * STEP_PX) as f64);
                let q = after_view.wall_from_pixel(p).and_then(|w| before_view.pixel_from_wall(w));
                q.map_or([f32::NAN; 2], |q| [(q.x_px - p.x_px) as f32, (q.y_px - p.y_px) as f32])
            })
            .collect();
        let most = offsets.iter().flatten().filter(|v| v.is_finite()).fold(0.0f32, |m, v| m.max(v.abs()));
        Self {
            before,
            after,
            after_view: *after_view,
            offsets,
            columns,
            rows,
            still: f64::from(most) < STILL_PX && before.dimensions() == after.dimensions(),
            table: linear_table(),
        }
    }

    /// Largest shift between the photos, px.
    pub fn largest_shift_px(&self) -> f64 {
        self.offsets.iter().flatten().filter(|v| v.is_finite()).fold(0.0f32, |m, v| m.max(v.abs())).into()
    }

    /// Where the photo before shows what pixel (x, y) of the photo after shows; NaN off the wall.
    pub fn before_from_after(&self, x: usize, y: usize) -> [f32; 2] {
        let (cx, cy) = ((x / STEP_PX).min(self.columns - 2), (y / STEP_PX).min(self.rows - 2));
        let fx = (x - cx * STEP_PX) as f32 / STEP_PX as f32;
        let fy = (y - cy * STEP_PX) as f32 / STEP_PX as f32;
        let o = |c: usize, r: usize| self.offsets[r * self.columns + c];
        let (a, b, c, d) = (o(cx, cy), o(cx + 1, cy), o(cx, cy + 1), o(cx + 1, cy + 1));
        let mix = |k: usize| (a[k] * (1.0 - fx) + b[k] * fx) * (1.0 - fy) + (c[k] * (1.0 - fx) + d[k] * fx) * fy;
        [x as f32 + mix(0), y as f32 + mix(1)]
    }

    /// Linear RGB of the photo after at a pixel.
    pub fn after_at(&self, x: usize, y: usize) -> [f32; 3] {
        let i = 3 * (y * self.after.width() as usize + x);
        let raw = self.after.as_raw();
        std::array::from_fn(|c| self.table[raw[i + c] as usize])
    }

    /// Linear RGB of the photo before where it shows what pixel (x, y) of the photo after shows; `None`
    /// outside it. Catmull-Rom interpolation (its error on a photo blurred with sigma 0.8 px is 1 % of a step; bilinear's is 5 %).
    pub fn before_at(&self, x: usize, y: usize) -> Option<[f32; 3]> {
        let (w, h) = (self.before.width() as usize, self.before.height() as usize);
        let raw = self.before.as_raw();
        if self.still {
            return (x < w && y < h).then(|| {
                let i = 3 * (y * w + x);
                std::array::from_fn(|c| self.table[raw[i + c] as usize])
            });
        }
        let [px, py] = self.before_from_after(x, y);
        let inside = px >= 1.0 && py >= 1.0 && px < w as f32 - 2.0 && py < h as f32 - 2.0;
        if !inside {
            return None;
        }
        let (x0, y0) = (px as usize, py as usize);
        let (wx, wy) = (catmull_rom(px - x0 as f32), catmull_rom(py - y0 as f32));
        let mut out = [0.0f32; 3];
        for (j, wy) in wy.iter().enumerate() {
            let row = 3 * ((y0 + j - 1) * w + x0 - 1);
            for (i, wx) in wx.iter().enumerate() {
                for (c, o) in out.iter_mut().enumerate() {
                    *o += wx * wy * self.table[raw[row + 3 * i + c] as usize];
                }
            }
        }
        Some(out.map(|v| v.max(0.0)))
    }

    /// Sums of linear RGB of the photo before over what blocks of a row of the photo after show, from `strip`, the photo before's rows there; NaN
    /// where part of a block lies outside.
    #[inline(always)]
    fn before_blocks(&self, strip: &Strip, (left, top): (usize, usize), factor: usize, sums: &mut [[f32; 3]]) {
        // Of lengths that the compiler knows: pixels that a block takes across and down, and numbers of a row of them.
        match factor + 3 {
            0..=8 => self.blocks_of::<8, 24>(strip, (left, top), factor, sums),
            9..=10 => self.blocks_of::<10, 32>(strip, (left, top), factor, sums),
            11..=16 => self.blocks_of::<16, 48>(strip, (left, top), factor, sums),
            _ => self.blocks_of::<{ MOST_FACTOR + 3 }, { 3 * (MOST_FACTOR + 3) }>(strip, (left, top), factor, sums),
        }
    }

    #[inline(always)]
    fn blocks_of<const TAPS: usize, const NUMBERS: usize>(
        &self,
        strip: &Strip,
        (left, top): (usize, usize),
        factor: usize,
        sums: &mut [[f32; 3]],
    ) {
        // First all columns' sums, then across: what was just written as whole vectors cannot yet be read from between them.
        let mut columns = [[0.0f32; NUMBERS]; BLOCKS + 1];
        let mut across = [[0.0f32; TAPS]; BLOCKS];
        let mut inside = [false; BLOCKS];
        for (k, sums) in sums.chunks_mut(BLOCKS).enumerate() {
            let left = left + k * BLOCKS * factor;
            let each = columns.iter_mut().zip(&mut across).zip(&mut inside).take(sums.len());
            for (i, ((columns, across), inside)) in each.enumerate() {
                let found = self.block_columns(strip, left + i * factor, top, factor, across);
                *inside = found.is_some();
                *columns = found.unwrap_or([0.0; NUMBERS]);
            }
            let columns = columns.as_flattened();
            for (i, sum) in sums.iter_mut().enumerate() {
                // Four numbers for three: the last is the next pixel's red, and nobody's.
                let mut all = [0.0f32; 4];
                for (rgb, wx) in columns[i * NUMBERS..].windows(4).step_by(3).zip(&across[i][..factor + 3]) {
                    (0..4).for_each(|c| all[c] += wx * rgb[c]);
                }
                *sum = if inside[i] { [all[0], all[1], all[2]] } else { [f32::NAN; 3] };
            }
        }
    }

    /// Sums down a block's columns, and the weights for their sum across; `None` where part of it lies outside. The shift between the photos is
    /// taken as one over the block (it changes by some 0.01 px), so that the block costs little more than its own pixels.
    #[inline(always)]
    fn block_columns<const TAPS: usize, const NUMBERS: usize>(
        &self,
        strip: &Strip,
        left: usize,
        top: usize,
        factor: usize,
        across: &mut [f32; TAPS],
    ) -> Option<[f32; NUMBERS]> {
        let (w, h) = (self.before.width() as usize, self.before.height() as usize);
        let [mx, my] = self.before_from_after(left + factor / 2, top + factor / 2);
        let (px, py) = (mx - (factor / 2) as f32, my - (factor / 2) as f32);
        let far = (factor - 1) as f32;
        let inside = px >= 1.0 && py >= 1.0 && px + far < w as f32 - 2.0 && py + far < h as f32 - 2.0;
        if !inside {
            return None;
        }
        let (x0, y0) = (px as usize, py as usize);
        *across = together::<TAPS>(px - x0 as f32, factor);
        let down = together::<TAPS>(py - y0 as f32, factor);
        let at = 3 * (x0 - 1);
        // Down first: whole stretches of rows at once.
        let taps = down.get(..factor + 3)?;
        Some(strip.sum::<NUMBERS>((y0 - 1, at), taps).unwrap_or_else(|| {
            let mut columns = [0.0f32; NUMBERS];
            let raw = self.before.as_raw();
            for (y, wy) in (y0 - 1..).zip(taps) {
                let row = raw[3 * w * y + at..].iter().map(|v| self.table[usize::from(*v)]);
                columns.iter_mut().zip(row).for_each(|(c, v)| *c += wy * v);
            }
            columns
        }))
    }

    /// The part of the photo before that blocks of the photo after between columns `left` and `right` and rows `top` and `bottom` show, in linear
    /// light: as large as what one such band shows of a photo from nearly the same place; a block turns the rest by itself.
    fn strip(&self, (left, right): (usize, usize), (top, bottom): (usize, usize), out: &mut Strip) {
        let (w, h) = (self.before.width() as usize, self.before.height() as usize);
        out.size = (0, 0);
        if self.still {
            return;
        }
        // The map is linear between the lattice's points: these say where the farthest ones are.
        let (r0, r1) = (top / STEP_PX, (bottom / STEP_PX + 2).min(self.rows));
        let lattice = self.offsets.get(r0 * self.columns..r1 * self.columns).unwrap_or_default();
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
        let photo = self.before.as_raw().chunks(3 * w.max(1)).skip(y0);
        widest(
            #[inline(always)]
            || {
                for (to, row) in out.rows.chunks_exact_mut(size.0.max(1)).take(size.1).zip(photo) {
                    to.iter_mut().zip(&row[3 * x0..3 * x1]).for_each(|(to, v)| *to = linear(*v));
                }
            },
        );
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
    /// The sum of stretches of rows from `(y, x)` on (x in numbers, not pixels), each with its weight; `None` where the strip has not all of them.
    #[inline(always)]
    fn sum<const N: usize>(&self, (y, x): (usize, usize), weights: &[f32]) -> Option<[f32; N]> {
        let mut all = [0.0f32; N];
        let (x, y) = (x.checked_sub(self.first.0)?, y.checked_sub(self.first.1)?);
        if x + 3 * weights.len() > self.size.0 || y + weights.len() > self.size.1 {
            return None;
        }
        for (k, weight) in weights.iter().enumerate() {
            let from = (y + k) * self.size.0 + x;
            // What follows a row's end is the next row's: it is added up, and nobody asks for it.
            let row = self.rows.get(from..from + N)?.first_chunk::<N>()?;
            for i in 0..N {
                all[i] += weight * row[i];
            }
        }
        Some(all)
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

/// Weights of the pixels that Catmull-Rom interpolation at a fraction `t` takes for `factor` neighbours together.
#[inline(always)]
fn together<const TAPS: usize>(t: f32, factor: usize) -> [f32; TAPS] {
    let one = catmull_rom(t);
    let mut out = [0.0; TAPS];
    for i in 0..factor {
        out[i..].iter_mut().zip(&one).for_each(|(o, v)| *o += v);
    }
    out
}

#[inline(always)]
pub(super) fn catmull_rom(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (-t + 2.0 * t2 - t3), 0.5 * (2.0 - 5.0 * t2 + 3.0 * t3), 0.5 * (t + 4.0 * t2 - 3.0 * t3), 0.5 * (-t2 + t3)]
}

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
    let band = width.max(1) * BLOCK_ROWS;
    let bands = out.after.par_chunks_mut(band).zip(out.before.par_chunks_mut(band)).enumerate();
    bands.for_each_init(Strip::default, |strip, (k, (after, before))| {
        let first = k * BLOCK_ROWS;
        let rows = after.len() / width.max(1);
        let (top, bottom) = (first * factor + origin.1, (first + rows) * factor + origin.1);
        pair.strip((origin.0, origin.0 + width * factor), (top, bottom), strip);
        widest(
            #[inline(always)]
            || {
                let lines = after.chunks_mut(width.max(1)).zip(before.chunks_mut(width.max(1)));
                for (row, (after, before)) in lines.enumerate() {
                    let top = (first + row) * factor + origin.1;
                    block_sums(pair.after, (origin.0, top), factor, after);
                    after.as_flattened_mut().iter_mut().for_each(|v| *v *= n);
                    if pair.still {
                        block_sums(pair.before, (origin.0, top), factor, before);
                        before.as_flattened_mut().iter_mut().for_each(|v| *v *= n);
                        continue;
                    }
                    pair.before_blocks(strip, (origin.0, top), factor, before);
                    // Interpolation may fall below nothing; what is outside stays NaN.
                    before.as_flattened_mut().iter_mut().for_each(|v| *v = if *v < 0.0 { 0.0 } else { *v * n });
                }
            },
        );
    });
    out
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::{Lens, Pose};
    use nalgebra::{Matrix3, Rotation3, Vector3};

    #[test]
    fn linear_light_is_the_standards_curve() {
        // Source: IEC 61966-2-1.
        let exact = |v: f64| if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) };
        let table = linear_table();
        for (i, v) in table.iter().enumerate() {
            assert!((f64::from(*v) - exact(i as f64 / 255.0)).abs() < 3e-4, "{i}: {v}");
        }
        assert!(table.windows(2).all(|w| w[0] < w[1]) && table[0] == 0.0);
    }

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
                            assert!((found - exact).abs() < 1e-4, "{factor} {i} {c}: {found} {exact}");
                            seen += 1;
                        }
                    }
                }
                assert!(seen > 0, "{factor}");
            }
        }
    }
}
