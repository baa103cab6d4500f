//! Do release angles, their slopes and their errors agree with independent solutions?

mod flight_common;

use pockmark::ErrorKind;
use pockmark::flight::drag::{Ball, DragLaw, LiftLaw, SphereCurve};
use pockmark::flight::inputs::{Drag, FlightInputs, ReadAt, Spin};
use pockmark::flight::release::{Machine, Setting};
use pockmark::flight::solve::{Impact, solve};
use pockmark::flight::{Air, Factor};
use pockmark::points::WallPoint;
use pockmark::uncertainty::Input;

const MPS_PER_MPH: f64 = 0.44704;

/// The machine of the reference values: D 6 m, P 1.3 m, L 1.2 m.
fn machine() -> Machine {
    Machine {
        pivot_out_m: 6.0,
        pivot_up_m: 1.3,
        pivot_right_m: 0.0,
        arm_m: 1.2,
        plane_turn_rad: 0.0,
        off_tangent_rad: 0.0,
        lean_rad: 0.0,
    }
}

/// The reference ball (0.1475 kg, 63 mm, 1.2 kg/m3), as a point that strikes at its centre.
fn point_ball(drag: DragLaw, lift: LiftLaw) -> Ball {
    Ball { radius_m: 0.0, ..real_ball(drag, lift) }
}

fn real_ball(drag: DragLaw, lift: LiftLaw) -> Ball {
    Ball::in_density(0.1475, 0.063, 1.2, 1.813e-5, drag, lift)
}

fn setting(ball: Ball) -> Setting {
    Setting { machine: machine(), ball, read_at: ReadAt::Release }
}

fn no_lift() -> LiftLaw {
    LiftLaw::Coefficient(0.0)
}

#[test]
fn tangent_release_in_vacuum_follows_its_closed_form() {
    let vacuum = setting(point_ball(DragLaw::Coefficient(0.0), no_lift()));
    // h = P + L/cos t - D tan t - g (D - L sin t)^2 / (2 v^2 cos^2 t), exact.
    for arm_deg in [-15.0_f64, -5.0, 0.0, 10.0, 20.0, 35.0] {
        for speed_mps in [13.4112, 22.352, 31.2928] {
            let t = arm_deg.to_radians();
            let closed = 1.3 + 1.2 / t.cos()
                - 6.0 * t.tan()
                - 9.80665 * (6.0 - 1.2 * t.sin()).powi(2) / (2.0 * speed_mps * speed_mps * t.cos().powi(2));
            let strike = vacuum.strike(t, 0.0, speed_mps).expect("reaches");
            assert!((strike.point.y_m - closed).abs() < 1e-9, "{arm_deg} deg {speed_mps} m/s");
            let back = vacuum.solve(WallPoint::new(0.0, closed), speed_mps).expect("reaches");
            assert!((back.arm_rad - t).abs() < 1e-11, "{arm_deg} deg {speed_mps} m/s");
        }
    }
    // Source: the same closed form, and SciPy's DOP853, at 20 deg and 13.4112 m/s.
    let strike = vacuum.strike(20f64.to_radians(), 0.0, 13.4112).expect("reaches");
    assert!((strike.point.y_m - -0.571_395_230_782_626_2).abs() < 1e-12);
}

#[test]
fn heights_turn_into_the_reference_arm_angles() {
    let setting = setting(point_ball(DragLaw::Coefficient(0.45), no_lift()));
    // Source: SciPy DOP853 and a root finder: speed mph, height m, arm angle deg.
    let rows = [
        (30.0, 0.3, 11.879_475_811_547_836),
        (30.0, 2.1, -6.222_270_391_702_584),
        (50.0, 1.2, 9.164_336_628_203_289),
        (70.0, 0.3, 19.207_030_910_693_62),
        (70.0, 2.1, 2.088_574_060_562_722_3),
    ];
    let check = |mph: f64, height_m: f64, arm_deg: f64| {
        let solved = setting.solve(WallPoint::new(0.0, height_m), mph * MPS_PER_MPH).expect("reaches");
        let off = solved.arm_rad.to_degrees() - arm_deg;
        assert!(off.abs() < 1e-9, "{mph} mph {height_m} m: off by {off:.1e} deg");
    };
    for (mph, height_m, arm_deg) in rows {
        check(mph, height_m, arm_deg);
    }
    let Some(reference) = flight_common::json("references/extra_checks.json") else { return };
    let table = reference["inverse_table_D6_Hp1.3_L1.2_cd0.45"].as_array().expect("a table");
    assert_eq!(table.len(), 35);
    for row in table {
        let number = |key: &str| row[key].as_f64().expect("a number");
        check(number("speed_mph"), number("height_at_wall_m"), number("release_angle_past_vertical_deg"));
    }
}

