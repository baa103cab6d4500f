//! Which wall point does a pixel show, and which pixel shows a wall point?
//!
//! A pose carries wall coordinates (x right, y up, z out of the wall, metres) into the camera's frame
//! (x right, y down, z forward): P = R X + t. With the lens it makes a view, and a pixel's ray meets
//! the plane z = 0 in one point.

use nalgebra::{Matrix3, Matrix4, Rotation3, Vector3};
use serde::{Deserialize, Serialize};

use super::lens::Lens;
use crate::points::{PixelPoint, WallPoint};

/// How far a file's matrix R may be from a rotation, largest term of R'R - 1: four typed digits pass, a mistyped one does not.
const MOST_OFF_A_ROTATION: f64 = 1e-3;

/// Where the camera stood: camera point = rotation x wall point + translation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pose {
    /// Wall axes to camera axes.
    pub rotation: Rotation3<f64>,
    /// The wall's origin in the camera's frame, m.
    pub translation: Vector3<f64>,
}

impl Pose {
    /// Camera-frame point of a wall-frame point (x, y, z), m.
    pub fn camera_from_wall(&self, x: &Vector3<f64>) -> Vector3<f64> {
        self.rotation * x + self.translation
    }

    /// The camera's place in the wall's frame, m.
    pub fn eye(&self) -> Vector3<f64> {
        -(self.rotation.inverse() * self.translation)
    }

    /// The pose after a small turn (rotation vector, rad) of the camera-frame point about the wall's
    /// origin and a shift (m): P = exp(turn) R X + t + shift.
    pub fn nudged(&self, step: &[f64; 6]) -> Self {
        let turn = Rotation3::new(Vector3::new(step[0], step[1], step[2]));
        Self {
            rotation: Rotation3::from_matrix_eps(&(turn * self.rotation).into_inner(), 1e-14, 20, self.rotation),
            translation: self.translation + Vector3::new(step[3], step[4], step[5]),
        }
    }

    /// The 4 x 4 matrix, row by row, for files.
    pub fn to_rows(&self) -> [[f64; 4]; 4] {
        let mut m = Matrix4::identity();
        m.fixed_view_mut::<3, 3>(0, 0).copy_from(self.rotation.matrix());
        m.fixed_view_mut::<3, 1>(0, 3).copy_from(&self.translation);
        std::array::from_fn(|r| std::array::from_fn(|c| m[(r, c)]))
    }

    /// From the 4 x 4 matrix; the rotation is made orthonormal again. `None` when it is not a rotation.
    pub fn from_rows(rows: &[[f64; 4]; 4]) -> Option<Self> {
        let m = Matrix3::from_fn(|r, c| rows[r][c]);
        let t = Vector3::new(rows[0][3], rows[1][3], rows[2][3]);
        let off = (m.transpose() * m - Matrix3::identity()).amax();
        // Asked first: the search for the nearest rotation need not end for what is none.
        if !(t.iter().all(|v| v.is_finite()) && off < MOST_OFF_A_ROTATION && m.determinant() > 0.0) {
            return None;
        }
        // What is a rotation to rounding comes back bit by bit, so that a file's pose is the very pose that was written.
        let rotation = if off < 1e-13 {
            Rotation3::from_matrix_unchecked(m)
        } else {
            Rotation3::from_matrix_eps(&m, 1e-15, 100, Rotation3::identity())
        };
        Some(Self { rotation, translation: t })
    }
}

impl Serialize for Pose {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        self.to_rows().serialize(s)
    }
}

impl<'de> Deserialize<'de> for Pose {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let rows = <[[f64; 4]; 4]>::deserialize(d)?;
        Self::from_rows(&rows).ok_or_else(|| serde::de::Error::custom("a pose's 3 x 3 part is not a rotation"))
    }
}

/// A lens at a place: the map between a photo and the wall.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WallView {
    /// The lens.
    pub lens: Lens,
    /// Where it stood.
    pub pose: Pose,
}

impl WallView {
    /// The pixel that shows a wall point; `None` behind the camera or beyond what the lens model holds for.
    pub fn pixel_from_wall(&self, w: WallPoint) -> Option<PixelPoint> {
        self.lens.project(&self.pose.camera_from_wall(&Vector3::new(w.x_m, w.y_m, 0.0)))
    }

    /// The wall point that a pixel shows; `None` where the ray does not meet the wall in front of the camera.
    pub fn wall_from_pixel(&self, p: PixelPoint) -> Option<WallPoint> {
        let [x, y] = self.lens.ray_from_pixel(p)?;
        let back = self.pose.rotation.inverse();
        let ray = back * Vector3::new(x, y, 1.0);
        let eye = self.pose.eye();
        let s = -eye.z / ray.z;
        let ok = s.is_finite() && s > 0.0;
        ok.then(|| WallPoint::new(eye.x + s * ray.x, eye.y + s * ray.y))
    }

    /// Pixels a wall metre at a wall point: [[dpx/dx, dpx/dy], [dpy/dx, dpy/dy]].
    pub fn pixels_per_metre(&self, w: WallPoint) -> Option<[[f64; 2]; 2]> {
        let p = self.lens.project_with_derivatives(&self.pose.camera_from_wall(&Vector3::new(w.x_m, w.y_m, 0.0)))?;
        let r = self.pose.rotation.matrix();
        let d = |row: usize, axis: usize| (0..3).map(|k| p.by_point[row][k] * r[(k, axis)]).sum::<f64>();
        Some([[d(0, 0), d(0, 1)], [d(1, 0), d(1, 1)]])
    }

