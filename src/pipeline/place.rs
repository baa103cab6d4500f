//! Where did the camera stand when a photo was taken?
//!
//! By the sheets that the photo shows, where they were before or anywhere else in it; without any, by the wall's own grain against a
//! photo whose place is known.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use image::{GrayImage, RgbImage, imageops};
use serde::{Deserialize, Serialize};

use super::grid::{Grid, paper};
use crate::camera::expect::expected_sheets;
use crate::camera::moved::shift_words;
use crate::camera::{Located, NotRegistered, Optics, Turn, Wall, WallView, locate_turned, register};
use crate::error::Result;
use crate::photo::decode::{decode_gray, decode_rgb_if, let_go, luma, luma_of};
use crate::photo::read_exif;
use crate::points::PixelPoint;
use crate::session::flags::FlagWord;
use crate::sheet::near::{ExpectedSheet, least_factor};
use crate::sheet::tags::Part;
use crate::sheet::{SheetView, SheetsSeen, find_sheets, find_sheets_at, find_sheets_from, find_sheets_near};

/// A photo's sheets fit the calibration when their RMS is below this, or this many times the calibration's own.
const FIT_PX: f64 = 0.5;
const FIT_TIMES: f64 = 5.0;

/// A change of focal length that a person should know of: 0.3 % moves the edge of a picture by some 3 px, more than any focus does.
const ZOOM_WORTH_A_LOOK: f64 = 0.003;
/// A change of this many u and more is one: chance alone, and a calibration that is off by its doubt, come to it in three photos of a thousand.
const CLEAR_U: f64 = 3.0;

/// A photo with its place on the wall.
pub struct PlacedPhoto {
    /// File name.
    pub name: String,
    /// Upright pixels; none where its size says that it has no place.
    pub rgb: RgbImage,
    /// Where the camera stood and how that is known; `None` with the sentence in `problem`.
    pub place: Option<(Located, How)>,
    /// Why there is no place.
    pub problem: Option<String>,
    /// What changed since the calibration and was corrected: a sentence each, with its flag where a person must look.
    pub changed: Vec<(Option<FlagWord>, String)>,
}

impl Drop for PlacedPhoto {
    fn drop(&mut self) {
        let_go(std::mem::take(&mut self.rgb));
    }
}

/// A photo whose place is known: it says where to look for sheets, and photos without any are registered to it.
pub struct Reference {
    /// Its name, for messages.
    pub name: String,
    path: PathBuf,
    /// Its grey values, read once a photo without sheets asks for them: most days none does.
    gray: OnceLock<Option<GrayImage>>,
    /// Where the calibration has it, while it has not been read.
    pose: Option<WallView>,
    placed: OnceLock<Option<Placed>>,
    /// How it is turned against the calibration's photos.
    turn: Turn,
    /// Its own size, px.
    size: (u32, u32),
}

/// Where a reference stands, and what of it shows paper.
struct Placed {
    located: Located,
    paper: Vec<bool>,
}

/// Cells of the reference's paper mask, px.
const MASK_PX: usize = 8;

impl Placed {
    fn new(wall: &Wall, located: Located) -> Self {
        let lens = &located.view.lens;
        let (width, height) = (lens.width as usize / MASK_PX, lens.height as usize / MASK_PX);
        let paper = paper(wall, &located.view, &Grid { origin: (0, 0), factor: MASK_PX, width, height });
        Self { located, paper }
    }

    /// Whether a place of a photo so wide is no wall: on paper, or beyond the rim.
    fn avoid(&self, width: u32, p: PixelPoint) -> bool {
        let (w, x, y) = (width as usize / MASK_PX, p.x_px as usize / MASK_PX, p.y_px as usize / MASK_PX);
        x >= w || self.paper.get(y * w + x).copied().unwrap_or(true)
    }
}

