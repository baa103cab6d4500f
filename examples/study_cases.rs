//! Random designs and what the study makes of them, as JSON lines, for checking against another implementation.
//!
//! Usage: `cargo run --example study_cases -- SEED COUNT`, or `-- groups` (`{"groups": [[..]]}` on standard input: one-way analysis of variance), or
//! `-- line` (`{"points": [[x, y]]}`: the line through them).

use pockmark::study::{
    Estimate, Line, Setup, Shot, StudyOptions, VolleySum, analyse, equivalence_power, holm, isotonic, nested_anova,
    nested_reml, noncentral_t_upper, t_quantile, two_sample_power,
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::json;
use std::time::Instant;

fn sum_of(v: &[f64]) -> VolleySum {
    let n = v.len() as f64;
    let mean = v.iter().sum::<f64>() / n;
    VolleySum { mean, weight: n, ss: v.iter().map(|x| (x - mean).powi(2)).sum(), df: n - 1.0 }
}

fn from_input(what: &str) -> Result<bool, Box<dyn std::error::Error>> {
    if !matches!(what, "groups" | "line") {
        return Ok(false);
    }
    let given: serde_json::Value = serde_json::from_reader(std::io::stdin())?;
    if what == "groups" {
        let groups: Vec<Vec<f64>> = serde_json::from_value(given["groups"].clone())?;
        let nested = nested_anova(&[groups.iter().map(|g| sum_of(g)).collect()]);
        println!("{}", json!({ "f": nested.f_ratio().map(|f| f.0), "within": nested.within }));
    } else {
        let points: Vec<(f64, f64)> = serde_json::from_value(given["points"].clone())?;
        let line = Line::fit(&points).ok_or("no line")?;
        println!("{}", json!({ "intercept": line.intercept, "slope": line.slope, "u_slope": line.u_slope() }));
    }
    Ok(true)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    if std::env::args().nth(1).is_some_and(|a| from_input(&a).is_ok_and(|done| done)) {
        return Ok(());
    }
    let seed: u64 = args.next().unwrap_or_else(|| "1".into()).parse()?;
    let count: usize = args.next().unwrap_or_else(|| "20".into()).parse()?;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut spent = 0.0;
    for _ in 0..count {
        let normal = |rng: &mut ChaCha8Rng| -> f64 { StandardNormal.sample(rng) };
        // Two setups at one speed, one volley each, unequal counts: pooled two-sample t (equal scatter taken).
        let sizes = [rng.random_range(2..9usize), rng.random_range(2..9usize)];
        let mut shots = Vec::new();
        let mut groups: Vec<Vec<f64>> = Vec::new();
        for (g, &n) in sizes.iter().enumerate() {
            let mut values = Vec::new();
            for _ in 0..n {
                let value = 0.2 + 0.01 * g as f64 + 0.01 * normal(&mut rng);
                values.push(value);
                shots.push(Shot {
                    volley: g.to_string(),
                    setup: Setup::new([("pocket", g.to_string())]),
                    setpoint_mps: Some(20.0),
                    speed_mps: 20.0,
                    release: Estimate { value, own_var: 0.0, shared: vec![0.01] },
                    count: 1,
                    ..Shot::default()
                });
            }
            groups.push(values);
        }
        let matters = 0.02;
        let start = Instant::now();
        let study = analyse(&shots, &StudyOptions { matters_rad: matters, ..StudyOptions::default() })?;
        spent += start.elapsed().as_secs_f64();
        let d = study.comparisons.first().map(|c| c.overall.clone());
        // Volleys in one cell, unbalanced.
        let volleys: Vec<Vec<f64>> = (0..rng.random_range(3..7usize))
            .map(|_| {
                let at = 0.3 * normal(&mut rng);
                (0..rng.random_range(2..6usize)).map(|_| at + normal(&mut rng)).collect()
            })
            .collect();
        let sums: Vec<VolleySum> = volleys.iter().map(|v| sum_of(v)).collect();
        let nested = nested_anova(&[sums]);
        // Volleys within cells, unbalanced: restricted maximum likelihood.
        let cells: Vec<Vec<Vec<f64>>> = (0..rng.random_range(1..4usize))
            .map(|c| {
                (0..rng.random_range(2..5usize))
                    .map(|_| {
                        let at = c as f64 + 0.7 * normal(&mut rng);
                        (0..rng.random_range(2..6usize)).map(|_| at + normal(&mut rng)).collect()
                    })
                    .collect()
            })
            .collect();
        let cell_sums: Vec<Vec<VolleySum>> = cells.iter().map(|c| c.iter().map(|v| sum_of(v)).collect()).collect();
        let reml = nested_reml(&cell_sums);
        let line_points: Vec<(f64, f64)> = (0..rng.random_range(4..12usize))
            .map(|i| (i as f64 + 0.3 * normal(&mut rng), 9.0 - 2.0 * i as f64 + normal(&mut rng)))
            .collect();
        let line = Line::fit(&line_points);
        let iso: Vec<(f64, f64)> =
            (0..8).map(|i| (9.0 - f64::from(i) + 2.0 * normal(&mut rng), rng.random_range(0.2..3.0))).collect();
        let p: Vec<(f64, f64)> = (0..6).map(|_| (rng.random_range(0.0..0.2), 1.0)).collect();
        let (t, df, ncp) = (rng.random_range(-1.0..6.0), rng.random_range(1.0..60.0), rng.random_range(0.0..6.0));
        let n = f64::from(rng.random_range(3..40));
        println!(
            "{}",
            json!({
                "groups": groups, "matters": matters, "comparison": d,
                "volleys": volleys, "f": nested.f_ratio().map(|f| f.0), "between": nested.between(), "within": nested.within,
                "nested": { "cells": cells, "reml": reml.map(|r| json!({ "within": r.within, "between": r.between, "criterion": r.criterion })) },
                "line_points": line_points, "slope": line.map(|l| l.slope), "u_slope": line.map(|l| l.u_slope()),
                "reach_zero": line.and_then(|l| l.reach(0.0, 0.05)),
                "isotonic_in": iso, "isotonic": isotonic(&iso, true),
                "p": p.iter().map(|p| p.0).collect::<Vec<_>>(), "holm": holm(&p),
                "nct_in": [t, df, ncp], "nct": noncentral_t_upper(t, df, ncp), "t975": t_quantile(0.975, df),
                "power_in": n, "power": two_sample_power(n, 1.0, 1.0, 0.05),
                "equivalence_power": equivalence_power(3.0, n, 0.05),
            })
        );
    }
    eprintln!("{:.3} ms a study", 1e3 * spent / count.max(1) as f64);
    Ok(())
}
