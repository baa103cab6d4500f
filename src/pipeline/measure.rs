//! What do a volley's marks say, and what is doubtful about them?

use super::decide::Decided;
use super::doubtful::doubtful;
use super::judge::{FoundMark, Judged};
use super::looks::{SIDEWAYS, VolleyLook};
use super::measured::{Measured, MeasuredMark, spread_deg};
use super::place::How;
use crate::camera::Wall;
use crate::error::counted;
use crate::flight::{Impact, Release, Solver};
use crate::points::{PixelPoint, WallPoint};
use crate::report::Units;
use crate::session::flags::FlagWord;
use crate::session::volleys::VolleyRow;
use crate::session::{PairedVolley, Session};
use crate::study::SAME_STEP;

/// Log light ratio between parts of the wall beyond which the light "changed much": a factor of two.
const LIGHT_STEP: f64 = 0.7;
/// A mark whose strength is fewer own standard uncertainties than this is faint.
const FAINT: f64 = 8.0;
/// A speed this many times its setpoint, or its setpoint this many times the speed, is no scatter of a machine: a digit is wrong.
const FAR_SPEED: f64 = 1.5;
/// No ball was thrown as fast as this, 157 mph (common practice, no source).
const FASTEST_MPS: f64 = 70.0;
/// Shots of one setup at one speed scatter by less than this, deg (common practice, no source: some tenths to two or three).
const WIDE_DEG: f64 = 6.0;
/// Camera shift between two photos that is worth a word, px.
const MOVED_PX: f64 = 3.0;

/// The calibration that holds for a photo, and its place among all of the session's.
pub struct Calibrated<'a> {
    /// The calibration.
    pub wall: &'a Wall,
    /// Its whitened factors.
    pub whitened: &'a nalgebra::DMatrix<f64>,
    /// Factors of the calibrations before it.
    pub before: usize,
    /// Factors of those after it.
    pub after: usize,
}

impl Calibrated<'_> {
    /// How a wall point moves with every factor of every calibration of the session.
    fn shared_at(&self, l: &VolleyLook, point: WallPoint) -> Vec<[f64; 2]> {
        let Some(own) = l.located.shared_at(self.wall, self.whitened, point) else { return Vec::new() };
        let none = |n: usize| std::iter::repeat_n([0.0; 2], n);
        none(self.before).chain(own).chain(none(self.after)).collect()
    }
}

/// One mark on the wall, with everything that makes it doubtful, m.
fn impact_of(place: &Calibrated<'_>, l: &VolleyLook, m: &FoundMark, volley: &PairedVolley) -> Impact {
    let point = WallPoint::new(m.x_mm * 1e-3, m.y_mm * 1e-3);
    Impact {
        point,
        own_cov_m2: m.covariance_mm2.map(|r| r.map(|v| v * 1e-6)),
        shared: place.shared_at(l, point),
        speed_mps: volley.row.speed_mps.unwrap_or(f64::NAN),
        speed_own_u_mps: volley.row.speed_spread_mps.unwrap_or(0.0),
    }
}

/// A look with its calibration and the photo's name.
pub struct Seen<'a> {
    /// The calibration that holds.
    pub place: Calibrated<'a>,
    /// What changed.
    pub look: &'a VolleyLook,
    /// The photo after.
    pub photo: &'a str,
}

