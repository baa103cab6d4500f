//! Do intervals hold the truth when everything that was stated is off within its doubt, a whole day by hand?
//!
//! Invented sessions: each states its inputs with their ±, the truth lies off by a normal deviate of half of it. The day's
//! balls fly the true machine; a person with a tape and a speed reading writes them down. Nothing of the truth
//! reaches `solve_impacts`.

use pockmark::flight::{Drag, DragLaw, FlightInputs, Input, LiftLaw, ReadAt, Setting, SphereCurve, Spin};
use pockmark::pipeline::Outcome;
use pockmark::pipeline::solve::solve_impacts;
use pockmark::session::impacts::parse_impacts;
use pockmark::session::{Session, SessionPaths, SessionSpec, VolleyTable};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// mph in m/s.
const MPH: f64 = 0.44704;
/// Shots a volley.
const SHOTS: usize = 4;

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    rng.sample(StandardNormal)
}

fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

/// How a session is measured.
#[derive(Clone, Copy)]
struct Kind {
    zero_shots: bool,
    heights_alone: bool,
    read_far: bool,
}

struct Day {
    session: Session,
    impacts: String,
    /// True release angles of each volley's shots, deg, by name, and true sideways angles.
    truth: Vec<(String, Vec<(f64, f64)>)>,
}

