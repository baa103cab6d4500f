//! Which parts of a photo changed because something came or went, and not by marks or by light?
//!
//! A person before the wall, a hose, a bucket, a sheet that fell off: their places say nothing of marks, and what they hide must
//! be asked of another photo. The log ratio of the two photos is held against a smooth surface through most of the wall
//! (`smooth_light`); connected cells that stray from it, and are more or longer than all marks of the volley side by side, are
//! something else. Sun and shadow do that too: they leave the wall's grain where it was, and change its three
//! colours in nearly one proportion (`covers`). What covers the wall is a [`Thing`]; the rest is left to the light's own model.

use std::cell::LazyCell;
use std::ops::Range;

use nalgebra::{SMatrix, SVector};
use serde::{Deserialize, Serialize};

use super::blocks::Reduced;
use super::light::median;
use super::smooth::{Neighbourhood, means};
use crate::vectors::{ln, widest};

/// A change covers more cells than this many times all marks of the volley (and one more) laid side by side.
const BIG: f64 = 3.0;
/// Or it is longer than all marks (and two more) in a row, each this many usual radii wide: the largest mark expected is 1.5 times the usual.
const LARGEST_DIAMETER_RADII: f64 = 3.0;
/// What is on average narrower than this many usual radii is long and narrow.
const NARROW_RADII: f64 = 3.0;
/// A cell strays when its log ratio does by this much, or by [`STRAY_SIGMA`] times the photo's own scatter: a light's slope over the
/// wall stays below, clothes seldom do.
const STRAY: f32 = 0.15;
const STRAY_SIGMA: f32 = 6.0;
/// Added to both photos' linear values: what is darker than 1 % of full light has no ratio.
const FLOOR: f32 = 0.01;
/// Cells of a tile's side, in usual radii, from which the smooth surface is made.
const TILE_RADII: f64 = 2.0;
/// Tiles from which on every second one each way is enough: a thousand of them hold a surface of six terms to a tenth of what one scatters by.
const MANY_TILES: usize = 4000;
/// Rounds of Tukey's biweight at the most, the change of any term after which the next one would move no place by a hundredth of what strays
/// ([`STRAY`]), and the bend over the scaled median deviation (Holland and Welsch 1977: 95 % efficient).
const ROUNDS: usize = 12;
const SETTLED: f64 = 2e-4;
const BEND: f64 = 4.685;
/// Light changes no place by more than a factor of eight: in full sun the shade has a tenth to a fifth of the light
/// (common practice, no source), and a camera that shows both takes the middle.
const MOST_LIGHT: f32 = 2.08;
/// Light's colours change in nearly one proportion: sun's over the sky's share of the light differs between red and blue by up to a third of its log ratio.
const LIGHT_TINT: f32 = 0.4;
/// Where grain is more than this share of what a place's cells scatter by, and the photo after keeps less than that share of it, the place is covered.
const GRAIN: f64 = 0.4;
const GRAIN_LOST: f64 = 0.4;
/// Coarser detail - seams, stains, old marks - than grain of one cell: means over so many cells to each side, against means over so many. A photo that is
/// darker or more compressed may have lost the finest grain and still show it.
const COARSE_CELLS: (usize, usize) = (1, 5);
/// Grain beyond this is print's or a rim's: it shall not speak for all.
const MOST_GRAIN: f32 = 0.05;
/// Cells at a piece's rim that are left out of that, as wide as a half shadow, and the least that must be left.
const RIM_CELLS: usize = 5;
const LEAST_INNER: f64 = 150.0;
/// Share of a change's cells that must tell of a cover.
const COVERED: f64 = 0.25;
/// Space around a thing, usual radii: its soft edge, and the shade that it throws beside itself.
const AROUND_RADII: f64 = 0.8;
/// Pieces of change within this many usual radii of a thing belong to it: a hand, a strap of another colour.
const NEAR_RADII: f64 = 4.0;

/// Something that is neither mark nor light.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Thing {
    /// First and last column of its cells.
    pub x: (usize, usize),
    /// First and last row.
    pub y: (usize, usize),
    /// Cells that it covers.
    pub cells: usize,
    /// True where it is long and narrow rather than big.
    pub long: bool,
}

