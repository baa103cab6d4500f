//! What goes onto the label of a head?
//!
//! [`labels`] puts each setup of a summary into few words and one drawing ([`dial`]); [`draw`] lays them out on a label of any
//! size, [`print`] makes SVG, PNG and PDF of it, alone or several a page ([`sheet`]).

mod dial;
mod draw;
mod outline;
mod print;
mod sheet;
mod text;

pub use draw::{LEAST_MM, LabelSize};
pub use print::{LabelFiles, label_files, labels_pdf};
pub use sheet::{LabelSheet, SHEETS};
pub use text::{LabelRow, LabelText, labels};

pub(super) use dial::{Place, dial};
pub(super) use text::range_deg;
