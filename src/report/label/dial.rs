//! How does a release angle look?
//!
//! The outer ends of the arm where it stood when balls of each speed left, at their true angles, as seen with the wall to the
//! right: follow an arm from the ball and its speed down to the degrees. A shade about it is as wide as the ±. However small the
//! range, the angles are true: the pivot then lies far below the drawing.

use std::f64::consts::PI;

use super::text::LabelRow;
use crate::report::chart::escape;
use crate::report::raster::text_width;

/// Levels of speeds above the balls; more would leave no room for arms.
const LEVELS: usize = 3;
/// Neighbours that may share a name, at most: all ways of sharing are tried.
const MOST_JOINTS: usize = 11;
/// From the outer arc to the baseline of the lowest speeds, in sizes of the font: over a ball and a gap.
const SPEED_BASE: f64 = 1.15;
/// From one level of speeds to the next, in sizes of the font.
const PITCH: f64 = 1.05;
/// A ball's diameter in sizes of the font.
const BALL: f64 = 0.85;

/// Where the drawing stands on its label, mm.
#[derive(Clone, Copy, Debug)]
pub(in crate::report) struct Place {
    /// Left edge.
    pub x: f64,
    /// Top edge.
    pub y: f64,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// Size of its text.
    pub font: f64,
}

/// Where each angle of a drawing stands.
#[derive(Clone, Copy, Debug)]
pub(in crate::report) struct Dial {
    pivot: (f64, f64),
    outer: f64,
    inner: f64,
}

impl Dial {
    /// The geometry for a range of degrees, with room above for `levels` of speeds and below for the scale.
    pub fn new(place: &Place, (low_deg, high_deg): (f64, f64), levels: usize) -> Self {
        let (low, high) = (low_deg.to_radians(), high_deg.to_radians());
        let side = 1.3 * place.font;
        let (above, below) =
            (place.font * (SPEED_BASE + PITCH * levels.saturating_sub(1) as f64 + 0.85), 1.9 * place.font);
        // The widest places are where the sine is largest and smallest.
        let reach = (high.min(0.5 * PI).sin() - low.max(-0.5 * PI).sin()).max(0.05);
        let widest = low.abs().max(high.abs()).min(0.5 * PI);
        let drop = 1.0 - widest.cos();
        // The arc's fall must leave some arm.
        let arms = (place.height - above - below).max(place.font);
        let outer = ((place.width - 2.0 * side) / reach).min(0.6 * arms / drop.max(1e-3)).max(place.font);
        let middle = place.x + 0.5 * place.width;
        let pivot = (middle - 0.5 * outer * (high.sin() + low.sin()), place.y + above + outer);
        let bottom = place.y + place.height - below;
        // The lowest inner end stands on the bottom; where the pivot shows, arms start at it.
        let inner = ((pivot.1 - bottom) / widest.cos().max(0.05)).min(outer - place.font).max(0.0);
        Self { pivot, outer, inner }
    }

    /// A place at an angle and at a share of the way from the inner (0) to the outer arc (1), which may be passed.
    pub fn at(&self, deg: f64, out: f64) -> (f64, f64) {
        let (s, c) = deg.to_radians().sin_cos();
        let r = self.inner + out * (self.outer - self.inner);
        (self.pivot.0 + r * s, self.pivot.1 - r * c)
    }

    fn beyond(&self, deg: f64, mm: f64, out: f64) -> (f64, f64) {
        self.at(deg, out + mm / (self.outer - self.inner).max(1e-6))
    }

    fn arc(&self, low_deg: f64, high_deg: f64, out: f64) -> String {
        let steps = 24;
        let points: Vec<String> = (0..=steps)
            .map(|i| {
                let (x, y) = self.at(low_deg + (high_deg - low_deg) * f64::from(i) / f64::from(steps), out);
                format!("{x:.3} {y:.3}")
            })
            .collect();
        points.join("L")
    }
}

/// A speed above its ball, or the speeds of balls that stand too close for one each.
#[derive(Clone)]
struct Named {
    /// Middle of their balls, deg.
    deg: f64,
    text: String,
    level: usize,
    x: f64,
}

