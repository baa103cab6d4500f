//! Which lens took these pictures of a checkerboard?
//!
//! `cargo run --release --example fit_lens -- FILE [TERM ...]` reads JSON with `columns`, `rows` (inner corners), `square_mm`, `width`,
//! `height` (px) and `corners`: for each photo its inner corners row by row, `[x, y]` in px, (0, 0) the centre of the top-left
//! pixel; `null` for a corner that was not seen. It prints the lens as JSON with OpenCV's definitions: fx, fy, cx, cy, k1, k2,
//! p1, p2, k3, `rms_px`, and their standard errors. TERM names the distortion terms to fit (k1 k2 p1 p2 k3; `none`); all five
//! without any.

use std::collections::BTreeMap;
use std::io::Write;
use std::process::ExitCode;

use pockmark::camera::fit::{BoardPoint, fit_lens};
use pockmark::camera::lens::TERMS;
use pockmark::points::PixelPoint;
use pockmark::{Error, Result};
use serde::Deserialize;
use serde_json::{Map, Value, json};

#[derive(Deserialize)]
struct Board {
    columns: usize,
    rows: usize,
    square_mm: f64,
    width: u32,
    height: u32,
    corners: BTreeMap<String, Vec<Option<[f64; 2]>>>,
}

/// Distortion terms by name; all when none is named.
fn terms(names: &[String]) -> Result<Vec<usize>> {
    if names.is_empty() {
        return Ok((4..TERMS.len()).collect());
    }
    names
        .iter()
        .filter(|n| *n != "none")
        .map(|n| match TERMS.iter().position(|t| t == n) {
            Some(k) if k >= 4 => Ok(k),
            _ => Err(Error::usage(format!("{n}: not a distortion term; k1 k2 p1 p2 k3 or none are"))),
        })
        .collect()
}

fn points(board: &Board, name: &str, corners: &[Option<[f64; 2]>]) -> Result<Vec<BoardPoint>> {
    if corners.len() != board.rows * board.columns {
        return Err(Error::input(format!(
            "{name}: {} corners, but the board has {} x {}: write null for those not seen",
            corners.len(),
            board.columns,
            board.rows
        )));
    }
    let at = |i: usize| [i % board.columns, i / board.columns].map(|n| n as f64 * board.square_mm * 1e-3);
    Ok(corners.iter().enumerate().filter_map(|(i, c)| c.map(|[x, y]| (at(i), PixelPoint::new(x, y)))).collect())
}

fn run(args: &[String]) -> Result<String> {
    let [file, names @ ..] = args else {
        return Err(Error::usage("usage: fit_lens FILE [TERM ...]"));
    };
    let text = std::fs::read_to_string(file).map_err(|e| Error::io(file.as_ref(), "read", e))?;
    let board: Board =
        serde_json::from_str(&text).map_err(|e| Error::input(format!("{file}: not corner lists of a board ({e})")))?;
    let sane = board.columns > 0 && board.rows > 0 && board.square_mm > 0.0 && board.width > 1 && board.height > 1;
    if !sane {
        return Err(Error::input(format!("{file}: columns, rows, square_mm, width and height must be above 0")));
    }
    let terms = terms(names)?;
    let photos = board.corners.iter().map(|(n, c)| points(&board, n, c)).collect::<Result<Vec<_>>>()?;
    let fit = fit_lens(board.width, board.height, &photos, &terms)?;
    let mut out = Map::new();
    let mut errors = Map::new();
    for (k, name) in TERMS.iter().enumerate() {
        out.insert(name.to_string(), json!(fit.lens.terms()[k]));
        errors.insert(name.to_string(), json!(fit.standard_errors[k]));
    }
    out.insert("rms_px".into(), json!(fit.rms_px));
    out.insert("standard_errors".into(), Value::Object(errors));
    let per_photo = board.corners.keys().cloned().zip(fit.photo_rms_px.iter().map(|r| json!(r)));
    out.insert("photo_rms_px".into(), Value::Object(per_photo.collect()));
    Ok(format!("{:#}", Value::Object(out)))
}

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    match run(&args) {
        // A reader that has seen enough may close the pipe.
        Ok(text) => match writeln!(std::io::stdout(), "{text}") {
            Ok(()) => ExitCode::SUCCESS,
            Err(_) => ExitCode::FAILURE,
        },
        Err(e) => {
            eprintln!("fit_lens: {e}");
            ExitCode::FAILURE
        }
    }
}
