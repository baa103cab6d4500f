//! How do words and drawing share a label?
//!
//! Side by side on a wide label, one above the other on a tall one. Sizes follow the label, within what a home printer prints and
//! an eye reads; what does not fit is left out or cut, never drawn over something else.

use super::dial::{Place, dial};
use super::text::{LabelRow, LabelText, SURE};
use crate::error::{Error, Result};
use crate::report::chart::escape;
use crate::report::raster::{FONT, cut_to, text_width};

/// Smallest label, mm: below it words would be smaller than a home printer prints cleanly.
pub const LEAST_MM: (f64, f64) = (60.0, 33.0);
/// Largest label, mm: A2.
const MOST_MM: f64 = 600.0;
/// Smallest text, mm (4.5 points): what a home printer still prints cleanly.
const LEAST_FONT_MM: f64 = 1.6;
/// The label that sizes are given for, mm.
const STANDARD_MM: (f64, f64) = (99.1, 67.7);
/// Labels taller than this share of their width have the drawing above the table.
const TALL: f64 = 1.1;
/// Colour of words and lines.
const INK: &str = "#23262b";
/// Colour of what stands back.
const PALE: &str = "#5d6068";
/// Colour of the ± and of the rule.
const TINT: &str = "#d07a35";

/// Size of a label, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LabelSize {
    /// Across.
    pub width_mm: f64,
    /// Up.
    pub height_mm: f64,
}

impl LabelSize {
    /// Refuses sizes that nothing can be read on, or that no printer takes.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Usage`] with the limits.
    pub fn check(self) -> Result<Self> {
        let (w, h) = (self.width_mm, self.height_mm);
        if (LEAST_MM.0..=MOST_MM).contains(&w) && (LEAST_MM.1..=MOST_MM).contains(&h) {
            return Ok(self);
        }
        Err(Error::usage(format!(
            "a label of {w} x {h} mm: from {} x {} mm, where the words can still be read, to {MOST_MM} x {MOST_MM} mm will do",
            LEAST_MM.0, LEAST_MM.1
        )))
    }
}

/// Sizes of a label's parts, mm.
struct Sizes {
    pad: f64,
    title: f64,
    row: f64,
    strong: f64,
    small: f64,
    dial: f64,
}

impl Sizes {
    fn of(size: LabelSize) -> Self {
        let s = (size.height_mm / STANDARD_MM.1).min(size.width_mm / STANDARD_MM.0).clamp(0.5, 4.0);
        let at = |mm: f64, least: f64| (mm * s).max(least);
        Self {
            pad: at(3.4, 2.2),
            title: at(4.6, 2.7),
            row: at(2.9, 1.9),
            strong: at(3.4, 2.1),
            small: at(1.95, LEAST_FONT_MM),
            dial: at(2.7, 1.9),
        }
    }
}

/// Words broken into lines no wider than `width` (sizes of the font); the last is cut where more is left.
fn wrap(text: &str, bold: bool, width: f64, most: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let joined = lines.last().map(|l| format!("{l} {word}"));
        match (lines.last_mut(), joined) {
            (Some(last), Some(j)) if text_width(&j, bold) <= width => *last = j,
            _ => lines.push(word.to_string()),
        }
        if lines.len() > most {
            // One line too many: what is left is shown as cut.
            let rest = lines.pop().unwrap_or_default();
            if let Some(last) = lines.last_mut() {
                *last = format!("{last} {rest}…");
            }
            break;
        }
    }
    lines.iter().map(|l| cut_to(l, bold, width)).collect()
}

struct Pen {
    out: String,
}

impl Pen {
    fn text(&mut self, words: &str, (x, y): (f64, f64), size: f64, colour: &str, bold: bool) {
        let weight = if bold { " font-weight=\"bold\"" } else { "" };
        self.out += &format!(
            "<text x=\"{x:.3}\" y=\"{y:.3}\" font-size=\"{size:.3}\" fill=\"{colour}\"{weight}>{}</text>",
            escape(words)
        );
    }

    /// Lines from a top edge down; the edge under them.
    fn lines(&mut self, lines: &[String], (x, top): (f64, f64), size: f64, colour: &str, bold: bool) -> f64 {
        let mut y = top;
        for line in lines {
            self.text(line, (x, y + 0.82 * size), size, colour, bold);
            y += 1.22 * size;
        }
        y
    }
}

/// The title on one line if it fits at some size, else on two.
fn title(text: &str, size: f64, width: f64) -> (Vec<String>, f64) {
    let wide = text_width(text, true);
    let one = (width / wide.max(1e-6)).min(size);
    if one >= 0.72 * size {
        return (vec![cut_to(text, true, 1.001 * width / one)], one);
    }
    let two = 0.8 * size;
    (wrap(text, true, width / two, 2), two)
}

/// The rows that fit: all, or some evenly from the first to the last.
fn chosen(rows: &[LabelRow], most: usize) -> Vec<&LabelRow> {
    let n = rows.len();
    if n <= most {
        return rows.iter().collect();
    }
    let most = most.max(1);
    (0..most).filter_map(|i| rows.get(if most == 1 { 0 } else { i * (n - 1) / (most - 1) })).collect()
}

