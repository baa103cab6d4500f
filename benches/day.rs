//! What does a photo of 12 megapixels cost, beside its own decoding?
//!
//! `cargo bench --bench day`. The demonstration's day is rendered once at 4000 x 3000 pixels (into the target folder) and written as phones write
//! photos: quality 92, colours at half the size. Then it is decoded to luma alone, calibrated and run, all in this process on one thread.
//! Every figure is processor time, in ms a photo and as a ratio to decoding; peak memory is the system's. With `POCKMARK_PYTHON` naming an interpreter with OpenCV, a plain pipeline of that
//! library (decode, align at quarter size, difference, components) runs on the same photos.

use std::path::{Path, PathBuf};
use std::time::Instant;

use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use pockmark::camera::Wall;
use pockmark::marks::{Pair, find_things, reduce};
use pockmark::photo::decode::{forget_spare, let_go};
use pockmark::photo::{decode_gray, decode_rgb};
use pockmark::pipeline::pictures::Pictures;
use pockmark::pipeline::place::{PlacedPhoto, Reference, place_photo};
use pockmark::pipeline::run::conclude;
use pockmark::pipeline::{Day, calibrate_session, write_results};
use pockmark::render::Scenario;
use pockmark::session::Session;
use pockmark::session::review::Decisions;
use pockmark::{Error, Result};

/// Photos twice as large as the demonstration's.
const SCALE: f64 = 2.0;
const SEED: u64 = 12;
/// What phones usually write (common practice, no source).
const QUALITY: u8 = 92;
/// Photo pixels a cell's side, and a mark's radius in cells, of this day's grid.
const GRID_PX: usize = 5;
const RADIUS_CELLS: f64 = 3.7;
/// Rounds of what is quick; the best counts.
const ROUNDS: usize = 3;

/// Processor time of all threads so far, ms; by the clock where the system does not tell.
fn cpu_ms(start: Instant) -> f64 {
    let of_task = |t: std::fs::DirEntry| -> Option<f64> {
        std::fs::read_to_string(t.path().join("schedstat")).ok()?.split(' ').next()?.parse().ok()
    };
    let tasks = std::fs::read_dir("/proc/self/task").ok();
    let all: Option<f64> = tasks.and_then(|t| t.flatten().map(of_task).sum());
    all.map_or(start.elapsed().as_secs_f64() * 1e3, |ns| ns * 1e-6)
}

/// A clock that starts anew with each reading.
struct Laps(Instant, f64);

impl Laps {
    fn new() -> Self {
        let start = Instant::now();
        Self(start, cpu_ms(start))
    }

    fn ms(&mut self) -> f64 {
        let now = cpu_ms(self.0);
        now - std::mem::replace(&mut self.1, now)
    }
}

/// Largest memory held since the last call, MB, where the system tells.
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let peak =
        status.lines().find_map(|l| l.strip_prefix("VmHWM:")?.trim().strip_suffix(" kB")?.trim().parse::<f64>().ok());
    // What has been held so far is forgotten.
    let _ = std::fs::write("/proc/self/clear_refs", "5");
    peak.map(|kb| kb / 1024.0)
}

fn photos(folder: &Path) -> Result<Vec<PathBuf>> {
    let list = std::fs::read_dir(folder).map_err(|e| Error::io(folder, "read", e))?;
    let mut all: Vec<PathBuf> =
        list.flatten().map(|e| e.path()).filter(|p| p.extension().is_some_and(|x| x == "jpg")).collect();
    all.sort();
    Ok(all)
}

/// Least time of some rounds of decoding, ms a photo.
fn decode_ms(list: &[PathBuf], decode: impl Fn(&Path) -> Result<()>) -> Result<f64> {
    let mut least = f64::INFINITY;
    for _ in 0..ROUNDS {
        let mut laps = Laps::new();
        for p in list {
            decode(p)?;
        }
        least = least.min(laps.ms());
    }
    Ok(least / list.len().max(1) as f64)
}

