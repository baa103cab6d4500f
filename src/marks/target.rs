//! How well do K marks explain a patch, and where are their centres?
//!
//! Centres, radii, strengths, waves and tilt ([`FittedMark`]) are adjusted by Levenberg-Marquardt against the patch's opacity; what
//! single marks of the session do differently enters as priors ([`MarkShape`]). A pixel's variance is that of the photo's noise, of
//! which `noise_grain_px` pixels make one independent observation, and (texture x level)^2, of which `grain_px` do. The
//! evidence for K marks is Laplace's approximation (D. MacKay, *Information Theory, Inference, and Learning Algorithms*, ch. 27-28).
//!
//! Pixels lie in tiles: a mark is computed only in those that it reaches, and a tile that no mark reaches costs nothing.

use nalgebra::{DMatrix, DVector};

use super::fit::{Fit, FittedMark, LEAST_CLEAR, MODES, UNKNOWNS, opacity_and_parts_at, opacity_at};
use super::patch::Patch;
use super::shape::MarkShape;

/// Least and most of radius and strength that a fit may reach.
const RADIUS_RANGE: (f64, f64) = (0.45, 1.9);
const STRENGTH_RANGE: (f64, f64) = (0.01, 0.98);

/// Farthest that a mode may go, in standard deviations of its prior.
const MODE_U: f64 = 4.0;

/// Added to -2 ln evidence when a mark is not held by pixels of its own: more than any count prior gives.
const NOT_HELD: f64 = 1e3;

/// Steps of the profile's table by the squared distance: finer than the profile's own knots.
const PROFILE_STEPS: usize = 512;

