//! The chance of a hit by launch angle, as a small graph.

use std::path::Path;

use image::{ImageFormat, RgbImage};
use plotters::coord::Shift;
use plotters::prelude::*;
use thiserror::Error;

use super::fonts;
use crate::flight::aim::AngleChance;

/// Size in pixels; the SVG has the same coordinates.
const SIZE: (u32, u32) = (960, 600);

/// Okabe–Ito bluish green and vermillion, told apart by dash as well.
const CLEAN: RGBColor = RGBColor(0x00, 0x9e, 0x73);
const INSIDE: RGBColor = RGBColor(0xd5, 0x5e, 0x00);

/// Why a graph couldn't be drawn.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum ChanceGraphError {
    #[error("`{path}` doesn't end in .svg or .png, so its form isn't clear")]
    UnknownForm { path: String },
    #[error("there is no angle at which the ball reaches the opening, so there is nothing to draw")]
    Empty,
    #[error("the graph couldn't be drawn: {0}")]
    Drawing(String),
    #[error("`{path}` couldn't be written: {source}")]
    Write { path: String, source: std::io::Error },
}

impl ChanceGraphError {
    /// What to do.
    pub fn hint(&self) -> String {
        match self {
            Self::UnknownForm { .. } => "name the file with one of these endings",
            Self::Empty => "lower the opening or launch faster",
            Self::Drawing(_) => "try the other form, .svg or .png",
            Self::Write { .. } => "check that the folder exists and may be written to",
        }
        .to_owned()
    }
}

/// Draws the bracket of the chance over the launch angle, with `stated_angle_deg` marked, to an .svg or .png file.
///
/// # Errors
/// [`ChanceGraphError`]; nothing is written then.
pub fn write_chance_graph(chances: &[AngleChance], stated_angle_deg: f64, path: &Path) -> Result<(), ChanceGraphError> {
    if chances.is_empty() {
        return Err(ChanceGraphError::Empty);
    }
    let extension = path.extension().and_then(|extension| extension.to_str()).unwrap_or_default().to_ascii_lowercase();
    let bytes = match extension.as_str() {
        "svg" => svg(chances, stated_angle_deg)?.into_bytes(),
        "png" => png(chances, stated_angle_deg)?,
        _ => return Err(ChanceGraphError::UnknownForm { path: path.display().to_string() }),
    };
    std::fs::write(path, bytes).map_err(|source| ChanceGraphError::Write { path: path.display().to_string(), source })
}

fn svg(chances: &[AngleChance], stated: f64) -> Result<String, ChanceGraphError> {
    let mut text = String::new();
    draw(&SVGBackend::with_string(&mut text, SIZE).into_drawing_area(), chances, stated)?;
    Ok(text)
}

fn png(chances: &[AngleChance], stated: f64) -> Result<Vec<u8>, ChanceGraphError> {
    let mut pixels = vec![0; (SIZE.0 * SIZE.1 * 3) as usize];
    draw(&BitMapBackend::with_buffer(&mut pixels, SIZE).into_drawing_area(), chances, stated)?;
    let picture = RgbImage::from_raw(SIZE.0, SIZE.1, pixels)
        .ok_or_else(|| ChanceGraphError::Drawing("the picture has the wrong size".to_owned()))?;
    let mut bytes = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut bytes, ImageFormat::Png).map_err(|error| ChanceGraphError::Drawing(error.to_string()))?;
    Ok(bytes.into_inner())
}

fn draw<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    chances: &[AngleChance],
    stated: f64,
) -> Result<(), ChanceGraphError> {
    fonts::register();
    draw_chart(area, chances, stated).map_err(|error| ChanceGraphError::Drawing(error.to_string()))
}

type DrawResult<B> = Result<(), DrawingAreaErrorKind<<B as DrawingBackend>::ErrorType>>;

