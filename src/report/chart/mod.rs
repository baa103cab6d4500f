//! How does a chart get onto the page?
//!
//! `plotters` draws axes and shapes as SVG text; [`figure`] draws each chart three times, wide for desks and
//! paper, narrow for phones and for a picture of its own ([`super::poster`]), and turns the fixed colours that `plotters` writes into the page's own, so that one
//! drawing serves light, dark and print. Shapes keep whole pixels only, so the canvas is [`FINE`] times finer than shown.

mod axes;
mod budget;
mod compare;
mod fit;
mod ladder;
mod map;
mod rows;
mod steady;
mod trust;

pub(super) use axes::plain;
pub(super) use budget::{OWN, budgets, parts};
pub(super) use compare::comparisons;
pub(super) use fit::residuals;
pub(super) use ladder::ladders;
pub(super) use map::{ELLIPSE_SD, sheets, wall};
pub(super) use steady::repeats;
pub(super) use trust::{Steps, steps, trust};

use minijinja::value::Value;
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::error::{Error, Result};
use crate::study::Verdict;

/// Canvas pixels for each pixel shown: `plotters` rounds to whole ones, a quarter pixel is not seen.
const FINE: f64 = 4.0;
/// `plotters` divides font sizes by this when it writes SVG.
const FONT_DIVISOR: f64 = 1.24;
/// Width of the chart for desks and paper, px.
const WIDE_PX: u32 = 720;
/// Width of the chart for phones, px: what a phone of 390 px leaves between its margins.
const NARROW_PX: u32 = 358;
/// Width and height that a chart has in a picture of its own, px.
pub(super) const POSTER_PX: (u32, u32) = (880, 380);

/// Drawing result of `plotters`' SVG backend.
pub(super) type Drawn<T = ()> = std::result::Result<T, DrawingAreaErrorKind<std::io::Error>>;

/// A colour of the page: a token that [`figure`] replaces by what style.css defines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Ink {
    /// Text and strong lines.
    Text,
    /// Axis labels.
    Muted,
    /// Grid.
    Grid,
    /// The page behind.
    Paper,
    /// What matters: the band in comparisons.
    Band,
    /// A warning mark.
    Alarm,
    /// Series, by number; [`SERIES`] of them, then again.
    Series(usize),
    /// A series' line, dashed in its own way.
    SeriesLine(usize),
}

/// Colours for series in style.css (Okabe and Ito's set, the pale ones darkened until they stand off paper).
pub(super) const SERIES: usize = 6;
/// Dash patterns, canvas px; solid first.
const DASHES: [&str; SERIES] = ["", "28 14", "8 12", "36 12 8 12", "56 16", "16 16"];

impl Ink {
    fn rgb(self) -> RGBColor {
        let s = |i: usize| (i % SERIES) as u8;
        match self {
            Self::Text => RGBColor(1, 0, 1),
            Self::Muted => RGBColor(1, 0, 2),
            Self::Grid => RGBColor(1, 0, 3),
            Self::Paper => RGBColor(1, 0, 4),
            Self::Band => RGBColor(1, 0, 5),
            Self::Alarm => RGBColor(1, 0, 6),
            Self::Series(i) => RGBColor(1, 1, s(i)),
            Self::SeriesLine(i) => RGBColor(1, 2, s(i)),
        }
    }

    /// What the page writes in place of the token; a dash goes along as an attribute of its own.
    fn css(self) -> String {
        match self {
            Self::Text => "currentColor\"".into(),
            Self::Muted => "var(--muted)\"".into(),
            Self::Grid => "var(--grid)\"".into(),
            Self::Paper => "var(--paper)\"".into(),
            Self::Band => "var(--band)\"".into(),
            Self::Alarm => "var(--alarm)\"".into(),
            Self::Series(i) => format!("var(--s{})\"", i % SERIES),
            Self::SeriesLine(i) => match DASHES.get(i % SERIES) {
                Some(dash) if !dash.is_empty() => format!("var(--s{})\" stroke-dasharray=\"{dash}\"", i % SERIES),
                _ => format!("var(--s{})\"", i % SERIES),
            },
        }
    }

    fn all() -> impl Iterator<Item = Self> {
        [Self::Text, Self::Muted, Self::Grid, Self::Paper, Self::Band, Self::Alarm]
            .into_iter()
            .chain((0..SERIES).map(Self::Series))
            .chain((0..SERIES).map(Self::SeriesLine))
    }
}

/// Where text stands about its point.
#[derive(Clone, Copy, Debug)]
pub(super) enum Stand {
    /// To the right of the point, centred in height.
    Right,
    /// To the left of the point, centred in height.
    Left,
    /// Above the point, centred across.
    Above,
}

/// A sheet to draw on; places and sizes are pixels as shown.
pub(super) struct Canvas<'a> {
    root: DrawingArea<SVGBackend<'a>, Shift>,
    /// Width, px.
    pub width_px: f64,
    /// Height, px.
    pub height_px: f64,
    /// Drawn for a phone.
    pub narrow: bool,
}