/// The rendered day, made when it is not there yet.
fn rendered() -> Result<PathBuf> {
    let dir = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("day-{SEED}-{SCALE}-half-colour"));
    let whole = dir.join("whole");
    if whole.is_file() {
        return Ok(dir);
    }
    println!("rendering a day into {} (once)", dir.display());
    let scenario = Scenario::demo(SEED).with_photo_scale(SCALE);
    // Rendering may have all cores.
    let all = rayon::ThreadPoolBuilder::new().build().map_err(no_thread)?;
    all.install(|| scenario.write_flown(&dir))?;
    for photo in photos(&dir.join("photos"))?.iter().chain(&photos(&dir.join("calibration"))?) {
        halve_colours(photo)?;
    }
    std::fs::write(&whole, "").map_err(|e| Error::io(&whole, "write", e))?;
    // Until the other threads have ended: what they took is no longer told then.
    drop(all);
    std::thread::sleep(std::time::Duration::from_secs(1));
    Ok(dir)
}

/// Writes a photo anew with its colours at half the size, as phones do; the renderer's own have them at full size.
fn halve_colours(path: &Path) -> Result<()> {
    let failed = |e: &dyn std::fmt::Display| Error::no_answer(format!("{}: {e}", path.display()));
    let file = std::fs::read(path).map_err(|e| Error::io(path, "read", e))?;
    let about = exif::Reader::new().read_from_container(&mut std::io::Cursor::new(&file)).map_err(|e| failed(&e))?;
    // As it lies in the file: the Exif block goes with it.
    let rgb = decode_rgb(path, 1)?;
    let size = |n: u32| u16::try_from(n).map_err(|e| failed(&e));
    let mut out = Vec::new();
    let mut encoder = Encoder::new(&mut out, QUALITY);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    encoder.add_exif_metadata(about.buf()).map_err(|e| failed(&e))?;
    let (w, h) = (size(rgb.width())?, size(rgb.height())?);
    encoder.encode(&rgb, w, h, ColorType::Rgb).map_err(|e| failed(&e))?;
    std::fs::write(path, out).map_err(|e| Error::io(path, "write", e))
}

fn no_thread(e: rayon::ThreadPoolBuildError) -> Error {
    Error::no_answer(format!("no thread to work with: {e}"))
}

fn main() -> Result<()> {
    rayon::ThreadPoolBuilder::new().num_threads(1).build_global().map_err(no_thread)?;
    let dir = rendered()?;
    let session = Session::open(&dir)?;
    let (volleys, sheets) = (photos(&session.paths.photos())?, photos(&dir.join("calibration"))?);
    let gray = |p: &Path| decode_gray(p, 1).map(|_| ());
    let luma = decode_ms(&volleys, gray)?;
    // Into the memory of the photo before, as a run does.
    let colour = decode_ms(&volleys, |p| decode_rgb(p, 1).map(let_go))?;
    forget_spare();
    println!(
        "{} photos of volleys, {} of the sheets; decoding to luma {luma:.0} ms a photo",
        volleys.len(),
        sheets.len()
    );
    peak_mb();
    let mut laps = Laps::new();
    let (wall, _) = calibrate_session(&session, &|_| {})?;
    let calibrate = laps.ms();
    let calibrate_mb = peak_mb();

    let n = volleys.len() as f64;
    let mut stages: Vec<(&str, f64)> = vec![("decode to colour", colour)];
    let pairing = session.pair_photos()?;
    laps.ms();
    let mut day = Day::new(&session, &wall)?;
    day.follow(&pairing.volleys, &|_| {});
    stages.push(("place, compare, cut out what changed", laps.ms() / n - colour));
    day.learn(&|_| {})?;
    stages.push(("learn the marks' looks, judge", laps.ms() / n));
    let pictures = Pictures::default();
    let outcome = conclude(day.known(), &Decisions::default(), &pairing.notes, &pictures, &|_| {});
    stages.push(("measure, study, cut pictures", laps.ms() / n));
    write_results(&session, &outcome)?;
    stages.push(("draw the page, write", laps.ms() / n));
    let run_mb = peak_mb();

    let parts = comparison(&session, &wall, &volleys, colour)?;
    let total: f64 = stages.iter().map(|s| s.1).sum();
    println!("\n{:<40} {:>9} {:>7} {:>8}", "stage", "ms/photo", "share", "x decode");
    for (name, ms) in &stages {
        println!("{name:<40} {ms:>9.0} {:>6.0}% {:>8.2}", 100.0 * ms / total, ms / luma);
        if name.starts_with("place") {
            for (name, ms) in &parts {
                println!("  {name:<38} {ms:>9.0} {:>6.0}% {:>8.2}", 100.0 * ms / total, ms / luma);
            }
        }
    }
    println!("{:<40} {total:>9.0} {:>6}  {:>8.2}", "a run, all of it", "", total / luma);
    let of_sheets = decode_ms(&sheets, gray)? * sheets.len() as f64;
    println!("{:<40} {:>9.0} {:>6}  {:>8.2}", "calibrate", calibrate / sheets.len() as f64, "", calibrate / of_sheets);
    for (what, mb) in [("a run", run_mb), ("calibrate", calibrate_mb)] {
        println!("peak memory of {what}: {}", mb.map_or("not told here".to_string(), |m| format!("{m:.0} MB")));
    }
    plain(&volleys, luma)
}

