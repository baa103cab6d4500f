//! How is a finding said so that a person at the bench can repeat it?
//!
//! One sentence, no word of statistics, the ± beside the number: what holds in 19 cases of 20. Figures for those who want
//! them stand in the fields beside each sentence.

use super::compare::{Difference, Verdict};
use super::input::MPH_PER_MPS;
use super::judge::Judged;

/// Decimals at which a half width of this size shows its second digit: 0 to 2.
fn places(half_width: f64) -> usize {
    // 9.95 and more would round to three digits.
    match half_width.abs() {
        h if !h.is_finite() || h >= 9.95 => 0,
        h if h >= 0.995 => 1,
        _ => 2,
    }
}

/// A half width to `decimals`, never shown as nothing.
fn half_text(half: f64, decimals: usize) -> String {
    let finest = 10f64.powi(-(decimals as i32));
    format!("{:.decimals$}", if half > 0.0 { half.max(finest) } else { 0.0 })
}

/// "3.30 ± 0.27" with the digits that the half width deserves.
pub(crate) fn plus_minus(value: f64, half: f64) -> String {
    let d = places(half);
    let text = format!("{value:.d$}");
    // No minus zero.
    let text = text.strip_prefix('-').filter(|t| t.bytes().all(|b| matches!(b, b'0' | b'.'))).unwrap_or(&text);
    format!("{text} ± {}", half_text(half, d))
}

/// As [`plus_minus`], with a plus in front of what is above zero.
pub(crate) fn signed_plus_minus(value: f64, half: f64) -> String {
    let text = plus_minus(value, half);
    if value > 0.0 && text.bytes().take_while(|b| *b != b' ').any(|b| (b'1'..=b'9').contains(&b)) {
        format!("+{text}")
    } else {
        text
    }
}

/// A limit such as what matters: "1 deg", "0.25 deg", without noughts that say nothing.
pub(crate) fn plain(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// A speed: "30 mph", "30.1 mph". Every number of a sentence has its unit behind it, so that a page can say it in another.
pub(crate) fn mph(speed_mps: f64) -> String {
    let v = speed_mps * MPH_PER_MPS;
    if (v - v.round()).abs() < 0.05 { format!("{v:.0} mph") } else { format!("{v:.1} mph") }
}

/// Where a difference was seen.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Place {
    /// At one speed, m/s.
    At(f64),
    /// The plain mean over several speeds, from the slowest to the fastest, m/s.
    Over(f64, f64),
}

impl Place {
    fn words(self) -> String {
        match self {
            Self::At(v) => format!("at {}", mph(v)),
            Self::Over(a, b) => format!("on average from {} to {}", mph(a), mph(b)),
        }
    }
}

/// Who is compared.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Names<'a> {
    /// The first, as a reader finds it on the page: "pocket mid".
    pub a: &'a str,
    /// The second.
    pub b: &'a str,
    /// What both have in common and others have not: "with mesh soft"; empty for nothing.
    pub with: &'a str,
}

/// Writes the sentences of a pair: one for each speed, and the one over the ladder, which also says where a speed says
/// something else.
pub(crate) fn tell(found: &mut Judged, names: &Names, matters_deg: f64) {
    let several = found.points.len() > 1;
    for p in &mut found.points {
        p.difference.sentence = sentence(names, Place::At(p.setpoint_mps), &p.difference, matters_deg);
    }
    found.overall.sentence = match (several, found.points.as_slice()) {
        (true, [first, .., last]) => {
            let place = Place::Over(first.setpoint_mps, last.setpoint_mps);
            sentence(names, place, &found.overall, matters_deg) + &otherwise(found)
        }
        _ => found.points.first().map(|p| p.difference.sentence.clone()).unwrap_or_default(),
    };
}

/// The speeds at which the second has surely more or less, where the mean over the ladder says otherwise.
fn otherwise(found: &Judged) -> String {
    let over = &found.overall;
    let against: Vec<String> = found
        .points
        .iter()
        .filter(|p| p.difference.verdict == Verdict::Differs)
        .filter(|p| over.verdict != Verdict::Differs || p.difference.difference_deg * over.difference_deg < 0.0)
        .map(|p| {
            let d = &p.difference;
            let way = if d.difference_deg > 0.0 { "more" } else { "less" };
            let half = 0.5 * (d.high_deg - d.low_deg);
            format!("at {} {} deg {way}", mph(p.setpoint_mps), plus_minus(d.difference_deg.abs(), half))
        })
        .collect();
    if against.is_empty() { String::new() } else { format!(" But not alike at every speed: {}.", against.join(", ")) }
}

/// The sentence of a verdict. Three kinds, as plain as they come.
fn sentence(names: &Names, place: Place, d: &Difference, matters_deg: f64) -> String {
    let Names { a, b, with } = names;
    let half = 0.5 * (d.high_deg - d.low_deg);
    let seen = signed_plus_minus(d.difference_deg, half);
    let matters = plain(matters_deg);
    let each = if matches!(place, Place::Over(..)) { "of each at each speed" } else { "of each" };
    let place = if with.is_empty() { place.words() } else { format!("{with}, {}", place.words()) };
    let holds = d.holds_to_drift_deg.map_or(String::new(), |v| {
        format!(
            " It holds as long as the machine wanders by less than about {} deg from volley to volley, which was not checked.",
            if v >= 0.095 { format!("{v:.1}") } else { format!("{v:.2}") }
        )
    });
    match d.verdict {
        Verdict::Differs => {
            let way = if d.difference_deg > 0.0 { "more" } else { "less" };
            format!("{b} has {} deg {way} whip than {a}, {place}.{holds}", plus_minus(d.difference_deg.abs(), half))
        }
        Verdict::Same => {
            let small = if d.small_but_real { "; there is one, but it is too small to matter" } else { "" };
            format!("{b} and {a}: no difference larger than {matters} deg, {place} ({seen} deg){small}.{holds}")
        }
        Verdict::Unclear => {
            let next = match d.more_volleys {
                Some(1) => format!("One more volley {each} should tell (in four cases of five)."),
                Some(k) => format!("About {k} more volleys {each} should tell (in four cases of five)."),
                None => "More volleys alone would not tell.".into(),
            };
            format!("{b} and {a}: cannot tell whether they differ, {place} ({seen} deg). {next}")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_follow_the_half_width() {
        assert_eq!(plus_minus(3.2968, 0.2696), "3.30 ± 0.27");
        assert_eq!(plus_minus(-0.004, 1.234), "0.0 ± 1.2");
        assert_eq!(signed_plus_minus(0.004, 0.2), "0.00 ± 0.20");
        assert_eq!(signed_plus_minus(5.04, 0.0001), "+5.04 ± 0.01");
        assert_eq!(signed_plus_minus(12.4, 10.2), "+12 ± 10");
        assert_eq!([plain(1.0), plain(0.25), plain(0.5), plain(10.0)], ["1", "0.25", "0.5", "10"]);
    }
}
