//! How does a chart stand alone, in a video or a post?
//!
//! [`charts`] draws each chart of the page once more, 16 to 9, with its title, its legend and where it comes from inside the
//! picture, in colours of its own (light or dark), as SVG and as PNG of 1920 x 1080 px.

use super::chart::{self, Chart, POSTER_PX, SERIES, escape};
use super::model::Summary;
use super::number::COVERAGE;
use super::raster::{FONT, cut_to, png, text_width};
use super::view::{Names, Voice};
use crate::error::Result;

/// Width and height of the picture, px.
pub const SIZE_PX: (u32, u32) = (1920, 1080);
/// Width and height of the drawing's own frame: text of 13 is then read on a phone too.
const FRAME: (f64, f64) = (960.0, 540.0);
/// Room at the sides.
const SIDE: f64 = 40.0;
/// Size of the title's text.
const TITLE: f64 = 25.0;
/// Size of other text.
const SMALL: f64 = 13.0;
/// Lines of a legend; what does not fit is counted.
const LEGEND_LINES: usize = 2;

/// Light or dark.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Theme {
    /// Dark on paper.
    #[default]
    Light,
    /// Light on black.
    Dark,
}

/// The page's colours by name, as style.css has them.
const LIGHT: [(&str, &str); 12] = [
    ("ink", "#23262b"),
    ("muted", "#5d6068"),
    ("grid", "#dedad0"),
    ("paper", "#fbf9f4"),
    ("band", "#e6e0cf"),
    ("alarm", "#a32020"),
    ("s0", "#0072b2"),
    ("s1", "#d55e00"),
    ("s2", "#00805d"),
    ("s3", "#a8527f"),
    ("s4", "#8f6400"),
    ("s5", "#2b7fae"),
];
const DARK: [(&str, &str); 12] = [
    ("ink", "#e7e3d8"),
    ("muted", "#a7a59c"),
    ("grid", "#34363b"),
    ("paper", "#17181b"),
    ("band", "#33322c"),
    ("alarm", "#ff8a7a"),
    ("s0", "#56a8e0"),
    ("s1", "#ff8c3a"),
    ("s2", "#2fc79d"),
    ("s3", "#e39bc4"),
    ("s4", "#e6b23c"),
    ("s5", "#8fd0f5"),
];

impl Theme {
    fn colours(self) -> &'static [(&'static str, &'static str)] {
        match self {
            Self::Light => &LIGHT,
            Self::Dark => &DARK,
        }
    }

    /// The page's names of colours, replaced by colours.
    fn painted(self, svg: &str) -> String {
        self.colours().iter().fold(svg.replace("currentColor", "var(--ink)"), |svg, (name, colour)| {
            svg.replace(&format!("var(--{name})"), colour)
        })
    }
}

/// A chart as files.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartFiles {
    /// Name without ending: "ladder", "compare", "wall" ...
    pub name: String,
    /// The drawing.
    pub svg: String,
    /// The picture, [`SIZE_PX`].
    pub png: Vec<u8>,
}

/// An item of a legend: a small drawing of 32 x 16 (or none) and its name.
struct Item {
    swatch: String,
    name: String,
}

fn item(series: usize, line: bool, name: impl Into<String>) -> Item {
    Item { swatch: chart::swatch(series, line).to_string(), name: name.into() }
}

/// The legend's items on lines, from the first baseline down, and how many lines there are.
fn legend(items: &[Item], top: f64) -> (String, usize) {
    let mut out = String::new();
    let (mut x, mut line) = (SIDE, 0);
    let width = FRAME.0 - 2.0 * SIDE;
    for (i, item) in items.iter().enumerate() {
        let name = cut_to(&item.name, false, (width - 60.0) / SMALL);
        let swatch = if item.swatch.is_empty() { 0.0 } else { 38.0 };
        let wide = swatch + SMALL * text_width(&name, false) + 24.0;
        if x > SIDE && x + wide > SIDE + width {
            (x, line) = (SIDE, line + 1);
        }
        let y = top + 20.0 * line as f64;
        // Room for "and 12 more" is kept at the end of the last line.
        if line >= LEGEND_LINES || (line + 1 == LEGEND_LINES && i + 1 < items.len() && x + wide > SIDE + width - 100.0)
        {
            let y = top + 20.0 * (LEGEND_LINES - 1) as f64;
            let at = if line >= LEGEND_LINES { FRAME.0 - SIDE - 90.0 } else { x };
            out += &text(&format!("and {} more", items.len() - i), (at, y), SMALL, "ink", false);
            break;
        }
        if !item.swatch.is_empty() {
            out += &item.swatch.replacen("<svg ", &format!("<svg x=\"{x:.1}\" y=\"{:.1}\" ", y - 12.0), 1);
        }
        out += &text(&name, (x + swatch, y), SMALL, "ink", false);
        x += wide;
    }
    (out, if items.is_empty() { 0 } else { (line + 1).min(LEGEND_LINES) })
}

