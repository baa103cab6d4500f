//! Whose are the marks that a later photo shows where something had hidden the wall?
//!
//! They were made by the volleys whose photos did not show the place, or by the one whose photo shows it at last. Marks that
//! those volleys have already are set aside; the rest goes to the volleys that miss shots. Where more than one does, each way to
//! deal them out has the likelihood of the places as groups, about where other volleys let expect them ([`super::expect`]), and a way must be this sure to be taken: else
//! they stay with none, and both volleys say so.

use super::expect::Expected;
use super::judge::{FoundMark, Judged, balls, top_to_bottom};
use crate::marks::shape::MarkShape;

/// Probability that a way to deal the marks out needs.
const SURE: f64 = 0.99;
/// Marks nearer than this are the same, radii: centres of the same mark in two photos lie within a tenth of a radius, half-hidden ones' within half.
const SAME_RADII: f64 = 0.6;
/// The middle of a group of which nothing is known may lie this many of its own scatters away.
const ANYWHERE_SD: f64 = 10.0;
/// Most ways looked at.
const MOST_WAYS: usize = 20_000;

/// A volley that may own marks: its judgement, its name, whether its own photo hides the place.
pub struct Claimant<'a> {
    /// Its judgement, to which marks are added.
    pub judged: &'a mut Judged,
    /// Its name.
    pub name: String,
    /// Balls shot.
    pub shots: u32,
    /// Whether a place (mm) is hidden in its own photo.
    pub hides: &'a dyn Fn([f64; 2]) -> bool,
    /// Where its marks are expected, by other volleys.
    pub expected: Option<Expected>,
    /// It is the volley whose own photo shows the place.
    pub shows: bool,
}

impl Claimant<'_> {
    fn missing(&self) -> u32 {
        self.shots.saturating_sub(self.judged.marks.iter().map(|m| m.count).sum())
    }
}

/// Deals out the marks that were judged in the photo named `photo` to the volleys that may own them.
pub fn settle(seen: Judged, photo: &str, claimants: &mut [Claimant], shape: &MarkShape) {
    let mut free = Vec::new();
    let weakest = seen.doubtful.and_then(|i| seen.marks.get(i)).cloned();
    for late in seen.marks {
        let near = |m: &FoundMark| (m.x_mm - late.x_mm).hypot(m.y_mm - late.y_mm) < SAME_RADII * shape.radius_mm.0;
        let known = claimants.iter_mut().find_map(|c| {
            let at = c.judged.marks.iter().position(|m| m.seen_in.is_none() && near(m))?;
            Some((c, at))
        });
        match known {
            // What the volley's own photo shows in part, the later one shows whole.
            Some((c, at)) if partly(&c.judged.marks[at], c.hides) => {
                c.judged.marks[at] = FoundMark { count: c.judged.marks[at].count, ..late };
            }
            Some(_) => {}
            None => free.push(late),
        }
    }
    if free.is_empty() {
        return;
    }
    let open: Vec<usize> = (0..claimants.len()).filter(|&i| claimants[i].missing() > 0).collect();
    let taken = match open[..] {
        // Nobody misses a ball: what else would have made them? The volley that shows them has marks too many.
        [] => claimants.iter().position(|c| c.shows).map(|i| vec![i; free.len()]),
        [one] => Some(vec![one; free.len()]),
        _ => deal(&free, claimants, &open, shape),
    };
    match taken {
        Some(owner) => {
            for (mark, i) in free.into_iter().zip(owner) {
                let c = &mut claimants[i];
                c.judged.hidden.missing = c.judged.hidden.missing.saturating_sub(mark.count);
                c.judged.hidden.settled += mark.count;
                c.judged.marks.push(mark);
                c.judged.hidden.later = Some(photo.to_string());
                // Their number is no surer than it was there.
                c.judged.probability = c.judged.probability.min(seen.probability);
            }
            for j in claimants.iter_mut().map(|c| &mut *c.judged) {
                let own = j.doubtful.and_then(|i| j.marks.get(i)).cloned();
                j.marks.sort_by(top_to_bottom);
                let at = |m: &FoundMark| j.marks.iter().position(|o| o == m);
                let late = weakest.as_ref().and_then(at).filter(|_| seen.sure < j.sure);
                (j.doubtful, j.sure) = match late {
                    Some(i) => (Some(i), seen.sure),
                    None => (own.as_ref().and_then(at), j.sure),
                };
            }
        }
        None => {
            let names: Vec<String> = open.iter().map(|&i| claimants[i].name.clone()).collect();
            for &i in &open {
                let missing = claimants[i].missing();
                let other = names.iter().find(|n| **n != claimants[i].name).cloned();
                let h = &mut claimants[i].judged.hidden;
                h.missing = missing;
                h.either += balls(&free);
                h.later = Some(photo.to_string());
                h.other = other;
            }
        }
    }
}

