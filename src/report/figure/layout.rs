//! Where everything goes: title, legend, panels, axis names and caption. All lengths here are in em of ordinary text.

use std::ops::Range;

use super::paint::{self, Palette};
use super::{Figure, Layer, Panel, Sheet, Style};
use crate::report::axis::{RoundAxis, comfortable_range};
use crate::report::fonts::Face;
use crate::report::ink::text::{Piece, bold, rich, width_em, wrap, wrap_pieces};
use crate::report::ink::{Anchor, Drawing, TextLine, UNITS_PER_EM};

/// Width of every figure: 160 mm make an em of 3.2 mm (9 pt), 1600 pixels one of 32 pixels.
const WIDTH: f32 = 50.0;
const SLIDE_HEIGHT: f32 = WIDTH * 9.0 / 16.0;
const MARGIN: f32 = 1.0;
const LINE: f32 = 1.35;
const TICK_TEXT: f32 = 0.9;
/// From the frame down to below the tick labels.
const TICK_ROOM: f32 = 1.7;
const NAME_ROOM: f32 = 1.5;
const PANEL_GAP: f32 = 1.2;
/// Height of the frames of a page figure, for a share of 1.
const PAGE_PANEL_HEIGHT: f32 = 17.0;
/// Room on the right for half of the last tick label.
const RIGHT: f32 = 1.8;

/// A frame with its axes, in em of the sheet.
#[derive(Debug, Clone)]
pub struct Frame {
    pub left: f32,
    pub top: f32,
    pub width: f32,
    pub height: f32,
    pub x: RoundAxis,
    pub y: RoundAxis,
}

pub struct Layout<'a> {
    figure: &'a Figure,
    style: &'a Style,
    palette: Palette,
}

impl<'a> Layout<'a> {
    pub fn new(figure: &'a Figure, style: &'a Style) -> Self {
        Self { figure, style, palette: Palette::of(style.theme) }
    }

    pub fn draw(&self) -> Drawing {
        let title = wrap_pieces(bold(&self.figure.title), (WIDTH - 2.0 * MARGIN) / 1.15);
        let legend = self.legend_rows();
        let caption = self.caption_lines();
        let top = MARGIN + title.len() as f32 * LINE * 1.15 + legend.len() as f32 * LINE + 0.5;
        let bottom = caption.len() as f32 * LINE + if caption.is_empty() { 0.3 } else { 0.9 } + 0.3;
        let frames = self.frames(top, bottom);
        let last = frames.last().map_or(top, |f| f.top + f.height);
        let end_of_axes = last + TICK_ROOM + NAME_ROOM;
        let height = match self.style.sheet {
            Sheet::Page => end_of_axes + bottom,
            Sheet::Slide => SLIDE_HEIGHT,
        };
        let mut drawing = Drawing::new(WIDTH * UNITS_PER_EM, height * UNITS_PER_EM, Some(self.palette.ground));
        self.put_lines(&mut drawing, &title, MARGIN, 1.15);
        self.put_legend(&mut drawing, &legend, MARGIN + title.len() as f32 * LINE * 1.15 + 0.2);
        for (i, (panel, frame)) in self.figure.panels.iter().zip(&frames).enumerate() {
            let x_named = !self.figure.shared_x || i + 1 == frames.len();
            paint::panel(panel, frame, x_named, &self.palette, &mut drawing);
            self.put_axis_names(&mut drawing, panel, frame, x_named);
        }
        self.put_lines(&mut drawing, &caption, end_of_axes + 0.5, 0.95);
        drawing
    }

    fn caption_lines(&self) -> Vec<Vec<Piece>> {
        let caption = match self.style.sheet {
            _ if self.style.without_caption => String::new(),
            Sheet::Page => self.figure.whole_caption(),
            // Nobody reads small print on a wall, and the panels want the room.
            Sheet::Slide => self.figure.caption.clone(),
        };
        let lines = |text: &str| if text.is_empty() { Vec::new() } else { wrap(text, (WIDTH - 2.0 * MARGIN) / 0.95) };
        lines(&caption).into_iter().chain(lines(&self.figure.notice)).collect()
    }

    fn frames(&self, top: f32, bottom: f32) -> Vec<Frame> {
        let panels = &self.figure.panels;
        let shared = self.figure.shared_x.then(|| union(panels.iter().map(|p| extent(p).0)));
        let heights = self.panel_heights(top, bottom);
        let ranges: Vec<(Range<f64>, Range<f64>)> = panels
            .iter()
            .map(|panel| {
                let (x, y) = extent(panel);
                (padded(shared.unwrap_or(x)), y_range(panel, y))
            })
            .collect();
        let labels =
            ranges.iter().zip(&heights).map(|((_, y), h)| label_width(&self.y_axis(y, *h))).fold(0.0, f32::max);
        let left = MARGIN + 1.5 + labels + 0.7;
        let mut frame_top = top;
        let mut frames = Vec::new();
        for ((panel, (x, y)), height) in panels.iter().zip(ranges).zip(heights) {
            let width = WIDTH - left - RIGHT;
            let x_axis = RoundAxis::new(x.start, x.end, (width / 5.0) as usize, self.style.decimal_mark);
            let x_axis = if panel.counts_along { x_axis.counting() } else { x_axis };
            let y_axis = self.y_axis(&y, height);
            let mut frame = Frame { left, top: frame_top, width, height, x: x_axis, y: y_axis };
            if panel.equal_scales {
                self.equalise(&mut frame);
            }
            let below = if self.figure.shared_x { PANEL_GAP } else { TICK_ROOM + NAME_ROOM + PANEL_GAP };
            frame_top += frame.height + below;
            frames.push(frame);
        }
        frames
    }