/// Places and solves a volley's marks, and says what is doubtful. `later` gives the look back that shows a mark
/// ([`FoundMark::seen_in`]); `largest_mm` is the widest mark to expect.
pub fn measure<'a>(
    own: &Seen<'a>,
    later: &dyn Fn((usize, usize)) -> Option<Seen<'a>>,
    solver: &Solver,
    volley: &PairedVolley,
    decided: &Decided,
    largest_mm: f64,
) -> Measured {
    let l = own.look;
    let judged = &decided.judged;
    let open = |flag: FlagWord| !decided.settles(flag, volley.row.shots);
    let by_person = |i: usize| decided.by_person(i);
    let mut flags = Vec::new();
    let (mut notes, mut known) = (decided.lost.clone(), decided.known.clone());
    if !decided.lost.is_empty() {
        flags.push(FlagWord::ReviewLost);
    }
    if decided.checked || (0..judged.marks.len()).any(by_person) || !decided.rejected.is_empty() {
        flags.push(FlagWord::Reviewed);
    }
    let mut marks = Vec::new();
    for (i, m) in judged.marks.iter().enumerate() {
        let other = m.seen_in.and_then(later);
        let seen = other.as_ref().unwrap_or(own);
        let (place, l) = (&seen.place, seen.look);
        let impact = impact_of(place, l, m, volley);
        let solved: Option<Release> = match solver.solve(&impact) {
            Ok(r) => Some(r),
            Err(e) => {
                flags.push(FlagWord::Unreachable);
                notes.push(e.to_string());
                None
            }
        };
        let pixel = l.located.view.pixel_from_wall(impact.point).unwrap_or(PixelPoint::new(f64::NAN, f64::NAN));
        let pose = l.located.pose_covariance_at(impact.point).unwrap_or_default();
        let special = [
            (m.count > 1, FlagWord::Merged),
            (m.overlaps, FlagWord::Crowded),
            (m.significance < FAINT, FlagWord::Faint),
            (near_edge(l, m, pixel), FlagWord::Edge),
            (on_paper(place.wall, l, m), FlagWord::OnSheet),
            (m.on_seam, FlagWord::OnSeam),
            (judged.stray == Some(i), FlagWord::DoubtfulShot),
            (other.is_some(), FlagWord::SeenLater),
            (by_person(i), FlagWord::Reviewed),
        ];
        let special: Vec<FlagWord> = special.into_iter().filter_map(|(is, flag)| is.then_some(flag)).collect();
        marks.push(MeasuredMark {
            found: m.clone(),
            impact,
            pixel: Some(pixel),
            x_known: true,
            pose_covariance_m2: pose,
            release: solved,
            flags: special,
            photo: other.as_ref().map(|s| s.photo.to_string()),
        });
    }
    if let [first, ..] = volley.between.as_slice() {
        known.push(format!(
            "{first} was taken between this photo and the one before it and belongs to no row: marks of balls shot before it count here"
        ));
    }
    let out_of_order = volley.out_of_order.clone().filter(|_| open(FlagWord::OutOfOrder));
    if let Some(says) = &out_of_order {
        flags.push(FlagWord::OutOfOrder);
        notes.push(says.clone());
    }
    let balls: u32 = marks.iter().map(|m| m.found.count).sum();
    let entries = marks.len() as u32;
    let shots = volley.row.shots;
    what_hides(own, judged, shots, &open, &mut flags, (&mut notes, &mut known));
    let behind = judged.hidden.missing > 0;
    if entries < shots && !behind && open(FlagWord::MissingShots) {
        flags.push(FlagWord::MissingShots);
        notes.push(if balls == shots {
            format!("{} for {}: a mark flagged merged may stand for several balls, or a ball missed; look at the photo, and correct the count in volleys.csv if one missed", counted(entries as usize, "mark"), counted(shots as usize, "shot"))
        } else {
            let where_ = hiding_place(&marks);
            format!("{} of {shots} shots missing{where_}: look for marks on top of each other or off the photo", shots - balls.min(shots))
        });
    }
    if !judged.dropped.is_empty() && open(FlagWord::ExtraMarks) {
        flags.push(FlagWord::ExtraMarks);
        let mut dropped: Vec<&FoundMark> = judged.dropped.iter().collect();
        dropped.sort_by(|a, b| b.y_mm.total_cmp(&a.y_mm));
        let places: Vec<String> = dropped.iter().map(|m| format!("({:.0}, {:.0}) mm", m.x_mm, m.y_mm)).collect();
        notes.push(format!(
            "left out what lies far from the others at {}, since there were more marks than shots: look at the photo",
            places.join(" and ")
        ));
    }
    if balls > shots && open(FlagWord::ExtraMarks) {
        flags.push(FlagWord::ExtraMarks);
        let weakest = marks.iter().enumerate().min_by(|a, b| a.1.found.significance.total_cmp(&b.1.found.significance));
        let which = weakest.map_or(String::new(), |(i, _)| format!(" (most doubtful: mark {})", i + 1));
        notes.push(format!(
            "{} for {}{which}: check the photo and the count in volleys.csv",
            counted(balls as usize, "mark"),
            counted(shots as usize, "shot")
        ));
    }
    if judged.own_gone && open(FlagWord::Doubtful) {
        flags.push(FlagWord::Doubtful);
        notes.push(
            "its marks are gone in the next photo: they dried, or the wall was wiped, or they were no balls' marks: look at the photo; photograph the wall after you wipe it, as a row with shots = 0"
                .into(),
        );
    }
    if judged.older_gone {
        known.push(
            "the marks of the volley before are gone (they dried, or the wall was wiped): their places were left out"
                .into(),
        );
    }
    if judged.passed {
        known.push(
            "something came before one photo and was gone in the next (a ball at the wall's foot?); it was left out"
                .into(),
        );
    }
    if let Some(i) = judged.stray.filter(|i| open(FlagWord::DoubtfulShot) && !by_person(*i)) {
        notes.push(format!(
            "mark {} lies far from the others: look at the photo whether it is a ball's, and whether another ball's is not told apart",
            i + 1
        ));
    }
    if entries == shots
        && open(FlagWord::Doubtful)
        && let Some(says) = doubtful(judged, largest_mm, &by_person)
    {
        flags.push(FlagWord::Doubtful);
        notes.push(says);
    }
    let left_over = left_over(judged, &by_person).filter(|_| open(FlagWord::LeftOver));
    if let Some(says) = &left_over {
        flags.push(FlagWord::LeftOver);
        notes.push(says.clone());
    }
    if let Some(sd) = wide(&marks).filter(|_| open(FlagWord::Doubtful)) {
        flags.push(FlagWord::Doubtful);
        notes.push(format!(
            "the marks lie {sd:.0} deg apart (SD), farther than one setup throws: look whether all of them are balls'"
        ));
    }
    if judged.too_much && open(FlagWord::BigChange) {
        if !flags.contains(&FlagWord::BigChange) {
            flags.push(FlagWord::BigChange);
        }
        let to = if balls < shots { &mut notes } else { &mut known };
        to.push("a place changed by more than all shots could mark; it was left out".into());
    }
    match judged.other_side {
        0 => {}
        1 if open(FlagWord::Doubtful) => {
            flags.push(FlagWord::Doubtful);
            notes.push(
                "its marks change the wall the other way than other volleys' do (dark ones beside pale ones), and too few of them say so: look whether they are balls'"
                    .into(),
            );
        }
        _ => known
            .push("its marks change the wall the other way than other volleys' do (dark ones beside pale ones)".into()),
    }
    if !l.groups.on_paper.is_empty() && open(FlagWord::OnSheet) {
        flags.push(FlagWord::OnSheet);
        notes.push(
            "something changed on a sheet: look whether a ball hit it, and whether it still hangs flat and in place"
                .into(),
        );
    }
    if l.light_step > LIGHT_STEP && l.light_followed {
        known.push("an edge of sun and shade moved over the wall; it was followed".into());
    } else if l.light_step > LIGHT_STEP && open(FlagWord::LightChanged) {
        flags.push(FlagWord::LightChanged);
        notes
            .push("the light changed by more than a factor of two between parts of the wall: look at the photo".into());
    }
    for (flag, sentence) in &l.changed {
        flags.extend(*flag);
        let to = if flag.is_some() { &mut notes } else { &mut known };
        to.push(sentence.clone());
    }
    if let How::Wall { to, moved_px, u_px } = &l.how {
        flags.extend([FlagWord::NoSheets, FlagWord::Registered]);
        if *moved_px > MOVED_PX {
            known.push(format!(
                "no sheet seen; followed the wall from {to}: moved {moved_px:.1} px, corrected to ± {:.2} px",
                2.0 * u_px
            ));
        }
    } else if l.shift_px > MOVED_PX {
        known.push(format!("the camera had moved by up to {:.1} px; the sheets corrected for it", l.shift_px));
    }
    // What a person decided on a mark no longer asks for a look at it.
    let asks = |i: usize, f: FlagWord| !f.makes_look() || (!by_person(i) && open(f));
    let raised: Vec<FlagWord> = marks
        .iter()
        .enumerate()
        .flat_map(|(i, m)| m.flags.iter().copied().filter(move |f| asks(i, *f)))
        .filter(|f| !matches!(f, FlagWord::Faint | FlagWord::OnSeam))
        .collect();
    if raised.contains(&FlagWord::OnSheet) {
        notes.push("a mark lies half on a sheet, which may hide a part of it: hang the sheet elsewhere".into());
    }
    if raised.contains(&FlagWord::Edge) {
        notes.push("a mark touches the photo's edge: aim the camera so that all marks are inside".into());
    }
    flags.extend(raised);
    if marks.is_empty() && !judged.hidden.no_mean {
        let none = if decided.checked {
            "a person looked at this volley: no ball left a mark here (review.csv)".into()
        } else if !decided.rejected.is_empty() {
            "every mark that was found here is rejected in review.csv".into()
        } else {
            nothing_new(solver, &volley.photo, l)
        };
        (notes, known) = (vec![none], Vec::new());
        notes.extend(left_over);
        notes.extend(out_of_order);
    }
    notes.extend(decided.said.iter().cloned());
    Measured::looked(volley, l, judged, marks, flags, notes, known)
}

