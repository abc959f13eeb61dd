//! The control chart as a picture: individuals with their limits and weighted average above, moving ranges below.

use std::convert::Infallible;

use plotters::coord::cartesian::Cartesian2d;
use plotters::prelude::{
    ChartBuilder, ChartContext, Circle, Cross, DashedLineSeries, DrawingAreaErrorKind, IntoDrawingArea, IntoFont,
    LabelAreaPosition, LineSeries, PathElement,
};
use plotters::style::{Color, RGBAColor, RGBColor, ShapeStyle};

use super::drift::{ChartPoint, DriftCheck, SignalKind};
use super::words;
use crate::maths::control_charts::IndividualsLimits;
use crate::maths::run_rules::RunRule;
use crate::report::axis::RoundAxis;
use crate::report::fonts::{self, FAMILY};
use crate::report::ink::recorder::Recorder;
use crate::report::ink::{Anchor, Colour, Drawing, UNITS_PER_EM, raster, svg, text};
use crate::report::numbers::DecimalMark;
use crate::report::{figure, files};

// Okabe and Ito, "Color Universal Design" (2008); told apart by mark and dash as well.
const BLUISH_GREEN: RGBColor = RGBColor(0x00, 0x9e, 0x73);
const VERMILLION: RGBColor = RGBColor(0xd5, 0x5e, 0x00);
const BLUE: RGBColor = RGBColor(0x00, 0x72, 0xb2);
const BLACK: RGBColor = RGBColor(0, 0, 0);
const GREY: RGBColor = RGBColor(0x77, 0x77, 0x77);
const GRID: RGBColor = RGBColor(0xe0, 0xe0, 0xe0);
const INK: Colour = Colour(0x1a, 0x1a, 0x1a);
const WHITE: Colour = Colour(255, 255, 255);

/// The sheet in em.
const WIDTH: f32 = 52.0;
const HEIGHT: f32 = 39.0;
const LEFT: f32 = 1.5;
const PANEL_WIDTH: f32 = 41.0;
const INDIVIDUALS: (f32, f32) = (5.0, 17.0);
const RANGES: (f32, f32) = (25.2, 6.6);
const LABELS: f32 = 5.0;

/// More shots than this are drawn as the span of each column, since their marks would only cover each other.
const SINGLE_MARKS: usize = 600;
/// At most so many shots and sessions are named in the picture.
const NAMED: usize = 12;

type Chart<'a, 'b> = ChartContext<'a, Recorder<'b>, Cartesian2d<RoundAxis, RoundAxis>>;
type Outcome = Result<(), DrawingAreaErrorKind<Infallible>>;

/// A control chart ready to be put out.
#[derive(Debug, Clone)]
pub struct ControlChart {
    drawing: Drawing,
    title: String,
    alt: String,
}

/// A word to be written at a place of the sheet, in units.
struct Label {
    text: String,
    at: (f32, f32),
    anchor: Anchor,
}

/// Draws the chart; `None` while the baseline has fewer than two shots, so that there are no limits.
pub fn control_chart(check: &DriftCheck) -> Option<ControlChart> {
    let limits = check.limits?;
    fonts::register();
    let mut drawing = Drawing::new(WIDTH * UNITS_PER_EM, HEIGHT * UNITS_PER_EM, Some(WHITE));
    let mut labels = Vec::new();
    let painted = paint(check, &limits, &mut drawing, &mut labels);
    painted.expect("recording a drawing in memory cannot fail");
    let title = text::literal(&title(check));
    let em = UNITS_PER_EM;
    drawing.words(&title, (LEFT * em, 1.7 * em), 1.25 * em, Anchor::Start, INK);
    for (row, line) in wrapped(&words::verdict(check), 92).iter().take(3).enumerate() {
        let at = (LEFT * em, (HEIGHT - 3.0 + 1.2 * row as f32) * em);
        drawing.words(&text::literal(line), at, 0.95 * em, Anchor::Start, INK);
    }
    for label in labels {
        drawing.words(&label.text, label.at, 0.8 * em, label.anchor, INK);
    }
    let alt = format!("Control chart of {} shots, {title}. {}", check.points.len(), words::verdict(check));
    Some(ControlChart { drawing, title, alt })
}

