//! How has the light changed where the sun draws edges on the wall?
//!
//! A shadow's edge wanders between two photos: the ratio after / before is then constant along the edge and jumps across it. [`line_light`] takes, for each
//! cell, the median along a line in the direction in which the ratio strays least: a line follows shadows of any width,
//! and passes over marks, which are short in every direction. Next to a jump the direction must be known to a degree or two. It is taken
//! from all lines of a neighbourhood together, since a mark leads a single one astray; how far the
//! ratio still scatters along the line is its uncertainty there.
//!
//! In the shade a mark is darker as the wall is: [`Shade`] says by how much.

use rayon::prelude::*;

use super::light::{Light, bits, median, middle};
use super::pair::Reduced;

/// Half length of a line in mark diameters: marks side by side must reach over more than half of it to be taken for light.
const LINE_DIAMETERS: f64 = 3.0;
/// Directions tried for the first light: a line strays from an edge by at most 7.5 deg, a cell and a half at its end's middle.
const DIRECTIONS: usize = 12;
/// Directions tried at an edge, 2.5 deg apart; between them a parabola tells the steadiest.
const FINE_DIRECTIONS: usize = 72;
/// Lines whose steadiness is taken together, mark diameters to either side: more than a mark reaches.
const TOGETHER_DIAMETERS: f64 = 1.5;
/// A line with fewer cells says nothing.
const LEAST_ON_LINE: usize = 8;
/// A jump of the light between neighbouring cells that counts as an edge, relative.
const JUMP: f32 = 0.06;
/// Cells to either side of a jump that belong to the edge: half shadow is that wide on a wall some metres from what casts it.
const EDGE_CELLS: usize = 4;
/// More of the photo than this share in edges is dappled light, which no line follows.
const MOST_EDGES: f64 = 0.25;
/// An edge along which the ratio scatters by more than this share runs in no line: it says nothing.
const MOST_SCATTER: f32 = 0.1;
/// Every second cell across and down is looked at first.
const THIN: usize = 2;
/// Share of the deviations along a line below which their scatter is read: a mark may take a third of the line without being noticed. For a
/// Gaussian it is 1.04 standard deviations.
const QUIET_SHARE: f64 = 0.7;

/// Mean deviation of values (as [`bits`]) from their median, relative: a line that crosses the strip between two places of an edge
/// differs from its median in that strip only, but there by much. `None` where they are too few.
fn unsteadiness(values: &mut [u32]) -> Option<f32> {
    if values.len() < LEAST_ON_LINE {
        return None;
    }
    let m = middle(values);
    let sum: f32 = values.iter().map(|v| (f32::from_bits(*v) - m).abs()).sum();
    Some(sum / (values.len() as f32 * m.max(1e-3)))
}

/// Median of values (as [`bits`]) and their scatter about it, relative. `None` where they are too few.
fn median_and_scatter(values: &mut [u32]) -> Option<(f32, f32)> {
    if values.len() < LEAST_ON_LINE {
        return None;
    }
    let m = middle(values);
    values.iter_mut().for_each(|v| *v = (f32::from_bits(*v) - m).abs().to_bits());
    let q = (values.len() as f64 * QUIET_SHARE) as usize;
    Some((m, f32::from_bits(*values.select_nth_unstable(q).1) / m.max(1e-3)))
}

/// Every [`THIN`]th cell of a grid across and down.
struct Thinned {
    width: usize,
    height: usize,
}

impl Thinned {
    fn of(r: &Reduced) -> Self {
        Self { width: r.width.div_ceil(THIN), height: r.height.div_ceil(THIN) }
    }

    fn place(&self, i: usize) -> (usize, usize) {
        (i % self.width, i / self.width)
    }

    /// The cells at most `reach` away.
    fn about(&self, i: usize, reach: usize) -> impl Iterator<Item = usize> {
        let (x, y) = self.place(i);
        let across = x.saturating_sub(reach)..(x + reach + 1).min(self.width);
        let width = self.width;
        (y.saturating_sub(reach)..(y + reach + 1).min(self.height))
            .flat_map(move |v| across.clone().map(move |u| v * width + u))
    }
}

/// after / before of a cell; NaN where there is no pair.
fn ratio_at(r: &Reduced, i: usize) -> [f32; 3] {
    std::array::from_fn(|c| (r.after[i][c] + 0.002) / (r.before[i][c] + 0.002))
}

