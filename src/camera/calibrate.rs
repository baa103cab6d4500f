//! What is the lens, where does each sheet hang, and how well do the photos know it?
//!
//! Takes the sheets found in each photo, starts from nothing ([`super::start`]), adjusts everything
//! together ([`super::bundle`]), asks which lens terms the photos support ([`super::lens_choice`]), looks for the one thing that
//! would explain what is left ([`super::suspect`]: a sheet bumped or curled, a photo with another zoom), and leaves out what
//! disagrees, with a sentence that says what and where.

use std::collections::{BTreeMap, BTreeSet};

use super::advise::advise;
use super::bundle::{CornerObs, Solution, State, adjust};
use super::calibration::checks;
use super::input::{LensStart, corner_obs, knowledge};
use super::lens;
use super::lens_choice::{LensModel, supported};
use super::moved::{self, Moved};
use super::start::{FAR_START, FOCAL_LADDER, Line, chain, into_frame, same_end, same_focal};
use super::suspect::{self, Suspect};
use super::trust::trust_map;
use crate::error::{Error, Result};
use crate::sheet::{Corner, LEAST_CORNERS, SheetView, TOO_NOISY};

pub use super::calibration::{Calibration, Check, CornerResidual, PhotoFit, SheetPlace};
pub use super::input::{CalibrationInput, CalibrationPhoto, LEVEL_U_M, Tape, WallFrame};

/// A corner farther than this many u (after scaling to the photos' own scatter) is dropped: 2e-6 of honest ones are.
const CORNER_LIMIT_U: f64 = 5.0;
/// A photo whose RMS exceeds this many times the median photo's, and [`PHOTO_LEAST_PX`], is left out.
const PHOTO_LIMIT: f64 = 4.0;
const PHOTO_LEAST_PX: f64 = 0.4;
/// Exif focal lengths beyond these parts of the longer side are not believed.
const SANE_FOCAL: std::ops::Range<f64> = 0.2..20.0;

/// The corners that are still believed, and what was found wrong so far.
struct Job<'a> {
    input: &'a CalibrationInput,
    kept: Vec<Vec<(usize, Corner)>>,
    left_out: Vec<Option<String>>,
    dropped: Vec<usize>,
    /// Sheets left out as a whole, with the reason.
    sheets_out: BTreeMap<usize, String>,
    /// Sheets that are not flat, but needed: their relief is adjusted.
    curled: BTreeSet<usize>,
    /// Sheets' corners taken out of a photo since the sheet hung elsewhere there.
    moved: Vec<Moved>,
    /// Sheets whose other place was chosen already.
    decided: BTreeSet<usize>,
    /// Photos with another focal length, and about how many times the common one it is.
    zoomed: Vec<(usize, f64)>,
}

/// One round's unknowns: what the job's corners are as indices.
struct Round {
    index: BTreeMap<usize, usize>,
    numbers: Vec<usize>,
    print_of: Vec<usize>,
    origin: usize,
    curled: Vec<usize>,
    ids: Vec<usize>,
    photos: Vec<Vec<CornerObs>>,
}

/// Calibrates lens and wall together.
///
/// # Errors
/// No photo with a usable sheet; a sheet named in the input that no photo shows; photos that do not
/// determine the layout.
pub fn calibrate(input: &CalibrationInput) -> Result<Calibration> {
    let mut job = Job::new(input)?;
    let size = common_size(&input.photos)?;
    let mut warm: Option<(Solution, LensModel, Vec<usize>)> = None;
    // Each round either is clean or leaves out at least one corner, sheet or photo: the count bounds the loop.
    let cells: usize = job.kept.iter().map(|k| 1 + k.len() / LEAST_CORNERS).sum();
    for _ in 0..cells + 8 {
        let round = job.round()?;
        // A sheet that lost its last corners is gone: what was adjusted with it does not fit what is adjusted now.
        let (solution, model) = match warm.take().filter(|w| w.2 == round.numbers) {
            Some((s, model, _)) => {
                let know = knowledge(&input.frame, &round.index, &lens_start(input, size, s.state.lens.fx))?;
                (adjust(&s.state, &model.free_all(round.origin, &round.curled), &round.photos, &know, 60), model)
            }
            None => match job.start_from_nothing(&round, size)? {
                Ok(found) => found,
                Err(unlinked) => {
                    for i in unlinked {
                        job.left_out[i] =
                            Some("shows no sheet that another photo shows too: let neighbouring photos overlap".into());
                    }
                    continue;
                }
            },
        };
        if let Some(s) = suspect::most_suspect(&solution, &round.photos, &round.curled) {
            job.act(&round, s);
            continue;
        }
        if job.leave_out_worst_photo(&round, &solution) {
            continue;
        }
        if job.drop_corners(&round, &solution) {
            warm = Some((solution, model, round.numbers));
            continue;
        }
        if job.decide_moved(&round, &solution) {
            continue;
        }
        job.measure_zooms(&round, &solution);
        return job.summarise(&round, &solution, model);
    }
    Err(Error::no_answer(
        "the photos do not agree with each other: photograph the sheets again with one camera, one zoom, sheets taped flat",
    ))
}

