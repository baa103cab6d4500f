//! `pockmark plan SESSION`

use std::path::PathBuf;

use pockmark::pipeline::plan::{Plan, PlanRequest, PlanRow, STOP_RULE, Wipe, plan};
use pockmark::pipeline::plan_text::write_plan;
use pockmark::pipeline::speeds::exact_text;
use pockmark::quantity::{Dimension, Quantity};
use pockmark::report::Units;
use pockmark::report::runsheet::{RunLine, RunSheet, run_sheet};
use pockmark::sheet::draw::Paper;
use pockmark::{Error, Result};

use super::{Ended, say};

/// Plan the next day: how many volleys, in which order; write volleys.csv and a run sheet to tick off
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark plan garage --setups pocket=mid,low --ladder \"30..70 mph by 10\" --spread \"0.5 deg\"\n  pockmark plan june --from may --setups mesh=soft,hard --fresh mesh=hard --seed 7\nWrites volleys.csv (speeds to be filled in) and run-sheet.pdf into the session's folder. A volleys.csv that holds readings is never replaced without --force. Setups, ladder and scatter are taken from the session where they are not typed.\n\n  pockmark plan garage --geometry\nsays which release angles and speeds land on the wall, what a millimetre is worth in degrees, and from which distance the angle is known best; draws results/geometry.svg."
)]
pub struct Args {
    /// The session's folder
    session: PathBuf,
    /// What to compare: factor=value,value; several times for several factors (all combinations)
    #[arg(long, value_name = "FACTOR=A,B")]
    setups: Vec<String>,
    /// Of all combinations only the reference and those that differ from it in one thing
    #[arg(long)]
    one_change: bool,
    /// The speeds, such as "30..70 mph by 10" or "30, 40, 50 mph"
    #[arg(long, value_name = "SPEEDS")]
    ladder: Option<String>,
    /// How far the shots of one volley scatter (standard deviation of their angles), such as "0.5 deg"
    #[arg(long, value_name = "ANGLE")]
    spread: Option<String>,
    /// How far the machine wanders from volley to volley beyond that (standard deviation), such as "0.2 deg"
    #[arg(long, value_name = "ANGLE")]
    wander: Option<String>,
    /// The smallest difference worth caring about; else session.toml's
    #[arg(long, value_name = "ANGLE")]
    matters: Option<String>,
    /// Shots in a volley
    #[arg(long, default_value_t = 5, allow_negative_numbers = true, value_parser = super::whole_number::<u32>)]
    shots: u32,
    /// Volleys of each setup at each speed; else as many as a clear answer needs
    #[arg(long, allow_negative_numbers = true, value_parser = super::whole_number::<u32>)]
    volleys: Option<u32>,
    /// The setup to shoot again and again, such as pocket=mid
    #[arg(long, value_name = "SETUP")]
    reference: Option<String>,
    /// Volleys between two repeats of the reference; 0: no repeats
    #[arg(long, value_name = "N", allow_negative_numbers = true, value_parser = super::whole_number::<u32>)]
    reference_every: Option<u32>,
    /// Shoot all speeds of a setup together within a block (when changing it is slow)
    #[arg(long)]
    keep_together: bool,
    /// Shuffle the speeds of the first block too (else they rise, so that a loss of control is met from below)
    #[arg(long)]
    shuffle_all: bool,
    /// A freshly strung setup, such as pocket=low, or "all": it is warmed up before its first volley
    #[arg(long, value_name = "SETUP")]
    fresh: Vec<String>,
    /// Throws that warm a fresh pocket up (common practice, no source)
    #[arg(long, default_value_t = 10, value_name = "THROWS", allow_negative_numbers = true, value_parser = super::whole_number::<u32>)]
    warm_up: u32,
    /// When to wipe the wall: "foreseen" (where old marks would hide new ones), "never", or after so many balls
    #[arg(long, default_value = "foreseen")]
    wipe: String,
    /// Another session whose results say how much shots scatter
    #[arg(long, value_name = "OTHER_SESSION")]
    from: Option<PathBuf>,
    /// Draw the order again that this number drew
    #[arg(long, allow_negative_numbers = true, value_parser = super::whole_number::<u64>)]
    seed: Option<u64>,
    /// Paper of the run sheet: a4 or letter
    #[arg(long, default_value = "a4")]
    paper: Paper,
    /// Replace a volleys.csv that holds readings (it is kept under another name)
    #[arg(long)]
    force: bool,
    /// Only say what would be planned; write nothing
    #[arg(long)]
    dry_run: bool,
    /// Say what lands on the wall, what a millimetre is worth there, and where to stand, instead of planning volleys
    #[arg(
        long,
        conflicts_with_all = ["setups", "one_change", "ladder", "spread", "wander", "matters", "volleys", "reference",
            "reference_every", "keep_together", "shuffle_all", "fresh", "from", "seed", "force", "dry_run"]
    )]
    geometry: bool,
    /// Write JSON
    #[arg(long)]
    json: bool,
}

