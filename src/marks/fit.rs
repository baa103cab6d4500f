//! How well do K marks explain a patch, and where are their centres?
//!
//! Opacities of marks over marks multiply: a = 1 - prod_k (1 - s_k S(rho_k)), rho_k = |w - c_k| / r_k, with
//! S the session's mark shape. Centres, radii and strengths are adjusted by Levenberg-Marquardt against the
//! patch's opacity, with variance sigma^2 + (texture x level)^2 a pixel, of which `grain_px` pixels make
//! one independent observation; usual radius and strength enter as priors. The evidence for K marks is
//! Laplace's approximation (D. MacKay, *Information Theory, Inference, and Learning Algorithms*, ch. 27-28).

use nalgebra::{DMatrix, DVector};

use super::patch::Patch;
use super::shape::MarkShape;

/// One fitted mark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FittedMark {
    /// Centre, wall mm.
    pub x_mm: f64,
    /// Centre, wall mm.
    pub y_mm: f64,
    /// Radius at half of the rim's opacity, mm.
    pub radius_mm: f64,
    /// Strength: mean opacity over the disc.
    pub strength: f64,
}

/// K marks fitted to a patch.
#[derive(Clone, Debug)]
pub struct Fit {
    /// The marks.
    pub marks: Vec<FittedMark>,
    /// Weighted squared residuals an independent observation, priors included.
    pub misfit: f64,
    /// -2 ln evidence, up to a constant of the patch.
    pub minus_2_ln_evidence: f64,
    /// Covariance of (x, y, radius, strength) of all marks, mark by mark.
    pub covariance: DMatrix<f64>,
}

/// Least and most of radius and strength that a fit may reach.
const RADIUS_RANGE: (f64, f64) = (0.45, 1.9);
const STRENGTH_RANGE: (f64, f64) = (0.01, 0.98);

/// Added to -2 ln evidence when a mark is not held by pixels of its own: more than any count prior gives.
const NOT_HELD: f64 = 1e3;

/// A patch ready to be fitted: its usable pixels and their weights.
pub struct Target<'a> {
    shape: &'a MarkShape,
    pixels: Vec<([f64; 2], f64, f64)>,
    area_mm2: f64,
    step_mm: f64,
}

impl<'a> Target<'a> {
    /// Prepares a patch. `area_mm2` is the area over which a further mark might lie: the prior of a centre.
    pub fn new(patch: &Patch, shape: &'a MarkShape, area_mm2: f64) -> Self {
        let pixels = (0..patch.opacity.len())
            .filter(|&i| patch.sigma[i].is_finite())
            .map(|i| {
                let texture = shape.texture * patch.level[i];
                let variance = patch.sigma[i].powi(2) + texture * texture;
                (patch.wall_mm[i], patch.opacity[i], 1.0 / (variance * shape.grain_px))
            })
            .collect();
        Self { shape, pixels, area_mm2, step_mm: patch.mm_per_px }
    }

    /// The same with every second pixel across and down, each counting for four: for trials, a quarter of the cost.
    /// Texture hangs together over more than two pixels, so that little is lost.
    pub fn thinned(patch: &Patch, shape: &'a MarkShape, area_mm2: f64) -> Self {
        let mut thin = patch.clone();
        for (i, s) in thin.sigma.iter_mut().enumerate() {
            if i % patch.width % 2 == 1 || i / patch.width % 2 == 1 {
                *s = f64::INFINITY;
            }
        }
        let mut target = Self::new(&thin, shape, area_mm2);
        target.pixels.iter_mut().for_each(|p| p.2 *= 4.0);
        target
    }

    /// Misfit without any mark.
    pub fn misfit_of_nothing(&self) -> f64 {
        self.pixels.iter().map(|(_, a, w)| w * a * a).sum()
    }

