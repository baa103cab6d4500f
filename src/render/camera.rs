//! Where on the wall does a pixel look, and where in the photo does a point of the wall appear?
//!
//! A pinhole with OpenCV's five-term lens (`cv2.projectPoints`: k1, k2, p1, p2, k3), kept small and separate so that
//! the renderer checks the rest of the program instead of repeating its mistakes.
//!
//! Camera frame: x right, y down, z forward. Wall frame: x right, y up, z out of the wall. A point X of the wall is
//! seen at `rotation * (X - eye)`.

use nalgebra::{Matrix3, Vector3};

use crate::points::{PixelPoint, WallPoint};

/// Newton steps before a pixel is given up: good lenses need three or four.
const MOST_STEPS: usize = 20;
/// A step below this ends the search: Newton's next would be about its square, 1e-14 of the focal length, 1e-10 px at most.
const STEP_ENOUGH: f64 = 1e-7;

/// Where a camera stands and looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RenderPose {
    /// Turns wall directions into camera directions.
    pub rotation: Matrix3<f64>,
    /// The lens's place in the wall frame, m; z is its distance from the wall.
    pub eye_m: Vector3<f64>,
}

impl RenderPose {
    /// At `eye_m`, looking at a point of the wall, turned by `roll_rad` clockwise about the line of sight
    /// (the photo's content turns counter-clockwise).
    pub fn looking_at(eye_m: [f64; 3], target: WallPoint, roll_rad: f64) -> Self {
        let eye_m = Vector3::from(eye_m);
        let forward = (Vector3::new(target.x_m, target.y_m, 0.0) - eye_m).normalize();
        let right = forward.cross(&Vector3::y()).normalize();
        let down = forward.cross(&right);
        let (sin, cos) = roll_rad.sin_cos();
        let (right, down) = (right * cos + down * sin, down * cos - right * sin);
        let rotation = Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
        Self { rotation, eye_m }
    }

    /// The same camera nudged: turned by small angles about its own axes (x right, y down, z forward; rad) and shifted in the wall frame (m).
    pub fn nudged(&self, turn_rad: [f64; 3], shift_m: [f64; 3]) -> Self {
        let turn = nalgebra::Rotation3::from_scaled_axis(Vector3::from(turn_rad));
        Self { rotation: turn.matrix() * self.rotation, eye_m: self.eye_m + Vector3::from(shift_m) }
    }
}

/// A camera at its place: lens and pose.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RenderCamera {
    /// Photo width, px.
    pub width: usize,
    /// Photo height, px.
    pub height: usize,
    /// Focal length across, px.
    pub fx_px: f64,
    /// Focal length down, px.
    pub fy_px: f64,
    /// Principal point, px from the centre of the top-left pixel.
    pub cx_px: f64,
    /// Principal point, px from the centre of the top-left pixel.
    pub cy_px: f64,
    /// Radial term of the second power.
    pub k1: f64,
    /// Radial term of the fourth power.
    pub k2: f64,
    /// Decentring term.
    pub p1: f64,
    /// Decentring term.
    pub p2: f64,
    /// Radial term of the sixth power.
    pub k3: f64,
    /// Where it stands.
    pub pose: RenderPose,
}

impl RenderCamera {
    /// A camera without distortion whose field of view across is `across_rad`, its principal point in the middle.
    pub fn pinhole(width: usize, height: usize, across_rad: f64, pose: RenderPose) -> Self {
        let f_px = 0.5 * width as f64 / (0.5 * across_rad).tan();
        let (cx_px, cy_px) = (0.5 * (width as f64 - 1.0), 0.5 * (height as f64 - 1.0));
        let (k1, k2, p1, p2, k3) = (0.0, 0.0, 0.0, 0.0, 0.0);
        Self { width, height, fx_px: f_px, fy_px: f_px, cx_px, cy_px, k1, k2, p1, p2, k3, pose }
    }