fn fine(px: f64) -> i32 {
    (px * FINE).round().clamp(-1e6, 1e6) as i32
}

fn spot((x, y): (f64, f64)) -> (i32, i32) {
    (fine(x), fine(y))
}

impl Canvas<'_> {
    /// Size of plain text, px.
    pub fn font_px(&self) -> f64 {
        if self.narrow { 11.5 } else { 13.0 }
    }

    fn style(&self, ink: Ink, size_px: f64, bold: bool) -> TextStyle<'static> {
        let weight = if bold { FontStyle::Bold } else { FontStyle::Normal };
        ("sans-serif", size_px * FINE * FONT_DIVISOR, weight).into_font().color(&ink.rgb())
    }

    /// Text at a place.
    pub fn text(&self, text: &str, at: (f64, f64), stand: Stand, ink: Ink, bold: bool) -> Drawn {
        let (h, v) = match stand {
            Stand::Right => (HPos::Left, VPos::Center),
            Stand::Left => (HPos::Right, VPos::Center),
            Stand::Above => (HPos::Center, VPos::Bottom),
        };
        let style = self.style(ink, self.font_px(), bold).pos(Pos::new(h, v));
        self.root.draw(&Text::new(text.to_string(), spot(at), style))
    }

    /// A line through points.
    pub fn line(&self, points: &[(f64, f64)], ink: Ink, width_px: f64) -> Drawn {
        let points: Vec<(i32, i32)> = points.iter().map(|p| spot(*p)).collect();
        self.root.draw(&PathElement::new(points, ink.rgb().stroke_width(fine(width_px).max(1) as u32)))
    }

    /// A filled polygon; `opacity` 0 to 1.
    pub fn fill(&self, points: &[(f64, f64)], ink: Ink, opacity: f64) -> Drawn {
        let points: Vec<(i32, i32)> = points.iter().map(|p| spot(*p)).collect();
        self.root.draw(&Polygon::new(points, ink.rgb().mix(opacity).filled()))
    }

    /// A filled rectangle from one corner to the other.
    pub fn bar(&self, a: (f64, f64), b: (f64, f64), ink: Ink, opacity: f64) -> Drawn {
        self.fill(&[a, (b.0, a.1), b, (a.0, b.1)], ink, opacity)
    }

    /// A series' mark: shape by series number, filled or open.
    pub fn marker(&self, series: usize, at: (f64, f64), radius_px: f64, filled: bool) -> Drawn {
        let ink = Ink::Series(series);
        let mut outline = marker_outline(series, at, radius_px);
        self.fill(&outline, if filled { ink } else { Ink::Paper }, 1.0)?;
        if let Some(first) = outline.first().copied() {
            outline.push(first);
        }
        self.line(&outline, ink, 1.5)
    }
}

/// Whether a series' mark is filled: once colours, dashes and shapes are used up they come again with open marks.
pub(super) fn is_filled(series: usize) -> bool {
    (series / SERIES).is_multiple_of(2)
}

/// Corners of a series' mark.
fn marker_outline(series: usize, (x, y): (f64, f64), r: f64) -> Vec<(f64, f64)> {
    let turned = |corners: usize, start_turns: f64, r: f64| -> Vec<(f64, f64)> {
        (0..corners)
            .map(|k| {
                let a = (start_turns + k as f64 / corners as f64) * std::f64::consts::TAU;
                (x + r * a.cos(), y + r * a.sin())
            })
            .collect()
    };
    match series % SERIES {
        0 => turned(20, 0.0, r),
        1 => turned(4, 0.125, 1.25 * r),
        2 => turned(3, 0.75, 1.35 * r),
        3 => turned(4, 0.0, 1.3 * r),
        4 => turned(3, 0.25, 1.35 * r),
        _ => turned(6, 0.0, 1.15 * r),
    }
}

/// Writes text so that it may stand in SVG or HTML.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#x27;"),
            // Characters that neither XML nor HTML allows.
            c if c.is_control() && !matches!(c, '\n' | '\t') => out.push('\u{FFFD}'),
            c => out.push(c),
        }
    }
    out
}

/// Cuts text to a number of characters, with an ellipsis: the full text stands in the table beside the chart.
pub(super) fn shorten(text: &str, most: usize) -> String {
    let clean: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if clean.chars().count() <= most {
        return clean;
    }
    let mut cut: String = clean.chars().take(most.saturating_sub(1)).collect();
    cut.push('…');
    cut
}

/// What a chart is called and says, for those who cannot see it.
pub(super) struct Caption<'a> {
    /// Start of the chart's ids; unique on the page, letters only.
    pub id: &'a str,
    /// Short title.
    pub title: &'a str,
    /// What it shows, in words.
    pub description: &'a str,
}

