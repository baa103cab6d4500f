//! How well do K marks explain a patch, and where are their centres?
//!
//! Opacities of marks over marks multiply: a = 1 - prod_k (1 - s_k S(rho_k) (1 + tilt_k . (w - c_k) / r_k)), with
//! rho_k = |w - c_k| / (r_k (1 + sum_m a_m cos m theta + b_m sin m theta)) and S the session's mark shape: a ball's mark is
//! a disc whose rim waves and which one side may take more of. Centres, radii, strengths, waves and tilt are adjusted by
//! Levenberg-Marquardt against the patch's opacity; what single marks of the session do differently enters as priors
//! ([`MarkShape`]). A pixel's variance is that of the photo's noise, of which `noise_grain_px` pixels make one independent
//! observation, and (texture x level)^2, of which `grain_px` do. The evidence for K marks is Laplace's
//! approximation (D. MacKay, *Information Theory, Inference, and Learning Algorithms*, ch. 27-28).

use nalgebra::{DMatrix, DVector};

use super::patch::Patch;
use super::shape::MarkShape;

/// Orders of the waves round a rim: 2 makes an ellipse, 3 a rounded triangle. Higher ones are too short to pass for a second mark: texture.
pub const WAVE_ORDERS: [usize; 3] = [2, 3, 4];
/// Wave amplitudes (cosine and sine an order) and tilt (across and up) of a mark.
pub const MODES: usize = 2 * WAVE_ORDERS.len() + 2;
/// First of the two tilt terms among the modes.
pub const TILT: usize = 2 * WAVE_ORDERS.len();
/// Unknowns of a mark: x, y, radius, strength, then its modes.
pub const UNKNOWNS: usize = 4 + MODES;

/// One fitted mark.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FittedMark {
    /// Centre, wall mm.
    pub x_mm: f64,
    /// Centre, wall mm.
    pub y_mm: f64,
    /// Radius at half of the rim's opacity, mm.
    pub radius_mm: f64,
    /// Strength: mean opacity over the disc.
    pub strength: f64,
    /// Waves of the rim (cosine and sine of each of [`WAVE_ORDERS`], over the radius), then tilt: how much more opaque than its
    /// middle the mark is one radius to the right, and one radius up.
    pub modes: [f64; MODES],
}

/// What a mark does to a pixel.
struct Laid {
    /// Opacity of the mark there.
    opacity: f64,
    /// Its derivatives by x, y, radius, strength and modes.
    by: [f64; UNKNOWNS],
}

impl FittedMark {
    /// A mark that is a plain disc.
    pub fn disc(x_mm: f64, y_mm: f64, radius_mm: f64, strength: f64) -> Self {
        Self { x_mm, y_mm, radius_mm, strength, modes: [0.0; MODES] }
    }

    /// Distance from the centre over the waving rim's, and 1 + tilt . u.
    pub fn rho_and_tilt(&self, w_mm: [f64; 2]) -> (f64, f64) {
        let (dx, dy) = (w_mm[0] - self.x_mm, w_mm[1] - self.y_mm);
        let d = dx.hypot(dy).max(1e-9);
        let (wave, _) = self.wave(dx / d, dy / d);
        let tilt = 1.0 + (self.modes[TILT] * dx + self.modes[TILT + 1] * dy) / self.radius_mm;
        (d / (self.radius_mm * (1.0 + wave).max(0.3)), tilt.max(0.0))
    }

    /// The rim's wave in a direction, and its derivative by the angle.
    fn wave(&self, c: f64, s: f64) -> (f64, f64) {
        let mut out = (0.0, 0.0);
        // cos and sin of m theta by the addition theorem, from m = 1 on.
        let (mut cm, mut sm) = (c, s);
        for (k, &m) in WAVE_ORDERS.iter().enumerate() {
            (cm, sm) = (cm * c - sm * s, sm * c + cm * s);
            let (a, b) = (self.modes[2 * k], self.modes[2 * k + 1]);
            out.0 += a * cm + b * sm;
            out.1 += m as f64 * (b * cm - a * sm);
        }
        out
    }

    fn laid(&self, shape: &MarkShape, w_mm: [f64; 2], modes: bool) -> Option<Laid> {
        let (dx, dy) = (w_mm[0] - self.x_mm, w_mm[1] - self.y_mm);
        let r = self.radius_mm;
        let d2 = dx * dx + dy * dy;
        let reach = shape.reach() * r * WIDEST;
        if d2 > reach * reach {
            return None;
        }
        let d = d2.sqrt().max(1e-9);
        let (c, s) = (dx / d, dy / d);
        let (wave, turn) = self.wave(c, s);
        let grown = (1.0 + wave).max(0.3);
        let rho = d / (r * grown);
        let (profile, slope) = shape.at(rho);
        let tilt = (1.0 + (self.modes[TILT] * dx + self.modes[TILT + 1] * dy) / r).max(0.0);
        let by_rho = self.strength * slope * tilt;
        let by_tilt = self.strength * profile;
        let by_wave = -by_rho * rho / grown;
        let mut by = [0.0; UNKNOWNS];
        // Moving the centre changes distance, direction, and the place on the tilt.
        by[0] = -by_rho * c / (r * grown) + by_wave * turn * s / d - by_tilt * self.modes[TILT] / r;
        by[1] = -by_rho * s / (r * grown) - by_wave * turn * c / d - by_tilt * self.modes[TILT + 1] / r;
        by[2] = -by_rho * rho / r - by_tilt * (tilt - 1.0) / r;
        by[3] = profile * tilt;
        if modes {
            let (mut cm, mut sm) = (c, s);
            for k in 0..WAVE_ORDERS.len() {
                (cm, sm) = (cm * c - sm * s, sm * c + cm * s);
                by[4 + 2 * k] = by_wave * cm;
                by[5 + 2 * k] = by_wave * sm;
            }
            by[4 + TILT] = by_tilt * dx / r;
            by[5 + TILT] = by_tilt * dy / r;
        }
        Some(Laid { opacity: self.strength * profile * tilt, by })
    }
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
    /// Covariance of the [`UNKNOWNS`] of all marks, mark by mark.
    pub covariance: DMatrix<f64>,
}

