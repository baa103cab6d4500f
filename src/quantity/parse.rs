//! How is a quantity's text read, and when is it too ambiguous to read?
//!
//! `amount [± doubt]`, where an amount is a number with a unit, or a pair such as `20 ft 3 1/2 in`.
//! Typographic signs that phones and word processors insert (minus, primes, vulgar fractions,
//! unbreakable spaces) mean what they look like. Refused, because two readings are possible:
//! `6,000 m` (six or six thousand), `6 m 5 mm` (a sum or a forgotten ±), `0.45 ± 10 %` (of it, or
//! ten points), a doubt without a unit behind a value with one.

use super::units::{self, COMPOUNDS, Unit};
use super::{Dimension, LARGEST_SI, Quantity, STATED_COVERAGE};
use crate::error::{Error, Result};

/// Longer texts are not quantities; keeps error sentences short too.
const LONGEST_TEXT: usize = 120;

/// A token of a quantity's text.
#[derive(Clone, Debug, PartialEq)]
enum Token {
    Number(f64),
    Unit(String),
}

/// What stands on one side of ±: numbers with their units, the sign apart.
struct Amount {
    negative: bool,
    parts: Vec<(f64, Option<String>)>,
}

pub(super) fn parse(text: &str, dimension: Dimension) -> Result<Quantity> {
    if text.chars().count() > LONGEST_TEXT {
        let head: String = text.chars().take(40).collect();
        return Err(Error::input(format!(
            "\"{head}...\" is longer than {LONGEST_TEXT} characters; write a number with its unit, such as {}",
            example(dimension)
        )));
    }
    let plain = plain_signs(text);
    let shown = text.trim();
    let mut sides = plain.split('±');
    let value_side = sides.next().unwrap_or("");
    let doubt_side = sides.next();
    if sides.next().is_some() {
        return Err(Error::input(format!(
            "\"{shown}\" has more than one ±; write one, such as {}",
            example(dimension)
        )));
    }
    let mut amount = read_amount(value_side, shown, dimension)?;
    if let Some(doubt) = doubt_side {
        borrow_unit(&mut amount, doubt, shown, dimension)?;
    }
    let (value, percent_sign) = amount_to_si(&amount, shown, dimension, false)?;
    check_size(value, shown, dimension)?;
    let Some(doubt) = doubt_side else { return Ok(Quantity::exact(value)) };
    let half_width = doubt_to_si(doubt, value, percent_sign, shown, dimension)?;
    check_size(half_width, shown, dimension)?;
    Ok(Quantity::with_u(value, half_width / STATED_COVERAGE))
}

/// Reads a bare number as people write it: typographic minus, decimal comma where it can be
/// nothing else (`13,48`; never `13,487`, which may be thirteen thousand).
///
/// # Errors
/// A sentence when the text is no number, is ambiguous, or is not finite.
pub fn parse_number(text: &str) -> Result<f64> {
    let plain = plain_signs(text);
    let shown: String = text.trim().chars().take(LONGEST_TEXT).collect();
    let not_bare = || Error::input(format!("\"{shown}\" is not a bare number; write digits only, such as 12.5"));
    let (negative, digits) = apart_from_sign(&plain);
    if !digits.starts_with(starts_number) {
        return Err(not_bare());
    }
    let (number, tail) = read_number(digits, &shown)?;
    if !tail.trim_start().is_empty() {
        return Err(not_bare());
    }
    if number.abs() > LARGEST_SI {
        return Err(Error::input(format!("{number:e} is beyond {LARGEST_SI:e}; check the digits")));
    }
    Ok(if negative { -number } else { number })
}

fn example(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Length => "\"6.000 m ± 5 mm\" or \"20 ft 3 in ± 1/4 in\"",
        Dimension::Angle => "\"-10.0 deg ± 0.1 deg\"",
        Dimension::Mass => "\"147 g ± 1 g\" or \"5.2 oz ± 0.05 oz\"",
        Dimension::Speed => "\"60 mph ± 0.5 mph\"",
        Dimension::Temperature => "\"18 degC ± 1 degC\"",
        Dimension::Pressure => "\"1008 hPa ± 2 hPa\" or \"29.9 inHg ± 0.1 inHg\"",
        Dimension::Ratio => "\"50 % ± 10 %\" or \"0.45 ± 0.04\"",
        Dimension::Rotation => "\"300 rpm ± 50 rpm\"",
        Dimension::Time => "\"0.5 s ± 0.1 s\"",
    }
}

