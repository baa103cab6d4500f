//! May everything that the program is built from be given away with it?
//!
//! Read from what `cargo` knows offline. Advisories need a network and are no part of this.

use std::process::Command;

use serde_json::Value;

/// Licences that ask for no more than their notice; MPL asks for changes to its own files.
const ALLOWED: &[&str] = &[
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "IJG",
    "ISC",
    "MIT",
    "MIT-0",
    "MPL-2.0",
    "OFL-1.1",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// Whether an SPDX expression can be fulfilled with [`ALLOWED`]: `OR` binds less than `AND`; older crates write `/` for `OR`.
fn fulfilled(expression: &str) -> bool {
    let mut inner = expression.trim().to_string();
    // Innermost brackets first.
    while let Some(close) = inner.find(')') {
        let Some(open) = inner[..close].rfind('(') else { return false };
        let word = if fulfilled(&inner[open + 1..close]) { "MIT" } else { "none" };
        inner.replace_range(open..=close, word);
    }
    inner.replace('/', " OR ").split(" OR ").any(|all| all.split(" AND ").all(|one| ALLOWED.contains(&one.trim())))
}

#[test]
fn expressions_are_understood() {
    for (text, good) in [
        ("MIT", true),
        ("GPL-3.0-only", false),
        ("MIT OR GPL-3.0-only", true),
        ("MIT/Apache-2.0", true),
        ("MIT AND GPL-2.0-only", false),
        ("(MIT OR Apache-2.0) AND Unicode-3.0", true),
        ("(GPL-3.0-only OR LGPL-3.0-only) AND MIT", false),
        ("Apache-2.0 WITH LLVM-exception OR GPL-2.0-only", true),
        ("", false),
    ] {
        assert_eq!(fulfilled(text), good, "{text}");
    }
}

#[test]
fn every_crate_may_be_given_away() {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".into());
    let about = Command::new("rustc").arg("-vV").output().unwrap();
    let about = String::from_utf8_lossy(&about.stdout).into_owned();
    let host = about.lines().find_map(|l| l.strip_prefix("host: ")).unwrap();
    let told = Command::new(cargo)
        .args(["metadata", "--format-version", "1", "--offline", "--locked", "--filter-platform", host])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    if !told.status.success() {
        println!("skipped: cargo knows not all crates offline: {}", String::from_utf8_lossy(&told.stderr));
        return;
    }
    let told: Value = serde_json::from_slice(&told.stdout).unwrap();
    let packages = told["packages"].as_array().unwrap();
    let bad: Vec<String> = packages
        .iter()
        .filter(|p| !fulfilled(p["license"].as_str().unwrap_or("")))
        .map(|p| format!("{} {}: {}", p["name"], p["version"], p["license"]))
        .collect();
    println!("{} crates", packages.len());
    assert!(packages.len() > 50);
    assert!(bad.is_empty(), "licences that are not on the list: {bad:#?}");
    // One version of everything from one place, so that what was checked is what is built.
    let elsewhere: Vec<_> = packages
        .iter()
        .filter(|p| p["source"].as_str().is_some_and(|s| !s.starts_with("registry+")))
        .map(|p| p["name"].to_string())
        .collect();
    assert!(elsewhere.is_empty(), "crates that come from no registry: {elsewhere:?}");
}
