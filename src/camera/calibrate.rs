//! What is the lens, where does each sheet hang, and how well do the photos know it?
//!
//! Takes the sheets found in each photo, starts from nothing ([`super::start`]), adjusts everything
//! together ([`super::bundle`]), adds lens terms only while the Bayesian information criterion
//! (G. Schwarz, *Ann. Stat.* 6, 461, 1978) falls, leaves out corners, sheets and photos that disagree and says why.

use std::collections::BTreeMap;

use super::bundle::{CornerObs, Free, Knowledge, Solution, State, adjust};
use super::lens::{self, Lens};
use super::start::{FOCAL_LADDER, chain, into_frame};
use super::view::Pose;
use crate::error::{Error, Result};
use crate::sheet::{Corner, SheetGeometry, SheetView};

/// Least u of a corner, px: what print, paper and sensor add to a fit's own scatter (0.015 px RMS is the
/// best that sheets photographed from the front were seen to agree to).
const CORNER_FLOOR_PX: f64 = 0.015;
/// A corner farther than this many u (after scaling to the photos' own scatter) is dropped: 2e-6 of honest ones are.
const CORNER_LIMIT_U: f64 = 5.0;
/// A photo whose RMS exceeds this many times the median photo's, and [`PHOTO_LEAST_PX`], is left out.
const PHOTO_LIMIT: f64 = 4.0;
const PHOTO_LEAST_PX: f64 = 0.4;
/// u of "two crosses at one height" when nothing is said: 0.5 mm, a laser line or a good level over two metres (common practice, no source).
pub const LEVEL_U_M: f64 = 0.5e-3;
/// u of the difference between a printer's scales across and down (common practice: 98 to 102 %, not always alike).
const SCALE_RATIO_U: f64 = 0.005;
/// u of a printed scale when no bar was measured.
const SCALE_UNMEASURED_U: f64 = 0.01;
/// Least corners of a photo.
const LEAST_CORNERS: usize = 4;

/// One calibration photo and the sheets found in it.
#[derive(Clone, Debug)]
pub struct CalibrationPhoto {
    /// Its name, for messages.
    pub name: String,
    /// Upright size, px.
    pub size_px: (u32, u32),
    /// Focal length from Exif, px, when it says one.
    pub exif_focal_px: Option<f64>,
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
    /// u of the level or plumb line at the crosses, m.
    pub level_u_m: f64,
    /// Tape distances between crosses: sheets, m, u in m.
    pub tapes: Vec<Tape>,
    /// Printed scale across (bar as measured over bar as drawn): value, u.
    pub scale_across: Option<(f64, f64)>,
    /// Printed scale down.
    pub scale_down: Option<(f64, f64)>,
    /// Sheet geometry.
    pub geometry: SheetGeometry,
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
    /// What was measured by hand.
    pub frame: WallFrame,
}

/// A sheet's place on the wall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SheetPlace {
    /// Sheet number.
    pub number: usize,
    /// Its cross, m.
    pub x_m: f64,
    /// Its cross, m.
    pub y_m: f64,
    /// Turn, rad, counter-clockwise as seen.
    pub turn_rad: f64,
    /// u of x and y, m.
    pub u_m: [f64; 2],
}

/// How a photo fared.
#[derive(Clone, Debug, PartialEq)]
pub struct PhotoFit {
    /// Its name.
    pub name: String,
    /// Its pose when it was used.
    pub pose: Option<Pose>,
    /// Why it was left out; a sentence.
    pub left_out: Option<String>,
    /// Corners used.
    pub corners: usize,
    /// Corners dropped.
    pub dropped: usize,
    /// RMS of residual distances, px.
    pub rms_px: f64,
}

