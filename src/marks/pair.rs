//! How do two photos of one wall come onto one pixel grid?
//!
//! The photo after the volley keeps its own pixels. For each of them the wall point that it shows is
//! looked up in the photo before, through both photos' poses and the lens; that map is smooth, so it
//! is computed on a coarse lattice and interpolated between. Values are linear light (the sRGB curve
//! of IEC 61966-2-1 undone, [`linear`]), where paint and light multiply.

use image::RgbImage;
use rayon::prelude::*;

use crate::camera::WallView;
use crate::points::PixelPoint;

/// Lattice step of the shift between two photos, px. A camera of 3000 px focal length that turned by 10 mrad, 30 px, shifts the picture by what strays
/// from a straight line by less than 0.002 px over 32 px: the turn by 32^2 / 8 x 2 x 0.01 / 3000, a lens that bends by a tenth at the rim by half of that.
pub(super) const STEP_PX: usize = 32;
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
    /// Shifts at the lattice's points, row by row; NaN off the wall.
    pub(super) offsets: Vec<[f32; 2]>,
    /// Points of the lattice across and down.
    pub(super) columns: usize,
    pub(super) rows: usize,
    pub(super) still: bool,
    pub(super) table: [f32; 256],
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
}

#[inline(always)]
pub(super) fn catmull_rom(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (-t + 2.0 * t2 - t3), 0.5 * (2.0 - 5.0 * t2 + 3.0 * t3), 0.5 * (t + 4.0 * t2 - 3.0 * t3), 0.5 * (-t2 + t3)]
}

#[cfg(test)]
mod tests {
    use super::*;
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
}
