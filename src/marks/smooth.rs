//! What is the mean about each cell of a map, where some cells are not there?

use std::ops::Range;

use rayon::prelude::*;

use crate::vectors::widest;

/// Rows of the result that are computed together: their sums stay in the cache.
const BAND: usize = 64;

/// The cells about a cell that are taken together: half the width of each of its rows, from top to bottom.
pub struct Neighbourhood(Vec<usize>);

impl Neighbourhood {
    /// All cells whose middles lie within a radius, and one more above and below where it is no whole number.
    pub fn disc(radius: f64) -> Self {
        let r = radius.ceil() as usize;
        let half = |k: usize| (radius * radius - (k as f64 - r as f64).powi(2)).max(0.0).sqrt().floor() as usize;
        Self((0..=2 * r).map(half).collect())
    }

    /// All cells at most so many rows and columns away.
    pub fn square(reach: usize) -> Self {
        Self(vec![reach; 2 * reach + 1])
    }

    /// How many cells it has.
    pub fn cells(&self) -> usize {
        self.0.iter().map(|h| 2 * h + 1).sum()
    }
}

/// What a map's cells hold, for [`means`]: writes the values of the cells of a range, one slice a map.
pub trait Cells<const C: usize>: Fn(Range<usize>, [&mut [f32]; C]) + Sync {}

impl<const C: usize, F: Fn(Range<usize>, [&mut [f32]; C]) + Sync> Cells<C> for F {}

/// Means over each cell's neighbourhood of maps with `width` x `height` cells. `cells` writes a row or a part of one at a time. A cell at which one
/// of them is not finite is left out of all; where fewer than `least` cells remain, the mean is NaN.
pub fn means<const C: usize>(
    cells: impl Cells<C>,
    (width, height): (usize, usize),
    about: &Neighbourhood,
    least: usize,
) -> [Vec<f32>; C] {
    scaled_sums(cells, (width, height), about, least, |n| 1.0 / n)
}

/// As [`means`], but where a part of the neighbourhood is missing the mean is shrunk by the root of the share that is there: its noise is then that
/// of a whole one's.
pub fn even_means<const C: usize>(
    cells: impl Cells<C>,
    size: (usize, usize),
    about: &Neighbourhood,
    least: usize,
) -> [Vec<f32>; C] {
    let whole = about.cells() as f32;
    scaled_sums(cells, size, about, least, move |n| 1.0 / (n * whole).sqrt())
}

/// Sums over each cell's neighbourhood times `scale` of the number of cells that are there.
fn scaled_sums<const C: usize>(
    cells: impl Cells<C>,
    (width, height): (usize, usize),
    about: &Neighbourhood,
    least: usize,
    scale: impl Fn(f32) -> f32 + Sync,
) -> [Vec<f32>; C] {
    let mut out: [Vec<f32>; C] = std::array::from_fn(|_| vec![0.0; width * height]);
    if width == 0 {
        return out;
    }
    let mut rest = out.each_mut().map(|v| v.as_mut_slice());
    let mut bands: Vec<[&mut [f32]; C]> = Vec::with_capacity(height.div_ceil(BAND));
    for first in (0..height).step_by(BAND) {
        let n = width * BAND.min(height - first);
        bands.push(rest.each_mut().map(|r| r.split_off_mut(..n).unwrap_or_default()));
    }
    bands.into_par_iter().enumerate().for_each(|(band, sums)| {
        let rows = band * BAND..((band + 1) * BAND).min(height);
        let size = (width, height);
        widest(
            #[inline(always)]
            || band_sums(&cells, size, rows, (about, least), &scale, sums),
        );
    });
    out
}

