//! `pockmark compare SESSION [A B]`

use std::path::PathBuf;

use pockmark::pipeline::compare::{Compared, Question, compare};
use pockmark::report::Units;
use pockmark::study::{Across, difference_words, verdict_words};
use pockmark::{Error, Result};

use super::{Ended, say};

/// Say what one change did: it differs by so much, it makes no difference that matters, or it cannot be told
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark compare garage                           every change of one thing\n  pockmark compare garage --by mesh                 only changes of the mesh\n  pockmark compare garage mesh=soft mesh=hard       two setups, named as on the page, or enough of it\n  pockmark compare may --with june pocket=mid pocket=low\nReads results/summary.json, so run the session first. Differences are the second less the first; ± holds in 19 cases of 20."
)]
pub struct Args {
    /// The session's folder
    session: PathBuf,
    /// First setup, such as mesh=soft, or "mesh=soft, pocket=low"
    #[arg(requires = "b")]
    a: Option<String>,
    /// Second setup (of the other session, where one is named)
    b: Option<String>,
    /// Only changes of this factor
    #[arg(long, value_name = "FACTOR")]
    by: Option<String>,
    /// Another session's folder: compare its setups with this session's
    #[arg(long, value_name = "OTHER_SESSION")]
    with: Option<PathBuf>,
    /// The setup that both sessions shot, to bridge them; else the one that session.toml named
    #[arg(long, value_name = "SETUP", requires = "with")]
    reference: Option<String>,
    /// Write JSON
    #[arg(long)]
    json: bool,
}

fn table(a: &Across, units: Units) -> String {
    let c = &a.comparison;
    let mut rows = vec![(format!("speed, {}", units.speed_word()), "difference, deg".to_string(), "verdict")];
    if c.points.len() > 1 {
        rows.push(("all speeds".into(), difference_words(&c.overall), verdict_words(c.overall.verdict)));
    }
    for p in &c.points {
        let speed = format!("{:.1}", units.speed(p.setpoint_mps));
        rows.push((speed, difference_words(&p.difference), verdict_words(p.difference.verdict)));
    }
    let widest = |f: fn(&(String, String, &'static str)) -> usize| rows.iter().map(f).max().unwrap_or(0);
    let (w0, w1) = (widest(|r| r.0.chars().count()), widest(|r| r.1.chars().count()));
    let mut t = String::new();
    for (speed, difference, verdict) in &rows {
        t += &format!("    {speed:>w0$}   {difference:>w1$}   {verdict}\n");
    }
    t
}

/// The answers as a person reads them.
pub fn describe(found: &Compared) -> String {
    let speeds: Vec<f64> = found.answers.iter().flat_map(|a| &a.comparison.points).map(|p| p.setpoint_mps).collect();
    let spoken = |text: &str| found.units.speak(text, &speeds);
    let mut t = String::new();
    for a in &found.answers {
        t += &format!("{}\n", spoken(&a.comparison.overall.sentence));
        if let Some(b) = &a.bridge {
            t += &format!("  {}\n", b.sentence);
        }
        for n in &a.notes {
            t += &format!("  {n}\n");
        }
        t += &table(a, found.units);
        t.push('\n');
    }
    for n in &found.notes {
        t += &format!("{}\n", spoken(n));
    }
    t
}

pub fn run(args: &Args) -> Result<Ended> {
    let question =
        Question { by: args.by.clone(), pair: args.a.clone().zip(args.b.clone()), reference: args.reference.clone() };
    let found = compare(&args.session, args.with.as_deref(), &question)?;
    if args.json {
        let text = serde_json::to_string_pretty(&found)
            .map_err(|e| Error::no_answer(format!("the results hold a value that JSON cannot ({e})")))?;
        say(&(text + "\n"))?;
    } else {
        say(&describe(&found))?;
    }
    Ok(if found.needs_look { Ended::NeedsLook } else { Ended::Good })
}
