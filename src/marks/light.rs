//! How has the light changed between two photos?
//!
//! Usually softly: the ratio after / before is a median over tiles, interpolated ([`tile_light`]). The sun
//! draws edges that wander between photos: [`super::edges`] follows those.

use rayon::prelude::*;

use super::blocks::Reduced;

/// Side of a tile in mark diameters. A cluster must fill half of a tile before it pulls the tile's median.
const TILE_DIAMETERS: f64 = 4.0;

/// The light's change.
#[derive(Clone, Debug, Default)]
pub struct Light {
    /// after / before in each cell and channel.
    pub ratio: Vec<[f32; 3]>,
    /// Largest less smallest log ratio (green) between parts of the photo.
    pub step: f64,
    /// Largest log ratio (green) between neighbouring tiles; 0 where the light was not taken from tiles.
    pub jump: f64,
    /// u of the ratio, relative: 0 where the light has no edge, infinite where an edge cannot be followed; empty when edges were not looked for.
    pub edge_u: Vec<f32>,
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
pub(super) fn bits(v: f32) -> u32 {
    v.max(0.0).to_bits()
}

/// Median of numbers given as [`bits`].
pub(super) fn middle(bits: &mut [u32]) -> f32 {
    let m = bits.len() / 2;
    f32::from_bits(*bits.select_nth_unstable(m).1)
}

/// What lies between two colours, `f` of the way to the second.
pub(super) fn mix(a: [f32; 3], b: [f32; 3], f: f32) -> [f32; 3] {
    std::array::from_fn(|c| a[c] * (1.0 - f) + b[c] * f)
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
    let apart = |a: usize, b: usize| f64::from((tiles[a][1] / tiles[b][1].max(1e-6)).max(1e-6).ln().abs());
    let across = (0..tw * th).filter(|t| t % tw > 0).map(|t| apart(t, t - 1));
    let jump = across.chain((tw..tw * th).map(|t| apart(t, t - tw))).fold(0.0, f64::max);
    // Between tiles' middles: where a cell lies among them.
    let among = |v: usize, most: usize| {
        let f = ((v as f32 + 0.5) / tile as f32 - 0.5).clamp(0.0, (most - 1) as f32);
        (f as usize, (f as usize + 1).min(most - 1), f - f.floor())
    };
    let columns: Vec<(usize, usize, f32)> = (0..r.width).map(|x| among(x, tw)).collect();
    let mut field = vec![[0.0f32; 3]; r.width * r.height];
    field.par_chunks_mut(r.width.max(1)).enumerate().for_each(|(y, row)| {
        let (y0, y1, fy) = among(y, th);
        let line: Vec<[f32; 3]> = (0..tw).map(|x| mix(tiles[y0 * tw + x], tiles[y1 * tw + x], fy)).collect();
        row.iter_mut().zip(&columns).for_each(|(out, &(x0, x1, fx))| *out = mix(line[x0], line[x1], fx));
    });
    Light { ratio: field, step: f64::from((hi / lo.max(1e-6)).ln()), jump, edge_u: Vec::new() }
}
