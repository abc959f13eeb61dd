//! Draws one panel through the plotting library, and the samples of the legend.

use std::convert::Infallible;

use plotters::coord::Shift;
use plotters::coord::cartesian::Cartesian2d;
use plotters::element::{Circle, EmptyElement, PathElement, Polygon, Rectangle};
use plotters::prelude::{ChartBuilder, ChartContext, DrawingArea, DrawingAreaErrorKind, IntoDrawingArea, IntoFont};
use plotters::prelude::{LabelAreaPosition, LineSeries};
use plotters::series::DashedLineSeries;
use plotters::style::{Color, RGBAColor, RGBColor, ShapeStyle};

use super::layout::Frame;
use super::{Layer, Mark, Panel, Series, Theme};
use crate::report::axis::RoundAxis;
use crate::report::fonts::{self, FAMILY};
use crate::report::ink::recorder::Recorder;
use crate::report::ink::text::{rich, width_em};
use crate::report::ink::{Colour, Drawing, UNITS_PER_EM};

/// The colours of a theme. Series colours are from the set of Okabe and Ito, "Color Universal Design" (2008).
#[derive(Debug, Clone, Copy)]
pub struct Palette {
    pub ground: Colour,
    pub ink: Colour,
    axis: Colour,
    grid: Colour,
    fit: Colour,
    series: [Colour; 5],
    forecast: Colour,
}

const VERMILLION: Colour = Colour(0xd5, 0x5e, 0x00);
const BLUISH_GREEN: Colour = Colour(0x00, 0x9e, 0x73);
const BLUE: Colour = Colour(0x00, 0x72, 0xb2);
const SKY_BLUE: Colour = Colour(0x56, 0xb4, 0xe9);
const ORANGE: Colour = Colour(0xe6, 0x9f, 0x00);
const REDDISH_PURPLE: Colour = Colour(0xcc, 0x79, 0xa7);

impl Palette {
    pub const fn of(theme: Theme) -> Self {
        match theme {
            Theme::Light => Self {
                ground: Colour(255, 255, 255),
                ink: Colour(0x1a, 0x1a, 0x1a),
                axis: Colour(0x55, 0x55, 0x55),
                grid: Colour(0xe0, 0xe0, 0xe0),
                fit: Colour(0, 0, 0),
                series: [BLUISH_GREEN, BLUE, REDDISH_PURPLE, ORANGE, Colour(0x66, 0x66, 0x66)],
                forecast: VERMILLION,
            },
            Theme::Dark => Self {
                ground: Colour(0x14, 0x17, 0x1b),
                ink: Colour(0xec, 0xec, 0xec),
                axis: Colour(0xa0, 0xa6, 0xad),
                grid: Colour(0x34, 0x3a, 0x42),
                fit: Colour(0xff, 0xff, 0xff),
                series: [BLUISH_GREEN, SKY_BLUE, REDDISH_PURPLE, ORANGE, Colour(0xb4, 0xb4, 0xb4)],
                forecast: VERMILLION,
            },
        }
    }

    fn series(&self, series: Series) -> RGBAColor {
        rgb(self.series[series as usize])
    }
}

fn rgb(colour: Colour) -> RGBAColor {
    RGBColor(colour.0, colour.1, colour.2).to_rgba()
}

const fn units(em: f32) -> i32 {
    (em * UNITS_PER_EM) as i32
}

fn line(colour: RGBAColor, width_em: f32) -> ShapeStyle {
    colour.stroke_width(units(width_em) as u32)
}

const FIT_WIDTH: f32 = 0.11;
const BAR_WIDTH: f32 = 0.08;
const CAP: f32 = 0.22;
/// From this many marks on they touch.
const CROWD: usize = 60;

type Chart<'a, 'b> = ChartContext<'a, Recorder<'b>, Cartesian2d<RoundAxis, RoundAxis>>;
type Outcome = Result<(), DrawingAreaErrorKind<Infallible>>;

/// Draws frame, ticks and all layers of `panel`.
pub fn panel(panel: &Panel, frame: &Frame, x_labelled: bool, palette: &Palette, drawing: &mut Drawing) {
    fonts::register();
    let root = Recorder(drawing).into_drawing_area();
    let painted = paint_panel(panel, frame, x_labelled, palette, &root);
    painted.expect("recording a drawing in memory cannot fail");
}

