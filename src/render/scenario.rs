//! What would a whole day look like whose truth is known?
//!
//! [`Scenario::demo`] invents a small session: a plywood wall in a barn, one head with two meshes, four speeds. [`Scenario::write`]
//! fires it with a flight model that the caller brings, renders every photo, and writes the session's folder together with
//! `truth.json`. Everything that a person would have measured is stated with a doubt, and the truth is drawn from inside that doubt.

use std::path::Path;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use serde_json::{Value, json};

use super::jpeg::{ExifFields, write_jpeg};
use super::{Light, Mark, RenderCamera, RenderPose, Scene, Sensor, SheetOnWall, Wall, WallKind, render};
use crate::error::{Error, Result};
use crate::points::WallPoint;

const MPH: f64 = 0.447_04;
const INCH_M: f64 = 0.025_4;
/// JPEG quality of the photos: what phones use.
const QUALITY: u8 = 92;
/// Draws of the truth are cut at this many standard uncertainties, so that no stated doubt is a lie.
const CUT: f64 = 2.0;

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

/// One volley as planned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlannedVolley {
    /// Speed aimed at, mph.
    pub setpoint_mph: f64,
    /// The mesh, an index into [`MESHES`].
    pub mesh: usize,
    /// Shots fired.
    pub shots: usize,
}

/// The two values of the factor `mesh`, the reference first.
pub const MESHES: [&str; 2] = ["stiff", "soft"];

/// An invented day.
#[derive(Clone, Debug)]
pub struct Scenario {
    /// Its name, in the truth file.
    pub name: String,
    /// All its chance.
    pub seed: u64,
    /// What really holds; what the session states differs within its doubts.
    pub machine: Machine,
    /// The camera on its tripod.
    pub tripod: RenderCamera,
    /// The sheets as they really hang.
    pub sheets: Vec<SheetOnWall>,
    /// Volleys in shooting order.
    pub volleys: Vec<PlannedVolley>,
    /// The bare wall.
    pub wall: Wall,
    /// Release angle past zero at 50 mph, deg, of each mesh.
    pub whip_deg: [f64; 2],
    /// Change of release angle with speed, deg a mph.
    pub slope_deg_per_mph: f64,
    /// Standard deviation from shot to shot, deg: release, sideways.
    pub spread_deg: [f64; 2],
}

struct Chance(ChaCha8Rng);

