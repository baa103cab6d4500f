//! What do tests of the page share: a small session through the real study, a strict reader of the page.

use image::{Rgb, RgbImage};
use pockmark::report::model::{Budget, BudgetLine, FileHash, MarkSummary, Outline, VERSION, VolleySummary};
use pockmark::report::{JpegPicture, Summary, Units, VolleyPicture};
use pockmark::session::results::Status;
use pockmark::study::{Estimate, Setup, Shot, StudyOptions, analyse};

pub const MPS_PER_MPH: f64 = 0.44704;

pub fn setup(pocket: &str) -> Setup {
    Setup::new([("head", "H"), ("pocket", pocket)])
}

pub fn mark(i: u32, release_deg: f64) -> MarkSummary {
    let k = f64::from(i);
    MarkSummary {
        mark: i,
        count: 1,
        px_x: Some(100.0 + 30.0 * k),
        px_y: Some(90.0 + 10.0 * k),
        x_mm: Some(1000.0 + 17.3 * k),
        y_mm: Some(-80.0 + 21.9 * k - release_deg),
        x_u_mm: Some(0.31 + 0.05 * k),
        y_u_mm: Some(2.7),
        diameter_mm: Some(46.6),
        release_deg: Some(release_deg),
        release_u_own_deg: Some(0.031),
        release_u_deg: Some(0.17 + 0.2 * k),
        sideways_deg: Some(-0.4 + 0.1 * k),
        sideways_u_deg: Some(0.11),
        flags: vec![],
    }
}

pub fn volley(name: &str, pocket: &str, speed_mps: f64, marks: Vec<MarkSummary>) -> VolleySummary {
    VolleySummary {
        volley: name.into(),
        photo: format!("{name}.jpg"),
        before: None,
        status: Status::Ok,
        note: String::new(),
        flags: vec![],
        setup: setup(pocket),
        setpoint_mps: Some(speed_mps),
        speed_mps: Some(speed_mps + 0.1),
        shots: marks.len() as u32,
        found: marks.len() as u32,
        mean_x_mm: Some(1034.0),
        mean_y_mm: Some(-50.0),
        mean_x_u_mm: Some(0.4),
        mean_y_u_mm: Some(0.7),
        mean_release_deg: Some(marks.iter().filter_map(|m| m.release_deg).sum::<f64>() / marks.len().max(1) as f64),
        mean_release_u_own_deg: Some(0.09),
        mean_release_u_deg: Some(0.19),
        spread_release_deg: Some(0.31),
        marks,
        pose_rms_px: Some(0.08),
        pose_sheets: vec![1, 2],
        view: None,
        covered_before: None,
        covered_after: None,
    }
}

/// Two pockets at three speeds, three shots each, once over.
pub fn session() -> Summary {
    let (mut volleys, mut shots) = (Vec::new(), Vec::new());
    for (p, pocket) in ["mid", "low"].into_iter().enumerate() {
        for (s, mph) in [30.0, 50.0, 70.0].into_iter().enumerate() {
            let name = format!("{}", 1 + 3 * p + s);
            let mean = 11.0 - 6.3 * s as f64 + 2.1 * p as f64;
            let angles: Vec<f64> = [-0.31, 0.02, 0.27].iter().map(|d| mean + d * (1.0 + 0.1 * s as f64)).collect();
            volleys.push(volley(
                &name,
                pocket,
                mph * MPS_PER_MPH,
                angles.iter().enumerate().map(|(i, a)| mark(i as u32 + 1, *a)).collect(),
            ));
            shots.extend(angles.iter().map(|a| Shot {
                volley: name.clone(),
                setup: setup(pocket),
                setpoint_mps: Some(mph * MPS_PER_MPH),
                speed_mps: mph * MPS_PER_MPH,
                release: Estimate { value: a.to_radians(), own_var: 1e-7, shared: vec![0.003] },
                sideways: Estimate { value: 0.01, own_var: 1e-7, shared: vec![0.002] },
                count: 1,
                ..Shot::default()
            }));
        }
    }
    let study = analyse(&shots, &StudyOptions::default()).unwrap();
    Summary {
        volleys,
        study: Some(study),
        budgets: vec![Budget {
            setup: setup("mid"),
            setpoint_mps: 30.0 * MPS_PER_MPH,
            u_deg: 0.5,
            coverage: 2.0,
            u_own_deg: 0.3,
            lines: vec![BudgetLine { name: "speed scale".into(), u_deg: 0.4 }],
            advice: "Measure the speed better.".into(),
            to_halve: vec![],
        }],
        ..empty()
    }
}

