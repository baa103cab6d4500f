//! How are marks moved to where they explain a patch best?
//!
//! Levenberg-Marquardt from a start, by all unknowns of a mark or by those of a disc. How well marks explain a patch, and which way is down,
//! [`Target`] says.

use nalgebra::{DMatrix, DVector};

use super::factor::cholesky;
use super::fit::{FittedMark, UNKNOWNS};
use super::lanes::Work;
use super::target::{Target, USUAL_SD, every};

/// Least and most of radius and strength that a fit may reach.
const RADIUS_RANGE: (f64, f64) = (0.45, 1.9);
const STRENGTH_RANGE: (f64, f64) = (0.01, 0.98);

/// Farthest that a mode may go, in standard deviations of its prior.
const MODE_U: f64 = 4.0;

/// Steps that one matrix serves, and how much of the fall that it promises must come, so that it serves for the next step too.
const MOST_AGE: usize = 3;
const AS_PROMISED: f64 = 0.7;

/// An adjustment ends when a step lowers the misfit by less than this: a centre is then within a hundredth of its u.
const SETTLED: f64 = 1e-4;
/// The same where every second pixel is looked at, to choose between explanations, to say how far apart they are and to start from: within a tenth.
const NEARLY_SETTLED: f64 = 1e-2;

/// What an adjustment may change of each mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Freedom {
    /// Place, radius and strength; rims and tilts stay as they are.
    Disc,
    /// The same, no radius more than two standard deviations from the usual one: two marks cannot pass for a large one.
    UsualDisc,
    /// Everything.
    Whole,
}

impl Target<'_> {
    fn stepped(&self, marks: &[FittedMark], moving: &[usize], d: &DVector<f64>, freedom: Freedom) -> Vec<FittedMark> {
        let usual = self.shape.radius_mm.0;
        let mut radii = (RADIUS_RANGE.0 * usual, RADIUS_RANGE.1 * usual);
        if freedom == Freedom::UsualDisc {
            let off = USUAL_SD * self.shape.radius_mm.1;
            radii = (radii.0.max(usual - off), radii.1.min(usual + off));
        }
        let each = d.nrows() / moving.len().max(1);
        let mut out = marks.to_vec();
        for (k, m) in moving.iter().map(|&k| marks[k]).enumerate() {
            let d = |i: usize| d[each * k + i];
            let mut modes = m.modes;
            if each == UNKNOWNS {
                for (i, v) in modes.iter_mut().enumerate() {
                    let most = MODE_U * self.shape.mode_sd(i);
                    *v = (*v + d(4 + i)).clamp(-most, most);
                }
            }
            // A step of more than half a radius is a jump, not an adjustment; where no pixel is, nothing would hold a mark.
            let [x, y] = self.within_mm;
            out[moving[k]] = FittedMark {
                x_mm: (m.x_mm + d(0).clamp(-0.5 * usual, 0.5 * usual)).clamp(x.0, x.1),
                y_mm: (m.y_mm + d(1).clamp(-0.5 * usual, 0.5 * usual)).clamp(y.0, y.1),
                radius_mm: (m.radius_mm + d(2)).clamp(radii.0, radii.1),
                strength: (m.strength + d(3)).clamp(STRENGTH_RANGE.0, STRENGTH_RANGE.1),
                modes,
            };
        }
        out
    }

    /// Adjusts marks from a start; at most `rounds` steps.
    ///
    /// A matrix serves for some steps, as long as they bring what it promises: it costs many times what the gradient does.
    pub fn adjust(&self, start: &[FittedMark], rounds: usize, freedom: Freedom) -> Vec<FittedMark> {
        self.adjust_some(start, &every(start), rounds, freedom).1
    }

    /// As [`Target::adjust`], but only the `moving` marks change, and only pixels that they reach are looked at.
    pub fn adjust_some(
        &self,
        start: &[FittedMark],
        moving: &[usize],
        rounds: usize,
        freedom: Freedom,
    ) -> (f64, Vec<FittedMark>) {
        match freedom {
            Freedom::Whole => self.steps::<UNKNOWNS>((start, moving), rounds, freedom),
            Freedom::Disc | Freedom::UsualDisc => self.steps::<4>((start, moving), rounds, freedom),
        }
    }

    /// [`Target::adjust_some`] by the first N unknowns of each mark.
    fn steps<const N: usize>(
        &self,
        (start, moving): (&[FittedMark], &[usize]),
        rounds: usize,
        freedom: Freedom,
    ) -> (f64, Vec<FittedMark>) {
        let modes = freedom == Freedom::Whole;
        let least = if self.is_thinned() { NEARLY_SETTLED } else { SETTLED };
        let mut marks = start.to_vec();
        let mut work = Work::<N>::none();
        let (mut cost, mut right, matrix) = self.slopes(&marks, moving, !moving.is_empty(), &mut work);
        let Some(mut matrix) = matrix else { return (cost, marks) };
        let mut damping = 1e-2;
        let mut age = 0;
        for _ in 0..rounds {
            let mut a = matrix.clone();
            for i in 0..a.nrows() {
                a[(i, i)] = a[(i, i)] * (1.0 + damping) + 1e-9;
            }
            let Some(step) = cholesky(&a).map(|c| c.solve(&right)) else { break };
            let trial = self.stepped(&marks, moving, &step, freedom);
            // Four unknowns' matrix costs little more than their gradient.
            let (c, r, m) = self.slopes(&trial, moving, !modes, &mut work);
            if c < cost {
                let gain = cost - c;
                let settled = gain < least * (1.0 + 1e-3 * cost);
                let promised = step.dot(&right);
                let was = age;
                marks = trial;
                (cost, right, age) = (c, r, age + 1);
                damping = (damping * 0.25).max(1e-7);
                if settled && was == 0 {
                    break;
                }
                match m {
                    Some(m) => (matrix, age) = (m, 0),
                    None if settled || age > MOST_AGE || gain < AS_PROMISED * promised => {
                        age = self.renew(&marks, moving, &mut matrix, &mut work);
                    }
                    None => {}
                }
            } else if age > 0 {
                // The matrix was another place's.
                age = self.renew(&marks, moving, &mut matrix, &mut work);
            } else {
                damping *= 6.0;
                if damping > 1e5 {
                    break;
                }
            }
        }
        (cost, marks)
    }

    /// Makes the matrix that of these marks; its age.
    fn renew<const N: usize>(
        &self,
        marks: &[FittedMark],
        moving: &[usize],
        matrix: &mut DMatrix<f64>,
        work: &mut Work<N>,
    ) -> usize {
        if let (_, _, Some(m)) = self.slopes(marks, moving, true, work) {
            *matrix = m;
        }
        0
    }
}
