//! Where has the wall changed by more than noise?
//!
//! r = after / (light x before) - 1 is taken in three colour directions: grey, red against green, blue
//! against green. Each is smoothed with a disc of mark size and divided by its own scatter, which is
//! measured *after* the smoothing (JPEG and resampling make noise hang together) as a
//! function of brightness and of the photo's gradient (where two photos can be misaligned). A place is
//! a candidate where that significance exceeds the threshold that lets the expected number of false
//! places a photo be [`FALSE_PER_PHOTO`] (a-contrario reasoning: Desolneux, Moisan and Morel, *IJCV* 40, 7, 2000).

use std::borrow::Cow;
use std::ops::Range;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

use super::blocks::Reduced;
use super::edges::line_light;
use super::light::{Light, median, tile_light};
use super::shade::{brightest, fully_lit};
use super::smooth::{Neighbourhood, even_means, means};
use crate::vectors::widest;

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
/// The same where two neighbouring tiles differ by this log ratio: lamps and clouds stay below half of it, an edge of the sun is above twice.
const JUMP: f64 = 0.2;
/// Where tiles differ by less than half of that, an edge shows by what it uncovered as it wandered, and goes on for this many mark diameters: a sun's edge over a wall for 85.
const LONG: f64 = 15.0;
/// Where nothing does, and this many times what all shots can mark changed, nearly all of it in places as large as marks, it is the marks' own dust: another renderer's, on dark
/// rubber, changed 11 to 17 times as much, in places up to 10 diameters long. Joints that do not quite lie on each other change as much, but in small pieces.
const DUST: f64 = 8.0;
/// On that rubber 0.93 to 0.96 of it is in such places, beside far wider dust than marks 0.76 to 0.93.
const MOSTLY: f64 = 0.8;
/// Whatever its amount, where nearly all of it is in places as large as marks and nothing shows an edge, it is marks: large ones that throw dust about themselves (another
/// renderer's, 46 mm across on rubber and on a blackboard, changed 1.9 to 2.4 times as much as was expected, and were lost), of which nothing is in small pieces.
const NEARLY_ALL: f64 = 0.97;
/// Brightness classes of the noise; cells on paper and cells at an edge of the light are classes of their own.
const CLASSES: usize = 8;
const PAPER: u8 = CLASSES as u8;
const AT_EDGE: u8 = PAPER + 1;
const KINDS: usize = CLASSES + 2;

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

/// Significance of each cell, and its smoothed change in the three directions.
type Maps = (Vec<f32>, [Vec<f32>; 3]);

/// What [`detect`] gives.
pub struct Detection {
    /// Places that changed, strongest first.
    pub regions: Vec<Region>,
    /// Light ratio after / before in each cell and channel.
    pub light: Vec<[f32; 3]>,
    /// u of the light ratio, relative: 0 where the light has no edge, infinite where an edge cannot be followed; empty when it has none.
    pub light_u: Vec<f32>,
    /// Linear RGB of the fully lit wall in the photo after; `None` when the light has no edges.
    pub lit: Option<[f32; 3]>,
    /// Largest of the three significances in each cell, NaN where there is no pair.
    pub significance: Vec<f32>,
    /// Significance above which a cell counts.
    pub threshold: f64,
    /// How much the light changed: largest less smallest log ratio between tiles.
    pub light_step: f64,
    /// Radius of the smoothing disc, cells.
    pub radius_cells: f64,
}

/// Edges are followed when no more than this share of their cells says nothing: the rim of the photo, a crossing.
const MOST_LOST: f64 = 0.1;

impl Detection {
    /// Whether the light has edges, and they were followed all along.
    pub fn edges_followed(&self) -> bool {
        let edge = self.light_u.iter().filter(|u| **u > 0.0).count();
        let lost = self.light_u.iter().filter(|u| u.is_infinite()).count();
        edge > 0 && lost as f64 <= MOST_LOST * edge as f64
    }
}

/// Light below which changes are not taken relative to it: a floor of 0.2 % of full light keeps black from dividing by
/// nothing; on paper 10 %, since the noise of printed black is no mark.
const FLOOR: f32 = 0.002;
const PAPER_FLOOR: f32 = 0.1;
/// Cells around one whose brightness it is held against.
const NEIGHBOURS: usize = 2;

