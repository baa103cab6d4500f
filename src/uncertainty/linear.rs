//! What does a function of doubtful inputs give, how doubtful is it, and which input is to blame?
//!
//! First-order propagation, `U_y = C U_x C'` (JCGM 100:2008, equations (13) and (16);
//! many outputs: JCGM 102:2011, 6.2), where `C` holds the sensitivities `dy_k/dx_i`,
//! given or taken by central differences.

use nalgebra::DMatrix;

use crate::error::{Error, Result};

/// Central-difference step as a fraction of the input's standard uncertainty. Small
/// enough that curvature within one u does not leak into a derivative (its error
/// falls with the square of the step), large enough that the difference keeps some
/// ten digits above rounding.
const STEP_IN_U: f64 = 1e-3;

/// Steps for second derivatives: rounding enters with the inverse square and cube,
/// so these want a longer step.
const SECOND_ORDER_STEP_IN_U: f64 = 0.05;

/// Smallest step relative to the value, so that `x + step` differs from `x` well above rounding.
const LEAST_RELATIVE_STEP: f64 = 1e-7;

/// An input of a propagation.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedInput {
    /// What it is called in the budget.
    pub name: String,
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty, unit of the value, at least 0.
    pub u: f64,
    /// Degrees of freedom behind `u`; infinite where `u` is taken as known.
    pub dof: f64,
}

impl NamedInput {
    /// An input whose standard uncertainty is taken as known (infinite degrees of freedom).
    pub fn new(name: impl Into<String>, value: f64, u: f64) -> Self {
        Self { name: name.into(), value, u, dof: f64::INFINITY }
    }

    /// The same with `dof` degrees of freedom behind `u`.
    pub fn with_dof(self, dof: f64) -> Self {
        Self { dof, ..self }
    }
}

/// One line of an uncertainty budget.
#[derive(Clone, Debug, PartialEq)]
pub struct BudgetLine {
    /// Name of the input.
    pub name: String,
    /// `dy/dx`, unit of the output per unit of the input.
    pub sensitivity: f64,
    /// `(dy/dx) u(x)` with its sign, unit of the output.
    pub contribution: f64,
    /// Degrees of freedom behind the input's u.
    pub dof: f64,
}

/// The outcome of a propagation: m outputs of n inputs.
#[derive(Clone, Debug, PartialEq)]
pub struct Propagated {
    /// The outputs at the best estimates, m of them.
    pub values: Vec<f64>,
    /// Covariance of the outputs, m x m.
    pub covariance: DMatrix<f64>,
    /// Sensitivities, m x n.
    pub sensitivities: DMatrix<f64>,
    inputs: Vec<NamedInput>,
}

impl Propagated {
    /// Standard uncertainty of output `k`; not a number where there is no such output.
    pub fn u(&self, k: usize) -> f64 {
        self.covariance.get((k, k)).map_or(f64::NAN, |v| v.max(0.0).sqrt())
    }

    /// Correlation coefficient of outputs `k` and `l`, -1 to 1; not a number where one is exact or absent.
    pub fn correlation(&self, k: usize, l: usize) -> f64 {
        self.covariance.get((k, l)).map_or(f64::NAN, |c| c / (self.u(k) * self.u(l)))
    }

    /// What each input contributes to output `k`, in the order of the inputs.
    pub fn budget(&self, k: usize) -> Vec<BudgetLine> {
        self.inputs
            .iter()
            .enumerate()
            .map(|(i, input)| {
                let sensitivity = self.sensitivities.get((k, i)).copied().unwrap_or(f64::NAN);
                BudgetLine {
                    name: input.name.clone(),
                    sensitivity,
                    contribution: sensitivity * input.u,
                    dof: input.dof,
                }
            })
            .collect()
    }

    /// Effective degrees of freedom of output `k` ([`welch_satterthwaite`]); meant for
    /// independent inputs.
    pub fn effective_dof(&self, k: usize) -> f64 {
        let terms: Vec<(f64, f64)> = self.budget(k).iter().map(|line| (line.contribution, line.dof)).collect();
        welch_satterthwaite(self.u(k), &terms)
    }
}

