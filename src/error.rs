//! What went wrong, and what should the person do about it?
//!
//! One opaque error for the whole library. Its text is a sentence that names the
//! thing, the value seen, the limit and the next step; [`Error::context`] puts the
//! place (a file, a row) in front. [`ErrorKind`] exists for the program's exit code.

use std::borrow::Cow;
use std::fmt;

/// The project's result type.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// Who can mend it; decides the program's exit code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum ErrorKind {
    /// The command was called wrongly (exit code 2).
    Usage,
    /// A file says something that cannot be used (exit code 1).
    Input,
    /// The system refused to read or write (exit code 1).
    Io,
    /// The inputs are readable, but they do not determine an answer (exit code 1).
    NoAnswer,
}

/// An error a person can act on. Opaque: read it with `Display` and [`Error::kind`].
#[derive(Debug)]
pub struct Error {
    inner: Box<Inner>,
}

#[derive(Debug)]
struct Inner {
    kind: ErrorKind,
    text: String,
    places: Vec<String>,
    source: Option<Box<dyn std::error::Error + Send + Sync>>,
}

impl Error {
    /// A new error of the given kind; `text` says what, the value, the limit, what to do.
    pub fn new(kind: ErrorKind, text: impl Into<String>) -> Self {
        Self { inner: Box::new(Inner { kind, text: text.into(), places: Vec::new(), source: None }) }
    }

    /// A file or a value in it that cannot be used.
    pub fn input(text: impl Into<String>) -> Self {
        Self::new(ErrorKind::Input, text)
    }

    /// A command called wrongly.
    pub fn usage(text: impl Into<String>) -> Self {
        Self::new(ErrorKind::Usage, text)
    }

    /// Readable inputs that do not determine an answer.
    pub fn no_answer(text: impl Into<String>) -> Self {
        Self::new(ErrorKind::NoAnswer, text)
    }

    /// A failed read or write of `path`.
    pub fn io(path: &std::path::Path, doing: &str, source: std::io::Error) -> Self {
        let hint = match source.kind() {
            std::io::ErrorKind::NotFound => "there is no such file or folder; check the path",
            std::io::ErrorKind::PermissionDenied => "check who may read and write there",
            std::io::ErrorKind::ReadOnlyFilesystem => "it is write-protected: copy it to a place that can be written",
            std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => {
                "the disk is full: make room there (a session's .pockmark folder may be deleted) and run this again; what was there before is as it was"
            }
            std::io::ErrorKind::NotADirectory | std::io::ErrorKind::AlreadyExists => {
                "a file is where a folder is wanted: check the path, or move the file away"
            }
            std::io::ErrorKind::IsADirectory => "a folder is where a file is wanted: check the path",
            std::io::ErrorKind::InvalidFilename => "the name cannot be one of a file: choose a shorter or plainer one",
            std::io::ErrorKind::FileTooLarge => "the file would be too large for its disk or for what you may write",
            _ => "check the disk and try again",
        };
        let text = format!("cannot {doing} {}: {source} ({hint})", path.display());
        Self::new(ErrorKind::Io, text).with_source(source)
    }

    /// Keeps the underlying error as the source.
    pub fn with_source(mut self, source: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        self.inner.source = Some(source.into());
        self
    }

    /// Puts a place (a file, a row, a stage) in front of the sentence.
    pub fn context(mut self, place: impl Into<String>) -> Self {
        self.inner.places.push(place.into());
        self
    }

    /// Who can mend it.
    pub fn kind(&self) -> ErrorKind {
        self.inner.kind
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for place in self.inner.places.iter().rev() {
            write!(f, "{}: ", printable(place))?;
        }
        f.write_str(&printable(&self.inner.text))
    }
}

