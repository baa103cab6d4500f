//! Does the advice on where to stand agree with flights made one by one?

use pockmark::flight::geometry::{Wanted, geometry};
use pockmark::flight::{Drag, FlightInputs, Impact, Input, ReadAt, Spin, solve};
use pockmark::points::WallPoint;

fn inputs() -> FlightInputs {
    FlightInputs {
        pivot_out_m: Input::new(4.0, 0.003),
        pivot_up_m: Input::new(0.3, 0.002),
        pivot_right_m: Input::exact(0.5),
        arm_m: Input::new(1.2, 0.002),
        zero_rad: Input::new(-0.15, 0.0005),
        plane_turn_rad: Input::exact(0.01),
        off_tangent_rad: Input::exact(0.0),
        lean_rad: Input::new(0.005, 0.001),
        mass_kg: Input::new(0.147, 0.0005),
        diameter_m: Input::new(0.063, 0.00015),
        drag: Drag::Coefficient(Input::new(0.45, 0.02)),
        spin: Spin::Unknown,
        temperature_k: Input::exact(293.0),
        pressure_pa: Input::exact(101_000.0),
        humidity: Input::exact(0.5),
        speed_scale_u: 0.004,
        read_at: ReadAt::Release,
        read_at_u_m: 0.0,
    }
}

fn wanted() -> Wanted {
    Wanted {
        wall_m: [-0.8, 1.4],
        releases_rad: [0.0, 0.1, 0.2].to_vec(),
        speeds_mps: [13.4, 22.4, 31.3].to_vec(),
        mark_u_m: 0.001,
        distances_m: (0..40).map(|i| 2.0 + 0.25 * f64::from(i)).collect(),
    }
}

#[test]
fn throws_are_what_single_flights_say() {
    let (inputs, wanted) = (inputs(), wanted());
    let g = geometry(&inputs, &wanted).unwrap();
    assert_eq!(g.throws.len(), 9);
    for t in &g.throws {
        let height_m = t.height_m.unwrap();
        let point = WallPoint::new(0.5 + 4.0 * 0.01f64.tan(), height_m);
        let mark = |y_m: f64| Impact {
            point: WallPoint::new(point.x_m, y_m),
            own_cov_m2: [[0.0, 0.0], [0.0, 1e-6]],
            speed_mps: t.speed_mps,
            ..Impact::default()
        };
        let at = solve(&inputs, &mark(height_m)).unwrap();
        // Straight ahead of the pivot is some tenths of a millimetre beside the throw's own mark.
        assert!((at.release.value - t.release_rad).abs() < 1e-6, "{t:?}");
        assert!((at.release.u() - t.u_rad.unwrap()).abs() < 1e-12);
        // What a millimetre is worth, by moving the mark.
        let moved = solve(&inputs, &mark(height_m + 1e-3)).unwrap().release.value - at.release.value;
        assert!((moved / 1e-3 / t.rad_per_m.unwrap() - 1.0).abs() < 2e-3, "{t:?}");
        assert_eq!(t.lands, (-0.8..=1.4).contains(&height_m));
    }
    for r in &g.reach {
        for (edge, angle) in [(1.4, r.top_rad), (-0.8, r.bottom_rad)] {
            let strike = inputs.setting().unwrap().strike(angle.unwrap() - 0.15, 0.01, r.speed_mps).unwrap();
            assert!((strike.point.y_m - edge).abs() < 2e-5, "{r:?}");
        }
        let whole: f64 = r.parts.iter().map(|p| p.1 * p.1).sum();
        assert!((whole.sqrt() - r.u_rad.unwrap()).abs() < 1e-12);
    }
}

#[test]
fn the_best_distance_has_the_smallest_u_and_lies_between_too_close_and_too_far() {
    let g = geometry(&inputs(), &wanted()).unwrap();
    let best = g.best.unwrap();
    let u = |i: usize| g.distances[i].u_rad.unwrap();
    assert!((0..g.distances.len()).all(|i| u(i) >= u(best)));
    assert!(best > 0 && best + 1 < g.distances.len(), "a distance inside: {}", g.distances[best].pivot_out_m);
    let lands = &g.distances[g.best_that_lands.unwrap()];
    assert!(g.distances.iter().all(|d| d.land <= lands.land));
    // At the machine's own distance both ways of asking agree.
    let here = g.distances.iter().find(|d| d.pivot_out_m == 4.0).unwrap();
    assert_eq!(here, &g.here);
    // A worse mark asks for more distance, a worse speed for less.
    let with = |mark_u_m: f64, scale: f64| {
        let g = geometry(&FlightInputs { speed_scale_u: scale, ..inputs() }, &Wanted { mark_u_m, ..wanted() }).unwrap();
        g.distances[g.best.unwrap()].pivot_out_m
    };
    assert!(with(0.004, 0.004) > with(0.0005, 0.004));
    assert!(with(0.001, 0.01) < with(0.001, 0.001));
}

#[test]
fn walls_and_lists_that_make_no_sense_are_refused() {
    let bad = |w: Wanted| geometry(&inputs(), &w).unwrap_err().to_string();
    assert!(bad(Wanted { wall_m: [1.0, 1.0], ..wanted() }).contains("bottom below its top"));
    assert!(bad(Wanted { wall_m: [f64::NAN, 1.0], ..wanted() }).contains("bottom below its top"));
    assert!(bad(Wanted { speeds_mps: vec![], ..wanted() }).contains("no speeds"));
    // Distances that no machine has are no answer, not a panic.
    let g = geometry(&inputs(), &Wanted { distances_m: vec![0.5, -1.0, f64::NAN, 4.0], ..wanted() }).unwrap();
    assert_eq!(g.best, Some(3));
}
