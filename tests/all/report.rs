//! Is every number on the page the summary's, is any text harmless, and does any session render?

use crate::common::report::*;
use image::{Rgb, RgbImage};
use pockmark::report::model::{FileHash, MarkSummary};
use pockmark::report::{JpegPicture, Summary, page};
use pockmark::session::flags::FlagWord;
use pockmark::session::results::Status;
use pockmark::study::Setup;

/// Reads "−1.60 ± 0.75" back: value, half width, decimals.
fn read(cell: &str) -> (f64, Option<f64>, i32) {
    let plain = cell.replace('\u{2212}', "-");
    let (value, half) = plain.split_once(" ± ").map_or((plain.as_str(), None), |(v, h)| (v, Some(h)));
    let decimals = value.split_once('.').map_or(0, |(_, d)| d.len()) as i32;
    let half = half.map(|h| {
        assert_eq!(h.split_once('.').map_or(0, |(_, d)| d.len()) as i32, decimals, "{cell}");
        h.parse().unwrap()
    });
    (value.parse().unwrap(), half, decimals)
}

/// The cell is the value and half width, rounded to the second digit of the half width at the finest.
fn assert_shows(cell: &str, value: f64, half: f64, finest: i32) {
    let (v, h, d) = read(cell);
    let h = h.unwrap_or_else(|| panic!("no ± in {cell}"));
    let step = 10f64.powi(-d);
    assert!((v - value).abs() <= 0.5001 * step, "{cell} for {value}");
    // Never too small by more than a twentieth, never too large by more than a step.
    assert!(h >= 0.95 * half - 1e-9 && h <= half + step, "{cell} for ± {half}");
    assert!(d <= finest, "{cell}");
    assert!(h / step < 99.5, "{cell}: more digits than ± {half} deserves");
    assert!(d == finest || h / step >= 9.5, "{cell}: fewer digits than ± {half} deserves");
}

#[test]
fn ladder_tables_hold_the_summarys_numbers() {
    let summary = session();
    let html = page(&summary, &[]).unwrap();
    let rows = rows(&html, "ladder");
    let points: Vec<_> = summary.study.iter().flat_map(|s| &s.ladders).flat_map(|l| &l.points).collect();
    assert_eq!((rows.len(), points.len()), (6, 6));
    for (row, p) in rows.iter().zip(points) {
        assert!((read(&row[0]).0 - p.setpoint_mps / MPS_PER_MPH).abs() < 0.0501);
        assert!((read(&row[1]).0 - p.setpoint_mps).abs() < 0.00501);
        assert_shows(&row[2], p.mean_deg, 0.5 * (p.high_deg - p.low_deg), 2);
        assert!((read(&row[3]).0 - 2.0 * p.u_own_deg).abs() < 0.06 * 2.0 * p.u_own_deg + 0.01, "{}", row[3]);
        let spread = row[4].split(' ').next().unwrap();
        assert!((read(spread).0 - p.spread_deg.unwrap()).abs() < 0.051, "{}", row[4]);
        assert_shows(&row[5], p.sideways_deg.unwrap(), 2.0 * p.sideways_u_deg.unwrap(), 2);
        assert_eq!((row[6].parse(), row[7].parse()), (Ok(p.shots), Ok(p.volleys)));
    }
}

#[test]
fn mark_tables_hold_the_summarys_numbers() {
    let summary = session();
    let html = page(&summary, &[picture("2")]).unwrap();
    let rows = rows(&html, "marks");
    let marks: Vec<&MarkSummary> = summary.volleys.iter().flat_map(|v| &v.marks).collect();
    assert_eq!((rows.len(), marks.len()), (18, 18));
    for (row, m) in rows.iter().zip(marks) {
        assert_eq!((row[0].parse(), row[1].parse()), (Ok(m.mark), Ok(m.count)));
        assert_shows(&row[2], m.release_deg.unwrap(), 2.0 * m.release_u_deg.unwrap(), 2);
        assert_shows(&row[4], m.sideways_deg.unwrap(), 2.0 * m.sideways_u_deg.unwrap(), 2);
        assert_shows(&row[5], m.x_mm.unwrap(), 2.0 * m.x_u_mm.unwrap(), 1);
        assert_shows(&row[6], m.y_mm.unwrap(), 2.0 * m.y_u_mm.unwrap(), 1);
        assert_eq!(row[7], "47");
    }
}