impl Thing {
    /// From corner to corner, cells.
    fn reach(&self) -> f64 {
        ((self.x.1 - self.x.0) as f64).hypot((self.y.1 - self.y.0) as f64)
    }
}

/// What [`find_things`] gives.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Things {
    /// The things, largest first.
    pub things: Vec<Thing>,
    /// Cells that they cover, with some space around; as many as the grid has, or none when there is nothing.
    pub covered: Vec<bool>,
}

/// Finds what covers the wall in one of two photos. `radius_cells` is the usual mark's radius on the grid, `shots` the balls shot between them.
pub fn find_things(r: &Reduced, radius_cells: f64, shots: usize) -> Things {
    let (w, h) = (r.width, r.height);
    let ratio = log_ratio(&r.after, &r.before);
    let Some(surface) = smooth_light(&ratio, w, h, ((TILE_RADII * radius_cells) as usize).max(4)) else {
        return Things::default();
    };
    let stray = strayed(&ratio, &surface, w, h);
    drop(ratio);
    let mut quiet: Vec<f32> = stray[1].iter().step_by(5).map(|d| d.abs()).filter(|v| v.is_finite()).collect();
    let limit = STRAY.max(STRAY_SIGMA * 1.4826 * median(&mut quiet));
    let mut odd = vec![false; w * h];
    for stray in &stray {
        odd.iter_mut().zip(stray).for_each(|(odd, d)| *odd |= d.abs() > limit);
    }
    // Print and seams that the two photos do not show alike are a cell wide: opening takes them away.
    let odd = opened(&odd, w, h, 1);
    let one = std::f64::consts::PI * radius_cells * radius_cells;
    let most = BIG * (shots as f64 + 1.0) * one;
    let longest = (shots as f64 + 2.0) * LARGEST_DIAMETER_RADII * radius_cells;
    let pieces = pieces(&odd, w, h);
    let too_big = |cells: &[usize]| cells.len() as f64 > most || extent(cells, w, radius_cells).reach() > longest;
    if !pieces.iter().any(|cells| too_big(cells)) {
        return Things::default();
    }
    // The coarse grain is asked where the fine one is lost.
    let grain = (Grain::new(r, &odd, (0, 1)), LazyCell::new(|| Grain::new(r, &odd, COARSE_CELLS)));
    let mut things = Vec::new();
    let mut covered = vec![false; w * h];
    let mut rest = Vec::new();
    for cells in pieces {
        let thing = extent(&cells, w, radius_cells);
        let big = too_big(&cells);
        if big && covers(&cells, &stray, &grain) {
            cells.iter().for_each(|&i| covered[i] = true);
            things.push(thing);
        } else {
            rest.push((cells, big));
        }
    }
    if things.is_empty() {
        return Things::default();
    }
    let near = spread(&covered, w, h, (NEAR_RADII * radius_cells) as usize);
    for (cells, _) in rest.iter().filter(|(cells, big)| !big && cells.iter().all(|&i| near[i])) {
        // What lies as near to it as a mark may: only what no mark could be is taken for a part of it.
        if covers(cells, &stray, &grain) {
            cells.iter().for_each(|&i| covered[i] = true);
        }
    }
    let covered = fill_holes(&spread(&covered, w, h, (AROUND_RADII * radius_cells).ceil() as usize), w, h);
    things.sort_by_key(|t| std::cmp::Reverse(t.cells));
    Things { things, covered }
}

/// ln((after + floor) / (before + floor)), colour by colour.
fn log_ratio(after: &[[f32; 3]], before: &[[f32; 3]]) -> Vec<[f32; 3]> {
    let mut out = vec![[0.0f32; 3]; after.len()];
    widest(
        #[inline(always)]
        || {
            let values = after.as_flattened().iter().zip(before.as_flattened());
            for (out, (a, b)) in out.as_flattened_mut().iter_mut().zip(values) {
                *out = ln((a + FLOOR) / (b + FLOOR));
            }
        },
    );
    out
}