impl Reference {
    /// From a photo that was placed.
    pub fn new(wall: &Wall, path: &Path, located: &Located) -> Self {
        let placed = OnceLock::from(Some(Placed::new(wall, located.clone())));
        Self { placed, ..Self::unread(wall, path, located.turn) }
    }

    /// The tripod photo of a session. Where the calibration knows where it stood it is read only once that is not enough: its sheets are
    /// not where they were, or a photo shows none. `None` when it is not known and the photo cannot be placed by its sheets.
    pub fn of_tripod(wall: &Wall, path: &Path) -> Option<Self> {
        let pose = wall.tripod_pose.map(|pose| WallView { lens: wall.camera, pose });
        let out = Self { pose, ..Self::unread(wall, path, Turn::NONE) };
        (out.pose.is_some() || out.placed(wall).is_some()).then_some(out)
    }

    fn unread(wall: &Wall, path: &Path, turn: Turn) -> Self {
        let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let size = turn.size((wall.camera.width, wall.camera.height));
        Self { name, path: path.into(), gray: OnceLock::new(), pose: None, placed: OnceLock::new(), turn, size }
    }

    /// Where it stands by its own sheets; `None` where it is no longer what it was.
    fn placed(&self, wall: &Wall) -> Option<&Placed> {
        let read = || {
            let anew;
            let gray = match self.gray.get() {
                Some(kept) => kept.as_ref()?,
                None => {
                    anew = self.read()?;
                    &anew
                }
            };
            let set = wall.geometry();
            // The calibration knows where it stood; only where that is another photo now, all of it is searched.
            let part = |p: Part| imageops::crop_imm(gray, p.origin.0, p.origin.1, p.size.0, p.size.1).to_image();
            let there = find_sheets_at(part, gray.dimensions(), &set, &self.by_pose(wall));
            let there = there.and_then(|seen| by_sheets(wall, &seen.sheets, self.turn)?.ok());
            let located = match there {
                Some((located, _)) => located,
                None => locate_turned(wall, &find_sheets(gray, &set).sheets, self.turn)?,
            };
            Some(Placed::new(wall, located))
        };
        self.placed.get_or_init(read).as_ref()
    }

    /// Its sheets as the calibration has them.
    fn by_pose(&self, wall: &Wall) -> Vec<ExpectedSheet> {
        let numbers: Vec<usize> = wall.sheets.iter().map(|s| s.number).collect();
        self.pose.as_ref().map_or_else(Vec::new, |v| expected_sheets(wall, v, &numbers))
    }

    /// Where a photo from the same place shows which sheets: as this one does, or while it has not been read, as the calibration has it.
    fn expected(&self, wall: &Wall) -> Vec<ExpectedSheet> {
        let Some(placed) = self.placed.get() else { return self.by_pose(wall) };
        placed.as_ref().map_or_else(Vec::new, |p| {
            let l = &p.located;
            let seen: Vec<usize> = l.sheets.iter().copied().chain(l.moved.iter().map(|m| m.number)).collect();
            expected_sheets(wall, &l.view, &seen)
        })
    }

    fn read(&self) -> Option<GrayImage> {
        upright_gray(&self.path).filter(|g| g.dimensions() == self.size)
    }

    /// Its grey values; `None` where the photo is no longer what it was.
    fn gray(&self) -> Option<&GrayImage> {
        self.gray.get_or_init(|| self.read()).as_ref()
    }
}

/// A photo's grey values, upright; `None` when it cannot be read.
fn upright_gray(path: &Path) -> Option<GrayImage> {
    let turn = read_exif(path).ok()?.orientation.unwrap_or(1);
    decode_gray(path, turn).ok()
}

/// How a photo was placed on the wall.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum How {
    /// By the sheets that it shows.
    Sheets,
    /// By the wall itself.
    Wall {
        /// The photo it was registered to.
        to: String,
        /// How far the picture had moved, px.
        moved_px: f64,
        /// u of the alignment at the picture's middle, px.
        u_px: f64,
    },
}

