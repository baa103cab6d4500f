//! `pockmark calibrate SESSION`

use std::path::{Path, PathBuf};

use pockmark::Result;
use pockmark::camera::{Calibration, Wall};
use pockmark::error::counted;
use pockmark::pipeline::{calibrate_again, calibrate_session, later_numbers, write_wall};
use pockmark::session::Session;
use pockmark::session::lock::Work;

use super::{Ended, locked, progress, say};

/// Find lens and wall from the photos of the sheets; writes wall.json
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark calibrate garage\nReads calibration/ and session.toml. Camera, zoom or sheets changed in the middle of the day: photograph the sheets again into calibration-2/ and repeat it."
)]
pub struct Args {
    /// The session's folder
    session: PathBuf,
    /// Write JSON (the content of wall.json)
    #[arg(long)]
    json: bool,
}

/// Calibrates and writes; what a person wants to know.
pub fn calibrate(session: &Session) -> Result<(Wall, Calibration, PathBuf)> {
    let (wall, calibration) = calibrate_session(session, &progress)?;
    let path = write_wall(session, 1, &wall)?;
    Ok((wall, calibration, path))
}

/// Calibrates again from the photos of `calibration-N/`, in the first one's frame, and writes.
pub fn again(session: &Session, number: u32, first: &Wall) -> Result<(Wall, Calibration, PathBuf)> {
    let (wall, calibration) = calibrate_again(session, number, first, &progress)?;
    let path = write_wall(session, number, &wall)?;
    Ok((wall, calibration, path))
}

/// Without a minus before a zero.
fn tidy(mm: f64) -> f64 {
    if mm.abs() < 0.05 { 0.0 } else { mm }
}

/// What a person wants to know of a calibration.
pub fn describe(wall: &Wall, c: &Calibration, path: &Path) -> String {
    let used = c.photos.iter().filter(|p| p.left_out.is_none()).count();
    let mut t =
        format!("{used} of {} photos used, {} corners; residual {:.3} px RMS\n", c.photos.len(), c.corners, c.rms_px);
    for p in &c.photos {
        match &p.left_out {
            Some(why) => t += &format!("  left out {}: {why}\n", p.name),
            None if p.dropped > 0 => t += &format!("  {}: {} dropped\n", p.name, counted(p.dropped, "corner")),
            None => {}
        }
    }
    t += &format!(
        "lens: focal length {:.1} ± {:.1} px, terms {}\n",
        c.lens.fx,
        2.0 * c.lens_u[0],
        c.lens_terms.join(" ")
    );
    t += &format!(
        "printed scale: {:.2} ± {:.2} % across, {:.2} ± {:.2} % down\n",
        100.0 * c.scale[0].0,
        200.0 * c.scale[0].1,
        100.0 * c.scale[1].0,
        200.0 * c.scale[1].1
    );
    t += "sheets (crosses, mm from the origin, ± at 95 %):\n";
    for s in &c.sheets {
        let board = if s.kind == 0 {
            String::new()
        } else {
            format!(", {:.2} % of its stated size across, {:.2} % down", 100.0 * s.scale[0], 100.0 * s.scale[1])
        };
        t += &format!(
            "  {:>2}: {:>8.1} ± {:.1} right, {:>8.1} ± {:.1} up, turned {:+.2} deg{board}\n",
            s.number,
            tidy(1e3 * s.x_m),
            2e3 * s.u_m[0],
            tidy(1e3 * s.y_m),
            2e3 * s.u_m[1],
            s.turn_rad.to_degrees()
        );
    }
    let worst = c.tape_checks.iter().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    t += &match worst {
        Some((tape, off)) => format!(
            "largest tape disagreement: sheets {} and {}: measured {:.1} mm, {:+.1} mm from the adjusted distance\n",
            tape.sheets[0],
            tape.sheets[1],
            1e3 * tape.distance_m,
            1e3 * off
        ),
        None => "no tape distance was stated: the scale rests on the printed bars alone\n".into(),
    };
    let looks = wall.needs_look();
    t += &format!("{}\n", c.advice.told(needs_look(wall, c)));
    for w in looks {
        t += &format!("look: {w}\n");
    }
    t + &format!("wrote {}\n", path.display())
}

/// Whether a person should look: photos left out, or what the calibration itself says.
pub fn needs_look(wall: &Wall, c: &Calibration) -> bool {
    !wall.needs_look().is_empty() || c.photos.iter().any(|p| p.left_out.is_some())
}

pub fn run(args: &Args) -> Result<Ended> {
    let (_lock, session) = locked(&args.session, Work::Run, "calibrate", Session::open)?;
    let first = calibrate(&session)?;
    let mut all = Vec::new();
    for number in later_numbers(&session) {
        all.push(again(&session, number, &first.0)?);
    }
    all.insert(0, first);
    if args.json {
        // One calibration as its file; several as a list of them.
        match all.as_slice() {
            [one] => say(&one.0.to_json()?)?,
            _ => {
                let texts = all.iter().map(|(w, ..)| w.to_json()).collect::<Result<Vec<_>>>()?;
                say(&format!("[\n{}]\n", texts.join(",\n")))?;
            }
        }
    } else {
        for (wall, calibration, path) in &all {
            say(&describe(wall, calibration, path))?;
        }
    }
    Ok(if all.iter().any(|(w, c, _)| needs_look(w, c)) { Ended::NeedsLook } else { Ended::Good })
}
