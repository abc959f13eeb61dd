//! Lets the plotting library draw into a [`Drawing`].

use std::convert::Infallible;

use plotters_backend::text_anchor::{HPos, VPos};
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind, FontStyle,
    FontTransform,
};

use super::text::Piece;
use super::{Anchor, Colour, Drawing, Op, Paint, Stroke, TextLine};
use crate::report::fonts::{CAPITAL_HEIGHT_EM, Face};

type Outcome = Result<(), DrawingErrorKind<Infallible>>;

/// A drawing backend that keeps what it is told to draw. One backend pixel is one unit of the drawing.
pub struct Recorder<'a>(pub &'a mut Drawing);

impl DrawingBackend for Recorder<'_> {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        (self.0.width as u32, self.0.height as u32)
    }

    fn ensure_prepared(&mut self) -> Outcome {
        Ok(())
    }

    fn present(&mut self) -> Outcome {
        Ok(())
    }

    fn draw_pixel(&mut self, point: BackendCoord, colour: BackendColor) -> Outcome {
        self.0.rectangle(place(point), (1.0, 1.0), paint(colour));
        Ok(())
    }

    fn draw_line<S: BackendStyle>(&mut self, from: BackendCoord, to: BackendCoord, style: &S) -> Outcome {
        self.draw_path([from, to], style)
    }

    fn draw_rect<S: BackendStyle>(&mut self, a: BackendCoord, b: BackendCoord, style: &S, fill: bool) -> Outcome {
        let corners = [(a.0, a.1), (b.0, a.1), (b.0, b.1), (a.0, b.1)];
        if fill { self.fill_polygon(corners, style) } else { self.draw_path(corners.into_iter().chain([a]), style) }
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(&mut self, path: I, style: &S) -> Outcome {
        if let Some(stroke) = stroke(style) {
            self.0.ops.push(Op::Line { points: path.into_iter().map(place).collect(), stroke });
        }
        Ok(())
    }

    fn draw_circle<S: BackendStyle>(&mut self, centre: BackendCoord, radius: u32, style: &S, fill: bool) -> Outcome {
        let (centre, radius) = (place(centre), radius as f32);
        match stroke(style) {
            Some(_) if fill => self.0.disc(centre, radius, paint(style.color())),
            Some(stroke) => self.0.ring(centre, radius, stroke),
            None => {}
        }
        Ok(())
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(&mut self, path: I, style: &S) -> Outcome {
        if stroke(style).is_some() {
            let points = path.into_iter().map(place).collect();
            self.0.ops.push(Op::Area { points, fill: paint(style.color()) });
        }
        Ok(())
    }

    fn draw_text<S: BackendTextStyle>(&mut self, text: &str, style: &S, pos: BackendCoord) -> Outcome {
        let size = style.size() as f32;
        let drop = match style.anchor().v_pos {
            VPos::Top => CAPITAL_HEIGHT_EM,
            VPos::Center => CAPITAL_HEIGHT_EM / 2.0,
            VPos::Bottom => 0.0,
        } * size;
        let upwards = matches!(style.transform(), FontTransform::Rotate270);
        let at = place(pos);
        self.0.text(TextLine {
            pieces: vec![Piece::new(face(style.style()), text)],
            at: if upwards { (at.0 + drop, at.1) } else { (at.0, at.1 + drop) },
            size,
            anchor: match style.anchor().h_pos {
                HPos::Left => Anchor::Start,
                HPos::Center => Anchor::Middle,
                HPos::Right => Anchor::End,
            },
            upwards,
            paint: paint(style.color()),
        });
        Ok(())
    }

    fn estimate_text_size<S: BackendTextStyle>(
        &self,
        text: &str,
        style: &S,
    ) -> Result<(u32, u32), DrawingErrorKind<Infallible>> {
        let size = style.size() as f32;
        Ok(((face(style.style()).width_em(text) * size) as u32, (CAPITAL_HEIGHT_EM * size) as u32))
    }
}

fn face(style: FontStyle) -> Face {
    match style {
        FontStyle::Normal => Face::Regular,
        FontStyle::Bold => Face::Bold,
        FontStyle::Italic | FontStyle::Oblique => Face::Oblique,
    }
}

fn place(point: BackendCoord) -> (f32, f32) {
    (point.0 as f32, point.1 as f32)
}

fn paint(colour: BackendColor) -> Paint {
    let (r, g, b) = colour.rgb;
    Paint { colour: Colour(r, g, b), opacity: colour.alpha as f32 }
}

/// `None` for what is wholly clear.
fn stroke<S: BackendStyle>(style: &S) -> Option<Stroke> {
    let paint = paint(style.color());
    (paint.opacity > 0.0).then(|| Stroke { paint, width: style.stroke_width() as f32 })
}
