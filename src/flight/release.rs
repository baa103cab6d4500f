//! Which arm angle puts a ball onto that mark, and which mark comes from that arm angle?
//!
//! Frame: `w` horizontal towards the wall, `x` to the right, `h` up, all from the wall's
//! origin, with the pivot axis at `w = -D`, `x = R`, `h = P`. The arm swings in a
//! vertical plane turned by `tau` (to the right positive). At arm angle `t` (0 upright,
//! positive past upright towards the wall) the ball's centre is at
//!
//! ```text
//! w = -D + L sin t cos tau      x = R + L sin t sin tau      h = P + L cos t
//! ```
//!
//! and leaves at the elevation `-t + delta` (`delta`: off the tangent, up positive) with
//! the sideways angle `s`, whose horizontal part is `cos s` towards the wall and `sin s`
//! to the right: `s` counts from the wall's normal, not from the arm's plane.
//! The wall leans by `lambda` (top away from the machine positive): its point (x, y) is
//! at `w = y sin lambda`, `h = y cos lambda`. The ball strikes when its centre is one
//! radius from the wall, and the mark is straight in front, along the wall's normal. So
//! the mark (x, y) fixes the centre: `w = y sin lambda - r cos lambda`,
//! `h = y cos lambda + r sin lambda`. That leaves one unknown, the arm angle, and one
//! equation: the ball, flown over the horizontal distance from release to that centre,
//! is at its height.
//!
//! Height against arm angle has one peak (near t = -66 deg at 30 mph over 6 m) and falls
//! to both sides. A machine throws on the *low branch*, right of the peak. On it the
//! height above the target passes from positive to negative as the arm angle grows, on
//! the other branch from negative to positive, so a bracket whose left end is above and
//! whose right end is below the target holds the low root and no other.

use crate::error::{Error, Result};
use crate::flight::drag::Ball;
use crate::flight::inputs::ReadAt;
use crate::flight::trajectory::InFlight;
use crate::points::WallPoint;

/// Steepest elevation looked at, rad (89.5 deg): next to the vertical the range is no
/// longer a coordinate, and no machine throws there.
const STEEPEST_RAD: f64 = 1.562;

/// The height's root is taken as met at this distance, m: well below 1e-9 m, above rounding.
const HEIGHT_TOLERANCE_M: f64 = 1e-13;

/// m/s in 1 mph, exactly.
const MPS_PER_MPH: f64 = 0.44704;

/// Where a machine stands before a wall; lengths in m, angles in rad.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Machine {
    /// D, horizontal distance from the pivot axis to the wall at the origin's height.
    pub pivot_out_m: f64,
    /// P, height of the pivot axis above the origin.
    pub pivot_up_m: f64,
    /// R, how far right of the origin the arm's plane crosses the pivot axis.
    pub pivot_right_m: f64,
    /// L, pivot axis to the ball's centre.
    pub arm_m: f64,
    /// tau, turn of the arm's plane about the vertical, right positive.
    pub plane_turn_rad: f64,
    /// delta, how far above the tangent the ball leaves.
    pub off_tangent_rad: f64,
    /// lambda, lean of the wall, top away from the machine positive.
    pub lean_rad: f64,
}

/// A machine, its ball in the day's air, and where speed is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setting {
    /// The machine before its wall.
    pub machine: Machine,
    /// The ball in its air.
    pub ball: Ball,
    /// Where the speed is read.
    pub read_at: ReadAt,
}

/// A ball's arrival at the wall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Strike {
    /// The mark.
    pub point: WallPoint,
    /// Speed at release, m/s.
    pub release_speed_mps: f64,
    /// Speed at the wall, m/s.
    pub impact_speed_mps: f64,
    /// Elevation of the path at the wall, rad, negative when it descends.
    pub impact_elevation_rad: f64,
    /// Time of flight, s.
    pub time_s: f64,
}

/// The release that explains a mark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Solved {
    /// Arm angle, rad.
    pub arm_rad: f64,
    /// Sideways angle, rad, right positive.
    pub sideways_rad: f64,
    /// How the ball arrived.
    pub strike: Strike,
}