/// Replaces signs that only look different by the plain ones.
fn plain_signs(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\u{2212}' | '\u{2012}' | '\u{2013}' | '\u{2010}' | '\u{2011}' | '\u{FE63}' | '\u{FF0D}' => plain.push('-'),
            '\u{00A0}' | '\u{2000}'..='\u{200A}' | '\u{202F}' | '\u{205F}' | '\u{3000}' | '\t' => plain.push(' '),
            '\u{2019}' | '\u{2032}' | '\u{02B9}' | '\u{00B4}' => plain.push('\''),
            '\u{201D}' | '\u{2033}' | '\u{02BA}' => plain.push('"'),
            '\u{00BA}' | '\u{02DA}' => plain.push('°'),
            '\u{2215}' | '\u{2044}' => plain.push('/'),
            '¼' => plain.push_str(" 1/4"),
            '½' => plain.push_str(" 1/2"),
            '¾' => plain.push_str(" 3/4"),
            '⅛' => plain.push_str(" 1/8"),
            '⅜' => plain.push_str(" 3/8"),
            '⅝' => plain.push_str(" 5/8"),
            '⅞' => plain.push_str(" 7/8"),
            _ => plain.push(c),
        }
    }
    plain.replace("''", "\"").replace("+/-", "±").replace("+-", "±")
}

/// Whether a minus stands in front, and what stands behind the sign.
fn apart_from_sign(text: &str) -> (bool, &str) {
    let text = text.trim();
    match text.strip_prefix('-') {
        Some(rest) => (true, rest.trim_start()),
        None => (false, text.strip_prefix('+').unwrap_or(text).trim_start()),
    }
}

fn starts_number(c: char) -> bool {
    c.is_ascii_digit() || c == '.' || c == ','
}

/// Splits one side of ± into a sign and numbers with units.
fn read_amount(side: &str, shown: &str, dimension: Dimension) -> Result<Amount> {
    let (negative, rest) = apart_from_sign(side);
    let tokens = tokens(rest, shown, dimension)?;
    let mut parts: Vec<(f64, Option<String>)> = Vec::new();
    for token in tokens {
        match (token, parts.last_mut()) {
            (Token::Number(n), None | Some((_, Some(_)))) => parts.push((n, None)),
            (Token::Number(_), Some((_, None))) => {
                return Err(Error::input(format!(
                    "\"{shown}\" has two numbers with no unit between them; write it as {}",
                    example(dimension)
                )));
            }
            (Token::Unit(word), Some((_, unit @ None))) => *unit = Some(word),
            (Token::Unit(word), Some((_, Some(before)))) => {
                return Err(Error::input(format!(
                    "\"{before} {word}\" in \"{shown}\" is no unit; write {}",
                    dimension.fitting_units()
                )));
            }
            (Token::Unit(word), None) => {
                return Err(Error::input(format!(
                    "\"{shown}\" has no number in front of \"{word}\"; write it as {}",
                    example(dimension)
                )));
            }
        }
    }
    if parts.is_empty() {
        return Err(Error::input(format!("\"{shown}\" lacks a number; write it as {}", example(dimension))));
    }
    Ok(Amount { negative, parts })
}

fn tokens(text: &str, shown: &str, dimension: Dimension) -> Result<Vec<Token>> {
    let mut found: Vec<Token> = Vec::new();
    let mut rest = text.trim_start();
    let mut gap = true;
    while let Some(first) = rest.chars().next() {
        let after_foot =
            matches!(found.last(), Some(Token::Unit(w)) if units::find(w, dimension).is_some_and(|u| u.word() == "ft"));
        if starts_number(first) {
            let (number, tail) = read_number(rest, shown)?;
            found.push(Token::Number(number));
            rest = tail;
        } else if first == '-' && after_foot {
            // 20'-3": the hyphen joins feet and inches.
            rest = rest.get(1..).unwrap_or("");
        } else if first == '\'' || first == '"' || first == '%' {
            found.push(Token::Unit(first.to_string()));
            rest = rest.get(1..).unwrap_or("");
        } else if first.is_alphabetic() || first == '°' {
            let end = rest.find(|c: char| !(c.is_alphabetic() || c == '°' || c == '/')).unwrap_or(rest.len());
            let (word, tail) = rest.split_at_checked(end).unwrap_or((rest, ""));
            if matches!(word.to_ascii_lowercase().as_str(), "nan" | "inf" | "infinity") {
                return Err(Error::input(format!(
                    "\"{shown}\" is not a finite number; write it as {}",
                    example(dimension)
                )));
            }
            push_unit(&mut found, word, gap, dimension);
            rest = tail;
        } else {
            return Err(Error::input(format!(
                "\"{}\" in \"{shown}\" cannot be read; write it as {}",
                first.escape_debug(),
                example(dimension)
            )));
        }
        let trimmed = rest.trim_start();
        gap = trimmed.len() != rest.len();
        rest = trimmed;
    }
    Ok(found)
}

