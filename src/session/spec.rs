//! What did the person measure and decide about this session (`session.toml`)?
//!
//! [`SessionSpec::parse`] turns the file's text into plain structs of [`Quantity`] values. Every
//! key is known: an unknown one is refused with the line and the nearest known key. What a
//! person left out keeps its `None`; the `*_or_assumed` methods say what then holds, and
//! [`SessionSpec::assumed_inputs`] lists it, as [`SessionSpec::exact_inputs`] lists what was
//! written without ±.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::Path;

use serde::Serialize;

pub use super::assumed::AssumedInput;
pub use super::boards::{AgainSpec, BoardSpec, LAST_CALIBRATION};
use super::boards::{again, boards};
pub use super::located::StatedInput;
use super::located::{Section, parse_document};
use super::table::{LARGEST_FILE_BYTES, plain_file_name, read_text};
use crate::error::{Context, Error, Result};
use crate::quantity::{Dimension, Quantity};
use crate::sheet::geometry::{SQUARE_MM, TAGS};
use crate::sheet::tag36h11::FAMILY;

/// Highest sheet number: the tag family has no ids beyond it.
pub const LAST_SHEET: u32 = (FAMILY / TAGS) as u32;
/// What the bar across measures when printed true, on a sheet of standard squares, m.
pub const BAR_ACROSS_M: f64 = 0.150;
/// What the bar down measures when printed true, on a sheet of standard squares, m.
pub const BAR_DOWN_M: f64 = 0.200;
/// A bar further than this from its nominal length is a slip of unit or of bar, not a printer:
/// printers and copiers scale by a few per cent.
const LARGEST_BAR_SLIP: f64 = 0.2;
/// Standard uncertainty of the lean of a wall nobody measured, rad: 0.5 deg, so ±1 deg at 95 %.
/// More than that (17 mm per metre) is seen by eye.
pub const UNMEASURED_LEAN_U_RAD: f64 = 0.5 * DEG;
/// Humidity nobody measured: the middle, with the standard uncertainty of "anything from 0 to 1" (JCGM 100, 4.3.7).
pub const UNMEASURED_HUMIDITY: Quantity = Quantity { value: 0.5, u: 0.288_675_134_594_812_9, stated: false };
/// Smallest difference of release angles worth caring about unless stated, rad.
pub const DEFAULT_MATTERS_RAD: f64 = DEG;

pub(super) const DEG: f64 = std::f64::consts::PI / 180.0;

/// Everything `session.toml` says.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SessionSpec {
    /// The session's title; empty when none was given.
    pub title: String,
    /// The wall and its sheets.
    pub wall: WallSpec,
    /// The camera.
    pub camera: CameraSpec,
    /// The machine.
    pub machine: MachineSpec,
    /// The ball.
    pub ball: BallSpec,
    /// The air.
    pub air: AirSpec,
    /// How speeds were read.
    pub speed: SpeedSpec,
    /// What the study is to find out.
    pub study: StudySpec,
    /// The printed sheets.
    pub sheets: SheetsSpec,
    /// What marks look like, where the person knows.
    pub marks: MarksSpec,
    /// How impacts were measured by hand.
    pub impacts: ImpactsSpec,
    /// Every quantity as it was written, in the order read.
    pub stated: Vec<StatedInput>,
}

/// `[wall]`
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WallSpec {
    /// Number of the sheet whose cross is the wall's origin, from 1.
    pub origin_sheet: u32,
    /// Whether `origin_sheet` was written, not assumed to be 1.
    pub origin_sheet_stated: bool,
    /// What makes "level" level.
    pub level: Level,
    /// What the bar across (150 mm on the standard sheet) measures, m.
    pub printed_bar: Option<Quantity>,
    /// What the bar down (200 mm on the standard sheet) measures, m.
    pub printed_bar_down: Option<Quantity>,
    /// Lean of the wall, rad; top away from the machine positive.
    pub lean: Option<Quantity>,
    /// Lowest place that may be struck, m above the origin.
    pub bottom: Option<Quantity>,
    /// Highest place that may be struck, m above the origin.
    pub top: Option<Quantity>,
    /// Tape distances between crosses.
    pub tapes: Vec<TapeSpec>,
}