impl Chance {
    fn new(seed: u64, stream: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Self(rng)
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// A value known to ± `doubt` (k = 2).
    fn within(&mut self, value: f64, doubt: f64) -> f64 {
        value + 0.5 * doubt * self.normal().clamp(-CUT, CUT)
    }
}

/// Stated value and its doubt at k = 2, in the unit that the session's file uses.
struct Stated;
impl Stated {
    const PIVOT_OUT_IN: (f64, f64) = (153.0, 0.25);
    const PIVOT_UP_IN: (f64, f64) = (30.0, 0.125);
    const PIVOT_RIGHT_IN: (f64, f64) = (38.5, 0.25);
    const ARM_IN: (f64, f64) = (39.5, 0.125);
    const ZERO_DEG: (f64, f64) = (-8.0, 0.1);
    const LEAN_DEG: (f64, f64) = (0.4, 0.1);
    const MASS_G: (f64, f64) = (145.0, 1.0);
    const DIAMETER_MM: (f64, f64) = (63.5, 0.3);
    const DRAG: (f64, f64) = (0.46, 0.04);
    const TEMPERATURE_C: (f64, f64) = (21.0, 1.0);
    const PRESSURE_HPA: (f64, f64) = (994.0, 2.0);
    const HUMIDITY_PERCENT: (f64, f64) = (55.0, 10.0);
    /// A standard uncertainty, as the session's file has it.
    const SPEED_SCALE_PERCENT: f64 = 0.4;
    const BAR_MM: f64 = 0.2;
    const TAPE_MM: f64 = 1.0;
}

impl Scenario {
    /// The demonstration's day; another seed is another draw of the same day.
    pub fn demo(seed: u64) -> Self {
        let mut chance = Chance::new(seed, 0);
        let mut draw = |(value, doubt): (f64, f64), unit: f64| unit * chance.within(value, doubt);
        let machine = Machine {
            pivot_out_m: draw(Stated::PIVOT_OUT_IN, INCH_M),
            pivot_up_m: draw(Stated::PIVOT_UP_IN, INCH_M),
            pivot_right_m: draw(Stated::PIVOT_RIGHT_IN, INCH_M),
            arm_m: draw(Stated::ARM_IN, INCH_M),
            zero_rad: draw(Stated::ZERO_DEG, 1.0_f64.to_radians()),
            lean_rad: draw(Stated::LEAN_DEG, 1.0_f64.to_radians()),
            mass_kg: draw(Stated::MASS_G, 1e-3),
            diameter_m: draw(Stated::DIAMETER_MM, 1e-3),
            drag_coefficient: draw(Stated::DRAG, 1.0),
            temperature_k: 273.15 + draw(Stated::TEMPERATURE_C, 1.0),
            pressure_pa: draw(Stated::PRESSURE_HPA, 100.0),
            humidity: draw(Stated::HUMIDITY_PERCENT, 0.01),
            speed_scale: draw((1.0, 0.02 * Stated::SPEED_SCALE_PERCENT), 1.0),
        };
        let (across, down) =
            (1.0 + 0.0025 * chance.normal().clamp(-CUT, CUT), 1.0 + 0.0025 * chance.normal().clamp(-CUT, CUT));
        // Number, where it was meant to hang.
        let places =
            [(0.0, 0.0), (1.952, 0.0), (0.02, 1.705), (1.93, 1.69), (0.93, -0.12), (1.02, 1.77), (-0.07, 0.86)];
        let sheets = places
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
                sheet.turn_rad = (1.3_f64.to_radians()) * chance.normal().clamp(-CUT, CUT);
                (sheet.scale_across, sheet.scale_down) = (across, down);
                sheet
            })
            .collect();
        let pose = RenderPose::looking_at([1.78, 1.08, 2.42], WallPoint::new(0.97, 0.90), -0.012);
        let mut tripod = RenderCamera::pinhole(2000, 1500, 64_f64.to_radians(), pose);
        tripod.fy_px *= 1.0004;
        (tripod.cx_px, tripod.cy_px) = (1008.3, 741.9);
        (tripod.k1, tripod.k2, tripod.p1, tripod.p2, tripod.k3) = (0.085, -0.17, -5e-4, 3.5e-4, 0.06);
        let plan = [
            (35.0, 0, 5),
            (35.0, 1, 5),
            (45.0, 1, 4),
            (45.0, 0, 5),
            (55.0, 0, 5),
            (55.0, 1, 4),
            (65.0, 1, 5),
            (65.0, 0, 5),
        ];
        Self {
            name: "demo".into(),
            seed,
            machine,
            tripod,
            sheets,
            volleys: plan.map(|(setpoint_mph, mesh, shots)| PlannedVolley { setpoint_mph, mesh, shots }).to_vec(),
            wall: Wall {
                kind: WallKind::Plywood,
                low: WallPoint::new(-0.55, -0.62),
                high: WallPoint::new(2.60, 2.43),
                texture: 0.8,
                // This one has its seams clear of the marks.
                seed: 7,
            },
            whip_deg: [16.4, 18.3],
            slope_deg_per_mph: -0.22,
            spread_deg: [0.38, 0.42],
        }
    }

    /// The same day with photos of `scale` times the size: small ones for quick tests.
    pub fn with_photo_scale(mut self, scale: f64) -> Self {
        let c = &mut self.tripod;
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
            let scene = Scene { wall: self.wall, sheets: self.sheets.clone(), marks: shot.marks, light: shot.light };
            let photo =
                render(&scene, &shot.camera, &Self::sensor(), self.seed.wrapping_mul(1009).wrapping_add(shot.number))?;
            write_jpeg(&folder.join(&shot.file), &photo, QUALITY, &shot.exif)
        })?;
        let write = |name: &str, text: String| {
            let path = folder.join(name);
            std::fs::write(&path, text).map_err(|e| Error::io(&path, "write", e))
        };
        write("volleys.csv", volleys_csv(&fired))?;
        write("truth.json", format!("{:#}\n", self.truth(&fired)))?;
        // Last: a folder with a session.toml is whole.
        write("session.toml", self.session_toml())
    }

    fn sensor() -> Sensor {
        Sensor { blur_px: 0.75, exposure: 1.0, shot_variance: 1.1e-4, read_sd: 1.6e-3, sharpen: 0.3, vignette: 0.16 }
    }

    fn fire(&self, impact_from_release: &dyn Fn(f64, f64, f64) -> WallPoint) -> Result<Vec<Fired>> {
        let mut fired = Vec::new();
        for (v, plan) in self.volleys.iter().enumerate() {
            let mut chance = Chance::new(self.seed, 100 + v as u64);
            let volley_deg = 0.10 * chance.normal();
            let volley_mph = plan.setpoint_mph * (1.0 + 0.004 * chance.normal());
            let mut marks = Vec::new();
            let mut shown_mph = Vec::new();
            for s in 0..plan.shots {
                let true_mph = volley_mph * (1.0 + 0.004 * chance.normal());
                let whip = self.whip_deg.get(plan.mesh).copied().unwrap_or_default();
                let release_deg = whip
                    + self.slope_deg_per_mph * (true_mph - 50.0)
                    + volley_deg
                    + self.spread_deg[0] * chance.normal();
                let sideways_rad = (self.spread_deg[1] * chance.normal()).to_radians();
                let arm_rad = self.machine.zero_rad + release_deg.to_radians();
                let centre = impact_from_release(arm_rad, sideways_rad, true_mph * MPH);
                let (low, high) = (self.wall.low, self.wall.high);
                let on_wall = (low.x_m..=high.x_m).contains(&centre.x_m) && (low.y_m..=high.y_m).contains(&centre.y_m);
                if !on_wall {
                    return Err(Error::no_answer(format!(
                        "volley {}: a shot at {true_mph:.1} mph, release {release_deg:.1} deg, lands at x {:.3} m, y {:.3} m, off the wall: check the flight model",
                        v + 1,
                        centre.x_m,
                        centre.y_m
                    )));
                }
                // Harder shots leave larger, darker marks.
                let hard = (true_mph - 50.0) / 15.0;
                let mark = Mark {
                    centre,
                    diameter_m: 1e-3 * (27.5 + 1.8 * hard + 1.5 * chance.normal()).clamp(20.0, 35.0),
                    strength: (0.52 + 0.05 * hard + 0.07 * chance.normal()).clamp(0.3, 0.75),
                    colour: [0.060, 0.056, 0.054],
                    seed: super::noise::hash(v as i64, s as i64, self.seed ^ 0xba11),
                };
                marks.push(FiredShot { mark, release_deg, sideways_rad, speed_mps: true_mph * MPH });
                shown_mph.push(true_mph / self.machine.speed_scale);
            }
            fired.push(Fired { plan: *plan, name: (v + 1).to_string(), file: photo_name(v + 1), marks, shown_mph });
        }
        Ok(fired)
    }

    /// Every photo of the day in the order it was taken.
    fn shots(&self, fired: &[Fired]) -> Vec<PhotoPlan> {
        let mut chance = Chance::new(self.seed, 1);
        let by_hand = [
            ([0.05, 1.40, 2.40], (0.95, 0.86), 0.08),
            ([2.30, 0.35, 2.35], (0.97, 0.88), -0.12),
            ([0.95, 2.20, 2.25], (0.96, 0.83), 0.03),
            ([0.65, -0.05, 2.40], (1.00, 0.93), 0.16),
            ([2.55, 1.50, 2.05], (1.00, 0.84), 0.06),
            ([-0.55, 0.55, 2.15], (0.93, 0.87), -0.07),
        ];
        let mut all = Vec::new();
        let mut clock_s = 0;
        let mut add = |file: String, camera: RenderCamera, marks: Vec<Mark>, after_s: u32, chance: &mut Chance| {
            clock_s += after_s;
            let (h, m, s) = (10 + clock_s / 3600, clock_s / 60 % 60, clock_s % 60);
            let exif = ExifFields {
                taken: format!("2026:05:09 {h:02}:{m:02}:{s:02}"),
                taken_ms: (500.0 + 200.0 * chance.normal()).clamp(0.0, 999.0) as u32,
                offset: "-04:00".into(),
                ..ExifFields::default()
            };
            // Daylight through a door to the left, and a lamp overhead: both wander a little.
            let light = Light {
                level: 0.98 * (1.0 + 0.02 * chance.normal()),
                middle: WallPoint::new(1.0, 0.9),
                slope_right_per_m: -0.05 + 0.015 * chance.normal(),
                slope_up_per_m: 0.04 + 0.008 * chance.normal(),
                lamp: 0.22,
                lamp_at: WallPoint::new(1.25, 1.75),
                lamp_width_m: 0.95,
                tint: [1.0, 0.975, 0.92],
            };
            let number = all.len() as u64;
            all.push(PhotoPlan { file, camera, marks, light, exif, number });
        };
        for (i, (eye_m, (x, y), roll)) in by_hand.into_iter().enumerate() {
            let eye_m = eye_m.map(|v: f64| v + 0.04 * chance.normal());
            let pose = RenderPose::looking_at(eye_m, WallPoint::new(x, y), roll);
            let camera = RenderCamera { pose, ..self.tripod };
            add(format!("calibration/side-{}.jpg", i + 1), camera, vec![], 31, &mut chance);
        }
        add("calibration/tripod.jpg".into(), self.tripod, vec![], 240, &mut chance);
        // Someone touches the shutter: a hundredth of a degree, and once rather more.
        let touched = |extra: f64, chance: &mut Chance| {
            let turn: [f64; 3] = std::array::from_fn(|_| extra * 2.0e-4 * chance.normal());
            let shift: [f64; 3] = std::array::from_fn(|_| extra * 2.0e-4 * chance.normal());
            RenderCamera { pose: self.tripod.pose.nudged(turn, shift), ..self.tripod }
        };
        let camera = touched(1.0, &mut chance);
        add(photo_name(0), camera, vec![], 780, &mut chance);
        let mut marks = Vec::new();
        for (v, volley) in fired.iter().enumerate() {
            marks.extend(volley.marks.iter().map(|m| m.mark));
            let camera = touched(if v == 4 { 8.0 } else { 1.0 }, &mut chance);
            add(volley.file.clone(), camera, marks.clone(), 168 + 7 * v as u32, &mut chance);
        }
        all
    }

    fn session_toml(&self) -> String {
        let mut chance = Chance::new(self.seed, 2);
        let sheet = self.sheets.first().copied().unwrap_or_else(|| SheetOnWall::upright(1, WallPoint::default()));
        let tenth = |v: f64| (10.0 * v).round() / 10.0;
        let across = tenth(chance.within(150.0 * sheet.scale_across, Stated::BAR_MM));
        let down = tenth(chance.within(200.0 * sheet.scale_down, Stated::BAR_MM));
        let mut tape = |a: usize, b: usize| {
            let (Some(a), Some(b)) = (self.sheets.get(a - 1), self.sheets.get(b - 1)) else { return 0.0 };
            tenth(chance.within(1e3 * a.cross.distance_m(b.cross), Stated::TAPE_MM))
        };
        let (wide, high) = (tape(1, 2), tape(1, 3));
        let pm = |(v, d): (f64, f64), unit: &str| format!("{v} {unit} ± {d} {unit}");
        format!(
            r#"title = "Demonstration: one head, two meshes"

[wall]
origin_sheet = 1
level_sheets = [1, 2]
printed_bar = "{across:.1} mm ± {bar} mm"
printed_bar_down = "{down:.1} mm ± {bar} mm"
lean = "{lean}"

[[wall.tape]]
sheets = [1, 2]
distance = "{wide:.1} mm ± {tape} mm"

[[wall.tape]]
sheets = [1, 3]
distance = "{high:.1} mm ± {tape} mm"

[camera]
tripod_photo = "calibration/tripod.jpg"

[machine]
pivot_out = "12 ft 9 in ± 1/4 in"
pivot_up = "30 in ± 1/8 in"
pivot_right = "38.5 in ± 1/4 in"
arm = "39.5 in ± 1/8 in"
zero = "{zero}"

[ball]
mass = "{mass}"
diameter = "{diameter}"
drag_coefficient = "{drag}"
spin = "0 rpm"

[air]
temperature = "{temperature}"
pressure = "{pressure}"
humidity = "{humidity}"

[speed]
scale = "{scale} %"
read_at = "release"

[study]
matters = "1 deg"
reference = {{ mesh = "{reference}" }}
"#,
            bar = Stated::BAR_MM,
            tape = Stated::TAPE_MM,
            lean = pm(Stated::LEAN_DEG, "deg"),
            zero = pm(Stated::ZERO_DEG, "deg"),
            mass = pm(Stated::MASS_G, "g"),
            diameter = pm(Stated::DIAMETER_MM, "mm"),
            drag = format_args!("{} ± {}", Stated::DRAG.0, Stated::DRAG.1),
            temperature = pm(Stated::TEMPERATURE_C, "degC"),
            pressure = pm(Stated::PRESSURE_HPA, "hPa"),
            humidity = pm(Stated::HUMIDITY_PERCENT, "%"),
            scale = Stated::SPEED_SCALE_PERCENT,
            reference = MESHES[0],
        )
    }

    fn truth(&self, fired: &[Fired]) -> Value {
        let m = &self.machine;
        let sheets: serde_json::Map<String, Value> = self
            .sheets
            .iter()
            .map(|s| {
                let place =
                    [1e3 * s.cross.x_m, 1e3 * s.cross.y_m, s.turn_rad.to_degrees(), s.scale_across, s.scale_down];
                (s.number.to_string(), json!(place))
            })
            .collect();
        let volleys: Vec<Value> = fired.iter().map(|f| f.truth(m)).collect();
        let c = &self.tripod;
        let rotation: Vec<Vec<f64>> = c.pose.rotation.row_iter().map(|r| r.iter().copied().collect()).collect();
        json!({
            "name": self.name,
            "seed": self.seed,
            "machine": {
                "pivot_out_m": m.pivot_out_m, "pivot_up_m": m.pivot_up_m, "pivot_right_m": m.pivot_right_m, "arm_m": m.arm_m,
                "zero_deg": m.zero_rad.to_degrees(), "lean_deg": m.lean_rad.to_degrees(), "mass_kg": m.mass_kg,
                "diameter_m": m.diameter_m, "drag_coefficient": m.drag_coefficient, "temperature_k": m.temperature_k,
                "pressure_pa": m.pressure_pa, "humidity": m.humidity, "speed_scale": m.speed_scale,
            },
            "sheets": sheets,
            "lens": {
                "width": c.width, "height": c.height, "fx": c.fx_px, "fy": c.fy_px, "cx": c.cx_px, "cy": c.cy_px,
                "dist": [c.k1, c.k2, c.p1, c.p2, c.k3],
            },
            "tripod": { "R": rotation, "eye_mm": (c.pose.eye_m * 1e3).as_slice() },
            "volleys": volleys,
        })
    }
}

