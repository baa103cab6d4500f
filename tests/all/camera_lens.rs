//! Does the adjustment fit the lens that OpenCV fits to the corners of real photographs?

use std::path::PathBuf;

use pockmark::camera::fit::{BoardPoint, fit_lens};
use pockmark::points::PixelPoint;
use serde_json::Value;

/// Corner lists of real photographs, and the fits to them; `None` where the folder is not there.
fn chessboard() -> Option<Value> {
    let folder = std::env::var_os("POCKMARK_SHARED")
        .map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared"), PathBuf::from);
    let path = folder.join("references/chessboard_corners.json");
    let Ok(text) = std::fs::read_to_string(&path) else {
        println!("skipped: {} is not there", path.display());
        return None;
    };
    Some(serde_json::from_str(&text).unwrap())
}

fn photos(v: &Value) -> Vec<Vec<BoardPoint>> {
    let columns = v["columns"].as_u64().unwrap() as usize;
    let square = 1e-3 * v["square_mm"].as_f64().unwrap();
    let point = |(i, c): (usize, &Value)| {
        let at = [(i % columns) as f64 * square, (i / columns) as f64 * square];
        (at, PixelPoint::new(c[0].as_f64().unwrap(), c[1].as_f64().unwrap()))
    };
    let lists = v["corners"].as_object().unwrap().values();
    lists.map(|l| l.as_array().unwrap().iter().enumerate().map(point).collect()).collect()
}

#[test]
fn real_chessboard_corners_give_the_published_fit() {
    let Some(v) = chessboard() else { return };
    // Source: chessboard_corners.json, fits by OpenCV 4.12 calibrateCamera; fx, fy, cx, cy, RMS are copied here.
    for (name, terms, literal) in [
        ("k1k2p1p2k3", &[4, 5, 6, 7, 8][..], [532.827_222_7, 532.945_987_3, 342.486_822_5, 233.855_742_7, 0.195_419_3]),
        ("k1k2", &[4, 5], [533.106_013_2, 533.457_990_4, 342.442_287_5, 233.204_387_1, 0.204_169_2]),
    ] {
        let fit = fit_lens(640, 480, &photos(&v), terms).unwrap();
        let got = [fit.lens.fx, fit.lens.fy, fit.lens.cx, fit.lens.cy, fit.rms_px];
        for (g, w) in got.iter().zip(literal) {
            assert!((g / w - 1.0).abs() < 1e-5, "{name}: {got:?}, expected {literal:?}");
        }
        let want = &v["fits"][name];
        let errors = &want["standard_errors_fx_fy_cx_cy_k1_k2_p1_p2_k3"];
        let d = &want["k1_k2_p1_p2_k3"];
        for k in 0..9 {
            let u = errors[k].as_f64().unwrap();
            assert!((fit.standard_errors[k] - u).abs() <= 0.05 * u, "{name}: standard error {k}");
            if k >= 4 {
                let off = (fit.lens.terms()[k] - d[k - 4].as_f64().unwrap()).abs();
                assert!(off <= 0.02 * u + 1e-12, "{name}: term {k} is {off} off");
            }
        }
        for (mine, theirs) in fit.photo_rms_px.iter().zip(want["per_view_rms_px"].as_object().unwrap().values()) {
            assert!((mine / theirs.as_f64().unwrap() - 1.0).abs() < 1e-3, "{name}: {mine}, {theirs}");
        }
    }
}

#[test]
fn too_little_is_refused_with_a_sentence() {
    let one = vec![vec![([0.0, 0.0], PixelPoint::new(1.0, 1.0)); 6]];
    assert!(fit_lens(640, 480, &one, &[]).unwrap_err().to_string().contains("at least two"));
    let few = vec![vec![([0.0, 0.0], PixelPoint::new(1.0, 1.0)); 6], Vec::new()];
    assert!(fit_lens(640, 480, &few, &[]).unwrap_err().to_string().contains("photo 2 has 0 corners"));
    let flat = vec![vec![([0.0, 0.0], PixelPoint::new(1.0, 1.0)); 6]; 3];
    assert!(fit_lens(640, 480, &flat, &[]).unwrap_err().to_string().contains("do not determine the lens"));
}