/// Terms of the smooth surface: 1, x, y, x^2, xy, y^2.
const TERMS: usize = 6;

struct Surface {
    by: [SVector<f64, TERMS>; 3],
    half: (f64, f64),
}

impl Surface {
    fn basis(&self, x: usize, y: usize) -> SVector<f64, TERMS> {
        let (u, v) = (x as f64 / self.half.0 - 1.0, y as f64 / self.half.1 - 1.0);
        SVector::from([1.0, u, v, u * u, u * v, v * v])
    }
}

/// Log light ratio as a second-order surface through the medians of tiles, by Tukey's biweight from the median of all on:
/// up to nearly half of the wall may be something else.
fn smooth_light(ratio: &[[f32; 3]], w: usize, h: usize, tile: usize) -> Option<Surface> {
    let mut out = Surface { by: [SVector::zeros(); 3], half: ((0.5 * w as f64).max(1.0), (0.5 * h as f64).max(1.0)) };
    let mut tiles: Vec<(SVector<f64, TERMS>, [f64; 3])> = Vec::new();
    let mut v: [Vec<f32>; 3] = Default::default();
    let apart = if w * h >= MANY_TILES * tile * tile { 2 * tile } else { tile };
    for y0 in (0..h).step_by(apart) {
        for x0 in (0..w).step_by(apart) {
            v.iter_mut().for_each(Vec::clear);
            for y in (y0..(y0 + tile).min(h)).step_by(2) {
                for q in ratio[y * w + x0..y * w + (x0 + tile).min(w)].iter().step_by(2) {
                    if q.iter().all(|v| v.is_finite()) {
                        (0..3).for_each(|c| v[c].push(q[c]));
                    }
                }
            }
            if v[0].len() * 16 >= tile * tile {
                let basis = out.basis(x0 + tile / 2, y0 + tile / 2);
                tiles.push((basis, std::array::from_fn(|c| f64::from(median(&mut v[c])))));
            }
        }
    }
    if tiles.len() < 4 * TERMS {
        return None;
    }
    // The three colours follow the same tiles: where half of the wall is shaded, each by itself might settle on another half.
    for c in 0..3 {
        let mut values: Vec<f32> = tiles.iter().map(|t| t.1[c] as f32).collect();
        out.by[c][0] = median(&mut values).into();
    }
    for _ in 0..ROUNDS {
        let apart = |(b, v): &(SVector<f64, TERMS>, [f64; 3])| {
            ((0..3).map(|c| (v[c] - out.by[c].dot(b)).powi(2)).sum::<f64>() / 3.0).sqrt()
        };
        let mut off: Vec<f32> = tiles.iter().map(|t| apart(t) as f32).collect();
        // Below 1 % a tile is as good as any.
        let bend = BEND * (1.4826 * f64::from(median(&mut off))).max(0.01);
        let mut matrix = SMatrix::<f64, TERMS, TERMS>::identity() * 1e-6;
        let mut right = SMatrix::<f64, TERMS, 3>::zeros();
        for t @ (b, v) in &tiles {
            let u = apart(t) / bend;
            if u < 1.0 {
                let weight = (1.0 - u * u).powi(2);
                matrix += weight * b * b.transpose();
                right += weight * b * SMatrix::<f64, 1, 3>::from(*v);
            }
        }
        let now = matrix.cholesky()?.solve(&right);
        let moved = (0..3).map(|c| (now.column(c) - out.by[c]).amax()).fold(0.0, f64::max);
        (0..3).for_each(|c| out.by[c] = now.column(c).into());
        if moved < SETTLED {
            break;
        }
    }
    Some(out)
}

/// Whether a piece of change covers the wall, rather than lights or shades it.
fn covers(
    cells: &[usize],
    stray: &[Vec<f32>; 3],
    (fine, coarse): &(Grain, LazyCell<Grain, impl FnOnce() -> Grain>),
) -> bool {
    let tell = |&&i: &&usize| {
        let d = stray.each_ref().map(|s| s[i]);
        let most = d.iter().fold(0.0f32, |m, v| m.max(v.abs()));
        let tint = (d[0] - d[1]).abs().max((d[2] - d[1]).abs());
        most > MOST_LIGHT || tint > STRAY.max(LIGHT_TINT * most)
    };
    let n = cells.len().max(1) as f64;
    cells.iter().filter(tell).count() as f64 > COVERED * n
        || (fine.kept(cells) == Some(false) && coarse.kept(cells) != Some(true))
}