impl Named {
    fn new(mut which: Vec<usize>, rows: &[LabelRow], dial: &Dial) -> Self {
        which.sort_unstable();
        let all = || which.iter().filter_map(|i| rows.get(*i));
        let (low, high) = all().fold((f64::MAX, f64::MIN), |(l, h), r| (l.min(r.mean_deg), h.max(r.mean_deg)));
        let words: Vec<&str> = all().map(|r| r.speed_number.as_str()).collect();
        // Neighbours on the ladder are a range of speeds.
        let range = which.windows(2).all(|w| w[0] + 1 == w[1]);
        let text = match words.as_slice() {
            [first, .., last] if range => format!("{first}\u{2013}{last}"),
            words => words.join(", "),
        };
        let deg = 0.5 * (low + high);
        Self { deg, text, level: 0, x: dial.at(deg, 1.0).0 }
    }
}

/// Gives each name one of as few levels as keep them apart; `None` where one fits on none.
fn on_levels(names: &[Named], font: f64) -> Option<Vec<Named>> {
    let mut ends = [f64::NEG_INFINITY; LEVELS];
    let mut taken: Vec<(usize, f64, f64)> = Vec::new();
    let mut out = Vec::with_capacity(names.len());
    for name in names {
        let x = name.x;
        let half = 0.5 * font * text_width(&name.text, true);
        // A leader must not run through a name below it.
        let through = |level: usize| taken.iter().any(|t| t.0 < level && (t.1..=t.2).contains(&x));
        let level = (0..LEVELS).find(|l| ends.get(*l).is_some_and(|e| x - half > *e) && !through(*l))?;
        taken.push((level, x - half - 0.15 * font, x + half + 0.15 * font));
        if let Some(end) = ends.get_mut(level) {
            *end = x + half + 0.5 * font;
        }
        // Nor a name that comes later stand in its way.
        for end in ends.iter_mut().take(level) {
            *end = end.max(x + 0.3 * font);
        }
        out.push(Named { level, ..name.clone() });
    }
    Some(out)
}

/// The speeds above their balls, on as few levels as keep them apart. Where they do not all fit, as few as possible of those that
/// follow each other share a name.
fn named(rows: &[LabelRow], dial: &Dial, font: f64) -> Vec<Named> {
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by(|a, b| rows[*a].mean_deg.total_cmp(&rows[*b].mean_deg));
    let joints = order.len().saturating_sub(1).min(MOST_JOINTS);
    // Bit i: balls i and i + 1 share a name. Balls beyond the bits share the last one's.
    let mut ways: Vec<u32> = (0..1u32 << joints).collect();
    ways.sort_by_key(|w| w.count_ones());
    let shared = |way: u32| -> Vec<Named> {
        let mut groups: Vec<Vec<usize>> = Vec::new();
        for (k, row) in order.iter().enumerate() {
            let joined = k > joints || (k > 0 && way >> (k - 1) & 1 == 1);
            match groups.last_mut().filter(|_| joined) {
                Some(group) => group.push(*row),
                None => groups.push(vec![*row]),
            }
        }
        groups.into_iter().map(|g| Named::new(g, rows, dial)).collect()
    };
    ways.into_iter().find_map(|way| on_levels(&shared(way), font)).unwrap_or_default()
}

