//! The lab sheet as one web page.

use std::fmt::Write as _;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

use super::{Block, Sheet, Table};
use crate::report::fonts::Face;
use crate::report::ink::svg::{self, SvgSize, escape};
use crate::report::ink::text::{self, Place};

const STYLE: &str = include_str!("sheet.css");

/// The whole page. The policy in its head forbids it to load anything.
pub(super) fn page(sheet: &Sheet) -> String {
    let title = marked(&sheet.title);
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en-GB\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src \
         'unsafe-inline'\">\n<title>{}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<main>\n<h1>{title}</h1>\n",
        escape(&text::plain(&sheet.title))
    );
    for (number, block) in sheet.blocks.iter().enumerate() {
        write_block(block, number, &mut out);
    }
    out.push_str("</main>\n</body>\n</html>\n");
    out
}

fn write_block(block: &Block, number: usize, out: &mut String) {
    let _ = match block {
        Block::Heading { level, text } => writeln!(out, "<h{level}>{}</h{level}>", marked(text)),
        Block::Paragraph(text) => writeln!(out, "<p>{}</p>", marked(text)),
        Block::Fields(names) => write_fields(names, number, out),
        Block::List(items) => {
            let items: String = items.iter().map(|i| format!("<li>{}</li>\n", marked(i))).collect();
            writeln!(out, "<ul>\n{items}</ul>")
        }
        Block::Table(table) => write_table(table, number, out),
        Block::Drawing { drawing, title, alt, caption } => {
            let document = svg::document(drawing, SvgSize::WidthMm(160.0), &text::plain(title), alt);
            let data = STANDARD.encode(document);
            let (w, h) = (drawing.width, drawing.height);
            write_figure(&format!("image/svg+xml;base64,{data}"), (w, h), alt, caption, out)
        }
        Block::Photo { jpeg, size, alt, caption } => {
            let data = STANDARD.encode(jpeg);
            let size = (size.0 as f32, size.1 as f32);
            write_figure(&format!("image/jpeg;base64,{data}"), size, alt, caption, out)
        }
        Block::Folded { title, blocks } => write_folded(title, blocks, number, out),
        Block::Blank { prompt, lines } => writeln!(
            out,
            "<div class=\"blank\">\n<label for=\"blank-{number}\">{}</label>\n\
             <textarea id=\"blank-{number}\" rows=\"{lines}\"></textarea>\n</div>",
            marked(prompt)
        ),
    };
}

/// Its blocks are numbered apart from those outside, so that no two things on the page share an id.
fn write_folded(title: &str, blocks: &[Block], number: usize, out: &mut String) -> std::fmt::Result {
    const APART: usize = 1000;
    // A box to tick and not `details`: browsers leave what is folded away out of a print, and a style sheet can't have it back
    // everywhere.
    let title = marked(title);
    writeln!(
        out,
        "<div class=\"folded\">\n<input type=\"checkbox\" id=\"fold-{number}\">\n\
         <h3><label for=\"fold-{number}\">{title}<span class=\"show\">: show it</span></label></h3>\n<div>"
    )?;
    for (i, block) in blocks.iter().enumerate() {
        write_block(block, APART * (number + 1) + i, out);
    }
    writeln!(out, "</div>\n</div>")
}

fn write_fields(names: &[String], number: usize, out: &mut String) -> std::fmt::Result {
    writeln!(out, "<div class=\"fields\">")?;
    for (i, name) in names.iter().enumerate() {
        let id = format!("field-{number}-{i}");
        writeln!(out, "<span><label for=\"{id}\">{}</label><input id=\"{id}\" type=\"text\"></span>", marked(name))?;
    }
    writeln!(out, "</div>")
}

fn write_figure(data: &str, size: (f32, f32), alt: &str, caption: &str, out: &mut String) -> std::fmt::Result {
    // Sizes in the tag keep the page from jumping and give the printer the shape before the picture is decoded.
    let (w, h) = (960, (960.0 * size.1 / size.0).round());
    writeln!(
        out,
        "<figure>\n<img src=\"data:{data}\" width=\"{w}\" height=\"{h}\" alt=\"{}\">\n<figcaption>{}</figcaption>\n\
         </figure>",
        escape(alt),
        marked(caption)
    )
}

fn write_table(table: &Table, number: usize, out: &mut String) -> std::fmt::Result {
    /// So many rows go onto a page whole.
    const SHORT: usize = 12;
    let class = if table.numbers { " class=\"numbers\"" } else { "" };
    let short = if table.rows.len() <= SHORT { " short" } else { "" };
    writeln!(
        out,
        "<div class=\"scroll{short}\" role=\"region\" tabindex=\"0\" aria-labelledby=\"table-{number}\">\n<table{class}>\n\
         <caption id=\"table-{number}\">{}</caption>",
        marked(&table.caption)
    )?;
    if !table.head.is_empty() {
        let cells: String = table.head.iter().map(|h| format!("<th scope=\"col\">{}</th>", marked(h))).collect();
        writeln!(out, "<thead><tr>{cells}</tr></thead>")?;
    }
    writeln!(out, "<tbody>")?;
    for row in &table.rows {
        let mut cells = row.iter();
        let name = cells.next().map(|c| format!("<th scope=\"row\">{}</th>", marked(c))).unwrap_or_default();
        let rest: String = cells.map(|c| format!("<td>{}</td>", marked(c))).collect();
        writeln!(out, "<tr>{name}{rest}</tr>")?;
    }
    writeln!(out, "</tbody>\n</table>\n</div>")
}

/// Marked text as HTML.
pub(in crate::report) fn marked(source: &str) -> String {
    text::rich(source)
        .into_iter()
        .map(|piece| {
            let inner = escape(&piece.text);
            let inner = if piece.face == Face::Oblique { format!("<i>{inner}</i>") } else { inner };
            match piece.place {
                Place::Line => inner,
                Place::Lowered => format!("<sub>{inner}</sub>"),
                Place::Raised => format!("<sup>{inner}</sup>"),
            }
        })
        .collect()
}
