//! What do the pixels about a checkerboard's corner say of it?
//!
//! The sums that an adjustment of [`super::saddle`]'s model asks for. Pixels far from both edges see only level and slopes: their sums are taken once and
//! serve for as many steps as move the edges little. Those near an edge are taken in single precision, many at a time: their sums are then good to one
//! part in a million, and a corner to a millionth of a pixel.

use nalgebra::{SMatrix, SVector};

use crate::vectors::{LN_2, smaller, widest};

/// Free parameters: x, y, two edge directions, blur, a, b, c, gx, gy.
pub(super) const FREE: usize = 10;
/// Place of a among them.
pub(super) const LEVEL: usize = 5;

/// A pixel's place and grey value.
pub(super) type Sample = (f64, f64, f64);
pub(super) type Params = SVector<f64, FREE>;
pub(super) type Normal = SMatrix<f64, FREE, FREE>;

/// Beyond this the step is over to 1e-7: most pixels of a window lie there.
const OVER: f32 = 4.0;
/// How far edges may move, px, and how much the blur may grow until pixels are sorted anew: more costs pixels that are far and count as near.
const SLACK_PX: f64 = 0.2;
const GROWTH: f64 = 1.05;

/// exp(-z) for z in 0 to [`OVER`]^2, to 2e-7 of it; without a branch. From 2^n and the series of what is left.
#[inline(always)]
fn exp_of_minus(z: f32) -> f32 {
    // Adding it leaves the nearest whole number in the last bits.
    const ROUNDS: f32 = 12_582_912.0;
    let n = ROUNDS - z * std::f32::consts::LOG2_E;
    let whole = n - ROUNDS;
    let r = -z - whole * LN_2[0] - whole * LN_2[1];
    let series = [1.0 / 120.0, 1.0 / 24.0, 1.0 / 6.0, 0.5, 1.0, 1.0];
    let small = series.into_iter().fold(1.0 / 720.0, |sum, t| sum * r + t);
    small * f32::from_bits(n.to_bits().wrapping_add(127) << 23)
}

/// erf(x) to 4e-7 (grey values have steps of 4e-3) and exp(-x^2). Source: Abramowitz and Stegun 7.1.26, which needs no exponential but that one.
#[inline(always)]
fn step(x: f32) -> (f32, f32) {
    let z = smaller(x.abs(), OVER);
    let t = 1.0 / (1.0 + 0.327_591_1 * z);
    let gauss = exp_of_minus(z * z);
    let series = [-1.453_152, 1.421_413_8, -0.284_496_72, 0.254_829_6];
    let e = 1.0 - series.into_iter().fold(1.061_405_4, |sum, c| sum * t + c) * t * gauss;
    let over = x.abs() > OVER;
    ((if over { 1.0 } else { e }).copysign(x), if over { 0.0 } else { gauss })
}

/// A model's edges as their crossing and directions.
#[derive(Clone, Copy)]
struct Edges {
    x: f64,
    y: f64,
    sin_cos: [(f64, f64); 2],
    hand: f64,
}

impl Edges {
    fn new(p: &Params, hand: f64) -> Self {
        Self { x: p[0], y: p[1], sin_cos: [p[2].sin_cos(), p[3].sin_cos()], hand }
    }

    /// Distances from both edges of a pixel so far from the crossing.
    #[inline(always)]
    fn distances(&self, dx: f64, dy: f64) -> (f64, f64) {
        let [(s1, c1), (s2, c2)] = self.sin_cos;
        (self.hand * (-s1 * dx + c1 * dy), self.hand * (s2 * dx - c2 * dy))
    }
}

/// Sums over pixels away from both edges: places from the window's middle, grey values.
#[derive(Clone, Copy, Default)]
struct Flat {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    g: f64,
    gx: f64,
    gy: f64,
    gg: f64,
}

impl Flat {
    fn take(&mut self, x: f64, y: f64, g: f64) {
        self.n += 1.0;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
        self.g += g;
        self.gx += g * x;
        self.gy += g * y;
        self.gg += g * g;
    }

    /// Sums of what grey values less level and slopes leave: of it, of it times x and y, of its square.
    fn left(&self, level: f64, [a, b]: [f64; 2]) -> [f64; 4] {
        let r = self.g - level * self.n - a * self.x - b * self.y;
        let rx = self.gx - level * self.x - a * self.xx - b * self.xy;
        let ry = self.gy - level * self.y - a * self.xy - b * self.yy;
        let rg = self.gg - level * self.g - a * self.gx - b * self.gy;
        [r, rx, ry, rg - level * r - a * rx - b * ry]
    }
}

/// Pixels near an edge that are taken together.
const TOGETHER: usize = 64;
/// Numbers of a pixel's row: its derivatives, its residual, and what fills a vector.
const ROW: usize = 12;
const RESIDUAL: usize = FREE;
/// A number for each pixel of a group.
type Group = [f32; TOGETHER];

/// Pixels near an edge, places from the window's middle; those beyond the last of a group do not count.
struct Near {
    count: usize,
    x: Group,
    y: Group,
    grey: Group,
}

