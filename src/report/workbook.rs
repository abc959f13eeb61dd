//! The measurement as a spreadsheet (Office Open XML, ISO/IEC 29500) with charts that stay alive.
//!
//! Cells hold numbers, not text, so that the reader's own decimal mark is used and the student can go on calculating.

use rust_xlsxwriter::{
    Chart, ChartErrorBars, ChartErrorBarsType, ChartFormat, ChartLine, ChartMarker, ChartMarkerType, ChartRange,
    ChartSolidFill, ChartType, DocProperties, ExcelDateTime, Format, FormatAlign, Workbook, Worksheet, XlsxError,
};

use super::ink::text::plain;
use super::numbers::{known, rounding_place};
use super::said::said;
use crate::measurement::account::FitQuality;
use crate::measurement::motion::NORMAL_95;
use crate::measurement::{FlightMeasurement, Measurement};
use crate::units::Estimate;
use crate::warning::flights_in_words;

/// Why a spreadsheet could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WorkbookError {
    #[error("the spreadsheet could not be made: {0}")]
    Refused(#[from] XlsxError),
}

impl WorkbookError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        "use the table of sightings in `sightings.csv` instead, which every spreadsheet reads".to_owned()
    }
}

/// The bytes of an `.xlsx` file: one sheet of results, and one per flight with its sightings and charts.
///
/// # Errors
/// [`WorkbookError`] when the writer refuses, as for more rows than a sheet holds.
pub fn xlsx(measurement: &Measurement) -> Result<Vec<u8>, WorkbookError> {
    let mut workbook = Workbook::new();
    // The day it was made would make the same measurement give other bytes tomorrow.
    let day = ExcelDateTime::from_ymd(2000, 1, 1)?;
    workbook.set_properties(&DocProperties::new().set_title("A ball in flight").set_creation_datetime(&day));
    results(workbook.add_worksheet(), measurement)?;
    for flight in &measurement.flights {
        sightings(workbook.add_worksheet(), flight)?;
    }
    Ok(workbook.save_to_buffer()?)
}

fn head() -> Format {
    Format::new().set_bold().set_text_wrap().set_align(FormatAlign::Top)
}

fn results(sheet: &mut Worksheet, measurement: &Measurement) -> Result<(), XlsxError> {
    sheet.set_name("Results")?;
    sheet.set_column_width(0, 44)?;
    sheet.set_column_range_width(1, 4, 18)?;
    let names = ["quantity", "value", "95 % interval, ±", "standard uncertainty", "unit"];
    sheet.write_row_with_format(0, 0, names, &head())?;
    let mut row = 1;
    for flight in &measurement.flights {
        for (name, estimate, unit) in quantities(flight) {
            sheet.write(row, 0, format!("Flight {}: {name}", flight.number))?;
            write_estimate(sheet, row, &estimate)?;
            sheet.write(row, 4, unit)?;
            row += 1;
        }
    }
    for (name, text) in [
        ("clip", &measurement.clip.name),
        ("times come from", &measurement.clock.description),
        ("lengths come from", &measurement.scale.description),
    ] {
        row += 1;
        sheet.write(row, 0, name)?;
        sheet.write(row, 1, text.as_str())?;
    }
    for said in said(measurement) {
        row += 1;
        let of = if said.flights.is_empty() { String::new() } else { format!("{}: ", flights_in_words(&said.flights)) };
        sheet.write(row, 0, format!("{of}{}", said.code))?;
        sheet.write(row, 1, said.text)?;
    }
    sheet.set_freeze_panes(1, 0)?;
    Ok(())
}

fn quantities(flight: &FlightMeasurement) -> Vec<(&'static str, Estimate, &'static str)> {
    let plain = Estimate::without_uncertainty;
    let mut list = vec![
        ("launch speed", flight.launch_speed_m_per_s, "m/s"),
        ("launch angle above the horizontal", flight.launch_angle_deg, "°"),
        ("acceleration of free fall", flight.gravity_m_per_s2, "m/s²"),
        ("residuals, root mean square", plain(flight.residual_rms_px), "px"),
        ("residuals, root mean square", plain(flight.residual_rms_mm), "mm"),
    ];
    let reduced = |quality: &FitQuality| quality.reduced_chi_square();
    list.extend(flight.quality.as_ref().and_then(reduced).map(|reduced| ("reduced chi-square", plain(reduced), "1")));
    let Some(given) = &flight.gravity_given else { return list };
    list.extend([
        ("launch speed, g given", given.launch_speed_m_per_s, "m/s"),
        ("launch angle above the horizontal, g given", given.launch_angle_deg, "°"),
        ("g as given", given.gravity_m_per_s2, "m/s²"),
        ("residuals, root mean square, g given", plain(given.quality.residual_rms_px), "px"),
        ("residuals, root mean square, g given", plain(given.quality.residual_rms_mm), "mm"),
    ]);
    list.extend(reduced(&given.quality).map(|reduced| ("reduced chi-square, g given", plain(reduced), "1")));
    list
}

