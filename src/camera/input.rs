//! What goes into a calibration, and what is known before a photo is looked at?

use std::collections::BTreeMap;

use super::bundle::{CornerObs, Knowledge, PrintKnown};
use super::lens::{self, Lens};
use super::optics::Optics;
use crate::error::{Error, Result};
use crate::sheet::{Corner, SheetGeometry, SheetSet, SheetView};

/// Least u of a corner, px: what print, paper and sensor add to a fit's own scatter (0.015 px RMS is the
/// best that sheets photographed from the front were seen to agree to).
const CORNER_FLOOR_PX: f64 = 0.015;
/// u of "two crosses at one height" when nothing is said: 0.5 mm, a laser line or a good level over two metres (common practice, no source).
pub const LEVEL_U_M: f64 = 0.5e-3;
/// u of the difference between a printer's scales across and down (common practice: 98 to 102 %, not always alike).
const SCALE_RATIO_U: f64 = 0.005;
/// u of a printed scale when no bar was measured.
const SCALE_UNMEASURED_U: f64 = 0.01;
/// Least relative u of a printed scale: 0.01 %, which nobody reads off a ruler.
const SCALE_LEAST_U: f64 = 1e-4;
/// u of the origin sheet's own turn when nothing says what is level: 2 mm over its 240 mm (common practice, no source).
const UPRIGHT_U_RAD: f64 = 0.008;
/// u of each coefficient of a curled sheet's relief, m: paper that is taped at all stands off by less than 20 mm.
const RELIEF_U_M: f64 = 0.01;
/// Relative u of the focal length that Exif gives: makers compare with film by the diagonal or the width (4 %), round to whole
/// mm (2 %), and crop for stabilisation.
const EXIF_FOCAL_U: f64 = 0.10;
/// Relative u of a focal length that nobody states: from 98 to 23 deg across, any is as good.
const FOCAL_U: f64 = 1.0;
/// What lenses of phones and cameras do, as u about zero: principal point in parts of the side, then k1, k2, p1 and p2, k3
/// (phones lie within |k1| < 0.15, wide lenses reach 0.3; common practice, no source). Where photos say more, they outweigh it by
/// far; where they say nothing, far from the sheets, it keeps the doubt honest.
const PRINCIPAL_U: f64 = 0.01;
const DISTORTION_U: [f64; 5] = [0.15, 0.15, 1e-3, 1e-3, 0.05];

/// One calibration photo and the sheets found in it.
#[derive(Clone, Debug)]
pub struct CalibrationPhoto {
    /// Its name, for messages.
    pub name: String,
    /// Size, px; of a photo with the camera held another way up, as though it had been held as for the others.
    pub size_px: (u32, u32),
    /// What Exif says of lens and zoom.
    pub optics: Optics,
    /// The sheets seen.
    pub sheets: Vec<SheetView>,
}

/// What was measured by hand, metres.
#[derive(Clone, Debug)]
pub struct WallFrame {
    /// Number of the sheet whose cross is the origin.
    pub origin_sheet: usize,
    /// Sheets whose crosses were set level with each other.
    pub level_sheets: Option<[usize; 2]>,
    /// Sheets whose crosses were set plumb above each other.
    pub plumb_sheets: Option<[usize; 2]>,
    /// How the origin sheet hangs, where no line is: its turn and the turn's u, rad, as known from before.
    pub upright_rad: Option<(f64, f64)>,
    /// u of the level or plumb line at the crosses, m.
    pub level_u_m: f64,
    /// Tape distances between crosses: sheets, m, u in m.
    pub tapes: Vec<Tape>,
    /// Printed scale across (bar as measured over bar as drawn): value, u.
    pub scale_across: Option<(f64, f64)>,
    /// Printed scale down.
    pub scale_down: Option<(f64, f64)>,
    /// Sheet geometry.
    pub geometry: SheetSet,
    /// Boards with a size of their own: relative u of their squares, by number.
    pub board_u: BTreeMap<usize, f64>,
}

impl WallFrame {
    /// Which kind of board each sheet is (0: the standard ones), and the kinds' relative u. Boards of one size are one kind: they
    /// came from one printer.
    pub(super) fn kinds(&self, numbers: &[usize]) -> (Vec<usize>, Vec<Option<f64>>) {
        let mut kinds: Vec<(Option<SheetGeometry>, Option<f64>)> = vec![(None, None)];
        let of = numbers
            .iter()
            .map(|n| {
                let Some(g) = self.geometry.own.get(n) else { return 0 };
                let u = self.board_u.get(n).copied().unwrap_or_default();
                kinds.iter().position(|k| *k == (Some(*g), Some(u))).unwrap_or_else(|| {
                    kinds.push((Some(*g), Some(u)));
                    kinds.len() - 1
                })
            })
            .collect();
        (of, kinds.into_iter().map(|k| k.1).collect())
    }