/// What fixes the direction of the wall's x axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    /// The crosses of these two sheets were set level with each other.
    LevelSheets([u32; 2]),
    /// The crosses of these two sheets hang plumb, one above the other.
    PlumbSheets([u32; 2]),
    /// Nothing stated: the origin sheet is taken to hang straight.
    OriginSheet,
}

/// `[[wall.tape]]`: a distance between two crosses.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TapeSpec {
    /// The two sheets.
    pub sheets: [u32; 2],
    /// Distance between their crosses, m.
    pub distance: Quantity,
}

/// `[camera]`
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CameraSpec {
    /// The photo taken from the tripod's place for the volleys: a path inside the session, such
    /// as `calibration/tripod.jpg`.
    pub tripod_photo: Option<String>,
    /// From which volley on a later calibration holds, where photos carry no time.
    pub again: Vec<AgainSpec>,
}

/// `[machine]`
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct MachineSpec {
    /// Horizontal distance from the pivot's axis to the wall at the origin's height, m.
    pub pivot_out: Quantity,
    /// Height of the pivot's axis above the origin, m.
    pub pivot_up: Quantity,
    /// The arm's plane right of the origin, facing the wall, m.
    pub pivot_right: Quantity,
    /// From the pivot's axis to the centre of the held ball, m.
    pub arm: Quantity,
    /// Arm angle that counts as release angle 0, rad; may be absent where zero shots tell it.
    pub zero: Option<Quantity>,
    /// Turn of the arm's plane about the vertical away from the wall's normal, rad; to the right positive.
    pub plane_turn: Option<Quantity>,
    /// Angle between the ball's departure and the arm's tangent, rad.
    pub off_tangent: Option<Quantity>,
}

impl MachineSpec {
    /// The plane's turn; square to the wall when nobody measured it.
    pub fn plane_turn_or_assumed(&self) -> Quantity {
        self.plane_turn.unwrap_or(Quantity::exact(0.0))
    }

    /// The departure off the tangent; along it when nobody measured it.
    pub fn off_tangent_or_assumed(&self) -> Quantity {
        self.off_tangent.unwrap_or(Quantity::exact(0.0))
    }
}

/// `[ball]`
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct BallSpec {
    /// Mass, kg.
    pub mass: Quantity,
    /// Diameter, m.
    pub diameter: Quantity,
    /// Drag coefficient; absent: the sphere curve.
    pub drag_coefficient: Option<Quantity>,
    /// Backspin, rad/s; absent: none known.
    pub spin: Option<Quantity>,
}

/// `[air]`
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct AirSpec {
    /// Temperature, K.
    pub temperature: Quantity,
    /// Pressure, or the altitude that stands for it.
    pub pressure: AirPressure,
    /// Relative humidity, 0 to 1.
    pub humidity: Option<Quantity>,
}

impl AirSpec {
    /// The humidity; [`UNMEASURED_HUMIDITY`] when nobody measured it.
    pub fn humidity_or_assumed(&self) -> Quantity {
        self.humidity.unwrap_or(UNMEASURED_HUMIDITY)
    }
}

/// How the air's pressure is known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum AirPressure {
    /// Read at the place (not reduced to sea level), Pa.
    Pressure(Quantity),
    /// Height above the sea, m; the standard atmosphere gives the pressure.
    Altitude(Quantity),
}

/// `[speed]`
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SpeedSpec {
    /// Shared relative *standard* uncertainty (k = 1) of all speed readings, as a fraction: "0.6 %" is 0.006. It is
    /// a u, not a ±: do not write what holds at 95 %, but half of it.
    pub scale_u: f64,
    /// Where along the flight speeds were read.
    pub read_at: ReadAt,
}

