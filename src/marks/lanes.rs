//! What do marks do to many pixels at once?
//!
//! The same model as [`super::fit`], for a tile of pixels side by side and in single precision, so that the processor works on several of them
//! with each instruction. Places are taken from the patch's middle: then single precision is good to a tenth of a micrometre, and a
//! misfit to one part in ten million.

use super::fit::{FittedMark, LEAST_CLEAR, MODES, TILT, UNKNOWNS, WAVE_ORDERS};
use super::shape::{KNOTS, MarkShape, STEP};
use crate::vectors::{larger, smaller, widest};

/// Pixels of a tile.
pub(super) const LANES: usize = 64;
/// A number for each pixel of a tile.
pub(super) type Row = [f32; LANES];

/// Entries of the profile's table: a power of two, so that an index is cut to it by its bits.
const TABLE: usize = 64;
/// 2^23: the sum of it and a number from 0 to 2^22 has the number's nearest integer in its last bits.
const ROUNDS: f32 = 8_388_608.0;

/// A mark's profile as a table: value at a knot, and step to the next; nothing beyond the last knot.
pub(super) struct Profile([[f32; 2]; TABLE]);

impl Profile {
    pub(super) fn new(shape: &MarkShape) -> Self {
        let knot = |k: usize| shape.profile.get(k).map_or(0.0, |v| *v as f32);
        let inside = |k: usize| k + 1 < KNOTS.min(shape.profile.len());
        Self(std::array::from_fn(|k| if inside(k) { [knot(k), knot(k + 1) - knot(k)] } else { [0.0; 2] }))
    }
}

/// The pixels of a tile; those beyond its last have no weight.
#[derive(Clone)]
pub(super) struct Lanes {
    x: Row,
    y: Row,
    opacity: Row,
    weight: Row,
    root: Row,
}

impl Lanes {
    /// From (x, y, opacity, weight) of each pixel, places in mm from the origin; at most [`LANES`].
    pub(super) fn new(pixels: impl Iterator<Item = [f64; 4]>) -> Self {
        let nothing = [0.0; LANES];
        let mut out = Self { x: nothing, y: nothing, opacity: nothing, weight: nothing, root: nothing };
        for (i, p) in pixels.take(LANES).enumerate() {
            (out.x[i], out.y[i], out.opacity[i]) = (p[0] as f32, p[1] as f32, p[2] as f32);
            (out.weight[i], out.root[i]) = (p[3] as f32, p[3].sqrt() as f32);
        }
        out
    }
}

/// Numbers that are added up side by side; their sum is taken at the end.
const ABREAST: usize = 8;
/// Sums side by side.
type Sums = [f32; ABREAST];

/// Room for what tiles come to, used again from step to step. Of what stands for one tile nothing is read before it is written.
pub(super) struct Work<const N: usize> {
    /// What each mark lets through in a tile.
    pub(super) clear: Vec<Row>,
    /// Its derivatives, of those that move. Single precision is enough: they only say where to step, and how far a centre is off to one part in a
    /// million.
    pub(super) by: Vec<[Row; N]>,
    /// Weighted residuals in a tile.
    pub(super) pulled: Row,
    /// The derivatives weighted.
    pub(super) weighted: Vec<[Row; N]>,
    /// Sums over tiles of derivatives times residuals, of each mark that moves.
    pub(super) pulls: Vec<[Sums; N]>,
    /// Sums over tiles of products of two marks' derivatives, of each two that move ([`pair_index`]).
    pub(super) products: Vec<Products<N>>,
}

impl<const N: usize> Work<N> {
    /// None yet.
    pub(super) fn none() -> Self {
        Self {
            clear: Vec::new(),
            by: Vec::new(),
            pulled: [0.0; LANES],
            weighted: Vec::new(),
            pulls: Vec::new(),
            products: Vec::new(),
        }
    }

    /// Room for so many marks, so many of which move, and for their products where a matrix is wanted; all sums are nothing.
    pub(super) fn of(&mut self, marks: usize, moving: usize, matrix: bool) -> &mut Self {
        self.clear.resize(marks, [0.0; LANES]);
        self.by.resize(moving, [[0.0; LANES]; N]);
        self.pulls.clear();
        self.pulls.resize(moving, [[0.0; ABREAST]; N]);
        if matrix {
            self.weighted.resize(moving, [[0.0; LANES]; N]);
            self.products.resize_with(pair_index(moving, 0), Products::new);
            self.products.iter_mut().for_each(|p| p.any = false);
        }
        self
    }
}

