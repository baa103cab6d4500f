//! Are false places as rare, and centres as good, as they are stated to be?
//!
//! Photos and patches are rendered with known truth; what is counted is held against its own scatter.

use image::RgbImage;
use image::codecs::jpeg::{JpegDecoder, JpegEncoder};
use nalgebra::{Matrix3, Rotation3, Vector3};
use pockmark::camera::{Lens, Pose, WallView};
use pockmark::marks::detect::FALSE_PER_PHOTO;
use pockmark::marks::fit::{FittedMark, UNKNOWNS, opacity_and_parts_at, opacity_at};
use pockmark::marks::learn::learn;
use pockmark::marks::patch::Patch;
use pockmark::marks::separate::{Effort, between_trials_mm2, explain, reconsider, refine};
use pockmark::marks::shape::MarkShape;
use pockmark::marks::ways::ways;
use pockmark::marks::{Pair, detect, reduce};
use pockmark::points::WallPoint;
use pockmark::render::noise::{hash, smooth, uniform};
use pockmark::render::{LinearImage, Mark, MarkKind, Sensor};
use rayon::prelude::*;

/// Photo side, px, and pixels a wall metre.
const SIDE: usize = 440;
const PX_PER_M: f64 = 800.0;

/// A photo of grained paint through a phone's sensor and JPEG.
fn bare_photo(quality: u8, seed: u64) -> RgbImage {
    let pixels = (0..SIDE * SIDE)
        .map(|i| {
            let grain = smooth((i % SIDE) as f64 / 3.0, (i / SIDE) as f64 / 3.0, 7);
            [0.58, 0.55, 0.50].map(|v| v * (1.0 + 0.03 * grain as f32))
        })
        .collect();
    let sensor = Sensor { vignette: 0.0, ..Sensor::default() };
    let rgb = sensor.develop(LinearImage { width: SIDE, height: SIDE, pixels }, seed);
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, quality).encode_image(&rgb).unwrap();
    let back = JpegDecoder::new(std::io::Cursor::new(bytes)).unwrap();
    image::DynamicImage::from_decoder(back).unwrap().into_rgb8()
}

#[test]
fn false_places_in_a_hundred_and_twenty_pairs_without_a_change_are_as_rare_as_stated() {
    let facing = Matrix3::from_diagonal(&Vector3::new(1.0, -1.0, -1.0));
    let rotation = Rotation3::from_matrix_eps(&facing, 1e-12, 10, Rotation3::identity());
    let lens = Lens::pinhole(SIDE as u32, SIDE as u32, 2.0 * PX_PER_M);
    let view = WallView { lens, pose: Pose { rotation, translation: Vector3::new(0.0, 0.0, 2.0) } };
    let pairs = 120;
    let places: Vec<(usize, f64, [f32; 3])> = (0..pairs)
        .into_par_iter()
        .flat_map_iter(|k| {
            let quality = [92, 85, 95][k % 3];
            let (before, after) = (bare_photo(quality, 2 * k as u64 + 1), bare_photo(quality, 2 * k as u64 + 2));
            let pair = Pair::new(&before, &view, &after, &view);
            let reduced = reduce(&pair, 2, (0, SIDE), (0, SIDE));
            let found = detect(&reduced, 12.0, 5, &[]);
            found.regions.into_iter().map(move |r| (k, r.significance, r.change)).collect::<Vec<_>>()
        })
        .collect();
    println!("{} false places in {pairs} pairs: {places:?}", places.len());
    // Counts are Poisson's: three standard deviations over what is stated.
    let stated = FALSE_PER_PHOTO * pairs as f64;
    assert!((places.len() as f64) < stated + 3.0 * stated.sqrt() + 0.5, "{places:?}");
}

#[test]
fn parts_of_marks_are_what_opacity_gains_when_each_grows() {
    let shape = MarkShape::plain((20.0, 40.0));
    let marks = [
        FittedMark::disc(0.0, 0.0, 14.0, 0.4),
        FittedMark::disc(9.0, 3.0, 13.0, 0.5),
        FittedMark::disc(80.0, 0.0, 14.0, 0.3),
    ];
    for w in [[2.0, 1.0], [7.0, -3.0], [-12.0, 2.0], [15.0, 5.0], [80.0, 3.0], [40.0, 0.0]] {
        let (laid, parts) = opacity_and_parts_at(&marks, &shape, w);
        assert!((laid - opacity_at(&marks, &shape, w)).abs() < 1e-12);
        let squares: f64 = (0..marks.len())
            .map(|k| {
                let mut grown = marks;
                grown[k].strength *= 1.0 + 1e-6;
                ((opacity_at(&grown, &shape, w) - laid) / 1e-6).powi(2)
            })
            .sum();
        assert!((parts - squares).abs() < 1e-5 * (1.0 + parts), "{w:?}: {parts} {squares}");
    }
}

