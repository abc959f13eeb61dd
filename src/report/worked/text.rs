//! A sheet as plain text, 80 columns wide.

use super::markup::to_plain;
use super::sheet::{Block, Sheet};
use super::sketch::{Drawing, Mark, Stroke};

const WIDTH: usize = 80;

/// Characters and lines per millimetre of a sketch: a character is about twice as high as it is wide.
const COLUMNS_PER_MM: f64 = 0.5;
const LINES_PER_MM: f64 = 0.25;

/// The sheet, with a line end at its end.
pub fn render(sheet: &Sheet) -> String {
    let mut out = format!("{}\n{}\n", sheet.title, "=".repeat(sheet.title.chars().count()));
    for block in &sheet.blocks {
        out.push_str(&render_block(block));
    }
    // A no-break space has done its work once the lines are broken.
    out.replace('\u{a0}', " ")
}

fn render_block(block: &Block) -> String {
    match block {
        Block::Heading(text) => {
            let text = to_plain(text);
            format!("\n{text}\n{}\n", "-".repeat(text.chars().count()))
        }
        Block::Paragraph(text) => format!("\n{}\n", wrap(&to_plain(text), "", WIDTH)),
        Block::Formula(lines) => {
            let lines: String = lines.iter().map(|line| format!("    {}\n", hang(&to_plain(line)))).collect();
            format!("\n{lines}")
        }
        Block::Answer(text) => format!("\n==> {}\n", to_plain(text)),
        Block::Table { head, rows } => format!("\n{}", table(head, rows)),
        Block::Sketch(drawing) => format!("\n{}", sketch(drawing)),
        Block::Cautions(cautions) => {
            let lines: String =
                cautions.iter().map(|caution| format!("{}\n", wrap(caution, "  ", WIDTH - 2))).collect();
            format!("\nTake care\n{lines}")
        }
        Block::WritingLines(count) => "\n".repeat(*count),
        Block::PageBreak => format!("\n{}\n", "~".repeat(WIDTH)),
    }
}

/// A formula of more than a line goes on further in.
fn hang(formula: &str) -> String {
    wrap(formula, "        ", WIDTH - 8).trim_start().to_owned()
}

/// Breaks at spaces, but not at no-break ones; every line begins with `indent`.
pub fn wrap(text: &str, indent: &str, width: usize) -> String {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split([' ', '\n']).filter(|word| !word.is_empty()) {
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > width {
            lines.push(format!("{indent}{line}"));
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    lines.push(format!("{indent}{line}"));
    lines.join("\n").replace('\u{a0}', " ")
}

fn table(head: &[String], rows: &[Vec<String>]) -> String {
    let plain: Vec<Vec<String>> = std::iter::once(head)
        .chain(rows.iter().map(Vec::as_slice))
        .map(|row| row.iter().map(|c| to_plain(c)).collect())
        .collect();
    let widths: Vec<usize> = (0..head.len())
        .map(|column| {
            plain.iter().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max().unwrap_or(0)
        })
        .collect();
    let line = |row: &Vec<String>| {
        let cells = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}"));
        let joined = cells.collect::<Vec<_>>().join("   ");
        format!("  {}\n", joined.trim_end())
    };
    let rule: Vec<String> = widths.iter().map(|width| "-".repeat(*width)).collect();
    let mut out = line(&plain[0]) + &line(&rule);
    out.extend(plain[1..].iter().map(line));
    out
}

/// The drawing as characters: the path as dots, words where they stand.
fn sketch(drawing: &Drawing) -> String {
    let columns = (drawing.width_mm * COLUMNS_PER_MM) as usize + 2;
    let lines = (drawing.height_mm * LINES_PER_MM) as usize + 2;
    let mut grid = vec![vec![' '; columns]; lines];
    let mut put = |x: f64, y: f64, character: char| {
        let (column, line) = ((x * COLUMNS_PER_MM).round(), (y * LINES_PER_MM).round());
        if column >= 0.0 && line >= 0.0 && (column as usize) < columns && (line as usize) < lines {
            grid[line as usize][column as usize] = character;
        }
    };
    for mark in &drawing.marks {
        match mark {
            Mark::Line { points, stroke } => draw_line(points, *stroke, &mut put),
            Mark::Ball { centre } => put(centre.0, centre.1, 'o'),
            Mark::Head { .. } | Mark::Word { .. } => {}
        }
    }
    // Words last, so that no line runs through them.
    for mark in &drawing.marks {
        if let Mark::Word { at, text, anchor } = mark {
            let text: Vec<char> = to_plain(text).chars().collect();
            let shift = match anchor {
                super::sketch::Anchor::Start => 0.0,
                super::sketch::Anchor::Middle => text.len() as f64 / 2.0,
                super::sketch::Anchor::End => text.len() as f64,
            };
            for (i, character) in text.into_iter().enumerate() {
                put(at.0 + (i as f64 - shift) / COLUMNS_PER_MM, at.1 - 1.5, character);
            }
        }
    }
    let rows: Vec<String> =
        grid.into_iter().map(|row| row.into_iter().collect::<String>().trim_end().to_owned()).collect();
    let first = rows.iter().position(|row| !row.is_empty()).unwrap_or(0);
    let last = rows.iter().rposition(|row| !row.is_empty()).unwrap_or(0);
    rows[first..=last].iter().map(|row| format!("{row}\n")).collect()
}

fn draw_line(points: &[(f64, f64)], stroke: Stroke, put: &mut impl FnMut(f64, f64, char)) {
    for pair in points.windows(2) {
        let [(x0, y0), (x1, y1)] = [pair[0], pair[1]];
        let (columns, lines) = ((x1 - x0).abs() * COLUMNS_PER_MM, (y1 - y0).abs() * LINES_PER_MM);
        let character = match stroke {
            Stroke::Path => '.',
            Stroke::Thin if columns < 0.5 => '|',
            Stroke::Thin if lines < 0.5 => '-',
            Stroke::Thin => '/',
            Stroke::Dashed => '·',
        };
        let steps = columns.max(lines).ceil().max(1.0);
        for step in 0..=steps as usize {
            let share = step as f64 / steps;
            put(x0 + share * (x1 - x0), y0 + share * (y1 - y0), character);
        }
    }
}