fn text(words: &str, (x, y): (f64, f64), size: f64, colour: &str, bold: bool) -> String {
    let weight = if bold { " font-weight=\"bold\"" } else { "" };
    format!(
        "<text x=\"{x:.1}\" y=\"{y:.1}\" font-size=\"{size}\" fill=\"var(--{colour})\"{weight}>{}</text>",
        escape(words)
    )
}

/// One chart with everything that it needs to stand alone.
fn poster(chart: &Chart, items: &[Item], session: &str, footer: &str, theme: Theme) -> String {
    let (inner, (w, h)) = chart.poster();
    let wide = (FRAME.0 - 2.0 * SIDE) / TITLE;
    let mut body = format!("<rect width=\"{}\" height=\"{}\" fill=\"var(--paper)\"/>", FRAME.0, FRAME.1);
    body += &text(&cut_to(&chart.title, true, wide), (SIDE, 48.0), TITLE, "ink", true);
    body += &text(&cut_to(session, false, wide * TITLE / SMALL), (SIDE, 70.0), SMALL, "muted", false);
    let (drawn, lines) = legend(items, 94.0);
    body += &drawn;
    let (top, bottom) = (84.0 + 20.0 * lines as f64, FRAME.1 - 30.0);
    body += &format!(
        "<svg x=\"{SIDE}\" y=\"{top}\" width=\"{}\" height=\"{}\" viewBox=\"0 0 {w} {h}\">{inner}</svg>",
        POSTER_PX.0,
        bottom - top
    );
    body += &text(&cut_to(footer, false, wide * TITLE / 11.0), (SIDE, FRAME.1 - 14.0), 11.0, "muted", false);
    theme.painted(&format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{}\" height=\"{}\" viewBox=\"0 0 {} {}\" role=\"img\" \
         font-family=\"{FONT}, sans-serif\"><title>{}</title><desc>{}</desc>{body}</svg>\n",
        SIZE_PX.0,
        SIZE_PX.1,
        FRAME.0,
        FRAME.1,
        escape(&chart.title),
        escape(&chart.description),
    ))
}