fn lens_start(input: &CalibrationInput, size: (u32, u32), guess_px: f64) -> LensStart {
    LensStart::new(size, guess_px, exif_focal(input, size))
}

fn exif_focal(input: &CalibrationInput, size: (u32, u32)) -> Option<f64> {
    let longer = f64::from(size.0.max(size.1));
    let same = input.photos.iter().filter(|p| p.size_px == size);
    same.filter_map(|p| p.optics.focal_px(size)).find(|f| SANE_FOCAL.contains(&(f / longer)))
}

/// What is to be said of a photo of another size than the others.
fn other_size(own: (u32, u32), size: (u32, u32)) -> String {
    let why = if (own.1, own.0) == size {
        "it lies on its side, and Exif does not say that the camera was held so: copy it again from the camera, as it was taken, or hold the camera the same way up for all photos"
    } else {
        "another camera, zoom or crop; remove it if it does not belong here"
    };
    format!("{} x {} px, the others {} x {}: {why}", own.0, own.1, size.0, size.1)
}

impl<'a> Job<'a> {
    fn new(input: &'a CalibrationInput) -> Result<Self> {
        let size = common_size(&input.photos)?;
        let usual = usual_optics(&input.photos, size);
        let left_out: Vec<Option<String>> = input
            .photos
            .iter()
            .map(|p| {
                let corners: usize = p.sheets.iter().map(|s| s.corners.len()).sum();
                if p.size_px != size {
                    return Some(other_size(p.size_px, size));
                }
                if let Some(what) = usual.and_then(|u| p.optics.differs_from(&input.photos[u].optics)) {
                    return Some(format!("its Exif says {what}, unlike the others: another camera or another zoom"));
                }
                (!p.sheets.iter().any(|s| s.corners.len() >= LEAST_CORNERS)).then(|| match (p.sheets.len(), corners) {
                    (0, _) => "no sheet found: closer, sharper, or less tilted".into(),
                    (n, c) if p.sheets.iter().any(SheetView::lost_its_corners) => {
                        format!("{n} sheets with {c} corners, none with {LEAST_CORNERS}: {TOO_NOISY}")
                    }
                    (n, c) => format!(
                        "{n} sheets with {c} corners, but none with {LEAST_CORNERS}: closer, or whole sheets in the picture"
                    ),
                })
            })
            .collect();
        let kept = input
            .photos
            .iter()
            .map(|p| p.sheets.iter().flat_map(|s| s.corners.iter().map(|c| (s.number, *c))).collect())
            .collect();
        Ok(Self {
            input,
            kept,
            left_out,
            dropped: vec![0; input.photos.len()],
            sheets_out: BTreeMap::new(),
            curled: BTreeSet::new(),
            moved: Vec::new(),
            decided: BTreeSet::new(),
            zoomed: Vec::new(),
        })
    }

