//! Which plane-to-plane map carries these points onto those?
//!
//! x' ~ H x (homogeneous). Estimated by the normalised direct linear transform (Hartley and
//! Zisserman, *Multiple View Geometry*, 2nd ed., algorithm 4.2), which is algebraic least squares on
//! centred and scaled coordinates.

use nalgebra::{DMatrix, Matrix3, Vector3};

/// A plane-to-plane projective map.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Homography(pub Matrix3<f64>);

impl Homography {
    /// From at least four pairs of (from, to) points, with a weight each (1 / u); `None` when the
    /// points do not determine it.
    pub fn fit(pairs: &[([f64; 2], [f64; 2], f64)]) -> Option<Self> {
        if pairs.len() < 4 {
            return None;
        }
        let from = normaliser(pairs.iter().map(|p| p.0))?;
        let to = normaliser(pairs.iter().map(|p| p.1))?;
        let mut a = DMatrix::<f64>::zeros(2 * pairs.len(), 9);
        for (i, (p, q, w)) in pairs.iter().enumerate() {
            let p = from * Vector3::new(p[0], p[1], 1.0);
            let q = to * Vector3::new(q[0], q[1], 1.0);
            for k in 0..3 {
                a[(2 * i, k)] = w * p[k];
                a[(2 * i, 6 + k)] = -w * q[0] * p[k];
                a[(2 * i + 1, 3 + k)] = w * p[k];
                a[(2 * i + 1, 6 + k)] = -w * q[1] * p[k];
            }
        }
        let eigen = (a.transpose() * a).symmetric_eigen();
        let least = eigen.eigenvalues.imin();
        let v = eigen.eigenvectors.column(least);
        let h = Matrix3::new(v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7], v[8]);
        let h = to.try_inverse()? * h * from;
        let scale = h[(2, 2)];
        let h = if scale.abs() > 1e-12 * h.norm() { h / scale } else { h };
        h.iter().all(|x| x.is_finite()).then_some(Self(h))
    }

    /// Where a point goes; `None` at infinity.
    pub fn apply(&self, p: [f64; 2]) -> Option<[f64; 2]> {
        let q = self.0 * Vector3::new(p[0], p[1], 1.0);
        let out = [q[0] / q[2], q[1] / q[2]];
        (out[0].is_finite() && out[1].is_finite()).then_some(out)
    }

    /// The map's derivative at a point, [[dx'/dx, dx'/dy], [dy'/dx, dy'/dy]].
    pub fn derivative(&self, p: [f64; 2]) -> [[f64; 2]; 2] {
        let h = &self.0;
        let q = h * Vector3::new(p[0], p[1], 1.0);
        let d = |r: usize, c: usize| (h[(r, c)] - q[r] / q[2] * h[(2, c)]) / q[2];
        [[d(0, 0), d(0, 1)], [d(1, 0), d(1, 1)]]
    }

    /// The map back.
    pub fn inverse(&self) -> Option<Self> {
        self.0.try_inverse().map(Self)
    }
}

fn normaliser(points: impl Iterator<Item = [f64; 2]> + Clone) -> Option<Matrix3<f64>> {
    let n = points.clone().count() as f64;
    let (sx, sy) = points.clone().fold((0.0, 0.0), |s, p| (s.0 + p[0], s.1 + p[1]));
    let (mx, my) = (sx / n, sy / n);
    let mean = points.map(|p| (p[0] - mx).hypot(p[1] - my)).sum::<f64>() / n;
    let s = std::f64::consts::SQRT_2 / mean;
    s.is_finite().then(|| Matrix3::new(s, 0.0, -s * mx, 0.0, s, -s * my, 0.0, 0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn four_points_give_the_map_back() {
        let truth = Homography(Matrix3::new(1.2, 0.1, 30.0, -0.2, 0.9, 12.0, 1e-4, -2e-4, 1.0));
        let points = [[0.0, 0.0], [100.0, 3.0], [90.0, 120.0], [-5.0, 80.0], [40.0, 40.0]];
        let pairs: Vec<_> = points.iter().map(|&p| (p, truth.apply(p).unwrap(), 1.0)).collect();
        let h = Homography::fit(&pairs).unwrap();
        assert!((h.0 - truth.0).abs().max() < 1e-8, "{}", h.0);
        let d = h.derivative([40.0, 40.0]);
        let step = 1e-4;
        let a = h.apply([40.0 + step, 40.0]).unwrap();
        let b = h.apply([40.0 - step, 40.0]).unwrap();
        assert!((d[1][0] - (a[1] - b[1]) / (2.0 * step)).abs() < 1e-7);
        assert!(Homography::fit(&pairs[..3]).is_none());
    }
}
