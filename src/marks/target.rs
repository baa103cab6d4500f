//! How well do K marks explain a patch, and where are their centres?
//!
//! Centres, radii, strengths, waves and tilt ([`FittedMark`]) are adjusted by Levenberg-Marquardt against the patch's opacity; what
//! single marks of the session do differently enters as priors ([`MarkShape`]). A pixel's variance is that of the photo's noise, of
//! which `noise_grain_px` pixels make one independent observation, (texture x level)^2, of which `grain_px` do, and (ragged x slope)^2, of which
//! `ragged_px` do: a rim that is torn where it is steep says less of a centre, and of a second mark, than its grey values promise. The
//! evidence for K marks is Laplace's approximation (D. MacKay, *Information Theory, Inference, and Learning Algorithms*, ch. 27-28).
//!
//! Pixels lie in tiles: a mark is computed only in those that it reaches, and a tile that no mark reaches costs nothing.

use std::sync::OnceLock;

use nalgebra::{DMatrix, DVector};

use super::fit::{Fit, FittedMark, MODES, UNKNOWNS, opacity_and_parts_at};
use super::lanes::{LANES, Lanes, Mark, Profile, Row, Work, derivatives, lay, left, pair_index, residuals, total};
use super::patch::Patch;
use super::shape::MarkShape;
use crate::vectors::widest;

/// Added to -2 ln evidence when a mark is not held by pixels of its own: more than any count prior gives.
const NOT_HELD: f64 = 1e3;

/// Two standard deviations hold all but one mark in twenty.
pub(super) const USUAL_SD: f64 = 2.0;

/// Points a side of a cell of the proposals' grid over which the profile is averaged.
const SUB: usize = 3;

/// Pixels with this share of a mark's strength are part of it.
const PART_OF_MARK: f64 = 0.1;
/// A fit uses up most of the observations at most to this share: below it the ratio says nothing.
const LEAST_LEFT: f64 = 0.25;

/// Side of a tile, patch pixels: a mark reaches some twenty to each side, and a tile's panel of derivatives stays in the fastest cache.
const TILE_PX: usize = 8;

/// A usable pixel.
#[derive(Clone, Copy)]
struct Pixel {
    w_mm: [f64; 2],
    opacity: f64,
    weight: f64,
    /// Independent observations that it stands for: 1 over the pixels that scatter together.
    observations: f64,
}

/// Pixels near each other.
struct Tile {
    pixels: std::ops::Range<usize>,
    /// What they span, mm: least and most of x and of y.
    x_mm: (f64, f64),
    y_mm: (f64, f64),
    /// Their misfit without any mark.
    nothing: f64,
}

impl Tile {
    fn reached_by(&self, m: &FittedMark, reach_mm: f64) -> bool {
        let dx = (self.x_mm.0 - m.x_mm).max(m.x_mm - self.x_mm.1).max(0.0);
        let dy = (self.y_mm.0 - m.y_mm).max(m.y_mm - self.y_mm.1).max(0.0);
        dx * dx + dy * dy <= reach_mm * reach_mm
    }
}

/// A patch ready to be fitted: its usable pixels and their weights.
pub struct Target<'a> {
    pub(super) shape: &'a MarkShape,
    pixels: Vec<Pixel>,
    tiles: Vec<Tile>,
    area_mm2: f64,
    step_mm: f64,
    /// The tiles' pixels side by side, places from `origin_mm` on.
    lanes: Vec<Lanes>,
    origin_mm: [f64; 2],
    profile: Profile,
    /// Where pixels are, across and up.
    pub(super) within_mm: [(f64, f64); 2],
    /// One over the pixels that each one stands for.
    most: f64,
    /// What [`Target::proposals`] lays over each place.
    kernel: OnceLock<[Vec<f32>; 2]>,
}

/// Misfit, and what it changes by: its gradient, and the matrix where it was asked for.
pub(super) type Slopes = (f64, DVector<f64>, Option<DMatrix<f64>>);

/// All of these marks.
pub(super) fn every(marks: &[FittedMark]) -> Vec<usize> {
    (0..marks.len()).collect()
}

impl<'a> Target<'a> {
    /// Prepares a patch. `area_mm2` is the area over which a further mark might lie: the prior of a centre.
    pub fn new(patch: &Patch, shape: &'a MarkShape, area_mm2: f64) -> Self {
        Self::every(1, patch, shape, area_mm2, None)
    }