impl ControlChart {
    /// As a PNG file, 160 mm wide at 300 dots per inch.
    pub fn png(&self) -> Vec<u8> {
        files::png(&raster::rgb(&self.drawing, figure::PAGE_WIDTH_PX), Some(300.0))
    }

    /// As an SVG file, 160 mm wide, text as outlines.
    pub fn svg(&self) -> String {
        let size = svg::SvgSize::WidthMm(figure::PAGE_WIDTH_MM);
        svg::document(&self.drawing, size, &text::plain(&self.title), &self.alt)
    }
}

fn title(check: &DriftCheck) -> String {
    let parts = [check.launcher.clone(), check.setting.as_ref().map(|setting| setting.in_words())];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// Lines of at most `width` characters.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let last = lines.last_mut().expect("there is always a line");
        if !last.is_empty() && last.chars().count() + 1 + word.chars().count() > width {
            lines.push(word.to_owned());
        } else {
            let space = if last.is_empty() { "" } else { " " };
            last.push_str(space);
            last.push_str(word);
        }
    }
    lines
}

fn paint(check: &DriftCheck, limits: &IndividualsLimits, drawing: &mut Drawing, labels: &mut Vec<Label>) -> Outcome {
    let speeds: Vec<f64> = check.points.iter().map(|point| point.shot.speed_m_per_s).collect();
    let extremes = [limits.lower, limits.upper].into_iter().chain(speeds.iter().copied());
    let mut chart_area = Panel { top: INDIVIDUALS.0, height: INDIVIDUALS.1, y: axis_over(extremes) };
    chart_area.paint(drawing, check.points.len(), |chart| {
        name_axis(chart, labels, "speed *v* / (m/s)", 1.6);
        sessions(chart, check, labels)?;
        levels(chart, limits, labels)?;
        weighted_average(chart, check, limits)?;
        shots(chart, check)?;
        name_signals(chart, check, labels);
        Ok(())
    })?;
    let ranges: Vec<f64> = speeds.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    let extremes = [0.0, limits.moving_range_upper].into_iter().chain(ranges.iter().copied());
    let mut range_area = Panel { top: RANGES.0, height: RANGES.1, y: axis_over(extremes) };
    range_area.paint(drawing, check.points.len(), |chart| {
        name_axis(chart, labels, "moving range / (m/s)", 0.5);
        level(chart, limits.moving_range_upper, true, labels, "limit")?;
        let points = ranges.iter().enumerate().map(|(index, range)| (index as f64 + 2.0, *range));
        spans_or_marks(chart, points, ranges.len())
    })?;
    let em = UNITS_PER_EM;
    labels.push(Label {
        text:
            "shots in order; green discs: shots, blue line: weighted average, red rings: shots that complete a pattern"
                .into(),
        at: ((LEFT + LABELS + PANEL_WIDTH / 2.0) * em, (RANGES.0 + RANGES.1 + 2.6) * em),
        anchor: Anchor::Middle,
    });
    Ok(())
}

/// A round axis with a little air around all values.
fn axis_over(values: impl Iterator<Item = f64>) -> RoundAxis {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    let air = 0.1 * (high - low).max(1e-6 * high.abs()).max(1e-9);
    let low = if low == 0.0 { 0.0 } else { low - air };
    RoundAxis::new(low, high + air, 8, DecimalMark::default())
}

/// Where a panel stands on the sheet, in em, and its upright axis.
struct Panel {
    top: f32,
    height: f32,
    y: RoundAxis,
}

impl Panel {
    /// Axes and grid, then `content`.
    fn paint(
        &mut self,
        drawing: &mut Drawing,
        count: usize,
        mut content: impl FnMut(&mut Chart<'_, '_>) -> Outcome,
    ) -> Outcome {
        let em = |length: f32| (length * UNITS_PER_EM) as i32;
        let root = Recorder(drawing).into_drawing_area();
        let size = (em(PANEL_WIDTH + LABELS), em(self.height + 1.5));
        let area = root.shrink((em(LEFT), em(self.top)), (size.0 as u32, size.1 as u32));
        let x = RoundAxis::new(0.0, count as f64 + 1.0, 10, DecimalMark::default());
        let mut chart = ChartBuilder::on(&area)
            .set_label_area_size(LabelAreaPosition::Left, em(LABELS))
            .set_label_area_size(LabelAreaPosition::Bottom, em(1.5))
            .build_cartesian_2d(x, self.y.clone())?;
        let font = (FAMILY, em(0.85)).into_font().color(&BLACK);
        chart
            .configure_mesh()
            .axis_style(stroke(GREY.to_rgba(), 0.07))
            .bold_line_style(stroke(GRID.to_rgba(), 0.05))
            .light_line_style(GRID.mix(0.0))
            .set_all_tick_mark_size(em(0.3))
            .x_label_style(font.clone())
            .y_label_style(font)
            .draw()?;
        content(&mut chart)
    }
}

