//! The worked solution of a flight problem, as a teacher writes it on the board.
//!
//! [`worked_solution`] turns givens and the steps of [`crate::flight::solve`] into a [`sheet::Sheet`]: sketch, table of
//! givens, sign convention, formula, rearranged, substituted with units, intermediate results with one guard digit, the
//! answer rounded to the data's significant figures. The sheet then goes out as text, HTML or PDF.

pub mod figures;
pub mod html;
pub mod markup;
pub mod pdf;
pub mod sheet;
pub mod sketch;
pub mod text;

use std::path::Path;

use thiserror::Error;

use crate::flight::safety::CAUTIONS;
use crate::flight::solve::{Axis, Quantity, Solution, SolveError, Step, Values, placeholder, solve_for};

use figures::to_figures;
use sheet::{Block, Sheet};

/// A given of a problem.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Given {
    pub quantity: Quantity,
    /// SI units, degrees.
    pub value: f64,
    /// Significant figures that count for the answer's; `None` for what is exact by the wording (a level launch, a return to the
    /// launch height).
    pub figures: Option<usize>,
    /// Decimals that it is shown with, where the figures aren't its own: a difference of two heights has theirs.
    pub decimals: Option<usize>,
}

impl Given {
    /// One that was read, or is exact.
    pub const fn new(quantity: Quantity, value: f64, figures: Option<usize>) -> Self {
        Self { quantity, value, figures, decimals: None }
    }

    /// One that isn't told by its figures alone, as 0.9 rad in degrees or a measured mean, has two more: whoever reckons with what is
    /// printed comes to the same answer.
    fn text_to_figures(&self, figures: usize) -> String {
        let printed: f64 = format!("{:.*e}", figures.max(1) - 1, self.value).parse().unwrap_or(self.value);
        let told = (printed - self.value).abs() <= 1e-9 * self.value.abs();
        to_figures(self.value, if told { figures } else { figures + 2 })
    }

    /// As it is written, with its unit.
    fn text(&self) -> String {
        let number = match (self.decimals, self.figures) {
            (Some(decimals), _) => figures::to_decimals(self.value, decimals),
            (None, Some(figures)) => self.text_to_figures(figures),
            (None, None) => figures::plain(self.value),
        };
        with_unit(&number, self.quantity)
    }
}

/// Figures of an answer when every given is exact.
const FIGURES_OF_EXACT_DATA: usize = 4;

/// Works out `wanted` from the givens, with every solution there is.
///
/// # Errors
/// [`SolveError`] when there is none.
pub fn worked_solution(title: &str, givens: &[Given], wanted: Quantity) -> Result<Sheet, SolveError> {
    let values: Values = givens.iter().map(|given| (given.quantity, given.value)).collect();
    let solutions = solve_for(&values, wanted)?;
    let worked = Worked { givens, wanted };
    let mut blocks = vec![
        Block::Sketch(sketch::of_flight(&solutions[0], givens, wanted)),
        Block::Heading("Given and wanted".to_owned()),
        worked.table(),
        Block::Paragraph(
            "Sign convention: the origin is the ball at launch; x counts forward, y upwards. What points down or lies \
             below is negative; g is the size of the acceleration of gravity. The air is left out."
                .to_owned(),
        ),
    ];
    for (i, solution) in solutions.iter().enumerate() {
        blocks.push(Block::Heading(worked.heading(i, solutions.len(), solution)));
        blocks.extend(worked.steps(solution));
        blocks.push(worked.answer(solution));
    }
    blocks.push(Block::Paragraph(worked.rounding_note()));
    blocks.push(Block::Cautions(CAUTIONS.iter().map(|&caution| caution.to_owned()).collect()));
    Ok(Sheet { title: title.to_owned(), blocks })
}

struct Worked<'a> {
    givens: &'a [Given],
    wanted: Quantity,
}

