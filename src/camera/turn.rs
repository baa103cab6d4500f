//! A photo was taken with the camera held another way up than in the calibration: where do its pixels lie in the calibration's photos?
//!
//! A lens is fixed to its sensor, and so are its axis and its decentring; photos are turned upright after that, by what Exif says. Turning
//! a photo clockwise by a quarter carries the pixel (x, y) of a photo `height` pixels high to (height - 1 - y, x), the camera's axes (X, Y) to
//! (-Y, X), and the decentring terms (p1, p2) to (p2, -p1); radial terms stay (put x = v, y = -u into the equations of [`super::lens`]).

use nalgebra::{Matrix3, Rotation3, Vector3};
use serde::{Deserialize, Serialize};

use super::lens::Lens;
use super::view::{Pose, WallView};
use crate::points::PixelPoint;
use crate::sheet::SheetView;

/// Quarter turns clockwise that carry one upright photo's pixels to another's, taken with the same camera held another way up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "u8", into = "u8")]
pub struct Turn(u8);

impl From<u8> for Turn {
    fn from(quarters: u8) -> Self {
        Self(quarters % 4)
    }
}

impl From<Turn> for u8 {
    fn from(turn: Turn) -> Self {
        turn.0
    }
}

/// Quarter turns clockwise that stand a stored photo upright; `None` for mirrored ones, which no camera writes.
///
/// Source: Exif 2.32, tag 0x0112 Orientation: 1 upright, 3 by half a turn, 6 by a quarter clockwise, 8 by a quarter counter-clockwise.
fn quarters(orientation: u8) -> Option<u8> {
    match orientation {
        1 => Some(0),
        6 => Some(1),
        3 => Some(2),
        8 => Some(3),
        _ => None,
    }
}

impl Turn {
    /// As it was held in the calibration.
    pub const NONE: Self = Self(0);

    /// From one photo to another, by both their Exif orientations. `None` when either does not say how the camera was held.
    pub fn between(from: Option<u8>, to: Option<u8>) -> Option<Self> {
        let (from, to) = (quarters(from?)?, quarters(to?)?);
        Some(Self((to + 4 - from) % 4))
    }

    /// The way back.
    pub fn back(self) -> Self {
        Self((4 - self.0) % 4)
    }

    /// Width and height of a photo of this size after the turn, px.
    pub fn size(self, (width, height): (u32, u32)) -> (u32, u32) {
        if self.0 % 2 == 1 { (height, width) } else { (width, height) }
    }

    /// Where a pixel of a photo of this size (before the turn, px) lies after it.
    pub fn pixel(self, p: PixelPoint, (width, height): (u32, u32)) -> PixelPoint {
        let (w, h) = (f64::from(width) - 1.0, f64::from(height) - 1.0);
        match self.0 {
            0 => p,
            1 => PixelPoint::new(h - p.y_px, p.x_px),
            2 => PixelPoint::new(w - p.x_px, h - p.y_px),
            _ => PixelPoint::new(p.y_px, w - p.x_px),
        }
    }

    /// A step across and down after the turn.
    pub fn step(self, [x, y]: [f64; 2]) -> [f64; 2] {
        match self.0 {
            0 => [x, y],
            1 => [-y, x],
            2 => [-x, -y],
            _ => [y, -x],
        }
    }

    /// The same sheet in a photo of this size (before the turn, px) that is turned.
    pub fn sheet(self, sheet: &SheetView, size: (u32, u32)) -> SheetView {
        let mut out = sheet.clone();
        let tags = out.tags.iter_mut().flat_map(|t| &mut t.corners);
        for p in out.corners.iter_mut().map(|c| &mut c.saddle.point).chain(tags) {
            *p = self.pixel(*p, size);
        }
        out
    }

