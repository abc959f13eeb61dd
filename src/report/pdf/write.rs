//! Writes laid pages as PDF/UA-1.

use std::num::NonZeroU16;

use krilla::color::rgb;
use krilla::configure::{Accessibility, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::geom::{Path, PathBuilder, Point, Size, Transform};
use krilla::image::Image;
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, LineJoin, Stroke};
use krilla::surface::Surface;
use krilla::tagging::{
    Artifact, ArtifactType, ContentTag, Identifier, ListNumbering, Node, SpanTag, TableHeaderScope, Tag, TagGroup,
    TagKind, TagTree,
};
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document, SerializeSettings};

use super::{Ink, Item, Laid, PAGE, PdfError, Role};
use crate::report::fonts::Face;
use crate::report::ink::{Anchor, Colour, Drawing, Op, Paint, TextLine};

pub fn document(laid: &Laid) -> Result<Vec<u8>, PdfError> {
    let configuration = ConfigurationBuilder::new()
        .with_accessibility_validator(Accessibility::UA1)
        .finish()
        .map_err(|e| PdfError::Refused(format!("{e:?}")))?;
    let mut document = Document::new_with(SerializeSettings { configuration, ..SerializeSettings::default() });
    let fonts = Fonts::load();
    let mut identifiers: Vec<Vec<Identifier>> = laid.parts.iter().map(|_| Vec::new()).collect();
    for items in &laid.pages {
        let settings = PageSettings::from_wh(PAGE.0, PAGE.1).expect("A4 has an area");
        let mut page = document.start_page_with(settings);
        let mut surface = page.surface();
        draw_page(items, &mut surface, &fonts, &mut identifiers)?;
        surface.finish();
        page.finish();
    }
    let mut tree = TagTree::new().with_lang(Some("en-GB".to_owned()));
    for child in &laid.parts[0].children {
        tree.push(group(laid, *child, &mut identifiers));
    }
    document.set_tag_tree(tree);
    document.set_outline(outline(laid));
    document
        .set_metadata(Metadata::new().title(laid.title.clone()).language("en-GB".to_owned()).creator("lobline".into()));
    document.finish().map_err(|e| PdfError::Refused(format!("{e:?}")))
}

fn outline(laid: &Laid) -> Outline {
    let mut outline = Outline::new();
    for (text, page, y) in &laid.contents {
        let destination = XyzDestination::new(*page, Point::from_xy(0.0, *y));
        outline.push_child(OutlineNode::new(text.clone(), destination));
    }
    outline
}

fn group(laid: &Laid, part: usize, identifiers: &mut Vec<Vec<Identifier>>) -> Node {
    let mut group = TagGroup::new(tag(&laid.parts[part].role));
    for identifier in std::mem::take(&mut identifiers[part]) {
        group.push(identifier);
    }
    for child in &laid.parts[part].children {
        group.push(self::group(laid, *child, identifiers));
    }
    Node::Group(group)
}

fn tag(role: &Role) -> TagKind {
    match role {
        // The tree's own root stands for the document; what would land here is a section of it.
        Role::Document => Tag::Section.into(),
        Role::Heading { level, text } => {
            Tag::Hn(NonZeroU16::new(*level).unwrap_or(NonZeroU16::MIN), Some(text.clone())).into()
        }
        Role::Paragraph => Tag::P.into(),
        Role::List => Tag::L(ListNumbering::Disc).into(),
        Role::ListItem => Tag::LI.into(),
        Role::Bullet => Tag::Lbl.into(),
        Role::ItemBody => Tag::LBody.into(),
        Role::Table => Tag::Table.into(),
        Role::TableCaption | Role::Caption => Tag::Caption.into(),
        Role::Row => Tag::TR.into(),
        Role::ColumnHead => Tag::TH(TableHeaderScope::Column).into(),
        Role::RowHead => Tag::TH(TableHeaderScope::Row).into(),
        Role::Cell => Tag::TD.into(),
        Role::Figure { alt } => Tag::Figure(Some(alt.clone())).into(),
    }
}

/// Draws runs of items that belong to the same part under one mark.
fn draw_page(
    items: &[Item],
    surface: &mut Surface<'_>,
    fonts: &Fonts,
    identifiers: &mut [Vec<Identifier>],
) -> Result<(), PdfError> {
    for run in items.chunk_by(|a, b| a.part == b.part) {
        match run[0].part {
            Some(part) => identifiers[part].push(surface.start_tagged(ContentTag::Span(SpanTag::empty()))),
            None => {
                surface.start_tagged(ContentTag::Artifact(Artifact::with_kind(ArtifactType::Layout)));
            }
        }
        run.iter().try_for_each(|item| draw(&item.ink, surface, fonts))?;
        surface.end_tagged();
    }
    Ok(())
}

struct Fonts([Font; 3]);

impl Fonts {
    fn load() -> Self {
        Self(
            [Face::Regular, Face::Bold, Face::Oblique]
                .map(|face| Font::new(face.bytes().into(), 0).expect("the fonts inside the program are whole")),
        )
    }

    fn of(&self, face: Face) -> Font {
        self.0[face as usize].clone()
    }
}

