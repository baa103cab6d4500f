//! Do pixels and wall points, turns and lenses stay each other's inverse on cameras that nobody chose?

use nalgebra::{Rotation3, Vector3};
use pockmark::camera::{Lens, Pose, WallView};
use pockmark::points::{PixelPoint, WallPoint};
use proptest::prelude::*;

/// A lens of a phone or camera, with distortion as large as wide lenses have.
fn lens() -> impl Strategy<Value = Lens> {
    (800u32..6000, 0.6f64..2.5, -0.25f64..0.15, -0.05f64..0.08, -2e-3f64..2e-3, -2e-3f64..2e-3, 0.97f64..1.03).prop_map(
        |(width, focal, k1, k2, p1, p2, square)| {
            let height = width * 3 / 4;
            let fx = focal * f64::from(width);
            Lens { fy: fx * square, k1, k2, p1, p2, ..Lens::pinhole(width, height, fx) }
        },
    )
}

/// A camera that looks at the wall from in front of it, up to 35 degrees askew and rolled by any angle.
fn pose() -> impl Strategy<Value = Pose> {
    (-0.6f64..0.6, -0.6f64..0.6, -3.1f64..3.1, -1.0f64..1.0, -1.0f64..1.0, 1.5f64..9.0).prop_map(
        |(a, b, roll, x, y, away)| {
            // Camera axes: x right, y down, z forward; the wall's z points at the camera.
            let facing = Rotation3::from_axis_angle(&Vector3::x_axis(), std::f64::consts::PI);
            let rotation = Rotation3::from_euler_angles(a, b, roll) * facing;
            Pose { rotation, translation: Vector3::new(x, y, away) }
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn a_wall_point_comes_back_from_its_pixel(lens in lens(), pose in pose(), u in 0.02f64..0.98, v in 0.02f64..0.98) {
        let view = WallView { lens, pose };
        let pixel = PixelPoint::new(u * f64::from(lens.width), v * f64::from(lens.height));
        let Some(wall) = view.wall_from_pixel(pixel) else { return Ok(()) };
        prop_assert!(wall.x_m.is_finite() && wall.y_m.is_finite());
        let Some(again) = view.pixel_from_wall(wall) else { return Ok(()) };
        // Far along a grazing ray, rounding of the wall point alone moves the pixel.
        let far = 1.0 + wall.x_m.hypot(wall.y_m);
        let off = (again.x_px - pixel.x_px).hypot(again.y_px - pixel.y_px);
        prop_assert!(off < 1e-6 * far, "{off} px at {far} m");
    }

    #[test]
    fn pixels_per_metre_is_the_slope(lens in lens(), pose in pose(), x in -0.8f64..0.8, y in -0.8f64..0.8) {
        let view = WallView { lens, pose };
        let step = 1e-6;
        let at = |x, y| view.pixel_from_wall(WallPoint::new(x, y));
        let (Some(j), Some(p), Some(right), Some(up)) =
            (view.pixels_per_metre(WallPoint::new(x, y)), at(x, y), at(x + step, y), at(x, y + step)) else { return Ok(()) };
        for (q, axis) in [(right, 0), (up, 1)] {
            let slope = [(q.x_px - p.x_px) / step, (q.y_px - p.y_px) / step];
            for row in 0..2 {
                let size = 1.0 + j[0][axis].hypot(j[1][axis]);
                prop_assert!((j[row][axis] - slope[row]).abs() < 1e-3 * size, "{j:?} {slope:?} axis {axis}");
            }
        }
    }

    #[test]
    fn a_pose_comes_back_from_its_rows_and_knows_where_its_eye_is(pose in pose()) {
        let again = Pose::from_rows(&pose.to_rows()).unwrap();
        prop_assert!((again.rotation.matrix() - pose.rotation.matrix()).amax() < 1e-12);
        prop_assert!(pose.camera_from_wall(&pose.eye()).norm() < 1e-9);
        prop_assert!(pose.eye().z > 0.0, "the camera stands in front of the wall");
        let still = pose.nudged(&[0.0; 6]);
        prop_assert!((still.rotation.matrix() - pose.rotation.matrix()).amax() < 1e-9);
    }

    #[test]
    fn turning_the_wall_turns_its_points_alike(lens in lens(), pose in pose(), turn in -3.0f64..3.0, x in -0.8f64..0.8, y in -0.8f64..0.8) {
        // The same camera with the wall's axes turned by `turn`: a point's coordinates turn back.
        let spin = Rotation3::from_axis_angle(&Vector3::z_axis(), turn);
        let turned = WallView { lens, pose: Pose { rotation: pose.rotation * spin, translation: pose.translation } };
        let point = spin.inverse() * Vector3::new(x, y, 0.0);
        let plain = WallView { lens, pose }.pixel_from_wall(WallPoint::new(x, y));
        let other = turned.pixel_from_wall(WallPoint::new(point.x, point.y));
        match (plain, other) {
            (Some(a), Some(b)) => prop_assert!((a.x_px - b.x_px).hypot(a.y_px - b.y_px) < 1e-6),
            (None, None) => {}
            _ => prop_assert!(false, "seen by one only"),
        }
    }
}
