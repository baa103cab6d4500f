//! Where exactly does a checkerboard's inner corner lie?
//!
//! A saddle is fitted with the blurred crossing of two straight edges,
//!
//! I(x, y) = a + b s + c s^2 + gx dx + gy dy,   s = erf(d1 / (sqrt(2) sigma)) erf(d2 / (sqrt(2) sigma)),
//!
//! where d1 and d2 are the distances to the two edges. The crossing is point-symmetric for every blur
//! that is, and stays so under any tone curve (c takes up its first order), so that neither moves the
//! corner. All pixels near the edges are used, not a small disc: the edges' length is what
//! decides how well a corner is known. The window is cut in the sheet's own millimetres: it ends
//! before the next corner, and before the tags that stand in the white squares.

use image::GrayImage;
use nalgebra::{SMatrix, SVector};

use super::rest::Rest;
use crate::points::PixelPoint;
use crate::vectors::{smaller, widest};

/// Reach along the edges, in squares: less than half, so that no other corner's blur comes in.
const REACH_SQUARES: f64 = 0.42;
/// Widest window from the centre, px: beyond it the lens's bending and the cost grow, the gain does not.
const REACH_PX: f64 = 30.0;
/// Least reach that leaves enough edge to fit, px.
const LEAST_REACH_PX: f64 = 4.0;
/// Windows cut one after the other.
pub(super) const WINDOWS: usize = 3;
/// The window is cut anew until it moves by less than this, px.
const SETTLED_PX: f64 = 0.02;
/// The first of several windows only says where to cut the next: where it has so many pixels, every second row of it does.
const THINNED_PX: f64 = 400.0;
/// Free parameters: x, y, two edge directions, blur, a, b, c, gx, gy.
pub(super) const FREE: usize = 10;
/// Place of a among them.
pub(super) const LEVEL: usize = 5;
/// Most that a corner's fit may leave, over half the step between white and black: more is another shape, or noise ([`Rest`]).
const MOST_LEFT: f64 = 0.2;

/// Largest u of a corner in noise, px: a layout that is kept to half a pixel tells nothing of a corner known worse than to a third of that.
const LARGEST_U_PX: f64 = 0.15;

/// A corner measured in a photo.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Saddle {
    /// Its place.
    pub point: PixelPoint,
    /// Standard uncertainty an axis from the fit's own residuals, px.
    pub u_px: f64,
    /// Blur of the edges as the standard deviation of a Gaussian, px.
    pub blur_px: f64,
    /// Half the step between white and black, grey values.
    pub contrast: f64,
}

/// Beyond this the step is over to 1e-7: most pixels of a window lie there.
const OVER: f64 = 4.0;

/// exp(-z) for z in 0 to 2 [`OVER`]^2, to 1e-8; without a branch. From 2^n and the series of what is left.
#[inline(always)]
fn exp_of_minus(z: f64) -> f64 {
    // Adding it leaves the nearest whole number in the last bits.
    const ROUNDS: f64 = 6_755_399_441_055_744.0;
    let n = ROUNDS - z * std::f64::consts::LOG2_E;
    let r = -z - (n - ROUNDS) * std::f64::consts::LN_2;
    let series = [1.0 / 720.0, 1.0 / 120.0, 1.0 / 24.0, 1.0 / 6.0, 0.5, 1.0, 1.0];
    let small = series.into_iter().fold(1.0 / 5040.0, |sum, t| sum * r + t);
    small * f64::from_bits(n.to_bits().wrapping_add(1023) << 52)
}

/// erf(x) to 1.5e-7 (grey values have steps of 4e-3) and exp(-x^2). Source: Abramowitz and Stegun 7.1.26, which needs no exponential but that one.
#[inline(always)]
fn step(x: f64) -> (f64, f64) {
    let z = smaller(x.abs(), OVER);
    let t = 1.0 / (1.0 + 0.327_591_1 * z);
    let gauss = exp_of_minus(z * z);
    let series = [-1.453_152_027, 1.421_413_741, -0.284_496_736, 0.254_829_592];
    let e = 1.0 - series.into_iter().fold(1.061_405_429, |sum, c| sum * t + c) * t * gauss;
    let over = x.abs() > OVER;
    ((if over { 1.0 } else { e }).copysign(x), if over { 0.0 } else { gauss })
}

