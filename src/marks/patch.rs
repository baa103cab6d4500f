//! What is the opacity of new marks in every pixel around a place that changed?
//!
//! A patch is a rectangle of the photo after (thinned where pixels are finer than needed) with, pixel by
//! pixel, the wall point, the opacity a that solves after = before' (1 - a) + colour a in the least-squares
//! sense over the three channels, and its standard deviation. before' is the photo before under the new
//! light. Where before' is already as dark as a mark, a says nothing and its deviation is large.

use serde::{Deserialize, Serialize};

use super::detect::Detection;
use super::pair::{Pair, Reduced};
use super::shape::grain_px;
use crate::points::PixelPoint;

/// A mark's radius in patch pixels at most, so that it has 8 to 16 of them in a photo that is fine enough: more add cost, not knowledge, since
/// texture dominates.
const RADIUS_PX: f64 = 16.0;

/// Linear values of a rectangle of both photos.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct RawPatch {
    /// First pixel of the photo after.
    pub origin: (usize, usize),
    /// Photo pixels a patch pixel side.
    pub step: usize,
    /// Patch pixels across.
    pub width: usize,
    /// Patch pixels down.
    pub height: usize,
    /// Photo after, linear RGB.
    pub after: Vec<[f32; 3]>,
    /// Photo before under the new light, linear RGB; NaN where unknown.
    pub expected: Vec<[f32; 3]>,
    /// Wall point of each pixel, mm; NaN off the wall.
    pub wall_mm: Vec<[f64; 2]>,
    /// True where nothing changed (below half the threshold): there the noise is measured.
    pub quiet: Vec<bool>,
    /// True where the pixel must not count: the photo's rim, paper, a masked change.
    pub masked: Vec<bool>,
    /// Wall millimetres a patch pixel.
    pub mm_per_px: f64,
}

/// Cuts a patch: cells `x`, `y` (first and last) of the reduced grid.
pub fn cut(
    pair: &Pair,
    reduced: &Reduced,
    detection: &Detection,
    x: (usize, usize),
    y: (usize, usize),
    radius_mm: f64,
    excluded: &[bool],
) -> Option<RawPatch> {
    let f = reduced.factor;
    let (ox, oy) = reduced.origin;
    let (x0, y0) = (ox + x.0 * f, oy + y.0 * f);
    let (x1, y1) =
        ((ox + (x.1 + 1) * f).min(pair.after.width() as usize), (oy + (y.1 + 1) * f).min(pair.after.height() as usize));
    let centre = PixelPoint::new(0.5 * (x0 + x1) as f64, 0.5 * (y0 + y1) as f64);
    let w = pair.after_view.wall_from_pixel(centre)?;
    let px_per_mm = f as f64 * reduced.blocks_per_metre(&pair.after_view, w)? * 1e-3;
    let step = ((radius_mm * px_per_mm / RADIUS_PX).ceil() as usize).clamp(1, 16);
    let (width, height) = ((x1 - x0) / step, (y1 - y0) / step);
    if width < 3 || height < 3 {
        return None;
    }
    let n = width * height;
    let mut out = RawPatch {
        origin: (x0, y0),
        step,
        width,
        height,
        after: Vec::with_capacity(n),
        expected: Vec::with_capacity(n),
        wall_mm: Vec::with_capacity(n),
        quiet: Vec::with_capacity(n),
        masked: Vec::with_capacity(n),
        mm_per_px: step as f64 / px_per_mm,
    };
    let share = 1.0 / (step * step) as f32;
    for j in 0..height {
        for i in 0..width {
            let (px, py) = (x0 + i * step, y0 + j * step);
            let (cx, cy) = (((px - ox) / f).min(reduced.width - 1), ((py - oy) / f).min(reduced.height - 1));
            let cell = cy * reduced.width + cx;
            let light = detection.light[cell];
            let (mut a, mut b) = ([0.0f32; 3], [0.0f32; 3]);
            for yy in py..py + step {
                for xx in px..px + step {
                    let va = pair.after_at(xx, yy);
                    let vb = pair.before_at(xx, yy).unwrap_or([f32::NAN; 3]);
                    for c in 0..3 {
                        a[c] += share * va[c];
                        b[c] += share * vb[c] * light[c];
                    }
                }
            }
            out.after.push(a);
            out.expected.push(b);
            let half = 0.5 * (step - 1) as f64;
            let p = pair.after_view.wall_from_pixel(PixelPoint::new(px as f64 + half, py as f64 + half));
            out.wall_mm.push(p.map_or([f64::NAN; 2], |p| [p.x_m * 1e3, p.y_m * 1e3]));
            out.quiet.push(f64::from(detection.significance[cell]) < 0.5 * detection.threshold);
            let edge = detection.light_edge.get(cell).copied().unwrap_or(false);
            out.masked.push(excluded[cell] || edge);
        }
    }
    Some(out)
}

/// Opacity pixel by pixel.
#[derive(Clone, Debug)]
pub struct Patch {
    /// Patch pixels across.
    pub width: usize,
    /// Patch pixels down.
    pub height: usize,
    /// Opacity of new marks.
    pub opacity: Vec<f64>,
    /// Standard deviation of the opacity from noise alone; infinite where unknown.
    pub sigma: Vec<f64>,
    /// Opacity smoothed over 3 x 3 pixels, not below zero: the level that texture scales with.
    pub level: Vec<f64>,
    /// Wall point of each pixel, mm.
    pub wall_mm: Vec<[f64; 2]>,
    /// Wall millimetres a patch pixel.
    pub mm_per_px: f64,
    /// Autocorrelation of the photo's noise (in units of sigma) at lags of 0, 1, 2 ... patch pixels.
    pub noise_rho: Vec<f64>,
    /// Pixels of noise that scatter together: the integral of that autocorrelation up to its first zero.
    pub noise_grain_px: f64,
}