#[test]
fn leaving_out_radius_drag_or_spin_costs_what_it_should() {
    let cd = DragLaw::Coefficient(0.45);
    let angle_deg = |ball: Ball, y_m: f64, mph: f64| {
        setting(ball).solve(WallPoint::new(0.0, y_m), mph * MPS_PER_MPH).expect("reaches").arm_rad.to_degrees()
    };
    // Source: SciPy: arm deg, mph, error in deg when a mark of the real ball is solved for a point.
    for (arm_deg, mph, error_deg) in [
        (0.0_f64, 30.0, -0.108_971_281_645_331_25),
        (10.0, 50.0, -0.090_149_198_465_178_77),
        (20.0, 70.0, -0.121_361_594_568_842_43),
    ] {
        let strike =
            setting(real_ball(cd, no_lift())).strike(arm_deg.to_radians(), 0.0, mph * MPS_PER_MPH).expect("reaches");
        let error = angle_deg(point_ball(cd, no_lift()), strike.point.y_m, mph) - arm_deg;
        assert!((error - error_deg).abs() < 1e-8, "{arm_deg} deg {mph} mph: {error} against {error_deg}");
    }
    let Some(reference) = flight_common::json("references/extra_checks.json") else { return };
    for row in reference["contact_at_D_minus_r"].as_array().expect("a table") {
        let number = |key: &str| row[key].as_f64().expect("a number");
        let (arm_deg, mph) = (number("th"), number("mph"));
        let strike =
            setting(real_ball(cd, no_lift())).strike(arm_deg.to_radians(), 0.0, mph * MPS_PER_MPH).expect("reaches");
        let error = angle_deg(point_ball(cd, no_lift()), strike.point.y_m, mph) - arm_deg;
        assert!((error - number("error_deg_if_radius_ignored")).abs() < 1e-8);
    }
}

/// Inputs of the reference sensitivities, each with a doubt of 1 unit's worth so that the
/// shared sensitivities are the derivatives times it.
fn reference_inputs(u: f64) -> FlightInputs {
    let some = |value: f64| Input::new(value, u);
    FlightInputs {
        pivot_out_m: some(6.0),
        pivot_up_m: some(1.3),
        pivot_right_m: Input::exact(0.0),
        arm_m: some(1.2),
        zero_rad: some(0.0),
        plane_turn_rad: Input::exact(0.0),
        off_tangent_rad: some(0.0),
        lean_rad: Input::exact(0.0),
        mass_kg: some(0.1475),
        diameter_m: some(0.063),
        drag: Drag::Coefficient(some(0.45)),
        spin: Spin::Unknown,
        temperature_k: Input::exact(293.15),
        pressure_pa: some(101_325.0),
        humidity: Input::exact(0.0),
        speed_scale_u: 0.0,
        read_at: ReadAt::Release,
    }
}

