//! The table of sightings for spreadsheets.

use super::numbers::{DecimalMark, known, rounding_place};
use crate::measurement::{Measurement, SightingRow};

/// Names of the columns, each with its unit. u(·) is a standard uncertainty (1 σ).
pub const COLUMNS: [&str; 16] = [
    "flight",
    "frame",
    "time / s",
    "time since launch / s",
    "x / m",
    "y / m",
    "u(x) / m",
    "u(y) / m",
    "x / px",
    "y / px",
    "u(x) / px",
    "u(y) / px",
    "radius / px",
    "residual x / px",
    "residual y / px",
    "used in fit",
];

/// All sightings of all flights as CSV (RFC 4180, UTF-8), units in the header, an empty cell where something is unknown.
///
/// Positions have the digits that their uncertainty deserves and one more, so that a fit of the table gives what the
/// program's own fit gave. With a decimal comma the cells are parted by semicolons, as spreadsheets of such places expect.
pub fn sightings_csv(measurement: &Measurement, mark: DecimalMark) -> String {
    let delimiter = match mark {
        DecimalMark::Point => b',',
        DecimalMark::Comma => b';',
    };
    let mut writer =
        csv::WriterBuilder::new().delimiter(delimiter).terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let mut put = |record: &[String]| writer.write_record(record).expect("writing to memory, rows of equal length");
    put(&COLUMNS.map(str::to_owned));
    for flight in &measurement.flights {
        for row in &flight.sightings {
            put(&cells(flight.number, flight.launch_time_s.value, row, mark));
        }
    }
    let bytes = writer.into_inner().expect("writing to memory");
    String::from_utf8(bytes).expect("made of strings")
}

fn cells(flight: usize, launch_time_s: f64, row: &SightingRow, mark: DecimalMark) -> [String; 16] {
    let (u_x_m, u_y_m) = row.covariance_m2.sigmas();
    let (u_x_px, u_y_px) = row.covariance_px2.sigmas();
    let with = |value: f64, u: f64, otherwise: usize| number(mark, value, decimals(u).unwrap_or(otherwise));
    let uncertainty = |u: f64| known(Some(u)).map_or_else(String::new, |u| number(mark, u, decimals(u).unwrap_or(6)));
    [
        flight.to_string(),
        row.frame.to_string(),
        number(mark, row.time_s, 6),
        number(mark, row.time_s - launch_time_s, 6),
        with(row.centre_m.x, u_x_m, 4),
        with(row.centre_m.y, u_y_m, 4),
        uncertainty(u_x_m),
        uncertainty(u_y_m),
        with(row.centre_px.x, u_x_px, 2),
        with(row.centre_px.y, u_y_px, 2),
        uncertainty(u_x_px),
        uncertainty(u_y_px),
        number(mark, row.radius_px, 2),
        with(row.residual_px.x, u_x_px, 2),
        with(row.residual_px.y, u_y_px, 2),
        if row.used { "yes" } else { "no" }.to_owned(),
    ]
}

/// Decimals for a value of this standard uncertainty, with one guard digit; `None` when it isn't known.
fn decimals(u: f64) -> Option<usize> {
    known(Some(u)).map(|u| (rounding_place(u) + 1).clamp(0, 12) as usize)
}

fn number(mark: DecimalMark, value: f64, decimals: usize) -> String {
    if value.is_finite() { mark.bare(value, decimals) } else { String::new() }
}
