//! What would a whole day look like whose truth is known?
//!
//! [`Scenario::draw`] invents a small session from a [`Recipe`]. [`Scenario::write`] fires it with a flight model that the caller
//! brings, renders every photo, and writes the session's folder together with `truth.json`. Everything that a person would have
//! measured is stated with a doubt, and the truth is drawn from inside that doubt.

use std::path::Path;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

use super::jpeg::{ExifFields, write_jpeg};
use super::recipe::{Event, PlannedVolley, Recipe};
use super::{Light, Mark, RenderCamera, RenderPose, Scene, Sensor, SheetOnWall, Smear, Solid, Sun, paper, render};
use crate::error::{Error, Result};
use crate::points::WallPoint;

pub use super::recipe::MESHES;

const MPH: f64 = 0.447_04;
/// Draws of how sheets hang and print are cut at this many standard deviations.
const SHEET_CUT: f64 = 2.0;
/// Share of a mark's strength that a cloth leaves behind.
const GHOST: f64 = 0.12;
/// Share of colour in the streaks of a wiped wall, over the marks' own strength.
const SMEARED: f64 = 0.22;

/// The machine, ball and air of a scenario as they really are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Machine {
    /// Pivot axis to wall, horizontally, at the origin's height, m.
    pub pivot_out_m: f64,
    /// Pivot axis above the origin, m.
    pub pivot_up_m: f64,
    /// Arm's plane to the right of the origin, m.
    pub pivot_right_m: f64,
    /// Pivot axis to the ball's centre, m.
    pub arm_m: f64,
    /// Arm angle that counts as release angle 0, rad.
    pub zero_rad: f64,
    /// Top of the wall away from the machine, rad.
    pub lean_rad: f64,
    /// Ball, kg.
    pub mass_kg: f64,
    /// Ball, m.
    pub diameter_m: f64,
    /// Constant drag coefficient.
    pub drag_coefficient: f64,
    /// Air, K.
    pub temperature_k: f64,
    /// Air, Pa.
    pub pressure_pa: f64,
    /// Relative humidity, 0 to 1.
    pub humidity: f64,
    /// True over shown speed.
    pub speed_scale: f64,
}

/// An invented day.
#[derive(Clone, Debug)]
pub struct Scenario {
    /// What it is made of; the session states [`Recipe::stated`].
    pub recipe: Recipe,
    /// All its chance.
    pub seed: u64,
    /// What really holds; what the session states differs within its doubts.
    pub machine: Machine,
    /// The sheets as they really hang.
    pub sheets: Vec<SheetOnWall>,
}

pub(super) struct Chance {
    rng: ChaCha8Rng,
    cut: f64,
}

impl Chance {
    pub(super) fn new(seed: u64, stream: u64, cut: f64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Self { rng, cut }
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.rng)
    }

    /// A value known to ± `doubt` (k = 2).
    pub(super) fn within(&mut self, value: f64, doubt: f64) -> f64 {
        value + 0.5 * doubt * self.normal().clamp(-self.cut, self.cut)
    }
}

impl Scenario {
    /// The demonstration's day; another seed is another draw of the same day.
    pub fn demo(seed: u64) -> Self {
        Self::draw(Recipe::demo(), seed)
    }

    /// One day of a recipe.
    pub fn draw(recipe: Recipe, seed: u64) -> Self {
        let mut chance = Chance::new(seed, 0, recipe.cut);
        let s = &recipe.stated;
        let mut draw = |a: super::recipe::Amount| a.si * chance.within(a.value, a.doubt);
        let machine = Machine {
            pivot_out_m: draw(s.pivot_out),
            pivot_up_m: draw(s.pivot_up),
            pivot_right_m: draw(s.pivot_right),
            arm_m: draw(s.arm),
            zero_rad: draw(s.zero),
            lean_rad: draw(s.lean),
            mass_kg: draw(s.mass),
            diameter_m: draw(s.diameter),
            drag_coefficient: draw(s.drag),
            temperature_k: 273.15 + draw(s.temperature),
            pressure_pa: draw(s.pressure),
            humidity: draw(s.humidity),
            speed_scale: chance.within(1.0, 0.02 * s.speed_scale_percent),
        };
        let (across, down) = (
            1.0 + 0.0025 * chance.normal().clamp(-SHEET_CUT, SHEET_CUT),
            1.0 + 0.0025 * chance.normal().clamp(-SHEET_CUT, SHEET_CUT),
        );
        let sheets = recipe
            .sheets
            .iter()
            .enumerate()
            .map(|(i, &(x, y))| {
                // The first two are set level with each other and define the axis; the others hang where they hang.
                let jitter = if i < 2 { 0.0 } else { 0.012 };
                let mut sheet = SheetOnWall::upright(
                    i + 1,
                    WallPoint::new(
                        x + if i == 0 { 0.0 } else { 0.004 * chance.normal() },
                        y + jitter * chance.normal(),
                    ),
                );
                sheet.turn_rad = (1.3_f64.to_radians()) * chance.normal().clamp(-SHEET_CUT, SHEET_CUT);
                (sheet.scale_across, sheet.scale_down) = (across, down);
                sheet
            })
            .collect();
        Self { recipe, seed, machine, sheets }
    }

