//! What does the study do with sessions as they come: failed and doubtful volleys, merged marks, single shots,
//! one volley a cell, nonsense?

use pockmark::study::{
    BetweenSource, Estimate, Setup, Shot, Study, StudyOptions, Verdict, VolleyStatus, ZeroVerdict, analyse,
};
use proptest::prelude::*;

const MPH: f64 = 0.44704;

fn shot(volley: &str, pocket: &str, mph: f64, deg: f64) -> Shot {
    Shot {
        volley: volley.into(),
        setup: Setup::new([("pocket", pocket), ("ball", "new")]),
        speed_mps: mph * MPH,
        release: Estimate {
            value: deg.to_radians(),
            own_var: 0.05f64.to_radians().powi(2),
            shared: vec![0.004, 0.002],
        },
        sideways: Estimate { value: 0.01, own_var: 1e-6, shared: vec![0.001] },
        count: 1,
        ..Shot::default()
    }
}

/// Release angles of the made-up session clean-901, deg: setup, mph, five shots.
/// Source: truth of the session clean-901 (rounded to 0.01 deg).
const CLEAN: [(&str, f64, [f64; 5]); 10] = [
    ("mid", 30.0, [11.43, 10.57, 11.15, 11.40, 11.28]),
    ("low", 30.0, [17.02, 16.95, 17.12, 17.68, 16.76]),
    ("mid", 40.0, [10.77, 12.31, 12.25, 11.21, 12.03]),
    ("low", 40.0, [17.33, 16.15, 16.86, 17.59, 16.43]),
    ("mid", 50.0, [12.28, 11.72, 11.18, 11.22, 11.46]),
    ("low", 50.0, [16.24, 17.48, 16.57, 17.51, 16.57]),
    ("mid", 60.0, [11.11, 11.24, 11.37, 11.03, 11.30]),
    ("low", 60.0, [14.36, 14.96, 15.04, 15.35, 14.58]),
    ("mid", 70.0, [9.58, 9.73, 9.70, 9.51, 10.56]),
    ("low", 70.0, [6.80, 5.99, 6.43, 5.79, 6.25]),
];

fn clean() -> Vec<Shot> {
    CLEAN
        .iter()
        .enumerate()
        .flat_map(|(i, (pocket, mph, list))| {
            list.iter().map(move |deg| shot(&(i + 1).to_string(), pocket, *mph * (1.0 + 0.001 * (i % 3) as f64), *deg))
        })
        .collect()
}

fn run(shots: &[Shot]) -> Study {
    analyse(shots, &StudyOptions::default()).unwrap()
}

#[test]
fn a_plain_session_reads_as_it_should() {
    let study = run(&clean());
    assert_eq!(study.setpoints_mps.len(), 5);
    assert_eq!((study.counts.shots, study.counts.volleys, study.counts.setups), (50, 10, 2));
    assert_eq!(study.comparisons.len(), 1);
    let c = &study.comparisons[0];
    assert_eq!((c.factor.as_str(), c.a.as_str(), c.b.as_str()), ("pocket", "mid", "low"));
    assert!(c.points.iter().all(|p| p.difference.verdict == Verdict::Differs));
    // True means at 30 mph: 11.466 and 16.928.
    let d = &c.points[0].difference;
    assert!((d.difference_deg - 5.462).abs() < 3.0 * d.u_deg, "{d:?}");
    assert!(d.u_deg < 0.4);
    // One volley a cell: the verdict says how much unseen drift it bears. By hand, roughly: 5.5 deg over t = 2.9, less u,
    // shared by two volleys: sqrt((5.5/2.9)^2 - 0.3^2) / sqrt(2) = 1.3 deg.
    let drift = d.holds_to_drift_deg.unwrap();
    assert!((1.0..2.0).contains(&drift), "{drift}");
    assert!(d.sentence.contains("as long as the machine wanders by less than"), "{}", d.sentence);
    for l in &study.ladders {
        assert_eq!(l.zero_verdict, ZeroVerdict::NotReached);
        assert!(l.zero_sentence.starts_with("zero is not reached by 70"), "{}", l.zero_sentence);
        assert!(l.monotone);
    }
    assert_eq!(study.spreads.between_source, BetweenSource::Assumed);
    assert!(study.notes[0].contains("was not seen"), "{}", study.notes[0]);
    assert!(study.steady.sentence.contains("Nothing was shot twice"));
    // The shared part cancels in the difference, not in the mean.
    let p = &study.ladders[0].points[0];
    assert!(p.u_deg > p.u_own_deg + 0.05 && d.u_shared_deg < 1e-9);
}