fn angle(option: &str, text: &Option<String>) -> Result<Option<f64>> {
    let Some(text) = text else { return Ok(None) };
    let q = Quantity::parse(text, Dimension::Angle).map_err(|e| Error::usage(format!("--{option}: {e}")))?;
    if !(q.value > 0.0 || (option == "wander" && q.value == 0.0)) {
        return Err(Error::usage(format!("--{option} is \"{text}\", but must be above 0 deg")));
    }
    Ok(Some(q.value))
}

fn wipe(text: &str) -> Result<Wipe> {
    match text.trim() {
        "foreseen" => Ok(Wipe::Foreseen),
        "never" => Ok(Wipe::Never),
        other => other.parse().ok().filter(|n| *n > 0).map(Wipe::After).ok_or_else(|| {
            Error::usage(format!("--wipe is \"{other}\": write foreseen, never, or after how many balls, such as 40"))
        }),
    }
}

/// The paper for the bench.
pub fn sheet_of(plan: &Plan) -> RunSheet {
    let word = Units { speed: plan.unit, ..Units::default() }.speed_word();
    let speed = |v: f64| format!("{} {word}", exact_text(plan.unit, v));
    let lines = plan
        .rows
        .iter()
        .map(|r| match r {
            PlanRow::Wall { note, .. } => {
                let mut words = note.clone();
                if let Some(first) = words.get(..1).map(str::to_uppercase) {
                    words.replace_range(..1, &first);
                }
                RunLine::Wall(words)
            }
            PlanRow::Volley { name, planned } => RunLine::Volley {
                name: name.clone(),
                setup: planned.setup.words(),
                speed: speed(planned.setpoint_mps),
                remark: if planned.reference { "reference".into() } else { String::new() },
            },
        })
        .collect();
    RunSheet {
        title: plan.title.clone(),
        summary: format!(
            "{} volleys of {} shots ({} balls), {} photos. Shoot from the top down; tick, write each reading, photograph, next.",
            plan.volleys_to_shoot(),
            plan.shots,
            plan.balls(),
            plan.photos()
        ),
        rules: vec![
            "Nobody in front of the machine or near the wall while energy is stored: release or disconnect it and block the arm before you walk up. Fire from behind a barrier, trigger the camera from there too.".into(),
            "One photo after every volley and after every wipe, from the tripod, nothing touched.".into(),
            STOP_RULE.into(),
        ],
        unit: word.into(),
        shots: plan.shots,
        lines,
        foot: format!("order drawn with seed {}", plan.seed),
    }
}

