//! Where should the machine stand: what lands on the wall, what is a millimetre worth, which distance is best?
//!
//! For release angles and speeds that are to be shot, every throw is flown forwards to its mark and solved backwards with
//! all doubts ([`Solver`]). Close to the wall a millimetre is worth many hundredths of a degree, far from it
//! the speed's doubt grows (what the ball falls goes with the square of the distance), and balls leave
//! the wall at its bottom: somewhere between is the distance with the smallest u.

use crate::error::{Error, Result};
use crate::flight::inputs::{Factor, FlightInputs};
use crate::flight::solve::{Impact, Release, Solver};
use crate::uncertainty::{Estimate, SharedFactors};

/// What is to be shot at which wall.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted {
    /// Lowest and highest place on the wall that may be struck, m above the origin.
    pub wall_m: [f64; 2],
    /// Release angles to be told, rad.
    pub releases_rad: Vec<f64>,
    /// Speeds to be shot, as read, m/s.
    pub speeds_mps: Vec<f64>,
    /// Standard uncertainty of a mark's height, m.
    pub mark_u_m: f64,
    /// Distances of the pivot from the wall to try, m.
    pub distances_m: Vec<f64>,
}

/// One throw.
#[derive(Clone, Debug, PartialEq)]
pub struct Throw {
    /// Release angle, rad.
    pub release_rad: f64,
    /// Speed as read, m/s.
    pub speed_mps: f64,
    /// Height of its mark above the origin, m; `None` where it never reaches the wall.
    pub height_m: Option<f64>,
    /// Whether that lies on the wall.
    pub lands: bool,
    /// What a metre of height is worth, rad (negative: higher is less).
    pub rad_per_m: Option<f64>,
    /// Standard uncertainty of its release angle, rad, all doubts but the shots' scatter.
    pub u_rad: Option<f64>,
}

/// The speeds' rows: what lands at one speed.
#[derive(Clone, Debug, PartialEq)]
pub struct Reach {
    /// Speed as read, m/s.
    pub speed_mps: f64,
    /// Release angles that strike the wall's top and its bottom, rad; `None` where the ball does not get there.
    pub top_rad: Option<f64>,
    /// See `top_rad`.
    pub bottom_rad: Option<f64>,
    /// What a metre of height is worth in the middle of the wall, rad.
    pub rad_per_m: Option<f64>,
    /// Where the doubt comes from in the middle of the wall, largest first: name and u, rad.
    pub parts: Vec<(String, f64)>,
    /// Standard uncertainty there, rad.
    pub u_rad: Option<f64>,
}

/// One distance of the pivot from the wall.
#[derive(Clone, Debug, PartialEq)]
pub struct Distance {
    /// Pivot to wall, m.
    pub pivot_out_m: f64,
    /// Root mean square of the throws' u, rad; `None` where one of them cannot be told there.
    pub u_rad: Option<f64>,
    /// u at each speed, root mean square over the angles, rad.
    pub by_speed_rad: Vec<Option<f64>>,
    /// How many of the throws land on the wall.
    pub land: usize,
    /// How many there are.
    pub of: usize,
}

/// The whole answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Geometry {
    /// At the machine's own place: every angle at every speed.
    pub throws: Vec<Throw>,
    /// At the machine's own place: what lands at each speed.
    pub reach: Vec<Reach>,
    /// u at the machine's own place, root mean square over the throws, rad.
    pub here: Distance,
    /// Each distance tried.
    pub distances: Vec<Distance>,
    /// Index of the distance with the smallest u.
    pub best: Option<usize>,
    /// Index of the distance with the smallest u among those where most throws land.
    pub best_that_lands: Option<usize>,
}