/// The result of a calibration.
#[derive(Clone, Debug)]
pub struct Calibration {
    /// The lens.
    pub lens: Lens,
    /// Names of the lens terms that the photos support.
    pub lens_terms: Vec<&'static str>,
    /// Standard uncertainty of each lens term, in the order of [`lens::TERMS`]; 0 for those held.
    pub lens_u: [f64; lens::N],
    /// Printed scale across and down with their u.
    pub scale: [(f64, f64); 2],
    /// The sheets' places, by number.
    pub sheets: Vec<SheetPlace>,
    /// Each photo.
    pub photos: Vec<PhotoFit>,
    /// RMS of residual distances over all used corners, px.
    pub rms_px: f64,
    /// Residual scatter over what the corners' own u predict.
    pub unit_u: f64,
    /// Corners used.
    pub corners: usize,
    /// Names of the covariance's rows: lens terms, "scale_across", "scale_down", "sheet 3 x"...
    pub parameters: Vec<String>,
    /// Covariance of lens, scales and sheets (poses marginalised), SI and px.
    pub covariance: nalgebra::DMatrix<f64>,
    /// Each tape: as measured less as adjusted, m, and its u.
    pub tape_checks: Vec<(Tape, f64)>,
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

fn observations(input: &CalibrationInput, index: &BTreeMap<usize, usize>, photo: &CalibrationPhoto) -> Vec<CornerObs> {
    photo
        .sheets
        .iter()
        .filter_map(|s| index.get(&s.number).map(|&i| (i, s)))
        .flat_map(|(i, s)| s.corners.iter().map(move |c| corner_obs(i, input.frame.geometry, c)))
        .collect()
}

fn knowledge(input: &CalibrationInput, index: &BTreeMap<usize, usize>, lens: &Lens) -> Result<Knowledge> {
    let f = &input.frame;
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
        p.map(|[a, b]| Ok((find(a, what)?, find(b, what)?, f.level_u_m))).transpose()
    };
    let mut tapes = Vec::new();
    for t in &f.tapes {
        // An exact tape is taken as good to 0.1 mm: nobody reads one better, and zero would stop the adjustment.
        tapes.push((find(t.sheets[0], "wall.tape")?, find(t.sheets[1], "wall.tape")?, t.distance_m, t.u_m.max(1e-4)));
    }
    let (w, h) = (f64::from(lens.width), f64::from(lens.height));
    let level = pair(f.level_sheets, "level_sheets")?;
    let plumb = pair(f.plumb_sheets, "plumb_sheets")?;
    Ok(Knowledge {
        tapes,
        // Without any line, the origin sheet's own sides must do: 2 mm over its 240 mm (common practice, no source).
        upright_u_rad: (level.is_none() && plumb.is_none()).then_some(0.008),
        level,
        plumb,
        scale_across: f.scale_across.map_or((1.0, SCALE_UNMEASURED_U), |(v, u)| (v, u.max(1e-4))),
        scale_down: f.scale_down.map(|(v, u)| (v, u.max(1e-4))),
        scale_ratio_u: SCALE_RATIO_U,
        // Weak: phones and cameras lie well inside (principal point within 2 % of the side, |k| < 0.5).
        lens: [
            (lens.fx, lens.fx),
            (lens.fy, lens.fy),
            ((w - 1.0) / 2.0, 0.02 * w),
            ((h - 1.0) / 2.0, 0.02 * h),
            (0.0, 0.5),
            (0.0, 0.5),
            (0.0, 0.01),
            (0.0, 0.01),
            (0.0, 0.5),
        ],
    })
}

/// Sets of distortion terms that are compared. Radial terms come in order; k1 alone can look useless where
/// k1 and k2 pull against each other, so the sets are compared as a whole, not grown one by one.
const LENS_SETS: [&[usize]; 7] = [&[], &[4], &[4, 5], &[4, 6, 7], &[4, 5, 6, 7], &[4, 5, 8], &[4, 5, 6, 7, 8]];
/// Least fall of the criterion that a larger set must bring (Kass and Raftery, *JASA* 90, 773, 1995: below 2 is "not worth more than a bare mention").
const LEAST_GAIN: f64 = 2.0;

fn bic(s: &Solution, photos: &[Vec<CornerObs>]) -> f64 {
    let n = 2.0 * photos.iter().map(Vec::len).sum::<usize>() as f64;
    n * (2.0 * s.cost / n).max(1e-12).ln() + s.columns.count as f64 * n.ln()
}

/// What of the lens is free.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct LensModel {
    on: [bool; lens::N],
    square_pixels: bool,
}

impl LensModel {
    fn of(set: &[usize], square_pixels: bool) -> Self {
        let mut on = [true, true, true, true, false, false, false, false, false];
        set.iter().for_each(|&k| on[k] = true);
        Self { on, square_pixels }
    }

