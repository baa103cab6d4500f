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
use nalgebra::SVector;

use super::crossing::{FREE, Normal, Params, Sample, Window};
use super::rest::Rest;
use crate::points::PixelPoint;

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
        let enough = if thinned { Enough { px: SETTLED_PX, share: 0.1 } } else { ENOUGH };
        last = Some(adjust(&samples, &mut p, hand, (cx, cy), enough)?);
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

/// When an adjustment is over: its last step moved the corner by less than `px` and took less than `share` of the misfit. Steps that are hardly damped
/// ([`FREELY`]) shrink at least tenfold near the end, so that what is left is less than a tenth of that.
#[derive(Clone, Copy)]
struct Enough {
    px: f64,
    share: f64,
}

/// Damping below which a step goes nearly all the way.
const FREELY: f64 = 0.1;
/// A tenth of what the best corners are known to; the variance stands to a thousandth.
const ENOUGH: Enough = Enough { px: 1e-3, share: 1e-3 };

/// Levenberg-Marquardt on one window; residual variance and covariance of the parameters.
fn adjust(
    samples: &[Sample],
    p: &mut Params,
    hand: f64,
    (cx, cy): (f64, f64),
    enough: Enough,
) -> Option<(f64, Normal)> {
    let n = samples.len() as f64;
    let mut window = Window::new(samples, p, hand, (cx, cy));
    let (mut best, mut jtj, mut jtr) = window.normal(p);
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
        if !window.holds(&q) {
            window = Window::new(samples, &q, hand, (cx, cy));
        }
        let (cost, jj, jr) = window.normal(&q);
        if cost < best {
            let small = damping < FREELY && (best - cost) < enough.share * best && step[0].hypot(step[1]) < enough.px;
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

#[cfg(test)]
mod tests {
    use super::*;

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