    /// The same with each pixel's texture as `marks` have it there ([`opacity_and_parts_at`]) and not as its opacity has; what they do not
    /// explain counts as one more mark.
    pub fn about(patch: &Patch, shape: &'a MarkShape, area_mm2: f64, marks: &[FittedMark]) -> Self {
        Self::every(1, patch, shape, area_mm2, Some(marks))
    }

    /// [`Target::about`] with every second pixel across and down.
    pub fn thinned_about(patch: &Patch, shape: &'a MarkShape, area_mm2: f64, marks: &[FittedMark]) -> Self {
        Self::every(2, patch, shape, area_mm2, Some(marks))
    }

    /// The same with every second pixel across and down, each counting for four: for trials, a quarter of the cost.
    /// Texture hangs together over more than two pixels, so that little is lost.
    pub fn thinned(patch: &Patch, shape: &'a MarkShape, area_mm2: f64) -> Self {
        Self::every(2, patch, shape, area_mm2, None)
    }

    fn every(step: usize, patch: &Patch, shape: &'a MarkShape, area_mm2: f64, about: Option<&[FittedMark]>) -> Self {
        // Squared texture and its grain at a pixel.
        let texture = |i: usize| match about {
            None => ((shape.texture * patch.level[i]).powi(2), shape.grain_px),
            Some(marks) => {
                let (laid, parts) = opacity_and_parts_at(marks, shape, patch.wall_mm[i]);
                let left = (patch.level[i] - laid).max(0.0);
                (shape.own_texture.powi(2) * (parts + left * left), shape.own_grain_px)
            }
        };
        let side = TILE_PX * step;
        let (pixels, tiles, lanes) = (Vec::new(), Vec::new(), Vec::new());
        let (step_mm, profile) = (patch.mm_per_px, Profile::new(shape));
        let (origin_mm, within_mm) = ([0.0; 2], [(f64::MIN, f64::MAX); 2]);
        let most = 1.0 / (step * step) as f64;
        let kernel = OnceLock::new();
        let mut out =
            Self { shape, pixels, tiles, area_mm2, step_mm, lanes, origin_mm, profile, within_mm, most, kernel };
        for y0 in (0..patch.height).step_by(side) {
            for x0 in (0..patch.width).step_by(side) {
                let first = out.pixels.len();
                let (mut x_mm, mut y_mm) = ((f64::MAX, f64::MIN), (f64::MAX, f64::MIN));
                let mut nothing = 0.0;
                for y in (y0..(y0 + side).min(patch.height)).step_by(step) {
                    for i in (x0..(x0 + side).min(patch.width)).step_by(step).map(|x| y * patch.width + x) {
                        if !patch.sigma[i].is_finite() {
                            continue;
                        }
                        let (texture2, grain_px) = texture(i);
                        let noise2 = patch.sigma[i].powi(2);
                        let ragged2 = match shape.ragged_mm {
                            0.0 => 0.0,
                            ragged_mm => (ragged_mm * patch.slope_per_mm(i)).powi(2),
                        };
                        let variance = patch.noise_grain_px * noise2 + grain_px * texture2 + shape.ragged_px * ragged2;
                        let w_mm = patch.wall_mm[i];
                        let p = Pixel {
                            w_mm,
                            opacity: patch.opacity[i],
                            weight: 1.0 / (variance * most),
                            observations: (noise2 + texture2 + ragged2) / (variance * most),
                        };
                        x_mm = (x_mm.0.min(w_mm[0]), x_mm.1.max(w_mm[0]));
                        y_mm = (y_mm.0.min(w_mm[1]), y_mm.1.max(w_mm[1]));
                        nothing += p.weight * p.opacity * p.opacity;
                        out.pixels.push(p);
                    }
                }
                if out.pixels.len() > first {
                    out.tiles.push(Tile { pixels: first..out.pixels.len(), x_mm, y_mm, nothing });
                }
            }
        }
        out.lay_side_by_side();
        out
    }

    /// The pixels of each tile side by side, places from the patch's middle.
    fn lay_side_by_side(&mut self) {
        let n = self.pixels.len().max(1) as f64;
        let middle = self.pixels.iter().fold([0.0; 2], |m, p| [m[0] + p.w_mm[0] / n, m[1] + p.w_mm[1] / n]);
        let of = |p: &Pixel| [p.w_mm[0] - middle[0], p.w_mm[1] - middle[1], p.opacity, p.weight];
        self.lanes = self.tiles.iter().map(|t| Lanes::new(self.pixels[t.pixels.clone()].iter().map(of))).collect();
        self.origin_mm = middle;
        if !self.tiles.is_empty() {
            let bound = |of: &dyn Fn(&Tile) -> (f64, f64)| {
                self.tiles.iter().map(of).fold((f64::MAX, f64::MIN), |b, t| (b.0.min(t.0), b.1.max(t.1)))
            };
            self.within_mm = [bound(&|t| t.x_mm), bound(&|t| t.y_mm)];
        }
    }

