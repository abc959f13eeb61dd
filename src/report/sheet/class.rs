//! The results of a class on paper: the table, the graph, and what to tell each group.

use super::{Block, Sheet, Table};
use crate::report::class::{ClassLine, figure, notes_of_groups};
use crate::report::figure::Style;
use crate::report::ink::text::literal;
use crate::report::numbers::DecimalMark;

pub(super) fn sheet(lines: &[ClassLine], mark: DecimalMark) -> Sheet {
    let mut blocks =
        vec![Block::Heading { level: 2, text: "Who measured what".to_owned() }, Block::Table(table(lines, mark))];
    if let Some(figure) = figure(lines, mark) {
        let style = Style { without_caption: true, decimal_mark: mark, ..Style::default() };
        blocks.push(Block::Heading { level: 2, text: "All flights side by side".to_owned() });
        blocks.push(Block::Drawing {
            drawing: Box::new(figure.drawing(&style)),
            title: figure.title.clone(),
            alt: figure.alt.clone(),
            caption: figure.whole_caption(),
        });
    }
    let told: Vec<String> = lines
        .iter()
        .filter(|line| !line.advice.is_empty())
        .map(|line| format!("{}: {}", literal(&name(line)), literal(&mark.said(&line.advice))))
        .collect();
    if !told.is_empty() {
        blocks.push(Block::Heading { level: 2, text: "What to tell them".to_owned() });
        blocks.push(Block::List(told));
    }
    let notes: Vec<String> = notes_of_groups(lines)
        .into_iter()
        .map(|(groups, _, said)| format!("{}: {}", literal(&groups.join(", ")), literal(&mark.said(&said))))
        .collect();
    if !notes.is_empty() {
        blocks.push(Block::Heading { level: 2, text: "Notes on the clips".to_owned() });
        blocks.push(Block::List(notes));
    }
    Sheet { title: "What the class measured".to_owned(), blocks }
}

/// The group, with the number of the flight where it has one.
fn name(line: &ClassLine) -> String {
    match &line.measured {
        Some(numbers) if numbers.flight > 1 => format!("{}, flight {}", line.group, numbers.flight),
        _ => line.group.clone(),
    }
}

fn table(lines: &[ClassLine], mark: DecimalMark) -> Table {
    let head = ["group", "speed / (m/s)", "angle / °", "*g* / (m/s²)", "*g* is", "notes"];
    let row = |line: &ClassLine| {
        let [speed, angle, gravity, verdict] = match &line.measured {
            Some(numbers) => [
                mark.interval(&numbers.speed_m_per_s),
                mark.interval(&numbers.angle_deg),
                mark.interval(&numbers.gravity_m_per_s2),
                numbers.verdict().to_owned(),
            ],
            None => ["–", "–", "–", "not measured"].map(str::to_owned),
        };
        let notes = if line.measured.is_some() { line.notes.len().to_string() } else { "–".to_owned() };
        vec![literal(&name(line)), speed, angle, gravity, verdict, notes]
    };
    Table {
        caption: "± is the 95 % interval of each measurement.".to_owned(),
        head: head.map(str::to_owned).to_vec(),
        rows: lines.iter().map(row).collect(),
        numbers: true,
    }
}