fn stroke(colour: RGBAColor, width_em: f32) -> ShapeStyle {
    colour.stroke_width((width_em * UNITS_PER_EM) as u32)
}

fn place(chart: &Chart<'_, '_>, point: (f64, f64)) -> (f32, f32) {
    let (x, y) = chart.backend_coord(&point);
    (x as f32, y as f32)
}

fn right_edge() -> f32 {
    (LEFT + LABELS + PANEL_WIDTH) * UNITS_PER_EM
}

/// The name of the upright axis stands so many em above it.
fn name_axis(chart: &Chart<'_, '_>, labels: &mut Vec<Label>, name: &str, above: f32) {
    let top = chart.plotting_area().get_pixel_range().1.start as f32;
    let at = (LEFT * UNITS_PER_EM, top - above * UNITS_PER_EM);
    labels.push(Label { text: name.to_owned(), at, anchor: Anchor::Start });
}

/// An upright line where a session begins, with its name where there is room.
fn sessions(chart: &mut Chart<'_, '_>, check: &DriftCheck, labels: &mut Vec<Label>) -> Outcome {
    let starts: Vec<usize> = (0..check.points.len())
        .filter(|at| *at == 0 || check.points[*at].shot.session != check.points[at - 1].shot.session)
        .collect();
    if starts.len() > SINGLE_MARKS {
        return Ok(());
    }
    let (bottom, top) = y_range(chart);
    let mut free_from = f32::NEG_INFINITY;
    for start in starts {
        let x = start as f64 + 0.5;
        chart.draw_series([PathElement::new(vec![(x, bottom), (x, top)], stroke(GREY.mix(0.7), 0.06))])?;
        let name = check.session_of(check.points[start].shot.session).map_or("", |session| &session.name);
        let at = place(chart, (x, top));
        let at = (at.0 + 0.3 * UNITS_PER_EM, at.1 - 0.4 * UNITS_PER_EM);
        let width = fonts::Face::Regular.width_em(name) * 0.8 * UNITS_PER_EM;
        if at.0 >= free_from && at.0 + width < right_edge() {
            free_from = at.0 + width + 0.5 * UNITS_PER_EM;
            labels.push(Label { text: text::literal(name), at, anchor: Anchor::Start });
        }
    }
    Ok(())
}

fn y_range(chart: &Chart<'_, '_>) -> (f64, f64) {
    let range = chart.y_range();
    (range.start, range.end)
}

fn levels(chart: &mut Chart<'_, '_>, limits: &IndividualsLimits, labels: &mut Vec<Label>) -> Outcome {
    level(chart, limits.upper, true, labels, "limit")?;
    level(chart, limits.centre, false, labels, "baseline")?;
    level(chart, limits.lower, true, labels, "limit")
}

/// A level line with its value at the right edge; limits are dashed.
fn level(chart: &mut Chart<'_, '_>, y: f64, dashed: bool, labels: &mut Vec<Label>, name: &str) -> Outcome {
    let x = chart.x_range();
    let ends = [(x.start, y), (x.end, y)];
    let em = UNITS_PER_EM as u32;
    if dashed {
        chart.draw_series(DashedLineSeries::new(ends, em, em / 2, stroke(BLACK.to_rgba(), 0.1)))?;
    } else {
        chart.draw_series(LineSeries::new(ends, stroke(BLACK.to_rgba(), 0.08)))?;
    }
    let at = place(chart, (x.end, y));
    let at = (at.0 + 0.3 * UNITS_PER_EM, at.1 + 0.28 * UNITS_PER_EM);
    labels.push(Label { text: format!("{y:.3}"), at, anchor: Anchor::Start });
    let below = (at.0, at.1 + 0.95 * UNITS_PER_EM);
    labels.push(Label { text: name.to_owned(), at: below, anchor: Anchor::Start });
    Ok(())
}

