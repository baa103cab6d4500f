//! `pockmark label SESSION`

use std::path::PathBuf;

use pockmark::pipeline::locked_summary;
use pockmark::report::label::{LabelSheet, is_label_name, label_files, labels, labels_pdf};
use pockmark::session::write::remove_others;
use pockmark::session::{SessionPaths, check_dir, write_together};
use pockmark::{Error, Result};

use super::{Ended, counted, progress, say, warn_of_stale};

/// What each label is written as.
const LABEL_ENDINGS: [&str; 3] = ["pdf", "svg", "png"];

/// Draw a label for each setup, to print and stick on, or to post
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark label garage --sheet letter-10\nWrites results/labels/: labels.pdf for a paper of labels, and each label alone as PDF, SVG and PNG.\nPrint at 100 %. Papers: a4-4, a4-8, a4-14, a4-21, letter-4, letter-6, letter-10, letter-14 (labels a page), or your own in mm:\n  PAPER:COLUMNSxROWS:WIDTHxHEIGHT:LEFT,TOP:GAPACROSS,GAPDOWN   such as a4:2x4:99.1x67.7:4.65,13.1:2.5,0"
)]
pub struct Args {
    /// The session's folder
    session: PathBuf,
    /// The paper of labels in the printer
    #[arg(long, default_value = "a4-8", value_name = "PAPER")]
    sheet: LabelSheet,
    /// How many of each label
    #[arg(long, default_value_t = 1, value_name = "N", allow_negative_numbers = true, value_parser = super::whole_number::<usize>)]
    copies: usize,
    /// Places of the first paper that are used up already, row by row
    #[arg(long, default_value_t = 0, value_name = "N", allow_negative_numbers = true, value_parser = super::whole_number::<usize>)]
    skip: usize,
    /// Hair lines to cut along, for plain paper
    #[arg(long)]
    cut_lines: bool,
}

pub fn run(args: &Args) -> Result<Ended> {
    check_dir(&args.session)?;
    let paths = SessionPaths::new(&args.session);
    let (_lock, summary) = locked_summary(&paths, "label", &progress)?;
    let texts = labels(&summary);
    if texts.is_empty() {
        let why = summary.study_problem.clone().unwrap_or_else(|| "it has no study".into());
        return Err(Error::no_answer(format!(
            "{} has nothing to put on a label: {why}; see results/volleys.csv",
            args.session.display()
        )));
    }
    let all = labels_pdf(&texts, &args.sheet, args.copies, args.skip, args.cut_lines)?;
    let each = label_files(&texts, args.sheet.label)?;
    let folder = paths.results().join("labels");
    let mut files: Vec<(PathBuf, &[u8])> = vec![(folder.join("labels.pdf"), &all)];
    for f in &each {
        let at = |end: &str| folder.join(format!("{}.{end}", f.name));
        files.extend([(at("pdf"), f.pdf.as_slice()), (at("svg"), f.svg.as_bytes()), (at("png"), f.png.as_slice())]);
    }
    write_together(&files)?;
    let written: Vec<PathBuf> = files.iter().map(|f| f.0.clone()).collect();
    // Labels of setups that are gone go too, each with all its three files.
    let is_label = |name: &str| {
        let whole = |stem| LABEL_ENDINGS.iter().all(|end| folder.join(format!("{stem}.{end}")).is_file());
        let (stem, end) = name.rsplit_once('.').unwrap_or((name, ""));
        LABEL_ENDINGS.contains(&end) && is_label_name(stem) && whole(stem)
    };
    remove_others(&folder, &written, &is_label);
    for (path, _) in &files {
        say(&format!("wrote {}\n", path.display()))?;
    }
    say(&format!(
        "{} of {} x {} mm, {} a page: print labels.pdf at 100 %\n",
        counted(texts.len(), "label"),
        args.sheet.label.width_mm,
        args.sheet.label.height_mm,
        args.sheet.count()
    ))?;
    warn_of_stale(&args.session, &summary)
}