/// What a trial release misses by.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Miss {
    /// Height above the target, m.
    pub height_m: f64,
    /// Speed at the reading place above what was read, m/s.
    pub speed_mps: f64,
    /// Sideways angle that leads to the target, rad.
    pub sideways_rad: f64,
    /// The ball at the target's distance.
    pub end: InFlight,
}

impl Setting {
    /// Where a ball strikes that leaves at this arm angle and sideways angle (rad) with
    /// this speed reading (m/s).
    ///
    /// # Errors
    /// The ball leaves steeper than 89.5 deg, backwards, or beyond the wall; it never
    /// reaches the wall; or the speed is read farther from the wall than the ball leaves.
    pub fn strike(&self, arm_rad: f64, sideways_rad: f64, speed_mps: f64) -> Result<Strike> {
        check_speed(speed_mps)?;
        let m = &self.machine;
        let elevation_rad = m.off_tangent_rad - arm_rad;
        let (start_w, start_x, start_h) = m.release_place(arm_rad);
        let (sin_lean, cos_lean) = m.lean_rad.sin_cos();
        let cos_side = sideways_rad.cos();
        let gap = |w: f64, h: f64| -w * cos_lean + h * sin_lean - self.ball.radius_m;
        let aims_at_wall = elevation_rad.abs() < STEEPEST_RAD && cos_side > 1e-3 && gap(start_w, start_h) > 0.0;
        if !aims_at_wall {
            return Err(Error::no_answer(format!(
                "an arm angle of {:.2} deg with {:.2} deg sideways does not throw at the wall: check angles and distances",
                arm_rad.to_degrees(),
                sideways_rad.to_degrees()
            )));
        }
        let never = || {
            Error::no_answer(format!(
                "a ball thrown at {:.1} mph and an arm angle of {:.2} deg falls before the wall: is the speed right?",
                speed_mps / MPS_PER_MPH,
                arm_rad.to_degrees()
            ))
        };
        // For a reading before the wall, the release speed that leads to it.
        let mut release_mps = speed_mps;
        for _ in 0..MOST_SPEED_ROUNDS {
            let start = InFlight::start(start_h, elevation_rad, release_mps);
            // Newton on the gap; each move flies on (or back) from where the ball is.
            let mut end = start;
            for round in 0..30 {
                let w = start_w + end.range_m * cos_side;
                let closing = cos_side * cos_lean - end.slope * sin_lean;
                if closing <= 0.0 {
                    return Err(never());
                }
                let missing_m = gap(w, end.height_m) / closing;
                if missing_m.abs() < HEIGHT_TOLERANCE_M || (round > 5 && missing_m.abs() < 1e-11) {
                    break;
                }
                end = end.advance(&self.ball, missing_m).ok_or_else(never)?;
            }
            let w = start_w + end.range_m * cos_side;
            let strike = Strike {
                point: WallPoint::new(
                    start_x + end.range_m * sideways_rad.sin(),
                    end.height_m * cos_lean + w * sin_lean,
                ),
                release_speed_mps: release_mps,
                impact_speed_mps: end.speed_mps(),
                impact_elevation_rad: end.elevation_rad(),
                time_s: end.time_s,
            };
            let Some(read_range_m) = self.read_range_m(end.range_m, cos_side)? else {
                return Ok(strike);
            };
            let read_mps = start.advance(&self.ball, read_range_m).ok_or_else(never)?.speed_mps();
            let next_mps = release_mps * speed_mps / read_mps;
            if (next_mps - release_mps).abs() <= 1e-14 * release_mps {
                return Ok(strike);
            }
            release_mps = next_mps;
        }
        Err(no_release_speed(speed_mps))
    }

