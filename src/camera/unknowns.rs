//! What is unknown of lens, poses and sheets, what is known of them besides corners, and where each stands among the columns of
//! the adjustment's normal matrix?

use nalgebra::DVector;

use super::lens::{self, Lens};
use super::view::Pose;
use crate::points::PixelPoint;
use crate::sheet::geometry::SADDLE_COLUMNS;

/// A measured corner.
#[derive(Clone, Copy, Debug)]
pub struct CornerObs {
    /// Index of the sheet in [`State::sheets`].
    pub sheet: usize,
    /// Which saddle of the sheet.
    pub saddle: usize,
    /// From the cross to the right as drawn, m.
    pub across_m: f64,
    /// From the cross upwards as drawn, m.
    pub up_m: f64,
    /// Where it was measured.
    pub pixel: PixelPoint,
    /// Standard uncertainty an axis, px.
    pub u_px: f64,
}

/// What is known besides corners.
#[derive(Clone, Debug)]
pub struct Knowledge {
    /// Tape distances between crosses: sheet indices, m, u in m.
    pub tapes: Vec<(usize, usize, f64, f64)>,
    /// Crosses of two sheets at one height: indices, u of the difference, m.
    pub level: Option<(usize, usize, f64)>,
    /// Crosses of two sheets above each other: indices, u of the difference, m.
    pub plumb: Option<(usize, usize, f64)>,
    /// The origin sheet's own turn and its u, rad: the last resort for the frame's direction.
    pub upright_rad: Option<(f64, f64)>,
    /// What is known of each kind of board's printed scale.
    pub prints: Vec<PrintKnown>,
    /// u of each coefficient of a curled sheet's relief, m.
    pub relief_u_m: f64,
    /// Whether corners may be grossly wrong: Huber's weights, and a variance of unit weight not below one. Plain least squares
    /// otherwise, scaled by what is left of the residuals.
    pub robust: bool,
    /// What is known beforehand of each lens term: value, u.
    pub lens: [(f64, f64); lens::N],
}

/// What is known of the printed scale of one kind of board.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PrintKnown {
    /// Printed scale across: value, u.
    pub across: (f64, f64),
    /// Printed scale down: value, u; `None` when that bar was not measured.
    pub down: Option<(f64, f64)>,
    /// u of the difference between the two printed scales.
    pub ratio_u: f64,
}

impl Knowledge {
    /// Nothing is known; corners are taken as they are.
    pub fn nothing() -> Self {
        Self {
            tapes: Vec::new(),
            level: None,
            plumb: None,
            upright_rad: None,
            prints: Vec::new(),
            relief_u_m: 1.0,
            robust: false,
            lens: [(0.0, f64::INFINITY); lens::N],
        }
    }
}

/// Coefficients of a sheet's relief.
pub const RELIEF: usize = 5;

/// How the paper at a saddle moves off the wall with each coefficient of the sheet's relief: as a whole, by the right side, by
/// the top, by a twist, by a bow along the height. (Two columns of saddles cannot show a bow across.)
pub fn relief_basis(saddle: usize) -> [f64; RELIEF] {
    let (row, column) = (saddle / SADDLE_COLUMNS, saddle % SADDLE_COLUMNS);
    let (p, q) = (2.0 * column as f64 - 1.0, 1.0 - row as f64);
    [1.0, p, q, p * q, q * q]
}

/// All unknowns.
#[derive(Clone, Debug)]
pub struct State {
    /// The lens.
    pub lens: Lens,
    /// Printed scale across and down (1 = as drawn) of each kind of board.
    pub prints: Vec<[f64; 2]>,
    /// Each sheet's cross: x in m, y in m, turn in rad (counter-clockwise as seen).
    pub sheets: Vec<[f64; 3]>,
    /// Which kind of board each sheet is: index into `prints`.
    pub print_of: Vec<usize>,
    /// How each sheet's paper stands off the wall, m ([`relief_basis`]).
    pub relief: Vec<[f64; RELIEF]>,
    /// A pose a photo.
    pub poses: Vec<Pose>,
}

impl State {
    /// Flat sheets of the given kinds at the origin, printed as drawn.
    pub fn flat(lens: Lens, print_of: &[usize], poses: Vec<Pose>) -> Self {
        let n = print_of.len();
        let kinds = print_of.iter().max().map_or(1, |k| k + 1);
        Self {
            lens,
            prints: vec![[1.0; 2]; kinds],
            sheets: vec![[0.0; 3]; n],
            print_of: print_of.to_vec(),
            relief: vec![[0.0; RELIEF]; n],
            poses,
        }
    }
}

