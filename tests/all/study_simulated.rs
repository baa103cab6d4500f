//! Do the study's intervals and verdicts hold as often as they say, over many simulated sessions?
//!
//! Truth is drawn here; every tolerance is the stated rate plus or minus three binomial standard errors of the number of trials
//! (or the project's 93-97 % window for intervals, widened by as much).

use pockmark::study::{Estimate, Setup, Shot, Study, StudyOptions, Verdict, analyse};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

const MPH: f64 = 0.44704;

#[derive(Clone)]
struct Scene {
    /// True angle, deg, by setup, at a speed in mph.
    truth: fn(usize, f64) -> f64,
    setups: usize,
    mph: Vec<f64>,
    volleys: usize,
    shots: usize,
    between_deg: f64,
    within_deg: fn(f64) -> f64,
    own_deg: f64,
    /// Shared sensitivities at a speed, deg: one common, one that grows with speed.
    shared_deg: [f64; 2],
    /// Relative u of the speed scale (the third shared factor).
    speed_rel: f64,
    /// SD by which the machine misses a setpoint all day, mph.
    missed_mph: f64,
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

impl Scene {
    fn session(&self, seed: u64) -> Vec<Shot> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let z = [normal(&mut rng), normal(&mut rng), normal(&mut rng)];
        let mut out = Vec::new();
        let missed: Vec<Vec<f64>> =
            (0..self.setups).map(|_| self.mph.iter().map(|_| self.missed_mph * normal(&mut rng)).collect()).collect();
        for volley in 0..self.volleys {
            for setup in 0..self.setups {
                for (i, &mph) in self.mph.iter().enumerate() {
                    let read = mph * (1.0 + 0.004 * normal(&mut rng)) + missed[setup][i];
                    // True speed = read (1 + rel z): the angle happens at the true speed.
                    let real = read * (1.0 + self.speed_rel * z[2]);
                    let drift = self.between_deg * normal(&mut rng);
                    let sens = [self.shared_deg[0], self.shared_deg[1] * (mph - 50.0) / 20.0, 0.0];
                    let off: f64 = sens.iter().zip(z).map(|(s, z)| s * z).sum();
                    for _ in 0..self.shots {
                        let scatter = (self.within_deg)(mph) * normal(&mut rng) + self.own_deg * normal(&mut rng);
                        let value = (self.truth)(setup, real) + drift + scatter - off;
                        out.push(Shot {
                            volley: format!("{volley}-{setup}-{mph}"),
                            setup: Setup::new([("pocket", setup.to_string())]),
                            setpoint_mps: Some(mph * MPH),
                            speed_mps: read * MPH,
                            release: Estimate {
                                value: value.to_radians(),
                                own_var: self.own_deg.to_radians().powi(2),
                                shared: sens.iter().map(|s| s.to_radians()).collect(),
                            },
                            count: 1,
                            ..Shot::default()
                        });
                    }
                }
            }
        }
        out
    }

    fn options(&self, matters_deg: f64) -> StudyOptions {
        StudyOptions {
            matters_rad: matters_deg.to_radians(),
            speed_shared_rel: vec![0.0, 0.0, self.speed_rel],
            ..StudyOptions::default()
        }
    }

    fn studies(&self, sessions: u64, matters_deg: f64) -> Vec<Study> {
        let options = self.options(matters_deg);
        (0..sessions).into_par_iter().map(|s| analyse(&self.session(1000 + s), &options).unwrap()).collect()
    }
}

/// Three standard errors of a share `p` among `n`.
fn three_se(p: f64, n: f64) -> f64 {
    3.0 * (p * (1.0 - p) / n).sqrt()
}

fn share(hits: usize, of: usize) -> f64 {
    hits as f64 / of as f64
}

fn steady(_: f64) -> f64 {
    0.4
}

fn base() -> Scene {
    Scene {
        truth: |_, mph| 14.0 - 0.002 * (mph - 30.0).powi(2),
        setups: 2,
        mph: vec![30.0, 40.0, 50.0, 60.0, 70.0],
        volleys: 3,
        shots: 5,
        between_deg: 0.25,
        within_deg: steady,
        own_deg: 0.15,
        shared_deg: [0.5, 0.3],
        speed_rel: 0.0,
        missed_mph: 0.0,
    }
}

