//! Do release angles, their slopes and their errors agree with independent solutions?

use crate::common;
use pockmark::ErrorKind;
use pockmark::flight::drag::{Ball, DragLaw, LiftLaw, SphereCurve, spin_lift_coefficient};
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

/// The reference ball: 0.1475 kg, 63 mm, 1.2 kg/m3.
fn ball(drag: DragLaw, lift: LiftLaw) -> Ball {
    Ball::in_density(0.1475, 0.063, 1.2, 1.813e-5, drag, lift)
}

fn setting(ball: Ball) -> Setting {
    Setting { machine: machine(), ball, read_at: ReadAt::Release }
}

/// The wall one radius further off, so that the ball's centre is at 6 m when it strikes.
fn centre_setting(ball: Ball) -> Setting {
    let machine = Machine { pivot_out_m: 6.0 + ball.radius_m, ..machine() };
    Setting { machine, ball, read_at: ReadAt::Release }
}

fn no_lift() -> LiftLaw {
    LiftLaw::Coefficient(0.0)
}

#[test]
fn tangent_release_in_vacuum_follows_its_closed_form() {
    let vacuum = centre_setting(ball(DragLaw::Coefficient(0.0), no_lift()));
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
    let setting = centre_setting(ball(DragLaw::Coefficient(0.45), no_lift()));
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
    let Some(reference) = common::flight::json("references/extra_checks.json") else { return };
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
    let as_point_deg = |y_m: f64, mph: f64| {
        centre_setting(ball(cd, no_lift()))
            .solve(WallPoint::new(0.0, y_m), mph * MPS_PER_MPH)
            .expect("reaches")
            .arm_rad
            .to_degrees()
    };
    // Source: SciPy: arm deg, mph, error in deg when a mark of the real ball is solved for a point.
    for (arm_deg, mph, error_deg) in [
        (0.0_f64, 30.0, -0.108_971_281_645_331_25),
        (10.0, 50.0, -0.090_149_198_465_178_77),
        (20.0, 70.0, -0.121_361_594_568_842_43),
    ] {
        let strike =
            setting(ball(cd, no_lift())).strike(arm_deg.to_radians(), 0.0, mph * MPS_PER_MPH).expect("reaches");
        let error = as_point_deg(strike.point.y_m, mph) - arm_deg;
        assert!((error - error_deg).abs() < 1e-8, "{arm_deg} deg {mph} mph: {error} against {error_deg}");
    }
    let Some(reference) = common::flight::json("references/extra_checks.json") else { return };
    for row in reference["contact_at_D_minus_r"].as_array().expect("a table") {
        let number = |key: &str| row[key].as_f64().expect("a number");
        let (arm_deg, mph) = (number("th"), number("mph"));
        let strike =
            setting(ball(cd, no_lift())).strike(arm_deg.to_radians(), 0.0, mph * MPS_PER_MPH).expect("reaches");
        let error = as_point_deg(strike.point.y_m, mph) - arm_deg;
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
        read_at_u_m: 0.0,
    }
}

