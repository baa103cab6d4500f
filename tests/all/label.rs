//! Are labels true to size and to the angles, whatever a session holds, and do the commands write what they say?

use std::fs;
use std::path::Path;

use crate::common::pockmark;
use crate::common::report::{calibrated, check_well_formed, empty, session};
use pockmark::report::label::{LabelRow, LabelSheet, LabelSize, LabelText, SHEETS, label_files, labels, labels_pdf};
use pockmark::report::shelf::{entries, shelf_csv, shelf_page};
use pockmark::report::{Summary, page};
use pockmark::study::Setup;

const POINTS_PER_MM: f64 = 72.0 / 25.4;

/// The streams of a PDF, inflated where they are packed, with their dictionaries.
fn streams(pdf: &[u8]) -> Vec<(String, String)> {
    let find = |from: usize, word: &[u8]| pdf[from..].windows(word.len()).position(|w| w == word).map(|i| from + i);
    let mut out = Vec::new();
    let mut at = 0;
    while let Some(start) = find(at, b"\nstream\n") {
        let end = find(start, b"\nendstream").unwrap();
        let from = pdf[..start].windows(4).rposition(|w| w == b" obj").unwrap();
        let dictionary = String::from_utf8_lossy(&pdf[from..start]).into_owned();
        let bytes = &pdf[start + 8..end];
        let content = if dictionary.contains("FlateDecode") {
            miniz_oxide::inflate::decompress_to_vec_zlib(bytes).unwrap()
        } else {
            bytes.to_vec()
        };
        out.push((dictionary, String::from_utf8_lossy(&content).into_owned()));
        at = end;
    }
    out
}

/// The four numbers behind a name, mm.
fn rectangle(text: &str, name: &str) -> [f64; 4] {
    let list = text.split_once(name).unwrap().1.split_once('[').unwrap().1.split_once(']').unwrap().0;
    let all: Vec<f64> = list.split_whitespace().map(|n| n.parse::<f64>().unwrap() / POINTS_PER_MM).collect();
    all.try_into().unwrap()
}

/// Straight lines of a content stream, mm, bottom left origin, that are neither filled nor dashed; all points too.
fn drawn(content: &str) -> (Vec<[f64; 4]>, Vec<(f64, f64)>) {
    let (mut lines, mut points, mut path, mut dashed) = (Vec::new(), Vec::new(), Vec::<(f64, f64)>::new(), false);
    for line in content.lines().take_while(|l| !l.starts_with("BT")) {
        let words: Vec<&str> = line.split_whitespace().collect();
        let n = |i: usize| words[i].parse::<f64>().unwrap() / POINTS_PER_MM;
        match words.last().copied() {
            Some("m" | "l") => path.push((n(0), n(1))),
            Some("c") => path.extend([(n(0), n(1)), (n(2), n(3)), (n(4), n(5))]),
            Some("d") => dashed = !line.trim_start().starts_with("[]"),
            Some("S") if path.len() == 2 && !dashed => lines.push([path[0].0, path[0].1, path[1].0, path[1].1]),
            _ => {}
        }
        if matches!(words.last().copied(), Some("S" | "f" | "f*" | "B" | "n")) {
            points.append(&mut path);
            dashed = false;
        }
    }
    (lines, points)
}

