//! What does one mark of this session look like?
//!
//! A ball leaves a disc that is darkest near its rim or even all over, ragged inside. [`MarkShape`] holds the
//! mean opacity as a function of the distance from the centre over the radius, how strongly single marks
//! scatter about it (texture), over how many pixels that scatter hangs together, and the usual size and
//! strength. It starts from a plain disc and is learned from the session's own marks.

use serde::{Deserialize, Serialize};

use super::fit::{FittedMark, TILT, WAVE_ORDERS};
use super::patch::{Patch, RawPatch};
use super::relief::both_sides;
use super::takes::Takes;

/// Knots of the profile: step in rho and how many.
pub const STEP: f64 = 0.05;
/// Last knot: rho = 1.6, where nothing of a mark is left.
pub const KNOTS: usize = 33;
/// Least marks that teach what marks look like.
pub(super) const LEAST_MARKS: usize = 3;
/// A mark must be at least this strong against the usual one to be a mark.
const LEAST_STRENGTH: f64 = 0.12;
/// A mark must not be farther from the usual radius than this many standard deviations: a Gaussian has one such in sixteen thousand. Two
/// balls in one place make a mark of some three; a shadow's edge between two photos makes one of more than four.
const MOST_OFF_SD: f64 = 4.0;
/// Rho up to which a profile is learned.
pub const WINDOW: f64 = (KNOTS - 1) as f64 * STEP;
/// Opacity over strength below which a profile has ended: what is left beyond (up to 0.006 of a strength of 0.4, in renderings) is noise of the
/// learning, and a mark that ends at 1.25 radii instead of 1.6 has three quarters as many pixels.
const FAINT: f64 = 0.01;
/// Opacity beyond which a pixel counts as part of a mark when shapes are learned, over the mark's strength.
const LEAST_WEIGHT: f64 = 1e-9;

/// Waves of a rim before any are learned: a hand's breadth of raggedness, falling with the order (renderings and photos seen; common practice).
fn plain_waves() -> [f64; WAVE_ORDERS.len()] {
    [0.03, 0.02, 0.015]
}

/// Tilt before any is learned: one side a sixth stronger than the other.
fn plain_tilt() -> f64 {
    0.08
}

/// Marks of balls on walls scatter by a fifth to a third of their strength (renderings and photos seen; common practice).
fn plain_texture() -> f64 {
    0.25
}

/// The same for how far it hangs together, px.
fn plain_grain_px() -> f64 {
    15.0
}

/// What torn marks scatter by, and over how many pixels that hangs together: dust's came to 0.35 to 0.7. Marks were lost from 0.5 and 60 on.
const TORN_TEXTURE: f64 = 0.4;
const TORN_GRAIN_PX: f64 = 30.0;

/// Pixels of a rim that stray together before any are learned: none strays until then.
fn plain_ragged_px() -> f64 {
    1.0
}

/// Pixels that scatter together: the integral over the plane of an autocorrelation given at lags of 0, 1, 2 ... px, up to its first zero.
pub fn grain_px(rho: &[f64]) -> f64 {
    let ring = |(lag, r): (usize, &f64)| std::f64::consts::TAU * lag as f64 * r.min(1.0);
    1.0 + rho.iter().enumerate().skip(1).take_while(|(_, r)| **r > 0.0).map(ring).sum::<f64>()
}

/// Median of some values, and their standard deviation from the median of their distances to it, as if they were a Gaussian's.
pub(super) fn spread(mut v: Vec<f64>) -> (f64, f64) {
    v.sort_by(f64::total_cmp);
    let m = v[v.len() / 2];
    let mut d: Vec<f64> = v.iter().map(|x| (x - m).abs()).collect();
    d.sort_by(f64::total_cmp);
    (m, 1.4826 * d[d.len() / 2])
}