fn paint_panel(
    panel: &Panel,
    frame: &Frame,
    x_labelled: bool,
    palette: &Palette,
    root: &DrawingArea<Recorder<'_>, Shift>,
) -> Outcome {
    const LABELS: (f32, f32) = (5.0, 2.0);
    let corner = (units(frame.left - LABELS.0), units(frame.top));
    let area = root.clone().shrink(corner, (units(frame.width + LABELS.0), units(frame.height + LABELS.1)));
    let mut chart = ChartBuilder::on(&area)
        .set_label_area_size(LabelAreaPosition::Left, units(LABELS.0))
        .set_label_area_size(LabelAreaPosition::Bottom, units(LABELS.1))
        .build_cartesian_2d(frame.x.clone(), frame.y.clone())?;
    mesh(&mut chart, x_labelled, palette)?;
    zero_lines(&mut chart, frame, palette)?;
    in_order(&panel.layers).try_for_each(|layer| paint_layer(&mut chart, layer, frame, palette))
}

/// As listed, but the fit goes over a crowd of marks that would hide it.
fn in_order(layers: &[Layer]) -> impl Iterator<Item = &Layer> {
    let crowded = layers.iter().any(|l| matches!(l, Layer::Points { marks, .. } if marks.len() > CROWD));
    let late = move |layer: &&Layer| crowded && matches!(layer, Layer::Fit { .. });
    layers.iter().filter(move |l| !late(l)).chain(layers.iter().filter(late))
}

fn mesh(chart: &mut Chart<'_, '_>, x_labelled: bool, palette: &Palette) -> Outcome {
    let labels = (FAMILY, units(0.9)).into_font().color(&rgb(palette.ink));
    let hidden = (FAMILY, units(0.9)).into_font().color(&rgb(palette.ink).mix(0.0));
    chart
        .configure_mesh()
        .axis_style(line(rgb(palette.axis), 0.07))
        .bold_line_style(line(rgb(palette.grid), 0.05))
        .light_line_style(rgb(palette.grid).mix(0.0))
        .set_all_tick_mark_size(units(0.3))
        .x_label_style(if x_labelled { labels.clone() } else { hidden })
        .y_label_style(labels)
        .draw()
}

/// Nought is drawn a little stronger than the grid where both signs occur.
fn zero_lines(chart: &mut Chart<'_, '_>, frame: &Frame, palette: &Palette) -> Outcome {
    let style = line(rgb(palette.axis).mix(0.6), 0.06);
    let inside = |axis: &RoundAxis| axis.low < 0.0 && axis.high > 0.0;
    if inside(&frame.y) {
        chart.draw_series(LineSeries::new([(frame.x.low, 0.0), (frame.x.high, 0.0)], style))?;
    }
    if inside(&frame.x) {
        chart.draw_series(LineSeries::new([(0.0, frame.y.low), (0.0, frame.y.high)], style))?;
    }
    Ok(())
}

fn paint_layer(chart: &mut Chart<'_, '_>, layer: &Layer, frame: &Frame, palette: &Palette) -> Outcome {
    match layer {
        Layer::Points { series, marks, .. } => points(chart, *series, marks, palette),
        Layer::Fit { series, points, .. } => curve(chart, points, frame, &Dash::fit(*series, palette)),
        Layer::Forecast { points, .. } => curve(chart, points, frame, &Dash::forecast(palette)),
        Layer::Level { y, .. } => curve(chart, &[(frame.x.low, *y), (frame.x.high, *y)], frame, &Dash::level(palette)),
        Layer::Band { edges, .. } => band(chart, edges, palette),
        Layer::Bars { bars, .. } => histogram(chart, bars, palette),
    }
}

/// How a line is broken and painted: lengths of stroke and gap in em, `None` for a full line.
struct Dash {
    style: ShapeStyle,
    pattern: Option<(f32, f32)>,
}

