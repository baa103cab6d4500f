//! What do sensor and the camera's processing add?
//!
//! In this order: vignetting, exposure, Poisson-Gaussian noise
//! (A. Foi et al., "Practical Poissonian-Gaussian noise modeling", IEEE TIP 2008: variance = shot x signal + read^2),
//! clipping, sRGB encoding (IEC 61966-2-1), sharpening (unsharp mask on encoded values), eight bits.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

use super::photo::LinearImage;

/// A Gaussian is cut at this many standard deviations, where 1e-4 of it is left.
const KERNEL_REACH: f64 = 3.9;
/// Below this a blur is narrower than the pixel itself and left out.
pub(crate) const LEAST_BLUR_PX: f64 = 0.05;
/// Entries of the table of the sRGB curve; linear between them, wrong by less than 0.05 of an eight-bit step.
const CURVE_STEPS: usize = 8192;

/// A camera's imperfections.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensor {
    /// Standard deviation of the point spread, px, beyond the pixel's own square.
    pub blur_px: f64,
    /// Light times this is the signal; 1 clips.
    pub exposure: f64,
    /// Variance a unit of signal (signal 0 to 1).
    pub shot_variance: f64,
    /// Standard deviation in the dark (signal 0 to 1).
    pub read_sd: f64,
    /// Strength of the unsharp mask on encoded values; 0 for none. It raises the noise too.
    pub sharpen: f64,
    /// Light lost in the corners, 0 to 1, growing with the square of the distance from the middle.
    pub vignette: f64,
}

impl Default for Sensor {
    /// A phone's main camera in fair light.
    fn default() -> Self {
        Self { blur_px: 0.7, exposure: 1.0, shot_variance: 9e-5, read_sd: 1.5e-3, sharpen: 0.35, vignette: 0.18 }
    }
}

impl Sensor {
    /// A perfect one: nothing but the pixel's square, sRGB and eight bits.
    pub fn perfect() -> Self {
        Self { blur_px: 0.0, exposure: 1.0, shot_variance: 0.0, read_sd: 0.0, sharpen: 0.0, vignette: 0.0 }
    }

    /// Standard deviation of the noise at a signal of 0 to 1, before encoding.
    pub fn noise_sd(&self, signal: f64) -> f64 {
        (self.shot_variance * signal.max(0.0) + self.read_sd * self.read_sd).max(0.0).sqrt()
    }

    /// The photo that this sensor makes of the light that its lens gave ([`super::photo::optics`]), eight bits a colour, row by row. The same seed gives the same noise.
    pub fn develop(&self, mut light: LinearImage, seed: u64) -> image::RgbImage {
        let (width, height) = (light.width, light.height);
        if self.vignette != 0.0 {
            vignette(&mut light, self.vignette);
        }
        let curve = Curve::new();
        let noisy = self.shot_variance > 0.0 || self.read_sd > 0.0;
        light.pixels.par_chunks_mut(width.max(1)).enumerate().for_each(|(row, line)| {
            // One stream a row: the noise does not depend on how rows are shared among threads.
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            rng.set_stream(row as u64);
            for pixel in line.iter_mut() {
                for value in pixel.iter_mut() {
                    let mut signal = *value * self.exposure as f32;
                    if noisy {
                        let variance =
                            self.shot_variance as f32 * signal.max(0.0) + (self.read_sd * self.read_sd) as f32;
                        let unit: f32 = StandardNormal.sample(&mut rng);
                        signal += unit * variance.max(0.0).sqrt();
                    }
                    *value = curve.encode(signal);
                }
            }
        });
        if self.sharpen != 0.0 {
            let soft = blurred(&light.pixels, width, 1.0);
            let amount = self.sharpen as f32;
            light.pixels.par_iter_mut().zip(&soft).for_each(|(p, s)| {
                for (a, b) in p.iter_mut().zip(s) {
                    *a += amount * (*a - b);
                }
            });
        }
        let mut bytes = vec![0_u8; 3 * width * height];
        bytes.par_chunks_mut(3).zip(&light.pixels).for_each(|(out, p)| {
            for (o, v) in out.iter_mut().zip(p) {
                *o = (v * 255.0 + 0.5).clamp(0.0, 255.0) as u8;
            }
        });
        let size = |n: usize| u32::try_from(n).unwrap_or(0);
        image::RgbImage::from_raw(size(width), size(height), bytes).unwrap_or_default()
    }
}

fn vignette(light: &mut LinearImage, loss: f64) {
    let (width, height) = (light.width, light.height);
    let (cx, cy) = (0.5 * (width as f64 - 1.0), 0.5 * (height as f64 - 1.0));
    let corner2 = (cx * cx + cy * cy).max(1e-9);
    light.pixels.par_chunks_mut(width.max(1)).enumerate().for_each(|(row, line)| {
        let dy = row as f64 - cy;
        for (column, pixel) in line.iter_mut().enumerate() {
            let dx = column as f64 - cx;
            let gain = (1.0 - loss * (dx * dx + dy * dy) / corner2) as f32;
            pixel.iter_mut().for_each(|v| *v *= gain);
        }
    });
}

