//! How has the light changed between two photos?
//!
//! Usually softly: the ratio after / before is a median over tiles, interpolated ([`tile_light`]). The sun
//! draws edges that wander between photos. There the ratio is constant along the edge and jumps across it:
//! [`line_light`] takes, for each cell, the median along a line in the direction in which the ratio is steadiest. A line
//! follows shadows of any width, and passes over marks, which are short in every direction.

use rayon::prelude::*;

use super::pair::Reduced;

/// Side of a tile in mark diameters. A cluster must fill half of a tile before it pulls the tile's median.
const TILE_DIAMETERS: f64 = 4.0;
/// Half length of a line in mark diameters: marks side by side must reach over more than half of it to be taken for light.
const LINE_DIAMETERS: f64 = 3.0;
/// Directions tried: a line strays from an edge by at most 7.5 deg, a cell and a half at its end's middle.
const DIRECTIONS: usize = 12;
/// A line with fewer cells says nothing.
const LEAST_ON_LINE: usize = 8;
/// A jump of the light between neighbouring cells that counts as an edge, relative.
const JUMP: f32 = 0.06;

/// Cells to either side of an edge that say nothing: half shadow is that wide on a wall some metres from what casts it.
const EDGE_CELLS: usize = 4;

/// The light's change.
#[derive(Clone, Debug, Default)]
pub struct Light {
    /// after / before in each cell and channel.
    pub ratio: Vec<[f32; 3]>,
    /// Largest less smallest log ratio (green) between parts of the photo.
    pub step: f64,
    /// Cells that hold an edge of the light; empty when edges were not looked for.
    pub edge: Vec<bool>,
}

/// Median of a list, which is left in another order; NaN of nothing.
pub fn median(v: &mut [f32]) -> f32 {
    if v.is_empty() {
        return f32::NAN;
    }
    let m = v.len() / 2;
    *v.select_nth_unstable_by(m, f32::total_cmp).1
}

/// A number as bits that order as it does, from zero up.
fn bits(v: f32) -> u32 {
    v.max(0.0).to_bits()
}

/// Median of numbers given as [`bits`].
fn middle(bits: &mut [u32]) -> f32 {
    let m = bits.len() / 2;
    f32::from_bits(*bits.select_nth_unstable(m).1)
}

/// Smooth light: medians of after / before over tiles, interpolated; `mask` cells do not count.
pub fn tile_light(r: &Reduced, diameter_cells: f64, mask: &[bool]) -> Light {
    let tile = ((TILE_DIAMETERS * diameter_cells) as usize).clamp(8, r.width.max(r.height).max(8));
    let (tw, th) = (r.width.div_ceil(tile).max(1), r.height.div_ceil(tile).max(1));
    let mut tiles: Vec<[f32; 3]> = (0..tw * th)
        .into_par_iter()
        .map_init(Default::default, |v: &mut [Vec<u32>; 3], t| {
            let (x0, y0) = (t % tw * tile, t / tw * tile);
            v.iter_mut().for_each(Vec::clear);
            for y in (y0..(y0 + tile).min(r.height)).step_by(2) {
                for x in (x0 + y / 2 % 2..(x0 + tile).min(r.width)).step_by(2) {
                    let i = y * r.width + x;
                    if r.before[i][0].is_nan() || mask[i] {
                        continue;
                    }
                    for c in 0..3 {
                        v[c].push(bits((r.after[i][c] + 0.002) / (r.before[i][c] + 0.002)));
                    }
                }
            }
            if v[0].len() < tile * tile / 32 { [f32::NAN; 3] } else { std::array::from_fn(|c| middle(&mut v[c])) }
        })
        .collect();
    // Tiles without data take their neighbours' mean, ring by ring.
    for _ in 0..tw.max(th) {
        let old = tiles.clone();
        let mut open = false;
        for t in 0..tw * th {
            if !old[t][0].is_nan() {
                continue;
            }
            let (x, y) = (t % tw, t / tw);
            let mut sum = [0.0f32; 3];
            let mut n = 0.0;
            for (dx, dy) in [(-1i64, 0i64), (1, 0), (0, -1), (0, 1)] {
                let (u, v) = (x as i64 + dx, y as i64 + dy);
                if u >= 0 && v >= 0 && (u as usize) < tw && (v as usize) < th {
                    let o = old[v as usize * tw + u as usize];
                    if !o[0].is_nan() {
                        (0..3).for_each(|c| sum[c] += o[c]);
                        n += 1.0;
                    }
                }
            }
            if n > 0.0 {
                tiles[t] = sum.map(|s| s / n);
            } else {
                open = true;
            }
        }
        if !open {
            break;
        }
    }
    tiles.iter_mut().filter(|t| t[0].is_nan()).for_each(|t| *t = [1.0; 3]);
    let (lo, hi) = tiles.iter().fold((f32::MAX, f32::MIN), |m, t| (m.0.min(t[1]), m.1.max(t[1])));
    // Between tiles' middles: where a cell lies among them.
    let among = |v: usize, most: usize| {
        let f = ((v as f32 + 0.5) / tile as f32 - 0.5).clamp(0.0, (most - 1) as f32);
        (f as usize, (f as usize + 1).min(most - 1), f - f.floor())
    };
    let columns: Vec<(usize, usize, f32)> = (0..r.width).map(|x| among(x, tw)).collect();
    let mut field = vec![[0.0f32; 3]; r.width * r.height];
    field.par_chunks_mut(r.width.max(1)).enumerate().for_each(|(y, row)| {
        let (y0, y1, fy) = among(y, th);
        let mix =
            |a: [f32; 3], b: [f32; 3], f: f32| -> [f32; 3] { std::array::from_fn(|c| a[c] * (1.0 - f) + b[c] * f) };
        let line: Vec<[f32; 3]> = (0..tw).map(|x| mix(tiles[y0 * tw + x], tiles[y1 * tw + x], fy)).collect();
        row.iter_mut().zip(&columns).for_each(|(out, &(x0, x1, fx))| *out = mix(line[x0], line[x1], fx));
    });
    Light { ratio: field, step: f64::from((hi / lo.max(1e-6)).ln()), edge: Vec::new() }
}