/// Where speeds were read.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ReadAt {
    /// As the ball leaves.
    Release,
    /// At this distance from the wall, m.
    FromWall(Quantity),
}

/// `[study]`
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StudySpec {
    /// The smallest difference of release angles worth caring about, rad, > 0.
    pub matters_rad: f64,
    /// The setup that is repeated through the day: factor and value.
    pub reference: BTreeMap<String, String>,
}

/// `[sheets]`
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SheetsSpec {
    /// Side of a square as drawn, mm.
    pub square_mm: f64,
    /// Boards with a size of their own, each number once.
    pub boards: Vec<BoardSpec>,
}

/// `[marks]`
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct MarksSpec {
    /// Smallest mark to expect, m across.
    pub smallest_m: Option<f64>,
    /// Largest mark to expect, m across.
    pub largest_m: Option<f64>,
}

/// `[impacts]`: impacts measured by hand
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct ImpactsSpec {
    /// What the tape's metre really is, as a ratio near 1: all readings share its doubt.
    pub tape_scale: Option<Quantity>,
    /// How far off one reading may be at 95 %, m, where impacts.csv does not say.
    pub plus_minus_m: Option<f64>,
}

/// Every section with its keys; the first is the top of the file.
const SECTIONS: &[(&str, &[&str])] = &[
    ("", &["title", "wall", "camera", "machine", "ball", "air", "speed", "study", "sheets", "marks", "impacts"]),
    (
        "wall",
        &[
            "origin_sheet",
            "level_sheets",
            "plumb_sheets",
            "printed_bar",
            "printed_bar_down",
            "lean",
            "bottom",
            "top",
            "tape",
        ],
    ),
    ("camera", &["tripod_photo", "again"]),
    ("machine", &["pivot_out", "pivot_up", "pivot_right", "arm", "zero", "plane_turn", "off_tangent"]),
    ("ball", &["mass", "diameter", "drag_coefficient", "spin"]),
    ("air", &["temperature", "pressure", "altitude", "humidity"]),
    ("speed", &["scale", "read_at"]),
    ("study", &["matters", "reference"]),
    ("sheets", &["square", "board"]),
    ("marks", &["smallest", "largest"]),
    ("impacts", &["tape_scale", "plus_minus"]),
];

pub(super) fn home_of(key: &str) -> Option<&'static str> {
    SECTIONS.iter().find(|(_, keys)| keys.contains(&key)).map(|(name, _)| *name)
}

fn keys_of(section: &str) -> &'static [&'static str] {
    SECTIONS.iter().find(|(name, _)| *name == section).map_or(&[], |(_, keys)| keys)
}

impl SessionSpec {
    /// Reads `session.toml`.
    ///
    /// # Errors
    /// When the file cannot be read, and as for [`SessionSpec::parse`].
    pub fn read(path: &Path) -> Result<Self> {
        let text = read_text(path, LARGEST_FILE_BYTES)?;
        Self::parse(&text).place(|| path.display().to_string())
    }

    /// Reads the text of a `session.toml`.
    ///
    /// # Errors
    /// A sentence with line and key: not TOML, an unknown or missing key, a quantity without unit
    /// or out of range, two keys that exclude each other.
    pub fn parse(text: &str) -> Result<Self> {
        let text = text.strip_prefix('\u{FEFF}').unwrap_or(text);
        let document = parse_document(text)?;
        let stated = RefCell::new(Vec::new());
        let root = Section::root(text, document.get_ref(), &stated);
        root.only(keys_of(""), home_of)?;
        let open = |name: &'static str| -> Result<Section<'_, '_>> {
            let section = root.section(name)?;
            section.only(keys_of(name), home_of)?;
            Ok(section)
        };
        let sheets = sheets(&open("sheets")?)?;
        let spec = Self {
            title: root.text("title")?.unwrap_or_default(),
            wall: wall(&open("wall")?, sheets.square_mm)?,
            camera: camera(&open("camera")?)?,
            machine: machine(&open("machine")?)?,
            ball: ball(&open("ball")?)?,
            air: air(&open("air")?)?,
            speed: speed(&open("speed")?)?,
            study: study(&open("study")?)?,
            sheets,
            marks: marks(&open("marks")?)?,
            impacts: impacts(&open("impacts")?)?,
            stated: Vec::new(),
        };
        let stated = stated.take();
        Ok(Self { stated, ..spec })
    }

    /// The wall's lean; upright within [`UNMEASURED_LEAN_U_RAD`] when nobody measured it.
    pub fn lean_or_assumed(&self) -> Quantity {
        self.wall.lean.unwrap_or(Quantity { value: 0.0, u: UNMEASURED_LEAN_U_RAD, stated: false })
    }
}

