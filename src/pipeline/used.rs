//! How much of the place where shots will strike is used up by marks?
//!
//! Shots like a volley's fall again about its mean with the session's scatter. A new mark there lies on old ones; the share of it that
//! they cover is summed over a lattice of places of the new mark, weighted by how likely each is, and of points of its disc. Where half
//! is covered, half of a mark's outline is still on bare wall; with more, its place leans on what hides it.

use super::crowd::MAY_COVER;
use super::measured::Measured;
use crate::marks::shape::MarkShape;
use crate::session::flags::FlagWord;
use crate::session::results::Status;

/// The lattice of places: steps of half a standard deviation up to two and a half.
const STEP_SD: f64 = 0.5;
const STEPS: i32 = 5;
/// Rings and spokes of points of a disc.
const RINGS: usize = 3;
const SPOKES: usize = 8;

/// A mark on the wall, mm.
#[derive(Clone, Copy)]
struct Old {
    at: [f64; 2],
    radius_mm: f64,
}

/// Share, 0 to 1, of a new mark that old ones are expected to cover.
fn covered(old: &[Old], mean_mm: [f64; 2], shape: &MarkShape) -> f64 {
    let (r, (sx, sy)) = (shape.radius_mm.0, shape.group_mm);
    let near: Vec<Old> = old
        .iter()
        .copied()
        .filter(|o| {
            let reach = |s: f64| STEP_SD * f64::from(STEPS) * s + r + o.radius_mm;
            (o.at[0] - mean_mm[0]).abs() < reach(sx) && (o.at[1] - mean_mm[1]).abs() < reach(sy)
        })
        .collect();
    let (mut sum, mut all) = (0.0, 0.0);
    for i in -STEPS..=STEPS {
        for j in -STEPS..=STEPS {
            let (u, v) = (STEP_SD * f64::from(i), STEP_SD * f64::from(j));
            let weight = (-0.5 * (u * u + v * v)).exp();
            for ring in 0..RINGS {
                // Rings of equal area.
                let d = r * ((ring as f64 + 0.5) / RINGS as f64).sqrt();
                for k in 0..SPOKES {
                    let (s, c) = (k as f64 * std::f64::consts::TAU / SPOKES as f64).sin_cos();
                    let p = [mean_mm[0] + u * sx + d * c, mean_mm[1] + v * sy + d * s];
                    let hit = near.iter().any(|o| (o.at[0] - p[0]).hypot(o.at[1] - p[1]) < o.radius_mm);
                    sum += if hit { weight } else { 0.0 };
                    all += weight;
                }
            }
        }
    }
    sum / all
}

/// Says of each volley how much of its place old marks covered, before it and after. `pages` has for each volley the row at which
/// its page of the wall began; `current` is the page of today's wall.
pub fn use_up(measured: &mut [Measured], pages: &[usize], current: usize, shape: &MarkShape) {
    let mut on_page: Vec<Old> = Vec::new();
    let mut page = None;
    let last = measured.len().saturating_sub(1);
    for (i, m) in measured.iter_mut().enumerate() {
        let own = pages.get(i).copied();
        if own != page {
            on_page.clear();
            page = own;
        }
        let mean = m.mean_mm();
        let before = mean.map(|p| covered(&on_page, p, shape));
        on_page.extend(m.marks.iter().map(|k| Old { at: [k.found.x_mm, k.found.y_mm], radius_mm: k.found.radius_mm }));
        let after = mean.map(|p| covered(&on_page, p, shape));
        m.covered = before.zip(after).map(|(b, a)| [b, a]);
        let unclear = m.flags.iter().any(|f| {
            matches!(f, FlagWord::MissingShots | FlagWord::ExtraMarks | FlagWord::Doubtful | FlagWord::Merged)
        });
        if let Some([before, after]) = m.covered {
            if before > MAY_COVER && unclear && m.status == Status::Look {
                m.look(FlagWord::WipeWall, format!(
                    "old marks covered {:.0} % of the place where it struck, so that new ones may hide on them: wipe the wall or put up new paper, and photograph it as a row with shots = 0",
                    100.0 * before
                ));
            }
            if i == last && own == Some(current) && after > MAY_COVER {
                m.flags.push(FlagWord::WipeSoon);
                m.flags.sort_unstable();
            }
        }
    }
}

/// A sentence on places of today's wall where shots like earlier ones should not be fired again before it is wiped.
pub fn wipe_soon(measured: &[Measured]) -> Option<String> {
    let last = measured.last()?;
    let [_, after] = last.covered?;
    last.flags.contains(&FlagWord::WipeSoon).then(|| {
        format!(
            "marks cover {:.0} % of the place where shots like volley {}'s will fall again: wipe the wall or put up new paper before them, and photograph it as a row with shots = 0",
            100.0 * after,
            last.volley.row.volley
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_old_mark_covers_what_geometry_says_and_far_ones_nothing() {
        // A hair's breadth of scatter, one old mark half a radius away: the lens of two circles over one's area.
        let shape = MarkShape { group_mm: (0.01, 0.01), radius_mm: (14.0, 1.0), ..MarkShape::plain((15.0, 45.0)) };
        let d: f64 = 0.5;
        let lens = 2.0 * (0.5 * d).acos() - 0.5 * d * (4.0 - d * d).sqrt();
        let old = [Old { at: [7.0, 0.0], radius_mm: 14.0 }];
        let share = covered(&old, [0.0, 0.0], &shape);
        // 24 points: one of them is 4 %.
        assert!((share - lens / std::f64::consts::PI).abs() < 0.06, "{share} {}", lens / std::f64::consts::PI);
        assert_eq!(covered(&old, [300.0, 0.0], &shape), 0.0);
        // Many marks everywhere: all of it.
        let many: Vec<Old> = (0..400)
            .map(|i| Old { at: [f64::from(i % 20) * 8.0 - 80.0, f64::from(i / 20) * 8.0 - 80.0], radius_mm: 14.0 })
            .collect();
        let wide = MarkShape { group_mm: (12.0, 12.0), ..shape };
        assert!(covered(&many, [0.0, 0.0], &wide) > 0.999);
    }
}