/// Fits one saddle.
///
/// `start` is where it should be to about a fifth of a square; `axes_px_per_square` are the
/// photo's vectors of one square to the right and one down there; `top_left_black` says whether the
/// square up and left of the corner is black; `rim_squares` is the white rim between edges and tags, in squares. `None` when the window leaves the photo, the fit does
/// not settle near the start, or what is there is not such a corner.
pub fn fit_saddle(
    gray: &GrayImage,
    start: PixelPoint,
    axes_px_per_square: [[f64; 2]; 2],
    top_left_black: bool,
    rim_squares: f64,
) -> Option<Saddle> {
    fit_saddle_within(gray, start, axes_px_per_square, top_left_black, rim_squares, WINDOWS)
}

/// The same with at most so many windows, each about what the one before found: one is good to some hundredths of a pixel.
pub(super) fn fit_saddle_within(
    gray: &GrayImage,
    start: PixelPoint,
    axes_px_per_square: [[f64; 2]; 2],
    top_left_black: bool,
    rim_squares: f64,
    windows: usize,
) -> Option<Saddle> {
    let [eu, ev] = axes_px_per_square;
    let (lu, lv) = (eu[0].hypot(eu[1]), ev[0].hypot(ev[1]));
    let det = eu[0] * ev[1] - eu[1] * ev[0];
    if lu.min(lv) * REACH_SQUARES < LEAST_REACH_PX || det.abs() < 0.1 * lu * lv {
        return None;
    }
    let reach = [REACH_SQUARES.min(REACH_PX / lu), REACH_SQUARES.min(REACH_PX / lv)];
    // Distance of a pixel from the two edges in squares: (along v edge) u, (along u edge) v.
    let to_squares = |dx: f64, dy: f64| ((dx * ev[1] - dy * ev[0]) / det, (eu[0] * dy - eu[1] * dx) / det);
    // Perpendicular px of one square's width next to each edge; a pixel and half of blur stays between window and tag.
    let (across_u, across_v) = (det.abs() / lv, det.abs() / lu);
    let white_u = (rim_squares - 2.0 / across_u).max(1.5 / across_u);
    let white_v = (rim_squares - 2.0 / across_v).max(1.5 / across_v);
    let span_x = reach[0] * eu[0].abs() + reach[1] * ev[0].abs();
    let span_y = reach[0] * eu[1].abs() + reach[1] * ev[1].abs();
    let (w, h) = (f64::from(gray.width()), f64::from(gray.height()));

    let mut p = SVector::<f64, FREE>::zeros();
    (p[0], p[1]) = (start.x_px, start.y_px);
    p[2] = eu[1].atan2(eu[0]);
    p[3] = ev[1].atan2(ev[0]);
    p[4] = 1.0;
    let sign = if top_left_black { -1.0 } else { 1.0 };
    // d1 > 0 below the u edge, d2 > 0 right of the v edge when eu, ev are right-handed (y down).
    let hand = det.signum();

    let mut last = None;
    let mut samples: Vec<Sample> = Vec::new();
    // The last window's centre; of one with all rows only.
    let mut at: Option<(f64, f64)> = None;
    for round in 0..windows {
        let (cx, cy) = (p[0], p[1]);
        // A window that moves by a fiftieth of a pixel holds the same pixels but for a few at its rim.
        if at.is_some_and(|a| (cx - a.0).hypot(cy - a.1) < SETTLED_PX) {
            break;
        }
        let thinned = round == 0 && windows > 1 && 4.0 * span_x * span_y >= THINNED_PX;
        at = (!thinned).then_some((cx, cy));
        if !(cx.is_finite() && cy.is_finite())
            || cx - span_x < 0.0
            || cy - span_y < 0.0
            || cx + span_x > w - 1.0
            || cy + span_y > h - 1.0
        {
            return None;
        }
        samples.clear();
        let raw = gray.as_raw();
        let stride = gray.width() as usize;
        let (mut lo, mut hi) = (f64::MAX, f64::MIN);
        let rows = (cy - span_y).ceil() as usize..=(cy + span_y).floor() as usize;
        for y in rows.step_by(if thinned { 2 } else { 1 }) {
            for x in (cx - span_x).ceil() as usize..=(cx + span_x).floor() as usize {
                let (dx, dy) = (x as f64 - cx, y as f64 - cy);
                let (u, v) = to_squares(dx, dy);
                if u.abs() > reach[0] || v.abs() > reach[1] {
                    continue;
                }
                let black = (u * v > 0.0) == top_left_black;
                if black || u.abs() < white_u || v.abs() < white_v {
                    let g = f64::from(raw[y * stride + x]);
                    (lo, hi) = (lo.min(g), hi.max(g));
                    samples.push((x as f64, y as f64, g));
                }
            }
        }
        if samples.len() < 3 * FREE || hi - lo < 16.0 {
            return None;
        }
        if round == 0 {
            p[5] = 0.5 * (hi + lo);
            p[6] = 0.5 * (hi - lo) * sign;
        }
        last = Some(adjust(&samples, &mut p, hand, cx, cy)?);
    }
    let ((variance, cov), middle) = (last?, at?);
    let moved = to_squares(p[0] - start.x_px, p[1] - start.y_px);
    let contrast = p[6] * sign;
    let turned = |a: f64, b: [f64; 2]| {
        let d = a - b[1].atan2(b[0]);
        d.sin().abs() > 0.35
    };
    if moved.0.abs() > 0.25 || moved.1.abs() > 0.25 || contrast < 8.0 || turned(p[2], eu) || turned(p[3], ev) {
        return None;
    }
    if p[4] > 0.35 * lu.min(lv) {
        return None;
    }
    // What the model leaves must be small against the step, or this is not a clean corner.
    let most = MOST_LEFT * contrast;
    let place = |x: f64, y: f64| {
        let (u, v) = to_squares(x - middle.0, y - middle.1);
        (0.5 + 0.5 * u / reach[0], 0.5 + 0.5 * v / reach[1])
    };
    let u_of = |c: &Normal| (0.5 * (c[(0, 0)] + c[(1, 1)])).sqrt();
    let u = if variance.sqrt() <= most {
        u_of(&cov)
    } else {
        let rest = Rest::of(&samples, &p, hand, middle, place).filter(|r| r.is_noise(most))?;
        Some(u_of(&rest.covariance)).filter(|u| *u <= LARGEST_U_PX)?
    };
    u.is_finite().then_some(Saddle { point: PixelPoint::new(p[0], p[1]), u_px: u, blur_px: p[4], contrast })
}