impl Dash {
    fn fit(series: Series, palette: &Palette) -> Self {
        let pattern = match series {
            Series::First | Series::Fourth | Series::Fifth => None,
            Series::Second => Some((1.2, 0.4)),
            Series::Third => Some((0.4, 0.3)),
        };
        Self { style: line(rgb(palette.fit), FIT_WIDTH), pattern }
    }

    fn forecast(palette: &Palette) -> Self {
        Self { style: line(rgb(palette.forecast), 0.15), pattern: Some((0.8, 0.5)) }
    }

    fn level(palette: &Palette) -> Self {
        Self { style: line(rgb(palette.axis), 0.1), pattern: Some((0.15, 0.3)) }
    }
}

fn curve(chart: &mut Chart<'_, '_>, points: &[(f64, f64)], frame: &Frame, dash: &Dash) -> Outcome {
    for piece in clip(points, frame) {
        match dash.pattern {
            None => chart.draw_series(LineSeries::new(piece, dash.style))?,
            Some((on, off)) => {
                chart.draw_series(DashedLineSeries::new(piece, units(on) as u32, units(off) as u32, dash.style))?
            }
        };
    }
    Ok(())
}

fn band(chart: &mut Chart<'_, '_>, edges: &[(f64, f64, f64)], palette: &Palette) -> Outcome {
    let lower = edges.iter().map(|e| (e.0, e.1));
    let upper = edges.iter().rev().map(|e| (e.0, e.2));
    let outline: Vec<(f64, f64)> = lower.chain(upper).collect();
    chart.draw_series([Polygon::new(outline, rgb(palette.fit).mix(0.2).filled())])?;
    Ok(())
}

fn histogram(chart: &mut Chart<'_, '_>, bars: &[(f64, f64, f64)], palette: &Palette) -> Outcome {
    let (fill, edge) = (palette.series(Series::First).mix(0.45).filled(), line(palette.series(Series::First), 0.08));
    for style in [fill, edge] {
        chart.draw_series(bars.iter().map(|b| Rectangle::new([(b.0, 0.0), (b.1, b.2)], style)))?;
    }
    Ok(())
}

fn points(chart: &mut Chart<'_, '_>, series: Series, marks: &[Mark], palette: &Palette) -> Outcome {
    let colour = palette.series(series);
    // A crowd of marks gets smaller ones.
    let radius = if marks.len() > CROWD { 0.22 } else { 0.32 };
    for mark in marks {
        let bars = if mark.used { colour } else { rgb(palette.axis) };
        error_bars(chart, mark, line(bars, BAR_WIDTH))?;
    }
    for mark in marks {
        put_mark(chart, series, mark, radius, colour, palette)?;
    }
    Ok(())
}

fn error_bars(chart: &mut Chart<'_, '_>, mark: &Mark, style: ShapeStyle) -> Outcome {
    let (Mark { x, y, .. }, cap) = (*mark, units(CAP));
    if let Some(half) = mark.y_half_width {
        chart.draw_series(LineSeries::new([(x, y - half), (x, y + half)], style))?;
        let ends = [y - half, y + half].map(|end| (x, end));
        chart
            .draw_series(ends.map(|end| EmptyElement::at(end) + PathElement::new(vec![(-cap, 0), (cap, 0)], style)))?;
    }
    if let Some(half) = mark.x_half_width {
        chart.draw_series(LineSeries::new([(x - half, y), (x + half, y)], style))?;
        let ends = [x - half, x + half].map(|end| (end, y));
        chart
            .draw_series(ends.map(|end| EmptyElement::at(end) + PathElement::new(vec![(0, -cap), (0, cap)], style)))?;
    }
    Ok(())
}

fn put_mark(
    chart: &mut Chart<'_, '_>,
    series: Series,
    mark: &Mark,
    radius: f32,
    colour: RGBAColor,
    palette: &Palette,
) -> Outcome {
    let at = (mark.x, mark.y);
    let r = units(radius);
    if !mark.used {
        let style = line(rgb(palette.axis), 0.09);
        chart.draw_series([Circle::new(at, r, style)])?;
        chart.draw_series([EmptyElement::at(at)
            + PathElement::new(vec![(-r, -r), (r, r)], style)
            + PathElement::new(vec![(-r, r), (r, -r)], style)])?;
        return Ok(());
    }
    match series {
        Series::First => chart.draw_series([Circle::new(at, r, colour.filled())])?,
        _ => {
            let outline = shape(series, r);
            chart.draw_series([EmptyElement::at(at) + Polygon::new(outline, colour.filled())])?
        }
    };
    Ok(())
}

