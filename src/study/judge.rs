//! What may be said of a family of differences?
//!
//! One weighted Holm family covers all that is judged together: half of alpha for the answers over the ladder, half for
//! single setpoints, what is not spent passing on. So the chance of any false "differs" in a family is at most alpha, and
//! likewise of any false "same" (two one-sided tests; Schuirmann 1987).

use super::compare::{Difference, PointDifference, Verdict};
use super::doubt::Mean;
use super::holm::holm;
use super::ladder::finite;
use super::power::{equivalence_power, t_test_power};
use super::special::t_quantile;
use super::words::{Names, tell};

/// Power asked for when saying how many more volleys would do.
const POWER_TO_SETTLE: f64 = 0.8;
/// More volleys than this a day cannot hold; beyond it the answer is "not by more volleys".
const MOST_MORE_VOLLEYS: u32 = 100;

/// A difference at one speed before it is judged.
#[derive(Clone, Debug)]
pub(crate) struct PointDraft {
    pub speed_mps: f64,
    pub mean: Mean,
    /// Volleys of each side: the harmonic mean of the two. A bridged difference has more than two means in it: then the
    /// number with which two sides would bear the same scatter.
    pub each: f64,
    /// Volleys that stand behind each of its means (harmonic mean): what more volleys of each come on top of.
    pub behind: f64,
}

/// A difference over the ladder where its points are not independent of each other.
#[derive(Clone, Debug)]
pub(crate) struct Whole {
    pub mean: Mean,
    /// As [`PointDraft::each`], for each of the points.
    pub each: f64,
    /// As [`PointDraft::behind`].
    pub behind: f64,
}

/// One pair of setups before it is judged.
#[derive(Clone, Debug)]
pub(crate) struct Draft {
    /// Names as said in a sentence.
    pub a: String,
    pub b: String,
    /// "with mesh soft", or empty.
    pub with: String,
    /// Speed by speed, slowest first; at least one.
    pub points: Vec<PointDraft>,
    /// The mean over the speeds, where the points are not independent of each other.
    pub whole: Option<Whole>,
    /// Degrees of freedom of the parts of the means' own variances.
    pub df_of_part: Vec<f64>,
    /// The drift from volley to volley was not measured.
    pub drift_unseen: bool,
}

impl Draft {
    /// The plain mean over the speeds, and the volleys that each of its points rests on (harmonic means).
    pub fn overall(&self) -> Whole {
        if let Some(whole) = &self.whole {
            return whole.clone();
        }
        let n = self.points.len() as f64;
        let harmonic = |of: fn(&PointDraft) -> f64| n / self.points.iter().map(|p| 1.0 / of(p)).sum::<f64>();
        Whole {
            mean: Mean::combine(self.points.iter().map(|p| (1.0 / n.max(1.0), &p.mean))),
            each: harmonic(|p| p.each),
            behind: harmonic(|p| p.behind),
        }
    }
}

/// How strictly, and against what.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rules {
    pub margin_rad: f64,
    pub alpha: f64,
}

/// The finding for one pair.
pub(crate) struct Judged {
    pub overall: Difference,
    pub points: Vec<PointDifference>,
}

/// Volleys to add to the `behind` of each mean in `d` (of both setups, and of the reference that bridges them), so
/// that a difference of what matters would be found, and no difference shown to be none, each with a chance of 80 %.
/// Takes the first Holm step's share of alpha.
fn more_volleys(d: &Mean, behind: f64, df: f64, margin: f64, share: f64) -> Option<u32> {
    let will = |k: f64| {
        let u = (d.own_var() * behind / (behind + k) + d.shared_var()).sqrt();
        let df = df + k;
        u == 0.0
            || (t_test_power(margin / u, df, share) >= POWER_TO_SETTLE
                && equivalence_power(margin / u, df, share) >= POWER_TO_SETTLE)
    };
    if !will(f64::from(MOST_MORE_VOLLEYS)) {
        return None;
    }
    // More volleys never lessen the power: bisection.
    let (mut low, mut high) = (0, MOST_MORE_VOLLEYS);
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        if will(f64::from(middle)) { high = middle } else { low = middle }
    }
    Some(high)
}

/// Largest drift SD, rad, at which a statistic `room` (rad) still exceeds its limit: solves
/// `room = t sqrt(u^2 + drift_weight * drift^2)`, with t at the level that the adjustment leaves to this test.
fn drift_to_overturn(room: f64, u: f64, t: f64, drift_weight: f64) -> f64 {
    (((room / t).powi(2) - u * u) / drift_weight).max(0.0).sqrt()
}

/// The level at which one test is judged after adjustment; `share` of alpha where its p is too small to tell.
fn level(alpha: f64, share: f64, raw: f64, adjusted: f64) -> f64 {
    if raw > 0.0 && adjusted > 0.0 { alpha * (raw / adjusted).min(1.0) } else { alpha * share }
}

