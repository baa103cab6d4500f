//! Where would a volley's marks be expected, by what the session's other volleys did?
//!
//! Setups and speeds are taken to add up: a volley of setup s at speed v is expected where another setup's was at that speed, moved
//! by what lies between the two setups at another speed. That is good to about a degree; where no other speed has both setups, the
//! other setup's place alone serves, with the few degrees that setups differ by. It decides between volleys, never where a mark is.

use crate::session::VolleyRow;
use crate::study::SAME_STEP;

/// Standard deviation of where a volley is, with setups and speeds adding up, rad: three times what repeated volleys of good machines
/// scatter by (common practice, no source).
const ADDED_RAD: f64 = 0.0175;
/// The same from another setup at that speed, rad: pockets differ by several degrees (common practice, no source).
const OTHER_RAD: f64 = 0.052;

/// A place and its standard deviations across and up, mm.
pub type Expected = ([f64; 2], [f64; 2]);

fn speed(r: &VolleyRow) -> Option<f64> {
    r.setpoint_mps.or(r.speed_mps).filter(|v| *v > 0.0)
}

/// The expected middle of a volley's marks, mm, from other volleys' middles; `out_mm` is the distance to the wall.
pub fn expected(volley: &VolleyRow, others: &[(&VolleyRow, [f64; 2])], out_mm: f64) -> Option<Expected> {
    let own = speed(volley)?;
    let same_speed = |a: f64, b: f64| (a / b).ln().abs() < SAME_STEP;
    let mean = |v: &[[f64; 2]]| -> Option<[f64; 2]> {
        let n = v.len() as f64;
        (n > 0.0).then(|| std::array::from_fn(|k| v.iter().map(|p| p[k]).sum::<f64>() / n))
    };
    let at = |setup: &VolleyRow, v: f64| {
        let alike =
            |r: &&(&VolleyRow, [f64; 2])| r.0.factors == setup.factors && speed(r.0).is_some_and(|s| same_speed(s, v));
        mean(&others.iter().filter(alike).map(|r| r.1).collect::<Vec<_>>())
    };
    let added_sd = [ADDED_RAD * out_mm; 2];
    if let Some(p) = at(volley, own) {
        return Some((p, added_sd));
    }
    let (mut added, mut plain) = (Vec::new(), Vec::new());
    for (row, place) in others.iter().filter(|(r, _)| speed(r).is_some_and(|s| same_speed(s, own))) {
        plain.push(*place);
        for (third, was) in others.iter().filter(|(r, _)| r.factors == volley.factors) {
            if let Some(p) = speed(third).and_then(|v| at(row, v)) {
                added.push([place[0] + was[0] - p[0], place[1] + was[1] - p[1]]);
            }
        }
    }
    match (mean(&added), mean(&plain)) {
        (Some(p), _) => Some((p, added_sd)),
        (None, Some(p)) => Some((p, [ADDED_RAD * out_mm, OTHER_RAD * out_mm])),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(mesh: &str, setpoint_mps: f64) -> VolleyRow {
        VolleyRow {
            setpoint_mps: Some(setpoint_mps),
            factors: [("mesh".to_string(), mesh.to_string())].into(),
            ..VolleyRow::default()
        }
    }

    #[test]
    fn setups_and_speeds_add_up() {
        let rows = [row("soft", 20.0), row("stiff", 20.0), row("stiff", 30.0)];
        let places = [[0.0, 100.0], [2.0, 160.0], [4.0, 400.0]];
        let others: Vec<_> = rows.iter().zip(places).collect();
        let (p, sd) = expected(&row("soft", 30.0), &others, 3000.0).unwrap();
        assert_eq!(p, [2.0, 340.0]);
        assert!((sd[1] - 52.5).abs() < 1e-9);
        // Only the other setup at this speed: its place, with more doubt.
        let (p, sd) = expected(&row("soft", 30.0), &others[1..], 3000.0).unwrap();
        assert_eq!(p, [4.0, 400.0]);
        assert!(sd[1] > 150.0);
        assert_eq!(expected(&row("soft", 50.0), &others, 3000.0), None);
    }
}
