//! Does `plan` draw up a day that a session can be shot from, and does the number of volleys it asks for give the answers it promises?

use crate::common::pockmark;
use pockmark::session::pairing::{PhotoFile, PhotoFolder, pair};
use pockmark::session::{Session, VolleyTable};
use pockmark::study::{Estimate, PlanInputs, Setup, Shot, StudyOptions, Verdict, analyse, plan_options};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use std::path::Path;

const MPH: f64 = 0.44704;

fn new_session() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(pockmark(dir.path(), ["new", "s"]).code, 0);
    dir
}

const ASKED: [&str; 11] = [
    "plan",
    "s",
    "--setups",
    "pocket=mid,low",
    "--ladder",
    "30..70 mph by 10",
    "--spread",
    "0.5 deg",
    "--seed",
    "7",
    "--volleys",
];

fn planned(dir: &Path, more: &[&str]) -> VolleyTable {
    let ran = pockmark(dir, ASKED.iter().chain(more));
    assert_eq!(ran.code, 0, "{}", ran.err);
    VolleyTable::read(&dir.join("s/volleys.csv")).unwrap()
}

#[test]
fn no_table_is_made_beside_one_in_other_capitals() {
    let dir = new_session();
    let (right, other) = (dir.path().join("s/volleys.csv"), dir.path().join("s/Volleys.CSV"));
    std::fs::rename(&right, &other).unwrap();
    // Where capitals make no difference it is the right name.
    if right.is_file() {
        return;
    }
    let ran = pockmark(dir.path(), ASKED.iter().chain(&["3"]));
    ran.says(1, &["Volleys.CSV", "rename it to volleys.csv"]);
    assert!(!right.exists() && !dir.path().join("s/run-sheet.pdf").exists());
    std::fs::rename(&other, &right).unwrap();
    planned(dir.path(), &["3"]);
}

#[test]
fn a_day_is_blocked_seeded_and_has_its_reference_in_between() {
    let dir = new_session();
    let table = planned(dir.path(), &["3"]);
    let bytes = std::fs::read(dir.path().join("s/volleys.csv")).unwrap();
    let pdf = std::fs::read(dir.path().join("s/run-sheet.pdf")).unwrap();
    assert_eq!(table.factor_names, ["pocket"]);
    // The first row is the clean wall; every cell stands once in each block, and the reference at start, end and in between.
    assert_eq!((table.rows[0].shots, table.rows[0].volley.as_str()), (0, "clean wall"));
    for block in ["block 1", "block 2", "block 3"] {
        for pocket in ["mid", "low"] {
            for mph in [30.0, 40.0, 50.0, 60.0, 70.0] {
                let n = table
                    .planned
                    .iter()
                    .filter(|r| {
                        r.note == block
                            && r.factors["pocket"] == pocket
                            && (r.setpoint_mps.unwrap() / MPH - mph).abs() < 1e-9
                    })
                    .count();
                assert_eq!(n, 1, "{block} {pocket} {mph}");
            }
        }
    }
    let again: Vec<usize> =
        (0..table.planned.len()).filter(|i| table.planned[*i].note.contains("; the reference")).collect();
    assert!(table.planned[0].note.ends_with("; the reference") && table.planned[again[1]].note.ends_with("again"));
    assert!(again.len() >= 4 && again[0] == 0 && again.last() == Some(&(table.planned.len() - 1)), "{again:?}");
    assert!(table.planned.iter().all(|r| r.shots == 5 && r.speed_mps.is_none()));
    // In the first block the speeds rise.
    let first: Vec<f64> =
        table.planned.iter().filter(|r| r.note == "block 1").map(|r| r.setpoint_mps.unwrap()).collect();
    assert!(first.windows(2).all(|w| w[0] <= w[1]), "{first:?}");
    // The same seed draws the same bytes, another seed another order.
    let ran = pockmark(dir.path(), ASKED.iter().chain(&["3"]));
    assert!(
        ran.out.contains("Order drawn with seed 7") && ran.out.contains("Stop a ladder when the angle is at zero"),
        "{}",
        ran.out
    );
    assert_eq!(std::fs::read(dir.path().join("s/volleys.csv")).unwrap(), bytes);
    assert_eq!(std::fs::read(dir.path().join("s/run-sheet.pdf")).unwrap(), pdf);
    assert!(pdf.starts_with(b"%PDF-"));
    let other = pockmark(dir.path(), ASKED.map(|a| if a == "7" { "8" } else { a }).iter().chain(&["3"]));
    assert_eq!(other.code, 0);
    assert_ne!(std::fs::read(dir.path().join("s/volleys.csv")).unwrap(), bytes);
}