#[test]
fn derivatives_agree_with_finite_differences_of_an_independent_solver() {
    let Some(reference) = flight_common::json("references/sensitivity.json") else { return };
    let rows = reference["rows"].as_array().expect("rows");
    assert_eq!(rows.len(), 15);
    let u = 1e-3;
    let mut inputs = reference_inputs(u);
    // The reference has 1.2 kg/m3 exactly: the pressure that gives it in dry air at 20 degC,
    // and a strike at the centre, so the mark is set one radius of flight further on.
    let density = |pressure_pa: f64| Air { temperature_k: 293.15, pressure_pa, humidity: 0.0 }.density_kg_m3();
    for _ in 0..20 {
        inputs.pressure_pa.value *= 1.2 / density(inputs.pressure_pa.value);
    }
    assert!((density(inputs.pressure_pa.value) - 1.2).abs() < 1e-12);
    inputs.pivot_out_m.value += 0.0315;
    let names = inputs.shared_factors(0).names;
    for row in rows {
        let number = |key: &str| row[key].as_f64().expect("a number");
        let impact = Impact {
            point: WallPoint::new(0.0, number("height_at_wall_m")),
            speed_mps: number("speed_m_per_s"),
            ..Impact::default()
        };
        let release = solve(&inputs, &impact).expect("reaches");
        let by = |factor: Factor| {
            let index = names.iter().position(|name| name == factor.name()).expect("a factor with a doubt");
            let u = inputs.input(factor).u;
            (release.release.shared[index] / u).to_degrees()
        };
        let arm_deg = number("release_angle_past_vertical_deg");
        assert!((release.solved.arm_rad.to_degrees() - arm_deg).abs() < 1e-9);
        let close = |name: &str, ours: f64, theirs: f64| {
            // Finite differences on both sides: 1e-5 relative, or 1e-9 deg in the unit shown.
            assert!(
                (ours - theirs).abs() < 1e-5 * theirs.abs() + 1e-9,
                "{name} at {arm_deg} deg: {ours} against {theirs}"
            );
        };
        let [_, by_y, by_speed] = release.by_mark_and_speed.map(f64::to_degrees);
        close("height", by_y * 1e-3, number("deg_per_mm_impact_height"));
        close("speed", by_speed, number("deg_per_m_per_s_speed"));
        close("distance", by(Factor::PivotOut) * 1e-3, number("deg_per_mm_distance"));
        close("pivot height", by(Factor::PivotUp) * 1e-3, number("deg_per_mm_pivot_height"));
        close("arm", by(Factor::Arm) * 1e-3, number("deg_per_mm_arm_length"));
        close("cd", by(Factor::Drag) * 0.01, number("deg_per_0p01_cd"));
        close("lift", by(Factor::Spin) * 0.01, number("deg_per_0p01_lift_coefficient"));
        close("tangent", by(Factor::OffTangent) * 1f64.to_radians(), number("deg_per_deg_departure_from_tangent"));
        close("mass", by(Factor::Mass) * 1e-3, number("deg_per_gram_ball_mass"));
        assert!((by(Factor::Zero) * 1f64.to_radians() + 1.0).abs() < 1e-12);
        // Density is proportional to pressure within 1e-3 (compressibility).
        let percent = by(Factor::Pressure) * inputs.pressure_pa.value / 100.0;
        assert!((percent / number("deg_per_percent_air_density") - 1.0).abs() < 1e-3, "density");
        // The reference's point ball does not move its place of impact with its diameter; ours
        // strikes half of the change earlier, which the slope by distance takes back.
        let diameter = by(Factor::Diameter) + 0.5 * by(Factor::PivotOut);
        close("diameter", diameter * 1e-4, number("deg_per_0p1mm_ball_diameter"));
    }
}