/// Decodes a photo and places it: by its sheets, or without any by the wall itself against `references`, in turn.
///
/// # Errors
/// The photo cannot be read.
pub fn place_photo(wall: &Wall, folder: &Path, name: &str, references: &[&Reference]) -> Result<PlacedPhoto> {
    let path = folder.join(name);
    let exif = read_exif(&path)?;
    let size = (wall.camera.width, wall.camera.height);
    let held = Turn::between(wall.optics.orientation, exif.orientation);
    // A photo that does not say how the camera was held counts as held alike where its sides do not speak against it; so does one that says otherwise
    // though its sides are alike: a program turned it and wrote it anew.
    let like = |turn: Turn, own: (u32, u32)| turn.size(size) == own;
    let wanted = |own| like(held.unwrap_or_default(), own) || like(Turn::default(), own);
    let (rgb, own) = match decode_rgb_if(&path, exif.orientation.unwrap_or(1), wanted)? {
        Ok(rgb) => {
            let own = rgb.dimensions();
            (rgb, own)
        }
        Err(own) => (RgbImage::default(), own),
    };
    let turn = held.filter(|t| like(*t, own)).unwrap_or_default();
    let optics = Optics::of(&exif, own).differs_from(&wall.optics);
    let placed = |rgb, place: Result<(Located, How), String>| {
        let (place, problem) = match place {
            Ok(p) => (Some(p), None),
            Err(e) => (None, Some(e + &optics.as_ref().map_or(String::new(), |o| format!(" (Exif says {o})")))),
        };
        let changed = place.as_ref().map(|(l, _)| changed(l)).unwrap_or_default();
        PlacedPhoto { name: name.into(), rgb, place, problem, changed }
    };
    if !like(turn, own) {
        let lies = (own.1, own.0) == size;
        let advice = if lies {
            turned(exif.orientation)
        } else {
            "use the same camera, zoom and crop, or photograph the sheets again; a picture that does not belong here may be removed"
        };
        let problem = format!("{} x {} px, the calibration's photos {} x {}: {advice}", own.0, own.1, size.0, size.1);
        return Ok(placed(rgb, Err(problem)));
    }
    let place = place(wall, &rgb, turn, references);
    Ok(placed(rgb, place))
}

/// What to do about a photo whose sides are those of the calibration's, the other way round: a camera mostly says how it was held.
fn turned(orientation: Option<u8>) -> &'static str {
    if orientation.is_some_and(|o| o > 4) {
        "the camera was held the other way up, and the photos of the sheets do not say how it was held: run `pockmark calibrate` again; if that changes nothing, copy them again from the camera, or photograph the sheets again, held as it is now"
    } else {
        "it lies on its side, so some program turned it, or the camera was held the other way up: copy it again from the camera, as it was taken, or photograph the sheets again with the camera held so"
    }
}

