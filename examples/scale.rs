//! How do time and memory grow with a session? `cargo run --release --example scale -- SESSION FOLDER` makes sessions of 10, 100 and 1000
//! volleys in FOLDER out of one that has photos (its volleys again and again, a clean wall between the rounds; every photo made another one by
//! a comment in it), runs each, and prints a line: volleys, seconds a volley of one processor, peak memory. Further numbers on the command
//! line stand for 10, 100 and 1000. Runs are of the program `pockmark` beside this one, on one thread.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A JPEG with a comment after its first marker.
fn with_comment(jpeg: &[u8], text: &str) -> Option<Vec<u8>> {
    let rest = jpeg.strip_prefix(&[0xff, 0xd8])?;
    let length = u16::try_from(text.len() + 2).ok()?.to_be_bytes();
    Some([&[0xff, 0xd8, 0xff, 0xfe], &length[..], text.as_bytes(), rest].concat())
}

fn copy_folder(from: &Path, to: &Path) -> std::io::Result<()> {
    fs::create_dir_all(to)?;
    for e in fs::read_dir(from)?.flatten().filter(|e| e.path().is_file()) {
        fs::copy(e.path(), to.join(e.file_name()))?;
    }
    Ok(())
}

fn enlarge(from: &Path, to: &Path, volleys: usize) -> Result<(), Box<dyn Error>> {
    copy_folder(&from.join("calibration"), &to.join("calibration"))?;
    fs::create_dir_all(to.join("photos"))?;
    for name in ["session.toml", "wall.json"] {
        fs::copy(from.join(name), to.join(name))?;
    }
    let mut table = csv::Reader::from_path(from.join("volleys.csv"))?;
    let head = table.headers()?.clone();
    let column = |name: &str| head.iter().position(|h| h == name).ok_or(format!("no column {name}"));
    let (volley, photo, shots) = (column("volley")?, column("photo")?, column("shots")?);
    let rows: Vec<csv::StringRecord> = table.records().collect::<Result<_, _>>()?;
    let mut out = csv::Writer::from_path(to.join("volleys.csv"))?;
    out.write_record(&head)?;
    let mut made = 0;
    for (n, row) in rows.iter().cycle().enumerate() {
        if made == volleys {
            break;
        }
        made += usize::from(&row[shots] != "0");
        let name = format!("P{n:06}.jpg");
        let plain = fs::read(from.join("photos").join(&row[photo]))?;
        let own = with_comment(&plain, &name).ok_or("a photo is no JPEG")?;
        fs::write(to.join("photos").join(&name), own)?;
        let fields = row.iter().enumerate().map(|(i, f)| match i {
            i if i == volley => format!("{n}"),
            i if i == photo => name.clone(),
            _ => f.to_string(),
        });
        out.write_record(fields)?;
    }
    out.flush()?;
    Ok(())
}

/// The program beside this example.
fn program() -> Option<PathBuf> {
    Some(std::env::current_exe().ok()?.parent()?.parent()?.join(format!("pockmark{}", std::env::consts::EXE_SUFFIX)))
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let (Some(from), Some(folder)) = (args.next(), args.next()) else {
        return Err("say which SESSION (with wall.json) and which FOLDER to make the big ones in".into());
    };
    let sizes: Vec<usize> = args.map(|a| a.parse()).collect::<Result<_, _>>()?;
    let sizes = if sizes.is_empty() { vec![10, 100, 1000] } else { sizes };
    let program = program().ok_or("where is this program?")?;
    println!("{:>8} {:>14} {:>12}", "volleys", "s a volley", "memory MB");
    for n in sizes {
        let to = Path::new(&folder).join(format!("volleys-{n}"));
        let _ = fs::remove_dir_all(&to);
        enlarge(Path::new(&from), &to, n)?;
        // GNU time counts what the system counts: processor seconds and the largest resident set.
        let run = Command::new("/usr/bin/time")
            .args(["-f", "%U %S %M"])
            .arg(&program)
            .args(["run"])
            .arg(&to)
            .env("RAYON_NUM_THREADS", "1")
            .output()?;
        let said = String::from_utf8_lossy(&run.stderr);
        let last: Vec<f64> = said.lines().last().unwrap_or("").split(' ').filter_map(|v| v.parse().ok()).collect();
        let [user, system, kilobytes] = last[..] else { return Err(format!("the run said: {said}").into()) };
        println!("{n:>8} {:>14.2} {:>12.0}", (user + system) / n as f64, kilobytes / 1024.0);
    }
    Ok(())
}
