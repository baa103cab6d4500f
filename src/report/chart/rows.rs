//! How do charts of labelled rows (differences, budgets) lay themselves out?
//!
//! Headings stand on lines of their own and items carry a short label at the left, so that the same layout
//! fits a desk and a phone.

use super::axes::{BOTTOM_PX, TOP_PX};

/// Height of an item, px.
const ITEM_PX: f64 = 20.0;
/// Height of a heading, px.
const HEADING_PX: f64 = 26.0;
/// Room at the left for the items' labels, px.
pub(super) const LABELS_PX: f64 = 66.0;

/// One row.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Row<T> {
    /// A heading.
    Heading(String),
    /// An item with its label.
    Item(String, T),
}

/// The whole chart's height, px.
pub(super) fn height_px<T>(rows: &[Row<T>]) -> f64 {
    TOP_PX + BOTTOM_PX + rows.iter().map(size_px).sum::<f64>() + 6.0
}

fn size_px<T>(row: &Row<T>) -> f64 {
    match row {
        Row::Heading(_) => HEADING_PX,
        Row::Item(..) => ITEM_PX,
    }
}

/// Each row with the height of its middle, px from the top.
pub(super) fn placed<T>(rows: &[Row<T>]) -> impl Iterator<Item = (f64, &Row<T>)> {
    let mut top = TOP_PX + 2.0;
    rows.iter().map(move |row| {
        let size = size_px(row);
        top += size;
        let low = if matches!(row, Row::Heading(_)) { 0.42 } else { 0.5 };
        (top - low * size, row)
    })
}