/// Says where something as large as a mark changed that none of the marks explains, unless a person set a mark there.
fn left_over(judged: &Judged, by_person: &dyn Fn(usize) -> bool) -> Option<String> {
    let [x, y] = judged.left_over_mm?;
    let on_it = |(i, m): (usize, &FoundMark)| by_person(i) && (m.x_mm - x).hypot(m.y_mm - y) < m.radius_mm;
    let settled = judged.marks.iter().enumerate().any(on_it);
    (!settled).then(|| {
        format!("something as large as a mark changed at ({x:.0}, {y:.0}) mm, and none of the marks explains it: look at the photo whether a ball struck there")
    })
}

/// What to check where a photo shows no new mark.
fn nothing_new(solver: &Solver, photo: &str, look: &VolleyLook) -> String {
    if let Some(clearest) = look.spots.first() {
        let n = look.spots.len();
        let places = if n == 1 { "one place".into() } else { format!("{n} places, most clearly") };
        return format!(
            "no new mark was found, though the wall changed at {places} at ({:.0}, {:.0}) mm: look at {photo}; if balls struck there, say how large their marks are ([marks] in session.toml) or set them by hand (`pockmark review`); else look whether it is the photo after this volley",
            1e3 * clearest.at.x_m,
            1e3 * clearest.at.y_m
        );
    }
    let (right, widest) = (solver.inputs().pivot_right_m.value, SIDEWAYS * solver.inputs().pivot_out_m.value);
    format!(
        "no new mark was found from {:.1} m to {:.1} m right of the origin, about the arm's plane: is {photo} the photo after this volley, and the row before it the photo before? If marks of it are elsewhere, check machine.pivot_right and wall.origin_sheet in session.toml",
        right - widest,
        right + widest
    )
}