#[test]
fn backspin_lifts_and_the_curve_of_drag_matters_as_the_reference_says() {
    let Some(reference) = flight_common::json("references/extra_checks.json") else { return };
    // Arm angle of the rows is not stated: rows that hold for the angle 0 or 10 alike are no check,
    // so the angle that reproduces the first row must reproduce all.
    let rows =
        reference["error_deg_if_backspin_present_but_ignored (CL=1.120S/(0.583+2.333S))"].as_array().expect("rows");
    let error_at = |arm_deg: f64, mph: f64, rpm: f64| {
        let speed = mph * MPS_PER_MPH;
        let spin = LiftLaw::Spin(rpm * std::f64::consts::TAU / 60.0);
        let cd = DragLaw::Coefficient(0.45);
        let strike = setting(point_ball(cd, spin)).strike(arm_deg.to_radians(), 0.0, speed).expect("reaches");
        setting(point_ball(cd, no_lift())).solve(strike.point, speed).expect("reaches").arm_rad.to_degrees() - arm_deg
    };
    let number = |row: &serde_json::Value, i: usize| row[i].as_f64().expect("a number");
    let worst = |arm_deg: f64| {
        rows.iter()
            .map(|row| (error_at(arm_deg, number(row, 0), number(row, 1)) - number(row, 4)).abs())
            .fold(0.0, f64::max)
    };
    println!("worst backspin error: {:.1e} deg at arm 0, {:.1e} deg at arm 10", worst(0.0), worst(10.0));
    // The rows are rounded to 1e-4 deg.
    assert!(worst(0.0).min(worst(10.0)) < 1e-4);
    let curves = reference["angle_shift_deg_vs_cd_0.45_if_model_is"].as_array().expect("rows");
    let shift_at = |arm_deg: f64, mph: f64, law: DragLaw| {
        let speed = mph * MPS_PER_MPH;
        let strike = setting(point_ball(DragLaw::Coefficient(0.45), no_lift()))
            .strike(arm_deg.to_radians(), 0.0, speed)
            .expect("reaches");
        setting(point_ball(law, no_lift())).solve(strike.point, speed).expect("reaches").arm_rad.to_degrees() - arm_deg
    };
    let worst = |arm_deg: f64| {
        curves
            .iter()
            .map(|row| {
                let sphere = |curve| DragLaw::Sphere { curve, factor: 1.0 };
                let law = match row[1].as_str().expect("a name") {
                    "clift_gauvin" => sphere(SphereCurve::CliftGauvin),
                    "clift_grace_weber" => sphere(SphereCurve::CliftGraceWeber),
                    "morrison" => sphere(SphereCurve::Morrison),
                    _ => DragLaw::Coefficient(number(row, 2)),
                };
                (shift_at(arm_deg, number(row, 0), law) - number(row, 3)).abs()
            })
            .fold(0.0, f64::max)
    };
    println!("worst shift by drag curve: {:.1e} deg at arm 0, {:.1e} deg at arm 10", worst(0.0), worst(10.0));
    assert!(worst(0.0).min(worst(10.0)) < 1e-6);
}

#[test]
fn taking_a_reading_at_the_wall_for_release_speed_costs_what_it_should() {
    // Source: SciPy: error in deg at arm angle 10 deg, D 6 m, for a speed read 3 m downrange and at the wall.
    let rows = [
        (30.0, -0.325_991_382_863_273_67, -0.664_564_118_764_916_5),
        (50.0, -0.116_464_638_708_309_03, -0.237_083_952_218_791_08),
        (70.0, -0.059_305_289_591_973_676, -0.120_697_530_996_753_95),
    ];
    let ball = point_ball(DragLaw::Coefficient(0.45), no_lift());
    let arm = 10f64.to_radians();
    for (mph, _, at_wall) in rows {
        let speed = mph * MPS_PER_MPH;
        let strike = setting(ball).strike(arm, 0.0, speed).expect("reaches");
        let wrong = setting(ball).solve(strike.point, strike.impact_speed_mps).expect("reaches");
        let error = (wrong.arm_rad - arm).to_degrees();
        println!("{mph} mph, read at the wall: {error:.6} deg against {at_wall:.6}");
        let right = Setting { read_at: ReadAt::FromWall(0.0), ..setting(ball) };
        let solved = right.solve(strike.point, strike.impact_speed_mps).expect("reaches");
        assert!((solved.arm_rad - arm).abs() < 1e-11);
        assert!((solved.strike.release_speed_mps - speed).abs() < 1e-10);
        let again = right.strike(arm, 0.0, strike.impact_speed_mps).expect("reaches");
        assert!((again.release_speed_mps - speed).abs() < 1e-10);
        // A loss by drag of 30 mph over 6 m taken for a slow release tilts the arm back.
        assert!(error < 0.0);
    }
}

