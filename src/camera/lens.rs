//! Where on the sensor does a ray land?
//!
//! Pinhole with radial and decentring distortion as OpenCV defines them (`calib3d`, "Detailed
//! Description"): with x = X/Z, y = Y/Z and r^2 = x^2 + y^2,
//!
//! x' = x (1 + k1 r^2 + k2 r^4 + k3 r^6) + 2 p1 x y + p2 (r^2 + 2 x^2)
//! y' = y (1 + k1 r^2 + k2 r^4 + k3 r^6) + p1 (r^2 + 2 y^2) + 2 p2 x y
//! (px, py) = (fx x' + cx, fy y' + cy).

use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

use crate::points::PixelPoint;

/// Number of parameters in the order of [`TERMS`].
pub const N: usize = 9;
/// The lens's parameters, in the order of every vector of them.
pub const TERMS: [&str; N] = ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"];

/// A lens with its sensor, pixels; (0, 0) is the centre of the top-left pixel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lens {
    /// Width of the upright photo, px.
    pub width: u32,
    /// Height of the upright photo, px.
    pub height: u32,
    /// Focal length over pixel width, px.
    pub fx: f64,
    /// Focal length over pixel height, px.
    pub fy: f64,
    /// Principal point, px.
    pub cx: f64,
    /// Principal point, px.
    pub cy: f64,
    /// Radial, r^2.
    pub k1: f64,
    /// Radial, r^4.
    pub k2: f64,
    /// Decentring.
    pub p1: f64,
    /// Decentring.
    pub p2: f64,
    /// Radial, r^6.
    pub k3: f64,
}

/// A projected point with its derivatives.
pub struct Projection {
    /// Where the point lands.
    pub pixel: PixelPoint,
    /// d(px, py) / d(camera-frame X, Y, Z), px per m.
    pub by_point: [[f64; 3]; 2],
    /// d(px, py) / d(terms in the order of [`TERMS`]).
    pub by_lens: [[f64; N]; 2],
}

impl Lens {
    /// A lens without distortion, its axis in the middle of the photo.
    pub fn pinhole(width: u32, height: u32, focal_px: f64) -> Self {
        Self {
            width,
            height,
            fx: focal_px,
            fy: focal_px,
            cx: (f64::from(width) - 1.0) / 2.0,
            cy: (f64::from(height) - 1.0) / 2.0,
            k1: 0.0,
            k2: 0.0,
            p1: 0.0,
            p2: 0.0,
            k3: 0.0,
        }
    }

    /// The parameters in the order of [`TERMS`].
    pub fn terms(&self) -> [f64; N] {
        [self.fx, self.fy, self.cx, self.cy, self.k1, self.k2, self.p1, self.p2, self.k3]
    }

    /// The same sensor with other parameters.
    pub fn with_terms(&self, t: [f64; N]) -> Self {
        let [fx, fy, cx, cy, k1, k2, p1, p2, k3] = t;
        Self { fx, fy, cx, cy, k1, k2, p1, p2, k3, ..*self }
    }

