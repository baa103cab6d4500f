//! Does all of the wall take marks alike?
//!
//! A ball does not reach into a joint that lies back, and chalk does not hold on everything. What a mark lacks there says nothing of where the ball
//! struck, yet it would be read as the mark's outline. Pixels are therefore told by how they differ from the wall about them before the shots, in
//! brightness and in colour; how much of a mark those that differ take is learned from the session's own marks, and those that take clearly less than the
//! rest are left out.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::fit::{FittedMark, nearest_mark};
use super::patch::{Patch, RawPatch};
use super::shape::{MarkShape, spread};

/// How a pixel may differ from the wall about it, in brightness and in red over blue, as log ratios: least of each step. Less is the wall's own kind: grain,
/// which a mark goes over.
const STEPS: [f32; 5] = [0.15, 0.2, 0.3, 0.5, 0.8];
/// Added to linear values before the logarithm: below it photos are noise.
const FLOOR: f32 = 0.004;
/// The wall about a pixel: blocks to each side, and a block's side, usual radii. Three radii across hold more brick than joints.
const BLOCKS: usize = 6;
const BLOCK_RADII: f64 = 0.25;
/// A joint is narrower than this many blocks on the way to both of its sides.
const SIDES: i64 = 3;
/// Directions in which pixels differ, in the plane of brightness and colour: away from where marks take the wall, and to either side of that way. What
/// differs as marks do is an old mark.
const DIRECTIONS: usize = 3;
/// Radii about a mark within which the wall must be known to tell what it takes: its reach, what is beside that, and a block.
const NEAR: f64 = 3.0;
/// Pixels this near a mark, radii, may be part of it.
const REACH: f64 = 1.5;
/// Least pixels of the wall's own kind, and of another, for a mark to tell how much of it that kind takes.
const LEAST_OWN: usize = 15;
const LEAST_OTHER: usize = 4;
/// Least marks that tell a kind's share.
const LEAST_MARKS: usize = 3;
/// Pixels that take less than this share are left out, where the median over marks says so by two of its standard errors: what takes more is texture.
const TOO_LITTLE: f64 = 0.7;
const CLEARLY: f64 = 2.0;
/// Least scatter of a mark's share that is believed in few marks.
const LEAST_SCATTER: f64 = 0.15;
/// A Gaussian's median's standard error over its mean's.
const SE_OF_MEDIAN: f64 = 1.2533;

/// Which pixels take too little of a mark.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Takes {
    /// The usual mark's radius, mm: how far about a pixel the wall is.
    radius_mm: f64,
    /// The marks' colour, linear RGB.
    colour: [f32; 3],
    /// By direction: the first of [`STEPS`] from which on pixels take too little.
    too_little: [Option<f32>; DIRECTIONS],
}

/// Sum of shares and how many pixels.
type Sum = (f64, usize);