#[test]
fn a_label_is_true_to_size_in_the_pdf() {
    for name in SHEETS.map(|s| s.0) {
        let sheet: LabelSheet = name.parse().unwrap();
        let pdf = labels_pdf(&labels(&session()), &sheet, 3, 1, true).unwrap();
        let whole = String::from_utf8_lossy(&pdf);
        let paper = rectangle(&whole, "/MediaBox");
        assert!(
            (paper[2] - sheet.paper_mm.0).abs() < 0.01 && (paper[3] - sheet.paper_mm.1).abs() < 0.01,
            "{name}: {paper:?}"
        );
        let streams = streams(&pdf);
        let forms: Vec<_> = streams.iter().filter(|s| s.0.contains("/Form")).collect();
        assert_eq!(forms.len(), 2, "each label is there once");
        for (dictionary, content) in &forms {
            let b = rectangle(dictionary, "/BBox");
            assert!(
                (b[2] - sheet.label.width_mm).abs() < 0.01 && (b[3] - sheet.label.height_mm).abs() < 0.01,
                "{name}: {b:?}"
            );
            // All ink but the white ground stays 1.5 mm clear of the label's edges, since printers drift.
            let (_, points) = drawn(content);
            for (x, y) in points.iter().skip(5) {
                let clear = x.min(*y).min(sheet.label.width_mm - x).min(sheet.label.height_mm - y);
                assert!(clear > 1.5, "{name}: ink at {x:.1} {y:.1} mm");
            }
        }
        // Six labels, the first place left out: each corner where the paper has it, measured from the page.
        let places: Vec<(f64, f64)> = streams
            .iter()
            .filter(|s| !s.0.contains("/Form"))
            .flat_map(|s| s.1.lines().filter(|l| l.ends_with(" cm")).map(str::to_string).collect::<Vec<_>>())
            .map(|l| {
                let n: Vec<f64> = l.split_whitespace().filter_map(|w| w.parse().ok()).collect();
                assert_eq!(n[..4], [1.0, 0.0, 0.0, 1.0]);
                (n[4] / POINTS_PER_MM, sheet.paper_mm.1 - n[5] / POINTS_PER_MM - sheet.label.height_mm)
            })
            .collect();
        assert_eq!(places.len(), 6);
        for (i, (x, y)) in places.iter().enumerate() {
            let want = sheet.corner_mm((i + 1) % sheet.count());
            assert!((x - want.0).abs() < 0.01 && (y - want.1).abs() < 0.01, "{name} {i}: {x:.2} {y:.2}, not {want:?}");
        }
    }
}

#[test]
fn the_arms_on_a_label_stand_at_their_true_angles() {
    let texts = labels(&session());
    for sheet in ["a4-8", "a4-21", "letter-10"] {
        let sheet: LabelSheet = sheet.parse().unwrap();
        for text in &texts {
            let pdf = labels_pdf(std::slice::from_ref(text), &sheet, 1, 0, false).unwrap();
            let form = streams(&pdf).into_iter().find(|s| s.0.contains("/Form")).unwrap();
            let mut seen: Vec<f64> = drawn(&form.1)
                .0
                .into_iter()
                .filter(|l| (l[3] - l[1]).abs() > 3.0)
                .map(|[x0, y0, x1, y1]| (x1 - x0).atan2(y1 - y0).to_degrees())
                .collect();
            let mut want: Vec<f64> = text.rows.iter().map(|r| r.mean_deg).collect();
            seen.sort_by(f64::total_cmp);
            want.sort_by(f64::total_cmp);
            assert_eq!(seen.len(), want.len(), "{seen:?}");
            // The PDF rounds to a hundredth of a point over arms of at least 3 mm.
            for (s, w) in seen.iter().zip(&want) {
                assert!((s - w).abs() < 0.15, "an arm at {s:.2} deg, not {w:.2}");
            }
        }
    }
}

#[test]
fn drawings_and_pictures_carry_their_words_and_size() {
    let texts = labels(&calibrated());
    let size = LabelSize { width_mm: 99.1, height_mm: 67.7 };
    let files = label_files(&texts, size).unwrap();
    for (f, text) in files.iter().zip(&texts) {
        assert!(f.svg.starts_with(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"99.1mm\" height=\"67.7mm\" viewBox=\"0 0 99.1 67.7\""
        ));
        assert!(!f.svg.contains("<text") && f.svg.contains(&format!("<title>{}</title>", text.setup)));
        check_well_formed(&format!("<!DOCTYPE html>{}", f.svg));
        let picture = image::load_from_memory(&f.png).unwrap();
        assert_eq!((picture.width(), picture.height()), (1600, 1093));
        let page = rectangle(&String::from_utf8_lossy(&f.pdf), "/MediaBox");
        assert!((page[2] - 99.1).abs() < 0.01 && (page[3] - 67.7).abs() < 0.01);
    }
    assert!(label_files(&texts, LabelSize { width_mm: 20.0, height_mm: 67.7 }).is_err());
    assert!(label_files(&texts, LabelSize { width_mm: f64::NAN, height_mm: 67.7 }).is_err());
    assert!(labels(&empty()).is_empty());
}

