//! What does a fitted mark look like, and what does it do to a pixel?
//!
//! Opacities of marks over marks multiply: a = 1 - prod_k (1 - s_k S(rho_k) (1 + tilt_k . (w - c_k) / r_k)), with
//! rho_k = |w - c_k| / (r_k (1 + sum_m a_m cos m theta + b_m sin m theta)) and S the session's mark shape: a ball's mark is
//! a disc whose rim waves and which one side may take more of.

use nalgebra::DMatrix;

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

/// The mark that a place is nearest to, and how near, rims' distances ([`FittedMark::rho_and_tilt`]).
pub(super) fn nearest_mark(marks: &[FittedMark], w_mm: [f64; 2]) -> Option<(usize, f64)> {
    (0..marks.len()).map(|k| (k, marks[k].rho_and_tilt(w_mm).0)).min_by(|a, b| a.1.total_cmp(&b.1))
}

/// Largest sum of waves that a pixel's reach allows for; and where marks are smeared: an ellipse twice as long as wide has half more than its mean.
const WIDEST: f64 = 1.15;
const WIDEST_SMEARED: f64 = 1.5;

impl FittedMark {
    /// A mark that is a plain disc.
    pub fn disc(x_mm: f64, y_mm: f64, radius_mm: f64, strength: f64) -> Self {
        Self { x_mm, y_mm, radius_mm, strength, modes: [0.0; MODES] }
    }

    /// Distance between two marks' centres, mm.
    pub fn distance_mm(&self, other: &Self) -> f64 {
        (self.x_mm - other.x_mm).hypot(self.y_mm - other.y_mm)
    }

    /// Whether the discs of two marks overlap.
    pub fn overlaps(&self, other: &Self) -> bool {
        self.distance_mm(other) < self.radius_mm + other.radius_mm
    }

    /// Distance from the centre over the waving rim's, and 1 + tilt . u.
    #[inline]
    pub fn rho_and_tilt(&self, w_mm: [f64; 2]) -> (f64, f64) {
        let (dx, dy) = (w_mm[0] - self.x_mm, w_mm[1] - self.y_mm);
        let d = (dx * dx + dy * dy).sqrt().max(1e-9);
        let inverse_d = 1.0 / d;
        let (wave, _) = self.wave(dx * inverse_d, dy * inverse_d);
        let tilt = 1.0 + (self.modes[TILT] * dx + self.modes[TILT + 1] * dy) / self.radius_mm;
        (d / (self.radius_mm * (1.0 + wave).max(0.3)), tilt.max(0.0))
    }

    /// The rim's wave in a direction, and its derivative by the angle.
    #[inline]
    fn wave(&self, c: f64, s: f64) -> (f64, f64) {
        let mut out = (0.0, 0.0);
        // cos and sin of m theta by the addition theorem, from m = 1 on.
        if self.modes[..TILT] == [0.0; TILT] {
            return out;
        }
        let (mut cm, mut sm) = (c, s);
        for (k, &m) in WAVE_ORDERS.iter().enumerate() {
            (cm, sm) = (cm * c - sm * s, sm * c + cm * s);
            let (a, b) = (self.modes[2 * k], self.modes[2 * k + 1]);
            out.0 += a * cm + b * sm;
            out.1 += m as f64 * (b * cm - a * sm);
        }
        out
    }

    /// Distance beyond which the mark does nothing, mm.
    pub(super) fn reach_mm(&self, shape: &MarkShape) -> f64 {
        shape.reach() * self.radius_mm * if shape.smeared { WIDEST_SMEARED } else { WIDEST }
    }