/// Light with edges: for each cell the median along the line in which the ratio scatters least.
pub fn line_light(r: &Reduced, diameter_cells: f64) -> Light {
    let thin = Thinned::of(r);
    let first = first_light(r, &thin, diameter_cells);
    let reach = EDGE_CELLS.div_ceil(THIN);
    let at_edge: Vec<bool> = (0..first.len())
        .map(|i| {
            let range = |b: (f32, f32), j: usize| (b.0.min(first[j][1]), b.1.max(first[j][1]));
            let (lo, hi) = thin.about(i, reach).fold((f32::MAX, f32::MIN), range);
            hi > (1.0 + JUMP) * lo
        })
        .collect();
    let mut ratio = spread_out(r, &thin, &first);
    let edges = at_edge.iter().filter(|e| **e).count();
    let mut edge_u = vec![0.0f32; ratio.len()];
    if edges as f64 > MOST_EDGES * first.len() as f64 {
        let cell = |x: usize, y: usize| at_edge[y / THIN * thin.width + x / THIN];
        (0..edge_u.len()).filter(|i| cell(i % r.width, i / r.width)).for_each(|i| edge_u[i] = f32::INFINITY);
    } else if edges > 0 {
        follow(r, &thin, &at_edge, diameter_cells, &mut ratio, &mut edge_u);
    }
    let (lo, hi) = ratio.iter().fold((f32::MAX, f32::MIN), |m, t| (m.0.min(t[1]), m.1.max(t[1])));
    Light { ratio, step: f64::from((hi / lo.max(1e-6)).ln()), jump: 0.0, edge_u }
}

/// The ratio in every thinned cell, from lines of few directions.
fn first_light(r: &Reduced, thin: &Thinned, diameter_cells: f64) -> Vec<[f32; 3]> {
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
    let green: Vec<f32> = (0..r.before.len()).map(|i| ratio_at(r, i)[1]).collect();
    let along = |k: usize, x: i64, y: i64| {
        lines[k].iter().filter_map(move |&(dx, dy)| {
            let (u, v) = (x + dx, y + dy);
            (u >= 0 && v >= 0 && u < w && v < h).then_some((v * w + u) as usize)
        })
    };
    (0..thin.width * thin.height)
        .into_par_iter()
        .map_init(Vec::new, |values: &mut Vec<u32>, i| {
            let (u, v) = thin.place(i);
            let (u, v) = ((u * THIN) as i64, (v * THIN) as i64);
            let mut of = |k: usize| {
                values.clear();
                values.extend(along(k, u, v).map(|j| green[j]).filter(|v| v.is_finite()).map(bits));
                Some((unsteadiness(values)?, k))
            };
            let best = (0..DIRECTIONS).filter_map(&mut of).min_by(|a, b| a.0.total_cmp(&b.0));
            let Some((_, k)) = best else { return [1.0; 3] };
            std::array::from_fn(|c| {
                values.clear();
                values.extend(along(k, u, v).map(|j| ratio_at(r, j)[c]).filter(|v| v.is_finite()).map(bits));
                if values.is_empty() { 1.0 } else { middle(values) }
            })
        })
        .collect()
}

/// Values of thinned cells in all cells, on straight lines between them.
fn spread_out(r: &Reduced, thin: &Thinned, first: &[[f32; 3]]) -> Vec<[f32; 3]> {
    let among = |v: usize, most: usize| {
        let (a, f) = (v / THIN, (v % THIN) as f32 / THIN as f32);
        (a, (a + 1).min(most - 1), f)
    };
    (0..r.width * r.height)
        .map(|i| {
            let (x0, x1, fx) = among(i % r.width, thin.width);
            let (y0, y1, fy) = among(i / r.width, thin.height);
            let at = |x: usize, y: usize| first[y * thin.width + x];
            let (a, b, c, d) = (at(x0, y0), at(x1, y0), at(x0, y1), at(x1, y1));
            std::array::from_fn(|k| (a[k] * (1.0 - fx) + b[k] * fx) * (1.0 - fy) + (c[k] * (1.0 - fx) + d[k] * fx) * fy)
        })
        .collect()
}

