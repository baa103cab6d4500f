//! Which kinds of day are hard, and what do they look like?
//!
//! `cargo run --release --example kinds -- KIND SEED DIR [--scale S]` writes one session of a kind with its truth, photos S times the size.
//! Without arguments it lists the kinds. `cargo run --release --example kinds -- all SEED DIR` writes every kind into a folder of its own.

use std::path::Path;

use pockmark::points::WallPoint;
use pockmark::render::noise::hash;
use pockmark::render::recipe::{Event, MarkLook, PlannedVolley, Recipe, Stated, SunPath, Varying, View};
use pockmark::render::{Light, MarkKind, RenderCamera, RenderPose, Scenario, Sensor, Solid, Sun, Wall, WallKind};
use pockmark::{Error, Result};

/// Every kind, with what it has.
const KINDS: &[(&str, &str)] = &[
    ("clean", "painted board, dark scuffs, sheets up, steady light"),
    ("dim", "a dark room: strong noise, soft focus"),
    ("faint", "marks that take 6 to 15 % of the light"),
    ("sun", "a hard shadow's edge that crosses the marks and moves"),
    ("plywood", "figured plywood, sheets up"),
    ("rubber", "dark rubber tiles, white chalk"),
    ("brick", "bare brick, white chalk"),
    ("blue_chalk", "blue chalk on a light wall"),
    ("nudge", "the camera a little nudged before each photo, sheets up"),
    ("nudge_bare", "the same, sheets taken down after the calibration, plywood"),
    ("tight", "groups so tight that most marks overlap"),
    ("rough", "torn marks with holes, as a rough wall takes them"),
    ("rough_tight", "the same in groups so tight that most overlap"),
    ("single", "volleys of one shot"),
    ("person", "someone stands before the marks in one photo; a hose and a ball lie at the wall's foot in others"),
    ("wiped", "wiped in the middle, photographed as a row with no shots"),
    ("wiped_norow", "wiped in the middle, but nobody took a photo of it"),
    ("missed", "a ball leaves no mark in two volleys"),
    ("wide", "90 deg wide, strong barrel distortion"),
    ("portrait", "the phone upright, Exif orientation 6"),
    ("zoom", "focal length 3 % longer from volley 5 on, sheets up"),
    ("zoom_bare", "the same, sheets taken down"),
    ("kick", "the camera turned by 60 px before volley 5, sheets up"),
    ("kick_bare", "the same, sheets taken down"),
    ("exposure", "automatic exposure steps by 30 %, white balance warm and cool"),
    ("phone12mp", "4000 x 3000 px, nudged a little"),
    ("inches", "US units, concrete, nudged a little"),
    ("raked", "brick with joints that take no mark, white chalk"),
    ("large", "torn marks 46 mm across: a ball that flattens"),
    ("large_chalk", "white chalk on rubber, 46 mm across"),
    ("dusty", "white dust in specks, 46 mm across, on rubber"),
    ("small", "marks 14 mm across: a hard ball, thrown slowly"),
];

/// Where the machine throws, m: middle of what the camera looks at.
const MIDDLE: (f64, f64) = (0.98, 0.92);

/// Volleys from 32 to 68 mph, both meshes in turn at each speed.
fn ladder(shots: usize) -> Vec<PlannedVolley> {
    [32.0, 44.0, 56.0, 68.0]
        .iter()
        .enumerate()
        .flat_map(|(i, &setpoint_mph)| [i % 2, 1 - i % 2].map(|mesh| PlannedVolley { setpoint_mph, mesh, shots }))
        .collect()
}

/// A camera whose photo is `across_rad` wide behind its lens.
fn camera(width: usize, height: usize, across_rad: f64, lens: [f64; 5], eye_m: [f64; 3]) -> RenderCamera {
    let pose = RenderPose::looking_at(eye_m, WallPoint::new(MIDDLE.0, MIDDLE.1), 0.014);
    let mut c = RenderCamera::pinhole(width, height, across_rad, pose);
    [c.k1, c.k2, c.p1, c.p2, c.k3] = lens;
    let r2 = (0.5 * across_rad).tan().powi(2);
    c.fx_px /= 1.0 + r2 * (c.k1 + r2 * (c.k2 + r2 * c.k3));
    c.fy_px = c.fx_px;
    // No lens sits quite before its sensor's middle.
    (c.cx_px, c.cy_px) = (c.cx_px - 0.006 * width as f64, c.cy_px + 0.004 * height as f64);
    c
}