fn weighted_average(chart: &mut Chart<'_, '_>, check: &DriftCheck, limits: &IndividualsLimits) -> Outcome {
    let step = check.points.len().div_ceil(2 * SINGLE_MARKS).max(1);
    let line = check
        .points
        .iter()
        .enumerate()
        .step_by(step)
        .map(|(index, point)| (index as f64 + 1.0, limits.centre + point.ewma * limits.sigma));
    chart.draw_series(LineSeries::new(line, stroke(BLUE.to_rgba(), 0.14)))?;
    Ok(())
}

fn shots(chart: &mut Chart<'_, '_>, check: &DriftCheck) -> Outcome {
    let speed = |index: usize, point: &ChartPoint| (index as f64 + 1.0, point.shot.speed_m_per_s);
    let tested = check.points.iter().enumerate().filter(|(_, point)| !point.left_out);
    spans_or_marks(chart, tested.map(|(index, point)| speed(index, point)), check.points.len())?;
    let em = UNITS_PER_EM;
    let left_out = check.points.iter().enumerate().filter(|(_, point)| point.left_out).take(SINGLE_MARKS);
    for (index, point) in left_out {
        let at = speed(index, point);
        chart.draw_series([Circle::new(at, (0.35 * em) as i32, stroke(GREY.to_rgba(), 0.08))])?;
        chart.draw_series([Cross::new(at, (0.25 * em) as i32, stroke(GREY.to_rgba(), 0.08))])?;
    }
    for place in flagged(check).into_iter().take(SINGLE_MARKS) {
        let at = speed(place, &check.points[place]);
        chart.draw_series([Circle::new(at, (0.55 * em) as i32, stroke(VERMILLION.to_rgba(), 0.13))])?;
    }
    Ok(())
}

/// Places of the shots that complete a pattern, each once.
fn flagged(check: &DriftCheck) -> Vec<usize> {
    let mut places: Vec<usize> = check.signals.iter().map(|signal| signal.point).collect();
    places.dedup();
    places
}

/// Numbers beside the shots outside their limits, or, where there is none, beside the first that complete a pattern.
fn name_signals(chart: &Chart<'_, '_>, check: &DriftCheck, labels: &mut Vec<Label>) {
    let beyond = SignalKind::Rule(RunRule::BeyondThreeSigmas);
    let mut places: Vec<usize> =
        check.signals.iter().filter(|signal| signal.kind == beyond).map(|signal| signal.point).collect();
    if places.is_empty() {
        places = flagged(check);
    }
    let mut last = (f32::NEG_INFINITY, 0.0);
    for index in places.into_iter().take(NAMED) {
        let point = &check.points[index];
        let at = place(chart, (index as f64 + 1.0, point.shot.speed_m_per_s));
        // On the side away from the centre, where fewer other marks lie.
        let (below, above) = (at.1 + 1.5 * UNITS_PER_EM, at.1 - 0.9 * UNITS_PER_EM);
        let (usual, other) = if point.score < 0.0 { (below, above) } else { (above, below) };
        let collides = |y: f32| (at.0 - last.0).abs() < 1.6 * UNITS_PER_EM && (y - last.1).abs() < UNITS_PER_EM;
        last = (at.0, if collides(usual) { other } else { usual });
        labels.push(Label { text: point.shot.id.to_string(), at: last, anchor: Anchor::Middle });
    }
}