/// The ratio between four cells' middles; `None` outside and where one of them is not there.
fn between(r: &Reduced, x: f64, y: f64) -> Option<[f32; 3]> {
    let (x0, y0) = (x.floor(), y.floor());
    if !(x0 >= 0.0 && y0 >= 0.0 && x0 + 1.0 < r.width as f64 && y0 + 1.0 < r.height as f64) {
        return None;
    }
    let (fx, fy) = ((x - x0) as f32, (y - y0) as f32);
    let i = y0 as usize * r.width + x0 as usize;
    let corners = [i, i + 1, i + r.width, i + r.width + 1].map(|j| ratio_at(r, j));
    let weights = [(1.0 - fx) * (1.0 - fy), fx * (1.0 - fy), (1.0 - fx) * fy, fx * fy];
    let out: [f32; 3] = std::array::from_fn(|c| corners.iter().zip(weights).map(|(v, w)| w * v[c]).sum());
    out.iter().all(|v| v.is_finite()).then_some(out)
}

/// The ratio along a line through a cell, cell by cell.
fn along(r: &Reduced, (x, y): (f64, f64), angle: f64, half: i64) -> impl Iterator<Item = [f32; 3]> {
    let (s, c) = angle.sin_cos();
    (-half..=half).filter_map(move |t| between(r, x + t as f64 * c, y + t as f64 * s))
}