    /// Whether only every second pixel is looked at.
    pub(super) fn is_thinned(&self) -> bool {
        self.most < 1.0
    }

    /// Misfit without any mark.
    pub fn misfit_of_nothing(&self) -> f64 {
        self.tiles.iter().map(|t| t.nothing).sum()
    }

    fn prior(&self, m: &FittedMark) -> f64 {
        let modes = m.modes.iter().enumerate().map(|(k, v)| (v / self.shape.mode_sd(k)).powi(2));
        ((m.radius_mm - self.shape.radius_mm.0) / self.shape.radius_mm.1).powi(2)
            + ((m.strength - self.shape.strength.0) / self.shape.strength.1).powi(2)
            + modes.sum::<f64>()
    }

    fn reaches(&self, marks: &[FittedMark]) -> Vec<f64> {
        marks.iter().map(|m| m.reach_mm(self.shape)).collect()
    }

    /// Weighted squared residuals, priors included.
    pub fn misfit(&self, marks: &[FittedMark]) -> f64 {
        self.slopes(marks, &every(marks), false, &mut Work::<0>::none()).0
    }

    /// Misfit, gradient, and the matrix where it is wanted, by the first N unknowns of the `moving` marks: none, four, or with modes all
    /// ([`UNKNOWNS`]). Where only some marks move, the misfit lacks that of the pixels which none of those reaches.
    pub(super) fn slopes<const N: usize>(
        &self,
        marks: &[FittedMark],
        moving: &[usize],
        wanted: bool,
        work: &mut Work<N>,
    ) -> Slopes {
        let (count, all_move) = (marks.len(), moving.len() == marks.len());
        // Where a mark stands among those that move.
        let mut place: Vec<Option<usize>> = vec![None; count];
        moving.iter().enumerate().for_each(|(at, &k)| place[k] = Some(at));
        let n = N * moving.len();
        let mut matrix = wanted.then(|| DMatrix::zeros(n, n));
        let mut right = DVector::zeros(n);
        let mut cost = 0.0;
        let reaches = self.reaches(marks);
        let single: Vec<Mark> = marks.iter().map(|m| Mark::new(m, self.origin_mm)).collect();
        let mut near: Vec<usize> = Vec::with_capacity(count);
        let Work { clear, by, pulled, weighted, pulls, products } = work.of(count, moving.len(), wanted);
        for (tile, lanes) in self.tiles.iter().zip(&self.lanes) {
            near.clear();
            near.extend((0..count).filter(|&k| tile.reached_by(&marks[k], reaches[k])));
            if !all_move && near.iter().all(|&k| place[k].is_none()) {
                continue;
            }
            if near.is_empty() {
                cost += tile.nothing;
                continue;
            }
            let mut all: Row = [1.0; LANES];
            for &k in &near {
                match place[k] {
                    Some(at) => lay(&self.profile, &single[k], lanes, &mut clear[k], &mut by[at]),
                    None => lay(&self.profile, &single[k], lanes, &mut clear[k], &mut []),
                }
                (0..LANES).for_each(|i| all[i] *= clear[k][i]);
            }
            cost += residuals(lanes, &all, pulled);
            if N == 0 {
                continue;
            }
            for &k in &near {
                let Some(at) = place[k] else { continue };
                let weighted = weighted.get_mut(at).filter(|_| wanted);
                derivatives(lanes, (&all, &clear[k]), pulled, &by[at], &mut pulls[at], weighted);
            }
            if !wanted {
                continue;
            }
            // From here on by their places among those that move.
            near.retain_mut(|k| {
                place[*k].is_some_and(|at| {
                    *k = at;
                    true
                })
            });
            for (a, &k) in near.iter().enumerate() {
                for &l in &near[..=a] {
                    let (k, l) = (k.max(l), k.min(l));
                    products[pair_index(k, l)].add(&weighted[k], &weighted[l], k == l);
                }
            }
        }
        for (right, pull) in right.as_mut_slice().iter_mut().zip(pulls.as_flattened()) {
            *right += total(pull);
        }
        if let Some(matrix) = &mut matrix {
            for (k, l) in (0..moving.len()).flat_map(|k| (0..=k).map(move |l| (k, l))) {
                for (i, row) in products[pair_index(k, l)].total().iter().flatten().enumerate() {
                    // Columns are contiguous: the inner loop runs down one of them.
                    for (j, v) in row.iter().enumerate() {
                        matrix[(N * l + j, N * k + i)] += v;
                    }
                }
            }
        }
        cost += marks.iter().map(|m| self.prior(m)).sum::<f64>();
        for (k, m) in moving.iter().map(|&k| &marks[k]).enumerate() {
            if N == 0 {
                continue;
            }
            let mut pull = |i: usize, value: f64, mean: f64, sd: f64| {
                right[N * k + i] -= (value - mean) / (sd * sd);
                if let Some(matrix) = &mut matrix {
                    matrix[(N * k + i, N * k + i)] += 1.0 / (sd * sd);
                }
            };
            pull(2, m.radius_mm, self.shape.radius_mm.0, self.shape.radius_mm.1);
            pull(3, m.strength, self.shape.strength.0, self.shape.strength.1);
            for (i, v) in m.modes.iter().enumerate().take(N.saturating_sub(4)) {
                pull(4 + i, *v, 0.0, self.shape.mode_sd(i));
            }
        }
        if let Some(matrix) = &mut matrix {
            for j in 0..n {
                for i in 0..j {
                    matrix[(j, i)] = matrix[(i, j)];
                }
            }
        }
        (cost, right, matrix)
    }

