//! Are quantities read as a person means them, and refused where two readings are possible?

use pockmark::quantity::{Dimension, LARGEST_SI, Quantity, parse_number};
use proptest::prelude::*;

/// Exact factors agree to rounding; the unit library's ounce and mercury carry seven figures.
fn close(a: f64, b: f64, dimension: Dimension) -> bool {
    let relative = if matches!(dimension, Dimension::Mass | Dimension::Pressure) { 3e-7 } else { 1e-12 };
    (a - b).abs() <= relative * b.abs() + 1e-13
}

#[test]
fn texts_of_a_session_mean_what_they_say() {
    use Dimension::*;
    let inch = 0.0254;
    let deg = std::f64::consts::PI / 180.0;
    let ounce = 0.45359237 / 16.0;
    #[rustfmt::skip]
    let cases: &[(&str, Dimension, f64, Option<f64>)] = &[
        ("6.000 m ± 5 mm", Length, 6.0, Some(0.005)),
        ("6.000m±5mm", Length, 6.0, Some(0.005)),
        ("6.000 ± 0.005 m", Length, 6.0, Some(0.005)),
        ("20 ft 3 in ± 1/4 in", Length, 243.0 * inch, Some(inch / 4.0)),
        ("20' 3 1/2\"", Length, 243.5 * inch, None),
        ("20'-3 1/2\" ± 1/8\"", Length, 243.5 * inch, Some(inch / 8.0)),
        ("20' 3-1/2\"", Length, 243.5 * inch, None),
        ("20′ 3½″", Length, 243.5 * inch, None),
        ("20 FT 3 IN", Length, 243.0 * inch, None),
        ("-3 ft 4 in", Length, -40.0 * inch, None),
        ("3/16 in", Length, 3.0 / 16.0 * inch, None),
        ("\u{2212}100\u{a0}mm ± 3\u{202f}mm", Length, -0.1, Some(0.003)),
        ("1.2e0 m", Length, 1.2, None),
        ("6,5 m", Length, 6.5, None),
        ("0,045 m", Length, 0.045, None),
        ("-10.0 deg ± 0.1 deg", Angle, -10.0 * deg, Some(0.1 * deg)),
        ("10° 30'", Angle, 10.5 * deg, None),
        ("147 g +/- 1 g", Mass, 0.147, Some(0.001)),
        ("5.2 oz", Mass, 5.2 * ounce, None),
        ("60 mph", Speed, 26.8224, None),
        ("60 mph ± 1 km/h", Speed, 26.8224, Some(1.0 / 3.6)),
        ("22 m/s ± 1 %", Speed, 22.0, Some(0.22)),
        ("-22 m/s ± 1 %", Speed, -22.0, Some(0.22)),
        ("18 degC ± 1 degC", Temperature, 291.15, Some(1.0)),
        ("18 °C ± 1 K", Temperature, 291.15, Some(1.0)),
        ("18 ± 1 degC", Temperature, 291.15, Some(1.0)),
        ("64.4 degF ± 1.8 degF", Temperature, 291.15, Some(1.0)),
        ("64.4 deg F ± 1.8 °F", Temperature, 291.15, Some(1.0)),
        ("-5 degC", Temperature, 268.15, None),
        ("1008 hPa ± 2 hPa", Pressure, 100_800.0, Some(200.0)),
        ("29.9 inHg", Pressure, 29.9 * 3386.389, None),
        ("29.9 in Hg", Pressure, 29.9 * 3386.389, None),
        ("50 % ± 10 %", Ratio, 0.5, Some(0.1)),
        ("0.45 ± 0.04", Ratio, 0.45, Some(0.04)),
        ("0.6 %", Ratio, 0.006, None),
        ("1500 rpm", Rotation, 1500.0 * std::f64::consts::TAU / 60.0, None),
        ("250 ms", Time, 0.25, None),
        ("6 m ± 0 mm", Length, 6.0, Some(0.0)),
    ];
    for (text, dimension, value, half_width) in cases {
        let q = Quantity::parse(text, *dimension).unwrap_or_else(|e| panic!("{text}: {e}"));
        assert!(close(q.value, *value, *dimension), "{text}: {} for {value}", q.value);
        assert_eq!(q.stated, half_width.is_some(), "{text}");
        assert!(close(q.u, half_width.unwrap_or(0.0) / 2.0, *dimension), "{text}: u {}", q.u);
    }
}