/// What to say where neither the settings nor zero shots tell the machine's zero.
pub fn zero_missing() -> Error {
    Error::input(
        "[machine] zero is missing: the arm angle that counts as release angle 0; write for example zero = \
         \"-10.0 deg ± 0.1 deg\", or shoot a rigid cup and write its release angle into volleys.csv's column \
         known_release_deg",
    )
}

fn wall(s: &Section<'_, '_>, square_mm: f64) -> Result<WallSpec> {
    let level = match (s.pair("level_sheets", LAST_SHEET)?, s.pair("plumb_sheets", LAST_SHEET)?) {
        (Some(_), Some(_)) => {
            return s.refuse("plumb_sheets", "stands beside level_sheets; keep the one you trust more");
        }
        (Some(pair), None) => Level::LevelSheets(pair),
        (None, Some(pair)) => Level::PlumbSheets(pair),
        (None, None) => Level::OriginSheet,
    };
    let bar = |key: &str, standard_m: f64| -> Result<Option<Quantity>> {
        let nominal_m = standard_m * square_mm / SQUARE_MM;
        let limits = (nominal_m * (1.0 - LARGEST_BAR_SLIP), nominal_m * (1.0 + LARGEST_BAR_SLIP));
        s.bounded(key, Dimension::Length, limits, &format!("20 % of the {:.1} mm it should be", nominal_m * 1e3))
    };
    let place = |key: &str| s.bounded(key, Dimension::Length, (-20.0, 20.0), "-20 m to 20 m");
    let (bottom, top) = (place("bottom")?, place("top")?);
    if let (Some(b), Some(t)) = (bottom, top)
        && b.value >= t.value
    {
        return s.refuse("top", "is not above bottom; both are heights above the origin");
    }
    let origin_sheet = s.count("origin_sheet", LAST_SHEET)?;
    let tapes = s
        .sections("tape")?
        .iter()
        .map(|tape| {
            tape.only(&["sheets", "distance"], home_of)?;
            let Some(sheets) = tape.pair("sheets", LAST_SHEET)? else {
                return tape.missing("sheets", "the two sheets the tape ran between", "[1, 2]");
            };
            match tape.bounded("distance", Dimension::Length, (0.01, 100.0), "1 cm to 100 m")? {
                Some(distance) => Ok(TapeSpec { sheets, distance }),
                None => tape.missing("distance", "from cross to cross", "\"2.190 m ± 1 mm\""),
            }
        })
        .collect::<Result<Vec<_>>>()?;
    Ok(WallSpec {
        origin_sheet: origin_sheet.unwrap_or(1),
        origin_sheet_stated: origin_sheet.is_some(),
        level,
        printed_bar: bar("printed_bar", BAR_ACROSS_M)?,
        printed_bar_down: bar("printed_bar_down", BAR_DOWN_M)?,
        lean: s.bounded("lean", Dimension::Angle, (-30.0 * DEG, 30.0 * DEG), "-30 deg to 30 deg")?,
        bottom,
        top,
        tapes,
    })
}