/// The plan as a person reads it.
fn describe(p: &Plan) -> String {
    let many = |v: Option<u32>| v.map_or("-".to_string(), |v| v.to_string());
    let mut t = format!("{}\n", p.spread_sentence);
    t += &format!(
        "Volleys of each setup at each speed, to find a difference of {} deg (\"clear\": and to show that there is none):\n",
        format!("{:.2}", p.matters_deg).trim_end_matches('0').trim_end_matches('.')
    );
    t += "                    over the ladder               at one speed\n";
    t += "  shots a volley    find it     clear answer      find it\n";
    t += "                    80 %  90 %    80 %  90 %      80 %  90 %\n";
    for o in &p.options {
        t += &format!(
            "  {:>8}          {:>4}  {:>4}    {:>4}  {:>4}      {:>4}  {:>4}\n",
            o.shots,
            many(o.ladder_volleys_80),
            many(o.ladder_volleys_90),
            many(o.ladder_clear_80),
            many(o.ladder_clear_90),
            many(o.volleys_80),
            many(o.volleys_90)
        );
    }
    t += "  (80 % and 90 %: the chance to find it; -: not by volleys alone)\n";
    t += &format!("{}\n", p.volleys_sentence);
    let repeats = p.rows.iter().filter(|r| matches!(r, PlanRow::Volley { planned, .. } if planned.reference)).count();
    let walls = |start: &str| {
        p.rows.iter().filter(|r| matches!(r, PlanRow::Wall { name, .. } if name.starts_with(start))).count()
    };
    let plural = |n: usize, one: &str| format!("{n} {one}{}", if n == 1 { "" } else { "s" });
    t += &format!(
        "The day: {} of {} shots ({} balls, {} photos) in {}, {repeats} of them repeats of the reference ({}); {}, {}.\n",
        plural(p.volleys_to_shoot(), "volley"),
        p.shots,
        p.balls(),
        p.photos(),
        plural(p.volleys as usize, "block"),
        p.reference.words(),
        plural(walls("wipe"), "wipe"),
        plural(walls("warm-up"), "warm-up")
    );
    t += &format!("Order drawn with seed {}: the same seed draws the same order.\n{STOP_RULE}\n", p.seed);
    for n in &p.notes {
        t += &format!("{n}\n");
    }
    if let Some(stale) = &p.stale {
        t += &format!("look: {stale}\n");
    }
    t
}

pub fn run(args: &Args) -> Result<Ended> {
    if args.geometry {
        return super::geometry::run(&args.session, args.json);
    }
    if !matches!(args.paper, Paper::A4 | Paper::Letter) {
        return Err(Error::usage(format!("a run sheet goes on a4 or letter paper, not {}", args.paper.name())));
    }
    let request = PlanRequest {
        setups: args.setups.clone(),
        one_change: args.one_change,
        ladder: args.ladder.clone(),
        spread_rad: angle("spread", &args.spread)?,
        wander_rad: angle("wander", &args.wander)?,
        matters_rad: angle("matters", &args.matters)?,
        shots: args.shots,
        volleys: args.volleys,
        reference: args.reference.clone(),
        reference_every: args.reference_every,
        keep_together: args.keep_together,
        shuffle_all: args.shuffle_all,
        fresh: args.fresh.clone(),
        warm_up: args.warm_up,
        wipe: wipe(&args.wipe)?,
        seed: args.seed,
        from: args.from.clone(),
    };
    let plan = plan(&args.session, &request)?;
    let text = if args.json {
        serde_json::to_string_pretty(&plan)
            .map_err(|e| Error::no_answer(format!("the plan holds a value that JSON cannot ({e})")))?
            + "\n"
    } else {
        describe(&plan)
    };
    say(&text)?;
    let ended = if plan.stale.is_some() { Ended::NeedsLook } else { Ended::Good };
    if args.dry_run {
        return Ok(ended);
    }
    let pdf = run_sheet(&sheet_of(&plan), args.paper);
    let written = write_plan(&args.session, &plan, &pdf, args.force)?;
    if !args.json {
        let mut t = String::new();
        for path in &written {
            t += &format!("wrote {}\n", path.display());
        }
        say(&t)?;
    }
    Ok(ended)
}