/// The three directions of change of one cell.
#[inline(always)]
fn directions(a: [f32; 3], p: [f32; 3], floor: f32) -> [f32; 3] {
    let r: [f32; 3] = std::array::from_fn(|c| (a[c] + floor) / (p[c] + floor) - 1.0);
    [0.3 * r[0] + 0.59 * r[1] + 0.11 * r[2], r[0] - r[1], r[2] - r[1]]
}

/// Scatter of a smoothed map as a function of brightness class and gradient: sqrt(v0[class] + g^2 G^2).
struct Scatter {
    v0: [f32; KINDS],
    g2: f32,
}

impl Scatter {
    /// From the cells in `sample`.
    fn measure(map: &[f32], class: &[u8], gradient2: &[f32], sample: &Sample, marked: f64, colour: bool) -> Self {
        // JPEG's chroma is zero almost everywhere and jumps elsewhere, so that the median alone sees no noise at
        // all: the largest scale of three quantiles is taken. The last lies below what marks may cover (`marked`, a share), twice
        // over: before anything is masked, many large marks would else pass for noise and hide themselves.
        let robust_var = |v: &mut Vec<u32>, marked: f64| {
            let last = (1.0 - 2.0 * marked).clamp(0.9, 0.99);
            let last = (last, Normal::standard().inverse_cdf(0.5 + 0.5 * last) as f32);
            // What jumps seldom shows only far out. Faint marks are no matter there: they are seen in grey.
            let far = if colour { (0.999, 3.2905) } else { last };
            let n = v.len();
            // No quantile lies below the one before: only what is above that is looked through.
            let (mut rest, mut first, mut value, mut largest) = (v.as_mut_slice(), 0, 0.0f32, 0.0f32);
            for (q, z) in [(0.5, 0.6745f32), (0.9, 1.645), last, far] {
                let k = ((n as f64 * q) as usize).min(n - 1);
                if k >= first {
                    let (_, at, above) = rest.select_nth_unstable(k - first);
                    value = f32::from_bits(*at);
                    (rest, first) = (above, k + 1);
                }
                largest = largest.max((value / z).powi(2));
            }
            largest
        };
        // Sizes as bits, which order as they do.
        let mut quiet: [Vec<u32>; KINDS] = Default::default();
        for &i in &sample.cells {
            if gradient2[i] <= sample.middle_gradient2 {
                quiet[usize::from(class[i]).min(KINDS - 1)].push(map[i].abs().to_bits());
            }
        }
        // All marks may lie at an edge, which has far fewer cells.
        let share = |kind: usize, n: usize| {
            let of_all = sample.cells.len() as f64 / n as f64;
            if kind == usize::from(AT_EDGE) { (marked * of_all).min(0.5) } else { marked }
        };
        let mut v0: [f32; KINDS] = std::array::from_fn(|kind| {
            let q = &mut quiet[kind];
            let n = q.len();
            if n >= sample.of(200) { robust_var(q, share(kind, n)) } else { f32::NAN }
        });
        let known: Vec<f32> = v0.iter().copied().filter(|v| v.is_finite()).collect();
        let largest = known.iter().copied().fold(1e-8, f32::max);
        v0.iter_mut().for_each(|v| *v = if v.is_finite() { v.max(1e-8) } else { largest });
        // The edges' share: from the cells with the strongest gradients, what the quiet ones do not explain.
        let mut ratio: Vec<f32> = sample
            .cells
            .iter()
            .filter(|&&i| gradient2[i] >= sample.strong_gradient2 && gradient2[i] > 0.0)
            .map(|&i| (map[i] * map[i] - v0[usize::from(class[i]).min(KINDS - 1)]).max(0.0) / gradient2[i])
            .collect();
        // The median of a squared Gaussian is 0.455 of its mean.
        let g2 = if ratio.len() < sample.of(100) { 0.0 } else { median(&mut ratio) / 0.455 };
        Self { v0, g2 }
    }

    #[inline(always)]
    fn variance(&self, class: u8, gradient2: f32) -> f32 {
        self.v0[usize::from(class).min(KINDS - 1)] + self.g2 * gradient2
    }
}

