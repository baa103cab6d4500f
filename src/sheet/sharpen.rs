//! What would a photo show that was focused better?
//!
//! A tag whose modules are three pixels wide cannot be read at a blur of two: neighbouring modules run into each other. Undoing a
//! Gaussian blur brings them apart again, as far as noise allows (N. Wiener, *Extrapolation, Interpolation, and Smoothing of Stationary
//! Time Series*, 1949): along each axis by W(f) = H / (H^2 + K), H(f) = exp(-2 pi^2 sigma^2 f^2). Tags are looked for in such a
//! photo too; corners are never measured in it, since the noise is not what it was.

use image::GrayImage;

use crate::vectors::widest;

/// Blur that is undone, as the standard deviation of a Gaussian, px: about the worst that shall be read. At less blur it rings, which
/// tags bear. (1.8 px found 31 of 36 sheets of three pixels a module at a blur of 2 px.)
const SIGMA_PX: f64 = 2.1;
/// Noise over signal, squared: lets an axis gain 2.9 times at most, so that a noise of 2 grey values becomes about 8.
const NOISE: f64 = 0.03;
/// Reach of the filter, px: its terms beyond are below a hundredth.
const REACH: usize = 7;
/// Steps of the integral over frequencies.
const STEPS: usize = 400;

/// The filter's terms from its middle outwards; they sum to one.
fn kernel() -> [f64; REACH + 1] {
    let mut h = [0.0; REACH + 1];
    for s in 0..STEPS {
        let f = 0.5 * (s as f64 + 0.5) / STEPS as f64;
        let blur = (-2.0 * (std::f64::consts::PI * SIGMA_PX * f).powi(2)).exp();
        let w = blur / (blur * blur + NOISE);
        for (n, h) in h.iter_mut().enumerate() {
            *h += w * (std::f64::consts::TAU * f * n as f64).cos() / STEPS as f64;
        }
    }
    let sum = h[0] + 2.0 * h[1..].iter().sum::<f64>();
    h.map(|v| v / sum)
}

/// Where a blur happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BlurOf {
    /// In the light itself: a lens out of focus, before the camera's tone curve.
    Light,
    /// In the grey values: a photo made smaller or smoothed afterwards.
    Values,
}

/// sRGB's tone curve (IEC 61966-2-1) undone, grey values of 255.
fn light_of(value: f32) -> f32 {
    let v = value / 255.0;
    255.0 * if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
}

fn value_of(light: f32) -> f32 {
    let l = (light / 255.0).clamp(0.0, 1.0);
    255.0 * if l <= 0.003_130_8 { 12.92 * l } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 }
}

/// The photo with a blur of [`SIGMA_PX`] undone; edges are continued.
pub fn sharpened(gray: &GrayImage, blur: BlurOf) -> GrayImage {
    widest(
        #[inline(always)]
        || without_blur(gray, blur),
    )
}

#[inline(always)]
fn without_blur(gray: &GrayImage, blur: BlurOf) -> GrayImage {
    let (w, h) = (gray.width() as usize, gray.height() as usize);
    let k = kernel().map(|v| v as f32);
    let linear = blur == BlurOf::Light;
    let into: Vec<f32> = (0..256).map(|v| if linear { light_of(v as f32) } else { v as f32 }).collect();
    // A quarter of a grey value fine: the dark end of the tone curve is steep.
    let back: Vec<u8> =
        (0..=1020).map(|v| if linear { value_of(v as f32 / 4.0) } else { v as f32 / 4.0 }.round() as u8).collect();
    let raw = gray.as_raw();
    let mut across = vec![0.0f32; w * h];
    let mut line = vec![0.0f32; w + 2 * REACH];
    for y in 0..h {
        let row = &raw[y * w..(y + 1) * w];
        for (i, v) in line.iter_mut().enumerate() {
            *v = into[usize::from(row[i.saturating_sub(REACH).min(w - 1)])];
        }
        for (out, line) in across[y * w..(y + 1) * w].iter_mut().zip(line.windows(2 * REACH + 1)) {
            let sum = (1..=REACH).fold(0.0, |sum, n| sum + k[n] * (line[REACH - n] + line[REACH + n]));
            *out = k[0] * line[REACH] + sum;
        }
    }
    let mut out = Vec::with_capacity(w * h);
    let mut sum = vec![0.0f32; w];
    for y in 0..h {
        sum.iter_mut().zip(&across[y * w..]).for_each(|(s, v)| *s = k[0] * v);
        for n in 1..=REACH {
            let (up, down) = (y.saturating_sub(n) * w, (y + n).min(h - 1) * w);
            for (s, (a, b)) in sum.iter_mut().zip(across[up..up + w].iter().zip(&across[down..down + w])) {
                *s += k[n] * (a + b);
            }
        }
        out.extend(sum.iter().map(|v| back[(4.0 * v + 0.5).clamp(0.0, 1020.0) as usize]));
    }
    GrayImage::from_raw(gray.width(), gray.height(), out).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn even_light_stays_and_a_blurred_edge_gets_steeper() {
        let even = GrayImage::from_pixel(40, 30, image::Luma([97]));
        for blur in [BlurOf::Light, BlurOf::Values] {
            assert!(sharpened(&even, blur).as_raw().iter().all(|&v| v.abs_diff(97) <= 1));
        }
        // A step blurred with 2 px, as its erf.
        let edge = GrayImage::from_fn(40, 30, |x, _| {
            let t: f64 = (f64::from(x) - 19.5) / 2.0;
            image::Luma([(100.0 + 50.0 * (0.8 * t + 0.036 * t.powi(3)).tanh()).round() as u8])
        });
        let s = sharpened(&edge, BlurOf::Values);
        let slope = |g: &GrayImage| i32::from(g.get_pixel(20, 15).0[0]) - i32::from(g.get_pixel(19, 15).0[0]);
        assert!(f64::from(slope(&s)) > 1.3 * f64::from(slope(&edge)), "{} {}", slope(&s), slope(&edge));
    }
}