    /// Derivatives of the wall point shown by a fixed pixel, m per unit: by the pose's six steps
    /// (as in [`Pose::nudged`]) and by the lens terms.
    ///
    /// From the implicit function: pixel(w, theta) = const gives dw = -(dpixel/dw)^-1 dpixel/dtheta.
    pub fn wall_by_parameters(&self, w: WallPoint) -> Option<WallDerivatives> {
        let x = Vector3::new(w.x_m, w.y_m, 0.0);
        let turned = self.pose.rotation * x;
        let p = self.lens.project_with_derivatives(&(turned + self.pose.translation))?;
        let j = self.pixels_per_metre(w)?;
        let det = j[0][0] * j[1][1] - j[0][1] * j[1][0];
        let inv = [[j[1][1] / det, -j[0][1] / det], [-j[1][0] / det, j[0][0] / det]];
        let solve = |dx: f64, dy: f64| [-(inv[0][0] * dx + inv[0][1] * dy), -(inv[1][0] * dx + inv[1][1] * dy)];
        let mut by_pose = [[0.0; 2]; 6];
        for (k, out) in by_pose.iter_mut().enumerate() {
            let d = pose_column(&turned, k);
            let row = |r: usize| (0..3).map(|i| p.by_point[r][i] * d[i]).sum::<f64>();
            *out = solve(row(0), row(1));
        }
        let by_lens = std::array::from_fn(|k| solve(p.by_lens[0][k], p.by_lens[1][k]));
        Some(WallDerivatives { by_pose, by_lens })
    }
}

/// What [`WallView::wall_by_parameters`] gives: d(x, y) per parameter.
pub struct WallDerivatives {
    /// By the pose's steps: three turns (m per rad), three shifts (m per m).
    pub by_pose: [[f64; 2]; 6],
    /// By the lens terms in the order of [`super::lens::TERMS`].
    pub by_lens: [[f64; 2]; super::lens::N],
}

/// d(camera point) by step `k` of [`Pose::nudged`], for a point whose rotated part is `turned`.
pub fn pose_column(turned: &Vector3<f64>, k: usize) -> Vector3<f64> {
    match k {
        0 => Vector3::new(0.0, -turned.z, turned.y),
        1 => Vector3::new(turned.z, 0.0, -turned.x),
        2 => Vector3::new(-turned.y, turned.x, 0.0),
        _ => Vector3::ith(k - 3, 1.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view() -> WallView {
        let mut lens = Lens::pinhole(1600, 1200, 1100.0);
        (lens.k1, lens.k2, lens.p1) = (0.08, -0.1, 0.0005);
        let face = Rotation3::from_matrix(&Matrix3::new(1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, -1.0));
        let pose = Pose {
            rotation: Rotation3::new(Vector3::new(0.1, 0.3, -0.05)) * face,
            translation: Vector3::new(-0.9, 0.8, 2.6),
        };
        WallView { lens, pose }
    }

    #[test]
    fn wall_and_pixel_go_there_and_back() {
        let v = view();
        for (x, y) in [(0.0, 0.0), (1.5, 0.4), (0.7, 1.3)] {
            let w = WallPoint::new(x, y);
            let back = v.wall_from_pixel(v.pixel_from_wall(w).unwrap()).unwrap();
            assert!(back.distance_m(w) < 1e-10);
        }
    }

    #[test]
    fn derivatives_of_the_wall_point_agree_with_differences() {
        let v = view();
        let w = WallPoint::new(0.9, 0.6);
        let pixel = v.pixel_from_wall(w).unwrap();
        let d = v.wall_by_parameters(w).unwrap();
        for k in 0..6 {
            let mut step = [0.0; 6];
            step[k] = 1e-6;
            let moved = WallView { pose: v.pose.nudged(&step), ..v }.wall_from_pixel(pixel).unwrap();
            assert!((d.by_pose[k][0] - (moved.x_m - w.x_m) / 1e-6).abs() < 1e-4, "{k}");
            assert!((d.by_pose[k][1] - (moved.y_m - w.y_m) / 1e-6).abs() < 1e-4, "{k}");
        }
        let mut t = v.lens.terms();
        t[4] += 1e-6;
        let moved = WallView { lens: v.lens.with_terms(t), ..v }.wall_from_pixel(pixel).unwrap();
        assert!((d.by_lens[4][0] - (moved.x_m - w.x_m) / 1e-6).abs() < 1e-4);
    }

    #[test]
    fn a_pose_survives_its_file() {
        let p = view().pose;
        let text = serde_json::to_string(&p).unwrap();
        let back: Pose = serde_json::from_str(&text).unwrap();
        assert!((back.to_rows()[1][2] - p.to_rows()[1][2]).abs() < 1e-12);
        assert!(serde_json::from_str::<Pose>("[[1,0,0,0],[0,1,0,0],[0,0,5,0],[0,0,0,1]]").is_err());
    }
}
