//! Gravity to be expected at a place.
//!
//! Source: normal gravity and its change with height from NIMA TR8350.2, *World Geodetic System 1984*, 3rd edition
//! (2000), equations 4-1 and 4-3.

use thiserror::Error;

use crate::units::Estimate;

/// Standard gravity, 3rd CGPM (1901), exact by convention; no place need have it.
pub const STANDARD_GRAVITY_M_PER_S2: f64 = 9.80665;

/// What is taken when the place isn't stated.
pub const UNSTATED_PLACE_GRAVITY_M_PER_S2: f64 = 9.81;

/// Half-width of the range of g over places where people live, about 9.81 m/s²: from 9.771 (equator, 2850 m) to 9.832
/// (pole, sea level), both by WGS 84.
const EARTH_HALF_RANGE_M_PER_S2: f64 = 0.039;

/// Local anomaly: how far g at a station lies from normal gravity, as a standard uncertainty. Measured stations and
/// textbook places lie within about 0.5 mm/s² (a few within 1 mm/s²).
const ANOMALY_M_PER_S2: f64 = 5e-4;

/// Heights taken as possible when only the latitude is stated, m above sea level.
const UNSTATED_HEIGHT_RANGE_M: f64 = 1500.0;

const GAMMA_EQUATOR: f64 = 9.7803253359;
const SOMIGLIANA_K: f64 = 0.00193185265241;
const ECCENTRICITY_SQUARED: f64 = 0.00669437999013;
const SEMI_MAJOR_AXIS_M: f64 = 6_378_137.0;
const FLATTENING: f64 = 1.0 / 298.257223563;
/// Centrifugal over gravitational acceleration at the equator.
const CENTRIFUGAL_RATIO_M: f64 = 0.00344978650684;

/// Why a place was refused.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum PlaceError {
    #[error("a latitude of {0}° is outside -90° to 90°")]
    Latitude(f64),
    #[error("a height of {0} m above sea level is outside -500 m to 9000 m")]
    Height(f64),
}

impl PlaceError {
    /// What to state instead.
    pub fn hint(&self) -> String {
        match self {
            Self::Latitude(_) => "give the latitude in degrees, north positive, such as `52.5`".to_owned(),
            Self::Height(_) => "give the height of the place above sea level in metres, such as `120`".to_owned(),
        }
    }
}

/// Where on the Earth the flight takes place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    latitude_deg: f64,
    height_m: Option<f64>,
}

impl Place {
    /// A place at geodetic latitude `latitude_deg` (north positive) and `height_m` above sea level, `None` when not known.
    ///
    /// # Errors
    /// [`PlaceError`] for values that no place on the Earth has.
    pub fn new(latitude_deg: f64, height_m: Option<f64>) -> Result<Self, PlaceError> {
        if !(-90.0..=90.0).contains(&latitude_deg) {
            return Err(PlaceError::Latitude(latitude_deg));
        }
        match height_m {
            Some(height) if !(-500.0..=9000.0).contains(&height) => Err(PlaceError::Height(height)),
            _ => Ok(Self { latitude_deg, height_m }),
        }
    }

    pub const fn latitude_deg(self) -> f64 {
        self.latitude_deg
    }

    pub const fn height_m(self) -> Option<f64> {
        self.height_m
    }
}

/// Normal gravity on the WGS 84 ellipsoid at a geodetic latitude, m/s² (TR8350.2, equation 4-1).
pub fn normal_gravity(latitude_deg: f64) -> f64 {
    let s = latitude_deg.to_radians().sin().powi(2);
    GAMMA_EQUATOR * (1.0 + SOMIGLIANA_K * s) / (1.0 - ECCENTRICITY_SQUARED * s).sqrt()
}

/// Normal gravity `height_m` above the ellipsoid, m/s² (TR8350.2, equation 4-3).
pub fn normal_gravity_at_height(latitude_deg: f64, height_m: f64) -> f64 {
    let s = latitude_deg.to_radians().sin().powi(2);
    let h = height_m / SEMI_MAJOR_AXIS_M;
    let first = 2.0 * (1.0 + FLATTENING + CENTRIFUGAL_RATIO_M - 2.0 * FLATTENING * s);
    normal_gravity(latitude_deg) * (1.0 - first * h + 3.0 * h * h)
}