/// Where two of a number of things stand in a list of all pairs, each with itself among them; the second is not after the first.
pub(super) fn pair_index(one: usize, other: usize) -> usize {
    one * (one + 1) / 2 + other
}

/// Sums of products of two marks' derivatives.
pub(super) struct Products<const N: usize> {
    /// Whether anything was added up.
    any: bool,
    sums: [[Sums; N]; N],
}

impl<const N: usize> Products<N> {
    fn new() -> Self {
        Self { any: false, sums: [[[0.0; ABREAST]; N]; N] }
    }

    /// Adds those of a tile: each of `a`'s derivatives times each of `b`'s, or of a mark's with themselves as far as the diagonal.
    pub(super) fn add(&mut self, a: &[Row; N], b: &[Row; N], same: bool) {
        const { assert!(N.is_multiple_of(ACROSS) && ACROSS.is_multiple_of(DOWN)) };
        if !std::mem::replace(&mut self.any, true) {
            self.sums = [[[0.0; ABREAST]; N]; N];
        }
        widest(
            #[inline(always)]
            || {
                for first in (0..N).step_by(DOWN) {
                    let end = if same { first + DOWN } else { N };
                    for second in (0..end).step_by(ACROSS) {
                        some_products(a, b, (first, second), &mut self.sums);
                    }
                }
            },
        );
    }

    /// The sums themselves, row by row, of a mark with itself those up to the diagonal; `None` where nothing was added up.
    pub(super) fn total(&self) -> Option<[[f64; N]; N]> {
        self.any.then(|| self.sums.map(|row| row.map(|s| total(&s))))
    }
}

/// Products that are computed together, rows and columns: their sums stay in registers, and there are enough of them that none waits for the last.
const DOWN: usize = 2;
const ACROSS: usize = 4;

#[inline(always)]
fn some_products<const N: usize>(
    a: &[Row; N],
    b: &[Row; N],
    (first, second): (usize, usize),
    sums: &mut [[Sums; N]; N],
) {
    let mut own = [[[0.0f32; ABREAST]; ACROSS]; DOWN];
    for k in 0..DOWN {
        for l in 0..ACROSS {
            own[k][l] = sums[first + k][second + l];
        }
    }
    for at in (0..LANES).step_by(ABREAST) {
        for k in 0..DOWN {
            for l in 0..ACROSS {
                for i in 0..ABREAST {
                    own[k][l][i] += a[first + k][at + i] * b[second + l][at + i];
                }
            }
        }
    }
    for k in 0..DOWN {
        for l in 0..ACROSS {
            sums[first + k][second + l] = own[k][l];
        }
    }
}

/// The sum of what was added up side by side.
pub(super) fn total(sums: &Sums) -> f64 {
    sums.iter().map(|v| f64::from(*v)).sum()
}

/// A mark in single precision.
#[derive(Clone, Copy)]
pub(super) struct Mark {
    x: f32,
    y: f32,
    radius: f32,
    strength: f32,
    modes: [f32; MODES],
}

impl Mark {
    /// Of a mark whose place is taken from `origin`, mm.
    pub(super) fn new(m: &FittedMark, origin: [f64; 2]) -> Self {
        Self {
            x: (m.x_mm - origin[0]) as f32,
            y: (m.y_mm - origin[1]) as f32,
            radius: m.radius_mm as f32,
            strength: m.strength as f32,
            modes: m.modes.map(|v| v as f32),
        }
    }
}

/// What share of the light the mark lets through at each pixel, and the derivatives of its opacity by x, y, radius, strength and, where
/// N = [`UNKNOWNS`], modes ([`FittedMark`]'s `laid`); N = 0 for none.
pub(super) fn lay<const N: usize>(profile: &Profile, m: &Mark, t: &Lanes, clear: &mut Row, by: &mut [Row; N]) {
    widest(
        #[inline(always)]
        || lay_all(profile, m, t, clear, by),
    );
}