#[test]
fn labels_of_any_content_can_be_drawn() {
    let row = |i: usize, mean_deg: f64, half: f64| LabelRow {
        speed: format!("{i} mph"),
        speed_number: i.to_string(),
        angle: format!("{mean_deg:.2}° ± {half:.2}°"),
        mean_deg,
        low_deg: mean_deg - half,
        high_deg: mean_deg + half,
    };
    let text = |setup: &str, rows: Vec<LabelRow>, range_deg: (f64, f64)| LabelText {
        setup: setup.into(),
        speed_unit: "mph",
        rows,
        lets_go: "Lets go at 66.9 mph".into(),
        lets_go_range: "somewhere in a very long and windy range of words without any end".into(),
        behind: "1 shot in 1 volley".into(),
        how: "Measured".into(),
        range_deg,
    };
    let many: Vec<LabelRow> = (0..40).map(|i| row(i, 12.0 + 0.01 * i as f64, 0.3)).collect();
    let wide: Vec<LabelRow> = (0..9).map(|i| row(i, 20.0 * i as f64 - 80.0, 2.0)).collect();
    let evil = "<script>\"'&\u{0}\u{7} \u{202e}مرحبا 球 \u{1f94d} =1+1 ".repeat(9);
    let all = [
        text(&evil, many, (0.0, 15.0)),
        text("wide", wide, (-85.0, 85.0)),
        text("", vec![row(1, f64::NAN, 1.0), row(2, 1e300, 1.0)], (0.0, 15.0)),
        text("none", vec![], (0.0, 15.0)),
    ];
    for name in SHEETS.map(|s| s.0) {
        let sheet: LabelSheet = name.parse().unwrap();
        for f in label_files(&all, sheet.label).unwrap() {
            check_well_formed(&format!("<!DOCTYPE html>{}", f.svg));
            for (dictionary, content) in streams(&f.pdf).iter().filter(|s| s.0.contains("/Form")) {
                let b = rectangle(dictionary, "/BBox");
                for (x, y) in drawn(content).1 {
                    assert!(
                        (-0.01..=b[2] + 0.01).contains(&x) && (-0.01..=b[3] + 0.01).contains(&y),
                        "{name} {}: {x:.1} {y:.1}",
                        f.name
                    );
                }
            }
        }
    }
}

#[test]
fn too_many_and_too_few_are_refused() {
    let texts = labels(&session());
    let sheet = LabelSheet::default();
    for (copies, skip, word) in [
        (0, 0, "at least 1 copy"),
        (1, 8, "leave out fewer"),
        (100_000, 0, "fewer copies"),
        (usize::MAX, 1, "fewer copies"),
    ] {
        let e = labels_pdf(&texts, &sheet, copies, skip, false).unwrap_err().to_string();
        assert!(e.contains(word), "{e}");
    }
    assert!(labels_pdf(&[], &sheet, 1, 0, false).is_err());
}

fn write_session(dir: &Path, summary: &Summary) {
    fs::create_dir_all(dir.join("results")).unwrap();
    fs::write(dir.join("results/summary.json"), summary.to_json().unwrap()).unwrap();
}

#[test]
fn the_commands_write_what_they_say() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    write_session(&at.join("day"), &calibrated());
    let label = pockmark(at, ["label", "day", "--sheet", "letter-10", "--copies", "2"]);
    label.says(0, &[]);
    assert!(label.out.contains("2 labels of 101.6 x 50.8 mm, 10 a page"), "{}", label.out);
    for name in ["labels.pdf", "1-head-h-pocket-mid.pdf", "1-head-h-pocket-mid.svg", "2-head-h-pocket-low.png"] {
        assert!(at.join("day/results/labels").join(name).is_file(), "{name}");
    }
    // No photos: the page is there all the same, and a person is told.
    let report = pockmark(at, ["report", "day"]);
    report.says(3, &[]);
    assert!(report.out.contains("no picture of volley 1, 2, 3, 4, 5, 6"), "{}", report.out);
    assert_eq!(fs::read_to_string(at.join("day/results/report.html")).unwrap(), page(&calibrated(), &[]).unwrap());
    let charts = pockmark(at, ["report", "day", "--charts", "pictures", "--dark"]);
    charts.says(0, &[]);
    assert!(at.join("pictures/ladder.png").is_file() && at.join("pictures/trust.svg").is_file());

    pockmark(at, ["label", "day", "--sheet", "a5"]).says(2, &["no label paper is called", "a4-8"]);
    pockmark(at, ["label", "nowhere"]).says(1, &["there is no folder nowhere", "check the path"]);
    pockmark(at, ["report", "day", "--dark"]).says(2, &[]);
    write_session(&at.join("none"), &empty());
    pockmark(at, ["label", "none"]).says(1, &["nothing to put on a label"]);
    pockmark(at, ["report", "none", "--charts", "x"]).says(1, &["nothing to draw"]);
    fs::write(at.join("none/results/summary.json"), "{\"version\": 99, \"more\": 1}").unwrap();
    pockmark(at, ["report", "none"]).says(1, &["version 99", "measure again"]);
    fs::write(at.join("none/results/summary.json"), "[").unwrap();
    pockmark(at, ["label", "none"]).says(1, &["is no summary"]);
}

