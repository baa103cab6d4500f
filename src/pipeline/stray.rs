//! Which marks of a volley do not belong with the others, and what does that do to its mean?
//!
//! A mark's robust distance is taken from the median of the others in units of the session's own scatter (Rousseeuw and van
//! Zomeren, *J. Am. Stat. Assoc.* 85, 633, 1990). With more marks than shots those far off are dropped, farthest first;
//! with marks too many and none of them far, any of them may be the false one, and the mean is as doubtful as that makes it. With
//! the right number a far mark stays - machines do throw wild - and is named. Where most of what was found lies far from all that other volleys
//! struck, those say which marks are the volley's ([`Struck`]).

use serde::{Deserialize, Serialize};

use super::judge::{FoundMark, Judged, balls};
use crate::marks::shape::MarkShape;
use crate::study::robust::median;

/// Robust distance beyond which a mark is a stray. For a Gaussian on a plane one in 270 000 is farther; the scatter is one for
/// all volleys of the session, and one of them may have twice as much: then it is one in 23.
const STRAY_SD: f64 = 5.0;
/// Marks from which a middle can be told: of two, either may be the stray.
const LEAST_MARKS: usize = 3;

/// Robust distances of marks from the median of the others, in the session's own scatter; empty for fewer than three.
fn distances(marks: &[FoundMark], sd_mm: (f64, f64)) -> Vec<f64> {
    if marks.len() < LEAST_MARKS {
        return Vec::new();
    }
    // The median of n has 1.57 / n of a single one's variance.
    let own = (1.0 + 1.57 / (marks.len() as f64 - 1.0)).sqrt();
    (0..marks.len())
        .map(|i| {
            let others = |axis: fn(&FoundMark) -> f64| {
                let v: Vec<f64> = marks.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, m)| axis(m)).collect();
                median(&v).unwrap_or_default()
            };
            let (x, y) = (others(|m| m.x_mm), others(|m| m.y_mm));
            ((marks[i].x_mm - x) / sd_mm.0).hypot((marks[i].y_mm - y) / sd_mm.1) / own
        })
        .collect()
}

fn farthest(marks: &[FoundMark], sd_mm: (f64, f64)) -> Option<usize> {
    let d = distances(marks, sd_mm);
    (0..d.len()).filter(|&i| d[i] > STRAY_SD).max_by(|&a, &b| d[a].total_cmp(&d[b]))
}

/// Where a session's volleys have their marks, wall mm: the least and the most of their middles across and up.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Struck([(f64, f64); 2]);

/// Volleys from which it can be told where others' marks may lie: one says nothing of a ladder's other speeds. Where two say too little, too few marks are near them, and nothing is
/// left out for it.
const LEAST_VOLLEYS: usize = 2;

impl Struck {
    /// From the volleys that have as many marks as shots; `None` where they are too few.
    pub fn of<'a>(volleys: impl Iterator<Item = (&'a Judged, u32)>) -> Option<Self> {
        let whole = volleys.filter(|(j, shots)| balls(&j.marks) == *shots);
        let middles: Vec<[f64; 2]> = whole
            .filter_map(|(j, _)| {
                let of = |axis: fn(&FoundMark) -> f64| median(&j.marks.iter().map(axis).collect::<Vec<f64>>());
                Some([of(|m| m.x_mm)?, of(|m| m.y_mm)?])
            })
            .collect();
        let span = |k: usize| middles.iter().fold((f64::MAX, f64::MIN), |s, m| (s.0.min(m[k]), s.1.max(m[k])));
        (middles.len() >= LEAST_VOLLEYS).then(|| Self([span(0), span(1)]))
    }

    /// Whether a mark lies farther from all of it than a stray one from its own volley.
    fn is_far(&self, m: &FoundMark, sd_mm: (f64, f64)) -> bool {
        let off = |v: f64, (least, most): (f64, f64)| (least - v).max(v - most).max(0.0);
        (off(m.x_mm, self.0[0]) / sd_mm.0).hypot(off(m.y_mm, self.0[1]) / sd_mm.1) > STRAY_SD
    }
}