/// Pixels that a Gaussian of this width reaches to either side.
pub(crate) fn kernel_reach(sigma_px: f64) -> usize {
    (KERNEL_REACH * sigma_px).ceil().clamp(1.0, 1000.0) as usize
}

/// Gaussian blur, edges continued outwards.
pub(crate) fn blurred(pixels: &[[f32; 3]], width: usize, sigma_px: f64) -> Vec<[f32; 3]> {
    let width = width.max(1);
    let height = pixels.len() / width;
    let reach = kernel_reach(sigma_px);
    let mut kernel: Vec<f32> = (0..=reach).map(|i| (-0.5 * (i as f64 / sigma_px).powi(2)).exp() as f32).collect();
    let sum = 2.0 * kernel.iter().skip(1).sum::<f32>() + kernel[0];
    kernel.iter_mut().for_each(|k| *k /= sum);

    let mut across = vec![[0.0_f32; 3]; pixels.len()];
    across.par_chunks_mut(width).zip(pixels.par_chunks(width)).for_each(|(out, line)| {
        let last = line.len() - 1;
        for (x, o) in out.iter_mut().enumerate() {
            *o = line[x].map(|v| v * kernel[0]);
            for (d, &k) in kernel.iter().enumerate().skip(1) {
                let (a, b) = (line[x.saturating_sub(d)], line[(x + d).min(last)]);
                for c in 0..3 {
                    o[c] += k * (a[c] + b[c]);
                }
            }
        }
    });
    let mut down = vec![[0.0_f32; 3]; pixels.len()];
    down.par_chunks_mut(width).enumerate().for_each(|(y, out)| {
        let line = |y: usize| across.get(y * width..(y + 1) * width).unwrap_or(&[]);
        for (o, v) in out.iter_mut().zip(line(y)) {
            *o = v.map(|v| v * kernel[0]);
        }
        for (d, &k) in kernel.iter().enumerate().skip(1) {
            let (above, below) = (line(y.saturating_sub(d)), line((y + d).min(height - 1)));
            for ((o, a), b) in out.iter_mut().zip(above).zip(below) {
                for c in 0..3 {
                    o[c] += k * (a[c] + b[c]);
                }
            }
        }
    });
    down
}

/// The sRGB curve as a table.
struct Curve {
    steps: Vec<f32>,
}

impl Curve {
    fn new() -> Self {
        // Steps are even in the square root, where the curve is nearly straight.
        let steps = (0..=CURVE_STEPS + 1)
            .map(|i| {
                let root = i as f64 / CURVE_STEPS as f64;
                srgb(root * root) as f32
            })
            .collect();
        Self { steps }
    }

    fn encode(&self, linear: f32) -> f32 {
        let place = linear.clamp(0.0, 1.0).sqrt() * CURVE_STEPS as f32;
        let i = place as usize;
        let t = place - i as f32;
        match self.steps.get(i..i + 2) {
            Some([a, b]) => a + t * (b - a),
            _ => 1.0,
        }
    }
}

/// Encoded value of linear light, both 0 to 1 (IEC 61966-2-1).
pub fn srgb(linear: f64) -> f64 {
    let l = linear.clamp(0.0, 1.0);
    if l <= 0.003_130_8 { 12.92 * l } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_follows_the_curve() {
        let curve = Curve::new();
        for i in 0..=10_000 {
            let l = f64::from(i) / 10_000.0;
            let off = (f64::from(curve.encode(l as f32)) - srgb(l)).abs() * 255.0;
            assert!(off < 0.05, "{l}: {off}");
        }
        // Source: IEC 61966-2-1: linear 0.5 encodes as 0.7354.
        assert!((srgb(0.5) - 0.735_357).abs() < 1e-6);
    }

    #[test]
    fn a_blurred_step_is_an_error_function() {
        let width = 64;
        let pixels: Vec<[f32; 3]> = (0..width * 9).map(|i| [if i % width < 32 { 1.0 } else { 0.0 }; 3]).collect();
        let out = blurred(&pixels, width, 1.5);
        let normal = statrs::distribution::Normal::new(0.0, 1.5).unwrap();
        for x in 20..44 {
            use statrs::distribution::ContinuousCDF;
            let want = 1.0 - normal.cdf(x as f64 - 31.5);
            // Sampling the Gaussian at whole pixels misses its integral over a pixel by up to 4e-3 at this width.
            assert!((f64::from(out[4 * width + x][0]) - want).abs() < 5e-3, "{x}");
        }
    }
}
