//! Which shots belong together?
//!
//! Shots sit in volleys, volleys in cells (one setup at one setpoint). Setups are the distinct
//! values of the factor columns. Setpoints come from their column, or are found in the speeds.

use super::input::{Setup, Shot, StudyOptions, VolleyStatus};
use super::robust::median;
use crate::error::{Error, Result};
use std::collections::HashMap;

/// Gaps between neighbouring speeds below this share are always one setpoint: a machine rarely
/// repeats better than 1 %.
const SAME_BELOW: f64 = 0.01;
/// Gaps above this share are always two setpoints: 5 mph at 70 mph is 7 %, and a step that small must still part.
const PART_ABOVE: f64 = 0.06;
/// Speeds within this share (or log ratio) of each other are one step of a ladder where nothing else tells: half a 5 mph step at 70 mph.
pub const SAME_STEP: f64 = 0.035;
/// Setpoints as stated are the same within this share (30 mph, or 13.41 m/s).
const STATED_ALIKE: f64 = 0.005;

/// One volley that takes part.
#[derive(Clone, Debug)]
pub(crate) struct VolleyRows {
    pub name: String,
    pub status: VolleyStatus,
    pub setup: usize,
    pub setpoint: usize,
    /// Indices into the list of shots.
    pub rows: Vec<usize>,
    /// Mean speed, m/s.
    pub speed_mps: f64,
}

/// One setup at one setpoint.
#[derive(Clone, Debug)]
pub(crate) struct CellRows {
    pub setup: usize,
    pub setpoint: usize,
    /// Indices into the list of volleys, in shooting order.
    pub volleys: Vec<usize>,
}

/// Who belongs where.
#[derive(Clone, Debug)]
pub(crate) struct Layout {
    pub setups: Vec<Setup>,
    /// Ascending, m/s.
    pub setpoints_mps: Vec<f64>,
    /// In shooting order.
    pub volleys: Vec<VolleyRows>,
    /// By setup, then setpoint.
    pub cells: Vec<CellRows>,
    pub failed: Vec<String>,
    pub setpoints_found: bool,
}

impl Layout {
    /// The cell of a setup at a setpoint.
    pub fn cell(&self, setup: usize, setpoint: usize) -> Option<usize> {
        self.cells.iter().position(|c| c.setup == setup && c.setpoint == setpoint)
    }

    /// The cells of a setup in order of speed.
    pub fn cells_of(&self, setup: usize) -> Vec<usize> {
        (0..self.cells.len()).filter(|&c| self.cells.get(c).is_some_and(|c| c.setup == setup)).collect()
    }

    /// Balls in a volley.
    pub fn balls(&self, volley: &VolleyRows, shots: &[Shot]) -> u64 {
        volley.rows.iter().filter_map(|&r| shots.get(r)).map(|s| u64::from(s.count)).sum()
    }
}

/// Parts ascending speeds into setpoints: returns the first index of each.
///
/// Speeds are compared by their logarithms. The limit is put into the widest break between sorted
/// neighbouring gaps, kept between 1 % and 6 %; without a break of a factor two it is 3.5 %.
fn part_speeds(sorted_mps: &[f64]) -> Vec<usize> {
    let gaps: Vec<f64> = sorted_mps.windows(2).map(|w| (w[1] / w[0]).ln()).collect();
    let mut levels: Vec<f64> = gaps.iter().map(|g| g.clamp(SAME_BELOW, PART_ABOVE)).collect();
    levels.extend([SAME_BELOW, PART_ABOVE]);
    levels.sort_by(f64::total_cmp);
    let widest = levels
        .windows(2)
        .map(|w| (w[1] / w[0], (w[0] * w[1]).sqrt()))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|(ratio, _)| *ratio >= 2.0);
    let limit = widest.map_or(SAME_STEP, |(_, middle)| middle);
    let mut starts = vec![0];
    starts.extend(gaps.iter().enumerate().filter(|(_, g)| **g > limit).map(|(i, _)| i + 1));
    starts
}

/// Setpoints found in speeds, ascending, m/s: the median of each cluster.
///
/// ```
/// let found = pockmark::study::find_setpoints(&[13.48, 22.5, 13.42, 22.6, 18.0, 17.9]);
/// assert_eq!(found.len(), 3);
/// assert!((found[0] - 13.45).abs() < 1e-9);
/// ```
pub fn find_setpoints(speeds_mps: &[f64]) -> Vec<f64> {
    let mut sorted: Vec<f64> = speeds_mps.iter().copied().filter(|s| s.is_finite() && *s > 0.0).collect();
    sorted.sort_by(f64::total_cmp);
    if sorted.is_empty() {
        return Vec::new();
    }
    let mut starts = part_speeds(&sorted);
    starts.push(sorted.len());
    starts.windows(2).filter_map(|w| median(sorted.get(w[0]..w[1])?)).collect()
}