#[test]
fn a_shelf_of_500_sessions_is_quick_and_links() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    for i in 0..500 {
        let day = Some(format!("2026-{:02}-{:02}", 1 + i / 42, 1 + i % 28));
        write_session(
            &at.join(format!("year/month {}/day {i}", i / 42)),
            &Summary { measured_on: day, title: format!("Day {i}"), ..session() },
        );
    }
    fs::write(at.join("year/month 0/day 0/results/report.html"), "x").unwrap();
    let began = std::time::Instant::now();
    let shelf = pockmark(at, ["shelf", "year", "--page", "out/shelf.html", "--table", "out/shelf.csv"]);
    let took = began.elapsed();
    shelf.says(0, &[]);
    let html = fs::read_to_string(at.join("out/shelf.html")).unwrap();
    println!("500 sessions: {took:?}, page of {} kB", html.len() / 1000);
    // Measured 0.2 s alone on the machine; the limit only catches what grows with the square.
    assert!(took.as_secs() < 20, "{took:?}");
    assert_eq!(html.matches("<tr data-").count(), 1000);
    let html = html.replace("&#x2f;", "/");
    assert!(html.contains("href=\"../year/month%200/day%200/results/report.html\""));
    let table = fs::read_to_string(at.join("out/shelf.csv")).unwrap();
    assert_eq!(table.lines().count(), 1 + 500 * 6);

    write_session(&at.join("year/broken"), &empty());
    fs::write(at.join("year/broken/results/summary.json"), "{").unwrap();
    let shelf = pockmark(at, ["shelf", "year/broken", "year/month 0/day 1"]);
    shelf.says(3, &[]);
    assert!(
        shelf.out.contains("left out: ")
            && fs::read_to_string(at.join("shelf.html")).unwrap().contains("is no summary")
    );
    // Nothing to show leaves what was shown before.
    let files = || ["shelf.html", "shelf.csv"].map(|n| fs::read(at.join(n)).unwrap());
    let before = files();
    pockmark(at, ["shelf", "year/broken"]).says(1, &["pockmark run", "shelf.html and shelf.csv were not written"]);
    assert!(files() == before);
    pockmark(at, ["shelf", "nothing"]).says(1, &["is no folder"]);
    pockmark(at, ["shelf", "out"]).says(1, &["no session with results"]);
}

#[test]
fn hostile_names_are_text_on_the_shelf_and_no_formula_in_the_table() {
    let evil = "=HYPERLINK(\"http://x\")</script><b>\"'";
    let mut s = session();
    s.title = evil.into();
    s.measured_on = Some("@2026".into());
    let study = s.study.as_mut().unwrap();
    study.ladders[0].setup = Setup::new([(evil, evil), ("session", "+1+1"), ("pocket", "mid")]);
    study.ladders[0].sentence = evil.into();
    let all = entries(&s, "-folder", "a/", (true, true));
    let html = shelf_page(&all, &[evil.into()]).unwrap();
    let body = html.split_once("<script>").unwrap().0.replace(" hidden=\"hidden\"", "");
    check_well_formed(&format!("{body}</body></html>").replace("<option>", "<option value=\"x\">"));
    assert_eq!(html.matches("<script").count(), 1);
    assert!(!html.contains("<b>\"") && html.contains("&lt;b&gt;"));
    let table = shelf_csv(&all).unwrap();
    let mut reader = csv::Reader::from_reader(table.as_slice());
    let header = reader.headers().unwrap().clone();
    assert!(header.iter().any(|h| h == "factor session"), "{header:?}");
    let cells: Vec<String> = header
        .iter()
        .map(str::to_string)
        .chain(reader.records().flat_map(|r| r.unwrap().iter().map(str::to_string).collect::<Vec<_>>()))
        .collect();
    for c in &cells {
        let numeric = c.parse::<f64>().is_ok();
        assert!(numeric || !c.starts_with(['=', '+', '-', '@']), "a formula: {c}");
    }
    assert!(cells.iter().any(|c| c.starts_with("'=HYPERLINK")));
    // Letters beyond ASCII: a spreadsheet is told that it is UTF-8.
    s.title = "Höhe".into();
    assert!(shelf_csv(&entries(&s, "f", "", (false, false))).unwrap().starts_with(b"\xEF\xBB\xBF"));
    assert!(shelf_page(&[], &[]).unwrap().contains("nothing on the shelf"));
}
