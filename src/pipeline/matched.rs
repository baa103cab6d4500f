//! Could photos that no row names have gone to the wrong rows?
//!
//! They go to the rows in the order of their times (or names). One that is missing while another one is too many leaves the numbers
//! equal, and every volley between the two with its neighbour's photo. The photos themselves say so: the one too many shows nothing new, and
//! where one is missing, the next shows the marks of two volleys.

use std::ops::Range;

use super::measured::Measured;
use crate::session::Matched;
use crate::session::flags::FlagWord;
use crate::session::results::Status;

/// Flags the volleys between a photo that shows nothing new and one that shows too much; what is to be looked at in the whole session, a
/// sentence each.
pub(super) fn look_at_matches(measured: &mut [Measured]) -> Vec<String> {
    let by_order = |m: &Measured| m.volley.matched != Matched::Named;
    let names = measured.iter().any(|m| m.volley.matched == Matched::ByName);
    let mut looks = Vec::new();
    if names {
        looks.push(format!(
            "not all photos say when they were taken, so they went to the rows of volleys.csv in the order of their names: look whether each volley shows its own photo; {NAME_THEM}"
        ));
    }
    // A photo that was looked at and shows nothing; what a person decided is known.
    let reviewed = |m: &Measured| m.flags.contains(&FlagWord::Reviewed);
    let nothing = |m: &Measured| by_order(m) && m.view.is_some() && m.marks.is_empty() && !reviewed(m);
    let too_much = |m: &Measured| by_order(m) && m.flags.contains(&FlagWord::ExtraMarks);
    let Some(first) = measured.iter().position(nothing) else { return looks };
    let (name, photo) = (measured[first].volley.row.volley.clone(), measured[first].volley.photo.clone());
    let between = (measured.iter().position(too_much)).map(|other| span(first, other));
    for m in measured[between.clone().unwrap_or(0..0)].iter_mut() {
        if by_order(m) && m.status != Status::Failed && !reviewed(m) {
            m.look(
                FlagWord::OutOfOrder,
                format!("{photo} (volley {name}) shows no new mark and another photo those of two volleys: perhaps one is missing and one too many, and this volley has its neighbour's; {NAME_THEM}"),
            );
        }
    }
    if between.is_none() {
        looks.push(format!(
            "{photo} shows no new mark for volley {name}, and no row names it: if it is one photo too many and another one is missing, other volleys have their neighbours' photos; look whether each volley shows its own; {NAME_THEM}"
        ));
    }
    looks
}

/// From one place to another, both included, whichever stands first.
fn span(a: usize, b: usize) -> Range<usize> {
    a.min(b)..a.max(b) + 1
}

const NAME_THEM: &str = "to be sure, name them in a column `photo` of volleys.csv";
