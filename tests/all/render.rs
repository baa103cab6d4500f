//! Is a rendered photo what the scene, the lens and the sensor say, to a few thousandths of a pixel?

use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder};
use pockmark::points::{PixelPoint, WallPoint};
use pockmark::render::jpeg::{ExifFields, encode_jpeg};
use pockmark::render::{
    Light, LinearImage, Mark, MarkKind, RenderCamera, RenderPose, Scene, Sensor, SheetOnWall, Wall, WallKind, optics,
    radiance, render,
};
use pockmark::sheet::geometry::{SADDLES, SheetPoint};

fn sheet() -> SheetOnWall {
    SheetOnWall {
        turn_rad: 0.03,
        scale_across: 1.004,
        scale_down: 0.997,
        ..SheetOnWall::upright(3, WallPoint::new(0.05, -0.12))
    }
}

fn plain(sheets: Vec<SheetOnWall>, marks: Vec<Mark>) -> Scene {
    Scene {
        wall: Wall::endless(WallKind::Plain, 1),
        smears: vec![],
        sheets,
        marks,
        solids: vec![],
        light: Light::default(),
    }
}

/// A slanting view through a lens with all five terms.
fn camera(width: usize, height: usize) -> RenderCamera {
    let pose = RenderPose::looking_at([0.45, 0.35, 0.9], WallPoint::new(0.03, 0.0), 0.07);
    let mut c = RenderCamera::pinhole(width, height, 0.75, pose);
    (c.k1, c.k2, c.p1, c.p2, c.k3) = (-0.11, 0.06, 4e-4, -6e-4, -0.02);
    c
}

fn linear(photo: &LinearImage, x: usize, y: usize) -> f64 {
    f64::from(photo.get(x, y).unwrap()[0])
}

/// An edge's place in one column, from how much white stands above the black: exact for a straight edge.
#[test]
fn edges_of_a_sheet_lie_where_the_lens_puts_them() {
    let (sheet, camera) = (sheet(), camera(900, 700));
    let photo = radiance(&plain(vec![sheet], vec![]), &camera).unwrap();
    let pixel = |u_mm: f64, v_mm: f64| camera.pixel(sheet.wall_point(SheetPoint { u_mm, v_mm })).unwrap();
    // Well inside paper and ink: the levels that the edge parts.
    let level = |u: f64, v: f64| {
        let p = pixel(u, v);
        linear(&photo, p.x_px.round() as usize, p.y_px.round() as usize)
    };
    let (white, black) = (level(30.0, -5.0), level(30.0, 30.0));
    assert!(white > 0.7 && black < 0.1, "{white} {black}");
    let (mut worst_px, mut edges) = (0.0_f64, 0);
    // The top edge of the top-left square, column by column; the right edge of the second row's middle square, row by row.
    let ends = (pixel(8.0, 0.0), pixel(52.0, 0.0));
    for x in ends.0.x_px.ceil() as usize..ends.1.x_px.floor() as usize {
        // Where the edge crosses the middle of this column.
        let (mut lo, mut hi) = (0.0, 60.0);
        for _ in 0..60 {
            let mid = 0.5 * (lo + hi);
            if pixel(mid, 0.0).x_px < x as f64 { lo = mid } else { hi = mid }
        }
        let want = pixel(lo, 0.0).y_px;
        let (top, bottom) = (want as usize - 4, want as usize + 5);
        let share: f64 = (top..=bottom).map(|y| (linear(&photo, x, y) - black) / (white - black)).sum();
        worst_px = worst_px.max((top as f64 - 0.5 + share - want).abs());
        edges += 1;
    }
    let ends = (pixel(120.0, 68.0), pixel(120.0, 112.0));
    for y in ends.0.y_px.ceil() as usize..ends.1.y_px.floor() as usize {
        let (mut lo, mut hi) = (60.0, 120.0);
        for _ in 0..60 {
            let mid = 0.5 * (lo + hi);
            if pixel(120.0, mid).y_px < y as f64 { lo = mid } else { hi = mid }
        }
        let want = pixel(120.0, lo).x_px;
        let (left, right) = (want as usize - 4, want as usize + 5);
        let share: f64 = (left..=right).map(|x| (linear(&photo, x, y) - black) / (white - black)).sum();
        worst_px = worst_px.max((right as f64 + 0.5 - share - want).abs());
        edges += 1;
    }
    println!("{edges} edge places, worst {worst_px:.5} px");
    assert!(edges > 50, "{edges}");
    // What is left is single precision of the light and the edge's curve within a pixel.
    assert!(worst_px < 0.002, "{worst_px} px");
}