/// The drawing as SVG elements, in the units of `place`.
///
/// Colours are `ink` and `tint`. Rows beyond the range are not drawn.
pub(in crate::report) fn dial(
    rows: &[LabelRow],
    range_deg: (f64, f64),
    place: &Place,
    (ink, tint): (&str, &str),
) -> String {
    let inside: Vec<LabelRow> = rows
        .iter()
        .filter(|r| [r.low_deg, r.mean_deg, r.high_deg].iter().all(|v| (range_deg.0..=range_deg.1).contains(v)))
        .cloned()
        .collect();
    let levels = |dial: &Dial| 1 + named(&inside, dial, place.font).iter().map(|n| n.level).max().unwrap_or(0);
    // More room above makes the arc smaller, which may ask for one more level; it never asks for fewer.
    let mut dial = Dial::new(place, range_deg, 1);
    for most in 1..=LEVELS {
        dial = Dial::new(place, range_deg, most);
        if levels(&dial) <= most {
            break;
        }
    }
    let font = place.font;
    let thin = 0.07 * font;
    let mut out = String::new();
    for r in &inside {
        let (outer, inner) = (dial.arc(r.low_deg, r.high_deg, 1.0), dial.arc(r.high_deg, r.low_deg, 0.0));
        out += &format!("<path d=\"M{outer}L{inner}Z\" fill=\"{tint}\" fill-opacity=\"0.38\"/>");
    }
    out += &scale(&dial, range_deg, font, ink);
    for r in &inside {
        let (a, b) = (dial.at(r.mean_deg, 0.0), dial.at(r.mean_deg, 1.0));
        out += &format!(
            "<path d=\"M{:.3} {:.3}L{:.3} {:.3}\" fill=\"none\" stroke=\"{ink}\" stroke-width=\"{:.3}\"/>",
            a.0,
            a.1,
            b.0,
            b.1,
            2.0 * thin
        );
    }
    let names = named(&inside, &dial, font);
    let top = [0.0, range_deg.0, range_deg.1].map(|deg| dial.at(deg, 1.0).1).into_iter().fold(f64::INFINITY, f64::min);
    for n in &names {
        let ball = dial.beyond(n.deg, 0.5 * BALL * font, 1.0);
        // The lowest speeds stand close above their balls, the others on levels above the arc's top.
        let arc = if n.level == 0 { dial.at(n.deg, 1.0).1 } else { top };
        let base = arc - font * (SPEED_BASE + PITCH * n.level as f64);
        if n.level > 0 {
            out += &format!(
                "<path d=\"M{:.3} {:.3}L{:.3} {:.3}\" fill=\"none\" stroke=\"{ink}\" stroke-width=\"{thin:.3}\"/>",
                ball.0,
                ball.1 - 0.5 * BALL * font,
                n.x,
                base + 0.1 * font
            );
        }
        out += &format!(
            "<text x=\"{:.3}\" y=\"{base:.3}\" font-size=\"{font:.3}\" font-weight=\"bold\" text-anchor=\"middle\" fill=\"{ink}\">{}</text>",
            n.x,
            escape(&n.text)
        );
    }
    for r in &inside {
        let (x, y) = dial.beyond(r.mean_deg, 0.5 * BALL * font, 1.0);
        out += &format!(
            "<circle cx=\"{x:.3}\" cy=\"{y:.3}\" r=\"{:.3}\" fill=\"#ffffff\" stroke=\"{ink}\" stroke-width=\"{:.3}\"/>",
            0.5 * BALL * font - thin,
            2.0 * thin
        );
    }
    out
}