    /// The release on the low branch that explains a mark struck at a speed reading (m/s).
    ///
    /// # Errors
    /// The ball cannot get to the mark at that speed, a number out of range, or a speed
    /// read farther from the wall than the ball leaves.
    pub fn solve(&self, mark: WallPoint, speed_mps: f64) -> Result<Solved> {
        check_speed(speed_mps)?;
        if !(mark.x_m.is_finite() && mark.y_m.is_finite()) {
            return Err(Error::input(format!(
                "a mark at ({}, {}) m is nowhere: give finite numbers",
                mark.x_m, mark.y_m
            )));
        }
        let mut release_mps = speed_mps;
        let mut near: Option<f64> = None;
        for _ in 0..MOST_SPEED_ROUNDS {
            let arm_rad = self.low_root(mark, release_mps, speed_mps, near)?;
            let miss = self.miss(arm_rad, release_mps, mark, speed_mps)?.ok_or_else(|| no_release_speed(speed_mps))?;
            let next_mps = release_mps * speed_mps / (speed_mps + miss.speed_mps);
            if self.read_at == ReadAt::Release || (next_mps - release_mps).abs() <= 1e-14 * release_mps {
                return Ok(Solved {
                    arm_rad,
                    sideways_rad: miss.sideways_rad,
                    strike: Strike {
                        point: mark,
                        release_speed_mps: release_mps,
                        impact_speed_mps: miss.end.speed_mps(),
                        impact_elevation_rad: miss.end.elevation_rad(),
                        time_s: miss.end.time_s,
                    },
                });
            }
            release_mps = next_mps;
            near = Some(arm_rad);
        }
        Err(no_release_speed(speed_mps))
    }

    /// Flies a trial release to the target's distance. `Ok(None)`: it never gets there.
    pub(crate) fn miss(&self, arm_rad: f64, release_mps: f64, mark: WallPoint, speed_mps: f64) -> Result<Option<Miss>> {
        let m = &self.machine;
        let elevation_rad = m.off_tangent_rad - arm_rad;
        let (start_w, start_x, start_h) = m.release_place(arm_rad);
        let (sin_lean, cos_lean) = m.lean_rad.sin_cos();
        let goal_w = mark.y_m * sin_lean - self.ball.radius_m * cos_lean;
        let goal_h = mark.y_m * cos_lean + self.ball.radius_m * sin_lean;
        let (along, across) = (goal_w - start_w, mark.x_m - start_x);
        if elevation_rad.abs() >= STEEPEST_RAD || along <= 0.0 {
            return Ok(None);
        }
        let range_m = along.hypot(across);
        let start = InFlight::start(start_h, elevation_rad, release_mps);
        let mut read_mps = release_mps;
        let mut from = start;
        if let Some(read_range_m) = self.read_range_m(range_m, along / range_m)? {
            let Some(at_reading) = start.advance(&self.ball, read_range_m) else { return Ok(None) };
            read_mps = at_reading.speed_mps();
            from = at_reading;
        }
        Ok(from.advance(&self.ball, range_m - from.range_m).map(|end| Miss {
            height_m: end.height_m - goal_h,
            speed_mps: read_mps - speed_mps,
            sideways_rad: across.atan2(along),
            end,
        }))
    }

    /// Range at which the speed is read, m; `None`: at release. The distance from the
    /// wall counts horizontally from the wall at the mark's height to the ball's centre.
    fn read_range_m(&self, range_m: f64, cos_side: f64) -> Result<Option<f64>> {
        let ReadAt::FromWall(distance_m) = self.read_at else { return Ok(None) };
        let before_m = (distance_m - self.ball.radius_m).max(0.0) / cos_side;
        if before_m > range_m {
            return Err(Error::input(format!(
                "the speed is read {distance_m:.3} m from the wall, but the ball leaves {:.3} m from it: \
                 state the speed as read at release, or a smaller distance",
                range_m * cos_side + self.ball.radius_m
            )));
        }
        Ok(Some(range_m - before_m))
    }

