//! What does `session.toml` say to the flight?

use crate::error::{Context, Result};
use crate::flight::air::pressure_at_altitude_pa;
use crate::flight::inputs::SPHERE_CURVE_RELATIVE_U;
use crate::flight::{Drag, FlightInputs, ReadAt, SphereCurve, Spin};
use crate::quantity::Quantity;
use crate::session::SessionSpec;
use crate::session::spec::{self, AirPressure, zero_missing};
use crate::uncertainty::Input;

fn input(q: Quantity) -> Input {
    Input { value: q.value, u: q.u }
}

/// The flight's inputs, SI, from a session's settings.
///
/// # Errors
/// An altitude outside of the standard atmosphere; values that no flight has.
pub fn flight_inputs(s: &SessionSpec) -> Result<FlightInputs> {
    let m = &s.machine;
    let pressure = match s.air.pressure {
        AirPressure::Pressure(q) => input(q),
        AirPressure::Altitude(q) => {
            let value = pressure_at_altitude_pa(q.value).place(|| "air.altitude")?;
            let above = pressure_at_altitude_pa(q.value + 1.0).place(|| "air.altitude")?;
            // Weather moves the pressure at a place by some 1 % (common practice, no source).
            Input { value, u: ((value - above) * q.u).hypot(0.01 * value) }
        }
    };
    let inputs = FlightInputs {
        pivot_out_m: input(m.pivot_out),
        pivot_up_m: input(m.pivot_up),
        pivot_right_m: input(m.pivot_right),
        arm_m: input(m.arm),
        zero_rad: input(m.zero.ok_or_else(zero_missing)?),
        plane_turn_rad: input(m.plane_turn_or_assumed()),
        off_tangent_rad: input(m.off_tangent_or_assumed()),
        lean_rad: input(s.lean_or_assumed()),
        mass_kg: input(s.ball.mass),
        diameter_m: input(s.ball.diameter),
        drag: match s.ball.drag_coefficient {
            Some(q) => Drag::Coefficient(input(q)),
            None => Drag::Sphere { curve: SphereCurve::CliftGauvin, relative_u: SPHERE_CURVE_RELATIVE_U },
        },
        spin: s.ball.spin.map_or(Spin::Unknown, |q| Spin::Known(input(q))),
        temperature_k: input(s.air.temperature),
        pressure_pa: pressure,
        humidity: input(s.air.humidity_or_assumed()),
        speed_scale_u: s.speed.scale_u,
        read_at: match s.speed.read_at {
            spec::ReadAt::Release => ReadAt::Release,
            spec::ReadAt::FromWall(q) => ReadAt::FromWall(q.value),
        },
        read_at_u_m: match s.speed.read_at {
            spec::ReadAt::Release => 0.0,
            spec::ReadAt::FromWall(q) => q.u,
        },
    };
    inputs.check()?;
    Ok(inputs)
}
