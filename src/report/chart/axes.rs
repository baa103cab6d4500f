//! Which part of the plane does a chart show, and where is a value on it?
//!
//! [`Plot`] lets `plotters` draw the axes and then maps values to pixels itself.

use std::ops::Range;

use plotters::prelude::*;

use super::{Canvas, Drawn, FINE, Ink, Stand, fine};

/// Values beyond this are slips (no angle, speed or wall place comes near) and are not drawn: axes stay readable.
const LARGEST_DRAWN: f64 = 1e5;

/// The value where it can be drawn.
pub(in crate::report) fn plain(value: f64) -> Option<f64> {
    (value.abs() <= LARGEST_DRAWN).then_some(value)
}

/// The range of values with a margin (share of the span), at least `least` wide.
pub(super) fn range(values: impl IntoIterator<Item = f64>, margin: f64, least: f64) -> Option<Range<f64>> {
    let (low, high) = values
        .into_iter()
        .filter_map(plain)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    if low > high {
        return None;
    }
    let pad = (margin * (high - low)).max(0.5 * (least - (high - low)));
    Some(low - pad..high + pad)
}

/// What the axes look like.
pub(super) struct Axes<'a> {
    /// Values across.
    pub x: Range<f64>,
    /// Values upwards.
    pub y: Range<f64>,
    /// Below the axis.
    pub x_title: &'a str,
    /// Above the axis, at the left.
    pub y_title: &'a str,
    /// Room at the left for labels, px.
    pub left_px: f64,
    /// Labels on the vertical axis.
    pub y_labels: bool,
    /// Labels across where every whole number is a thing of its own (an order).
    pub whole_x: bool,
}

/// Room for the horizontal axis, its labels and title, px.
pub(super) const BOTTOM_PX: f64 = 42.0;
/// Room above for the vertical axis' title, px.
pub(super) const TOP_PX: f64 = 24.0;
/// Room at the right, px.
pub(super) const RIGHT_PX: f64 = 12.0;

/// Maps values to pixels.
pub(super) struct Plot {
    x: Range<f64>,
    y: Range<f64>,
    /// Left and right edge, px.
    pub across_px: (f64, f64),
    /// Bottom and top edge, px.
    pub up_px: (f64, f64),
}

impl Plot {
    /// Pixel of a value across.
    pub fn x(&self, value: f64) -> f64 {
        let (a, b) = self.across_px;
        a + (b - a) * (value - self.x.start) / (self.x.end - self.x.start)
    }

    /// Pixel of a value upwards.
    pub fn y(&self, value: f64) -> f64 {
        let (a, b) = self.up_px;
        a + (b - a) * (value - self.y.start) / (self.y.end - self.y.start)
    }

    /// Pixel of a point.
    pub fn at(&self, (x, y): (f64, f64)) -> (f64, f64) {
        (self.x(x), self.y(y))
    }

    /// A level line across the plot.
    pub fn level(&self, canvas: &Canvas, y: f64, ink: Ink, width_px: f64) -> Drawn {
        canvas.line(&[(self.across_px.0, self.y(y)), (self.across_px.1, self.y(y))], ink, width_px)
    }
}

fn label(value: &f64, span: f64) -> String {
    let decimals = if span < 0.5 { 2 } else { usize::from(span < 5.0) };
    crate::report::number::fixed(*value, decimals)
}

/// Draws the axes.
pub(super) fn plot(canvas: &Canvas, axes: &Axes) -> Drawn<Plot> {
    let (x, y) = (axes.x.clone(), axes.y.clone());
    let inner = canvas.root.margin(fine(TOP_PX), 0, 0, fine(RIGHT_PX));
    let mut chart = ChartBuilder::on(&inner)
        .x_label_area_size(fine(BOTTOM_PX))
        .y_label_area_size(fine(axes.left_px))
        .build_cartesian_2d(x.clone(), y.clone())?;
    let text = canvas.style(Ink::Muted, canvas.font_px(), false);
    let (x_span, y_span) = (x.end - x.start, y.end - y.start);
    let most_x = if canvas.narrow { 6 } else { 10 };
    let whole = axes.whole_x;
    let x_label = move |v: &f64| match whole {
        true if (v - v.round()).abs() > 1e-6 => String::new(),
        true => format!("{v:.0}"),
        false => label(v, x_span),
    };
    let y_label = move |v: &f64| label(v, y_span);
    let mut mesh = chart.configure_mesh();
    mesh.disable_x_mesh()
        .max_light_lines(0)
        .bold_line_style(Ink::Grid.rgb().stroke_width(FINE as u32))
        .axis_style(Ink::Muted.rgb().stroke_width(FINE as u32))
        .label_style(text)
        .set_all_tick_mark_size(fine(4.0))
        .x_labels(most_x)
        .y_labels(if axes.y_labels { 8 } else { 0 })
        .x_label_formatter(&x_label)
        .y_label_formatter(&y_label);
    if !axes.y_labels {
        mesh.disable_y_mesh();
        mesh.disable_y_axis();
    }
    mesh.draw()?;
    let corner = |x: f64, y: f64| chart.backend_coord(&(x, y));
    let ((left, bottom), (right, top)) = (corner(x.start, y.start), corner(x.end, y.end));
    let px = |v: i32| f64::from(v) / FINE;
    canvas.text(
        axes.x_title,
        (0.5 * (px(left) + px(right)), canvas.height_px - 3.0),
        Stand::Above,
        Ink::Text,
        false,
    )?;
    if !axes.y_title.is_empty() {
        canvas.text(axes.y_title, (2.0, 0.5 * TOP_PX - 2.0), Stand::Right, Ink::Text, false)?;
    }
    Ok(Plot { x, y, across_px: (px(left), px(right)), up_px: (px(bottom), px(top)) })
}

/// Widens two ranges until a millimetre is as long across as upwards in a plot of the given inner size, px.
pub(super) fn equal_scale(x: Range<f64>, y: Range<f64>, inner_px: (f64, f64)) -> (Range<f64>, Range<f64>) {
    let per_px = ((x.end - x.start) / inner_px.0.max(1.0)).max((y.end - y.start) / inner_px.1.max(1.0));
    let widen = |r: Range<f64>, px: f64| {
        let (middle, half) = (0.5 * (r.start + r.end), 0.5 * per_px * px.max(1.0));
        middle - half..middle + half
    };
    (widen(x, inner_px.0), widen(y, inner_px.1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_hold_their_values_and_are_never_empty() {
        assert_eq!(range([3.0, 3.0], 0.1, 2.0), Some(2.0..4.0));
        assert_eq!(range([0.0, 10.0, f64::NAN, 1e300], 0.1, 2.0), Some(-1.0..11.0));
        assert_eq!(range([f64::NAN], 0.1, 2.0), None);
    }

    #[test]
    fn both_scales_are_the_same() {
        let (x, y) = equal_scale(0.0..100.0, 0.0..10.0, (200.0, 100.0));
        assert_eq!(x, 0.0..100.0);
        assert_eq!(y, -20.0..30.0);
    }
}
