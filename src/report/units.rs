//! In which units do the session's people think?
//!
//! Results are kept in SI; a page shows speeds as `volleys.csv` wrote them and lengths as
//! `session.toml` did, so that nobody converts in their head.

use serde::{Deserialize, Serialize};

use super::number::{COVERAGE, NONE, fixed, plus_minus, signed};
use crate::session::Session;
use crate::session::spec::StatedInput;
use crate::study::MPH_PER_MPS;

/// Millimetres in an inch, exact.
pub const MM_PER_IN: f64 = 25.4;
/// A speed whose tenth would be 0 within this is written whole: readings are no finer than a tenth.
const WHOLE_WITHIN: f64 = 0.05;

/// Unit of speeds on the page.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum SpeedUnit {
    /// Miles an hour.
    #[default]
    #[serde(rename = "mph")]
    Mph,
    /// Kilometres an hour.
    #[serde(rename = "km/h")]
    Kmh,
    /// Metres a second.
    #[serde(rename = "m/s")]
    Mps,
}

/// Unit of lengths on the wall.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum LengthUnit {
    /// Millimetres.
    #[default]
    #[serde(rename = "mm")]
    Mm,
    /// Inches.
    #[serde(rename = "in")]
    Inch,
}

/// The units of a page.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Units {
    /// Of speeds.
    pub speed: SpeedUnit,
    /// Of lengths on the wall.
    pub length: LengthUnit,
}

/// Was the length written in feet, inches or yards?
fn is_us(text: &str) -> bool {
    text.contains(['\'', '"', '\u{2032}', '\u{2033}'])
        || text
            .split(|c: char| !c.is_alphabetic())
            .any(|w| matches!(w, "in" | "ft" | "yd" | "inch" | "inches" | "feet"))
}

/// Inches where most lengths of the machine and the tape were written so.
fn length_unit(stated: &[StatedInput]) -> LengthUnit {
    const LENGTHS: [&str; 5] = ["pivot_out", "pivot_up", "pivot_right", "arm", "distance"];
    let lengths = stated.iter().filter(|s| s.key.rsplit(['.', ' ']).next().is_some_and(|k| LENGTHS.contains(&k)));
    let (us, all) = lengths.fold((0, 0), |(us, all), s| (us + usize::from(is_us(&s.text)), all + 1));
    if 2 * us > all { LengthUnit::Inch } else { LengthUnit::Mm }
}

impl Units {
    /// The units that a session's files are written in.
    pub fn of(session: &Session) -> Self {
        let speed = match session.volleys.speed_unit {
            "km/h" => SpeedUnit::Kmh,
            "m/s" => SpeedUnit::Mps,
            _ => SpeedUnit::Mph,
        };
        Self { speed, length: length_unit(&session.spec.stated) }
    }

