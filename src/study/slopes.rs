//! How steep is a ladder at one of its rungs, and how well is that known?
//!
//! A machine misses its setpoint by a little: what was seen at the speed read is brought to the setpoint along the ladder's own slope.

use super::doubt::Mean;
use super::input::MPH_PER_MPS;

/// Standard uncertainty of the slope of a setup with one speed only, deg for each mph. Common practice, no source: a
/// ladder falls by some 6 deg over 40 mph, and up to that much steeper where it falls off.
const LONE_SLOPE_U_DEG_PER_MPH: f64 = 0.2;

/// A cell of a ladder, slowest setpoint first: its setpoint, and the mean of the speeds as read.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rung {
    pub setpoint_mps: f64,
    pub speed_mps: f64,
}

/// A gap between two speeds as read that is shorter than this share of their setpoints' says little of a slope: two readings that come near each other
/// by chance, or by a slip of the pen, would make any slope of the shots' scatter.
const SHORTEST_GAP: f64 = 0.5;

/// The slope of a ladder at one of its rungs.
pub(crate) struct LocalSlope {
    /// It is the sum of these times the rungs' angles.
    weights: Vec<f64>,
    /// The part of it, 0 to 1, that gaps too short ([`SHORTEST_GAP`]) leave unknown.
    unknown: f64,
    /// What the angles say of the bend there: the sum of these times them is the slope's change from one side to the other.
    bend_weights: Vec<f64>,
    /// How much of that change the slope may be off, and how much more for each m/s of the way.
    bend: (f64, f64),
}

impl LocalSlope {
    /// At rung `i`, from its neighbours: each side counts by the square of its gap, as in a least-squares line through the three, which equal gaps make the
    /// parabola's slope. At an end the line to the one neighbour; 0 for a lone rung.
    pub(crate) fn of(ladder: &[Rung], i: usize) -> Self {
        let n = ladder.len();
        let mut out = Self { weights: vec![0.0; n], unknown: 1.0, bend_weights: vec![0.0; n], bend: (0.0, 0.0) };
        // Gap as read, and the shortest that counts.
        let gap = |j: usize| match (ladder.get(j), ladder.get(j + 1)) {
            (Some(a), Some(b)) => {
                (b.speed_mps - a.speed_mps, SHORTEST_GAP * (b.setpoint_mps - a.setpoint_mps).max(f64::MIN_POSITIVE))
            }
            _ => (0.0, 0.0),
        };
        let sides: Vec<usize> = [i.checked_sub(1), Some(i)].into_iter().flatten().filter(|j| j + 1 < n).collect();
        let squares: f64 = sides.iter().map(|&j| gap(j).0.powi(2)).sum();
        let least: f64 = sides.iter().map(|&j| gap(j).1.powi(2)).sum();
        if sides.is_empty() {
            return out;
        }
        for &j in &sides {
            let weight = gap(j).0 / squares.max(least);
            out.weights[j] -= weight;
            out.weights[j + 1] += weight;
        }
        out.unknown = 1.0 - (squares / least).min(1.0);
        // The two secants that tell of the bend: on either side, or at an end the nearest two.
        let pair = if sides.len() == 2 { Some(i - 1) } else { (n > 2).then(|| if i == 0 { 0 } else { n - 3 }) };
        let Some(first) = pair else { return out };
        for (j, sign) in [(first, -1.0), (first + 1, 1.0)] {
            let (read, short) = gap(j);
            let weight = sign / read.abs().max(short);
            out.bend_weights[j] -= weight;
            out.bend_weights[j + 1] += weight;
        }
        out.bend = if sides.len() == 2 {
            let (a, b) = (gap(i - 1), gap(i));
            let (ha, hb) = (a.0.abs().max(a.1), b.0.abs().max(b.1));
            ((hb.powi(3) - ha.powi(3)).abs() / (ha * ha + hb * hb) / (ha + hb), 1.0 / (ha + hb))
        } else {
            // Half the change from this secant to the next.
            (0.5, 0.0)
        };
        out
    }

    fn at(&self, angles: impl Iterator<Item = f64>) -> f64 {
        self.weights.iter().zip(angles).map(|(w, v)| w * v).sum()
    }

    /// Variance that bringing rung `i` to its setpoint adds, when it was read `off_mps` above it: of the slope, which rests on this angle too; of the bend;
    /// and of what gaps too short leave unknown, [`LONE_SLOPE_U_DEG_PER_MPH`].
    pub(crate) fn variance(&self, means: &[&Mean], i: usize, off_mps: f64) -> f64 {
        let parts = self.weights.iter().zip(means).map(|(w, m)| (off_mps * w).powi(2) * m.own_var()).sum::<f64>();
        let own = self.weights.get(i).zip(means.get(i)).map_or(0.0, |(w, m)| -2.0 * off_mps * w * m.own_var());
        let change: f64 = self.bend_weights.iter().zip(means).map(|(w, m)| w * m.value).sum();
        let bend = off_mps * change * (self.bend.0 + self.bend.1 * off_mps.abs());
        let unknown = self.unknown * off_mps * (LONE_SLOPE_U_DEG_PER_MPH * MPH_PER_MPS).to_radians();
        (parts + own).max(0.0) + bend * bend + unknown * unknown
    }
}