fn coverage(scene: &Scene, studies: &[Study]) -> (f64, f64, f64) {
    let (mut held, mut of, mut held_d, mut of_d, mut held_o) = (0, 0, 0, 0, 0);
    for study in studies {
        for (s, ladder) in study.ladders.iter().enumerate() {
            for p in &ladder.points {
                let truth = (scene.truth)(s, p.setpoint_mps / MPH);
                of += 1;
                held += usize::from(p.low_deg <= truth && truth <= p.high_deg);
            }
        }
        let c = &study.comparisons[0];
        let mut mean = 0.0;
        for p in &c.points {
            let mph = p.setpoint_mps / MPH;
            let truth = (scene.truth)(1, mph) - (scene.truth)(0, mph);
            mean += truth / c.points.len() as f64;
            of_d += 1;
            held_d += usize::from(p.difference.low_deg <= truth && truth <= p.difference.high_deg);
        }
        held_o += usize::from(c.overall.low_deg <= mean && mean <= c.overall.high_deg);
    }
    (share(held, of), share(held_d, of_d), share(held_o, studies.len()))
}

/// Points of one session hang together through shared doubt: the number of sessions is the number of trials.
fn assert_holds(name: &str, got: f64, sessions: u64) {
    let slack = three_se(0.95, sessions as f64);
    println!("{name}: {:.2} % of {sessions} sessions", 100.0 * got);
    assert!((0.93 - slack..=0.97 + slack).contains(&got), "{name}: intervals hold {got}, want 0.93 to 0.97");
}

/// Means, differences and answers over the ladder; the studies, for what else they must show.
fn assert_all_hold(what: &str, scene: &Scene, sessions: u64) -> Vec<Study> {
    let studies = scene.studies(sessions, 1.0);
    let (cells, points, overall) = coverage(scene, &studies);
    assert_holds(&format!("cell means, {what}"), cells, sessions);
    assert_holds(&format!("differences, {what}"), points, sessions);
    assert_holds(&format!("over the ladder, {what}"), overall, sessions);
    studies
}

#[test]
fn intervals_hold_with_repeated_volleys() {
    let n = 1500;
    assert_all_hold("repeats", &base(), n);
}

#[test]
fn intervals_hold_without_drift_between_volleys() {
    let n = 1500;
    let scene = Scene { between_deg: 0.0, shared_deg: [0.1, 0.05], ..base() };
    assert_all_hold("no drift", &scene, n);
}

#[test]
fn intervals_hold_with_one_volley_a_cell_when_volleys_do_not_drift() {
    let n = 1500;
    let scene = Scene { volleys: 1, between_deg: 0.0, shared_deg: [0.1, 0.05], ..base() };
    assert_all_hold("one volley", &scene, n);
}

#[test]
fn intervals_hold_where_scatter_grows_with_speed() {
    let n = 1500;
    let scene = Scene {
        within_deg: |mph| 0.15 * (mph / 30.0).powi(2),
        volleys: 1,
        shots: 8,
        between_deg: 0.0,
        own_deg: 0.02,
        shared_deg: [0.02, 0.0],
        ..base()
    };
    let studies = assert_all_hold("growing scatter", &scene, n);
    // The fastest cell alone, which pooling would serve worst.
    let mut held = 0;
    for study in &studies {
        let p = &study.ladders[0].points[4];
        let truth = (scene.truth)(0, 70.0);
        held += usize::from(p.low_deg <= truth && truth <= p.high_deg);
    }
    assert_holds("fastest cell, growing scatter", share(held, n as usize), n);
}

#[test]
fn false_differs_are_at_most_one_session_in_twenty() {
    // Three alike setups: 3 pairs, 5 speeds. Any "differs" in a session is a false one.
    let n = 1500;
    let scene = Scene { setups: 3, ..base() };
    let false_ones = scene
        .studies(n, 1.0)
        .iter()
        .filter(|s| {
            s.comparisons.iter().any(|c| {
                let says = |d: &pockmark::study::Difference| d.verdict == Verdict::Differs || d.small_but_real;
                says(&c.overall) || c.points.iter().any(|p| says(&p.difference))
            })
        })
        .count();
    let rate = share(false_ones, n as usize);
    println!("false differs: {:.2} % of {n} sessions", 100.0 * rate);
    assert!(rate <= 0.05 + three_se(0.05, n as f64), "{rate}");
}