/// Effective degrees of freedom `u^4 / sum(u_i^4 / nu_i)` of a combined standard
/// uncertainty `u` from (contribution, degrees of freedom) pairs; infinite where every
/// contribution with finite degrees of freedom is 0. JCGM 100:2008, equation (G.2b).
pub fn welch_satterthwaite(u: f64, contributions: &[(f64, f64)]) -> f64 {
    let sum: f64 = contributions.iter().map(|(c, dof)| c.powi(4) / dof).sum();
    if sum > 0.0 { u.powi(4) / sum } else { f64::INFINITY }
}

/// Propagates through `f`, with sensitivities by central differences.
///
/// `correlation` is n x n with unit diagonal (`None`: independent). `f` maps n input
/// values to m outputs, m the same every time.
///
/// # Errors
/// An input that is not finite or has a negative u, a correlation matrix of the wrong
/// shape, an output that is not finite, or whatever `f` reports.
pub fn propagate<F>(inputs: &[NamedInput], correlation: Option<&DMatrix<f64>>, f: F) -> Result<Propagated>
where
    F: Fn(&[f64]) -> Result<Vec<f64>>,
{
    check(inputs)?;
    let mut x: Vec<f64> = inputs.iter().map(|i| i.value).collect();
    let values = f(&x)?;
    let mut sensitivities = DMatrix::zeros(values.len(), inputs.len());
    for (i, input) in inputs.iter().enumerate() {
        let step = step_of(input, STEP_IN_U);
        if step == 0.0 {
            continue;
        }
        let centre = input.value;
        let (above, below) = (centre + step, centre - step);
        set(&mut x, i, above);
        let high = f(&x)?;
        set(&mut x, i, below);
        let low = f(&x)?;
        set(&mut x, i, centre);
        if high.len() != values.len() || low.len() != values.len() {
            return Err(Error::input(format!(
                "the function gave {} outputs and then {} or {}: it must always give the same number",
                values.len(),
                high.len(),
                low.len()
            )));
        }
        for (k, (h, l)) in high.iter().zip(&low).enumerate() {
            sensitivities[(k, i)] = (h - l) / (above - below);
        }
    }
    propagate_with(inputs, correlation, values, sensitivities)
}

/// Propagates with given output values (m) and sensitivities (m x n).
///
/// # Errors
/// As [`propagate`], and sensitivities of the wrong shape.
pub fn propagate_with(
    inputs: &[NamedInput],
    correlation: Option<&DMatrix<f64>>,
    values: Vec<f64>,
    sensitivities: DMatrix<f64>,
) -> Result<Propagated> {
    check(inputs)?;
    let (m, n) = (values.len(), inputs.len());
    if sensitivities.shape() != (m, n) {
        return Err(Error::input(format!(
            "sensitivities are {} x {}, but {m} outputs of {n} inputs need {m} x {n}",
            sensitivities.nrows(),
            sensitivities.ncols()
        )));
    }
    if values.iter().chain(sensitivities.iter()).any(|v| !v.is_finite()) {
        return Err(Error::no_answer(
            "the function or its slope is not finite at the best estimates: check the inputs' values",
        ));
    }
    let scaled = DMatrix::from_fn(m, n, |k, i| sensitivities[(k, i)] * inputs.get(i).map_or(0.0, |x| x.u));
    let covariance = match correlation {
        None => &scaled * scaled.transpose(),
        Some(r) => {
            check_correlation(r, n)?;
            &scaled * r * scaled.transpose()
        }
    };
    Ok(Propagated { values, covariance, sensitivities, inputs: inputs.to_vec() })
}