    fn free(self, origin: usize) -> Free {
        Free::all(self.on, self.square_pixels, origin)
    }
}

/// Adjusts with each set of lens terms, and with fy on its own; the one with the least information criterion wins.
fn best_lens(start: &State, origin: usize, photos: &[Vec<CornerObs>], know: &Knowledge) -> (Solution, LensModel) {
    let fit = |model: LensModel| {
        let mut from = start.clone();
        let mut terms = from.lens.terms();
        (4..lens::N).filter(|&k| !model.on[k]).for_each(|k| terms[k] = 0.0);
        from.lens = from.lens.with_terms(terms);
        (adjust(&from, &model.free(origin), photos, know, 60), model)
    };
    let mut best = fit(LensModel::of(LENS_SETS[0], true));
    for set in &LENS_SETS[1..] {
        let next = fit(LensModel::of(set, true));
        if bic(&next.0, photos) < bic(&best.0, photos) - LEAST_GAIN {
            best = next;
        }
    }
    let oblong = fit(LensModel { square_pixels: false, ..best.1 });
    if bic(&oblong.0, photos) < bic(&best.0, photos) - LEAST_GAIN { oblong } else { best }
}

/// Calibrates lens and wall together.
///
/// # Errors
/// No photo with a usable sheet; a sheet named in the input that no photo shows; photos that do not
/// determine the layout.
pub fn calibrate(input: &CalibrationInput) -> Result<Calibration> {
    let mut left_out: Vec<Option<String>> = vec![None; input.photos.len()];
    let size = common_size(&input.photos)?;
    for (p, out) in input.photos.iter().zip(&mut left_out) {
        let corners: usize = p.sheets.iter().map(|s| s.corners.len()).sum();
        if p.size_px != size {
            *out = Some(format!(
                "{} x {} px, the others {} x {}: another camera, zoom or crop",
                p.size_px.0, p.size_px.1, size.0, size.1
            ));
        } else if !p.sheets.iter().any(|s| s.corners.len() >= LEAST_CORNERS) {
            *out = Some(match (p.sheets.len(), corners) {
                (0, _) => "no sheet found: closer, sharper, or less tilted".into(),
                (n, c) => format!(
                    "{n} sheets with {c} corners, but none with {LEAST_CORNERS}: closer, or whole sheets in the picture"
                ),
            });
        }
    }
    let mut index = BTreeMap::new();
    let usable = |out: &[Option<String>]| (0..input.photos.len()).filter(|&i| out[i].is_none()).collect::<Vec<_>>();
    for &i in &usable(&left_out) {
        for s in input.photos[i].sheets.iter().filter(|s| s.corners.len() >= LEAST_CORNERS) {
            index.entry(s.number).or_insert(0);
        }
    }
    index.values_mut().enumerate().for_each(|(i, v)| *v = i);
    if index.is_empty() {
        let why: Vec<_> = input
            .photos
            .iter()
            .zip(&left_out)
            .filter_map(|(p, o)| o.as_ref().map(|o| format!("{} ({o})", p.name)))
            .collect();
        return Err(Error::no_answer(format!("no calibration photo shows a usable sheet: {}", why.join("; "))));
    }
    let Some(&origin) = index.get(&input.frame.origin_sheet) else {
        return Err(Error::input(format!(
            "origin_sheet = {} is in none of the calibration photos (seen: {}): photograph it, or name another sheet",
            input.frame.origin_sheet,
            index.keys().map(usize::to_string).collect::<Vec<_>>().join(", ")
        )));
    };

    let longer = f64::from(size.0.max(size.1));
    let exif = input.photos.iter().find_map(|p| p.exif_focal_px).filter(|f| (0.2..20.0).contains(&(f / longer)));
    let mut focals: Vec<f64> = exif.into_iter().collect();
    focals.extend(FOCAL_LADDER.map(|f| f * longer));
    let pinhole = |f: f64| Lens::pinhole(size.0, size.1, f);

    let mut dropped: Vec<usize> = vec![0; input.photos.len()];
    let mut photos_all: Vec<Vec<CornerObs>> = input.photos.iter().map(|p| observations(input, &index, p)).collect();
    let direction = match (input.frame.level_sheets, input.frame.plumb_sheets) {
        (Some([a, b]), _) => index.get(&a).zip(index.get(&b)).map(|(&a, &b)| (a, b, 0.0)),
        (None, Some([a, b])) => index.get(&a).zip(index.get(&b)).map(|(&a, &b)| (a, b, 0.0)),
        _ => None,
    };
    let mut outcome: Option<(Solution, LensModel, Vec<usize>)> = None;
    // Each round either is clean or leaves out at least one corner or photo: the count bounds the loop.
    for _round in 0..2 * input.photos.len() + 6 {
        let ids = usable(&left_out);
        let photos: Vec<Vec<CornerObs>> = ids.iter().map(|&i| photos_all[i].clone()).collect();
        let (solution, model) = match outcome.take() {
            Some((s, model, old)) if old == ids => {
                let know = knowledge(input, &index, &s.state.lens)?;
                (adjust(&s.state, &model.free(origin), &photos, &know, 60), model)
            }
            _ => {
                let mut best: Option<(State, f64, Vec<bool>)> = None;
                for &f in &focals {
                    let know = knowledge(input, &index, &pinhole(f))?;
                    let Some((mut state, used)) = chain(&pinhole(f), index.len(), &photos, &know) else { continue };
                    into_frame(&mut state, origin, direction);
                    let known: Vec<Vec<CornerObs>> =
                        photos.iter().zip(&used).map(|(p, &u)| if u { p.clone() } else { Vec::new() }).collect();
                    let s = adjust(&state, &LensModel::of(&[4, 5], true).free(origin), &known, &know, 30);
                    let unused = used.iter().filter(|u| !**u).count() as f64;
                    let score = s.cost + 1e9 * unused;
                    if best.as_ref().is_none_or(|b| score < b.1) {
                        best = Some((s.state, score, used));
                    }
                }
                let (state, _, used) = best.ok_or_else(|| {
                    Error::no_answer("the sheets' corners do not give the wall's plane: photograph the sheets again, closer and from several sides")
                })?;
                let unlinked: Vec<usize> = ids.iter().zip(&used).filter(|(_, u)| !**u).map(|(&i, _)| i).collect();
                if !unlinked.is_empty() {
                    for i in unlinked {
                        left_out[i] =
                            Some("shows no sheet that another photo shows too: let neighbouring photos overlap".into());
                    }
                    continue;
                }
                let know = knowledge(input, &index, &state.lens)?;
                best_lens(&state, origin, &photos, &know)
            }
        };
        // Photos that do not fit the rest.
        let rms =
            |r: &[[f64; 2]]| (r.iter().map(|r| r[0] * r[0] + r[1] * r[1]).sum::<f64>() / r.len().max(1) as f64).sqrt();
        let per_photo: Vec<f64> = solution.residuals_px.iter().map(|r| rms(r)).collect();
        let mut sorted = per_photo.clone();
        sorted.sort_by(f64::total_cmp);
        let median = sorted[sorted.len() / 2];
        let worst = (0..ids.len()).max_by(|&a, &b| per_photo[a].total_cmp(&per_photo[b]));
        if let Some(w) = worst
            && ids.len() > 2
            && per_photo[w] > (PHOTO_LIMIT * median).max(PHOTO_LEAST_PX)
        {
            left_out[ids[w]] = Some(format!(
                "its corners disagree with the other photos by {:.2} px RMS (the others {median:.2}): zoom, focus or a sheet moved",
                per_photo[w]
            ));
            continue;
        }
        // Corners that do not fit their photo.
        let limit = CORNER_LIMIT_U * solution.unit_variance().sqrt();
        let mut any = false;
        for (k, &i) in ids.iter().enumerate() {
            let keep: Vec<bool> = solution.residuals_px[k]
                .iter()
                .zip(&photos[k])
                .map(|(r, c)| r[0].abs().max(r[1].abs()) <= limit * c.u_px)
                .collect();
            let bad = keep.iter().filter(|k| !**k).count();
            if bad > 0 && keep.len() - bad >= LEAST_CORNERS {
                any = true;
                dropped[i] += bad;
                let mut it = keep.iter();
                photos_all[i].retain(|_| *it.next().unwrap_or(&true));
            }
        }
        outcome = Some((solution, model, ids));
        if !any {
            break;
        }
    }
    let Some((solution, model, ids)) = outcome else {
        return Err(Error::no_answer(
            "the photos do not agree with each other: photograph the sheets again with one camera, one zoom, sheets taped flat",
        ));
    };
    summarise(input, &index, &solution, model, &ids, left_out, &dropped)
}