/// Corners of a square, a triangle or a diamond about the origin.
fn shape(series: Series, r: i32) -> Vec<(i32, i32)> {
    let q = r * 9 / 10;
    match series {
        Series::Third => vec![(0, -r * 5 / 4), (r * 11 / 10, q), (-r * 11 / 10, q)],
        Series::Fourth => vec![(0, -r * 5 / 4), (r * 5 / 4, 0), (0, r * 5 / 4), (-r * 5 / 4, 0)],
        Series::Fifth => vec![(0, r * 5 / 4), (r * 11 / 10, -q), (-r * 11 / 10, -q)],
        Series::First | Series::Second => vec![(-q, -q), (q, -q), (q, q), (-q, q)],
    }
}

/// The parts of a polyline that lie in the frame's ranges.
fn clip(points: &[(f64, f64)], frame: &Frame) -> Vec<Vec<(f64, f64)>> {
    let mut pieces: Vec<Vec<(f64, f64)>> = Vec::new();
    for pair in points.windows(2) {
        let Some((from, to)) = clip_segment(pair[0], pair[1], frame) else { continue };
        match pieces.last_mut() {
            Some(piece) if piece.last() == Some(&from) => piece.push(to),
            _ => pieces.push(vec![from, to]),
        }
    }
    pieces
}

/// Liang and Barsky, "A new concept and method for line clipping", ACM Transactions on Graphics 3 (1984).
fn clip_segment(from: (f64, f64), to: (f64, f64), frame: &Frame) -> Option<((f64, f64), (f64, f64))> {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let edges = [
        (-dx, from.0 - frame.x.low),
        (dx, frame.x.high - from.0),
        (-dy, from.1 - frame.y.low),
        (dy, frame.y.high - from.1),
    ];
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    for (direction, distance) in edges {
        if direction == 0.0 {
            if distance < 0.0 {
                return None;
            }
        } else if direction < 0.0 {
            enter = enter.max(distance / direction);
        } else {
            leave = leave.min(distance / direction);
        }
    }
    // Ends that need no cutting stay as they are, so that pieces join.
    let at = |s: f64| (from.0 + s * dx, from.1 + s * dy);
    let start = if enter == 0.0 { from } else { at(enter) };
    let end = if leave == 1.0 { to } else { at(leave) };
    (enter <= leave).then_some((start, end))
}

pub const SAMPLE_WIDTH: f32 = 2.4;
pub const LEGEND_TEXT: f32 = 0.95;

/// What stands for a layer in the legend.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    pub label: String,
    kind: SampleKind,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum SampleKind {
    Mark(Series),
    LeftOut,
    Line(Series),
    Forecast,
    Level,
    Band,
    Bar,
}

impl Sample {
    /// Width with the gap to the next one, in em.
    pub fn width(&self) -> f32 {
        SAMPLE_WIDTH + 0.5 + width_em(&rich(&self.label)) * LEGEND_TEXT + 1.8
    }

    /// Draws the sample with its middle at the height of `at`, from there to the right.
    pub fn draw(&self, at: (f32, f32), palette: &Palette, drawing: &mut Drawing) {
        let root = Recorder(drawing).into_drawing_area();
        let (x, y) = (units(at.0), units(at.1));
        self.paint(&root, (x, y), palette).expect("recording a drawing in memory cannot fail");
    }