#[test]
fn ambiguous_or_wrong_texts_get_a_sentence_that_helps() {
    use Dimension::*;
    let cases: &[(&str, Dimension, &str)] = &[
        ("6.0", Length, "has no unit; write m, cm, mm, ft, in or yd"),
        ("6.0 kg", Length, "measures a mass, but a length goes here"),
        ("6.0 parsec", Length, "is not a unit known here"),
        ("6,000 m", Length, "write 6.000 or 6000"),
        ("1,234.5 m", Length, "two ways"),
        ("6 m 5 mm", Length, "write ± before it"),
        ("6 ft 13 in", Length, "12 make a whole ft"),
        ("6.5 ft 3 in", Length, "only the last of a pair"),
        ("6 in 3 ft", Length, "write ± before it"),
        ("6 m ± 0.005", Length, "has no unit"),
        ("6 m ± -5 mm", Length, "negative"),
        ("6 m ± 5 mm ± 1 mm", Length, "more than one ±"),
        ("6 m ±", Length, "lacks a number"),
        ("", Length, "lacks a number"),
        ("m", Length, "no number in front of \"m\""),
        ("6 7 m", Length, "two numbers"),
        ("3 5/4 in", Length, "proper fraction"),
        ("1/0 in", Length, "fraction"),
        ("1.2.3 m", Length, "not a number"),
        ("NaN m", Length, "not a finite number"),
        ("inf m", Length, "not a finite number"),
        ("1e400 m", Length, "too large"),
        ("1e12 m", Length, "beyond"),
        ("6 m; 3", Length, "cannot be read"),
        ("-300 degC", Temperature, "absolute zero"),
        ("18 degC ± 1 %", Temperature, "in per cent says nothing"),
        ("0 deg ± 1 %", Angle, "in per cent says nothing"),
        ("0.45 ± 10 %", Ratio, "two ways"),
        ("50 ± 10 %", Ratio, "two ways"),
        ("50 % ± 0.1", Ratio, "two ways"),
        ("5 deg", Temperature, "measures an angle"),
    ];
    for (text, dimension, part) in cases {
        let e = Quantity::parse(text, *dimension).expect_err(text).to_string();
        assert!(e.contains(part), "{text}: {e}");
    }
}

#[test]
fn bare_numbers() {
    assert_eq!(parse_number(" 13.487 ").unwrap(), 13.487);
    assert_eq!(parse_number("\u{2212}13,48").unwrap(), -13.48);
    for word in ["fast", "NaN", "-", "6 7", "5--3", "e5", "12 mph fast"] {
        let e = parse_number(word).unwrap_err().to_string();
        assert!(e.contains("not a bare number") && !e.contains('±'), "{e}");
    }
    assert!(parse_number("13,487").unwrap_err().to_string().contains("write 13.487 or 13487"));
    for bad in ["", "abc", "1 mph", "NaN", "1e300", "5 ± 1", "--3", "0x10"] {
        assert!(parse_number(bad).is_err(), "{bad}");
    }
}

#[test]
fn text_in_a_chosen_unit() {
    let q = Quantity::parse("18 degC ± 1 degC", Dimension::Temperature).unwrap();
    assert_eq!(q.to_text(Dimension::Temperature, "degF", 1).unwrap(), "64.4 degF ± 1.8 degF");
    assert!(q.to_text(Dimension::Temperature, "m", 1).is_err());
    assert_eq!(Quantity::exact(0.45).to_si_text(Dimension::Ratio), "0.45");
}

proptest! {
    #[test]
    fn any_text_is_read_or_refused(text in "\\PC*", d in 0usize..9) {
        if let Ok(q) = Quantity::parse(&text, Dimension::ALL[d]) {
            prop_assert!(q.value.is_finite() && q.value.abs() <= LARGEST_SI && q.u.is_finite() && q.u >= 0.0);
        }
        let _ = parse_number(&text);
    }

    #[test]
    fn near_misses_are_read_or_refused(text in "[-+]?[0-9.,/ '\"½]{0,12}(m|ft|in|deg|%|°C|e5|-)?[ ]?(±|\\+/-)?[-0-9.,/ '\"]{0,8}(mm|in|%|degC)?", d in 0usize..9) {
        if let Ok(q) = Quantity::parse(&text, Dimension::ALL[d]) {
            prop_assert!(q.value.is_finite() && q.value.abs() <= LARGEST_SI && q.u.is_finite() && q.u >= 0.0);
        }
    }

    #[test]
    fn si_text_is_read_back_to_the_last_bit(value in -1e8f64..1e8, u_exponent in -300f64..6.0, stated: bool, d in 0usize..9) {
        let dimension = Dimension::ALL[d];
        let u = 10f64.powf(u_exponent);
        let value = if dimension == Dimension::Temperature { value.abs() } else { value };
        let q = if stated { Quantity::with_u(value, u) } else { Quantity::exact(value) };
        prop_assert_eq!(Quantity::parse(&q.to_si_text(dimension), dimension).unwrap(), q);
    }
}
