//! Do other programs agree with this one, live?
//!
//! Each test here drives a Python script of `tests/cross/` that computes the same thing with OpenCV or SciPy. The caller names the
//! interpreter: `POCKMARK_PYTHON=.venv/bin/python cargo test --release --test all cross::`. Without it the tests say that they
//! were skipped. (`sheet_draw` and `render_demo` hold two more such tests.)

use std::ffi::OsString;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// This project's folder.
fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The program under test.
fn program() -> PathBuf {
    env!("CARGO_BIN_EXE_pockmark").into()
}

/// Builds an example in the profile of this test, and says where it is.
fn example(name: &str) -> PathBuf {
    let beside = program().with_file_name("examples").join(name).with_extension(std::env::consts::EXE_EXTENSION);
    let release = beside.ancestors().nth(2).is_some_and(|p| p.ends_with("release"));
    let mut cargo = Command::new(env!("CARGO"));
    cargo.current_dir(root()).args(["build", "--quiet", "--example", name]);
    if release {
        cargo.arg("--release");
    }
    assert!(cargo.status().unwrap().success(), "the example {name} does not build");
    assert!(beside.is_file(), "{} was not built", beside.display());
    beside
}

/// Runs a script with `input` on its standard input; shows what it prints, fails with what it says.
fn cross(script: &str, work: impl FnOnce() -> (Vec<OsString>, Vec<u8>)) {
    let Some(python) = std::env::var_os("POCKMARK_PYTHON") else {
        println!("skipped {script}: POCKMARK_PYTHON names no interpreter");
        return;
    };
    let path = root().join("tests").join("cross").join(script);
    let (args, input) = work();
    let mut running = Command::new(python)
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .arg(path)
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A script that stops before it has read all says why by itself.
    let _ = running.stdin.take().unwrap().write_all(&input);
    let out = running.wait_with_output().unwrap();
    print!("{}", String::from_utf8_lossy(&out.stdout));
    assert!(out.status.success(), "{script}: {}", String::from_utf8_lossy(&out.stderr));
}

#[test]
fn every_sheet_that_opencv_draws_is_read_where_it_was_drawn() {
    cross("inspect_opencv.py", || (vec![program().into()], Vec::new()));
}

#[test]
fn corners_are_found_as_well_as_by_opencv_or_better() {
    cross("saddles_opencv.py", || (vec![program().into()], Vec::new()));
}

#[test]
fn opencv_fits_the_same_lens_to_the_same_corners() {
    cross("lens_opencv.py", || {
        let shared =
            std::env::var_os("POCKMARK_SHARED").map_or_else(|| root().join("..").join("shared"), PathBuf::from);
        let real = shared.join("references").join("chessboard_corners.json");
        let mut args = vec![example("fit_lens").into()];
        args.extend(real.is_file().then(|| real.into_os_string()));
        (args, Vec::new())
    });
}

#[test]
fn no_blob_finder_finds_more_marks_or_better_centres() {
    let folder = tempfile::tempdir().unwrap();
    cross("completeness.py", || {
        // One photo of nine marks for each size and strength: the table of docs/marks.md has four.
        let out = Command::new(example("completeness")).arg(folder.path()).args(["1", "12"]).output().unwrap();
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        (vec![folder.path().into()], Vec::new())
    });
}

#[test]
fn scipy_finds_the_same_statistics() {
    cross("study_scipy.py", || (vec![example("study_cases").into(), "1".into(), "200".into()], Vec::new()));
}

#[test]
fn scipy_finds_the_same_release_angles_and_doubts() {
    cross("flight_scipy.py", || {
        let out = Command::new(example("flight_cases")).arg("40").output().unwrap();
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        (Vec::new(), out.stdout)
    });
}
