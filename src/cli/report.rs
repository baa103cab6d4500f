//! `pockmark report SESSION`

use std::path::PathBuf;

use pockmark::pipeline::{locked_summary, rebuild_report, write_charts};
use pockmark::report::{CHART_PX, Theme, charts};
use pockmark::session::{SessionPaths, check_dir};
use pockmark::{Error, Result};

use super::{Ended, progress, say, warn_of_stale};

/// Draw the page again, or its charts as pictures, from results that are there
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark report garage\n  pockmark report garage --charts charts --dark\nThe first writes results/report.html anew from results/summary.json and the photos, without measuring anew.\nThe second writes each chart as SVG and as PNG of 1920 x 1080 pixels, for a video or a post."
)]
pub struct Args {
    /// The session's folder
    session: PathBuf,
    /// Write the charts into this folder instead of the page
    #[arg(long, value_name = "DIR")]
    charts: Option<PathBuf>,
    /// Charts light on black
    #[arg(long, requires = "charts")]
    dark: bool,
}

pub fn run(args: &Args) -> Result<Ended> {
    check_dir(&args.session)?;
    let Some(folder) = &args.charts else {
        let (summary, path, missing) = rebuild_report(&args.session, &progress)?;
        say(&format!("wrote {}\n", path.display()))?;
        let ended = warn_of_stale(&args.session, &summary)?;
        if missing.is_empty() {
            return Ok(ended);
        }
        say(&format!(
            "no picture of volley {}: the photos are not in photos/ any more, or the results are of an older version; `pockmark run` measures again\n",
            missing.join(", ")
        ))?;
        return Ok(Ended::NeedsLook);
    };
    let (_lock, summary) = locked_summary(&SessionPaths::new(&args.session), "report --charts", &progress)?;
    let drawn = charts(&summary, if args.dark { Theme::Dark } else { Theme::Light })?;
    if drawn.is_empty() {
        return Err(Error::no_answer(format!(
            "{} has nothing to draw: no volley gave a result; see results/volleys.csv for why",
            args.session.display()
        )));
    }
    for path in write_charts(folder, &drawn)? {
        say(&format!("wrote {}\n", path.display()))?;
    }
    progress(&format!("{} x {} pixels", CHART_PX.0, CHART_PX.1));
    warn_of_stale(&args.session, &summary)
}
