//! What does a label say?

use crate::error::listed;
use crate::report::Summary;
use crate::report::number::{ANGLE_PLACES, plus_minus};
use crate::report::units::Units;
use crate::session::results::Status;
use crate::study::{Ladder, LadderPoint, ZeroVerdict};

/// One speed on a label.
#[derive(Clone, Debug, PartialEq)]
pub struct LabelRow {
    /// "35 mph".
    pub speed: String,
    /// "35".
    pub speed_number: String,
    /// "19.78° ± 0.30°".
    pub angle: String,
    /// Mean release angle, deg.
    pub mean_deg: f64,
    /// Lower end of its 95 % interval, deg.
    pub low_deg: f64,
    /// Upper end of its 95 % interval, deg.
    pub high_deg: f64,
}

/// The words of one setup's label.
#[derive(Clone, Debug, PartialEq)]
pub struct LabelText {
    /// The setup: "head Heron, mesh soft".
    pub setup: String,
    /// Unit of the speeds.
    pub speed_unit: &'static str,
    /// One for each speed, slowest first.
    pub rows: Vec<LabelRow>,
    /// The speed at which it lets go, or that it does not: "Lets go at 61 mph".
    pub lets_go: String,
    /// Its range or reason: "58 to 64 mph (19 times in 20)".
    pub lets_go_range: String,
    /// What stands behind the numbers: "20 shots in 4 volleys".
    pub behind: String,
    /// When and how it was measured.
    pub how: String,
    /// Degrees shown by the drawing, the same for all labels of a session.
    pub range_deg: (f64, f64),
}

/// What ± means on a label.
pub(super) const SURE: &str = "±: the true angle is inside 19 times in 20";

/// Degrees in a step of the drawing's range.
const RANGE_STEP_DEG: f64 = 5.0;
/// The drawing shows no less than this: small differences must not look like large ones.
const LEAST_RANGE_DEG: f64 = 15.0;
/// Angles beyond this are slips and are not drawn.
const LARGEST_DEG: f64 = 89.0;

fn drawable(p: &LadderPoint) -> bool {
    [p.mean_deg, p.low_deg, p.high_deg].iter().all(|v| v.abs() <= LARGEST_DEG)
}

/// From below the lowest to above the highest interval, 0 among them, in whole steps.
pub(crate) fn range_deg<'a>(ladders: impl IntoIterator<Item = &'a Ladder>) -> (f64, f64) {
    let ends =
        ladders.into_iter().flat_map(|l| &l.points).filter(|p| drawable(p)).flat_map(|p| [p.low_deg, p.high_deg]);
    let (low, high) = ends.fold((0.0, 0.0), |(l, h): (f64, f64), v| (l.min(v), h.max(v)));
    let mut low = (low / RANGE_STEP_DEG).floor() * RANGE_STEP_DEG;
    let mut high = (high / RANGE_STEP_DEG).ceil() * RANGE_STEP_DEG;
    // Room is added at the side where the angles are.
    while high - low < LEAST_RANGE_DEG {
        if high >= -low { high += RANGE_STEP_DEG } else { low -= RANGE_STEP_DEG }
    }
    (low, high)
}

fn rows(l: &Ladder, units: Units) -> Vec<LabelRow> {
    l.points
        .iter()
        .map(|p| {
            let half = 0.5 * (p.high_deg - p.low_deg);
            let number = plus_minus(p.mean_deg, Some(half), ANGLE_PLACES);
            LabelRow {
                speed: units.speed_words(p.setpoint_mps),
                speed_number: units.speed_number(p.setpoint_mps),
                angle: match number.split_once(" ± ") {
                    Some((value, half)) => format!("{value}° ± {half}°"),
                    None => format!("{number}°"),
                },
                mean_deg: p.mean_deg,
                low_deg: p.low_deg,
                high_deg: p.high_deg,
            }
        })
        .collect()
}