/// The wall's own grain, in both photos: the relative difference of the mean over a cell and its nearest neighbours from that over more of them.
struct Grain {
    width: usize,
    after: Vec<f32>,
    before: Vec<f32>,
    /// Variance of it that is only the photo's noise.
    noise: f64,
}

impl Grain {
    /// `reach`: cells to each side whose mean is taken, and whose mean that is held against.
    fn new(r: &Reduced, odd: &[bool], reach: (usize, usize)) -> Self {
        let fine = |v: &[[f32; 3]]| -> Vec<f32> {
            let there = |v: &[f32; 3]| if v.iter().all(|v| v.is_finite()) { v[1] } else { f32::NAN };
            let green: Vec<f32> = v.iter().map(there).collect();
            let mean = |reach: usize| {
                let cells = |cells: Range<usize>, [out]: [&mut [f32]; 1]| out.copy_from_slice(&green[cells]);
                let [mean] = means(cells, (r.width, r.height), &Neighbourhood::square(reach), 1);
                mean
            };
            let (near, about) = (mean(reach.0), mean(reach.1));
            let differs = |((n, m), v): ((&f32, &f32), &f32)| if v.is_nan() { f32::NAN } else { (n - m) / (m + FLOOR) };
            near.iter().zip(&about).zip(&green).map(differs).collect()
        };
        let (after, before) = (fine(&r.after), fine(&r.before));
        let mut apart: Vec<f32> = (0..odd.len())
            .step_by(3)
            .filter(|&i| !odd[i])
            .map(|i| (after[i] - before[i]).abs())
            .filter(|v| v.is_finite())
            .collect();
        // Two photos' noises make up what they differ by.
        let noise = 0.5 * (1.4826 * f64::from(median(&mut apart))).powi(2);
        Self { width: r.width, after, before, noise }
    }

    /// Whether the photo after still shows the grain that a piece had; `None` where it had none to speak of. Its rim says nothing: a half shadow slopes
    /// there.
    fn kept(&self, cells: &[usize]) -> Option<bool> {
        let (w, h) = (self.width, self.before.len() / self.width.max(1));
        let mut piece = vec![false; w * h];
        cells.iter().for_each(|&i| piece[i] = true);
        let inner = shrink(&piece, w, h, RIM_CELLS);
        let cut = |v: f32| f64::from(v.clamp(-MOST_GRAIN, MOST_GRAIN));
        let (mut both, mut own, mut n) = (0.0, 0.0, 0.0);
        for i in (0..w * h).filter(|&i| inner[i] && self.after[i].is_finite() && self.before[i].is_finite()) {
            let (a, b) = (cut(self.after[i]), cut(self.before[i]));
            (both, own, n) = (both + a * b, own + b * b, n + 1.0);
        }
        if n < LEAST_INNER {
            return None;
        }
        // Light keeps relative grain as it is, whatever the noise of the photo after; a cover takes all of it.
        let grain = own / n - self.noise;
        (grain > GRAIN * own / n).then_some(both / n >= GRAIN_LOST * grain)
    }
}