/// An adjustment ends when a step lowers the misfit by less than this: a centre is then within a hundredth of its u.
const SETTLED: f64 = 1e-4;

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
    shape: &'a MarkShape,
    pixels: Vec<Pixel>,
    tiles: Vec<Tile>,
    area_mm2: f64,
    step_mm: f64,
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
        let mut out = Self { shape, pixels: Vec::new(), tiles: Vec::new(), area_mm2, step_mm: patch.mm_per_px };
        let most = 1.0 / (step * step) as f64;
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
                        let variance = patch.noise_grain_px * noise2 + grain_px * texture2;
                        let w_mm = patch.wall_mm[i];
                        let p = Pixel {
                            w_mm,
                            opacity: patch.opacity[i],
                            weight: 1.0 / (variance * most),
                            observations: (noise2 + texture2) / (variance * most),
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
        out
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
        let mut cost: f64 = marks.iter().map(|m| self.prior(m)).sum();
        let reaches = self.reaches(marks);
        let mut near: Vec<FittedMark> = Vec::with_capacity(marks.len());
        for tile in &self.tiles {
            near.clear();
            near.extend(marks.iter().zip(&reaches).filter(|(m, r)| tile.reached_by(m, **r)).map(|(m, _)| *m));
            if near.is_empty() {
                cost += tile.nothing;
                continue;
            }
            for p in &self.pixels[tile.pixels.clone()] {
                let r = p.opacity - opacity_at(&near, self.shape, p.w_mm);
                cost += p.weight * r * r;
            }
        }
        cost
    }

    /// Normal equations; without `modes` each mark has four unknowns and its modes stay.
    fn normal(&self, marks: &[FittedMark], modes: bool) -> (f64, DMatrix<f64>, DVector<f64>) {
        if modes { self.normal_of::<UNKNOWNS>(marks) } else { self.normal_of::<4>(marks) }
    }

    fn normal_of<const N: usize>(&self, marks: &[FittedMark]) -> (f64, DMatrix<f64>, DVector<f64>) {
        let count = marks.len();
        let n = N * count;
        let mut matrix = DMatrix::zeros(n, n);
        let mut right = DVector::zeros(n);
        let mut cost = 0.0;
        let reaches = self.reaches(marks);
        let mut near: Vec<usize> = Vec::with_capacity(count);
        // Derivatives of a tile's weighted residuals, mark by mark. Single precision is enough: they only say where to step, and how
        // far a centre is off to one part in a million.
        let mut panels: Vec<Vec<[f32; N]>> = vec![Vec::with_capacity(TILE_PX * TILE_PX); count];
        let mut laid: Vec<(f64, [f64; N])> = vec![(1.0, [0.0; N]); count];
        for tile in &self.tiles {
            near.clear();
            near.extend((0..count).filter(|&k| tile.reached_by(&marks[k], reaches[k])));
            if near.is_empty() {
                cost += tile.nothing;
                continue;
            }
            near.iter().for_each(|&k| panels[k].clear());
            let mut pulls = vec![[0.0f64; N]; near.len()];
            for p in &self.pixels[tile.pixels.clone()] {
                let mut clear = 1.0;
                for (&k, l) in near.iter().zip(laid.iter_mut()) {
                    *l = match marks[k].laid(self.shape, p.w_mm) {
                        Some((opacity, by)) => ((1.0 - opacity).max(LEAST_CLEAR), by),
                        None => (1.0, [0.0; N]),
                    };
                    clear *= l.0;
                }
                let r = p.opacity - (1.0 - clear);
                cost += p.weight * r * r;
                let root = p.weight.sqrt();
                for ((&k, (q, by)), pull) in near.iter().zip(&laid).zip(&mut pulls) {
                    let own = clear / q;
                    let weighted = own * p.weight * r;
                    (0..N).for_each(|i| pull[i] += weighted * by[i]);
                    let own = own * root;
                    panels[k].push(std::array::from_fn(|i| (own * by[i]) as f32));
                }
            }
            for (a, (&k, pull)) in near.iter().zip(&pulls).enumerate() {
                (0..N).for_each(|i| right[N * k + i] += pull[i]);
                for &l in &near[..=a] {
                    let block = product(&panels[k], &panels[l]);
                    for (i, row) in block.iter().enumerate() {
                        // Columns are contiguous: the inner loop runs down one of them.
                        for (j, v) in row.iter().enumerate() {
                            matrix[(N * l + j, N * k + i)] += f64::from(*v);
                        }
                    }
                }
            }
        }
        for (k, m) in marks.iter().enumerate() {
            cost += self.prior(m);
            let mut pull = |i: usize, value: f64, mean: f64, sd: f64| {
                right[N * k + i] -= (value - mean) / (sd * sd);
                matrix[(N * k + i, N * k + i)] += 1.0 / (sd * sd);
            };
            pull(2, m.radius_mm, self.shape.radius_mm.0, self.shape.radius_mm.1);
            pull(3, m.strength, self.shape.strength.0, self.shape.strength.1);
            for (i, v) in m.modes.iter().enumerate().take(N - 4) {
                pull(4 + i, *v, 0.0, self.shape.mode_sd(i));
            }
        }
        for j in 0..n {
            for i in 0..j {
                matrix[(j, i)] = matrix[(i, j)];
            }
        }
        (cost, matrix, right)
    }

    fn stepped(&self, marks: &[FittedMark], d: &DVector<f64>) -> Vec<FittedMark> {
        let usual = self.shape.radius_mm.0;
        let each = d.nrows() / marks.len().max(1);
        marks
            .iter()
            .enumerate()
            .map(|(k, m)| {
                let d = |i: usize| d[each * k + i];
                let mut modes = m.modes;
                if each == UNKNOWNS {
                    for (i, v) in modes.iter_mut().enumerate() {
                        let most = MODE_U * self.shape.mode_sd(i);
                        *v = (*v + d(4 + i)).clamp(-most, most);
                    }
                }
                FittedMark {
                    // A step of more than half a radius is a jump, not an adjustment.
                    x_mm: m.x_mm + d(0).clamp(-0.5 * usual, 0.5 * usual),
                    y_mm: m.y_mm + d(1).clamp(-0.5 * usual, 0.5 * usual),
                    radius_mm: (m.radius_mm + d(2)).clamp(RADIUS_RANGE.0 * usual, RADIUS_RANGE.1 * usual),
                    strength: (m.strength + d(3)).clamp(STRENGTH_RANGE.0, STRENGTH_RANGE.1),
                    modes,
                }
            })
            .collect()
    }

    /// Adjusts marks from a start; at most `rounds` steps. Without `modes` rims and tilts stay as they are.
    pub fn adjust(&self, start: &[FittedMark], rounds: usize, modes: bool) -> Vec<FittedMark> {
        let mut marks = start.to_vec();
        let (mut cost, mut matrix, mut right) = self.normal(&marks, modes);
        let mut damping = 1e-2;
        for _ in 0..rounds {
            let mut a = matrix.clone();
            for i in 0..a.nrows() {
                a[(i, i)] = a[(i, i)] * (1.0 + damping) + 1e-9;
            }
            let Some(step) = a.cholesky().map(|c| c.solve(&right)) else { break };
            let trial = self.stepped(&marks, &step);
            let c = self.misfit(&trial);
            if c < cost {
                let done = cost - c < SETTLED * (1.0 + 1e-3 * cost);
                marks = trial;
                (cost, matrix, right) = self.normal(&marks, modes);
                damping = (damping * 0.25).max(1e-7);
                if done {
                    break;
                }
            } else {
                damping *= 6.0;
                if damping > 1e5 {
                    break;
                }
            }
        }
        marks
    }

    /// Misfit, evidence and covariance of adjusted marks.
    pub fn finish(&self, marks: Vec<FittedMark>) -> Fit {
        let (misfit, matrix, _) = self.normal(&marks, true);
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
        for tile in &self.tiles {
            if !marks.iter().zip(&reaches).any(|(m, r)| tile.reached_by(m, *r)) {
                continue;
            }
            for p in &self.pixels[tile.pixels.clone()] {
                let r = p.opacity - opacity_at(marks, self.shape, p.w_mm);
                let mut any = false;
                for (o, m) in own.iter_mut().zip(marks) {
                    if m.clear(self.shape, p.w_mm) < 1.0 - PART_OF_MARK * m.strength {
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

    /// Places where one more mark of the usual size would lower the misfit most, best first: (gain, mark).
    pub fn proposals(&self, marks: &[FittedMark], most: usize) -> Vec<FittedMark> {
        let left: Vec<([f64; 2], f64, f64, f64)> = self
            .pixels
            .iter()
            .map(|p| {
                let laid = opacity_at(marks, self.shape, p.w_mm);
                (p.w_mm, p.opacity - laid, p.weight, 1.0 - laid)
            })
            .collect();
        let usual = self.shape.radius_mm.0;
        let grid = (0.25 * usual).max(self.step_mm);
        let (mut x0, mut x1, mut y0, mut y1) = (f64::MAX, f64::MIN, f64::MAX, f64::MIN);
        for (w, ..) in &left {
            (x0, x1, y0, y1) = (x0.min(w[0]), x1.max(w[0]), y0.min(w[1]), y1.max(w[1]));
        }
        let (nx, ny) = (((x1 - x0) / grid) as usize + 1, ((y1 - y0) / grid) as usize + 1);
        if nx.saturating_mul(ny) > 40_000 || left.is_empty() {
            return Vec::new();
        }
        let mut num = vec![0.0; nx * ny];
        let mut den = vec![1e-12; nx * ny];
        let reach = (1.2 * usual / grid).ceil() as i64;
        // The profile by the square of the distance: no root a cell.
        let span = (1.5 * (reach as f64 + 1.0) * grid / usual).powi(2);
        let per = PROFILE_STEPS as f64 / span;
        let profile: Vec<f64> = (0..PROFILE_STEPS).map(|k| self.shape.at(((k as f64 + 0.5) / per).sqrt()).0).collect();
        let per = per / (usual * usual);
        for &(w, r, weight, clear) in &left {
            let (cx, cy) = (((w[0] - x0) / grid).round() as i64, ((w[1] - y0) / grid).round() as i64);
            for gy in (cy - reach).max(0)..=(cy + reach).min(ny as i64 - 1) {
                for gx in (cx - reach).max(0)..=(cx + reach).min(nx as i64 - 1) {
                    let (dx, dy) = (w[0] - x0 - gx as f64 * grid, w[1] - y0 - gy as f64 * grid);
                    let at = ((dx * dx + dy * dy) * per) as usize;
                    let s = profile.get(at).map_or(0.0, |v| v * clear);
                    let i = gy as usize * nx + gx as usize;
                    num[i] += weight * s * r;
                    den[i] += weight * s * s;
                }
            }
        }
        let gain: Vec<f64> = num.iter().zip(&den).map(|(n, d)| if *n > 0.0 { n * n / d } else { 0.0 }).collect();
        let mut peaks: Vec<(f64, usize)> = (0..nx * ny)
            .filter(|&i| {
                let (x, y) = (i % nx, i / nx);
                gain[i] > 0.0
                    && (y.saturating_sub(1)..(y + 2).min(ny))
                        .all(|yy| (x.saturating_sub(1)..(x + 2).min(nx)).all(|xx| gain[yy * nx + xx] <= gain[i]))
            })
            .map(|i| (gain[i], i))
            .collect();
        peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
        peaks
            .into_iter()
            .take(most)
            .map(|(_, i)| {
                let (x, y) = (x0 + (i % nx) as f64 * grid, y0 + (i / nx) as f64 * grid);
                FittedMark::disc(x, y, usual, (num[i] / den[i]).clamp(0.05, 0.9))
            })
            .collect()
    }
}

/// Sum over pixels of a's derivatives times b's.
fn product<const N: usize>(a: &[[f32; N]], b: &[[f32; N]]) -> [[f32; N]; N] {
    let mut out = [[0.0f32; N]; N];
    for (a, b) in a.iter().zip(b) {
        for (row, v) in out.iter_mut().zip(a) {
            for (cell, u) in row.iter_mut().zip(b) {
                *cell += v * u;
            }
        }
    }
    out
}