/// Cells from which the noise is learned: smoothed maps hang together over more than two cells, so that every second across and down
/// of a large photo says what all do.
struct Sample {
    cells: Vec<usize>,
    step: usize,
    middle_gradient2: f32,
    strong_gradient2: f32,
}

/// More cells than this are sampled.
const SAMPLED: usize = 100_000;

impl Sample {
    fn new(usable: impl Fn(usize) -> bool, (width, height): (usize, usize), gradient2: &[f32]) -> Self {
        let step = if width * height > SAMPLED { 2 } else { 1 };
        let row = |y: usize| (y * width..(y + 1) * width).step_by(step);
        let cells: Vec<usize> = (0..height).step_by(step).flat_map(row).filter(|&i| usable(i)).collect();
        let mut g: Vec<f32> = cells.iter().map(|&i| gradient2[i]).collect();
        let middle_gradient2 = median(&mut g);
        // What is above the median stands behind it.
        let upper = &mut g[cells.len() / 2..];
        let at =
            ((cells.len() as f64 * 0.98) as usize).saturating_sub(cells.len() / 2).min(upper.len().saturating_sub(1));
        let strong_gradient2 =
            if upper.is_empty() { f32::MAX } else { *upper.select_nth_unstable_by(at, f32::total_cmp).1 };
        Self { cells, step, middle_gradient2, strong_gradient2 }
    }

    /// How many of `n` neighbouring cells are among the sample.
    fn of(&self, n: usize) -> usize {
        n / (self.step * self.step)
    }
}

/// Cells whose significance is computed together.
const TOGETHER: usize = 4096;

