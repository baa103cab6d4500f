//! Do flights agree with an independent integrator and with closed forms?
//!
//! The 300 reference flights are read where the shared folder exists; a few are copied
//! here, so that the test bites without it.

use crate::common;
use pockmark::flight::drag::{Ball, DragLaw, LiftLaw, SphereCurve};
use pockmark::flight::trajectory::InFlight;

const MASS_KG: f64 = 0.1475;
const DIAMETER_M: f64 = 0.063;
const DENSITY_KG_M3: f64 = 1.2;
const VISCOSITY_PA_S: f64 = 1.813e-5;
const G: f64 = 9.80665;

fn ball(drag: DragLaw) -> Ball {
    Ball::in_density(MASS_KG, DIAMETER_M, DENSITY_KG_M3, VISCOSITY_PA_S, drag, LiftLaw::Coefficient(0.0))
}

fn law(name: &str) -> DragLaw {
    let sphere = |curve| DragLaw::Sphere { curve, factor: 1.0 };
    match name {
        "vacuum" => DragLaw::Coefficient(0.0),
        "cd_constant_0.45" => DragLaw::Coefficient(0.45),
        "clift_gauvin" => sphere(SphereCurve::CliftGauvin),
        "clift_grace_weber" => sphere(SphereCurve::CliftGraceWeber),
        "morrison_2013" => sphere(SphereCurve::Morrison),
        other => panic!("unknown drag model {other}"),
    }
}

#[test]
fn all_reference_flights_agree_within_a_micrometre() {
    let Some(reference) = common::flight::json("references/trajectories.json") else { return };
    let flights = reference["trajectories"].as_array().expect("a list of flights");
    assert_eq!(flights.len(), 300);
    let mut worst = [0.0_f64; 4];
    for flight in flights {
        let number = |key: &str| flight[key].as_f64().expect("a number");
        let end = InFlight::start(
            number("release_height_m"),
            number("launch_elevation_deg").to_radians(),
            number("release_speed_m_per_s"),
        )
        .advance(&ball(law(flight["drag_model"].as_str().expect("a name"))), number("wall_distance_m"))
        .expect("reaches the wall");
        let off = [
            end.height_m - number("height_at_wall_m"),
            end.time_s - number("flight_time_s"),
            end.speed_mps() - number("impact_speed_m_per_s"),
            end.elevation_rad().to_degrees() - number("impact_elevation_angle_deg"),
        ];
        for (worst, off) in worst.iter_mut().zip(off) {
            *worst = worst.max(off.abs());
        }
    }
    println!("worst: {:.1e} m, {:.1e} s, {:.1e} m/s, {:.1e} deg", worst[0], worst[1], worst[2], worst[3]);
    // The reference's two formulations differ by up to 3e-12 m.
    assert!(worst[0] < 1e-10 && worst[1] < 1e-10 && worst[2] < 1e-9 && worst[3] < 1e-8, "{worst:?}");
}

#[test]
fn a_vacuum_flight_is_a_parabola() {
    for speed_mps in [5.0, 13.41, 31.29] {
        for elevation_deg in [-40.0_f64, -10.0, 0.0, 25.0, 60.0] {
            for distance_m in [0.5, 3.0, 9.0] {
                let elevation = elevation_deg.to_radians();
                let end = InFlight::start(2.2, elevation, speed_mps)
                    .advance(&ball(DragLaw::Coefficient(0.0)), distance_m)
                    .expect("reaches the wall");
                let horizontal = speed_mps * elevation.cos();
                let height = 2.2 + distance_m * elevation.tan() - G * distance_m.powi(2) / (2.0 * horizontal.powi(2));
                assert!(
                    (end.height_m - height).abs() < 1e-9 * (1.0 + height.abs()),
                    "{speed_mps} m/s {elevation_deg} deg {distance_m} m: {} against {height}",
                    end.height_m
                );
                assert!((end.time_s - distance_m / horizontal).abs() < 1e-12);
            }
        }
    }
    // Source: SciPy solve_ivp DOP853 and the closed form agree: 22.35 m/s, -10 deg, 6 m.
    let end = InFlight::start(2.2, -10f64.to_radians(), 22.35).advance(&ball(DragLaw::Coefficient(0.0)), 6.0);
    assert!((end.expect("reaches").height_m - 0.777_674_328_282_342_4).abs() < 1e-12);
}

#[test]
fn flights_with_drag_agree_with_an_independent_integrator() {
    // Source: SciPy 1.17.1 solve_ivp DOP853, rtol 1e-12: Cd 0.45, level, 22.35 m/s from 2.2 m over 6 m,
    // and -20 deg the same.
    for (elevation_deg, height_m) in [(0.0_f64, 1.838_411_406_242_595_4), (-20.0, -0.394_029_420_510_594_53)] {
        let end =
            InFlight::start(2.2, elevation_deg.to_radians(), 22.35).advance(&ball(DragLaw::Coefficient(0.45)), 6.0);
        assert!((end.expect("reaches").height_m - height_m).abs() < 1e-11);
    }
}

#[test]
fn a_flight_in_parts_and_back_again_is_the_same_flight() {
    let ball = Ball { lift: LiftLaw::Spin(60.0), ..ball(law("clift_gauvin")) };
    let start = InFlight::start(2.0, -0.2, 20.0);
    let whole = start.advance(&ball, 7.0).expect("reaches");
    let parts = start.advance(&ball, 2.5).and_then(|half| half.advance(&ball, 4.5)).expect("reaches");
    let back = whole.advance(&ball, -7.0).expect("comes back");
    assert!((whole.height_m - parts.height_m).abs() < 1e-11);
    assert!((whole.time_s - parts.time_s).abs() < 1e-12);
    assert!((back.height_m - 2.0).abs() < 1e-11 && (back.speed_mps() - 20.0).abs() < 1e-10);
}

#[test]
fn a_ball_that_falls_short_says_so() {
    let ball = ball(DragLaw::Coefficient(0.45));
    assert_eq!(InFlight::start(1.0, 0.0, 0.5).advance(&ball, 60.0), None);
    assert_eq!(InFlight::start(1.0, f64::NAN, 20.0).advance(&ball, 6.0), None);
    assert_eq!(InFlight::start(1.0, 0.0, 20.0).advance(&ball, f64::NAN), None);
}