#[test]
fn other_units_fresh_pockets_and_wipes() {
    let dir = new_session();
    let args = [
        "plan",
        "s",
        "--setups",
        "pocket=mid,low mesh=soft,hard",
        "--one-change",
        "--ladder",
        "60, 90 km/h",
        "--spread",
        "0.5 deg",
        "--wander",
        "0.1 deg",
        "--volleys",
        "4",
        "--seed",
        "1",
        "--fresh",
        "pocket=low",
        "--warm-up",
        "12",
        "--wipe",
        "20",
        "--paper",
        "letter",
        "--reference",
        "pocket=mid, mesh=soft",
    ];
    let ran = pockmark(dir.path(), args);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let text = std::fs::read_to_string(dir.path().join("s/volleys.csv")).unwrap();
    assert!(text.starts_with("volley,photo,shots,speed_kmh,speed_spread_kmh,setpoint_kmh,pocket,mesh,note"), "{text}");
    let table = VolleyTable::parse(&text).unwrap();
    // Of four combinations the one that differs from the reference in both is left out.
    assert!(!table.planned.iter().any(|r| r.factors["pocket"] == "low" && r.factors["mesh"] == "hard"));
    let warm: Vec<_> = table.rows.iter().filter(|r| r.volley.starts_with("warm-up")).collect();
    assert_eq!(warm.len(), 1);
    assert!(
        warm[0].shots == 0 && warm[0].note.contains("throw 12 balls to warm up pocket low, mesh soft"),
        "{}",
        warm[0].note
    );
    let first_low = table.planned.iter().find(|r| r.factors["pocket"] == "low").unwrap();
    assert_eq!(warm[0].line + 1, first_low.line, "warmed up right before its first volley");
    // Never more than 20 balls between two wipes.
    let mut lines: Vec<(u64, u32)> = table.rows.iter().chain(&table.planned).map(|r| (r.line, r.shots)).collect();
    lines.sort_unstable();
    let mut since = 0;
    for (_, shots) in lines {
        since = if shots == 0 { 0 } else { since + shots };
        assert!(since <= 20);
    }
}

#[test]
fn readings_are_never_overwritten_without_force_and_then_kept() {
    let dir = new_session();
    let path = dir.path().join("s/volleys.csv");
    planned(dir.path(), &["2"]);
    // A plan without readings gives way to another.
    planned(dir.path(), &["2"]);
    let mut lines: Vec<String> = std::fs::read_to_string(&path).unwrap().lines().map(str::to_string).collect();
    lines[2] = lines[2].replacen("5,,,", "5,50.2,0.3,", 1);
    let with_reading = lines.join("\n");
    std::fs::write(&path, &with_reading).unwrap();
    let ran = pockmark(dir.path(), ASKED.iter().chain(&["2"]));
    ran.says(1, &["holds 1 volley with speed readings", "--force"]);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), with_reading);
    let ran = pockmark(dir.path(), ASKED.iter().chain(&["2", "--force"]));
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(std::fs::read_to_string(dir.path().join("s/volleys-before-plan-1.csv")).unwrap(), with_reading);
    assert_eq!(VolleyTable::read(&path).unwrap().rows.iter().filter(|r| r.shots > 0).count(), 0);
    // A list that somebody wrote by hand is not overwritten either.
    let by_hand = "volley,shots,speed_mph,setpoint_mph,pocket,note\n1,5,,30,mid,after lunch\n";
    std::fs::write(&path, by_hand).unwrap();
    pockmark(dir.path(), ASKED.iter().chain(&["2"])).says(1, &["somebody wrote there"]);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), by_hand);
    // Only looking writes nothing.
    std::fs::write(&path, &with_reading).unwrap();
    assert_eq!(pockmark(dir.path(), ASKED.iter().chain(&["2", "--dry-run"])).code, 0);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), with_reading);
}

#[test]
fn a_planned_table_works_while_the_day_goes_on() {
    let dir = new_session();
    let path = dir.path().join("s/volleys.csv");
    planned(dir.path(), &["2", "--wipe", "10"]);
    let session = Session::open(&dir.path().join("s")).unwrap();
    assert!(session.notes.iter().any(|n| n.contains("planned volley(s) have no speed reading")), "{:?}", session.notes);
    // Two volleys shot, one photo of the clean wall: the wipes planned for later wait with their volleys.
    let mut lines: Vec<String> = std::fs::read_to_string(&path).unwrap().lines().map(str::to_string).collect();
    let mut filled = 0;
    for line in lines.iter_mut().filter(|l| l.contains(",,5,,,")) {
        if filled < 2 {
            *line = line.replacen(",,5,,,", ",,5,44.9,0.3,", 1);
            filled += 1;
        }
    }
    let table = VolleyTable::parse(&lines.join("\n")).unwrap();
    assert_eq!(table.rows.iter().filter(|r| r.shots > 0).count(), 2);
    let photos = |n: usize| PhotoFolder {
        photos: (0..n).map(|i| PhotoFile { name: format!("{i}.jpg"), taken: None }).collect(),
        unreadable: Vec::new(),
        copies: Vec::new(),
    };
    let paired = pair(&table, &photos(3)).unwrap();
    assert_eq!(paired.volleys.len(), 3);
    // The photo after the next wipe may be there already.
    assert_eq!(pair(&table, &photos(4)).unwrap().volleys.last().unwrap().row.shots, 0);
    // A photo too few is still an error, and says what was taken as not shot.
    let e = pair(&table, &photos(2)).unwrap_err().to_string();
    assert!(e.contains("planned rows without a speed reading"), "{e}");
}