fn camera(s: &Section<'_, '_>) -> Result<CameraSpec> {
    let tripod_photo = s.text("tripod_photo")?.filter(|t| !t.is_empty());
    if let Some(path) = &tripod_photo {
        let inside = path
            .split_once('/')
            .is_some_and(|(folder, name)| matches!(folder, "calibration" | "photos") && plain_file_name(name).is_ok());
        if !inside {
            return s.refuse(
                "tripod_photo",
                format!("\"{path}\" must be a photo in calibration/ or photos/, such as \"calibration/tripod.jpg\""),
            );
        }
    }
    Ok(CameraSpec { tripod_photo, again: again(s)? })
}

fn machine(s: &Section<'_, '_>) -> Result<MachineSpec> {
    let length = |key: &str, limits: (f64, f64), words: &str, meaning: &str, example: &str| -> Result<Quantity> {
        match s.bounded(key, Dimension::Length, limits, words)? {
            Some(q) => Ok(q),
            None => s.missing(key, meaning, example),
        }
    };
    let half_turn = |key: &str| s.bounded(key, Dimension::Angle, (-180.0 * DEG, 180.0 * DEG), "-180 deg to 180 deg");
    Ok(MachineSpec {
        pivot_out: length(
            "pivot_out",
            (0.1, 100.0),
            "10 cm to 100 m",
            "how far the arm's pivot is from the wall",
            "\"6.000 m ± 5 mm\"",
        )?,
        pivot_up: length(
            "pivot_up",
            (-20.0, 20.0),
            "-20 m to 20 m",
            "how far the pivot is above the origin sheet's cross",
            "\"-100 mm ± 3 mm\"",
        )?,
        pivot_right: length(
            "pivot_right",
            (-50.0, 50.0),
            "-50 m to 50 m",
            "how far right of the origin the arm swings, facing the wall",
            "\"1.080 m ± 4 mm\"",
        )?,
        arm: length(
            "arm",
            (0.05, 10.0),
            "5 cm to 10 m",
            "from the pivot's axis to the centre of the ball",
            "\"1.200 m ± 3 mm\"",
        )?,
        zero: half_turn("zero")?,
        plane_turn: s.bounded("plane_turn", Dimension::Angle, (-45.0 * DEG, 45.0 * DEG), "-45 deg to 45 deg")?,
        off_tangent: s.bounded("off_tangent", Dimension::Angle, (-45.0 * DEG, 45.0 * DEG), "-45 deg to 45 deg")?,
    })
}

fn ball(s: &Section<'_, '_>) -> Result<BallSpec> {
    let Some(mass) = s.bounded("mass", Dimension::Mass, (0.001, 10.0), "1 g to 10 kg")? else {
        return s.missing("mass", "what the ball weighs", "\"147 g ± 1 g\"");
    };
    let Some(diameter) = s.bounded("diameter", Dimension::Length, (0.005, 0.5), "5 mm to 50 cm")? else {
        return s.missing("diameter", "the ball's diameter", "\"63.0 mm ± 0.3 mm\"");
    };
    // What a flight can be computed with, in round numbers: far beyond any thrown ball.
    let fastest = 9500.0 * std::f64::consts::TAU / 60.0;
    Ok(BallSpec {
        mass,
        diameter,
        drag_coefficient: s.bounded("drag_coefficient", Dimension::Ratio, (0.0, 2.0), "0 to 2")?,
        spin: s.bounded("spin", Dimension::Rotation, (-fastest, fastest), "-9500 rpm to 9500 rpm")?,
    })
}

fn air(s: &Section<'_, '_>) -> Result<AirSpec> {
    let Some(temperature) =
        s.bounded("temperature", Dimension::Temperature, (213.15, 333.15), "-60 degC to 60 degC")?
    else {
        return s.missing("temperature", "of the air", "\"18 degC ± 1 degC\"");
    };
    let pressure = s.bounded("pressure", Dimension::Pressure, (30_000.0, 115_000.0), "300 hPa to 1150 hPa")?;
    let altitude = s.bounded("altitude", Dimension::Length, (-500.0, 9000.0), "-500 m to 9000 m")?;
    let pressure = match (pressure, altitude) {
        (Some(_), Some(_)) => {
            return s.refuse(
                "altitude",
                "stands beside pressure; keep the pressure read at the place, or else the altitude",
            );
        }
        (Some(q), None) => AirPressure::Pressure(q),
        (None, Some(q)) => AirPressure::Altitude(q),
        (None, None) => {
            return s.missing(
                "pressure",
                "of the air at the place (or altitude = \"120 m ± 50 m\")",
                "\"1008 hPa ± 2 hPa\"",
            );
        }
    };
    Ok(AirSpec {
        temperature,
        pressure,
        humidity: s.bounded("humidity", Dimension::Ratio, (0.0, 1.0), "0 % to 100 %")?,
    })
}

