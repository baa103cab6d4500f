//! Which marks are still found, and how well is their centre known?
//!
//! `cargo run --release --example completeness -- FOLDER [PHOTOS [BLANKS]]` renders pairs of photos of a plain wall with lone marks of known place, size
//! and contrast (PHOTOS pairs of 9 marks each, 4 unless told; BLANKS pairs without any, 24 unless told), finds the marks as the program does, and writes into FOLDER:
//! `truth.csv`, `found.csv`, and each pair's difference image (`N.f32`, rows of 32-bit floats: after over before, less 1) for
//! `tests/cross/completeness.py`, which lets other programs look for blobs in the same images and prints the table.

use std::fmt::Write as _;
use std::path::Path;

use image::RgbImage;
use image::codecs::jpeg::{JpegDecoder, JpegEncoder};
use nalgebra::{Matrix3, Rotation3, Vector3};
use pockmark::camera::{Lens, Pose, WallView};
use pockmark::marks::group::{Rules, group};
use pockmark::marks::learn::learn_with_colour;
use pockmark::marks::pair::linear_table;
use pockmark::marks::patch::Patch;
use pockmark::marks::shape::MarkShape;
use pockmark::marks::{Pair, detect, reduce};
use pockmark::pipeline::behind::Behind;
use pockmark::pipeline::judge::judge;
use pockmark::pipeline::looks::cell_px;
use pockmark::points::{PixelPoint, WallPoint};
use pockmark::render::noise::{smooth, uniform};
use pockmark::render::{LinearImage, Mark, MarkKind, Sensor};
use pockmark::{Error, Result};

/// Photo side, px, and pixels a wall metre: 0.8 px/mm, the scale that the program's bars are given at.
const SIDE: usize = 880;
const PX_PER_M: f64 = 800.0;
/// Marks a row and a column, so far apart that none touches another.
const GRID: usize = 3;
/// Diameters, mm, and the marks' strengths: the largest share of their colour.
const DIAMETERS_MM: [f64; 3] = [16.0, 24.0, 32.0];
const STRENGTHS: [f64; 8] = [0.01, 0.015, 0.02, 0.03, 0.05, 0.08, 0.15, 0.4];
/// Pairs without any mark: on them every program's threshold is set.
const BLANKS: usize = 24;
/// Albedo of wall and marks.
const WALL: [f32; 3] = [0.58, 0.55, 0.50];
const RUBBER: f32 = 0.05;
/// JPEG quality of the photos.
const QUALITY: u8 = 92;

fn view() -> WallView {
    let facing = Matrix3::from_diagonal(&Vector3::new(1.0, -1.0, -1.0));
    let rotation = Rotation3::from_matrix_eps(&facing, 1e-12, 10, Rotation3::identity());
    let lens = Lens::pinhole(SIDE as u32, SIDE as u32, 2.0 * PX_PER_M);
    WallView { lens, pose: Pose { rotation, translation: Vector3::new(0.0, 0.0, 2.0) } }
}

fn wall_at(view: &WallView, x: f64, y: f64) -> WallPoint {
    view.wall_from_pixel(PixelPoint::new(x, y)).unwrap_or_default()
}

/// Share of colour in each pixel: the mean over 3 x 3 points of it.
fn cover(view: &WallView, mark: &Mark, each: &mut impl FnMut(usize, f64)) {
    let middle = view.pixel_from_wall(mark.centre).unwrap_or_default();
    let reach = 0.7 * mark.diameter_m * PX_PER_M + 2.0;
    let range = |c: f64| (c - reach).max(0.0) as usize..((c + reach) as usize + 1).min(SIDE);
    for y in range(middle.y_px) {
        for x in range(middle.x_px) {
            let a: f64 = (0..9)
                .map(|k| {
                    let (dx, dy) = (f64::from(k % 3 - 1) / 3.0, f64::from(k / 3 - 1) / 3.0);
                    mark.alpha(wall_at(view, x as f64 + dx, y as f64 + dy)) / 9.0
                })
                .sum();
            each(y * SIDE + x, a);
        }
    }
}