    fn round(&self) -> Result<Round> {
        let frame = &self.input.frame;
        let ids: Vec<usize> = (0..self.kept.len()).filter(|&i| self.left_out[i].is_none()).collect();
        // A sheet needs one photo that shows enough of it; what other photos show of it then counts too.
        let mut numbers: BTreeSet<usize> = BTreeSet::new();
        for &i in &ids {
            let mut count: BTreeMap<usize, usize> = BTreeMap::new();
            for (n, _) in &self.kept[i] {
                *count.entry(*n).or_default() += 1;
            }
            numbers.extend(count.into_iter().filter(|c| c.1 >= LEAST_CORNERS).map(|c| c.0));
        }
        numbers.retain(|n| !self.sheets_out.contains_key(n));
        let index: BTreeMap<usize, usize> = numbers.iter().enumerate().map(|(i, &n)| (n, i)).collect();
        if index.is_empty() {
            let photos = self.input.photos.iter().zip(&self.left_out);
            let why: Vec<_> = photos.filter_map(|(p, o)| o.as_ref().map(|o| format!("{} ({o})", p.name))).collect();
            return Err(Error::no_answer(format!("no calibration photo shows a usable sheet: {}", why.join("; "))));
        }
        let Some(&origin) = index.get(&frame.origin_sheet) else {
            // A photo without corners was left out, and may be where it is.
            let origin = |s: &SheetView| s.number == frame.origin_sheet && s.lost_its_corners();
            let lost = self.input.photos.iter().filter(|p| p.sheets.iter().any(origin)).count();
            if lost > 0 {
                return Err(Error::input(format!(
                    "origin_sheet = {} is read in {lost} of {} calibration photos, but without {LEAST_CORNERS} corners: {TOO_NOISY}",
                    frame.origin_sheet,
                    self.input.photos.len()
                )));
            }
            return Err(Error::input(format!(
                "origin_sheet = {} is in none of the usable calibration photos (seen: {}): photograph it, or name another sheet",
                frame.origin_sheet,
                index.keys().map(usize::to_string).collect::<Vec<_>>().join(", ")
            )));
        };
        let numbers: Vec<usize> = numbers.into_iter().collect();
        let photos = ids
            .iter()
            .map(|&i| {
                self.kept[i]
                    .iter()
                    .filter_map(|(n, c)| index.get(n).map(|&s| corner_obs(s, frame.geometry.of(*n), c)))
                    .collect()
            })
            .collect();
        Ok(Round {
            print_of: frame.kinds(&numbers).0,
            curled: self.curled.iter().filter_map(|n| index.get(n).copied()).collect(),
            index,
            numbers,
            origin,
            ids,
            photos,
        })
    }

    /// Starts from nothing; the photos (by their number in the input) that no sheet links with the rest as an inner error.
    #[allow(clippy::type_complexity)]
    fn start_from_nothing(&self, round: &Round, size: (u32, u32)) -> Result<Result<(Solution, LensModel), Vec<usize>>> {
        let frame = &self.input.frame;
        let longer = f64::from(size.0.max(size.1));
        let mut focals: Vec<f64> = exif_focal(self.input, size).into_iter().collect();
        focals.extend(FOCAL_LADDER.map(|f| f * longer));
        let line = frame.level_sheets.map(|p| (p, Line::Level)).or(frame.plumb_sheets.map(|p| (p, Line::Plumb)));
        let place = |n: usize| round.index.get(&n).copied();
        let line = line.and_then(|([a, b], line)| Some((place(a)?, place(b)?, line)));
        let mut best: Option<(State, f64, Vec<bool>)> = None;
        // Where starts that used every photo began (focal length, px) and ended: cost of the corners, focal length.
        let mut ends: Vec<(f64, f64, f64)> = Vec::new();
        for &f in &focals {
            let start = lens_start(self.input, size, f);
            let know = knowledge(frame, &round.index, &start)?;
            let Some((mut state, used)) = chain(&start.lens, &round.print_of, &round.photos, &know) else { continue };
            into_frame(&mut state, round.origin, line);
            let known: Vec<Vec<CornerObs>> =
                round.photos.iter().zip(&used).map(|(p, &u)| if u { p.clone() } else { Vec::new() }).collect();
            let few = LensModel::of(&[4, 5], true).free(round.origin, &[]);
            let s = adjust(&state, &few, &known, &know, 30);
            let unused = used.iter().filter(|u| !**u).count() as f64;
            let score = s.cost + 1e9 * unused;
            let (corner_cost, fx) = (s.corner_cost, s.state.lens.fx);
            if best.as_ref().is_none_or(|b| score < b.1) {
                best = Some((s.state, score, used));
            }
            if unused > 0.0 {
                continue;
            }
            // Two starts far from each other that end at the same lens, none better, have found the place that all good ones find.
            let alike = |e: &(f64, f64, f64)| {
                f.max(e.0) > FAR_START * f.min(e.0) && same_end(e.1, corner_cost) && same_focal(e.2, fx)
            };
            let none_better = best.as_ref().is_none_or(|b| same_end(b.1, score));
            if none_better && ends.iter().any(alike) {
                break;
            }
            ends.push((f, corner_cost, fx));
        }
        let (state, _, used) = best.ok_or_else(|| {
            Error::no_answer(
                "the sheets' corners do not give the wall's plane: photograph the sheets again, closer and from several sides",
            )
        })?;
        let unlinked: Vec<usize> = round.ids.iter().zip(&used).filter(|(_, u)| !**u).map(|(&i, _)| i).collect();
        if !unlinked.is_empty() {
            return Ok(Err(unlinked));
        }
        let know = knowledge(frame, &round.index, &lens_start(self.input, size, state.lens.fx))?;
        let (s, model) = supported(&state, round.origin, &round.curled, &round.photos, &know);
        let all = adjust(&s.state, &model.free_all(round.origin, &round.curled), &round.photos, &know, 60);
        Ok(Ok((all, model)))
    }

