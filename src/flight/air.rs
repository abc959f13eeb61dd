//! The air a ball flies through: density and viscosity.

use thiserror::Error;

/// Temperature, pressure and humidity of the air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirState {
    temperature_c: f64,
    pressure_pa: f64,
    relative_humidity: f64,
}

/// Why a state of the air was refused.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum AirError {
    #[error("an air temperature of {0} °C is outside -30 °C to 60 °C")]
    Temperature(f64),
    #[error("an air pressure of {0} Pa is outside 30 000 Pa to 110 000 Pa")]
    Pressure(f64),
    #[error("a relative humidity of {0} is outside 0 to 1")]
    Humidity(f64),
}

impl AirError {
    /// What to state instead.
    pub fn hint(&self) -> String {
        match self {
            Self::Temperature(_) => "give degrees Celsius, such as `21`; subtract 273.15 from kelvins",
            Self::Pressure(_) => "give pascals at the place itself, such as `101325`; 1013 hPa is 101300 Pa",
            Self::Humidity(_) => "give a share between 0 and 1, such as `0.5` for 50 %",
        }
        .to_owned()
    }
}

impl AirState {
    /// 20 °C, 101 325 Pa, half saturated: 1.199 kg/m³. Taken when nothing is stated.
    pub const ROOM: Self = Self { temperature_c: 20.0, pressure_pa: 101_325.0, relative_humidity: 0.5 };

    /// # Errors
    /// [`AirError`] for a state that no classroom or field has; nearly always a wrong unit.
    pub fn new(temperature_c: f64, pressure_pa: f64, relative_humidity: f64) -> Result<Self, AirError> {
        if !(-30.0..=60.0).contains(&temperature_c) {
            return Err(AirError::Temperature(temperature_c));
        }
        if !(30_000.0..=110_000.0).contains(&pressure_pa) {
            return Err(AirError::Pressure(pressure_pa));
        }
        if !(0.0..=1.0).contains(&relative_humidity) {
            return Err(AirError::Humidity(relative_humidity));
        }
        Ok(Self { temperature_c, pressure_pa, relative_humidity })
    }

    pub const fn temperature_c(&self) -> f64 {
        self.temperature_c
    }

    pub const fn pressure_pa(&self) -> f64 {
        self.pressure_pa
    }

    pub const fn relative_humidity(&self) -> f64 {
        self.relative_humidity
    }
}

/// Pressure of the standard atmosphere at a height above sea level up to 11 km, Pa, for a place whose pressure isn't
/// known. Weather moves it by about ±3 %.
///
/// Source: US Standard Atmosphere 1976 (the same as ISO 2533 there), geometric height turned into geopotential.
pub fn standard_pressure_pa(height_m: f64) -> f64 {
    const EARTH_RADIUS_M: f64 = 6_356_766.0;
    const LAPSE_K_PER_M: f64 = 0.0065;
    const EXPONENT: f64 = 9.80665 * 0.028_964_4 / (8.314_32 * LAPSE_K_PER_M);
    let geopotential_m = EARTH_RADIUS_M * height_m / (EARTH_RADIUS_M + height_m);
    101_325.0 * (1.0 - LAPSE_K_PER_M * geopotential_m / 288.15).powf(EXPONENT)
}

/// Density of moist air, kg/m³, with a mole fraction of carbon dioxide of 0.0004.
///
/// # Source
/// CIPM-2007: Picard, Davis, Gläser, Fujii, Metrologia 45 (2008) 149–155. Its own uncertainty (2.2e-5 relative) holds
/// for 15 °C to 27 °C and 60 kPa to 110 kPa; outside it is still far better than the state of the air is known.
pub fn density_kg_per_m3(air: &AirState) -> f64 {
    const MOLAR_GAS_CONSTANT: f64 = 8.314_472;
    const MOLAR_MASS_WATER: f64 = 18.015_28e-3;
    const MOLAR_MASS_DRY_AIR: f64 = 28.965_46e-3;
    let kelvin = air.temperature_c + 273.15;
    let vapour = vapour_mole_fraction(air);
    let z = compressibility(air, vapour);
    air.pressure_pa * MOLAR_MASS_DRY_AIR / (z * MOLAR_GAS_CONSTANT * kelvin)
        * (1.0 - vapour * (1.0 - MOLAR_MASS_WATER / MOLAR_MASS_DRY_AIR))
}

