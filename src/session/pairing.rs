//! Which photo belongs to which volley, and which photo shows the wall before it?
//!
//! A photo named in `volleys.csv` must be there; rows that name none take the rest of `photos/` in
//! the order the photos were shot: by Exif time with sub-seconds (and offset, where every
//! photo has one), else by natural file-name order. Whatever cannot be settled is an error that
//! shows both lists.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::hash::sha256_file;
use super::nearest::nearest;
use super::order::check_order;
use super::volleys::{VolleyRow, VolleyTable};
use crate::error::{Error, Result, counted};
pub use crate::photo::decode::phone_format_advice;
use crate::photo::exif::{CaptureTime, read_exif};

/// File-name endings of photos that can be read, small letters.
pub const PHOTO_ENDINGS: &[&str] = &["jpg", "jpeg", "png", "tif", "tiff", "webp"];
/// Endings of the format phones use by default, which cannot be read.
pub const PHONE_ENDINGS: &[&str] = &["heic", "heif", "hif"];
/// Most files looked at in a folder.
pub const MOST_FILES: usize = 20_000;
/// Most names in a note.
const SHOWN: usize = 5;
/// Most lines of a list in an error.
const LONGEST_LIST: usize = 40;

/// A photo in a folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PhotoFile {
    /// Plain file name.
    pub name: String,
    /// When it was shot, where the camera says so.
    pub taken: Option<CaptureTime>,
}

/// What a folder holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PhotoFolder {
    /// Photos that can be read, in natural file-name order.
    pub photos: Vec<PhotoFile>,
    /// Photos in the phones' format, which cannot.
    pub unreadable: Vec<String>,
    /// Photos that are byte for byte another one's copy, with that one's name (the first in natural order).
    pub copies: Vec<(String, String)>,
}

/// How a row came to its photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Matched {
    /// The table names it.
    Named,
    /// By its place among the photos in the order of their times.
    ByTime,
    /// By its place among the photos in the order of their names, since not all say when they were taken.
    ByName,
}

/// One row with its photo.
#[derive(Clone, Debug, PartialEq)]
pub struct PairedVolley {
    /// The row of `volleys.csv`.
    pub row: VolleyRow,
    /// Its photo's plain file name.
    pub photo: String,
    /// How that is known.
    pub matched: Matched,
    /// The photo of the wall before it; `None` for rows with shots = 0 and where there is none.
    pub before: Option<String>,
    /// Photos of no row that were taken between those two.
    pub between: Vec<String>,
    /// What keeps this volley from being answered, if anything: one sentence.
    pub problem: Option<String>,
    /// How its photo, or the one before, contradicts the order of the photos' times, if it does: one sentence.
    pub out_of_order: Option<String>,
}

/// All rows with their photos.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Pairing {
    /// In the table's order.
    pub volleys: Vec<PairedVolley>,
    /// What a person should know, one sentence each.
    pub notes: Vec<String>,
}

fn ending(name: &str) -> String {
    name.rsplit_once('.').map_or(String::new(), |(_, e)| e.to_lowercase())
}

/// Whether a file name ends like a photo that can be read.
pub fn is_photo_name(name: &str) -> bool {
    !name.starts_with('.') && PHOTO_ENDINGS.contains(&ending(name).as_str())
}

fn is_phone_name(name: &str) -> bool {
    !name.starts_with('.') && PHONE_ENDINGS.contains(&ending(name).as_str())
}

/// The plain names of a folder's photos, in byte order, without a look into them; `None` where it cannot be read.
pub fn photo_names(folder: &Path) -> Option<Vec<String>> {
    names_of(folder, is_photo_name)
}

/// The same for those in the phones' format, which cannot be read.
pub fn phone_names(folder: &Path) -> Option<Vec<String>> {
    names_of(folder, is_phone_name)
}

fn names_of(folder: &Path, wanted: fn(&str) -> bool) -> Option<Vec<String>> {
    let names = std::fs::read_dir(folder).ok()?.flatten().filter_map(|e| e.file_name().into_string().ok());
    let mut names: Vec<String> = names.filter(|n| wanted(n) && folder.join(n).is_file()).collect();
    names.sort_unstable();
    Some(names)
}