/// Takes a mark out of those that count.
fn leave_out(judged: &mut Judged, i: usize) {
    let dropped = judged.marks.remove(i);
    judged.doubtful = match judged.doubtful {
        Some(d) if d == i => None,
        d => d.map(|d| d - usize::from(d > i)),
    };
    judged.dropped.push(dropped);
    // What was weighed with it holds no longer.
    judged.mean_shift_mm = [0.0; 2];
}

/// Drops, names and weighs what does not belong. Where as many marks as shots lie near where other volleys `struck`, and as many and more far from it, the far ones go first: balls
/// left at a wall's foot leave more rings there than there are marks, and a median would side with them.
pub fn part_strays(judged: &mut Judged, shots: u32, shape: &MarkShape, struck: Option<&Struck>) {
    if let Some(struck) = struck {
        let far = |m: &FoundMark| struck.is_far(m, shape.group_mm);
        let near: u32 = judged.marks.iter().filter(|m| !far(m)).map(|m| m.count).sum();
        let outvoted = balls(&judged.marks) - near >= near && near >= shots.max(LEAST_MARKS as u32);
        if outvoted {
            for i in (0..judged.marks.len()).rev() {
                if far(&judged.marks[i]) {
                    leave_out(judged, i);
                }
            }
        }
    }
    while balls(&judged.marks) > shots {
        let Some(i) = farthest(&judged.marks, shape.group_mm) else { break };
        leave_out(judged, i);
    }
    let (all, n) = (balls(&judged.marks), judged.marks.len());
    let middle = |axis: fn(&FoundMark) -> f64| judged.marks.iter().map(axis).sum::<f64>() / n.max(1) as f64;
    let (mx, my) = (middle(|m| m.x_mm), middle(|m| m.y_mm));
    if all > shots && n > 1 && shots > 0 {
        // Which of the marks are the shots is not known: a sample without putting back (Cochran, *Sampling Techniques*, 2.4).
        let (s, whole) = (f64::from(shots), f64::from(all));
        let factor = (1.0 - s / whole) / s / (n as f64 - 1.0);
        for m in &judged.marks {
            let d = [m.x_mm - mx, m.y_mm - my];
            for i in 0..2 {
                (0..2).for_each(|j| judged.mean_variance_mm2[i][j] += factor * d[i] * d[j]);
            }
        }
    } else if all == shots
        && let Some(far) = farthest(&judged.marks, shape.group_mm)
    {
        judged.stray = Some(far);
        // As likely as not it is none, and a ball went unseen among the others.
        let others = n as f64 - 1.0;
        let m = &judged.marks[far];
        let shift = [m.x_mm - mx, m.y_mm - my].map(|d| d * n as f64 / others / f64::from(shots.max(1)));
        for i in 0..2 {
            (0..2).for_each(|j| judged.mean_variance_mm2[i][j] += 0.25 * shift[i] * shift[j]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn volley(places: &[(f64, f64)]) -> Judged {
        let mark =
            |&(x_mm, y_mm): &(f64, f64)| FoundMark { x_mm, y_mm, count: 1, radius_mm: 14.0, ..FoundMark::default() };
        Judged { marks: places.iter().map(mark).collect(), ..Judged::default() }
    }

    fn shape() -> MarkShape {
        MarkShape { group_mm: (20.0, 25.0), ..MarkShape::plain((15.0, 45.0)) }
    }

    const GROUP: [(f64, f64); 5] = [(0.0, 0.0), (25.0, -10.0), (-18.0, 30.0), (8.0, -35.0), (-5.0, 12.0)];

    #[test]
    fn a_ball_at_the_walls_foot_is_dropped_when_there_are_too_many() {
        let mut j = volley(&[&GROUP[..], &[(300.0, -900.0)]].concat());
        part_strays(&mut j, 5, &shape(), None);
        assert_eq!((j.marks.len(), j.dropped.len()), (5, 1));
        assert_eq!(j.dropped[0].y_mm, -900.0);
        assert_eq!(j.mean_variance_mm2, [[0.0; 2]; 2]);
    }

    #[test]
    fn one_too_many_in_the_group_makes_the_mean_doubtful() {
        let mut j = volley(&[&GROUP[..], &[(60.0, 40.0)]].concat());
        part_strays(&mut j, 5, &shape(), None);
        assert_eq!((j.marks.len(), j.dropped.len()), (6, 0));
        // All six ways to leave one out, as likely as each other: the variance of their means.
        let all: Vec<[f64; 2]> = j.marks.iter().map(|m| [m.x_mm, m.y_mm]).collect();
        let means: Vec<f64> =
            (0..6).map(|i| (0..6).filter(|j| *j != i).map(|j| all[j][1]).sum::<f64>() / 5.0).collect();
        let mean = means.iter().sum::<f64>() / 6.0;
        let variance = means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / 6.0;
        assert!((j.mean_variance_mm2[1][1] - variance).abs() < 1e-9 * variance, "{:?} {variance}", j.mean_variance_mm2);
    }

    #[test]
    fn a_wild_shot_stays_and_is_named_and_two_marks_cannot_tell() {
        let mut j = volley(&[&GROUP[..4], &[(10.0, 400.0)]].concat());
        part_strays(&mut j, 5, &shape(), None);
        assert_eq!((j.stray, j.marks.len()), (Some(4), 5));
        // Were it none, the mean would be where the others are: u covers half of that.
        let without = j.marks[..4].iter().map(|m| m.y_mm).sum::<f64>() / 4.0;
        let with = j.marks.iter().map(|m| m.y_mm).sum::<f64>() / 5.0;
        assert!((j.mean_variance_mm2[1][1].sqrt() - 0.5 * (with - without)).abs() < 1e-9);
        let mut two = volley(&[(0.0, 0.0), (0.0, 900.0)]);
        part_strays(&mut two, 2, &shape(), None);
        assert_eq!(two.stray, None);
        let mut fine = volley(&GROUP);
        part_strays(&mut fine, 5, &shape(), None);
        assert_eq!(fine, volley(&GROUP));
    }

    #[test]
    fn rings_of_balls_left_on_the_floor_do_not_outvote_marks() {
        let floor: Vec<(f64, f64)> = (0..7).map(|k| (300.0 + 9.0 * f64::from(k), -900.0)).collect();
        let both = [&GROUP[..], &floor].concat();
        // By their median alone the seven rings are the volley.
        let mut alone = volley(&both);
        part_strays(&mut alone, 5, &shape(), None);
        assert!(alone.marks.iter().all(|m| m.y_mm == -900.0));
        let at = |up: f64| volley(&GROUP.map(|(x, y)| (x, y + up)));
        let others = [at(200.0), at(-150.0), at(-300.0)];
        let struck = Struck::of(others.iter().map(|j| (j, 5))).unwrap();
        let mut j = volley(&both);
        part_strays(&mut j, 5, &shape(), Some(&struck));
        assert_eq!((j.marks.len(), j.dropped.len()), (5, 7));
        assert!(j.marks.iter().all(|m| m.y_mm > -100.0));
        // Where fewer are far than near, and of one shot, nothing changes by what others struck.
        for floor in [&floor[..1], &floor[..4]] {
            let mut with = volley(&[&GROUP[..], floor].concat());
            let mut without = with.clone();
            part_strays(&mut with, 5, &shape(), Some(&struck));
            part_strays(&mut without, 5, &shape(), None);
            assert_eq!(with, without);
        }
        let mut single = volley(&[(0.0, 0.0), (0.0, 900.0)]);
        part_strays(&mut single, 1, &shape(), Some(&struck));
        assert_eq!(single.dropped.len(), 0);
        // The ladder's end lies beyond all others: nothing of it goes.
        let mut end = at(900.0);
        part_strays(&mut end, 5, &shape(), Some(&struck));
        assert_eq!(end, at(900.0));
        assert!(Struck::of(others.iter().map(|j| (j, 4))).is_none(), "their numbers are not right");
    }
}
