//! Which release angle does a mark prove, and how sure is it, alone and in comparisons?
//!
//! With `F = (height missed, speed missed)` as function of the unknowns `a = (arm angle,
//! release speed)` and of every input `z`, the answer is where `F = 0`, and the implicit
//! function theorem gives `da/dz = -(dF/da)^-1 dF/dz`: no root is solved twice. The
//! sideways angle is a closed function of the same. Derivatives are central differences
//! of single flights (two for each input, four for the unknowns).
//!
//! A session's inputs and the calibration are shared, the mark's own centre and the
//! shot's own speed are not (see [`crate::uncertainty`]).

use crate::error::{Error, Result};
use crate::flight::inputs::{Factor, FlightInputs, Values};
use crate::flight::release::{Setting, Solved};
use crate::points::WallPoint;
use crate::uncertainty::{Estimate, SharedFactors};

/// Step for arm angle (rad) and mark (m); see [`Factor::step`] for the choice.
const STEP: f64 = 1e-4;
/// Step for speeds, relative.
const SPEED_STEP: f64 = 1e-4;

/// One mark, with the speed its shot was read at.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Impact {
    /// Centre of the mark.
    pub point: WallPoint,
    /// Covariance of (x, y) that belongs to this mark alone, m2.
    pub own_cov_m2: [[f64; 2]; 2],
    /// Change of (x, y), m, with each whitened factor of the calibration.
    pub shared: Vec<[f64; 2]>,
    /// Speed reading, m/s.
    pub speed_mps: f64,
    /// Standard uncertainty of this shot's speed, without what all readings share, m/s.
    pub speed_own_u_mps: f64,
}

/// The release that a mark proves; angles in rad.
#[derive(Clone, Debug, PartialEq)]
pub struct Release {
    /// Release angle: arm angle less the machine's zero.
    pub release: Estimate,
    /// Arm angle, without the zero's doubt; own and shared parts stand as in `release`.
    pub arm: Estimate,
    /// Sideways angle, right of the wall's normal positive.
    pub sideways: Estimate,
    /// Covariance of the own parts of the two, rad2.
    pub own_cov: f64,
    /// Arm angle and the flight that goes with it.
    pub solved: Solved,
    /// Derivatives of the release angle by mark x, mark y (rad/m) and speed (rad s/m).
    pub by_mark_and_speed: [f64; 3],
}

/// Solves one impact; for many of a session, keep a [`Solver`].
///
/// # Errors
/// As [`FlightInputs::check`] and [`Setting::solve`]; a covariance that is none.
pub fn solve(inputs: &FlightInputs, impact: &Impact) -> Result<Release> {
    Solver::new(inputs)?.solve(impact)
}

/// A session's inputs made ready for many impacts.
#[derive(Clone, Debug)]
pub struct Solver {
    inputs: FlightInputs,
    setting: Setting,
    /// For each factor with a doubt: its u, its step and the settings on either side.
    moved: Vec<Moved>,
}

#[derive(Clone, Debug)]
struct Moved {
    factor: Factor,
    u: f64,
    step: f64,
    above: Setting,
    below: Setting,
}

impl Solver {
    /// Checks the inputs and prepares everything that does not depend on the impact.
    ///
    /// # Errors
    /// As [`FlightInputs::check`].
    pub fn new(inputs: &FlightInputs) -> Result<Self> {
        let setting = inputs.setting()?;
        let values = inputs.values();
        let moved = inputs
            .factors()
            .map(|factor| {
                let step = factor.step(inputs);
                let at = |by: f64| {
                    let mut shifted: Values = values;
                    shifted[factor as usize] += by;
                    inputs.setting_of(&shifted)
                };
                Moved { factor, u: inputs.input(factor).u, step, above: at(step), below: at(-step) }
            })
            .collect();
        Ok(Self { inputs: *inputs, setting, moved })
    }

    /// Names of the shared factors of the releases this gives.
    pub fn shared_factors(&self, calibration_factors: usize) -> SharedFactors {
        self.inputs.shared_factors(calibration_factors)
    }

    /// The inputs it was made from.
    pub fn inputs(&self) -> &FlightInputs {
        &self.inputs
    }