/// Side of a patch, px of a millimetre and a quarter.
const PATCH: usize = 84;

/// Torn marks on bare wall, as a patch: opacity with white noise.
fn patch_of(marks: &[Mark], noise: f64, seed: u64) -> Patch {
    let at = |i: usize| [1.25 * ((i % PATCH) as f64 - 41.5), 1.25 * (41.5 - (i / PATCH) as f64)];
    let wall_mm: Vec<[f64; 2]> = (0..PATCH * PATCH).map(at).collect();
    let opacity: Vec<f64> = wall_mm
        .iter()
        .enumerate()
        .map(|(i, w)| {
            let share = |dx: f64, dy: f64| {
                let p = WallPoint::new(1e-3 * (w[0] + dx), 1e-3 * (w[1] + dy));
                1.0 - marks.iter().map(|m| 1.0 - m.alpha(p)).product::<f64>()
            };
            let a = (0..9).map(|k| share(0.42 * f64::from(k % 3 - 1), 0.42 * f64::from(k / 3 - 1))).sum::<f64>() / 9.0;
            // Twelve uniform numbers make a normal one, nearly.
            let n: f64 = (0..12).map(|k| uniform(i as i64, k, seed ^ 77)).sum::<f64>() - 6.0;
            a + noise * n
        })
        .collect();
    let level = (0..PATCH * PATCH)
        .map(|i| {
            let (x, y) = (i % PATCH, i / PATCH);
            let (mut sum, mut n) = (0.0, 0.0);
            for v in y.saturating_sub(1)..(y + 2).min(PATCH) {
                for u in x.saturating_sub(1)..(x + 2).min(PATCH) {
                    (sum, n) = (sum + opacity[v * PATCH + u], n + 1.0);
                }
            }
            f64::max(sum / n, 0.0)
        })
        .collect();
    Patch {
        width: PATCH,
        height: PATCH,
        sigma: vec![noise; opacity.len()],
        opacity,
        level,
        wall_mm,
        mm_per_px: 1.25,
        noise_rho: vec![1.0],
        noise_grain_px: 1.0,
    }
}

/// Errors over their u of the centres of torn marks, two a patch, `apart_mm` apart.
fn normalised_errors(kind: MarkKind, patches: usize, apart_mm: f64, seed: u64) -> Vec<f64> {
    let days: Vec<(Vec<Mark>, Patch)> = (0..patches)
        .into_par_iter()
        .map(|k| {
            let draw = |i: i64| uniform(k as i64, i, seed);
            let turn = std::f64::consts::TAU * draw(0);
            let marks: Vec<Mark> = [-0.5, 0.5]
                .iter()
                .enumerate()
                .map(|(i, side)| Mark {
                    kind,
                    centre: WallPoint::new(1e-3 * side * apart_mm * turn.cos(), 1e-3 * side * apart_mm * turn.sin()),
                    diameter_m: 1e-3 * (24.0 + 7.0 * draw(1 + i as i64)),
                    strength: 0.4 + 0.3 * draw(3 + i as i64),
                    colour: [0.05; 3],
                    seed: hash(k as i64, i as i64, seed),
                })
                .collect();
            let patch = patch_of(&marks, 0.01, seed + k as u64);
            (marks, patch)
        })
        .collect();
    let volleys: Vec<(usize, Vec<Patch>)> = days.iter().map(|d| (2, vec![d.1.clone()])).collect();
    let shape = learn(&volleys, MarkShape::plain((15.0, 45.0)));
    let area = shape.area_mm2((0.0, 0.0));
    days.par_iter()
        .flat_map_iter(|(marks, patch)| {
            let explained = explain(patch, &shape, area, 2, Effort::Whole);
            let [_, one, fit] = &explained.fits[..] else { return Vec::new() };
            // What the program would take for one mark says nothing of two.
            if one.minus_2_ln_evidence < fit.minus_2_ln_evidence {
                return Vec::new();
            }
            let fit = refine(patch, &shape, area, &reconsider(patch, &shape, area, fit));
            let between = between_trials_mm2(&fit);
            let far = |a: usize, b: usize| {
                (fit.marks[a].x_mm - 1e3 * marks[b].centre.x_m).hypot(fit.marks[a].y_mm - 1e3 * marks[b].centre.y_m)
            };
            let order = if far(0, 0) + far(1, 1) < far(0, 1) + far(1, 0) { [0, 1] } else { [1, 0] };
            let mut out = Vec::new();
            for (i, m) in fit.marks.iter().enumerate() {
                let truth = marks[order[i]].centre;
                for (k, off) in [m.x_mm - 1e3 * truth.x_m, m.y_mm - 1e3 * truth.y_m].into_iter().enumerate() {
                    let at = UNKNOWNS * i + k;
                    let variance = fit.lack_of_fit[i] * fit.covariance[(at, at)] + between[i][k][k];
                    out.push(off / variance.sqrt());
                }
            }
            out
        })
        .collect()
}