/// Saddles by a quadratic fit on the smoothed light, in a round window of 3 px that stays clear of the tags.
#[test]
fn saddles_of_a_sheet_lie_where_the_lens_puts_them() {
    let (sheet, camera) = (sheet(), camera(900, 700));
    let photo = optics(&plain(vec![sheet], vec![]), &camera, 0.7).unwrap();
    // Light at a place between pixels: Gaussian weights about that very place.
    let smooth = |x: f64, y: f64| {
        let (mut sum, mut weight) = (0.0, 0.0);
        for j in (y - 4.0).ceil() as usize..=(y + 4.0) as usize {
            for i in (x - 4.0).ceil() as usize..=(x + 4.0) as usize {
                let r2 = (i as f64 - x).powi(2) + (j as f64 - y).powi(2);
                let w = (-0.5 * r2 / 1.2_f64.powi(2)).exp();
                sum += w * linear(&photo, i, j);
                weight += w;
            }
        }
        sum / weight
    };
    let grid: Vec<(f64, f64)> = (-3..=3_i32)
        .flat_map(|j| (-3..=3_i32).map(move |i| (i, j)))
        .filter(|(i, j)| i * i + j * j <= 9)
        .map(|(i, j)| (f64::from(i), f64::from(j)))
        .collect();
    let rows: Vec<f64> = grid.iter().flat_map(|&(x, y)| [1.0, x, y, x * x, x * y, y * y]).collect();
    let fit = nalgebra::DMatrix::from_row_slice(grid.len(), 6, &rows).svd(true, true);
    let mut worst_px = 0.0_f64;
    for i in 0..SADDLES {
        let want = camera.pixel(sheet.wall_point(sheet.geometry.saddle(i))).unwrap();
        // From the nearest whole pixel, centred anew until it rests.
        let mut at = PixelPoint::new(want.x_px.round(), want.y_px.round());
        for _ in 0..20 {
            let values: Vec<f64> = grid.iter().map(|&(x, y)| smooth(at.x_px + x, at.y_px + y)).collect();
            let c = fit.solve(&nalgebra::DVector::from_vec(values), 1e-12).unwrap();
            let det = 4.0 * c[3] * c[5] - c[4] * c[4];
            assert!(det < 0.0, "not a saddle");
            at.x_px += (c[4] * c[2] - 2.0 * c[5] * c[1]) / det;
            at.y_px += (c[4] * c[1] - 2.0 * c[3] * c[2]) / det;
        }
        worst_px = worst_px.max(at.distance_px(want));
    }
    println!("worst saddle {worst_px:.5} px");
    // Rendering sheets twice as fine as pixels leaves 0.007; without that it is 0.019.
    assert!(worst_px < 0.01, "{worst_px} px");
}