/// A pixel's place and grey value.
pub(super) type Sample = (f64, f64, f64);
pub(super) type Params = SVector<f64, FREE>;
pub(super) type Normal = SMatrix<f64, FREE, FREE>;

/// Levenberg-Marquardt on one window; residual variance and covariance of the parameters.
fn adjust(samples: &[Sample], p: &mut Params, hand: f64, cx: f64, cy: f64) -> Option<(f64, Normal)> {
    let n = samples.len() as f64;
    let (mut best, mut jtj, mut jtr) = normal(samples, p, hand, cx, cy);
    let mut damping = 1e-3;
    for _ in 0..25 {
        let mut a = jtj;
        for i in 0..FREE {
            a[(i, i)] *= 1.0 + damping;
            a[(i, i)] += 1e-12;
        }
        let step = a.cholesky()?.solve(&jtr);
        let mut q = *p + step;
        q[4] = q[4].clamp(0.2, 12.0);
        let (cost, jj, jr) = normal(samples, &q, hand, cx, cy);
        if cost < best {
            let small = (best - cost) < 1e-7 * best && step[0].hypot(step[1]) < 1e-4;
            (*p, best, jtj, jtr) = (q, cost, jj, jr);
            damping = (damping * 0.3).max(1e-9);
            if small {
                break;
            }
        } else {
            damping *= 8.0;
            if damping > 1e6 {
                break;
            }
        }
    }
    let variance = best / (n - FREE as f64).max(1.0);
    let cov = jtj.try_inverse()? * variance;
    Some((variance, cov))
}

/// Sums over pixels away from both edges; `r` is the grey value less the slopes' part.
#[derive(Clone, Copy, Default)]
struct Flat {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    r: f64,
    rx: f64,
    ry: f64,
    rr: f64,
}

impl Flat {
    fn take(&mut self, x: f64, y: f64, r: f64) {
        self.n += 1.0;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
        self.r += r;
        self.rx += r * x;
        self.ry += r * y;
        self.rr += r * r;
    }
}

/// Pixels near an edge that are taken together.
const TOGETHER: usize = 64;
/// Numbers of a pixel's row: its derivatives, its residual, and what fills a vector.
const ROW: usize = 12;
const RESIDUAL: usize = FREE;