impl Worked<'_> {
    fn given(&self, quantity: Quantity) -> Option<&Given> {
        self.givens.iter().find(|given| given.quantity == quantity)
    }

    /// Of the answer: as few as the given with the fewest.
    fn figures(&self) -> usize {
        self.givens.iter().filter_map(|given| given.figures).min().unwrap_or(FIGURES_OF_EXACT_DATA)
    }

    fn table(&self) -> Block {
        let column = |axis: Axis| -> Vec<String> {
            let known = self.givens.iter().filter(|given| given.quantity.axis() == axis);
            let mut lines: Vec<String> = known
                .map(|given| format!("{} = {}", symbol(given.quantity), self.value_text(given.quantity, given.value)))
                .collect();
            if self.wanted.axis() == axis {
                lines.push(format!("{} = ?", symbol(self.wanted)));
            }
            lines
        };
        let columns = [column(Axis::Horizontal), column(Axis::Vertical), column(Axis::Both)];
        let height = columns.iter().map(Vec::len).max().unwrap_or(0);
        let cell = |column: &Vec<String>, row: usize| column.get(row).cloned().unwrap_or_default();
        let rows = (0..height).map(|row| columns.iter().map(|column| cell(column, row)).collect()).collect();
        let head = ["horizontal", "vertical", "both"].map(str::to_owned).to_vec();
        Block::Table { head, rows }
    }

    fn heading(&self, index: usize, count: usize, solution: &Solution) -> String {
        if count == 1 {
            return "Solution".to_owned();
        }
        let number = if index == 0 { "First" } else { "Second" };
        let branch = solution.steps.iter().find(|step| step.other_root.is_some()).map(|step| step.rule.gives);
        let which = match (branch, index) {
            (Some(Quantity::Angle), 0) => ": the flatter angle",
            (Some(Quantity::Angle), _) => ": the steeper angle",
            (Some(Quantity::Time), 0) => ": on the way down",
            (Some(Quantity::Time), _) => ": on the way up",
            (Some(Quantity::SpeedY), 0) => ": launched upwards",
            (Some(Quantity::SpeedY), _) => ": launched downwards",
            _ => "",
        };
        format!("{number} solution{which}")
    }

    fn steps(&self, solution: &Solution) -> Vec<Block> {
        let mut blocks = Vec::new();
        for (i, step) in solution.steps_for(self.wanted).into_iter().enumerate() {
            blocks.push(Block::Paragraph(format!("{}. {}", i + 1, step.rule.words)));
            blocks.push(Block::Formula(self.formula(step, solution)));
            blocks.extend(self.other_root(step).map(Block::Paragraph));
        }
        blocks
    }

    /// Law, rearranged, substituted, result: a line each; the second is left out where the law is solved already.
    fn formula(&self, step: &Step, solution: &Solution) -> Vec<String> {
        let left = symbol(step.rule.gives);
        let symbols = fill(step.rule.solved, |quantity, _| symbol(quantity));
        let law = fill(step.rule.law, |quantity, _| symbol(quantity));
        let rearranged = format!("{left} = {symbols}");
        let substituted = fill(step.rule.solved, |quantity, crowded| match solution.values.get(&quantity) {
            // A quantity that was found later than this step isn't known yet where the rule didn't need it.
            Some(value) if step.rule.from.contains(&quantity) => self.substituted(quantity, *value, crowded),
            _ => symbol(quantity),
        });
        let substituted = choose_root(substituted, step);
        let result = self.guarded(step.rule.gives, step.value);
        let mut lines = vec![law];
        if lines[0] != rearranged {
            lines.push(rearranged);
        }
        lines.push(format!("{left} = {substituted}"));
        lines.push(format!("{left} = {result}"));
        lines
    }

    fn other_root(&self, step: &Step) -> Option<String> {
        let other = step.other_root?;
        let text = format!("{} = {}", symbol(step.rule.gives), self.guarded(step.rule.gives, other));
        Some(match step.rule.gives {
            Quantity::Time if other <= 0.0 => format!("The other root, {text}, isn't after the launch and drops out."),
            _ if (other - step.value).abs() <= 1e-9 * other.abs() => return None,
            _ => format!("The other root, {text}, is the other solution."),
        })
    }

    fn answer(&self, solution: &Solution) -> Block {
        let value = solution.values[&self.wanted];
        let number = with_unit(&to_figures(value, self.figures()), self.wanted);
        let name = self.wanted.name();
        Block::Answer(format!("The {name} is {} = {number}.", symbol(self.wanted)))
    }

    fn rounding_note(&self) -> String {
        let figures = self.figures();
        let (noun, advice) = if figures == 1 {
            ("figure", " Data with more figures (1.00 m in the place of 1 m) give a finer answer.")
        } else {
            ("figures", "")
        };
        format!(
            "Rounded to {figures} significant {noun}, as many as the least precise given has; what is exact by the wording, such as a \
             level launch, doesn't count, and of a difference the numbers that it is of. Intermediate results are shown with at least one guard digit more and carried on \
             unrounded.{advice}"
        )
    }

    /// With one guard digit; what is wanted with two where rounding what is shown would give another answer than the number itself, as
    /// 13.48 shown as 13.5.
    fn guarded(&self, quantity: Quantity, value: f64) -> String {
        let figures = self.figures();
        let rounded = |value: f64, figures: usize| format!("{value:.*e}", figures - 1);
        let twice = rounded(rounded(value, figures + 1).parse().unwrap_or(value), figures);
        let misleads = quantity == self.wanted && twice != rounded(value, figures);
        let guard = if misleads { 2 } else { 1 };
        with_unit(&to_figures(value, figures + guard), quantity)
    }

    /// A given as it was given, anything else with a guard digit.
    fn value_text(&self, quantity: Quantity, value: f64) -> String {
        match self.given(quantity) {
            Some(given) => Given { value, ..*given }.text(),
            None => self.guarded(quantity, value),
        }
    }

    fn substituted(&self, quantity: Quantity, value: f64, crowded: bool) -> String {
        let text = self.value_text(quantity, value);
        if crowded || value < 0.0 { format!("({text})") } else { text }
    }
}

