//! Do the propagation rules give the published examples of the guides?

use nalgebra::DMatrix;
use pockmark::uncertainty::{
    Coverage, MonteCarlo, NamedInput, compare_with_linear, monte_carlo, numerical_tolerance, propagate, propagate_with,
    second_order_variance,
};
use rand::RngExt;
use rand_distr::{Distribution, StandardNormal, StudentT};

fn normal(rng: &mut impl rand::Rng) -> f64 {
    rng.sample(StandardNormal)
}

/// Rectangular with mean 0 and half-width `half`.
fn rectangular(rng: &mut impl rand::Rng, half: f64) -> f64 {
    half * (2.0 * rng.random::<f64>() - 1.0)
}

#[test]
fn end_gauge_calibration() {
    // Source: JCGM 100:2008, H.1: l = 50.000838 mm, u = 32 nm (34 nm with second order), 16 degrees of freedom.
    // Lengths in nm. l = ls + d - ls (da (tm + D) + as dt), d in four parts with their own dof.
    let inputs = [
        NamedInput::new("standard", 50_000_623.0, 25.0).with_dof(18.0),
        NamedInput::new("mean reading", 215.0, 5.8).with_dof(24.0),
        NamedInput::new("random effects", 0.0, 3.9).with_dof(5.0),
        NamedInput::new("systematic effects", 0.0, 6.7).with_dof(8.0),
        NamedInput::new("expansion difference", 0.0, 1e-6 / 3f64.sqrt()).with_dof(50.0),
        NamedInput::new("temperature difference", 0.0, 0.05 / 3f64.sqrt()).with_dof(2.0),
        NamedInput::new("expansion", 11.5e-6, 2e-6 / 3f64.sqrt()),
        NamedInput::new("mean deviation", -0.1, 0.2),
        NamedInput::new("cycle", 0.0, 0.5 / 2f64.sqrt()),
    ];
    let length = |x: &[f64]| x[0] + x[1] + x[2] + x[3] - x[0] * (x[4] * (x[7] + x[8]) + x[6] * x[5]);
    let result = propagate(&inputs, None, |x| Ok(vec![length(x)])).expect("propagates");
    assert!((result.values[0] - 50_000_838.0).abs() < 1e-6);
    // Expansion difference enters to first order by the mean deviation of -0.1 degC: 2.9 nm.
    assert!((result.u(0) - 31.663_879_111_008_633).abs() < 1e-3, "{}", result.u(0));
    assert!((result.effective_dof(0) - 16.751_855_737_627_24).abs() < 1e-3, "{}", result.effective_dof(0));
    let second = second_order_variance(&inputs, |x| Ok(length(x))).expect("propagates");
    let u = (result.u(0).powi(2) + second).sqrt();
    assert!((u - 33.806_566_742_076_58).abs() < 0.01, "{u}");
    let budget = result.budget(0);
    assert!((budget[5].contribution.abs() - 16.599_027_060_501_925).abs() < 1e-3);
    assert!((budget[4].contribution.abs() - 2.886_787_314_869_9).abs() < 1e-3);
}

#[test]
fn resistance_and_reactance_from_the_same_readings() {
    // Source: JCGM 100:2008, H.2, table H.2: means of five sets of (V, I, phase), their
    // standard uncertainties and correlations; R = 127.732(71), X = 219.847(295), Z = 254.260(236).
    let sets = [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ];
    let n = sets.len() as f64;
    let mean: Vec<f64> = (0..3).map(|k| sets.iter().map(|s| s[k]).sum::<f64>() / n).collect();
    let cov = DMatrix::from_fn(3, 3, |a, b| {
        sets.iter().map(|s| (s[a] - mean[a]) * (s[b] - mean[b])).sum::<f64>() / (n * (n - 1.0))
    });
    let u: Vec<f64> = (0..3).map(|k| cov[(k, k)].sqrt()).collect();
    let correlation = DMatrix::from_fn(3, 3, |a, b| cov[(a, b)] / (u[a] * u[b]));
    let inputs: Vec<NamedInput> = ["V", "I", "phase"]
        .iter()
        .zip(mean.iter().zip(&u))
        .map(|(name, (v, u))| NamedInput::new(*name, *v, *u))
        .collect();
    let result = propagate(&inputs, Some(&correlation), |x| {
        let z = x[0] / x[1];
        Ok(vec![z * x[2].cos(), z * x[2].sin(), z])
    })
    .expect("propagates");
    let expected = [127.732_169_928_102_08, 219.846_511_912_638_48, 254.259_701_948_019_48];
    let expected_u = [0.071_071_407_396_995_12, 0.295_581_677_358_638_3, 0.236_336_130_082_370_28];
    for k in 0..3 {
        assert!((result.values[k] - expected[k]).abs() < 1e-9);
        assert!((result.u(k) - expected_u[k]).abs() < 1e-7, "{} against {}", result.u(k), expected_u[k]);
    }
    assert!((result.correlation(0, 1) - -0.588_429_784_423_579_2).abs() < 1e-6);
    assert!((result.correlation(0, 2) - -0.485_259_224_209_999).abs() < 1e-6);
    assert!((result.correlation(1, 2) - 0.992_511_648_949_017_2).abs() < 1e-7);
}