    /// "mph", "km/h" or "m/s".
    pub const fn speed_word(self) -> &'static str {
        match self.speed {
            SpeedUnit::Mph => "mph",
            SpeedUnit::Kmh => "km/h",
            SpeedUnit::Mps => "m/s",
        }
    }

    /// A speed in the page's unit.
    pub fn speed(self, speed_mps: f64) -> f64 {
        speed_mps * self.per_mps()
    }

    /// Units of speed in a metre per second.
    pub const fn per_mps(self) -> f64 {
        match self.speed {
            SpeedUnit::Mph => MPH_PER_MPS,
            SpeedUnit::Kmh => 3.6,
            SpeedUnit::Mps => 1.0,
        }
    }

    /// The number alone: whole where it is, else with a tenth.
    pub fn speed_number(self, speed_mps: f64) -> String {
        let v = self.speed(speed_mps);
        fixed(v, usize::from((v - v.round()).abs() >= WHOLE_WITHIN))
    }

    /// "45 mph".
    pub fn speed_words(self, speed_mps: f64) -> String {
        format!("{} {}", self.speed_number(speed_mps), self.speed_word())
    }

    /// "mm" or "in".
    pub const fn length_word(self) -> &'static str {
        match self.length {
            LengthUnit::Mm => "mm",
            LengthUnit::Inch => "in",
        }
    }

    /// A length on the wall in the page's unit.
    pub fn length(self, mm: f64) -> f64 {
        match self.length {
            LengthUnit::Mm => mm,
            LengthUnit::Inch => mm / MM_PER_IN,
        }
    }

    /// Finest place of a length: a tenth of a millimetre, a hundredth of an inch.
    pub const fn length_places(self) -> usize {
        match self.length {
            LengthUnit::Mm => 1,
            LengthUnit::Inch => 2,
        }
    }

    /// A length with its standard uncertainty as ± at [`COVERAGE`].
    pub fn length_with_u(self, mm: Option<f64>, u_mm: Option<f64>) -> String {
        let half = u_mm.map(|u| self.length(COVERAGE * u));
        mm.map_or_else(|| NONE.into(), |v| plus_minus(self.length(v), half, self.length_places()))
    }

    /// A length that is not known to the finest place: whole millimetres, tenths of an inch.
    pub fn length_coarse(self, mm: f64) -> String {
        fixed(self.length(mm), self.length_places() - 1)
    }

    /// A difference of lengths with its sign.
    pub fn length_signed(self, mm: f64) -> String {
        signed(self.length(mm), self.length_places())
    }

    /// A sentence whose speeds were written in mph, with the page's unit instead.
    ///
    /// A written speed is turned into the exact one of `known_mps` that reads alike; one that is not among them is
    /// converted as written.
    pub fn speak(self, sentence: &str, known_mps: &[f64]) -> String {
        if self.speed == SpeedUnit::Mph {
            return sentence.to_string();
        }
        let mph = Units { speed: SpeedUnit::Mph, ..self };
        let exact = |written: &str| -> Option<f64> {
            let value: f64 = written.parse().ok()?;
            let alike = known_mps.iter().copied().find(|v| mph.speed_number(*v) == written);
            Some(alike.unwrap_or(value / MPH_PER_MPS))
        };
        let mut out = String::with_capacity(sentence.len());
        let mut rest = sentence;
        while let Some(at) = rest.find(" mph") {
            let (before, after) = (&rest[..at], &rest[at + 4..]);
            let start = before
                .rfind(|c: char| !(c.is_ascii_digit() || c == '.'))
                .map_or(0, |i| i + before[i..].chars().next().map_or(1, char::len_utf8));
            let whole_word = !after.starts_with(char::is_alphanumeric);
            match exact(&before[start..]).filter(|_| whole_word) {
                Some(v) => out.push_str(&format!("{}{}", &before[..start], self.speed_words(v))),
                None => out.push_str(&format!("{before} mph")),
            }
            rest = after;
        }
        out + rest
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Quantity;

    const KMH: Units = Units { speed: SpeedUnit::Kmh, length: LengthUnit::Mm };

    #[test]
    fn speeds_and_lengths_in_the_peoples_units() {
        assert_eq!(Units::default().speed_words(22.352), "50 mph");
        assert_eq!(KMH.speed_words(20.0), "72 km/h");
        assert_eq!(KMH.speed_words(20.02), "72.1 km/h");
        let inches = Units { length: LengthUnit::Inch, ..Units::default() };
        // By hand: 254 mm is 10 in; 2 x 1.27 mm is 0.1 in.
        assert_eq!(inches.length_with_u(Some(254.0), Some(1.27)), "10.00 ± 0.10");
        assert_eq!(Units::default().length_with_u(Some(254.0), Some(1.27)), "254.0 ± 2.5");
    }

    #[test]
    fn sentences_change_their_unit() {
        // 50 km/h is 31.07 mph, written 31.1 mph: the exact speed is found again.
        let said = KMH.speak("a: 11.0 deg at 31.1 mph; zero at 60.25 mph (up to 62 mph), no mphx", &[50.0 / 3.6]);
        assert_eq!(said, "a: 11.0 deg at 50 km/h; zero at 97 km/h (up to 99.8 km/h), no mphx");
        assert_eq!(Units::default().speak("at 31.1 mph", &[]), "at 31.1 mph");
        assert_eq!(KMH.speak(" mph ± mph", &[]), " mph ± mph");
    }

    #[test]
    fn inches_where_most_lengths_are() {
        let input =
            |key: &str, text: &str| StatedInput { key: key.into(), text: text.into(), quantity: Quantity::exact(1.0) };
        let us = [
            input("machine.arm", "39.5 in ± 1/8 in"),
            input("machine.pivot_out", "12' 9\""),
            input("machine.pivot_up", "1 m"),
        ];
        assert_eq!(length_unit(&us), LengthUnit::Inch);
        assert_eq!(length_unit(&us[1..]), LengthUnit::Mm);
        assert_eq!(length_unit(&[input("ball.diameter", "2.5 in")]), LengthUnit::Mm);
    }
}