    /// The lens's image of an undistorted direction, and the partial derivatives (dx/dx, dx/dy = dy/dx, dy/dy).
    fn distort(&self, x: f64, y: f64) -> ([f64; 2], [f64; 3]) {
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3));
        let slope = self.k1 + r2 * (2.0 * self.k2 + 3.0 * r2 * self.k3);
        let (p1, p2) = (self.p1, self.p2);
        let xd = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x);
        let yd = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y;
        let xx = radial + 2.0 * x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x;
        let xy = 2.0 * x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y;
        let yy = radial + 2.0 * y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x;
        ([xd, yd], [xx, xy, yy])
    }

    /// The direction (x/z, y/z) that a pixel looks in, found from a first guess; `None` where the lens has no answer.
    pub(crate) fn direction(&self, at: PixelPoint, guess: Option<[f64; 2]>) -> Option<[f64; 2]> {
        let want = [(at.x_px - self.cx_px) / self.fx_px, (at.y_px - self.cy_px) / self.fy_px];
        let [mut x, mut y] = guess.unwrap_or(want);
        for _ in 0..MOST_STEPS {
            let ([xd, yd], [xx, xy, yy]) = self.distort(x, y);
            let det = xx * yy - xy * xy;
            if det.is_nan() || det <= 0.0 {
                // The lens folds over here.
                return None;
            }
            let (ex, ey) = (xd - want[0], yd - want[1]);
            let (dx, dy) = ((yy * ex - xy * ey) / det, (xx * ey - xy * ex) / det);
            (x, y) = (x - dx, y - dy);
            if dx.abs() + dy.abs() < STEP_ENOUGH {
                return Some([x, y]);
            }
        }
        None
    }

    /// Where a direction in the camera frame meets the wall.
    pub(crate) fn hit(&self, direction: [f64; 2]) -> Option<WallPoint> {
        let ray = self.pose.rotation.tr_mul(&Vector3::new(direction[0], direction[1], 1.0));
        if ray.z > -1e-9 {
            return None;
        }
        let distance = -self.pose.eye_m.z / ray.z;
        (distance > 0.0)
            .then(|| WallPoint::new(self.pose.eye_m.x + distance * ray.x, self.pose.eye_m.y + distance * ray.y))
    }

    /// The point of the wall that a pixel looks at; `None` when it looks past the wall's plane.
    pub fn wall_point(&self, at: PixelPoint) -> Option<WallPoint> {
        self.hit(self.direction(at, None)?)
    }

    /// Where a point of the wall appears, inside the photo or not; `None` behind the camera.
    pub fn pixel(&self, at: WallPoint) -> Option<PixelPoint> {
        let p = self.pose.rotation * (Vector3::new(at.x_m, at.y_m, 0.0) - self.pose.eye_m);
        if p.z < 1e-6 {
            return None;
        }
        let ([xd, yd], _) = self.distort(p.x / p.z, p.y / p.z);
        Some(PixelPoint::new(self.fx_px * xd + self.cx_px, self.fy_px * yd + self.cy_px))
    }

    /// The same view of a part of the photo, `finer` times as fine; (x, y) is the part's top-left pixel.
    pub(crate) fn part(&self, (x, y): (usize, usize), (width, height): (usize, usize), finer: usize) -> Self {
        let scale = finer as f64;
        Self {
            width: width * finer,
            height: height * finer,
            fx_px: self.fx_px * scale,
            fy_px: self.fy_px * scale,
            cx_px: (self.cx_px - x as f64 + 0.5) * scale - 0.5,
            cy_px: (self.cy_px - y as f64 + 0.5) * scale - 0.5,
            ..*self
        }
    }

    /// True when the pixel lies in the photo.
    pub fn sees(&self, at: PixelPoint) -> bool {
        (0.0..=self.width as f64 - 1.0).contains(&at.x_px) && (0.0..=self.height as f64 - 1.0).contains(&at.y_px)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pixel_and_wall_point_are_each_others_inverse() {
        let pose = RenderPose::looking_at([0.7, 0.4, 3.0], WallPoint::new(0.1, 0.6), 0.05);
        let mut camera = RenderCamera::pinhole(1600, 1200, 1.1, pose);
        (camera.k1, camera.k2, camera.p1, camera.p2, camera.k3) = (-0.12, 0.05, 4e-4, -3e-4, -0.01);
        for (x_px, y_px) in [(0.0, 0.0), (1599.0, 0.0), (800.0, 600.0), (31.5, 1180.25), (1599.0, 1199.0)] {
            let p = PixelPoint::new(x_px, y_px);
            let back = camera.pixel(camera.wall_point(p).unwrap()).unwrap();
            assert!(back.distance_px(p) < 1e-8, "{p:?} {back:?}");
        }
    }

    #[test]
    fn a_part_sees_the_same_places_finer() {
        let pose = RenderPose::looking_at([0.7, 0.4, 3.0], WallPoint::new(0.1, 0.6), 0.05);
        let whole = RenderCamera { k1: -0.1, ..RenderCamera::pinhole(640, 480, 1.1, pose) };
        let part = whole.part((100, 50), (30, 20), 3);
        // Pixel (103, 52) is the middle one of nine: fine column 3 x 3 + 1, row 2 x 3 + 1.
        let (a, b) = (
            whole.wall_point(PixelPoint::new(103.0, 52.0)).unwrap(),
            part.wall_point(PixelPoint::new(10.0, 7.0)).unwrap(),
        );
        assert!(a.distance_m(b) < 1e-12);
    }

    #[test]
    fn right_is_right_and_up_is_up() {
        let camera =
            RenderCamera::pinhole(640, 480, 1.0, RenderPose::looking_at([0.0, 0.0, 2.0], WallPoint::default(), 0.0));
        let (right, up) =
            (camera.pixel(WallPoint::new(0.1, 0.0)).unwrap(), camera.pixel(WallPoint::new(0.0, 0.1)).unwrap());
        assert!(right.x_px > camera.cx_px + 20.0 && (right.y_px - camera.cy_px).abs() < 1e-9);
        assert!(up.y_px < camera.cy_px - 20.0 && (up.x_px - camera.cx_px).abs() < 1e-9);
    }
}
