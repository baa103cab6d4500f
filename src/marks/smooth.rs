//! What is the mean about each cell of a map, where some cells are not there?

use rayon::prelude::*;

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

/// Means over each cell's neighbourhood of maps with `width` x `height` cells, whose values at a cell `value` gives. A cell at which one
/// of them is not finite is left out of all; where fewer than `least` cells remain, the mean is NaN.
pub fn means<const C: usize>(
    value: impl Fn(usize) -> [f32; C] + Sync,
    (width, height): (usize, usize),
    about: &Neighbourhood,
    least: usize,
) -> [Vec<f32>; C] {
    scaled_sums(value, (width, height), about, least, &|n| 1.0 / n)
}

/// As [`means`], but where a part of the neighbourhood is missing the mean is shrunk by the root of the share that is there: its noise is then that
/// of a whole one's.
pub fn even_means<const C: usize>(
    value: impl Fn(usize) -> [f32; C] + Sync,
    size: (usize, usize),
    about: &Neighbourhood,
    least: usize,
) -> [Vec<f32>; C] {
    let whole = about.cells() as f32;
    scaled_sums(value, size, about, least, &|n| 1.0 / (n * whole).sqrt())
}

/// Sums over each cell's neighbourhood times `scale` of the number of cells that are there.
fn scaled_sums<const C: usize>(
    value: impl Fn(usize) -> [f32; C] + Sync,
    (width, height): (usize, usize),
    about: &Neighbourhood,
    least: usize,
    scale: &(impl Fn(f32) -> f32 + Sync),
) -> [Vec<f32>; C] {
    let bands: Vec<[Vec<f32>; C]> = (0..height.div_ceil(BAND))
        .into_par_iter()
        .map(|band| {
            let rows = band * BAND..((band + 1) * BAND).min(height);
            band_sums(&value, (width, height), rows, (about, least), scale)
        })
        .collect();
    let mut out: [Vec<f32>; C] = std::array::from_fn(|_| Vec::with_capacity(width * height));
    for band in bands {
        out.iter_mut().zip(band).for_each(|(out, band)| out.extend(band));
    }
    out
}

fn band_sums<const C: usize>(
    value: &impl Fn(usize) -> [f32; C],
    (width, height): (usize, usize),
    rows: std::ops::Range<usize>,
    (about, least): (&Neighbourhood, usize),
    scale: &impl Fn(f32) -> f32,
) -> [Vec<f32>; C] {
    let half = &about.0;
    let reach = half.len() / 2;
    let widest = half.iter().copied().max().unwrap_or(0);
    let padded = width + 2 * widest;
    // One more than the maps: how many cells are there.
    let mut own: Vec<Vec<f32>> = vec![vec![0.0; padded]; C + 1];
    let mut run: Vec<Vec<f32>> = vec![vec![0.0; width]; C + 1];
    let mut sums: Vec<Vec<f32>> = vec![vec![0.0; width * rows.len()]; C + 1];
    for y in rows.start.saturating_sub(reach)..(rows.end + reach).min(height) {
        for x in 0..width {
            let v = value(y * width + x);
            let there = v.iter().all(|v| v.is_finite());
            (0..C).for_each(|c| own[c][widest + x] = if there { v[c] } else { 0.0 });
            own[C][widest + x] = if there { 1.0 } else { 0.0 };
        }
        for h in 0..=widest {
            // Sums over h cells to either side, from those over one fewer.
            for (run, own) in run.iter_mut().zip(&own) {
                if h == 0 {
                    run.copy_from_slice(&own[widest..widest + width]);
                    continue;
                }
                let (left, right) = (&own[widest - h..widest - h + width], &own[widest + h..widest + h + width]);
                for ((r, a), b) in run.iter_mut().zip(left).zip(right) {
                    *r += a + b;
                }
            }
            for k in (0..half.len()).filter(|&k| half[k] == h) {
                let Some(to) = (y + reach).checked_sub(k).filter(|to| rows.contains(to)) else { continue };
                let from = (to - rows.start) * width;
                for (sums, run) in sums.iter_mut().zip(&run) {
                    sums[from..from + width].iter_mut().zip(run).for_each(|(s, r)| *s += r);
                }
            }
        }
    }
    let count = sums.pop().unwrap_or_default();
    let least = least.max(1) as f32;
    let mut sums = sums.into_iter();
    std::array::from_fn(|_| {
        let mut mean = sums.next().unwrap_or_default();
        mean.iter_mut().zip(&count).for_each(|(m, n)| *m = if *n < least { f32::NAN } else { *m * scale(*n) });
        mean
    })
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
            let [mean] = means(|i| [at(i % w, i / w)], (w, h), &about, 1);
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
        let [even] = even_means(|_| [3.0], (5, 5), &Neighbourhood::square(1), 1);
        assert!((even[0] - 2.0).abs() < 1e-6 && (even[12] - 3.0).abs() < 1e-6);
        let [none] = means(|_| [f32::NAN], (4, 4), &Neighbourhood::square(1), 0);
        assert!(none.iter().all(|v| v.is_nan()));
    }
}