#[test]
fn false_same_are_at_most_one_session_in_twenty() {
    // Setup 1 is exactly `matters` above setup 0: any "same" is a false one. Enough volleys that "same" is within reach.
    let n = 1500;
    let scene = Scene { truth: |s, mph| 14.0 + s as f64 - 0.1 * (mph - 30.0), volleys: 6, ..base() };
    let (mut false_ones, mut found) = (0, 0);
    for s in scene.studies(n, 1.0) {
        let c = &s.comparisons[0];
        let same = |d: &pockmark::study::Difference| d.verdict == Verdict::Same;
        false_ones += usize::from(same(&c.overall) || c.points.iter().any(|p| same(&p.difference)));
        found += usize::from(c.overall.verdict == Verdict::Differs);
    }
    let rate = share(false_ones, n as usize);
    println!("false same: {:.2} % of {n} sessions; differs found over the ladder {found}", 100.0 * rate);
    assert!(rate <= 0.05 + three_se(0.05, n as f64), "{rate}");
    assert!(share(found, n as usize) > 0.95, "a difference of what matters is found with six volleys: {found}");
}

#[test]
fn no_difference_is_shown_to_be_none() {
    let n = 300;
    let scene = Scene { volleys: 4, ..base() };
    let same = scene.studies(n, 1.0).iter().filter(|s| s.comparisons[0].overall.verdict == Verdict::Same).count();
    assert!(share(same, n as usize) > 0.95, "{same} of {n}");
}

#[test]
fn intervals_hold_on_steep_ladders_with_a_doubtful_speed_scale() {
    let n = 1500;
    let scene = Scene {
        truth: |s, mph| 16.0 + s as f64 - 0.3 * (mph - 30.0),
        speed_rel: 0.006,
        shared_deg: [0.05, 0.0],
        between_deg: 0.1,
        ..base()
    };
    assert_all_hold("speed scale", &scene, n);
}

#[test]
fn intervals_hold_where_the_machine_misses_its_setpoints() {
    // By 2 mph of 10, now and then by 5: neighbours' readings come near each other.
    let n = 1500;
    let scene = Scene { missed_mph: 2.0, shared_deg: [0.1, 0.0], ..base() };
    let studies = assert_all_hold("setpoints missed", &scene, n);
    let widest = studies.iter().flat_map(|s| &s.ladders).flat_map(|l| &l.points).fold(0.0f64, |w, p| {
        let off = p.mean_deg - (scene.truth)(0, p.setpoint_mps / MPH);
        w.max(off.abs())
    });
    println!("farthest mean from its truth {widest:.2} deg");
    assert!(widest < 3.0, "{widest}");
}

#[test]
fn normal_shots_are_seldom_doubtful_whatever_their_number() {
    for shots in [3, 4, 5, 6, 8] {
        let n = 200;
        let scene = Scene { shots, ..base() };
        let found: usize = scene.studies(n, 1.0).iter().map(|s| s.doubtful.len()).sum();
        let of = n as usize * scene.setups * scene.mph.len() * scene.volleys * shots;
        println!("{shots} shots a volley: {:.3} % of {of} named doubtful", 100.0 * share(found, of));
        // Beyond 3.5 standard deviations lie 0.05 %; beyond three, as which they count where the session's scale is a seventh too small, 0.27 %.
        assert!(share(found, of) < 0.0027 + three_se(0.0027, of as f64), "{shots}: {found} of {of}");
    }
}

#[test]
fn the_smallest_difference_said_to_be_found_is_found_in_four_of_five() {
    for setups in [2, 3] {
        let scene = Scene { setups, truth: |_, mph| 14.0 - 0.1 * (mph - 30.0), shared_deg: [0.1, 0.0], ..base() };
        let n = 400;
        let said: f64 = scene.studies(n, 1.0).iter().map(|s| s.smallest_seen_deg.unwrap()).sum::<f64>() / n as f64;
        let mut found = 0;
        for i in 0..n {
            let mut shots = scene.session(7_000 + i);
            for s in shots.iter_mut().filter(|s| s.setup.get("pocket") == Some("1")) {
                s.release.value += said.to_radians();
            }
            let study = analyse(&shots, &scene.options(1.0)).unwrap();
            let of_0_and_1 = |c: &&pockmark::study::Comparison| c.a == "0" && c.b == "1" || c.a == "1" && c.b == "0";
            let overall = &study.comparisons.iter().find(of_0_and_1).unwrap().overall;
            found += usize::from(overall.verdict == Verdict::Differs || overall.small_but_real);
        }
        let rate = share(found, n as usize);
        println!("{setups} setups: {said:.2} deg found in {:.1} %", 100.0 * rate);
        // What one difference leaves of alpha goes to the others (Holm): with three setups a little more is found than said.
        assert!((0.8 - three_se(0.8, n as f64)..0.93).contains(&rate), "{setups}: {rate}");
    }
}