/// Lists the photos of a folder, in natural file-name order, and reads when each was shot.
/// Dot-files, folders and files that are no photos are passed over.
///
/// # Errors
/// When the folder cannot be read or holds more than [`MOST_FILES`] files.
pub fn list_photos(folder: &Path) -> Result<PhotoFolder> {
    let mut found = PhotoFolder::default();
    for (count, entry) in std::fs::read_dir(folder).map_err(|e| Error::io(folder, "list", e))?.enumerate() {
        if count >= MOST_FILES {
            return Err(Error::input(format!(
                "{} holds more than {MOST_FILES} files; keep one session's photos in it",
                folder.display()
            )));
        }
        let path = entry.map_err(|e| Error::io(folder, "list", e))?.path();
        let Some(name) = path.file_name().and_then(|n| n.to_str()).map(str::to_string) else { continue };
        if !path.is_file() {
            continue;
        }
        if is_photo_name(&name) {
            found.photos.push(PhotoFile { taken: read_exif(&path)?.taken, name });
        } else if is_phone_name(&name) {
            found.unreadable.push(name);
        }
    }
    found.photos.sort_by(|a, b| by_name(&a.name, &b.name));
    found.unreadable.sort_by(|a, b| by_name(a, b));
    found.copies = copies(folder, &found.photos)?;
    Ok(found)
}

/// Which photos are copies of others; only files of one length are read.
fn copies(folder: &Path, photos: &[PhotoFile]) -> Result<Vec<(String, String)>> {
    let mut by_length: BTreeMap<u64, Vec<&str>> = BTreeMap::new();
    for p in photos {
        if let Ok(m) = folder.join(&p.name).metadata() {
            by_length.entry(m.len()).or_default().push(&p.name);
        }
    }
    let mut out = Vec::new();
    for names in by_length.into_values().filter(|n| n.len() > 1) {
        let mut known: BTreeMap<String, &str> = BTreeMap::new();
        for name in names {
            match known.entry(sha256_file(&folder.join(name))?) {
                std::collections::btree_map::Entry::Occupied(first) => {
                    out.push((name.to_string(), (*first.get()).to_string()));
                }
                std::collections::btree_map::Entry::Vacant(free) => {
                    free.insert(name);
                }
            }
        }
    }
    Ok(out)
}

/// Natural order (IMG_9 before IMG_10); whatever ties is settled by the bytes.
pub(super) fn by_name(a: &str, b: &str) -> std::cmp::Ordering {
    natord::compare_ignore_case(a, b).then_with(|| a.cmp(b))
}

/// Puts photos in the order they were shot; says by what, when it is not plainly by time.
pub fn in_shooting_order(photos: &mut [PhotoFile]) -> Option<String> {
    photos.sort_by(|a, b| by_name(&a.name, &b.name));
    let without: Vec<&str> = photos.iter().filter(|p| p.taken.is_none()).map(|p| p.name.as_str()).collect();
    if !without.is_empty() {
        let note = format!(
            "{} of {} photos do not say when they were taken ({}), so photos were put in file-name order",
            without.len(),
            photos.len(),
            short_list(without.iter().copied(), SHOWN)
        );
        return Some(note);
    }
    let named: Vec<String> = photos.iter().map(|p| p.name.clone()).collect();
    let instants = photos.iter().all(|p| p.taken.and_then(|t| t.instant()).is_some());
    let offsets = photos.iter().any(|p| p.taken.is_some_and(|t| t.offset_s.is_some()));
    if instants {
        photos.sort_by_key(|p| p.taken.and_then(|t| t.instant()));
    } else {
        photos.sort_by_key(|p| p.taken.map(|t| t.local));
    }
    let mut notes = Vec::new();
    if offsets && !instants {
        notes.push(
            "some photos say their time zone and some do not, so the cameras' clocks were compared as they stand",
        );
    }
    if photos.iter().zip(&named).any(|(p, n)| p.name != *n) {
        notes.push("the order by time taken differs from the order of file names; the time was followed");
    }
    (!notes.is_empty()).then(|| notes.join("; "))
}

/// The first names of a list, so many at most, and how many more there are.
pub(crate) fn short_list<'n>(names: impl ExactSizeIterator<Item = &'n str>, shown: usize) -> String {
    let rest = names.len().saturating_sub(shown);
    let mut text = names.take(shown).collect::<Vec<_>>().join(", ");
    if rest > 0 {
        text.push_str(&format!(" and {rest} more"));
    }
    text
}

