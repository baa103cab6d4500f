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

use crate::error::{Error, ErrorKind, Result};
use crate::flight::drag::Ball;
use crate::flight::inputs::ReadAt;
use crate::flight::root::{bracket, bracket_right, highest, root};
use crate::flight::trajectory::InFlight;
use crate::points::WallPoint;

/// Steepest elevation looked at, rad (89.5 deg): next to the vertical the range is no
/// longer a coordinate, and no machine throws there.
const STEEPEST_RAD: f64 = 1.562;

/// A strike is found to this distance along the path, m: ten times the rounding of a
/// position tens of metres away, a thousandth of what forwards and backwards must agree to.
const STRIKE_TOLERANCE_M: f64 = 1e-12;

/// A root that misses its height by more than this is a jump, m: steep flights magnify the
/// last digit of the angle to some 1e-12 m, a jump is metres.
const JUMP_M: f64 = 1e-9;

/// Farthest length taken for a machine before a wall, m: catches millimetres taken for metres.
const FARTHEST_M: f64 = 1000.0;

/// Faster than any thrown ball by far, m/s: catches km/h or mph taken for m/s.
const FASTEST_MPS: f64 = 150.0;

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
        self.check()?;
        let m = &self.machine;
        let elevation_rad = m.off_tangent_rad - arm_rad;
        let (start_w, start_x, start_h) = m.release_place(arm_rad);
        let (sin_lean, cos_lean) = m.lean_rad.sin_cos();
        let cos_side = sideways_rad.cos();
        let gap_m = -start_w * cos_lean + start_h * sin_lean - self.ball.radius_m;
        let aims_at_wall = elevation_rad.abs() < STEEPEST_RAD && cos_side > 1e-3 && gap_m > 0.0;
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
        self.with_release_speed(speed_mps, |release_mps| {
            let start = InFlight::start(start_h, elevation_rad, release_mps);
            let end = self.fly_to_wall(start, start_w, cos_side).ok_or_else(never)?;
            let read_mps = match self.read_range_m(end.range_m, cos_side)? {
                None => release_mps,
                Some(range_m) => {
                    release_mps * start.advance(&self.ball, range_m).ok_or_else(never)?.level_ratio(&start)
                }
            };
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
            Ok((strike, read_mps))
        })
    }

    /// The ball where its centre is one radius from the wall; `None` if that is never.
    fn fly_to_wall(&self, start: InFlight, start_w: f64, cos_side: f64) -> Option<InFlight> {
        /// Newton's method doubles its digits each round; the rest is for halved moves.
        const MOST_ROUNDS: usize = 100;
        /// Flights tried in all: ordinary throws take three to six, and no throw gains by hundreds.
        const MOST_FLIGHTS: usize = 200;
        let mut flights = 0;
        let (sin_lean, cos_lean) = self.machine.lean_rad.sin_cos();
        let gap_m = |ball: &InFlight| {
            let w = start_w + ball.range_m * cos_side;
            -w * cos_lean + ball.height_m * sin_lean - self.ball.radius_m
        };
        let closing = |ball: &InFlight| cos_side * cos_lean - ball.slope * sin_lean;
        let mut now = start;
        for _ in 0..MOST_ROUNDS {
            // A path steeper than the wall does not close in yet: judge by its level part.
            let rate = if closing(&now) > 1e-3 { closing(&now) } else { cos_side * cos_lean };
            let move_m = gap_m(&now) / rate;
            if !move_m.is_finite() {
                return None;
            }
            if move_m.abs() < STRIKE_TOLERANCE_M {
                return (closing(&now) > 0.0).then_some(now);
            }
            // A move may aim beyond where a slow ball falls down: shorten it.
            let mut part = move_m;
            now = loop {
                if let Some(next) = now.advance(&self.ball, part) {
                    break next;
                }
                part /= 2.0;
                flights += 1;
                if part.abs() < STRIKE_TOLERANCE_M || flights > MOST_FLIGHTS {
                    return None;
                }
            };
        }
        None
    }

    /// The release on the low branch that explains a mark struck at a speed reading (m/s).
    ///
    /// # Errors
    /// The ball cannot get to the mark at that speed, a number out of range, or a speed
    /// read farther from the wall than the ball leaves.
    pub fn solve(&self, mark: WallPoint, speed_mps: f64) -> Result<Solved> {
        check_speed(speed_mps)?;
        self.check()?;
        if !(mark.x_m.abs() <= FARTHEST_M && mark.y_m.abs() <= FARTHEST_M) {
            return Err(Error::input(format!(
                "a mark at ({}, {}) m is farther than {FARTHEST_M} m from the origin: check the numbers and their unit",
                mark.x_m, mark.y_m
            )));
        }
        let mut near: Option<f64> = None;
        self.with_release_speed(speed_mps, |release_mps| {
            let arm_rad = self.low_root(mark, release_mps, speed_mps, near)?;
            near = Some(arm_rad);
            let miss = self.miss(arm_rad, release_mps, mark, speed_mps)?.ok_or_else(|| no_release_speed(speed_mps))?;
            if !self.arrives_from_the_front(arm_rad, &miss) {
                return Err(Error::input(format!(
                    "a mark {:.3} m above the origin: on this leaning wall the ball would strike elsewhere first: \
                     check the lean and the distances",
                    mark.y_m
                )));
            }
            let strike = Strike {
                point: mark,
                release_speed_mps: release_mps,
                impact_speed_mps: miss.end.speed_mps(),
                impact_elevation_rad: miss.end.elevation_rad(),
                time_s: miss.end.time_s,
            };
            Ok((Solved { arm_rad, sideways_rad: miss.sideways_rad, strike }, speed_mps + miss.speed_mps))
        })
    }

    /// Whether a flight that ends at its mark starts in front of the wall and closes in at
    /// its end. A path bends one way, so between the two it then does not pass the wall.
    fn arrives_from_the_front(&self, arm_rad: f64, miss: &Miss) -> bool {
        let (start_w, _, start_h) = self.machine.release_place(arm_rad);
        let (sin_lean, cos_lean) = self.machine.lean_rad.sin_cos();
        let gap_m = -start_w * cos_lean + start_h * sin_lean - self.ball.radius_m;
        gap_m > 0.0 && miss.sideways_rad.cos() * cos_lean - miss.end.slope * sin_lean > 0.0
    }

    /// Finds the release speed that leads to a reading. `trial` flies one release speed and
    /// gives its outcome with the reading there; a failure for want of speed is a "too slow".
    fn with_release_speed<T>(&self, reading_mps: f64, mut trial: impl FnMut(f64) -> Result<(T, f64)>) -> Result<T> {
        if self.read_at == ReadAt::Release {
            return trial(reading_mps).map(|(outcome, _)| outcome);
        }
        /// Most rounds: each gains one to two digits, halving near the limit of reach one bit.
        const MOST_ROUNDS: usize = 100;
        /// Most trials that reach nothing: they close in on the limit of reach by one bit each.
        const MOST_FAILURES: usize = 30;
        /// Growth where all speeds so far were too slow.
        const FASTER: f64 = 1.3;
        let (mut slow, mut fast) = (0.0, f64::INFINITY);
        let mut release_mps = self.first_release_mps(reading_mps);
        let (mut failure, mut failures) = (None, 0);
        let mut close = None;
        for _ in 0..MOST_ROUNDS {
            // What drag takes is nearly the same part of every speed.
            let mut next_mps = f64::NAN;
            match trial(release_mps) {
                Ok((outcome, read_mps)) => {
                    next_mps = release_mps * reading_mps / read_mps;
                    if read_mps < reading_mps {
                        slow = release_mps
                    } else {
                        fast = release_mps
                    }
                    let away = (next_mps - release_mps).abs() / release_mps;
                    if away <= 1e-14 {
                        return Ok(outcome);
                    }
                    // Rounding may keep the last digits from settling: where the two limits meet, this will do.
                    if away <= 1e-12 {
                        close = Some(outcome);
                    }
                }
                Err(error) if error.kind() == ErrorKind::NoAnswer => {
                    slow = release_mps;
                    failure = Some(error);
                    failures += 1;
                    if failures > MOST_FAILURES {
                        break;
                    }
                }
                Err(error) => return Err(error),
            }
            let inside = next_mps > slow && next_mps < fast;
            release_mps = match (inside, fast.is_finite()) {
                (true, _) => next_mps,
                (false, true) => 0.5 * (slow + fast),
                (false, false) => FASTER * slow,
            };
            if release_mps > FASTEST_MPS || (fast.is_finite() && fast - slow <= 4.0 * f64::EPSILON * fast) {
                break;
            }
        }
        match close {
            Some(outcome) => Ok(outcome),
            None => Err(failure.unwrap_or_else(|| no_release_speed(reading_mps))),
        }
    }

    /// Whether the numbers can be those of a machine, a ball and a wall.
    fn check(&self) -> Result<()> {
        let m = &self.machine;
        let lengths = [m.pivot_out_m, m.pivot_up_m, m.pivot_right_m, m.arm_m, self.ball.radius_m];
        let angles = [m.plane_turn_rad, m.off_tangent_rad, m.lean_rad];
        let far = lengths.iter().find(|length| length.is_nan() || length.abs() > FARTHEST_M);
        let turned = angles.iter().find(|angle| angle.is_nan() || angle.abs() >= STEEPEST_RAD);
        if let Some(value) = far.or(turned) {
            return Err(Error::input(format!(
                "a machine or ball with a length or angle of {value}: lengths go to {FARTHEST_M} m and angles to 89 deg"
            )));
        }
        let ball = &self.ball;
        if !(ball.k_per_m >= 0.0 && ball.k_per_m <= MOST_DRAG_PER_M && ball.reynolds_s_per_m >= 0.0) {
            return Err(Error::input(format!(
                "a ball that the air brakes by {} a metre: check its mass and diameter",
                ball.k_per_m
            )));
        }
        Ok(())
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
            read_mps = release_mps * at_reading.level_ratio(&start);
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

    /// Where the search for the release speed starts: rather too fast than too slow, since
    /// a ball that is too slow reaches nothing and tells nothing.
    fn first_release_mps(&self, reading_mps: f64) -> f64 {
        /// Part by which a way may be longer than the distance of the pivot.
        const LONGER: f64 = 1.2;
        match self.read_at {
            ReadAt::Release => reading_mps,
            ReadAt::FromWall(distance_m) => {
                let way_m = LONGER * (self.machine.pivot_out_m - distance_m).max(0.0);
                reading_mps * (self.ball.drag_per_m(reading_mps) * way_m).exp()
            }
        }
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
                let upright = self.machine.off_tangent_rad;
                let (peak_rad, most_m) = highest(&height, upright - STEEPEST_RAD, upright + STEEPEST_RAD);
                if most_m < 0.0 || most_m.is_nan() {
                    return Err(unreachable_mark(mark, read_mps, most_m));
                }
                bracket_right(&height, peak_rad, most_m, 0.02)
                    .ok_or_else(|| unreachable_mark(mark, read_mps, most_m))?
            }
        };
        let arm_rad = root(&height, bracket);
        // A very light ball can end its reach by a jump: above the mark, or never there.
        if height(arm_rad).abs() > JUMP_M {
            return Err(unreachable_mark(mark, read_mps, f64::NEG_INFINITY));
        }
        Ok(arm_rad)
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

