//! Random machines with their solved releases, as JSON for a check by other programs:
//! `cargo run --example flight_cases -- 40 | python tests/cross/flight_scipy.py`

use pockmark::flight::drag::SphereCurve;
use pockmark::flight::inputs::{Drag, Factor, FlightInputs, ReadAt, Spin};
use pockmark::flight::solve::{Impact, Solver};
use pockmark::points::WallPoint;
use pockmark::uncertainty::Input;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::json;

fn main() -> pockmark::Result<()> {
    let count: usize = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(40);
    let mut rng = ChaCha8Rng::seed_from_u64(99);
    let mut cases = Vec::new();
    while cases.len() < count {
        let mut input = |low: f64, high: f64, u: f64| Input::new(low + (high - low) * rng.random::<f64>(), u);
        let deg = f64::to_radians(1.0);
        let inputs = FlightInputs {
            pivot_out_m: input(2.5, 9.0, 0.003),
            pivot_up_m: input(-0.5, 1.5, 0.002),
            pivot_right_m: input(-1.0, 1.0, 0.003),
            arm_m: input(0.5, 1.5, 0.002),
            zero_rad: input(-15.0 * deg, 5.0 * deg, 0.05 * deg),
            plane_turn_rad: input(-3.0 * deg, 3.0 * deg, 0.1 * deg),
            off_tangent_rad: input(-2.0 * deg, 2.0 * deg, 0.05 * deg),
            lean_rad: input(-4.0 * deg, 4.0 * deg, 0.05 * deg),
            mass_kg: input(0.1, 0.2, 0.0005),
            diameter_m: input(0.055, 0.075, 0.00015),
            drag: if cases.len() % 2 == 0 {
                Drag::Coefficient(input(0.3, 0.5, 0.02))
            } else {
                Drag::Sphere { curve: SphereCurve::CliftGauvin, relative_u: 0.05 }
            },
            spin: if cases.len() % 3 == 0 { Spin::Unknown } else { Spin::Known(input(-40.0, 80.0, 3.0)) },
            temperature_k: input(273.0, 308.0, 0.5),
            pressure_pa: input(75_000.0, 103_000.0, 100.0),
            humidity: input(0.1, 0.9, 0.03),
            speed_scale_u: 0.003,
            read_at: if cases.len() % 5 < 3 { ReadAt::Release } else { ReadAt::FromWall(input(0.1, 1.0, 0.0).value) },
            read_at_u_m: 0.02,
        };
        let impact = Impact {
            point: WallPoint::new(input(-1.0, 1.0, 0.0).value, input(-0.5, 2.0, 0.0).value),
            own_cov_m2: [[1e-6, 4e-7], [4e-7, 2e-6]],
            shared: vec![[4e-4, 1e-4], [-2e-4, 7e-4]],
            speed_mps: input(12.0, 33.0, 0.0).value,
            speed_own_u_mps: 0.05,
        };
        let solver = Solver::new(&inputs)?;
        let Ok(release) = solver.solve(&impact) else { continue };
        let values: serde_json::Map<String, serde_json::Value> = Factor::ALL
            .into_iter()
            .map(|f| (f.name().to_owned(), json!([inputs.input(f).value, inputs.input(f).u])))
            .collect();
        cases.push(json!({
            "inputs": values,
            "sphere": matches!(inputs.drag, Drag::Sphere { .. }),
            "spin_known": matches!(inputs.spin, Spin::Known(_)),
            "read_from_wall_m": match inputs.read_at { ReadAt::Release => None, ReadAt::FromWall(m) => Some(m) },
            "mark_m": [impact.point.x_m, impact.point.y_m],
            "own_cov_m2": impact.own_cov_m2,
            "mark_shared_m": impact.shared,
            "speed_mps": impact.speed_mps,
            "speed_own_u_mps": impact.speed_own_u_mps,
            "names": solver.shared_factors(impact.shared.len()).names,
            "release_rad": release.release.value,
            "release_own_var": release.release.own_var,
            "release_shared": release.release.shared,
            "sideways_rad": release.sideways.value,
            "sideways_own_var": release.sideways.own_var,
            "sideways_shared": release.sideways.shared,
            "own_cov": release.own_cov,
            "release_speed_mps": release.solved.strike.release_speed_mps,
            "impact_speed_mps": release.solved.strike.impact_speed_mps,
            "time_s": release.solved.strike.time_s,
        }));
    }
    println!("{}", json!({ "cases": cases }));
    Ok(())
}