    /// The same day with photos of `scale` times the size: small ones for quick tests.
    pub fn with_photo_scale(mut self, scale: f64) -> Self {
        let c = &mut self.recipe.tripod;
        let scaled = |n: usize| ((n as f64 * scale).round() as usize).max(1);
        (c.width, c.height) = (scaled(c.width), scaled(c.height));
        (c.fx_px, c.fy_px) = (c.fx_px * scale, c.fy_px * scale);
        // Pixel centres lie half a pixel inside the photo's edge at any scale.
        (c.cx_px, c.cy_px) = ((c.cx_px + 0.5) * scale - 0.5, (c.cy_px + 0.5) * scale - 0.5);
        self
    }

    /// Fires, renders and writes the session into `folder` (made when missing), `truth.json` with it.
    ///
    /// `impact_from_release`: arm angle (rad, 0 upright, positive towards the wall), sideways angle (rad, right positive) and
    /// **true** release speed (m/s) to the mark's place on the wall, for [`Scenario::machine`].
    ///
    /// Errors: a folder that already holds a session, an impact that is not a number or falls off the wall, a file that
    /// cannot be written.
    pub fn write(&self, folder: &Path, impact_from_release: &dyn Fn(f64, f64, f64) -> WallPoint) -> Result<()> {
        let session = folder.join("session.toml");
        if session.exists() {
            return Err(Error::usage(format!(
                "{} is there already: choose a folder that is new or empty, so that nothing of yours is written over",
                session.display()
            )));
        }
        for name in ["calibration", "photos"] {
            let path = folder.join(name);
            std::fs::create_dir_all(&path).map_err(|e| Error::io(&path, "make", e))?;
        }
        let fired = self.fire(impact_from_release)?;
        self.shots(&fired).into_par_iter().try_for_each(|shot| -> Result<()> {
            let seed = self.seed.wrapping_mul(1009).wrapping_add(shot.number);
            let photo = render(&shot.scene, &shot.camera, &shot.sensor, seed)?;
            write_jpeg(&folder.join(&shot.file), &photo, self.recipe.quality, &shot.exif)
        })?;
        let write = |name: &str, text: String| {
            let path = folder.join(name);
            std::fs::write(&path, text).map_err(|e| Error::io(&path, "write", e))
        };
        write("volleys.csv", paper::volleys_csv(self, &fired))?;
        write("truth.json", format!("{:#}\n", paper::truth(self, &fired)))?;
        // Last: a folder with a session.toml is whole.
        write("session.toml", paper::session_toml(self))
    }

    fn fire(&self, impact_from_release: &dyn Fn(f64, f64, f64) -> WallPoint) -> Result<Vec<Fired>> {
        let r = &self.recipe;
        let mut fired = Vec::new();
        let mut photos = 0;
        for (v, plan) in r.volleys.iter().enumerate() {
            let mut chance = Chance::new(self.seed, 100 + v as u64, r.cut);
            let volley_deg = r.volley_sd_deg * chance.normal();
            let volley_mph = plan.setpoint_mph * (1.0 + 0.004 * chance.normal());
            let other = r.events.iter().find_map(|(at, e)| match e {
                Event::OtherBalls(look) if *at == v => Some(look),
                _ => None,
            });
            let look = other.unwrap_or(&r.look);
            let mut marks = Vec::new();
            let mut shown_mph = Vec::new();
            for s in 0..plan.shots {
                let true_mph = volley_mph * (1.0 + 0.004 * chance.normal());
                let whip = r.whip_deg.get(plan.mesh).copied().unwrap_or_default();
                let release_deg =
                    whip + r.slope_deg_per_mph * (true_mph - 50.0) + volley_deg + r.spread_deg[0] * chance.normal();
                let sideways_rad = (r.spread_deg[1] * chance.normal()).to_radians();
                let arm_rad = self.machine.zero_rad + release_deg.to_radians();
                let centre = impact_from_release(arm_rad, sideways_rad, true_mph * MPH);
                let (low, high) = (r.wall.low, r.wall.high);
                let on_wall = (low.x_m..=high.x_m).contains(&centre.x_m) && (low.y_m..=high.y_m).contains(&centre.y_m);
                if !on_wall {
                    return Err(Error::no_answer(format!(
                        "volley {}: a shot at {true_mph:.1} mph, release {release_deg:.1} deg, lands at x {:.3} m, y {:.3} m, off the wall: check the flight model",
                        v + 1,
                        centre.x_m,
                        centre.y_m
                    )));
                }
                let mark = Mark {
                    kind: look.kind,
                    centre,
                    diameter_m: 1e-3 * look.diameter_mm.draw(true_mph, chance.normal()),
                    strength: look.strength.draw(true_mph, chance.normal()),
                    colour: look.colour,
                    seed: super::noise::hash(v as i64, s as i64, self.seed ^ 0xba11),
                };
                marks.push(FiredShot { mark, release_deg, sideways_rad, speed_mps: true_mph * MPH });
                shown_mph.push(true_mph / self.machine.speed_scale);
            }
            let events = || r.events.iter().filter(|(at, _)| *at == v).map(|(_, e)| e);
            let missed =
                events().map(|e| if let Event::NoMark(n) = e { *n } else { 0 }).sum::<usize>().min(marks.len());
            marks.truncate(marks.len() - missed);
            let wiped =
                events().find_map(|e| if let Event::Wiped { photographed } = e { Some(*photographed) } else { None });
            if wiped == Some(true) {
                photos += 1;
            }
            let wiped_file = (wiped == Some(true)).then(|| self.photo_name(photos));
            photos += 1;
            let solids: Vec<Solid> = events()
                .filter_map(|e| if let Event::Before(s) = e { Some(s.clone()) } else { None })
                .flatten()
                .collect();
            let hidden = marks.iter().filter(|m| solids.iter().any(|s| s.hides(m.mark.centre))).count();
            fired.push(Fired {
                plan: *plan,
                name: (v + 1).to_string(),
                file: self.photo_name(photos),
                wiped: wiped.is_some(),
                wiped_file,
                marks,
                missed,
                hidden,
                solids,
                shown_mph,
            });
        }
        Ok(fired)
    }