/// Says so, in the session's units, when a volley's speed is none that it was shot at: a number was mistyped or misread.
pub(super) fn far_speed(row: &VolleyRow, session: &Session) -> Option<String> {
    let speed = row.speed_mps?;
    let units = Units::of(session);
    if speed > FASTEST_MPS {
        return Some(format!(
            "the speed read, {}, is faster than any ball was thrown: correct it in volleys.csv",
            units.speed_words(speed)
        ));
    }
    let setpoint = row.setpoint_mps?;
    let read = format!("the speed read, {}, is", units.speed_words(speed));
    if speed.max(setpoint) > FAR_SPEED * speed.min(setpoint) {
        return Some(format!(
            "{read} far from the setpoint, {}: correct in volleys.csv whichever is wrong",
            units.speed_words(setpoint)
        ));
    }
    let off = |other: f64| (speed - other).abs();
    let others = session.volleys.rows.iter().filter_map(|r| r.setpoint_mps);
    let nearer = others.filter(|s| (s / setpoint).ln().abs() > SAME_STEP && off(*s) < off(setpoint));
    let nearest = nearer.min_by(|a, b| off(*a).total_cmp(&off(*b)))?;
    Some(format!(
        "{read} nearer to another step of the ladder, {}, than to the setpoint, {}: correct in volleys.csv whichever is wrong",
        units.speed_words(nearest),
        units.speed_words(setpoint)
    ))
}

/// Standard deviation of a volley's angles, upwards or sideways, where it is no machine's, deg.
fn wide(marks: &[MeasuredMark]) -> Option<f64> {
    let up = spread_deg(marks, |r| r.release.value)?;
    let sideways = spread_deg(marks, |r| r.sideways.value)?;
    Some(up.max(sideways)).filter(|sd| *sd > WIDE_DEG)
}

fn near_edge(l: &VolleyLook, m: &FoundMark, p: PixelPoint) -> bool {
    let j = l.located.view.pixels_per_metre(WallPoint::new(m.x_mm * 1e-3, m.y_mm * 1e-3));
    let reach = j.map_or(0.0, |j| 1.2e-3 * m.radius_mm * j.iter().flatten().fold(0.0f64, |s, v| s.max(v.abs())));
    let (w, h) = (f64::from(l.size_px.0), f64::from(l.size_px.1));
    !(p.x_px > reach && p.y_px > reach && p.x_px < w - 1.0 - reach && p.y_px < h - 1.0 - reach)
}