/// What the parts of a comparison cost, ms a photo: measured once more by themselves, pair by pair; two of them over the whole photo, where a run
/// looks only where balls can strike. What more than noise changed is not among them: without the sheets' places it would take paper for the light's edges.
fn comparison(session: &Session, wall: &Wall, volleys: &[PathBuf], colour: f64) -> Result<Vec<(&'static str, f64)>> {
    let folder = session.paths.photos();
    let tripod = session.spec.camera.tripod_photo.as_ref().map(|t| session.paths.dir.join(t));
    let reference = tripod.and_then(|t| Reference::of_tripod(wall, &t));
    let references: Vec<&Reference> = reference.iter().collect();
    let mut sums = [
        ("find the sheets, stand the camera", 0.0),
        ("whole photo: both onto one grid", 0.0),
        ("whole photo: what is no mark", 0.0),
    ];
    let mut last: Option<PlacedPhoto> = None;
    for path in volleys {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let mut laps = Laps::new();
        let photo = place_photo(wall, &folder, &name, &references)?;
        sums[0].1 += laps.ms() - colour;
        if let (Some(before), Some((is, _))) = (&last, &photo.place)
            && let Some((was, _)) = &before.place
        {
            laps.ms();
            let pair = Pair::new(&before.rgb, &was.view, &photo.rgb, &is.view);
            let size = (photo.rgb.width() as usize, photo.rgb.height() as usize);
            // As fine as the run's own grid in this day, over the whole photo.
            let reduced = reduce(&pair, GRID_PX, (0, size.0), (0, size.1));
            sums[1].1 += laps.ms();
            find_things(&reduced, RADIUS_CELLS, 5);
            sums[2].1 += laps.ms();
        }
        last = Some(photo);
    }
    Ok(sums.map(|(name, ms)| (name, ms / volleys.len().max(1) as f64)).to_vec())
}

/// The same photos through a plain pipeline of another library.
fn plain(volleys: &[PathBuf], luma: f64) -> Result<()> {
    let Some(python) = std::env::var_os("POCKMARK_PYTHON").filter(|p| !p.is_empty()) else {
        println!("no comparison with OpenCV: POCKMARK_PYTHON names no interpreter");
        return Ok(());
    };
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches").join("plain_opencv.py");
    let out = std::process::Command::new(python)
        .arg(&script)
        .args(volleys)
        .output()
        .map_err(|e| Error::io(&script, "run", e))?;
    let text = String::from_utf8_lossy(&out.stdout);
    let ms: Option<f64> = text.trim().parse().ok();
    match ms {
        Some(ms) => println!("{:<40} {ms:>9.0} {:>6}  {:>8.2}", "plain OpenCV: align, subtract, label", "", ms / luma),
        None => println!("OpenCV did not run: {}", String::from_utf8_lossy(&out.stderr)),
    }
    Ok(())
}