pub fn empty() -> Summary {
    Summary {
        version: VERSION,
        written_by: "a test".into(),
        title: "A session".into(),
        units: Units::default(),
        measured_on: Some("2026-06-14".into()),
        volleys: vec![],
        study: None,
        study_problem: None,
        budgets: vec![],
        linear_checks: vec![],
        calibration: None,
        later_calibrations: vec![],
        mark_shape: None,
        exact_inputs: vec![],
        assumed_inputs: vec![],
        looks: vec![],
        notes: vec![],
        files: vec![FileHash { path: "session.toml".into(), sha256: "00".repeat(32) }],
    }
}

pub fn picture(name: &str) -> VolleyPicture {
    let points_px = (0..12).map(|k| {
        let (s, c) = (f64::from(k) * 30f64.to_radians()).sin_cos();
        (130.0 + 18.0 * c, 100.0 + 18.0 * s)
    });
    VolleyPicture {
        volley: name.into(),
        after: JpegPicture::of(&RgbImage::from_pixel(120, 80, Rgb([180, 175, 160]))).unwrap(),
        before: JpegPicture::of(&RgbImage::from_pixel(120, 80, Rgb([182, 177, 161]))).unwrap(),
        origin_px: (80.0, 60.0),
        step_px: 1.0,
        outlines: [Outline { mark: 1, count: 1, points_px: points_px.collect() }].into(),
    }
}

/// Every element closed in order, every id once, every in-page link and label with its target. Stricter than HTML.
pub fn check_well_formed(html: &str) {
    let body = html.strip_prefix("<!DOCTYPE html>").expect("a doctype first");
    let mut open: Vec<&str> = Vec::new();
    let mut ids: Vec<&str> = Vec::new();
    let mut wanted: Vec<&str> = Vec::new();
    let mut rest = body;
    while let Some(at) = rest.find('<') {
        assert!(!rest[..at].contains('>') || open.last() == Some(&"style"), "a bare > in {:?}", &rest[..at]);
        rest = &rest[at + 1..];
        let end = rest.find('>').expect("a tag that ends");
        let tag = &rest[..end];
        rest = &rest[end + 1..];
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name), "closing order");
            continue;
        }
        let (inner, alone) = tag.strip_suffix('/').map_or((tag, false), |t| (t, true));
        let (name, mut attributes) = inner.split_once(' ').unwrap_or((inner, ""));
        assert!(name.bytes().all(|b| b.is_ascii_alphanumeric()), "an element {name:?}");
        while let Some((key, after)) = attributes.split_once("=\"") {
            assert!(key.trim().bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-'), "an attribute {key:?}");
            let (value, after) = after.split_once('"').expect("a quoted value");
            assert!(!key.trim().starts_with("on"), "a script in {tag}");
            match key.trim() {
                "id" => ids.push(value),
                "aria-labelledby" => wanted.extend(value.split(' ')),
                "href" => wanted.extend(value.strip_prefix('#')),
                _ => {}
            }
            assert!(!value.starts_with("http") || key.trim() == "xmlns", "the network in {tag}");
            attributes = after;
        }
        assert!(attributes.trim().is_empty(), "a stray {attributes:?} in {name}");
        assert_ne!(name, "script");
        if !alone {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
    for w in wanted {
        assert!(ids.contains(&w), "nothing has the id {w:?}");
    }
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all, "an id stands twice");
}

