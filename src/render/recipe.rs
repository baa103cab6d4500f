//! What is a day of shooting made of, before chance has its say?
//!
//! A [`Recipe`] names the wall, the light, the camera, the marks, the volleys, and what goes wrong when; [`super::Scenario`] draws one day from it.

use super::{Light, MarkKind, RenderCamera, RenderPose, Sensor, Solid, Sun, Wall, WallKind};
use crate::points::WallPoint;

pub(super) const INCH_M: f64 = 0.025_4;
/// The two values of the factor `mesh`, the reference first.
pub const MESHES: [&str; 2] = ["stiff", "soft"];

/// A measured value as a session's file states it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Amount {
    /// The value, in its unit.
    pub value: f64,
    /// ± at 95 % (k = 2), in the same unit.
    pub doubt: f64,
    /// The unit as written; empty for none.
    pub unit: &'static str,
    /// One unit in the SI unit.
    pub si: f64,
    /// How a person wrote it, where not as plain numbers.
    pub written: Option<&'static str>,
}

impl Amount {
    const fn new(value: f64, doubt: f64, unit: &'static str, si: f64) -> Self {
        Self { value, doubt, unit, si, written: None }
    }

    const fn written(value: f64, doubt: f64, unit: &'static str, si: f64, written: &'static str) -> Self {
        Self { value, doubt, unit, si, written: Some(written) }
    }
}

impl std::fmt::Display for Amount {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match (self.written, self.unit) {
            (Some(text), _) => f.write_str(text),
            (None, "") => write!(f, "{} ± {}", self.value, self.doubt),
            (None, unit) => write!(f, "{} {unit} ± {} {unit}", self.value, self.doubt),
        }
    }
}

/// All that a person measured at the machine, with its doubts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stated {
    /// Pivot axis to wall.
    pub pivot_out: Amount,
    /// Pivot axis above the origin.
    pub pivot_up: Amount,
    /// Arm's plane to the right of the origin.
    pub pivot_right: Amount,
    /// Pivot axis to the ball's centre.
    pub arm: Amount,
    /// Arm angle that counts as 0.
    pub zero: Amount,
    /// Top of the wall away from the machine.
    pub lean: Amount,
    /// Ball.
    pub mass: Amount,
    /// Ball.
    pub diameter: Amount,
    /// Drag coefficient.
    pub drag: Amount,
    /// Air, Celsius.
    pub temperature: Amount,
    /// Air.
    pub pressure: Amount,
    /// Air.
    pub humidity: Amount,
    /// Standard uncertainty of the speed's scale, %.
    pub speed_scale_percent: f64,
    /// ± of the printed bars at 95 %, mm.
    pub bar_mm: f64,
    /// ± of the tape at 95 %, mm.
    pub tape_mm: f64,
}

const DEG: f64 = std::f64::consts::PI / 180.0;

impl Stated {
    /// The demonstration's machine, measured in feet and inches.
    pub const INCHES: Self = Self {
        pivot_out: Amount::written(153.0, 0.25, "in", INCH_M, "12 ft 9 in ± 1/4 in"),
        pivot_up: Amount::written(30.0, 0.125, "in", INCH_M, "30 in ± 1/8 in"),
        pivot_right: Amount::written(38.5, 0.25, "in", INCH_M, "38.5 in ± 1/4 in"),
        arm: Amount::written(39.5, 0.125, "in", INCH_M, "39.5 in ± 1/8 in"),
        zero: Amount::new(-8.0, 0.1, "deg", DEG),
        lean: Amount::new(0.4, 0.1, "deg", DEG),
        mass: Amount::new(145.0, 1.0, "g", 1e-3),
        diameter: Amount::new(63.5, 0.3, "mm", 1e-3),
        drag: Amount::new(0.46, 0.04, "", 1.0),
        temperature: Amount::new(21.0, 1.0, "degC", 1.0),
        pressure: Amount::new(994.0, 2.0, "hPa", 100.0),
        humidity: Amount::new(55.0, 10.0, "%", 0.01),
        speed_scale_percent: 0.4,
        bar_mm: 0.2,
        tape_mm: 1.0,
    };