#[inline(always)]
fn lay_all<const N: usize>(profile: &Profile, m: &Mark, t: &Lanes, clear: &mut Row, by: &mut [Row; N]) {
    let nothing = [0.0f32; LANES];
    let (mut c, mut s, mut inverse_d) = (nothing, nothing, nothing);
    let (mut turn, mut grown, mut rho, mut tilt) = (nothing, nothing, nothing, nothing);
    let waving = m.modes[..TILT] != [0.0; TILT];
    let inverse_radius = 1.0 / m.radius;
    for i in 0..LANES {
        let (dx, dy) = (t.x[i] - m.x, t.y[i] - m.y);
        let d = larger((dx * dx + dy * dy).sqrt(), 1e-6);
        let inverse = 1.0 / d;
        inverse_d[i] = inverse;
        (c[i], s[i]) = (dx * inverse, dy * inverse);
        // Distance, until the rim's wave is known.
        rho[i] = d;
        let along = (m.modes[TILT] * dx + m.modes[TILT + 1] * dy) * inverse_radius;
        tilt[i] = larger(1.0 + along, 0.0);
    }
    if waving {
        for i in 0..LANES {
            let (mut wave, mut turned) = (0.0f32, 0.0f32);
            let (mut cm, mut sm) = (c[i], s[i]);
            for k in 0..WAVE_ORDERS.len() {
                (cm, sm) = (cm * c[i] - sm * s[i], sm * c[i] + cm * s[i]);
                let (a, b) = (m.modes[2 * k], m.modes[2 * k + 1]);
                wave += a * cm + b * sm;
                turned += WAVE_ORDERS[k] as f32 * (b * cm - a * sm);
            }
            turn[i] = turned;
            grown[i] = larger(1.0 + wave, 0.3);
            rho[i] = rho[i] * inverse_radius / grown[i];
        }
    } else {
        for i in 0..LANES {
            grown[i] = 1.0;
            rho[i] *= inverse_radius;
        }
    }
    let (mut value, mut change, mut part) = (nothing, nothing, nothing);
    let mut index = [0u32; LANES];
    for i in 0..LANES {
        let at = smaller(rho[i] * (1.0 / STEP) as f32, (KNOTS + 1) as f32);
        let knot = larger(at - 0.5, 0.0) + ROUNDS;
        index[i] = knot.to_bits() % TABLE as u32;
        part[i] = at - (knot - ROUNDS);
    }
    for i in 0..LANES {
        let knot = profile.0[index[i] as usize % TABLE];
        (value[i], change[i]) = (knot[0], knot[1]);
    }
    for i in 0..LANES {
        value[i] += part[i] * change[i];
        clear[i] = larger(1.0 - m.strength * value[i] * tilt[i], LEAST_CLEAR as f32);
    }
    if N == 0 {
        return;
    }
    let (tilt_x, tilt_y) = (m.modes[TILT] * inverse_radius, m.modes[TILT + 1] * inverse_radius);
    let mut by_wave = nothing;
    for i in 0..LANES {
        let by_rho = m.strength * change[i] * (1.0 / STEP) as f32 * tilt[i];
        let by_tilt = m.strength * value[i];
        let per_mm = inverse_radius / grown[i];
        by_wave[i] = -by_rho * rho[i] * rho[i] * m.radius * inverse_d[i];
        let turned = by_wave[i] * turn[i] * inverse_d[i];
        by[0][i] = -by_rho * c[i] * per_mm + turned * s[i] - by_tilt * tilt_x;
        by[1][i] = -by_rho * s[i] * per_mm - turned * c[i] - by_tilt * tilt_y;
        by[2][i] = (-by_rho * rho[i] - by_tilt * (tilt[i] - 1.0)) * inverse_radius;
        by[3][i] = value[i] * tilt[i];
    }
    if N == UNKNOWNS {
        for i in 0..LANES {
            let (mut cm, mut sm) = (c[i], s[i]);
            for k in 0..WAVE_ORDERS.len() {
                (cm, sm) = (cm * c[i] - sm * s[i], sm * c[i] + cm * s[i]);
                by[4 + 2 * k][i] = by_wave[i] * cm;
                by[5 + 2 * k][i] = by_wave[i] * sm;
            }
            let by_tilt = m.strength * value[i] * inverse_radius;
            by[4 + TILT][i] = by_tilt * (t.x[i] - m.x);
            by[5 + TILT][i] = by_tilt * (t.y[i] - m.y);
        }
    }
}

/// Weighted squared residuals where the marks together let `clear` through, and the weighted residuals.
#[inline(always)]
pub(super) fn residuals(t: &Lanes, clear: &Row, pulled: &mut Row) -> f64 {
    let mut cost = [0.0f32; LANES];
    for i in 0..LANES {
        let r = t.opacity[i] - (1.0 - clear[i]);
        pulled[i] = t.weight[i] * r;
        cost[i] = pulled[i] * r;
    }
    sum(&cost)
}

/// What each pixel of a tile still has after marks that let `clear` through, and its weight: for (x, y, residual, weight, clear) each.
pub(super) fn left(t: &Lanes, clear: &Row, mut take: impl FnMut([f32; 2], f32, f32, f32)) {
    for i in 0..LANES {
        if t.weight[i] > 0.0 {
            take([t.x[i], t.y[i]], t.opacity[i] - (1.0 - clear[i]), t.weight[i], clear[i]);
        }
    }
}