fn nearest(values: &[f64], to: f64) -> Option<(usize, f64)> {
    values.iter().enumerate().map(|(i, v)| (i, (to / v).ln().abs())).min_by(|a, b| a.1.total_cmp(&b.1))
}

fn check_shot(shot: &Shot, row: usize) -> Result<()> {
    let bad = |what: &str, value: f64, limit: &str| {
        Error::input(format!(
            "shot {} (volley \"{}\"): {what} is {value}, but must be {limit}; solve its volley again or mark it failed",
            row + 1,
            shot.volley
        ))
    };
    if !(shot.speed_mps.is_finite() && shot.speed_mps > 0.0) {
        return Err(bad("speed", shot.speed_mps, "above 0 m/s"));
    }
    if let Some(s) = shot.setpoint_mps.filter(|s| !(s.is_finite() && *s > 0.0)) {
        return Err(bad("setpoint", s, "above 0 m/s"));
    }
    if shot.count == 0 {
        return Err(bad("count", 0.0, "1 or more"));
    }
    for (what, e) in [("release", &shot.release), ("sideways", &shot.sideways)] {
        // Angles are physical: within a half turn. This also keeps every sum finite.
        if !(-std::f64::consts::PI..=std::f64::consts::PI).contains(&e.value) {
            return Err(bad(&format!("{what} angle (rad)"), e.value, "within half a turn"));
        }
        if !(e.own_var >= 0.0 && e.own_var < 1e6) {
            return Err(bad(&format!("{what} own variance"), e.own_var, "0 or more and finite"));
        }
        if let Some(s) = e.shared.iter().find(|s| !(-1e3..=1e3).contains(*s)) {
            return Err(bad(&format!("{what} shared sensitivity"), *s, "finite"));
        }
    }
    if !(shot.volley_var >= 0.0 && shot.volley_var < 1e6) {
        return Err(bad("volley variance", shot.volley_var, "0 or more and finite"));
    }
    Ok(())
}

pub(crate) fn check_options(options: &StudyOptions) -> Result<()> {
    if !(options.matters_rad.is_finite() && options.matters_rad > 0.0) {
        return Err(Error::input(format!(
            "[study] matters is {} rad, but must be above 0: write the smallest difference worth caring about, such as \"1 deg\"",
            options.matters_rad
        )));
    }
    if !(options.alpha > 0.0 && options.alpha < 0.5) {
        return Err(Error::input(format!("alpha is {}, but must lie between 0 and 0.5: 0.05 is usual", options.alpha)));
    }
    if let Some(s) = options.speed_shared_rel.iter().find(|s| !(-1.0..=1.0).contains(*s)) {
        return Err(Error::input(format!(
            "shared relative doubt of the speed is {s}, but must not exceed 1: check [speed] scale"
        )));
    }
    Ok(())
}

struct Draft {
    volley: VolleyRows,
    setpoint_mps: Option<f64>,
}

fn gather(shots: &[Shot]) -> Result<(Vec<Setup>, Vec<Draft>, Vec<String>)> {
    let mut setups: Vec<Setup> = Vec::new();
    let mut drafts: Vec<Draft> = Vec::new();
    let mut by_name: HashMap<&str, usize> = HashMap::new();
    let mut failed: Vec<String> = Vec::new();
    for (row, shot) in shots.iter().enumerate() {
        if shot.status == VolleyStatus::Failed {
            if !failed.contains(&shot.volley) {
                failed.push(shot.volley.clone());
            }
            continue;
        }
        check_shot(shot, row)?;
        let setup = setups.iter().position(|s| *s == shot.setup).unwrap_or_else(|| {
            setups.push(shot.setup.clone());
            setups.len() - 1
        });
        let index = *by_name.entry(&shot.volley).or_insert_with(|| {
            drafts.push(Draft {
                volley: VolleyRows {
                    name: shot.volley.clone(),
                    status: shot.status,
                    setup,
                    setpoint: 0,
                    rows: Vec::new(),
                    speed_mps: 0.0,
                },
                setpoint_mps: shot.setpoint_mps,
            });
            drafts.len() - 1
        });
        let Some(draft) = drafts.get_mut(index) else { continue };
        if draft.volley.setup != setup || draft.setpoint_mps != shot.setpoint_mps {
            return Err(Error::input(format!(
                "volley \"{}\" has shots of two setups or setpoints; one volley is shots fired alike: give each its own name",
                shot.volley
            )));
        }
        if shot.status == VolleyStatus::Look {
            draft.volley.status = VolleyStatus::Look;
        }
        draft.volley.rows.push(row);
    }
    Ok((setups, drafts, failed))
}

