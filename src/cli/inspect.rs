//! `pockmark inspect PHOTO...`

use std::path::{Path, PathBuf};

use pockmark::error::counted;
use pockmark::photo::level::{Level, level};
use pockmark::photo::{PhotoExif, decode_gray, read_exif};
use pockmark::sheet::{
    LEAST_CORNERS, SheetGeometry, SheetSet, SheetView, SheetsSeen, TOO_NOISY, find_sheets_thoroughly,
};
use pockmark::{Error, Result};
use serde_json::{Value, json};

use super::{Ended, say};

/// Say what a photo is good for, and which tags and corners it shows
#[derive(clap::Args)]
#[command(after_help = "Example:\n  pockmark inspect calibration/*.jpg\n  pockmark inspect --json photos/IMG_0101.jpg")]
pub struct Args {
    /// Photos to look at
    #[arg(required = true)]
    photos: Vec<PathBuf>,
    /// Write JSON
    #[arg(long)]
    json: bool,
    /// Side of a square of the sheets, mm
    #[arg(long, default_value_t = 60.0, value_name = "MM", allow_negative_numbers = true, value_parser = super::millimetres)]
    square: f64,
}

struct Seen {
    width: u32,
    height: u32,
    exif: PhotoExif,
    level: Level,
    sheets: SheetsSeen,
}

fn look(path: &Path, geometry: &SheetSet) -> Result<Seen> {
    let exif = read_exif(path)?;
    let gray = decode_gray(path, exif.orientation.unwrap_or(1))?;
    let sheets = find_sheets_thoroughly(&gray, geometry);
    Ok(Seen { width: gray.width(), height: gray.height(), level: level(&gray), exif, sheets })
}

/// What is good or bad about it, in a sentence.
fn verdict(s: &Seen) -> String {
    let corners: usize = s.sheets.sheets.iter().map(|v| v.corners.len()).sum();
    let mut words = Vec::new();
    if s.level.white > 0.05 {
        words.push(format!("{:.0} % of it is burnt out: expose less", 100.0 * s.level.white));
    }
    if s.level.mean < 40.0 {
        words.push(format!("dark (mean {:.0} of 255): more light or a longer exposure on the tripod", s.level.mean));
    }
    let blur = s.sheets.sheets.iter().map(|v| v.blur_px).filter(|b| b.is_finite()).fold(0.0, f64::max);
    if blur > 2.5 {
        words.push(format!("edges are blurred by {blur:.1} px: focus again, hold still"));
    }
    match (s.sheets.sheets.len(), corners) {
        (0, _) => words
            .push("no sheet: good for volleys only if the sheets are seen in it, or the camera stands still".into()),
        (n, c) => {
            let lost = s.sheets.sheets.iter().filter(|v| v.lost_its_corners()).count();
            // One among many may be covered.
            if 2 * lost >= n {
                words.push(format!(
                    "{lost} of {} read without {LEAST_CORNERS} corners each: {TOO_NOISY}",
                    counted(n, "sheet")
                ));
            } else if c < LEAST_CORNERS {
                words.push(format!(
                    "{} but only {c} corners: closer, or whole sheets in the picture",
                    counted(n, "sheet")
                ));
            }
        }
    }
    if words.is_empty() { "good for calibration and volleys".into() } else { words.join("; ") }
}

fn as_json(path: &Path, s: &Seen) -> Value {
    let corner = |c: &pockmark::points::PixelPoint| json!([c.x_px, c.y_px]);
    let mut tags: Vec<Value> = Vec::new();
    for t in s.sheets.sheets.iter().flat_map(|v| &v.tags).chain(&s.sheets.stray_tags) {
        tags.push(json!({"id": t.id, "wrong_bits": t.wrong_bits, "corners_px": t.corners.iter().map(corner).collect::<Vec<_>>()}));
    }
    let sheets: Vec<Value> = s
        .sheets
        .sheets
        .iter()
        .map(|v| {
            json!({
                "number": v.number,
                "blur_px": finite(v.blur_px),
                "layout_rms_px": finite(v.layout_rms_px),
                "dropped_corners": v.dropped,
                "corner_u_px": corner_u(v),
                "corners": v.corners.iter().map(|c| json!({
                    "index": c.index, "x_px": c.saddle.point.x_px, "y_px": c.saddle.point.y_px, "u_px": c.saddle.u_px
                })).collect::<Vec<_>>(),
            })
        })
        .collect();
    json!({
        "photo": path.display().to_string(),
        "width_px": s.width,
        "height_px": s.height,
        "make": s.exif.make,
        "model": s.exif.model,
        "lens": s.exif.lens_model,
        "taken": s.exif.taken.as_ref().map(|t| t.local.to_string()),
        "orientation": s.exif.orientation,
        "focal_length_mm": s.exif.focal_length_mm,
        "focal_length_35mm_mm": s.exif.focal_length_35mm_mm,
        "exif_note": s.exif.note,
        "sharpness": s.level.sharpness,
        "mean": s.level.mean,
        "black_share": s.level.black,
        "white_share": s.level.white,
        "tags": tags,
        "sheets": sheets,
        "verdict": verdict(s),
    })
}