/// Pixels near an edge: from the window's middle, from the crossing, from the edges, and their grey value.
struct Near {
    count: usize,
    from_middle: [[f64; TOGETHER]; 2],
    from_crossing: [[f64; TOGETHER]; 2],
    from_edges: [[f64; TOGETHER]; 2],
    grey: [f64; TOGETHER],
    rows: [[f64; ROW]; TOGETHER],
    /// Sums of products of the rows' numbers: those right of the diagonal, and what lies beside them in a vector.
    sums: [[f64; ROW]; ROW],
}

impl Near {
    fn new() -> Self {
        let (none, sums) = ([0.0; TOGETHER], [[0.0; ROW]; ROW]);
        let (twice, rows) = ([none; 2], [[0.0; ROW]; TOGETHER]);
        Self { count: 0, from_middle: twice, from_crossing: twice, from_edges: twice, grey: none, rows, sums }
    }

    /// Takes the pixels at hand into the sums.
    #[inline(always)]
    fn sum_up(&mut self, p: &Params, hand: f64) {
        let sigma = p[4];
        let k = 1.0 / (std::f64::consts::SQRT_2 * sigma);
        let slope = 2.0 / std::f64::consts::PI.sqrt() * k;
        let ((s1, c1), (s2, c2)) = (p[2].sin_cos(), p[3].sin_cos());
        let (mut e1, mut g1, mut e2, mut g2) = ([0.0; TOGETHER], [0.0; TOGETHER], [0.0; TOGETHER], [0.0; TOGETHER]);
        for i in 0..TOGETHER {
            (e1[i], g1[i]) = step(k * self.from_edges[0][i]);
            (e2[i], g2[i]) = step(k * self.from_edges[1][i]);
        }
        for i in 0..TOGETHER {
            let (x, y) = (self.from_middle[0][i], self.from_middle[1][i]);
            let (dx, dy) = (self.from_crossing[0][i], self.from_crossing[1][i]);
            let (d1, d2) = (self.from_edges[0][i], self.from_edges[1][i]);
            // s > 0 where d1 d2 > 0: the top-left and bottom-right squares.
            let s = e1[i] * e2[i];
            let r = self.grey[i] - (p[5] + p[6] * s + p[7] * s * s + p[8] * x + p[9] * y);
            let ds = p[6] + 2.0 * p[7] * s;
            let (a1, a2) = (ds * slope * g1[i] * e2[i], ds * slope * g2[i] * e1[i]);
            self.rows[i] = [
                hand * (a1 * s1 - a2 * s2),
                hand * (-a1 * c1 + a2 * c2),
                -a1 * hand * (c1 * dx + s1 * dy),
                a2 * hand * (c2 * dx + s2 * dy),
                -(a1 * d1 + a2 * d2) / sigma,
                1.0,
                s,
                s * s,
                x,
                y,
                r,
                0.0,
            ];
        }
        let rows = &self.rows[..self.count];
        products::<12>(rows, 0, &mut self.sums);
        products::<8>(rows, 4, &mut self.sums);
        products::<4>(rows, 8, &mut self.sums);
        self.count = 0;
    }
}

/// Adds products of four numbers of each row, from `first` on, with its last N: their sums stay in registers.
#[inline(always)]
fn products<const N: usize>(rows: &[[f64; ROW]], first: usize, to: &mut [[f64; ROW]; ROW]) {
    let mut sums = [[0.0; N]; 4];
    for row in rows {
        for (k, sums) in sums.iter_mut().enumerate() {
            let v = row[first + k];
            for (sum, u) in sums.iter_mut().zip(&row[ROW - N..]) {
                *sum += v * u;
            }
        }
    }
    for (to, sums) in to[first..].iter_mut().zip(sums) {
        to[ROW - N..].iter_mut().zip(sums).for_each(|(t, s)| *t += s);
    }
}

pub(super) fn normal(samples: &[Sample], p: &Params, hand: f64, cx: f64, cy: f64) -> (f64, Normal, Params) {
    widest(
        #[inline(always)]
        || normal_of(samples, p, hand, cx, cy),
    )
}

