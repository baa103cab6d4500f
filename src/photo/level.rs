//! How sharp and how well exposed is a photo?

use image::GrayImage;

/// What a look at the grey values says.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Level {
    /// Mean grey value, 0..255.
    pub mean: f64,
    /// Share of pixels at 0..=2, 0..1.
    pub black: f64,
    /// Share of pixels at 253..=255, 0..1.
    pub white: f64,
    /// Share of the strongest local contrast that is held between neighbours, 0..1: about 0.5 or more
    /// for a sharp photo, below 0.2 for a blurred one. The 99.5th percentile of |I(x+1) - I(x-1)| over
    /// that of |I(x+4) - I(x-4)|: an edge wider than eight pixels gives 0.25.
    pub sharpness: f64,
}

/// Shares and sharpness of the grey values, from every pixel on every second row.
pub fn level(gray: &GrayImage) -> Level {
    let (w, h) = (gray.width() as usize, gray.height() as usize);
    let raw = gray.as_raw();
    let mut count = [0u64; 256];
    for &v in raw {
        count[v as usize] += 1;
    }
    let total = raw.len().max(1) as f64;
    let mean = count.iter().enumerate().map(|(v, &n)| v as f64 * n as f64).sum::<f64>() / total;
    let (mut near, mut far) = ([0u64; 256], [0u64; 256]);
    for y in (0..h).step_by(2) {
        let row = &raw[y * w..(y + 1) * w];
        for x in 4..w.saturating_sub(4) {
            near[row[x + 1].abs_diff(row[x - 1]) as usize] += 1;
            far[row[x + 4].abs_diff(row[x - 4]) as usize] += 1;
        }
    }
    let top = |c: &[u64; 256]| {
        let n: u64 = c.iter().sum();
        let mut above = 0;
        (0..256).rev().find(|&v| {
            above += c[v];
            above as f64 > 0.005 * n as f64
        })
    };
    let (a, b) = (top(&near).unwrap_or(0), top(&far).unwrap_or(0));
    Level {
        mean,
        black: count[..3].iter().sum::<u64>() as f64 / total,
        white: count[253..].iter().sum::<u64>() as f64 / total,
        sharpness: if b == 0 { 0.0 } else { (a as f64 / b as f64).min(1.0) },
    }
}
