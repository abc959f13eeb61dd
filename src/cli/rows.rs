//! Results in rows that align at the decimal point, 80 columns wide.

use crate::report::worked::figures::{to_figures, with_interval};
use crate::report::worked::markup::to_plain;
use crate::units::Estimate;

/// Significant figures of a value without an interval.
const FIGURES_WITHOUT_INTERVAL: usize = 3;

/// A named result.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    name: String,
    value: String,
    interval: Option<String>,
    unit: &'static str,
    note: String,
}

impl Row {
    pub fn new(name: impl Into<String>, estimate: Estimate, unit: &'static str) -> Self {
        Self::with_figures(name, estimate, unit, FIGURES_WITHOUT_INTERVAL)
    }

    /// With as many figures as a reading had; its interval, if it has one, decides instead.
    pub fn with_figures(name: impl Into<String>, estimate: Estimate, unit: &'static str, figures: usize) -> Self {
        let (value, interval) = match estimate.expanded_uncertainty_95.filter(|half_width| *half_width > 0.0) {
            Some(half_width) => {
                let (value, interval) = with_interval(estimate.value, half_width);
                (value, Some(interval))
            }
            None => (to_plain(&to_figures(estimate.value, figures)), None),
        };
        Self { name: name.into(), value, interval, unit, note: String::new() }
    }

    /// A length that is shown in centimetres.
    pub fn centimetres(name: impl Into<String>, metres: Estimate) -> Self {
        Self::new(name, scaled(metres, 100.0), "cm")
    }

    pub fn is_called(&self, name: &str) -> bool {
        self.name == name
    }

    pub fn note(mut self, note: impl Into<String>) -> Self {
        self.note = note.into();
        self
    }
}

/// An estimate in another unit.
pub fn scaled(estimate: Estimate, factor: f64) -> Estimate {
    Estimate {
        value: estimate.value * factor,
        standard_uncertainty: estimate.standard_uncertainty.map(|u| u * factor),
        expanded_uncertainty_95: estimate.expanded_uncertainty_95.map(|u| u * factor),
    }
}

/// `1.87 ± 0.04 m`, or without the interval where there is none.
pub fn in_line(estimate: Estimate, unit: &'static str) -> String {
    let row = Row::new("", estimate, unit);
    let space = if unit == "°" { "" } else { " " };
    match row.interval {
        Some(interval) if unit == "°" => format!("{}° ± {interval}°", row.value),
        Some(interval) => format!("{} ± {interval}{space}{unit}", row.value),
        None => format!("{}{space}{unit}", row.value),
    }
}

impl Row {
    /// Value, interval and unit as they stand in the table: an angle has its degrees at each number.
    fn shown(&self) -> (String, String, &'static str) {
        let degrees = if self.unit == "°" { "°" } else { "" };
        let interval = self.interval.as_ref().map_or_else(String::new, |text| format!(" ± {text}{degrees}"));
        (format!("{}{degrees}", self.value), interval, if degrees.is_empty() { self.unit } else { "" })
    }
}

/// The rows, one a line, without a line end at the last.
pub fn table(rows: &[Row]) -> String {
    // Up to the decimal point, or to whatever else ends the whole number.
    let whole = |value: &str| value.chars().take_while(|c| c.is_ascii_digit() || "−-".contains(*c)).count();
    let shown: Vec<_> = rows.iter().map(|row| (row, row.shown())).collect();
    let widest = |of: &dyn Fn(&(String, String, &str)) -> usize| shown.iter().map(|(_, s)| of(s)).max().unwrap_or(0);
    let names = rows.iter().map(|row| row.name.chars().count()).max().unwrap_or(0);
    let left = widest(&|(value, ..)| whole(value));
    let right = widest(&|(value, ..)| value.chars().count() - whole(value));
    let intervals = widest(&|(_, interval, _)| interval.chars().count());
    let units = widest(&|(.., unit)| unit.chars().count());
    let line = |(row, (value, interval, unit)): &(&Row, (String, String, &str))| {
        let fraction = value.chars().count() - whole(value);
        let text = format!(
            "  {:<names$}  {}{value}{}{interval:<intervals$} {unit:<units$}  {}",
            row.name,
            " ".repeat(left - whole(value)),
            " ".repeat(right - fraction),
            row.note
        );
        text.trim_end().to_owned()
    };
    shown.iter().map(line).collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_align_at_the_decimal_point() {
        let rows = [
            Row::new("lands at", Estimate::with_coverage_factor(1.8712, 0.021, 1.96), "m").note("along the floor"),
            Row::new("descent", Estimate::with_coverage_factor(57.31, 0.31, 1.96), "°"),
            Row::new("impact speed", Estimate::without_uncertainty(4.6712), "m/s"),
        ];
        insta::assert_snapshot!(table(&rows), @r"
          lands at       1.87 ± 0.04 m    along the floor
          descent       57.3° ± 0.6°
          impact speed   4.67        m/s
        ");
    }
}