/// Gives every row of the table its photo and the photo before it.
///
/// # Errors
/// A photo that is named but not there, named twice or in a format that cannot be read; rows
/// without a photo whose number does not fit the photos left over (both lists are shown).
pub fn pair(table: &VolleyTable, folder: &PhotoFolder) -> Result<Pairing> {
    let mut taken: BTreeSet<&str> = BTreeSet::new();
    for row in &table.rows {
        let Some(name) = row.photo.as_deref() else { continue };
        let place = format!("line {} (volley {})", row.line, row.volley);
        check_named(name, folder, table).map_err(|e| e.context(place.clone()))?;
        if !taken.insert(name) {
            return Err(Error::input(format!(
                "{place}: {name} belongs to an earlier row already; a photo shows one volley"
            )));
        }
    }
    let mut rest: Vec<PhotoFile> = folder.photos.iter().filter(|p| !taken.contains(p.name.as_str())).cloned().collect();
    let mut notes = Vec::new();
    for (copy, first) in &folder.copies {
        // The one that a row names is the photo; without a name it is the first.
        let spare = if taken.contains(copy.as_str()) { first } else { copy };
        if !taken.contains(spare.as_str()) && rest.iter().any(|p| p.name == *spare) {
            rest.retain(|p| p.name != *spare);
            let kept = if spare == copy { first } else { copy };
            notes.push(format!("{spare} is the same photo as {kept}, byte for byte, and was left out"));
        }
    }
    let left_out = notes.clone();
    let used = rows_so_far(table, rest.len());
    let blank: Vec<&VolleyRow> = used.iter().filter(|r| r.photo.is_none()).collect();
    if blank.is_empty() {
        if !rest.is_empty() {
            notes.push(format!(
                "{} in photos/ {} to no row and {} left out: {}",
                counted(rest.len(), "photo"),
                if rest.len() == 1 { "belongs" } else { "belong" },
                if rest.len() == 1 { "was" } else { "were" },
                short_list(rest.iter().map(|p| p.name.as_str()), SHOWN)
            ));
        }
    } else {
        if let Some(name) = folder.unreadable.first() {
            return Err(Error::input(phone_format_advice(name)));
        }
        notes.extend(in_shooting_order(&mut rest));
        if rest.len() != blank.len() {
            let waiting = match table.planned.len() {
                0 => String::new(),
                n => format!(
                    "\n({n} planned rows without a speed reading were taken as not shot: fill in the speed of those that were)"
                ),
            };
            let copies: String = left_out.iter().map(|note| format!("\n({note})")).collect();
            return Err(Error::input(both_lists(&blank, &rest) + &copies + &waiting));
        }
    }
    let by_order = if rest.iter().all(|p| p.taken.is_some()) { Matched::ByTime } else { Matched::ByName };
    let mut rest = rest.into_iter();
    let mut volleys: Vec<PairedVolley> = Vec::with_capacity(used.len());
    for row in used {
        let (photo, matched) = match &row.photo {
            Some(name) => (name.clone(), Matched::Named),
            None => (rest.next().map(|p| p.name).unwrap_or_default(), by_order),
        };
        let before = if row.shots == 0 { None } else { volleys.last().map(|v| v.photo.clone()) };
        let problem = (row.shots > 0 && before.is_none()).then(|| {
            "there is no photo of the wall before this volley; put a row with shots = 0 and a photo of the wall \
             above it"
                .to_string()
        });
        volleys.push(PairedVolley {
            row: row.clone(),
            photo,
            matched,
            before,
            between: Vec::new(),
            problem,
            out_of_order: None,
        });
    }
    taken_between(&mut volleys, folder);
    notes.extend(check_order(&mut volleys, folder));
    Ok(Pairing { volleys, notes })
}

/// The rows that have photos by now, from the first on, paired as [`pair`] does; and the photos that have no row yet, in
/// shooting order. For a session whose photos are still coming.
///
/// # Errors
/// As for [`pair`], but for photos that are not there yet and for numbers that do not fit yet.
pub fn pair_so_far(table: &VolleyTable, folder: &PhotoFolder) -> Result<(Pairing, Vec<String>)> {
    let there = |name: &str| folder.photos.iter().any(|p| p.name == name);
    let named: BTreeSet<&str> = table.rows.iter().filter_map(|r| r.photo.as_deref()).collect();
    let spare = |name: &str| {
        folder.copies.iter().any(|(copy, first)| {
            (copy == name && !named.contains(name)) || (first == name && named.contains(copy.as_str()))
        })
    };
    let mut rest: Vec<PhotoFile> =
        folder.photos.iter().filter(|p| !named.contains(p.name.as_str()) && !spare(&p.name)).cloned().collect();
    in_shooting_order(&mut rest);
    let mut used = 0;
    let rows: Vec<VolleyRow> = table
        .rows
        .iter()
        .take_while(|r| match &r.photo {
            Some(name) => there(name),
            None => {
                used += 1;
                used <= rest.len()
            }
        })
        .cloned()
        .collect();
    let blank = rows.iter().filter(|r| r.photo.is_none()).count();
    let waiting: Vec<String> = rest.split_off(blank.min(rest.len())).into_iter().map(|p| p.name).collect();
    let mut now = folder.clone();
    now.photos.retain(|p| !waiting.contains(&p.name));
    if blank == 0 {
        // As in a whole session, photos of no row are named by the pairing.
        now = folder.clone();
    }
    let part = VolleyTable { rows, ..table.clone() };
    Ok((pair(&part, &now)?, waiting))
}

