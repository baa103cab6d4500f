//! What has been measured once for all shots, and how well?
//!
//! [`FlightInputs`] holds the session's measurements as value and standard uncertainty.
//! Each with a doubt is one *shared factor*: all shots have it in common. Their order is
//! that of [`Factor::ALL`], those without a doubt left out.

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::flight::air::Air;
use crate::flight::drag::{Ball, DragLaw, LiftLaw, SphereCurve};
use crate::flight::release::{Machine, Setting};
use crate::uncertainty::{Input, SharedFactors};

/// Standard uncertainty of the lift coefficient of a ball whose spin nobody measured.
///
/// A doubt stated, not measured: 0.03 is the lift of some 70 rpm of backspin at 30 mph or
/// 160 rpm at 70 mph (the fit of [`LiftLaw::Spin`]). At k = 2 it covers two to three times
/// as much, and topspin: the sign is open, for smooth balls at these Reynolds numbers it
/// can even reverse (Sports Engineering 2020, doi 10.1007/s12283-020-0318-1). So it is an
/// uncertainty and never a correction; larger would drown the speed's doubt at 60 mph,
/// smaller would claim to know that the pocket imparts no spin.
pub const UNKNOWN_SPIN_LIFT_U: f64 = 0.03;

/// A relative standard uncertainty that suits a sphere curve used for a real ball: the
/// published curves and measured smooth spheres differ by 4-8 % from the default between
/// Re 5e4 and 1.3e5, and a worn surface adds to that.
pub const SPHERE_CURVE_RELATIVE_U: f64 = 0.1;

/// The ball's drag as known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Drag {
    /// A sphere curve, with a relative standard uncertainty of its level
    /// ([`SPHERE_CURVE_RELATIVE_U`] where nothing better is known).
    Sphere {
        /// Which curve.
        curve: SphereCurve,
        /// Relative standard uncertainty.
        relative_u: f64,
    },
    /// A constant coefficient.
    Coefficient(Input),
}

/// The ball's backspin as known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Spin {
    /// Backspin, rad/s (negative: topspin).
    Known(Input),
    /// Nobody measured it: no lift, with [`UNKNOWN_SPIN_LIFT_U`].
    Unknown,
}

/// Where the speed is read.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum ReadAt {
    /// As the ball leaves.
    Release,
    /// With the ball's centre this far from the wall, m, horizontally. The release speed is
    /// then the reading and what drag took on the way: reading over release speed is the
    /// horizontal speed there over the horizontal speed at release. What falling adds is
    /// left out, as by a meter or gate that looks along the level.
    FromWall(f64),
}

/// Everything about a session that a flight needs, SI units and radians.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlightInputs {
    /// Horizontal distance from the pivot axis to the wall at the origin's height, m.
    pub pivot_out_m: Input,
    /// Pivot axis above the origin, m.
    pub pivot_up_m: Input,
    /// Arm's plane right of the origin (at the pivot axis), m.
    pub pivot_right_m: Input,
    /// Pivot axis to ball centre, m.
    pub arm_m: Input,
    /// Arm angle that counts as release angle 0, rad.
    pub zero_rad: Input,
    /// Turn of the arm's plane about the vertical, right positive, rad.
    pub plane_turn_rad: Input,
    /// How far above the tangent the ball leaves, rad.
    pub off_tangent_rad: Input,
    /// Lean of the wall, top away from the machine positive, rad.
    pub lean_rad: Input,
    /// Mass of the ball, kg.
    pub mass_kg: Input,
    /// Diameter of the ball, m.
    pub diameter_m: Input,
    /// Drag.
    pub drag: Drag,
    /// Backspin.
    pub spin: Spin,
    /// Air temperature, K.
    pub temperature_k: Input,
    /// Air pressure at the place, Pa.
    pub pressure_pa: Input,
    /// Relative humidity, 0 to 1.
    pub humidity: Input,
    /// Relative standard uncertainty that all speed readings share.
    pub speed_scale_u: f64,
    /// Where the speed is read.
    pub read_at: ReadAt,
    /// Standard uncertainty of the distance at which it is read, m; without meaning at release.
    pub read_at_u_m: f64,
}

/// One thing that all shots of a session have in common.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs)] // Each is the field of `FlightInputs` of that name.
pub enum Factor {
    PivotOut,
    PivotUp,
    PivotRight,
    Arm,
    Zero,
    PlaneTurn,
    OffTangent,
    Lean,
    Mass,
    Diameter,
    Drag,
    Spin,
    Temperature,
    Pressure,
    Humidity,
    SpeedScale,
    ReadAt,
}

impl Factor {
    /// How many there are.
    pub const COUNT: usize = 17;

