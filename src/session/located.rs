//! Where in the file does each setting stand, and is its key one we know?
//!
//! A thin walk over a TOML document that keeps line numbers, refuses unknown keys with the
//! nearest known one, and turns values into quantities, numbers and names.

use std::cell::RefCell;

use serde::Serialize;
use toml::de::{DeTable, DeValue};

use super::nearest::nearest;
use crate::error::{Error, Result};
use crate::quantity::{Dimension, Quantity};

/// A quantity as the person wrote it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StatedInput {
    /// Section and key, such as `machine.arm`.
    pub key: String,
    /// The text, such as `1.200 m ± 3 mm`.
    pub text: String,
    /// What it was read as.
    pub quantity: Quantity,
}

/// Line (from 1) of a byte offset.
fn line_of(text: &str, offset: usize) -> usize {
    1 + text.bytes().take(offset).filter(|b| *b == b'\n').count()
}

/// The document's root, or a sentence with the line where it stops being TOML.
pub(super) fn parse_document(text: &str) -> Result<toml::Spanned<DeTable<'_>>> {
    DeTable::parse(text).map_err(|e| {
        let offset = e.span().map_or(0, |s| s.start);
        let number = line_of(text, offset);
        let line = text.lines().nth(number - 1).unwrap_or("").trim();
        let shown: String = line.chars().take(80).collect();
        let value = line.split_once('=').map_or("", |(_, v)| v.trim());
        let bare_unit = value.starts_with(|c: char| c.is_ascii_digit() || c == '-' || c == '+' || c == '.')
            && value.contains(|c: char| c.is_alphabetic() || c == '±' || c == '%' || c == '\'');
        let duplicate = e.message().contains("duplicate");
        let hint = if bare_unit {
            let key = line.split_once('=').map_or("arm", |(k, _)| k.trim());
            format!("; put quantities in quotes: {key} = \"{}\"", value.replace('"', "\\\""))
        } else if duplicate {
            "; write each key once".to_string()
        } else {
            "; settings look like key = \"value\", sections like [wall]".to_string()
        };
        Error::input(format!("line {number} (\"{shown}\"): {}{hint}", e.message()))
    })
}

/// One section of the document, with the keys it may have.
pub(super) struct Section<'d, 't> {
    text: &'t str,
    name: String,
    table: Option<&'d DeTable<'t>>,
    stated: &'d RefCell<Vec<StatedInput>>,
}

impl<'d, 't> Section<'d, 't> {
    /// The document's root as a section without name.
    pub(super) fn root(text: &'t str, table: &'d DeTable<'t>, stated: &'d RefCell<Vec<StatedInput>>) -> Self {
        Self { text, name: String::new(), table: Some(table), stated }
    }

    fn shown(&self, key: &str) -> String {
        if self.name.is_empty() { key.to_string() } else { format!("[{}] {key}", self.name) }
    }

    fn fail<T>(&self, line: usize, key: &str, text: impl std::fmt::Display) -> Result<T> {
        Err(Error::input(format!("line {line}: {}: {text}", self.shown(key))))
    }

    /// Refuses keys that are not in `known`; `elsewhere` names the section a key belongs to.
    pub(super) fn only(&self, known: &[&str], elsewhere: impl Fn(&str) -> Option<&'static str>) -> Result<()> {
        for (key, _) in self.table.into_iter().flat_map(|t| t.iter()) {
            let word = key.get_ref().as_ref();
            if known.contains(&word) {
                continue;
            }
            let line = line_of(self.text, key.span().start);
            let shown: String = word.chars().take(60).collect();
            let place = if self.name.is_empty() { "at the top".to_string() } else { format!("in [{}]", self.name) };
            let hint = match (nearest(word, known.iter().copied()), elsewhere(word)) {
                (Some(near), _) => format!("did you mean {near}?"),
                (None, Some("")) => format!("{shown} belongs at the top of the file, before the first section"),
                (None, Some(section)) => format!("{shown} belongs in [{section}]"),
                (None, None) => format!("known here are {}", known.join(", ")),
            };
            return Err(Error::input(format!("line {line}: there is no setting {shown} {place}; {hint}")));
        }
        Ok(())
    }

    fn get(&self, key: &str) -> Option<(&'d DeValue<'t>, usize)> {
        let value = self.table?.get(key)?;
        Some((value.get_ref(), line_of(self.text, value.span().start)))
    }

    /// The line on which a key's value stands; 0 when it is absent.
    pub(super) fn line(&self, key: &str) -> usize {
        self.get(key).map_or(0, |(_, line)| line)
    }

    /// Whether the key (or the section itself) is there.
    pub(super) fn has(&self, key: &str) -> bool {
        self.get(key).is_some()
    }

    /// A subsection, empty when absent.
    pub(super) fn section(&self, key: &str) -> Result<Section<'d, 't>> {
        let table = match self.get(key) {
            None => None,
            Some((DeValue::Table(table), _)) => Some(table),
            Some((other, line)) => {
                return self.fail(line, key, format!("is {}, but a section goes here; write [{key}]", kind(other)));
            }
        };
        Ok(self.child(key, table))
    }

    fn child(&self, key: &str, table: Option<&'d DeTable<'t>>) -> Section<'d, 't> {
        let name = if self.name.is_empty() { key.to_string() } else { format!("{}.{key}", self.name) };
        Section { text: self.text, name, table, stated: self.stated }
    }