    fn paint(&self, root: &DrawingArea<Recorder<'_>, Shift>, (x, y): (i32, i32), palette: &Palette) -> Outcome {
        let (r, wide) = (units(0.32), units(SAMPLE_WIDTH));
        let middle = (x + wide / 2, y);
        match self.kind {
            SampleKind::Mark(series) => {
                let colour = palette.series(series);
                let bar = line(colour, BAR_WIDTH);
                root.draw(&PathElement::new(vec![(middle.0, y - 2 * r), (middle.0, y + 2 * r)], bar))?;
                match series {
                    Series::First => root.draw(&Circle::new(middle, r, colour.filled())),
                    _ => root.draw(&(EmptyElement::at(middle) + Polygon::new(shape(series, r), colour.filled()))),
                }
            }
            SampleKind::LeftOut => {
                let style = line(rgb(palette.axis), 0.09);
                root.draw(&Circle::new(middle, r, style))?;
                root.draw(
                    &(EmptyElement::at(middle)
                        + PathElement::new(vec![(-r, -r), (r, r)], style)
                        + PathElement::new(vec![(-r, r), (r, -r)], style)),
                )
            }
            SampleKind::Line(series) => self.dashes(root, (x, y), &Dash::fit(series, palette)),
            SampleKind::Forecast => self.dashes(root, (x, y), &Dash::forecast(palette)),
            SampleKind::Level => self.dashes(root, (x, y), &Dash::level(palette)),
            SampleKind::Band => {
                let fill = rgb(palette.fit).mix(0.2).filled();
                root.draw(&Rectangle::new([(x, y - units(0.4)), (x + wide, y + units(0.4))], fill))
            }
            SampleKind::Bar => {
                let fill = palette.series(Series::First).mix(0.45).filled();
                root.draw(&Rectangle::new([(x, y - units(0.4)), (x + wide, y + units(0.4))], fill))
            }
        }
    }

    fn dashes(&self, root: &DrawingArea<Recorder<'_>, Shift>, (x, y): (i32, i32), dash: &Dash) -> Outcome {
        let wide = units(SAMPLE_WIDTH);
        let (on, off) = dash.pattern.map_or((wide, 1), |(on, off)| (units(on), units(off)));
        let mut from = x;
        while from < x + wide {
            let to = (from + on).min(x + wide);
            root.draw(&PathElement::new(vec![(from, y), (to, y)], dash.style))?;
            from = to + off;
        }
        Ok(())
    }
}

/// The legend of `panels`: every label once, in the order of the layers.
pub fn samples(panels: &[Panel]) -> Vec<Sample> {
    let mut samples: Vec<Sample> = Vec::new();
    let mut add = |label: &str, kind: SampleKind| {
        if !label.is_empty() && !samples.iter().any(|s| s.label == label) {
            samples.push(Sample { label: label.to_owned(), kind });
        }
    };
    for layer in panels.iter().flat_map(|p| &p.layers) {
        match layer {
            Layer::Points { series, label, marks } => {
                add(label, SampleKind::Mark(*series));
                if marks.iter().any(|m| !m.used) {
                    add("left out of the fit", SampleKind::LeftOut);
                }
            }
            Layer::Fit { series, label, .. } => add(label, SampleKind::Line(*series)),
            Layer::Forecast { label, .. } => add(label, SampleKind::Forecast),
            Layer::Level { label, .. } => add(label, SampleKind::Level),
            Layer::Band { label, .. } => add(label, SampleKind::Band),
            Layer::Bars { label, .. } => add(label, SampleKind::Bar),
        }
    }
    samples
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::numbers::DecimalMark;

    fn frame() -> Frame {
        let axis = RoundAxis::new(0.0, 1.0, 5, DecimalMark::Point);
        Frame { left: 0.0, top: 0.0, width: 10.0, height: 10.0, x: axis.clone(), y: axis }
    }

    #[test]
    fn lines_are_cut_at_the_frame() {
        let pieces = clip(&[(-1.0, 0.5), (0.5, 0.5), (0.5, 2.0)], &frame());
        assert_eq!(pieces, [vec![(0.0, 0.5), (0.5, 0.5), (0.5, 1.0)]]);
        assert!(clip(&[(-1.0, 2.0), (2.0, 3.0)], &frame()).is_empty());
    }

    #[test]
    fn a_line_that_leaves_and_comes_back_is_two() {
        let pieces = clip(&[(0.1, 0.9), (0.3, 1.5), (0.5, 0.9)], &frame());
        assert_eq!(pieces.len(), 2);
        assert_eq!(pieces[1].last(), Some(&(0.5, 0.9)));
    }
}
