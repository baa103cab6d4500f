//! How is a table that people keep in a spreadsheet read, whatever program saved it?
//!
//! A CSV reader that takes a byte-order mark, CRLF, blank lines, spaces around cells, and
//! commas, semicolons or tabs between them; where it is not a comma that separates cells, a
//! comma inside a number is a decimal comma. Text is UTF-8.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use crate::error::{Context, Error, Result};
use crate::quantity::parse_number;

/// Largest table or settings file read, bytes; a day's volleys take a few kilobytes.
pub const LARGEST_FILE_BYTES: u64 = 4 * 1024 * 1024;
/// Most rows of a table.
pub const MOST_ROWS: usize = 20_000;
/// Most columns of a table.
pub const MOST_COLUMNS: usize = 200;
/// Longest cell, characters.
pub const LONGEST_CELL: usize = 1000;

/// A table's rows, each cell trimmed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Table {
    /// The header's cells as written.
    pub header: Vec<String>,
    /// The rows that are not blank.
    pub rows: Vec<Row>,
    decimal_comma: bool,
}

/// One row and where it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Line in the file, from 1.
    pub line: u64,
    cells: Vec<String>,
}

impl Row {
    /// The cell of a column; empty when the row is shorter.
    pub fn cell(&self, column: usize) -> &str {
        self.cells.get(column).map_or("", String::as_str)
    }
}

/// Reads a text file, refusing what is too large or not UTF-8.
///
/// # Errors
/// When it cannot be opened or read, is larger than `most_bytes`, or is in another encoding.
pub fn read_text(path: &Path, most_bytes: u64) -> Result<String> {
    let about = std::fs::metadata(path).map_err(|e| Error::io(path, "open", e))?;
    if !about.is_file() {
        // A pipe or a device might never end.
        return Err(Error::input(format!("{} is no ordinary file, but a text file goes there", path.display())));
    }
    let file = File::open(path).map_err(|e| Error::io(path, "open", e))?;
    let mut bytes = Vec::new();
    file.take(most_bytes + 1).read_to_end(&mut bytes).map_err(|e| Error::io(path, "read", e))?;
    if bytes.len() as u64 > most_bytes {
        return Err(Error::input(format!(
            "{} is larger than {most_bytes} bytes; it should be a short text file: check that it is the right one",
            path.display()
        )));
    }
    let table = path.extension().is_some_and(|e| e.eq_ignore_ascii_case("csv"));
    text_of(bytes, table).place(|| path.display().to_string())
}

/// `table`: a spreadsheet program may have saved it, which has a name of its own for the encoding.
fn text_of(bytes: Vec<u8>, table: bool) -> Result<String> {
    let wanted = if table { "\"CSV UTF-8\" (or plain UTF-8 text)" } else { "plain UTF-8 text" };
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        return Err(Error::input(format!("the file is UTF-16 text; save it as {wanted}")));
    }
    String::from_utf8(bytes).map_err(|e| {
        let at = e.utf8_error().valid_up_to();
        let line = 1 + e.as_bytes().iter().take(at).filter(|b| **b == b'\n').count();
        Error::input(format!("line {line} is not UTF-8 text; save the file as {wanted}"))
    })
}

impl Table {
    /// Reads a table from its text.
    ///
    /// # Errors
    /// No header, a column named twice or not at all while it holds something, a row longer than
    /// the header, an open quote, or more than [`MOST_ROWS`] rows.
    pub fn parse(text: &str) -> Result<Self> {
        let text = text.strip_prefix('\u{FEFF}').unwrap_or(text);
        if text.contains('\0') {
            return Err(Error::input("the file is not text; save it as \"CSV UTF-8\""));
        }
        // The reader counts a CR LF before the next record; with plain line ends its line numbers are a person's.
        let text = &text.replace("\r\n", "\n");
        let (stated, text, skipped) = stated_separator(text);
        let separator = stated.unwrap_or_else(|| guess_separator(text));
        if let Some(line) = open_quote(text, separator) {
            return Err(Error::input(format!(
                "line {}: a quote opens and never closes, so that everything behind it would be one cell: close it or take it out",
                line + skipped
            )));
        }
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(separator)
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let mut header: Option<Vec<String>> = None;
        let mut rows = Vec::new();
        for record in reader.records() {
            let record =
                record.map_err(|e| Error::input(format!("the table cannot be read: {e}; check its quotes")))?;
            let line = record.position().map_or(0, |p| p.line()) + skipped;
            let cells: Vec<String> = record.iter().map(plain_cell).collect();
            if cells.iter().all(String::is_empty) {
                continue;
            }
            if let Some(long) = cells.iter().find(|c| c.chars().count() > LONGEST_CELL) {
                let head: String = long.chars().take(40).collect();
                return Err(Error::input(format!(
                    "line {line}: the cell \"{head}...\" is longer than {LONGEST_CELL} characters; check the quotes"
                )));
            }
            if let Some(odd) = cells.iter().find(|c| c.contains(char::is_control)) {
                return Err(Error::input(format!(
                    "line {line}: the cell \"{odd}\" holds a character that cannot be seen; type it anew"
                )));
            }
            match &header {
                None => header = Some(checked_header(cells, line)?),
                Some(header) => {
                    if cells.iter().skip(header.len()).any(|c| !c.is_empty()) {
                        return Err(Error::input(format!(
                            "line {line} has {} cells but the header has {}; put texts that hold a \"{}\" in quotes",
                            cells.len(),
                            header.len(),
                            char::from(separator).escape_debug()
                        )));
                    }
                    for (name, cell) in header.iter().zip(&cells) {
                        if name.is_empty() && !cell.is_empty() {
                            return Err(Error::input(format!(
                                "line {line}: \"{cell}\" stands in a column without a name; name it in the header"
                            )));
                        }
                    }
                    rows.push(Row { line, cells });
                }
            }
            if rows.len() > MOST_ROWS {
                return Err(Error::input(format!("the table has more than {MOST_ROWS} rows; split it")));
            }
        }
        let header = header.ok_or_else(|| Error::input("the table is empty; its first line names the columns"))?;
        Ok(Self { header, rows, decimal_comma: separator != b',' })
    }