#[test]
fn thermometer_calibration_line() {
    // Source: JCGM 100:2008, H.3: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, b(30 degC) = -0.1494(41).
    let (u1, u2, r) = (0.002_877_597_835_159_954_6, 0.000_667_938_773_227_831_8, -0.930_429_603_093_445_8);
    let inputs =
        [NamedInput::new("y1", -0.171_203_790_131_349_68, u1), NamedInput::new("y2", 0.002_182_697_739_887_210_5, u2)];
    let correlation = DMatrix::from_row_slice(2, 2, &[1.0, r, r, 1.0]);
    // Given sensitivities: b = y1 + y2 (t - 20).
    let at_30 = propagate_with(
        &inputs,
        Some(&correlation),
        vec![inputs[0].value + 10.0 * inputs[1].value],
        DMatrix::from_row_slice(1, 2, &[1.0, 10.0]),
    )
    .expect("propagates");
    assert!((at_30.values[0] - -0.149_376_812_732_477_58).abs() < 1e-12);
    assert!((at_30.u(0) - 0.004_138_595_752_854_949).abs() < 1e-9);
    // The line itself from the eleven readings (table H.6): thermometer t, correction b.
    let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
    let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
    let s = 0.003_497_563_963_505_285_6;
    let readings: Vec<NamedInput> = b.iter().map(|b| NamedInput::new("reading", *b, s).with_dof(9.0)).collect();
    let fit = propagate(&readings, None, |b| {
        let n = t.len() as f64;
        let (sx, sy) = (t.iter().map(|t| t - 20.0).sum::<f64>(), b.iter().sum::<f64>());
        let sxx: f64 = t.iter().map(|t| (t - 20.0).powi(2)).sum();
        let sxy: f64 = t.iter().zip(b).map(|(t, b)| (t - 20.0) * b).sum();
        let d = n * sxx - sx * sx;
        Ok(vec![(sxx * sy - sx * sxy) / d, (n * sxy - sx * sy) / d])
    })
    .expect("propagates");
    assert!((fit.values[0] - inputs[0].value).abs() < 1e-9, "{}", fit.values[0]);
    assert!((fit.values[1] - inputs[1].value).abs() < 1e-9);
    assert!((fit.u(0) - u1).abs() < 1e-8 && (fit.u(1) - u2).abs() < 1e-8);
    assert!((fit.correlation(0, 1) - r).abs() < 1e-6);
}

/// Standard errors allowed a sampled figure: one failure in 10^8 of a fixed seed's choice.
const SIGMAS: f64 = 5.5;

/// Standard error of a sampled p-quantile of a density `f` there.
fn quantile_se(p: f64, density: f64, trials: usize) -> f64 {
    (p * (1.0 - p) / trials as f64).sqrt() / density
}