    fn distort(&self, x: f64, y: f64) -> [f64; 2] {
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3));
        [
            x * radial + 2.0 * self.p1 * x * y + self.p2 * (r2 + 2.0 * x * x),
            y * radial + self.p1 * (r2 + 2.0 * y * y) + 2.0 * self.p2 * x * y,
        ]
    }

    fn distort_derivative(&self, x: f64, y: f64) -> [[f64; 2]; 2] {
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3));
        let by_r2 = self.k1 + r2 * (2.0 * self.k2 + 3.0 * r2 * self.k3);
        let cross = 2.0 * x * y * by_r2 + 2.0 * self.p1 * x + 2.0 * self.p2 * y;
        [
            [radial + 2.0 * x * x * by_r2 + 2.0 * self.p1 * y + 6.0 * self.p2 * x, cross],
            [cross, radial + 2.0 * y * y * by_r2 + 6.0 * self.p1 * y + 2.0 * self.p2 * x],
        ]
    }

    /// Where a camera-frame point (x right, y down, z forward, m) lands; `None` behind the camera or
    /// where the distortion folds back on itself.
    pub fn project(&self, p: &Vector3<f64>) -> Option<PixelPoint> {
        if p.z <= 1e-9 {
            return None;
        }
        let (x, y) = (p.x / p.z, p.y / p.z);
        self.holds(x, y).then(|| {
            let d = self.distort(x, y);
            PixelPoint::new(self.fx * d[0] + self.cx, self.fy * d[1] + self.cy)
        })
    }

    /// True where radius still grows with radius: beyond, the polynomial says nothing about the lens.
    fn holds(&self, x: f64, y: f64) -> bool {
        let r2 = x * x + y * y;
        1.0 + r2 * (3.0 * self.k1 + r2 * (5.0 * self.k2 + 7.0 * r2 * self.k3)) > 0.05
    }

    /// As [`Lens::project`], with the derivatives.
    pub fn project_with_derivatives(&self, p: &Vector3<f64>) -> Option<Projection> {
        let pixel = self.project(p)?;
        let (x, y, iz) = (p.x / p.z, p.y / p.z, 1.0 / p.z);
        let r2 = x * x + y * y;
        let d = self.distort(x, y);
        let j = self.distort_derivative(x, y);
        let f = [self.fx, self.fy];
        let mut by_point = [[0.0; 3]; 2];
        for r in 0..2 {
            by_point[r] = [f[r] * j[r][0] * iz, f[r] * j[r][1] * iz, -f[r] * (j[r][0] * x + j[r][1] * y) * iz];
        }
        let (r4, r6) = (r2 * r2, r2 * r2 * r2);
        let by_lens = [
            [
                d[0],
                0.0,
                1.0,
                0.0,
                f[0] * x * r2,
                f[0] * x * r4,
                f[0] * 2.0 * x * y,
                f[0] * (r2 + 2.0 * x * x),
                f[0] * x * r6,
            ],
            [
                0.0,
                d[1],
                0.0,
                1.0,
                f[1] * y * r2,
                f[1] * y * r4,
                f[1] * (r2 + 2.0 * y * y),
                f[1] * 2.0 * x * y,
                f[1] * y * r6,
            ],
        ];
        Some(Projection { pixel, by_point, by_lens })
    }

    /// The ray (x/z, y/z) that lands on a pixel, by Newton's method to 1e-12; `None` where no ray does.
    pub fn ray_from_pixel(&self, pixel: PixelPoint) -> Option<[f64; 2]> {
        let want = [(pixel.x_px - self.cx) / self.fx, (pixel.y_px - self.cy) / self.fy];
        let [mut x, mut y] = want;
        for _ in 0..30 {
            let d = self.distort(x, y);
            let (ex, ey) = (want[0] - d[0], want[1] - d[1]);
            let j = self.distort_derivative(x, y);
            let det = j[0][0] * j[1][1] - j[0][1] * j[1][0];
            if det.abs() < 1e-9 {
                return None;
            }
            let (sx, sy) = ((j[1][1] * ex - j[0][1] * ey) / det, (j[0][0] * ey - j[1][0] * ex) / det);
            // A full step may jump over a fold of a strong lens; half a unit is farther than any ray is wrong.
            let cut = (0.5 / sx.hypot(sy).max(1e-300)).min(1.0);
            x += cut * sx;
            y += cut * sy;
            if sx.hypot(sy) < 1e-13 {
                break;
            }
        }
        let d = self.distort(x, y);
        ((d[0] - want[0]).hypot(d[1] - want[1]) < 1e-9 && self.holds(x, y)).then_some([x, y])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strong() -> Lens {
        let mut l = Lens::pinhole(1600, 1200, 900.0);
        (l.fy, l.cx, l.cy) = (905.0, 790.0, 610.0);
        (l.k1, l.k2, l.p1, l.p2, l.k3) = (-0.28, 0.11, 0.001, -0.0008, -0.02);
        l
    }

    #[test]
    fn a_pixel_and_its_ray_belong_together() {
        let l = strong();
        for (x, y) in [(200.0, 150.0), (800.0, 600.0), (1400.0, 120.0), (300.0, 1050.0)] {
            let p = PixelPoint::new(x, y);
            let r = l.ray_from_pixel(p).unwrap();
            let back = l.project(&Vector3::new(r[0], r[1], 1.0)).unwrap();
            assert!(back.distance_px(p) < 1e-8);
        }
    }

    #[test]
    fn derivatives_agree_with_differences() {
        let l = strong();
        let p = Vector3::new(0.3, -0.2, 1.1);
        let d = l.project_with_derivatives(&p).unwrap();
        for k in 0..3 {
            let mut q = p;
            q[k] += 1e-6;
            let a = l.project(&q).unwrap();
            assert!((d.by_point[0][k] - (a.x_px - d.pixel.x_px) / 1e-6).abs() < 2e-3);
            assert!((d.by_point[1][k] - (a.y_px - d.pixel.y_px) / 1e-6).abs() < 2e-3);
        }
        for k in 0..N {
            let mut t = l.terms();
            t[k] += 1e-6;
            let a = l.with_terms(t).project(&p).unwrap();
            assert!((d.by_lens[0][k] - (a.x_px - d.pixel.x_px) / 1e-6).abs() < 2e-3, "{}", TERMS[k]);
            assert!((d.by_lens[1][k] - (a.y_px - d.pixel.y_px) / 1e-6).abs() < 2e-3, "{}", TERMS[k]);
        }
    }

    #[test]
    fn a_ray_beyond_the_fold_is_refused() {
        let mut l = Lens::pinhole(1000, 1000, 500.0);
        l.k1 = -0.3;
        assert!(l.project(&Vector3::new(1.2, 0.0, 1.0)).is_none());
        assert!(l.project(&Vector3::new(0.1, 0.0, -1.0)).is_none());
    }
}