    /// Misfit, evidence and covariance of adjusted marks.
    pub fn finish(&self, marks: Vec<FittedMark>) -> Fit {
        let (misfit, _, matrix) = self.slopes(&marks, &every(&marks), true, &mut Work::<UNKNOWNS>::none());
        let matrix = matrix.unwrap_or_default();
        let k = marks.len() as f64;
        let n = matrix.nrows();
        let ln_det =
            matrix.clone().cholesky().map_or(1e3 * k, |c| 2.0 * (0..n).map(|i| c.l_dirty()[(i, i)].ln()).sum::<f64>());
        let tau = 2.0 * std::f64::consts::PI;
        // Prior of a mark: uniform over the area, Gaussian in everything else.
        let spread = [self.shape.radius_mm.1, self.shape.strength.1].into_iter();
        let gaussian = spread.chain((0..MODES).map(|i| self.shape.mode_sd(i)));
        let prior = 2.0 * self.area_mm2.ln() + gaussian.map(|sd| (tau * sd * sd).ln()).sum::<f64>();
        let orders: f64 = (1..=marks.len()).map(|i| (i as f64).ln()).sum();
        let evidence = misfit + k * prior + ln_det - n as f64 * tau.ln() - 2.0 * orders;
        let covariance = matrix.try_inverse().unwrap_or_else(|| DMatrix::from_diagonal_element(n, n, 1e4));
        // A mark whose own pixels do not hold it within half a radius is no finding, and Laplace's approximation
        // says nothing about it.
        let held = marks.iter().enumerate().all(|(k, m)| {
            let (most, at) = ((0.5 * m.radius_mm).powi(2), UNKNOWNS * k);
            covariance[(at, at)] < most && covariance[(at + 1, at + 1)] < most
        });
        let minus_2_ln_evidence = if held { evidence } else { evidence + NOT_HELD };
        let lack_of_fit = self.lack_of_fit(&marks, &covariance);
        Fit { marks, misfit, minus_2_ln_evidence, covariance, lack_of_fit, trials: Vec::new() }
    }