    /// Does what a suspicion asks for.
    fn act(&mut self, round: &Round, suspect: Suspect) {
        match suspect {
            Suspect::Zoomed { photo, factor } => {
                // The number is worked out at the end, when nothing bends the rest any more.
                self.left_out[round.ids[photo]] = Some(zoom_sentence(factor));
                self.zoomed.push((round.ids[photo], factor));
            }
            Suspect::Curled { sheet, relief } => {
                let number = round.numbers[sheet];
                let frame = &self.input.frame;
                let how = moved::relief_words(&relief);
                match frame.rests_on(number).or(frame.taped(number).then_some("a tape distance ends at it")) {
                    Some(why) => {
                        self.curled.insert(number);
                        self.sheets_out.remove(&number);
                        self.decided.insert(number);
                        self.moved.push(Moved::curled(number, format!(
                            "sheet {number} is not flat ({how}); {why}, so its shape was fitted and its place is less sure: tape it flat and photograph the sheets again"
                        )));
                    }
                    None => {
                        self.sheets_out.insert(
                            number,
                            format!("sheet {number} is not flat ({how}) and was left out: tape it flat and photograph the sheets again if you need it"),
                        );
                    }
                }
            }
            Suspect::Moved { sheet, photo } => self.take_out(round.numbers[sheet], round.ids[photo]),
        }
    }

    /// Takes a sheet's corners out of a photo: it hung elsewhere there.
    fn take_out(&mut self, number: usize, photo: usize) {
        let (out, kept) = self.kept[photo].iter().partition(|(n, _)| *n == number);
        self.kept[photo] = kept;
        self.moved.push(Moved::new(number, photo, out));
    }

    /// Says by how much each zoomed photo is zoomed, from the lens and layout of the others.
    fn measure_zooms(&mut self, round: &Round, solution: &Solution) {
        for &(photo, about) in &self.zoomed {
            let corners: Vec<CornerObs> = self.kept[photo]
                .iter()
                .filter_map(|(n, c)| round.index.get(n).map(|&s| corner_obs(s, self.input.frame.geometry.of(*n), c)))
                .collect();
            if let Some(factor) = suspect::own_focal(&solution.state, &corners, about) {
                self.left_out[photo] = Some(zoom_sentence(factor));
            }
        }
    }

    /// Leaves out the photo that fits worst, when it does not fit the rest.
    fn leave_out_worst_photo(&mut self, round: &Round, solution: &Solution) -> bool {
        let per_photo: Vec<f64> = solution.residuals_px.iter().map(|r| rms(r)).collect();
        let mut sorted = per_photo.clone();
        sorted.sort_by(f64::total_cmp);
        let median = sorted.get(sorted.len() / 2).copied().unwrap_or_default();
        let Some(w) = (0..per_photo.len()).max_by(|&a, &b| per_photo[a].total_cmp(&per_photo[b])) else { return false };
        if round.ids.len() <= 2 || per_photo[w] <= (PHOTO_LIMIT * median).max(PHOTO_LEAST_PX) {
            return false;
        }
        self.left_out[round.ids[w]] = Some(format!(
            "its corners disagree with the other photos by {:.2} px RMS (the others {median:.2}): zoom, focus or a sheet moved",
            per_photo[w]
        ));
        true
    }