/// One photo: grained paint under marks, through a phone's sensor and JPEG.
fn photo(view: &WallView, marks: &[Mark], seed: u64) -> Result<RgbImage> {
    let mut pixels: Vec<[f32; 3]> = (0..SIDE * SIDE)
        .map(|i| {
            let (x, y) = ((i % SIDE) as f64, (i / SIDE) as f64);
            WALL.map(|v| v * (1.0 + 0.03 * smooth(x / 3.0, y / 3.0, 7) as f32))
        })
        .collect();
    for mark in marks {
        cover(view, mark, &mut |i, a| {
            pixels[i] = pixels[i].map(|p| p * (1.0 - a as f32) + RUBBER * a as f32);
        });
    }
    let sensor = Sensor { vignette: 0.0, ..Sensor::default() };
    let rgb = sensor.develop(LinearImage { width: SIDE, height: SIDE, pixels }, seed);
    let jpeg = |e: image::ImageError| Error::input(format!("a rendered photo does not go through JPEG: {e}"));
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, QUALITY).encode_image(&rgb).map_err(jpeg)?;
    let back = JpegDecoder::new(std::io::Cursor::new(bytes)).map_err(jpeg)?;
    Ok(image::DynamicImage::from_decoder(back).map_err(jpeg)?.into_rgb8())
}

/// After over before less 1, in linear light, the luma's weights.
fn difference(before: &RgbImage, after: &RgbImage) -> Vec<f32> {
    let table = linear_table();
    let luma =
        |p: &[u8]| 0.3 * table[p[0] as usize] + 0.59 * table[p[1] as usize] + 0.11 * table[p[2] as usize] + 0.002;
    after.as_raw().chunks_exact(3).zip(before.as_raw().chunks_exact(3)).map(|(a, b)| luma(a) / luma(b) - 1.0).collect()
}

/// Marks of a photo, one in each cell of the grid, off its middle by up to 20 px.
fn marks(view: &WallView, diameter_mm: f64, strength: f64, seed: u64) -> Vec<Mark> {
    let cell = SIDE as f64 / GRID as f64;
    (0..GRID * GRID)
        .map(|k| {
            let off = |axis: i64| 40.0 * (uniform(k as i64, axis, seed) - 0.5);
            let at = |n: usize, axis: i64| (n as f64 + 0.5) * cell + off(axis);
            Mark {
                kind: MarkKind::Scuff,
                centre: wall_at(view, at(k % GRID, 0), at(k / GRID, 1)),
                diameter_m: 1e-3 * diameter_mm,
                strength,
                colour: [RUBBER; 3],
                seed: seed.wrapping_mul(100).wrapping_add(k as u64),
            }
        })
        .collect()
}

/// Least standard error an axis of a mark's place, px (Cramer and Rao), from photo noise alone, if its very shape were known:
/// noise / root of the sum of squared slopes.
fn bound_px(view: &WallView, mark: &Mark, noise_sd: f64) -> f64 {
    let shift_px = 0.5;
    let shifted = |sign: f64| {
        let mut m = *mark;
        m.centre.x_m += sign * shift_px / PX_PER_M;
        let mut out = vec![0.0; SIDE * SIDE];
        cover(view, &m, &mut |i, a| out[i] = a);
        out
    };
    let (left, right) = (shifted(-1.0), shifted(1.0));
    let per_opacity = f64::from((WALL[1] - RUBBER) / WALL[1]);
    let slopes: f64 = left.iter().zip(&right).map(|(l, r)| (per_opacity * (r - l) / (2.0 * shift_px)).powi(2)).sum();
    noise_sd / slopes.sqrt()
}

/// Standard deviation of a difference image's noise as a mark feels it: that of means over 8 x 8 px, times 8.
fn noise_sd(images: &[Vec<f32>]) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for d in images {
        for (by, bx) in (0..SIDE / 8).flat_map(|y| (0..SIDE / 8).map(move |x| (y, x))) {
            let mean: f64 = (0..64).map(|k| f64::from(d[(8 * by + k / 8) * SIDE + 8 * bx + k % 8])).sum::<f64>() / 64.0;
            (sum, n) = (sum + mean * mean, n + 1.0);
        }
    }
    8.0 * f64::sqrt(sum / n)
}

fn write(path: &Path, bytes: impl AsRef<[u8]>) -> Result<()> {
    std::fs::write(path, bytes).map_err(|e| Error::io(path, "write", e))
}

