//! What does the shelf's page show?

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use minijinja::syntax::SyntaxConfig;
use minijinja::value::Value;
use minijinja::{AutoEscape, Environment, UndefinedBehavior, context};
use sha2::{Digest, Sha256};

use super::{ShelfEntry, factors};
use crate::error::{Error, Result};
use crate::report::label::{Place, dial, range_deg};
use crate::report::number::fixed;

const PAGE: &str = include_str!("../template/shelf.html");
const STYLE: &str = include_str!("../template/style.css");
const SHELF_STYLE: &str = include_str!("../template/shelf.css");
const SCRIPT: &str = include_str!("../template/shelf.js");

/// A factor with more values than this is found by typing, not from a list.
const MOST_VALUES: usize = 60;
/// Size of the drawing beside each setup, px; its text is 11 px high.
const DRAWING: Place = Place { x: 2.0, y: 1.0, width: 186.0, height: 104.0, font: 11.0 };

/// Percent-encoded, so that any folder can be linked to.
fn link(path: &str) -> String {
    let mut out = String::new();
    for b in path.bytes() {
        match b {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' | b'/' => out.push(char::from(b)),
            _ => out += &format!("%{b:02X}"),
        }
    }
    // A first part with a colon would be a scheme; encoded it is none, and a leading slash pair no host.
    if out.starts_with("//") { format!(".{out}") } else { out }
}

fn entry(e: &ShelfEntry, range: (f64, f64), factors: &[String]) -> Value {
    let drawing = format!(
        "<svg class=\"drawing\" viewBox=\"0 0 190 106\" width=\"190\" height=\"106\" aria-hidden=\"true\">{}</svg>",
        dial(&e.label.rows, range, &DRAWING, ("currentColor", "var(--s1)")).replace("#ffffff", "var(--paper)")
    );
    let points: Vec<Value> =
        e.label.rows.iter().map(|r| context! { speed => r.speed.clone(), angle => r.angle.clone() }).collect();
    let ends = (e.ladder.points.first(), e.ladder.points.last());
    let values: Vec<&str> = factors.iter().map(|f| e.setup.get(f).unwrap_or("")).collect();
    let values = serde_json::to_string(&values).unwrap_or_else(|_| "[]".into());
    context! {
        setup => e.label.setup.clone(),
        values => values,
        session => if e.session.trim().is_empty() { e.folder.clone() } else { e.session.clone() },
        folder => e.folder.clone(),
        report => e.has.0.then(|| link(&format!("{}results/report.html", e.link))),
        labels => e.has.1.then(|| link(&format!("{}results/labels/labels.pdf", e.link))),
        day => e.measured_on.clone(),
        drawing => Value::from_safe_string(drawing),
        points => points,
        slow => ends.0.map(|p| fixed(p.mean_deg, 2).replace('\u{2212}', "-")),
        fast => ends.1.map(|p| fixed(p.mean_deg, 2).replace('\u{2212}', "-")),
        lets_go => e.label.lets_go.clone(),
        range => e.label.lets_go_range.clone(),
        zero_sort => e.ladder.zero_speed_mps.map(|v| format!("{v:.4}")),
        behind => e.label.behind.clone(),
        shots => e.ladder.points.iter().map(|p| p.shots).sum::<u64>(),
        failed => e.failed,
    }
}

/// The page. `problems` are sentences about sessions that could not be read.
///
/// # Errors
/// Never because of what a text holds; only where the template cannot be written.
pub fn shelf_page(entries: &[ShelfEntry], problems: &[String]) -> Result<String> {
    let fail = |e: minijinja::Error| Error::no_answer(format!("cannot write the shelf's page: {e:#}"));
    let mut templates = Environment::new();
    templates.set_undefined_behavior(UndefinedBehavior::Strict);
    templates.set_auto_escape_callback(|_| AutoEscape::Html);
    templates.set_syntax(SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build().map_err(fail)?);
    templates.add_template("shelf.html", PAGE).map_err(fail)?;
    let factors = factors(entries);
    let choices: Vec<Value> = factors
        .iter()
        .enumerate()
        .filter_map(|(i, name)| {
            let mut values: Vec<&str> =
                entries.iter().filter_map(|e| e.setup.get(name)).filter(|v| !v.is_empty()).collect();
            values.sort_by(|a, b| natord::compare(a, b));
            values.dedup();
            (values.len() > 1 && values.len() <= MOST_VALUES)
                .then(|| context! { column => i, name => name.clone(), values => values.iter().map(|v| v.to_string()).collect::<Vec<_>>() })
        })
        .collect();
    let range = range_deg(entries.iter().map(|e| &e.ladder));
    let mut order: Vec<&ShelfEntry> = entries.iter().collect();
    // The newest first; setups of a session stay in their order.
    order.sort_by(|a, b| b.measured_on.cmp(&a.measured_on));
    let mut sessions: Vec<&str> = entries.iter().map(|e| e.folder.as_str()).collect();
    sessions.sort_unstable();
    sessions.dedup();
    let hash = STANDARD.encode(Sha256::digest(SCRIPT.as_bytes()));
    let html = templates
        .get_template("shelf.html")
        .and_then(|t| {
            t.render(context! {
                style => Value::from_safe_string(format!("{STYLE}\n{SHELF_STYLE}")),
                script => Value::from_safe_string(SCRIPT.to_string()),
                script_hash => Value::from_safe_string(hash),
                setups => entries.len(),
                sessions => sessions.len(),
                range => format!("{}° to {}°", fixed(range.0, 0), fixed(range.1, 0)),
                choices => choices,
                entries => order.iter().map(|e| entry(e, range, &factors)).collect::<Vec<_>>(),
                problems => problems.to_vec(),
            })
        })
        .map_err(fail)?;
    Ok(html.chars().map(|c| if c.is_control() && !matches!(c, '\n' | '\t') { '\u{FFFD}' } else { c }).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_lead_to_folders_only() {
        assert_eq!(link("a b/c&d/"), "a%20b/c%26d/");
        assert_eq!(link("javascript:x/"), "javascript%3Ax/");
        assert_eq!(link("//host/x/"), ".//host/x/");
    }

    #[test]
    fn the_script_holds_nothing_that_ends_it() {
        assert!(!SCRIPT.contains("</") && !SCRIPT.contains("<!--"));
    }
}