    /// Drops corners that do not fit their photo.
    fn drop_corners(&mut self, round: &Round, solution: &Solution) -> bool {
        let limit = CORNER_LIMIT_U * solution.unit_variance().sqrt();
        let mut any = false;
        for ((corners, residuals), &i) in round.photos.iter().zip(&solution.residuals_px).zip(&round.ids) {
            let bad: Vec<(usize, usize)> = corners
                .iter()
                .zip(residuals)
                .filter(|(c, r)| r[0].abs().max(r[1].abs()).partial_cmp(&(limit * c.u_px)).is_none_or(|o| o.is_gt()))
                .map(|(c, _)| (round.numbers[c.sheet], c.saddle))
                .collect();
            if !bad.is_empty() && corners.len() - bad.len() >= LEAST_CORNERS {
                any = true;
                self.dropped[i] += bad.len();
                self.kept[i].retain(|(n, c)| !bad.contains(&(*n, c.index)));
            }
        }
        any
    }

    /// Decides which place of each moved sheet holds: the one in the tripod photo, else the one in most photos. True when that is
    /// not the place adjusted so far.
    fn decide_moved(&mut self, round: &Round, solution: &Solution) -> bool {
        moved::place_all(&mut self.moved, &self.input.frame.geometry, &round.index, &round.ids, solution);
        for number in self.moved.iter().map(|m| m.number).collect::<BTreeSet<_>>() {
            if self.decided.contains(&number) {
                continue;
            }
            self.decided.insert(number);
            let kept =
                (0..self.kept.len()).filter(|&i| self.kept[i].iter().any(|(n, _)| *n == number)).collect::<Vec<_>>();
            let Some(swap) = moved::better_place(&self.moved, number, &kept, self.input.tripod) else { continue };
            let back: Vec<Moved> =
                self.moved.extract_if(.., |m| swap.contains(&m.photo) && m.number == number).collect();
            for i in kept {
                self.take_out(number, i);
            }
            for m in back {
                self.kept[m.photo].extend(m.corners.into_iter().map(|c| (number, c)));
            }
            return true;
        }
        false
    }

    fn summarise(&self, round: &Round, solution: &Solution, model: LensModel) -> Result<Calibration> {
        let full = solution.covariance().ok_or_else(|| {
            Error::no_answer(
                "the photos leave lens or layout undetermined: add photos of the sheets from other sides and distances",
            )
        })?;
        let frame = &self.input.frame;
        let c = &solution.columns;
        let state = &solution.state;
        let (names, columns) = parameters(round, c);
        let covariance = full.select_rows(&columns).select_columns(&columns);
        let u_of = |column: usize| if column == usize::MAX { 0.0 } else { full[(column, column)].max(0.0).sqrt() };
        let sheets: Vec<SheetPlace> = round
            .index
            .iter()
            .map(|(&number, &i)| {
                let [x_m, y_m, turn_rad] = state.sheets[i];
                let (kind, u_m) = (round.print_of[i], [u_of(c.sheets[i][0]), u_of(c.sheets[i][1])]);
                SheetPlace {
                    number,
                    x_m,
                    y_m,
                    turn_rad,
                    u_m,
                    scale: state.prints[kind],
                    relief_m: state.relief[i],
                    kind,
                }
            })
            .collect();
        let place = |i: usize| round.ids.iter().position(|&j| j == i);
        let photos: Vec<PhotoFit> = (self.input.photos.iter().enumerate())
            .map(|(i, p)| {
                let r = place(i).map(|k| solution.residuals_px[k].as_slice()).unwrap_or_default();
                PhotoFit {
                    name: p.name.clone(),
                    pose: place(i).map(|k| state.poses[k]),
                    left_out: self.left_out[i].clone(),
                    corners: r.len(),
                    dropped: self.dropped[i],
                    rms_px: rms(r),
                }
            })
            .collect();
        let tape_checks: Vec<(Tape, f64)> = frame
            .tapes
            .iter()
            .filter_map(|t| {
                let (a, b) = (round.index.get(&t.sheets[0])?, round.index.get(&t.sheets[1])?);
                let (p, q) = (state.sheets[*a], state.sheets[*b]);
                Some((*t, t.distance_m - (p[0] - q[0]).hypot(p[1] - q[1])))
            })
            .collect();
        let mut warnings = moved::sentences(&self.moved, &self.input.photos, frame, state, &round.index);
        warnings.extend(self.sheets_out.values().cloned());
        // What is left of a sheet's corners is too little in every photo, though there was enough.
        let seen: BTreeSet<usize> = round
            .ids
            .iter()
            .flat_map(|&i| self.input.photos[i].sheets.iter())
            .filter(|s| s.corners.len() >= LEAST_CORNERS)
            .map(|s| s.number)
            .collect();
        let lost = seen.into_iter().filter(|n| {
            !round.index.contains_key(n)
                && !self.sheets_out.contains_key(n)
                && self.moved.iter().all(|m| m.number != *n)
        });
        warnings.extend(lost.map(|n| format!(
            "sheet {n}: too many of its corners fit no photo, so it was left out: is it printed like the others, unscaled, and taped flat? Print it again if you need it"
        )));
        let residuals = round
            .photos
            .iter()
            .zip(&solution.residuals_px)
            .zip(&round.ids)
            .flat_map(|((corners, r), &photo)| {
                corners.iter().zip(r).map(move |(c, r)| CornerResidual {
                    photo,
                    sheet: round.numbers[c.sheet],
                    at_px: [c.pixel.x_px, c.pixel.y_px],
                    off_px: *r,
                })
            })
            .collect();
        let from = self.input.tripod.and_then(place).unwrap_or(0);
        let scale = [0, 1].map(|k| (state.prints[0][k], u_of(c.prints[0][k])));
        Ok(Calibration {
            lens: state.lens,
            lens_terms: (0..lens::N)
                .filter(|&k| model.on[k] && !(k == 1 && model.square_pixels))
                .map(|k| lens::TERMS[k])
                .collect(),
            lens_u: std::array::from_fn(|k| u_of(c.lens[k])),
            checks: checks(frame, &tape_checks, &scale),
            scale,
            sheets,
            photos,
            rms_px: solution.rms_px(),
            unit_u: (2.0 * solution.corner_cost / solution.dof.max(1.0)).sqrt(),
            corners: solution.residuals_px.iter().map(Vec::len).sum(),
            parameters: names,
            covariance,
            tape_checks,
            warnings,
            residuals,
            trust: trust_map(solution, &full, &round.photos, from),
            advice: advise(solution, &round.photos, &round.numbers, frame, from),
        })
    }
}

