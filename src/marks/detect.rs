//! Where has the wall changed by more than noise?
//!
//! r = after / (light x before) - 1 is taken in three colour directions: grey, red against green, blue
//! against green. Each is smoothed with a disc of mark size and divided by its own scatter, which is
//! measured *after* the smoothing (JPEG and resampling make noise hang together) as a
//! function of brightness and of the photo's gradient (where two photos can be misaligned). A place is
//! a candidate where that significance exceeds the threshold that lets the expected number of false
//! places a photo be [`FALSE_PER_PHOTO`] (a-contrario reasoning: Desolneux, Moisan and Morel, *IJCV* 40, 7, 2000).

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

use super::light::{Light, line_light, median, tile_light};
use super::pair::Reduced;

/// Expected false places a photo.
pub const FALSE_PER_PHOTO: f64 = 0.01;
/// Real noise has longer tails than a Gaussian: significances are shrunk by these factors before they are compared with a Gaussian's. In 100
/// rendered pairs without a change the largest grey ones were 6.5 and 5.4 times the noise where a Gaussian's are 5.4. JPEG's colours
/// are zero almost everywhere and jump elsewhere: they reached 7.9.
const GREY_TAIL: f32 = 1.05;
const COLOUR_TAIL: f32 = 1.2;
/// Radius of the smoothing disc over the usual mark's diameter: as large as the smallest mark that is looked for, half as wide as usual. A larger
/// one would see faint large marks better and lose faint small ones.
const DISC: f64 = 0.3;
/// More changed cells than this many times what all shots can mark: the light has edges that tiles cannot follow.
const EDGES: f64 = 2.0;
/// Brightness classes of the noise.
const CLASSES: usize = 8;

/// A place that changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Region {
    /// Its cells: first and last column and row of the reduced grid.
    pub x: (usize, usize),
    /// Rows.
    pub y: (usize, usize),
    /// Cells above the threshold.
    pub cells: usize,
    /// Largest significance.
    pub significance: f64,
    /// Cell of it.
    pub peak: (usize, usize),
    /// Mean change r in the three directions at the peak.
    pub change: [f32; 3],
    /// Standard deviation of its cells along its long and its short axis, cells.
    pub axes_cells: (f64, f64),
}

/// What [`detect`] gives.
pub struct Detection {
    /// Places that changed, strongest first.
    pub regions: Vec<Region>,
    /// Light ratio after / before in each cell and channel.
    pub light: Vec<[f32; 3]>,
    /// Cells in which the light has an edge, so that they say nothing; empty when it has none.
    pub light_edge: Vec<bool>,
    /// Largest of the three significances in each cell, NaN where there is no pair.
    pub significance: Vec<f32>,
    /// Significance above which a cell counts.
    pub threshold: f64,
    /// How much the light changed: largest less smallest log ratio between tiles.
    pub light_step: f64,
    /// Radius of the smoothing disc, cells.
    pub radius_cells: f64,
}

/// Light below which changes are not taken relative to it: a floor of 0.2 % of full light keeps black from dividing by
/// nothing; on paper 10 %, since the noise of printed black is no mark.
const FLOOR: f32 = 0.002;
const PAPER_FLOOR: f32 = 0.1;
/// Cells around one whose brightness it is held against.
const NEIGHBOURS: usize = 2;

/// The three directions of change of one cell.
fn directions(a: [f32; 3], p: [f32; 3], floor: f32) -> [f32; 3] {
    let r: [f32; 3] = std::array::from_fn(|c| (a[c] + floor) / (p[c] + floor) - 1.0);
    [0.3 * r[0] + 0.59 * r[1] + 0.11 * r[2], r[0] - r[1], r[2] - r[1]]
}

/// Rows of a disc mean that are computed together: their running sums stay in the cache.
const BAND: usize = 48;