/// The gravity to expect, m/s², with its uncertainty.
///
/// With a place: normal gravity at its height, and as uncertainty the usual local anomaly; a height not stated is taken
/// as sea level with 1500 m allowed for. Without a place: 9.81 with the whole range over the Earth in the uncertainty,
/// as a rectangular distribution (GUM 4.3.7), whose 95 % interval is 0.95 of the half-width.
pub fn expected_gravity(place: Option<Place>) -> Estimate {
    let Some(place) = place else {
        return Estimate {
            value: UNSTATED_PLACE_GRAVITY_M_PER_S2,
            standard_uncertainty: Some(EARTH_HALF_RANGE_M_PER_S2 / 3f64.sqrt()),
            expanded_uncertainty_95: Some(0.95 * EARTH_HALF_RANGE_M_PER_S2),
        };
    };
    let value = normal_gravity_at_height(place.latitude_deg, place.height_m.unwrap_or(0.0));
    let unstated_height = match place.height_m {
        Some(_) => 0.0,
        None => {
            let drop = normal_gravity(place.latitude_deg)
                - normal_gravity_at_height(place.latitude_deg, UNSTATED_HEIGHT_RANGE_M);
            drop / 3f64.sqrt()
        }
    };
    Estimate::with_coverage_factor(value, ANOMALY_M_PER_S2.hypot(unstated_height), 1.96)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::fixture::{Fixture, numbers};

    fn reference() -> Fixture {
        Fixture::read("gravity.toml")
    }

    #[test]
    fn normal_gravity_by_latitude_agrees_with_wgs84_values() {
        let table = reference();
        let computed = &table["wgs84"]["computed"];
        for (latitude, expected) in numbers(&computed["latitude"]).into_iter().zip(numbers(&computed["gamma"])) {
            // The table was computed with 40 digits: a few roundings remain.
            assert!((normal_gravity(latitude) / expected - 1.0).abs() < 1e-14, "{latitude}");
        }
        // Published test values at 0°, 45°, 90° to their printed digits.
        for (latitude, printed) in [(0.0, 9.7803253359), (45.0, 9.80619776937), (90.0, 9.8321849378)] {
            assert!((normal_gravity(latitude) - printed).abs() < 1e-10, "{latitude}");
        }
    }

    #[test]
    fn normal_gravity_by_height_agrees_with_wgs84_values() {
        let table = reference();
        let height = &table["wgs84"]["height"];
        let rows = numbers(&height["latitude"]).into_iter().zip(numbers(&height["h"])).zip(numbers(&height["gamma_h"]));
        for ((latitude, h), expected) in rows {
            assert!((normal_gravity_at_height(latitude, h) / expected - 1.0).abs() < 1e-14, "{latitude} {h}");
        }
    }

    #[test]
    fn measured_stations_lie_in_the_interval() {
        let table = reference();
        for station in table["station"].as_array().unwrap() {
            let [latitude, height, measured] = ["latitude", "height", "g"].map(|key| station[key].as_float().unwrap());
            let expected = expected_gravity(Some(Place::new(latitude, Some(height)).unwrap()));
            let miss = (measured - expected.value).abs();
            assert!(miss < expected.expanded_uncertainty_95.unwrap(), "{}: {miss}", station["name"]);
        }
    }

    #[test]
    fn textbook_places_lie_within_a_thousandth() {
        let table = reference();
        for place in table["textbook_place"].as_array().unwrap() {
            let [latitude, height, measured] = ["latitude", "height", "g"].map(|key| place[key].as_float().unwrap());
            // Latitude to the degree is 1.5 mm/s² at most (45°, half a degree: 0.45 mm/s²), plus anomaly and four digits.
            let expected = normal_gravity_at_height(latitude, height);
            assert!((measured - expected).abs() < 1.5e-3, "{}", place["name"]);
            assert!((measured - 9.81).abs() < expected_gravity(None).expanded_uncertainty_95.unwrap());
        }
    }

    #[test]
    fn an_unstated_height_widens_the_interval() {
        let known = expected_gravity(Some(Place::new(52.0, Some(40.0)).unwrap()));
        let unknown = expected_gravity(Some(Place::new(52.0, None).unwrap()));
        assert!(unknown.standard_uncertainty > known.standard_uncertainty);
        assert!(expected_gravity(None).standard_uncertainty > unknown.standard_uncertainty);
    }

    #[test]
    fn impossible_places_are_refused() {
        assert_eq!(Place::new(91.0, None), Err(PlaceError::Latitude(91.0)));
        assert_eq!(Place::new(40.0, Some(30_000.0)), Err(PlaceError::Height(30_000.0)));
        assert!(matches!(Place::new(f64::NAN, None), Err(PlaceError::Latitude(_))));
    }
}