#[test]
fn what_is_missing_or_wrong_is_said() {
    let dir = new_session();
    let plan = |more: &[&str]| pockmark(dir.path(), ["plan", "s"].iter().chain(more));
    plan(&[]).says(2, &["what is to be compared?", "--setups"]);
    plan(&["--setups", "pocket=mid,low"]).says(2, &["which speeds?", "--ladder"]);
    let typed = ["--setups", "pocket=mid,low", "--ladder", "30..70 mph by 10"];
    plan(&typed).says(2, &["how much shots scatter is not known", "--spread"]);
    let with = |more: &[&str]| plan(&[&typed[..], &["--spread", "0.5 deg"], more].concat());
    plan(&["--setups", "pocket=mid,low", "--ladder", "30 mph", "--spread", "0.5"]).says(2, &["--spread"]);
    plan(&["--setups", "pocket=mid,low", "--ladder", "30..70 by 10", "--spread", "0.5 deg"]).says(2, &["no unit"]);
    plan(&["--setups", "pocket=mid,low", "--ladder", "30 mph", "--spread", "half a degree"]).says(2, &["--spread"]);
    with(&["--volleys", "0"]).says(2, &["0 volleys"]);
    with(&["--reference", "pocket=deep"]).says(2, &["none of the setups"]);
    with(&["--fresh", "mesh=hard"]).says(2, &["no setup of the plan has that"]);
    with(&["--wipe", "often"]).says(2, &["foreseen, never"]);
    with(&["--paper", "a3"]).says(2, &["a4 or letter"]);
    plan(&["--setups", "note=a,b", "--ladder", "30 mph", "--spread", "0.5 deg"])
        .says(2, &["no table that could be read"]);
    with(&["--matters", "0.01 deg"]).says(1, &["--volleys how many you can shoot"]);
    pockmark(dir.path(), ["plan", "nowhere"]).says(1, &["pockmark new"]);
    // Nothing of this wrote anything.
    assert!(!dir.path().join("s/run-sheet.pdf").exists());
}

#[test]
fn the_volleys_asked_for_give_the_answers_promised() {
    // Three setups at three speeds; the plan's number, shot many times over: a difference of what matters is found, and none is shown to be
    // none, each in at least 80 % of the days.
    let (within, between) = (1.0f64, 0.5f64);
    let inputs = PlanInputs {
        between_sd_rad: between.to_radians(),
        within_sd_rad: within.to_radians(),
        shared_u_rad: 0.0,
        matters_rad: 1f64.to_radians(),
        setups: 3,
        setpoints: 3,
        alpha: 0.05,
    };
    let option = plan_options(&inputs, &[4]).unwrap()[0];
    let volleys = option.ladder_clear_80.unwrap();
    assert!(volleys >= option.ladder_volleys_80.unwrap() && option.ladder_clear_90.unwrap() >= volleys, "{option:?}");
    assert!(volleys > 2, "the plan must be put to the test: {volleys}");
    let n = 1000u64;
    let share = |truth: f64, wanted: Verdict| {
        let hits: usize = (0..n)
            .into_par_iter()
            .map(|i| {
                let mut rng = ChaCha8Rng::seed_from_u64(777 + i);
                let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
                let mut shots = Vec::new();
                for s in 0..3 {
                    for mph in [30.0, 50.0, 70.0] {
                        for v in 0..volleys {
                            // The third setup is far from both: its pairs are no part of the question.
                            let at = [0.0, truth, 9.0][s] + between * normal();
                            for _ in 0..4 {
                                shots.push(Shot {
                                    volley: format!("{s} {mph} {v}"),
                                    setup: Setup::new([("pocket", s.to_string())]),
                                    setpoint_mps: Some(mph * MPH),
                                    speed_mps: mph * MPH,
                                    release: Estimate::exact((at + within * normal()).to_radians()),
                                    count: 1,
                                    ..Shot::default()
                                });
                            }
                        }
                    }
                }
                let study = analyse(&shots, &StudyOptions::default()).unwrap();
                let c = study.comparisons.iter().find(|c| c.a == "0" && c.b == "1").unwrap();
                usize::from(c.overall.verdict == wanted)
            })
            .sum();
        hits as f64 / n as f64
    };
    let (found, none) = (share(1.0, Verdict::Differs), share(0.0, Verdict::Same));
    println!(
        "{volleys} volleys: a difference of what matters found in {:.1} %, none shown in {:.1} %",
        100.0 * found,
        100.0 * none
    );
    let least = 0.8 - 3.0 * (0.8f64 * 0.2 / n as f64).sqrt();
    assert!(found >= least && none >= least, "{found} {none}");
}
