//! Where did the camera stand when this photo was taken, and what doubt does the wall inherit?
//!
//! With lens and layout known, a photo's sheets give its pose. Two things may have changed since the calibration, and each is
//! believed only when it explains much (an information criterion): the lens (zoom, focus, a picture shifted by stabilisation: its own
//! focal length and principal point are then adjusted), and single sheets (one whose corners moved together, and farther than corner noise and the
//! calibration's own doubt explain, is left out and named).
//!
//! What the calibration got wrong, the photo's own unknowns q follow: by the implicit function theorem the least-squares answer
//! moves by dq = -(Jq' W Jq)^-1 Jq' W Jc dc when the calibration's parameters c move. Together with
//! d(wall point) / d(pose, lens) this gives how each whitened factor of the calibration's covariance moves a
//! wall point: the doubt that all marks of a session share.

use nalgebra::{DMatrix, SMatrix, SVector, Vector2};
use serde::{Deserialize, Serialize};

use super::bundle::{CornerObs, Free, Knowledge, Solution, State, adjust, corner_on_wall, linear};
use super::input::corner_obs;
use super::lens::{self, Lens};
use super::lens_choice::bic;
use super::start::pose_of_plane;
use super::turn::Turn;
use super::view::{Pose, WallView};
use super::wall::Wall;
use crate::points::WallPoint;
use crate::sheet::SheetView;
use crate::sheet::geometry::SADDLES;

/// Farthest a corner may be from its place for a photo's pose, in u, before it is dropped.
const LIMIT_U: f64 = 6.0;
/// Least corners for a pose.
const LEAST_CORNERS: usize = 4;
/// Least fall of the criterion that a change must bring: 10 is "very strong" (Kass and Raftery, *JASA* 90, 773, 1995).
const LEAST_GAIN: f64 = 10.0;
/// Smallest sheet's move that is named, m: taped paper waves by less.
const LEAST_MOVE_M: f64 = 0.5e-3;
/// A move across and up that chance makes in three of a thousand sheets that hang where they were: chi-squared of two degrees of freedom,
/// -2 ln 0.0027.
const MOVE_CHI2: f64 = 11.83;
/// Two explanations as good as each other spoil a photo only when they are about more than this: below, the misfit that stays widens
/// the photo's doubt enough.
const RIVAL_MOVE_M: f64 = 1.5e-3;
const RIVAL_FOCAL: f64 = 1.5e-3;
/// u of the principal point's shift, in parts of the longer side: stabilisation moves the picture by less than a hundredth.
const SHIFT_U: f64 = 0.01;
/// Fewer corners than two whole sheets have, of two sheets or more: the pose then takes up much of a sheet that was bumped, or its corners drop
/// out one by one. The place is not to be trusted where they fit worse than this (px RMS, or this many times the calibration's own), or more than
/// one in [`FEW_DROPPED`] was dropped. Of 110 simulated photos of six corners whose sheets hung where they were, after calibrations from two or
/// six photos, none came beyond 2.2 times.
const FEW_CORNERS: usize = 2 * SADDLES;
const FEW_PX: f64 = 0.25;
const FEW_TIMES: f64 = 5.0;
const FEW_DROPPED: usize = 6;
/// Largest u of an own focal length that still says something.
const LARGEST_FOCAL_U: f64 = 0.05;

/// A photo's own unknowns: six steps of the pose, relative change of the focal length, shift of the principal point across and down.
pub const OWN: usize = 9;
/// Their place among [`OWN`].
const FOCAL: usize = 6;

/// How a photo's lens differs from the calibration's.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LensChange {
    /// Relative change of the focal length; 0 when it did not matter.
    pub focal: f64,
    /// Its standard uncertainty, from corner noise and from what the calibration may have wrong: that looks like a change in every photo.
    pub focal_u: f64,
    /// Shift of the principal point, px; 0 when it did not matter.
    pub shift_px: [f64; 2],
}

/// A sheet that hangs elsewhere than in the calibration.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SheetMoved {
    /// Its number.
    pub number: usize,
    /// To the right and upwards, m; turn counter-clockwise, rad.
    pub by: [f64; 3],
}