/// Discs for some points, for many the span of each column of the picture.
fn spans_or_marks(chart: &mut Chart<'_, '_>, points: impl Iterator<Item = (f64, f64)>, count: usize) -> Outcome {
    let green = BLUISH_GREEN.to_rgba();
    if count <= SINGLE_MARKS {
        let radius = (0.32 * UNITS_PER_EM) as i32;
        chart.draw_series(points.map(|at| Circle::new(at, radius, green.filled())))?;
        return Ok(());
    }
    let per_column = count.div_ceil(SINGLE_MARKS) as f64;
    let mut spans: Vec<(f64, f64, f64)> = Vec::new();
    for (x, y) in points {
        let column = (x / per_column).floor();
        match spans.last_mut().filter(|span| span.0 == column) {
            Some(span) => *span = (column, span.1.min(y), span.2.max(y)),
            None => spans.push((column, y, y)),
        }
    }
    let middle = |column: f64| (column + 0.5) * per_column;
    chart.draw_series(spans.into_iter().map(|(column, low, high)| {
        PathElement::new(vec![(middle(column), low), (middle(column), high)], stroke(green, 0.06))
    }))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::drift::{DriftQuestion, check};
    use super::super::series::{Series, SeriesShot};
    use super::super::shot::{Setting, Source};
    use super::*;

    fn series(speeds: &[f64]) -> Series {
        let shot = |(index, speed): (usize, &f64)| SeriesShot {
            id: index as i64 + 1,
            time: jiff::Timestamp::from_second(60 * index as i64).unwrap(),
            session: usize::from(index >= 10),
            speed_m_per_s: *speed,
            random_uncertainty_m_per_s: None,
            common_uncertainty_m_per_s: None,
            rig: 0,
            source: Source::Gate,
            angle: None,
        };
        Series {
            shots: speeds.iter().enumerate().map(shot).collect(),
            sessions: vec!["spring *term*".into(), "autumn".into()],
            rigs: vec!["gate".into()],
            settings: vec![Setting::default()],
            sources: vec![Source::Gate],
            launchers: vec!["catapult".into()],
        }
    }

    fn texts(chart: &ControlChart) -> Vec<String> {
        let text = |op: &crate::report::ink::Op| match op {
            crate::report::ink::Op::Text(line) => Some(line.pieces.iter().map(|piece| piece.text.as_str()).collect()),
            _ => None,
        };
        chart.drawing.ops.iter().filter_map(text).collect()
    }

    #[test]
    fn limits_sessions_and_shots_outside_are_named() {
        let mut speeds = vec![4.0, 4.02, 3.98, 4.01, 3.99, 4.0, 4.02, 3.98, 4.01, 3.99, 4.0, 4.01];
        speeds.push(4.3);
        let found = check(&series(&speeds), &DriftQuestion::default()).unwrap();
        let chart = control_chart(&found).unwrap();
        let texts = texts(&chart);
        let has = |wanted: &str| texts.iter().any(|text| text == wanted);
        // The asterisks of a name are no marks for italics.
        assert!(has("spring ∗term∗") && has("autumn") && has("13"), "{texts:?}");
        let limits = found.limits.unwrap();
        assert!(has(&format!("{:.3}", limits.upper)) && has(&format!("{:.3}", limits.lower)));
        assert!(chart.alt.starts_with("Control chart of 13 shots, catapult, setting not stated."));
        let png = chart.png();
        let picture = image::load_from_memory(&png).unwrap();
        assert_eq!(picture.width(), figure::PAGE_WIDTH_PX);
        assert_eq!(control_chart(&found).unwrap().png(), png, "the same data gave another picture");
        assert!(chart.svg().contains("<svg"));
    }

    #[test]
    fn every_mark_lies_inside_the_sheet() {
        let speeds: Vec<f64> = (0..2000).map(|i| 4.0 + 0.05 * f64::from(i * 7919 % 100) / 100.0).collect();
        let found = check(&series(&speeds), &DriftQuestion::default()).unwrap();
        let chart = control_chart(&found).unwrap();
        let (width, height) = (chart.drawing.width, chart.drawing.height);
        let inside = |(x, y): &(f32, f32)| (0.0..=width).contains(x) && (0.0..=height).contains(y);
        for op in &chart.drawing.ops {
            match op {
                crate::report::ink::Op::Line { points, .. } => assert!(points.iter().all(inside), "{op:?}"),
                crate::report::ink::Op::Disc { centre, .. } => assert!(inside(centre), "{op:?}"),
                _ => {}
            }
        }
    }

    #[test]
    fn without_a_baseline_there_is_no_chart() {
        let found = check(&series(&[4.0]), &DriftQuestion::default()).unwrap();
        assert!(control_chart(&found).is_none());
    }
}
