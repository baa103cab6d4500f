//! What is the opacity of new marks in every pixel around a place that changed?
//!
//! A patch is a rectangle of the photo after (thinned where pixels are finer than needed) with, pixel by
//! pixel, the wall point, the opacity a that solves after = before' (1 - a) + colour a in the least-squares
//! sense over the three channels, and its standard deviation. before' is the photo before under the new
//! light. Where before' is already as dark as a mark, a says nothing and its deviation is large.

use serde::{Deserialize, Serialize};

use super::blocks::Reduced;
use super::detect::Detection;
use super::pair::{Pair, catmull_rom};
use super::shade::Shade;
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
    /// u of the new light, relative; empty where the light has no edges.
    pub light_u: Vec<f32>,
    /// Share of the full light that falls on each pixel, by channel; empty where the light has no edges.
    pub shade: Vec<[f32; 3]>,
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
        light_u: Vec::new(),
        shade: Vec::new(),
        wall_mm: Vec::with_capacity(n),
        quiet: Vec::with_capacity(n),
        masked: Vec::with_capacity(n),
        mm_per_px: step as f64 / px_per_mm,
    };
    let share = 1.0 / (step * step) as f32;
    let shade = detection.lit.map(|lit| {
        let expected = |u: usize, v: usize| {
            let i = v * reduced.width + u;
            std::array::from_fn(|c| reduced.before[i][c] * detection.light[i][c])
        };
        let diameter = 2.0 * radius_mm * px_per_mm / f as f64;
        Shade::over(expected, (x, y), (reduced.width, reduced.height), diameter, lit)
    });
    for j in 0..height {
        for i in 0..width {
            let (px, py) = (x0 + i * step, y0 + j * step);
            let (cx, cy) = (((px - ox) / f).min(reduced.width - 1), ((py - oy) / f).min(reduced.height - 1));
            let cell = cy * reduced.width + cx;
            let light = light_at(detection, reduced, (px, py), step);
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
            out.shade.extend(shade.as_ref().map(|s| {
                let at = |p: usize, o: usize| (p as f64 + half - o as f64 + 0.5) / f as f64 - 0.5;
                s.at(at(px, ox), at(py, oy))
            }));
            let p = pair.after_view.wall_from_pixel(PixelPoint::new(px as f64 + half, py as f64 + half));
            out.wall_mm.push(p.map_or([f64::NAN; 2], |p| [p.x_m * 1e3, p.y_m * 1e3]));
            out.quiet.push(f64::from(detection.significance[cell]) < 0.5 * detection.threshold);
            let u = detection.light_u.get(cell);
            out.light_u.extend(u);
            out.masked.push(excluded[cell] || u.is_some_and(|u| u.is_infinite()));
        }
    }
    Some(out)
}

/// The light's ratio at a block of `step` pixels: its cell's, and at an edge, where cells differ by several per cent, what lies between the cells.
fn light_at(detection: &Detection, r: &Reduced, (x, y): (usize, usize), step: usize) -> [f32; 3] {
    let cell = |v: usize, o: usize, most: usize| ((v - o) / r.factor).min(most - 1);
    let own = detection.light[cell(y, r.origin.1, r.height) * r.width + cell(x, r.origin.0, r.width)];
    if detection.light_u.is_empty() {
        return own;
    }
    let among = |v: usize, o: usize, most: usize| {
        let f = ((v - o) as f32 + 0.5 * step as f32) / r.factor as f32 - 0.5;
        let f = f.clamp(0.0, (most - 1) as f32);
        (f as usize, f - f.floor(), most - 1)
    };
    let (cx, cy) = (among(x, r.origin.0, r.width), among(y, r.origin.1, r.height));
    let four = |(first, t, most): (usize, f32, usize)| {
        let at = [first.saturating_sub(1), first, (first + 1).min(most), (first + 2).min(most)];
        std::iter::zip(at, catmull_rom(t))
    };
    let mut out = [0.0f32; 3];
    for (v, wy) in four(cy) {
        for (u, wx) in four(cx) {
            let light = detection.light[v * r.width + u];
            (0..3).for_each(|c| out[c] += wy * wx * light[c]);
        }
    }
    // What is covered has no light: there the cell's own says so.
    if out.iter().all(|v| v.is_finite()) { out } else { own }
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
    /// Standard deviation of [`Patch::level`] from noise alone: that of a mean of nine pixels, of which `noise_grain_px` scatter together.
    pub fn level_sigma(&self, i: usize) -> f64 {
        self.sigma[i] * (self.noise_grain_px.clamp(1.0, 9.0) / 9.0).sqrt()
    }

    /// Slope of [`Patch::level`] at a pixel, per mm: central differences, to one side where a neighbour has no opacity.
    pub fn slope_per_mm(&self, i: usize) -> f64 {
        let (x, y) = (i % self.width, i / self.width);
        let along = |back: Option<usize>, on: Option<usize>| {
            let known = |j: &usize| self.sigma[*j].is_finite();
            let (a, b) = (back.filter(known).unwrap_or(i), on.filter(known).unwrap_or(i));
            let apart = usize::from(a != i) + usize::from(b != i);
            (self.level[b] - self.level[a]) / apart.max(1) as f64
        };
        let across = along((x > 0).then(|| i - 1), (x + 1 < self.width).then_some(i + 1));
        let down = along((y > 0).then(|| i - self.width), (y + 1 < self.height).then_some(i + self.width));
        across.hypot(down) / self.mm_per_px
    }

    /// Opacity that changed pixels have together, mm^2 of full opacity: marks over marks count in full (ln of what they let through).
    pub fn opacity_area_mm2(&self) -> f64 {
        let changed =
            (0..self.opacity.len()).filter(|&i| self.sigma[i].is_finite() && self.level[i] > 3.0 * self.level_sigma(i));
        changed.map(|i| -(1.0 - self.level[i].min(0.95)).ln()).sum::<f64>() * self.mm_per_px * self.mm_per_px
    }
}

