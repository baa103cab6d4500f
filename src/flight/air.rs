//! How dense and how viscous is the air the ball flies through?
//!
//! Density: CIPM-2007 (Picard, Davis, Glaeser, Fujii 2008, *Metrologia* 45, 149) for
//! moist air with 400 umol/mol carbon dioxide. Viscosity: Sutherland's formula. Pressure
//! at an altitude: the ICAO standard atmosphere's troposphere (Doc 7488).
//!
//! CIPM-2007 is stated for 15-27 degC and 600-1100 hPa with a relative uncertainty of
//! 22e-6; beyond (to -40..60 degC here) it departs from full real-gas formulas by less
//! than 1e-4, which shifts no angle by 0.001 deg.

use crate::error::{Error, Result};

/// 0 degC in kelvin.
pub const ZERO_CELSIUS_K: f64 = 273.15;
/// Standard pressure at sea level, Pa.
pub const STANDARD_PRESSURE_PA: f64 = 101_325.0;
/// Accepted temperatures, K: -40 to 60 degC.
pub const TEMPERATURE_RANGE_K: [f64; 2] = [233.15, 333.15];
/// Accepted pressures, Pa: above the highest roads to below the deepest valleys.
pub const PRESSURE_RANGE_PA: [f64; 2] = [40_000.0, 115_000.0];

/// Air at rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    /// Temperature, K.
    pub temperature_k: f64,
    /// Pressure at the place (not reduced to sea level), Pa.
    pub pressure_pa: f64,
    /// Relative humidity, 0 to 1.
    pub humidity: f64,
}

impl Air {
    /// Air within the accepted ranges.
    ///
    /// # Errors
    /// Temperature, pressure or humidity out of range (the likely slip is named).
    pub fn new(temperature_k: f64, pressure_pa: f64, humidity: f64) -> Result<Self> {
        let air = Self { temperature_k, pressure_pa, humidity };
        air.check()?;
        Ok(air)
    }

    /// The checks of [`Air::new`].
    ///
    /// # Errors
    /// As [`Air::new`].
    pub fn check(&self) -> Result<()> {
        let within = |value: f64, [low, high]: [f64; 2]| value >= low && value <= high;
        if !within(self.temperature_k, TEMPERATURE_RANGE_K) {
            return Err(Error::input(format!(
                "air temperature {:.1} degC is outside -40 to 60 degC: check the value and its unit",
                self.temperature_k - ZERO_CELSIUS_K
            )));
        }
        if !within(self.pressure_pa, PRESSURE_RANGE_PA) {
            return Err(Error::input(format!(
                "air pressure {:.1} hPa is outside 400 to 1150 hPa: check the value and its unit",
                self.pressure_pa / 100.0
            )));
        }
        if !within(self.humidity, [0.0, 1.0]) {
            return Err(Error::input(format!(
                "humidity {:.1} % is outside 0 to 100 %: check the value and its unit",
                self.humidity * 100.0
            )));
        }
        Ok(())
    }

    /// Density, kg/m3, CIPM-2007: `rho = p Ma / (Z R T) (1 - xv (1 - Mv / Ma))`.
    pub fn density_kg_m3(&self) -> f64 {
        // Constants: Picard et al. 2008, table 1 and appendix A.
        const MOLAR_MASS_DRY_OVER_R: f64 = 28.965_46e-3 / 8.314_472; // kg K / J, CO2 at 400 umol/mol
        const ONE_MINUS_MASS_RATIO: f64 = 1.0 - 18.015_28 / 28.965_46;
        let t_k = self.temperature_k;
        let t_c = t_k - ZERO_CELSIUS_K;
        let p_pa = self.pressure_pa;
        let saturation_pa =
            (1.237_884_7e-5 * t_k * t_k - 1.912_131_6e-2 * t_k + 33.937_110_47 - 6.343_164_5e3 / t_k).exp();
        let enhancement = 1.000_62 + 3.14e-8 * p_pa + 5.6e-7 * t_c * t_c;
        let vapour = self.humidity * enhancement * saturation_pa / p_pa;
        let p_over_t = p_pa / t_k;
        let compressibility = 1.0
            - p_over_t
                * (1.581_23e-6 - 2.933_1e-8 * t_c
                    + 1.104_3e-10 * t_c * t_c
                    + (5.707e-6 - 2.051e-8 * t_c) * vapour
                    + (1.989_8e-4 - 2.376e-6 * t_c) * vapour * vapour)
            + p_over_t * p_over_t * (1.83e-11 - 0.765e-8 * vapour * vapour);
        MOLAR_MASS_DRY_OVER_R * p_pa / (compressibility * t_k) * (1.0 - ONE_MINUS_MASS_RATIO * vapour)
    }

