//! What is there to be seen?

use super::{Light, Mark, Smear, Solid, Wall};
use crate::points::WallPoint;
use crate::sheet::SheetGeometry;
use crate::sheet::geometry::SheetPoint;

/// A sheet taped to the wall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SheetOnWall {
    /// Its number, from 1.
    pub number: usize,
    /// Where its cross is.
    pub cross: WallPoint,
    /// Counter-clockwise turn as seen facing the wall, rad.
    pub turn_rad: f64,
    /// Printed over drawn length across; 1 is true to size.
    pub scale_across: f64,
    /// Printed over drawn length down.
    pub scale_down: f64,
    /// The drawing's lengths.
    pub geometry: SheetGeometry,
}

impl SheetOnWall {
    /// A standard sheet, upright and true to size.
    pub fn upright(number: usize, cross: WallPoint) -> Self {
        Self { number, cross, turn_rad: 0.0, scale_across: 1.0, scale_down: 1.0, geometry: SheetGeometry::default() }
    }

    /// Where a point of the sheet is on the wall.
    pub fn wall_point(&self, p: SheetPoint) -> WallPoint {
        let (right_mm, up_mm) = self.geometry.from_cross_mm(p);
        let (r, u) = (1e-3 * right_mm * self.scale_across, 1e-3 * up_mm * self.scale_down);
        let (sin, cos) = self.turn_rad.sin_cos();
        WallPoint::new(self.cross.x_m + r * cos - u * sin, self.cross.y_m + r * sin + u * cos)
    }

    /// Where a point of the wall is on the sheet.
    pub fn sheet_point(&self, p: WallPoint) -> SheetPoint {
        let (dx, dy) = (p.x_m - self.cross.x_m, p.y_m - self.cross.y_m);
        let (sin, cos) = self.turn_rad.sin_cos();
        let (right_mm, up_mm) =
            (1e3 * (dx * cos + dy * sin) / self.scale_across, 1e3 * (dy * cos - dx * sin) / self.scale_down);
        let cross = self.geometry.cross();
        SheetPoint { u_mm: cross.u_mm + right_mm, v_mm: cross.v_mm - up_mm }
    }
}

/// A wall with what is on it and before it, and its light. Smears lie under sheets, marks on top of them, later marks on
/// earlier ones; solids hide all that.
#[derive(Clone, Debug)]
pub struct Scene {
    /// The bare wall.
    pub wall: Wall,
    /// Where it was wiped.
    pub smears: Vec<Smear>,
    /// Sheets taped to it.
    pub sheets: Vec<SheetOnWall>,
    /// Marks, oldest first.
    pub marks: Vec<Mark>,
    /// What stands or lies before it, nearest last.
    pub solids: Vec<Solid>,
    /// The light on it.
    pub light: Light,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turned_sheet_turns_counter_clockwise_about_its_cross() {
        let mut sheet = SheetOnWall::upright(1, WallPoint::new(1.0, 2.0));
        sheet.turn_rad = std::f64::consts::FRAC_PI_2;
        sheet.scale_down = 1.01;
        // Source: by hand: the board's corner is 252 mm above the cross and 90 mm to its left; turned a quarter, above is left and left is below.
        let p = sheet.wall_point(SheetPoint { u_mm: 0.0, v_mm: 0.0 });
        assert!(p.distance_m(WallPoint::new(1.0 - 0.252 * 1.01, 2.0 - 0.09)) < 1e-12, "{p:?}");
        let back = sheet.sheet_point(p);
        assert!(back.u_mm.abs() < 1e-9 && back.v_mm.abs() < 1e-9, "{back:?}");
    }
}