#[test]
fn a_mark_out_of_reach_and_a_reading_behind_the_release_say_so() {
    let setting = setting(real_ball(DragLaw::Coefficient(0.45), no_lift()));
    let error = setting.solve(WallPoint::new(0.0, 40.0), 30.0 * MPS_PER_MPH).expect_err("out of reach");
    assert_eq!(error.kind(), ErrorKind::NoAnswer);
    assert!(error.to_string().contains("the ball cannot get there at 30.0 mph"), "{error}");
    assert!(error.to_string().contains("is the speed right?"), "{error}");
    let far = Setting { read_at: ReadAt::FromWall(9.0), ..setting };
    let error = far.solve(WallPoint::new(0.0, 1.0), 20.0).expect_err("read behind the release");
    assert!(error.to_string().contains("9.000 m from the wall"), "{error}");
    for speed in [0.0, -3.0, f64::NAN, f64::INFINITY, 1e6] {
        assert!(setting.solve(WallPoint::new(0.0, 1.0), speed).is_err());
        assert!(setting.strike(0.0, 0.0, speed).is_err());
    }
    assert!(setting.solve(WallPoint::new(f64::NAN, 1.0), 20.0).is_err());
    for (arm, side) in [(2.0, 0.0), (-2.0, 0.0), (0.0, 1.6), (f64::NAN, 0.0), (0.0, f64::NAN)] {
        assert!(setting.strike(arm, side, 20.0).is_err(), "{arm} {side}");
    }
}

#[test]
fn marks_of_invented_sessions_come_out_where_their_truth_puts_them() {
    for scene in ["clean-901", "nudge-bare-902", "tight-903"] {
        let Some(truth) = flight_common::json(&format!("scenes/{scene}.truth.json")) else { return };
        let number = |key: &str| truth["machine"][key].as_f64().expect("a number");
        let setting = Setting {
            machine: Machine {
                pivot_out_m: number("out"),
                pivot_up_m: number("up"),
                pivot_right_m: number("right"),
                arm_m: number("arm"),
                plane_turn_rad: 0.0,
                off_tangent_rad: 0.0,
                lean_rad: number("lean").to_radians(),
            },
            ball: Ball::new(
                number("mass"),
                number("dia"),
                &Air::new(number("T") + 273.15, number("P") * 100.0, number("RH") / 100.0).expect("in range"),
                DragLaw::Coefficient(number("cd")),
                no_lift(),
            ),
            read_at: ReadAt::Release,
        };
        let (mut worst_mm, mut worst_deg, mut count) = (0.0_f64, 0.0_f64, 0);
        for mark in
            truth["volleys"].as_array().expect("volleys").iter().flat_map(|v| v["marks"].as_array().expect("marks"))
        {
            let number = |key: &str| mark[key].as_f64().expect("a number");
            let arm_rad = (number("release_deg") + truth["machine"]["zero"].as_f64().expect("a number")).to_radians();
            let x_mm = setting.machine.pivot_right_m * 1e3 + number("sideways_mm");
            assert!((x_mm - number("x_mm")).abs() < 1e-6);
            // The mark's sideways offset stands for a sideways angle.
            let solved = setting
                .solve(WallPoint::new(number("x_mm") * 1e-3, number("y_mm") * 1e-3), number("speed_mps"))
                .expect("reaches");
            let strike = setting.strike(arm_rad, solved.sideways_rad, number("speed_mps")).expect("reaches");
            worst_mm = worst_mm.max((strike.point.y_m * 1e3 - number("y_mm")).abs());
            worst_deg = worst_deg.max((solved.arm_rad - arm_rad).to_degrees().abs());
            count += 1;
        }
        println!("{scene}: {count} marks, worst {worst_mm:.4} mm, {worst_deg:.5} deg");
        assert!(count > 0 && worst_mm < 0.5 && worst_deg < 0.01, "{scene}: {worst_mm} mm");
    }
}
