//! What goes onto the label of a head?
//!
//! [`labels`] puts each setup of a summary into few words, beside one drawing of the arm; [`label_files`] makes SVG, PNG and PDF
//! of each, [`labels_pdf`] a PDF of several a page for a [`LabelSheet`].

mod dial;
mod draw;
mod outline;
mod print;
mod sheet;
mod text;

pub use draw::{LEAST_MM, LabelSize};
pub use print::{LabelFiles, is_label_name, label_files, labels_pdf};
pub use sheet::{LabelSheet, SHEETS};
pub use text::{LabelRow, LabelText, labels};

pub(super) use dial::{Place, dial};
pub(super) use text::range_deg;