fn speed(s: &Section<'_, '_>) -> Result<SpeedSpec> {
    let meaning =
        "how far all speed readings may be off together, as a standard uncertainty (half of what holds at 95 %)";
    let Some(scale) = s.bounded("scale", Dimension::Ratio, (0.0, 0.2), "0 % to 20 %")? else {
        return s.missing("scale", meaning, "\"0.6 %\"");
    };
    if scale.stated {
        return s.refuse(
            "scale",
            "has a ± behind it, but it is itself a standard uncertainty; write for example \"0.6 %\"",
        );
    }
    let read_at = match s.text("read_at")?.as_deref() {
        None | Some("release") => ReadAt::Release,
        Some(text) if text.contains(|c: char| c.is_ascii_digit()) => {
            match s.bounded("read_at", Dimension::Length, (0.0, 100.0), "0 m to 100 m")? {
                Some(q) => ReadAt::FromWall(q),
                None => ReadAt::Release,
            }
        }
        Some(other) => {
            return s.refuse(
                "read_at",
                format!("\"{other}\" is neither \"release\" nor a distance from the wall such as \"1.5 m\""),
            );
        }
    };
    Ok(SpeedSpec { scale_u: scale.value, read_at })
}

fn study(s: &Section<'_, '_>) -> Result<StudySpec> {
    let matters = s.bounded("matters", Dimension::Angle, (0.001 * DEG, 90.0 * DEG), "0.001 deg to 90 deg")?;
    let reference = s.section("reference").map_err(|_| {
        Error::input(format!(
            "line {}: [study] reference: write the setup as factors and values, such as reference = {{ pocket = \"mid\" }}",
            s.line("reference")
        ))
    })?;
    if s.has("reference") && reference.texts()?.is_empty() {
        return s.refuse("reference", "names no factor; write for example reference = { pocket = \"mid\" }");
    }
    Ok(StudySpec {
        matters_rad: matters.map_or(DEFAULT_MATTERS_RAD, |q| q.value),
        reference: reference.texts()?.into_iter().collect(),
    })
}

fn sheets(s: &Section<'_, '_>) -> Result<SheetsSpec> {
    let square = s.bounded("square", Dimension::Length, (0.010, 1.0), "10 mm to 1 m")?;
    Ok(SheetsSpec { square_mm: square.map_or(SQUARE_MM, |q| q.value * 1e3), boards: boards(s)? })
}

fn impacts(s: &Section<'_, '_>) -> Result<ImpactsSpec> {
    Ok(ImpactsSpec {
        tape_scale: s.bounded("tape_scale", Dimension::Ratio, (0.9, 1.1), "0.9 to 1.1 (1 is a true tape)")?,
        plus_minus_m: s.bounded("plus_minus", Dimension::Length, (0.0, 0.5), "0 to 50 cm")?.map(|q| q.value),
    })
}

fn marks(s: &Section<'_, '_>) -> Result<MarksSpec> {
    let size = |key: &str| s.bounded(key, Dimension::Length, (0.001, 0.5), "1 mm to 50 cm").map(|q| q.map(|q| q.value));
    let (smallest_m, largest_m) = (size("smallest")?, size("largest")?);
    if let (Some(small), Some(large)) = (smallest_m, largest_m)
        && small > large
    {
        return s.refuse("smallest", "is larger than largest; swap them");
    }
    Ok(MarksSpec { smallest_m, largest_m })
}