/// Slope of a ladder at each of its rungs, with what tells of its doubt.
pub(crate) fn local_slopes(ladder: &[Rung], angles: &[f64]) -> Vec<(f64, LocalSlope)> {
    let of = |i: usize| LocalSlope::of(ladder, i);
    (0..ladder.len()).map(of).map(|s| (s.at(angles.iter().copied()), s)).collect()
}

#[cfg(test)]
mod tests {
    use super::super::doubt::KNOWN;
    use super::*;

    /// Rungs read as they were set.
    fn rungs(speeds: &[f64]) -> Vec<Rung> {
        speeds.iter().map(|&v| Rung { setpoint_mps: v, speed_mps: v }).collect()
    }

    #[test]
    fn slopes_of_a_parabola_are_exact_where_gaps_are_equal() {
        let speeds = [1.0, 2.0, 3.0, 4.0];
        let of: Vec<f64> = local_slopes(&rungs(&speeds), &speeds.map(|x| x * x)).iter().map(|s| s.0).collect();
        assert_eq!(of, [3.0, 4.0, 6.0, 7.0]);
        assert_eq!(local_slopes(&rungs(&[1.0]), &[2.0])[0].0, 0.0);
        assert!(local_slopes(&[], &[]).is_empty());
        // A straight ladder has its slope everywhere, whatever was read.
        let read = [1.0, 2.1, 2.2, 3.9, 5.0];
        let ladder: Vec<Rung> =
            read.iter().enumerate().map(|(i, &v)| Rung { setpoint_mps: 1.0 + i as f64, speed_mps: v }).collect();
        for (value, local) in local_slopes(&ladder, &read.map(|x| 7.0 - 2.0 * x)) {
            assert!((value + 2.0).abs() < 1e-12 && local.unknown == 0.0, "{value}");
        }
    }

    #[test]
    fn readings_that_come_near_each_other_make_no_slope_of_their_scatter() {
        // The second was set at 12 and read at 13.99, next to the third's 14: a digit is wrong, or the machine missed.
        let mut ladder = rungs(&[10.0, 12.0, 14.0, 16.0]);
        ladder[1].speed_mps = 13.99;
        let angles = [16.0, 15.6, 14.0, 13.0];
        let of: Vec<f64> = local_slopes(&ladder, &angles).iter().map(|s| s.0).collect();
        assert!(of.iter().all(|s| (-1.0..=0.0).contains(s)), "{of:?}");
        // All of a pair within a hundredth: hardly a slope, and its doubt is that of a lone speed.
        let mut pair = rungs(&[10.0, 12.0]);
        pair[1].speed_mps = 10.01;
        let (slope, local) = local_slopes(&pair, &[16.0, 15.0]).remove(1);
        assert!(slope.abs() < 0.02 && local.unknown > 0.99, "{slope}");
        let known = Mean::default();
        let u = local.variance(&[&known, &known], 1, -1.99).sqrt() / (0.2f64.to_radians() * MPH_PER_MPS * 1.99);
        assert!((u - 1.0).abs() < 0.01, "{u}");
    }

    #[test]
    fn what_bringing_to_a_speed_adds() {
        let mean = |value: f64, var: f64| {
            let mut m = Mean { value, ..Mean::default() };
            m.add_own(KNOWN, var);
            m
        };
        let means = [mean(3.0, 1e-4), mean(2.0, 2e-4), mean(0.0, 3e-4)];
        let refs: Vec<&Mean> = means.iter().collect();
        let of = |speeds: &[f64], i: usize, off: f64| {
            LocalSlope::of(&rungs(speeds), i).variance(&refs[..speeds.len()], i, off)
        };
        // By hand: secants -0.5 and -1: the bend is 0.25 at either end; spans 2, 4, 2; the end's own angle stands in its slope with -1/2 or +1/2. In
        // the middle equal gaps leave of the bend 0.5 / 4 for each m/s of the way.
        let by_hand = [
            0.01 * (3e-4 / 4.0 + 0.0625) + 0.1 * 1e-4,
            0.01 * 4e-4 / 16.0 + (0.1 * 0.5 * 0.1 / 4.0_f64).powi(2),
            0.01 * (5e-4 / 4.0 + 0.0625) - 0.1 * 3e-4,
        ];
        for (i, want) in by_hand.into_iter().enumerate() {
            let found = of(&[10.0, 12.0, 14.0], i, 0.1);
            assert!((found - want.max(0.01 * 0.0625 * f64::from(i == 2))).abs() < 1e-12, "{i}: {found} {want}");
        }
        let two = of(&[10.0, 12.0], 0, 0.1);
        assert!((two - 0.01 * 3e-4 / 4.0 - 0.1 * 1e-4).abs() < 1e-12, "two speeds show no bend");
        // 1 mph off.
        assert!((of(&[10.0], 0, 1.0 / MPH_PER_MPS).sqrt() - 0.2f64.to_radians()).abs() < 1e-12);
    }
}