impl Patch {
    /// Opacity that changed pixels have together, mm^2 of full opacity: marks over marks count in full (ln of what they let through).
    pub fn opacity_area_mm2(&self) -> f64 {
        let changed =
            (0..self.opacity.len()).filter(|&i| self.sigma[i].is_finite() && self.level[i] > 3.0 * self.sigma[i]);
        changed.map(|i| -(1.0 - self.level[i].min(0.95)).ln()).sum::<f64>() * self.mm_per_px * self.mm_per_px
    }
}

/// Lags at which the noise's autocorrelation is taken, px: JPEG's blocks are 8 wide.
const NOISE_LAGS: usize = 8;

impl RawPatch {
    /// Opacity for a mark colour (linear RGB).
    pub fn opacity(&self, colour: [f32; 3]) -> Patch {
        let n = self.width * self.height;
        let mut opacity = vec![0.0; n];
        let mut strength = vec![0.0f64; n];
        for i in 0..n {
            let (a, p) = (self.after[i], self.expected[i]);
            let (mut num, mut den) = (0.0f64, 0.0f64);
            for c in 0..3 {
                let scale = f64::from(p[c]) + 0.002;
                let d = (f64::from(p[c]) - f64::from(colour[c])) / scale;
                num += (f64::from(p[c]) - f64::from(a[c])) / scale * d;
                den += d * d;
            }
            let good = den.is_finite() && den > 1e-6 && !self.masked[i] && self.wall_mm[i][0].is_finite();
            if good {
                opacity[i] = num / den;
                strength[i] = den;
            }
        }
        // Noise of a * sqrt(den) is the relative noise of the photo: measured where nothing changed.
        let mut still: Vec<f64> = (0..n)
            .filter(|&i| self.quiet[i] && strength[i] > 0.0)
            .map(|i| opacity[i].abs() * strength[i].sqrt())
            .collect();
        let relative = if still.len() < 30 {
            0.02
        } else {
            let k = ((still.len() as f64 * 0.683) as usize).min(still.len() - 1);
            *still.select_nth_unstable_by(k, f64::total_cmp).1
        };
        let sigma: Vec<f64> =
            strength.iter().map(|&s| if s > 0.0 { relative.max(1e-3) / s.sqrt() } else { f64::INFINITY }).collect();
        let noise_rho = self.noise_rho(&opacity, &strength);
        let noise_grain_px = grain_px(&noise_rho);
        let level = (0..n)
            .map(|i| {
                let (x, y) = (i % self.width, i / self.width);
                let (mut s, mut m) = (0.0, 0.0);
                for yy in y.saturating_sub(1)..(y + 2).min(self.height) {
                    for xx in x.saturating_sub(1)..(x + 2).min(self.width) {
                        let j = yy * self.width + xx;
                        if sigma[j].is_finite() {
                            s += opacity[j];
                            m += 1.0;
                        }
                    }
                }
                if m > 0.0 { f64::max(s / m, 0.0) } else { 0.0 }
            })
            .collect();
        Patch {
            width: self.width,
            height: self.height,
            opacity,
            sigma,
            level,
            wall_mm: self.wall_mm.clone(),
            mm_per_px: self.mm_per_px,
            noise_rho,
            noise_grain_px,
        }
    }

    /// Autocorrelation of the relative noise where nothing changed, along rows and columns.
    fn noise_rho(&self, opacity: &[f64], strength: &[f64]) -> Vec<f64> {
        let relative: Vec<f64> = (0..opacity.len())
            .map(|i| if self.quiet[i] && strength[i] > 0.0 { opacity[i] * strength[i].sqrt() } else { f64::NAN })
            .collect();
        // A few pixels that did change must not make the whole noise hang together.
        let mut sizes: Vec<f64> = relative.iter().filter(|v| !v.is_nan()).map(|v| v.abs()).collect();
        if sizes.len() < 100 {
            return vec![1.0];
        }
        let k = sizes.len() * 683 / 1000;
        let cap = 3.0 * *sizes.select_nth_unstable_by(k, f64::total_cmp).1;
        let (w, h) = (self.width, self.height);
        let mut rho = Vec::with_capacity(NOISE_LAGS + 1);
        for lag in 0..=NOISE_LAGS {
            let (mut sum, mut n) = (0.0, 0.0);
            for y in 0..h {
                for x in 0..w {
                    let v = relative[y * w + x];
                    for (u, inside) in [(y * w + x + lag, x + lag < w), ((y + lag) * w + x, y + lag < h)] {
                        if inside && !v.is_nan() && !relative[u].is_nan() {
                            sum += v.clamp(-cap, cap) * relative[u].clamp(-cap, cap);
                            n += 1.0;
                        }
                    }
                }
            }
            rho.push(sum / f64::max(n, 1.0));
        }
        let zero = rho[0].max(1e-300);
        rho.iter().map(|r| r / zero).collect()
    }
}