/// What `plotters` draws, without the outer element, in canvas pixels.
fn body(caption: &Caption, (width, height_px): (u32, f64), draw: &dyn Fn(&Canvas) -> Drawn) -> Result<Body> {
    let narrow = width == NARROW_PX;
    let mut text = String::new();
    let size = (width * FINE as u32, fine(height_px).max(1) as u32);
    let drawn = {
        let root = SVGBackend::with_string(&mut text, size).into_drawing_area();
        let canvas = Canvas { root, width_px: f64::from(width), height_px, narrow };
        draw(&canvas).and_then(|()| canvas.root.present())
    };
    drawn.map_err(|e| {
        Error::no_answer(format!("cannot draw the chart \"{}\" ({e}); the tables hold the numbers", caption.title))
    })?;
    for ink in Ink::all() {
        let c = ink.rgb();
        text = text.replace(&format!("#{:02X}{:02X}{:02X}\"", c.0, c.1, c.2), &ink.css());
    }
    let body = text.split_once('>').map_or("", |(_, body)| body);
    let inner = body.strip_suffix('\n').unwrap_or(body).strip_suffix("</svg>").unwrap_or(body).to_string();
    Ok(Body { size, inner })
}

/// A drawing in canvas pixels.
#[derive(Default)]
struct Body {
    size: (u32, u32),
    inner: String,
}

/// A chart in all its sizes.
pub(super) struct Chart {
    /// Start of its ids; the name of its file.
    pub id: String,
    /// Short title.
    pub title: String,
    /// What it shows, in words.
    pub description: String,
    wide: Body,
    narrow: Body,
    poster: Body,
}

impl Chart {
    fn svg_into(&self, page: &mut String, body: &Body, class: &str) {
        let id = format!("{}-{}", self.id, class.get(..1).unwrap_or_default());
        *page += &format!(
            "<svg class=\"chart {class}\" viewBox=\"0 0 {} {}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\" \
             xmlns=\"http://www.w3.org/2000/svg\"><title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>",
            body.size.0,
            body.size.1,
            escape(&self.title),
            escape(&self.description),
        );
        *page += &body.inner;
        *page += "</svg>";
    }

    /// For the page: wide and narrow, of which style.css shows one. The wall's map of a thousand volleys has some MB: none of it is there twice.
    pub fn page(mut self) -> Value {
        self.poster.inner = String::new();
        let mut page = String::new();
        for (class, body) in [("wide", std::mem::take(&mut self.wide)), ("narrow", std::mem::take(&mut self.narrow))] {
            self.svg_into(&mut page, &body, class);
        }
        Value::from_safe_string(page)
    }

    /// For a picture of its own: an element without size, and its size, px.
    pub fn poster(&self) -> (&str, (f64, f64)) {
        let (w, h) = self.poster.size;
        (&self.poster.inner, (f64::from(w), f64::from(h)))
    }
}

/// Draws a chart wide, narrow and for a picture of its own; `heights_px` are the three heights.
pub(super) fn figure(caption: &Caption, heights_px: [f64; 3], draw: impl Fn(&Canvas) -> Drawn) -> Result<Chart> {
    Ok(Chart {
        id: caption.id.to_string(),
        title: caption.title.to_string(),
        description: caption.description.to_string(),
        wide: body(caption, (WIDE_PX, heights_px[0]), &draw)?,
        narrow: body(caption, (NARROW_PX, heights_px[1]), &draw)?,
        poster: body(caption, (POSTER_PX.0, heights_px[2]), &draw)?,
    })
}

/// A series' mark and line for a legend, decoration only.
pub(super) fn swatch(series: usize, line: bool) -> Value {
    swatch_of(series, line, is_filled(series))
}

/// The verdicts as a legend of the comparisons' chart names them.
pub(super) const VERDICTS: [(Verdict, &str); 3] = [
    (Verdict::Differs, "a real difference"),
    (Verdict::Same, "the same for all that matters"),
    (Verdict::Unclear, "not clear yet (open mark)"),
];

/// A verdict's mark for a legend.
pub(super) fn verdict_swatch(verdict: Verdict) -> Value {
    swatch_of(compare::verdict_series(verdict), false, compare::verdict_is_filled(verdict))
}

fn swatch_of(series: usize, line: bool, filled: bool) -> Value {
    let points: Vec<String> =
        marker_outline(series, (16.0, 8.0), 4.5).iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
    let s = series % SERIES;
    let dash: Vec<String> = DASHES
        .get(s)
        .map(|d| d.split_whitespace().filter_map(|n| n.parse::<f64>().ok()).map(|n| format!("{}", n / FINE)).collect())
        .unwrap_or_default();
    let fill = if filled { format!("s{s}") } else { "paper".into() };
    let line = if line {
        format!(
            "<path d=\"M0 8H32\" stroke=\"var(--s{s})\" stroke-width=\"2\" stroke-dasharray=\"{}\"/>",
            if dash.is_empty() { "none".to_string() } else { dash.join(" ") }
        )
    } else {
        String::new()
    };
    Value::from_safe_string(format!(
        "<svg class=\"swatch\" viewBox=\"0 0 32 16\" width=\"32\" height=\"16\" aria-hidden=\"true\">{line}\
         <polygon points=\"{}\" fill=\"var(--{fill})\" stroke=\"var(--s{s})\" stroke-width=\"1.5\"/></svg>",
        points.join(" ")
    ))
}