fn common_size(photos: &[CalibrationPhoto]) -> Result<(u32, u32)> {
    let mut count: BTreeMap<(u32, u32), usize> = BTreeMap::new();
    for p in photos.iter().filter(|p| !p.sheets.is_empty()) {
        *count.entry(p.size_px).or_default() += 1;
    }
    count.into_iter().max_by_key(|c| c.1).map(|c| c.0).ok_or_else(|| {
        Error::no_answer(format!(
            "no sheet was found in any of {} calibration photos: photograph the sheets sharp, in good light, so that a square is at least 24 px wide; `pockmark inspect` shows what a photo is good for",
            photos.len()
        ))
    })
}

fn summarise(
    input: &CalibrationInput,
    index: &BTreeMap<usize, usize>,
    solution: &Solution,
    model: LensModel,
    ids: &[usize],
    left_out: Vec<Option<String>>,
    dropped: &[usize],
) -> Result<Calibration> {
    let full = solution.covariance().ok_or_else(|| {
        Error::no_answer(
            "the photos leave lens or layout undetermined: add photos of the sheets from other sides and distances",
        )
    })?;
    let c = &solution.columns;
    let mut names = Vec::new();
    let mut columns = Vec::new();
    let mut take = |name: String, column: usize| {
        if column != usize::MAX {
            names.push(name);
            columns.push(column);
        }
    };
    for k in 0..lens::N {
        if !(k == 1 && c.lens[1] == c.lens[0]) {
            take(lens::TERMS[k].to_string(), c.lens[k]);
        }
    }
    take("scale_across".into(), c.scale[0]);
    take("scale_down".into(), c.scale[1]);
    for (&number, &i) in index {
        for (k, axis) in ["x", "y", "turn"].iter().enumerate() {
            take(format!("sheet {number} {axis}"), c.sheets[i][k]);
        }
    }
    let covariance = full.select_rows(&columns).select_columns(&columns);
    let u_of = |column: usize| if column == usize::MAX { 0.0 } else { full[(column, column)].max(0.0).sqrt() };
    let sheets = index
        .iter()
        .map(|(&number, &i)| {
            let [x_m, y_m, turn_rad] = solution.state.sheets[i];
            SheetPlace { number, x_m, y_m, turn_rad, u_m: [u_of(c.sheets[i][0]), u_of(c.sheets[i][1])] }
        })
        .collect();
    let photos = input
        .photos
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let k = ids.iter().position(|&j| j == i);
            let r = k.map(|k| solution.residuals_px[k].as_slice()).unwrap_or_default();
            PhotoFit {
                name: p.name.clone(),
                pose: k.map(|k| solution.state.poses[k]),
                left_out: left_out[i].clone(),
                corners: r.len(),
                dropped: dropped[i],
                rms_px: (r.iter().map(|r| r[0] * r[0] + r[1] * r[1]).sum::<f64>() / r.len().max(1) as f64).sqrt(),
            }
        })
        .collect();
    let tape_checks = input
        .frame
        .tapes
        .iter()
        .filter_map(|t| {
            let (a, b) = (index.get(&t.sheets[0])?, index.get(&t.sheets[1])?);
            let (p, q) = (solution.state.sheets[*a], solution.state.sheets[*b]);
            Some((*t, t.distance_m - (p[0] - q[0]).hypot(p[1] - q[1])))
        })
        .collect();
    Ok(Calibration {
        lens: solution.state.lens,
        lens_terms: (0..lens::N)
            .filter(|&k| model.on[k] && !(k == 1 && model.square_pixels))
            .map(|k| lens::TERMS[k])
            .collect(),
        lens_u: std::array::from_fn(|k| u_of(c.lens[k])),
        scale: [0, 1].map(|k| (solution.state.scale[k], u_of(c.scale[k]))),
        sheets,
        photos,
        rms_px: solution.rms_px(),
        unit_u: (2.0 * solution.cost / solution.dof.max(1.0)).sqrt(),
        corners: solution.residuals_px.iter().map(Vec::len).sum(),
        parameters: names,
        covariance,
        tape_checks,
    })
}