    /// A cell as a number; `None` when blank.
    ///
    /// # Errors
    /// When the cell is not a number.
    pub fn number(&self, row: &Row, column: usize) -> Result<Option<f64>> {
        let cell = row.cell(column);
        if cell.is_empty() {
            return Ok(None);
        }
        let lone_comma = self.decimal_comma && cell.matches(',').count() == 1 && !cell.contains('.');
        let found = if lone_comma { parse_number(&cell.replace(',', ".")) } else { parse_number(cell) };
        let name = self.header.get(column).map_or("", String::as_str);
        found.map(Some).place(|| format!("line {}: {name}", row.line))
    }
}

/// The line of a quote at the start of a cell that never closes (RFC 4180, section 2: a quote inside is written twice).
fn open_quote(text: &str, separator: u8) -> Option<u64> {
    let (mut line, mut opened, mut at_start) = (1, None, true);
    let mut bytes = text.bytes().peekable();
    while let Some(b) = bytes.next() {
        line += u64::from(b == b'\n');
        if opened.is_some() {
            // A doubled quote opens again at once.
            if b == b'"' && bytes.next_if_eq(&b'"').is_none() {
                opened = None;
            }
            at_start = false;
        } else {
            if b == b'"' && at_start {
                opened = Some(line);
            }
            at_start = b == separator || b == b'\n';
        }
    }
    opened
}

/// A cell on one line without the spaces around it, and without quotes that a space kept from being read as such.
fn plain_cell(cell: &str) -> String {
    let cell = cell.trim();
    let inner = cell.strip_prefix('"').and_then(|c| c.strip_suffix('"'));
    inner.map_or(cell, str::trim).replace(['\n', '\r', '\t'], " ")
}

/// A column's name for matching: small letters, everything else but letters and digits as one `_`.
pub(super) fn plain_name(name: &str) -> String {
    let mut plain = String::new();
    for c in name.chars() {
        if c.is_alphanumeric() {
            plain.extend(c.to_lowercase());
        } else if !plain.ends_with('_') && !plain.is_empty() {
            plain.push('_');
        }
    }
    plain.trim_end_matches('_').to_string()
}

fn checked_header(cells: Vec<String>, line: u64) -> Result<Vec<String>> {
    if cells.len() > MOST_COLUMNS {
        return Err(Error::input(format!("line {line}: {} columns are more than {MOST_COLUMNS}", cells.len())));
    }
    for (i, a) in cells.iter().enumerate().filter(|(_, a)| !a.is_empty()) {
        if cells.iter().take(i).any(|b| plain_name(b) == plain_name(a)) {
            return Err(Error::input(format!("line {line}: there are two columns named {a}; rename one")));
        }
    }
    Ok(cells)
}

/// Some spreadsheets write `sep=;` as the first line.
fn stated_separator(text: &str) -> (Option<u8>, &str, u64) {
    let (first, rest) = text.split_once('\n').unwrap_or((text, ""));
    match first.trim_end_matches('\r').strip_prefix("sep=").map(str::as_bytes) {
        Some([separator @ (b',' | b';' | b'\t' | b'|')]) => (Some(*separator), rest, 1),
        _ => (None, text, 0),
    }
}

/// The separator that stands most often in the first line that is not blank, outside quotes.
fn guess_separator(text: &str) -> u8 {
    let first = text.lines().find(|l| !l.trim().is_empty()).unwrap_or("");
    let mut counts = [(b',', 0usize), (b';', 0), (b'\t', 0)];
    let mut quoted = false;
    for b in first.bytes() {
        quoted ^= b == b'"';
        for (separator, count) in &mut counts {
            *count += usize::from(b == *separator && !quoted);
        }
    }
    let most = counts.iter().map(|(_, n)| *n).max().unwrap_or(0);
    counts.iter().find(|(_, n)| *n == most).map_or(b',', |(s, _)| *s)
}

/// A plain file name: no folder, no drive, nothing hidden from the eye.
///
/// # Errors
/// A sentence saying what to write instead.
pub fn plain_file_name(name: &str) -> Result<&str> {
    let drive = name.as_bytes().get(1) == Some(&b':');
    let shown: String = name.chars().take(80).collect();
    if name.contains(['/', '\\']) || drive || name == "." || name == ".." {
        return Err(Error::input(format!(
            "\"{shown}\" has a folder in it; write the photo's plain file name, such as IMG_0104.jpg, and keep the \
             photo in the session's own folder"
        )));
    }
    if name.is_empty() || name.chars().any(char::is_control) || name.len() > 255 {
        return Err(Error::input(format!(
            "\"{}\" is no file name; write one such as IMG_0104.jpg",
            shown.escape_debug()
        )));
    }
    Ok(name)
}
