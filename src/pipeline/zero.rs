//! Where is the machine's zero: stated, or told by zero shots?
//!
//! With zero shots in `volleys.csv` every mark is first solved with a zero of exactly 0, so that its release angle is the
//! arm angle; [`set_zero`] then takes the zero from the zero shots and turns all of them into release angles. What
//! the two share (pivot, speed scale, drag, tape) cancels there as far as it is alike.

use super::measured::Measured;
use crate::error::{Result, counted};
use crate::flight::zero::{Zero, ZeroVolley, zero_from_shots};
use crate::flight::{FlightInputs, Input, ZeroModel};
use crate::quantity::Quantity;
use crate::session::results::Status;
use crate::session::spec::zero_missing;
use crate::session::{FlagWord, Session};
use crate::uncertainty::{Estimate, SharedFactors};

/// Name of the shared factor of the zero, as of a stated one.
const ZERO: &str = "zero";
/// Name of the shared factor of the known release angles.
const KNOWN: &str = "zero shots' angle";

/// The flight's inputs of a session, SI: the zero is exactly 0 where zero shots are to tell it.
///
/// # Errors
/// As [`super::inputs::flight_inputs`].
pub fn session_inputs(session: &Session) -> Result<FlightInputs> {
    let mut spec = session.spec.clone();
    if session.volleys.has_zero_shots() {
        spec.machine.zero = Some(Quantity::exact(0.0));
    }
    super::inputs::flight_inputs(&spec)
}

/// The zero from zero shots, with the flight behind it for a check by Monte Carlo.
pub struct Told {
    zero: Zero,
    /// How it comes about.
    pub model: ZeroModel,
    /// What a reader must know, a sentence each.
    notes: Vec<String>,
    /// What somebody must look at before the angles are used.
    look: Option<String>,
}

/// The zero as the session's zero shots tell it; `None` where it has none.
///
/// # Errors
/// The zero shots tell no zero (none left a mark, or a single one did) and none is stated.
pub fn told(session: &Session, measured: &[Measured]) -> Result<Option<Told>> {
    if !session.volleys.has_zero_shots() {
        return Ok(None);
    }
    let used: Vec<&Measured> =
        measured.iter().filter(|m| m.volley.row.known_release.is_some() && m.status != Status::Failed).collect();
    let volleys: Vec<ZeroVolley> = used.iter().filter_map(|m| zero_volley(m)).collect();
    let stated = session.spec.machine.zero;
    match (zero_from_shots(&volleys), stated) {
        (Ok(zero), _) => {
            let (notes, look) = describe(&zero, &volleys, stated);
            let model = zero_model(&zero, &used);
            Ok(Some(Told { zero, model, notes, look }))
        }
        (Err(why), Some(q)) => {
            let zero = Zero {
                estimate: Estimate::own(q.value, q.u),
                known_u_rad: 0.0,
                known_rad: 0.0,
                weights: Vec::new(),
                shots: 0,
                scatter_df: 0,
                disagreement: 1.0,
            };
            let model = ZeroModel { known_rad: -q.value, extra_u_rad: q.u, ..ZeroModel::default() };
            Ok(Some(Told {
                zero,
                model,
                notes: vec![format!("The zero is the one that session.toml states: {why}.")],
                look: None,
            }))
        }
        (Err(why), None) => Err(zero_missing().context(why.to_string())),
    }
}

/// Turns arm angles into release angles where zero shots tell the zero; `factors` is how many shared factors the arm
/// angles have. Where no zero is known, no volley has an answer, and each says why.
pub fn set_zero(session: &Session, factors: usize, measured: &mut [Measured]) {
    let told = match told(session, measured) {
        Ok(None) => return,
        Ok(Some(told)) => Ok(told.zero),
        Err(why) => Err(why.to_string()),
    };
    for m in measured.iter_mut() {
        for k in &mut m.marks {
            match (&told, k.release.as_mut()) {
                (Ok(zero), Some(r)) => r.release = zero.release(&r.arm, factors),
                _ => k.release = None,
            }
        }
        if let Err(why) = &told {
            m.status = Status::Failed;
            let before = if m.note.is_empty() { String::new() } else { format!("{}; ", m.note) };
            m.note = format!("{before}{why}");
        }
        if m.volley.row.known_release.is_some() {
            m.flags.push(FlagWord::ZeroShot);
        }
    }
}