/// Strongest braking taken, 1/m: a paper ball stops within a metre or two.
const MOST_DRAG_PER_M: f64 = 10.0;

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

fn check_speed(speed_mps: f64) -> Result<()> {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_speed_read_before_the_wall_settles_from_a_guess_that_is_too_slow() {
        let setting = Setting {
            machine: Machine {
                pivot_out_m: 2.8157540389870013,
                pivot_up_m: 0.011724676635174966,
                pivot_right_m: 0.8658954311396412,
                arm_m: 1.344262605360317,
                plane_turn_rad: 0.014450390115034047,
                off_tangent_rad: -6.685201231156124e-5,
                lean_rad: 0.00204936511707433,
            },
            ball: Ball {
                radius_m: 0.031616146055256825,
                k_per_m: 0.012856873967608309,
                reynolds_s_per_m: 4222.362022966076,
                drag: DragLaw::Sphere { curve: SphereCurve::CliftGauvin, factor: 1.1954445001277363 },
                lift: LiftLaw::Coefficient(0.10987902796341613),
            },
            read_at: ReadAt::FromWall(0.9711128924245214),
        };
        let strike = setting.strike(-0.20810014243203917, 0.014651644483225831, 22.159096485072393);
        assert!((strike.unwrap().release_speed_mps / 22.5).ln().abs() < 0.05);
    }
    use crate::flight::drag::{DragLaw, LiftLaw, SphereCurve};
    use rand::{RngExt, SeedableRng};

    /// The whole method rests on this: over all arm angles the height above a mark has one
    /// peak, so it is positive on one stretch at most.
    #[test]
    fn height_above_a_mark_is_positive_on_one_stretch_of_arm_angles() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
        let (mut reached, mut missed) = (0, 0);
        for case in 0..400 {
            let arm_m = between(0.3, 1.5);
            let drag = if case % 2 == 0 {
                DragLaw::Coefficient(between(0.0, 0.6))
            } else {
                DragLaw::Sphere { curve: SphereCurve::CliftGauvin, factor: 1.0 }
            };
            let setting = Setting {
                machine: Machine {
                    pivot_out_m: arm_m + between(0.5, 8.0),
                    pivot_up_m: between(-1.0, 2.0),
                    pivot_right_m: between(-1.0, 1.0),
                    arm_m,
                    plane_turn_rad: between(-0.1, 0.1),
                    off_tangent_rad: between(-0.1, 0.1),
                    lean_rad: between(-0.1, 0.1),
                },
                ball: Ball::in_density(0.147, 0.063, 1.2, 1.8e-5, drag, LiftLaw::Spin(between(-20.0, 60.0))),
                read_at: ReadAt::Release,
            };
            let mark = WallPoint::new(between(-1.0, 1.0), between(-1.0, 6.0));
            let speed_mps = between(5.0, 32.0);
            let mut stretches = 0;
            let mut last = false;
            for step in -1560..=1560 {
                let arm_rad = setting.machine.off_tangent_rad + f64::from(step) * 1e-3;
                let miss = setting.miss(arm_rad, speed_mps, mark, speed_mps).expect("read at release");
                let above = miss.is_some_and(|m| m.height_m > 0.0);
                stretches += usize::from(above && !last);
                last = above;
            }
            assert!(stretches <= 1, "{stretches} stretches: {setting:?} {mark:?} {speed_mps}");
            match setting.solve(mark, speed_mps) {
                Ok(_) => reached += 1,
                Err(_) => missed += 1,
            }
            assert_eq!(setting.solve(mark, speed_mps).is_ok(), stretches == 1, "{setting:?} {mark:?} {speed_mps}");
        }
        assert!(reached > 100 && missed > 10, "{reached} reached, {missed} not");
    }
}