    /// How many times more than expected the residuals about each mark scatter, at least 1: squared residuals over their expected size, less the
    /// share of the observations that the fit itself used up. Texture is that of the usual mark; this one's may be coarser, or its shape
    /// none that the model knows (R. Birge, *Phys. Rev.* 40, 207, 1932: the ratio widens what the covariance says).
    fn lack_of_fit(&self, marks: &[FittedMark], covariance: &DMatrix<f64>) -> Vec<f64> {
        let mut own = vec![(0.0, 0.0); marks.len()];
        let mut all = 0.0;
        let reaches = self.reaches(marks);
        // What each mark lets through at a pixel.
        let mut clear: Vec<f64> = Vec::with_capacity(marks.len());
        for tile in &self.tiles {
            if !marks.iter().zip(&reaches).any(|(m, r)| tile.reached_by(m, *r)) {
                continue;
            }
            for p in &self.pixels[tile.pixels.clone()] {
                clear.clear();
                clear.extend(marks.iter().map(|m| m.clear(self.shape, p.w_mm)));
                let r = p.opacity - (1.0 - clear.iter().product::<f64>());
                let mut any = false;
                for ((o, m), clear) in own.iter_mut().zip(marks).zip(&clear) {
                    if *clear < 1.0 - PART_OF_MARK * m.strength {
                        *o = (o.0 + p.weight * r * r, o.1 + p.observations);
                        any = true;
                    }
                }
                all += if any { p.observations } else { 0.0 };
            }
        }
        // Unknowns that the pixels hold, not the priors.
        let held = |i: usize| {
            let prior = match i % UNKNOWNS {
                0 | 1 => 0.0,
                2 => self.shape.radius_mm.1.powi(-2),
                3 => self.shape.strength.1.powi(-2),
                k => self.shape.mode_sd(k - 4).powi(-2),
            };
            (1.0 - prior * covariance[(i, i)]).clamp(0.0, 1.0)
        };
        let used: f64 = (0..covariance.nrows()).map(held).sum();
        let left = (1.0 - used / f64::max(all, 1e-9)).max(LEAST_LEFT);
        own.iter().map(|(chi2, n)| if *n > 0.0 { (chi2 / (n * left)).max(1.0) } else { 1.0 }).collect()
    }

    /// Places where one more mark of the usual size would lower the misfit most, best first.
    ///
    /// While nothing is learned of sizes, a mark may be much smaller than that, and the bare wall about a small strong one weighs more than all of
    /// it: then every pixel has a usual mark's texture in its variance, and each place is followed by a small mark there, which grows where
    /// a large one would fade instead of shrinking.
    pub fn proposals(&self, marks: &[FittedMark], most: usize) -> Vec<FittedMark> {
        let usual = self.shape.radius_mm.0;
        let unknown = self.shape.learned_from == 0;
        let small = unknown.then_some(usual - USUAL_SD * self.shape.radius_mm.1);
        let texture2 = (self.shape.texture * self.shape.strength.0).powi(2);
        let texture = if unknown { (self.most * self.shape.grain_px * texture2) as f32 } else { 0.0 };
        let grid = (0.25 * usual).max(self.step_mm);
        let (mut x0, mut x1, mut y0, mut y1) = (f64::MAX, f64::MIN, f64::MAX, f64::MIN);
        for t in &self.tiles {
            (x0, x1) = (x0.min(t.x_mm.0), x1.max(t.x_mm.1));
            (y0, y1) = (y0.min(t.y_mm.0), y1.max(t.y_mm.1));
        }
        if self.tiles.is_empty() {
            return Vec::new();
        }
        let (nx, ny) = (((x1 - x0) / grid) as usize + 2, ((y1 - y0) / grid) as usize + 2);
        if nx.saturating_mul(ny) > 40_000 {
            return Vec::new();
        }
        // What is left, gathered by cells of the grid, with a kernel's reach of nothing about them: weight x clear x residual, weight x clear^2.
        let reach = (1.2 * usual / grid).ceil() as usize;
        let side = 2 * reach + 1;
        let (across, down) = (nx.next_multiple_of(CELLS) + 2 * reach, ny + 2 * reach);
        let mut cells = [vec![0.0f32; across * down], vec![0.0f32; across * down]];
        let single: Vec<Mark> = marks.iter().map(|m| Mark::new(m, self.origin_mm)).collect();
        let reaches = self.reaches(marks);
        let mut own: Row = [0.0; LANES];
        for (tile, lanes) in self.tiles.iter().zip(&self.lanes) {
            let mut all: Row = [1.0; LANES];
            for k in (0..marks.len()).filter(|&k| tile.reached_by(&marks[k], reaches[k])) {
                lay(&self.profile, &single[k], lanes, &mut own, &mut []);
                (0..LANES).for_each(|i| all[i] *= own[i]);
            }
            left(lanes, &all, |w, r, weight, clear| {
                let at = |v: f32, middle: f64, first: f64| ((f64::from(v) + middle - first) / grid + 0.5) as usize;
                let (x, y) = (at(w[0], self.origin_mm[0], x0), at(w[1], self.origin_mm[1], y0));
                let cell = (y.min(ny - 1) + reach) * across + x.min(nx - 1) + reach;
                let weight = weight / (1.0 + weight * texture);
                cells[0][cell] += weight * clear * r;
                cells[1][cell] += weight * clear * clear;
            });
        }
        let kernel = self.kernel.get_or_init(|| kernel(self.shape, grid, reach));
        let (mut num, mut den) = (Vec::with_capacity(nx * ny), Vec::with_capacity(nx * ny));
        widest(
            #[inline(always)]
            || {
                for y in 0..ny {
                    for x in (0..nx).step_by(CELLS) {
                        let sums = laid_over(&cells, across, (x, y), kernel, side);
                        let here = ..CELLS.min(nx - x);
                        num.extend_from_slice(&sums[0][here]);
                        den.extend_from_slice(&sums[1][here]);
                    }
                }
            },
        );
        let each = num.iter().zip(&den).map(|(n, d)| (f64::from(*n), f64::from(*d)));
        let gain: Vec<f64> = each.map(|(n, d)| if n > 0.0 { n * n / d } else { 0.0 }).collect();
        // The best peaks so far, best first.
        let mut peaks: Vec<(f64, usize)> = Vec::with_capacity(most + 1);
        for (i, &own) in gain.iter().enumerate() {
            if own <= 0.0 || (peaks.len() == most && peaks.last().is_none_or(|p| own <= p.0)) {
                continue;
            }
            let (x, y) = (i % nx, i / nx);
            let mut near = (y.saturating_sub(1)..(y + 2).min(ny)).map(|v| v * nx);
            if near.all(|v| gain[v + x.saturating_sub(1)..v + (x + 2).min(nx)].iter().all(|g| *g <= own)) {
                peaks.insert(peaks.partition_point(|p| p.0 >= own), (own, i));
                peaks.truncate(most);
            }
        }
        peaks
            .into_iter()
            .flat_map(|(_, i)| {
                let (x, y) = (x0 + (i % nx) as f64 * grid, y0 + (i / nx) as f64 * grid);
                let disc = |radius: f64| {
                    let strength = f64::from(num[i]) / f64::from(den[i]) * (usual / radius).powi(2);
                    FittedMark::disc(x, y, radius, strength.clamp(0.05, 0.9))
                };
                std::iter::once(disc(usual)).chain(small.map(disc))
            })
            .collect()
    }
}