/// Every chart of a session that has something to show.
///
/// # Errors
/// When a chart cannot be drawn or written as PNG; never because of what a text holds.
pub fn charts(summary: &Summary, theme: Theme) -> Result<Vec<ChartFiles>> {
    let study = summary.study.as_ref();
    let voice = Voice::new(summary.units, study);
    let units = summary.units;
    let setups = study.into_iter().flat_map(|s| s.ladders.iter().map(|l| &l.setup));
    let names = Names::new(setups.chain(summary.volleys.iter().map(|v| &v.setup)));
    let by_setup = |line: bool| -> Vec<Item> {
        names.setups().iter().map(|s| item(names.series(s), line, names.short(s))).collect()
    };
    let mut all: Vec<(Option<Chart>, Vec<Item>)> = Vec::new();
    if let Some(s) = study {
        let said: Vec<String> = s.ladders.iter().map(|l| voice.say(&l.sentence)).collect();
        all.push((chart::ladders(&s.ladders, units, &said.join(" "))?, by_setup(true)));
        let said: Vec<String> = s.comparisons.iter().map(|c| voice.say(&c.overall.sentence)).collect();
        let verdicts = chart::VERDICTS
            .map(|(v, name)| Item { swatch: chart::verdict_swatch(v).to_string(), name: name.into() })
            .into();
        if !s.comparisons.is_empty() {
            all.push((chart::comparisons(&s.comparisons, s.matters_deg, units, &said.join(" "))?, verdicts));
        }
        all.push((chart::repeats(&s.steady, &voice.say(&s.steady.sentence))?, Vec::new()));
    }
    all.push((
        chart::wall(&summary.volleys, &|v| names.series(&v.setup), units, "All marks, facing the wall.")?,
        by_setup(false),
    ));
    if !summary.budgets.is_empty() {
        let budgets = super::view::in_order(&summary.budgets, &names);
        let parts = chart::parts(&budgets);
        let items =
            parts.names.iter().enumerate().map(|(i, n)| Item { swatch: chip(i), name: format!("{} {n}", i + 1) });
        let drawn = chart::budgets(&budgets, &parts, &names, units, "Bars parted by source.")?;
        let rest = parts.rest.then(|| Item { swatch: REST.to_string(), name: "all others".into() });
        all.push((drawn, items.chain(rest).collect()));
    }
    if let Some(c) = &summary.calibration {
        all.push((chart::sheets(c, units, "The sheets' crosses, facing the wall.")?, Vec::new()));
        all.push((chart::residuals(c, "Strokes from each corner.")?, Vec::new()));
        let steps = c.quality.trust_map.as_ref().and_then(|m| chart::steps(m, units));
        let items = steps.map_or_else(Vec::new, |s| {
            super::view::step_words(&s, c, units)
                .into_iter()
                .enumerate()
                .map(|(i, n)| Item { swatch: shade(s.darkness(i)), name: n })
                .collect()
        });
        all.push((chart::trust(c, &summary.volleys, units, "A map of the wall in steps.")?, items));
    }
    let footer = [
        Some(format!("Intervals and ± at 95 % (k = {COVERAGE:.0} or Student's t)")),
        summary.measured_on.as_ref().map(|d| format!("shot on {d}")),
        Some(summary.written_by.clone()).filter(|w| !w.is_empty()),
    ];
    let footer = footer.into_iter().flatten().collect::<Vec<_>>().join("  ·  ");
    let session = [summary.title.trim().to_string(), names.shared()];
    let session = session.into_iter().filter(|t| !t.is_empty()).collect::<Vec<_>>().join("  ·  ");
    all.into_iter()
        .filter_map(|(chart, items)| Some((chart?, items)))
        .map(|(chart, items)| {
            let svg = poster(&chart, &items, &session, &footer, theme);
            Ok(ChartFiles { name: chart.id.clone(), png: png(&svg, SIZE_PX.0)?, svg })
        })
        .collect()
}

/// A field as sources without a name are drawn.
const REST: &str = "<svg width=\"32\" height=\"16\"><rect x=\"4\" y=\"2\" width=\"24\" height=\"13\" fill=\"var(--muted)\" fill-opacity=\"0.45\"/></svg>";

/// A filled field in a series' colour.
fn chip(series: usize) -> String {
    format!(
        "<svg width=\"32\" height=\"16\"><rect x=\"4\" y=\"2\" width=\"24\" height=\"13\" fill=\"var(--s{})\"/></svg>",
        series % SERIES
    )
}

/// A field of the trust map.
fn shade(darkness: f64) -> String {
    format!(
        "<svg width=\"32\" height=\"16\"><rect x=\"4\" y=\"2\" width=\"24\" height=\"13\" fill=\"var(--s0)\" fill-opacity=\"{darkness:.3}\" stroke=\"var(--muted)\"/></svg>"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_are_those_of_the_page() {
        let style = include_str!("template/style.css");
        let (light, rest) = style.split_once("@media (prefers-color-scheme: dark)").unwrap();
        let dark = rest.split_once("}\n}").unwrap().0;
        for (part, theme) in [(light, Theme::Light), (dark, Theme::Dark)] {
            for (name, colour) in theme.colours() {
                assert!(part.contains(&format!("--{name}: {colour};")), "{theme:?} {name}");
            }
        }
    }

    #[test]
    fn long_legends_count_what_does_not_fit() {
        let items: Vec<Item> = (0..40).map(|i| item(i, true, format!("pocket number {i}"))).collect();
        let (drawn, lines) = legend(&items, 94.0);
        assert_eq!(lines, LEGEND_LINES);
        let shown = drawn.matches("pocket number").count();
        assert!(shown > 4 && shown < 40 && drawn.contains(&format!("and {} more", 40 - shown)), "{shown}");
    }
}