#[test]
fn derivatives_agree_with_finite_differences_of_an_independent_solver() {
    let Some(reference) = common::flight::json("references/sensitivity.json") else { return };
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
fn derivatives_of_one_row_agree_without_any_file() {
    // Source: finite differences of SciPy DOP853 solutions, arm angle 0 deg, 30 mph (13.4112 m/s):
    // deg per mm height, per m/s, per mm distance, per mm pivot height, per 0.01 Cd, per 0.01 lift.
    let mut inputs = reference_inputs(1e-3);
    let density = |pressure_pa: f64| Air { temperature_k: 293.15, pressure_pa, humidity: 0.0 }.density_kg_m3();
    for _ in 0..20 {
        inputs.pressure_pa.value *= 1.2 / density(inputs.pressure_pa.value);
    }
    inputs.pivot_out_m.value += 0.0315;
    let impact =
        Impact { point: WallPoint::new(0.0, 1.495_654_895_703_979_2), speed_mps: 13.4112, ..Impact::default() };
    let release = solve(&inputs, &impact).expect("reaches");
    assert!(release.solved.arm_rad.abs() < 1e-11);
    let names = inputs.shared_factors(0).names;
    let by = |factor: Factor| {
        let index = names.iter().position(|name| name == factor.name()).expect("a factor with a doubt");
        (release.release.shared[index] / inputs.input(factor).u).to_degrees()
    };
    let [_, by_y, by_speed] = release.by_mark_and_speed.map(f64::to_degrees);
    for (ours, theirs) in [
        (by_y * 1e-3, -0.010_239_687_574_932_864),
        (by_speed, 1.534_062_828_052_537_2),
        (by(Factor::PivotOut) * 1e-3, -0.003_468_299_860_335_195_2),
        (by(Factor::PivotUp) * 1e-3, 0.010_239_687_575_333_039),
        (by(Factor::Drag) * 0.01, -0.005_307_084_974_864_313_5),
        (by(Factor::Spin) * 0.01, 0.024_482_499_779_446_495),
    ] {
        assert!((ours / theirs - 1.0).abs() < 1e-5, "{ours} against {theirs}");
    }
}

#[test]
fn backspin_lifts_and_the_curve_of_drag_matters_as_the_reference_says() {
    let Some(reference) = common::flight::json("references/extra_checks.json") else { return };
    let rows =
        reference["error_deg_if_backspin_present_but_ignored (CL=1.120S/(0.583+2.333S))"].as_array().expect("rows");
    let number = |row: &serde_json::Value, i: usize| row[i].as_f64().expect("a number");
    let cd = DragLaw::Coefficient(0.45);
    for row in rows {
        let (arm, speed_mps) = (10f64.to_radians(), number(row, 0) * MPS_PER_MPH);
        let spin_rad_s = number(row, 1) * std::f64::consts::TAU / 60.0;
        // The reference keeps the lift coefficient of the release speed; rows have 4 digits.
        let parameter = 0.0315 * spin_rad_s / speed_mps;
        assert!((parameter - number(row, 2)).abs() < 6e-5);
        let error_deg = |lift: LiftLaw| {
            let strike = centre_setting(ball(cd, lift)).strike(arm, 0.0, speed_mps).expect("reaches");
            let solved = centre_setting(ball(cd, no_lift())).solve(strike.point, speed_mps).expect("reaches");
            (solved.arm_rad - arm).to_degrees()
        };
        let reference_deg = number(row, 4);
        let constant = error_deg(LiftLaw::Coefficient(spin_lift_coefficient(parameter)));
        assert!((constant - reference_deg).abs() < 6e-5, "{row}: {constant}");
        // Lift grows a little as the ball slows: by no more than the speed falls (3.4 % to the wall).
        let growing = error_deg(LiftLaw::Spin(spin_rad_s)) / constant;
        assert!(growing > 1.0 - 0.035 && growing < 1.0 + 0.035, "{row}: {growing}");
        // Topspin does the opposite, to the second order.
        assert!((error_deg(LiftLaw::Spin(-spin_rad_s)) / -constant - 1.0).abs() < 0.1);
    }
    let mut curves = 0;
    for row in reference["angle_shift_deg_vs_cd_0.45_if_model_is"].as_array().expect("rows") {
        let (arm, speed_mps) = (10f64.to_radians(), number(row, 0) * MPS_PER_MPH);
        let strike = centre_setting(ball(cd, no_lift())).strike(arm, 0.0, speed_mps).expect("reaches");
        let shift_deg = |law: DragLaw| {
            let solved = centre_setting(ball(law, no_lift())).solve(strike.point, speed_mps).expect("reaches");
            (solved.arm_rad - arm).to_degrees()
        };
        let curve = match row[1].as_str().expect("a name") {
            "clift_gauvin" => SphereCurve::CliftGauvin,
            "clift_grace_weber" => SphereCurve::CliftGraceWeber,
            "morrison" => SphereCurve::Morrison,
            _ => {
                assert!((shift_deg(DragLaw::Coefficient(number(row, 2))) - number(row, 3)).abs() < 1e-8, "{row}");
                continue;
            }
        };
        // The reference keeps the coefficient of the release speed. Along the flight it changes with
        // the speed (that costs at most 3e-4 deg).
        let fixed = shift_deg(DragLaw::Coefficient(curve.coefficient(1.2 * 0.063 * speed_mps / 1.813e-5)));
        assert!((fixed - number(row, 3)).abs() < 1e-8, "{row}: {fixed}");
        let along = shift_deg(DragLaw::Sphere { curve, factor: 1.0 });
        assert!((along - fixed).abs() < 5e-4, "{row}: {along}");
        curves += 1;
    }
    assert_eq!(curves, 9);
}

#[test]
fn taking_a_reading_at_the_wall_for_release_speed_costs_what_it_should() {
    // Source: SciPy: error in deg at arm angle 10 deg, D 6 m, for a speed read 3 m downrange and at the wall.
    let rows = [
        (30.0, -0.325_991_382_863_273_67, -0.664_564_118_764_916_5),
        (50.0, -0.116_464_638_708_309_03, -0.237_083_952_218_791_08),
        (70.0, -0.059_305_289_591_973_676, -0.120_697_530_996_753_95),
    ];
    let plain = centre_setting(ball(DragLaw::Coefficient(0.45), no_lift()));
    let (arm, k_per_m) = (10f64.to_radians(), 0.45 * plain.ball.k_per_m);
    for (mph, at_3_m, at_wall) in rows {
        let speed = mph * MPS_PER_MPH;
        let strike = plain.strike(arm, 0.0, speed).expect("reaches");
        for (from_pivot_m, reference_deg) in [(3.0, at_3_m), (6.0, at_wall)] {
            // The reference takes the way of the ball as level: exp(-k x).
            let reading = speed * f64::exp(-k_per_m * from_pivot_m);
            let wrong = plain.solve(strike.point, reading).expect("reaches");
            let error_deg = (wrong.arm_rad - arm).to_degrees();
            assert!((error_deg - reference_deg).abs() < 1e-7, "{mph} mph: {error_deg} against {reference_deg}");
            // Corrected along the ball's own way, which starts 0.208 m ahead of the pivot (7 % of
            // 3 m), all but that comes back.
            let right = Setting { read_at: ReadAt::FromWall(plain.machine.pivot_out_m - from_pivot_m), ..plain };
            let solved = right.solve(strike.point, reading).expect("reaches");
            let left_deg = (solved.arm_rad - arm).to_degrees();
            assert!(left_deg.abs() < 0.07 * error_deg.abs(), "{mph} mph: {left_deg} of {error_deg} left");
            // Forwards and backwards use one correction.
            let again = right.strike(solved.arm_rad, 0.0, reading).expect("reaches");
            assert!((again.point.y_m - strike.point.y_m).abs() < 1e-11);
            assert!((again.release_speed_mps - solved.strike.release_speed_mps).abs() < 1e-11);
        }
    }
}

#[test]
fn a_mark_out_of_reach_and_a_reading_behind_the_release_say_so() {
    let setting = setting(ball(DragLaw::Coefficient(0.45), no_lift()));
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
        let Some(truth) = common::flight::json(&format!("scenes/{scene}.truth.json")) else { return };
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
