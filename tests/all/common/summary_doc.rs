//! Is every field of a summary in `docs/summary.md`, and every field there in the summary?

use serde_json::Value;
use std::collections::BTreeSet;

/// Maps of factors to values: their keys are the person's.
const FACTOR_MAPS: [&str; 3] = ["setup", "same", "reference"];

/// Paths of all fields, lists as `[]`. Also the paths that are null or empty, below which nothing can be seen.
fn paths(value: &Value, at: &str, seen: &mut BTreeSet<String>, blind: &mut BTreeSet<String>) {
    match value {
        Value::Object(map) => {
            for (key, v) in map {
                let path = if at.is_empty() { key.clone() } else { format!("{at}.{key}") };
                if FACTOR_MAPS.contains(&key.as_str()) {
                    seen.insert(path);
                } else {
                    paths(v, &path, seen, blind);
                }
            }
        }
        Value::Array(list) if list.is_empty() => {
            blind.insert(at.to_string());
        }
        Value::Array(list) => list.iter().for_each(|v| paths(v, &format!("{at}[]"), seen, blind)),
        Value::Null => {
            blind.insert(at.to_string());
        }
        _ => {
            seen.insert(at.to_string());
        }
    }
}

/// Checks a summary's JSON against the document, both ways.
#[track_caller]
pub fn assert_documented(json: &str) {
    let summary: Value = serde_json::from_str(json).unwrap();
    let text = include_str!("../../../docs/summary.md");
    let documented: BTreeSet<String> = text
        .lines()
        .filter_map(|l| l.strip_prefix("| `")?.split_once("` |").map(|(path, _)| path.to_string()))
        .collect();
    assert!(documented.len() > 150, "the document's tables could not be read");
    let (mut seen, mut blind) = (BTreeSet::new(), BTreeSet::new());
    paths(&summary, "", &mut seen, &mut blind);
    // A difference at one speed has the fields of the one over the ladder.
    let as_documented = |p: &String| match p.strip_prefix("comparisons[].points[].") {
        Some("setpoint_mps") | None => p.clone(),
        Some(rest) => format!("comparisons[].overall.{rest}"),
    };
    let missing: Vec<String> = seen.iter().map(as_documented).filter(|p| !documented.contains(p)).collect();
    assert!(missing.is_empty(), "not in docs/summary.md: {missing:#?}");
    let is_blind = |p: &String| {
        blind.iter().any(|b| p == b || p.strip_prefix(b.as_str()).is_some_and(|r| r.starts_with(['.', '['])))
    };
    let extra: Vec<&String> = documented.iter().filter(|p| !seen.contains(*p) && !is_blind(p)).collect();
    assert!(extra.is_empty(), "in docs/summary.md, but not in the summary: {extra:#?}");
}