/// Where a photo stands: by the sheets where they were before, else anywhere in the photo, else by the wall.
fn place(wall: &Wall, rgb: &RgbImage, turn: Turn, references: &[&Reference]) -> Result<(Located, How), String> {
    let set = wall.geometry();
    // One that was held another way up does not say where anything is in this photo.
    let references: Vec<&Reference> = references.iter().copied().filter(|r| r.turn == turn).collect();
    let last = references.last();
    let mut expected = last.map_or_else(Vec::new, |r| r.expected(wall));
    // Most photos stand where the last one did: only the sheets' own parts of them need to be grey.
    let there = |expected: &[ExpectedSheet]| {
        let part = |p: Part| luma_of(rgb, p.origin, p.size);
        let seen = find_sheets_at(part, rgb.dimensions(), &set, expected)?;
        by_sheets(wall, &seen.sheets, turn)?.ok()
    };
    if let Some(place) = there(&expected) {
        return Ok(place);
    }
    // Not where the calibration has them: are they where the tripod photo shows them?
    if let Some(unread) = last.filter(|r| r.placed.get().is_none()) {
        let was = std::mem::take(&mut expected);
        unread.placed(wall);
        expected = unread.expected(wall);
        if expected != was
            && let Some(place) = there(&expected)
        {
            return Ok(place);
        }
    }
    let gray = &luma(rgb);
    let by_sheets = |seen: SheetsSeen| by_these_and_others(wall, rgb, seen.sheets, turn);
    if let Some(seen) = find_sheets_near(gray, &set, &expected)
        && let Some(place) = by_sheets(seen)
    {
        return place;
    }
    // Small tags are looked for last: it costs most, and only a camera that stands much farther away than before shows them.
    let side = expected.iter().map(|e| e.tag_side_px).fold(f64::INFINITY, f64::min);
    let factor = if side.is_finite() { least_factor(side) } else { 1 };
    if let Some(place) = by_sheets(find_sheets_from(gray, &set, factor)) {
        return place;
    }
    let place = by_the_wall(wall, gray, &references);
    if place.is_err()
        && factor > 1
        && let Some(place) = by_sheets(find_sheets(gray, &set))
    {
        return place;
    }
    place
}

/// As [`by_sheets`]; sheets whose tags are too small to be searched for are then measured where the place says that they are, so that a camera that was
/// kicked or turned is known as well as one that stands where it stood.
fn by_these_and_others(
    wall: &Wall,
    rgb: &RgbImage,
    mut sheets: Vec<SheetView>,
    turn: Turn,
) -> Option<Result<(Located, How), String>> {
    let set = wall.geometry();
    let part = |p: Part| luma_of(rgb, p.origin, p.size);
    let mut found = by_sheets(wall, &sheets, turn)?;
    // What is measured tells where others are, farther away: each round has one sheet more, or is the last.
    while let Ok((l, _)) = &found {
        let others = wall.sheets.iter().map(|s| s.number).filter(|n| sheets.iter().all(|s| s.number != *n));
        let expected = expected_sheets(wall, &l.view, &others.collect::<Vec<_>>());
        let at_place = |e: &ExpectedSheet| find_sheets_at(part, rgb.dimensions(), &set, std::slice::from_ref(e));
        let more: Vec<SheetView> = expected.iter().filter_map(at_place).flat_map(|seen| seen.sheets).collect();
        if more.is_empty() {
            break;
        }
        sheets.extend(more);
        match by_sheets(wall, &sheets, turn) {
            Some(Ok(better)) => found = Ok(better),
            // Sheets that do not agree are told.
            Some(disagree) => return Some(disagree),
            None => break,
        }
    }
    Some(found)
}

/// Where a photo with these sheets, turned so against the calibration's, stands; `None` when they are too few.
fn by_sheets(wall: &Wall, sheets: &[SheetView], turn: Turn) -> Option<Result<(Located, How), String>> {
    let limit = FIT_PX.max(FIT_TIMES * wall.quality.rms_px);
    Some(match locate_turned(wall, sheets, turn)? {
        Located { ambiguous: Some(why), .. } => Err(format!(
            "its sheets disagree with the calibration: {why}, and it cannot be told which: photograph the sheets again"
        )),
        l if l.moved.len() > l.sheets.len() => Err(format!(
            "{} of its {} sheets hang elsewhere than in the calibration: is it the calibration of another wall, or were the sheets hung anew? Photograph the sheets and calibrate again",
            l.moved.len(),
            l.moved.len() + l.sheets.len()
        )),
        l if l.rms_px <= limit => Ok((l, How::Sheets)),
        l if !l.rms_px.is_finite() => {
            Err("its sheets cannot be placed at all: the photo may be damaged, so copy it again from the camera".into())
        }
        l => Err(format!(
            "its sheets disagree with the calibration by {:.2} px RMS (limit {limit:.2}): zoom, focus or a sheet changed: photograph the sheets again",
            l.rms_px
        )),
    })
}

