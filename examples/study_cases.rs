//! Random designs and what the study makes of them, as JSON lines, for checking against another implementation.
//!
//! Usage: `cargo run --example study_cases -- SEED COUNT`

use pockmark::study::{
    Estimate, Line, Setup, Shot, StudyOptions, VolleySum, analyse, equivalence_power, holm, isotonic, nested_anova,
    noncentral_t_upper, t_quantile, two_sample_power,
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::json;
use std::time::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
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
        let sums: Vec<VolleySum> = volleys
            .iter()
            .map(|v| {
                let n = v.len() as f64;
                let mean = v.iter().sum::<f64>() / n;
                VolleySum { mean, weight: n, ss: v.iter().map(|x| (x - mean).powi(2)).sum(), df: n - 1.0 }
            })
            .collect();
        let nested = nested_anova(&[sums]);
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
                "line_points": line_points, "slope": line.map(|l| l.slope), "u_slope": line.map(|l| l.u_slope()),
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