/// Number and unit, which no line end may part; a degree sign follows its number without a space (SI Brochure, 9th edition, 5.4.3).
pub(crate) fn with_unit(number: &str, quantity: Quantity) -> String {
    match quantity.unit() {
        "°" => format!("{number}°"),
        unit => format!("{number}\u{a0}{unit}"),
    }
}

/// The symbol in italics.
fn symbol(quantity: Quantity) -> String {
    let symbol = quantity.symbol();
    match symbol.split_once('_') {
        Some((letter, subscript)) => format!("*{letter}*_{subscript}"),
        None => format!("*{symbol}*"),
    }
}

/// Puts something in the place of every placeholder of a formula. The second argument says whether a value there needs
/// brackets: raised to a power, or beside a fraction bar that its own unit would run into.
fn fill(template: &str, text_of: impl Fn(Quantity, bool) -> String) -> String {
    let mut filled = String::new();
    let mut rest = template;
    while let Some(start) = rest.find('<') {
        let end = start + rest[start..].find('>').expect("a placeholder ends") + 1;
        let quantity = Quantity::ALL.into_iter().find(|quantity| placeholder(*quantity) == &rest[start..end]);
        let (before, after) = (&rest[..start], &rest[end..]);
        let crowded = after.starts_with('^') || after.starts_with(" /") || before.ends_with("/ ");
        filled.push_str(before);
        filled.push_str(&text_of(quantity.expect("every placeholder is a quantity"), crowded));
        rest = after;
    }
    filled + rest
}

/// Writes the sign of the root taken in the place of `±`.
fn choose_root(substituted: String, step: &Step) -> String {
    let Some(other) = step.other_root else { return substituted };
    let upper = step.value >= other;
    if let Some(lower_root) = substituted.strip_suffix(", or 90° less that") {
        return if upper { format!("90° − {lower_root}") } else { lower_root.to_owned() };
    }
    match (substituted.strip_prefix('±'), upper) {
        (Some(rest), true) => rest.to_owned(),
        (Some(rest), false) => format!("−{rest}"),
        (None, _) => substituted.replace('±', if upper { "+" } else { "−" }),
    }
}

/// Why a sheet couldn't be written.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum SheetError {
    #[error("`{path}` doesn't end in .txt, .html or .pdf, so its form isn't clear")]
    UnknownForm { path: String },
    #[error("the PDF couldn't be put together: {0}")]
    Pdf(String),
    #[error("`{path}` couldn't be written")]
    Write { path: String, source: std::io::Error },
}

impl SheetError {
    /// What to do.
    pub fn hint(&self) -> String {
        match self {
            Self::UnknownForm { .. } => "name the file with one of these endings",
            Self::Pdf(_) => "write it as .html instead and print that",
            Self::Write { .. } => "check that the folder exists and may be written to",
        }
        .to_owned()
    }
}

/// Writes a sheet in the form its file name asks for: .txt, .html or .pdf. Nothing is left behind when that fails.
///
/// # Errors
/// [`SheetError`].
pub fn write(sheet: &Sheet, path: &Path) -> Result<(), SheetError> {
    let extension = path.extension().and_then(|extension| extension.to_str()).unwrap_or_default().to_ascii_lowercase();
    let bytes = match extension.as_str() {
        "txt" => text::render(sheet).into_bytes(),
        "html" | "htm" => html::render(sheet).into_bytes(),
        "pdf" => pdf::render(sheet)?,
        _ => return Err(SheetError::UnknownForm { path: path.display().to_string() }),
    };
    let failed = |source| SheetError::Write { path: path.display().to_string(), source };
    // Beside its place first, so that a full disk never leaves half a file under the name asked for.
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let partial = folder.join(format!(".{name}.part"));
    std::fs::write(&partial, bytes).and_then(|()| std::fs::rename(&partial, path)).map_err(|error| {
        let _ = std::fs::remove_file(&partial);
        failed(error)
    })
}

#[cfg(test)]
mod tests;