/// Adds to `pulls` one mark's derivatives of a tile times the weighted residuals; the derivatives weighted, where they are wanted.
pub(super) fn derivatives<const N: usize>(
    t: &Lanes,
    let_through: (&Row, &Row),
    pulled: &Row,
    by: &[Row; N],
    pulls: &mut [Sums; N],
    weighted: Option<&mut [Row; N]>,
) {
    widest(
        #[inline(always)]
        || all_derivatives(t, let_through, pulled, by, pulls, weighted),
    );
}

#[inline(always)]
fn all_derivatives<const N: usize>(
    t: &Lanes,
    (all, own): (&Row, &Row),
    pulled: &Row,
    by: &[Row; N],
    pulls: &mut [Sums; N],
    weighted: Option<&mut [Row; N]>,
) {
    let (mut pull, mut weight) = ([0.0f32; LANES], [0.0f32; LANES]);
    for i in 0..LANES {
        let others = all[i] / own[i];
        pull[i] = others * pulled[i];
        weight[i] = others * t.root[i];
    }
    for (sums, by) in pulls.iter_mut().zip(by) {
        let mut own = *sums;
        for at in (0..LANES).step_by(ABREAST) {
            for i in 0..ABREAST {
                own[i] += pull[at + i] * by[at + i];
            }
        }
        *sums = own;
    }
    if let Some(weighted) = weighted {
        for (weighted, by) in weighted.iter_mut().zip(by) {
            for i in 0..LANES {
                weighted[i] = weight[i] * by[i];
            }
        }
    }
}

#[inline(always)]
fn sum(v: &Row) -> f64 {
    let mut eight = [0.0f32; ABREAST];
    for part in v.chunks_exact(ABREAST) {
        (0..ABREAST).for_each(|i| eight[i] += part[i]);
    }
    total(&eight)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_pixels_at_once_are_as_one_by_one() {
        let shape = MarkShape::plain((20.0, 40.0));
        let profile = Profile::new(&shape);
        let mut m = FittedMark::disc(3.0, -2.0, 14.0, 0.5);
        for waving in [false, true] {
            if waving {
                m.modes = [0.05, -0.03, 0.02, 0.01, -0.01, 0.015, 0.1, -0.07];
            }
            let place = |i: usize| [(i % 8) as f64 * 5.0 - 17.3, (i / 8) as f64 * 5.0 - 16.1];
            let lanes = Lanes::new((0..LANES).map(|i| [place(i)[0], place(i)[1], 0.1, 1.0]));
            let (mut clear, mut by) = ([0.0; LANES], [[0.0; LANES]; UNKNOWNS]);
            lay(&profile, &Mark::new(&m, [0.0; 2]), &lanes, &mut clear, &mut by);
            for i in 0..LANES {
                let (opacity, exact) = m.laid::<UNKNOWNS>(&shape, place(i)).unwrap_or((0.0, [0.0; UNKNOWNS]));
                assert!((f64::from(1.0 - clear[i]) - opacity).abs() < 2e-6, "{i}");
                for k in 0..UNKNOWNS {
                    let size = 1.0 + exact[k].abs();
                    assert!((f64::from(by[k][i]) - exact[k]).abs() < 1e-4 * size, "{i} {k}: {} {}", by[k][i], exact[k]);
                }
            }
        }
    }

    #[test]
    fn a_product_is_the_sum_of_its_pixels() {
        let rows = |f: usize| -> [Row; 12] {
            std::array::from_fn(|k| std::array::from_fn(|i| ((i * 7 + k * f) % 11) as f32 - 5.0))
        };
        let (a, b) = (rows(3), rows(5));
        let (mut two, mut own) = (Products::new(), Products::new());
        assert!(two.total().is_none());
        for _ in 0..2 {
            two.add(&a, &b, false);
            own.add(&a, &a, true);
        }
        let (two, own) = (two.total().unwrap(), own.total().unwrap());
        let exact = |a: &Row, b: &Row| 2.0 * a.iter().zip(b).map(|(a, b)| f64::from(a * b)).sum::<f64>();
        for (r, c) in (0..12).flat_map(|r| (0..12).map(move |c| (r, c))) {
            assert_eq!(two[r][c], exact(&a[r], &b[c]));
            if c <= r {
                assert_eq!(own[r][c], exact(&a[r], &a[c]));
            }
        }
    }
}