#[test]
fn sums_of_normal_and_rectangular_quantities() {
    let settings = MonteCarlo { probability: 0.95, digits: 2, ..MonteCarlo::default() };
    // Source: JCGM 101:2008, 9.2.2: four standard normals, +-3.92.
    let run = monte_carlo(&settings, |rng| Ok((0..4).map(|_| normal(rng)).sum())).expect("runs");
    let density = (-1.96f64.powi(2) / 2.0).exp() / (2.0 * (std::f64::consts::TAU).sqrt());
    let tolerance = SIGMAS * quantile_se(0.025, density, run.trials);
    assert!((run.u - 2.0).abs() < SIGMAS * 2.0 / (2.0 * run.trials as f64).sqrt());
    assert!((run.high - 3.919_93).abs() < tolerance && (run.low + 3.919_93).abs() < tolerance, "{run:?}");
    let agreement = compare_with_linear(&run, 0.0, 2.0, 1.959_964, 2);
    assert!(run.stable && agreement.agrees, "{agreement:?} after {} trials", run.trials);

    // Source: JCGM 101:2008, 9.2.3: four rectangulars of variance 1, +-3.88 where first order says +-3.92.
    let run = monte_carlo(&settings, |rng| Ok((0..4).map(|_| rectangular(rng, 3f64.sqrt())).sum())).expect("runs");
    let tolerance = 0.005 + SIGMAS * quantile_se(0.025, density, run.trials);
    assert!((run.high - 3.88).abs() < tolerance && (run.low + 3.88).abs() < tolerance, "{run:?}");

    // Source: JCGM 101:2008, 9.2.4: one of the four ten times wider: +-17.0, u 10.1; first order +-19.9 fails.
    let settings = MonteCarlo { digits: 3, ..settings };
    let run = monte_carlo(&settings, |rng| {
        Ok((0..3).map(|_| rectangular(rng, 3f64.sqrt())).sum::<f64>() + rectangular(rng, 300f64.sqrt()))
    })
    .expect("runs");
    assert!((run.u - 103f64.sqrt()).abs() < SIGMAS * 103f64.sqrt() / (2.0 * run.trials as f64).sqrt());
    assert!((run.high - 17.01).abs() < 0.05 && (run.low + 17.01).abs() < 0.05, "{run:?}");
    assert!(!compare_with_linear(&run, 0.0, 103f64.sqrt(), 1.959_964, 2).agrees);
}

#[test]
fn a_mass_whose_second_order_is_all_there_is() {
    // Source: JCGM 101:2008, 9.3: first order u = 0.0539 mg [1.1285, 1.3395]; sampled 0.0754 [1.0834, 1.3825], shortest.
    // dm = (mR + dmR)(1 + (a - a0)(1/rW - 1/rR)) - mnom, mg and kg/m3.
    let (mass, extra, air_0, nominal) = (100_000.0, 1.234, 1.2, 100_000.0);
    let model = |x: &[f64]| (x[0] + x[1]) * (1.0 + (x[2] - air_0) * (1.0 / x[3] - 1.0 / x[4])) - nominal;
    let inputs = [
        NamedInput::new("mass", mass, 0.050),
        NamedInput::new("weights", extra, 0.020),
        NamedInput::new("air", 1.2, 0.1 / 3f64.sqrt()),
        NamedInput::new("density W", 8000.0, 1000.0 / 3f64.sqrt()),
        NamedInput::new("density R", 8000.0, 50.0 / 3f64.sqrt()),
    ];
    let linear = propagate(&inputs, None, |x| Ok(vec![model(x)])).expect("propagates");
    assert!((linear.u(0) - 0.053_851_648_071_345_05).abs() < 1e-6, "{}", linear.u(0));
    let settings = MonteCarlo { probability: 0.95, coverage: Coverage::Shortest, digits: 2, ..MonteCarlo::default() };
    let run = monte_carlo(&settings, |rng| {
        Ok(model(&[
            mass + 0.050 * normal(rng),
            extra + 0.020 * normal(rng),
            1.2 + rectangular(rng, 0.1),
            8000.0 + rectangular(rng, 1000.0),
            8000.0 + rectangular(rng, 50.0),
        ]))
    })
    .expect("runs");
    assert!((run.mean - 1.234).abs() < SIGMAS * run.u / (run.trials as f64).sqrt());
    // Kurtosis near 3.1: the standard error of u is that of a normal within a tenth.
    assert!((run.u - 0.075_449_6).abs() < 1.1 * SIGMAS * run.u / (2.0 * run.trials as f64).sqrt(), "{run:?}");
    // The ends of a shortest interval wander along each other; its length is steadier.
    assert!((run.low - 1.0834).abs() < 0.01 && (run.high - 1.3825).abs() < 0.01, "{run:?}");
    assert!((run.high - run.low - 0.2991).abs() < 0.004, "{run:?}");
    let first_order = compare_with_linear(&run, 1.234, linear.u(0), 1.959_964, 1);
    assert!(!first_order.agrees);
    let second = second_order_variance(&inputs, |x| Ok(model(x))).expect("propagates");
    assert!(((linear.u(0).powi(2) + second).sqrt() - 0.0750).abs() < 2e-4, "{second}");
}