#[test]
fn zero_speed_of_two_speeds_counts_the_bend_that_they_do_not_show() {
    let n = 1000;
    let scene = Scene {
        truth: |_, mph| 12.0 * (1.0 - ((mph - 20.0) / 42.0).powi(2)),
        mph: vec![50.0, 70.0],
        setups: 1,
        ..base()
    };
    let crossing = 62.0 * MPH;
    let studies = scene.studies(n, 1.0);
    let held = studies.iter().filter(|s| {
        let l = &s.ladders[0];
        l.zero_speed_low_mps.unwrap_or(0.0) <= crossing && crossing <= l.zero_speed_high_mps.unwrap_or(f64::INFINITY)
    });
    let held = share(held.count(), n as usize);
    println!("zero speed, two speeds: {:.1} %", 100.0 * held);
    assert!(held >= 0.93 - three_se(0.95, n as f64), "{held}");
}

#[test]
fn zero_speed_interval_holds() {
    // A curved ladder that crosses zero at 62 mph, with own, shared and speed-scale doubt; every fourth session sits
    // so close to the end that the interval opens there.
    let n = 2000;
    let crossing = 62.0f64;
    let scene =
        Scene { truth: |_, mph| 12.0 * (1.0 - ((mph - 20.0) / 42.0).powi(2)), setups: 1, speed_rel: 0.006, ..base() };
    let (mut held, mut reached) = (0, 0);
    for s in scene.studies(n, 1.0) {
        let l = &s.ladders[0];
        reached += usize::from(l.zero_speed_mps.is_some());
        let low = l.zero_speed_low_mps.unwrap_or(0.0);
        let high = l.zero_speed_high_mps.unwrap_or(f64::INFINITY);
        held += usize::from(low <= crossing * MPH && crossing * MPH <= high);
    }
    println!("zero reached in {reached} of {n}");
    assert_eq!(reached, n as usize);
    assert_holds("zero speed", share(held, n as usize), n);
}

#[test]
fn zero_speed_interval_holds_near_the_ladders_end() {
    let n = 1000;
    let crossing = 69.5f64;
    let scene = Scene { truth: |_, mph| 0.2 * (69.5 - mph), setups: 1, shared_deg: [0.3, 0.1], ..base() };
    let (mut held, mut open) = (0, 0);
    for s in scene.studies(n, 1.0) {
        let l = &s.ladders[0];
        open += usize::from(l.zero_speed_high_mps.is_none());
        let low = l.zero_speed_low_mps.unwrap_or(0.0);
        let high = l.zero_speed_high_mps.unwrap_or(f64::INFINITY);
        let says_never = l.zero_verdict == pockmark::study::ZeroVerdict::NotReached;
        held += usize::from(!says_never && low <= crossing * MPH && crossing * MPH <= high);
    }
    assert!(open > 0, "some intervals must open at the end");
    assert_holds("zero speed near the end", share(held, n as usize), n);
}

#[test]
fn drift_of_the_machine_is_seen_at_its_rate() {
    // Without drift "p <= 5 %" comes up in 5 % of sessions; with 2 deg over the day it is found.
    let n = 1500;
    let scene = Scene { setups: 1, shared_deg: [0.0, 0.0], ..base() };
    let mut seen = 0;
    for s in scene.studies(n, 1.0) {
        seen += usize::from(s.steady.drift_p.unwrap() <= 0.05);
    }
    let rate = share(seen, n as usize);
    println!("false drift: {:.2} %", 100.0 * rate);
    assert!((rate - 0.05).abs() <= three_se(0.05, n as f64), "{rate}");
    let mut shots = scene.session(5);
    let count = shots.len() as f64;
    for (i, s) in shots.iter_mut().enumerate() {
        s.release.value += (2.0 * i as f64 / count).to_radians();
    }
    let steady = analyse(&shots, &scene.options(1.0)).unwrap().steady;
    assert!(
        steady.drift_p.unwrap() < 0.01 && (steady.drift_deg.unwrap() - 2.0).abs() < 4.0 * steady.drift_u_deg.unwrap()
    );
}