    /// All, in the order of the shared factors.
    pub const ALL: [Self; Self::COUNT] = [
        Self::PivotOut,
        Self::PivotUp,
        Self::PivotRight,
        Self::Arm,
        Self::Zero,
        Self::PlaneTurn,
        Self::OffTangent,
        Self::Lean,
        Self::Mass,
        Self::Diameter,
        Self::Drag,
        Self::Spin,
        Self::Temperature,
        Self::Pressure,
        Self::Humidity,
        Self::SpeedScale,
        Self::ReadAt,
    ];

    /// Its name in a budget.
    pub fn name(self) -> &'static str {
        match self {
            Self::PivotOut => "pivot out",
            Self::PivotUp => "pivot up",
            Self::PivotRight => "pivot right",
            Self::Arm => "arm",
            Self::Zero => "zero",
            Self::PlaneTurn => "plane turn",
            Self::OffTangent => "off tangent",
            Self::Lean => "lean",
            Self::Mass => "ball mass",
            Self::Diameter => "ball diameter",
            Self::Drag => "drag",
            Self::Spin => "spin",
            Self::Temperature => "temperature",
            Self::Pressure => "pressure",
            Self::Humidity => "humidity",
            Self::SpeedScale => "speed scale",
            Self::ReadAt => "speed read at",
        }
    }

    /// Step for a central difference: about what a careful measurement leaves open, so
    /// curvature is far below and rounding far above what the derivative needs.
    pub(crate) fn step(self, inputs: &FlightInputs) -> f64 {
        match self {
            Self::Mass => 1e-3 * inputs.mass_kg.value,
            Self::Diameter => 1e-3 * inputs.diameter_m.value,
            Self::Temperature => 0.1,
            Self::Pressure => 50.0,
            // Short, so that the bend of the lift at no spin (|S|) stays out of it.
            Self::Spin if matches!(inputs.spin, Spin::Known(_)) => 1e-3,
            Self::Drag | Self::Spin | Self::Humidity => 1e-3,
            _ => 1e-4, // m, rad, or relative speed
        }
    }
}

/// One value for each factor, indexed as [`Factor::ALL`].
pub(crate) type Values = [f64; Factor::COUNT];

impl FlightInputs {
    /// Value and standard uncertainty of a factor. Drag is a coefficient or (sphere
    /// curve) a factor around 1; spin is rad/s or (unknown) a lift coefficient; the speed
    /// scale is a relative error around 0; the reading's place is exact at release.
    pub fn input(&self, factor: Factor) -> Input {
        match factor {
            Factor::PivotOut => self.pivot_out_m,
            Factor::PivotUp => self.pivot_up_m,
            Factor::PivotRight => self.pivot_right_m,
            Factor::Arm => self.arm_m,
            Factor::Zero => self.zero_rad,
            Factor::PlaneTurn => self.plane_turn_rad,
            Factor::OffTangent => self.off_tangent_rad,
            Factor::Lean => self.lean_rad,
            Factor::Mass => self.mass_kg,
            Factor::Diameter => self.diameter_m,
            Factor::Drag => match self.drag {
                Drag::Sphere { relative_u, .. } => Input::new(1.0, relative_u),
                Drag::Coefficient(input) => input,
            },
            Factor::Spin => match self.spin {
                Spin::Known(input) => input,
                Spin::Unknown => Input::new(0.0, UNKNOWN_SPIN_LIFT_U),
            },
            Factor::Temperature => self.temperature_k,
            Factor::Pressure => self.pressure_pa,
            Factor::Humidity => self.humidity,
            Factor::SpeedScale => Input::new(0.0, self.speed_scale_u),
            Factor::ReadAt => match self.read_at {
                ReadAt::Release => Input::exact(0.0),
                ReadAt::FromWall(distance_m) => Input::new(distance_m, self.read_at_u_m),
            },
        }
    }