/// Significance of each cell: the largest of its maps'.
fn significances(maps: &[Vec<f32>; 3], scatter: &[Scatter; 3], class: &[u8], gradient2: &[f32]) -> Vec<f32> {
    let mut out = vec![0.0f32; class.len()];
    out.par_chunks_mut(TOGETHER).enumerate().for_each(|(k, out)| {
        let cells = k * TOGETHER..k * TOGETHER + out.len();
        let (class, gradient2) = (&class[cells.clone()], &gradient2[cells.clone()]);
        widest(
            #[inline(always)]
            || {
                for (k, (map, scatter)) in maps.iter().zip(scatter).enumerate() {
                    let tail = if k > 0 { COLOUR_TAIL } else { GREY_TAIL };
                    let about = class.iter().zip(gradient2);
                    for ((out, v), (class, g2)) in out.iter_mut().zip(&map[cells.clone()]).zip(about) {
                        let square = v * v / (scatter.variance(*class, *g2) * tail * tail);
                        // NaN where there is no pair, in all three alike.
                        *out = if k == 0 || square > *out { square } else { *out };
                    }
                }
                out.iter_mut().for_each(|v| *v = v.sqrt());
            },
        );
    });
    out
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
    let mut class = vec![0u8; n];
    widest(
        #[inline(always)]
        || {
            let bright = |p: &[f32; 3]| (p[1].clamp(0.0, 0.999).sqrt() * CLASSES as f32) as i32 as u8;
            class.iter_mut().zip(&r.before).for_each(|(c, p)| *c = bright(p));
        },
    );
    (0..paper.len().min(n)).filter(|&i| paper[i]).for_each(|i| class[i] = PAPER);
    let disc = Neighbourhood::disc(radius);
    let gradient = gradient_squared(r, &disc, &held);
    let mut mask = vec![false; n];
    let mut light = Light::default();
    let mut out: Option<Maps> = None;
    let mut shaded = false;
    let expected = (shots.max(1) + 1) as f64 * std::f64::consts::PI * (0.5 * diameter_cells + radius).powi(2);
    // Twice: what changed is kept out of light and noise the second time. A third and fourth time where the light has edges.
    for round in 0..4 {
        if round == 2 {
            let changed = (0..n).filter(|&i| mask[i] && !on_paper(i)).count() as f64;
            if changed <= EDGES * expected && light.jump < JUMP {
                break;
            }
            let (longest, large) = places(&out, r, threshold, (diameter_cells, &on_paper));
            shaded = light.jump > 0.5 * JUMP || longest > LONG * diameter_cells;
            if !shaded && (large > NEARLY_ALL || (changed > DUST * expected && large > MOSTLY)) {
                break;
            }
        }
        // A round's maps are as large as a photo: the last one's go before the next are made.
        drop(out.take());
        if round < 2 {
            light = tile_light(r, diameter_cells, &mask);
        } else if round == 2 {
            light = line_light(r, diameter_cells, &mask);
            mask = vec![false; n];
            let at_edge = class.iter_mut().zip(&light.edge_u).filter(|(class, u)| **u > 0.0 && **class != PAPER);
            at_edge.for_each(|(class, _)| *class = AT_EDGE);
        }
        let mut weight = Cow::Borrowed(&held);
        if !light.edge_u.is_empty() {
            let nothing = weight.to_mut().iter_mut().zip(&light.edge_u).filter(|(_, u)| u.is_infinite());
            nothing.for_each(|(w, _)| *w = f32::NAN);
        }
        let maps: [Vec<f32>; 3] = even_means(
            #[inline(always)]
            |cells: Range<usize>, [grey, red, blue]: [&mut [f32]; 3]| {
                let pairs = r.after[cells.clone()].iter().zip(&r.before[cells.clone()]);
                let under = light.ratio[cells.clone()].iter().zip(&class[cells.clone()]).zip(&weight[cells]);
                let to = grey.iter_mut().zip(red).zip(blue);
                for (((a, b), ((light, class), weight)), ((grey, red), blue)) in pairs.zip(under).zip(to) {
                    let p = [b[0] * light[0], b[1] * light[1], b[2] * light[2]];
                    let floor = if *class == PAPER { PAPER_FLOOR } else { FLOOR };
                    [*grey, *red, *blue] = directions(*a, p, floor).map(|v| v * weight);
                }
            },
            (r.width, r.height),
            &disc,
            disc.cells().div_ceil(2),
        );
        let sample = Sample::new(|i| !maps[0][i].is_nan() && !mask[i], (r.width, r.height), &gradient);
        let marked = expected / n.max(1) as f64;
        let scatter: [Scatter; 3] =
            std::array::from_fn(|k| Scatter::measure(&maps[k], &class, &gradient, &sample, marked, k > 0 && round > 0));
        let significance = significances(&maps, &scatter, &class, &gradient);
        mask = grow(&significance, r.width, r.height, threshold as f32, radius.ceil() as usize + 1);
        out = Some((significance, maps));
    }
    let (significance, maps) = out.unwrap_or_default();
    let Light { ratio: light, step: light_step, edge_u: light_u, .. } = light;
    let lit = (!light_u.is_empty()).then(|| {
        let expected = |i: usize| std::array::from_fn(|c| r.before[i][c] * light[i][c]);
        if shaded {
            let wall = |i: usize| if class[i] == PAPER { [f32::NAN; 3] } else { expected(i) };
            return fully_lit(|x, y| wall(y * r.width + x), (r.width, r.height), diameter_cells);
        }
        // No shadow was seen, and nothing tells shade from dark brick. Single cells, a wall's brightest material, make the marks' colour lighter in such photos:
        // chalk on raked brick came out better with it (2 or 3 of 320 false instead of 6 to 13, 1.4 mm RMS instead of 2.0 to 2.4); why is not understood.
        brightest(&(0..n).step_by(7).filter(|i| class[*i] != PAPER).map(expected).collect::<Vec<_>>())
    });
    let regions = regions(&significance, &maps, r.width, r.height, threshold);
    Detection { regions, light, light_u, lit, significance, threshold, light_step, radius_cells: radius }
}