fn main() -> Result<()> {
    let mut args = std::env::args().skip(1);
    let Some(folder) = args.next() else {
        return Err(Error::input(
            "usage: completeness FOLDER [PHOTOS [BLANKS]]: name a folder for the images and tables",
        ));
    };
    let folder = Path::new(&folder);
    let photos: usize = args.next().and_then(|a| a.parse().ok()).unwrap_or(4);
    let blank_pairs: usize = args.next().and_then(|a| a.parse().ok()).unwrap_or(BLANKS);
    std::fs::create_dir_all(folder).map_err(|e| Error::io(folder, "make", e))?;
    let view = view();
    let mut truth = String::from("photo,diameter_mm,strength,x_px,y_px,bound_px\n");
    let mut found = String::from("photo,what,x_px,y_px,u_px or significance\n");
    let mut number = 0;
    let mut save = |d: &[f32]| -> Result<usize> {
        number += 1;
        write(&folder.join(format!("{number}.f32")), d.iter().flat_map(|v| v.to_le_bytes()).collect::<Vec<u8>>())?;
        Ok(number)
    };
    // The start knows as much of the marks as a session without settings: 15 to 45 mm across.
    let start = MarkShape::plain((15.0, 45.0));
    let factor = cell_px(start.radius_mm.0 * 1e-3 * PX_PER_M);
    let radius_cells = start.radius_mm.0 * 1e-3 * PX_PER_M / factor as f64;
    let mut look = |before: &RgbImage, after: &RgbImage, n: usize| {
        let pair = Pair::new(before, &view, after, &view);
        let reduced = reduce(&pair, factor, (0, SIDE), (0, SIDE));
        let detection = detect(&reduced, 2.0 * radius_cells, GRID * GRID, &[]);
        for r in &detection.regions {
            let p = reduced.pixel_of(r.peak.0 as f64, r.peak.1 as f64);
            let _ = writeln!(found, "{n},place,{:.2},{:.2},{:.2}", p.x_px, p.y_px, r.significance);
        }
        let paper = vec![false; reduced.width * reduced.height];
        let rules = Rules {
            shots: GRID * GRID,
            radius_mm: start.radius_mm.0,
            radius_cells,
            paper: &paper,
            reachable: &|_| true,
        };
        group(&pair, &reduced, &detection, &rules).patches
    };
    let mut blanks = Vec::new();
    for k in 0..blank_pairs {
        let (before, after) = (photo(&view, &[], 1000 + k as u64)?, photo(&view, &[], 2000 + k as u64)?);
        let d = difference(&before, &after);
        let n = save(&d)?;
        let _ = writeln!(truth, "{n},0,0,,,");
        look(&before, &after, n);
        blanks.push(d);
    }
    let noise = noise_sd(&blanks);
    eprintln!("noise {noise:.5} of the light a pixel, as a mark feels it");
    let mut judged = String::new();
    for (i, &diameter_mm) in DIAMETERS_MM.iter().enumerate() {
        for (j, &strength) in STRENGTHS.iter().enumerate() {
            let mut numbers = Vec::new();
            let mut patches = Vec::new();
            for k in 0..photos {
                let seed = ((i * STRENGTHS.len() + j) * photos + k) as u64 + 10_000;
                let marks = marks(&view, diameter_mm, strength, seed);
                let (before, after) = (photo(&view, &[], 3 * seed)?, photo(&view, &marks, 3 * seed + 1)?);
                let n = save(&difference(&before, &after))?;
                for m in &marks {
                    let p = view.pixel_from_wall(m.centre).unwrap_or_default();
                    let bound = bound_px(&view, m, noise);
                    let _ = writeln!(truth, "{n},{diameter_mm},{strength},{:.3},{:.3},{bound:.4}", p.x_px, p.y_px);
                }
                patches.push(look(&before, &after, n));
                numbers.push(n);
            }
            // A session of these photos: colour and shape are learned from it, then each volley is judged.
            let raw: Vec<_> = patches.iter().map(|p| (GRID * GRID, p.as_slice())).collect();
            let (shape, Some(colour)) = learn_with_colour(&raw, &start) else { continue };
            let opacities: Vec<(usize, Vec<Patch>)> =
                raw.iter().map(|(n, p)| (*n, p.iter().map(|p| shape.opacity(p, colour)).collect())).collect();
            for (n, (shots, patches)) in numbers.iter().zip(&opacities) {
                for m in judge(patches, *shots, &shape, &Behind::default()).marks {
                    let at = WallPoint::new(1e-3 * m.x_mm, 1e-3 * m.y_mm);
                    let p = view.pixel_from_wall(at).unwrap_or_default();
                    let u = 1e-3 * PX_PER_M * (0.5 * (m.covariance_mm2[0][0] + m.covariance_mm2[1][1])).sqrt();
                    let _ = writeln!(judged, "{n},mark,{:.3},{:.3},{u:.3}", p.x_px, p.y_px);
                }
            }
            eprintln!("{diameter_mm} mm, strength {strength}: done");
        }
    }
    found += &judged;
    write(&folder.join("truth.csv"), truth)?;
    write(&folder.join("found.csv"), found)
}