/// An invented session and what was written down of it.
fn day(rng: &mut ChaCha8Rng, kind: Kind) -> Day {
    let stated = |rng: &mut ChaCha8Rng, low: f64, high: f64, half: f64, digits: usize| {
        let value: f64 = format!("{:.digits$}", between(rng, low, high)).parse().unwrap();
        (value, value + 0.5 * half * normal(rng))
    };
    let (out, out_true) = stated(rng, 2.5, 6.5, 0.006, 3);
    let (up, up_true) = stated(rng, -200.0, 900.0, 4.0, 0);
    let (right, right_true) = stated(rng, 0.0, 1200.0, 6.0, 0);
    let (arm, arm_true) = stated(rng, 0.9, 1.4, 0.004, 3);
    let (zero, zero_true) = stated(rng, -15.0, 0.0, 0.2, 1);
    let (turn, turn_true) = stated(rng, -1.0, 1.0, 0.4, 1);
    let (lean, lean_true) = stated(rng, -1.0, 1.0, 0.3, 1);
    let (off, off_true) = stated(rng, -0.5, 0.5, 0.1, 1);
    let (mass, mass_true) = stated(rng, 142.0, 148.0, 1.0, 0);
    let (size, size_true) = stated(rng, 62.7, 64.6, 0.3, 1);
    let (warm, warm_true) = stated(rng, 5.0, 30.0, 2.0, 0);
    let (press, press_true) = stated(rng, 900.0, 1020.0, 5.0, 0);
    let (far, far_true) = stated(rng, 0.4, 1.0, 0.06, 2);
    let speed_error = 0.004 * normal(rng);
    let tape_error = 0.0005 * normal(rng);
    let read_at = if kind.read_far { format!("{far:.2} m ± 60 mm") } else { "release".into() };
    // With zero shots the stated zero is far off: it must not be used.
    let zero_text = if kind.zero_shots { String::new() } else { format!("zero = \"{zero:.1} deg ± 0.2 deg\"\n") };
    let toml = format!(
        "title = \"x\"\n[wall]\nlean = \"{lean:.1} deg ± 0.3 deg\"\n[machine]\npivot_out = \"{out:.3} m ± 6 mm\"\npivot_up = \"{up:.0} mm ± 4 mm\"\n\
         pivot_right = \"{right:.0} mm ± 6 mm\"\narm = \"{arm:.3} m ± 4 mm\"\n{zero_text}plane_turn = \"{turn:.1} deg ± 0.4 deg\"\n\
         off_tangent = \"{off:.1} deg ± 0.1 deg\"\n[ball]\nmass = \"{mass:.0} g ± 1 g\"\ndiameter = \"{size:.1} mm ± 0.3 mm\"\n[air]\n\
         temperature = \"{warm:.0} degC ± 2 degC\"\npressure = \"{press:.0} hPa ± 5 hPa\"\n[speed]\nscale = \"0.4 %\"\nread_at = \"{read_at}\"\n\
         [impacts]\ntape_scale = \"1 ± 0.001\"\nplus_minus = \"3 mm\"\n"
    );
    let truth = FlightInputs {
        pivot_out_m: Input::exact(out_true),
        pivot_up_m: Input::exact(1e-3 * up_true),
        pivot_right_m: Input::exact(1e-3 * right_true),
        arm_m: Input::exact(arm_true),
        zero_rad: Input::exact(0.0),
        plane_turn_rad: Input::exact(turn_true.to_radians()),
        off_tangent_rad: Input::exact(off_true.to_radians()),
        lean_rad: Input::exact(lean_true.to_radians()),
        mass_kg: Input::exact(1e-3 * mass_true),
        diameter_m: Input::exact(1e-3 * size_true),
        drag: Drag::Sphere { curve: SphereCurve::CliftGauvin, relative_u: 0.0 },
        spin: Spin::Known(Input::exact(0.0)),
        temperature_k: Input::exact(273.15 + warm_true),
        pressure_pa: Input::exact(100.0 * press_true),
        humidity: Input::exact(rng.random()),
        speed_scale_u: 0.0,
        read_at: if kind.read_far { ReadAt::FromWall(far_true) } else { ReadAt::Release },
        read_at_u_m: 0.0,
    };
    let mut setting: Setting = truth.setting().unwrap();
    let drag = 1.0 + pockmark::flight::inputs::SPHERE_CURVE_RELATIVE_U * normal(rng);
    setting.ball.drag = DragLaw::Sphere { curve: SphereCurve::CliftGauvin, factor: drag };
    setting.ball.lift = LiftLaw::Coefficient(pockmark::flight::inputs::UNKNOWN_SPIN_LIFT_U * normal(rng));

    let mut volleys = String::from(
        "volley,shots,speed_mph,speed_spread_mph,setpoint_mph,pocket,known_release_deg,known_release_plus_minus_deg\n",
    );
    let mut impacts = String::from(if kind.heights_alone { "volley,y_mm\n" } else { "volley,x_mm,y_mm\n" });
    let mut all = Vec::new();
    let mut rows: Vec<(String, f64, String, Option<f64>)> = Vec::new();
    for (p, pocket) in ["mid", "low"].into_iter().enumerate() {
        let base = between(rng, 2.0, 18.0);
        for (k, mph) in [30.0, 50.0, 70.0].into_iter().enumerate() {
            rows.push((format!("{}", 3 * p + k + 1), mph, pocket.into(), None).clone());
            all.push((format!("{}", 3 * p + k + 1), vec![(base - 1.5 * k as f64, 0.0)]));
        }
    }
    if kind.zero_shots {
        // The cup is stated to throw at 0 within 0.1 deg.
        let cup = 0.05 * normal(rng);
        for (name, mph) in [("z1", 40.0), ("z2", 60.0)] {
            rows.push((name.into(), mph, String::new(), Some(0.0)));
            all.push((name.into(), vec![(cup, 0.0)]));
        }
    }
    for ((name, mph, pocket, known), (_, shots)) in rows.iter().zip(&mut all) {
        let base = shots[0].0;
        shots.clear();
        let mut readings = Vec::new();
        for _ in 0..SHOTS {
            let release = base + 0.4 * normal(rng);
            let sideways = 0.6 * normal(rng);
            let speed = mph * (1.0 + 0.008 * normal(rng));
            let arm_rad = (release + zero_true).to_radians();
            let strike = setting.strike(arm_rad, turn_true.to_radians() + sideways.to_radians(), speed * MPH).unwrap();
            readings.push(speed / (1.0 + speed_error));
            let read = |v: f64, rng: &mut ChaCha8Rng| 1e3 * v / (1.0 + tape_error) + 1.5 * normal(rng);
            let (x, y) = (read(strike.point.x_m, rng), read(strike.point.y_m, rng));
            impacts += &if kind.heights_alone { format!("{name},{y:.1}\n") } else { format!("{name},{x:.1},{y:.1}\n") };
            shots.push((release, sideways + turn_true));
        }
        let mean = readings.iter().sum::<f64>() / SHOTS as f64;
        let sd = (readings.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / (SHOTS as f64 - 1.0)).sqrt();
        let known = known.map_or(",".into(), |k| format!("{k},0.1"));
        volleys += &format!("{name},{SHOTS},{mean:.2},{sd:.2},{mph},{pocket},{known}\n");
    }
    let session = Session {
        paths: SessionPaths::new("nowhere"),
        spec: SessionSpec::parse(&toml).unwrap(),
        volleys: VolleyTable::parse(&volleys).unwrap(),
        notes: Vec::new(),
        read: Vec::new(),
    };
    Day { session, impacts, truth: all }
}

