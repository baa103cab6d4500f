//! Are sheets found where they are small, blurred, badly lit or half hidden, and never where there is none?

use image::{GrayImage, Luma};
use pockmark::points::WallPoint;
use pockmark::render::{Light, RenderCamera, RenderPose, Scene, Sensor, SheetOnWall, Wall, WallKind, render};
use pockmark::sheet::{SheetSet, find_sheets, find_sheets_thoroughly};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Six sheets seen from the front, with squares of `square_px`.
fn photo(square_px: f64, sensor: Sensor, light: Light) -> (GrayImage, RenderCamera, Vec<SheetOnWall>) {
    let (width, height) = (900, 860);
    let across = 2.0 * (0.5_f64 * width as f64 / 1500.0).atan();
    let away = 1500.0 * 0.06 / square_px;
    let pose = RenderPose::looking_at([0.31, 0.3, away], WallPoint::new(0.31, 0.3), 0.03);
    let camera = RenderCamera::pinhole(width, height, across, pose);
    let sheets: Vec<SheetOnWall> = (0..6)
        .map(|i| {
            let (x, y) = ((i % 3) as f64 - 1.0, (i / 3) as f64 - 0.5);
            SheetOnWall::upright(i + 1, WallPoint::new(0.31 + 0.3 * x, 0.17 + 0.36 * y))
        })
        .collect();
    let scene = Scene {
        wall: Wall::endless(WallKind::PaintedBoard, 3),
        smears: Vec::new(),
        sheets: sheets.clone(),
        marks: Vec::new(),
        solids: Vec::new(),
        light,
    };
    let photo = render(&scene, &camera, &sensor, 9).unwrap();
    (image::DynamicImage::ImageRgb8(photo).to_luma8(), camera, sheets)
}

fn bright() -> Light {
    Light { level: 0.9, ..Light::default() }
}

#[test]
fn tags_of_three_pixels_a_module_are_read_at_a_blur_of_two() {
    // Blurred after it was taken, at three pixels a module; and by the lens, before the tone curve, which eats the thin dark
    // borders, at a little more.
    let sharp = Sensor { blur_px: 0.6, sharpen: 0.0, ..Sensor::default() };
    let (small, camera, sheets) = photo(33.0, sharp, bright());
    let small = image::imageops::blur(&small, 1.9);
    let soft = Sensor { blur_px: 2.0, sharpen: 0.0, ..Sensor::default() };
    let (lens, near, _) = photo(43.0, soft, bright());
    for (gray, camera) in [(small, camera), (lens, near)] {
        let seen = find_sheets_thoroughly(&gray, &SheetSet::default());
        assert_eq!(seen.sheets.len(), 6, "{:?}", seen.stray_tags.len());
        for s in &seen.sheets {
            let hung = &sheets[s.number - 1];
            assert!(s.blur_px > 1.5 && s.blur_px < 2.8, "{}", s.blur_px);
            for c in &s.corners {
                let truth = camera.pixel(hung.wall_point(c.sheet)).unwrap();
                let off = truth.distance_px(c.saddle.point);
                assert!(off < 0.15 && c.saddle.u_px > 0.0, "sheet {} corner {}: {off} px off", s.number, c.index);
            }
        }
    }
}

#[test]
fn uneven_light_hides_no_sheet() {
    let light = Light {
        level: 0.5,
        middle: WallPoint::new(0.31, 0.3),
        slope_right_per_m: 1.0,
        slope_up_per_m: 0.6,
        ..Light::default()
    };
    let (gray, ..) = photo(40.0, Sensor::default(), light);
    let seen = find_sheets(&gray, &SheetSet::default());
    assert_eq!(seen.sheets.iter().map(|s| s.corners.len()).sum::<usize>(), 36, "{:?}", seen.stray_tags);
}