    /// Sheets that the frame rests on: origin, level or plumb line.
    pub(super) fn rests_on(&self, number: usize) -> Option<&'static str> {
        let line = |p: Option<[usize; 2]>| p.is_some_and(|p| p.contains(&number));
        if number == self.origin_sheet {
            Some("it is the origin")
        } else if line(self.level_sheets) {
            Some("it carries the level line")
        } else if line(self.plumb_sheets) {
            Some("it carries the plumb line")
        } else {
            None
        }
    }

    /// Whether a tape ends at the sheet's cross.
    pub(super) fn taped(&self, number: usize) -> bool {
        self.tapes.iter().any(|t| t.sheets.contains(&number))
    }
}

/// One tape distance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tape {
    /// The two sheets.
    pub sheets: [usize; 2],
    /// Distance between their crosses, m.
    pub distance_m: f64,
    /// Its standard uncertainty, m.
    pub u_m: f64,
}

/// Everything that calibrate needs.
#[derive(Clone, Debug)]
pub struct CalibrationInput {
    /// The photos; the tripod photo among them.
    pub photos: Vec<CalibrationPhoto>,
    /// Which of them was taken from the tripod.
    pub tripod: Option<usize>,
    /// What was measured by hand.
    pub frame: WallFrame,
}

/// A measured corner as the adjustment takes it.
pub(super) fn corner_obs(sheet: usize, geometry: SheetGeometry, c: &Corner) -> CornerObs {
    let (across, up) = geometry.from_cross_mm(c.sheet);
    CornerObs {
        sheet,
        saddle: c.index,
        across_m: across * 1e-3,
        up_m: up * 1e-3,
        pixel: c.saddle.point,
        u_px: c.saddle.u_px.hypot(CORNER_FLOOR_PX),
    }
}

/// Where a lens starts, and how well its focal length is known beforehand.
#[derive(Clone, Copy, Debug)]
pub(super) struct LensStart {
    /// The lens.
    pub lens: Lens,
    /// Focal length and its u, px.
    pub focal_px: (f64, f64),
}

impl LensStart {
    /// From what Exif says, else from a guess.
    pub fn new(size_px: (u32, u32), guess_px: f64, exif_px: Option<f64>) -> Self {
        let known = exif_px.map_or((guess_px, FOCAL_U * guess_px), |f| (f, EXIF_FOCAL_U * f));
        Self { lens: Lens::pinhole(size_px.0, size_px.1, guess_px), focal_px: known }
    }

    fn terms(&self) -> [(f64, f64); lens::N] {
        let middle = self.lens;
        let [k1, k2, p1, p2, k3] = DISTORTION_U.map(|u| (0.0, u));
        let longer = f64::from(middle.width.max(middle.height));
        // One u for both ways: a photo turned upright is the same lens.
        let principal = PRINCIPAL_U * longer;
        [self.focal_px, self.focal_px, (middle.cx, principal), (middle.cy, principal), k1, k2, p1, p2, k3]
    }
}

/// Everything that is known besides corners; `index` says where each sheet number stands.
pub(super) fn knowledge(frame: &WallFrame, index: &BTreeMap<usize, usize>, lens: &LensStart) -> Result<Knowledge> {
    let find = |n: usize, what: &str| {
        index.get(&n).copied().ok_or_else(|| {
            let seen: Vec<_> = index.keys().map(usize::to_string).collect();
            Error::input(format!(
                "session.toml names sheet {n} ({what}), but no usable calibration photo shows it (seen: {}): photograph it or change session.toml",
                seen.join(", ")
            ))
        })
    };
    let pair = |p: Option<[usize; 2]>, what: &str| -> Result<Option<(usize, usize, f64)>> {
        p.map(|[a, b]| Ok((find(a, what)?, find(b, what)?, frame.level_u_m))).transpose()
    };
    let mut tapes = Vec::new();
    for t in &frame.tapes {
        // An exact tape is taken as good to 0.1 mm: nobody reads one better, and zero would stop the adjustment.
        tapes.push((find(t.sheets[0], "wall.tape")?, find(t.sheets[1], "wall.tape")?, t.distance_m, t.u_m.max(1e-4)));
    }
    let level = pair(frame.level_sheets, "level_sheets")?;
    let plumb = pair(frame.plumb_sheets, "plumb_sheets")?;
    let numbers: Vec<usize> = index.keys().copied().collect();
    let prints = frame.kinds(&numbers).1;
    let scale = |q: (f64, f64)| (q.0, q.1.max(SCALE_LEAST_U));
    Ok(Knowledge {
        tapes,
        upright_rad: (level.is_none() && plumb.is_none()).then_some(frame.upright_rad.unwrap_or((0.0, UPRIGHT_U_RAD))),
        level,
        plumb,
        prints: prints
            .into_iter()
            .map(|u| match u {
                None => PrintKnown {
                    across: frame.scale_across.map_or((1.0, SCALE_UNMEASURED_U), scale),
                    down: frame.scale_down.map(scale),
                    ratio_u: SCALE_RATIO_U,
                },
                // A board's own stated square holds across and down.
                Some(u) => PrintKnown { across: scale((1.0, u)), down: Some(scale((1.0, u))), ratio_u: SCALE_RATIO_U },
            })
            .collect(),
        relief_u_m: RELIEF_U_M,
        robust: true,
        lens: lens.terms(),
    })
}