/// Mean over a disc around each cell, NaN cells left out; NaN where less than half of the disc is there. Where a part of the disc is missing the mean
/// is shrunk by the root of the share that is there: its noise is then that of a whole disc's.
fn disc_mean(v: impl Fn(usize) -> f32 + Sync, width: usize, height: usize, radius: f64) -> Vec<f32> {
    let r = radius.ceil() as usize;
    let half: Vec<usize> = (0..=2 * r)
        .map(|k| (radius * radius - (k as f64 - r as f64).powi(2)).max(0.0).sqrt().floor() as usize)
        .collect();
    let full: usize = half.iter().map(|h| 2 * h + 1).sum();
    let mut out = vec![f32::NAN; width * height];
    out.par_chunks_mut((BAND * width).max(1)).enumerate().for_each(|(band, out)| {
        let y0 = band * BAND;
        let rows = out.len() / width;
        let (first, last) = (y0.saturating_sub(r), (y0 + rows + r).min(height));
        // Running sums along rows make a disc's row one difference.
        let mut sums = vec![(0.0f64, 0u32); (width + 1) * (last - first)];
        for (y, row) in (first..last).zip(sums.chunks_exact_mut(width + 1)) {
            let mut at = (0.0, 0);
            for x in 0..width {
                let q = v(y * width + x);
                if !q.is_nan() {
                    at = (at.0 + f64::from(q), at.1 + 1);
                }
                row[x + 1] = at;
            }
        }
        let mut line = vec![(0.0f64, 0u32); width];
        for (y, out) in (y0..y0 + rows).zip(out.chunks_exact_mut(width)) {
            line.fill((0.0, 0));
            for (k, &h) in half.iter().enumerate() {
                let Some(yy) = (y + k).checked_sub(r).filter(|yy| *yy < height) else { continue };
                let row = &sums[(yy - first) * (width + 1)..][..width + 1];
                for (x, l) in line.iter_mut().enumerate() {
                    let (a, b) = (row[x.saturating_sub(h)], row[(x + h + 1).min(width)]);
                    *l = (l.0 + b.0 - a.0, l.1 + b.1 - a.1);
                }
            }
            for (o, &(s, n)) in out.iter_mut().zip(&line) {
                let share = f64::from(n) / full as f64;
                *o = if share < 0.5 { f32::NAN } else { (s / f64::from(n) * share.sqrt()) as f32 };
            }
        }
    });
    out
}

/// Scatter of a smoothed map as a function of brightness class and gradient: sqrt(v0[class] + g^2 G^2).
struct Scatter<'a> {
    class: &'a [u8],
    v0: [f32; CLASSES + 1],
    g2: f32,
    gradient2: &'a [f32],
}

impl<'a> Scatter<'a> {
    fn measure(map: &[f32], class: &'a [u8], gradient2: &'a [f32], mask: &[bool], marked: f64, colour: bool) -> Self {
        // JPEG's chroma is zero almost everywhere and jumps elsewhere, so that the median alone sees no noise at
        // all: the largest scale of three quantiles is taken. The last lies below what marks may cover (`marked`, a share), twice
        // over: before anything is masked, many large marks would else pass for noise and hide themselves.
        let last = (1.0 - 2.0 * marked).clamp(0.9, 0.99);
        let last = (last, Normal::standard().inverse_cdf(0.5 + 0.5 * last) as f32);
        // What jumps seldom shows only far out. Faint marks are no matter there: they are seen in grey.
        let far = if colour { (0.999, 3.2905) } else { last };
        let robust_var = |v: &mut Vec<f32>| {
            let n = v.len();
            [(0.5, 0.6745f32), (0.9, 1.645), last, far]
                .map(|(q, z)| {
                    let k = ((n as f64 * q) as usize).min(n - 1);
                    (*v.select_nth_unstable_by(k, f32::total_cmp).1 / z).powi(2)
                })
                .into_iter()
                .fold(0.0, f32::max)
        };
        let usable = |i: usize| !map[i].is_nan() && !mask[i];
        let mut g: Vec<f32> = (0..map.len()).step_by(7).filter(|&i| usable(i)).map(|i| gradient2[i]).collect();
        let middle = median(&mut g);
        let mut v0 = [f32::NAN; CLASSES + 1];
        for (k, v) in v0.iter_mut().enumerate() {
            let mut quiet: Vec<f32> = (0..map.len())
                .filter(|&i| class[i] as usize == k && usable(i) && gradient2[i] <= middle)
                .map(|i| map[i].abs())
                .collect();
            if quiet.len() >= 200 {
                *v = robust_var(&mut quiet);
            }
        }
        let known: Vec<f32> = v0.iter().copied().filter(|v| v.is_finite()).collect();
        let largest = known.iter().copied().fold(1e-8, f32::max);
        v0.iter_mut().for_each(|v| *v = if v.is_finite() { v.max(1e-8) } else { largest });
        // The edges' share: from the cells with the strongest gradients, what the quiet ones do not explain.
        let mut strong: Vec<f32> = g.clone();
        let cut = if strong.is_empty() {
            f32::MAX
        } else {
            let n = (strong.len() as f64 * 0.98) as usize;
            *strong.select_nth_unstable_by(n.min(g.len() - 1), f32::total_cmp).1
        };
        let mut ratio: Vec<f32> = (0..map.len())
            .filter(|&i| usable(i) && gradient2[i] >= cut && gradient2[i] > 0.0)
            .map(|i| (map[i] * map[i] - v0[class[i] as usize]).max(0.0) / gradient2[i])
            .collect();
        // The median of a squared Gaussian is 0.455 of its mean.
        let g2 = if ratio.len() < 100 { 0.0 } else { median(&mut ratio) / 0.455 };
        Self { class, v0, g2, gradient2 }
    }