#[inline(always)]
fn normal_of(samples: &[Sample], p: &Params, hand: f64, cx: f64, cy: f64) -> (f64, Normal, Params) {
    let far = OVER * std::f64::consts::SQRT_2 * p[4];
    let ((s1, c1), (s2, c2)) = (p[2].sin_cos(), p[3].sin_cos());
    // Away from both edges only level and slopes are at work: sums by the sign of s.
    let mut flat = [Flat::default(); 2];
    let mut near = Near::new();
    for &(x, y, g) in samples {
        let (dx, dy) = (x - p[0], y - p[1]);
        let d1 = hand * (-s1 * dx + c1 * dy);
        let d2 = hand * (s2 * dx - c2 * dy);
        if d1.abs() > far && d2.abs() > far {
            let rest = g - (p[8] * (x - cx) + p[9] * (y - cy));
            flat[usize::from(d1 * d2 > 0.0)].take(x - cx, y - cy, rest);
            continue;
        }
        let i = near.count % TOGETHER;
        (near.from_middle[0][i], near.from_middle[1][i]) = (x - cx, y - cy);
        (near.from_crossing[0][i], near.from_crossing[1][i]) = (dx, dy);
        (near.from_edges[0][i], near.from_edges[1][i]) = (d1, d2);
        near.grey[i] = g;
        near.count = i + 1;
        if near.count == TOGETHER {
            near.sum_up(p, hand);
        }
    }
    near.sum_up(p, hand);
    let sums = &near.sums;
    let mut cost = sums[RESIDUAL][RESIDUAL];
    let mut jtj = Normal::from_fn(|a, b| sums[a.min(b)][a.max(b)]);
    let mut jtr = Params::from_fn(|a, _| sums[a][RESIDUAL]);
    for (f, s) in flat.iter().zip([-1.0, 1.0]) {
        let level = p[5] + p[6] * s + p[7];
        cost += f.rr - 2.0 * level * f.r + f.n * level * level;
        // Sum of residuals, and of residuals times x and y.
        let (r, rx, ry) = (f.r - f.n * level, f.rx - level * f.x, f.ry - level * f.y);
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_step_is_good_to_2e_7() {
        // Source: Abramowitz and Stegun, table 7.1.
        for (x, y) in [(0.0, 0.0), (0.5, 0.5204998778), (1.0, 0.8427007929), (2.0, 0.9953222650), (-1.0, -0.8427007929)]
        {
            let (e, gauss) = step(x);
            assert!((e - y).abs() < 2e-7 && (gauss - (-x * x).exp()).abs() < 2e-8, "{x}: {e} {gauss}");
        }
        assert_eq!((step(4.1), step(-9.0)), ((1.0, 0.0), (-1.0, 0.0)));
    }

    /// A crossing of two oblique edges, each pixel the mean of 9 x 9 points, no blur but the pixel's own.
    fn drawn(cx: f64, cy: f64, a1: f64, a2: f64) -> GrayImage {
        GrayImage::from_fn(81, 81, |x, y| {
            let mut sum = 0.0;
            for i in 0..9 {
                for j in 0..9 {
                    let dx = f64::from(x) + (f64::from(i) - 4.0) / 9.0 - cx;
                    let dy = f64::from(y) + (f64::from(j) - 4.0) / 9.0 - cy;
                    let below = -a1.sin() * dx + a1.cos() * dy > 0.0;
                    let right = a2.sin() * dx - a2.cos() * dy > 0.0;
                    sum += if below == right { 30.0 } else { 210.0 };
                }
            }
            image::Luma([(sum / 81.0_f64).round() as u8])
        })
    }

    #[test]
    fn a_drawn_crossing_is_found_to_a_fiftieth_of_a_pixel() {
        for (cx, cy, a1, a2) in [(40.0, 40.0, 0.1, 1.7), (40.31, 39.77, -0.3, 1.2), (39.5, 40.5, 0.8, 2.0)] {
            let im = drawn(cx, cy, a1, a2);
            let eu = [40.0 * f64::cos(a1), 40.0 * f64::sin(a1)];
            let ev = [40.0 * f64::cos(a2), 40.0 * f64::sin(a2)];
            let s = fit_saddle(&im, PixelPoint::new(cx + 3.0, cy - 2.0), [eu, ev], true, 0.125).unwrap();
            let e = s.point.distance_px(PixelPoint::new(cx, cy));
            assert!(e < 0.02, "{e} px off");
            assert!(
                fit_saddle(&im, PixelPoint::new(cx, cy), [eu, ev], false, 0.125).is_none(),
                "wrong colours must be refused"
            );
            assert!(
                fit_saddle(&im, PixelPoint::new(5.0, cy), [eu, ev], true, 0.125).is_none(),
                "outside must be refused"
            );
        }
    }
}