fn wall(kind: WallKind, seed: u64) -> Wall {
    Wall { kind, low: WallPoint::new(-0.75, -0.7), high: WallPoint::new(2.85, 2.5), texture: 1.0, seed }
}

fn views(nearer: f64) -> Vec<View> {
    let around = [
        ([0.10, 1.45, 2.45], 0.07),
        ([2.35, 0.30, 2.40], -0.10),
        ([0.95, 2.25, 2.30], 0.02),
        ([2.60, 1.45, 2.10], -0.05),
        ([-0.60, 0.60, 2.20], 0.09),
    ];
    around.map(|([x, y, z], roll)| ([x, y, z * nearer], MIDDLE, roll)).to_vec()
}

/// A phone's main lens.
const MILD: [f64; 5] = [0.06, -0.11, 4e-4, -3e-4, 0.0];
/// Its wide one.
const BARREL: [f64; 5] = [-0.24, 0.075, 6e-4, -4e-4, -0.008];
const SCUFF: [f32; 3] = [0.075, 0.073, 0.075];

/// The ordinary day that the others differ from.
fn clean(seed: u64) -> Recipe {
    Recipe {
        name: String::new(),
        title: String::new(),
        stated: Stated::METRES,
        // Gaussian, but for one draw in sixteen thousand.
        cut: 4.0,
        us_units: false,
        photo_stem: "IMG",
        wall: wall(WallKind::PaintedBoard, seed.wrapping_mul(31).wrapping_add(3)),
        sheets: vec![
            (0.0, 0.0),
            (2.05, 0.0),
            (0.02, 1.72),
            (2.03, 1.70),
            (0.96, -0.14),
            (1.04, 1.79),
            (-0.06, 0.87),
            (2.10, 0.88),
        ],
        sheets_up: true,
        look: MarkLook {
            kind: MarkKind::Scuff,
            colour: SCUFF,
            strength: Varying { middle: 0.47, hard: 0.03, sd: 0.07, range: (0.3, 0.7) },
            diameter_mm: Varying { middle: 27.5, hard: 1.6, sd: 2.0, range: (22.0, 34.0) },
        },
        tripod: camera(2080, 1560, 66_f64.to_radians(), MILD, [1.86, 1.05, 2.38]),
        by_hand: views(1.0),
        orientation: 1,
        sensor: Sensor { sharpen: 0.4, ..Sensor::default() },
        quality: 92,
        light: Light {
            level: 0.95,
            middle: WallPoint::new(1.0, 0.9),
            slope_right_per_m: 0.05,
            slope_up_per_m: 0.05,
            lamp: 0.15,
            lamp_at: WallPoint::new(0.7, 1.9),
            lamp_width_m: 1.1,
            tint: [1.0, 0.985, 0.95],
            sun: None,
        },
        light_wanders: [0.01, 0.004, 0.004],
        exposures: vec![],
        sun: None,
        volleys: ladder(5),
        whip_deg: [14.6, 15.9],
        slope_deg_per_mph: -0.2,
        volley_sd_deg: 0.10,
        spread_deg: [0.42, 0.48],
        nudge: [3e-5, 5e-5],
        events: vec![],
    }
}

/// Chalk of a colour, on whatever wall.
fn chalk(colour: [f32; 3], low: f64, high: f64) -> MarkLook {
    MarkLook {
        kind: MarkKind::Chalk,
        colour,
        strength: Varying::within(low, high),
        diameter_mm: Varying { middle: 29.0, hard: 2.0, sd: 2.0, range: (22.0, 37.0) },
    }
}