struct FiredShot {
    mark: Mark,
    release_deg: f64,
    sideways_rad: f64,
    speed_mps: f64,
}

struct Fired {
    plan: PlannedVolley,
    name: String,
    file: String,
    marks: Vec<FiredShot>,
    /// What the machine's display said for each shot.
    shown_mph: Vec<f64>,
}

impl Fired {
    fn truth(&self, machine: &Machine) -> Value {
        let mean =
            |get: &dyn Fn(&FiredShot) -> f64| self.marks.iter().map(get).sum::<f64>() / self.marks.len().max(1) as f64;
        let marks: Vec<Value> = self
            .marks
            .iter()
            .map(|s| {
                let visible = s.mark.visible_centre();
                json!({
                    "x_mm": 1e3 * s.mark.centre.x_m, "y_mm": 1e3 * s.mark.centre.y_m,
                    "visible_x_mm": 1e3 * visible.x_m, "visible_y_mm": 1e3 * visible.y_m,
                    "diameter_mm": 1e3 * s.mark.diameter_m, "strength": s.mark.strength, "speed_mps": s.speed_mps,
                    "release_deg": s.release_deg, "sideways_deg": s.sideways_rad.to_degrees(),
                    "sideways_mm": 1e3 * (s.mark.centre.x_m - machine.pivot_right_m),
                })
            })
            .collect();
        json!({
            "volley": self.name, "photo": self.file.trim_start_matches("photos/"), "setup": MESHES.get(self.plan.mesh),
            "nominal_mph": self.plan.setpoint_mph, "mean_release_deg": mean(&|s| s.release_deg), "marks": marks,
            "missed": 0, "occluded": false,
        })
    }
}