    fn y_axis(&self, range: &Range<f64>, height: f32) -> RoundAxis {
        RoundAxis::new(range.start, range.end, ((height / 2.6) as usize).clamp(3, 8), self.style.decimal_mark)
    }

    fn panel_heights(&self, top: f32, bottom: f32) -> Vec<f32> {
        let shares: f32 = self.figure.panels.iter().map(|p| p.share).sum();
        let total = match self.style.sheet {
            Sheet::Page => PAGE_PANEL_HEIGHT * shares,
            Sheet::Slide => {
                let (count, names) = (self.figure.panels.len() as f32, TICK_ROOM + NAME_ROOM);
                let between = if self.figure.shared_x { PANEL_GAP } else { PANEL_GAP + names };
                SLIDE_HEIGHT - top - bottom - names - (count - 1.0) * between
            }
        };
        self.figure.panels.iter().map(|p| total * p.share / shares).collect()
    }

    /// Makes a metre as long up as along: on a page by the frame's height, within limits, and by widening the range
    /// that is too narrow for the rest.
    fn equalise(&self, frame: &mut Frame) {
        let (x_span, y_span) = (frame.x.high - frame.x.low, frame.y.high - frame.y.low);
        if self.style.sheet == Sheet::Page {
            frame.height = (frame.width * (y_span / x_span) as f32).clamp(14.0, 26.0);
        }
        let per_em = (x_span / f64::from(frame.width)).max(y_span / f64::from(frame.height));
        let widen = |low: f64, high: f64, length: f32| {
            let more = (per_em * f64::from(length) - (high - low)) / 2.0;
            (low - more, high + more)
        };
        let (x_low, x_high) = widen(frame.x.low, frame.x.high, frame.width);
        let (y_low, y_high) = widen(frame.y.low, frame.y.high, frame.height);
        let mark = self.style.decimal_mark;
        frame.x = RoundAxis::new(x_low, x_high, (frame.width / 5.0) as usize, mark);
        frame.y = self.y_axis(&(y_low..y_high), frame.height);
    }

    fn put_lines(&self, drawing: &mut Drawing, lines: &[Vec<Piece>], top: f32, size: f32) {
        for (i, pieces) in lines.iter().enumerate() {
            let baseline = top + (i as f32 * LINE + 0.95) * size;
            drawing.text(self.line(pieces.clone(), (MARGIN, baseline), size, Anchor::Start, false));
        }
    }

    fn line(&self, pieces: Vec<Piece>, at: (f32, f32), size: f32, anchor: Anchor, upwards: bool) -> TextLine {
        let at = (at.0 * UNITS_PER_EM, at.1 * UNITS_PER_EM);
        TextLine { pieces, at, size: size * UNITS_PER_EM, anchor, upwards, paint: self.palette.ink.into() }
    }

    fn put_axis_names(&self, drawing: &mut Drawing, panel: &Panel, frame: &Frame, x_named: bool) {
        if x_named {
            let at = (frame.left + frame.width / 2.0, frame.top + frame.height + TICK_ROOM + 0.95);
            drawing.text(self.line(rich(&panel.x_name), at, 1.0, Anchor::Middle, false));
        }
        // A name longer than its frame is set smaller, not over its neighbour's.
        let pieces = rich(&panel.y_name);
        let size = (frame.height / width_em(&pieces)).min(1.0);
        let at = (MARGIN + 0.9, frame.top + frame.height / 2.0);
        drawing.text(self.line(pieces, at, size, Anchor::Middle, true));
    }

    /// The labelled layers, each once, in rows that fit the width.
    fn legend_rows(&self) -> Vec<Vec<paint::Sample>> {
        let mut rows: Vec<Vec<paint::Sample>> = Vec::new();
        let mut used = f32::INFINITY;
        for sample in paint::samples(&self.figure.panels) {
            if used + sample.width() > WIDTH - 2.0 * MARGIN {
                rows.push(Vec::new());
                used = 0.0;
            }
            used += sample.width();
            if let Some(row) = rows.last_mut() {
                row.push(sample);
            }
        }
        rows
    }

