//! What does the review page ask for, and what is it answered?
//!
//! `state`: everything shown; `photo/N/after`, `photo/N/before`; `edit` (a step), `undo`, `redo`, `finish`. Photos are
//! named by volley, never by path.

use std::sync::{Mutex, MutexGuard, PoisonError};

use axum::http::{Method, StatusCode};
use serde::Deserialize;

use super::photo::upright;
use super::server::{Answer, Site, Stop};
use super::state;
use crate::pipeline::review::{Edit, Review};

const PAGE: &str = include_str!("page/review.html");
const STYLE: &str = include_str!("page/review.css");
const SCRIPT: &str = include_str!("page/review.js");
const HANDS: &str = include_str!("page/hands.js");

/// The review page of a session.
pub struct ReviewSite {
    review: Mutex<Review>,
    stop: Stop,
}

/// A step as the page sends it.
#[derive(Deserialize)]
struct Step {
    volley: usize,
    /// The state that the person saw.
    revision: u64,
    #[serde(flatten)]
    edit: Edit,
}

impl ReviewSite {
    /// Serves a review; `stop` is set when the person is done.
    pub fn new(review: Review, stop: Stop) -> Self {
        Self { review: Mutex::new(review), stop }
    }

    /// The review; a request that failed half way left it as it was before.
    pub fn review(&self) -> MutexGuard<'_, Review> {
        self.review.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn state(review: &Review) -> Answer {
        Answer::of("application/json", state::json(review))
    }

    fn changed(review: &Review, done: crate::Result<()>) -> Answer {
        match done {
            Ok(()) => Self::state(review),
            Err(e) => Answer::sentence(StatusCode::CONFLICT, e.to_string()),
        }
    }

    fn photo(&self, volley: &str, which: &str) -> Answer {
        let found = {
            let review = self.review();
            let dir = review.session().paths.clone();
            let named =
                volley.parse::<usize>().ok().and_then(|i| review.volleys().nth(i)).and_then(|(m, _)| match which {
                    "after" => Some(m.volley.photo.clone()),
                    "before" => m.volley.before.clone(),
                    _ => None,
                });
            named.map(|n| (dir, n))
        };
        let Some((paths, name)) = found else { return Answer::nothing() };
        match upright(&paths.dir, &paths.photos().join(name)) {
            Ok((bytes, kind)) => Answer::of(kind, bytes),
            Err(e) => Answer::sentence(StatusCode::NOT_FOUND, e.to_string()),
        }
    }
}

impl Site for ReviewSite {
    fn answer(&self, method: &Method, inside: &str, body: &[u8]) -> Answer {
        let parts: Vec<&str> = inside.split('/').collect();
        match (method.as_str(), parts.as_slice()) {
            ("GET", [""]) => Answer::of("text/html; charset=utf-8", PAGE),
            ("GET", ["review.css"]) => Answer::of("text/css; charset=utf-8", STYLE),
            ("GET", ["review.js"]) => Answer::of("text/javascript; charset=utf-8", SCRIPT),
            ("GET", ["hands.js"]) => Answer::of("text/javascript; charset=utf-8", HANDS),
            ("GET", ["state"]) => Self::state(&self.review()),
            ("GET", ["photo", volley, which]) => self.photo(volley, which),
            ("POST", ["edit"]) => {
                let step: Step = match serde_json::from_slice(body) {
                    Ok(s) => s,
                    Err(e) => return Answer::sentence(StatusCode::BAD_REQUEST, format!("that is no step: {e}")),
                };
                let mut review = self.review();
                if step.revision != review.revision() {
                    let text = "the marks changed meanwhile (another page of this session?): look again, then decide";
                    return Answer::sentence(StatusCode::CONFLICT, text);
                }
                let done = review.edit(step.volley, step.edit);
                Self::changed(&review, done)
            }
            ("POST", ["undo"]) => {
                let mut review = self.review();
                let done = review.undo();
                Self::changed(&review, done)
            }
            ("POST", ["redo"]) => {
                let mut review = self.review();
                let done = review.redo();
                Self::changed(&review, done)
            }
            ("POST", ["finish"]) => {
                self.stop.stop();
                Answer::sentence(StatusCode::OK, "the results are being written; this page can be closed")
            }
            _ => Answer::nothing(),
        }
    }
}
