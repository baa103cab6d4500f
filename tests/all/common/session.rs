//! What do tests of the bench need: a small rendered day with its calibration, and a program that goes on running.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use pockmark::render::Scenario;

/// Longest wait for anything: tests share their machine with others.
pub const PATIENCE: Duration = Duration::from_secs(120);

/// Renders a day of `volleys` volleys at `scale` times the demonstration's size, and calibrates it.
pub fn render(dir: &Path, seed: u64, scale: f64, volleys: usize) {
    let mut scenario = Scenario::demo(seed).with_photo_scale(scale);
    // What a calibration is worth does not matter to files and programs.
    scenario.recipe.by_hand.truncate(2);
    scenario.recipe.volleys.truncate(volleys);
    scenario.recipe.events.retain(|e| e.0 < volleys);
    scenario.write_flown(dir).unwrap();
    let parent = dir.parent().unwrap();
    let calibrated = super::pockmark(parent, ["calibrate".as_ref(), dir.as_os_str()]);
    assert!([0, 3].contains(&calibrated.code), "{}{}", calibrated.out, calibrated.err);
}

/// Copies a folder with everything in it.
pub fn copy(from: &Path, to: &Path) -> PathBuf {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let there = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &there);
        } else {
            fs::copy(entry.path(), there).unwrap();
        }
    }
    to.to_path_buf()
}

/// A program that runs until it is told to end.
pub struct Running {
    child: Child,
    lines: Receiver<String>,
    /// Everything said so far.
    pub said: Vec<String>,
    heard: Vec<bool>,
}

impl Running {
    /// Starts the program.
    pub fn start(args: &[&str]) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_pockmark"));
        command.args(args);
        Self::of(command)
    }

    /// Starts a command.
    pub fn of(mut command: Command) -> Self {
        let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::inherit()).spawn().unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (send, lines) = channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    break;
                }
            }
        });
        Self { child, lines, said: Vec::new(), heard: Vec::new() }
    }

    /// Waits for a line that holds `part`, among those that were not waited for yet: lines may come in any order.
    #[track_caller]
    pub fn hears(&mut self, part: &str) -> String {
        self.hears_within(part, PATIENCE).unwrap_or_else(|| panic!("\"{part}\" was not said: {:#?}", self.said))
    }

    /// As [`Running::hears`], for so long.
    pub fn hears_within(&mut self, part: &str, patience: Duration) -> Option<String> {
        let began = Instant::now();
        loop {
            self.heard.resize(self.said.len(), false);
            if let Some(i) = (0..self.said.len()).find(|&i| !self.heard[i] && self.said[i].contains(part)) {
                self.heard[i] = true;
                return Some(self.said[i].clone());
            }
            if began.elapsed() > patience {
                return None;
            }
            if let Ok(line) = self.lines.recv_timeout(Duration::from_millis(50)) {
                self.said.push(line);
            }
        }
    }

    /// Ends it as Ctrl-C does; its exit code.
    pub fn end(&mut self) -> i32 {
        let told = Command::new("kill").args(["-INT", &self.child.id().to_string()]).status().unwrap();
        assert!(told.success());
        self.wait()
    }

    /// Waits for its end; its exit code.
    pub fn wait(&mut self) -> i32 {
        let code = self.child.wait().unwrap().code().unwrap_or(-1);
        while let Ok(line) = self.lines.recv_timeout(Duration::from_millis(200)) {
            self.said.push(line);
        }
        code
    }

    /// Ends it as a crash or a power cut does.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
