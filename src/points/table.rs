//! The table as text: CSV with commas, semicolons or tabs, as spreadsheets write and copy it.

use thiserror::Error;

use super::Point;
use crate::maths::least_squares::LeastSquaresError;
use crate::quantity::{Kind, Reading};

/// How many bad lines are named before the rest is only counted.
const NAMED_LINES: usize = 10;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    Time,
    X,
    Y,
}

impl Column {
    const fn kind(self) -> Kind {
        match self {
            Self::Time => Kind::Time,
            Self::X | Self::Y => Kind::Length,
        }
    }

    fn of_name(name: &str) -> Option<Self> {
        match name.trim().to_lowercase().as_str() {
            "t" | "time" => Some(Self::Time),
            "x" | "distance" => Some(Self::X),
            "y" | "height" => Some(Self::Y),
            _ => None,
        }
    }
}

/// Why a table gives no flight.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum PointsError {
    #[error("the column `{0}` isn't understood")]
    UnknownColumn(String),
    #[error("the column `{0}` names no unit that fits")]
    NoUnit(String),
    #[error("the table has no column for {0}")]
    MissingColumn(&'static str),
    #[error("the column `{0}` stands there twice")]
    TwiceTheSame(String),
    #[error("nothing was taken from the table: {}", .0.join("; "))]
    BadLines(Vec<String>),
    #[error(
        "{found} rows are too few: a flight without air has three unknowns in its heights, and a fourth row is the first that checks them"
    )]
    TooFew { found: usize },
    #[error("the heights don't show a fall: the fitted acceleration points upwards")]
    NoFall,
    #[error(transparent)]
    Fit(#[from] LeastSquaresError),
}

impl PointsError {
    /// What to do next.
    pub fn hint(&self) -> String {
        match self {
            Self::UnknownColumn(_) | Self::NoUnit(_) | Self::MissingColumn(_) | Self::TwiceTheSame(_) => {
                "the first line names the columns with their units, such as `t / s,x / m,y / m`; where they are known, \
                 `u(y) / mm` (standard uncertainty) or `± y / mm` (half-width of the 95 % interval)"
                    .to_owned()
            }
            Self::BadLines(_) => "mend these lines; a row needs a number in every column".to_owned(),
            Self::TooFew { .. } => "measure more places along the flight".to_owned(),
            Self::NoFall => "count heights upwards; if the table counts them downwards, change their signs".to_owned(),
            Self::Fit(error) => error.hint().to_owned(),
        }
    }
}

/// A column of the head: what it holds, whether that is an uncertainty, and what one of it is in SI units.
struct Head {
    column: Column,
    /// Divides an uncertainty down to a standard one; `None` for a value.
    uncertainty: Option<f64>,
    factor: f64,
}

/// Reads a table with a line of names on top: `t / s`, `x / m`, `y / m`, and as known `u(t) / s`, `u(x) / m`, `u(y) / m` or `± x / m`.
/// A decimal comma is understood where semicolons or tabs part the cells.
///
/// # Errors
/// [`PointsError`], with every bad line by its number.
pub fn read_table(text: &str) -> Result<Vec<Point>, PointsError> {
    let text = text.trim_start_matches('\u{feff}');
    let first = text.lines().next().unwrap_or_default();
    let delimiter = [b'\t', b';'].into_iter().find(|sign| first.as_bytes().contains(sign)).unwrap_or(b',');
    let mut csv =
        csv::ReaderBuilder::new().delimiter(delimiter).trim(csv::Trim::All).flexible(true).from_reader(text.as_bytes());
    let names: Vec<String> = csv.headers().map(|head| head.iter().map(str::to_owned).collect()).unwrap_or_default();
    let heads = names.iter().map(|name| head(name)).collect::<Result<Vec<_>, _>>()?;
    for (column, what) in [(Column::Time, "the time"), (Column::Y, "the height")] {
        if !heads.iter().any(|head| head.column == column && head.uncertainty.is_none()) {
            return Err(PointsError::MissingColumn(what));
        }
    }
    for (i, head) in heads.iter().enumerate() {
        let same =
            |other: &Head| other.column == head.column && other.uncertainty.is_some() == head.uncertainty.is_some();
        if heads[..i].iter().any(same) {
            return Err(PointsError::TwiceTheSame(names[i].clone()));
        }
    }
    let (mut points, mut bad) = (Vec::new(), Vec::new());
    for record in csv.records() {
        let Ok(record) = record else {
            bad.push("a line that isn't text".to_owned());
            continue;
        };
        if record.iter().all(str::is_empty) {
            continue;
        }
        let line = record.position().map_or(0, csv::Position::line);
        match point(&heads, &record) {
            Ok(point) => points.push(point),
            Err(problem) => bad.push(format!("line {line}: {problem}")),
        }
    }
    if bad.is_empty() {
        return Ok(points);
    }
    if bad.len() > NAMED_LINES {
        let more = bad.len() - NAMED_LINES;
        bad.truncate(NAMED_LINES);
        bad.push(format!("and {more} more lines"));
    }
    Err(PointsError::BadLines(bad))
}

