//! What does a report look like? Writes one of an invented session: `cargo run --example report_sample -- DIR`
//! (`DIR/results/report.html`, `DIR/results/summary.json`).
//!
//! Two pockets at five speeds, the reference repeated through the day; the shots go through the real study, the
//! pictures are noise with dark discs. Nothing in it was measured.

use image::{Rgb, RgbImage};
use pockmark::camera::Lens;
use pockmark::camera::calibration::Check;
use pockmark::camera::trust::TrustMap;
use pockmark::camera::wall::{WallPhoto, WallQuality, WallResidual, WallSheet, WallTape};
use pockmark::marks::shape::MarkShape;
use pockmark::report::model::{
    Budget, BudgetLine, CalibrationSummary, FileHash, MarkSummary, Outline, VERSION, VolleySummary,
};
use pockmark::report::{JpegPicture, Summary, Units, VolleyPicture, page};
use pockmark::session::flags::FlagWord;
use pockmark::session::results::Status;
use pockmark::study::{Estimate, Setup, Shot, Study, StudyOptions, VolleyStatus, analyse};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

const MPS_PER_MPH: f64 = 0.44704;
/// Pixels for a millimetre on the wall.
const PX_PER_MM: f64 = 0.8;

/// A volley as invented: setup, speed and true mean angle.
struct Invented {
    name: String,
    setup: Setup,
    speed_mps: f64,
    angle_deg: f64,
}

fn day() -> Vec<Invented> {
    let mut all = Vec::new();
    let mut add = |pocket: &str, mph: f64| {
        let base = if pocket == "mid" { 14.0 } else { 16.4 };
        all.push(Invented {
            name: format!("{}", all.len() + 1),
            setup: Setup::new([("head", "Rook 2"), ("pocket", pocket)]),
            speed_mps: mph * MPS_PER_MPH,
            angle_deg: base - 0.31 * (mph - 30.0) - 0.002 * (mph - 30.0).powi(2),
        });
    };
    add("mid", 50.0);
    for (i, mph) in [50.0, 30.0, 70.0, 40.0, 60.0].into_iter().enumerate() {
        add("low", mph);
        add("mid", mph);
        if i % 2 == 1 {
            add("mid", 50.0);
        }
    }
    add("mid", 50.0);
    all
}

fn marks(volley: &Invented, rng: &mut ChaCha8Rng) -> (Vec<MarkSummary>, Vec<Shot>) {
    let normal = |sd: f64| Normal::new(0.0, sd).expect("a positive SD");
    let drift: f64 = normal(0.15).sample(rng);
    let mut marks = Vec::new();
    let mut shots = Vec::new();
    for i in 0..5u32 {
        let angle_deg = volley.angle_deg + drift + normal(0.35).sample(rng);
        let aside_deg: f64 = 0.4 + normal(0.3).sample(rng);
        let release_u_own_deg = 0.03;
        let shared_deg = [0.16, 0.11, 0.06];
        let u: f64 = shared_deg.iter().map(|s| s * s).sum::<f64>() + release_u_own_deg * release_u_own_deg;
        let (x_mm, y_mm) =
            (1080.0 + 56.0 * aside_deg, 1120.0 - 38.0 * angle_deg - 0.9 * (70.0 - volley.speed_mps / MPS_PER_MPH));
        marks.push(MarkSummary {
            mark: i + 1,
            count: 1,
            px_x: Some(400.0 + PX_PER_MM * x_mm),
            px_y: Some(1700.0 - PX_PER_MM * y_mm),
            x_mm: Some(x_mm),
            y_mm: Some(y_mm),
            x_u_mm: Some(0.31),
            y_u_mm: Some(0.42),
            diameter_mm: Some(47.0),
            release_deg: Some(angle_deg),
            release_u_own_deg: Some(release_u_own_deg),
            release_u_deg: Some(u.sqrt()),
            sideways_deg: Some(aside_deg),
            sideways_u_deg: Some(0.11),
            flags: if i == 3 { vec![FlagWord::Crowded] } else { vec![] },
        });
        let estimate = |value_deg: f64, own_deg: f64, shared: &[f64]| Estimate {
            value: value_deg.to_radians(),
            own_var: own_deg.to_radians().powi(2),
            shared: shared.iter().map(|s| s.to_radians()).collect(),
        };
        shots.push(Shot {
            volley: volley.name.clone(),
            status: VolleyStatus::Ok,
            setup: volley.setup.clone(),
            setpoint_mps: Some(volley.speed_mps),
            speed_mps: volley.speed_mps * (1.0 + normal(0.003).sample(rng)),
            release: estimate(angle_deg, release_u_own_deg, &shared_deg),
            sideways: estimate(aside_deg, 0.03, &[0.1]),
            count: 1,
            volley_var: 0.0,
        });
    }
    (marks, shots)
}