/// The degrees along the inner arc, the line of zero, and which way is more whip.
fn scale(dial: &Dial, (low, high): (f64, f64), font: f64, ink: &str) -> String {
    let thin = 0.07 * font;
    let mut out = format!(
        "<path d=\"M{}\" fill=\"none\" stroke=\"{ink}\" stroke-width=\"{:.3}\"/>",
        dial.arc(low, high, 0.0),
        1.5 * thin
    );
    let first = low.ceil() as i32;
    let span = high - low;
    // Numbers stand apart by at least twice their width.
    let apart = |step: i32| {
        let (a, b) = (dial.at(0.0, 0.0), dial.at(f64::from(step), 0.0));
        (b.0 - a.0).hypot(b.1 - a.1)
    };
    let step = [5, 10, 15, 30, 45].into_iter().find(|s| apart(*s) > 2.4 * font).unwrap_or(90);
    let small = if apart(1) > 0.45 * font && span <= 60.0 { 1 } else { step };
    for deg in (first..=high.floor() as i32).filter(|d| d % small == 0) {
        let long = deg % step == 0;
        let at = f64::from(deg);
        let (a, b) = (dial.at(at, 0.0), dial.beyond(at, if long { -0.45 } else { -0.22 } * font, 0.0));
        out += &format!(
            "<path d=\"M{:.3} {:.3}L{:.3} {:.3}\" fill=\"none\" stroke=\"{ink}\" stroke-width=\"{thin:.3}\"/>",
            a.0, a.1, b.0, b.1
        );
        if long {
            let (x, y) = dial.beyond(at, -font, 0.0);
            let words = if deg < 0 { format!("\u{2212}{}°", -deg) } else { format!("{deg}°") };
            out += &format!(
                "<text x=\"{x:.3}\" y=\"{:.3}\" font-size=\"{:.3}\" text-anchor=\"middle\" fill=\"{ink}\">{words}</text>",
                y + 0.32 * font,
                0.85 * font
            );
        }
    }
    if low < 0.0 || high > 0.0 {
        let (a, b) = (dial.at(0.0, 0.0), dial.at(0.0, 1.0));
        out += &format!(
            "<path d=\"M{:.3} {:.3}L{:.3} {:.3}\" fill=\"none\" stroke=\"{ink}\" stroke-width=\"{thin:.3}\" stroke-dasharray=\"{:.3} {:.3}\"/>",
            a.0,
            a.1,
            b.0,
            b.1,
            0.35 * font,
            0.3 * font
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLACE: Place = Place { x: 3.0, y: 10.0, width: 50.0, height: 40.0, font: 2.4 };

    #[test]
    fn angles_are_true_and_stay_inside() {
        for range in [(0.0, 15.0), (-5.0, 20.0), (-10.0, 60.0), (-85.0, 85.0), (-40.0, 0.0)] {
            let d = Dial::new(&PLACE, range, 2);
            for deg in [range.0, 0.5 * (range.0 + range.1), range.1] {
                let (a, b) = (d.at(deg, 0.0), d.at(deg, 1.0));
                assert!(((b.0 - a.0).atan2(a.1 - b.1).to_degrees() - deg).abs() < 1e-9, "{range:?} {deg}");
                for (x, y) in [a, b] {
                    assert!((PLACE.x..=PLACE.x + PLACE.width).contains(&x), "{range:?} {deg}: x {x}");
                    assert!((PLACE.y..=PLACE.y + PLACE.height).contains(&y), "{range:?} {deg}: y {y}");
                }
            }
            assert!(d.outer - d.inner > PLACE.font, "{range:?}: no arm is seen");
        }
    }

    #[test]
    fn speeds_do_not_stand_on_each_other() {
        let row = |deg: f64, speed: &str| LabelRow {
            speed: format!("{speed} mph"),
            speed_number: speed.into(),
            angle: String::new(),
            mean_deg: deg,
            low_deg: deg - 0.2,
            high_deg: deg + 0.2,
        };
        let rows: Vec<LabelRow> = (0..8).map(|i| row(12.0 + 0.3 * f64::from(i), &format!("{}", 30 + 5 * i))).collect();
        let d = Dial::new(&PLACE, (0.0, 20.0), 3);
        let names = named(&rows, &d, PLACE.font);
        assert!(names.len() >= 3 && names.len() < 8);
        let said: Vec<u32> = names
            .iter()
            .flat_map(|n| {
                let (first, last) = n.text.split_once('\u{2013}').unwrap_or((&n.text, &n.text));
                (first.parse().unwrap()..=last.parse().unwrap()).step_by(5)
            })
            .collect();
        assert_eq!(said, (0..8).map(|i| 30 + 5 * i).collect::<Vec<u32>>(), "a speed is left out");
        // All at one place: one name, and it says which.
        let same: Vec<LabelRow> = (0..8).map(|i| row(12.0, &format!("{}", 30 + 5 * i))).collect();
        let names = named(&same, &d, PLACE.font);
        assert_eq!(names.iter().map(|n| n.text.as_str()).collect::<Vec<_>>(), ["30\u{2013}65"]);
        let names = named(&rows, &d, PLACE.font);
        for (i, a) in names.iter().enumerate() {
            for b in &names[..i] {
                let half = |n: &Named| 0.5 * PLACE.font * text_width(&n.text, true);
                assert!(a.level != b.level || (a.x - b.x).abs() > half(a) + half(b));
            }
        }
    }
}
