//! Do the sheets come out of the PDF as the design says, and are the ready ones what the program draws?

use std::path::{Path, PathBuf};
use std::process::Command;

use pockmark::ErrorKind;
use pockmark::sheet::draw::{Paper, SHEETS_IN_FAMILY, SheetSpec, sheets_pdf};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn ready(name: &str) -> PathBuf {
    root().join("calibration").join(name)
}

/// After a wanted change of the drawing: `POCKMARK_WRITE_SHEETS=1 cargo test --test all sheet_draw::` writes them anew.
#[test]
fn the_ready_sheets_are_what_the_program_draws() {
    for (paper, name) in [(Paper::A4, "sheets-a4.pdf"), (Paper::Letter, "sheets-letter.pdf")] {
        let drawn = sheets_pdf(&SheetSpec { paper, ..SheetSpec::default() }).unwrap();
        if std::env::var_os("POCKMARK_WRITE_SHEETS").is_some() {
            std::fs::write(ready(name), &drawn).unwrap();
        }
        let kept = std::fs::read(ready(name)).unwrap();
        assert!(kept == drawn, "calibration/{name} is not what the program draws now");
    }
}

#[test]
fn pages_have_the_papers_true_size() {
    // Source: A4 is 210 x 297 mm (ISO 216), Letter 612 x 792 points.
    for (paper, size) in [(Paper::A4, [595.275_6, 841.889_8]), (Paper::Letter, [612.0, 792.0])] {
        let pdf = sheets_pdf(&SheetSpec { paper, count: 3, ..SheetSpec::default() }).unwrap();
        let text = String::from_utf8_lossy(&pdf);
        let boxes: Vec<Vec<f64>> = text
            .split("/MediaBox [")
            .skip(1)
            .map(|rest| rest.split(']').next().unwrap().split_whitespace().map(|n| n.parse().unwrap()).collect())
            .collect();
        assert_eq!(boxes.len(), 3, "one page a sheet");
        for b in boxes {
            assert!((b[2] - size[0]).abs() < 1e-3 && (b[3] - size[1]).abs() < 1e-3, "{b:?}");
        }
    }
}

/// Every path operand and text position of a page, in points from the bottom left.
fn coordinates(pdf: &[u8]) -> Vec<(f64, f64)> {
    let text = String::from_utf8_lossy(pdf);
    text.lines()
        .filter_map(|line| {
            let words: Vec<&str> = line.split_whitespace().collect();
            let numbers: Vec<f64> = words.iter().filter_map(|w| w.parse().ok()).collect();
            match words.last() {
                Some(&("m" | "l")) if numbers.len() == 2 => Some((numbers[0], numbers[1])),
                Some(&"Tm") if numbers.len() == 6 => Some((numbers[4], numbers[5])),
                _ => None,
            }
        })
        .collect()
}

#[test]
fn nothing_is_drawn_outside_the_printable_margin() {
    let mut specs: Vec<SheetSpec> =
        [Paper::A4, Paper::Letter].map(|paper| SheetSpec { paper, count: 1, ..SheetSpec::default() }).to_vec();
    for paper in [Paper::A3, Paper::Tabloid, Paper::Poster] {
        let square_mm = paper.largest_square_mm().min(200.0);
        specs.push(SheetSpec { paper, count: 1, square_mm, ..SheetSpec::default() });
    }
    for spec in specs {
        let points = coordinates(&sheets_pdf(&spec).unwrap());
        assert!(points.len() > 100, "{} coordinates read", points.len());
        let (width_mm, height_mm) = spec.paper.size_mm(spec.square_mm);
        for (x, y) in points {
            let (x_mm, y_mm) = (x * 25.4 / 72.0, y * 25.4 / 72.0);
            let edge_mm = x_mm.min(y_mm).min(width_mm - x_mm).min(height_mm - y_mm);
            assert!(edge_mm >= 5.0 - 1e-3, "{spec:?}: ({x_mm:.2}, {y_mm:.2}) mm is {edge_mm:.2} mm from the edge");
        }
    }
}