#[test]
fn intervals_of_marks_hold_what_they_state() {
    // What k = 2 stands for.
    let least = 0.95;
    for kind in [MarkKind::Scuff, MarkKind::Rough] {
        for (apart_mm, name) in [(70.0, "lone"), (20.0, "touching"), (9.0, "overlapping")] {
            let z = normalised_errors(kind, 60, apart_mm, 5);
            let n = z.len() as f64;
            let held = z.iter().filter(|z| z.abs() < 2.0).count() as f64 / n;
            let mut sizes: Vec<f64> = z.iter().map(|z| z.abs()).collect();
            sizes.sort_by(f64::total_cmp);
            let usual = sizes[sizes.len() / 2] / 0.6745;
            println!(
                "{kind:?}, {name}: {n} coordinates, {:.1} % within 2 u, error over u usually {usual:.2}",
                100.0 * held
            );
            assert!(n >= 80.0, "{kind:?}, {name}: {n} coordinates");
            // Both coordinates of both marks of a patch hang together: half as many count. Three standard deviations.
            let slack = 3.0 * (least * (1.0 - least) / (0.5 * n)).sqrt();
            assert!(held > least - slack, "{kind:?}, {name}: {held:.3}, slack {slack:.3}");
            assert!(usual > 0.2, "{kind:?}, {name}: intervals are far wider than they need be ({usual:.2})");
        }
    }
}

/// A scuff at a place, mm.
fn scuff(x_mm: f64, y_mm: f64, strength: f64, seed: u64) -> Mark {
    let centre = WallPoint::new(1e-3 * x_mm, 1e-3 * y_mm);
    Mark { kind: MarkKind::Scuff, centre, diameter_m: 0.028, strength, colour: [0.05; 3], seed }
}

#[test]
fn a_way_that_is_known_is_weighed_with_those_that_adding_one_mark_finds() {
    let shape = MarkShape::plain((15.0, 45.0));
    let patch = patch_of(&[scuff(-9.0, 0.0, 0.5, 1), scuff(9.0, 2.0, 0.5, 2), scuff(0.0, 16.0, 0.5, 3)], 0.01, 4);
    // One mark where two are, and the third: what is right needs more than one more mark.
    let base = [FittedMark::disc(0.0, 1.0, 17.0, 0.4), FittedMark::disc(0.0, 16.0, 14.0, 0.4)];
    let right = [(-9.0, 0.0), (9.0, 2.0), (0.0, 16.0)].map(|(x, y)| FittedMark::disc(x, y, 14.0, 0.4));
    let with = ways(std::slice::from_ref(&patch), &[&base], Some((0, &right)), &shape);
    let without = ways(&[patch], &[&base], None, &shape);
    let most = |ways: &[pockmark::marks::ways::Way]| ways.iter().map(|w| w.gain).fold(f64::MIN, f64::max);
    println!("gain {:.0} with it, {:.0} without", most(&with), most(&without));
    let best = with.iter().max_by(|a, b| a.gain.total_cmp(&b.gain)).unwrap();
    assert!(most(&with) > most(&without) + 50.0 && best.weight > 0.99, "{with:?}");
}

#[test]
fn no_ball_hides_far_from_all_marks_however_much_changed_there() {
    let shape = MarkShape { group_mm: (15.0, 15.0), ..MarkShape::plain((15.0, 45.0)) };
    let group = patch_of(&[scuff(-8.0, 0.0, 0.5, 1), scuff(6.0, 3.0, 0.5, 2)], 0.01, 4);
    // A shadow's edge, a puddle: two weak discs, of which one is taken for something that is no mark.
    let mut far = patch_of(&[scuff(-8.0, 0.0, 0.09, 5), scuff(12.0, 0.0, 0.09, 6)], 0.001, 7);
    far.wall_mm.iter_mut().for_each(|w| w[1] += 900.0);
    let nothing = [FittedMark::disc(-8.0, 900.0, 14.0, 0.03)];
    assert!(!shape.counts(&nothing[0]), "so weak a mark is none");
    let marks = [FittedMark::disc(-8.0, 0.0, 14.0, 0.4)];
    let all = ways(&[group, far], &[&marks, &nothing], None, &shape);
    assert!(!all.is_empty() && all.iter().all(|w| w.patch == 0), "{all:?}");
}