/// How bright a cell is against the brightest of its neighbours, 0..1. At the rim of a bright board before a dark
/// room the smallest misalignment is a large share of the dark side's light; it is a small share of the bright side's.
fn against_neighbours(r: &Reduced) -> Vec<f32> {
    let (w, h) = (r.width, r.height);
    // The largest of each cell and its neighbours, along a row and then of rows; edges repeat themselves.
    let green: Vec<f32> = r.before.iter().map(|p| if p[1].is_nan() { 0.0 } else { p[1] }).collect();
    #[inline(always)]
    fn larger(to: &mut [f32], than: &[f32]) {
        to.iter_mut().zip(than).for_each(|(t, v)| *t = if *v > *t { *v } else { *t });
    }
    let mut across = green.clone();
    across.par_chunks_mut(w.max(1)).zip(green.par_chunks(w.max(1))).for_each(|(out, row)| {
        widest(
            #[inline(always)]
            || {
                for k in 1..=NEIGHBOURS.min(w.saturating_sub(1)) {
                    larger(&mut out[..w - k], &row[k..]);
                    larger(&mut out[k..], &row[..w - k]);
                }
            },
        );
    });
    let mut out = green;
    out.par_chunks_mut(w.max(1)).enumerate().for_each(|(y, out)| {
        let mut most = across[y * w..(y + 1) * w].to_vec();
        widest(
            #[inline(always)]
            || {
                for yy in y.saturating_sub(NEIGHBOURS)..(y + NEIGHBOURS + 1).min(h) {
                    larger(&mut most, &across[yy * w..(yy + 1) * w]);
                }
                out.iter_mut().zip(&most).for_each(|(o, m)| *o = (*o + FLOOR) / (m + FLOOR));
            },
        );
    });
    out
}

/// Squared relative gradient of the photo before, smoothed like the maps: (|grad P| / P)^2 a cell.
fn gradient_squared(r: &Reduced, disc: &Neighbourhood, held: &[f32]) -> Vec<f32> {
    let (w, h) = (r.width, r.height);
    let green: Vec<f32> = r.before.iter().map(|p| p[1]).collect();
    #[inline(always)]
    fn squared(dx: f32, dy: f32, p: f32, held: f32) -> f32 {
        let p = (p + FLOOR) / held.max(1e-3);
        0.25 * (dx * dx + dy * dy) / (p * p)
    }
    let [mut mean] = means(
        #[inline(always)]
        |cells: Range<usize>, [out]: [&mut [f32]; 1]| {
            // Rows and columns repeat themselves at the rim.
            let y = cells.start / w.max(1);
            let row = |y: usize| &green[y * w..(y + 1) * w];
            let (up, own, down) = (row(y.saturating_sub(1)), row(y), row((y + 1).min(h - 1)));
            let held = &held[cells];
            for x in [0, w - 1] {
                let dx = own[(x + 1).min(w - 1)] - own[x.saturating_sub(1)];
                out[x] = squared(dx, down[x] - up[x], own[x], held[x]);
            }
            let inner = w.saturating_sub(2);
            let (left, right, own) = (&own[..inner], &own[w - inner..], &own[w.min(1)..]);
            let about = up[1..].iter().zip(&down[1..]).zip(left.iter().zip(right));
            let cells = own.iter().zip(&held[1..]).zip(about);
            for (out, ((own, held), ((up, down), (left, right)))) in out[1..].iter_mut().zip(cells) {
                *out = squared(right - left, down - up, *own, *held);
            }
        },
        (w, h),
        disc,
        disc.cells().div_ceil(2),
    );
    mean.iter_mut().filter(|v| v.is_nan()).for_each(|v| *v = 0.0);
    mean
}

/// Length of the longest place that changed, cells, and the share of what changed that is in places as large as a mark; on paper print changes where a sheet moves.
fn places(
    maps: &Option<Maps>,
    r: &Reduced,
    threshold: f64,
    (diameter_cells, on_paper): (f64, &dyn Fn(usize) -> bool),
) -> (f64, f64) {
    let Some((significance, maps)) = maps else { return (0.0, 0.0) };
    let mut all = regions(significance, maps, r.width, r.height, threshold);
    all.retain(|g| !on_paper(g.peak.1 * r.width + g.peak.0));
    let large = std::f64::consts::FRAC_PI_4 * diameter_cells * diameter_cells;
    let longest = all.iter().map(|g| (g.x.1 - g.x.0).max(g.y.1 - g.y.0)).max().unwrap_or(0);
    let cells = |least: f64| all.iter().map(|g| g.cells as f64).filter(|n| *n >= least).sum::<f64>();
    (longest as f64, cells(large) / cells(0.0).max(1.0))
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

fn regions(s: &[f32], maps: &[Vec<f32>; 3], w: usize, h: usize, threshold: f64) -> Vec<Region> {
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
