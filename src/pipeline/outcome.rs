//! What did a run find, and how does it reach the disk?

use std::io::Write;
use std::path::PathBuf;

use super::Progress;
use super::linear::Cells;
use crate::error::Result;
use crate::report::{Summary, VolleyPicture, write_page};
use crate::session::Session;
use crate::session::lock::{SessionLock, Work};
use crate::session::parquet::{shots_parquet, volleys_parquet};
use crate::session::results::{ShotRow, Status, VolleyResult, shots_csv, volleys_csv};
use crate::session::write::{Content, remove_others, write_contents};

/// Everything that a run found.
pub struct Outcome {
    /// Rows of shots.csv.
    pub shots: Vec<ShotRow>,
    /// Rows of volleys.csv.
    pub volleys: Vec<VolleyResult>,
    /// Content of summary.json.
    pub summary: Summary,
    /// Pictures for the page.
    pub pictures: Vec<VolleyPicture>,
    /// A picture of every decision, PNG, by volley; empty where none are wanted.
    pub decisions: Vec<(String, Vec<u8>)>,
    /// Factor names, in the table's order.
    pub factor_names: Vec<String>,
    /// The means behind the study, for a check by Monte Carlo.
    pub cells: Cells,
}

impl Outcome {
    /// Checks every setpoint's mean by Monte Carlo; what comes out stands in the summary, and its sentences among its notes.
    pub fn check_linear(&mut self, progress: Progress) {
        self.summary.linear_checks = self.cells.check(progress);
        let checks = &self.summary.linear_checks;
        let bad: Vec<&str> = checks.iter().filter(|c| !c.linear_will_do).map(|c| c.sentence.as_str()).collect();
        let note = format!(
            "Checked by Monte Carlo (JCGM 101): first order will do for {} of {} means.",
            checks.len() - bad.len(),
            checks.len()
        );
        let bad: Vec<String> = bad.into_iter().map(str::to_string).collect();
        self.summary.notes.push(note);
        self.summary.notes.extend(bad);
    }

    /// Takes status, flags and notes of the summary over into the tables' rows: the study knows more of a volley than its photo does.
    pub fn follow_summary(&mut self) {
        for v in &self.summary.volleys {
            if let Some(row) = self.volleys.iter_mut().find(|r| r.volley == v.volley) {
                row.status = v.status;
                row.flags.clone_from(&v.flags);
                row.note.clone_from(&v.note);
            }
            for m in &v.marks {
                if let Some(row) = self.shots.iter_mut().find(|r| r.volley == v.volley && r.mark == m.mark) {
                    row.flags.clone_from(&m.flags);
                }
            }
        }
    }

    /// True when every volley is ok.
    pub fn all_ok(&self) -> bool {
        self.volleys.iter().all(|v| v.status == Status::Ok)
    }

    /// True when no volley gave a result.
    pub fn all_failed(&self) -> bool {
        !self.volleys.is_empty() && self.volleys.iter().all(|v| v.status == Status::Failed)
    }
}

/// Writes all results, whole or not at all; the paths written.
///
/// # Errors
/// The folder cannot be written.
pub fn write_results(session: &Session, outcome: &Outcome) -> Result<Vec<PathBuf>> {
    write_results_as(session, outcome, "run", false)
}

/// The same, as Parquet too where that is wanted, or lies there from before and would else be out of date. `command` writes, for the
/// sentence of whoever waits for it. Pictures of decisions that lie there from before and are not among these results are removed.
///
/// # Errors
/// As for [`write_results`].
pub fn write_results_as(session: &Session, outcome: &Outcome, command: &str, parquet: bool) -> Result<Vec<PathBuf>> {
    let folder = session.paths.own_results()?;
    let json = |to: &mut dyn Write| outcome.summary.write_json(to);
    let page = |to: &mut dyn Write| write_page(&outcome.summary, &outcome.pictures, to);
    let shots = shots_csv(&outcome.shots, &outcome.factor_names)?;
    let volleys = volleys_csv(&outcome.volleys)?;
    let parquet = parquet || folder.join("shots.parquet").is_file();
    let tables = if parquet {
        Some((shots_parquet(&outcome.shots, &outcome.factor_names)?, volleys_parquet(&outcome.volleys)?))
    } else {
        None
    };
    let mut files = vec![
        (folder.join("shots.csv"), Content::Bytes(&shots)),
        (folder.join("volleys.csv"), Content::Bytes(&volleys)),
        (folder.join("summary.json"), Content::Made(&json)),
        (folder.join("report.html"), Content::Made(&page)),
    ];
    if let Some((shots, volleys)) = &tables {
        files.push((folder.join("shots.parquet"), Content::Bytes(shots)));
        files.push((folder.join("volleys.parquet"), Content::Bytes(volleys)));
    }
    let decisions = outcome.decisions.iter().enumerate();
    files.extend(decisions.map(|(i, (volley, png))| (picture_path(&folder, i, volley), Content::Bytes(png))));
    let _lock = SessionLock::take(&session.paths, Work::Write, command, &|_| {})?;
    write_contents(&files)?;
    let written: Vec<PathBuf> = files.into_iter().map(|f| f.0).collect();
    remove_others(&folder.join("pictures"), &written, &is_picture_name);
    Ok(written)
}

/// Whether a volley's name can stand in a file's name.
fn is_plain(volley: &str) -> bool {
    let plain = |c: char| c.is_ascii_digit() || c.is_ascii_lowercase() || c == '-' || c == '_';
    (1..=40).contains(&volley.len()) && volley.chars().all(plain)
}

/// Whether [`picture_path`] gives a file such a name.
fn is_picture_name(name: &str) -> bool {
    name.strip_prefix("volley-").and_then(|n| n.strip_suffix(".png")).is_some_and(is_plain)
}

/// `pictures/volley-NAME.png`, or by number for a name that is none for a file.
fn picture_path(folder: &std::path::Path, index: usize, volley: &str) -> PathBuf {
    let name = if is_plain(volley) { format!("volley-{volley}.png") } else { format!("volley-no-{}.png", index + 1) };
    folder.join("pictures").join(name)
}

#[cfg(test)]
mod tests {
    use super::picture_path;
    use std::path::Path;

    #[test]
    fn no_name_leads_out_of_the_folder() {
        let at = |v: &str| picture_path(Path::new("r"), 4, v);
        assert_eq!(at("12"), Path::new("r/pictures/volley-12.png"));
        assert_eq!(at("../../x"), Path::new("r/pictures/volley-no-5.png"));
        assert_eq!(at(""), Path::new("r/pictures/volley-no-5.png"));
    }
}