/// Joins words that belong together with or without a space: "in Hg", "deg C", "° F".
fn push_unit(found: &mut Vec<Token>, word: &str, gap: bool, dimension: Dimension) {
    if let Some(Token::Unit(before)) = found.last_mut() {
        let joined = format!("{before}{word}");
        if !gap || units::find(&joined, dimension).is_some() {
            *before = joined;
            return;
        }
    }
    found.push(Token::Unit(word.to_string()));
}

/// A number at the head of `text`: digits, a fraction, a whole number with a fraction.
fn read_number<'t>(text: &'t str, shown: &str) -> Result<(f64, &'t str)> {
    let (number, whole, tail) = read_plain_number(text, shown)?;
    if let Some((fraction, tail)) = read_denominator(number, whole, tail, shown)? {
        return Ok((fraction, tail));
    }
    // "3 1/2" and "3-1/2"
    if whole {
        let next = tail.strip_prefix('-').unwrap_or_else(|| tail.trim_start());
        let steps = next.len() < tail.len();
        if steps
            && next.starts_with(|c: char| c.is_ascii_digit())
            && let Ok((top, true, tail)) = read_plain_number(next, shown)
            && let Some((fraction, tail)) = read_denominator(top, true, tail, shown)?
        {
            if fraction >= 1.0 {
                return Err(Error::input(format!(
                    "the fraction in \"{shown}\" is one or more; write a proper fraction or a decimal number"
                )));
            }
            return Ok((number + fraction, tail));
        }
    }
    Ok((number, tail))
}

/// `/d` behind a whole number makes it a fraction.
fn read_denominator<'t>(top: f64, whole: bool, tail: &'t str, shown: &str) -> Result<Option<(f64, &'t str)>> {
    let Some(below) = tail.strip_prefix('/') else { return Ok(None) };
    if !whole || !below.starts_with(|c: char| c.is_ascii_digit()) {
        return Ok(None);
    }
    let (bottom, bottom_whole, tail) = read_plain_number(below, shown)?;
    if !bottom_whole || bottom == 0.0 {
        return Err(Error::input(format!("the fraction in \"{shown}\" cannot be read; write it like 3/16")));
    }
    Ok(Some((top / bottom, tail)))
}

/// Digits with at most one decimal point (or an unmistakable decimal comma) and an exponent.
/// Also says whether it was a whole number without either.
fn read_plain_number<'t>(text: &'t str, shown: &str) -> Result<(f64, bool, &'t str)> {
    let end = text.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ',')).unwrap_or(text.len());
    let (digits, mut tail) = text.split_at_checked(end).unwrap_or((text, ""));
    let mut number = decimal_point(digits, shown)?;
    let whole = number.bytes().all(|b| b.is_ascii_digit());
    let mut exponent = false;
    if let Some(behind) = tail.strip_prefix(['e', 'E']) {
        let signed = behind.strip_prefix(['+', '-']).unwrap_or(behind);
        let length = signed.find(|c: char| !c.is_ascii_digit()).unwrap_or(signed.len());
        if length > 0 {
            let taken = behind.len() - signed.len() + length;
            let (power, after) = behind.split_at_checked(taken).unwrap_or((behind, ""));
            number.push('e');
            number.push_str(power);
            tail = after;
            exponent = true;
        }
    }
    let value: f64 = number
        .parse()
        .map_err(|_| Error::input(format!("\"{digits}\" in \"{shown}\" is not a number; write it like 12.5")))?;
    if !value.is_finite() {
        return Err(Error::input(format!("\"{digits}\" in \"{shown}\" is too large for a number; check the digits")));
    }
    Ok((value, whole && !exponent, tail))
}

/// Turns an unmistakable decimal comma into a point; refuses what may be a thousands separator.
fn decimal_point(digits: &str, shown: &str) -> Result<String> {
    let commas = digits.matches(',').count();
    if commas == 0 {
        return Ok(digits.to_string());
    }
    let (before, behind) = digits.split_once(',').unwrap_or((digits, ""));
    let lone = commas == 1 && !digits.contains('.') && !before.is_empty() && !behind.is_empty();
    let leading_zero = before.starts_with('0');
    if lone && (behind.len() != 3 || before.len() > 3 || leading_zero) {
        return Ok(format!("{before}.{behind}"));
    }
    let bare: String = digits.chars().filter(|c| *c != ',').collect();
    let reading = if lone { format!("write {before}.{behind} or {bare}") } else { "use one decimal point".to_string() };
    Err(Error::input(format!("the comma of \"{digits}\" in \"{shown}\" can be read in two ways; {reading}")))
}