/// Speeds and angles, then where it lets go, in a column.
fn column(pen: &mut Pen, text: &LabelText, s: &Sizes, (x, top, width, bottom): (f64, f64, f64, f64)) {
    let mut strong = s.strong;
    let mut go = wrap(&text.lets_go, true, width / strong, 2);
    if go.len() > 1 {
        strong *= 0.88;
        go = wrap(&text.lets_go, true, width / strong, 2);
    }
    let range = wrap(&text.lets_go_range, false, width / s.small.max(0.7 * s.row), 2);
    let range_font = s.small.max(0.7 * s.row);
    let ends = 1.22 * (strong * go.len() as f64 + range_font * range.len() as f64) + 0.5 * s.row;
    let widest = |f: &dyn Fn(&LabelRow) -> f64| text.rows.iter().map(f).fold(0.0, f64::max);
    let (speed, angle) = (widest(&|r| text_width(&r.speed, false)), widest(&|r| text_width(&r.angle, true)));
    let row = s.row.min(width / (speed + angle + 0.9).max(1.0)).max(LEAST_FONT_MM);
    let pitch = 1.32 * row;
    let most = ((bottom - top - ends) / pitch).floor().max(1.0) as usize;
    let mut y = top;
    for r in chosen(&text.rows, most) {
        let speeds = speed.min(0.45 * width / row);
        pen.text(&cut_to(&r.speed, false, speeds + 1e-6), (x, y + 0.85 * row), row, INK, false);
        let from = row * (speeds + 0.9);
        pen.text(&cut_to(&r.angle, true, (width - from) / row), (x + from, y + 0.85 * row), row, INK, true);
        y += pitch;
    }
    // What a head is chosen by stands by itself, under a rule.
    let y = y + 0.15 * row;
    pen.out += &format!(
        "<path d=\"M{x:.3} {y:.3}H{:.3}\" fill=\"none\" stroke=\"{TINT}\" stroke-width=\"{:.3}\"/>",
        x + width,
        0.12 * row
    );
    let y = pen.lines(&go, (x, y + 0.35 * row), strong, INK, true);
    pen.lines(&range, (x, y), range_font, PALE, false);
}

/// A label as SVG, true to size; all text is text.
pub(in crate::report) fn svg(text: &LabelText, size: LabelSize) -> String {
    let s = Sizes::of(size);
    let (w, h) = (size.width_mm, size.height_mm);
    let (left, width) = (s.pad, w - 2.0 * s.pad);
    let mut pen = Pen { out: format!("<rect width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>") };
    let (lines, font) = title(&text.setup, s.title, width);
    let under = pen.lines(&lines, (left, s.pad), font, INK, true) + 0.05 * font;
    pen.out += &format!(
        "<path d=\"M{left:.3} {under:.3}H{:.3}\" fill=\"none\" stroke=\"{TINT}\" stroke-width=\"{:.3}\"/>",
        left + width,
        0.1 * s.title
    );
    // From the bottom up: how it was measured.
    let mut small = wrap(&format!("{SURE}. {}.", text.behind), false, width / s.small, 2);
    small.extend(wrap(&text.how, false, width / s.small, 1));
    let foot = h - s.pad - 1.22 * s.small * small.len() as f64 + 0.2 * s.small;
    pen.lines(&small, (left, foot), s.small, PALE, false);
    let (top, bottom) = (under + 0.45 * s.row, foot - 0.3 * s.row);
    let says = format!("The arm when a ball leaves, by its speed in {}. Further right: more whip.", text.speed_unit);
    let tall = h > TALL * w;
    let (dial_width, dial_bottom) = if tall {
        let rows = 1.32 * s.row * text.rows.len() as f64 + 4.6 * s.strong;
        (width, (bottom - rows).max(top + 0.45 * (bottom - top)))
    } else {
        (0.57 * width, bottom)
    };
    let said = wrap(&says, false, dial_width / s.small, 2);
    let dial_top = pen.lines(&said, (left, top), s.small, PALE, false) + 0.3 * s.small;
    let place = Place { x: left, y: dial_top, width: dial_width, height: dial_bottom - dial_top, font: s.dial };
    pen.out += &dial(&text.rows, text.range_deg, &place, (INK, TINT));
    if tall {
        column(&mut pen, text, &s, (left, dial_bottom + 0.4 * s.row, width, bottom));
    } else {
        let x = left + dial_width + 1.1 * s.row;
        column(&mut pen, text, &s, (x, top, left + width - x, bottom));
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\" role=\"img\" \
         font-family=\"{FONT}, sans-serif\"><title>{}</title><desc>{}</desc>{}</svg>",
        escape(&text.setup),
        escape(&text.words().join(". ")),
        pen.out
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_wrapped_and_cut() {
        let lines = wrap("head Heron, mesh soft, pocket very low and long", true, 12.0, 2);
        assert_eq!(lines.len(), 2);
        assert!(lines.iter().all(|l| text_width(l, true) <= 12.0) && lines[1].ends_with('…'), "{lines:?}");
        assert_eq!(wrap("a b", false, 12.0, 2), ["a b"]);
        assert!(wrap("", false, 12.0, 2).is_empty());
    }

    #[test]
    fn rows_that_fit_keep_the_ends() {
        let rows: Vec<LabelRow> = (0..9)
            .map(|i| LabelRow {
                speed: i.to_string(),
                speed_number: i.to_string(),
                angle: String::new(),
                mean_deg: 0.0,
                low_deg: 0.0,
                high_deg: 0.0,
            })
            .collect();
        let names: Vec<&str> = chosen(&rows, 5).iter().map(|r| r.speed.as_str()).collect();
        assert_eq!(names, ["0", "2", "4", "6", "8"]);
        assert_eq!(chosen(&rows, 20).len(), 9);
        assert_eq!(chosen(&rows, 0).len(), 1);
    }
}