/// The usual mark.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MarkShape {
    /// Mean opacity over strength at rho = 0, 0.05 ... 1.6; 0.5 of the rim's at rho = 1, mean 1 over the disc.
    pub profile: Vec<f64>,
    /// Scatter of opacity about the profile, over the local opacity.
    pub texture: f64,
    /// Pixels that scatter together: the integral of the residuals' autocorrelation.
    pub grain_px: f64,
    /// Scatter of each mark's own opacity about its profile, over that opacity: what shows of it under other marks scatters less.
    #[serde(default = "plain_texture")]
    pub own_texture: f64,
    /// Pixels over which that hangs together.
    #[serde(default = "plain_grain_px")]
    pub own_grain_px: f64,
    /// How far a rim strays from where its waves put it, standard deviation, mm: what single pixels of it have wrong is this times the opacity's slope there.
    #[serde(default)]
    pub ragged_mm: f64,
    /// Pixels of a rim that stray together.
    #[serde(default = "plain_ragged_px")]
    pub ragged_px: f64,
    /// Standard deviation of the rim's waves over the radius, cosine and sine alike, by [`WAVE_ORDERS`].
    #[serde(default = "plain_waves")]
    pub waves: [f64; WAVE_ORDERS.len()],
    /// Standard deviation of the tilt of opacity, across and up alike, per radius.
    #[serde(default = "plain_tilt")]
    pub tilt: f64,
    /// Usual radius, mm, and its standard deviation.
    pub radius_mm: (f64, f64),
    /// Usual strength (mean opacity), and its standard deviation.
    pub strength: (f64, f64),
    /// Scatter of a volley's marks about their mean, across and up, mm; the start is broad.
    pub group_mm: (f64, f64),
    /// Marks that it was learned from.
    pub learned_from: usize,
    /// Which pixels of the wall take too little of a mark to say where it is.
    #[serde(default)]
    pub takes: Takes,
    /// Marks are dents, of which one half is darker and the other paler.
    #[serde(default)]
    pub dents: bool,
    /// Marks are longer than wide as a rule: balls slid along the wall.
    #[serde(default)]
    pub smeared: bool,
}

impl MarkShape {
    /// A plain disc with a somewhat darker rim: the start. `diameter_mm` is the smallest and largest to expect.
    pub fn plain(diameter_mm: (f64, f64)) -> Self {
        let profile = (0..KNOTS)
            .map(|k| {
                let rho = k as f64 * STEP;
                (0.7 + 0.3 * rho.min(1.0).powi(3)) / (1.0 + ((rho - 1.0) / 0.06).exp())
            })
            .collect();
        let mut s = Self {
            profile,
            texture: plain_texture(),
            grain_px: plain_grain_px(),
            own_texture: plain_texture(),
            own_grain_px: plain_grain_px(),
            ragged_mm: 0.0,
            ragged_px: plain_ragged_px(),
            waves: plain_waves(),
            tilt: plain_tilt(),
            radius_mm: (0.25 * (diameter_mm.0 + diameter_mm.1), (diameter_mm.1 - diameter_mm.0) / 8.0),
            strength: (0.4, 0.25),
            group_mm: (50.0, 50.0),
            learned_from: 0,
            takes: Takes::default(),
            dents: false,
            smeared: false,
        };
        s.normalise();
        s
    }

    /// A plain disc of marks in specks and tatters, as dust leaves: each pixel scatters so much that no rim or hole asks for another mark. Learning that
    /// starts with it does not cut such marks into pieces; even ones it would overlook.
    pub fn torn(diameter_mm: (f64, f64)) -> Self {
        let (texture, own_texture) = (TORN_TEXTURE, TORN_TEXTURE);
        let (grain_px, own_grain_px) = (TORN_GRAIN_PX, TORN_GRAIN_PX);
        Self { texture, grain_px, own_texture, own_grain_px, ..Self::plain(diameter_mm) }
    }

    /// A patch's opacity for a mark colour (linear RGB in full light), as such marks show in it.
    pub fn opacity(&self, raw: &RawPatch, colour: [f32; 3]) -> Patch {
        let patch = self.takes.opacity(raw, colour);
        if self.dents { both_sides(patch) } else { patch }
    }

    /// Opacity over strength at rho, and its derivative.
    pub fn at(&self, rho: f64) -> (f64, f64) {
        let t = rho / STEP;
        let k = t as usize;
        if k + 1 >= KNOTS {
            return (0.0, 0.0);
        }
        let f = t - k as f64;
        let (a, b) = (self.profile[k], self.profile[k + 1]);
        (a + f * (b - a), (b - a) / STEP)
    }

    /// Area over which a further mark of a volley may lie, mm^2: that of a Gaussian of the group's scatter
    /// (its entropy's, 2 pi e sx sy) near the group, and the whole wall's 4 m^2, which two balls in a hundred hit, elsewhere.
    pub fn area_mm2(&self, from_group_mm: (f64, f64)) -> f64 {
        let (sx, sy) = self.group_mm;
        let near = 2.0 * std::f64::consts::PI * std::f64::consts::E * sx * sy;
        if self.near_group(from_group_mm) { near } else { 4e6 / 0.02 }
    }

    /// Whether a place so far from the group is within its four standard deviations; of a mark, beyond which one of fifty other balls of its group strikes.
    pub fn near_group(&self, from_group_mm: (f64, f64)) -> bool {
        (from_group_mm.0 / self.group_mm.0).hypot(from_group_mm.1 / self.group_mm.1) < 4.0
    }

    /// Standard deviation of a mode of [`super::fit::FittedMark::modes`].
    pub fn mode_sd(&self, mode: usize) -> f64 {
        if mode >= TILT { self.tilt } else { self.waves[mode / 2] }
    }