    /// Another machine, measured in metres.
    pub const METRES: Self = Self {
        pivot_out: Amount::written(3.55, 0.004, "m", 1.0, "3.550 m ± 4 mm"),
        pivot_up: Amount::written(0.6, 0.003, "m", 1.0, "600 mm ± 3 mm"),
        pivot_right: Amount::written(1.01, 0.004, "m", 1.0, "1.010 m ± 4 mm"),
        arm: Amount::written(1.05, 0.003, "m", 1.0, "1.050 m ± 3 mm"),
        lean: Amount::new(0.0, 0.1, "deg", DEG),
        mass: Amount::new(147.0, 1.0, "g", 1e-3),
        diameter: Amount::new(63.0, 0.3, "mm", 1e-3),
        drag: Amount::new(0.45, 0.04, "", 1.0),
        temperature: Amount::new(17.0, 1.0, "degC", 1.0),
        pressure: Amount::new(1009.0, 2.0, "hPa", 100.0),
        speed_scale_percent: 0.6,
        ..Self::INCHES
    };
}

/// A number that grows with speed and varies from mark to mark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Varying {
    /// At 50 mph.
    pub middle: f64,
    /// More at 65 mph.
    pub hard: f64,
    /// Standard deviation.
    pub sd: f64,
    /// Least and most.
    pub range: (f64, f64),
}

impl Varying {
    /// About `middle`, within `range`, with a standard deviation of a quarter of it.
    pub fn within(low: f64, high: f64) -> Self {
        Self { middle: 0.5 * (low + high), hard: 0.0, sd: 0.25 * (high - low), range: (low, high) }
    }

    pub(super) fn draw(&self, speed_mph: f64, unit_normal: f64) -> f64 {
        let hard = (speed_mph - 50.0) / 15.0;
        (self.middle + self.hard * hard + self.sd * unit_normal).clamp(self.range.0, self.range.1)
    }
}

/// What the day's marks look like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MarkLook {
    /// Scuff or chalk.
    pub kind: MarkKind,
    /// Colour (linear albedo).
    pub colour: [f32; 3],
    /// Largest share of colour, 0 to 1.
    pub strength: Varying,
    /// Diameter, mm.
    pub diameter_mm: Varying,
}

/// Where a photo is taken from: eye (m), the place of the wall it looks at (m), roll (rad).
pub type View = ([f64; 3], (f64, f64), f64);

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

/// What happens besides shooting.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// The volley's photo is nudged so many times as much as others.
    Knocked(f64),
    /// From this volley's photo on the camera is turned about its own axes (rad).
    Turned([f64; 3]),
    /// From this volley's photo on focal lengths are longer by this factor.
    Zoomed(f64),
    /// Before the volley the wall is wiped, and photographed or not.
    Wiped {
        /// There is a photo and a row of the wiped wall.
        photographed: bool,
    },
    /// This stands before the wall in the volley's photo.
    Before(Vec<Solid>),
    /// The volley is shot with balls that leave such marks.
    OtherBalls(MarkLook),
    /// The last so many balls of the volley leave no mark.
    NoMark(usize),
}

/// Sun whose edge moves by `step_m` into the sun from photo to photo.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SunPath {
    /// As it is in the photo of the clean wall.
    pub first: Sun,
    /// Move from photo to photo, m.
    pub step_m: f64,
}

/// A day without its chance.
#[derive(Clone, Debug, PartialEq)]
pub struct Recipe {
    /// Its name, in the truth file.
    pub name: String,
    /// The session's title.
    pub title: String,
    /// What was measured.
    pub stated: Stated,
    /// Draws of the truth are cut at this many standard uncertainties.
    pub cut: f64,
    /// Speeds in mph, not m/s.
    pub us_units: bool,
    /// Start of the photos' names.
    pub photo_stem: &'static str,
    /// The bare wall.
    pub wall: Wall,
    /// Where sheets 1, 2, ... are meant to hang, m.
    pub sheets: Vec<(f64, f64)>,
    /// They hang all day, not only for the calibration.
    pub sheets_up: bool,
    /// What marks look like.
    pub look: MarkLook,
    /// The camera on its tripod.
    pub tripod: RenderCamera,
    /// Where the calibration's photos are taken from.
    pub by_hand: Vec<View>,
    /// Exif orientation of every photo.
    pub orientation: u16,
    /// The sensor.
    pub sensor: Sensor,
    /// JPEG quality.
    pub quality: u8,
    /// The light.
    pub light: Light,
    /// How it wanders from photo to photo (SD): level (relative), slope to the right, slope up (1/m).
    pub light_wanders: [f64; 3],
    /// Exposure and white balance of the volleys' photos, in turn; empty for none.
    pub exposures: Vec<(f64, [f32; 3])>,
    /// Sun on the wall.
    pub sun: Option<SunPath>,
    /// Volleys in shooting order.
    pub volleys: Vec<PlannedVolley>,
    /// Release angle past zero at 50 mph, deg, of each mesh.
    pub whip_deg: [f64; 2],
    /// Change of release angle with speed, deg a mph.
    pub slope_deg_per_mph: f64,
    /// Standard deviation from volley to volley, deg.
    pub volley_sd_deg: f64,
    /// Standard deviation from shot to shot, deg: release, sideways.
    pub spread_deg: [f64; 2],
    /// Standard deviation of the camera's turn (rad) and shift (m) before each volley's photo.
    pub nudge: [f64; 2],
    /// What happens, and at which volley (from 0).
    pub events: Vec<(usize, Event)>,
}