#[test]
fn noise_is_as_strong_as_asked() {
    let camera =
        RenderCamera::pinhole(400, 300, 0.5, RenderPose::looking_at([0.0, 0.0, 2.0], WallPoint::default(), 0.0));
    let sensor = Sensor { shot_variance: 4e-4, read_sd: 0.004, ..Sensor::perfect() };
    for level in [0.1, 0.5, 1.2] {
        let scene = Scene { light: Light { level, ..Light::default() }, ..plain(vec![], vec![]) };
        let photo = render(&scene, &camera, &sensor, 11).unwrap();
        let signal = 0.5 * level;
        let decoded: Vec<f64> = photo
            .pixels()
            .flat_map(|p| p.0)
            .map(|v| {
                let e = f64::from(v) / 255.0;
                if e <= 0.040_45 { e / 12.92 } else { ((e + 0.055) / 1.055).powf(2.4) }
            })
            .collect();
        let n = decoded.len() as f64;
        let mean = decoded.iter().sum::<f64>() / n;
        let sd = (decoded.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
        // Eight bits add a twelfth of a step squared; a step in linear light is the curve's slope over 255.
        let slope = 2.4 / 1.055 * ((pockmark::render::sensor::srgb(signal) + 0.055) / 1.055).powf(1.4);
        let want = (sensor.noise_sd(signal).powi(2) + (slope / 255.0).powi(2) / 12.0).sqrt();
        println!("signal {signal}: mean {mean:.5}, sd {sd:.5}, asked {want:.5}");
        // Five standard errors of an SD from n values, and 0.4 % for the curve's bend over the noise.
        let tolerance = 5.0 / (2.0 * n).sqrt() + 0.004;
        assert!((sd / want - 1.0).abs() < tolerance, "signal {signal}: {sd} against {want}");
        assert!((mean - signal).abs() < 5.0 * want / n.sqrt() + 2e-4, "signal {signal}: mean {mean}");
    }
}

#[test]
fn marks_cover_as_much_as_asked_and_lie_on_top_of_each_other() {
    let camera =
        RenderCamera::pinhole(300, 240, 0.3, RenderPose::looking_at([0.3, 0.1, 0.9], WallPoint::default(), 0.1));
    let mark = |seed, x_m| Mark {
        kind: MarkKind::Scuff,
        centre: WallPoint::new(x_m, 0.004),
        diameter_m: 0.030,
        strength: 0.6,
        colour: [0.05, 0.06, 0.07],
        seed,
    };
    let (first, second) = (mark(1, 0.0), mark(2, 0.012));
    let mut scene = plain(vec![], vec![]);
    scene.wall = Wall::endless(WallKind::Plywood, 4);
    let light = Light { level: 0.9, tint: [1.0, 0.9, 0.8], ..Light::default() };
    scene.light = light;
    let photo = |marks: Vec<Mark>| radiance(&Scene { marks, ..scene.clone() }, &camera).unwrap();
    let (bare, one, both) = (photo(vec![]), photo(vec![first]), photo(vec![first, second]));
    let n = 15;
    let share = |mark: &Mark, x: usize, y: usize| {
        let place = |k: usize| (k as f64 + 0.5) / n as f64 - 0.5;
        let samples = (0..n * n).map(|k| {
            let at = PixelPoint::new(x as f64 + place(k % n), y as f64 + place(k / n));
            mark.alpha(camera.wall_point(at).unwrap())
        });
        samples.sum::<f64>() / (n * n) as f64
    };
    let (mut asked, mut got, mut worst) = (0.0, 0.0, 0.0_f64);
    for y in 0..240 {
        for x in 0..300 {
            let (a1, a2) = (share(&first, x, y), share(&second, x, y));
            let (b, o, t) = (bare.get(x, y).unwrap(), one.get(x, y).unwrap(), both.get(x, y).unwrap());
            for c in 0..3 {
                let colour = f64::from(first.colour[c]) * 0.9 * f64::from(light.tint[c]);
                let seen = f64::from(b[c] - o[c]) / (f64::from(b[c]) - colour);
                let then = f64::from(o[c] - t[c]) / (f64::from(o[c]) - colour);
                worst = worst.max((seen - a1).abs()).max((then - a2).abs());
                (asked, got) = (asked + a1 + a2, got + seen + then);
            }
        }
    }
    println!("worst {worst:.4}, sum {:.5} of asked", got / asked);
    assert!(asked > 1000.0);
    // Nine samples against 225 a pixel at a soft edge a few pixels wide.
    assert!(worst < 0.03, "{worst}");
    assert!((got / asked - 1.0).abs() < 0.002, "{}", got / asked);
}

#[test]
fn the_same_seed_gives_the_same_photo_on_any_number_of_threads() {
    let mark = Mark {
        kind: MarkKind::Scuff,
        centre: WallPoint::new(-0.1, 0.0),
        diameter_m: 0.03,
        strength: 0.5,
        colour: [0.1; 3],
        seed: 3,
    };
    let mut scene = plain(vec![sheet()], vec![mark]);
    scene.wall = Wall::endless(WallKind::Brick, 2);
    let take = |threads: usize, seed: u64| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| render(&scene, &camera(321, 203), &Sensor::default(), seed).unwrap())
    };
    let one = take(1, 7);
    assert!(one == take(3, 7));
    assert!(one != take(3, 8));
}