/// What of a placed photo's lens and sheets differs from the calibration, for people.
fn changed(l: &Located) -> Vec<(Option<FlagWord>, String)> {
    let mut out = Vec::new();
    if l.turn != Turn::NONE {
        out.push((
            None,
            "the camera was held another way up than for the photos of the sheets; the lens was turned with it".into(),
        ));
    }
    if let Some(c) = l.change {
        let way = if c.focal > 0.0 { "longer" } else { "shorter" };
        let far = c.shift_px[0].hypot(c.shift_px[1]);
        let size = c.focal.abs();
        let stated = format!("{:.2} ± {:.2} % {way}", 100.0 * size, 200.0 * c.focal_u);
        if size > ZOOM_WORTH_A_LOOK.max(CLEAR_U * c.focal_u) {
            out.push((
                Some(FlagWord::CameraMoved),
                format!(
                    "zoomed or refocused since the calibration: its own focal length, {stated}, was found and used; set the zoom back, or photograph the sheets again"
                ),
            ));
        } else if size > ZOOM_WORTH_A_LOOK {
            out.push((
                None,
                format!(
                    "its focal length looks {stated} than the calibration's, which may be chance: it was adjusted, with that doubt"
                ),
            ));
        } else if c.focal != 0.0 {
            out.push((None, format!("focus changed: focal length {:.2} % {way}, corrected", 100.0 * size)));
        }
        if far > 0.0 {
            out.push((None, format!("the lens's axis had shifted by {far:.1} px (stabilisation), corrected")));
        }
    }
    for m in &l.moved {
        out.push((
            Some(FlagWord::SheetMoved),
            format!(
                "sheet {} hangs elsewhere than in the calibration ({}) and was not used: was it bumped? Photograph the sheets again if it is needed",
                m.number,
                shift_words(m.by)
            ),
        ));
    }
    out
}

fn by_the_wall(wall: &Wall, gray: &GrayImage, references: &[&Reference]) -> Result<(Located, How), String> {
    let mut why = "it shows no sheet that the calibration knows, and there is no placed photo to compare it with: leave the sheets up while you shoot, or name a tripod_photo".to_string();
    for r in references {
        let Some((reference, placed)) = r.gray().and_then(|g| Some((g, r.placed(wall)?))) else { continue };
        match register(reference, &placed.located, gray, &|p| placed.avoid(r.size.0, p)) {
            Ok(f) => return Ok((f.located, How::Wall { to: r.name.clone(), moved_px: f.moved_px, u_px: f.u_px })),
            Err(NotRegistered::NothingToHold) => {
                why = "it shows no sheet, and the wall could not be followed (too little grain, or the camera moved too far): photograph the sheets again, and leave one or two up while you shoot".into();
            }
            Err(NotRegistered::Disagrees { tiles_px }) => {
                why = format!(
                    "it shows no sheet, and the wall does not fit {} by {tiles_px:.1} px: photograph the sheets again",
                    r.name
                );
            }
            Err(NotRegistered::Zoomed { factor }) => {
                why = format!(
                    "zoomed or refocused since {} (the picture is {:+.2} % larger): set the zoom back, or photograph the sheets again",
                    r.name,
                    100.0 * (factor - 1.0)
                );
            }
        }
    }
    Err(why)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_photo_on_its_side_is_told_what_its_camera_says_first() {
        // Exif 2.32: 5 to 8 turn a photo by a quarter, 1 to 4 do not.
        for orientation in [5, 6, 8] {
            assert!(turned(Some(orientation)).starts_with("the camera was held the other way up"), "{orientation}");
        }
        for orientation in [None, Some(1), Some(3)] {
            assert!(turned(orientation).starts_with("it lies on its side"), "{orientation:?}");
        }
        let both = [turned(Some(6)), turned(None)];
        assert!(both.iter().all(|t| t.contains("photograph the sheets again") && t.contains("again from the camera")));
    }
}
