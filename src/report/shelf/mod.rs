//! What was ever tested, over all sessions?
//!
//! [`entries`] takes what is worth keeping of a session's summary, one entry a setup; [`shelf_page`] puts all entries on one page
//! that needs no network (a small script sorts and filters; without it the page still reads), [`shelf_csv`] into one table.

mod page;
mod table;

pub use page::shelf_page;
pub use table::shelf_csv;

use super::Summary;
use super::label::{LabelText, labels};
use super::units::Units;
use crate::session::results::Status;
use crate::study::{Ladder, Setup};

/// One setup of one session.
#[derive(Clone, Debug, PartialEq)]
pub struct ShelfEntry {
    /// The session's title.
    pub session: String,
    /// Its folder, as given.
    pub folder: String,
    /// Link from the shelf's page to the session's folder, with a slash at the end; empty: no links.
    pub link: String,
    /// The session has a page of its own, and labels.
    pub has: (bool, bool),
    /// Day of the first volley.
    pub measured_on: Option<String>,
    /// Units of the session's people.
    pub units: Units,
    /// The setup.
    pub setup: Setup,
    /// Its ladder.
    pub ladder: Ladder,
    /// Its label's words.
    pub label: LabelText,
    /// Volleys of it that need a look.
    pub looks: usize,
    /// Volleys of it that failed.
    pub failed: usize,
}

/// What to keep of a session; empty when it has no study. `has` says whether there are a page and labels to link to.
pub fn entries(summary: &Summary, folder: &str, link: &str, has: (bool, bool)) -> Vec<ShelfEntry> {
    let ladders = summary.study.as_ref().map_or(&[][..], |s| s.ladders.as_slice());
    ladders
        .iter()
        .zip(labels(summary))
        .map(|(l, label)| {
            let count = |s: Status| summary.volleys.iter().filter(|v| v.setup == l.setup && v.status == s).count();
            ShelfEntry {
                session: summary.title.clone(),
                folder: folder.to_string(),
                link: link.to_string(),
                has,
                measured_on: summary.measured_on.clone(),
                units: summary.units,
                setup: l.setup.clone(),
                ladder: l.clone(),
                label,
                looks: count(Status::Look),
                failed: count(Status::Failed),
            }
        })
        .collect()
}

/// All factors of all entries, in the order in which they first come up.
fn factors(entries: &[ShelfEntry]) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    let mut known = std::collections::HashSet::new();
    for (name, _) in entries.iter().flat_map(|e| e.setup.iter()) {
        if known.insert(name) {
            all.push(name.to_string());
        }
    }
    all
}
