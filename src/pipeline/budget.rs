//! What makes each setpoint's mean release angle doubtful, and what would have to be measured how well to halve that?
//!
//! Shared contributions come from the shots' sensitivities, the own part from the study (the scatter that was seen, not
//! only what the marks carry). To halve a ±, the variance must fall to a quarter: the fewest of the largest
//! contributions that can do it are all made better by one factor `r`, with `top r^2 + rest = total / 4`.

use crate::error::listed;
use crate::flight::{Drag, Factor, FlightInputs, Spin};
use crate::report::model::{Budget, BudgetLine, BudgetNeed};
use crate::report::number::COVERAGE;
use crate::study::{LadderPoint, Setup, Shot, Study, VolleyStatus, mph};
use crate::uncertainty::{Estimate, SharedFactors};

/// Nobody measures much better than this times what was done: below it, one more contribution is asked for.
const LEAST_FACTOR: f64 = 0.25;
/// What a budget calls its own part.
const OWN: &str = "own";

/// Which ladder speed a shot belongs to: the study's setpoint nearest to what was aimed at.
pub fn setpoint_of(study: Option<&Study>, setpoint_mps: Option<f64>, speed_mps: f64) -> f64 {
    let points = study.map_or(&[][..], |s| s.setpoints_mps.as_slice());
    let read = setpoint_mps.unwrap_or(speed_mps);
    points.iter().copied().min_by(|a, b| (a - read).abs().total_cmp(&(b - read).abs())).unwrap_or(read)
}

/// One source of doubt of one cell.
struct Part {
    name: String,
    var: f64,
}

/// The budgets of all cells, in shooting order.
pub fn budgets(shots: &[Shot], factors: &SharedFactors, inputs: &FlightInputs, study: Option<&Study>) -> Vec<Budget> {
    let mut cells: Vec<(Setup, f64, Vec<&Shot>)> = Vec::new();
    for s in shots.iter().filter(|s| s.status != VolleyStatus::Failed) {
        let at = setpoint_of(study, s.setpoint_mps, s.speed_mps);
        match cells.iter_mut().find(|c| c.0 == s.setup && c.1 == at) {
            Some(c) => c.2.push(s),
            None => cells.push((s.setup.clone(), at, vec![s])),
        }
    }
    let mut all: Vec<Budget> = cells
        .into_iter()
        .map(|(setup, setpoint_mps, shots)| {
            let n: f64 = shots.iter().map(|s| f64::from(s.count)).sum();
            let mean = Estimate::combination(shots.iter().map(|s| (f64::from(s.count) / n, &s.release)));
            let point = study.and_then(|s| {
                let ladder = s.ladders.iter().find(|l| l.setup == setup)?;
                ladder.points.iter().find(|p| p.setpoint_mps == setpoint_mps)
            });
            let coverage = point.map_or(COVERAGE, LadderPoint::coverage);
            let own_deg = point.map_or(mean.u_own().to_degrees(), |p| p.u_own_deg);
            let lines: Vec<BudgetLine> = mean
                .budget(factors)
                .into_iter()
                .filter(|l| l.name != OWN && l.u > 0.0)
                .map(|l| BudgetLine { name: l.name, u_deg: l.u.to_degrees() })
                .collect();
            let u_deg = lines.iter().map(|l| l.u_deg.powi(2)).sum::<f64>().sqrt().hypot(own_deg);
            let mut volleys: Vec<&str> = shots.iter().map(|s| s.volley.as_str()).collect();
            volleys.dedup();
            let to_halve = to_halve(&parts(&lines, own_deg), inputs, volleys.len(), coverage);
            Budget { setup, setpoint_mps, u_deg, coverage, u_own_deg: own_deg, lines, advice: String::new(), to_halve }
        })
        .collect();
    advise(&mut all, inputs);
    all
}