/// "6.000 ± 0.005 m": a value without unit takes that of its doubt.
fn borrow_unit(amount: &mut Amount, doubt: &str, shown: &str, dimension: Dimension) -> Result<()> {
    if dimension == Dimension::Ratio {
        return Ok(());
    }
    if let [(_, unit @ None)] = amount.parts.as_mut_slice()
        && let [(_, Some(word))] = read_amount(doubt, shown, dimension)?.parts.as_slice()
        && word != "%"
    {
        *unit = Some(word.clone());
    }
    Ok(())
}

/// The amount in SI; `interval` for differences (no offset). Also says whether it was in per cent.
fn amount_to_si(amount: &Amount, shown: &str, dimension: Dimension, interval: bool) -> Result<(f64, bool)> {
    let mut sum = 0.0;
    let mut before: Option<&'static Unit> = None;
    let mut percent = false;
    let last = amount.parts.len().saturating_sub(1);
    for (i, (number, word)) in amount.parts.iter().enumerate() {
        let unit = unit_of(word.as_deref().unwrap_or(""), shown, dimension)?;
        percent = unit.word() == "%";
        if let Some(larger) = before {
            let ratio = COMPOUNDS.iter().find(|(a, b, _)| *a == larger.word() && *b == unit.word()).map(|(_, _, r)| *r);
            let Some(ratio) = ratio else {
                return Err(Error::input(format!(
                    "\"{shown}\" puts {} behind {}: if the second number is how far off it may be, write ± before \
                     it; if not, write one number with one unit",
                    unit.word(),
                    larger.word()
                )));
            };
            if *number >= ratio {
                return Err(Error::input(format!(
                    "\"{shown}\" has {number} {}, but {ratio} make a whole {}; check the numbers",
                    unit.word(),
                    larger.word()
                )));
            }
        }
        if i < last && number.fract() != 0.0 {
            return Err(Error::input(format!(
                "\"{shown}\" has a broken number in front of {}; only the last of a pair may have decimals",
                unit.word()
            )));
        }
        let signed = if amount.negative { -number } else { *number };
        sum += if interval { unit.interval_to_si(signed) } else { unit.to_si(signed) };
        before = Some(unit);
    }
    Ok((sum, percent))
}

fn unit_of(word: &str, shown: &str, dimension: Dimension) -> Result<&'static Unit> {
    if let Some(unit) = units::find(word, dimension) {
        return Ok(unit);
    }
    let fitting = dimension.fitting_units();
    let text = match units::other_dimension(word) {
        _ if word.is_empty() => format!("\"{shown}\" has no unit; write {fitting} behind the number"),
        Some(other) => {
            format!(
                "\"{word}\" in \"{shown}\" measures {}, but {} goes here; write {fitting}",
                other.noun(),
                dimension.noun()
            )
        }
        None => format!("\"{word}\" in \"{shown}\" is not a unit known here; write {fitting}"),
    };
    Err(Error::input(text))
}

/// The half-width behind ± in SI: in a unit of its own, or in per cent of the value.
fn doubt_to_si(doubt: &str, value: f64, value_in_percent: bool, shown: &str, dimension: Dimension) -> Result<f64> {
    let amount = read_amount(doubt, shown, dimension)?;
    if amount.negative {
        return Err(Error::input(format!("what stands behind ± in \"{shown}\" is negative; write it without a sign")));
    }
    let in_percent = matches!(amount.parts.as_slice(), [(_, Some(word))] if word == "%" || word == "percent");
    if dimension == Dimension::Ratio {
        if in_percent != value_in_percent {
            return Err(Error::input(format!(
                "\"{shown}\" mixes a bare number with per cent, which can be read in two ways; write both bare \
                 (0.45 ± 0.04) or both in per cent (50 % ± 10 %)"
            )));
        }
        return amount_to_si(&amount, shown, dimension, true).map(|(half_width, _)| half_width);
    }
    if in_percent {
        let percent = amount.parts.first().map_or(0.0, |(n, _)| *n);
        if dimension == Dimension::Temperature || value == 0.0 {
            return Err(Error::input(format!(
                "a doubt in per cent says nothing in \"{shown}\"; write it in {}",
                dimension.fitting_units()
            )));
        }
        return Ok(value.abs() * percent / 100.0);
    }
    amount_to_si(&amount, shown, dimension, true).map(|(half_width, _)| half_width)
}

fn check_size(value_si: f64, shown: &str, dimension: Dimension) -> Result<()> {
    if !value_si.is_finite() || value_si.abs() > LARGEST_SI {
        return Err(Error::input(format!(
            "\"{shown}\" is beyond {LARGEST_SI:e} {}; check the digits and the unit",
            dimension.si_word()
        )));
    }
    if dimension == Dimension::Temperature && value_si < 0.0 {
        return Err(Error::input(format!("\"{shown}\" is below absolute zero (-273.15 degC); check the digits")));
    }
    Ok(())
}