    /// The factors with a doubt, in order.
    pub fn factors(&self) -> impl Iterator<Item = Factor> + '_ {
        Factor::ALL.into_iter().filter(|factor| self.input(*factor).u > 0.0)
    }

    /// Names of the shared factors of every release of a session: those with a doubt,
    /// in the order of [`Factor::ALL`], then `calibration_factors` called "calibration".
    pub fn shared_factors(&self, calibration_factors: usize) -> SharedFactors {
        let mut names: Vec<String> = self.factors().map(|factor| factor.name().to_owned()).collect();
        names.extend(std::iter::repeat_n("calibration".to_owned(), calibration_factors));
        SharedFactors { names }
    }

    /// The machine, ball and air at the best estimates.
    ///
    /// # Errors
    /// As [`FlightInputs::check`].
    pub fn setting(&self) -> Result<Setting> {
        self.check()?;
        Ok(self.setting_of(&self.values()))
    }

    pub(crate) fn values(&self) -> Values {
        Factor::ALL.map(|factor| self.input(factor).value)
    }

    pub(crate) fn setting_of(&self, values: &Values) -> Setting {
        let v = |factor: Factor| values[factor as usize];
        let drag = match self.drag {
            Drag::Sphere { curve, .. } => DragLaw::Sphere { curve, factor: v(Factor::Drag) },
            Drag::Coefficient(_) => DragLaw::Coefficient(v(Factor::Drag)),
        };
        let lift = match self.spin {
            Spin::Known(_) => LiftLaw::Spin(v(Factor::Spin)),
            Spin::Unknown => LiftLaw::Coefficient(v(Factor::Spin)),
        };
        let air = Air {
            temperature_k: v(Factor::Temperature),
            pressure_pa: v(Factor::Pressure),
            humidity: v(Factor::Humidity),
        };
        Setting {
            machine: Machine {
                pivot_out_m: v(Factor::PivotOut),
                pivot_up_m: v(Factor::PivotUp),
                pivot_right_m: v(Factor::PivotRight),
                arm_m: v(Factor::Arm),
                plane_turn_rad: v(Factor::PlaneTurn),
                off_tangent_rad: v(Factor::OffTangent),
                lean_rad: v(Factor::Lean),
            },
            ball: Ball::new(v(Factor::Mass), v(Factor::Diameter), &air, drag, lift),
            read_at: match self.read_at {
                ReadAt::Release => ReadAt::Release,
                // Doubt reaches no further than the wall itself.
                ReadAt::FromWall(_) => ReadAt::FromWall(v(Factor::ReadAt).max(0.0)),
            },
        }
    }

    /// Whether every number can be used.
    ///
    /// # Errors
    /// The first that cannot, with its limits.
    pub fn check(&self) -> Result<()> {
        for factor in Factor::ALL {
            let Input { value, u } = self.input(factor);
            if !value.is_finite() || !u.is_finite() || u < 0.0 {
                return Err(Error::input(format!(
                    "{}: {value} with standard uncertainty {u}: both must be finite and the uncertainty not negative",
                    factor.name()
                )));
            }
        }
        let within = |factor: Factor, value: f64, low: f64, high: f64, unit: &str| {
            if value >= low && value <= high {
                return Ok(());
            }
            let gap = if unit.is_empty() { "" } else { " " };
            Err(Error::input(format!(
                "{} is {value}{gap}{unit}, outside {low} to {high}{gap}{unit}: check the value and its unit",
                factor.name()
            )))
        };
        within(Factor::Arm, self.arm_m.value, 0.0, 10.0, "m")?;
        within(Factor::PivotOut, self.pivot_out_m.value, 0.0, 200.0, "m")?;
        within(Factor::PivotUp, self.pivot_up_m.value, -20.0, 20.0, "m")?;
        within(Factor::PivotRight, self.pivot_right_m.value, -100.0, 100.0, "m")?;
        within(Factor::Zero, self.zero_rad.value.to_degrees(), -180.0, 180.0, "deg")?;
        within(Factor::PlaneTurn, self.plane_turn_rad.value.to_degrees(), -45.0, 45.0, "deg")?;
        within(Factor::OffTangent, self.off_tangent_rad.value.to_degrees(), -45.0, 45.0, "deg")?;
        within(Factor::Lean, self.lean_rad.value.to_degrees(), -30.0, 30.0, "deg")?;
        within(Factor::Mass, self.mass_kg.value, 0.001, 10.0, "kg")?;
        within(Factor::Diameter, self.diameter_m.value, 0.005, 0.5, "m")?;
        match self.drag {
            Drag::Sphere { relative_u, .. } => within(Factor::Drag, relative_u, 0.0, 0.5, "(relative u)")?,
            Drag::Coefficient(input) => within(Factor::Drag, input.value, 0.0, 2.0, "")?,
        }
        if let Spin::Known(input) = self.spin {
            within(Factor::Spin, input.value, -1000.0, 1000.0, "rad/s")?;
        }
        within(Factor::SpeedScale, self.speed_scale_u, 0.0, 0.2, "(relative u)")?;
        if let ReadAt::FromWall(distance_m) = self.read_at
            && !(distance_m >= 0.0 && distance_m.is_finite())
        {
            return Err(Error::input(format!(
                "the speed is read {distance_m} m from the wall: give a distance of 0 m or more"
            )));
        }
        if self.pivot_out_m.value <= self.arm_m.value + self.diameter_m.value {
            return Err(Error::input(format!(
                "the pivot is {:.3} m from the wall, but arm and ball reach {:.3} m: check pivot_out and arm",
                self.pivot_out_m.value,
                self.arm_m.value + self.diameter_m.value
            )));
        }
        Air::new(self.temperature_k.value, self.pressure_pa.value, self.humidity.value).map(|_| ())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn factors_stand_where_their_numbers_say() {
        for (index, factor) in Factor::ALL.into_iter().enumerate() {
            assert_eq!(factor as usize, index);
        }
    }
}