fn recipe(kind: &str, seed: u64) -> Result<Recipe> {
    let mut r = clean(seed);
    let what = KINDS.iter().find(|(k, _)| *k == kind).map(|(_, w)| *w).ok_or_else(|| {
        let names: Vec<&str> = KINDS.iter().map(|(k, _)| *k).collect();
        Error::usage(format!("no kind {kind}: there are {}", names.join(", ")))
    })?;
    r.name = format!("{kind}-{seed}");
    r.title = format!("{kind} {seed}: {what}");
    let wall_seed = r.wall.seed;
    let nudged = [1.2e-3, 1.5e-3];
    match kind {
        "dim" => {
            r.sensor =
                Sensor { blur_px: 1.1, exposure: 0.45, shot_variance: 1.6e-3, read_sd: 9e-3, sharpen: 0.2, ..r.sensor };
            r.quality = 88;
            r.light.tint = [1.0, 0.86, 0.66];
        }
        "faint" => r.look.strength = Varying::within(0.06, 0.15),
        "sun" => {
            // Lit it nearly fills the sensor's range.
            r.light.level = 0.46;
            let first = Sun {
                edge: WallPoint::new(0.84, 0.95),
                towards_rad: 0.35,
                gain: 1.15,
                penumbra_m: 0.012,
                tint: [1.0, 0.95, 0.86],
            };
            r.sun = Some(SunPath { first, step_m: 0.032 });
        }
        "plywood" => r.wall = wall(WallKind::Plywood, wall_seed),
        "rubber" => {
            r.wall = wall(WallKind::Rubber, wall_seed);
            // The exposure follows the wall, and sheets must not burn out.
            r.sensor.exposure = 1.18;
            r.look = chalk([0.72, 0.72, 0.70], 0.30, 0.70);
        }
        "brick" | "raked" => {
            r.wall = wall(if kind == "raked" { WallKind::RakedBrick } else { WallKind::Brick }, wall_seed);
            r.look = chalk([0.76, 0.76, 0.74], 0.35, 0.75);
        }
        "blue_chalk" => r.look = chalk([0.09, 0.20, 0.48], 0.35, 0.70),
        "nudge" => r.nudge = nudged,
        "nudge_bare" => {
            r.wall = wall(WallKind::Plywood, wall_seed);
            r.sheets_up = false;
            r.nudge = nudged;
        }
        "tight" => r.spread_deg = [0.12, 0.18],
        "rough" => r.look.kind = MarkKind::Rough,
        "rough_tight" => {
            r.look.kind = MarkKind::Rough;
            r.spread_deg = [0.12, 0.18];
        }
        "large" | "large_chalk" | "dusty" => {
            r.look.kind = MarkKind::Rough;
            if kind != "large" {
                r.wall = wall(WallKind::Rubber, wall_seed);
                r.sensor.exposure = 1.18;
                r.look = chalk([0.72, 0.72, 0.70], 0.30, 0.70);
            }
            if kind == "dusty" {
                r.look = MarkLook { kind: MarkKind::Dust, ..chalk([0.72, 0.72, 0.70], 0.6, 0.9) };
            }
            r.look.diameter_mm = Varying { middle: 46.0, hard: 2.5, sd: 2.0, range: (38.0, 56.0) };
        }
        "small" => r.look.diameter_mm = Varying { middle: 14.0, hard: 1.0, sd: 1.0, range: (10.0, 18.0) },
        "single" => r.volleys = ladder(1),
        "person" => {
            let hose: Vec<WallPoint> = (0..60)
                .map(|i| {
                    let t = f64::from(i) / 59.0;
                    WallPoint::new(-0.1 + 1.9 * t, -0.05 + 0.06 * (9.0 * t).sin() + 0.25 * (t - 0.4).powi(2))
                })
                .collect();
            r.events = vec![
                (4, Event::Before(vec![Solid::hose(&hose, 0.011)])),
                // The slow volleys strike lowest, where a person hides them.
                (1, Event::Before(Solid::person(1.12, -0.72, 1.80, seed))),
                (6, Event::Before(vec![Solid::ball(WallPoint::new(1.35, -0.28), 0.032)])),
            ];
        }
        "wiped" => r.events = vec![(5, Event::Wiped { photographed: true })],
        "wiped_norow" => r.events = vec![(5, Event::Wiped { photographed: false })],
        "missed" => r.events = vec![(2, Event::NoMark(1)), (7, Event::NoMark(1))],
        "wide" => {
            r.tripod = camera(2080, 1560, 90_f64.to_radians(), BARREL, [1.40, 1.00, 1.42]);
            r.by_hand = views(0.6);
        }
        "portrait" => {
            r.tripod = camera(1650, 2200, 52_f64.to_radians(), MILD, [1.55, 1.05, 2.62]);
            r.by_hand = views(1.1);
            r.orientation = 6;
        }
        "zoom" => r.events = vec![(4, Event::Zoomed(1.03))],
        "zoom_bare" => {
            r.wall = wall(WallKind::Plywood, wall_seed);
            r.sheets_up = false;
            r.events = vec![(4, Event::Zoomed(1.03))];
        }
        "kick" | "kick_bare" => {
            if kind == "kick_bare" {
                r.wall = wall(WallKind::Plywood, wall_seed);
                r.sheets_up = false;
            }
            let turn_rad = 60.0 / r.tripod.fx_px;
            r.events = vec![(4, Event::Turned([0.45 * turn_rad, -0.89 * turn_rad, 0.004]))];
        }
        "exposure" => {
            let (warm, cool, plain) = ([1.08, 1.0, 0.84], [0.90, 1.0, 1.12], [1.0; 3]);
            r.light.level = 0.85;
            r.exposures =
                vec![(1.0, plain), (1.3, plain), (0.77, warm), (1.0, cool), (1.3, warm), (0.77, cool), (0.9, plain)];
        }
        "phone12mp" => {
            r.tripod = camera(4000, 3000, 66_f64.to_radians(), MILD, [1.86, 1.05, 2.38]);
            r.sensor.blur_px = 1.0;
            r.nudge = [3e-4, 4e-4];
        }
        "inches" => {
            r.wall = wall(WallKind::Concrete, wall_seed);
            r.stated = Stated::INCHES;
            r.us_units = true;
            r.whip_deg = [15.0, 16.5];
            r.nudge = [3e-4, 4e-4];
        }
        _ => {}
    }
    Ok(r)
}