/// Least and most of radius and strength that a fit may reach.
const RADIUS_RANGE: (f64, f64) = (0.45, 1.9);
const STRENGTH_RANGE: (f64, f64) = (0.01, 0.98);

/// Largest sum of waves that a pixel's reach allows for.
const WIDEST: f64 = 1.15;
/// Farthest that a mode may go, in standard deviations of its prior, and absolutely.
const MODE_U: f64 = 4.0;

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
                let variance = patch.noise_grain_px * patch.sigma[i].powi(2) + shape.grain_px * texture * texture;
                (patch.wall_mm[i], patch.opacity[i], 1.0 / variance)
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
        let modes = m.modes.iter().enumerate().map(|(k, v)| (v / self.shape.mode_sd(k)).powi(2));
        ((m.radius_mm - self.shape.radius_mm.0) / self.shape.radius_mm.1).powi(2)
            + ((m.strength - self.shape.strength.0) / self.shape.strength.1).powi(2)
            + modes.sum::<f64>()
    }

    /// Weighted squared residuals, priors included.
    fn cost(&self, marks: &[FittedMark]) -> f64 {
        let mut cost: f64 = marks.iter().map(|m| self.prior(m)).sum();
        for &(w_mm, a, weight) in &self.pixels {
            let r = a - self.opacity_at(marks, w_mm);
            cost += weight * r * r;
        }
        cost
    }

    /// Normal equations; without `modes` each mark has four unknowns and its modes stay.
    fn normal(&self, marks: &[FittedMark], modes: bool) -> (f64, DMatrix<f64>, DVector<f64>) {
        let each = if modes { UNKNOWNS } else { 4 };
        let n = each * marks.len();
        let mut matrix = DMatrix::zeros(n, n);
        let mut right = DVector::zeros(n);
        let mut cost = 0.0;
        let mut touched: Vec<(usize, f64, Laid)> = Vec::with_capacity(marks.len());
        for &(w_mm, a, weight) in &self.pixels {
            touched.clear();
            let mut clear = 1.0;
            for (k, m) in marks.iter().enumerate() {
                if let Some(laid) = m.laid(self.shape, w_mm, modes) {
                    let q = (1.0 - laid.opacity).max(0.02);
                    clear *= q;
                    touched.push((k, q, laid));
                }
            }
            let r = a - (1.0 - clear);
            cost += weight * r * r;
            for (i, (k, q, one)) in touched.iter().enumerate() {
                let own = clear / q * weight;
                for (l, ql, other) in &touched[..=i] {
                    let both = own * clear / ql;
                    for (i, di) in one.by[..each].iter().enumerate() {
                        let di = both * di;
                        // Columns are contiguous: the inner loop runs down one of them.
                        let mut column = matrix.view_mut((each * l, each * k + i), (each, 1));
                        for (cell, dj) in column.iter_mut().zip(&other.by[..each]) {
                            *cell += di * dj;
                        }
                    }
                }
                for (i, di) in one.by[..each].iter().enumerate() {
                    right[each * k + i] += own * di * r;
                }
            }
        }
        for (k, m) in marks.iter().enumerate() {
            cost += self.prior(m);
            let mut pull = |i: usize, value: f64, mean: f64, sd: f64| {
                right[each * k + i] -= (value - mean) / (sd * sd);
                matrix[(each * k + i, each * k + i)] += 1.0 / (sd * sd);
            };
            pull(2, m.radius_mm, self.shape.radius_mm.0, self.shape.radius_mm.1);
            pull(3, m.strength, self.shape.strength.0, self.shape.strength.1);
            for (i, v) in m.modes.iter().enumerate().filter(|_| modes) {
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
            let c = self.cost(&trial);
            if c < cost {
                let done = cost - c < 1e-4 * (1.0 + 1e-3 * cost);
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

    /// Misfit of adjusted marks.
    pub fn misfit(&self, marks: &[FittedMark]) -> f64 {
        self.cost(marks)
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
                let reach = self.shape.reach() * m.radius_mm * WIDEST;
                if dx * dx + dy * dy > reach * reach {
                    return 1.0;
                }
                let (rho, tilt) = m.rho_and_tilt(w_mm);
                (1.0 - m.strength * self.shape.at(rho).0 * tilt).max(0.02)
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
            .map(|(_, i)| {
                let (x, y) = (x0 + (i % nx) as f64 * grid, y0 + (i / nx) as f64 * grid);
                FittedMark::disc(x, y, usual, (num[i] / den[i]).clamp(0.05, 0.9))
            })
            .collect()
    }
}