/// The pixels of a window, sorted by whether an edge is near.
pub(super) struct Window {
    near: Vec<Near>,
    /// By the sign of s.
    flat: [Flat; 2],
    middle: (f64, f64),
    /// How they were sorted: by these edges, of this blur, in a window that reaches so far.
    edges: Edges,
    blur_px: f64,
    reach_px: f64,
}

impl Window {
    /// Sorts pixels by where a model's edges are. Places are taken from the window's middle.
    pub(super) fn new(samples: &[Sample], p: &Params, hand: f64, middle: (f64, f64)) -> Self {
        let edges = Edges::new(p, hand);
        let far = f64::from(OVER) * std::f64::consts::SQRT_2 * p[4] * GROWTH + SLACK_PX;
        let mut out =
            Self { near: Vec::new(), flat: [Flat::default(); 2], middle, edges, blur_px: p[4], reach_px: 0.0 };
        let mut reach2 = 0.0;
        for &(x, y, g) in samples {
            let (dx, dy) = (x - edges.x, y - edges.y);
            let (x, y) = (x - middle.0, y - middle.1);
            reach2 = f64::max(reach2, dx * dx + dy * dy);
            let (d1, d2) = edges.distances(dx, dy);
            if d1.abs() > far && d2.abs() > far {
                out.flat[usize::from(d1 * d2 > 0.0)].take(x, y, g);
                continue;
            }
            let full = out.near.last().is_none_or(|n| n.count == TOGETHER);
            if full {
                let none = [0.0; TOGETHER];
                out.near.push(Near { count: 0, x: none, y: none, grey: none });
            }
            if let Some(near) = out.near.last_mut() {
                let i = near.count;
                (near.x[i], near.y[i], near.grey[i]) = (x as f32, y as f32, g as f32);
                near.count += 1;
            }
        }
        out.reach_px = reach2.sqrt();
        out
    }

    /// Whether what was sorted as far is far from another model's edges, too.
    pub(super) fn holds(&self, p: &Params) -> bool {
        let now = Edges::new(p, self.edges.hand);
        let turned = now.sin_cos.iter().zip(&self.edges.sin_cos).map(|(a, b)| (a.0 - b.0).hypot(a.1 - b.1));
        let moved = (p[0] - self.edges.x).hypot(p[1] - self.edges.y);
        p[4] <= self.blur_px * GROWTH && moved + turned.fold(0.0, f64::max) * self.reach_px <= SLACK_PX
    }

    /// Squared residuals of a model, the products of their derivatives, and those with the residuals.
    pub(super) fn normal(&self, p: &Params) -> (f64, Normal, Params) {
        let mut sums = [[0.0f64; ROW]; ROW];
        widest(
            #[inline(always)]
            || {
                // A loop: an iterator's closure would not be inlined where vectors are wide.
                for near in &self.near {
                    near.sum_up(p, self.edges.hand, self.middle, &mut sums);
                }
            },
        );
        let mut cost = sums[RESIDUAL][RESIDUAL];
        let mut jtj = Normal::from_fn(|a, b| sums[a.min(b)][a.max(b)]);
        let mut jtr = Params::from_fn(|a, _| sums[a][RESIDUAL]);
        for (f, s) in self.flat.iter().zip([-1.0, 1.0]) {
            let [r, rx, ry, rr] = f.left(p[5] + p[6] * s + p[7], [p[8], p[9]]);
            cost += rr;
            for (i, v) in [r, s * r, r, rx, ry].into_iter().enumerate() {
                jtr[5 + i] += v;
            }
            let block = [
                [f.n, s * f.n, f.n, f.x, f.y],
                [s * f.n, f.n, s * f.n, s * f.x, s * f.y],
                [f.n, s * f.n, f.n, f.x, f.y],
                [f.x, s * f.x, f.x, f.xx, f.xy],
                [f.y, s * f.y, f.y, f.xy, f.yy],
            ];
            for (i, row) in block.iter().enumerate() {
                for (j, v) in row.iter().enumerate() {
                    jtj[(5 + i, 5 + j)] += v;
                }
            }
        }
        (cost, jtj, jtr)
    }
}