/// Names of the zero's own factors, behind all others.
pub fn add_zero_factors(session: &Session, factors: &mut SharedFactors) {
    if session.volleys.has_zero_shots() {
        factors.names.extend([ZERO.to_string(), KNOWN.to_string()]);
    }
}

/// What a reader must know of the zero, a sentence each, and what somebody must look at before the angles are used.
pub fn zero_words(session: &Session, measured: &[Measured]) -> (Vec<String>, Option<String>) {
    told(session, measured).ok().flatten().map(|t| (t.notes, t.look)).unwrap_or_default()
}

fn zero_volley(m: &Measured) -> Option<ZeroVolley> {
    let known = m.volley.row.known_release?;
    let solved = m.marks.iter().filter_map(|k| k.release.as_ref().map(|r| (k, r)));
    let arms: Vec<(u32, Estimate)> = solved.clone().map(|(k, r)| (k.found.count, r.arm.clone())).collect();
    let volley_var = solved.map(|(k, r)| m.volley_var(r, k)).next()?;
    Some(ZeroVolley { name: m.volley.row.volley.clone(), arms, known: Input::new(known.value, known.u), volley_var })
}

fn describe(zero: &Zero, volleys: &[ZeroVolley], stated: Option<Quantity>) -> (Vec<String>, Option<String>) {
    let deg = |v: f64| v.to_degrees();
    let names: Vec<&str> = volleys.iter().map(|v| v.name.as_str()).collect();
    let mut look = None;
    let mut notes = vec![format!(
        "The machine's zero comes from {} zero shots (volley {}): {:.2} ± {:.2} deg (95 %). What it shares with the other shots cancels in their release angles.",
        zero.shots,
        names.join(", "),
        deg(zero.estimate.value),
        2.0 * deg(zero.u_rad())
    )];
    if zero.scatter_df < 3 {
        notes.push(format!(
            "{} in {} hardly show how they scatter, which widens the zero: shoot at least four in one volley.",
            counted(zero.shots as usize, "zero shot"),
            counted(zero.weights.len(), "volley")
        ));
    }
    if zero.disagreement > 1.0 {
        notes.push(format!(
            "The volleys of zero shots lie {:.1} times further apart than their own doubts explain, which widens the zero: did the machine or the cup move between them?",
            zero.disagreement
        ));
    }
    if let Some(q) = stated {
        let away = zero.estimate.value - q.value;
        let u = zero.u_rad().hypot(q.u);
        let far = away.abs() > 2.0 * u && away.abs() > 1e-9;
        let verdict = if far { "that is more than both doubts explain" } else { "the two agree within their doubts" };
        notes.push(format!(
            "session.toml states a zero of {:.2} ± {:.2} deg, which is not used; the zero shots say {:+.2} deg more: {verdict}.",
            deg(q.value),
            2.0 * deg(q.u),
            deg(away)
        ));
        look = far.then(|| {
            format!(
                "the zero of the zero shots and the stated one differ by {:.2} deg, more than both doubts explain: check the zero, the pivot's place, the known release angles and the speed readings",
                deg(away.abs())
            )
        });
    }
    (notes, look)
}

fn zero_model(zero: &Zero, used: &[&Measured]) -> ZeroModel {
    let impacts: Vec<_> = used.iter().filter_map(|m| m.mean_impact()).collect();
    let terms: Vec<_> = zero.weights.iter().copied().zip(impacts).collect();
    // What the marks themselves carry is drawn with them; the scatter beyond that is drawn beside.
    let marks: f64 = terms
        .iter()
        .zip(used.iter().filter(|m| m.mean_impact().is_some()))
        .filter_map(|((w, i), m)| {
            let r = m.marks.iter().find_map(|k| k.release.as_ref())?;
            let [x, y, _] = r.by_mark_and_speed;
            let c = &i.own_cov_m2;
            Some(w * w * (x * x * c[0][0] + 2.0 * x * y * c[0][1] + y * y * c[1][1]))
        })
        .sum();
    ZeroModel {
        terms,
        known_rad: zero.known_rad,
        known_u_rad: zero.known_u_rad,
        extra_u_rad: (zero.estimate.own_var - marks).max(0.0).sqrt(),
    }
}
