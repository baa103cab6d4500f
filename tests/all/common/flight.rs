//! Reference files shared between checkouts, where they exist.

use std::path::PathBuf;

/// The folder of check values: `POCKMARK_SHARED`, else `../shared` beside the crate.
pub fn shared() -> PathBuf {
    std::env::var_os("POCKMARK_SHARED")
        .map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared"), PathBuf::from)
}

/// A JSON file of it; `None`, with a printed line, where there is none.
pub fn json(path: &str) -> Option<serde_json::Value> {
    let path = shared().join(path);
    let Ok(text) = std::fs::read_to_string(&path) else {
        println!("skipped: no {}", path.display());
        return None;
    };
    Some(serde_json::from_str(&text).expect("valid JSON"))
}