fn write(kind: &str, seed: u64, dir: &Path, scale: f64) -> Result<()> {
    let started = std::time::Instant::now();
    // Each kind has its own chance, so that one unlucky volley does not come back in all of them.
    let place = KINDS.iter().position(|(k, _)| *k == kind).unwrap_or_default() as i64;
    let mut scenario = Scenario::draw(recipe(kind, seed)?, hash(place, 0, seed));
    if scale != 1.0 {
        scenario = scenario.with_photo_scale(scale);
    }
    scenario.write_flown(dir)?;
    println!("{kind} {seed} in {} ({:.1} s)", dir.display(), started.elapsed().as_secs_f64());
    Ok(())
}

fn run(args: &[String]) -> Result<()> {
    let usage =
        || Error::usage("usage: kinds KIND SEED DIR [--scale S], KIND one of those listed without arguments, or all");
    let (plain, scale) = match args {
        [rest @ .., flag, s] if flag == "--scale" => (rest, s.parse::<f64>().map_err(|_| usage())?),
        all => (all, 1.0),
    };
    let [kind, seed, dir] = plain else { return Err(usage()) };
    if !(0.02..=4.0).contains(&scale) {
        return Err(Error::usage(format!("scale {scale}: it must be 0.02 to 4")));
    }
    let (seed, dir) = (seed.parse().map_err(|_| usage())?, Path::new(dir));
    if kind == "all" {
        return KINDS.iter().try_for_each(|(k, _)| write(k, seed, &dir.join(k), scale));
    }
    write(kind, seed, dir, scale)
}

fn main() -> std::process::ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    if args.is_empty() {
        KINDS.iter().for_each(|(k, w)| println!("{k:12} {w}"));
        return std::process::ExitCode::SUCCESS;
    }
    match run(&args) {
        Ok(()) => std::process::ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("{e}");
            std::process::ExitCode::FAILURE
        }
    }
}