/// The sources of one cell, largest first.
fn parts(lines: &[BudgetLine], own_deg: f64) -> Vec<Part> {
    let mut all: Vec<Part> = lines.iter().map(|l| Part { name: l.name.clone(), var: l.u_deg.powi(2) }).collect();
    all.push(Part { name: OWN.into(), var: own_deg.powi(2) });
    all.retain(|p| p.var > 0.0);
    all.sort_by(|a, b| b.var.total_cmp(&a.var));
    all
}

/// What halving takes: each source that must become better, what it is and what it must be.
fn to_halve(parts: &[Part], inputs: &FlightInputs, volleys: usize, coverage: f64) -> Vec<BudgetNeed> {
    let total: f64 = parts.iter().map(|p| p.var).sum();
    let mut top = 0.0;
    for (i, p) in parts.iter().enumerate() {
        top += p.var;
        let square = (0.25 * total - (total - top)) / top;
        if square >= LEAST_FACTOR * LEAST_FACTOR || (i + 1 == parts.len() && square > 0.0) {
            let factor = square.sqrt();
            return parts.iter().take(i + 1).map(|p| need(p, factor, (inputs, volleys, coverage))).collect();
        }
    }
    Vec::new()
}

fn need(part: &Part, factor: f64, (inputs, volleys, coverage): (&FlightInputs, usize, f64)) -> BudgetNeed {
    let name = part.name.as_str();
    let (now, needed) = match doubt_words(name, inputs, 1.0).zip(doubt_words(name, inputs, factor)) {
        Some(words) => words,
        None if name == OWN => {
            let more = (volleys as f64 / (factor * factor)).ceil();
            let s = if volleys == 1 { "" } else { "s" };
            (format!("{volleys} volley{s}"), format!("{more:.0} volleys"))
        }
        // Nothing of its own that a person states: what it may do to the angle.
        None => {
            let half_deg = coverage * part.var.sqrt();
            (format!("± {} deg", two_digits(half_deg)), format!("± {} deg", two_digits(half_deg * factor)))
        }
    };
    BudgetNeed { name: name.to_string(), now, needed }
}

/// A number with two significant digits.
fn two_digits(value: f64) -> String {
    if !(value.is_finite() && value > 0.0) {
        return "0".into();
    }
    let places = (1.0 - value.log10().floor()).clamp(0.0, 6.0) as usize;
    format!("{value:.places$}")
}

/// The ± of an input (95 %) made `factor` times as large, in the unit people state it in.
fn doubt_words(name: &str, inputs: &FlightInputs, factor: f64) -> Option<String> {
    let f = Factor::ALL.into_iter().find(|f| f.name() == name)?;
    let input = inputs.input(f);
    let half = 2.0 * input.u * factor;
    let plus_minus = |scale: f64, unit: &str| Some(format!("± {} {unit}", two_digits(half * scale)));
    match f {
        Factor::PivotOut | Factor::PivotUp | Factor::PivotRight | Factor::Arm | Factor::Diameter | Factor::ReadAt => {
            plus_minus(1e3, "mm")
        }
        // Where zero shots tell it there is no stated doubt.
        Factor::Zero if input.u == 0.0 => None,
        Factor::Zero | Factor::PlaneTurn | Factor::OffTangent | Factor::Lean => plus_minus(1f64.to_degrees(), "deg"),
        Factor::Mass => plus_minus(1e3, "g"),
        Factor::Drag => match inputs.drag {
            Drag::Sphere { .. } => plus_minus(100.0, "% of the sphere's drag"),
            Drag::Coefficient(_) => plus_minus(1.0, "in the drag coefficient"),
        },
        Factor::Spin => match inputs.spin {
            Spin::Known(_) => plus_minus(60.0 / std::f64::consts::TAU, "rpm"),
            Spin::Unknown => plus_minus(1.0, "in the lift coefficient"),
        },
        Factor::Temperature => plus_minus(1.0, "degC"),
        Factor::Pressure => plus_minus(0.01, "hPa"),
        Factor::Humidity => plus_minus(100.0, "%"),
        // Stated as a standard uncertainty, so asked for as one.
        Factor::SpeedScale => Some(format!("{} %", two_digits(0.5 * half * 100.0))),
    }
}

