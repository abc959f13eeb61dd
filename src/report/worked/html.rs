//! A sheet as one web page that needs nothing from outside.

use super::sheet::{Block, Sheet};
use super::sketch::{Anchor, Drawing, Mark, Stroke};
use crate::report::fonts::Face;
use crate::report::ink::svg::escape;
use crate::report::ink::text::{Place, rich};
use crate::report::sheet::html::marked;

const STYLE: &str = "\
body{max-width:46rem;margin:2rem auto;padding:0 1rem;font:1rem/1.5 system-ui,sans-serif;color:#111;background:#fff;\
font-variant-numeric:tabular-nums}h1{font-size:1.5rem}h2{font-size:1.15rem;margin-top:1.8rem}\
table{border-collapse:collapse}th,td{text-align:left;padding:.2rem 1.2rem .2rem 0;border-bottom:1px solid #bbb}\
.formula{margin:.5rem 0 .8rem 2rem;line-height:1.8}.answer{border-left:.3rem solid #009e73;padding:.3rem .8rem;font-weight:600}\
.cautions{border:1px solid #111;padding:.3rem 1rem;margin-top:1.5rem}svg{width:100%;height:auto}\
.write{border-bottom:1px solid #999;height:1.9rem}.break{break-after:page;border:0}\
@media(prefers-color-scheme:dark){body{color:#eee;background:#161616}.cautions{border-color:#eee}}";

/// The page.
pub fn render(sheet: &Sheet) -> String {
    let body: String = sheet.blocks.iter().map(render_block).collect();
    format!(
        "<!DOCTYPE html>\n<html lang=\"en-GB\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n<title>{title}</title>\n<style>{STYLE}</style>\n</head>\n\
         <body>\n<main>\n<h1>{title}</h1>\n{body}</main>\n</body>\n</html>\n",
        title = escape(&sheet.title)
    )
}

fn render_block(block: &Block) -> String {
    match block {
        Block::Heading(text) => format!("<h2>{}</h2>\n", marked(text)),
        Block::Paragraph(text) => format!("<p>{}</p>\n", marked(text)),
        Block::Formula(lines) => {
            let lines: Vec<String> = lines.iter().map(|line| marked(line)).collect();
            format!("<div class=\"formula\">{}</div>\n", lines.join("<br>\n"))
        }
        Block::Answer(text) => format!("<p class=\"answer\">{}</p>\n", marked(text)),
        Block::Table { head, rows } => table(head, rows),
        Block::Sketch(drawing) => svg(drawing),
        Block::Cautions(cautions) => {
            let items: String = cautions.iter().map(|caution| format!("<li>{}</li>\n", escape(caution))).collect();
            format!("<div class=\"cautions\"><strong>Take care</strong><ul>\n{items}</ul></div>\n")
        }
        Block::WritingLines(count) => "<div class=\"write\"></div>\n".repeat(*count),
        Block::PageBreak => "<hr class=\"break\">\n".to_owned(),
    }
}

fn table(head: &[String], rows: &[Vec<String>]) -> String {
    let cells = |row: &[String], tag: &str| -> String {
        row.iter().map(|cell| format!("<{tag}>{}</{tag}>", marked(cell))).collect()
    };
    let rows: String = rows.iter().map(|row| format!("<tr>{}</tr>\n", cells(row, "td"))).collect();
    format!("<table>\n<tr>{}</tr>\n{rows}</table>\n", cells(head, "th"))
}

/// The drawing as an inline picture in the colours of the page's text.
fn svg(drawing: &Drawing) -> String {
    let marks: String = drawing.marks.iter().map(svg_mark).collect();
    format!(
        "<svg viewBox=\"0 0 {} {:.1}\" role=\"img\" aria-label=\"{}\" fill=\"currentColor\" font-size=\"3.7\">\n{marks}</svg>\n",
        drawing.width_mm,
        drawing.height_mm,
        escape(&drawing.description)
    )
}

fn svg_mark(mark: &Mark) -> String {
    match mark {
        Mark::Line { points, stroke } => {
            let points: Vec<String> = points.iter().map(|(x, y)| format!("{x:.2},{y:.2}")).collect();
            let look = match stroke {
                Stroke::Path => "stroke-width=\".7\"",
                Stroke::Thin => "stroke-width=\".3\"",
                Stroke::Dashed => "stroke-width=\".25\" stroke-dasharray=\"1.6 1.2\"",
            };
            format!("<polyline points=\"{}\" fill=\"none\" stroke=\"currentColor\" {look}/>\n", points.join(" "))
        }
        Mark::Head { tip, direction } => {
            let corners = super::pdf::arrow_head(*tip, *direction);
            let corners: Vec<String> = corners.iter().map(|(x, y)| format!("{x:.2},{y:.2}")).collect();
            format!("<polygon points=\"{}\"/>\n", corners.join(" "))
        }
        Mark::Ball { centre } => format!("<circle cx=\"{:.2}\" cy=\"{:.2}\" r=\"1.4\"/>\n", centre.0, centre.1),
        Mark::Word { at, text, anchor } => {
            let anchor = match anchor {
                Anchor::Start => "start",
                Anchor::Middle => "middle",
                Anchor::End => "end",
            };
            format!("<text x=\"{:.2}\" y=\"{:.2}\" text-anchor=\"{anchor}\">{}</text>\n", at.0, at.1, svg_words(text))
        }
    }
}

fn svg_words(marked: &str) -> String {
    // `baseline-shift` isn't drawn everywhere; a shift down and back is.
    rich(marked)
        .into_iter()
        .scan(0.0, |offset, piece| {
            let (wanted, size) = match piece.place {
                Place::Line => (0.0, "3.7"),
                Place::Lowered => (0.9, "2.6"),
                Place::Raised => (-1.4, "2.6"),
            };
            let shift: f64 = wanted - *offset;
            *offset = wanted;
            let style = if piece.face == Face::Oblique { " font-style=\"italic\"" } else { "" };
            Some(format!("<tspan dy=\"{shift:.1}\" font-size=\"{size}\"{style}>{}</tspan>", escape(&piece.text)))
        })
        .collect()
}
