//! Which pixels of a photo are clearly darker than what lies about them?
//!
//! Each is held against mean and spread of a window about it, whose sums are kept up to date from place to place: the cost does not
//! grow with the window.

use image::GrayImage;

use crate::vectors::widest;

/// Side of the window of the local threshold, px at the level searched. A tag's black border is an
/// eighth of its side: the window must be wider than the border, and stay near the tag.
pub(super) const WINDOW_PX: usize = 33;

/// True where a pixel is clearly darker than its surroundings, row by row.
pub(super) fn dark_mask(gray: &GrayImage) -> Vec<bool> {
    widest(
        #[inline(always)]
        || darker(gray),
    )
}

#[inline(always)]
fn darker(gray: &GrayImage) -> Vec<bool> {
    let (w, h) = (gray.width() as usize, gray.height() as usize);
    let raw = gray.as_raw();
    let half = WINDOW_PX / 2;
    // Column sums over the window's rows, kept up to date from row to row.
    let mut sum = vec![0u32; w];
    let mut square = vec![0u32; w];
    let row = |y: usize| &raw[y * w..(y + 1) * w];
    let columns = |x: usize| (x + half).min(w - 1) + 1 - x.saturating_sub(half);
    let wide: Vec<f32> = (0..w).map(|x| 1.0 / columns(x) as f32).collect();
    // Sums over the window of each pixel of a row: of values, and of their squares.
    let (mut values, mut squares) = (vec![0u32; w], vec![0u32; w]);
    let mut dark = vec![false; w * h];
    for y in 0..half.min(h) {
        add(row(y), &mut sum, &mut square, u32::wrapping_add);
    }
    for (y, dark) in dark.chunks_exact_mut(w.max(1)).enumerate() {
        if y + half < h {
            add(row(y + half), &mut sum, &mut square, u32::wrapping_add);
        }
        if y > half {
            add(row(y - half - 1), &mut sum, &mut square, u32::wrapping_sub);
        }
        window_sums((&sum, &square), half, (&mut values, &mut squares));
        let rows = ((y + half).min(h - 1) + 1 - y.saturating_sub(half)) as f32;
        let pixels = row(y).iter().zip(&wide).zip(values.iter().zip(&squares));
        for (dark, ((v, wide), (s, q))) in dark.iter_mut().zip(pixels) {
            // A fifth of the local spread below the mean, where there is a spread at all (8 grey values).
            let share = wide / rows;
            let mean = *s as f32 * share;
            let (below, variance) = (mean - f32::from(*v), *q as f32 * share - mean * mean);
            *dark = (below > 0.0) & (variance > 64.0) & (25.0 * below * below > variance);
        }
    }
    dark
}

/// Sums of two rows of numbers over `half` places to either side of each.
#[inline(always)]
fn window_sums((a, b): (&[u32], &[u32]), half: usize, (to_a, to_b): (&mut [u32], &mut [u32])) {
    let w = a.len();
    let (mut s, mut q) = (a[..half.min(w)].iter().sum::<u32>(), b[..half.min(w)].iter().sum::<u32>());
    let moved = |v: &[u32], s: u32, x: usize| {
        s + v.get(x + half).copied().unwrap_or(0) - x.checked_sub(half + 1).map_or(0, |x| v[x])
    };
    // Between the ends one place enters and one leaves, without a question.
    let first = (half + 1).min(w);
    let last = w.saturating_sub(half).max(first);
    for x in 0..first {
        (s, q) = (moved(a, s, x), moved(b, q, x));
        (to_a[x], to_b[x]) = (s, q);
    }
    let enter = a.iter().zip(b).skip(first + half);
    let inner = to_a[first..last].iter_mut().zip(&mut to_b[first..last]);
    for (((to_a, to_b), (ea, eb)), (la, lb)) in inner.zip(enter).zip(a.iter().zip(b)) {
        (s, q) = (s + ea - la, q + eb - lb);
        (*to_a, *to_b) = (s, q);
    }
    for x in last..w {
        (s, q) = (moved(a, s, x), moved(b, q, x));
        (to_a[x], to_b[x]) = (s, q);
    }
}

/// Takes a row's values and squares to the columns' sums, or away from them.
#[inline(always)]
fn add(row: &[u8], sum: &mut [u32], square: &mut [u32], with: impl Fn(u32, u32) -> u32) {
    for ((s, q), v) in sum.iter_mut().zip(square).zip(row) {
        let v = u32::from(*v);
        (*s, *q) = (with(*s, v), with(*q, v * v));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_are_those_of_each_window() {
        for w in [1usize, 2, 5, 7, 16, 40] {
            let a: Vec<u32> = (0..w as u32).map(|i| i * i % 19).collect();
            let b: Vec<u32> = (0..w as u32).map(|i| 7 * i % 23).collect();
            for half in [1, 3, 16] {
                let (mut s, mut q) = (vec![0; w], vec![0; w]);
                window_sums((&a, &b), half, (&mut s, &mut q));
                for x in 0..w {
                    let window = x.saturating_sub(half)..(x + half + 1).min(w);
                    let sum = |v: &[u32]| v[window.clone()].iter().sum::<u32>();
                    assert_eq!((s[x], q[x]), (sum(&a), sum(&b)), "{w} {half} {x}");
                }
            }
        }
    }
}