/// What to measure, in words.
fn what(name: &str) -> &'static str {
    match name {
        "speed scale" => "a speed reading checked against a better one",
        "pivot out" => "the distance from pivot to wall, measured again with a better tape",
        "pivot up" => "the pivot's height above the origin, measured again (a laser line or water level)",
        "arm" => "the arm's length to the ball's centre, measured again",
        "zero" => "the machine's zero, checked with a better angle gauge or with more zero shots",
        "zero shots' angle" => "the rigid cup's release angle, known better",
        "drag" => "the ball's drag (a second speed reading near the wall shows it)",
        "spin" => "the ball's spin (high-speed video of a marked ball)",
        "lean" => "the wall's lean, measured with a plumb line",
        "calibration" => "the tape distances between the crosses and the printed bars, measured again",
        "tape scale" => "the tape, checked against a better one",
        "speed read at" => "the place where the speed is read, measured again",
        _ => "this quantity, measured again",
    }
}

/// One advice for all cells that the same source dominates, with the numbers of the most doubtful of them.
fn advise(budgets: &mut [Budget], inputs: &FlightInputs) {
    let leader = |b: &Budget| parts(&b.lines, b.u_own_deg).first().map(|p| p.name.clone());
    let leaders: Vec<Option<String>> = budgets.iter().map(leader).collect();
    let mut done: Vec<(String, String)> = Vec::new();
    for name in leaders.iter().flatten() {
        if done.iter().any(|(n, _)| n == name) {
            continue;
        }
        let leads: Vec<bool> = leaders.iter().map(|l| l.as_ref() == Some(name)).collect();
        let led = budgets.iter().zip(&leads).filter(|(_, l)| **l).map(|(b, _)| b);
        let Some(worst) = led.max_by(|a, b| a.u_deg.total_cmp(&b.u_deg)) else { continue };
        let share = |b: &Budget| {
            let first = parts(&b.lines, b.u_own_deg).first().map_or(0.0, |p| p.var);
            100.0 * first / b.u_deg.powi(2)
        };
        let at = where_it_leads(budgets, &leads);
        done.push((name.clone(), advice(&at, name, share(worst), worst, inputs)));
    }
    for (b, name) in budgets.iter_mut().zip(&leaders) {
        b.advice = done.iter().find(|(n, _)| Some(n) == name.as_ref()).map_or(String::new(), |(_, a)| a.clone());
    }
}

/// "From 30 mph to 50 mph and for pocket low at 60 mph": the cells in which a source leads.
fn where_it_leads(budgets: &[Budget], leads: &[bool]) -> String {
    let mut speeds: Vec<f64> = budgets.iter().map(|b| b.setpoint_mps).collect();
    speeds.sort_by(f64::total_cmp);
    speeds.dedup();
    let cells = |v: f64| budgets.iter().zip(leads).filter(move |(b, _)| b.setpoint_mps == v);
    let everywhere = |v: f64| cells(v).all(|(_, l)| *l);
    let mut parts: Vec<String> = speeds
        .chunk_by(|a, b| everywhere(*a) == everywhere(*b))
        .filter(|run| run.first().is_some_and(|v| everywhere(*v)))
        .filter_map(|run| match run {
            [] => None,
            [one] => Some(format!("at {}", mph(*one))),
            [slow, .., fast] => Some(format!("from {} to {}", mph(*slow), mph(*fast))),
        })
        .collect();
    for v in speeds.iter().filter(|v| !everywhere(**v)) {
        let led = cells(*v).filter(|(_, l)| **l);
        parts.extend(led.map(|(b, _)| format!("for {} at {}", b.setup.words(), mph(*v))));
    }
    let text = listed(&parts);
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |c| c.to_uppercase().chain(letters).collect())
}