    /// Root of the height on the low branch at a given release speed.
    fn low_root(&self, mark: WallPoint, release_mps: f64, read_mps: f64, near: Option<f64>) -> Result<f64> {
        // Where a reading lies before the release, only the root can tell: fly without it here.
        let plain = Self { read_at: ReadAt::Release, ..*self };
        let height = |arm_rad: f64| match plain.miss(arm_rad, release_mps, mark, release_mps) {
            Ok(Some(miss)) => miss.height_m,
            _ => f64::NEG_INFINITY,
        };
        let first_step = if near.is_some() { 1e-4 } else { 0.02 };
        let guess = near.unwrap_or_else(|| self.guess(mark, release_mps));
        let bracket = match bracket(&height, guess, first_step) {
            Some(found) => found,
            None => {
                let (peak_rad, most_m) = highest(&height, &self.machine);
                if most_m < 0.0 || most_m.is_nan() {
                    return Err(unreachable_mark(mark, read_mps, most_m));
                }
                bracket_right(&height, peak_rad, most_m, 0.02)
                    .ok_or_else(|| unreachable_mark(mark, read_mps, most_m))?
            }
        };
        Ok(root(&height, bracket))
    }

    /// Low root in vacuum, released at the top of the arc: within some degrees of the answer.
    fn guess(&self, mark: WallPoint, release_mps: f64) -> f64 {
        let g = crate::flight::STANDARD_GRAVITY_MPS2;
        let mut arm_rad = 0.0;
        for _ in 0..2 {
            let (w, _, h) = self.machine.release_place(arm_rad);
            let (run, rise) = ((-w).max(0.1), mark.y_m - h);
            let v2 = release_mps * release_mps;
            let root = (v2 * v2 - g * (g * run * run + 2.0 * rise * v2)).max(0.0).sqrt();
            arm_rad = self.machine.off_tangent_rad - ((v2 - root) / (g * run)).atan();
        }
        arm_rad
    }
}

/// Rounds between speed at release and speed at the reading: each gains one to two digits.
const MOST_SPEED_ROUNDS: usize = 60;

impl Machine {
    /// Ball's centre at an arm angle (rad): (w, x, h) from the origin, m.
    pub fn release_place(&self, arm_rad: f64) -> (f64, f64, f64) {
        let forward_m = self.arm_m * arm_rad.sin();
        let (sin_turn, cos_turn) = self.plane_turn_rad.sin_cos();
        (
            forward_m * cos_turn - self.pivot_out_m,
            self.pivot_right_m + forward_m * sin_turn,
            self.pivot_up_m + self.arm_m * arm_rad.cos(),
        )
    }
}

/// A bracket (left above, right below) and the heights at its ends.
#[derive(Clone, Copy)]
struct Bracket {
    left: f64,
    above: f64,
    right: f64,
    below: f64,
}

/// Looks for a bracket by growing steps from a guess; `None` where that finds none.
fn bracket(height: &impl Fn(f64) -> f64, guess: f64, first_step: f64) -> Option<Bracket> {
    let at_guess = height(guess);
    if at_guess >= 0.0 {
        return bracket_right(height, guess, at_guess, first_step);
    }
    let (mut right, mut below) = (guess, at_guess);
    let mut step = first_step;
    for _ in 0..8 {
        let left = right - step;
        let above = height(left);
        if above >= 0.0 {
            return Some(Bracket { left, above, right, below });
        }
        if above < below {
            return None; // Past the peak, or on the wrong side of it.
        }
        (right, below) = (left, above);
        step *= 2.0;
    }
    None
}

/// From a place above the target, steps right until below it.
fn bracket_right(height: &impl Fn(f64) -> f64, left: f64, above: f64, first_step: f64) -> Option<Bracket> {
    let (mut left, mut above, mut step) = (left, above, first_step);
    for _ in 0..60 {
        let right = left + step;
        let below = height(right);
        if below < 0.0 {
            return Some(Bracket { left, above, right, below });
        }
        (left, above) = (right, below);
        step *= 2.0;
    }
    None
}