/// Cells of the proposals' grid that are computed together.
const CELLS: usize = 16;

/// Sums over what lies about [`CELLS`] cells of a grid from `(x, y)` on, each kind of it times its kernel; the kinds of cells have half a kernel's side of
/// nothing about them, and `across` of them make a row.
#[inline(always)]
fn laid_over(
    cells: &[Vec<f32>; 2],
    across: usize,
    (x, y): (usize, usize),
    kernel: &[Vec<f32>; 2],
    side: usize,
) -> [[f32; CELLS]; 2] {
    // Against division by nothing.
    let mut sums = [[0.0f32; CELLS], [1e-12; CELLS]];
    for v in 0..side {
        let row = (y + v) * across + x;
        for u in 0..side {
            // What lies left of a cell has the kernel's right half.
            let at = side * side - 1 - (v * side + u);
            for k in 0..2 {
                let Some(from) = cells[k][row + u..].first_chunk::<CELLS>() else { continue };
                let factor = kernel[k][at];
                for i in 0..CELLS {
                    sums[k][i] += from[i] * factor;
                }
            }
        }
    }
    sums
}

/// A usual mark's profile over each cell of a grid about its centre, `reach` cells to each side, and its square: means over the cell's points.
fn kernel(shape: &MarkShape, grid_mm: f64, reach: usize) -> [Vec<f32>; 2] {
    let side = 2 * reach + 1;
    let of = |i: usize| {
        let (mut s, mut q) = (0.0, 0.0);
        for k in 0..SUB * SUB {
            let at = |v: usize, k: usize| v as f64 - reach as f64 + (k as f64 + 0.5) / SUB as f64 - 0.5;
            let d = at(i % side, k % SUB).hypot(at(i / side, k / SUB));
            let p = shape.at(d * grid_mm / shape.radius_mm.0).0;
            (s, q) = (s + p, q + p * p);
        }
        let n = (SUB * SUB) as f64;
        ((s / n) as f32, (q / n) as f32)
    };
    let (own, squared) = (0..side * side).map(of).unzip();
    [own, squared]
}