fn draw_chart<B: DrawingBackend>(area: &DrawingArea<B, Shift>, chances: &[AngleChance], stated: f64) -> DrawResult<B> {
    area.fill(&WHITE)?;
    let (first, last) = (chances[0].angle_deg.floor(), chances[chances.len() - 1].angle_deg.ceil().max(6.0));
    let mut chart = ChartBuilder::on(area)
        .margin(24)
        .x_label_area_size(60)
        .y_label_area_size(80)
        .build_cartesian_2d(first..last, 0.0..100.0)?;
    chart
        .configure_mesh()
        .x_desc("launch angle α / °")
        .y_desc("chance of a hit / %")
        .axis_desc_style((fonts::FAMILY, 24))
        .label_style((fonts::FAMILY, 20))
        .bold_line_style(BLACK.mix(0.12))
        .light_line_style(TRANSPARENT)
        .x_label_formatter(&|angle| format!("{angle:.0}"))
        .y_label_formatter(&|chance| format!("{chance:.0}"))
        .draw()?;
    let upper = chances.iter().map(|chance| (chance.angle_deg, 100.0 * chance.bracket.centre_inside));
    let lower = chances.iter().map(|chance| (chance.angle_deg, 100.0 * chance.bracket.clean));
    let band: Vec<(f64, f64)> = upper.clone().chain(lower.clone().rev()).collect();
    chart.draw_series([Polygon::new(band, BLACK.mix(0.12))])?;
    // What stands in the way is hatched off from the top down, so that it is seen without colour.
    let blocked = chances.iter().filter(|chance| !chance.clear).map(|chance| {
        PathElement::new(vec![(chance.angle_deg, 0.0), (chance.angle_deg, 100.0)], BLACK.mix(0.35).stroke_width(2))
    });
    chart.draw_series(blocked)?;
    chart
        .draw_series(DashedLineSeries::new(upper, 12, 8, INSIDE.stroke_width(3)))?
        .label("centre inside the opening")
        .legend(|(x, y)| PathElement::new(vec![(x, y), (x + 14, y)], INSIDE.stroke_width(3)));
    chart
        .draw_series(LineSeries::new(lower, CLEAN.stroke_width(4)))?
        .label("certainly in")
        .legend(|(x, y)| PathElement::new(vec![(x, y), (x + 26, y)], CLEAN.stroke_width(4)));
    if (first..=last).contains(&stated) {
        let mark = PathElement::new(vec![(stated, 0.0), (stated, 100.0)], BLACK.stroke_width(2));
        chart
            .draw_series([mark])?
            .label(format!("angle here: {stated:.1}°"))
            .legend(|(x, y)| PathElement::new(vec![(x + 13, y - 9), (x + 13, y + 9)], BLACK.stroke_width(2)));
    }
    if chances.iter().any(|chance| !chance.clear) {
        chart
            .draw_series(std::iter::empty::<PathElement<(f64, f64)>>())?
            .label("something in the way")
            .legend(|(x, y)| PathElement::new(vec![(x + 8, y - 9), (x + 8, y + 9)], BLACK.mix(0.35).stroke_width(2)));
    }
    chart
        .configure_series_labels()
        .position(legend_place(chances))
        .background_style(WHITE)
        .border_style(BLACK.mix(0.4))
        .label_font((fonts::FAMILY, 20))
        .draw()?;
    area.present()
}

/// The right-hand corner that the curves leave free.
fn legend_place(chances: &[AngleChance]) -> SeriesLabelPosition {
    let right = &chances[chances.len() * 2 / 3..];
    let middle = |chance: &AngleChance| 0.5 * (chance.bracket.clean + chance.bracket.centre_inside);
    let mean = right.iter().map(middle).sum::<f64>() / right.len() as f64;
    if mean > 0.5 { SeriesLabelPosition::LowerRight } else { SeriesLabelPosition::UpperRight }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flight::chance::Bracket;

    fn chances() -> Vec<AngleChance> {
        (5..=85)
            .map(|angle| {
                let shape = f64::from(angle).to_radians().sin();
                AngleChance {
                    angle_deg: f64::from(angle),
                    range_m: 1.0,
                    bracket: Bracket { clean: 0.6 * shape, centre_inside: 0.9 * shape },
                    clear: angle < 70,
                }
            })
            .collect()
    }

    #[test]
    fn both_forms_are_drawn_and_repeatable() {
        let first = png(&chances(), 50.0).unwrap();
        assert!(first.starts_with(b"\x89PNG") && first == png(&chances(), 50.0).unwrap());
        let text = svg(&chances(), 50.0).unwrap();
        assert!(text.contains("<svg") && text.contains("chance of a hit / %"));
        if let Some(folder) = std::env::var_os("LOBLINE_KEEP") {
            std::fs::write(Path::new(&folder).join("chance.png"), first).unwrap();
        }
    }

    #[test]
    fn unclear_forms_and_nothing_to_draw_are_refused() {
        let refused = write_chance_graph(&chances(), 50.0, Path::new("chance.gif"));
        assert!(matches!(refused, Err(ChanceGraphError::UnknownForm { .. })));
        assert!(matches!(write_chance_graph(&[], 50.0, Path::new("a.png")), Err(ChanceGraphError::Empty)));
    }
}