/// [`Patch::level`] of these opacities, of which those without a finite deviation do not count.
pub(super) fn level(opacity: &[f64], sigma: &[f64], width: usize, height: usize) -> Vec<f64> {
    (0..width * height)
        .map(|i| {
            let (x, y) = (i % width, i / width);
            let (mut s, mut m) = (0.0, 0.0);
            for yy in y.saturating_sub(1)..(y + 2).min(height) {
                for xx in x.saturating_sub(1)..(x + 2).min(width) {
                    let j = yy * width + xx;
                    if sigma[j].is_finite() {
                        s += opacity[j];
                        m += 1.0;
                    }
                }
            }
            if m > 0.0 { f64::max(s / m, 0.0) } else { 0.0 }
        })
        .collect()
}

/// Lags at which the noise's autocorrelation is taken, px: JPEG's blocks are 8 wide.
const NOISE_LAGS: usize = 8;

/// Relative noise of a pair of photos by how strongly the wall's edges run through a pixel: where they do, photos that are a hundredth of a pixel
/// off, or not equally sharp, differ by more than their noise.
struct EdgeNoise {
    /// Strength of the edges and scatter of the noise, both growing.
    steps: Vec<(f64, f64)>,
}

/// Pixels that tell a scatter to a tenth.
const ENOUGH_PIXELS: usize = 50;
/// Relative noise where too little is quiet to measure it: that of a dim phone photo.
const UNKNOWN_NOISE: f64 = 0.02;

impl EdgeNoise {
    /// From (edge, |noise|) of pixels in which nothing changed: the half with the weakest edges together, then half of what is left, and so on.
    fn new(pixels: impl Iterator<Item = (f64, f64)>) -> Self {
        let mut pixels: Vec<(f64, f64)> = pixels.collect();
        pixels.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let mut steps: Vec<(f64, f64)> = Vec::new();
        let mut left = pixels.as_slice();
        while left.len() >= ENOUGH_PIXELS {
            let half = if left.len() < 2 * ENOUGH_PIXELS { left.len() } else { left.len() / 2 };
            let (these, rest) = left.split_at(half);
            let mut sizes: Vec<f64> = these.iter().map(|p| p.1).collect();
            // The 68 % point, or half of the 95 % point where the tail is longer than a Gaussian's.
            let k = half * 954 / 1000;
            let (below, at, _) = sizes.select_nth_unstable_by(k, f64::total_cmp);
            let tail = 0.5 * *at;
            let noise = below.select_nth_unstable_by(half * 683 / 1000, f64::total_cmp).1.max(tail);
            // Edges add to the noise, never take from it.
            steps.push((these[half / 2].0, noise.max(steps.last().map_or(0.0, |s| s.1))));
            left = rest;
        }
        Self { steps }
    }