/// Text as it may go to a terminal: control characters but line ends and tabs, and those that turn the direction of
/// writing, are shown by their code. A file's content must not move the cursor or hide a name's ending.
pub fn printable(text: &str) -> Cow<'_, str> {
    let unsafe_char = |c: char| {
        let turns = matches!(c, '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}');
        turns || (c.is_control() && !matches!(c, '\n' | '\t'))
    };
    if !text.contains(unsafe_char) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if unsafe_char(c) { out.extend(c.escape_unicode()) } else { out.push(c) }
    }
    Cow::Owned(out)
}

/// Most characters that an error takes over from what was read: a line or two.
const LONGEST_QUOTE: usize = 240;
/// Of these, how many from the end, where readers say at which line.
const QUOTED_END: usize = 80;

/// What a reader of files says of one, with whatever it quotes from there cut to a readable length.
pub fn quoted(says: impl fmt::Display) -> String {
    let says = says.to_string();
    let length = says.chars().count();
    if length <= LONGEST_QUOTE {
        return says;
    }
    let start: String = says.chars().take(LONGEST_QUOTE - QUOTED_END).collect();
    let end: String = says.chars().skip(length - QUOTED_END).collect();
    format!("{start} ... {end}")
}

/// A number of things in words, whose plural only adds an s: "1 photo", "2 photos".
pub fn counted(number: usize, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}

/// A list in words: "1, 2 and 5".
pub fn listed<T: ToString>(items: &[T]) -> String {
    let words: Vec<String> = items.iter().map(T::to_string).collect();
    match words.as_slice() {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// A path as it must be typed behind a command: in quotes where a shell would take it apart.
pub fn typed(path: &std::path::Path) -> String {
    let shown = path.display().to_string();
    let plain =
        |c: char| c.is_alphanumeric() || matches!(c, '/' | '\\' | '.' | '-' | '_' | ':' | '~' | '+' | ',' | '=');
    if shown.chars().all(plain) { shown } else { format!("\"{shown}\"") }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.inner.source.as_deref().map(|e| e as _)
    }
}

/// Adds a place to the error of a result.
pub trait Context<T> {
    /// See [`Error::context`]; the closure runs only on failure.
    fn place<S: Into<String>>(self, place: impl FnOnce() -> S) -> Result<T>;
}

impl<T> Context<T> for Result<T> {
    fn place<S: Into<String>>(self, place: impl FnOnce() -> S) -> Result<T> {
        self.map_err(|e| e.context(place()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_quoted_from_a_file_has_a_readable_length() {
        let e = serde_json::from_str::<f64>(&format!("\"{}\"", "é".repeat(100_000))).unwrap_err();
        let text = quoted(e);
        assert!(text.starts_with("invalid type: string \"éé") && text.ends_with("at line 1 column 200002"), "{text}");
        assert!(text.chars().count() < 250 && quoted("short") == "short");
    }

    #[test]
    fn lists_in_words() {
        assert_eq!(listed(&[1, 2, 5]), "1, 2 and 5");
        assert_eq!(listed(&["a"]), "a");
        assert_eq!(listed::<u8>(&[]), "");
    }

    #[test]
    fn what_files_hold_does_not_steer_the_terminal() {
        let e = Error::input("column \u{1b}[2Jx").context("\u{202e}gpj.exe");
        assert_eq!(e.to_string(), "\\u{202e}gpj.exe: column \\u{1b}[2Jx");
        assert!(matches!(printable("two\nlines\té ½ 名前"), Cow::Borrowed(_)));
    }

    #[test]
    fn what_is_to_be_typed_is_one_word() {
        for (path, shown) in [("garage", "garage"), ("../märz/a.b", "../märz/a.b"), ("Tag 1", "\"Tag 1\""), ("", "")]
        {
            assert_eq!(typed(std::path::Path::new(path)), shown);
        }
    }

    #[test]
    fn places_stand_in_front_outermost_first() {
        let e = Error::input("no unit in \"6.0\": write m, mm, ft or in").context("pivot_out").context("session.toml");
        assert_eq!(e.to_string(), "session.toml: pivot_out: no unit in \"6.0\": write m, mm, ft or in");
        assert_eq!(e.kind(), ErrorKind::Input);
    }
}
