//! What do the page's templates need, already in words and digits?
//!
//! One file for each part of the page. Numbers are only formatted here; all of them stand in the summary.

mod basis;
mod study;
mod volleys;

pub(super) use basis::{budgets, calibration, files, in_order, later_calibrations, mark_shape, step_words};
pub(super) use study::{comparisons, counts, doubtful, ladders, steadiness, verdicts};
pub(super) use volleys::{meanings, needs_look, volleys, wall};

use minijinja::value::Value;

use super::number::{fixed, half_width, places};
use super::units::Units;
use crate::session::flags::FlagWord;
use crate::study::{Setup, Study};

/// Metres per second.
pub(super) fn mps(speed_mps: f64) -> String {
    fixed(speed_mps, 2)
}

/// A value between two limits, all at the place that the limits' distance deserves.
pub(super) fn with_limits(value: f64, low: Option<f64>, high: Option<f64>, finest: usize) -> String {
    match low.zip(high).filter(|(l, h)| l.is_finite() && h.is_finite()) {
        Some((l, h)) => {
            let d = places(0.5 * (h - l), finest);
            format!("{} ({} to {})", fixed(value, d), fixed(l, d), fixed(h, d))
        }
        None => fixed(value, finest),
    }
}

/// A stated limit: as many decimals as it has, two at most.
pub(super) fn trimmed(value: f64) -> String {
    trimmed_to(value, 2)
}

/// The same with so many decimals at most.
pub(super) fn trimmed_to(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// How the page speaks: the units of its people, and the speeds whose exact values the study's sentences round.
#[derive(Clone, Debug, Default)]
pub(super) struct Voice {
    /// Units of the page.
    pub units: Units,
    known_mps: Vec<f64>,
}

impl Voice {
    /// For a page about a study.
    pub fn new(units: Units, study: Option<&Study>) -> Self {
        Self { units, known_mps: study.map_or_else(Vec::new, crate::report::model::spoken_speeds) }
    }

    /// A sentence in the page's units, typeset.
    pub fn say(&self, sentence: &str) -> String {
        typeset(&self.units.speak(sentence, &self.known_mps))
    }

    /// Sentences for the template.
    pub fn say_all(&self, list: &[String]) -> Vec<String> {
        list.iter().map(|s| self.say(s)).collect()
    }
}

/// The study's sentences with typographic minus signs before numbers.
pub(super) fn typeset(sentence: &str) -> String {
    let mut out = String::with_capacity(sentence.len());
    let mut before = ' ';
    let mut rest = sentence.chars().peekable();
    while let Some(c) = rest.next() {
        let number = c == '-' && matches!(before, ' ' | '(') && rest.peek().is_some_and(char::is_ascii_digit);
        out.push(if number { '\u{2212}' } else { c });
        before = c;
    }
    out
}

/// Flag words for people, split by commas.
pub(super) fn flag_words(flags: &[FlagWord]) -> String {
    flags.iter().map(|f| f.word().replace('_', " ")).collect::<Vec<_>>().join(", ")
}

/// Each of the flags once with its meaning.
pub(super) fn flag_meanings<'a>(flags: impl IntoIterator<Item = &'a FlagWord>) -> Vec<Value> {
    let mut used: Vec<FlagWord> = flags.into_iter().copied().collect();
    used.sort_unstable();
    used.dedup();
    used.iter().map(|f| minijinja::context! { word => f.word().replace('_', " "), meaning => f.meaning() }).collect()
}

/// Names for setups that leave out what all of them share.
#[derive(Clone)]
pub(super) struct Names {
    common: Vec<String>,
    setups: Vec<Setup>,
}

impl Names {
    /// From the setups of the page, in order; repeated ones count once.
    pub fn new<'a>(setups: impl IntoIterator<Item = &'a Setup>) -> Self {
        let mut kept: Vec<Setup> = Vec::new();
        for s in setups {
            if !kept.contains(s) {
                kept.push(s.clone());
            }
        }
        let common = match kept.split_first() {
            Some((first, rest)) if !rest.is_empty() => first
                .iter()
                .filter(|(k, v)| rest.iter().all(|s| s.get(k) == Some(v)))
                .map(|(k, _)| k.to_string())
                .collect(),
            _ => Vec::new(),
        };
        Self { common, setups: kept }
    }

    /// "pocket low", without the factors that all setups share.
    pub fn short(&self, setup: &Setup) -> String {
        let own = self.common.iter().fold(setup.clone(), |s, k| s.without(k));
        if own.iter().next().is_some() { own.words() } else { setup.words() }
    }

    /// What all setups share, in words; empty when nothing.
    pub fn shared(&self) -> String {
        let Some(first) = self.setups.first() else { return String::new() };
        Setup::new(first.iter().filter(|(k, _)| self.common.iter().any(|c| c == k)))
            .iter()
            .map(|(k, v)| format!("{k} {v}"))
            .collect::<Vec<_>>()
            .join(", ")
    }

    /// The setup's number, which fixes its colour and mark all over the page.
    pub fn series(&self, setup: &Setup) -> usize {
        self.setups.iter().position(|s| s == setup).unwrap_or(self.setups.len())
    }

    /// All setups in order.
    pub fn setups(&self) -> &[Setup] {
        &self.setups
    }
}

/// A range as "low to high" with the digits its width deserves.
pub(super) fn from_to(low: f64, high: f64, finest: usize) -> String {
    let d = places(0.5 * (high - low), finest);
    format!("{} to {}", super::number::signed(low, d), super::number::signed(high, d))
}

/// A half width alone, with the digits it deserves.
pub(super) fn half(value: f64, finest: usize) -> String {
    half_width(value, places(value, finest))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_leave_out_what_is_shared() {
        let a = Setup::new([("head", "x"), ("pocket", "mid")]);
        let b = Setup::new([("head", "x"), ("pocket", "low")]);
        let names = Names::new([&a, &b, &a]);
        assert_eq!((names.short(&b).as_str(), names.shared().as_str()), ("pocket low", "head x"));
        assert_eq!((names.series(&a), names.series(&b)), (0, 1));
        let one = Names::new([&a]);
        assert_eq!((one.short(&a).as_str(), one.shared().as_str()), ("head x, pocket mid", ""));
    }

    #[test]
    fn minus_signs_of_numbers_only() {
        assert_eq!(typeset("a-b -1.5 (-2) t-3"), "a-b \u{2212}1.5 (\u{2212}2) t-3");
    }
}