    /// Relative noise where edges have this strength: between the steps on straight lines, beyond the last in proportion.
    fn at(&self, edge: f64) -> f64 {
        let k = self.steps.partition_point(|s| s.0 <= edge);
        match (k.checked_sub(1).and_then(|k| self.steps.get(k)), self.steps.get(k)) {
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (edge - a.0) / (b.0 - a.0),
            (Some(a), None) => a.1 * (edge / a.0.max(1e-6)).clamp(1.0, MOST_EXTENDED),
            (None, Some(b)) => b.1,
            (None, None) => UNKNOWN_NOISE,
        }
    }
}

/// Edges far stronger than any that is quiet count as this many times the strongest of those.
const MOST_EXTENDED: f64 = 10.0;

impl RawPatch {
    /// Opacity for a mark colour (linear RGB in full light).
    pub fn opacity(&self, colour: [f32; 3]) -> Patch {
        self.opacity_but(colour, &[])
    }

    /// The same, unknown where pixels are `left_out` (empty: nowhere).
    pub fn opacity_but(&self, colour: [f32; 3], left_out: &[bool]) -> Patch {
        let n = self.width * self.height;
        let mut opacity = vec![0.0; n];
        let mut strength = vec![0.0f64; n];
        for i in 0..n {
            let (a, p) = (self.after[i], self.expected[i]);
            let colour = self.in_light(colour, i);
            let (mut num, mut den) = (0.0f64, 0.0f64);
            for c in 0..3 {
                let scale = f64::from(p[c]) + 0.002;
                let d = (f64::from(p[c]) - f64::from(colour[c])) / scale;
                num += (f64::from(p[c]) - f64::from(a[c])) / scale * d;
                den += d * d;
            }
            let counts = !self.masked[i] && !left_out.get(i).is_some_and(|out| *out);
            let good = den.is_finite() && den > 1e-6 && counts && self.wall_mm[i][0].is_finite();
            if good {
                opacity[i] = num / den;
                strength[i] = den;
            }
        }
        // Noise of a * sqrt(den) is the relative noise of the photo: measured where nothing changed.
        let edges = self.edges();
        let noise = EdgeNoise::new((0..n).filter(|&i| self.quiet[i] && strength[i] > 0.0).map(|i| {
            let relative = opacity[i].abs() * strength[i].sqrt();
            (edges[i], relative)
        }));
        let sigma: Vec<f64> = (0..n)
            .map(|i| {
                let light_u = self.light_u.get(i).map_or(0.0, |u| f64::from(*u));
                let relative = noise.at(edges[i]).max(1e-3).hypot(light_u);
                if strength[i] > 0.0 { relative / strength[i].sqrt() } else { f64::INFINITY }
            })
            .collect();
        let noise_rho = self.noise_rho(&opacity, &sigma);
        let noise_grain_px = grain_px(&noise_rho);
        let level = level(&opacity, &sigma, self.width, self.height);
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

    /// A colour in full light as it is in a pixel's.
    fn in_light(&self, colour: [f32; 3], i: usize) -> [f32; 3] {
        self.shade.get(i).map_or(colour, |s| std::array::from_fn(|c| colour[c] * s[c]))
    }

    /// How strongly the wall's own edges run through each pixel: largest less least of its 3 x 3 neighbours' brightness in the photo before,
    /// over its own. 0 where that is unknown.
    fn edges(&self) -> Vec<f64> {
        let bright: Vec<f32> = self.expected.iter().map(|e| e[0] + e[1] + e[2]).collect();
        let (w, h) = (self.width, self.height);
        let range = |x: usize, y: usize| {
            let (mut least, mut most) = (f32::MAX, f32::MIN);
            for row in bright.chunks_exact(w).take((y + 2).min(h)).skip(y.saturating_sub(1)) {
                for v in &row[x.saturating_sub(1)..(x + 2).min(w)] {
                    (least, most) = (least.min(*v), most.max(*v));
                }
            }
            let edge = f64::from(most - least) / (f64::from(bright[y * w + x]) + 0.006);
            if edge.is_finite() { edge.max(0.0) } else { 0.0 }
        };
        (0..w * h).map(|i| range(i % w, i / w)).collect()
    }

    /// Autocorrelation of the noise over `sigma` where nothing changed, along rows and columns.
    fn noise_rho(&self, opacity: &[f64], sigma: &[f64]) -> Vec<f64> {
        let relative: Vec<f64> = (0..opacity.len())
            .map(|i| if self.quiet[i] && sigma[i].is_finite() { opacity[i] / sigma[i] } else { f64::NAN })
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