/// Follows the edges: writes the ratio and its u into every cell of theirs.
fn follow(
    r: &Reduced,
    thin: &Thinned,
    at_edge: &[bool],
    diameter_cells: f64,
    ratio: &mut [[f32; 3]],
    edge_u: &mut [f32],
) {
    let half = (LINE_DIAMETERS * diameter_cells).ceil() as i64;
    let angle_of = |k: f64| k * std::f64::consts::PI / FINE_DIRECTIONS as f64;
    // How steady the ratio is in each direction.
    let scatter: Vec<Option<Vec<f32>>> = (0..at_edge.len())
        .into_par_iter()
        .map_init(Vec::new, |values: &mut Vec<u32>, i| {
            let (x, y) = thin.place(i);
            let at = ((x * THIN) as f64, (y * THIN) as f64);
            at_edge[i].then(|| {
                let mut of = |k: usize| {
                    values.clear();
                    values.extend(along(r, at, angle_of(k as f64), half).map(|v| bits(v[1])));
                    unsteadiness(values).unwrap_or(f32::NAN)
                };
                (0..FINE_DIRECTIONS).map(&mut of).collect()
            })
        })
        .collect();
    let reach = (TOGETHER_DIAMETERS * diameter_cells / THIN as f64).ceil() as usize;
    let angles: Vec<f64> = (0..at_edge.len())
        .into_par_iter()
        .map(|i| {
            if !at_edge[i] {
                return f64::NAN;
            }
            let (mut sums, mut counts) = ([0.0f32; FINE_DIRECTIONS], [0.0f32; FINE_DIRECTIONS]);
            for s in thin.about(i, reach).filter_map(|j| scatter[j].as_ref()) {
                for ((sum, count), v) in sums.iter_mut().zip(&mut counts).zip(s).filter(|(_, v)| v.is_finite()) {
                    (*sum, *count) = (*sum + v, *count + 1.0);
                }
            }
            let mean = |k: usize| {
                let k = k % FINE_DIRECTIONS;
                if counts[k] > 0.0 { sums[k] / counts[k] } else { f32::MAX }
            };
            let best = (0..FINE_DIRECTIONS).min_by(|a, b| mean(*a).total_cmp(&mean(*b))).unwrap_or_default();
            let [a, b, c] = [best + FINE_DIRECTIONS - 1, best, best + 1].map(|k| f64::from(mean(k)));
            let bend = a - 2.0 * b + c;
            let shift = if bend > 0.0 && bend.is_finite() { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
            angle_of(best as f64 + shift)
        })
        .collect();
    let width = r.width;
    ratio.par_iter_mut().zip(edge_u).enumerate().for_each_init(
        Default::default,
        |values: &mut [Vec<u32>; 3], (i, (ratio, u))| {
            let (x, y) = (i % width, i / width);
            let angle = angles[y / THIN * thin.width + x / THIN];
            if angle.is_nan() {
                return;
            }
            values.iter_mut().for_each(Vec::clear);
            for v in along(r, (x as f64, y as f64), angle, half) {
                values.iter_mut().zip(v).for_each(|(list, v)| list.push(bits(v)));
            }
            let [red, green, blue] = values;
            let Some((m, scatter)) = median_and_scatter(green) else {
                *u = f32::INFINITY;
                return;
            };
            *ratio = [middle(red), m, middle(blue)];
            *u = if scatter > MOST_SCATTER { f32::INFINITY } else { scatter };
        },
    );
}

/// Cells whose median tells the light on the wall, mark diameters to either side: marks cover less than half of them, and a straight edge
/// leaves the median of what lies about it as it is.
const SHADE_DIAMETERS: f64 = 1.5;
/// Such cells looked at, across and down.
const SHADE_CELLS: usize = 9;
/// The wall is fully lit where this share of its cells is darker.
const FULLY_LIT: f64 = 0.95;

/// How much of the full light falls on each part of a photo.
pub struct Shade {
    first: (usize, usize),
    step: usize,
    width: usize,
    height: usize,
    share: Vec<[f32; 3]>,
}

/// Linear RGB of the fully lit wall, from values of its cells.
pub fn fully_lit(cells: impl Iterator<Item = [f32; 3]> + Clone) -> [f32; 3] {
    std::array::from_fn(|c| {
        let mut v: Vec<u32> = cells.clone().map(|p| p[c]).filter(|v| v.is_finite()).map(bits).collect();
        if v.is_empty() {
            return 1.0;
        }
        let k = (v.len() as f64 * FULLY_LIT) as usize;
        f32::from_bits(*v.select_nth_unstable(k).1).max(1e-3)
    })
}

impl Shade {
    /// Over the cells `x` and `y` (first and last) of a photo that is `expected` there (linear RGB a cell, NaN where unknown), of which `lit` is the fully lit wall.
    pub fn over(
        expected: impl Fn(usize, usize) -> [f32; 3],
        (x, y): ((usize, usize), (usize, usize)),
        size: (usize, usize),
        diameter_cells: f64,
        lit: [f32; 3],
    ) -> Self {
        let reach = SHADE_DIAMETERS * diameter_cells;
        let step = (0.5 * reach / SHADE_CELLS as f64).ceil() as usize;
        let (width, height) = ((x.1 - x.0) / step + 2, (y.1 - y.0) / step + 2);
        let about = |v: usize, most: usize| -> Vec<usize> {
            let at = |k: usize| v as f64 + reach * (2.0 * k as f64 / (SHADE_CELLS - 1) as f64 - 1.0);
            (0..SHADE_CELLS).map(at).filter(|v| *v >= 0.0 && *v < most as f64).map(|v| v as usize).collect()
        };
        let share = (0..width * height)
            .map(|i| {
                let (u, v) = (x.0 + i % width * step, y.0 + i / width * step);
                let (across, down) = (about(u, size.0), about(v, size.1));
                let values: Vec<[f32; 3]> = down
                    .iter()
                    .flat_map(|v| across.iter().map(|u| expected(*u, *v)))
                    .filter(|p| p.iter().all(|v| v.is_finite()))
                    .collect();
                std::array::from_fn(|c| {
                    let mut list: Vec<f32> = values.iter().map(|p| p[c]).collect();
                    if list.is_empty() { 1.0 } else { median(&mut list) / lit[c] }
                })
            })
            .collect();
        Self { first: (x.0, y.0), step, width, height, share }
    }

    /// The share of the full light at a place, cells.
    pub fn at(&self, x: f64, y: f64) -> [f32; 3] {
        let among = |v: f64, first: usize, most: usize| {
            let f = ((v - first as f64) / self.step as f64).clamp(0.0, (most - 1) as f64);
            (f as usize, (f as usize + 1).min(most - 1), (f - f.floor()) as f32)
        };
        let (x0, x1, fx) = among(x, self.first.0, self.width);
        let (y0, y1, fy) = among(y, self.first.1, self.height);
        let at = |x: usize, y: usize| self.share[y * self.width + x];
        let (a, b, c, d) = (at(x0, y0), at(x1, y0), at(x0, y1), at(x1, y1));
        std::array::from_fn(|k| (a[k] * (1.0 - fx) + b[k] * fx) * (1.0 - fy) + (c[k] * (1.0 - fx) + d[k] * fx) * fy)
    }
}
