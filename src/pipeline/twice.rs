//! Are marks of one volley counted in another one again?
//!
//! Old marks that dry, fade or are wiped change the wall where they are, and may be read as new ones. No machine throws several balls of a volley to within a
//! millimetre of where as many of another struck: both volleys then need a look.

use statrs::distribution::{DiscreteCDF, Poisson};

use super::measured::Measured;
use crate::session::flags::FlagWord;
use crate::session::results::Status;

/// Marks this near, as a share of a radius, lie at one place: old marks that were read as new ones lay within 2.3 mm of themselves, 23 mm in radius (another renderer's).
const SAME_RADII: f64 = 0.12;
/// As much of the smaller volley must lie so,
const LEAST_SHARE: f64 = 0.5;
/// and as many must come by chance less often than this: a day has some hundred pairs of volleys.
const BY_CHANCE: f64 = 1e-4;
/// No group is taken for tighter than this, mm.
const LEAST_SCATTER_MM: f64 = 2.0;

/// Asks for a look at volleys whose marks are each other's; `settled` volleys (by their place in the list) a person has looked at.
pub(super) fn look_twice(measured: &mut [Measured], settled: impl Fn(usize) -> bool) {
    let marks: Vec<Vec<[f64; 3]>> = measured.iter().map(places).collect();
    for b in 1..measured.len() {
        for a in 0..b {
            let n = alike(&marks[a], &marks[b]);
            let share = n as f64 / marks[a].len().min(marks[b].len()).max(1) as f64;
            if n == 0 || share < LEAST_SHARE || chance(n, &marks[a], &marks[b]) > BY_CHANCE {
                continue;
            }
            for (own, other) in [(a, b), (b, a)] {
                if !settled(own) {
                    let name = measured[other].volley.row.volley.clone();
                    measured[own].look(
                        FlagWord::Doubtful,
                        format!("{n} of its marks lie where those of volley {name} do, to the millimetre: old marks that dry, fade or were wiped may be taken for new ones; look at the photos of both"),
                    );
                }
            }
        }
    }
}

/// Where a volley's marks are, and their radius, mm; none of a volley without an answer, or of marks whose place sideways is not known.
fn places(m: &Measured) -> Vec<[f64; 3]> {
    let known = m.marks.iter().filter(|k| k.x_known && m.status != Status::Failed);
    known.map(|k| [k.found.x_mm, k.found.y_mm, k.found.radius_mm]).collect()
}

/// How many marks lie where marks of another volley do.
fn alike(a: &[[f64; 3]], b: &[[f64; 3]]) -> usize {
    let same = |p: &[f64; 3], q: &[f64; 3]| (p[0] - q[0]).hypot(p[1] - q[1]) < SAME_RADII * p[2].min(q[2]);
    b.iter().filter(|q| a.iter().any(|p| same(p, q))).count()
}

/// How likely so many pairs lie at one place by chance, or more, where both volleys scatter alike about one middle: two marks of a Gaussian's do with probability
/// r^2 / (4 sx sy), and pairs are so rare that their number is Poisson's.
fn chance(n: usize, a: &[[f64; 3]], b: &[[f64; 3]]) -> f64 {
    let free = (a.len() + b.len()).saturating_sub(2).max(1) as f64;
    let scatter = |axis: usize| {
        let squares = |v: &[[f64; 3]]| {
            let middle = v.iter().map(|p| p[axis]).sum::<f64>() / v.len().max(1) as f64;
            v.iter().map(|p| (p[axis] - middle).powi(2)).sum::<f64>()
        };
        ((squares(a) + squares(b)) / free).sqrt().max(LEAST_SCATTER_MM)
    };
    let radius = a.iter().chain(b).map(|p| p[2]).fold(0.0, f64::max);
    let pairs = (a.len() * b.len()) as f64;
    let expected = pairs * (SAME_RADII * radius).powi(2) / (4.0 * scatter(0) * scatter(1));
    Poisson::new(expected.max(f64::MIN_POSITIVE)).map_or(1.0, |p| p.sf(n.saturating_sub(1) as u64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::render::noise::uniform;

    #[test]
    fn what_lies_at_one_place_is_chance_as_often_as_is_said() {
        // A sum of twelve uniform numbers is near enough to a Gaussian.
        let normal = |i: usize| (0..12).map(|k| uniform(i as i64, k, 5)).sum::<f64>() - 6.0;
        let volley = |v: usize| -> Vec<[f64; 3]> {
            (0..5).map(|k| [8.0 * normal(20 * v + k), 8.0 * normal(20 * v + 10 + k), 14.0]).collect()
        };
        let trials = 4000;
        let pairs: Vec<_> = (0..trials).map(|t| (volley(2 * t), volley(2 * t + 1))).collect();
        // What is said to come in at most a twentieth of all pairs comes in no more of 4000 than that and four standard deviations.
        let rare = pairs.iter().filter(|(a, b)| matches!(alike(a, b), n if n > 0 && chance(n, a, b) < 0.05)).count();
        let most = 0.05 * trials as f64 + 4.0 * (0.05 * 0.95 * trials as f64).sqrt();
        assert!((rare as f64) < most, "{rare} of {trials}, at most {most:.0}");
        assert!(rare > 0);
        let old = volley(7);
        let again: Vec<[f64; 3]> = old.iter().map(|p| [p[0] + 0.5, p[1] - 0.5, p[2]]).collect();
        assert_eq!(alike(&old, &again), 5);
        assert!(chance(5, &old, &again) < BY_CHANCE);
    }
}