    fn sigma(&self, i: usize) -> f32 {
        (self.v0[self.class[i] as usize] + self.g2 * self.gradient2[i]).sqrt()
    }
}

/// Finds the places that changed. `diameter_cells` is the usual mark's diameter on the reduced grid; `paper` cells
/// (as many as the grid has, or none) have a noise of their own: print is all edges. `shots` says how much change to expect.
pub fn detect(r: &Reduced, diameter_cells: f64, shots: usize, paper: &[bool]) -> Detection {
    let n = r.width * r.height;
    let radius = (DISC * diameter_cells).max(1.0);
    // Every cell is a test of its own, which neighbours' are not quite: their disc is not the same.
    let tests = 3.0 * n as f64;
    let threshold = Normal::standard().inverse_cdf((1.0 - FALSE_PER_PHOTO / tests / 2.0).min(1.0 - 1e-15));
    let on_paper = |i: usize| paper.get(i).copied().unwrap_or(false);
    let held = against_neighbours(r);
    let bright = |p: &[f32; 3]| (p[1].clamp(0.0, 0.999).sqrt() * CLASSES as f32) as u8;
    let class: Vec<u8> =
        r.before.iter().enumerate().map(|(i, p)| if on_paper(i) { CLASSES as u8 } else { bright(p) }).collect();
    let gradient = gradient_squared(r, radius, &held);
    let mut mask = vec![false; n];
    let mut out = None;
    let expected = (shots.max(1) + 1) as f64 * std::f64::consts::PI * (0.5 * diameter_cells + radius).powi(2);
    let mut edges = false;
    // Twice: what changed is kept out of light and noise the second time. A third and fourth time where the light has edges.
    for round in 0..4 {
        if round == 2 {
            let changed = (0..n).filter(|&i| mask[i] && !on_paper(i)).count();
            edges = changed as f64 > EDGES * expected;
            if !edges {
                break;
            }
            mask = vec![false; n];
        }
        let Light { ratio: light, step: light_step, edge } =
            if edges { line_light(r, diameter_cells) } else { tile_light(r, diameter_cells, &mask) };
        let change: Vec<[f32; 3]> = (0..n)
            .into_par_iter()
            .map(|i| {
                let p: [f32; 3] = std::array::from_fn(|c| r.before[i][c] * light[i][c]);
                if edge.get(i).copied().unwrap_or(false) {
                    return [f32::NAN; 3];
                }
                directions(r.after[i], p, if on_paper(i) { PAPER_FLOOR } else { FLOOR }).map(|v| v * held[i])
            })
            .collect();
        let maps: Vec<Vec<f32>> = (0..3).map(|k| disc_mean(|i| change[i][k], r.width, r.height, radius)).collect();
        let mut significance = vec![f32::NAN; n];
        for (k, map) in maps.iter().enumerate() {
            let tail = if k > 0 { COLOUR_TAIL } else { GREY_TAIL };
            let colour = k > 0 && round > 0;
            let scatter = Scatter::measure(map, &class, &gradient, &mask, expected / n.max(1) as f64, colour);
            for i in 0..n {
                let s = map[i].abs() / (scatter.sigma(i) * tail);
                if !s.is_nan() && (significance[i].is_nan() || significance[i] < s) {
                    significance[i] = s;
                }
            }
        }
        mask = grow(&significance, r.width, r.height, threshold as f32, radius.ceil() as usize + 1);
        out = Some((light, light_step, significance, maps, edge));
    }
    let (light, light_step, significance, maps, light_edge) = out.unwrap_or_default();
    let regions = regions(&significance, &maps, r.width, r.height, threshold);
    Detection { regions, light, light_edge, significance, threshold, light_step, radius_cells: radius }
}