    /// Every photo of the day in the order it was taken.
    fn shots(&self, fired: &[Fired]) -> Vec<PhotoPlan> {
        let r = &self.recipe;
        let mut taking =
            Taking { day: self, chance: Chance::new(self.seed, 1, r.cut), clock_s: 0, taken: 0, all: vec![] };
        for (i, &(eye_m, (x, y), roll)) in r.by_hand.iter().enumerate() {
            let eye_m = eye_m.map(|v: f64| v + 0.04 * taking.chance.normal());
            let pose = RenderPose::looking_at(eye_m, WallPoint::new(x, y), roll);
            taking.photo(format!("calibration/side-{}.jpg", i + 1), RenderCamera { pose, ..r.tripod }, None, 31);
        }
        let mut tripod = r.tripod;
        taking.photo("calibration/tripod.jpg".into(), tripod, None, 240);
        let mut seen = Seen::default();
        let camera = taking.touched(&tripod, 1.0);
        taking.photo(self.photo_name(0), camera, Some(&seen), 780);
        for (v, volley) in fired.iter().enumerate() {
            let mut knock = 1.0;
            for event in r.events.iter().filter(|(at, _)| *at == v).map(|(_, e)| e) {
                match event {
                    Event::Knocked(times) => knock = *times,
                    Event::Turned(turn_rad) => tripod.pose = tripod.pose.nudged(*turn_rad, [0.0; 3]),
                    Event::Zoomed(factor) => {
                        (tripod.fx_px, tripod.fy_px) = (tripod.fx_px * factor, tripod.fy_px * factor)
                    }
                    Event::Wiped { .. } | Event::Before(_) | Event::NoMark(_) | Event::OtherBalls(_) => {}
                }
            }
            if volley.wiped {
                seen.wipe(&r.look, self.seed ^ v as u64);
            }
            if let Some(file) = &volley.wiped_file {
                let camera = taking.touched(&tripod, 1.0);
                taking.photo(file.clone(), camera, Some(&seen), 140);
            }
            seen.marks.extend(volley.marks.iter().map(|m| m.mark));
            seen.solids.clone_from(&volley.solids);
            let camera = taking.touched(&tripod, knock);
            taking.photo(volley.file.clone(), camera, Some(&seen), 168 + 7 * v as u32);
        }
        taking.all
    }

    /// Photos are numbered as a camera would, with gaps where a picture was thrown away.
    pub(super) fn photo_name(&self, number: usize) -> String {
        format!("photos/{}_{:04}.jpg", self.recipe.photo_stem, 212 + number + number / 3)
    }
}

/// What is on and before the wall beside the sheets.
#[derive(Clone, Default)]
struct Seen {
    marks: Vec<Mark>,
    smears: Vec<Smear>,
    solids: Vec<Solid>,
}