#[test]
fn impossible_cameras_are_refused() {
    let scene = plain(vec![], vec![]);
    assert!(radiance(&scene, &camera(0, 10)).is_err());
    assert!(radiance(&scene, &camera(usize::MAX, 3)).is_err());
    let mut behind = camera(10, 10);
    behind.pose.eye_m.z = -1.0;
    assert!(radiance(&scene, &behind).unwrap_err().to_string().contains("in front of the wall"));
    behind.pose.eye_m.z = f64::NAN;
    assert!(radiance(&scene, &behind).is_err());
    // A lens that folds over, and a view along the wall, give a photo all the same.
    let mut folded = camera(64, 48);
    folded.k1 = -9.0;
    assert!(radiance(&plain(vec![sheet()], vec![]), &folded).is_ok());
    let mut along = camera(64, 48);
    along.pose = RenderPose::looking_at([0.0, 0.0, 0.3], WallPoint::new(30.0, 0.0), 0.0);
    assert!(radiance(&plain(vec![sheet()], vec![]), &along).is_ok());
}

#[test]
fn exif_reads_back_and_orientation_turns_the_picture_upright() {
    // Four corners of four colours.
    let upright = image::RgbImage::from_fn(96, 64, |x, y| {
        image::Rgb([if x < 48 { 40 } else { 220 }, if y < 32 { 60 } else { 200 }, 128])
    });
    for orientation in 1..=8_u16 {
        let fields = ExifFields { orientation, taken_ms: 42, offset: "+02:00".into(), ..ExifFields::default() };
        let bytes = encode_jpeg(&upright, 92, &fields).unwrap();

        let exif = exif::Reader::new().read_from_container(&mut std::io::Cursor::new(&bytes)).unwrap();
        let text = |tag| {
            let field = exif.get_field(tag, exif::In::PRIMARY).unwrap();
            match &field.value {
                exif::Value::Ascii(parts) => String::from_utf8(parts[0].clone()).unwrap(),
                other => panic!("{tag}: {other:?}"),
            }
        };
        let number = |tag| exif.get_field(tag, exif::In::PRIMARY).unwrap().value.get_uint(0).unwrap();
        assert_eq!(text(exif::Tag::Make), "Invented");
        assert_eq!(text(exif::Tag::DateTimeOriginal), "2031:05:09 14:00:00");
        assert_eq!(text(exif::Tag::SubSecTimeOriginal), "042");
        assert_eq!(text(exif::Tag::OffsetTimeOriginal), "+02:00");
        assert_eq!(number(exif::Tag::Orientation), u32::from(orientation));
        assert_eq!(number(exif::Tag::FocalLengthIn35mmFilm), 27);
        let focal = &exif.get_field(exif::Tag::FocalLength, exif::In::PRIMARY).unwrap().value;
        assert!(matches!(focal, exif::Value::Rational(r) if (r[0].to_f64() - 5.6).abs() < 1e-9));

        let mut decoder = image::codecs::jpeg::JpegDecoder::new(std::io::Cursor::new(&bytes)).unwrap();
        let turn = decoder.orientation().unwrap();
        assert_eq!(turn, Orientation::from_exif(orientation as u8).unwrap());
        let mut seen = DynamicImage::from_decoder(decoder).unwrap();
        assert_eq!(seen.width() == 96, orientation < 5);
        seen.apply_orientation(turn);
        let seen = seen.to_rgb8();
        assert_eq!(seen.dimensions(), (96, 64));
        for (x, y) in [(8, 8), (88, 8), (8, 56), (88, 56)] {
            let (a, b) = (seen.get_pixel(x, y), upright.get_pixel(x, y));
            assert!(
                a.0.iter().zip(b.0).all(|(&p, q)| p.abs_diff(q) < 8),
                "orientation {orientation} at {x}, {y}: {a:?} {b:?}"
            );
        }
    }
    assert!(encode_jpeg(&upright, 92, &ExifFields { orientation: 9, ..ExifFields::default() }).is_err());
}