/// Root mean square of the corners' standard uncertainties, px.
fn corner_u(v: &SheetView) -> Option<f64> {
    let n = v.corners.len() as f64;
    (n > 0.0).then(|| (v.corners.iter().map(|c| c.saddle.u_px.powi(2)).sum::<f64>() / n).sqrt())
}

fn finite(v: f64) -> Option<f64> {
    v.is_finite().then_some(v)
}

fn as_text(path: &Path, s: &Seen) -> String {
    let mut t = format!("{}: {} x {} px", path.display(), s.width, s.height);
    let camera: Vec<&str> = [s.exif.make.as_deref(), s.exif.model.as_deref()].into_iter().flatten().collect();
    if !camera.is_empty() {
        t += &format!(", {}", camera.join(" "));
    }
    if let Some(when) = &s.exif.taken {
        t += &format!(", {}", when.local);
    }
    if let Some(o) = s.exif.orientation.filter(|o| *o != 1) {
        t += &format!(", turned upright from orientation {o}");
    }
    t += &format!(
        "\n  sharpness {:.2}, mean {:.0} of 255, {:.1} % burnt out\n",
        s.level.sharpness,
        s.level.mean,
        100.0 * s.level.white
    );
    for v in &s.sheets.sheets {
        let ids: Vec<String> = v.tags.iter().map(|t| t.id.to_string()).collect();
        t += &format!("  sheet {}: {} of 6 corners, tags {}", v.number, v.corners.len(), ids.join(" "));
        if v.blur_px.is_finite() {
            t += &format!(", blur {:.1} px", v.blur_px);
        }
        if let Some(u) = corner_u(v) {
            t += &format!(", corners to ± {:.3} px", 2.0 * u);
        }
        if v.dropped > 0 {
            t += &format!(", {} corners rejected (they disagree with the sheet's layout)", v.dropped);
        }
        t += "\n";
    }
    if !s.sheets.stray_tags.is_empty() {
        let ids: Vec<String> = s.sheets.stray_tags.iter().map(|t| t.id.to_string()).collect();
        t += &format!("  single tags without their sheet: {}\n", ids.join(" "));
    }
    t + &format!("  {}\n", verdict(s))
}

pub fn run(args: &Args) -> Result<Ended> {
    if !(args.square.is_finite() && args.square > 0.0) {
        return Err(Error::usage(format!("--square {}: a side in mm above 0 is expected", args.square)));
    }
    let geometry = SheetSet::from(SheetGeometry::of_square(args.square));
    let mut failed = 0;
    let mut list = Vec::new();
    // A camera may be held upright or across.
    let as_held = |s: &Seen| (s.width.max(s.height), s.width.min(s.height));
    let mut sizes: Vec<(u32, u32)> = Vec::new();
    for path in &args.photos {
        let looked = look(path, &geometry);
        if let Ok(s) = &looked
            && !sizes.contains(&as_held(s))
        {
            sizes.push(as_held(s));
        }
        match looked {
            Ok(s) if args.json => list.push(as_json(path, &s)),
            Ok(s) => say(&as_text(path, &s))?,
            Err(e) => {
                failed += 1;
                if args.json {
                    list.push(json!({"photo": path.display().to_string(), "error": e.to_string()}));
                } else {
                    eprintln!("pockmark: {e}");
                }
            }
        }
    }
    if sizes.len() > 1 && !args.json {
        let each: Vec<String> = sizes.iter().map(|(w, h)| format!("{w} x {h}")).collect();
        say(&format!(
            "the photos differ in size ({} px): a calibration holds for one camera at one size, not zoomed or cropped\n",
            each.join(", ")
        ))?;
    }
    if args.json {
        let value = if let [one] = list.as_slice() { one.clone() } else { Value::Array(list) };
        say(&format!("{value:#}\n"))?;
    }
    Ok(if failed > 0 { Ended::Failed } else { Ended::Good })
}