/// The rows that photos can belong to: while planned volleys wait, photos of the wall at the table's end wait with them, as long as
/// there are too few photos for them.
fn rows_so_far(table: &VolleyTable, photos: usize) -> &[VolleyRow] {
    let mut rows = table.rows.as_slice();
    let mut blank = rows.iter().filter(|r| r.photo.is_none()).count();
    while let Some((last, before)) = rows.split_last()
        && !table.planned.is_empty()
        && last.shots == 0
        && last.photo.is_none()
        && blank > photos
    {
        rows = before;
        blank -= 1;
    }
    rows
}

/// Whether a photo named in the table is in the folder, with a hint when it nearly is.
fn check_named(name: &str, folder: &PhotoFolder, table: &VolleyTable) -> Result<()> {
    if folder.photos.iter().any(|p| p.name == name) {
        return Ok(());
    }
    if is_phone_name(name) {
        return Err(Error::input(phone_format_advice(name)));
    }
    // What another row names is not what was meant here.
    let named = |n: &str| table.rows.iter().any(|r| r.photo.as_deref() == Some(n));
    let names = || folder.photos.iter().map(|p| p.name.as_str()).filter(|n| !named(n));
    let stem = |n: &str| n.rsplit_once('.').map_or(n, |(s, _)| s).to_lowercase();
    let hint = if let Some(near) = names().find(|n| n.to_lowercase() == name.to_lowercase()) {
        format!("there is {near}; write it with the same capitals")
    } else if let Some(near) = names().find(|n| stem(n) == stem(name)) {
        format!("there is {near}; write that")
    } else if let Some(near) = folder.unreadable.iter().find(|n| stem(n) == stem(name)) {
        phone_format_advice(near)
    } else if !is_photo_name(name) {
        format!("photos end in {}", PHOTO_ENDINGS.join(", "))
    } else if let Some(near) = nearest(name, names()) {
        format!("is {near} meant?")
    } else if folder.photos.is_empty() {
        "the folder has no photos yet; copy them there".to_string()
    } else if names().next().is_none() {
        "every photo there is named by another row; copy the missing one there".to_string()
    } else {
        let left: Vec<&str> = names().collect();
        let are = if left.len() == 1 { "is" } else { "are" };
        format!("there {are} {}", short_list(left.into_iter(), SHOWN))
    };
    Err(Error::input(format!("the photo {name} is not in photos/; {hint}")))
}

/// Tells each volley of the photos that belong to no row and were taken between its own and the one before it: by their times, or,
/// where one has none, by their names.
fn taken_between(volleys: &mut [PairedVolley], folder: &PhotoFolder) {
    let used: BTreeSet<&str> = volleys.iter().map(|v| v.photo.as_str()).collect();
    let copy = |name: &str| folder.copies.iter().any(|(c, _)| c == name);
    let spare: Vec<&PhotoFile> =
        folder.photos.iter().filter(|p| !used.contains(p.name.as_str()) && !copy(&p.name)).collect();
    // Hardly ever is there one.
    if spare.is_empty() {
        return;
    }
    let file = |name: &str| folder.photos.iter().find(|p| p.name == name);
    let later = |a: &PhotoFile, b: &PhotoFile| match (&a.taken, &b.taken) {
        (Some(a), Some(b)) => a.is_after(b),
        _ => by_name(&a.name, &b.name).is_gt(),
    };
    for v in volleys {
        let (Some(after), Some(before)) = (file(&v.photo), v.before.as_deref().and_then(file)) else { continue };
        let between = spare.iter().filter(|p| later(p, before) && later(after, p));
        v.between = between.map(|p| p.name.clone()).collect();
    }
}

/// The two lists side by side, for a person to see where they part.
fn both_lists(rows: &[&VolleyRow], photos: &[PhotoFile]) -> String {
    let mut text = format!(
        "{} rows of volleys.csv have no photo named, but {} left for them in photos/; every row needs one \
         photo (name them in the photo column, or remove what is too many). Side by side, in shooting order:",
        rows.len(),
        if photos.len() == 1 { "1 photo is".to_string() } else { format!("{} photos are", photos.len()) }
    );
    for i in 0..rows.len().max(photos.len()).min(LONGEST_LIST) {
        let row = rows.get(i).map_or("-".to_string(), |r| format!("line {} volley {}", r.line, r.volley));
        let photo = photos.get(i).map_or("-".to_string(), |p| {
            p.taken.map_or(p.name.clone(), |t| format!("{} ({})", p.name, t.local.to_string().replace('T', " ")))
        });
        text.push_str(&format!("\n  {row}  |  {photo}"));
    }
    let hidden = rows.len().max(photos.len()).saturating_sub(LONGEST_LIST);
    if hidden > 0 {
        text.push_str(&format!("\n  ... and {hidden} more"));
    }
    text
}