fn solved(day: &Day) -> Outcome {
    solve_impacts(&day.session, &parse_impacts(&day.impacts).unwrap()).unwrap()
}

/// Shares of intervals (k = 2) that hold, one a session, with the standard error of their mean.
#[derive(Default)]
struct Held(Vec<f64>);

impl Held {
    fn add(&mut self, hits: &[bool]) {
        if !hits.is_empty() {
            self.0.push(hits.iter().filter(|h| **h).count() as f64 / hits.len() as f64);
        }
    }

    fn mean_and_error(&self) -> (f64, f64) {
        let n = self.0.len() as f64;
        let mean = self.0.iter().sum::<f64>() / n;
        let var = self.0.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
        (mean, (var / n).sqrt())
    }

    fn check(&self, what: &str, high: f64) {
        let (mean, error) = self.mean_and_error();
        println!(
            "{what}: {:.2} % of intervals hold (± {:.2} from {} sessions)",
            100.0 * mean,
            100.0 * error,
            self.0.len()
        );
        // Sessions are the independent samples: three standard errors beside the limits that are promised.
        assert!(mean > 0.93 - 3.0 * error && mean < high + 3.0 * error, "{what}: {mean}");
        assert!(error < 0.01, "{what}: too few sessions to tell");
    }
}

fn coverage(kind: Kind, sessions: usize, seed: u64, name: &str) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (mut shots, mut sides, mut volleys, mut differences) =
        (Held::default(), Held::default(), Held::default(), Held::default());
    for _ in 0..sessions {
        let day = day(&mut rng, kind);
        let o = solved(&day);
        let of = |volley: &str| &day.truth.iter().find(|t| t.0 == volley).unwrap().1;
        let inside =
            |value: Option<f64>, u: Option<f64>, truth: f64| (value.unwrap() - truth).abs() <= 2.0 * u.unwrap();
        let (mut a, mut b, mut c) = (Vec::new(), Vec::new(), Vec::new());
        for s in o.shots.iter().filter(|s| !s.volley.starts_with('z')) {
            let (release, sideways) = of(&s.volley)[s.mark as usize - 1];
            a.push(inside(s.release_deg, s.release_u_deg, release));
            if kind.heights_alone {
                assert_eq!((s.sideways_deg, s.sideways_u_deg, s.x_mm, s.x_u_mm), (None, None, None, None));
            } else {
                b.push(inside(s.sideways_deg, s.sideways_u_deg, sideways));
            }
        }
        let mean = |v: &str| of(v).iter().map(|s| s.0).sum::<f64>() / SHOTS as f64;
        for v in o.volleys.iter().filter(|v| !v.volley.starts_with('z')) {
            c.push(inside(v.mean_release_deg, v.mean_release_u_deg, mean(&v.volley)));
        }
        shots.add(&a);
        sides.add(&b);
        volleys.add(&c);
        // Own parts alone must explain the difference of two volleys at one speed.
        let d: Vec<bool> = (1..=3)
            .map(|k| {
                let (p, q) = (k.to_string(), (k + 3).to_string());
                let row = |n: &str| o.volleys.iter().find(|v| v.volley == n).unwrap();
                let got = row(&p).mean_release_deg.unwrap() - row(&q).mean_release_deg.unwrap();
                let shared_too = row(&p).mean_release_u_deg.unwrap().hypot(row(&q).mean_release_u_deg.unwrap());
                (got - (mean(&p) - mean(&q))).abs() <= 2.0 * shared_too
            })
            .collect();
        differences.add(&d);
    }
    // Two volleys of zero shots lie apart by chance in one day of four (the test's 25 %); the zero is then widened
    // and nearly always holds: 0.75 * 97 + 0.25 * 100 = 98 %.
    let high = if kind.zero_shots { 0.98 } else { 0.97 };
    shots.check(&format!("{name}: shots"), high);
    if !kind.heights_alone {
        sides.check(&format!("{name}: sideways"), 0.97);
    }
    volleys.check(&format!("{name}: volleys' means"), high);
    let (held, _) = differences.mean_and_error();
    println!(
        "{name}: differences within the whole doubt of both: {:.1} % (more than 95: what is shared cancels)",
        100.0 * held
    );
    assert!(held > 0.95);
}