#[test]
fn comparison_table_and_verdict_are_the_studys() {
    let summary = session();
    let html = page(&summary, &[]).unwrap();
    let c = &summary.study.as_ref().unwrap().comparisons[0];
    let rows: Vec<_> = rows(&html, "compare").into_iter().filter(|r| r.len() == 5 && r[2].contains('±')).collect();
    let all = std::iter::once(&c.overall).chain(c.points.iter().map(|p| &p.difference));
    for (row, d) in rows.iter().zip(all) {
        assert_shows(row[2].trim_start_matches('+'), d.difference_deg, 0.5 * (d.high_deg - d.low_deg), 2);
    }
    // Overall, three speeds, and the change of the difference with speed.
    assert_eq!(rows.len(), 5);
    let first = html.find("class=\"finding").unwrap();
    assert!(first < html.find("id=\"look\"").unwrap());
    assert!(html.contains(&c.overall.sentence.replace(" -", " \u{2212}")), "{}", c.overall.sentence);
}

#[test]
fn many_findings_are_folded_so_that_looks_stay_near_the_top() {
    let mut summary = session();
    let study = summary.study.as_mut().unwrap();
    let one = study.comparisons[0].clone();
    study.comparisons = (0..21)
        .map(|i| {
            let mut c = one.clone();
            c.overall.sentence = format!("Finding number {i}.");
            c
        })
        .collect();
    let html = page(&summary, &[]).unwrap();
    check_well_formed(&html);
    let opening = &html[html.find("id=\"findings\"").unwrap()..html.find("id=\"look\"").unwrap()];
    let (shown, folded) = opening.split_once("<details>").unwrap();
    assert!((0..8).all(|i| shown.contains(&format!("Finding number {i}."))));
    assert!((8..21).all(|i| folded.contains(&format!("Finding number {i}."))));
    assert!(folded.contains("13 more"));
}

#[test]
fn budget_shares_are_of_variance() {
    let html = page(&session(), &[]).unwrap();
    let rows = rows(&html, "budget");
    // By hand: u 0.5 = hypot(0.3, 0.4); ± at k = 2; shares 36 % and 64 %.
    let words: Vec<Vec<&str>> = rows.iter().map(|r| r.iter().map(String::as_str).collect()).collect();
    assert_eq!(words[0][1], "1.0");
    assert_eq!(words[1][1..], ["0.60", "36"]);
    assert_eq!(words[2][..], ["speed scale", "0.80", "64"]);
    assert!(html.contains("Measure the speed better."));
}

#[test]
fn hostile_text_stays_text() {
    let evil = "<script>alert('x')</script>\"'&<img src=x onerror=y>\u{0}\u{7}{{ 7000001*7 }}{% raw %}#010001\"";
    let mut summary = session();
    summary.title = evil.into();
    summary.study_problem = Some(evil.into());
    summary.notes = vec![evil.into()];
    summary.exact_inputs = vec![evil.into()];
    summary.assumed_inputs = vec![evil.into()];
    summary.written_by = evil.into();
    summary.files[0] = FileHash { path: evil.into(), sha256: evil.into() };
    summary.budgets[0].lines[0].name = evil.into();
    summary.budgets[0].advice = evil.into();
    summary.budgets[0].setup = Setup::new([(evil, evil)]);
    let study = summary.study.as_mut().unwrap();
    study.ladders[0].setup = Setup::new([(evil, evil)]);
    study.ladders[0].sentence = evil.into();
    study.comparisons[0].factor = evil.into();
    study.comparisons[0].overall.sentence = evil.into();
    study.steady.sentence = evil.into();
    for v in &mut summary.volleys {
        (v.volley, v.photo, v.note) = (evil.into(), evil.into(), evil.into());
        v.before = Some(evil.into());
        v.setup = Setup::new([(evil, evil)]);
        v.status = Status::Look;
    }
    let html = page(&summary, &[picture(evil)]).unwrap();
    check_well_formed(&html);
    assert!(html.contains("&lt;script&gt;") && !html.contains("<script") && !html.contains("<img src=x"));
    assert!(!html.contains('\u{0}') && !html.contains("49000007"), "a text was run as a template");
}