impl Takes {
    /// From patches of marks that were fitted.
    pub(super) fn learn<'a>(
        fits: &[(&'a RawPatch, &'a Patch, &'a [FittedMark])],
        shape: &MarkShape,
        colour: [f32; 3],
    ) -> Self {
        let of_patch = |&(raw, patch, marks): &(&RawPatch, &Patch, &[FittedMark])| {
            // By direction and least step: each mark's share.
            let mut shares: [[Vec<f64>; STEPS.len()]; DIRECTIONS] = Default::default();
            let about = About::of(raw, shape.radius_mm.0, colour, Some(marks));
            let mut own: Vec<Sum> = vec![(0.0, 0); marks.len()];
            let mut other: Vec<[[Sum; STEPS.len()]; DIRECTIONS]> = vec![Default::default(); marks.len()];
            for i in 0..patch.opacity.len() {
                let nearest = nearest_mark(marks, patch.wall_mm[i]);
                let Some((k, _)) = nearest.filter(|n| n.1 < REACH && patch.sigma[i].is_finite()) else { continue };
                if !shape.counts(&marks[k]) {
                    continue;
                }
                let Some(expected) = about.between(patch, i, 0.5 * marks[k].strength) else { continue };
                let share = patch.opacity[i] / expected;
                let differs = about.differs(i);
                if about.is_own(i) {
                    own[k] = (own[k].0 + share, own[k].1 + 1);
                }
                for (sums, d) in other[k].iter_mut().zip(differs) {
                    for (sum, _) in sums.iter_mut().zip(STEPS).filter(|(_, step)| d > *step) {
                        *sum = (sum.0 + share, sum.1 + 1);
                    }
                }
            }
            for (own, other) in own.iter().zip(&other).filter(|(own, _)| own.1 >= LEAST_OWN && own.0 > 0.0) {
                let own = own.0 / own.1 as f64;
                for (shares, (sum, n)) in shares.as_flattened_mut().iter_mut().zip(other.as_flattened()) {
                    if *n >= LEAST_OTHER {
                        shares.push(sum / *n as f64 / own);
                    }
                }
            }
            shares
        };
        let each: Vec<_> = fits.par_iter().map(of_patch).collect();
        let too_little = std::array::from_fn(|d| {
            let clear = |k: &usize| clearly_less(each.iter().flat_map(|s| s[d][*k].iter().copied()).collect());
            (0..STEPS.len()).find(clear).map(|k| STEPS[k])
        });
        Self { radius_mm: shape.radius_mm.0, colour, too_little }
    }

    /// Whether all of the wall takes marks.
    pub fn all(&self) -> bool {
        self.too_little.iter().all(Option::is_none)
    }

    /// Opacity for a mark colour (linear RGB in full light), unknown where pixels take too little.
    pub fn opacity(&self, raw: &RawPatch, colour: [f32; 3]) -> Patch {
        raw.opacity_but(colour, &self.left_out(raw))
    }

    /// Pixels of a patch that take too little; empty where all take marks.
    pub fn left_out(&self, raw: &RawPatch) -> Vec<bool> {
        if self.all() {
            return Vec::new();
        }
        let about = About::of(raw, self.radius_mm, self.colour, None);
        let out =
            |i: usize| self.too_little.iter().zip(about.differs(i)).any(|(least, d)| least.is_some_and(|l| d > l));
        (0..raw.expected.len()).map(out).collect()
    }
}

/// Whether these shares are clearly less than [`TOO_LITTLE`].
fn clearly_less(shares: Vec<f64>) -> bool {
    let n = shares.len();
    if n < LEAST_MARKS {
        return false;
    }
    let (middle, scatter) = spread(shares);
    middle + CLEARLY * SE_OF_MEDIAN * scatter.max(LEAST_SCATTER) / (n as f64).sqrt() < TOO_LITTLE
}

/// A patch's pixels before the shots, and the wall about them.
struct About {
    /// Brightness and red over blue, logarithms, each pixel's smoothed over 3 x 3; NaN where unknown.
    own: Vec<[f32; 2]>,
    width: usize,
    /// The same of the wall about each block.
    wall: Vec<[f32; 2]>,
    block: usize,
    across: usize,
    /// The same of the marks' colour.
    mark: [f32; 2],
}

/// Brightness and red over blue of a linear colour, logarithms.
fn bright_and_red(colour: [f32; 3]) -> [f32; 2] {
    let ln = colour.map(|v| (v.max(0.0) + FLOOR).ln());
    [(ln[0] + ln[1] + ln[2]) / 3.0, ln[0] - ln[2]]
}

impl About {
    /// The wall is known everywhere, or only near some marks.
    fn of(raw: &RawPatch, radius_mm: f64, colour: [f32; 3], only: Option<&[FittedMark]>) -> Self {
        let (w, h) = (raw.width, raw.height);
        let own: Vec<[f32; 2]> = (0..w * h)
            .map(|i| {
                let (x, y) = (i % w, i / w);
                let (mut sum, mut n) = ([0.0f32; 3], 0.0);
                for yy in y.saturating_sub(1)..(y + 2).min(h) {
                    for e in &raw.expected[yy * w..][x.saturating_sub(1)..(x + 2).min(w)] {
                        if e[0].is_finite() {
                            (0..3).for_each(|c| sum[c] += e[c]);
                            n += 1.0;
                        }
                    }
                }
                let shade = raw.shade.get(i).copied().unwrap_or([1.0; 3]);
                if n == 0.0 {
                    return [f32::NAN; 2];
                }
                bright_and_red(std::array::from_fn(|c| sum[c] / n / shade[c].max(0.02)))
            })
            .collect();
        let block = ((BLOCK_RADII * radius_mm / raw.mm_per_px).round() as usize).max(2);
        let (across, down) = (w.div_ceil(block), h.div_ceil(block));
        let median = |mut v: Vec<f32>| {
            let k = v.len() / 2;
            if v.is_empty() { f32::NAN } else { *v.select_nth_unstable_by(k, f32::total_cmp).1 }
        };
        let each: Vec<[f32; 2]> = (0..across * down)
            .map(|b| {
                let (x0, y0) = (b % across * block, b / across * block);
                let rows = y0..(y0 + block).min(h);
                let of = |c: usize| {
                    let values = rows.clone().flat_map(|y| &own[y * w + x0..y * w + (x0 + block).min(w)]);
                    median(values.map(|v| v[c]).filter(|v| v.is_finite()).collect())
                };
                [of(0), of(1)]
            })
            .collect();
        let wall = (0..across * down)
            .map(|b| {
                let (x, y) = (b % across, b / across);
                let middle = (y * block).min(h - 1) * w + (x * block).min(w - 1);
                let at = raw.wall_mm[middle];
                let near = |m: &FittedMark| (at[0] - m.x_mm).hypot(at[1] - m.y_mm) < NEAR * m.radius_mm.max(radius_mm);
                if only.is_some_and(|marks| !marks.iter().any(near)) {
                    return [f32::NAN; 2];
                }
                let rows = y.saturating_sub(BLOCKS)..(y + BLOCKS + 1).min(down);
                let of = |c: usize| {
                    let row = |y: usize| &each[y * across..][x.saturating_sub(BLOCKS)..(x + BLOCKS + 1).min(across)];
                    median(rows.clone().flat_map(row).map(|v| v[c]).filter(|v| v.is_finite()).collect())
                };
                [of(0), of(1)]
            })
            .collect();
        Self { own, width: w, wall, block, across, mark: bright_and_red(colour) }
    }