/// Which unknowns may move.
#[derive(Clone, Debug)]
pub struct Free {
    /// Lens terms in the order of [`lens::TERMS`].
    pub lens: [bool; lens::N],
    /// fy follows fx, in its ratio at the start.
    pub square_pixels: bool,
    /// The printed scales.
    pub scale: bool,
    /// The sheets that are known to be curled.
    pub curled: Vec<usize>,
    /// The sheets' places; this one's cross stays where it is.
    pub sheets_but: Option<usize>,
    /// Sheets whose places move although the others' are held.
    pub loose: Vec<usize>,
    /// The poses.
    pub poses: bool,
}

impl Free {
    /// Everything moves, with the given lens terms and origin.
    pub fn all(lens: [bool; lens::N], square_pixels: bool, origin: usize) -> Self {
        Self {
            lens,
            square_pixels,
            scale: true,
            curled: Vec::new(),
            sheets_but: Some(origin),
            loose: Vec::new(),
            poses: true,
        }
    }

    /// Only the poses move.
    pub fn poses_only() -> Self {
        let lens = [false; lens::N];
        Self {
            lens,
            square_pixels: true,
            scale: false,
            curled: Vec::new(),
            sheets_but: None,
            loose: Vec::new(),
            poses: true,
        }
    }
}

/// Columns of the unknowns in the normal matrix; `usize::MAX` for what is held.
#[derive(Clone, Debug)]
pub struct Columns {
    /// Lens terms.
    pub lens: [usize; lens::N],
    /// Printed scales of each kind of board.
    pub prints: Vec<[usize; 2]>,
    /// Sheets: x, y, turn.
    pub sheets: Vec<[usize; 3]>,
    /// Sheets: first coefficient of the relief.
    pub relief: Vec<usize>,
    /// First of six columns a photo.
    pub poses: Vec<usize>,
    /// How many there are.
    pub count: usize,
}

/// The column of what is held.
pub const HELD: usize = usize::MAX;

impl Columns {
    pub(super) fn new(state: &State, free: &Free) -> Self {
        let mut count = 0;
        let mut take = |on: bool| {
            if on {
                count += 1;
                count - 1
            } else {
                HELD
            }
        };
        let mut lens = [HELD; lens::N];
        for k in 0..lens::N {
            lens[k] = if k == 1 && free.square_pixels { lens[0] } else { take(free.lens[k]) };
        }
        let prints = state.prints.iter().map(|_| [take(free.scale), take(free.scale)]).collect();
        let sheets = (0..state.sheets.len())
            .map(|i| match free.sheets_but {
                Some(o) => [take(i != o), take(i != o), take(true)],
                None => [0, 1, 2].map(|_| take(free.loose.contains(&i))),
            })
            .collect();
        let mut block = |on: bool, size: usize| {
            let first = take(on);
            for _ in 1..size {
                take(on);
            }
            first
        };
        let relief = (0..state.sheets.len()).map(|i| block(free.curled.contains(&i), RELIEF)).collect();
        let poses = (0..state.poses.len()).map(|_| block(free.poses, 6)).collect();
        Self { lens, prints, sheets, relief, poses, count }
    }
}

/// The unknowns after a step.
pub(super) fn stepped(state: &State, columns: &Columns, d: &DVector<f64>) -> State {
    let at = |c: usize| if c == HELD { 0.0 } else { d[c] };
    let mut s = state.clone();
    let mut t = s.lens.terms();
    for (v, &c) in t.iter_mut().zip(&columns.lens) {
        *v += at(c);
    }
    if columns.lens[0] == columns.lens[1] && columns.lens[0] != HELD {
        t[1] = state.lens.fy / state.lens.fx * t[0];
    }
    s.lens = s.lens.with_terms(t);
    for (scale, c) in s.prints.iter_mut().zip(&columns.prints) {
        for k in 0..2 {
            scale[k] += at(c[k]);
        }
    }
    for (relief, &c) in s.relief.iter_mut().zip(&columns.relief) {
        if c != HELD {
            (0..RELIEF).for_each(|k| relief[k] += d[c + k]);
        }
    }
    for (sheet, c) in s.sheets.iter_mut().zip(&columns.sheets) {
        for k in 0..3 {
            sheet[k] += at(c[k]);
        }
    }
    for (pose, &c) in s.poses.iter_mut().zip(&columns.poses) {
        if c != HELD {
            *pose = pose.nudged(&std::array::from_fn(|k| d[c + k]));
        }
    }
    s
}