    fn put_legend(&self, drawing: &mut Drawing, rows: &[Vec<paint::Sample>], top: f32) {
        for (i, row) in rows.iter().enumerate() {
            let baseline = top + i as f32 * LINE + 0.95;
            let mut x = MARGIN;
            for sample in row {
                sample.draw((x, baseline - 0.35), &self.palette, drawing);
                let at = (x + paint::SAMPLE_WIDTH + 0.5, baseline);
                drawing.text(self.line(rich(&sample.label), at, paint::LEGEND_TEXT, Anchor::Start, false));
                x += sample.width();
            }
        }
    }
}

fn label_width(axis: &RoundAxis) -> f32 {
    axis.ticks().into_iter().map(|t| Face::Regular.width_em(&axis.label(t)) * TICK_TEXT).fold(0.0, f32::max)
}

fn union(ranges: impl Iterator<Item = (f64, f64)>) -> (f64, f64) {
    ranges.fold((f64::INFINITY, f64::NEG_INFINITY), |a, b| (a.0.min(b.0), a.1.max(b.1)))
}

fn padded((low, high): (f64, f64)) -> Range<f64> {
    if low <= high { comfortable_range(low, high) } else { 0.0..1.0 }
}

fn y_range(panel: &Panel, (low, high): (f64, f64)) -> Range<f64> {
    let bars = panel.layers.iter().any(|l| matches!(l, Layer::Bars { .. }));
    let range = padded((low, high));
    if bars { 0.0..range.end } else { range }
}

/// Smallest and largest x and y of all that is in a panel, error bars included.
fn extent(panel: &Panel) -> ((f64, f64), (f64, f64)) {
    let mut x = (f64::INFINITY, f64::NEG_INFINITY);
    let mut y = x;
    let grow = |range: &mut (f64, f64), value: f64| {
        if value.is_finite() {
            *range = (range.0.min(value), range.1.max(value));
        }
    };
    for layer in &panel.layers {
        match layer {
            Layer::Points { marks, .. } => marks.iter().for_each(|m| {
                let (dx, dy) = (m.x_half_width.unwrap_or(0.0), m.y_half_width.unwrap_or(0.0));
                [m.x - dx, m.x + dx].into_iter().for_each(|v| grow(&mut x, v));
                [m.y - dy, m.y + dy].into_iter().for_each(|v| grow(&mut y, v));
            }),
            Layer::Fit { points, .. } | Layer::Forecast { points, .. } => points.iter().for_each(|p| {
                grow(&mut x, p.0);
                grow(&mut y, p.1);
            }),
            Layer::Band { edges, .. } => edges.iter().for_each(|e| {
                grow(&mut x, e.0);
                [e.1, e.2].into_iter().for_each(|v| grow(&mut y, v));
            }),
            Layer::Level { y: level, .. } => grow(&mut y, *level),
            Layer::Bars { bars, .. } => bars.iter().for_each(|b| {
                [b.0, b.1].into_iter().for_each(|v| grow(&mut x, v));
                grow(&mut y, b.2);
            }),
        }
    }
    (x, y)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::{Mark, Series};

    fn panel(points: &[(f64, f64)], equal_scales: bool) -> Panel {
        let marks = points.iter().map(|&(x, y)| Mark { x, y, x_half_width: None, y_half_width: None, used: true });
        let layers = vec![Layer::Points { series: Series::First, label: "measured".into(), marks: marks.collect() }];
        Panel {
            x_name: "*x* / m".into(),
            y_name: "*y* / m".into(),
            share: 1.0,
            equal_scales,
            counts_along: false,
            layers,
        }
    }

    fn figure(panels: Vec<Panel>) -> Figure {
        let (name, title, caption, alt) = ("path".into(), "Path".into(), "A caption.".into(), "A path.".into());
        Figure { name, title, panels, shared_x: false, caption, note: "", notice: String::new(), alt }
    }

    #[test]
    fn a_metre_is_as_long_up_as_along() {
        let shapes = [[(0.0, 0.0), (3.0, 0.4)], [(0.0, 0.0), (0.2, 2.0)], [(0.0, 1.0), (1.0, -1.0)]];
        for sheet in [Sheet::Page, Sheet::Slide] {
            let style = Style { sheet, ..Style::default() };
            for points in &shapes {
                let figure = figure(vec![panel(points, true)]);
                let frame = Layout::new(&figure, &style).frames(5.0, 3.0).remove(0);
                let across = (frame.x.high - frame.x.low) / f64::from(frame.width);
                let up = (frame.y.high - frame.y.low) / f64::from(frame.height);
                // Frames are single precision.
                assert!((across / up - 1.0).abs() < 1e-5, "{sheet:?} {points:?}");
            }
        }
    }

    #[test]
    fn slides_have_the_size_of_a_slide() {
        let style = Style { sheet: Sheet::Slide, ..Style::default() };
        let drawing = Layout::new(&figure(vec![panel(&[(0.0, 0.0), (1.0, 1.0)], false)]), &style).draw();
        assert_eq!((drawing.width / drawing.height * 9.0).round(), 16.0);
    }
}