/// Light with edges: for each cell the median along the line in which the ratio scatters least.
pub fn line_light(r: &Reduced, diameter_cells: f64) -> Light {
    let (w, h) = (r.width as i64, r.height as i64);
    let half = (LINE_DIAMETERS * diameter_cells).ceil() as i64;
    // Every second cell along the line: neighbours hang together anyway.
    let steps: Vec<i64> = (-half..=half).step_by(2).collect();
    let lines: Vec<Vec<(i64, i64)>> = (0..DIRECTIONS)
        .map(|k| {
            let (s, c) = (k as f64 * std::f64::consts::PI / DIRECTIONS as f64).sin_cos();
            steps.iter().map(|&t| ((t as f64 * c).round() as i64, (t as f64 * s).round() as i64)).collect()
        })
        .collect();
    let green: Vec<f32> = (0..r.before.len()).map(|i| (r.after[i][1] + 0.002) / (r.before[i][1] + 0.002)).collect();
    let along = |k: usize, x: i64, y: i64| {
        lines[k].iter().filter_map(move |&(dx, dy)| {
            let (u, v) = (x + dx, y + dy);
            (u >= 0 && v >= 0 && u < w && v < h).then_some((v * w + u) as usize)
        })
    };
    // How steady the ratio is along a line: the 70 % point of the deviations, since a mark may take a third of the line without
    // being noticed.
    let spread = |values: &mut Vec<u32>, k: usize, x: i64, y: i64| {
        values.clear();
        values.extend(along(k, x, y).map(|j| green[j]).filter(|v| v.is_finite()).map(bits));
        if values.len() < LEAST_ON_LINE {
            return None;
        }
        let m = middle(values);
        values.iter_mut().for_each(|v| *v = (f32::from_bits(*v) - m).abs().to_bits());
        let q = values.len() * 7 / 10;
        Some(f32::from_bits(*values.select_nth_unstable(q).1) / m.max(1e-3))
    };
    let ratio: Vec<[f32; 3]> = (0..r.before.len())
        .into_par_iter()
        .map_init(Vec::new, |values: &mut Vec<u32>, i| {
            let (u, v) = (i as i64 % w, i as i64 / w);
            let of = |k: usize| Some((spread(values, k, u, v)?, k));
            let best = (0..DIRECTIONS).filter_map(of).min_by(|a, b| a.0.total_cmp(&b.0));
            let Some((_, k)) = best else { return [1.0; 3] };
            std::array::from_fn(|c| {
                values.clear();
                let of = |j: usize| (r.after[j][c] + 0.002) / (r.before[j][c] + 0.002);
                values.extend(along(k, u, v).map(of).filter(|v| v.is_finite()).map(bits));
                if values.is_empty() { 1.0 } else { middle(values) }
            })
        })
        .collect();
    let edge = (0..ratio.len())
        .map(|i| {
            let (x, y) = (i % r.width, i / r.width);
            let (mut lo, mut hi) = (f32::MAX, f32::MIN);
            for v in y.saturating_sub(EDGE_CELLS)..(y + EDGE_CELLS + 1).min(r.height) {
                for u in x.saturating_sub(EDGE_CELLS)..(x + EDGE_CELLS + 1).min(r.width) {
                    let q = ratio[v * r.width + u][1];
                    (lo, hi) = (lo.min(q), hi.max(q));
                }
            }
            hi > (1.0 + JUMP) * lo
        })
        .collect();
    let (lo, hi) = ratio.iter().fold((f32::MAX, f32::MIN), |m, t| (m.0.min(t[1]), m.1.max(t[1])));
    Light { ratio, step: f64::from((hi / lo.max(1e-6)).ln()), edge }
}