/// A photo whose place is known.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Located {
    /// Lens and pose.
    pub view: WallView,
    /// How the photo is turned against those of the calibration.
    #[serde(default)]
    pub turn: Turn,
    /// Covariance of the photo's own unknowns ([`OWN`]) from its own corner noise; zero for what was held.
    #[serde(with = "super::kept::own")]
    pub own_covariance: SMatrix<f64, OWN, OWN>,
    /// d(own unknown) / d(calibration parameter): rows as [`OWN`], a column for each parameter of the wall's covariance.
    #[serde(with = "super::kept::by_calibration")]
    pub own_by_calibration: DMatrix<f64>,
    /// RMS of residual distances, px.
    pub rms_px: f64,
    /// Corners used.
    pub corners: usize,
    /// Corners dropped since they do not fit the rest.
    pub dropped: usize,
    /// The sheets used.
    pub sheets: Vec<usize>,
    /// How its lens differs from the calibration's, when that matters.
    pub change: Option<LensChange>,
    /// Sheets that hang elsewhere than in the calibration; their corners are not used.
    pub moved: Vec<SheetMoved>,
    /// Why the place is not to be trusted: two explanations as good as each other, or few corners that do not fit; a part of a sentence.
    pub ambiguous: Option<String>,
}

fn state_of(wall: &Wall, pose: Pose) -> State {
    let kinds: Vec<usize> = wall.sheets.iter().map(|s| s.board.map_or(0, |b| b.kind)).collect();
    let mut state = State::flat(wall.camera, &kinds, vec![pose]);
    state.prints[0] = wall.printed_scale;
    for (s, &kind) in wall.sheets.iter().zip(&kinds) {
        state.prints[kind] = wall.scale_of(s);
    }
    state.relief = wall.sheets.iter().map(|s| s.relief_mm.unwrap_or_default().map(|h| h * 1e-3)).collect();
    state.sheets = wall.sheets.iter().map(|s| [s.x_mm * 1e-3, s.y_mm * 1e-3, s.turn_deg.to_radians()]).collect();
    state
}

/// What may differ from the calibration.
#[derive(Clone, Debug, Default, PartialEq)]
struct Differs {
    focal: bool,
    shift: bool,
    /// Sheets that hang elsewhere: indices.
    loose: Vec<usize>,
}

impl Differs {
    fn free(&self) -> Free {
        let mut free = Free { loose: self.loose.clone(), ..Free::poses_only() };
        (free.lens[0], free.lens[1]) = (self.focal, self.focal);
        (free.lens[2], free.lens[3]) = (self.shift, self.shift);
        free
    }

    fn more(&self) -> usize {
        usize::from(self.focal) + 2 * usize::from(self.shift) + 3 * self.loose.len()
    }

    /// Everything one step further.
    fn next(&self, sheets: &[usize]) -> Vec<Self> {
        let mut out = Vec::new();
        if !self.focal {
            out.push(Self { focal: true, ..self.clone() });
        }
        if !self.shift {
            out.push(Self { shift: true, ..self.clone() });
        }
        if !self.focal && !self.shift {
            out.push(Self { focal: true, shift: true, ..self.clone() });
        }
        // At least one sheet stays, or nothing says where the camera is.
        if self.loose.len() + 1 < sheets.len() {
            out.extend(sheets.iter().filter(|s| !self.loose.contains(s)).map(|&s| {
                let loose = self.loose.iter().copied().chain([s]).collect();
                Self { loose, ..self.clone() }
            }));
        }
        out
    }
}

fn known(lens: &Lens) -> Knowledge {
    let u = SHIFT_U * f64::from(lens.width.max(lens.height));
    let mut k = Knowledge { robust: true, ..Knowledge::nothing() };
    (k.lens[2], k.lens[3]) = ((lens.cx, u), (lens.cy, u));
    k
}

struct Fitted {
    solution: Solution,
    differs: Differs,
    criterion: f64,
}

fn fit(from: &State, differs: Differs, corners: &[CornerObs], know: &Knowledge) -> Fitted {
    let solution = adjust(from, &differs.free(), &[corners.to_vec()], know, 60);
    let criterion = bic(solution.cost, 6 + differs.more(), 2.0 * corners.len() as f64);
    Fitted { solution, differs, criterion }
}

/// Large enough to be named, and determined.
fn worth_naming(wall: &Wall, f: &Fitted) -> bool {
    let s = &f.solution;
    let Some(inverse) = s.inverse() else { return false };
    let lens_fine = !f.differs.focal || {
        let c = s.columns.lens[0];
        let u = (inverse[(c, c)] * s.unit_variance()).sqrt() / s.state.lens.fx;
        u < LARGEST_FOCAL_U
    };
    lens_fine && f.differs.loose.iter().all(|&i| moved_by(wall, &s.state, i).norm() > LEAST_MOVE_M)
}