    /// Dynamic viscosity, Pa s, Sutherland: `1.458e-6 T^1.5 / (T + 110.4)` (US Standard
    /// Atmosphere 1976, equation 51). Humidity lowers it by under 1 %, which moves a
    /// sphere's drag by under 0.01 % here.
    pub fn viscosity_pa_s(&self) -> f64 {
        1.458e-6 * self.temperature_k.powf(1.5) / (self.temperature_k + 110.4)
    }
}

/// Pressure, Pa, at a height above sea level, m, in the ICAO standard atmosphere.
///
/// # Errors
/// A height outside -500 to 9000 m.
pub fn pressure_at_altitude_pa(altitude_m: f64) -> Result<f64> {
    if !(-500.0..=9000.0).contains(&altitude_m) {
        return Err(Error::input(format!(
            "altitude {altitude_m:.0} m is outside -500 to 9000 m: check the value and its unit, or state the pressure"
        )));
    }
    let (temperature_k, lapse_k_per_m) = (standard_temperature_k(altitude_m), 0.0065);
    let exponent = crate::flight::STANDARD_GRAVITY_MPS2 / (287.052_87 * lapse_k_per_m);
    Ok(STANDARD_PRESSURE_PA * (temperature_k / 288.15).powf(exponent))
}

/// Temperature, K, at a height above sea level, m, in the ICAO standard atmosphere's
/// troposphere (below 11 km).
pub fn standard_temperature_k(altitude_m: f64) -> f64 {
    /// Radius that turns a height into a geopotential height, m (ICAO Doc 7488).
    const EARTH_RADIUS_M: f64 = 6_356_766.0;
    288.15 - 0.0065 * EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moist_air_weighs_what_cipm_2007_says() {
        // Source: CIPM-2007, constants of Picard et al. 2008 evaluated independently in
        // double precision; the first row is also a published table's 1.19569 (10 degC, 730 mmHg, 40 %).
        // Columns: degC, Pa, relative humidity, kg/m3.
        let rows = [
            (10.0, 97_325.342_812_950_01, 0.4, 1.195_694_945_086_166_7),
            (40.0, 101_325.014_435_400_01, 0.4, 1.115_035_247_791_408_3),
            (20.0, 101_325.0, 0.5, 1.199_313_895_474_493_3),
            (20.0, 101_325.0, 0.0, 1.204_557_341_628_052_2),
            (15.0, 101_325.0, 0.0, 1.225_521_344_728_071),
            (23.0, 98_000.0, 0.6, 1.145_700_612_806_184_8),
            (27.0, 60_000.0, 0.5, 0.688_706_402_809_886_8),
            (35.0, 101_325.0, 0.8, 1.126_604_541_251_533),
            (20.0, 83_400.0, 0.3, 0.988_252_772_283_696_3),
        ];
        for (t_c, p_pa, humidity, expected) in rows {
            let rho = Air::new(t_c + ZERO_CELSIUS_K, p_pa, humidity).expect("in range").density_kg_m3();
            assert!((rho / expected - 1.0).abs() < 1e-12, "{t_c} degC {p_pa} Pa: {rho} against {expected}");
        }
    }

    #[test]
    fn viscosity_follows_sutherland() {
        // Source: 1.81341e-5 Pa s at 20 degC, Sutherland's formula with the constants above, from memory.
        let air = Air { temperature_k: 293.15, pressure_pa: STANDARD_PRESSURE_PA, humidity: 0.0 };
        assert!((air.viscosity_pa_s() - 1.813_41e-5).abs() < 5e-11);
    }

    #[test]
    fn the_standard_atmosphere_thins_with_height() {
        // Source: ICAO standard atmosphere (Doc 7488) densities, kg/m3.
        for (altitude_m, expected) in [(0.0, 1.225), (1000.0, 1.111_66), (2000.0, 1.006_55)] {
            let p_pa = pressure_at_altitude_pa(altitude_m).expect("in range");
            let rho = p_pa / (287.052_87 * standard_temperature_k(altitude_m));
            assert!((rho - expected).abs() < 1e-5, "{altitude_m} m: {rho} against {expected}");
        }
        assert!(pressure_at_altitude_pa(30_000.0).is_err());
        assert!(pressure_at_altitude_pa(f64::NAN).is_err());
    }

    #[test]
    fn slips_of_unit_are_refused_by_name() {
        let text = |a: Result<Air>| a.expect_err("out of range").to_string();
        assert!(text(Air::new(20.0, 101_325.0, 0.5)).contains("temperature"));
        assert!(text(Air::new(293.15, 1013.25, 0.5)).contains("pressure"));
        assert!(text(Air::new(293.15, 101_325.0, 50.0)).contains("humidity"));
        assert!(text(Air::new(f64::NAN, 101_325.0, 0.5)).contains("temperature"));
    }
}
