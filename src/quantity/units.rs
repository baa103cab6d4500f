//! Which units are there, and what is one of each in SI?
//!
//! Conversion factors are those of the `uom` crate; this module only ties them to the words
//! people write.

use uom::si::f64 as si;
use uom::si::{
    angle, angular_velocity, length, mass, pressure, ratio, temperature_interval, thermodynamic_temperature, time,
    velocity,
};

/// Values beyond this (in SI units) are refused as slips of the pen: no wall, ball or weather
/// comes near it, and sums of squares stay far from overflow.
pub const LARGEST_SI: f64 = 1e9;

/// What kind of thing a quantity measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// Metres inside.
    Length,
    /// Radians inside.
    Angle,
    /// Kilograms inside.
    Mass,
    /// Metres per second inside.
    Speed,
    /// Kelvins inside.
    Temperature,
    /// Pascals inside.
    Pressure,
    /// A bare number inside; written bare or in per cent.
    Ratio,
    /// Radians per second inside.
    Rotation,
    /// Seconds inside.
    Time,
}

impl Dimension {
    /// Every dimension.
    pub const ALL: [Self; 9] = [
        Self::Length,
        Self::Angle,
        Self::Mass,
        Self::Speed,
        Self::Temperature,
        Self::Pressure,
        Self::Ratio,
        Self::Rotation,
        Self::Time,
    ];

    /// The noun for sentences, with its article.
    pub const fn noun(self) -> &'static str {
        match self {
            Self::Length => "a length",
            Self::Angle => "an angle",
            Self::Mass => "a mass",
            Self::Speed => "a speed",
            Self::Temperature => "a temperature",
            Self::Pressure => "a pressure",
            Self::Ratio => "a ratio",
            Self::Rotation => "a rate of turning",
            Self::Time => "a time",
        }
    }

    /// The SI unit's word; empty for a ratio.
    pub const fn si_word(self) -> &'static str {
        match self {
            Self::Length => "m",
            Self::Angle => "rad",
            Self::Mass => "kg",
            Self::Speed => "m/s",
            Self::Temperature => "K",
            Self::Pressure => "Pa",
            Self::Ratio => "",
            Self::Rotation => "rad/s",
            Self::Time => "s",
        }
    }

    /// The units that fit, for an error's last words.
    pub const fn fitting_units(self) -> &'static str {
        match self {
            Self::Length => "m, cm, mm, ft, in or yd",
            Self::Angle => "deg, rad, arcmin or arcsec",
            Self::Mass => "g, kg, mg, oz or lb",
            Self::Speed => "mph, km/h, m/s or ft/s",
            Self::Temperature => "degC, degF or K",
            Self::Pressure => "hPa, kPa, Pa, mbar, bar, inHg, mmHg, psi or atm",
            Self::Ratio => "% or a bare number",
            Self::Rotation => "rpm, rev/s, deg/s or rad/s",
            Self::Time => "s, ms or min",
        }
    }
}

/// One unit: its words, and the way to SI for a value and for a difference of values.
pub(super) struct Unit {
    pub(super) words: &'static [&'static str],
    pub(super) dimension: Dimension,
    to_si: fn(f64) -> f64,
    from_si: fn(f64) -> f64,
    interval_to_si: fn(f64) -> f64,
    interval_from_si: fn(f64) -> f64,
}

impl Unit {
    pub(super) fn to_si(&self, value: f64) -> f64 {
        (self.to_si)(value)
    }

    pub(super) fn value_in_unit(&self, value: f64) -> f64 {
        (self.from_si)(value)
    }

    /// A difference in SI: no offset, which matters for temperatures.
    pub(super) fn interval_to_si(&self, value: f64) -> f64 {
        (self.interval_to_si)(value)
    }

    pub(super) fn interval_in_unit(&self, value: f64) -> f64 {
        (self.interval_from_si)(value)
    }

    /// The unit's own short word.
    pub(super) fn word(&self) -> &'static str {
        self.words.first().copied().unwrap_or("")
    }
}

macro_rules! unit {
    ($dimension:ident, $quantity:ident, $module:ident :: $name:ident, $base:ident, $($word:literal),+) => {
        Unit {
            words: &[$($word),+],
            dimension: Dimension::$dimension,
            to_si: |v| si::$quantity::new::<$module::$name>(v).get::<$module::$base>(),
            from_si: |v| si::$quantity::new::<$module::$base>(v).get::<$module::$name>(),
            interval_to_si: |v| si::$quantity::new::<$module::$name>(v).get::<$module::$base>(),
            interval_from_si: |v| si::$quantity::new::<$module::$base>(v).get::<$module::$name>(),
        }
    };
}

