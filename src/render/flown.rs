//! Where do the balls of an invented day strike?
//!
//! [`Scenario::write`] takes any flight; this is the one that the project itself reckons with, under the scenario's true machine, ball and air.

use std::path::Path;

use super::Scenario;
use crate::error::Result;
use crate::flight::release::{Machine, Setting};
use crate::flight::{Air, Ball, DragLaw, LiftLaw, ReadAt};
use crate::points::WallPoint;

impl Scenario {
    /// The true machine as the flight knows it: its plane square to the wall, its balls without spin.
    ///
    /// # Errors
    /// Air that no formula holds for.
    pub fn setting(&self) -> Result<Setting> {
        let m = &self.machine;
        let air = Air::new(m.temperature_k, m.pressure_pa, m.humidity)?;
        let (drag, lift) = (DragLaw::Coefficient(m.drag_coefficient), LiftLaw::Coefficient(0.0));
        Ok(Setting {
            machine: Machine {
                pivot_out_m: m.pivot_out_m,
                pivot_up_m: m.pivot_up_m,
                pivot_right_m: m.pivot_right_m,
                arm_m: m.arm_m,
                plane_turn_rad: 0.0,
                off_tangent_rad: 0.0,
                lean_rad: m.lean_rad,
            },
            ball: Ball::new(m.mass_kg, m.diameter_m, &air, drag, lift),
            read_at: ReadAt::Release,
        })
    }

    /// [`Scenario::write`] with the flight of [`Scenario::setting`].
    ///
    /// # Errors
    /// As for both; a ball that misses the wall.
    pub fn write_flown(&self, folder: &Path) -> Result<()> {
        let setting = self.setting()?;
        let nowhere = WallPoint::new(f64::NAN, f64::NAN);
        self.write(folder, &|arm, side, speed| setting.strike(arm, side, speed).map_or(nowhere, |s| s.point))
    }
}