#[test]
fn json_has_the_agreed_keys() {
    let value = serde_json::to_value(run(&clean())).unwrap();
    let ladder = &value["ladders"][0];
    assert_eq!(ladder["setup"]["pocket"], "mid");
    for key in ["setpoint_mps", "mean_deg", "u_own_deg", "u_deg", "spread_deg", "shots", "volleys"] {
        assert!(ladder["points"][0][key].is_number(), "{key}");
    }
    for key in ["zero_speed_mps", "zero_speed_low_mps", "zero_speed_high_mps"] {
        assert!(ladder[key].is_null(), "{key}");
    }
    let c = &value["comparisons"][0];
    assert_eq!(
        (&c["factor"], &c["a"], &c["b"], &c["same"]["ball"]),
        (&"pocket".into(), &"mid".into(), &"low".into(), &"new".into())
    );
    for d in [&c["points"][0], &c["overall"]] {
        assert!(d["difference_deg"].is_number() && d["u_deg"].is_number());
        assert_eq!(d["verdict"], "differs");
    }
    assert!(c["points"][0]["setpoint_mps"].is_number());
    let back: Study = serde_json::from_value(value).unwrap();
    assert_eq!(back.ladders.len(), 2);
}

#[test]
fn failed_volleys_are_left_out_and_named_and_look_is_counted() {
    let mut shots = clean();
    for s in shots.iter_mut().filter(|s| s.volley == "3") {
        s.status = VolleyStatus::Failed;
        s.release.value = f64::NAN;
    }
    for s in shots.iter_mut().filter(|s| s.volley == "4") {
        s.status = VolleyStatus::Look;
    }
    let study = run(&shots);
    assert_eq!(study.counts.failed, ["3"]);
    assert_eq!(study.counts.look, ["4"]);
    assert_eq!((study.counts.volleys, study.counts.shots), (9, 45));
    assert_eq!(study.comparisons[0].points.len(), 4, "no difference where one side failed");
    assert!(study.notes.iter().any(|n| n.contains("failed")));
}

#[test]
fn a_doubtful_shot_is_named_and_kept() {
    let mut shots = clean();
    shots[2].release.value = 15f64.to_radians();
    let study = run(&shots);
    assert_eq!(study.doubtful.iter().map(|d| d.shot).collect::<Vec<_>>(), vec![2]);
    let mean = (11.43 + 10.57 + 15.0 + 11.40 + 11.28) / 5.0;
    // Brought to the setpoint's speed by a hundredth of a degree at most.
    assert!((study.ladders[0].points[0].mean_deg - mean).abs() < 0.02);
}

#[test]
fn a_merged_mark_counts_for_its_balls() {
    let mut a = shot("1", "mid", 50.0, 10.0);
    a.count = 4;
    a.release.own_var = 0.0;
    let mut b = shot("1", "mid", 50.0, 15.0);
    b.release.own_var = 0.0;
    let point = run(&[a, b]).ladders[0].points[0].clone();
    assert!((point.mean_deg - 11.0).abs() < 1e-9);
    assert_eq!(point.shots, 5);
}

#[test]
fn single_shots_without_repeats_say_so() {
    let study = run(&[shot("1", "mid", 50.0, 10.0), shot("2", "low", 50.0, 11.0)]);
    assert!(study.notes.iter().any(|n| n.contains("scatter cannot be seen")), "{:?}", study.notes);
    let d = &study.comparisons[0].overall;
    // The measurement's 0.05 deg and an assumed scatter of 0.5 deg, of one degree of freedom, on both sides.
    assert!((d.u_deg - (2.0 * (0.05f64.powi(2) + 0.5f64.powi(2))).sqrt()).abs() < 1e-9, "{d:?}");
    // Welch-Satterthwaite by hand: (0.2525 * 2)^2 / (0.25 * 2)^2.
    assert!((d.df.unwrap() - 1.01f64.powi(2)).abs() < 1e-9, "{d:?}");
    assert_eq!(d.verdict, Verdict::Unclear);
}