fn draw(ink: &Ink, surface: &mut Surface<'_>, fonts: &Fonts) -> Result<(), PdfError> {
    match ink {
        Ink::Text(line) => text(line, surface, fonts),
        Ink::Rule { from, to, width } => {
            stroke(&polyline(&[*from, *to], false), Colour(0x55, 0x55, 0x55).into(), *width, surface);
        }
        Ink::Drawing { drawing, at, scale } => {
            surface.push_transform(&Transform::from_row(*scale, 0.0, 0.0, *scale, at.0, at.1));
            picture(drawing, surface, fonts);
            surface.pop();
        }
        Ink::Photo { jpeg, at, size } => {
            let image = Image::from_jpeg(jpeg.clone().into(), false).map_err(PdfError::Refused)?;
            let size =
                Size::from_wh(size.0, size.1).ok_or_else(|| PdfError::Refused("a picture without area".to_owned()))?;
            surface.push_transform(&Transform::from_translate(at.0, at.1));
            surface.draw_image(image, size);
            surface.pop();
        }
    }
    Ok(())
}

fn picture(drawing: &Drawing, surface: &mut Surface<'_>, fonts: &Fonts) {
    for op in &drawing.ops {
        match op {
            Op::Line { points, stroke: s } => stroke(&polyline(points, false), s.paint, s.width, surface),
            Op::Area { points, fill: f } => fill(&polyline(points, true), *f, surface),
            Op::Disc { centre, radius, fill: f } => fill(&circle(*centre, *radius), *f, surface),
            Op::Ring { centre, radius, stroke: s } => stroke(&circle(*centre, *radius), s.paint, s.width, surface),
            Op::Text(line) => text(line, surface, fonts),
        }
    }
}

fn colour(colour: Colour) -> rgb::Color {
    rgb::Color::new(colour.0, colour.1, colour.2)
}

fn opacity(paint: Paint) -> NormalizedF32 {
    NormalizedF32::new(paint.opacity).unwrap_or(NormalizedF32::ONE)
}

fn as_fill(paint: Paint) -> Fill {
    Fill { paint: colour(paint.colour).into(), opacity: opacity(paint), ..Fill::default() }
}

fn fill(path: &Option<Path>, paint: Paint, surface: &mut Surface<'_>) {
    if let Some(path) = path {
        surface.set_stroke(None);
        surface.set_fill(Some(as_fill(paint)));
        surface.draw_path(path);
    }
}

fn stroke(path: &Option<Path>, paint: Paint, width: f32, surface: &mut Surface<'_>) {
    if let Some(path) = path {
        surface.set_fill(None);
        surface.set_stroke(Some(Stroke {
            paint: colour(paint.colour).into(),
            opacity: opacity(paint),
            width,
            line_join: LineJoin::Round,
            ..Stroke::default()
        }));
        surface.draw_path(path);
    }
}

fn polyline(points: &[(f32, f32)], closed: bool) -> Option<Path> {
    let (first, rest) = points.split_first()?;
    let mut builder = PathBuilder::new();
    builder.move_to(first.0, first.1);
    rest.iter().for_each(|p| builder.line_to(p.0, p.1));
    if closed {
        builder.close();
    }
    builder.finish()
}

/// Four cubic arcs; 0.5523 makes them meet the circle to within 0.03 % of the radius.
fn circle((x, y): (f32, f32), r: f32) -> Option<Path> {
    let k = 0.552_285 * r;
    let mut builder = PathBuilder::new();
    builder.move_to(x + r, y);
    builder.cubic_to(x + r, y + k, x + k, y + r, x, y + r);
    builder.cubic_to(x - k, y + r, x - r, y + k, x - r, y);
    builder.cubic_to(x - r, y - k, x - k, y - r, x, y - r);
    builder.cubic_to(x + k, y - r, x + r, y - k, x + r, y);
    builder.close();
    builder.finish()
}

/// Sets a line as real text, so that it can be searched, copied and read aloud.
fn text(line: &TextLine, surface: &mut Surface<'_>, fonts: &Fonts) {
    surface.set_stroke(None);
    surface.set_fill(Some(as_fill(line.paint)));
    let back = match line.anchor {
        Anchor::Start => 0.0,
        Anchor::Middle => -line.width() / 2.0,
        Anchor::End => -line.width(),
    };
    let (x, y) = line.at;
    let turn =
        if line.upwards { Transform::from_row(0.0, -1.0, 1.0, 0.0, x, y) } else { Transform::from_translate(x, y) };
    surface.push_transform(&turn);
    let mut pen = back;
    for piece in &line.pieces {
        let size = line.size * piece.size();
        let glyphs: Vec<KrillaGlyph> = piece
            .text
            .char_indices()
            .map(|(at, c)| {
                let id = GlyphId::new(u32::from(piece.face.glyph(c)));
                let range = at..at + c.len_utf8();
                KrillaGlyph::new(id, piece.face.advance_em(c), 0.0, 0.0, 0.0, range, None)
            })
            .collect();
        let start = Point::from_xy(pen, line.size * piece.drop());
        surface.draw_glyphs(start, &glyphs, fonts.of(piece.face), &piece.text, size, false);
        pen += piece.face.width_em(&piece.text) * size;
    }
    surface.pop();
}