fn write_estimate(sheet: &mut Worksheet, row: u32, estimate: &Estimate) -> Result<(), XlsxError> {
    let decimals = known(estimate.expanded_uncertainty_95).map_or(3, |u| rounding_place(u).clamp(0, 9));
    let format = decimal_format(decimals);
    for (column, value) in
        [(1, Some(estimate.value)), (2, estimate.expanded_uncertainty_95), (3, estimate.standard_uncertainty)]
    {
        write_number(sheet, row, column, value, &format)?;
    }
    Ok(())
}

fn decimal_format(decimals: i32) -> Format {
    let pattern = if decimals > 0 { format!("0.{}", "0".repeat(decimals as usize)) } else { "0".to_owned() };
    Format::new().set_num_format(pattern)
}

/// An unknown number leaves its cell empty.
fn write_number(
    sheet: &mut Worksheet,
    row: u32,
    column: u16,
    value: Option<f64>,
    format: &Format,
) -> Result<(), XlsxError> {
    if let Some(value) = value.filter(|v| v.is_finite()) {
        sheet.write_with_format(row, column, value, format)?;
    }
    Ok(())
}

const COLUMNS: [&str; 11] = [
    "frame",
    "time since launch t / s",
    "x / m",
    "y / m",
    "95 % interval of x, ± / m",
    "95 % interval of y, ± / m",
    "fitted x / m",
    "fitted y / m",
    "x − fitted x / m",
    "y − fitted y / m",
    "used in fit",
];

fn sightings(sheet: &mut Worksheet, flight: &FlightMeasurement) -> Result<(), XlsxError> {
    let name = format!("Flight {}", flight.number);
    sheet.set_name(&name)?;
    sheet.set_column_range_width(0, COLUMNS.len() as u16 - 1, 13)?;
    sheet.write_row_with_format(0, 0, COLUMNS, &head())?;
    let digits = |u: f64| decimal_format(known(Some(u)).map_or(4, |u| (rounding_place(u) + 1).clamp(0, 9)));
    let time = decimal_format(5);
    for (i, s) in flight.sightings.iter().enumerate() {
        let row = i as u32 + 1;
        let t = s.moment_s() - flight.launch_time_s.value;
        let (ux, uy) = s.covariance_m2.sigmas();
        let (x_format, y_format) = (digits(ux), digits(uy));
        let p = &flight.path;
        let x = p.x0_m + p.vx_m_per_s * t + 0.5 * p.ax_m_per_s2 * t * t;
        let y = p.y0_m + p.vy_m_per_s * t - 0.5 * p.g_m_per_s2 * t * t;
        sheet.write(row, 0, s.frame as u32)?;
        write_number(sheet, row, 1, Some(t), &time)?;
        let cells =
            [s.centre_m.x, s.centre_m.y, NORMAL_95 * ux, NORMAL_95 * uy, x, y, s.centre_m.x - x, s.centre_m.y - y];
        for (column, value) in (2..).zip(cells) {
            let format = if column % 2 == 0 { &x_format } else { &y_format };
            write_number(sheet, row, column, Some(value), format)?;
        }
        sheet.write(row, 10, if s.used { "yes" } else { "no" })?;
    }
    sheet.set_freeze_panes(1, 0)?;
    let last = flight.sightings.len() as u32;
    if last > 0 {
        charts(sheet, &name, last)?;
    }
    Ok(())
}

/// What a chart shows: columns of x, y, fitted y and bars of y, its name and the names of its axes.
struct Wanted {
    x: u16,
    y: u16,
    fitted_x: u16,
    fitted: u16,
    bars: u16,
    title: &'static str,
    x_name: &'static str,
    y_name: &'static str,
}

