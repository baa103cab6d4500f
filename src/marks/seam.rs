//! Does a seam of the wall, a crack or a board's step run through a mark?
//!
//! The photo before is read along chords of the mark's disc, in twelve directions. A seam is a chord that differs from the chords
//! beside it, in both of its halves alike, by far more than chords in other directions do: grain and old marks have no such direction.

use super::patch::RawPatch;

/// Directions tried: a seam strays from the nearest by at most 7.5 deg, a tenth of a radius at its end.
const DIRECTIONS: usize = 12;
/// Chords a side of the centre, and the offset of those that one is held against.
const CHORDS: i64 = 8;
const BESIDE: i64 = 3;
/// Least difference of a seam, relative: what is fainter cuts no outline.
const LEAST: f64 = 0.04;
/// It stands out from the other directions this many times.
const OUT: f64 = 3.0;

/// Whether a seam runs through a disc of the wall, mm.
pub fn seam_through(patch: &RawPatch, x_mm: f64, y_mm: f64, radius_mm: f64) -> bool {
    let pixels: Vec<[f64; 3]> = (0..patch.expected.len())
        .filter(|&i| !patch.masked[i] && patch.expected[i][1].is_finite())
        .map(|i| {
            let w = patch.wall_mm[i];
            [(w[0] - x_mm) / radius_mm, (w[1] - y_mm) / radius_mm, f64::from(patch.expected[i][1])]
        })
        .filter(|p| p[0].hypot(p[1]) < 1.2)
        .collect();
    // A chord needs some pixels in each of its halves.
    if pixels.len() < 4 * (2 * CHORDS as usize + 1) {
        return false;
    }
    let mut strongest: Vec<f64> = (0..DIRECTIONS)
        .map(|k| {
            let (s, c) = (k as f64 * std::f64::consts::PI / DIRECTIONS as f64).sin_cos();
            strongest_chord(&pixels, s, c)
        })
        .collect();
    strongest.sort_by(f64::total_cmp);
    let (usual, most) = (strongest[DIRECTIONS / 2], strongest[DIRECTIONS - 1]);
    most > LEAST && most > OUT * usual
}

/// Largest relative difference of a chord along (c, s) from those beside it, where both of its halves have it.
fn strongest_chord(pixels: &[[f64; 3]], s: f64, c: f64) -> f64 {
    let n = (2 * CHORDS + 1) as usize;
    let mut sums = vec![[(0.0, 0u32); 2]; n];
    for p in pixels {
        let (along, off) = (c * p[0] + s * p[1], c * p[1] - s * p[0]);
        let k = (off * CHORDS as f64).round() as i64 + CHORDS;
        if let Some(chord) = usize::try_from(k).ok().and_then(|k| sums.get_mut(k)) {
            let half = &mut chord[usize::from(along > 0.0)];
            *half = (half.0 + p[2], half.1 + 1);
        }
    }
    let mean = |k: i64, half: usize| {
        let (sum, count) = sums.get(usize::try_from(k).ok()?)?[half];
        (count > 1).then(|| sum / f64::from(count))
    };
    let differs = |k: i64, half: usize| {
        let (own, a, b) = (mean(k, half)?, mean(k - BESIDE, half)?, mean(k + BESIDE, half)?);
        Some(2.0 * own / (a + b).max(1e-6) - 1.0)
    };
    (BESIDE..n as i64 - BESIDE)
        .filter_map(|k| {
            let (a, b) = (differs(k, 0)?, differs(k, 1)?);
            (a * b > 0.0).then(|| a.abs().min(b.abs()))
        })
        .fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::marks::sample::uniform;

    fn patch(draw: impl Fn(f64, f64) -> f64) -> RawPatch {
        let (w, h) = (48, 48);
        let place = |i: usize| [(i % w) as f64 - 23.5, 23.5 - (i / w) as f64];
        let value = |i: usize| {
            let [x, y] = place(i);
            [(draw(x, y) * (1.0 + 0.06 * uniform(i))) as f32; 3]
        };
        RawPatch {
            origin: (0, 0),
            step: 1,
            width: w,
            height: h,
            after: vec![[0.5; 3]; w * h],
            expected: (0..w * h).map(value).collect(),
            light_u: Vec::new(),
            shade: Vec::new(),
            wall_mm: (0..w * h).map(place).collect(),
            quiet: vec![true; w * h],
            masked: vec![false; w * h],
            mm_per_px: 1.0,
        }
    }

    #[test]
    fn a_dark_line_is_a_seam_and_grain_or_an_old_mark_is_none() {
        let line = patch(|x, y| if (0.26 * x + 0.97 * y - 3.0).abs() < 1.2 { 0.3 } else { 0.6 });
        assert!(seam_through(&line, 0.0, 0.0, 14.0));
        // The same line runs past a mark elsewhere.
        assert!(!seam_through(&line, 0.0, -19.0, 8.0));
        assert!(!seam_through(&patch(|_, _| 0.6), 0.0, 0.0, 14.0));
        let old = patch(|x, y| if (x - 9.0).hypot(y - 4.0) < 13.0 { 0.35 } else { 0.6 });
        assert!(!seam_through(&old, 0.0, 0.0, 14.0));
    }
}