/// Sorts shots into volleys, setups, setpoints and cells.
pub(crate) fn lay_out(shots: &[Shot]) -> Result<Layout> {
    let (setups, mut drafts, failed) = gather(shots)?;
    if drafts.is_empty() {
        return Err(Error::no_answer(format!(
            "no usable shots among {} ({} volleys failed): look at the volleys' notes, mend or shoot again",
            shots.len(),
            failed.len()
        )));
    }
    for d in &mut drafts {
        let of = |f: fn(&Shot) -> f64| d.volley.rows.iter().filter_map(|&r| shots.get(r)).map(f).sum::<f64>();
        d.volley.speed_mps = of(|s| s.speed_mps * f64::from(s.count)) / of(|s| f64::from(s.count));
    }
    let mut setpoints: Vec<f64> = Vec::new();
    for s in drafts.iter().filter_map(|d| d.setpoint_mps) {
        if nearest(&setpoints, s).is_none_or(|(_, away)| away > STATED_ALIKE) {
            setpoints.push(s);
        }
    }
    // Speeds without a stated setpoint go to a stated one where they are close, and else part among themselves.
    let open: Vec<f64> = drafts
        .iter()
        .filter(|d| d.setpoint_mps.is_none())
        .map(|d| d.volley.speed_mps)
        .filter(|&v| nearest(&setpoints, v).is_none_or(|(_, away)| away > SAME_STEP))
        .collect();
    let setpoints_found = drafts.iter().any(|d| d.setpoint_mps.is_none());
    setpoints.extend(find_setpoints(&open));
    setpoints.sort_by(f64::total_cmp);
    for d in &mut drafts {
        let aim = d.setpoint_mps.unwrap_or(d.volley.speed_mps);
        d.volley.setpoint = nearest(&setpoints, aim).map_or(0, |(i, _)| i);
    }
    let volleys: Vec<VolleyRows> = drafts.into_iter().map(|d| d.volley).collect();
    let mut cells: Vec<CellRows> = Vec::new();
    for setup in 0..setups.len() {
        for setpoint in 0..setpoints.len() {
            let of: Vec<usize> = volleys
                .iter()
                .enumerate()
                .filter(|(_, v)| v.setup == setup && v.setpoint == setpoint)
                .map(|(i, _)| i)
                .collect();
            if !of.is_empty() {
                cells.push(CellRows { setup, setpoint, volleys: of });
            }
        }
    }
    Ok(Layout { setups, setpoints_mps: setpoints, volleys, cells, failed, setpoints_found })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ladder_of_ten_mph_steps() {
        // Source: speeds of the session clean-901, five setpoints 30 to 70 mph, two volleys each.
        let speeds = [13.487, 13.429, 18.006, 17.982, 22.526, 22.565, 27.052, 27.073, 31.464, 31.451];
        let found = find_setpoints(&speeds);
        assert_eq!(found.len(), 5, "{found:?}");
        assert!((found[2] - 22.5455).abs() < 1e-9);
    }

    #[test]
    fn five_mph_steps_with_a_loose_machine() {
        let mut speeds = Vec::new();
        for mph in [50.0, 55.0, 60.0, 65.0, 70.0] {
            for off in [-0.012, -0.004, 0.003, 0.011] {
                speeds.push(mph / 2.236936 * (1.0 + off));
            }
        }
        assert_eq!(find_setpoints(&speeds).len(), 5);
        assert_eq!(find_setpoints(&[20.0, 20.01, 19.98]).len(), 1);
        assert_eq!(find_setpoints(&[20.0]).len(), 1);
        assert!(find_setpoints(&[f64::NAN, -3.0]).is_empty());
    }

    #[test]
    fn one_volley_of_two_setups_is_refused() {
        let shot = |p: &str| Shot {
            volley: "1".into(),
            setup: Setup::new([("pocket", p)]),
            speed_mps: 20.0,
            count: 1,
            ..Shot::default()
        };
        let e = lay_out(&[shot("a"), shot("b")]).unwrap_err().to_string();
        assert!(e.contains("two setups"), "{e}");
        let mut bad = shot("a");
        bad.speed_mps = f64::NAN;
        assert!(lay_out(&[bad]).is_err());
        assert!(lay_out(&[]).is_err());
    }
}
