//! What does the whole page say, in which order?
//!
//! [`page`] hands the summary's parts, in words, to the templates; these escape all text by themselves, and only
//! drawings made here go in as they are. The page opens with what was found and what needs a look.

use std::io::Write;

use minijinja::syntax::SyntaxConfig;
use minijinja::value::Value;
use minijinja::{AutoEscape, Environment, UndefinedBehavior, context};

use super::model::{Summary, VolleyPicture};
use super::view;
use crate::error::{Error, Result};

/// The page's templates by name.
const TEMPLATES: [(&str, &str); 8] = [
    ("page.html", include_str!("template/page.html")),
    ("macros.html", include_str!("template/macros.html")),
    ("findings.html", include_str!("template/findings.html")),
    ("volleys.html", include_str!("template/volleys.html")),
    ("doubt.html", include_str!("template/doubt.html")),
    ("calibration.html", include_str!("template/calibration.html")),
    ("calibration_parts.html", include_str!("template/calibration_parts.html")),
    ("cautions.html", include_str!("template/cautions.html")),
];
const STYLE: &str = include_str!("template/style.css");

/// Findings that open the page; with more the rest are folded, so that what needs a look stays near the top.
const FINDINGS_SHOWN: usize = 8;

/// Draws a session's report as one HTML file: no network, no scripts, pictures and charts inside.
///
/// `pictures` are matched to volleys by name; a volley without one is shown by its table alone. Every number
/// is one of the summary's, with the digits its uncertainty deserves; ± are at 95 %.
///
/// # Errors
/// When a chart cannot be drawn; never because of what a text holds.
///
/// ```
/// use pockmark::report::{Summary, page};
/// let summary = Summary::from_json(
///     r#"{"version": 1, "written_by": "x", "title": "June <b>ladder</b>", "volleys": [], "study_problem": "no shots",
///         "budgets": [], "calibration": null, "mark_shape": null, "exact_inputs": [], "assumed_inputs": [],
///         "session_notes": [], "files": []}"#,
/// )?;
/// let html = page(&summary, &[])?;
/// assert!(html.contains("June &lt;b&gt;ladder&lt;"));
/// # Ok::<(), pockmark::Error>(())
/// ```
pub fn page(summary: &Summary, pictures: &[VolleyPicture]) -> Result<String> {
    let mut html = Vec::new();
    write_page(summary, pictures, &mut html)?;
    String::from_utf8(html).map_err(|e| Error::no_answer(format!("cannot write the page: {e}")))
}

/// As [`page`], written piece by piece: of a thousand volleys it has some 20 MB, of which little is in memory at a time.
///
/// # Errors
/// As for [`page`]; the page cannot be written to `to`.
pub fn write_page(summary: &Summary, pictures: &[VolleyPicture], to: &mut dyn Write) -> Result<()> {
    let template_error = |e: minijinja::Error| Error::no_answer(format!("cannot write the page: {e:#}"));
    let mut templates = Environment::new();
    templates.set_undefined_behavior(UndefinedBehavior::Strict);
    templates.set_auto_escape_callback(|_| AutoEscape::Html);
    let tight = SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build().map_err(template_error)?;
    templates.set_syntax(tight);
    for (name, text) in TEMPLATES {
        templates.add_template(name, text).map_err(template_error)?;
    }
    let context = whole(summary, pictures)?;
    let page = templates.get_template("page.html").map_err(template_error)?;
    page.render_captured_to(context, Allowed(to)).map_err(template_error)?;
    Ok(())
}

/// Lets through what HTML allows: other characters may hide in names and notes.
struct Allowed<W>(W);

impl<W: Write> Write for Allowed<W> {
    /// Takes whole characters: the templates write whole strings.
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let text = std::str::from_utf8(bytes).map_err(|e| std::io::Error::new(std::io::ErrorKind::InvalidData, e))?;
        let allowed = |c: char| !c.is_control() || matches!(c, '\n' | '\t');
        for piece in text.split_inclusive(|c| !allowed(c)) {
            let kept = piece.trim_end_matches(|c| !allowed(c));
            self.0.write_all(kept.as_bytes())?;
            if kept.len() < piece.len() {
                self.0.write_all("\u{FFFD}".as_bytes())?;
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.0.flush()
    }
}

fn whole(summary: &Summary, pictures: &[VolleyPicture]) -> Result<Value> {
    let study = summary.study.as_ref();
    let setups = study.into_iter().flat_map(|s| s.ladders.iter().map(|l| &l.setup));
    let names = view::Names::new(setups.chain(summary.volleys.iter().map(|v| &v.setup)));
    let notes: Vec<String> = summary.notes.iter().chain(study.into_iter().flat_map(|s| &s.notes)).cloned().collect();
    let voice = view::Voice::new(summary.units, study);
    let units = summary.units;
    Ok(context! {
        speed_unit => units.speed_word(),
        length_unit => units.length_word(),
        measured_on => summary.measured_on.clone(),
        style => Value::from_safe_string(STYLE.to_string()),
        title => title(summary),
        covers => study.map(|s| view::counts(s, units)),
        verdicts => study.map(|s| view::verdicts(s, &voice)).unwrap_or_default(),
        findings_shown => FINDINGS_SHOWN,
        study_problem => summary.study_problem.clone(),
        looks => voice.say_all(&summary.looks),
        needs_look => view::needs_look(&summary.volleys),
        doubtful => study.map(|s| view::doubtful(s, &summary.volleys)).unwrap_or_default(),
        ladders => study.map(|s| view::ladders(s, &names, &voice)).transpose()?,
        comparisons => study.map(|s| view::comparisons(s, &voice)).transpose()?.flatten(),
        volleys => view::volleys(&summary.volleys, &names, units, pictures),
        meanings => view::meanings(&summary.volleys),
        wall => view::wall(&summary.volleys, &names, units)?,
        steady => study.map(|s| view::steadiness(s, &voice)).transpose()?,
        budgets => view::budgets(&summary.budgets, &names, &voice)?,
        by_hand => summary.calibration.is_none(),
        calibration => view::calibration(summary, units)?,
        later_calibrations => view::later_calibrations(summary, units),
        shape => summary.mark_shape.as_ref().map(|m| view::mark_shape(m, units)),
        exact => summary.exact_inputs.clone(),
        assumed => voice.say_all(&summary.assumed_inputs),
        notes => voice.say_all(&notes),
        files => view::files(&summary.files),
        written_by => summary.written_by.clone(),
    })
}

fn title(summary: &Summary) -> &str {
    let title = summary.title.trim();
    if title.is_empty() { "Untitled session" } else { title }
}

#[cfg(test)]
mod tests {
    use super::Allowed;
    use std::io::Write;

    #[test]
    fn what_html_does_not_allow_is_replaced_in_any_place() {
        let mut out = Vec::new();
        for piece in ["\u{1}a\u{0}", "", "\u{85}\u{7f}", "± 1\n\tend"] {
            Allowed(&mut out).write_all(piece.as_bytes()).unwrap();
        }
        assert_eq!(String::from_utf8(out).unwrap(), "\u{FFFD}a\u{FFFD}\u{FFFD}\u{FFFD}± 1\n\tend");
    }
}