/// Mole fraction of water vapour (CIPM-2007, equations A1.1 to A1.3).
fn vapour_mole_fraction(air: &AirState) -> f64 {
    let (t, kelvin) = (air.temperature_c, air.temperature_c + 273.15);
    let saturation_pa =
        (1.237_884_7e-5 * kelvin * kelvin - 1.912_131_6e-2 * kelvin + 33.937_110_47 - 6.343_164_5e3 / kelvin).exp();
    let enhancement = 1.000_62 + 3.14e-8 * air.pressure_pa + 5.6e-7 * t * t;
    air.relative_humidity * enhancement * saturation_pa / air.pressure_pa
}

/// Compressibility factor (CIPM-2007, equation A1.4).
fn compressibility(air: &AirState, vapour: f64) -> f64 {
    let (t, kelvin) = (air.temperature_c, air.temperature_c + 273.15);
    let p_over_t = air.pressure_pa / kelvin;
    let first = 1.581_23e-6 - 2.933_1e-8 * t
        + 1.104_3e-10 * t * t
        + (5.707e-6 - 2.051e-8 * t) * vapour
        + (1.989_8e-4 - 2.376e-6 * t) * vapour * vapour;
    1.0 - p_over_t * first + p_over_t * p_over_t * (1.83e-11 - 0.765e-8 * vapour * vapour)
}

/// Dynamic viscosity of air, Pa·s, at a temperature in °C.
///
/// Source: Sutherland's formula with the constants of the US Standard Atmosphere 1976.
pub fn dynamic_viscosity_pa_s(temperature_c: f64) -> f64 {
    let kelvin = temperature_c + 273.15;
    1.458e-6 * kelvin.powf(1.5) / (kelvin + 110.4)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::fixture::{Fixture, numbers};

    #[test]
    fn density_agrees_with_cipm_2007_to_rounding() {
        let table = Fixture::read("drag_air.toml");
        let cipm = &table["air"]["cipm2007"];
        let [t, p, h, rho] = ["t", "p", "h", "rho"].map(|key| numbers(&cipm[key]));
        for i in 0..t.len() {
            let air = AirState::new(t[i], p[i], h[i]).unwrap();
            // The table is computed with 30 digits from the same constants.
            assert!((density_kg_per_m3(&air) / rho[i] - 1.0).abs() < 1e-12, "row {i}");
        }
    }

    #[test]
    fn density_agrees_with_printed_values() {
        let table = Fixture::read("drag_air.toml");
        for row in table["air"]["cipm2007"]["printed"].as_array().unwrap() {
            let [t, p, h, rho] = ["t", "p", "h", "rho"].map(|key| row[key].as_float().unwrap());
            let air = AirState::new(t, p, h).unwrap();
            // Gupta, *Mass Metrology*, table in mmHg: agrees to 6e-5, the rounding of its conversions.
            assert!((density_kg_per_m3(&air) / rho - 1.0).abs() < 6e-5, "{t} °C");
        }
    }

    #[test]
    fn viscosity_agrees_with_sutherlands_formula() {
        let table = Fixture::read("drag_air.toml");
        let sutherland = &table["air"]["sutherland"];
        for (t, mu) in numbers(&sutherland["t_c"]).into_iter().zip(numbers(&sutherland["mu"])) {
            assert!((dynamic_viscosity_pa_s(t) / mu - 1.0).abs() < 1e-12, "{t}");
        }
    }

    #[test]
    fn pressure_by_height_agrees_with_the_standard_atmosphere() {
        let table = Fixture::read("drag_air.toml");
        let isa = &table["air"]["isa"];
        for (h, p) in numbers(&isa["h"]).into_iter().zip(numbers(&isa["p_computed"])) {
            assert!((standard_pressure_pa(h) / p - 1.0).abs() < 1e-9, "{h}");
        }
    }

    #[test]
    fn wrong_units_are_refused() {
        assert_eq!(AirState::new(293.0, 101_325.0, 0.5), Err(AirError::Temperature(293.0)));
        assert_eq!(AirState::new(20.0, 1013.25, 0.5), Err(AirError::Pressure(1013.25)));
        assert_eq!(AirState::new(20.0, 101_325.0, 50.0), Err(AirError::Humidity(50.0)));
    }
}
