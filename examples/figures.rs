//! The figures of docs/flight.md, drawn by the program's own flights:
//! `cargo run --release --example figures -- docs/figures`

use std::path::Path;

use pockmark::flight::geometry::{Wanted, geometry};
use pockmark::flight::trajectory::InFlight;
use pockmark::flight::{Drag, FlightInputs, Input, ReadAt, Setting, Solver, SphereCurve, Spin};
use pockmark::points::WallPoint;
use pockmark::report::lines::{Line, LineChart, line_chart};
use pockmark::session::write_whole;

const MPH: f64 = 0.44704;
const SPEEDS_MPH: [f64; 3] = [30.0, 50.0, 70.0];

/// The machine of the examples: tape, level and rule book measured with ordinary care.
fn inputs() -> FlightInputs {
    let deg = f64::to_radians;
    FlightInputs {
        pivot_out_m: Input::new(6.0, 0.0025),
        pivot_up_m: Input::new(0.0, 0.0015),
        pivot_right_m: Input::new(0.0, 0.0025),
        arm_m: Input::new(1.2, 0.0015),
        zero_rad: Input::new(deg(-10.0), deg(0.05)),
        plane_turn_rad: Input::exact(0.0),
        off_tangent_rad: Input::exact(0.0),
        lean_rad: Input::new(0.0, deg(0.15)),
        mass_kg: Input::new(0.147, 0.0005),
        diameter_m: Input::new(0.063, 0.00015),
        drag: Drag::Sphere { curve: SphereCurve::CliftGauvin, relative_u: 0.1 },
        spin: Spin::Unknown,
        temperature_k: Input::new(291.15, 0.5),
        pressure_pa: Input::new(100_800.0, 250.0),
        humidity: Input::new(0.5, 0.1),
        speed_scale_u: 0.006,
        read_at: ReadAt::Release,
        read_at_u_m: 0.0,
    }
}

fn named(name: String, points: Vec<(f64, f64)>) -> Line {
    Line { name, points, marks: false }
}

/// Paths of balls from the same arm angle.
fn paths(setting: &Setting) -> LineChart {
    let arm_rad = 0f64.to_radians();
    let (w, _, h) = setting.machine.release_place(arm_rad);
    let mut lines: Vec<Line> = SPEEDS_MPH
        .iter()
        .map(|mph| {
            let start = InFlight::start(h, -arm_rad, mph * MPH);
            let last = -w - setting.ball.radius_m;
            let points = (0..=60)
                .filter_map(|i| {
                    let range_m = last * f64::from(i) / 60.0;
                    Some((w + range_m, start.advance(&setting.ball, range_m)?.height_m))
                })
                .collect();
            named(format!("{mph:.0} mph"), points)
        })
        .collect();
    let swing = (-60..=20).map(|d| {
        let (w, _, h) = setting.machine.release_place(f64::from(d).to_radians());
        (w, h)
    });
    lines.push(named("ball's circle".into(), swing.collect()));
    LineChart {
        title: "Three balls let go at arm angle 0 (release angle 10 deg)".into(),
        x_title: "from the wall (0) to the pivot (-6), m".into(),
        y_title: "height above the origin, m".into(),
        lines,
        uprights: vec![("one radius from the wall".into(), -setting.ball.radius_m)],
        ..LineChart::default()
    }
}

/// Height of the mark against arm angle: one peak, two roots.
fn branches(setting: &Setting) -> LineChart {
    let lines = [25.0, 30.0, 35.0]
        .iter()
        .map(|mph| {
            let at = |d: f64| setting.strike(d.to_radians(), 0.0, mph * MPH).ok().map(|s| (d, s.point.y_m));
            named(format!("{mph:.0} mph"), (-170..=50).filter_map(|d| at(0.5 * f64::from(d))).collect())
        })
        .collect();
    LineChart {
        title: "Two arm angles strike one height; a machine throws on the right, falling branch".into(),
        x_title: "arm angle, deg (negative: before upright, the ball thrown upwards)".into(),
        y_title: "height of the mark, m".into(),
        lines,
        levels: vec![("a mark 1 m above the origin".into(), 1.0)],
        y_range: Some((-3.0, 11.0)),
        ..LineChart::default()
    }
}

/// Drag coefficients of a smooth sphere.
fn drag() -> LineChart {
    let curve = |name: &str, c: SphereCurve, last: f64| {
        let points = (0..=90).map(|i| 2e4 * (last / 2e4f64).powf(f64::from(i) / 90.0));
        named(name.into(), points.map(|re| (re / 1e5, c.coefficient(re))).collect())
    };
    let measured =
        Line { name: String::new(), points: vec![(0.5888, 0.4732), (1.0, 0.4624), (1.702, 0.4395)], marks: true };
    LineChart {
        title: "Drag coefficient of a smooth sphere: three published curves, measured points".into(),
        x_title: "Reynolds number / 100 000".into(),
        y_title: "drag coefficient".into(),
        lines: vec![
            curve("Clift-Gauvin", SphereCurve::CliftGauvin, 2e5),
            curve("Clift-Grace-Weber", SphereCurve::CliftGraceWeber, 2e5),
            curve("Morrison", SphereCurve::Morrison, 2e5),
            measured,
        ],
        uprights: vec![("30 mph".into(), 0.56), ("70 mph".into(), 1.3)],
        y_range: Some((0.34, 0.52)),
        ..LineChart::default()
    }
}

