//! How do files get onto the disk whole, several at a time, whatever happens in between?
//!
//! Every file is written beside its place, synced, and renamed over it. Where several belong together (the results of a
//! run), a note of the renames is synced first: `.switching.json` in their folder. A program that is killed half way
//! leaves either the old files (the note was not there yet), or the note and what it still asks for: [`recover`] then
//! finishes the switch, so that nobody who goes through it ever reads half old, half new.

use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use serde::{Deserialize, Serialize};

use super::table::read_text;
use crate::error::{Error, Result};

/// First letters of files that are being written.
const WRITING: &str = ".writing-";
/// The note of renames under way.
const SWITCHING: &str = ".switching.json";
/// Largest note read, bytes.
const LARGEST_NOTE_BYTES: u64 = 1024 * 1024;
/// A file that is still being written after so long was left by a program that was killed.
const LEFT_BEHIND: Duration = Duration::from_secs(600);

/// What a file will hold.
#[derive(Clone, Copy)]
pub enum Content<'a> {
    /// These bytes.
    Bytes(&'a [u8]),
    /// What this writes, piece by piece: a file that is larger than what is needed to make it is never in memory as a whole.
    Made(&'a dyn Fn(&mut dyn Write) -> Result<()>),
}

/// A file written beside its place, waiting to take it.
struct Staged {
    file: tempfile::NamedTempFile,
    path: PathBuf,
}

/// One rename of the note: plain file names in the note's folder.
#[derive(Serialize, Deserialize)]
struct Rename {
    from: String,
    to: String,
}

/// A file that remembers why it could not be written: what is made may pass through hands that only say that it could not.
struct Noting<W> {
    to: W,
    failed: Option<std::io::Error>,
}

impl<W: Write> Write for Noting<W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.to.write(bytes).map_err(|e| {
            let kind = e.kind();
            self.failed = Some(e);
            kind.into()
        })
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.to.flush()
    }
}