struct PhotoPlan {
    file: String,
    camera: RenderCamera,
    marks: Vec<Mark>,
    light: Light,
    exif: ExifFields,
    number: u64,
}

/// Photos are numbered as a camera would, with gaps where a picture was thrown away.
fn photo_name(volley: usize) -> String {
    format!("photos/BARN_{:04}.jpg", 212 + volley + volley / 3)
}

fn volleys_csv(fired: &[Fired]) -> String {
    let file = |f: &str| f.trim_start_matches("photos/").to_owned();
    let mut text = String::from("volley,photo,shots,setpoint_mph,speed_mph,speed_spread_mph,head,mesh,note\n");
    text += &format!("clean wall,{},0,,,,,,before the first shot\n", file(&photo_name(0)));
    for f in fired {
        let n = f.shown_mph.len().max(1) as f64;
        let mean = f.shown_mph.iter().sum::<f64>() / n;
        let spread = (f.shown_mph.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)).sqrt();
        let mesh = MESHES.get(f.plan.mesh).copied().unwrap_or_default();
        text += &format!(
            "{},{},{},{},{mean:.2},{spread:.2},Heron,{mesh},\n",
            f.name,
            file(&f.file),
            f.marks.len(),
            f.plan.setpoint_mph
        );
    }
    text
}