fn charts(sheet: &mut Worksheet, name: &str, last: u32) -> Result<(), XlsxError> {
    let time = "time since launch *t* / s";
    let wanted = [
        Wanted {
            x: 1,
            y: 2,
            fitted_x: 1,
            fitted: 6,
            bars: 4,
            title: "Distance against time",
            x_name: time,
            y_name: "horizontal distance *x* / m",
        },
        Wanted {
            x: 1,
            y: 3,
            fitted_x: 1,
            fitted: 7,
            bars: 5,
            title: "Height against time",
            x_name: time,
            y_name: "height *y* / m",
        },
        Wanted {
            x: 2,
            y: 3,
            fitted_x: 6,
            fitted: 7,
            bars: 5,
            title: "Path of the ball",
            x_name: "horizontal distance *x* / m",
            y_name: "height *y* / m",
        },
    ];
    for (i, wanted) in wanted.iter().enumerate() {
        sheet.insert_chart(20 * i as u32, COLUMNS.len() as u16 + 1, &chart(name, last, wanted))?;
    }
    Ok(())
}

fn chart(sheet: &str, last: u32, wanted: &Wanted) -> Chart {
    const GREEN: &str = "#009E73";
    let column = |c: u16| (sheet, 1, c, last, c);
    let mut chart = Chart::new(ChartType::Scatter);
    let bars = || ChartRange::new_from_range(sheet, 1, wanted.bars, last, wanted.bars);
    let mut marker = ChartMarker::new();
    let fill = ChartSolidFill::new().set_color(GREEN).clone();
    marker.set_type(ChartMarkerType::Circle).set_size(6).set_format(ChartFormat::new().set_solid_fill(&fill));
    let error_bars = ChartErrorBars::new().set_type(ChartErrorBarsType::Custom(bars(), bars())).clone();
    chart
        .add_series()
        .set_name("measured")
        .set_categories(column(wanted.x))
        .set_values(column(wanted.y))
        .set_marker(&marker)
        .set_format(ChartFormat::new().set_no_line())
        .set_y_error_bars(&error_bars);
    chart
        .add_series()
        .set_name("fit")
        .set_categories(column(wanted.fitted_x))
        .set_values(column(wanted.fitted))
        .set_smooth(true)
        .set_marker(ChartMarker::new().set_none())
        .set_format(ChartFormat::new().set_line(ChartLine::new().set_color("#000000").set_width(1.5)));
    chart.title().set_name(wanted.title);
    chart.x_axis().set_name(plain(wanted.x_name).as_str());
    chart.y_axis().set_name(plain(wanted.y_name).as_str());
    chart.set_alt_text(format!("{}: measured points with 95 % bars and the fit", wanted.title));
    chart.set_width(620).set_height(380);
    chart
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample::{Shot, measurement};
    use calamine::{Data, Reader, Xlsx};
    use std::io::Cursor;

    /// Read back by another program's reader of the same standard.
    #[test]
    fn another_reader_finds_the_numbers() {
        let measurement = measurement(&[Shot::default(), Shot { points: 5, ..Shot::default() }]);
        let mut book: Xlsx<_> = Xlsx::new(Cursor::new(xlsx(&measurement).unwrap())).unwrap();
        assert_eq!(book.sheet_names(), ["Results", "Flight 1", "Flight 2"]);
        let sheet = book.worksheet_range("Flight 1").unwrap();
        assert_eq!(sheet.get_size(), (35, COLUMNS.len()));
        for (row, sighting) in sheet.rows().skip(1).zip(&measurement.flights[0].sightings) {
            assert_eq!(row[0], Data::Float(sighting.frame as f64));
            assert_eq!(row[3], Data::Float(sighting.centre_m.y));
        }
        let results = book.worksheet_range("Results").unwrap();
        assert_eq!(results.get((1, 1)), Some(&Data::Float(3.5)));
        // What the text says of the numbers goes along with them.
        for said in said(&measurement) {
            assert!(results.rows().any(|row| row[1] == Data::String(said.text.clone())), "{}", said.text);
        }
    }

    #[test]
    fn the_same_measurement_gives_the_same_bytes() {
        let measurement = measurement(&[Shot::default()]);
        assert!(xlsx(&measurement).unwrap() == xlsx(&measurement).unwrap());
    }

    #[test]
    fn an_unknown_uncertainty_leaves_its_cell_empty() {
        let mut measurement = measurement(&[Shot::default()]);
        measurement.flights[0].gravity_m_per_s2 = Estimate::without_uncertainty(9.8);
        let mut book: Xlsx<_> = Xlsx::new(Cursor::new(xlsx(&measurement).unwrap())).unwrap();
        let results = book.worksheet_range("Results").unwrap();
        assert_eq!(results.get((3, 1)), Some(&Data::Float(9.8)));
        assert_eq!(results.get((3, 2)), Some(&Data::Empty));
    }
}