    /// Whether a fitted mark is strong enough to be one, and of a size that a ball leaves.
    pub fn counts(&self, m: &FittedMark) -> bool {
        let off = (m.radius_mm - self.radius_mm.0).abs();
        m.strength >= LEAST_STRENGTH * self.strength.0 && off < MOST_OFF_SD * self.radius_mm.1
    }

    /// Beyond this rho a mark has no opacity.
    pub fn reach(&self) -> f64 {
        let beyond = self.profile.iter().rposition(|v| *v > 0.0).map_or(0, |k| k + 1);
        beyond.min(KNOTS - 1) as f64 * STEP
    }

    /// Brings the profile to its convention: half of the outermost maximum at rho = 1, mean 1 over rho <= 1, and its end where only noise is
    /// left of it, so that a mark is not asked for where it has nothing.
    fn normalise(&mut self) {
        let top = (0..KNOTS).max_by(|&a, &b| self.profile[a].total_cmp(&self.profile[b])).unwrap_or(0);
        let half = 0.5 * self.profile[top];
        let edge = (top..KNOTS - 1).find(|&k| self.profile[k] >= half && self.profile[k + 1] < half).map_or(1.0, |k| {
            let (a, b) = (self.profile[k], self.profile[k + 1]);
            (k as f64 + (a - half) / (a - b)) * STEP
        });
        let old = self.clone();
        for k in 0..KNOTS {
            self.profile[k] = old.at(k as f64 * STEP * edge).0;
        }
        let (mut sum, mut area) = (0.0, 0.0);
        for k in 0..200 {
            let rho = (k as f64 + 0.5) / 200.0;
            sum += self.at(rho).0 * rho;
            area += rho;
        }
        let mean = (sum / area).max(1e-6);
        self.profile.iter_mut().for_each(|v| *v /= mean);
        let end = self.profile.iter().rposition(|v| *v >= FAINT).map_or(0, |k| k + 1);
        self.profile.iter_mut().skip(end).for_each(|v| *v = 0.0);
    }

    /// Learns the profile from pixels that one mark has for itself: (rho, opacity / strength, weight).
    pub fn learn_profile(&mut self, samples: impl Iterator<Item = (f64, f64, f64)>) {
        let mut sum = vec![0.0; KNOTS];
        let mut weight = vec![LEAST_WEIGHT; KNOTS];
        for (rho, v, w) in samples {
            let t = rho / STEP;
            let k = t as usize;
            if k + 1 < KNOTS && v.is_finite() {
                let f = t - k as f64;
                for (j, share) in [(k, 1.0 - f), (k + 1, f)] {
                    sum[j] += w * share * v;
                    weight[j] += w * share;
                }
            }
        }
        let full: f64 = weight.iter().sum::<f64>() / KNOTS as f64;
        let raw: Vec<f64> = (0..KNOTS)
            .map(|k| {
                // A knot with little data (the centre) leans on the old profile.
                let lean = 0.02 * full;
                (sum[k] + lean * self.profile[k]) / (weight[k] + lean)
            })
            .collect();
        for k in 0..KNOTS {
            let (a, b) = (raw[k.saturating_sub(1)], raw[(k + 1).min(KNOTS - 1)]);
            self.profile[k] = (0.25 * a + 0.5 * raw[k] + 0.25 * b).max(0.0);
        }
        // Nothing is left at the last knots; the fit's window ends there.
        for (k, cut) in [(KNOTS - 3, 0.5), (KNOTS - 2, 0.25), (KNOTS - 1, 0.0)] {
            self.profile[k] *= cut;
        }
        self.normalise();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_plain_disc_keeps_the_convention() {
        let s = MarkShape::plain((20.0, 40.0));
        let top = s.profile.iter().copied().fold(0.0, f64::max);
        assert!((s.at(1.0).0 - 0.5 * top).abs() < 0.08 * top);
        assert_eq!(s.at(1.7), (0.0, 0.0));
        assert_eq!(s.radius_mm.0, 15.0);
    }

    #[test]
    fn a_ring_is_learned_from_its_pixels() {
        let mut s = MarkShape::plain((20.0, 40.0));
        let ring = |r: f64| {
            if (0.6..1.0).contains(&r) {
                1.0
            } else if r < 0.6 {
                0.4
            } else {
                0.0
            }
        };
        s.learn_profile((0..4000).map(|i| {
            let r = 1.6 * (f64::from(i) + 0.5) / 4000.0;
            (r, ring(r), r)
        }));
        assert!(s.at(0.8).0 > 1.8 * s.at(0.2).0 && s.at(1.2).0 < 0.02);
    }
}