/// The speed at which control is lost, and its range, in words.
fn lets_go(l: &Ladder, units: Units) -> (String, String) {
    let (Some(first), Some(last)) = (l.points.first(), l.points.last()) else {
        return ("Nothing was measured".into(), String::new());
    };
    let say = |v: f64| units.speed_words(v);
    match (l.zero_verdict, l.zero_speed_mps) {
        (ZeroVerdict::Reached, Some(v)) => {
            let unit = units.speed_word();
            let range = match (l.zero_speed_low_mps, l.zero_speed_high_mps) {
                (Some(a), Some(b)) => {
                    format!(
                        "there it reaches 0°: {} to {} {unit}, 19 times in 20",
                        units.speed_number(a),
                        units.speed_number(b)
                    )
                }
                (Some(a), None) => format!("there it reaches 0°: from {} on", say(a)),
                (None, Some(b)) => format!("there it reaches 0°: up to {}", say(b)),
                (None, None) => "how surely is not known".into(),
            };
            (format!("Lets go at {}", say(v)), range)
        }
        (ZeroVerdict::OneSpeed, _) => {
            ("Shot at one speed only".into(), "a ladder of speeds shows where it lets go".into())
        }
        (ZeroVerdict::Possible, _) => (
            format!(
                "On the edge at {}",
                say(if last.mean_deg.abs() <= first.mean_deg.abs() { last } else { first }.setpoint_mps)
            ),
            "there the angle cannot be told from 0°".into(),
        ),
        _ if last.mean_deg < 0.0 && first.mean_deg < 0.0 => {
            (format!("Lets go below {}", say(first.setpoint_mps)), "the slowest speed shot".into())
        }
        _ => (format!("Holds up to {}", say(last.setpoint_mps)), "the fastest speed shot".into()),
    }
}

fn plural(n: u64, one: &str) -> String {
    format!("{n} {one}{}", if n == 1 { "" } else { "s" })
}

/// What stands behind a setup's numbers; volleys that need a look are not kept from those who read the label.
fn behind(summary: &Summary, l: &Ladder) -> String {
    let shots: u64 = l.points.iter().map(|p| p.shots).sum();
    let volleys: usize = l.points.iter().map(|p| p.volleys).sum();
    let looks: Vec<&str> = summary
        .volleys
        .iter()
        .filter(|v| v.setup == l.setup && v.status == Status::Look)
        .map(|v| v.volley.as_str())
        .collect();
    let mut text = format!("{} in {}", plural(shots, "shot"), plural(volleys as u64, "volley"));
    match looks.len() {
        0 => {}
        1 => text += &format!("; volley {} needs a look", listed(&looks)),
        n => text += &format!("; {n} volleys need a look"),
    }
    text
}

fn how(summary: &Summary) -> String {
    let by = if summary.calibration.is_some() {
        "from photos of the marks on a wall"
    } else {
        "from marks measured by hand"
    };
    let day = summary.measured_on.as_ref().map(|d| format!("{d}, ")).unwrap_or_default();
    let program = if summary.written_by.is_empty() { String::new() } else { format!(" – {}", summary.written_by) };
    format!("Measured {day}{by}{program}")
}

/// The labels of a session, one a setup in the page's order; empty without a study.
pub fn labels(summary: &Summary) -> Vec<LabelText> {
    let ladders = summary.study.as_ref().map_or(&[][..], |s| s.ladders.as_slice());
    let range_deg = range_deg(ladders);
    ladders
        .iter()
        .map(|l| {
            let (lets_go, lets_go_range) = lets_go(l, summary.units);
            LabelText {
                setup: if l.setup.iter().next().is_some() { l.setup.words() } else { summary.title.clone() },
                speed_unit: summary.units.speed_word(),
                rows: rows(l, summary.units),
                lets_go,
                lets_go_range,
                behind: behind(summary, l),
                how: how(summary),
                range_deg,
            }
        })
        .collect()
}

impl LabelText {
    /// Everything in words, a line each: for those who cannot see the drawing.
    pub fn words(&self) -> Vec<String> {
        let mut all = vec![self.setup.clone()];
        all.extend(self.rows.iter().map(|r| format!("{}: {}", r.speed, r.angle)));
        all.push(format!("{} ({})", self.lets_go, self.lets_go_range));
        all.extend([SURE.to_string(), self.behind.clone(), self.how.clone()]);
        all
    }
}