pub fn without_tags(html: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for c in html.chars() {
        match c {
            '<' => inside = true,
            '>' => inside = false,
            c if !inside => text.push(c),
            _ => {}
        }
    }
    text.trim().to_string()
}

/// Cells of the table bodies of every table of a class, row by row.
pub fn rows(html: &str, class: &str) -> Vec<Vec<String>> {
    let mut out = Vec::new();
    for table in html.split(&format!("<table class=\"{class}\">")).skip(1) {
        let table = table.split("</table>").next().unwrap();
        for body in table.split("<tbody>").skip(1) {
            for row in body.split("</tbody>").next().unwrap().split("<tr").skip(1) {
                let row = row.replace("</th>", "</td>");
                out.push(
                    row.split("</td>")
                        .filter(|c| c.contains("<t"))
                        .map(|c| without_tags(&c[c.find("<t").unwrap()..]))
                        .collect(),
                );
            }
        }
    }
    out
}

/// The session with a calibration whose every part has something to show.
pub fn calibrated() -> Summary {
    use pockmark::camera::Lens;
    use pockmark::camera::calibration::Check;
    use pockmark::camera::trust::TrustMap;
    use pockmark::camera::wall::{WallPhoto, WallQuality, WallResidual, WallSheet, WallTape};
    use pockmark::report::model::CalibrationSummary;
    let sheet = |number: usize, x_mm, y_mm| WallSheet {
        number,
        x_mm,
        y_mm,
        turn_deg: 0.317,
        x_u_mm: 0.123,
        y_u_mm: 0.157,
        board: None,
        relief_mm: None,
    };
    let corner = |i: u32| WallResidual {
        photo: format!("calibration/near-{}.jpg", i % 3),
        sheet: 1,
        x_px: 300.0 + 37.0 * f64::from(i),
        y_px: 250.0 + 23.0 * f64::from(i % 11),
        dx_px: 0.031 * f64::from(i % 5) - 0.06,
        dy_px: 0.027 * f64::from(i % 7) - 0.08,
    };
    let calibration = CalibrationSummary {
        camera: Lens {
            width: 2016,
            height: 1512,
            fx: 1550.0,
            fy: 1550.0,
            cx: 1007.5,
            cy: 755.5,
            k1: 0.05,
            k2: -0.08,
            p1: 0.0,
            p2: 0.0,
            k3: 0.0,
        },
        tripod_pose: None,
        sheets: vec![sheet(1, 0.0, 0.0), sheet(2, 2190.43, 0.62), sheet(3, 1120.21, 1480.74)],
        printed_scale: [1.00123, 0.99764],
        quality: WallQuality {
            rms_px: 0.0783,
            unit_u: 1.064,
            corners: 1416,
            lens_terms: vec!["k1".into()],
            photos: vec![WallPhoto {
                photo: "calibration/near-1.jpg".into(),
                sha256: "ab".repeat(32),
                corners: 118,
                dropped: 2,
                rms_px: Some(0.0812),
                left_out: None,
            }],
            tapes: vec![WallTape { sheets: [1, 2], distance_mm: 2190.2, off_mm: -0.23, u_mm: 0.54 }],
            residuals: (0..60).map(corner).collect(),
            trust_map: Some(TrustMap {
                x0_mm: -300.0,
                y0_mm: -200.0,
                step_mm: 200.0,
                columns: 14,
                rows: 9,
                u_mm: (0..126).map(|i| Some(0.06 + 0.011 * f64::from(i))).collect(),
            }),
            checks: vec![
                Check { what: "tape, sheets 1 and 2".into(), stated_mm: 2190.2, u_mm: 0.54, fitted_mm: 2190.43 },
                Check { what: "bar across".into(), stated_mm: 150.21, u_mm: 0.12, fitted_mm: 148.87 },
            ],
            ..WallQuality::default()
        },
    };
    Summary { calibration: Some(calibration), ..session() }
}