/// How far a sheet hangs from its place in the calibration, m.
fn moved_by(wall: &Wall, state: &State, sheet: usize) -> Vector2<f64> {
    let (is, was) = (&state.sheets[sheet], &wall.sheets[sheet]);
    Vector2::new(is[0] - 1e-3 * was.x_mm, is[1] - 1e-3 * was.y_mm)
}

/// Loose sheets whose move says nothing, the least first: corner noise and the calibration's own doubt make as much of none. The move d has
/// d' C^-1 d below [`MOVE_CHI2`], where C counts that what the calibration has wrong moves where this photo finds the sheet, and where the
/// calibration has it. None where that is not determined.
fn moves_by_chance(wall: &Wall, f: &Fitted, corners: &[CornerObs]) -> Vec<usize> {
    let (s, loose) = (&f.solution, &f.differs.loose);
    if loose.is_empty() {
        return Vec::new();
    }
    let Some(inverse) = own_inverse(s, loose) else { return Vec::new() };
    let mut by_calibration = -&inverse * normal_by_calibration(wall, &s.state, corners, loose);
    for (k, &i) in loose.iter().enumerate() {
        for (a, row) in place_rows(wall, i).into_iter().enumerate() {
            if let Some(j) = row {
                by_calibration[(OWN + 3 * k + a, j)] -= 1.0;
            }
        }
    }
    let by_factor = by_calibration * wall.whitened();
    let chi2 = |(k, &i): (usize, &usize)| {
        let (at, d) = (OWN + 3 * k, moved_by(wall, &s.state, i));
        let factors = by_factor.fixed_rows::<2>(at);
        let covariance = inverse.fixed_view::<2, 2>(at, at) * s.unit_variance() + factors * factors.transpose();
        covariance.try_inverse().map(|c| (i, d.dot(&(c * d))))
    };
    let mut all: Vec<(usize, f64)> = loose.iter().enumerate().filter_map(chi2).filter(|l| l.1 < MOVE_CHI2).collect();
    all.sort_by(|a, b| a.1.total_cmp(&b.1));
    all.into_iter().map(|l| l.0).collect()
}

/// Whether all that differs is too little to fail a photo for.
fn is_small(wall: &Wall, f: &Fitted) -> bool {
    let s = &f.solution.state;
    let little = |&i: &usize| moved_by(wall, s, i).norm() < RIVAL_MOVE_M;
    f.differs.loose.iter().all(little) && (s.lens.fx / wall.camera.fx - 1.0).abs() < RIVAL_FOCAL
}

/// What changed since the calibration, and why two explanations may be as good as each other.
fn what_changed(wall: &Wall, from: &State, corners: &[CornerObs]) -> (Fitted, Option<String>) {
    let know = known(&wall.camera);
    let mut sheets: Vec<usize> = corners.iter().map(|c| c.sheet).collect();
    sheets.sort_unstable();
    sheets.dedup();
    let mut still = Vec::new();
    loop {
        let (best, rival) = explain(wall, from, corners, &sheets, &still);
        // A lens held as it was calibrated, with all its doubt, hides real moves; a free one does where few sheets say what it is.
        let mut by_chance = moves_by_chance(wall, &best, corners);
        if !by_chance.is_empty() {
            let lens_free = Differs { focal: true, shift: true, ..best.differs.clone() };
            let also = moves_by_chance(wall, &fit(from, lens_free, corners, &know), corners);
            by_chance.retain(|s| also.contains(s));
        }
        // What both of them move is judged above.
        let others = rival.iter().flat_map(|r| moves_by_chance(wall, r, corners));
        by_chance.extend(others.filter(|s| !best.differs.loose.contains(s)));
        if let Some(&sheet) = by_chance.first() {
            still.push(sheet);
            continue;
        }
        let name = |d: &Differs| match d.loose.last() {
            Some(&i) => format!("sheet {} was moved", wall.sheets[i].number),
            None => "zoom or focus changed".to_string(),
        };
        let doubt = rival.map(|r| format!("either {} or {}", name(&best.differs), name(&r.differs)));
        return (best, doubt);
    }
}