#[test]
fn every_kind_of_session_renders() {
    let full = session();
    let hand = {
        let mut s = full.clone();
        for v in &mut s.volleys {
            v.photo.clear();
            v.pose_rms_px = None;
            v.pose_sheets.clear();
            v.marks.iter_mut().for_each(|m| (m.px_x, m.px_y, m.diameter_mm) = (None, None, None));
        }
        s
    };
    let no_comparison = {
        let mut s = full.clone();
        let study = s.study.as_mut().unwrap();
        study.comparisons.clear();
        study.smallest_seen_deg = None;
        s
    };
    let failed = {
        let mut s = Summary { study_problem: Some("No volley could be solved.".into()), ..full.clone() };
        s.study = None;
        for v in &mut s.volleys {
            v.status = Status::Failed;
            v.flags = vec![FlagWord::CameraMoved];
            v.marks.clear();
            v.mean_release_deg = None;
            (v.mean_x_mm, v.mean_y_mm, v.setpoint_mps, v.speed_mps) = (None, None, None, None);
        }
        s
    };
    let nameless = {
        let mut s = full.clone();
        s.title = " ".into();
        s.volleys.iter_mut().for_each(|v| v.setup = Setup::default());
        s
    };
    for (what, s) in [
        ("full", &full),
        ("hand", &hand),
        ("no comparison", &no_comparison),
        ("failed", &failed),
        ("nameless", &nameless),
        ("empty", &empty()),
    ] {
        let html = page(s, &[]).unwrap_or_else(|e| panic!("{what}: {e}"));
        check_well_formed(&html);
        let html_with = page(s, &[picture("1"), picture("none of these")]).unwrap();
        check_well_formed(&html_with);
    }
    let html = page(&failed, &[]).unwrap();
    assert!(html.contains("No volley could be solved.") && html.contains(FlagWord::CameraMoved.meaning()));
    assert_eq!(
        html.matches("<span class=\"badge failed\">").count(),
        12,
        "six in the list at the top, six beside their volleys"
    );
    assert!(page(&full, &[]).unwrap().contains("Nothing needs a look."));
    assert!(page(&hand, &[]).unwrap().contains("measured by hand"));
    // Without comparisons the ladders' sentences open the page.
    let html = page(&no_comparison, &[]).unwrap();
    let sentence = no_comparison.study.as_ref().unwrap().ladders[1].sentence.replace(" -", " \u{2212}");
    assert!(html.find(&sentence).unwrap() < html.find("id=\"look\"").unwrap());
}

#[test]
fn numbers_beyond_reason_do_not_stop_the_page() {
    for bad in [f64::NAN, f64::INFINITY, -1e300, 0.0, 1e-300] {
        let mut s = session();
        for v in &mut s.volleys {
            v.mean_x_mm = Some(bad);
            v.speed_mps = Some(bad);
            v.setpoint_mps = Some(bad);
            for m in &mut v.marks {
                (m.x_mm, m.y_mm, m.release_deg, m.release_u_deg) = (Some(bad), Some(bad), Some(bad), Some(bad));
                (m.px_x, m.px_y) = (Some(bad), Some(bad));
            }
        }
        s.budgets[0].u_deg = bad;
        s.budgets[0].lines[0].u_deg = bad;
        let study = s.study.as_mut().unwrap();
        study.matters_deg = bad;
        for p in study.ladders.iter_mut().flat_map(|l| &mut l.points) {
            (p.setpoint_mps, p.mean_deg, p.low_deg, p.high_deg, p.monotone_deg) = (bad, bad, bad, bad, bad);
        }
        study.comparisons[0].overall.low_deg = bad;
        study.comparisons[0].overall.difference_deg = bad;
        let mut p = picture("1");
        p.step_px = bad;
        check_well_formed(&page(&s, &[p]).unwrap());
    }
}

#[test]
fn pictures_carry_their_outlines_where_the_photo_has_them() {
    let html = page(&session(), &[picture("1")]).unwrap();
    assert_eq!(html.matches("data:image/jpeg;base64,/9j/").count(), 2, "after and before");
    // By hand: photo (148, 100) less the origin (80, 60) at step 1, and half a pixel to the pixel's middle.
    assert!(html.contains("d=\"M68.5 40.5L"), "the first point of the outline");
    let mut coarse = picture("1");
    coarse.step_px = 2.0;
    assert!(page(&session(), &[coarse]).unwrap().contains("d=\"M34.5 20.5L"));
    let mut nothing = picture("1");
    nothing.after = JpegPicture::of(&RgbImage::new(0, 0)).unwrap();
    nothing.before = JpegPicture::of(&RgbImage::new(0, 5)).unwrap();
    assert!(!page(&session(), &[nothing]).unwrap().contains("data:image"));
}

#[test]
fn each_picture_stays_small() {
    let mut big = picture("1");
    let wide = RgbImage::from_fn(3000, 2000, |x, y| Rgb([(x % 256) as u8, (y % 256) as u8, 128]));
    big.after = JpegPicture::of(&wide).unwrap();
    let html = page(&session(), &[big]).unwrap();
    assert!(html.contains("viewBox=\"0 0 3000 2000\"") && html.len() < 1_500_000, "{} bytes", html.len());
}

#[test]
fn tables_and_charts_speak() {
    let html = page(&session(), &[picture("1")]).unwrap();
    assert_eq!(html.matches("<table").count(), html.matches("<caption>").count());
    assert_eq!(html.matches("<h1").count(), 1);
    for svg in html.split("<svg").skip(1) {
        let svg = svg.split("</svg>").next().unwrap();
        assert!(svg.contains("aria-hidden=\"true\"") || (svg.contains("role=\"img\"") && svg.contains("<title")));
    }
    for image in html.split("<img").skip(1) {
        assert!(image.split('>').next().unwrap().contains("alt=\"The same part"));
    }
    // No colour of the drawing library is left: all are the page's own.
    assert!(!html.contains("=\"#0"), "a fixed colour in a chart");
}