    /// The machine, ball and air at the best estimates.
    pub fn setting(&self) -> &Setting {
        &self.setting
    }

    /// The release behind one impact.
    ///
    /// # Errors
    /// As [`Setting::solve`]; a covariance or own uncertainty that is none.
    pub fn solve(&self, impact: &Impact) -> Result<Release> {
        check_impact(impact)?;
        let solved = self.setting.solve(impact.point, impact.speed_mps)?;
        let inverse = self.inverse_slopes(impact, &solved)?;
        let zero = self.inputs.zero_rad.value;

        // Columns: change of (release, sideways) with one unit of each input.
        let by_x = inverse.of(|p: &mut Place, d| p.mark.x_m += d, STEP)?;
        let by_y = inverse.of(|p: &mut Place, d| p.mark.y_m += d, STEP)?;
        let by_speed = inverse.of(|p: &mut Place, d| p.speed_mps += d, SPEED_STEP * impact.speed_mps)?;

        let mut shared_release = Vec::with_capacity(self.moved.len() + impact.shared.len());
        let mut shared_sideways = Vec::with_capacity(self.moved.len() + impact.shared.len());
        for moved in &self.moved {
            let [release, sideways] = match moved.factor {
                Factor::Zero => [-1.0, 0.0],
                Factor::SpeedScale => by_speed.map(|slope| slope * impact.speed_mps),
                _ => inverse.between(&moved.above, &moved.below, 2.0 * moved.step)?,
            };
            shared_release.push(release * moved.u);
            shared_sideways.push(sideways * moved.u);
        }
        for [x, y] in &impact.shared {
            shared_release.push(by_x[0] * x + by_y[0] * y);
            shared_sideways.push(by_x[1] * x + by_y[1] * y);
        }

        let [[xx, xy], [_, yy]] = impact.own_cov_m2;
        let speed_var = impact.speed_own_u_mps.powi(2);
        let own = |a: usize, b: usize| {
            by_x[a] * by_x[b] * xx
                + (by_x[a] * by_y[b] + by_y[a] * by_x[b]) * xy
                + by_y[a] * by_y[b] * yy
                + by_speed[a] * by_speed[b] * speed_var
        };
        let release = Estimate { value: solved.arm_rad - zero, own_var: own(0, 0).max(0.0), shared: shared_release };
        let mut arm = Estimate { value: solved.arm_rad, ..release.clone() };
        for (_, slope) in self.moved.iter().zip(&mut arm.shared).filter(|(m, _)| m.factor == Factor::Zero) {
            *slope = 0.0;
        }
        Ok(Release {
            release,
            arm,
            sideways: Estimate { value: solved.sideways_rad, own_var: own(1, 1).max(0.0), shared: shared_sideways },
            own_cov: own(0, 1),
            by_mark_and_speed: [by_x[0], by_y[0], by_speed[0]],
            solved,
        })
    }

    /// The slopes of the misses with the unknowns, inverted.
    fn inverse_slopes<'a>(&'a self, impact: &Impact, solved: &Solved) -> Result<Slopes<'a>> {
        let place = Place {
            arm_rad: solved.arm_rad,
            release_mps: solved.strike.release_speed_mps,
            mark: impact.point,
            speed_mps: impact.speed_mps,
        };
        let mut slopes = Slopes { setting: &self.setting, place, inverse: [[0.0; 2]; 2], sideways: [0.0; 2] };
        let by_arm = slopes.raw(|p, d| p.arm_rad += d, STEP)?;
        // Read at release, the speed missed is the release speed itself: no flight needed twice.
        let by_release = slopes.raw(|p, d| p.release_mps += d, SPEED_STEP * place.release_mps)?;
        let det = by_arm[0] * by_release[1] - by_release[0] * by_arm[1];
        // Downwards in arm angle: the low branch, certified once more by the slope.
        let along_low_branch = det / by_release[1] < 0.0;
        if !along_low_branch || !det.is_finite() {
            return Err(Error::no_answer(format!(
                "a mark {:.3} m above the origin at {:.1} m/s is at the very top of what the ball reaches, \
                 where height no longer tells the angle: is the speed right?",
                impact.point.y_m, impact.speed_mps
            )));
        }
        slopes.inverse = [[by_release[1] / det, -by_release[0] / det], [-by_arm[1] / det, by_arm[0] / det]];
        slopes.sideways = [by_arm[2], by_release[2]];
        Ok(slopes)
    }
}