/// A difference on its way to a verdict.
struct Test<'a> {
    mean: &'a Mean,
    each: f64,
    behind: f64,
    setpoints: usize,
    /// Its share of alpha.
    share: f64,
    of: &'a Draft,
}

fn judge_one(test: &Test, (p_differs, p_same): (f64, f64), rules: &Rules) -> Difference {
    let Test { mean: m, each, behind, setpoints, share, of } = *test;
    let Rules { margin_rad: margin, alpha } = *rules;
    let dfs = of.df_of_part.as_slice();
    let half = m.half_width(dfs, alpha);
    let (not_zero, close) = (p_differs <= alpha, p_same <= alpha);
    let verdict = match (not_zero, close) {
        (_, true) => Verdict::Same,
        (true, false) => Verdict::Differs,
        (false, false) => Verdict::Unclear,
    };
    let df = m.df(dfs);
    // A drift of variance v from volley to volley adds this times v to the difference.
    let drift_weight = 2.0 / (each * setpoints as f64);
    let drift = match verdict {
        Verdict::Differs => {
            let t = t_quantile(1.0 - 0.5 * level(alpha, share, m.p_zero(dfs), p_differs), df);
            Some(drift_to_overturn(m.value.abs(), m.u(), t, drift_weight))
        }
        Verdict::Same => {
            let t = t_quantile(1.0 - level(alpha, share, m.p_apart(dfs, margin), p_same), df);
            Some(drift_to_overturn(margin - m.value.abs(), m.u(), t, drift_weight))
        }
        Verdict::Unclear => None,
    };
    Difference {
        difference_deg: m.value.to_degrees(),
        u_deg: m.u().to_degrees(),
        u_shared_deg: m.shared_var().sqrt().to_degrees(),
        df: finite(df),
        low_deg: (m.value - half).to_degrees(),
        high_deg: (m.value + half).to_degrees(),
        p_differs,
        p_same,
        verdict,
        small_but_real: close && not_zero,
        more_volleys: (verdict == Verdict::Unclear)
            .then(|| more_volleys(m, behind, df, margin, alpha * share))
            .flatten(),
        holds_to_drift_deg: drift.filter(|_| of.drift_unseen).map(f64::to_degrees),
        sentence: String::new(),
    }
}

/// Tests at single speeds among pairs compared at so many speeds each.
fn point_tests(speeds: impl Iterator<Item = usize>) -> usize {
    speeds.filter(|n| *n > 1).sum()
}

/// The share of alpha that each pair's answer over the ladder has at first, of pairs compared at so many speeds each.
pub(crate) fn overall_share(speeds: impl ExactSizeIterator<Item = usize>) -> f64 {
    let pairs = speeds.len().max(1) as f64;
    if point_tests(speeds) > 0 { 0.5 / pairs } else { 1.0 / pairs }
}

/// Judges pairs as one family: their answers over the ladder, and speed by speed where there are several.
pub(crate) fn judge(drafts: &[Draft], rules: &Rules) -> Vec<Judged> {
    let overall: Vec<Whole> = drafts.iter().map(Draft::overall).collect();
    let lengths = || drafts.iter().map(|d| d.points.len());
    let overall_share = overall_share(lengths());
    let point_share = 0.5 / point_tests(lengths()).max(1) as f64;
    let mut tests: Vec<Test> = Vec::new();
    for (d, whole) in drafts.iter().zip(&overall) {
        let Whole { mean, each, behind } = whole;
        let setpoints = d.points.len();
        tests.push(Test { mean, each: *each, behind: *behind, setpoints, share: overall_share, of: d });
        if d.points.len() > 1 {
            tests.extend(d.points.iter().map(|p| Test {
                mean: &p.mean,
                each: p.each,
                behind: p.behind,
                setpoints: 1,
                share: point_share,
                of: d,
            }));
        }
    }
    let adjusted = |f: &dyn Fn(&Mean, &[f64]) -> f64| {
        holm(&tests.iter().map(|t| (f(t.mean, &t.of.df_of_part), t.share)).collect::<Vec<_>>())
    };
    let p_differs = adjusted(&Mean::p_zero);
    let p_same = adjusted(&|m, dfs| m.p_apart(dfs, rules.margin_rad));
    let mut judged = tests.iter().zip(p_differs.into_iter().zip(p_same)).map(|(t, p)| judge_one(t, p, rules));
    let mut out = Vec::new();
    for d in drafts {
        let Some(overall) = judged.next() else { break };
        let points = match d.points.as_slice() {
            // One speed is the whole ladder.
            [one] => vec![PointDifference { setpoint_mps: one.speed_mps, difference: overall.clone() }],
            several => several
                .iter()
                .zip(judged.by_ref())
                .map(|(p, difference)| PointDifference { setpoint_mps: p.speed_mps, difference })
                .collect(),
        };
        let mut found = Judged { overall, points };
        tell(&mut found, &Names { a: &d.a, b: &d.b, with: &d.with }, rules.margin_rad.to_degrees());
        out.push(found);
    }
    out
}