    /// How far a pixel differs from the wall about it away from where marks take that, and to either side; NaN where that is not known.
    fn differs(&self, i: usize) -> [f32; DIRECTIONS] {
        let wall = self.wall[i / self.width / self.block * self.across + i % self.width / self.block];
        let from_wall = |v: [f32; 2]| [v[0] - wall[0], v[1] - wall[1]];
        let (d, m) = (from_wall(self.own[i]), from_wall(self.mark));
        let length = m[0].hypot(m[1]).max(f32::MIN_POSITIVE);
        let along = (d[0] * m[0] + d[1] * m[1]) / length;
        let beside = (d[1] * m[0] - d[0] * m[1]) / length;
        [-along, beside, -beside]
    }

    /// Whether it is of the wall's own kind.
    fn is_own(&self, i: usize) -> bool {
        self.differs(i).iter().all(|d| *d <= STEPS[0])
    }

    /// What a pixel's opacity would be if it took as much as the wall's own pixels to both of its sides do, at most [`SIDES`] blocks away: the largest mean
    /// of the most opaque ones of two opposite sides; `None` where no such two are more opaque than `least`.
    fn between(&self, patch: &Patch, i: usize, least: f64) -> Option<f64> {
        let (w, h) = (self.width as i64, (self.own.len() / self.width) as i64);
        let (x, y) = (i as i64 % w, i as i64 / w);
        let side = |dx: i64, dy: i64| {
            let at = |d: i64| (x + d * dx, y + d * dy);
            let inside = |&(x, y): &(i64, i64)| x >= 0 && y >= 0 && x < w && y < h;
            let places = (1..=SIDES * self.block as i64).map(at).filter(inside).map(|(x, y)| (y * w + x) as usize);
            let own = places.filter(|&j| self.is_own(j) && patch.sigma[j].is_finite());
            own.map(|j| patch.level[j]).max_by(f64::total_cmp).filter(|l| *l > least)
        };
        let pairs = [(1, 0), (0, 1), (1, 1), (1, -1)];
        let means = pairs.iter().filter_map(|&(dx, dy)| Some(0.5 * (side(dx, dy)? + side(-dx, -dy)?)));
        means.max_by(f64::total_cmp)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::marks::sample::uniform;

    const BRICK: [f32; 3] = [0.37, 0.18, 0.12];
    const MORTAR: [f32; 3] = [0.30, 0.28, 0.26];
    const CHALK: [f32; 3] = [0.75; 3];
    const SIDE: usize = 60;

    fn grain(i: usize) -> f32 {
        uniform(i) as f32
    }

    /// Brick with a joint 5 mm wide, 1 mm a pixel, and a mark of radius 13 mm, which lies as far from the joint as is said; the joint takes this share of it.
    fn patch(joint_mm: f64, share: f32) -> RawPatch {
        let place = |i: usize| [(i % SIDE) as f64 - 29.5, 29.5 - (i / SIDE) as f64];
        let in_joint = |i: usize| (place(i)[1] - joint_mm).abs() < 2.5;
        let before = |i: usize| {
            let of = if in_joint(i) { MORTAR } else { BRICK };
            of.map(|v| v * (1.0 + 0.1 * grain(i)))
        };
        let after = |i: usize| {
            let on = place(i)[0].hypot(place(i)[1]) < 13.0;
            let takes = if in_joint(i) { share } else { 1.0 };
            let a = if on { 0.4 * takes * (1.0 + 0.3 * grain(i + 77_777)) } else { 0.0 };
            let b = before(i);
            std::array::from_fn(|c| b[c] + a * (CHALK[c] - b[c]))
        };
        RawPatch {
            origin: (0, 0),
            step: 1,
            width: SIDE,
            height: SIDE,
            after: (0..SIDE * SIDE).map(after).collect(),
            expected: (0..SIDE * SIDE).map(before).collect(),
            light_u: Vec::new(),
            shade: Vec::new(),
            wall_mm: (0..SIDE * SIDE).map(place).collect(),
            quiet: (0..SIDE * SIDE).map(|i| place(i)[0].hypot(place(i)[1]) > 16.0).collect(),
            masked: vec![false; SIDE * SIDE],
            mm_per_px: 1.0,
        }
    }

    fn learned(share: f32) -> Takes {
        let raw: Vec<RawPatch> = [-8.0, -5.0, -2.0, 1.0, 4.0, 6.0].map(|joint| patch(joint, share)).into();
        let patches: Vec<Patch> = raw.iter().map(|r| r.opacity(CHALK)).collect();
        let mut shape = MarkShape::plain((15.0, 45.0));
        shape.radius_mm.0 = 13.0;
        let mark = [FittedMark::disc(0.0, 0.0, 13.0, 0.4)];
        let fits: Vec<_> = raw.iter().zip(&patches).map(|(r, p)| (r, p, mark.as_slice())).collect();
        Takes::learn(&fits, &shape, CHALK)
    }

    #[test]
    fn joints_that_take_no_mark_are_left_out_and_others_are_not() {
        for share in [1.0, 0.8] {
            assert!(learned(share).all(), "{share}");
        }
        for share in [0.0, 0.3] {
            let takes = learned(share);
            assert!(!takes.all(), "{share}");
            let raw = patch(4.0, share);
            let out = takes.left_out(&raw);
            let lines = |from: usize, to: usize| {
                (from..to).flat_map(|y| &out[y * SIDE..(y + 1) * SIDE]).filter(|o| **o).count() as f64
                    / ((to - from) * SIDE) as f64
            };
            // The joint is in lines 23 to 27; its edges' smoothed pixels may be left out with it.
            assert!(lines(24, 27) > 0.95 && lines(0, 21) < 0.02 && lines(30, SIDE) < 0.02, "{share}");
            assert!(takes.opacity(&raw, CHALK).sigma[25 * SIDE + 30].is_infinite());
        }
    }
}