macro_rules! temperature {
    ($name:ident, $($word:literal),+) => {
        Unit {
            words: &[$($word),+],
            dimension: Dimension::Temperature,
            to_si: |v| {
                si::ThermodynamicTemperature::new::<thermodynamic_temperature::$name>(v)
                    .get::<thermodynamic_temperature::kelvin>()
            },
            from_si: |v| {
                si::ThermodynamicTemperature::new::<thermodynamic_temperature::kelvin>(v)
                    .get::<thermodynamic_temperature::$name>()
            },
            interval_to_si: |v| {
                si::TemperatureInterval::new::<temperature_interval::$name>(v).get::<temperature_interval::kelvin>()
            },
            interval_from_si: |v| {
                si::TemperatureInterval::new::<temperature_interval::kelvin>(v).get::<temperature_interval::$name>()
            },
        }
    };
}

/// Feet, inches and the like are international; the ounce and pound are avoirdupois.
static UNITS: &[Unit] = &[
    unit!(Length, Length, length::meter, meter, "m", "meter", "meters", "metre", "metres"),
    unit!(Length, Length, length::centimeter, meter, "cm", "centimeter", "centimeters", "centimetre", "centimetres"),
    unit!(Length, Length, length::millimeter, meter, "mm", "millimeter", "millimeters", "millimetre", "millimetres"),
    unit!(Length, Length, length::micrometer, meter, "um", "µm", "μm"),
    unit!(Length, Length, length::kilometer, meter, "km", "kilometer", "kilometers", "kilometre", "kilometres"),
    unit!(Length, Length, length::foot, meter, "ft", "foot", "feet", "'"),
    unit!(Length, Length, length::inch, meter, "in", "inch", "inches", "\""),
    unit!(Length, Length, length::yard, meter, "yd", "yard", "yards"),
    unit!(Angle, Angle, angle::degree, radian, "deg", "°", "degree", "degrees"),
    unit!(Angle, Angle, angle::radian, radian, "rad", "radian", "radians"),
    unit!(Angle, Angle, angle::minute, radian, "arcmin", "'"),
    unit!(Angle, Angle, angle::second, radian, "arcsec", "\""),
    unit!(Mass, Mass, mass::kilogram, kilogram, "kg", "kilogram", "kilograms"),
    unit!(Mass, Mass, mass::gram, kilogram, "g", "gram", "grams"),
    unit!(Mass, Mass, mass::milligram, kilogram, "mg", "milligram", "milligrams"),
    unit!(Mass, Mass, mass::ounce, kilogram, "oz", "ounce", "ounces"),
    unit!(Mass, Mass, mass::pound, kilogram, "lb", "lbs", "pound", "pounds"),
    unit!(Speed, Velocity, velocity::meter_per_second, meter_per_second, "m/s", "mps"),
    unit!(Speed, Velocity, velocity::mile_per_hour, meter_per_second, "mph", "mi/h"),
    unit!(Speed, Velocity, velocity::kilometer_per_hour, meter_per_second, "km/h", "kmh", "kph"),
    unit!(Speed, Velocity, velocity::foot_per_second, meter_per_second, "ft/s", "fps"),
    temperature!(kelvin, "K", "kelvin", "kelvins"),
    temperature!(degree_celsius, "degC", "°C", "C", "celsius", "℃"),
    temperature!(degree_fahrenheit, "degF", "°F", "F", "fahrenheit", "℉"),
    unit!(Pressure, Pressure, pressure::pascal, pascal, "Pa", "pascal", "pascals"),
    unit!(Pressure, Pressure, pressure::hectopascal, pascal, "hPa"),
    unit!(Pressure, Pressure, pressure::kilopascal, pascal, "kPa"),
    unit!(Pressure, Pressure, pressure::millibar, pascal, "mbar", "mb"),
    unit!(Pressure, Pressure, pressure::bar, pascal, "bar"),
    unit!(Pressure, Pressure, pressure::inch_of_mercury, pascal, "inHg"),
    unit!(Pressure, Pressure, pressure::millimeter_of_mercury, pascal, "mmHg", "torr"),
    unit!(Pressure, Pressure, pressure::psi, pascal, "psi"),
    unit!(Pressure, Pressure, pressure::atmosphere, pascal, "atm"),
    unit!(Ratio, Ratio, ratio::percent, ratio, "%", "percent"),
    unit!(Ratio, Ratio, ratio::ratio, ratio, ""),
    unit!(
        Rotation,
        AngularVelocity,
        angular_velocity::revolution_per_minute,
        radian_per_second,
        "rpm",
        "rev/min",
        "r/min"
    ),
    unit!(Rotation, AngularVelocity, angular_velocity::revolution_per_second, radian_per_second, "rev/s", "rps"),
    unit!(Rotation, AngularVelocity, angular_velocity::degree_per_second, radian_per_second, "deg/s", "°/s"),
    unit!(Rotation, AngularVelocity, angular_velocity::radian_per_second, radian_per_second, "rad/s"),
    unit!(Time, Time, time::second, second, "s", "sec", "second", "seconds"),
    unit!(Time, Time, time::millisecond, second, "ms", "millisecond", "milliseconds"),
    unit!(Time, Time, time::minute, second, "min", "minute", "minutes"),
];