#[test]
fn readings_that_agree_are_known_no_better_than_each() {
    // Read to a quarter of an inch, all alike: each is known to 0.05 deg all the same.
    let mut shots: Vec<Shot> = (0..4).map(|_| shot("1", "mid", 50.0, 10.0)).collect();
    shots.iter_mut().for_each(|s| s.release.shared.clear());
    let p = run(&shots).ladders[0].points[0].clone();
    assert!((p.u_deg - 0.025).abs() < 1e-9, "{}", p.u_deg);
}

#[test]
fn shots_of_one_volley_are_not_independent_of_it() {
    // Volleys of ten nearly equal shots, far apart from each other: n = 100 shots would claim far too much.
    let mut shots = Vec::new();
    for v in 0..10 {
        for i in 0..10 {
            shots.push(shot(&v.to_string(), "mid", 50.0, 10.0 + f64::from(v % 5) + 0.001 * f64::from(i)));
        }
    }
    for s in &mut shots {
        s.release.shared.clear();
    }
    let p = run(&shots).ladders[0].points[0].clone();
    // Means 10, 11 .. 14, each twice: SD 1.490712, over the root of ten volleys 0.471405.
    assert!((p.u_deg - 0.471405).abs() < 1e-5, "{}", p.u_deg);
    assert!((p.df.unwrap() - 9.0).abs() < 1e-6);
}

#[test]
fn steady_repeats_of_the_reference_are_charted() {
    let mut shots = Vec::new();
    for v in 0..6 {
        for (pocket, base) in [("mid", 10.0), ("low", 12.0)] {
            for off in [-0.2, 0.0, 0.2] {
                shots.push(shot(&format!("{v}{pocket}"), pocket, 50.0, base + off + 0.3 * f64::from(v)));
            }
        }
    }
    let options = StudyOptions { reference: Some(Setup::new([("pocket", "low")])), ..StudyOptions::default() };
    let study = analyse(&shots, &options).unwrap();
    assert!(study.steady.of_reference && study.steady.repeats.len() == 6);
    assert!(study.steady.drift_p.unwrap() < 1e-6, "{:?}", study.steady);
    assert_eq!(study.comparisons[0].a, "low", "the reference comes first");
    assert_eq!(study.spreads.between_source, BetweenSource::Repeats);
    assert!(study.comparisons[0].overall.holds_to_drift_deg.is_none(), "measured, so not assumed");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn never_panics(
        rows in prop::collection::vec(
            (0usize..6, 0usize..3, prop::num::f64::ANY, prop::num::f64::ANY, prop::num::f64::ANY, 0u32..4, -4.0..4.0f64, 0.1..40.0f64, any::<bool>()),
            0..30,
        ),
        matters in prop::num::f64::ANY,
    ) {
        let shots: Vec<Shot> = rows
            .iter()
            .map(|r| {
                let wild = r.8;
                Shot {
                    volley: r.0.to_string(),
                    setup: Setup::new([("pocket", (r.0 % (r.1 + 1)).to_string())]),
                    setpoint_mps: (r.0 == 1).then_some(if wild { r.2 } else { 20.0 }),
                    speed_mps: if wild { r.3 } else { r.7 },
                    release: Estimate { value: if wild { r.4 } else { r.6 }, own_var: 1e-4, shared: vec![r.6; r.0] },
                    count: r.5,
                    ..Shot::default()
                }
            })
            .collect();
        let _ = analyse(&shots, &StudyOptions { matters_rad: matters, ..StudyOptions::default() });
        // The same without the wild values must give an answer made of numbers.
        let tame: Vec<Shot> = rows
            .iter()
            .map(|r| Shot {
                volley: r.0.to_string(),
                setup: Setup::new([("pocket", (r.0 % 2).to_string())]),
                speed_mps: r.7,
                release: Estimate { value: r.6 / 4.0, own_var: r.7 * 1e-5, shared: vec![0.01 * r.6; r.0] },
                count: r.5.max(1),
                ..Shot::default()
            })
            .collect();
        if !tame.is_empty() {
            let study = analyse(&tame, &StudyOptions::default()).unwrap();
            for p in study.ladders.iter().flat_map(|l| &l.points) {
                prop_assert!(p.mean_deg.is_finite() && p.u_deg.is_finite() && p.low_deg <= p.high_deg);
            }
            for c in &study.comparisons {
                prop_assert!(c.overall.u_deg.is_finite() && c.overall.low_deg <= c.overall.high_deg);
            }
        }
    }
}