/// Works out what lands, what a millimetre is worth, and which distance tells angles best.
///
/// # Errors
/// As [`FlightInputs::check`]; a wall without height, no speeds or no angles.
pub fn geometry(inputs: &FlightInputs, wanted: &Wanted) -> Result<Geometry> {
    let [bottom, top] = wanted.wall_m;
    let stands = bottom < top;
    if !stands {
        return Err(Error::input(format!(
            "the wall goes from {bottom:.3} m to {top:.3} m above the origin: write its bottom below its top"
        )));
    }
    if wanted.speeds_mps.is_empty() || wanted.releases_rad.is_empty() {
        return Err(Error::input("no speeds or no release angles to look at: name at least one of each"));
    }
    let solver = Solver::new(inputs)?;
    let names = solver.shared_factors(0);
    let throws = throws(&solver, inputs, wanted);
    let reach = wanted.speeds_mps.iter().map(|v| reach(&solver, &names, wanted, *v)).collect();
    let at = |distance_m: f64| -> Distance {
        let mut moved = *inputs;
        moved.pivot_out_m.value = distance_m;
        let all = Solver::new(&moved).map(|s| self::throws(&s, &moved, wanted)).unwrap_or_default();
        summed(distance_m, &all, wanted)
    };
    let distances: Vec<Distance> = wanted.distances_m.iter().map(|d| at(*d)).collect();
    let smallest = |most: usize| {
        let fit = distances.iter().enumerate().filter(|(_, d)| d.land >= most);
        let told = fit.filter_map(|(i, d)| d.u_rad.map(|u| (i, u)));
        told.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(i, _)| i)
    };
    let most = distances.iter().filter(|d| d.u_rad.is_some()).map(|d| d.land).max().unwrap_or(0);
    let (best, best_that_lands) = (smallest(0), if most > 0 { smallest(most) } else { None });
    let here = summed(inputs.pivot_out_m.value, &throws, wanted);
    Ok(Geometry { here, throws, reach, best, best_that_lands, distances })
}

fn impact(height_m: f64, solver: &Solver, speed_mps: f64, mark_u_m: f64) -> Impact {
    let machine = &solver.setting().machine;
    let ahead = machine.pivot_right_m + machine.pivot_out_m * machine.plane_turn_rad.tan();
    Impact {
        point: crate::points::WallPoint::new(ahead, height_m),
        own_cov_m2: [[0.0, 0.0], [0.0, mark_u_m * mark_u_m]],
        shared: Vec::new(),
        speed_mps,
        speed_own_u_mps: 0.0,
    }
}

fn throws(solver: &Solver, inputs: &FlightInputs, wanted: &Wanted) -> Vec<Throw> {
    let [bottom, top] = wanted.wall_m;
    let zero = inputs.input(Factor::Zero).value;
    let mut all = Vec::with_capacity(wanted.speeds_mps.len() * wanted.releases_rad.len());
    for &speed_mps in &wanted.speeds_mps {
        for &release_rad in &wanted.releases_rad {
            let strike = solver.setting().strike(release_rad + zero, inputs.plane_turn_rad.value, speed_mps);
            let height_m = strike.ok().map(|s| s.point.y_m);
            let solved: Option<Release> =
                height_m.and_then(|h| solver.solve(&impact(h, solver, speed_mps, wanted.mark_u_m)).ok());
            all.push(Throw {
                release_rad,
                speed_mps,
                height_m,
                lands: height_m.is_some_and(|h| (bottom..=top).contains(&h)),
                rad_per_m: solved.as_ref().map(|r| r.by_mark_and_speed[1]),
                u_rad: solved.map(|r| r.release.u()),
            });
        }
    }
    all
}

fn reach(solver: &Solver, names: &SharedFactors, wanted: &Wanted, speed_mps: f64) -> Reach {
    let [bottom, top] = wanted.wall_m;
    let at = |height_m: f64| solver.solve(&impact(height_m, solver, speed_mps, wanted.mark_u_m)).ok();
    let middle: Option<Estimate> = at(0.5 * (bottom + top)).map(|r| r.release);
    let mut reach = Reach {
        speed_mps,
        top_rad: at(top).map(|r| r.release.value),
        bottom_rad: at(bottom).map(|r| r.release.value),
        rad_per_m: at(0.5 * (bottom + top)).map(|r| r.by_mark_and_speed[1]),
        parts: Vec::new(),
        u_rad: middle.as_ref().map(Estimate::u),
    };
    if let Some(m) = middle {
        reach.parts = m
            .budget(names)
            .into_iter()
            .filter(|l| l.u > 0.0)
            .map(|l| (if l.name == "own" { "mark's height".to_string() } else { l.name }, l.u))
            .collect();
    }
    reach
}

fn rms(values: &[Option<f64>]) -> Option<f64> {
    let all: Option<Vec<f64>> = values.iter().copied().collect();
    all.filter(|v| !v.is_empty()).map(|v| (v.iter().map(|u| u * u).sum::<f64>() / v.len() as f64).sqrt())
}

fn summed(pivot_out_m: f64, throws: &[Throw], wanted: &Wanted) -> Distance {
    let us: Vec<Option<f64>> = throws.iter().map(|t| t.u_rad).collect();
    Distance {
        pivot_out_m,
        u_rad: rms(&us),
        by_speed_rad: if throws.is_empty() {
            vec![None; wanted.speeds_mps.len()]
        } else {
            us.chunks(wanted.releases_rad.len()).map(rms).collect()
        },
        land: throws.iter().filter(|t| t.lands).count(),
        of: wanted.speeds_mps.len() * wanted.releases_rad.len(),
    }
}