/// One point in the space of unknowns and shot's inputs.
#[derive(Clone, Copy, Debug)]
struct Place {
    arm_rad: f64,
    release_mps: f64,
    mark: WallPoint,
    speed_mps: f64,
}

/// The linearised problem at a solution.
struct Slopes<'a> {
    setting: &'a Setting,
    place: Place,
    /// Inverse of d(height, speed missed)/d(arm, release speed).
    inverse: [[f64; 2]; 2],
    /// d(sideways)/d(arm, release speed).
    sideways: [f64; 2],
}

impl Slopes<'_> {
    /// (height missed, speed missed, sideways) of a setting at a place.
    fn miss(setting: &Setting, place: &Place) -> Result<[f64; 3]> {
        let miss = setting.miss(place.arm_rad, place.release_mps, place.mark, place.speed_mps)?;
        miss.map(|m| [m.height_m, m.speed_mps, m.sideways_rad]).ok_or_else(|| {
            Error::no_answer("the ball falls before the wall within the doubts of the inputs: is the speed right?")
        })
    }

    /// Partial derivatives of the misses by one coordinate of the place.
    fn raw(&self, shift: impl Fn(&mut Place, f64), step: f64) -> Result<[f64; 3]> {
        let (mut above, mut below) = (self.place, self.place);
        shift(&mut above, step);
        shift(&mut below, -step);
        let (high, low) = (Self::miss(self.setting, &above)?, Self::miss(self.setting, &below)?);
        Ok(std::array::from_fn(|i| (high[i] - low[i]) / (2.0 * step)))
    }

    /// d(release, sideways) by one coordinate of the place.
    fn of(&self, shift: impl Fn(&mut Place, f64), step: f64) -> Result<[f64; 2]> {
        self.raw(shift, step).map(|partial| self.total(partial))
    }

    /// d(release, sideways) between two settings `width` apart in one input.
    fn between(&self, above: &Setting, below: &Setting, width: f64) -> Result<[f64; 2]> {
        let (high, low) = (Self::miss(above, &self.place)?, Self::miss(below, &self.place)?);
        Ok(self.total(std::array::from_fn(|i| (high[i] - low[i]) / width)))
    }

    /// The implicit function theorem.
    fn total(&self, [height, speed, sideways]: [f64; 3]) -> [f64; 2] {
        let arm = -(self.inverse[0][0] * height + self.inverse[0][1] * speed);
        let release = -(self.inverse[1][0] * height + self.inverse[1][1] * speed);
        [arm, sideways + self.sideways[0] * arm + self.sideways[1] * release]
    }
}

fn check_impact(impact: &Impact) -> Result<()> {
    let [[xx, xy], [yx, yy]] = impact.own_cov_m2;
    let largest = xx.max(yy);
    let sound = [xx, xy, yx, yy].iter().all(|v| v.is_finite())
        && xx >= 0.0
        && yy >= 0.0
        && (xy - yx).abs() <= 1e-9 * largest
        && xy * xy <= xx * yy * (1.0 + 1e-9);
    if !sound {
        return Err(Error::input(format!(
            "the covariance of a mark's centre [[{xx}, {xy}], [{yx}, {yy}]] m2 is none: it must be symmetric and positive"
        )));
    }
    if !(impact.speed_own_u_mps >= 0.0 && impact.speed_own_u_mps.is_finite()) {
        return Err(Error::input(format!(
            "a speed's own standard uncertainty is {} m/s: it must be 0 or more",
            impact.speed_own_u_mps
        )));
    }
    if impact.shared.iter().flatten().any(|v| !v.is_finite()) {
        return Err(Error::input("a mark's sensitivity to the calibration is not a finite number: calibrate again"));
    }
    Ok(())
}