    /// The camera's axes (x right, y down, z forward) after the turn.
    pub fn axes(self) -> Rotation3<f64> {
        let (x, y) = (self.step([1.0, 0.0]), self.step([0.0, 1.0]));
        Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[
            Vector3::new(x[0], x[1], 0.0),
            Vector3::new(y[0], y[1], 0.0),
            Vector3::z(),
        ]))
    }

    /// The same lens on a photo that is turned.
    pub fn lens(self, lens: &Lens) -> Lens {
        let (width, height) = self.size((lens.width, lens.height));
        let axis = self.pixel(PixelPoint::new(lens.cx, lens.cy), (lens.width, lens.height));
        let [fx, fy] = if self.0 % 2 == 1 { [lens.fy, lens.fx] } else { [lens.fx, lens.fy] };
        let [p2, p1] = self.step([lens.p2, lens.p1]);
        Lens { width, height, fx, fy, cx: axis.x_px, cy: axis.y_px, p1, p2, ..*lens }
    }

    /// The same view of the wall on a photo that is turned.
    pub fn view(self, view: &WallView) -> WallView {
        if self == Self::NONE {
            return *view;
        }
        let axes = self.axes();
        let pose = Pose { rotation: axes * view.pose.rotation, translation: axes * view.pose.translation };
        WallView { lens: self.lens(&view.lens), pose }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::points::WallPoint;

    fn view() -> WallView {
        let mut lens = Lens::pinhole(1600, 1200, 1100.0);
        (lens.fy, lens.cx, lens.cy) = (1104.0, 790.0, 610.0);
        (lens.k1, lens.k2, lens.p1, lens.p2, lens.k3) = (0.08, -0.1, 0.002, -0.003, 0.01);
        let face = Rotation3::from_matrix(&Matrix3::new(1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, -1.0));
        let rotation = Rotation3::new(Vector3::new(0.1, 0.3, -0.05)) * face;
        WallView { lens, pose: Pose { rotation, translation: Vector3::new(-0.9, 0.8, 2.6) } }
    }

    #[test]
    fn a_turned_view_shows_every_wall_point_where_the_turned_photo_does() {
        let v = view();
        for quarters in 0..4 {
            let turn = Turn(quarters);
            let turned = turn.view(&v);
            assert_eq!((turned.lens.width, turned.lens.height), turn.size((1600, 1200)));
            for (x, y) in [(0.0, 0.0), (1.5, 0.4), (0.7, 1.3), (1.8, 1.2)] {
                let w = WallPoint::new(x, y);
                let p = turn.pixel(v.pixel_from_wall(w).unwrap(), (1600, 1200));
                assert!(turned.pixel_from_wall(w).unwrap().distance_px(p) < 1e-9, "{quarters} ({x}, {y})");
            }
            let back = turn.back().view(&turned);
            let terms = back.lens.terms().into_iter().zip(v.lens.terms());
            assert!(terms.into_iter().all(|(a, b)| (a - b).abs() < 1e-9), "{quarters}");
            assert!((back.pose.rotation.matrix() - v.pose.rotation.matrix()).amax() < 1e-15);
        }
    }

    #[test]
    fn pixels_turn_as_photos_do() {
        // Source: the `image` crate's own turns, one pixel at a time.
        use image::{GrayImage, Luma, imageops};
        let (x, y) = (2, 1);
        let mut stored = GrayImage::new(5, 3);
        stored.put_pixel(x, y, Luma([255]));
        let turned =
            [stored.clone(), imageops::rotate90(&stored), imageops::rotate180(&stored), imageops::rotate270(&stored)];
        for (quarters, photo) in (0..4).zip(turned) {
            let turn = Turn(quarters);
            assert_eq!(photo.dimensions(), turn.size((5, 3)));
            let p = turn.pixel(PixelPoint::new(f64::from(x), f64::from(y)), (5, 3));
            assert_eq!(photo.get_pixel(p.x_px as u32, p.y_px as u32).0[0], 255, "{quarters}");
        }
    }

    #[test]
    fn exif_tells_the_turn_or_nothing_does() {
        assert_eq!(Turn::between(Some(1), Some(6)), Some(Turn(1)));
        assert_eq!(Turn::between(Some(6), Some(1)), Some(Turn(3)));
        assert_eq!(Turn::between(Some(8), Some(6)), Some(Turn(2)));
        assert_eq!(Turn::between(Some(3), Some(3)), Some(Turn::NONE));
        assert_eq!(Turn::between(None, Some(1)), None);
        assert_eq!(Turn::between(Some(1), Some(5)), None);
    }
}