/// How far each cell's log ratio strays from the smooth light, colour by colour, as a mean over 3 x 3 cells.
fn strayed(ratio: &[[f32; 3]], surface: &Surface, w: usize, h: usize) -> [Vec<f32>; 3] {
    let (u, v): (Vec<f32>, Vec<f32>) = {
        let along = |n: usize, half: f64| (0..n).map(|k| (k as f64 / half - 1.0) as f32).collect();
        (along(w, surface.half.0), along(h, surface.half.1))
    };
    let by: [[f32; TERMS]; 3] = std::array::from_fn(|c| std::array::from_fn(|t| surface.by[c][t] as f32));
    #[inline(always)]
    fn bent(b: &[f32; TERMS], u: f32, v: f32) -> f32 {
        b[0] + u * (b[1] + u * b[3] + v * b[4]) + v * (b[2] + v * b[5])
    }
    means(
        #[inline(always)]
        |cells: Range<usize>, [r, g, b]: [&mut [f32]; 3]| {
            let (x, v) = (cells.start % w.max(1), v[cells.start / w.max(1)]);
            let cells = ratio[cells].iter().zip(&u[x..]);
            for ((ratio, u), ((r, g), b)) in cells.zip(r.iter_mut().zip(g).zip(b)) {
                *r = ratio[0] - bent(&by[0], *u, v);
                *g = ratio[1] - bent(&by[1], *u, v);
                *b = ratio[2] - bent(&by[2], *u, v);
            }
        },
        (w, h),
        &Neighbourhood::square(1),
        1,
    )
}

/// Cells within `reach` of a true one (a square).
pub fn spread(v: &[bool], w: usize, h: usize, reach: usize) -> Vec<bool> {
    let take = |to: &mut [bool], from: &[bool]| to.iter_mut().zip(from).for_each(|(t, f)| *t |= f);
    // Across, then down.
    let mut across = v.to_vec();
    for (to, from) in across.chunks_exact_mut(w.max(1)).zip(v.chunks_exact(w.max(1))) {
        for k in 1..=reach.min(w.saturating_sub(1)) {
            take(&mut to[k..], from);
            take(to, &from[k..]);
        }
    }
    let mut out = across.clone();
    for (y, to) in out.chunks_exact_mut(w.max(1)).enumerate() {
        for from in (y.saturating_sub(reach)..(y + reach + 1).min(h)).filter(|&from| from != y) {
            take(to, &across[from * w..(from + 1) * w]);
        }
    }
    out
}

/// Cells whose neighbours up to `reach` cells away along both axes are all true; the grid's rim counts as true.
pub fn shrink(v: &[bool], w: usize, h: usize, reach: usize) -> Vec<bool> {
    let outside: Vec<bool> = v.iter().map(|b| !b).collect();
    spread(&outside, w, h, reach).iter().map(|b| !b).collect()
}

/// True cells without what is less than 2 `reach` + 1 cells wide (an opening with a square).
pub fn opened(v: &[bool], w: usize, h: usize, reach: usize) -> Vec<bool> {
    spread(&shrink(v, w, h, reach), w, h, reach)
}

/// Holes that true cells enclose on all sides are filled.
fn fill_holes(v: &[bool], w: usize, h: usize) -> Vec<bool> {
    let outside: Vec<bool> = v.iter().map(|b| !b).collect();
    let mut out = v.to_vec();
    for cells in pieces(&outside, w, h) {
        let rim = cells.iter().any(|&i| i % w == 0 || i % w == w - 1 || i / w == 0 || i / w == h - 1);
        if !rim {
            cells.iter().for_each(|&i| out[i] = true);
        }
    }
    out
}

/// Connected pieces of true cells (four neighbours).
pub fn pieces(v: &[bool], w: usize, h: usize) -> Vec<Vec<usize>> {
    let mut seen = vec![false; v.len()];
    let mut out = Vec::new();
    for start in 0..v.len() {
        if !v[start] || seen[start] {
            continue;
        }
        seen[start] = true;
        let mut cells = vec![start];
        let mut at = 0;
        while let Some(&i) = cells.get(at) {
            at += 1;
            let (x, y) = (i % w, i / w);
            let next = [(x > 0, i.wrapping_sub(1)), (x + 1 < w, i + 1), (y > 0, i.wrapping_sub(w)), (y + 1 < h, i + w)];
            for j in next.into_iter().filter_map(|(inside, j)| inside.then_some(j)) {
                if v[j] && !seen[j] {
                    seen[j] = true;
                    cells.push(j);
                }
            }
        }
        out.push(cells);
    }
    out
}

