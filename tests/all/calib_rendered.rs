//! Do rendered photos of sheets come out right: a bumped sheet and a zoomed photo named, a poster among the sheets used?

use std::collections::BTreeMap;

use crate::common::calib::{MIDDLE, VIEWS, calibrated, eight_sheets};
use pockmark::camera::calibrate::{CalibrationPhoto, Tape, WallFrame};
use pockmark::camera::{CalibrationInput, Optics, locate};
use pockmark::points::WallPoint;
use pockmark::render::{Light, RenderCamera, RenderPose, Scene, Sensor, SheetOnWall, Wall, WallKind, render};
use pockmark::sheet::{SheetGeometry, SheetSet, SheetView, find_sheets};
use rayon::prelude::*;

const POSTER: usize = 9;
const POSTER_SCALE: f64 = 1.002;

/// The poster: squares of 110 mm, tags of 80 mm.
fn poster() -> SheetGeometry {
    SheetGeometry { square_mm: 110.0, tag_mm: 80.0 }
}

fn set() -> SheetSet {
    SheetSet { standard: SheetGeometry::default(), own: BTreeMap::from([(POSTER, poster())]) }
}

fn hung() -> Vec<SheetOnWall> {
    let mut all: Vec<SheetOnWall> = eight_sheets()
        .into_iter()
        .map(|(n, [x, y, turn_rad])| {
            let mut s = SheetOnWall::upright(n, WallPoint::new(x, y));
            (s.turn_rad, s.scale_across, s.scale_down) = (turn_rad, 1.003, 0.998);
            s
        })
        .collect();
    let mut big = SheetOnWall::upright(POSTER, WallPoint::new(1.0, 0.55));
    (big.geometry, big.turn_rad, big.scale_across, big.scale_down) = (poster(), -0.03, POSTER_SCALE, POSTER_SCALE);
    all.push(big);
    all
}

/// One photo: its sheets as the program finds them.
fn photographed(view: usize, sheets: Vec<SheetOnWall>, zoom: f64) -> Vec<SheetView> {
    let (eye, roll) = VIEWS[view];
    let pose = RenderPose::looking_at(eye, WallPoint::new(MIDDLE.0, MIDDLE.1), roll);
    let mut camera = RenderCamera::pinhole(1560, 1170, 66_f64.to_radians(), pose);
    (camera.fx_px, camera.fy_px) = (zoom * camera.fx_px, zoom * camera.fy_px);
    (camera.k1, camera.k2, camera.p1) = (0.06, -0.11, 4e-4);
    let scene = Scene {
        wall: Wall::endless(WallKind::PaintedBoard, 5),
        smears: Vec::new(),
        sheets,
        marks: Vec::new(),
        solids: Vec::new(),
        light: Light { level: 0.9, ..Light::default() },
    };
    let photo = render(&scene, &camera, &Sensor::default(), 77 + view as u64).unwrap();
    find_sheets(&image::DynamicImage::ImageRgb8(photo).to_luma8(), &set()).sheets
}

#[test]
fn a_bumped_sheet_and_a_zoomed_photo_are_named_and_a_poster_is_used() {
    let photos: Vec<CalibrationPhoto> = (0..6)
        .into_par_iter()
        .map(|view| {
            let mut sheets = hung();
            if view < 2 {
                sheets[7].cross = WallPoint::new(sheets[7].cross.x_m - 6e-3, sheets[7].cross.y_m + 2e-3);
            }
            CalibrationPhoto {
                name: format!("view-{view}.jpg"),
                size_px: (1560, 1170),
                optics: Optics::default(),
                sheets: photographed(view, sheets, if view == 3 { 1.025 } else { 1.0 }),
            }
        })
        .collect();
    let at = |n: usize| hung().into_iter().find(|s| s.number == n).unwrap().cross;
    let tape = |a: usize, b: usize| Tape { sheets: [a, b], distance_m: at(a).distance_m(at(b)), u_m: 3e-4 };
    let frame = WallFrame {
        origin_sheet: 1,
        level_sheets: Some([1, 2]),
        plumb_sheets: None,
        upright_rad: None,
        level_u_m: 3e-4,
        tapes: vec![tape(1, 2), tape(1, 3)],
        scale_across: Some((1.003, 5e-4)),
        scale_down: Some((0.998, 5e-4)),
        geometry: set(),
        board_u: BTreeMap::from([(POSTER, 2e-3)]),
    };
    let (wall, c) = calibrated(&CalibrationInput { photos, tripod: Some(5), frame });
    let [w] = c.warnings.as_slice() else { panic!("{:?}", c.warnings) };
    assert!(w.contains("sheet 8") && w.contains("view-0.jpg, view-1.jpg"), "{w}");
    assert!(w.contains("mm to the left") && w.contains("mm higher"), "{w}");
    let out = c.photos[3].left_out.as_deref().unwrap();
    assert!(out.contains("2.5") && out.contains("longer"), "{out}");
    assert!(c.photos.iter().enumerate().all(|(i, p)| i == 3 || p.left_out.is_none()), "{:?}", c.photos);
    assert!(c.rms_px < 0.1, "{}", c.rms_px);
    for s in &c.sheets {
        let off = WallPoint::new(s.x_m, s.y_m).distance_m(at(s.number));
        assert!(off < 0.6e-3, "sheet {}: {off} m off", s.number);
        assert!(off < 4.5 * s.u_m[0].hypot(s.u_m[1]) + 1e-5, "sheet {}: {off} m off, u {:?}", s.number, s.u_m);
    }
    let big = c.sheets.iter().find(|s| s.number == POSTER).unwrap();
    assert!(big.kind == 1 && (big.scale[0] - POSTER_SCALE).abs() < 1e-3, "{:?}", big.scale);
    // The poster alone places a later photo, through the file.
    let again = pockmark::camera::Wall::from_json(&wall.to_json().unwrap()).unwrap();
    assert!((again.camera.fx - wall.camera.fx).abs() < 1e-9 && again.sheets.len() == wall.sheets.len());
    let seen = photographed(5, hung().split_off(8), 1.0);
    let l = locate(&again, &seen).unwrap();
    assert_eq!(l.sheets, [POSTER]);
    let eye = l.view.pose.eye();
    assert!((eye.x - VIEWS[5].0[0]).abs() < 0.02 && (eye.z - VIEWS[5].0[2]).abs() < 0.02, "{eye:?}");
}
