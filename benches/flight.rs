//! How long do a flight, a solve and a solve with uncertainty take, and how exact is a
//! flight for its time, beside `ode_solvers`' DOP853?
//!
//! `cargo bench --bench flight`. Best of several rounds, one core. The reference for the
//! error is the library's own DOP853 at 1e-14.

use std::hint::black_box;
use std::time::Instant;

use ode_solvers::{Dop853, OutputType, SVector, System};
use pockmark::flight::drag::{Ball, DragLaw, LiftLaw, SphereCurve};
use pockmark::flight::inputs::{Drag, FlightInputs, ReadAt, Spin};
use pockmark::flight::solve::{Impact, Solver};
use pockmark::flight::trajectory::InFlight;
use pockmark::points::WallPoint;
use pockmark::uncertainty::Input;

/// Best time of one call over some rounds, microseconds.
fn best_us(mut call: impl FnMut(), calls: usize) -> f64 {
    (0..7)
        .map(|_| {
            let start = Instant::now();
            for _ in 0..calls {
                call();
            }
            start.elapsed().as_secs_f64() * 1e6 / calls as f64
        })
        .fold(f64::INFINITY, f64::min)
}

/// The same equations of motion, in the range, for the library.
struct Motion(Ball);

impl System<f64, SVector<f64, 4>> for Motion {
    fn system(&self, _: f64, y: &SVector<f64, 4>, dy: &mut SVector<f64, 4>) {
        let (p, q) = (y[1], y[2]);
        let w = (1.0 + p * p).sqrt();
        let speed = w / q.sqrt();
        let (kd, kl) = (self.0.drag_per_m(speed), self.0.lift_per_m(speed));
        dy[0] = p;
        dy[1] = kl * w * w * w - 9.80665 * q;
        dy[2] = 2.0 * q * w * (kd + kl * p);
        dy[3] = q.sqrt();
    }
}

fn dop853(ball: &Ball, start: &InFlight, range_m: f64, tolerance: f64) -> f64 {
    let y = SVector::<f64, 4>::new(start.height_m, start.slope, start.inverse_square_speed, start.time_s);
    let mut stepper = Dop853::new(Motion(*ball), 0.0, range_m, range_m, y, tolerance, tolerance);
    stepper.set_output(OutputType::Sparse);
    stepper.integrate().expect("integrates");
    stepper.y_out().last().expect("a last point")[0]
}

fn main() {
    let laws = [
        ("Cd 0.45", DragLaw::Coefficient(0.45)),
        ("sphere curve", DragLaw::Sphere { curve: SphereCurve::CliftGauvin, factor: 1.0 }),
    ];
    let throws: Vec<(f64, f64, f64)> = [13.41, 22.35, 31.29]
        .iter()
        .flat_map(|v| [-20.0_f64, 0.0, 10.0].iter().flat_map(move |e| [3.0, 6.0, 9.0].map(|d| (*v, e.to_radians(), d))))
        .collect();
    let n = throws.len() as f64;
    println!("one flight, mean time and worst error over {n} throws");
    for (name, law) in laws {
        let ball = Ball::in_density(0.1475, 0.063, 1.2, 1.813e-5, law, LiftLaw::Coefficient(0.01));
        let truth: Vec<f64> =
            throws.iter().map(|(v, e, d)| dop853(&ball, &InFlight::start(2.2, *e, *v), *d, 1e-14)).collect();
        let report = |what: &str, fly: &dyn Fn(f64, f64, f64) -> f64| {
            let error = throws.iter().zip(&truth).map(|((v, e, d), h)| (fly(*v, *e, *d) - h).abs()).fold(0.0, f64::max);
            let time = best_us(
                || {
                    for (v, e, d) in &throws {
                        black_box(fly(black_box(*v), *e, *d));
                    }
                },
                2000,
            ) / n;
            println!("  {name:14} {what:22} {time:7.3} us  {error:.1e} m");
        };
        report("ours", &|v, e, d| InFlight::start(2.2, e, v).advance(&ball, d).expect("reaches").height_m);
        for tolerance in [1e-6, 1e-8, 1e-10, 1e-12] {
            report(&format!("ode_solvers {tolerance:.0e}"), &|v, e, d| {
                dop853(&ball, &InFlight::start(2.2, e, v), d, tolerance)
            });
        }
    }

    let some = |value: f64, u: f64| Input::new(value, u);
    let mut inputs = FlightInputs {
        pivot_out_m: some(6.0, 0.002),
        pivot_up_m: some(1.3, 0.002),
        pivot_right_m: some(0.0, 0.002),
        arm_m: some(1.2, 0.002),
        zero_rad: some(-0.17, 0.001),
        plane_turn_rad: some(0.01, 0.001),
        off_tangent_rad: some(0.0, 0.001),
        lean_rad: some(0.001, 0.001),
        mass_kg: some(0.147, 0.0005),
        diameter_m: some(0.063, 0.0002),
        drag: Drag::Coefficient(some(0.45, 0.02)),
        spin: Spin::Unknown,
        temperature_k: some(291.15, 0.5),
        pressure_pa: some(100_800.0, 100.0),
        humidity: some(0.5, 0.05),
        speed_scale_u: 0.003,
        read_at: ReadAt::Release,
        read_at_u_m: 0.02,
    };
    let impact = Impact {
        point: WallPoint::new(0.03, 1.1),
        own_cov_m2: [[1e-6, 0.0], [0.0, 1e-6]],
        shared: vec![[1e-4, 2e-4]; 20],
        speed_mps: 22.352,
        speed_own_u_mps: 0.05,
    };
    println!("one impact, 17 inputs with a doubt and 20 calibration factors");
    for (drag_name, drag) in
        [("Cd 0.45", inputs.drag), ("sphere curve", Drag::Sphere { curve: SphereCurve::CliftGauvin, relative_u: 0.1 })]
    {
        for (read_name, read_at) in
            [("read at release", ReadAt::Release), ("read 2 m from the wall", ReadAt::FromWall(2.0))]
        {
            (inputs.drag, inputs.read_at) = (drag, read_at);
            let solver = Solver::new(&inputs).expect("sound inputs");
            let plain = best_us(
                || {
                    black_box(solver.setting().solve(black_box(impact.point), impact.speed_mps)).expect("reaches");
                },
                20_000,
            );
            let whole = best_us(
                || {
                    black_box(solver.solve(black_box(&impact))).expect("reaches");
                },
                5000,
            );
            println!("  {drag_name:14} {read_name:24} angle {plain:6.2} us, with uncertainty {whole:6.1} us");
        }
    }
}