#[test]
fn two_tags_are_enough_for_the_corners_between_them() {
    let (mut gray, camera, sheets) = photo(40.0, Sensor::default(), bright());
    // A plank before the lower half of sheet 2: the tags of the upper two rows stay.
    let hung = &sheets[1];
    let corner = |u_mm: f64, v_mm: f64| {
        camera.pixel(hung.wall_point(pockmark::sheet::geometry::SheetPoint { u_mm, v_mm })).unwrap()
    };
    let (a, b) = (corner(-20.0, 128.0), corner(200.0, 270.0));
    for y in a.y_px as u32..b.y_px as u32 {
        for x in a.x_px as u32..b.x_px as u32 {
            gray.put_pixel(x, y, Luma([95 + (x * 7 % 13) as u8]));
        }
    }
    let seen = find_sheets(&gray, &SheetSet::default());
    let two = seen.sheets.iter().find(|s| s.number == 2).unwrap();
    // Rows of corners at 60 and 120 mm; the plank begins 8 mm below the second, inside the window of its corners.
    assert!(two.tags.len() >= 2 && two.corners.iter().filter(|c| c.index < 2).count() == 2, "{two:?}");
    for c in &two.corners {
        let off = camera.pixel(hung.wall_point(c.sheet)).unwrap().distance_px(c.saddle.point);
        assert!(off < 0.1, "corner {}: {off} px off", c.index);
    }
    assert_eq!(seen.sheets.len(), 6);
}

#[test]
fn sheets_are_recognised_as_a_whole_where_the_lens_blurs_their_tags_away() {
    // Three pixels a module, blurred with 2 px in the light itself: few tags can be read one by one.
    let mut corners = 0;
    for run in 0..2 {
        let soft = Sensor { blur_px: 2.0, sharpen: 0.0, ..Sensor::default() };
        let (gray, camera, sheets) = photo(32.0 + 0.37 * f64::from(run), soft, bright());
        let seen = find_sheets(&gray, &SheetSet::default());
        for s in &seen.sheets {
            corners += s.corners.len();
            for c in &s.corners {
                let truth = camera.pixel(sheets[s.number - 1].wall_point(c.sheet)).unwrap();
                let off = truth.distance_px(c.saddle.point);
                assert!(off < 0.2, "sheet {} corner {}: {off} px off", s.number, c.index);
            }
        }
    }
    println!("{corners} of 72 corners");
    assert!(corners >= 66, "{corners} of 72 corners");
}

#[test]
fn corners_are_kept_in_the_noise_of_a_dim_room() {
    // A phone at a high ISO: grainy in the dark squares, which the tone curve makes brighter, hardly in the light ones; the photo is sharpened.
    let high_iso = Sensor { blur_px: 0.6, shot_variance: 6e-3, read_sd: 0.03, sharpen: 1.0, ..Sensor::default() };
    let (gray, camera, sheets) = photo(40.0, high_iso, Light { level: 0.5, ..Light::default() });
    let seen = find_sheets(&gray, &SheetSet::default());
    let (mut corners, mut sum) = (0, 0.0);
    for s in &seen.sheets {
        assert!(!s.lost_its_corners(), "sheet {}: {} tags, {} corners", s.number, s.tags.len(), s.corners.len());
        for c in &s.corners {
            let truth = camera.pixel(sheets[s.number - 1].wall_point(c.sheet)).unwrap();
            let (dx, dy) = (c.saddle.point.x_px - truth.x_px, c.saddle.point.y_px - truth.y_px);
            assert!(dx.hypot(dy) < 0.3, "sheet {} corner {}: {dx} {dy} px off", s.number, c.index);
            sum += (dx / c.saddle.u_px).powi(2) + (dy / c.saddle.u_px).powi(2);
            corners += 1;
        }
    }
    let chi = sum / f64::from(2 * corners);
    println!("{} sheets, {corners} of 36 corners, chi-squared {chi:.2}", seen.sheets.len());
    // 72 numbers: a mean of their squares beyond this is 1 in 300.
    assert!(corners >= 35 && (0.5..1.6).contains(&chi), "{corners} of 36 corners, chi-squared {chi}");
}

