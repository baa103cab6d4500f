//! `pockmark sheets`

use std::path::{Path, PathBuf};

use pockmark::session::write_whole;
use pockmark::sheet::draw::{Paper, SheetSpec, sheets_pdf};
use pockmark::{Error, Result};

use super::{Ended, free_for_output, say};

/// Draw the coded sheets as a PDF at true size
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark sheets --paper letter --count 8 -o sheets.pdf\nPrint at 100 % (\"actual size\"), tape flat, and measure both bars with a ruler."
)]
pub struct Args {
    /// Paper: a4, letter, a3, tabloid, or poster (a page as large as the board needs)
    #[arg(long, default_value = "a4")]
    paper: Paper,
    /// How many sheets
    #[arg(long, default_value_t = 8, allow_negative_numbers = true, value_parser = super::whole_number::<usize>)]
    count: usize,
    /// Number of the first sheet
    #[arg(long, default_value_t = 1, allow_negative_numbers = true, value_parser = super::whole_number::<usize>)]
    first: usize,
    /// Side of a square in mm; larger for a far wall
    #[arg(long, default_value_t = 60.0, value_name = "MM", allow_negative_numbers = true, value_parser = super::millimetres)]
    square: f64,
    /// Where to write the PDF
    #[arg(short, long, default_value = "sheets.pdf")]
    output: PathBuf,
}

pub fn run(args: &Args) -> Result<Ended> {
    let spec = SheetSpec { paper: args.paper, first: args.first, count: args.count, square_mm: args.square };
    let pdf = sheets_pdf(&spec)?;
    if !args.output.extension().is_some_and(|e| e.eq_ignore_ascii_case("pdf")) {
        return Err(Error::usage(format!(
            "-o {}: the sheets are a PDF, written into a file: give it a name that ends in .pdf, such as sheets.pdf",
            args.output.display()
        )));
    }
    let folder = args.output.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if !folder.is_dir() {
        return Err(Error::usage(format!(
            "there is no folder {}: make it first, or write the sheets elsewhere",
            folder.display()
        )));
    }
    free_for_output(&args.output)?;
    write_whole(&args.output, &pdf)?;
    let scale = args.square / 60.0;
    say(&format!(
        "{}: sheets {} to {} on {}\nprint at 100 %, then measure: the bar across should be {:.1} mm, the bar down {:.1} mm\n",
        args.output.display(),
        args.first,
        args.first + args.count - 1,
        args.paper.name(),
        150.0 * scale,
        200.0 * scale
    ))?;
    Ok(Ended::Good)
}