fn mean_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (mean, (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
}

fn volley_summary(volley: &Invented, before: Option<&str>, marks: Vec<MarkSummary>) -> VolleySummary {
    let of = |f: fn(&MarkSummary) -> Option<f64>| -> Vec<f64> { marks.iter().filter_map(f).collect() };
    let (release, spread) = mean_sd(&of(|m| m.release_deg));
    VolleySummary {
        volley: volley.name.clone(),
        photo: format!("photos/IMG_{:04}.jpg", 4100 + volley.name.parse::<u32>().unwrap_or(0)),
        before: before.map(str::to_string),
        status: Status::Ok,
        note: String::new(),
        flags: vec![],
        setup: volley.setup.clone(),
        setpoint_mps: Some(volley.speed_mps),
        speed_mps: Some(volley.speed_mps * 1.002),
        shots: 5,
        found: 5,
        mean_x_mm: Some(mean_sd(&of(|m| m.x_mm)).0),
        mean_y_mm: Some(mean_sd(&of(|m| m.y_mm)).0),
        mean_x_u_mm: Some(0.4),
        mean_y_u_mm: Some(0.5),
        mean_release_deg: Some(release),
        mean_release_u_own_deg: Some(spread / 5f64.sqrt()),
        mean_release_u_deg: Some((spread * spread / 5.0 + 0.0413).sqrt()),
        spread_release_deg: Some(spread),
        marks,
        pose_rms_px: Some(0.083),
        pose_sheets: vec![1, 2, 3],
        view: None,
        covered_before: None,
        covered_after: None,
    }
}

/// A wall of noise; discs where marks are.
fn wall(
    size: (u32, u32),
    origin: (f64, f64),
    marks: &[&MarkSummary],
    rng: &mut ChaCha8Rng,
) -> pockmark::Result<JpegPicture> {
    let pixels = RgbImage::from_fn(size.0, size.1, |x, y| {
        let shade = 176.0 + 14.0 * (f64::from(x) / 90.0).sin() + rng.random_range(-9.0..9.0);
        let dark: f64 = marks
            .iter()
            .filter_map(|m| {
                let (dx, dy) = (f64::from(x) + origin.0 - m.px_x?, f64::from(y) + origin.1 - m.px_y?);
                let rho = dx.hypot(dy) / (0.5 * PX_PER_MM * m.diameter_mm?);
                Some(1.0 - 0.28 / (1.0 + ((rho - 1.0) / 0.05).exp()))
            })
            .product();
        let v = (shade * dark).clamp(0.0, 255.0);
        Rgb([v as u8, (0.97 * v) as u8, (0.9 * v) as u8])
    });
    JpegPicture::of(&pixels)
}

fn outline(m: &MarkSummary) -> Option<Outline> {
    let (x, y, r) = (m.px_x?, m.px_y?, 0.5 * PX_PER_MM * m.diameter_mm?);
    let points_px = (0..36).map(|k| {
        let (s, c) = (f64::from(k) * 10f64.to_radians()).sin_cos();
        (x + r * c, y + r * s)
    });
    Some(Outline { mark: m.mark, count: m.count, points_px: points_px.collect() })
}

fn picture(volley: &VolleySummary, old: &[MarkSummary], rng: &mut ChaCha8Rng) -> pockmark::Result<VolleyPicture> {
    let range = |f: fn(&MarkSummary) -> Option<f64>| {
        let all: Vec<f64> = volley.marks.iter().filter_map(f).collect();
        (all.iter().copied().fold(f64::INFINITY, f64::min) - 60.0, all.iter().copied().fold(0.0, f64::max) + 60.0)
    };
    let (x, y) = (range(|m| m.px_x), range(|m| m.px_y));
    let size = ((x.1 - x.0).max(280.0), (y.1 - y.0).max(200.0));
    let origin = ((0.5 * (x.0 + x.1 - size.0)).round(), (0.5 * (y.0 + y.1 - size.1)).round());
    let size = (size.0 as u32, size.1 as u32);
    let olds: Vec<&MarkSummary> = old.iter().collect();
    let all: Vec<&MarkSummary> = old.iter().chain(&volley.marks).collect();
    Ok(VolleyPicture {
        volley: volley.volley.clone(),
        after: wall(size, origin, &all, rng)?,
        before: wall(size, origin, &olds, rng)?,
        origin_px: origin,
        step_px: 1.0,
        outlines: volley.marks.iter().filter_map(outline).collect(),
    })
}

fn budgets(study: &Study) -> Vec<Budget> {
    let line = |name: &str, u_deg: f64| BudgetLine { name: name.into(), u_deg };
    let of_point = |setup: &Setup, p: &pockmark::study::LadderPoint| {
        let k = p.setpoint_mps / 22.0;
        let lines = vec![
            line("speed scale", 0.16 / k),
            line("pivot up", 0.11),
            line("arm", 0.06 * k),
            line("lean of the wall", 0.02),
        ];
        let own: f64 = p.u_own_deg;
        Budget {
            setup: setup.clone(),
            setpoint_mps: p.setpoint_mps,
            u_deg: (own * own + lines.iter().map(|l| l.u_deg * l.u_deg).sum::<f64>()).sqrt(),
            coverage: p.coverage(),
            u_own_deg: own,
            lines,
            advice: "Check the speed trap against a timed drop: its scale is the largest part of the shared doubt."
                .into(),
            to_halve: vec![],
        }
    };
    study.ladders.iter().flat_map(|l| l.points.iter().map(|p| of_point(&l.setup, p))).collect()
}

/// Noise, and a little of a lens that bends more than was taken into account.
fn residuals() -> Vec<WallResidual> {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let mut noise = || rng.random_range(-0.1..0.1);
    let mut all = Vec::new();
    for photo in 0..6 {
        for sheet in 0..3 {
            for corner in 0..12 {
                let x_px = 500.0 + 1300.0 * f64::from(sheet) + 110.0 * f64::from(corner % 3) - 60.0 * f64::from(photo);
                let y_px = 500.0 + 520.0 * f64::from((sheet + photo) % 3) + 120.0 * f64::from(corner / 3);
                let bend = 4e-5 * (f64::hypot(x_px - 2016.0, y_px - 1512.0) - 900.0).max(0.0);
                all.push(WallResidual {
                    photo: format!("calibration/near-{}.jpg", photo + 1),
                    sheet: sheet as usize + 1,
                    x_px,
                    y_px,
                    dx_px: noise() + bend * (x_px - 2016.0).signum(),
                    dy_px: noise(),
                });
            }
        }
    }
    all
}

/// Well known amid the sheets, less and less outwards.
fn trust_map() -> TrustMap {
    let (columns, rows, step_mm) = (32, 24, 100.0);
    let u_mm = (0..rows * columns)
        .map(|i| {
            let (x, y) = ((i % columns) as f64 * step_mm - 400.0, (i / columns) as f64 * step_mm - 500.0);
            Some(0.08 + 2.2e-7 * ((x - 1100.0).powi(2) + (y - 500.0).powi(2)))
        })
        .collect();
    TrustMap { x0_mm: -400.0, y0_mm: -500.0, step_mm, columns, rows, u_mm }
}

fn calibration() -> CalibrationSummary {
    let sheet = |number, x_mm, y_mm, turn_deg| WallSheet {
        number,
        x_mm,
        y_mm,
        turn_deg,
        x_u_mm: 0.12,
        y_u_mm: 0.15,
        board: None,
        relief_mm: None,
    };
    let photo = |name: &str, left_out: Option<&str>| WallPhoto {
        photo: format!("calibration/{name}"),
        sha256: "c0ffee".repeat(10) + "c0fe",
        corners: if left_out.is_some() { 0 } else { 118 },
        dropped: 2,
        rms_px: left_out.is_none().then_some(0.081),
        left_out: left_out.map(str::to_string),
    };
    CalibrationSummary {
        camera: Lens {
            width: 4032,
            height: 3024,
            fx: 3100.0,
            fy: 3100.0,
            cx: 2015.5,
            cy: 1511.5,
            k1: 0.05,
            k2: -0.08,
            p1: 0.0,
            p2: 0.0,
            k3: 0.0,
        },
        tripod_pose: None,
        sheets: vec![sheet(1, 0.0, 0.0, 0.12), sheet(2, 2190.4, 0.6, -0.31), sheet(3, 1120.2, 1480.7, 0.05)],
        printed_scale: [1.0012, 0.9996],
        quality: WallQuality {
            rms_px: 0.078,
            unit_u: 1.06,
            corners: 1416,
            lens_terms: ["fx", "cx", "cy", "k1", "k2"].map(String::from).to_vec(),
            photos: vec![
                photo("tripod.jpg", None),
                photo("near-1.jpg", None),
                photo("near-2.jpg", Some("too blurred: corners are 4.1 px wide, at most 2.5 px is good")),
            ],
            tapes: vec![WallTape { sheets: [1, 2], distance_mm: 2190.2, off_mm: -0.2, u_mm: 0.5 }],
            residuals: residuals(),
            trust_map: Some(trust_map()),
            checks: vec![
                Check { what: "tape, sheets 1 and 2".into(), stated_mm: 2190.2, u_mm: 0.5, fitted_mm: 2190.4 },
                Check { what: "bar across".into(), stated_mm: 150.2, u_mm: 0.1, fitted_mm: 150.18 },
                Check { what: "bar down".into(), stated_mm: 199.3, u_mm: 0.1, fitted_mm: 199.92 },
            ],
            ..WallQuality::default()
        },
    }
}

/// The invented session.
fn sample() -> pockmark::Result<(Summary, Vec<VolleyPicture>)> {
    let mut rng = ChaCha8Rng::seed_from_u64(20);
    let (mut volleys, mut pictures, mut shots, mut old) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let mut before = Some("photos/IMG_4100.jpg".to_string());
    for invented in day() {
        let (marks, new) = marks(&invented, &mut rng);
        shots.extend(new);
        let mut volley = volley_summary(&invented, before.as_deref(), marks);
        if volley.volley == "6" {
            volley.status = Status::Look;
            volley.flags = vec![FlagWord::Merged];
            volley.note = "Two balls left one mark that cannot be told apart: look at mark 2.".into();
            volley.marks.remove(2);
            if let Some(m) = volley.marks.get_mut(1) {
                (m.count, m.flags) = (2, vec![FlagWord::Merged]);
            }
        }
        pictures.push(picture(&volley, &old, &mut rng)?);
        old.extend(volley.marks.iter().cloned());
        before = Some(volley.photo.clone());
        volleys.push(volley);
    }
    volleys.push(VolleySummary {
        volley: "15".into(),
        status: Status::Failed,
        note: "The camera moved 34 px since the calibration: photograph the sheets again.".into(),
        flags: vec![FlagWord::CameraMoved],
        photo: "photos/IMG_4115.jpg".into(),
        found: 0,
        mean_x_mm: None,
        mean_y_mm: None,
        mean_release_deg: None,
        mean_release_u_own_deg: None,
        mean_release_u_deg: None,
        spread_release_deg: None,
        marks: vec![],
        pose_rms_px: None,
        pose_sheets: vec![],
        ..volleys[0].clone()
    });
    let options = StudyOptions {
        reference: Some(Setup::new([("pocket", "mid")])),
        speed_shared_rel: vec![0.006],
        ..StudyOptions::default()
    };
    let study = analyse(&shots, &options)?;
    let summary = Summary {
        version: VERSION,
        written_by: format!("pockmark {}", env!("CARGO_PKG_VERSION")),
        title: "Pocket depth, June ladder (an invented session)".into(),
        units: Units::default(),
        measured_on: Some("2026-06-14".into()),
        volleys,
        budgets: budgets(&study),
        study: Some(study),
        study_problem: None,
        linear_checks: vec![],
        calibration: Some(calibration()),
        later_calibrations: vec![],
        mark_shape: Some(MarkShape::plain((40.0, 56.0))),
        exact_inputs: vec!["air.humidity = 50 %".into()],
        assumed_inputs: vec!["No spin was stated: none is assumed, with a doubt of its own in the shared part.".into()],
        looks: vec![],
        notes: vec![],
        files: vec![FileHash { path: "session.toml".into(), sha256: "0123456789abcdef".repeat(4) }],
    };
    Ok((summary, pictures))
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let to = std::env::args().nth(1).ok_or("name the folder to write: report_sample DIR")?;
    let (summary, pictures) = sample()?;
    let html = page(&summary, &pictures)?;
    let results = std::path::Path::new(&to).join("results");
    std::fs::create_dir_all(&results)?;
    std::fs::write(results.join("report.html"), &html)?;
    std::fs::write(results.join("summary.json"), summary.to_json()?)?;
    println!("{to}: {} kB", html.len() / 1000);
    Ok(())
}