/// A million pixels of what is not a sheet.
fn clutter(kind: usize, rng: &mut ChaCha8Rng) -> GrayImage {
    let mut g = GrayImage::from_pixel(1000, 1000, Luma([128]));
    match kind {
        // Noise in cells of several sizes.
        0 => {
            let cell = 2 + rng.random::<u32>() % 9;
            let values: Vec<u8> = (0..250_000).map(|_| if rng.random::<bool>() { 30 } else { 220 }).collect();
            for (x, y, p) in g.enumerate_pixels_mut() {
                p.0[0] = values[(y / cell * (1000 / cell + 1) + x / cell) as usize];
            }
        }
        // Dark frames with random fillings: tags of no family.
        1 => {
            for _ in 0..220 {
                let (m, x0, y0) = (3 + rng.random::<u32>() % 4, rng.random::<u32>() % 900, rng.random::<u32>() % 900);
                for y in 0..10 * m {
                    for x in 0..10 * m {
                        let (i, j) = (x / m, y / m);
                        let rim = i == 0 || j == 0 || i == 9 || j == 9;
                        let frame = i == 1 || j == 1 || i == 8 || j == 8;
                        let bit = (i * 7 + j * 13 + x0 * 31 + y0 * 17 + i * j * (x0 % 5)) % 3 == 0;
                        let v = if rim || (!frame && bit) { 225 } else { 25 };
                        if x0 + x < 1000 && y0 + y < 1000 {
                            g.put_pixel(x0 + x, y0 + y, Luma([v]));
                        }
                    }
                }
            }
        }
        // Boards as our sheets have them, but for the tags: those are of no family, and soft.
        3 => {
            let (square, module) = (32, 3);
            for board in 0..42 {
                let (left, top) = (20 + 140 * (board % 7), 15 + 165 * (board / 7));
                for y in 0..4 * square {
                    for x in 0..3 * square {
                        let black = (x / square + y / square) % 2 == 0;
                        g.put_pixel(left + x, top + y, Luma([if black { 25 } else { 225 }]));
                    }
                }
                for cell in (0..12).filter(|c| (c / 3 + c % 3) % 2 == 1) {
                    let (x0, y0) = (left + cell % 3 * square + 4, top + cell / 3 * square + 4);
                    let bits: u64 = rng.random();
                    for y in 0..8 * module {
                        for x in 0..8 * module {
                            let (i, j) = (x / module, y / module);
                            let border = i == 0 || j == 0 || i == 7 || j == 7;
                            let white = !border && bits >> (8 * j + i) & 1 == 1;
                            g.put_pixel(x0 + x, y0 + y, Luma([if white { 225 } else { 25 }]));
                        }
                    }
                }
            }
            g = image::imageops::blur(&g, 1.5);
        }
        // A plain checkerboard, and rectangles over it.
        _ => {
            for (x, y, p) in g.enumerate_pixels_mut() {
                p.0[0] = if (x / 31 + y / 31) % 2 == 0 { 30 } else { 225 };
            }
            for _ in 0..400 {
                let (x0, y0) = (rng.random::<u32>() % 960, rng.random::<u32>() % 960);
                let (w, h, v) = (3 + rng.random::<u32>() % 36, 3 + rng.random::<u32>() % 36, rng.random::<u8>());
                for y in y0..y0 + h {
                    for x in x0..x0 + w {
                        g.put_pixel(x, y, Luma([v]));
                    }
                }
            }
        }
    }
    g
}

#[test]
fn nothing_is_invented_in_a_million_pixels_of_clutter() {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    for kind in 0..4 {
        let g = clutter(kind, &mut rng);
        for seen in [find_sheets(&g, &SheetSet::default()), find_sheets_thoroughly(&g, &SheetSet::default())] {
            assert!(seen.sheets.is_empty(), "kind {kind}: {:?}", seen.sheets);
            assert!(seen.stray_tags.is_empty(), "kind {kind}: {:?}", seen.stray_tags);
        }
    }
}