const PLAIN: Kind = Kind { zero_shots: false, heights_alone: false, read_far: false };

#[test]
fn intervals_hold_where_stated_inputs_are_off_within_their_doubt() {
    coverage(PLAIN, 1500, 1, "plain");
}

#[test]
fn intervals_hold_for_heights_alone_and_speeds_read_before_the_wall() {
    coverage(Kind { heights_alone: true, read_far: true, ..PLAIN }, 1000, 2, "heights alone, read before the wall");
}

#[test]
fn intervals_hold_with_a_zero_from_zero_shots() {
    coverage(Kind { zero_shots: true, ..PLAIN }, 1500, 3, "zero shots");
}

#[test]
fn zero_shots_take_the_pivots_doubt_out_of_the_angles() {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let day = day(&mut rng, Kind { zero_shots: true, ..PLAIN });
    let o = solved(&day);
    let of = |name: &str| -> f64 {
        let worst = o.summary.budgets.iter().flat_map(|b| &b.lines).filter(|l| l.name == name);
        worst.map(|l| l.u_deg).fold(0.0, f64::max)
    };
    let plain = {
        let mut spec = day.session.spec.clone();
        spec.machine.zero = Some(pockmark::quantity::Quantity::exact(0.0));
        let mut volleys = day.session.volleys.clone();
        volleys.rows.iter_mut().for_each(|r| r.known_release = None);
        let session = Session { spec, volleys, ..day.session.clone() };
        solve_impacts(&session, &parse_impacts(&day.impacts).unwrap()).unwrap()
    };
    let before: f64 = plain
        .summary
        .budgets
        .iter()
        .flat_map(|b| &b.lines)
        .filter(|l| l.name == "pivot up")
        .map(|l| l.u_deg)
        .fold(0.0, f64::max);
    assert!(of("pivot up") < 0.3 * before, "{} of {before}", of("pivot up"));
    assert!(of("zero") > 0.0 && (of("zero shots' angle") - 0.05).abs() < 1e-9);
    // Zero shots are reported but are no part of the study.
    assert!(o.volleys.iter().any(|v| v.volley == "z1"));
    let study = o.summary.study.as_ref().unwrap();
    assert!(study.ladders.iter().all(|l| l.setup.get("pocket") != Some("")));
}
