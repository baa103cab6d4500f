//! What does the page show that follows along while photos come in?
//!
//! The lines that the watching program says, newest first, and below them the session's own report as last written.

use std::path::PathBuf;
use std::sync::{Mutex, MutexGuard, PoisonError};

use axum::http::{Method, StatusCode};
use serde::Serialize;

use super::server::{Answer, Site};

const PAGE: &str = include_str!("page/follow.html");
const STYLE: &str = include_str!("page/follow.css");
const SCRIPT: &str = include_str!("page/follow.js");
/// Lines that the page keeps.
const MOST_LINES: usize = 200;

/// How a line is to be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Tone {
    /// In order.
    Ok,
    /// Needs a look.
    Look,
    /// Failed, or has to be mended.
    Failed,
    /// Worth knowing.
    Note,
}

#[derive(Clone, Debug, Serialize)]
struct Line {
    text: String,
    tone: Tone,
}

#[derive(Debug, Default, Serialize)]
struct Lines {
    title: String,
    /// Newest first.
    lines: Vec<Line>,
    /// How many times the report was written.
    report: u64,
}

/// The page of a session being watched.
pub struct FollowSite {
    lines: Mutex<Lines>,
    report: PathBuf,
}

impl FollowSite {
    /// `report` is the file that is shown once it was written.
    pub fn new(title: &str, report: PathBuf) -> Self {
        Self { lines: Mutex::new(Lines { title: title.into(), ..Lines::default() }), report }
    }

    fn lines(&self) -> MutexGuard<'_, Lines> {
        self.lines.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds a line.
    pub fn say(&self, text: &str, tone: Tone) {
        let mut all = self.lines();
        all.lines.insert(0, Line { text: text.into(), tone });
        all.lines.truncate(MOST_LINES);
    }

    /// The report was written.
    pub fn written(&self) {
        self.lines().report += 1;
    }
}

impl Site for FollowSite {
    fn answer(&self, method: &Method, inside: &str, _body: &[u8]) -> Answer {
        match (method.as_str(), inside) {
            ("GET", "") => Answer::of("text/html; charset=utf-8", PAGE),
            ("GET", "follow.css") => Answer::of("text/css; charset=utf-8", STYLE),
            ("GET", "follow.js") => Answer::of("text/javascript; charset=utf-8", SCRIPT),
            ("GET", "lines") => {
                let json = serde_json::to_vec(&*self.lines()).unwrap_or_else(|_| b"{}".to_vec());
                Answer::of("application/json", json)
            }
            ("GET", "report") if self.lines().report > 0 => match std::fs::read(&self.report) {
                Ok(bytes) => Answer { report: true, ..Answer::of("text/html; charset=utf-8", bytes) },
                Err(e) => Answer::sentence(StatusCode::NOT_FOUND, format!("the report cannot be read: {e}")),
            },
            _ => Answer::nothing(),
        }
    }
}