/// Names and columns of what later photos inherit.
fn parameters(round: &Round, c: &super::bundle::Columns) -> (Vec<String>, Vec<usize>) {
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
    for (kind, &[across, down]) in c.prints.iter().enumerate() {
        // The standard sheets' scale has no number; a kind that no sheet is of is not inherited.
        let tail = if kind == 0 { String::new() } else { format!(" {kind}") };
        if kind == 0 || round.print_of.contains(&kind) {
            take(format!("scale_across{tail}"), across);
            take(format!("scale_down{tail}"), down);
        }
    }
    for (&number, &i) in &round.index {
        for (k, axis) in ["x", "y", "turn"].iter().enumerate() {
            take(format!("sheet {number} {axis}"), c.sheets[i][k]);
        }
    }
    (names, columns)
}

fn zoom_sentence(factor: f64) -> String {
    format!(
        "its own focal length is {:.2} % {} than the other photos': another camera or another zoom, or focus changed",
        100.0 * (factor - 1.0).abs(),
        if factor > 1.0 { "longer" } else { "shorter" }
    )
}

fn rms(r: &[[f64; 2]]) -> f64 {
    (r.iter().fold(0.0, |s, r| s + r[0] * r[0] + r[1] * r[1]) / r.len().max(1) as f64).sqrt()
}

/// The photo whose optics most others agree with.
fn usual_optics(photos: &[CalibrationPhoto], size: (u32, u32)) -> Option<usize> {
    let same: Vec<usize> = (0..photos.len()).filter(|&i| photos[i].size_px == size).collect();
    let agree = |i: usize| same.iter().filter(|&&j| photos[j].optics.differs_from(&photos[i].optics).is_none()).count();
    same.iter().copied().max_by_key(|&i| (agree(i), photos[i].sheets.len()))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_photo_of_another_size_is_told_why() {
        let lies = other_size((1500, 2000), (2000, 1500));
        assert!(lies.starts_with("1500 x 2000 px, the others 2000 x 1500") && lies.contains("same way up"), "{lies}");
        assert!(other_size((4000, 3000), (2000, 1500)).contains("another camera, zoom or crop"));
    }
}