/// Whether a mark reaches behind what hides a part of the wall.
fn partly(m: &FoundMark, hides: &dyn Fn([f64; 2]) -> bool) -> bool {
    (0..16).any(|k| {
        let (s, c) = (f64::from(k) * std::f64::consts::TAU / 16.0).sin_cos();
        hides([m.x_mm + m.radius_mm * c, m.y_mm + m.radius_mm * s])
    })
}

/// -2 ln likelihood of places as one group with scatter `sd`, whose middle is `expected` or anywhere.
fn group_cost(places: &[[f64; 2]], expected: Option<Expected>, sd: [f64; 2]) -> f64 {
    let n = places.len() as f64;
    if places.is_empty() {
        return 0.0;
    }
    (0..2)
        .map(|k| {
            let mean = places.iter().map(|p| p[k]).sum::<f64>() / n;
            let within: f64 = places.iter().map(|p| ((p[k] - mean) / sd[k]).powi(2)).sum();
            let (off, prior) = expected.map_or((0.0, ANYWHERE_SD * sd[k]), |(m, s)| (mean - m[k], s[k]));
            within + off * off / (prior * prior + sd[k] * sd[k] / n) + (1.0 + n * (prior / sd[k]).powi(2)).ln()
        })
        .sum()
}

/// The owner of each mark, when one way to deal them out is sure.
fn deal(free: &[FoundMark], claimants: &[Claimant], open: &[usize], shape: &MarkShape) -> Option<Vec<usize>> {
    let room: Vec<u32> = open.iter().map(|&i| claimants[i].missing()).collect();
    let mut ways: Vec<Vec<usize>> = vec![Vec::new()];
    for mark in free {
        let mut next = Vec::new();
        for way in &ways {
            for (k, &most) in room.iter().enumerate() {
                let taken: u32 = way.iter().zip(free).filter(|(w, _)| **w == k).map(|(_, m)| m.count).sum();
                if taken + mark.count <= most {
                    next.push(way.iter().copied().chain([k]).collect::<Vec<_>>());
                }
            }
        }
        if next.len() > MOST_WAYS {
            return None;
        }
        ways = next;
    }
    let sd = [shape.group_mm.0, shape.group_mm.1];
    let place = |m: &FoundMark| [m.x_mm, m.y_mm];
    let cost = |way: &Vec<usize>| -> f64 {
        open.iter()
            .enumerate()
            .map(|(k, &i)| {
                let own = free.iter().zip(way).filter(|(_, w)| **w == k).map(|(m, _)| place(m));
                let places: Vec<[f64; 2]> = claimants[i].judged.marks.iter().map(place).chain(own).collect();
                group_cost(&places, claimants[i].expected, sd)
            })
            .sum()
    };
    let costs: Vec<f64> = ways.iter().map(cost).collect();
    let best = (0..ways.len()).min_by(|&a, &b| costs[a].total_cmp(&costs[b]))?;
    let sum: f64 = costs.iter().map(|c| (-0.5 * (c - costs[best])).exp()).sum();
    (1.0 / sum > SURE).then(|| ways[best].iter().map(|&k| open[k]).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn marks(places: &[(f64, f64)]) -> Vec<FoundMark> {
        let mark =
            |&(x_mm, y_mm): &(f64, f64)| FoundMark { x_mm, y_mm, count: 1, radius_mm: 14.0, ..FoundMark::default() };
        places.iter().map(mark).collect()
    }

    fn run(known: [&[(f64, f64)]; 2], late: &[(f64, f64)], hides: &dyn Fn([f64; 2]) -> bool) -> [Judged; 2] {
        run_expecting(known, late, hides, [None; 2])
    }

    fn run_expecting(
        known: [&[(f64, f64)]; 2],
        late: &[(f64, f64)],
        hides: &dyn Fn([f64; 2]) -> bool,
        expected: [Option<Expected>; 2],
    ) -> [Judged; 2] {
        let mut j = known.map(|k| Judged { marks: marks(k), ..Judged::default() });
        let shape = MarkShape { group_mm: (20.0, 25.0), ..MarkShape::plain((15.0, 45.0)) };
        let [a, b] = &mut j;
        let nothing = |_: [f64; 2]| false;
        let mut all = [
            Claimant { judged: a, name: "1".into(), shots: 4, hides, expected: expected[0], shows: false },
            Claimant { judged: b, name: "2".into(), shots: 4, hides: &nothing, expected: expected[1], shows: true },
        ];
        let mut late = marks(late);
        late.iter_mut().for_each(|m| m.seen_in = Some((2, 0)));
        let seen = Judged { marks: late, probability: 1.0, sure: 1.0, ..Judged::default() };
        settle(seen, "B.jpg", &mut all, &shape);
        j
    }

    const HIGH: [(f64, f64); 4] = [(0.0, 500.0), (20.0, 520.0), (-15.0, 480.0), (5.0, 540.0)];
    const LOW: [(f64, f64); 4] = [(0.0, 0.0), (20.0, 20.0), (-15.0, -20.0), (5.0, 40.0)];

    #[test]
    fn marks_go_to_the_volley_that_misses_them() {
        let [a, b] = run([&LOW[..1], &HIGH], &LOW[1..], &|_| true);
        assert_eq!((a.marks.len(), b.marks.len()), (4, 4));
        assert_eq!((a.hidden.settled, a.hidden.missing), (3, 0));
        assert!(a.marks.iter().filter(|m| m.seen_in == Some((2, 0))).count() == 3);
        // Nothing else of the first volley is seen, the second is whole: as sure.
        let [a, b] = run([&[], &HIGH], &LOW, &|_| true);
        assert_eq!((a.marks.len(), b.marks.len()), (4, 4));
    }

    #[test]
    fn a_late_mark_of_two_balls_is_two_of_the_missing() {
        let mut j = [Judged { marks: marks(&LOW[..2]), ..Judged::default() }, Judged::default()];
        j[0].hidden.missing = 2;
        let shape = MarkShape { group_mm: (20.0, 25.0), ..MarkShape::plain((15.0, 45.0)) };
        let mut late = marks(&LOW[2..3]);
        late[0].count = 2;
        let seen = Judged { marks: late, probability: 1.0, sure: 1.0, ..Judged::default() };
        let [a, b] = &mut j;
        let (hides, nothing) = (|_: [f64; 2]| true, |_: [f64; 2]| false);
        let mut all = [
            Claimant { judged: a, name: "1".into(), shots: 4, hides: &hides, expected: None, shows: false },
            Claimant { judged: b, name: "2".into(), shots: 0, hides: &nothing, expected: None, shows: true },
        ];
        settle(seen, "B.jpg", &mut all, &shape);
        assert_eq!((balls(&j[0].marks), j[0].hidden.missing, j[0].hidden.settled), (4, 0, 2));
    }

    #[test]
    fn two_volleys_that_miss_shots_share_by_place_or_not_at_all() {
        let [a, b] = run([&LOW[..2], &HIGH[..3]], &[LOW[2], LOW[3], HIGH[3]], &|_| true);
        assert_eq!((a.marks.len(), b.marks.len()), (4, 4));
        assert!(b.marks.iter().any(|m| m.y_mm == 540.0));
        // Both groups in one place: nobody can tell.
        let [a, b] = run([&LOW[..2], &LOW[..3]], &[(9.0, 9.0), (-9.0, 5.0), (3.0, -14.0)], &|_| true);
        assert_eq!((a.marks.len(), b.marks.len()), (2, 3));
        assert_eq!((a.hidden.either, a.hidden.missing, a.hidden.other.as_deref()), (3, 2, Some("2")));
    }

    #[test]
    fn two_volleys_of_which_nothing_is_seen_are_told_apart_by_the_ladder() {
        let both = [&HIGH[..], &LOW[..]].concat();
        let [a, b] = run([&[], &[]], &both, &|_| true);
        assert_eq!((a.marks.len(), b.marks.len(), a.hidden.either), (0, 0, 8));
        let low = Some(([10.0, 60.0], [60.0, 60.0]));
        let high = Some(([-10.0, 430.0], [60.0, 60.0]));
        let [a, b] = run_expecting([&[], &[]], &both, &|_| true, [low, high]);
        assert!(a.marks.iter().all(|m| m.y_mm < 100.0) && b.marks.iter().all(|m| m.y_mm > 400.0));
        assert_eq!((a.marks.len(), b.marks.len()), (4, 4));
    }

    #[test]
    fn a_half_hidden_mark_takes_the_later_place_and_a_known_one_stays() {
        let edge = |p: [f64; 2]| p[1] < -5.0;
        let [a, b] = run([&LOW, &HIGH], &[(0.0, -3.0), (20.0, 522.0)], &edge);
        assert_eq!((a.marks.len(), b.marks.len()), (4, 4));
        assert!(a.marks.iter().any(|m| m.y_mm == -3.0 && m.seen_in.is_some()));
        assert!(b.marks.iter().any(|m| m.y_mm == 520.0));
    }
}