fn stage(path: &Path, content: Content) -> Result<Staged> {
    let folder = folder_of(path);
    let fail = |e| Error::io(path, "write", e);
    let mut builder = tempfile::Builder::new();
    builder.prefix(WRITING);
    #[cfg(unix)]
    {
        // What an ordinary new file gets: the person's own mask decides who may read it.
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    let mut file = builder.tempfile_in(folder).map_err(fail)?;
    match content {
        Content::Bytes(bytes) => file.write_all(bytes).map_err(fail)?,
        Content::Made(make) => {
            let mut to = BufWriter::new(Noting { to: file.as_file_mut(), failed: None });
            let made = make(&mut to);
            let flushed = to.flush();
            match (to.get_mut().failed.take(), made) {
                (Some(e), _) => return Err(fail(e)),
                (None, made) => made?,
            }
            flushed.map_err(fail)?;
        }
    }
    file.as_file().sync_all().map_err(fail)?;
    Ok(Staged { file, path: path.to_path_buf() })
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

fn sync_folder(folder: &Path) {
    // Makes the renames last through a power cut; where folders cannot be synced there is no more to do.
    if let Ok(opened) = std::fs::File::open(folder) {
        let _ = opened.sync_all();
    }
}

fn plain_name(path: &Path) -> Option<String> {
    path.file_name().and_then(|n| n.to_str()).map(str::to_string)
}

/// Where a folder really lies, as far as it is there already.
fn real_place(folder: &Path) -> Option<PathBuf> {
    folder.ancestors().find_map(|a| {
        let named = if a.as_os_str().is_empty() { Path::new(".") } else { a };
        Some(named.canonicalize().ok()?.join(folder.strip_prefix(a).ok()?))
    })
}

/// Refuses what is named inside a session but would land outside of it, because a folder on the way is a link.
fn stay_inside(path: &Path, folder: &Path) -> Result<()> {
    let Some(there) = real_place(folder) else { return Ok(()) };
    let session = folder.ancestors().find(|a| a.join("session.toml").is_file());
    let home = session.map(|s| if s.as_os_str().is_empty() { Path::new(".") } else { s });
    match home.and_then(|h| h.canonicalize().ok()) {
        Some(home) if !there.starts_with(&home) => Err(Error::input(format!(
            "{} would land in {}, out of the session's folder: replace the link on the way by a folder",
            path.display(),
            there.display()
        ))),
        _ => Ok(()),
    }
}

/// Refuses what would land among a session's photographs: a picture there would be taken for one of them.
///
/// # Errors
/// `folder` is, or lies in, one that holds a session's photographs.
pub fn leave_photos_alone(path: &Path, folder: &Path) -> Result<()> {
    let Some(there) = real_place(folder) else { return Ok(()) };
    // From the inside out, up to what lies directly in the folder that holds a session.toml.
    let is_session = |a: &Path| a.join("session.toml").is_file();
    let Some(inside) = there.ancestors().take_while(|a| !is_session(a)).last() else { return Ok(()) };
    let name = inside.file_name().and_then(|n| n.to_str()).unwrap_or("");
    let of_photos = name == "photos" || name == "calibration" || name.starts_with("calibration-");
    if of_photos && inside.parent().is_some_and(is_session) {
        return Err(Error::usage(format!(
            "{} would lie among the photographs of the session, where nothing is written: choose another folder",
            path.display()
        )));
    }
    Ok(())
}

/// Writes a file whole or not at all: beside its place first, synced, then renamed over it.
///
/// # Errors
/// When the folder cannot be made or written to; the old file then stays as it was.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<()> {
    write_together(&[(path.to_path_buf(), bytes)])
}

/// Replaces several files together: all are written and synced beside their places, then switched at once (where they lie in one
/// folder: a program that is killed in between leaves a note for [`recover`]). Missing folders are made.
///
/// # Errors
/// When one cannot be written, none is replaced; when a rename fails, those before it have been.
pub fn write_together(files: &[(PathBuf, &[u8])]) -> Result<()> {
    let contents: Vec<(PathBuf, Content)> = files.iter().map(|(p, b)| (p.clone(), Content::Bytes(b))).collect();
    write_contents(&contents)
}

/// As [`write_together`], files that are made as they are written among them.
///
/// # Errors
/// As for [`write_together`]; one cannot be made, and none is replaced.
pub fn write_contents(files: &[(PathBuf, Content)]) -> Result<()> {
    for (path, _) in files {
        let folder = folder_of(path);
        leave_photos_alone(path, folder)?;
        stay_inside(path, folder)?;
        std::fs::create_dir_all(folder).map_err(|e| Error::io(folder, "make", e))?;
        if path.is_dir() {
            return Err(Error::input(format!("{} is a folder, but a file goes there; move it away", path.display())));
        }
        // Renaming over a device or a pipe would take it from everybody.
        if path.exists() && !path.is_file() {
            return Err(Error::input(format!("{} is no file but a device: name a file to write", path.display())));
        }
    }
    let staged = files.iter().map(|(path, content)| stage(path, *content)).collect::<Result<Vec<_>>>()?;
    let mut folders: Vec<&Path> = files.iter().map(|(path, _)| folder_of(path)).collect();
    folders.sort_unstable();
    folders.dedup();
    let note = match folders.as_slice() {
        [one] if staged.len() > 1 => Some(write_note(one, &staged)?),
        _ => None,
    };
    for one in staged {
        one.file.persist(&one.path).map_err(|e| Error::io(&one.path, "replace", e.error))?;
    }
    folders.iter().for_each(|f| sync_folder(f));
    if let Some(note) = note {
        let _ = std::fs::remove_file(note);
    }
    Ok(())
}

/// Removes from a folder of the program's own what it put there before and does not own any more: plain files whose names are `own`, but for
/// those just `written`. Only for whoever may write there now ([`super::lock`]). What cannot be removed stays.
pub fn remove_others(folder: &Path, written: &[PathBuf], own: &dyn Fn(&str) -> bool) {
    // A link leads to somebody else's folder.
    if folder.is_symlink() {
        return;
    }
    let plain = |e: &std::fs::DirEntry| e.file_type().is_ok_and(|t| t.is_file());
    let named = |e: &std::fs::DirEntry| e.file_name().to_str().is_some_and(own);
    let listed = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let stale: Vec<PathBuf> = listed.filter(|e| plain(e) && named(e)).map(|e| e.path()).collect();
    for path in stale.iter().filter(|p| !written.contains(p)) {
        let _ = std::fs::remove_file(path);
    }
}

/// Notes the renames that are about to happen; the note's place.
fn write_note(folder: &Path, staged: &[Staged]) -> Result<PathBuf> {
    let path = folder.join(SWITCHING);
    let renames: Option<Vec<Rename>> =
        staged.iter().map(|s| Some(Rename { from: plain_name(s.file.path())?, to: plain_name(&s.path)? })).collect();
    let text = renames.and_then(|r| serde_json::to_vec(&r).ok());
    let text = text.ok_or_else(|| Error::input(format!("{}: a file's name is no text", folder.display())))?;
    let note = stage(&path, Content::Bytes(&text))?;
    // What the note names must be there before the note is.
    sync_folder(folder);
    note.file.persist(&path).map_err(|e| Error::io(&path, "write", e.error))?;
    sync_folder(folder);
    Ok(path)
}

/// Whether a program that was killed, or is at work, has begun to switch files in a folder.
pub fn is_switching(folder: &Path) -> bool {
    folder.join(SWITCHING).is_file()
}

/// Finishes what a killed program had begun to switch in a folder, and removes what it had only begun to write. Only for whoever
/// may write there now ([`super::lock`]). A folder that is not there needs nothing.
///
/// # Errors
/// A rename that is still refused.
pub fn recover(folder: &Path) -> Result<()> {
    let note = folder.join(SWITCHING);
    if note.is_file() {
        // A note that cannot be read was never whole, so nothing had been switched.
        let renames: Vec<Rename> =
            read_text(&note, LARGEST_NOTE_BYTES).ok().and_then(|t| serde_json::from_str(&t).ok()).unwrap_or_default();
        for r in renames {
            let inside = [&r.from, &r.to].iter().all(|n| plain_name(Path::new(n)).as_deref() == Some(n.as_str()));
            let from = folder.join(&r.from);
            if inside && r.from.starts_with(WRITING) && from.is_file() {
                let to = folder.join(&r.to);
                std::fs::rename(&from, &to).map_err(|e| Error::io(&to, "replace", e))?;
            }
        }
        sync_folder(folder);
        std::fs::remove_file(&note).map_err(|e| Error::io(&note, "remove", e))?;
    }
    let Ok(listed) = std::fs::read_dir(folder) else { return Ok(()) };
    let old = |e: &std::fs::DirEntry| {
        let changed = e.metadata().ok().and_then(|m| m.modified().ok());
        changed.and_then(|t| SystemTime::now().duration_since(t).ok()).is_some_and(|age| age > LEFT_BEHIND)
    };
    for e in listed.flatten().filter(|e| e.file_name().to_string_lossy().starts_with(WRITING)).filter(old) {
        let _ = std::fs::remove_file(e.path());
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn nothing_leaves_a_session_by_a_link_and_no_device_is_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let (session, outside) = (dir.path().join("day"), dir.path().join("outside"));
        std::fs::create_dir_all(&session).unwrap();
        std::fs::create_dir_all(&outside).unwrap();
        std::fs::write(session.join("session.toml"), "").unwrap();
        std::os::unix::fs::symlink(&outside, session.join("results")).unwrap();
        for path in ["results/a.csv", "results/labels/a.pdf"] {
            let refused = write_whole(&session.join(path), b"new").unwrap_err().to_string();
            assert!(refused.contains("out of the session's folder"), "{refused}");
        }
        assert_eq!(std::fs::read_dir(&outside).unwrap().count(), 0);
        // A link to the session itself leads nowhere else.
        std::os::unix::fs::symlink(&session, dir.path().join("again")).unwrap();
        write_whole(&dir.path().join("again/charts/a.svg"), b"new").unwrap();
        let socket = session.join("socket");
        let _open = std::os::unix::net::UnixListener::bind(&socket).unwrap();
        let refused = write_whole(&socket, b"new").unwrap_err().to_string();
        assert!(refused.contains("device") && !socket.is_file(), "{refused}");
    }

    #[test]
    fn a_switch_that_was_cut_off_is_finished_and_nothing_outside_is_touched() {
        let dir = tempfile::tempdir().unwrap();
        let at = |n: &str| dir.path().join(n);
        let put = |n: &str, t: &str| std::fs::write(at(n), t).unwrap();
        put("a.csv", "new");
        put("b.csv", "old");
        put(".writing-b", "new");
        put(".writing-fresh", "somebody else's");
        put(
            ".switching.json",
            r#"[{"from":".writing-a","to":"a.csv"},{"from":".writing-b","to":"b.csv"},{"from":"../x","to":"c"},{"from":".writing-fresh","to":"../y"}]"#,
        );
        recover(dir.path()).unwrap();
        let read = |n: &str| std::fs::read_to_string(at(n)).unwrap();
        assert_eq!((read("a.csv").as_str(), read("b.csv").as_str()), ("new", "new"));
        let mut left: Vec<_> =
            std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        left.sort();
        assert_eq!(left, [".writing-fresh", "a.csv", "b.csv"]);

        // A note that is half there: nothing had been switched.
        put(".switching.json", "[{\"from\":\".wri");
        recover(dir.path()).unwrap();
        assert!(!at(".switching.json").exists() && read("b.csv") == "new");
        recover(&at("nowhere")).unwrap();
    }

    #[test]
    fn what_cannot_be_made_replaces_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let at = |n: &str| dir.path().join(n);
        std::fs::write(at("a.csv"), "old").unwrap();
        let half = |to: &mut dyn Write| {
            to.write_all(&[b'x'; 100_000]).map_err(|e| Error::no_answer(e.to_string()))?;
            Err(Error::no_answer("no page"))
        };
        let files = [(at("a.csv"), Content::Bytes(b"new")), (at("b.html"), Content::Made(&half))];
        assert_eq!(write_contents(&files).unwrap_err().to_string(), "no page");
        let names: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!((names, std::fs::read(at("a.csv")).unwrap()), (vec!["a.csv".into()], b"old".to_vec()));
    }

    #[test]
    fn a_full_disk_is_named_whatever_the_maker_says() {
        struct Full;
        impl Write for Full {
            fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
                Err(std::io::ErrorKind::StorageFull.into())
            }
            fn flush(&mut self) -> std::io::Result<()> {
                Ok(())
            }
        }
        let mut to = Noting { to: Full, failed: None };
        assert!(to.write_all(b"x").is_err());
        assert_eq!(to.failed.map(|e| e.kind()), Some(std::io::ErrorKind::StorageFull));
    }

    #[test]
    fn what_was_left_behind_long_ago_goes() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(".writing-old");
        let file = std::fs::File::create(&path).unwrap();
        file.set_modified(SystemTime::now() - 2 * LEFT_BEHIND).unwrap();
        recover(dir.path()).unwrap();
        assert!(!path.exists());
    }
}