#[test]
fn gauge_block_with_its_distributions() {
    // Source: JCGM 101:2008, 9.5, table 10: 838 nm, u = 36 nm, 99 % [745, 932] nm.
    let settings = MonteCarlo { probability: 0.99, digits: 2, most_trials: 400_000, ..MonteCarlo::default() };
    let (t18, t24) = (StudentT::new(18.0).expect("dof"), StudentT::new(24.0).expect("dof"));
    let (t5, t8) = (StudentT::new(5.0).expect("dof"), StudentT::new(8.0).expect("dof"));
    let run = monte_carlo(&settings, |rng| {
        let standard = 50_000_623.0 + 25.0 * t18.sample(rng);
        let reading = 215.0 + 6.0 * t24.sample(rng) + 4.0 * t5.sample(rng) + 7.0 * t8.sample(rng);
        let expansion = 11.5e-6 + rectangular(rng, 2.0e-6);
        let half = 1e-6 * (1.0 + rectangular(rng, 0.1));
        let expansion_difference = rectangular(rng, half);
        let mean = -0.1 + 0.2 * normal(rng);
        let cycle = 0.5 * (std::f64::consts::TAU * rng.random::<f64>()).sin();
        let half = 0.050 * (1.0 + rectangular(rng, 0.5));
        let difference = rectangular(rng, half);
        Ok(standard + reading
            - standard * (expansion_difference * (mean + cycle) + expansion * difference)
            - 50_000_000.0)
    })
    .expect("runs");
    assert!((run.mean - 838.0).abs() < 0.5, "{run:?}");
    assert!((run.u - 35.8).abs() < 0.5, "{run:?}");
    assert!((run.low - 745.0).abs() < 2.0 && (run.high - 932.0).abs() < 2.0, "{run:?}");
}

#[test]
fn numerical_tolerance_is_half_a_unit_in_the_last_digit() {
    // Source: JCGM 101:2008, 7.9.2, examples: 100.021 47 g with u 0.000 35 g: 2 digits 0.000 005, 1 digit 0.000 05;
    // 2 K with 1 digit: 0.5 K.
    let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-12, "{a} against {b}");
    close(numerical_tolerance(0.00035, 2), 0.000_005);
    close(numerical_tolerance(0.00035, 1), 0.000_05);
    close(numerical_tolerance(2.0, 1), 0.5);
    close(numerical_tolerance(0.98, 1), 0.5);
    close(numerical_tolerance(0.0, 1), 0.0);
}

#[test]
fn senseless_inputs_are_refused() {
    let one = |x: &[f64]| Ok(vec![x[0]]);
    let bad = |input: NamedInput| propagate(&[input], None, one).expect_err("refused").to_string();
    assert!(bad(NamedInput::new("length", f64::NAN, 0.1)).contains("length"));
    assert!(bad(NamedInput::new("length", 1.0, -0.1)).contains("-0.1"));
    assert!(bad(NamedInput::new("length", 1.0, 0.1).with_dof(0.0)).contains("degrees of freedom"));
    let inputs = [NamedInput::new("a", 1.0, 0.1), NamedInput::new("b", 1.0, 0.1)];
    for r in [
        DMatrix::identity(3, 3),
        DMatrix::from_row_slice(2, 2, &[1.0, 2.0, 2.0, 1.0]),
        DMatrix::from_row_slice(2, 2, &[1.0, 0.5, 0.2, 1.0]),
        DMatrix::from_row_slice(2, 2, &[0.5, 0.0, 0.0, 1.0]),
    ] {
        assert!(propagate(&inputs, Some(&r), |x| Ok(vec![x[0] + x[1]])).is_err(), "{r}");
    }
    assert!(propagate(&inputs, None, |_| Ok(vec![f64::NAN])).is_err());
    assert!(propagate_with(&inputs, None, vec![1.0], DMatrix::zeros(2, 2)).is_err());
    for probability in [0.0, 1.0, f64::NAN] {
        assert!(monte_carlo(&MonteCarlo { probability, ..MonteCarlo::default() }, |_| Ok(0.0)).is_err());
    }
    assert!(monte_carlo(&MonteCarlo::default(), |_| Ok(f64::INFINITY)).is_err());
    // A constant is stable at once.
    let constant = monte_carlo(&MonteCarlo::default(), |_| Ok(3.0)).expect("runs");
    assert!(constant.stable && constant.mean == 3.0 && constant.u == 0.0 && constant.trials == 20_000);
}