/// Highest point over all arm angles: a scan at about 1 deg, then a golden section.
fn highest(height: &impl Fn(f64) -> f64, machine: &Machine) -> (f64, f64) {
    const SCAN: usize = 180;
    let first = machine.off_tangent_rad - STEEPEST_RAD;
    let step = 2.0 * STEEPEST_RAD / SCAN as f64;
    let best = (0..=SCAN)
        .map(|i| first + step * i as f64)
        .map(|arm_rad| (arm_rad, height(arm_rad)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or((0.0, f64::NEG_INFINITY));
    let (mut low, mut high) = (best.0 - step, best.0 + step);
    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let mut found = best;
    for _ in 0..60 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        let (at_a, at_b) = (height(a), height(b));
        for candidate in [(a, at_a), (b, at_b)] {
            if candidate.1 > found.1 {
                found = candidate;
            }
        }
        if at_a > at_b {
            high = b
        } else {
            low = a
        }
        if high - low < 1e-9 {
            break;
        }
    }
    found
}

/// Chandrupatla's method (1997): inverse quadratic steps where they are safe, else
/// halving, always inside the bracket.
fn root(height: &impl Fn(f64) -> f64, bracket: Bracket) -> f64 {
    let Bracket { left, above, right, below } = bracket;
    if above == 0.0 {
        return left;
    }
    // The far end may be unreachable (minus infinity): halve until it is a number.
    let (mut x1, mut f1, mut x2, mut f2) = (left, above, right, below);
    while f2 == f64::NEG_INFINITY {
        let middle = 0.5 * (x1 + x2);
        if middle == x1 || middle == x2 {
            return x1;
        }
        let f = height(middle);
        if f >= 0.0 { (x1, f1) = (middle, f) } else { (x2, f2) = (middle, f) }
    }
    let (mut x3, mut f3);
    // First a false-position step, which the nearly straight function rewards.
    let mut fraction = (f1 / (f1 - f2)).clamp(0.01, 0.99);
    for _ in 0..100 {
        let x = x1 + fraction * (x2 - x1);
        let f = height(x);
        if (f > 0.0) == (f1 > 0.0) {
            (x3, f3) = (x1, f1);
        } else {
            (x3, f3, x2, f2) = (x2, f2, x1, f1);
        }
        (x1, f1) = (x, f);
        let (best_x, best_f) = if f2.abs() < f1.abs() { (x2, f2) } else { (x1, f1) };
        let least = 2.0 * f64::EPSILON * best_x.abs() + 1e-16;
        let width = (x2 - x1).abs();
        if best_f.abs() <= HEIGHT_TOLERANCE_M || width <= 2.0 * least {
            return best_x;
        }
        let xi = (x1 - x2) / (x3 - x2);
        let phi = (f1 - f2) / (f3 - f2);
        fraction = if phi * phi < xi && (1.0 - phi) * (1.0 - phi) < 1.0 - xi {
            f1 / (f2 - f1) * f3 / (f2 - f3) + (x3 - x1) / (x2 - x1) * f1 / (f3 - f1) * f2 / (f3 - f2)
        } else {
            0.5
        };
        let edge = least / width;
        fraction = fraction.clamp(edge, 1.0 - edge);
    }
    x1
}

fn check_speed(speed_mps: f64) -> Result<()> {
    /// Faster than any thrown ball by far, m/s: catches km/h or mph taken for m/s.
    const FASTEST_MPS: f64 = 150.0;
    if speed_mps > 0.0 && speed_mps <= FASTEST_MPS {
        return Ok(());
    }
    Err(Error::input(format!(
        "a speed of {speed_mps} m/s ({:.1} mph) is outside 0 to {FASTEST_MPS} m/s: check the value and its unit",
        speed_mps / MPS_PER_MPH
    )))
}

fn unreachable_mark(mark: WallPoint, read_mps: f64, short_m: f64) -> Error {
    let by = if short_m.is_finite() {
        format!("its highest throw passes {:.0} mm below it", -1000.0 * short_m)
    } else {
        "every throw falls before the wall".to_owned()
    };
    Error::no_answer(format!(
        "a mark {:.3} m above the origin: the ball cannot get there at {:.1} mph ({by}): is the speed right?",
        mark.y_m,
        read_mps / MPS_PER_MPH
    ))
}

fn no_release_speed(speed_mps: f64) -> Error {
    Error::no_answer(format!(
        "no release speed leads to {:.1} mph where the speed is read: is the speed right?",
        speed_mps / MPS_PER_MPH
    ))
}