    /// Opacity at a wall point, mm, with its derivatives by x, y, radius, strength and, where N = [`UNKNOWNS`], modes. `None` out of reach.
    /// In full precision, one pixel at a time: what [`super::lanes`] is checked against.
    #[cfg(test)]
    pub(super) fn laid<const N: usize>(&self, shape: &MarkShape, w_mm: [f64; 2]) -> Option<(f64, [f64; N])> {
        let (dx, dy) = (w_mm[0] - self.x_mm, w_mm[1] - self.y_mm);
        let r = self.radius_mm;
        let d2 = dx * dx + dy * dy;
        let reach = self.reach_mm(shape);
        if d2 > reach * reach {
            return None;
        }
        let d = d2.sqrt().max(1e-9);
        let inverse_d = 1.0 / d;
        let (c, s) = (dx * inverse_d, dy * inverse_d);
        let (wave, turn) = self.wave(c, s);
        let grown = (1.0 + wave).max(0.3);
        let per_mm = 1.0 / (r * grown);
        let rho = d * per_mm;
        let (profile, slope) = shape.at(rho);
        let inverse_r = grown * per_mm;
        let tilt = (1.0 + (self.modes[TILT] * dx + self.modes[TILT + 1] * dy) * inverse_r).max(0.0);
        let by_rho = self.strength * slope * tilt;
        let by_tilt = self.strength * profile;
        let by_wave = -by_rho * rho * rho * r * inverse_d;
        let turned = by_wave * turn * inverse_d;
        let mut by = [0.0; N];
        // Moving the centre changes distance, direction, and the place on the tilt.
        by[0] = -by_rho * c * per_mm + turned * s - by_tilt * self.modes[TILT] * inverse_r;
        by[1] = -by_rho * s * per_mm - turned * c - by_tilt * self.modes[TILT + 1] * inverse_r;
        by[2] = (-by_rho * rho - by_tilt * (tilt - 1.0)) * inverse_r;
        by[3] = profile * tilt;
        if N == UNKNOWNS {
            let (mut cm, mut sm) = (c, s);
            for k in 0..WAVE_ORDERS.len() {
                (cm, sm) = (cm * c - sm * s, sm * c + cm * s);
                by[4 + 2 * k] = by_wave * cm;
                by[5 + 2 * k] = by_wave * sm;
            }
            by[4 + TILT] = by_tilt * dx * inverse_r;
            by[5 + TILT] = by_tilt * dy * inverse_r;
        }
        Some((by_tilt * tilt, by))
    }

    /// What share of the light the mark lets through at a wall point, mm; at least 0.02.
    #[inline]
    pub(super) fn clear(&self, shape: &MarkShape, w_mm: [f64; 2]) -> f64 {
        let (dx, dy) = (w_mm[0] - self.x_mm, w_mm[1] - self.y_mm);
        let reach = self.reach_mm(shape);
        if dx * dx + dy * dy > reach * reach {
            return 1.0;
        }
        let (rho, tilt) = self.rho_and_tilt(w_mm);
        (1.0 - self.strength * shape.at(rho).0 * tilt).max(LEAST_CLEAR)
    }
}

/// A mark lets through at least this share of the light in the model: a product of marks stays invertible.
pub(super) const LEAST_CLEAR: f64 = 0.02;

/// Opacity of marks together at a wall point, mm.
pub fn opacity_at(marks: &[FittedMark], shape: &MarkShape, w_mm: [f64; 2]) -> f64 {
    1.0 - marks.iter().map(|m| m.clear(shape, w_mm)).product::<f64>()
}

/// Opacity of marks together at a wall point, mm, and the sum of squares of how much each mark alone has in it: a tenth more of that mark's
/// opacity adds a tenth of its part. Where marks lie on marks the parts are small: what shows is nearly opaque whatever each of them is.
pub fn opacity_and_parts_at(marks: &[FittedMark], shape: &MarkShape, w_mm: [f64; 2]) -> (f64, f64) {
    let (mut clear, mut squares) = (1.0, 0.0);
    for c in marks.iter().map(|m| m.clear(shape, w_mm)).filter(|c| *c < 1.0) {
        // The others' share of light is the product of all without this one's.
        squares = squares * c * c + (clear * (1.0 - c)).powi(2);
        clear *= c;
    }
    (1.0 - clear, squares)
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
    /// By how much each mark's residuals scatter more than expected, at least 1: the factor on its covariance.
    pub lack_of_fit: Vec<f64>,
    /// Other explanations by as many marks that were adjusted, and this one as it was among them: misfit (on thinned pixels) and marks.
    /// This one is the first, its marks in the same order.
    pub trials: Vec<(f64, Vec<FittedMark>)>,
}
