//! The table of sightings for spreadsheets.

use super::numbers::{DecimalMark, known, rounding_place};
use super::said::codes;
use crate::measurement::{Measurement, SightingRow};

/// Names of the columns, each with its unit. u(·) is a standard uncertainty (1 σ).
pub const COLUMNS: [&str; 17] = [
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
    "notes on the flight",
];

/// `time` is the frame's; the time since launch is that of the ball's own row, which the fit goes by.
///
/// The notes are codes, alike for all sightings of a flight; [`super::said::csv`] has them in words.
///
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
        let notes = codes(measurement, flight.number);
        for row in &flight.sightings {
            put(&cells(flight.number, flight.launch_time_s.value, row, &notes, mark));
        }
    }
    let bytes = writer.into_inner().expect("writing to memory");
    String::from_utf8(bytes).expect("made of strings")
}

fn cells(flight: usize, launch_time_s: f64, row: &SightingRow, notes: &str, mark: DecimalMark) -> [String; 17] {
    let (u_x_m, u_y_m) = row.covariance_m2.sigmas();
    let (u_x_px, u_y_px) = row.covariance_px2.sigmas();
    let with = |value: f64, u: f64, otherwise: usize| number(mark, value, decimals(u).unwrap_or(otherwise));
    let uncertainty = |u: f64| known(Some(u)).map_or_else(String::new, |u| number(mark, u, decimals(u).unwrap_or(6)));
    [
        flight.to_string(),
        row.frame.to_string(),
        number(mark, row.time_s, 6),
        number(mark, row.moment_s() - launch_time_s, 6),
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
        notes.to_owned(),
    ]
}

/// Decimals for a value of this standard uncertainty, with one guard digit; `None` when it isn't known.
fn decimals(u: f64) -> Option<usize> {
    known(Some(u)).map(|u| (rounding_place(u) + 1).clamp(0, 12) as usize)
}

fn number(mark: DecimalMark, value: f64, decimals: usize) -> String {
    if value.is_finite() { mark.bare(value, decimals) } else { String::new() }
}

/// Text for a cell of a table. Names come from others, and a spreadsheet computes cells that begin with one of these: such a cell gets an
/// apostrophe before it, as usual against that (OWASP, "CSV Injection"; from memory). [`from_inert`] takes it off again.
pub fn inert(text: &str) -> String {
    if would_be_computed(text) { format!("'{text}") } else { text.to_owned() }
}

/// The text that [`inert`] was given.
pub fn from_inert(cell: &str) -> &str {
    cell.strip_prefix('\'').filter(|text| would_be_computed(text)).unwrap_or(cell)
}

/// Apostrophes before it count too, so that one can be told from one of the text's own.
fn would_be_computed(text: &str) -> bool {
    text.trim_start_matches('\'').starts_with(['=', '+', '-', '@', '\t', '\r'])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample::{Shot, measurement};

    fn read(text: &str, delimiter: u8) -> Vec<Vec<String>> {
        let mut reader = csv::ReaderBuilder::new().delimiter(delimiter).has_headers(false).from_reader(text.as_bytes());
        reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect()
    }

    #[test]
    fn every_sighting_has_a_row_with_its_numbers() {
        let measurement = measurement(&[Shot { outlier: true, ..Shot::default() }, Shot::default()]);
        let rows = read(&sightings_csv(&measurement, DecimalMark::Point), b',');
        assert_eq!(rows[0], COLUMNS);
        let sightings = measurement.flights.iter().flat_map(|f| f.sightings.iter().map(move |s| (f, s)));
        assert_eq!(rows.len() - 1, sightings.clone().count());
        for (row, (flight, sighting)) in rows[1..].iter().zip(sightings) {
            assert_eq!((row[0].as_str(), row[1].as_str()), (&*flight.number.to_string(), &*sighting.frame.to_string()));
            // 0.8 mm of uncertainty has four decimals and the guard digit a fifth: rounding errs by 5e-6 at most.
            assert!((row[5].parse::<f64>().unwrap() - sighting.centre_m.y).abs() <= 5.1e-6);
            assert_eq!(row[15], if sighting.used { "yes" } else { "no" });
        }
    }

    #[test]
    fn a_decimal_comma_comes_with_semicolons() {
        let measurement = measurement(&[Shot::default()]);
        let rows = read(&sightings_csv(&measurement, DecimalMark::Comma), b';');
        assert_eq!(rows[0], COLUMNS);
        assert_eq!(rows[1][3], "0,006667");
    }

    #[test]
    fn what_is_unknown_is_an_empty_cell_and_not_nought() {
        let mut measurement = measurement(&[Shot::default()]);
        let row = &mut measurement.flights[0].sightings[0];
        row.covariance_m2.xx = f64::NAN;
        row.covariance_m2.yy = 0.0;
        let rows = read(&sightings_csv(&measurement, DecimalMark::Point), b',');
        assert_eq!((rows[1][6].as_str(), rows[1][7].as_str()), ("", ""));
    }

    #[test]
    fn cells_that_would_be_computed_are_text_and_come_back() {
        for text in ["=1+1", "+1", "-1", "@x", "\t=1", "'=1", "''@x", "'n", "Table 3", "", "it's"] {
            let cell = inert(text);
            assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r']), "{cell}");
            assert_eq!(from_inert(&cell), text);
        }
        assert_eq!(inert("=1"), "'=1");
        assert_eq!(inert("Table 3"), "Table 3");
    }
}