    fn prior(&self, m: &FittedMark) -> f64 {
        ((m.radius_mm - self.shape.radius_mm.0) / self.shape.radius_mm.1).powi(2)
            + ((m.strength - self.shape.strength.0) / self.shape.strength.1).powi(2)
    }

    fn normal(&self, marks: &[FittedMark], derive: bool) -> (f64, DMatrix<f64>, DVector<f64>) {
        let n = 4 * marks.len();
        let mut matrix = DMatrix::zeros(if derive { n } else { 0 }, if derive { n } else { 0 });
        let mut right = DVector::zeros(if derive { n } else { 0 });
        let mut cost = 0.0;
        let mut touched: Vec<(usize, f64, [f64; 4])> = Vec::with_capacity(marks.len());
        for &(w_mm, a, weight) in &self.pixels {
            touched.clear();
            let mut clear = 1.0;
            for (k, m) in marks.iter().enumerate() {
                let (dx, dy) = (w_mm[0] - m.x_mm, w_mm[1] - m.y_mm);
                let reach = self.shape.reach() * m.radius_mm;
                let d2 = dx * dx + dy * dy;
                if d2 > reach * reach {
                    continue;
                }
                let d = d2.sqrt().max(1e-9);
                let rho = d / m.radius_mm;
                let (s, slope) = self.shape.at(rho);
                let q = (1.0 - m.strength * s).max(0.02);
                clear *= q;
                if derive {
                    let by_rho = m.strength * slope;
                    let by = [
                        -by_rho * dx / (d * m.radius_mm),
                        -by_rho * dy / (d * m.radius_mm),
                        -by_rho * rho / m.radius_mm,
                        s,
                    ];
                    touched.push((k, q, by));
                }
            }
            let r = a - (1.0 - clear);
            cost += weight * r * r;
            for &(k, q, by) in &touched {
                let others = clear / q;
                for (i, d) in by.iter().enumerate() {
                    let di = others * d;
                    right[4 * k + i] += weight * di * r;
                    for &(l, ql, byl) in &touched {
                        if l <= k {
                            let o = clear / ql;
                            for (j, e) in byl.iter().enumerate() {
                                matrix[(4 * k + i, 4 * l + j)] += weight * di * o * e;
                            }
                        }
                    }
                }
            }
        }
        for (k, m) in marks.iter().enumerate() {
            cost += self.prior(m);
            if derive {
                for (i, value, (mean, sd)) in
                    [(2, m.radius_mm, self.shape.radius_mm), (3, m.strength, self.shape.strength)]
                {
                    right[4 * k + i] -= (value - mean) / (sd * sd);
                    matrix[(4 * k + i, 4 * k + i)] += 1.0 / (sd * sd);
                }
            }
        }
        if derive {
            for i in 0..n {
                for j in 0..i {
                    matrix[(j, i)] = matrix[(i, j)];
                }
            }
        }
        (cost, matrix, right)
    }

    fn stepped(&self, marks: &[FittedMark], d: &DVector<f64>) -> Vec<FittedMark> {
        let usual = self.shape.radius_mm.0;
        marks
            .iter()
            .enumerate()
            .map(|(k, m)| FittedMark {
                // A step of more than half a radius is a jump, not an adjustment.
                x_mm: m.x_mm + d[4 * k].clamp(-0.5 * usual, 0.5 * usual),
                y_mm: m.y_mm + d[4 * k + 1].clamp(-0.5 * usual, 0.5 * usual),
                radius_mm: (m.radius_mm + d[4 * k + 2]).clamp(RADIUS_RANGE.0 * usual, RADIUS_RANGE.1 * usual),
                strength: (m.strength + d[4 * k + 3]).clamp(STRENGTH_RANGE.0, STRENGTH_RANGE.1),
            })
            .collect()
    }

