//! What does each stage of a day cost? `cargo run --release --example day_cost -- SESSION` prints milliseconds: of the clock, and of
//! processor time over all threads where the system tells it (what a machine without other work would need on one core).

use std::time::Instant;

use pockmark::pipeline::pictures::Pictures;
use pockmark::pipeline::run::conclude;
use pockmark::pipeline::{Day, read_wall, write_results};
use pockmark::session::Session;
use pockmark::session::review::Decisions;

/// Processor time of this process so far, ms (Linux: clock ticks of 10 ms).
fn cpu_ms() -> Option<u64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    Some(10 * (fields.get(11)?.parse::<u64>().ok()? + fields.get(12)?.parse::<u64>().ok()?))
}

struct Lap(Instant, Option<u64>);

impl Lap {
    fn new() -> Self {
        Self(Instant::now(), cpu_ms())
    }

    fn say(&mut self, what: &str) {
        let cpu = cpu_ms().zip(self.1).map_or("-".to_string(), |(a, b)| (a - b).to_string());
        println!("{what:<40} {:>7} ms clock  {cpu:>7} ms processor", self.0.elapsed().as_millis());
        *self = Self::new();
    }
}

fn main() -> pockmark::Result<()> {
    let dir = std::env::args().nth(1).unwrap_or_else(|| "demo".into());
    let session = Session::open(dir.as_ref())?;
    let wall = read_wall(&session)?;
    let pairing = session.pair_photos()?;
    let mut day = Day::new(&session, &wall)?;
    let mut lap = Lap::new();
    let mut looks = None;
    day.follow_each(&pairing.volleys, &|_| {}, &mut |known, row, _| {
        lap.say(&format!("row {}: decode, place, compare", row + 1));
        if pairing.volleys[row].row.shots > 0 {
            let l = looks.get_or_insert_with(|| known.clone().learn(&|_| {}).expect("patches are in memory"));
            known.last_at_a_glance(l, &[]);
            lap.say("  judge at a glance");
        }
    });
    day.learn(&|_| {})?;
    lap.say("learn, judge all");
    let known = day.known();
    for what in ["decide, measure, study", "the same again"] {
        let measured = known.measure(&known.decided(&[]), &[]);
        known.summarise(&measured, &pairing.notes);
        lap.say(what);
    }
    let pictures = Pictures::default();
    for what in ["that, and cut all pictures", "the same again, pictures kept"] {
        let outcome = conclude(known, &Decisions::default(), &pairing.notes, &pictures, &|_| {});
        lap.say(what);
        if what.starts_with("the same") {
            write_results(&session, &outcome)?;
            lap.say("draw the page, write");
        }
    }
    Ok(())
}