/// The best explanation, step by step, in which the sheets `still` hang where they were; and one that is as good, where there is one.
fn explain(
    wall: &Wall,
    from: &State,
    corners: &[CornerObs],
    sheets: &[usize],
    still: &[usize],
) -> (Fitted, Option<Fitted>) {
    let know = known(&wall.camera);
    let mut now = fit(from, Differs::default(), corners, &know);
    let mut as_good = None;
    for _ in 0..sheets.len() + 2 {
        let mut next: Vec<Fitted> = now
            .differs
            .next(sheets)
            .into_iter()
            .filter(|d| !d.loose.iter().any(|s| still.contains(s)))
            .map(|d| fit(from, d, corners, &know))
            .filter(|f| worth_naming(wall, f) && f.criterion < now.criterion - LEAST_GAIN)
            .collect();
        next.sort_by(|a, b| a.criterion.total_cmp(&b.criterion));
        let mut next = next.into_iter();
        let Some(best) = next.next() else { break };
        // A lens that differs in two ways contains the one that differs in one: those are not rivals.
        let rival = next.find(|r| r.criterion < best.criterion + LEAST_GAIN && r.differs.loose != best.differs.loose);
        if rival.is_some() && is_small(wall, &best) {
            break;
        }
        (now, as_good) = (best, rival);
    }
    (now, as_good)
}

/// As [`locate`], of a photo turned so against the calibration's.
pub fn locate_turned(wall: &Wall, sheets: &[SheetView], turn: Turn) -> Option<Located> {
    if turn == Turn::NONE {
        return locate(wall, sheets);
    }
    // Its sheets as the calibration's way up would have shown them.
    let (back, size) = (turn.back(), turn.size((wall.camera.width, wall.camera.height)));
    let sheets: Vec<SheetView> = sheets.iter().map(|s| back.sheet(s, size)).collect();
    Some(locate(wall, &sheets)?.turned(turn))
}

/// Poses a photo by its sheets; `None` when it shows too little of sheets that the wall knows.
pub fn locate(wall: &Wall, sheets: &[SheetView]) -> Option<Located> {
    let set = wall.geometry();
    let mut corners: Vec<CornerObs> = sheets
        .iter()
        .filter_map(|s| wall.sheets.iter().position(|w| w.number == s.number).map(|i| (i, s)))
        .flat_map(|(i, s)| {
            let g = set.of(s.number);
            s.corners.iter().map(move |c| corner_obs(i, g, c))
        })
        .collect();
    let far = Pose { rotation: nalgebra::Rotation3::identity(), translation: nalgebra::Vector3::zeros() };
    let mut state = state_of(wall, far);
    let points: Vec<_> = corners
        .iter()
        .map(|c| {
            let x = corner_on_wall(&state, c).0;
            ([x.x, x.y], c.pixel)
        })
        .collect();
    state.poses[0] = pose_of_plane(&wall.camera, &points)?;
    let (changed, ambiguous) = what_changed(wall, &state, &corners);
    let moved: Vec<SheetMoved> = changed
        .differs
        .loose
        .iter()
        .map(|&i| {
            let (was, is) = (&state.sheets[i], &changed.solution.state.sheets[i]);
            let turn = is[2] - was[2];
            SheetMoved {
                number: wall.sheets[i].number,
                by: [is[0] - was[0], is[1] - was[1], turn.sin().atan2(turn.cos())],
            }
        })
        .collect();
    corners.retain(|c| !changed.differs.loose.contains(&c.sheet));
    let differs = Differs { loose: Vec::new(), ..changed.differs };
    let known = known(&wall.camera);
    let found = corners.len();
    let several = corners.iter().any(|c| c.sheet != corners[0].sheet);
    state.poses[0] = changed.solution.state.poses[0];
    state.lens = changed.solution.state.lens;
    loop {
        let s = adjust(&state, &differs.free(), &[corners.clone()], &known, 40);
        let s2 = s.unit_variance();
        let r = &s.residuals_px[0];
        let off = |i: usize| r[i][0].abs().max(r[i][1].abs()) / corners[i].u_px;
        let worst = (0..corners.len()).max_by(|&a, &b| off(a).total_cmp(&off(b)))?;
        // Against the scatter of the others: a bad corner must not drag the rest along.
        let others: f64 = (0..corners.len()).filter(|&i| i != worst).map(|i| off(i).powi(2)).sum::<f64>()
            / (corners.len().max(2) - 1) as f64;
        if off(worst) > LIMIT_U * others.sqrt().max(1.0) && corners.len() > LEAST_CORNERS {
            corners.remove(worst);
            state = s.state;
            continue;
        }
        if corners.len() < LEAST_CORNERS {
            return None;
        }
        let inverse = own_inverse(&s, &[])?;
        let lens = s.state.lens;
        let own_by_calibration = -&inverse * normal_by_calibration(wall, &s.state, &corners, &[]);
        let own_covariance = SMatrix::from_fn(|i, j| inverse[(i, j)] * s2);
        let change = (differs.focal || differs.shift).then(|| {
            let by_factor = own_by_calibration.row(FOCAL) * wall.whitened();
            LensChange {
                focal: lens.fx / wall.camera.fx - 1.0,
                focal_u: (own_covariance[(FOCAL, FOCAL)].max(0.0) + by_factor.norm_squared()).sqrt(),
                shift_px: [lens.cx - wall.camera.cx, lens.cy - wall.camera.cy],
            }
        });
        let mut used: Vec<usize> = corners.iter().map(|c| wall.sheets[c.sheet].number).collect();
        used.sort_unstable();
        used.dedup();
        let (dropped, rms_px) = (found - corners.len(), s.rms_px());
        let limit = FEW_PX.max(FEW_TIMES * wall.quality.rms_px);
        let misfit = if found >= FEW_CORNERS || !several {
            None
        } else if FEW_DROPPED * dropped > found {
            Some(format!("{dropped} of the {found} corners that it shows do not fit the others"))
        } else if rms_px > limit {
            let left = corners.len();
            Some(format!("the {left} corners that it shows are {rms_px:.2} px off (RMS, limit {limit:.2})"))
        } else {
            None
        };
        return Some(Located {
            view: WallView { lens, pose: s.state.poses[0] },
            turn: Turn::NONE,
            own_covariance,
            own_by_calibration,
            rms_px,
            dropped,
            corners: corners.len(),
            sheets: used,
            change,
            moved,
            ambiguous: ambiguous.or(misfit),
        });
    }
}