/// `u(y) / mm` in its parts.
fn head(text: &str) -> Result<Head, PointsError> {
    let (name, unit) = text
        .rsplit_once('/')
        .or_else(|| text.strip_suffix(']').and_then(|text| text.rsplit_once('[')))
        .or_else(|| {
            text.strip_suffix(')').filter(|text| !text.starts_with("u(")).and_then(|text| text.rsplit_once('('))
        })
        .ok_or_else(|| PointsError::NoUnit(text.to_owned()))?;
    let name = name.trim();
    let inner = name.strip_prefix("u(").and_then(|rest| rest.strip_suffix(')')).map(|inner| (inner, Some(1.0)));
    let half_width = || name.strip_prefix('±').map(|inner| (inner, Some(1.96)));
    let (name, uncertainty) = inner.or_else(half_width).unwrap_or((name, None));
    let column = Column::of_name(name).ok_or_else(|| PointsError::UnknownColumn(text.to_owned()))?;
    let one = Reading::parse(column.kind(), &format!("1 {}", unit.trim()));
    Ok(Head { column, uncertainty, factor: one.map_err(|_| PointsError::NoUnit(text.to_owned()))?.value })
}

fn point(heads: &[Head], record: &csv::StringRecord) -> Result<Point, String> {
    let number = |column: Column, uncertain: bool| -> Result<Option<f64>, String> {
        let found = heads.iter().position(|head| head.column == column && head.uncertainty.is_some() == uncertain);
        let Some(at) = found else { return Ok(None) };
        let cell = record.get(at).unwrap_or_default();
        let value = Reading::parse(Kind::Number, cell).map_err(|_| format!("`{cell}` is not a number"))?.value;
        let value = value * heads[at].factor / heads[at].uncertainty.unwrap_or(1.0);
        if uncertain && value <= 0.0 {
            Err(format!("an uncertainty of `{cell}` is not above zero"))
        } else {
            Ok(Some(value))
        }
    };
    let value = |column: Column| number(column, false);
    let missing = || "a cell is missing".to_owned();
    Ok(Point {
        time_s: value(Column::Time)?.ok_or_else(missing)?,
        y_m: value(Column::Y)?.ok_or_else(missing)?,
        x_m: value(Column::X)?,
        time_uncertainty_s: number(Column::Time, true)?,
        y_uncertainty_m: number(Column::Y, true)?,
        x_uncertainty_m: number(Column::X, true)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_of_spreadsheets_are_read_with_their_units() {
        let commas = read_table("t / ms,x (cm),y [m],u(y) / mm\n0,10,1.2,3\n33.3,20,1.3,3\n").unwrap();
        assert_eq!(commas.len(), 2);
        assert!((commas[1].time_s - 0.0333).abs() < 1e-15 && (commas[1].x_m.unwrap() - 0.2).abs() < 1e-15);
        assert_eq!(commas[1].y_uncertainty_m, Some(0.003));
        let semicolons = read_table("\u{feff}time / s;height / m;± height / cm\n0,1;1,25;0,98\n\n").unwrap();
        assert_eq!((semicolons[0].time_s, semicolons[0].y_m, semicolons[0].x_m), (0.1, 1.25, None));
        // 0.98 cm at 95 % are 0.5 cm (JCGM 100:2008, table G.1: 1.96).
        assert!((semicolons[0].y_uncertainty_m.unwrap() - 0.005).abs() < 1e-15);
        assert_eq!(read_table("t / s\tx / m\ty / m\n0,1\t2\t3\n").unwrap()[0].time_s, 0.1);
    }

    #[test]
    fn what_is_wrong_is_named() {
        assert_eq!(read_table("t,y / m\n"), Err(PointsError::NoUnit("t".into())));
        assert_eq!(read_table("t / m,y / m\n"), Err(PointsError::NoUnit("t / m".into())));
        assert_eq!(read_table("t / s,z / m\n"), Err(PointsError::UnknownColumn("z / m".into())));
        assert_eq!(read_table("t / s,x / m\n"), Err(PointsError::MissingColumn("the height")));
        assert_eq!(read_table("t / s,y / m,y / cm\n"), Err(PointsError::TwiceTheSame("y / cm".into())));
        let Err(PointsError::BadLines(lines)) = read_table("t / s,y / m\n0,1\nlate,2\n1\n") else { panic!() };
        assert!(
            lines.len() == 2 && lines[0].starts_with("line 3: `late`") && lines[1].starts_with("line 4"),
            "{lines:?}"
        );
    }
}