    /// A list of subsections, written [[section.key]].
    pub(super) fn sections(&self, key: &str) -> Result<Vec<Section<'d, 't>>> {
        let write = format!("write [[{}.{key}]]", self.name);
        match self.get(key) {
            None => Ok(Vec::new()),
            Some((DeValue::Array(items), line)) => items
                .iter()
                .map(|item| match item.get_ref() {
                    DeValue::Table(table) => Ok(self.child(key, Some(table))),
                    other => self.fail(line, key, format!("holds {}; {write}", kind(other))),
                })
                .collect(),
            Some((other, line)) => self.fail(line, key, format!("is {}; {write}", kind(other))),
        }
    }

    /// The section's keys and values as text, for names that people choose themselves.
    pub(super) fn texts(&self) -> Result<Vec<(String, String)>> {
        let mut found = Vec::new();
        for (key, value) in self.table.into_iter().flat_map(|t| t.iter()) {
            let name = key.get_ref().to_string();
            let text = match value.get_ref() {
                DeValue::String(s) => s.to_string(),
                DeValue::Integer(i) => i.as_str().to_string(),
                DeValue::Float(f) => f.as_str().to_string(),
                other => {
                    let line = line_of(self.text, value.span().start);
                    return self.fail(line, &name, format!("is {}; write text in quotes", kind(other)));
                }
            };
            found.push((name, text.trim().to_string()));
        }
        Ok(found)
    }

    /// A text.
    pub(super) fn text(&self, key: &str) -> Result<Option<String>> {
        match self.get(key) {
            None => Ok(None),
            Some((DeValue::String(s), _)) => Ok(Some(s.trim().to_string())),
            Some((other, line)) => self.fail(line, key, format!("is {}; write text in quotes", kind(other))),
        }
    }

    /// A whole number from 1 to `most`.
    pub(super) fn count(&self, key: &str, most: u32) -> Result<Option<u32>> {
        match self.get(key) {
            None => Ok(None),
            Some((value, line)) => self.count_of(key, value, line, most).map(Some),
        }
    }

    fn count_of(&self, key: &str, value: &DeValue<'_>, line: usize, most: u32) -> Result<u32> {
        let number = match value {
            DeValue::Integer(i) if i.radix() == 10 => i.as_str().parse::<u32>().ok(),
            _ => None,
        };
        match number {
            Some(n) if (1..=most).contains(&n) => Ok(n),
            _ => self.fail(line, key, format!("is {}; write a whole number from 1 to {most}", shown_value(value))),
        }
    }

    /// Two different whole numbers from 1 to `most`, in square brackets.
    pub(super) fn pair(&self, key: &str, most: u32) -> Result<Option<[u32; 2]>> {
        let Some((value, line)) = self.get(key) else { return Ok(None) };
        if let DeValue::Array(items) = value
            && let [a, b] = items.iter().collect::<Vec<_>>().as_slice()
        {
            let a = self.count_of(key, a.get_ref(), line, most)?;
            let b = self.count_of(key, b.get_ref(), line, most)?;
            if a != b {
                return Ok(Some([a, b]));
            }
            return self.fail(line, key, format!("names sheet {a} twice; name two different sheets"));
        }
        self.fail(line, key, format!("is {}; write two sheet numbers, such as {key} = [1, 2]", shown_value(value)))
    }

    /// A quantity; remembered among the stated inputs.
    pub(super) fn quantity(&self, key: &str, dimension: Dimension) -> Result<Option<Quantity>> {
        let Some((value, line)) = self.get(key) else { return Ok(None) };
        let text = match value {
            DeValue::String(s) => s.to_string(),
            DeValue::Integer(i) if i.radix() == 10 => i.as_str().to_string(),
            DeValue::Float(f) => f.as_str().to_string(),
            other => {
                return self.fail(line, key, format!("is {}; write a quantity in quotes", kind(other)));
            }
        };
        let quantity = Quantity::parse(&text, dimension).or_else(|e| self.fail(line, key, e))?;
        self.stated.borrow_mut().push(StatedInput {
            key: if self.name.is_empty() { key.to_string() } else { format!("{}.{key}", self.name) },
            text: text.trim().to_string(),
            quantity,
        });
        Ok(Some(quantity))
    }

    /// A quantity between two limits (SI), the limits as words for the sentence.
    pub(super) fn bounded(
        &self,
        key: &str,
        dimension: Dimension,
        (low, high): (f64, f64),
        words: &str,
    ) -> Result<Option<Quantity>> {
        let found = self.quantity(key, dimension)?;
        match found {
            Some(q) if !(low..=high).contains(&q.value) => {
                let text = self.get(key).map_or(String::new(), |(v, _)| shown_value(v));
                self.fail(self.line(key), key, format!("{text} is outside {words}; check the number and its unit"))
            }
            _ => Ok(found),
        }
    }

    /// A sentence about a key's value, with its line.
    pub(super) fn refuse<T>(&self, key: &str, text: impl std::fmt::Display) -> Result<T> {
        self.fail(self.line(key), key, text)
    }

    /// The sentence for a key that must be there.
    pub(super) fn missing<T>(&self, key: &str, meaning: &str, example: &str) -> Result<T> {
        Err(Error::input(format!("{} is missing: {meaning}; write for example {key} = {example}", self.shown(key))))
    }
}

fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a bare number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a section",
    }
}

fn shown_value(value: &DeValue<'_>) -> String {
    let text = match value {
        DeValue::String(s) => format!("\"{s}\""),
        DeValue::Integer(i) => i.as_str().to_string(),
        DeValue::Float(f) => f.as_str().to_string(),
        other => return kind(other).to_string(),
    };
    if text.chars().count() > 60 { format!("{}...", text.chars().take(60).collect::<String>()) } else { text }
}