fn advice(at: &str, name: &str, share: f64, worst: &Budget, inputs: &FlightInputs) -> String {
    let half = two_digits(worst.coverage * worst.u_deg);
    let speed = mph(worst.setpoint_mps);
    let needs: Vec<String> = worst
        .to_halve
        .iter()
        .map(|n| {
            let named = if n.name == OWN { String::new() } else { format!("{} ", n.name) };
            format!("{named}{} instead of {}", n.needed, n.now)
        })
        .collect();
    let halve = match needs.as_slice() {
        [] => String::new(),
        [one] => format!(" To halve the ± of {half} deg at {speed} takes {one}."),
        all => format!(" To halve the ± of {half} deg at {speed}, all of these are needed: {}.", listed(all)),
    };
    if name == OWN {
        let rest = worst.lines.first().map_or(String::new(), |l| {
            let own = two_digits(worst.coverage * l.u_deg);
            format!(" Of what more volleys cannot mend, {} is the most (± {own} deg): {}.", l.name, what(&l.name))
        });
        return format!(
            "{at} the shots' own scatter is the largest part ({share:.0} % of the variance at {speed}): more volleys help most.{halve}{rest}"
        );
    }
    let without = (worst.u_deg.powi(2) * (1.0 - share / 100.0)).max(0.0).sqrt();
    let better = doubt_words(name, inputs, 0.5).map_or(String::new(), |d| {
        let halved = (0.25 * (worst.u_deg.powi(2) - without * without) + without * without).sqrt();
        format!(" ({d} would take ± {half} deg to ± {} deg at {speed})", two_digits(worst.coverage * halved))
    });
    let better = if needs.len() == 1 { String::new() } else { better };
    format!(
        "{at} {name} is the largest part ({share:.0} % of the variance at {speed}): {}{better} would help most.{halve} It cancels, wholly or in part, when setups of this session are compared.",
        what(name)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(name: &str, u: f64) -> Part {
        Part { name: name.into(), var: u * u }
    }

    fn inputs() -> FlightInputs {
        use crate::flight::{Input, ReadAt};
        FlightInputs {
            pivot_out_m: Input::new(6.0, 0.0025),
            pivot_up_m: Input::new(1.3, 0.0015),
            pivot_right_m: Input::exact(0.0),
            arm_m: Input::new(1.2, 0.0015),
            zero_rad: Input::new(-0.17, 0.05f64.to_radians()),
            plane_turn_rad: Input::exact(0.0),
            off_tangent_rad: Input::exact(0.0),
            lean_rad: Input::exact(0.0),
            mass_kg: Input::new(0.147, 0.0005),
            diameter_m: Input::new(0.063, 0.00015),
            drag: Drag::Coefficient(Input::new(0.45, 0.02)),
            spin: Spin::Unknown,
            temperature_k: Input::new(293.15, 0.5),
            pressure_pa: Input::new(101_325.0, 100.0),
            humidity: Input::new(0.5, 0.05),
            speed_scale_u: 0.006,
            read_at: ReadAt::Release,
            read_at_u_m: 0.0,
        }
    }

    #[test]
    fn one_dominant_source_says_how_good_it_must_be() {
        // 0.3 and 0.1 make 0.1 in variance; a quarter is 0.025, so the first must fall to sqrt(0.015) = 0.1225 of 0.3.
        let needs = to_halve(&[part("speed scale", 0.3), part(OWN, 0.1)], &inputs(), 2, 2.0);
        assert_eq!(needs.len(), 1);
        assert_eq!((needs[0].now.as_str(), needs[0].needed.as_str()), ("0.60 %", "0.24 %"));
    }

    #[test]
    fn where_one_is_not_enough_the_next_joins() {
        let needs = to_halve(&[part("pivot out", 0.3), part(OWN, 0.25), part("zero", 0.05)], &inputs(), 2, 2.0);
        let names: Vec<&str> = needs.iter().map(|n| n.name.as_str()).collect();
        assert_eq!(names, ["pivot out", OWN]);
        // r^2 = (0.155 / 4 - 0.0025) / 0.1525 = 0.2377: 5 mm to 2.4 mm, 2 volleys to 9.
        assert_eq!(needs[0].needed, "± 2.4 mm");
        assert_eq!(needs[1].needed, "9 volleys");
        assert!(to_halve(&[], &inputs(), 1, 2.0).is_empty());
    }
}