/// The second-order terms to add to the first-order variance of a scalar function of
/// independent, symmetric, near-normal inputs:
/// `sum_ij (f_ij^2 / 2 + f_i f_ijj) u_i^2 u_j^2` (JCGM 100:2008, note to 5.1.2).
///
/// # Errors
/// As [`propagate`].
pub fn second_order_variance<F>(inputs: &[NamedInput], f: F) -> Result<f64>
where
    F: Fn(&[f64]) -> Result<f64>,
{
    check(inputs)?;
    let x: Vec<f64> = inputs.iter().map(|i| i.value).collect();
    let steps: Vec<f64> = inputs.iter().map(|i| step_of(i, SECOND_ORDER_STEP_IN_U)).collect();
    let at = |moves: &[(usize, f64)]| {
        let mut moved = x.clone();
        for &(i, by) in moves {
            if let (Some(value), Some(step)) = (moved.get_mut(i), steps.get(i)) {
                *value += by * step;
            }
        }
        f(&moved)
    };
    let centre = f(&x)?;
    let mut sum = 0.0;
    // Everything in units of the step; `ratio` turns a step into a u.
    let ratio: Vec<f64> = inputs.iter().zip(&steps).map(|(i, s)| if *s > 0.0 { i.u / s } else { 0.0 }).collect();
    for (i, ri) in ratio.iter().enumerate().filter(|(_, r)| **r > 0.0) {
        let f_i = (at(&[(i, 1.0)])? - at(&[(i, -1.0)])?) / 2.0;
        for (j, rj) in ratio.iter().enumerate().filter(|(_, r)| **r > 0.0) {
            let (f_ij, f_ijj) = if i == j {
                let (p1, m1, p2, m2) = (at(&[(i, 1.0)])?, at(&[(i, -1.0)])?, at(&[(i, 2.0)])?, at(&[(i, -2.0)])?);
                (p1 - 2.0 * centre + m1, (p2 - 2.0 * p1 + 2.0 * m1 - m2) / 2.0)
            } else {
                let (pp, pm) = (at(&[(i, 1.0), (j, 1.0)])?, at(&[(i, 1.0), (j, -1.0)])?);
                let (mp, mm) = (at(&[(i, -1.0), (j, 1.0)])?, at(&[(i, -1.0), (j, -1.0)])?);
                let (p, m) = (at(&[(i, 1.0)])?, at(&[(i, -1.0)])?);
                ((pp - pm - mp + mm) / 4.0, (pp - 2.0 * p + pm - mp + 2.0 * m - mm) / 2.0)
            };
            sum += (0.5 * f_ij * f_ij + f_i * f_ijj) * ri * ri * rj * rj;
        }
    }
    Ok(sum)
}

fn set(x: &mut [f64], i: usize, value: f64) {
    if let Some(slot) = x.get_mut(i) {
        *slot = value;
    }
}

/// 0 for an exact input: its sensitivity would only multiply nothing.
fn step_of(input: &NamedInput, step_in_u: f64) -> f64 {
    if input.u == 0.0 { 0.0 } else { (input.u * step_in_u).max(input.value.abs() * LEAST_RELATIVE_STEP) }
}

fn check(inputs: &[NamedInput]) -> Result<()> {
    for input in inputs {
        if !input.value.is_finite() || !input.u.is_finite() || input.u < 0.0 {
            return Err(Error::input(format!(
                "{}: value {} with standard uncertainty {}; both must be finite and the uncertainty not negative",
                input.name, input.value, input.u
            )));
        }
        if input.dof.is_nan() || input.dof <= 0.0 {
            return Err(Error::input(format!(
                "{}: {} degrees of freedom; they must be above 0, or infinite where the uncertainty is known",
                input.name, input.dof
            )));
        }
    }
    Ok(())
}

fn check_correlation(r: &DMatrix<f64>, n: usize) -> Result<()> {
    /// Rounding allowed in a correlation written down by hand or computed.
    const SLACK: f64 = 1e-9;
    if r.shape() != (n, n) {
        return Err(Error::input(format!(
            "the correlation matrix is {} x {}, but {n} inputs need {n} x {n}",
            r.nrows(),
            r.ncols()
        )));
    }
    for i in 0..n {
        for j in 0..n {
            let value = r[(i, j)];
            let sound = value.is_finite()
                && value.abs() <= 1.0 + SLACK
                && (value - r[(j, i)]).abs() <= SLACK
                && (i != j || (value - 1.0).abs() <= SLACK);
            if !sound {
                return Err(Error::input(format!(
                    "correlation of inputs {} and {} is {value}: the matrix must be symmetric, within -1 to 1, with 1 on its diagonal",
                    i + 1,
                    j + 1
                )));
            }
        }
    }
    Ok(())
}