fn extent(cells: &[usize], w: usize, radius_cells: f64) -> Thing {
    let mut t = Thing { x: (w, 0), y: (usize::MAX, 0), cells: cells.len(), long: false };
    for &i in cells {
        t.x = (t.x.0.min(i % w), t.x.1.max(i % w));
        t.y = (t.y.0.min(i / w), t.y.1.max(i / w));
    }
    t.long = cells.len() as f64 <= NARROW_RADII * radius_cells * t.reach();
    t
}

#[cfg(test)]
mod tests {
    use super::*;

    const W: usize = 160;
    const H: usize = 120;

    /// A wall with grain and a light that slopes; `draw` changes the photo after.
    fn pair(grain: f32, draw: impl Fn(usize, usize, [f32; 3]) -> [f32; 3]) -> Reduced {
        let noise = |i: usize, k: u64| {
            let mut h = (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ k.wrapping_mul(0xd1b5_4a32_d192_ed03);
            h = (h ^ (h >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            ((h >> 33) % 1000) as f32 / 1000.0 - 0.5
        };
        let mut r = Reduced { factor: 3, origin: (0, 0), width: W, height: H, after: Vec::new(), before: Vec::new() };
        for i in 0..W * H {
            let wall = [0.6f32, 0.58, 0.5].map(|v| v * (1.0 + grain * noise(i, 1)));
            let light = 1.1 + 0.1 * (i % W) as f32 / W as f32;
            r.before.push(wall.map(|v| v * (1.0 + 0.01 * noise(i, 2))));
            r.after.push(draw(i % W, i / W, wall.map(|v| v * light)).map(|v| v * (1.0 + 0.01 * noise(i, 3))));
        }
        r
    }

    fn inside(x: usize, y: usize, bx: std::ops::Range<usize>, by: std::ops::Range<usize>) -> bool {
        bx.contains(&x) && by.contains(&y)
    }

    #[test]
    fn a_red_shirt_is_a_thing_and_marks_are_not() {
        let shirt = pair(0.0, |x, y, v| if inside(x, y, 60..110, 20..100) { [0.3, 0.06, 0.05] } else { v });
        let found = find_things(&shirt, 4.5, 5);
        assert_eq!(found.things.len(), 1);
        assert!(found.covered[60 * W + 80] && !found.covered[60 * W + 20]);
        // Five marks that touch each other, half as bright: no thing.
        let marks = pair(0.0, |x, y, v| if inside(x, y, 60..90, 50..62) { v.map(|v| 0.5 * v) } else { v });
        assert_eq!(find_things(&marks, 4.5, 5), Things::default());
    }

    #[test]
    fn a_shadow_keeps_colour_and_grain_and_a_grey_coat_does_not() {
        let shade = |v: [f32; 3]| [0.42 * v[0], 0.44 * v[1], 0.48 * v[2]];
        let shadow = pair(0.1, |x, y, v| if inside(x, y, 50..120, 20..100) { shade(v) } else { v });
        assert_eq!(find_things(&shadow, 4.5, 5), Things::default());
        let coat = pair(0.1, |x, y, v| if inside(x, y, 50..120, 20..100) { [0.26, 0.26, 0.25] } else { v });
        assert_eq!(find_things(&coat, 4.5, 5).things.len(), 1);
    }

    #[test]
    fn a_hose_is_long_and_nothing_is_nothing() {
        let hose = pair(0.0, |x, y, v| if inside(x, y, 5..150, 60..66) { [0.05, 0.2, 0.06] } else { v });
        let found = find_things(&hose, 4.5, 3);
        assert_eq!(found.things.len(), 1);
        assert!(found.things[0].long, "{:?}", found.things);
        assert_eq!(find_things(&pair(0.1, |_, _, v| v), 4.5, 5), Things::default());
        let dark = Reduced { factor: 1, origin: (0, 0), width: 0, height: 0, after: vec![], before: vec![] };
        assert_eq!(find_things(&dark, 4.5, 5), Things::default());
    }

    #[test]
    fn spreading_and_shrinking_are_squares() {
        let mut v = vec![false; 49];
        v[24] = true;
        let grown = spread(&v, 7, 7, 2);
        assert_eq!(grown.iter().filter(|b| **b).count(), 25);
        assert_eq!(shrink(&grown, 7, 7, 2), v);
    }
}
