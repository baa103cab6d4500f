//! Where could one more ball hide?
//!
//! When fewer marks than shots are told apart, or the last of them only barely, the missing ball may lie on any
//! mark, or at a weak place of its own that would still count as a mark. Each of these ways is fitted and weighted by how
//! well it explains the patches; the volley's mean is taken over all of them, and its variance has the part that the choice leaves open.

use rayon::prelude::*;

use super::adjust::Freedom;
use super::fit::FittedMark;
use super::patch::Patch;
use super::separate::splits;
use super::shape::MarkShape;
use super::target::Target;

/// Differences of misfit count for half: the fits' own noise (texture is not Gaussian, discs are not marks) is as large
/// again as what the model knows of. Marks put on one too many in rendered sessions gained up to 13, the model expects up to 6.
pub(super) const HUMBLE: f64 = 2.0;
/// Steps of each way's adjustment.
const STEPS: usize = 14;
/// Weak places tried besides the marks themselves.
const PLACES: usize = 2;
/// Two ways whose balls add up to the same place within this are one, mm.
const SAME_MM: f64 = 2.0;

/// One way to place one more ball.
#[derive(Clone, Debug)]
pub struct Way {
    /// The patch in which the ball hides.
    pub patch: usize,
    /// The mark of the base under which it hides; `None` for a place of its own.
    pub under: Option<usize>,
    /// Where the additional ball is ([`extra_mm`]).
    pub extra_mm: [f64; 2],
    /// It was found before.
    pub known: bool,
    /// How much of the misfit it takes away.
    pub gain: f64,
    /// Probability among all ways.
    pub weight: f64,
}

/// Sum of the places of a patch's marks less that of those without the additional ball, mm: where that ball is, near enough.
pub fn extra_mm(base: &[FittedMark], with: &[FittedMark]) -> [f64; 2] {
    let sum = |marks: &[FittedMark]| marks.iter().fold([0.0; 2], |s, m| [s[0] + m.x_mm, s[1] + m.y_mm]);
    let (from, to) = (sum(base), sum(with));
    [to[0] - from[0], to[1] - from[1]]
}

/// All ways to place one more ball over marks already found: `bases` are the patches' marks. Patches without a mark that counts hide none, and none
/// lies farther from all marks than a group reaches: what changed there is something else, however much of it a mark explains. `known` is a way that was found
/// before, a patch and its marks with the ball, and stays one.
pub fn ways(
    patches: &[Patch],
    bases: &[&[FittedMark]],
    known: Option<(usize, &[FittedMark])>,
    shape: &MarkShape,
) -> Vec<Way> {
    let counting: Vec<&FittedMark> = bases.iter().copied().flatten().filter(|m| shape.counts(m)).collect();
    let near = |w: &Way| counting.iter().any(|m| shape.near_group((w.extra_mm[0] - m.x_mm, w.extra_mm[1] - m.y_mm)));
    let mut out: Vec<Way> = patches
        .par_iter()
        .zip(bases)
        .enumerate()
        .filter(|(p, (_, base))| base.iter().any(|m| shape.counts(m)) || known.is_some_and(|k| k.0 == *p))
        .flat_map_iter(|(p, (patch, base))| {
            let known = known.filter(|k| k.0 == p).map(|k| k.1);
            of_patch(p, patch, base, known, shape)
        })
        .filter(|w| w.known || near(w))
        .collect();
    weigh(&mut out);
    out
}

fn of_patch(p: usize, patch: &Patch, base: &[FittedMark], known: Option<&[FittedMark]>, shape: &MarkShape) -> Vec<Way> {
    let thin = Target::thinned(patch, shape, 1.0);
    let fine = |marks: &[FittedMark]| {
        let adjusted = thin.adjust(marks, STEPS, Freedom::Whole);
        (thin.misfit(&adjusted), adjusted)
    };
    // Places are held against the marks as they came, which their adjustment here may move.
    let given = base;
    let (before, base) = fine(given);
    let mut out: Vec<Way> = Vec::new();
    let mut take = |under: Option<usize>, known: bool, (misfit, marks): (f64, Vec<FittedMark>)| {
        let way = Way { patch: p, under, extra_mm: extra_mm(given, &marks), known, gain: before - misfit, weight: 0.0 };
        let same = |w: &Way| (w.extra_mm[0] - way.extra_mm[0]).hypot(w.extra_mm[1] - way.extra_mm[1]) < SAME_MM;
        match out.iter_mut().find(|w| same(w)) {
            Some(w) if w.gain >= way.gain => w.known |= known,
            Some(w) => *w = Way { known: known || w.known, ..way },
            None => out.push(way),
        }
    };
    if let Some(known) = known {
        take(None, true, fine(known));
    }
    for i in (0..base.len()).filter(|&i| shape.counts(&base[i])) {
        let best = splits(&base, i).iter().map(|t| fine(t)).min_by(|a, b| a.0.total_cmp(&b.0));
        best.into_iter().for_each(|b| take(Some(i), false, b));
    }
    for place in thin.proposals(&base, PLACES) {
        let mut trial = base.clone();
        trial.push(place);
        let tried = fine(&trial);
        if tried.1.last().is_some_and(|m| shape.counts(m)) {
            take(None, false, tried);
        }
    }
    out
}

/// Gives each way its weight.
fn weigh(ways: &mut [Way]) {
    let most = ways.iter().map(|w| w.gain).fold(f64::MIN, f64::max);
    ways.iter_mut().for_each(|w| w.weight = (0.5 * (w.gain - most) / HUMBLE).exp());
    let sum: f64 = ways.iter().map(|w| w.weight).sum();
    ways.iter_mut().for_each(|w| w.weight /= sum);
}