fn matches(unit: &Unit, word: &str, any_case: bool) -> bool {
    unit.words.iter().any(|w| if any_case { w.eq_ignore_ascii_case(word) } else { *w == word })
}

/// The unit of `dimension` that `word` names: as written first, then whatever its capitals.
/// (No two units of one dimension differ by capitals alone; a test holds this.)
pub(super) fn find(word: &str, dimension: Dimension) -> Option<&'static Unit> {
    [false, true]
        .iter()
        .find_map(|any_case| UNITS.iter().find(|u| u.dimension == dimension && matches(u, word, *any_case)))
}

/// What a word measures when it is a unit of something else.
pub(super) fn other_dimension(word: &str) -> Option<Dimension> {
    [false, true]
        .iter()
        .find_map(|any_case| UNITS.iter().find(|u| !word.is_empty() && matches(u, word, *any_case)))
        .map(|u| u.dimension)
}

/// Pairs that may follow each other, larger then smaller, and how many of the smaller make one
/// of the larger. Others ("6 m 5 mm") are refused: they are more likely a forgotten ±.
pub(super) const COMPOUNDS: &[(&str, &str, f64)] =
    &[("ft", "in", 12.0), ("lb", "oz", 16.0), ("deg", "arcmin", 60.0), ("arcmin", "arcsec", 60.0)];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_word_names_two_units_of_one_dimension() {
        for (i, a) in UNITS.iter().enumerate() {
            for b in UNITS.iter().skip(i + 1).filter(|b| b.dimension == a.dimension) {
                for word in a.words {
                    assert!(!matches(b, word, true), "{word} names both {} and {}", a.word(), b.word());
                }
            }
        }
    }

    #[test]
    fn conversions_are_those_of_the_international_definitions() {
        // Source: the international yard and pound (1959): 1 in = 25.4 mm, 1 lb = 0.45359237 kg;
        // mile = 5280 ft; conventional mercury 13 595.1 kg/m3 x 9.80665 m/s2.
        for (word, dimension, si) in [
            ("in", Dimension::Length, 0.0254),
            ("ft", Dimension::Length, 0.3048),
            ("yd", Dimension::Length, 0.9144),
            ("oz", Dimension::Mass, 0.45359237 / 16.0),
            ("mph", Dimension::Speed, 0.44704),
            ("km/h", Dimension::Speed, 1.0 / 3.6),
            ("inHg", Dimension::Pressure, 13595.1 * 9.80665 * 0.0254),
            ("mmHg", Dimension::Pressure, 13595.1 * 9.80665 * 0.001),
            ("psi", Dimension::Pressure, 6894.757293168),
            ("atm", Dimension::Pressure, 101325.0),
            ("rpm", Dimension::Rotation, std::f64::consts::TAU / 60.0),
            ("deg", Dimension::Angle, std::f64::consts::PI / 180.0),
            ("arcmin", Dimension::Angle, std::f64::consts::PI / 10800.0),
        ] {
            let unit = find(word, dimension).unwrap();
            // The library's factors of mercury, psi and the ounce carry seven figures; the others are exact.
            let allowed = if word.ends_with("Hg") || word == "psi" || word == "oz" { 3e-7 } else { 2e-12 };
            assert!((unit.to_si(1.0) / si - 1.0).abs() < allowed, "{word}: {} for {si}", unit.to_si(1.0));
            assert!((unit.value_in_unit(unit.to_si(7.5)) / 7.5 - 1.0).abs() < 1e-14, "{word}");
        }
    }

    #[test]
    fn a_temperature_has_an_offset_and_a_difference_has_none() {
        let f = find("degF", Dimension::Temperature).unwrap();
        assert!((f.to_si(64.4) - 291.15).abs() < 1e-9);
        assert!((f.interval_to_si(1.8) - 1.0).abs() < 1e-12);
        let c = find("°C", Dimension::Temperature).unwrap();
        assert!((c.to_si(0.0) - 273.15).abs() < 1e-12 && c.interval_to_si(1.0) == 1.0);
    }
}