impl Seen {
    /// A cloth takes most of the marks and spreads the rest.
    fn wipe(&mut self, look: &super::recipe::MarkLook, seed: u64) {
        self.marks.iter_mut().for_each(|m| m.strength *= GHOST);
        let bound = |get: fn(&Mark) -> f64| {
            let at = |f: fn(f64, f64) -> f64, start| self.marks.iter().map(get).fold(start, f);
            (at(f64::min, f64::INFINITY), at(f64::max, f64::NEG_INFINITY))
        };
        let ((left, right), (low, high)) = (bound(|m| m.centre.x_m), bound(|m| m.centre.y_m));
        if left <= right {
            self.smears.push(Smear {
                middle: WallPoint::new(0.5 * (left + right), 0.5 * (low + high)),
                half_m: [0.5 * (right - left) + 0.12, 0.5 * (high - low) + 0.14],
                stroke_rad: 1.2,
                strength: SMEARED * look.strength.middle,
                colour: look.colour,
                seed,
            });
        }
    }
}

/// The camera at work.
struct Taking<'a> {
    day: &'a Scenario,
    chance: Chance,
    clock_s: u32,
    /// Photos of volleys so far.
    taken: usize,
    all: Vec<PhotoPlan>,
}

impl Taking<'_> {
    /// The camera nudged, `extra` times as much as usual.
    fn touched(&mut self, camera: &RenderCamera, extra: f64) -> RenderCamera {
        let [turn, shift] = self.day.recipe.nudge;
        let turn: [f64; 3] = std::array::from_fn(|_| extra * turn * self.chance.normal());
        let shift: [f64; 3] = std::array::from_fn(|_| extra * shift * self.chance.normal());
        RenderCamera { pose: camera.pose.nudged(turn, shift), ..*camera }
    }

    /// Takes a photo; `seen` is `None` for the calibration.
    fn photo(&mut self, file: String, camera: RenderCamera, seen: Option<&Seen>, after_s: u32) {
        let r = &self.day.recipe;
        self.clock_s += after_s;
        let (h, m, s) = (10 + self.clock_s / 3600, self.clock_s / 60 % 60, self.clock_s % 60);
        let mut exif = ExifFields {
            taken: format!("2026:05:09 {h:02}:{m:02}:{s:02}"),
            taken_ms: (500.0 + 200.0 * self.chance.normal()).clamp(0.0, 999.0) as u32,
            offset: "-04:00".into(),
            orientation: r.orientation,
            focal_35mm: (36.0 * camera.fx_px / camera.width.max(camera.height) as f64).round() as u16,
            ..ExifFields::default()
        };
        let [level, right, up] = r.light_wanders;
        let mut light = Light {
            level: r.light.level * (1.0 + level * self.chance.normal()),
            slope_right_per_m: r.light.slope_right_per_m + right * self.chance.normal(),
            slope_up_per_m: r.light.slope_up_per_m + up * self.chance.normal(),
            ..r.light
        };
        let mut sensor = r.sensor;
        if let Some(path) = r.sun {
            let moved = path.step_m * self.taken as f64;
            let (sin, cos) = path.first.towards_rad.sin_cos();
            let edge = WallPoint::new(path.first.edge.x_m + moved * cos, path.first.edge.y_m + moved * sin);
            light.sun = Some(Sun { edge, ..path.first });
        }
        if seen.is_some() {
            if let Some((exposure, tint)) = r.exposures.get(self.taken % r.exposures.len().max(1)) {
                sensor.exposure *= exposure;
                exif.exposure_s *= exposure;
                light.tint = std::array::from_fn(|i| light.tint[i] * tint[i]);
            }
            self.taken += 1;
        }
        let hang = seen.is_none() || r.sheets_up;
        let seen = seen.cloned().unwrap_or_default();
        let sheets = if hang { self.day.sheets.clone() } else { vec![] };
        let scene = Scene { wall: r.wall, smears: seen.smears, sheets, marks: seen.marks, solids: seen.solids, light };
        let number = self.all.len() as u64;
        self.all.push(PhotoPlan { file, camera, scene, sensor, exif, number });
    }
}

pub(super) struct FiredShot {
    pub mark: Mark,
    pub release_deg: f64,
    pub sideways_rad: f64,
    pub speed_mps: f64,
}

pub(super) struct Fired {
    pub plan: PlannedVolley,
    pub name: String,
    pub file: String,
    /// The wall was wiped before it.
    pub wiped: bool,
    /// The photo of the wiped wall.
    pub wiped_file: Option<String>,
    pub marks: Vec<FiredShot>,
    /// Balls that left no mark.
    pub missed: usize,
    /// Marks that something hides in the volley's photo.
    pub hidden: usize,
    pub solids: Vec<Solid>,
    /// What the machine's display said for each shot.
    pub shown_mph: Vec<f64>,
}

struct PhotoPlan {
    file: String,
    camera: RenderCamera,
    scene: Scene,
    sensor: Sensor,
    exif: ExifFields,
    number: u64,
}