#[test]
fn lengths_on_the_page_are_the_designs() {
    let has = |points: &[(f64, f64)], x_mm: f64, y_mm: f64| {
        points.iter().any(|&(x, y)| (x * 25.4 / 72.0 - x_mm).abs() < 2e-3 && (y * 25.4 / 72.0 - y_mm).abs() < 2e-3)
    };
    for (paper, width_mm, height_mm) in [(Paper::A4, 210.0, 297.0), (Paper::Letter, 215.9, 279.4)] {
        let p = coordinates(&sheets_pdf(&SheetSpec { paper, count: 1, ..SheetSpec::default() }).unwrap());
        let (left, top) = (width_mm / 2.0 - 90.0, height_mm - 10.0);
        // Source: the sheet's layout: board corner, cross (90, 252) with 8 mm arms, bars at v = 260 and u = 186; lines 0.3 mm.
        for (u, v) in
            [(0.0, 0.0), (180.0, 60.0), (67.5, 7.5), (82.0, 252.15), (98.0, 251.85), (90.15, 244.0), (89.85, 260.0)]
        {
            assert!(has(&p, left + u, top - v), "{paper:?}: nothing at ({u}, {v})");
        }
        for (u, v) in
            [(14.85, 258.0), (15.15, 262.0), (164.85, 258.0), (165.15, 262.0), (184.0, 19.85), (188.0, 220.15)]
        {
            assert!(has(&p, left + u, top - v), "{paper:?}: no tick at ({u}, {v})");
        }
    }
}

#[test]
fn a_request_that_cannot_be_drawn_says_what_can() {
    let standard = SheetSpec::default();
    let cases = [
        (SheetSpec { count: 0, ..standard }, "at least 1"),
        (SheetSpec { first: 0, ..standard }, "1 to 97"),
        (SheetSpec { first: 90, count: 9, ..standard }, "1 to 97"),
        (SheetSpec { first: usize::MAX, ..standard }, "1 to 97"),
        (SheetSpec { square_mm: 70.0, ..standard }, "up to 60.3 mm"),
        (SheetSpec { square_mm: 5.0, ..standard }, "20 to 1000 mm"),
        (SheetSpec { square_mm: f64::NAN, ..standard }, "20 to 1000 mm"),
        (SheetSpec { square_mm: f64::INFINITY, paper: Paper::Poster, ..standard }, "20 to 1000 mm"),
    ];
    for (spec, words) in cases {
        let e = sheets_pdf(&spec).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::Usage);
        assert!(e.to_string().contains(words), "{spec:?}: {e}");
    }
    assert_eq!(SHEETS_IN_FAMILY, 97);
    assert!(sheets_pdf(&SheetSpec { first: 97, count: 1, ..standard }).is_ok());
    assert!(sheets_pdf(&SheetSpec { paper: Paper::Poster, square_mm: 1000.0, count: 1, ..standard }).is_ok());
    assert!("a4".parse::<Paper>().is_ok() && "LETTER".parse::<Paper>().is_ok());
    assert!("a9".parse::<Paper>().unwrap_err().to_string().contains("poster"));
}

/// Another program renders the sheets and reads every tag. Needs an interpreter with `opencv` and `pypdfium2`, named by
/// the caller: `POCKMARK_PYTHON=python3 cargo test --test all sheet_draw::`.
#[test]
fn opencv_reads_every_tag_of_every_page() {
    let Some(python) = std::env::var_os("POCKMARK_PYTHON") else {
        println!("skipped: POCKMARK_PYTHON names no Python with opencv and pypdfium2");
        return;
    };
    let script = root().join("tests/cross/sheets_opencv.py");
    let folder = tempfile::tempdir().unwrap();
    let poster = folder.path().join("poster.pdf");
    let spec = SheetSpec { paper: Paper::Poster, square_mm: 90.0, first: 96, count: 2 };
    std::fs::write(&poster, sheets_pdf(&spec).unwrap()).unwrap();
    let run = |args: &[&Path]| {
        let out = Command::new(&python).arg(&script).args(args).output().unwrap();
        print!("{}", String::from_utf8_lossy(&out.stdout));
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    };
    run(&[Path::new("codes"), &root().join("src/sheet/tag36h11.rs")]);
    for name in ["sheets-a4.pdf", "sheets-letter.pdf"] {
        run(&[Path::new("pdf"), &ready(name), Path::new("60"), Path::new("1")]);
    }
    run(&[Path::new("pdf"), &poster, Path::new("90"), Path::new("96")]);
}