/// Where a missing ball most likely hides: the strongest mark that overlaps others.
fn hiding_place(marks: &[MeasuredMark]) -> String {
    marks
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.found.strength.total_cmp(&b.1.found.strength))
        .map_or(String::new(), |(i, _)| format!(" (most likely under mark {})", i + 1))
}

/// Names what is no mark, and says what it may hide or what a later photo shows of that.
fn what_hides(
    own: &Seen,
    judged: &Judged,
    shots: u32,
    open: &dyn Fn(FlagWord) -> bool,
    flags: &mut Vec<FlagWord>,
    (notes, known): (&mut Vec<String>, &mut Vec<String>),
) {
    let (l, h) = (own.look, &judged.hidden);
    let what = match l.things.first() {
        Some(t) if t.long => "something long and narrow (a hose, a cable, a tape)",
        Some(_) => "something big (a person, a ladder, a bag)",
        None if !l.groups.too_big.is_empty() => "a change too big for marks",
        None => "something",
    };
    if !l.things.is_empty() || !l.groups.too_big.is_empty() {
        flags.push(FlagWord::BigChange);
        known.push(format!("{what} came or went before the wall; its place was left out"));
    }
    if l.wiped && open(FlagWord::Wiped) {
        flags.push(FlagWord::Wiped);
        notes.push(format!(
            "the old marks are gone, but no row with shots = 0 shows the wiped wall: compared with {}; photograph the wall after you wipe it",
            l.before
        ));
    }
    if h.settled > 0 {
        flags.push(FlagWord::SeenLater);
        let settled = h.settled.min(shots);
        known.push(match h.later.as_deref() {
            // Something stood there in the photo before; one from before that says what the wall was like.
            Some(later) if later == own.photo => format!(
                "{settled} of {shots} shots struck where something hid the wall in {}: an earlier photo told them",
                l.before
            ),
            later => format!(
                "{settled} of {shots} shots were hidden in {} and are seen in {}",
                own.photo,
                later.unwrap_or("a later photo")
            ),
        });
    }
    if h.missing > 0 && open(FlagWord::Blocked) {
        flags.push(FlagWord::Blocked);
        let found = match (h.either, &h.later, &h.other) {
            (n, Some(later), Some(other)) if n > 0 => {
                format!("; {later} shows {n} marks there, which may be this volley's or volley {other}'s")
            }
            _ => String::new(),
        };
        let answer = if h.no_mean {
            "too few are seen for a mean: photograph the wall again with nothing before it, as a row with shots = 0"
        } else {
            "the mean allows for that; photograph the wall again with nothing before it, as a row with shots = 0"
        };
        notes.push(format!(
            "{} of {shots} shots are not seen and may have struck behind what covered a part of the wall{found}; {answer}",
            h.missing
        ));
    }
}

/// Whether part of a mark lies on a sheet that hangs on the wall.
fn on_paper(wall: &Wall, l: &VolleyLook, m: &FoundMark) -> bool {
    let rim = (0..12).map(|k| f64::from(k) * std::f64::consts::TAU / 12.0);
    l.sheets_up
        && rim
            .map(|a| WallPoint::new(1e-3 * (m.x_mm + m.radius_mm * a.cos()), 1e-3 * (m.y_mm + m.radius_mm * a.sin())))
            .any(|p| super::grid::shows_paper(wall, p))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_no_mark_explains_is_named_until_a_person_set_a_mark_there() {
        let at = |x_mm: f64, y_mm: f64| FoundMark { x_mm, y_mm, radius_mm: 13.0, ..FoundMark::default() };
        let marks = vec![at(100.0, 50.0), at(0.0, 0.0)];
        let judged = |left_over_mm| Judged { marks: marks.clone(), left_over_mm, ..Judged::default() };
        let says = left_over(&judged(Some([104.0, 44.0])), &|_| false).unwrap_or_default();
        assert!(says.contains("(104, 44) mm") && says.contains("look at the photo"), "{says}");
        assert!(left_over(&judged(Some([104.0, 44.0])), &|i| i == 1).is_some(), "that mark lies elsewhere");
        assert!(left_over(&judged(Some([104.0, 44.0])), &|i| i == 0).is_none());
        assert!(left_over(&judged(None), &|_| false).is_none());
    }
}