/// Inverse normal matrix in the order of [`OWN`], then x, y and turn of each loose sheet; zero for what was held.
fn own_inverse(s: &Solution, loose: &[usize]) -> Option<DMatrix<f64>> {
    let inverse = s.inverse()?;
    let c = &s.columns;
    let sheets = loose.iter().flat_map(|&i| c.sheets[i]).enumerate().map(|(k, column)| (OWN + k, column, 1.0));
    let mut at: Vec<(usize, usize, f64)> = (0..6).map(|k| (k, c.poses[0] + k, 1.0)).chain(sheets).collect();
    for (own, term, scale) in [(FOCAL, 0, 1.0 / s.state.lens.fx), (FOCAL + 1, 2, 1.0), (FOCAL + 2, 3, 1.0)] {
        if c.lens[term] != super::bundle::HELD {
            at.push((own, c.lens[term], scale));
        }
    }
    let n = OWN + 3 * loose.len();
    let mut out = DMatrix::zeros(n, n);
    for &(i, ci, si) in &at {
        for &(j, cj, sj) in &at {
            out[(i, j)] = inverse[(ci, cj)] * si * sj;
        }
    }
    Some(out)
}

/// Rows of the covariance for a sheet's x, y and turn.
fn place_rows(wall: &Wall, sheet: usize) -> [Option<usize>; 3] {
    ["x", "y", "turn"].map(|axis| wall.row(&format!("sheet {} {axis}", wall.sheets[sheet].number)))
}

/// Jq' W Jc: [`OWN`], then three of each loose sheet, x number of the covariance's parameters. Where a loose sheet hung in the calibration says nothing.
fn normal_by_calibration(wall: &Wall, state: &State, corners: &[CornerObs], loose: &[usize]) -> DMatrix<f64> {
    let n = wall.covariance.parameters.len();
    let mut out = DMatrix::zeros(OWN + 3 * loose.len(), n);
    let rows: [Option<usize>; lens::N] = std::array::from_fn(|k| wall.lens_row(k));
    for c in corners {
        let Some(l) = linear(state, 0, c) else { continue };
        let sheet = &wall.sheets[c.sheet];
        let own_place = loose.iter().position(|&i| i == c.sheet).map(|k| OWN + 3 * k);
        let place = if own_place.is_some() { [None; 3] } else { place_rows(wall, c.sheet) };
        let scale = wall.scale_rows(sheet);
        for r in 0..2 {
            let w = 1.0 / (c.u_px * c.u_px);
            let own = SVector::<f64, OWN>::from_fn(|k, _| match k {
                0..FOCAL => l.by_pose[r][k],
                FOCAL => state.lens.fx * l.by_lens[r][0] + state.lens.fy * l.by_lens[r][1],
                _ => l.by_lens[r][k - FOCAL + 1],
            });
            let mut add = |column: Option<usize>, d: f64| {
                if let Some(j) = column {
                    (0..OWN).for_each(|i| out[(i, j)] += w * own[i] * d);
                    if let Some(at) = own_place {
                        (0..3).for_each(|k| out[(at + k, j)] += w * l.by_sheet[r][k] * d);
                    }
                }
            };
            for (k, &row) in rows.iter().enumerate() {
                let row = if k == 1 && wall.square_pixels() { rows[0] } else { row };
                add(row, l.by_lens[r][k]);
            }
            place.into_iter().chain(scale).zip(l.by_sheet[r]).for_each(|(row, d)| add(row, d));
        }
    }
    out
}