/// How bright a cell is against the brightest of its neighbours, 0..1. At the rim of a bright board before a dark
/// room the smallest misalignment is a large share of the dark side's light; it is a small share of the bright side's.
fn against_neighbours(r: &Reduced) -> Vec<f32> {
    let (w, h) = (r.width, r.height);
    let largest = |v: &dyn Fn(usize) -> f32, at: usize, n: usize| {
        (at.saturating_sub(NEIGHBOURS)..(at + NEIGHBOURS + 1).min(n)).map(v).fold(0.0, f32::max)
    };
    let green: Vec<f32> = r.before.iter().map(|p| if p[1].is_nan() { 0.0 } else { p[1] }).collect();
    let across: Vec<f32> = (0..w * h).into_par_iter().map(|i| largest(&|x| green[i / w * w + x], i % w, w)).collect();
    (0..w * h)
        .into_par_iter()
        .map(|i| (green[i] + FLOOR) / (largest(&|y| across[y * w + i % w], i / w, h) + FLOOR))
        .collect()
}

/// Squared relative gradient of the photo before, smoothed like the maps: (|grad P| / P)^2 a cell.
fn gradient_squared(r: &Reduced, radius: f64, held: &[f32]) -> Vec<f32> {
    let (w, h) = (r.width, r.height);
    let g: Vec<f32> = (0..w * h)
        .into_par_iter()
        .map(|i| {
            let (x, y) = (i % w, i / w);
            let at = |x: usize, y: usize| r.before[y * w + x][1];
            let dx = at((x + 1).min(w - 1), y) - at(x.saturating_sub(1), y);
            let dy = at(x, (y + 1).min(h - 1)) - at(x, y.saturating_sub(1));
            let p = (at(x, y) + FLOOR) / held[i].max(1e-3);
            0.25 * (dx * dx + dy * dy) / (p * p)
        })
        .collect();
    disc_mean(|i| g[i], w, h, radius).into_iter().map(|v| if v.is_nan() { 0.0 } else { v }).collect()
}

/// Cells above half the threshold, widened by `reach` cells.
fn grow(s: &[f32], w: usize, h: usize, threshold: f32, reach: usize) -> Vec<bool> {
    let mut out = vec![false; w * h];
    for y in 0..h {
        for x in 0..w {
            if s[y * w + x] > threshold {
                for yy in y.saturating_sub(reach)..(y + reach + 1).min(h) {
                    out[yy * w + x.saturating_sub(reach)..yy * w + (x + reach + 1).min(w)].fill(true);
                }
            }
        }
    }
    out
}

fn regions(s: &[f32], maps: &[Vec<f32>], w: usize, h: usize, threshold: f64) -> Vec<Region> {
    let mut seen = vec![false; w * h];
    let mut out = Vec::new();
    let mut stack = Vec::new();
    let above = |i: usize| f64::from(s[i]) > threshold;
    for start in 0..w * h {
        if seen[start] || !above(start) {
            continue;
        }
        let mut reg = Region {
            x: (w, 0),
            y: (h, 0),
            cells: 0,
            significance: 0.0,
            peak: (0, 0),
            change: [0.0; 3],
            axes_cells: (0.0, 0.0),
        };
        let mut moments = [0.0f64; 5];
        seen[start] = true;
        stack.push(start);
        while let Some(i) = stack.pop() {
            let (x, y) = (i % w, i / w);
            reg.cells += 1;
            let (fx, fy) = (x as f64, y as f64);
            for (m, v) in moments.iter_mut().zip([fx, fy, fx * fx, fx * fy, fy * fy]) {
                *m += v;
            }
            reg.x = (reg.x.0.min(x), reg.x.1.max(x));
            reg.y = (reg.y.0.min(y), reg.y.1.max(y));
            if f64::from(s[i]) > reg.significance {
                reg.significance = s[i].into();
                reg.peak = (x, y);
                reg.change = std::array::from_fn(|k| maps[k][i]);
            }
            for yy in y.saturating_sub(1)..(y + 2).min(h) {
                for xx in x.saturating_sub(1)..(x + 2).min(w) {
                    let j = yy * w + xx;
                    if !seen[j] && above(j) {
                        seen[j] = true;
                        stack.push(j);
                    }
                }
            }
        }
        let [mx, my, xx, xy, yy] = moments.map(|m| m / reg.cells as f64);
        let (xx, xy, yy) = (xx - mx * mx, xy - mx * my, yy - my * my);
        let (half, root) = (0.5 * (xx + yy), (0.25 * (xx - yy).powi(2) + xy * xy).sqrt());
        // A single cell is a square of side one.
        reg.axes_cells = ((half + root + 1.0 / 12.0).sqrt(), ((half - root).max(0.0) + 1.0 / 12.0).sqrt());
        out.push(reg);
    }
    out.sort_by(|a, b| b.significance.total_cmp(&a.significance));
    out
}