impl Recipe {
    /// The demonstration: a plywood wall in a barn, one head with two meshes, four speeds.
    pub fn demo() -> Self {
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
            title: "Demonstration: one head, two meshes".into(),
            stated: Stated::INCHES,
            // No stated doubt shall be a lie.
            cut: 2.0,
            us_units: true,
            photo_stem: "BARN",
            wall: Wall {
                kind: WallKind::Plywood,
                low: WallPoint::new(-0.55, -0.62),
                high: WallPoint::new(2.60, 2.43),
                texture: 0.8,
                // This one has its seams clear of the marks.
                seed: 7,
            },
            sheets: vec![
                (0.0, 0.0),
                (1.952, 0.0),
                (0.02, 1.705),
                (1.93, 1.69),
                (0.93, -0.12),
                (1.02, 1.77),
                (-0.07, 0.86),
            ],
            sheets_up: true,
            // Harder shots leave larger, darker marks.
            look: MarkLook {
                kind: MarkKind::Scuff,
                colour: [0.060, 0.056, 0.054],
                strength: Varying { middle: 0.52, hard: 0.05, sd: 0.07, range: (0.3, 0.75) },
                diameter_mm: Varying { middle: 27.5, hard: 1.8, sd: 1.5, range: (20.0, 35.0) },
            },
            tripod,
            by_hand: vec![
                ([0.05, 1.40, 2.40], (0.95, 0.86), 0.08),
                ([2.30, 0.35, 2.35], (0.97, 0.88), -0.12),
                ([0.95, 2.20, 2.25], (0.96, 0.83), 0.03),
                ([0.65, -0.05, 2.40], (1.00, 0.93), 0.16),
                ([2.55, 1.50, 2.05], (1.00, 0.84), 0.06),
                ([-0.55, 0.55, 2.15], (0.93, 0.87), -0.07),
            ],
            orientation: 1,
            sensor: Sensor {
                blur_px: 0.75,
                exposure: 1.0,
                shot_variance: 1.1e-4,
                read_sd: 1.6e-3,
                sharpen: 0.3,
                vignette: 0.16,
            },
            // What phones use.
            quality: 92,
            // Daylight through a door to the left, and a lamp overhead: both wander a little.
            light: Light {
                level: 0.98,
                middle: WallPoint::new(1.0, 0.9),
                slope_right_per_m: -0.05,
                slope_up_per_m: 0.04,
                lamp: 0.22,
                lamp_at: WallPoint::new(1.25, 1.75),
                lamp_width_m: 0.95,
                tint: [1.0, 0.975, 0.92],
                sun: None,
            },
            light_wanders: [0.02, 0.015, 0.008],
            exposures: vec![],
            sun: None,
            volleys: plan.map(|(setpoint_mph, mesh, shots)| PlannedVolley { setpoint_mph, mesh, shots }).to_vec(),
            whip_deg: [16.4, 18.3],
            slope_deg_per_mph: -0.22,
            volley_sd_deg: 0.10,
            spread_deg: [0.38, 0.42],
            // Someone touches the shutter: a hundredth of a degree, and once rather more.
            nudge: [2e-4, 2e-4],
            events: vec![(4, Event::Knocked(8.0))],
        }
    }
}