/// Where the doubt of one shot comes from, against speed.
fn parts(inputs: &FlightInputs) -> pockmark::Result<LineChart> {
    let solver = Solver::new(inputs)?;
    let names = solver.shared_factors(0);
    let wanted = ["speed scale", "spin", "drag", "zero", "lean", "pivot up"];
    let mut lines: Vec<Line> = wanted.iter().map(|n| named((*n).into(), Vec::new())).collect();
    lines.push(named("all".into(), Vec::new()));
    for mph in (25..=80).map(f64::from) {
        let strike = solver.setting().strike(0.0, 0.0, mph * MPH)?;
        let impact = pockmark::flight::Impact {
            point: strike.point,
            own_cov_m2: [[2.5e-7, 0.0], [0.0, 2.5e-7]],
            speed_mps: mph * MPH,
            ..Default::default()
        };
        let release = solver.solve(&impact)?.release;
        let budget = release.budget(&names);
        for line in &mut lines {
            let u = match line.name.as_str() {
                "all" => release.u(),
                name => budget.iter().find(|b| b.name == name).map_or(0.0, |b| b.u),
            };
            line.points.push((mph, 2.0 * u.to_degrees()));
        }
    }
    Ok(LineChart {
        title: "What makes one shot's release angle doubtful".into(),
        x_title: "speed, mph".into(),
        y_title: "± (95 %), deg".into(),
        lines,
        ..LineChart::default()
    })
}

/// u against distance.
fn distances(inputs: &FlightInputs) -> pockmark::Result<LineChart> {
    let wanted = Wanted {
        wall_m: [-1.2, 1.2],
        releases_rad: [0f64, 5.0, 10.0, 15.0, 20.0].map(f64::to_radians).to_vec(),
        speeds_mps: SPEEDS_MPH.map(|v| v * MPH).to_vec(),
        mark_u_m: 0.001,
        distances_m: (0..42).map(|i| 1.75 + 0.25 * f64::from(i)).collect(),
    };
    let g = geometry(inputs, &wanted)?;
    let lines = SPEEDS_MPH.iter().enumerate().map(|(k, mph)| {
        let at = |d: &pockmark::flight::geometry::Distance| {
            Some((d.pivot_out_m, 2.0 * d.by_speed_rad.get(k).copied().flatten()?.to_degrees()))
        };
        named(format!("{mph:.0} mph"), g.distances.iter().filter_map(at).collect())
    });
    let best = g.best.and_then(|i| g.distances.get(i)).map(|d| ("smallest over all".to_string(), d.pivot_out_m));
    Ok(LineChart {
        title: "How well one shot's release angle is known, by distance".into(),
        x_title: "from pivot to wall, m".into(),
        y_title: "± (95 %), deg, without the shots' own scatter".into(),
        lines: lines.collect(),
        uprights: best.into_iter().collect(),
        y_range: Some((0.0, 0.7)),
        ..LineChart::default()
    })
}

/// What leaving something out would cost.
fn left_out(inputs: &FlightInputs) -> pockmark::Result<LineChart> {
    let setting = inputs.setting()?;
    let mut no_radius = setting;
    no_radius.ball.radius_m = 0.0;
    let mut no_drag = setting;
    no_drag.ball.k_per_m = 0.0;
    let at_wall = Setting { read_at: ReadAt::FromWall(0.0), ..setting };
    let speeds = || (25..=80).map(f64::from);
    let cost = |name: &str, f: &dyn Fn(f64, WallPoint) -> Option<f64>| {
        let points = speeds().filter_map(|mph| {
            let strike = setting.strike(0.0, 0.0, mph * MPH).ok()?;
            Some((mph, f(mph, strike.point)?.to_degrees()))
        });
        named(name.into(), points.collect())
    };
    let solved = |s: Setting| move |mph: f64, p: WallPoint| s.solve(p, mph * MPH).ok().map(|a| a.arm_rad);
    Ok(LineChart {
        title: "What leaving something out would cost".into(),
        x_title: "speed, mph".into(),
        y_title: "error of the release angle, deg".into(),
        lines: vec![
            cost("the ball's radius", &solved(no_radius)),
            cost("drag", &solved(no_drag)),
            cost("where speed is read", &|mph, p| {
                // Read at the wall, taken for release: the reading of a ball that left at this speed.
                let end = setting.strike(0.0, 0.0, mph * MPH).ok()?;
                let read = at_wall.solve(p, end.impact_speed_mps).ok()?;
                let wrong = setting.solve(p, end.impact_speed_mps).ok()?;
                Some(wrong.arm_rad - read.arm_rad)
            }),
        ],
        ..LineChart::default()
    })
}

fn main() -> pockmark::Result<()> {
    let to = std::env::args().nth(1).unwrap_or_else(|| "docs/figures".into());
    let inputs = inputs();
    let setting = inputs.setting()?;
    let charts = [
        ("paths", paths(&setting)),
        ("branches", branches(&setting)),
        ("drag", drag()),
        ("left-out", left_out(&inputs)?),
        ("parts", parts(&inputs)?),
        ("distances", distances(&inputs)?),
    ];
    for (name, chart) in charts {
        let path = Path::new(&to).join(format!("{name}.svg"));
        write_whole(&path, line_chart(&chart)?.as_bytes())?;
        println!("{}", path.display());
    }
    Ok(())
}
