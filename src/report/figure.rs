//! A figure: panels of data with axes, legend and caption, and how they are laid out on a sheet.

mod layout;
mod paint;

use super::files;
use super::ink::svg::SvgSize;
use super::ink::{Drawing, raster, svg, text};
use super::numbers::DecimalMark;

/// Light for paper, dark for a dim room.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Theme {
    #[default]
    Light,
    Dark,
}

/// What the picture goes onto.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Sheet {
    /// 160 mm wide at 300 dots per inch; as high as the figure needs.
    #[default]
    Page,
    /// 1600 × 900 pixels.
    Slide,
}

/// How a figure is drawn.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Style {
    pub theme: Theme,
    pub sheet: Sheet,
    pub decimal_mark: DecimalMark,
    /// Leaves the caption to the text around the picture.
    pub without_caption: bool,
}

/// Which series something belongs to: each has its own colour, mark and dash, so that no meaning hangs on colour alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Series {
    /// Bluish green discs; full line.
    First,
    /// Blue squares; long dashes.
    Second,
    /// Reddish purple triangles; short dashes.
    Third,
    /// Orange diamonds; full line.
    Fourth,
    /// Grey triangles on their tips; full line.
    Fifth,
}

/// A measured point; half-widths of its 95 % interval, `None` when unknown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    pub x: f64,
    pub y: f64,
    pub x_half_width: Option<f64>,
    pub y_half_width: Option<f64>,
    /// Drawn hollow with a cross when the fit rejected it.
    pub used: bool,
}

/// One thing in a panel. Later ones cover earlier ones.
#[derive(Debug, Clone, PartialEq)]
pub enum Layer {
    Points {
        series: Series,
        label: String,
        marks: Vec<Mark>,
    },
    Fit {
        series: Series,
        label: String,
        points: Vec<(f64, f64)>,
    },
    Forecast {
        label: String,
        points: Vec<(f64, f64)>,
    },
    /// (x, low, high).
    Band {
        label: String,
        edges: Vec<(f64, f64, f64)>,
    },
    /// A level to compare with, such as nought or 9.81.
    Level {
        label: String,
        y: f64,
    },
    /// Bars of a histogram: (from, to, height).
    Bars {
        label: String,
        bars: Vec<(f64, f64, f64)>,
    },
}

/// Axes with layers.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// Marked text: name, symbol in italics, unit, such as `height *y* / m`.
    pub x_name: String,
    pub y_name: String,
    /// Share of the figure's height against the other panels.
    pub share: f32,
    /// One metre is as long up as along.
    pub equal_scales: bool,
    /// Along x whole things are counted, so that no tick stands between two of them.
    pub counts_along: bool,
    pub layers: Vec<Layer>,
}

/// A whole figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// File name without ending, such as `flight-1-height-time`.
    pub name: String,
    /// Marked text.
    pub title: String,
    /// Panels from top to bottom. All share the first one's x range when `shared_x` is set.
    pub panels: Vec<Panel>,
    pub shared_x: bool,
    /// Marked text: what was fitted, and what came out.
    pub caption: String,
    /// Marked text that many figures have alike: what bars and bands mean. Where several stand together it is said once.
    pub note: &'static str,
    /// Marked text: what else must be known of the measurement, for a figure that leaves the company of its numbers; else empty. On every
    /// sheet, with or without caption.
    pub notice: String,
    /// What the picture shows, for readers who don't see it.
    pub alt: String,
}

impl Figure {
    /// Caption and note, for a figure that stands by itself.
    pub fn whole_caption(&self) -> String {
        format!("{} {}", self.caption, self.note).trim().to_owned()
    }

    /// As a PNG file of the sheet's size.
    pub fn png(&self, style: &Style) -> Vec<u8> {
        let drawing = self.drawing(style);
        match style.sheet {
            Sheet::Page => files::png(&raster::rgb(&drawing, PAGE_WIDTH_PX), Some(300.0)),
            Sheet::Slide => files::png(&raster::rgb(&drawing, SLIDE_PX.0), None),
        }
    }

    /// As an SVG file of the sheet's size.
    pub fn svg(&self, style: &Style) -> String {
        let size = match style.sheet {
            Sheet::Page => SvgSize::WidthMm(PAGE_WIDTH_MM),
            Sheet::Slide => SvgSize::WidthPx(SLIDE_PX.0),
        };
        let alt = format!("{} {}", self.alt, text::plain(&self.notice));
        svg::document(&self.drawing(style), size, &text::plain(&self.title), alt.trim_end())
    }

    /// As strokes, fills and text.
    pub fn drawing(&self, style: &Style) -> Drawing {
        layout::Layout::new(self, style).draw()
    }
}

pub const PAGE_WIDTH_MM: f32 = 160.0;
/// 160 mm at 300 dots per inch.
pub const PAGE_WIDTH_PX: u32 = 1890;
pub const SLIDE_PX: (u32, u32) = (1600, 900);