    /// Adjusts marks from a start; at most `rounds` steps.
    pub fn adjust(&self, start: &[FittedMark], rounds: usize) -> Vec<FittedMark> {
        let mut marks = start.to_vec();
        let (mut cost, mut matrix, mut right) = self.normal(&marks, true);
        let mut damping = 1e-2;
        for _ in 0..rounds {
            let mut a = matrix.clone();
            for i in 0..a.nrows() {
                a[(i, i)] = a[(i, i)] * (1.0 + damping) + 1e-9;
            }
            let Some(step) = a.cholesky().map(|c| c.solve(&right)) else { break };
            let trial = self.stepped(&marks, &step);
            let (c, _, _) = self.normal(&trial, false);
            if c < cost {
                let done = cost - c < 1e-4 * (1.0 + 1e-3 * cost);
                marks = trial;
                (cost, matrix, right) = self.normal(&marks, true);
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
        // Prior of a mark: uniform over the area, Gaussian in radius and strength.
        let prior = 2.0 * self.area_mm2.ln()
            + (tau * self.shape.radius_mm.1.powi(2)).ln()
            + (tau * self.shape.strength.1.powi(2)).ln();
        let orders: f64 = (1..=marks.len()).map(|i| (i as f64).ln()).sum();
        let evidence = misfit + k * prior + ln_det - 4.0 * k * tau.ln() - 2.0 * orders;
        let covariance = matrix.try_inverse().unwrap_or_else(|| DMatrix::from_diagonal_element(n, n, 1e4));
        // A mark whose own pixels do not hold it within half a radius is no finding, and Laplace's approximation
        // says nothing about it.
        let held = marks.iter().enumerate().all(|(k, m)| {
            let most = (0.5 * m.radius_mm).powi(2);
            covariance[(4 * k, 4 * k)] < most && covariance[(4 * k + 1, 4 * k + 1)] < most
        });
        let minus_2_ln_evidence = if held { evidence } else { evidence + NOT_HELD };
        Fit { marks, misfit, minus_2_ln_evidence, covariance }
    }

    /// What is left after the marks, pixel by pixel: (wall mm, residual, weight).
    fn residuals(&self, marks: &[FittedMark]) -> Vec<([f64; 2], f64, f64)> {
        self.pixels.iter().map(|&(w, a, weight)| (w, a - self.opacity_at(marks, w), weight)).collect()
    }

    /// Modelled opacity at a wall point, mm.
    pub fn opacity_at(&self, marks: &[FittedMark], w_mm: [f64; 2]) -> f64 {
        let clear: f64 = marks
            .iter()
            .map(|m| {
                let (dx, dy) = (w_mm[0] - m.x_mm, w_mm[1] - m.y_mm);
                let rho = (dx * dx + dy * dy).sqrt() / m.radius_mm;
                (1.0 - m.strength * self.shape.at(rho).0).max(0.02)
            })
            .product();
        1.0 - clear
    }

    /// Places where one more mark of the usual size would lower the misfit most, best first: (gain, mark).
    pub fn proposals(&self, marks: &[FittedMark], most: usize) -> Vec<FittedMark> {
        let left = self.residuals(marks);
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
        for &(w, r, weight) in &left {
            let clear = 1.0 - self.opacity_at(marks, w);
            let (cx, cy) = (((w[0] - x0) / grid).round() as i64, ((w[1] - y0) / grid).round() as i64);
            for gy in (cy - reach).max(0)..=(cy + reach).min(ny as i64 - 1) {
                for gx in (cx - reach).max(0)..=(cx + reach).min(nx as i64 - 1) {
                    let (dx, dy) = (w[0] - x0 - gx as f64 * grid, w[1] - y0 - gy as f64 * grid);
                    let d = (dx * dx + dy * dy).sqrt();
                    let s = self.shape.at(d / usual).0 * clear;
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
            .map(|(_, i)| FittedMark {
                x_mm: x0 + (i % nx) as f64 * grid,
                y_mm: y0 + (i / nx) as f64 * grid,
                radius_mm: usual,
                strength: (num[i] / den[i]).clamp(0.05, 0.9),
            })
            .collect()
    }
}
