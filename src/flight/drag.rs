//! How hard does the air push on the ball, along its path and across it?
//!
//! Drag: `a = K Cd(Re) v^2` against the velocity, `K = rho A / (2 m)`. Lift by backspin:
//! `a = K CL v^2`, at right angles to the velocity in the vertical plane of flight, up
//! for a ball that turns backwards.

use serde::{Deserialize, Serialize};

use crate::flight::air::Air;

/// Drag coefficient of a smooth sphere against the Reynolds number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SphereCurve {
    /// `24/Re (1 + 0.152 Re^0.677) + 0.417/(1 + 5070 Re^-0.94)`, Re up to 2e5: the
    /// default, in the middle of the published curves where balls fly (Re 5e4-1.5e5)
    /// and within 3 % of measured smooth spheres up to Re 1e5 (8 % at 1.7e5).
    #[default]
    CliftGauvin,
    /// `log10 Cd = -4.3390 + 1.5809 w - 0.1546 w^2`, `w = log10 Re`, Re 4.4e4-3.38e5;
    /// `-1.9181 + 0.6370 w - 0.0636 w^2` below (from 1.2e4). Clift, Grace and Weber 1978.
    CliftGraceWeber,
    /// `24/Re + 2.6 (Re/5)/(1 + (Re/5)^1.52) + 0.411 (Re/263000)^-7.94/(1 + (Re/263000)^-8)
    /// + Re^0.8/461000`, Re up to 1e6. Morrison 2013.
    Morrison,
}

impl SphereCurve {
    /// Drag coefficient at a Reynolds number above 0.
    pub fn coefficient(self, reynolds: f64) -> f64 {
        let re = reynolds;
        match self {
            Self::CliftGauvin => {
                let ln_re = re.ln();
                24.0 / re * (1.0 + 0.152 * (0.677 * ln_re).exp()) + 0.417 / (1.0 + 5070.0 * (-0.94 * ln_re).exp())
            }
            Self::CliftGraceWeber => {
                let w = re.log10();
                let log_cd = if re > 4.4e4 {
                    -4.3390 + 1.5809 * w - 0.1546 * w * w
                } else {
                    -1.9181 + 0.6370 * w - 0.0636 * w * w
                };
                10f64.powf(log_cd)
            }
            Self::Morrison => {
                let r = re / 263_000.0;
                24.0 / re
                    + 2.6 * (re / 5.0) / (1.0 + (re / 5.0).powf(1.52))
                    + 0.411 * r.powf(-7.94) / (1.0 + r.powi(-8))
                    + re.powf(0.80) / 461_000.0
            }
        }
    }
}

/// How the drag coefficient is found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DragLaw {
    /// The same at every speed; 0 for no drag.
    Coefficient(f64),
    /// A sphere curve times a factor (1: the curve itself).
    Sphere {
        /// Which curve.
        curve: SphereCurve,
        /// Multiplies the curve.
        factor: f64,
    },
}

/// How the lift coefficient is found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LiftLaw {
    /// The same at every speed, positive up; 0 for no lift.
    Coefficient(f64),
    /// Backspin at this rate, rad/s (negative: topspin), constant over the flight:
    /// `CL = 1.120 S/(0.583 + 2.333 S)`, `S = r w / v` (A. M. Nathan's fit to baseballs).
    Spin(f64),
}

/// `CL = 1.120 S/(0.583 + 2.333 |S|)` of the spin parameter `S = r w / v`, odd in S.
pub fn spin_lift_coefficient(spin_parameter: f64) -> f64 {
    1.120 * spin_parameter / (0.583 + 2.333 * spin_parameter.abs())
}

/// A ball in its air: what a trajectory needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ball {
    /// Radius, m.
    pub radius_m: f64,
    /// `K = rho A / (2 m)`, 1/m.
    pub k_per_m: f64,
    /// Reynolds number for each m/s: `rho d / mu`, s/m.
    pub reynolds_s_per_m: f64,
    /// Drag.
    pub drag: DragLaw,
    /// Lift.
    pub lift: LiftLaw,
}

impl Ball {
    /// A ball of this mass (kg) and diameter (m), both above 0, in this air.
    pub fn new(mass_kg: f64, diameter_m: f64, air: &Air, drag: DragLaw, lift: LiftLaw) -> Self {
        Self::in_density(mass_kg, diameter_m, air.density_kg_m3(), air.viscosity_pa_s(), drag, lift)
    }

    /// The same with density (kg/m3) and viscosity (Pa s) given.
    pub fn in_density(
        mass_kg: f64,
        diameter_m: f64,
        density_kg_m3: f64,
        viscosity_pa_s: f64,
        drag: DragLaw,
        lift: LiftLaw,
    ) -> Self {
        let area_m2 = std::f64::consts::FRAC_PI_4 * diameter_m * diameter_m;
        Self {
            radius_m: diameter_m / 2.0,
            k_per_m: density_kg_m3 * area_m2 / (2.0 * mass_kg),
            reynolds_s_per_m: density_kg_m3 * diameter_m / viscosity_pa_s,
            drag,
            lift,
        }
    }

    /// `K Cd` at a speed above 0, 1/m.
    #[inline]
    pub fn drag_per_m(&self, speed_mps: f64) -> f64 {
        match self.drag {
            DragLaw::Coefficient(cd) => self.k_per_m * cd,
            DragLaw::Sphere { curve, factor } => {
                self.k_per_m * factor * curve.coefficient(self.reynolds_s_per_m * speed_mps)
            }
        }
    }

    /// `K CL` at a speed above 0, 1/m.
    #[inline]
    pub fn lift_per_m(&self, speed_mps: f64) -> f64 {
        match self.lift {
            LiftLaw::Coefficient(cl) => self.k_per_m * cl,
            LiftLaw::Spin(rate_rad_s) => self.k_per_m * spin_lift_coefficient(self.radius_m * rate_rad_s / speed_mps),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sphere_curves_give_their_published_values() {
        // Source: Cd(Re) of the named correlations as given by the open `fluids` library.
        let rows = [
            (1_000.0, 0.463_867_398_629_145_4, 0.484_056_307_830_707_97),
            (10_000.0, 0.410_315_151_230_299_6, 0.393_564_428_240_075),
            (20_000.0, 0.435_840_307_080_263_56, 0.394_144_214_369_804_6),
            (50_000.0, 0.460_439_102_588_887_26, 0.406_598_011_625_692_87),
            (93_000.0, 0.467_131_762_884_847_65, 0.422_441_113_536_526_75),
            (130_000.0, 0.467_965_770_105_840_4, 0.432_687_737_933_113_1),
        ];
        for (re, gauvin, morrison) in rows {
            assert!((SphereCurve::CliftGauvin.coefficient(re) - gauvin).abs() < 1e-12, "Re {re}");
            assert!((SphereCurve::Morrison.coefficient(re) - morrison).abs() < 1e-12, "Re {re}");
        }
    }

    #[test]
    fn lift_is_odd_in_spin_and_follows_the_fit() {
        // Source: CL = 1.120 S/(0.583 + 2.333 S), computed: S 0.0246 -> 0.0430, 0.246 -> 0.2381.
        assert!((spin_lift_coefficient(0.0246) - 0.0430).abs() < 5e-5);
        assert!((spin_lift_coefficient(0.246) - 0.2381).abs() < 5e-5);
        assert_eq!(spin_lift_coefficient(-0.1), -spin_lift_coefficient(0.1));
    }
}
