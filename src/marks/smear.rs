//! Are the marks longer than wide?
//!
//! A ball that slides along the wall leaves an ellipse. Where a session's marks are taken for discs, each of them is read as two, one above the other, and
//! volleys of five come to six and seven. Both kinds of mark are learned from some volleys, and what they explain is compared: the kind with more
//! evidence is the session's (D. MacKay, *Information Theory, Inference, and Learning Algorithms*, ch. 28).

use rayon::prelude::*;

use super::fit::WAVE_ORDERS;
use super::patch::Patch;
use super::separate::{Effort, choose, explain};
use super::shape::MarkShape;

/// Rims whose second wave is as strong as this, as a rule, are looked at: what is read as two discs leaves that of both wavy. Round marks on plain walls have
/// up to 0.04; coarse walls, raked joints and very tight groups 0.05; ellipses twice as long as wide 0.055 to 0.07 (renderings, also others' than ours).
const ASK_FROM: f64 = 0.045;
/// And whatever the rims do where so many marks more than balls were found: those sessions had 1.17 to 1.21, others 1.07 at the most.
const TOO_MANY: f64 = 1.1;
/// Waves of smeared marks before any is learned: an ellipse twice as long as wide has 0.33, 0 and 0.08.
const WAVES: [f64; WAVE_ORDERS.len()] = [0.3, 0.05, 0.08];
/// Volleys that are asked, those with the smallest patches: they show most marks by themselves, and twenty tell.
const ASKED: usize = 4;
/// Smeared marks must explain those volleys better than discs by this, -2 ln evidence: ellipses come to 136 and more; of round marks that were asked
/// about, those torn by joints came to 93, all others to less than nothing.
const CLEARLY: f64 = 60.0;
/// And they must be this much larger than the discs, since it takes two of those for one: ellipses are by 1.30 to 1.38, marks torn by joints or a coarse wall
/// by 0.96 to 1.16, those of a very tight group by 1.00 and 1.21.
const LARGER: f64 = 1.2;

/// Volleys, shots and patches of each.
type Volleys<'a> = &'a [(usize, Vec<Patch>)];

/// What learning starts with where marks that are longer than wide explain the session clearly better than `discs`, which `learn` came to from `start`.
pub(super) fn smeared(
    volleys: Volleys,
    start: &MarkShape,
    discs: &MarkShape,
    learn: impl Fn(Volleys, MarkShape) -> MarkShape,
) -> Option<MarkShape> {
    let shots: usize = volleys.iter().map(|v| v.0).sum();
    let asks = discs.waves[0] >= ASK_FROM || discs.learned_from as f64 > TOO_MANY * shots as f64;
    if !asks || start.dents {
        return None;
    }
    let pixels = |v: &&(usize, Vec<Patch>)| v.1.iter().map(|p| p.opacity.len()).sum::<usize>();
    let mut asked: Vec<&(usize, Vec<Patch>)> = volleys.iter().filter(|v| !v.1.is_empty()).collect();
    asked.sort_by_key(pixels);
    let asked: Vec<(usize, Vec<Patch>)> = asked.into_iter().take(ASKED).cloned().collect();
    let start = MarkShape { smeared: true, waves: WAVES, ..start.clone() };
    let learned = learn(&asked, start.clone());
    let larger = learned.radius_mm.0 / discs.radius_mm.0;
    if larger < LARGER {
        return None;
    }
    // Evidences are of one kind where the same noise is expected of both.
    let MarkShape { texture, grain_px, ragged_mm, ragged_px, .. } = *discs;
    let learned = MarkShape { texture, grain_px, ragged_mm, ragged_px, ..learned };
    let evidence = |shape: &MarkShape| -> f64 {
        let area_mm2 = shape.area_mm2((0.0, 0.0));
        let each = |(shots, patches): &(usize, Vec<Patch>)| {
            let explained = patches.iter().map(|p| explain(p, shape, area_mm2, shots + 1, Effort::Whole));
            let best = choose(&explained.collect::<Vec<_>>(), *shots).into_iter().next();
            best.map_or(0.0, |best| best.minus_2_ln_evidence)
        };
        asked.par_iter().map(each).sum()
    };
    let (a, b) = (evidence(discs), evidence(&learned));
    (a - b > CLEARLY).then_some(start)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::marks::fit::{FittedMark, MODES, opacity_at};
    use crate::marks::learn::learn;
    use crate::marks::sample;

    const SIDE: usize = 64;

    /// A patch of 1 mm a pixel with these marks in it, torn as a ball's are, and noise.
    fn patch(seed: u64, marks: &[FittedMark], shape: &MarkShape) -> Patch {
        // Of standard deviation one.
        let noise = |i: usize, of: u64| 12f64.sqrt() * sample::uniform(i + 1_000_003 * (seed + 97 * of) as usize);
        let torn = |i: usize| {
            // A mean of nine pixels scatters a third as much.
            let (x, y) = (i % SIDE, i / SIDE);
            let near = (0..9).map(|k| (x + k % 3) + (y + k / 3) * (SIDE + 2));
            1.0 + 0.2 * near.map(|j| noise(j, 1)).sum::<f64>() / 3.0
        };
        let marked = |i: usize| opacity_at(marks, shape, sample::place(i, SIDE));
        sample::patch(SIDE, |i| (marked(i) * torn(i)).clamp(0.0, 1.0) + 0.01 * noise(i, 2))
    }

    /// Four volleys of four balls, no two of which touch, each with this second wave of its rim in a direction near the vertical.
    fn volleys(wave: f64) -> Vec<(usize, Vec<Patch>)> {
        let start = MarkShape { smeared: wave > 0.1, ..MarkShape::plain((15.0, 45.0)) };
        let mark = |v: u64, k: u64| {
            let mut modes = [0.0; MODES];
            let turn = 2.0 * (1.2 + 0.2 * k as f64 + 0.1 * v as f64);
            (modes[0], modes[1]) = (wave * turn.cos(), wave * turn.sin());
            let (x, y) = ([-2.0, 1.5, 0.5, -1.0][k as usize % 4], [1.0, -2.0, 0.0, 2.0][v as usize % 4]);
            FittedMark { modes, ..FittedMark::disc(x, y, 13.0 + 0.3 * k as f64, 0.4 + 0.03 * v as f64) }
        };
        (0..4).map(|v| (4, (0..4).map(|k| patch(4 * v + k, &[mark(v, k)], &start)).collect())).collect()
    }

    #[test]
    fn ellipses_are_told_from_discs() {
        let start = MarkShape::plain((15.0, 45.0));
        let ask = |wave: f64| {
            let volleys = volleys(wave);
            let discs = learn(&volleys, start.clone());
            let asked = smeared(&volleys, &start, &discs, learn);
            (discs, asked)
        };
        let (discs, round) = ask(0.0);
        assert!(round.is_none() && (discs.radius_mm.0 - 13.4).abs() < 0.5, "{:?}", discs.radius_mm);
        let (discs, long) = ask(0.33);
        let Some(long) = long else { panic!("taken for {:?}, {:?}", discs.radius_mm, discs.waves) };
        let learned = learn(&volleys(0.33), long);
        assert!(learned.smeared && (learned.radius_mm.0 - 13.4).abs() < 1.0, "{:?}", learned.radius_mm);
        // Dents are not asked about.
        assert!(smeared(&volleys(0.33), &MarkShape { dents: true, ..start.clone() }, &discs, learn).is_none());
    }
}