#[inline(always)]
fn band_sums<const C: usize>(
    cells: &impl Cells<C>,
    (width, height): (usize, usize),
    rows: Range<usize>,
    (about, least): (&Neighbourhood, usize),
    scale: &impl Fn(f32) -> f32,
    mut sums: [&mut [f32]; C],
) {
    let half = &about.0;
    let reach = half.len() / 2;
    let most = half.iter().copied().max().unwrap_or(0);
    let padded = width + 2 * most;
    // Beside the maps: how many cells are there.
    let mut own: [Vec<f32>; C] = std::array::from_fn(|_| vec![0.0; padded]);
    let mut run: [Vec<f32>; C] = std::array::from_fn(|_| vec![0.0; width]);
    let (mut there, mut there_run) = (vec![0.0f32; padded], vec![0.0f32; width]);
    let mut count = vec![0.0f32; width * rows.len()];
    for y in rows.start.saturating_sub(reach)..(rows.end + reach).min(height) {
        cells(y * width..(y + 1) * width, own.each_mut().map(|v| &mut v[most..most + width]));
        let now = &mut there[most..most + width];
        now.fill(1.0);
        for own in &own {
            now.iter_mut().zip(&own[most..]).for_each(|(n, v)| *n = if v.is_finite() { *n } else { 0.0 });
        }
        for own in &mut own {
            own[most..].iter_mut().zip(&*now).for_each(|(v, n)| *v = if *n > 0.0 { *v } else { 0.0 });
        }
        for h in 0..=most {
            // Sums over h cells to either side, from those over one fewer.
            let pairs = run.iter_mut().zip(&own).chain(std::iter::once((&mut there_run, &there)));
            for (run, own) in pairs {
                if h == 0 {
                    run.copy_from_slice(&own[most..most + width]);
                    continue;
                }
                let (left, right) = (&own[most - h..most - h + width], &own[most + h..most + h + width]);
                for ((r, a), b) in run.iter_mut().zip(left).zip(right) {
                    *r += a + b;
                }
            }
            for k in (0..half.len()).filter(|&k| half[k] == h) {
                let Some(to) = (y + reach).checked_sub(k).filter(|to| rows.contains(to)) else { continue };
                let from = (to - rows.start) * width;
                let pairs = sums.iter_mut().map(|s| &mut **s).zip(&run);
                for (sums, run) in pairs.chain(std::iter::once((count.as_mut_slice(), &there_run))) {
                    sums[from..from + width].iter_mut().zip(run).for_each(|(s, r)| *s += r);
                }
            }
        }
    }
    let least = least.max(1) as f32;
    for mean in sums {
        mean.iter_mut().zip(&count).for_each(|(m, n)| *m = if *n < least { f32::NAN } else { *m * scale(*n) });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn means_are_those_of_the_cells_that_are_there() {
        let (w, h) = (23, 150);
        let at = |x: usize, y: usize| if (x * 5 + y * 3).is_multiple_of(7) { f32::NAN } else { (x * x + 2 * y) as f32 };
        for (about, inside) in [
            (
                Neighbourhood::disc(2.6),
                Box::new(|dx: f64, dy: f64| dx * dx + dy * dy <= 2.6 * 2.6 || (dx == 0.0 && dy.abs() <= 3.0))
                    as Box<dyn Fn(f64, f64) -> bool>,
            ),
            (Neighbourhood::square(1), Box::new(|dx: f64, dy: f64| dx.abs() <= 1.0 && dy.abs() <= 1.0)),
        ] {
            let values = |cells: Range<usize>, [out]: [&mut [f32]; 1]| {
                out.iter_mut().zip(cells).for_each(|(out, i)| *out = at(i % w, i / w));
            };
            let [mean] = means(values, (w, h), &about, 1);
            for (x, y) in [(0, 0), (11, 64), (22, 149), (5, 63), (22, 3)] {
                let (mut sum, mut n) = (0.0, 0.0);
                for yy in 0..h {
                    for xx in 0..w {
                        let v = at(xx, yy);
                        if inside(xx as f64 - x as f64, yy as f64 - y as f64) && !v.is_nan() {
                            (sum, n) = (sum + v, n + 1.0);
                        }
                    }
                }
                assert!((mean[y * w + x] - sum / n).abs() < 1e-3, "{x} {y}");
            }
        }
        assert_eq!(Neighbourhood::disc(1.0).cells(), 5);
        // A corner shows 4 of 9 cells: two thirds of its mean.
        let all = |value: f32| move |_: Range<usize>, [out]: [&mut [f32]; 1]| out.fill(value);
        let [even] = even_means(all(3.0), (5, 5), &Neighbourhood::square(1), 1);
        assert!((even[0] - 2.0).abs() < 1e-6 && (even[12] - 3.0).abs() < 1e-6);
        let [none] = means(all(f32::NAN), (4, 4), &Neighbourhood::square(1), 0);
        assert!(none.iter().all(|v| v.is_nan()));
    }
}