/// d(wall point) by a photo's own unknowns, and by the lens terms.
type ByOwn = ([[f64; 2]; OWN], [[f64; 2]; lens::N]);

impl Located {
    /// The same of the photo turned: its own unknowns are told in the turned camera's axes.
    fn turned(mut self, turn: Turn) -> Self {
        let axes = turn.axes();
        let mut step = SMatrix::<f64, OWN, OWN>::identity();
        step.fixed_view_mut::<3, 3>(0, 0).copy_from(axes.matrix());
        step.fixed_view_mut::<3, 3>(3, 3).copy_from(axes.matrix());
        step.fixed_view_mut::<2, 2>(FOCAL + 1, FOCAL + 1).copy_from(&axes.matrix().fixed_view::<2, 2>(0, 0));
        self.view = turn.view(&self.view);
        self.own_covariance = step * self.own_covariance * step.transpose();
        self.own_by_calibration.gemm(1.0, &step, &self.own_by_calibration.clone(), 0.0);
        self.change = self.change.map(|c| LensChange { shift_px: turn.step(c.shift_px), ..c });
        self.turn = turn;
        self
    }

    /// Derivatives of the wall point shown by a fixed pixel by this photo's own unknowns ([`OWN`]), and by the lens terms of the calibration.
    fn by_own(&self, w: WallPoint) -> Option<ByOwn> {
        let d = self.view.wall_by_parameters(w)?;
        let lens = &self.view.lens;
        let mut own = [[0.0; 2]; OWN];
        own[..6].copy_from_slice(&d.by_pose);
        own[FOCAL] = std::array::from_fn(|a| lens.fx * d.by_lens[0][a] + lens.fy * d.by_lens[1][a]);
        own[FOCAL + 1] = d.by_lens[2];
        own[FOCAL + 2] = d.by_lens[3];
        let by_lens = match self.turn {
            Turn::NONE => d.by_lens,
            turn => turn.back().view(&self.view).wall_by_parameters(w)?.by_lens,
        };
        Some((own, by_lens))
    }

    /// How the wall point shown by a fixed pixel moves with each whitened factor of the calibration
    /// (`whitened` from [`Wall::whitened`]): (x, y) in m per unit factor.
    pub fn shared_at(&self, wall: &Wall, whitened: &DMatrix<f64>, w: WallPoint) -> Option<Vec<[f64; 2]>> {
        let (own, by_lens) = self.by_own(w)?;
        let n = wall.covariance.parameters.len();
        // d(wall) / d(parameter): through the photo's own unknowns, and through the lens itself.
        let mut by = vec![[0.0; 2]; n];
        for (j, b) in by.iter_mut().enumerate() {
            for k in 0..OWN {
                for a in 0..2 {
                    b[a] += own[k][a] * self.own_by_calibration[(k, j)];
                }
            }
        }
        for k in 0..lens::N {
            let row = if k == 1 && wall.square_pixels() { wall.lens_row(0) } else { wall.lens_row(k) };
            if let Some(j) = row {
                (0..2).for_each(|a| by[j][a] += by_lens[k][a]);
            }
        }
        Some(
            (0..whitened.ncols())
                .map(|f| std::array::from_fn(|a| (0..n).map(|j| by[j][a] * whitened[(j, f)]).sum()))
                .collect(),
        )
    }

    /// Covariance of a wall point from this photo's own unknowns, m^2.
    pub fn pose_covariance_at(&self, w: WallPoint) -> Option<[[f64; 2]; 2]> {
        let (own, _) = self.by_own(w)?;
        let mut out = [[0.0; 2]; 2];
        for i in 0..OWN {
            for j in 0..OWN {
                for (a, row) in out.iter_mut().enumerate() {
                    for (b, v) in row.iter_mut().enumerate() {
                        *v += own[i][a] * self.own_covariance[(i, j)] * own[j][b];
                    }
                }
            }
        }
        Some(out)
    }
}