impl Near {
    /// Adds products of the pixels' derivatives and residuals: those right of the diagonal, and what lies beside them in a vector.
    #[inline(always)]
    fn sum_up(&self, p: &Params, hand: f64, middle: (f64, f64), sums: &mut [[f64; ROW]; ROW]) {
        let sigma = p[4] as f32;
        let k = 1.0 / (std::f32::consts::SQRT_2 * sigma);
        let slope = std::f32::consts::FRAC_2_SQRT_PI * k;
        let (hand, x0, y0) = (hand as f32, (p[0] - middle.0) as f32, (p[1] - middle.1) as f32);
        let ((s1, c1), (s2, c2)) = ((p[2] as f32).sin_cos(), (p[3] as f32).sin_cos());
        let [a, b, c, gx, gy] = [5, 6, 7, 8, 9].map(|i| p[i] as f32);
        let none = [0.0; TOGETHER];
        let (mut d1, mut d2) = (none, none);
        let (mut e1, mut g1, mut e2, mut g2) = (none, none, none, none);
        for i in 0..TOGETHER {
            let (dx, dy) = (self.x[i] - x0, self.y[i] - y0);
            (d1[i], d2[i]) = (hand * (-s1 * dx + c1 * dy), hand * (s2 * dx - c2 * dy));
            (e1[i], g1[i]) = step(k * d1[i]);
            (e2[i], g2[i]) = step(k * d2[i]);
        }
        let mut rows = [[0.0f32; ROW]; TOGETHER];
        for i in 0..TOGETHER {
            let (x, y) = (self.x[i], self.y[i]);
            let (dx, dy) = (x - x0, y - y0);
            // s > 0 where d1 d2 > 0: the top-left and bottom-right squares.
            let s = e1[i] * e2[i];
            let r = self.grey[i] - (a + b * s + c * s * s + gx * x + gy * y);
            let ds = b + 2.0 * c * s;
            let (a1, a2) = (ds * slope * g1[i] * e2[i], ds * slope * g2[i] * e1[i]);
            rows[i] = [
                hand * (a1 * s1 - a2 * s2),
                hand * (-a1 * c1 + a2 * c2),
                -a1 * hand * (c1 * dx + s1 * dy),
                a2 * hand * (c2 * dx + s2 * dy),
                -(a1 * d1[i] + a2 * d2[i]) / sigma,
                1.0,
                s,
                s * s,
                x,
                y,
                r,
                0.0,
            ];
        }
        let rows = &rows[..self.count];
        products::<12>(rows, 0, sums);
        products::<8>(rows, 4, sums);
        products::<4>(rows, 8, sums);
    }
}

/// Adds products of four numbers of each row, from `first` on, with its last N: their sums stay in registers.
#[inline(always)]
fn products<const N: usize>(rows: &[[f32; ROW]], first: usize, to: &mut [[f64; ROW]; ROW]) {
    let mut sums = [[0.0f32; N]; 4];
    for row in rows {
        for (k, sums) in sums.iter_mut().enumerate() {
            let v = row[first + k];
            for (sum, u) in sums.iter_mut().zip(&row[ROW - N..]) {
                *sum += v * u;
            }
        }
    }
    for (to, sums) in to[first..].iter_mut().zip(sums) {
        to[ROW - N..].iter_mut().zip(sums).for_each(|(t, s)| *t += f64::from(s));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_step_is_good_to_4e_7() {
        // Source: Abramowitz and Stegun, table 7.1.
        for (x, y) in [(0.0, 0.0), (0.5, 0.5204998778), (1.0, 0.8427007929), (2.0, 0.9953222650), (-1.0, -0.8427007929)]
        {
            let (e, gauss) = step(x as f32);
            let exact: f64 = -x * x;
            assert!((f64::from(e) - y).abs() < 4e-7, "{x}: {e}");
            assert!((f64::from(gauss) - exact.exp()).abs() < 2e-7 * exact.exp(), "{x}: {gauss}");
        }
        assert_eq!((step(4.1), step(-9.0)), ((1.0, 0.0), (-1.0, 0.0)));
    }

    #[test]
    fn pixels_that_were_sorted_once_give_the_sums_of_all() {
        let mut p = Params::from_column_slice(&[40.2, 39.7, 0.1, 1.7, 0.9, 120.0, -80.0, 3.0, 0.1, -0.2]);
        let grey = |x: usize, y: usize| 120.0 + ((x * 7 + y * 13) % 90) as f64;
        let samples: Vec<Sample> =
            (0..81 * 81).map(|i| (i % 81, i / 81)).map(|(x, y)| (x as f64, y as f64, grey(x, y))).collect();
        let middle = (40.0, 40.0);
        let sorted = Window::new(&samples, &p, 1.0, middle);
        assert!(sorted.flat.iter().all(|f| f.n > 1000.0) && sorted.holds(&p));
        // As much as holds, and no more.
        (p[0], p[2], p[4]) = (40.25, 0.101, 0.93);
        assert!(sorted.holds(&p));
        let anew = Window::new(&samples, &p, 1.0, middle);
        let ((cost, jtj, jtr), (exact, all, right)) = (sorted.normal(&p), anew.normal(&p));
        assert!((cost - exact).abs() < 1e-6 * exact, "{cost} {exact}");
        for a in 0..FREE {
            let scale = (all[(a, a)] * exact).sqrt();
            assert!((jtr[a] - right[a]).abs() < 1e-6 * scale, "{a}: {} {}", jtr[a], right[a]);
            for b in 0..FREE {
                let scale = (all[(a, a)] * all[(b, b)]).sqrt();
                assert!((jtj[(a, b)] - all[(a, b)]).abs() < 1e-6 * scale, "{a} {b}");
            }
        }
        for (i, by) in [(0, 0.3), (2, 0.01), (4, 0.1)] {
            let mut far = p;
            far[i] += by;
            assert!(!sorted.holds(&far), "{i}");
        }
    }
}
