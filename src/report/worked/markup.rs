//! The few marks that formulas need in plain text: `_{…}` lowers, `^{…}` raises, `*…*` makes italic.

/// How a run of text stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    Line,
    Lowered,
    Raised,
}

/// A run of text set alike.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    pub text: String,
    pub place: Place,
    pub italic: bool,
}

/// Splits marked text into runs. A mark without its end is text.
pub fn spans(marked: &str) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    let mut push = |text: &str, place: Place, italic: bool| {
        if !text.is_empty() {
            spans.push(Span { text: text.to_owned(), place, italic });
        }
    };
    let mut rest = marked;
    let mut italic = false;
    while let Some(at) = rest.find(['_', '^', '*']) {
        push(&rest[..at], Place::Line, italic);
        let mark = &rest[at..=at];
        let after = &rest[at + 1..];
        match (mark, after.strip_prefix('{').and_then(|inner| inner.split_once('}'))) {
            ("*", _) => {
                italic = !italic;
                rest = after;
            }
            ("_", Some((inner, tail))) => {
                push(inner, Place::Lowered, false);
                rest = tail;
            }
            ("^", Some((inner, tail))) => {
                push(inner, Place::Raised, false);
                rest = tail;
            }
            _ => {
                push(mark, Place::Line, italic);
                rest = after;
            }
        }
    }
    push(rest, Place::Line, italic);
    spans
}

/// Marked text in one line of plain characters: `v_{0y}^{2}` becomes `v0y²`.
pub fn to_plain(marked: &str) -> String {
    spans(marked)
        .into_iter()
        .map(|span| if span.place == Place::Raised { raised(&span.text) } else { span.text })
        .collect()
}

fn raised(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '0' => '⁰',
            '1' => '¹',
            '2' => '²',
            '3' => '³',
            '4' => '⁴',
            '5' => '⁵',
            '6' => '⁶',
            '7' => '⁷',
            '8' => '⁸',
            '9' => '⁹',
            '−' | '-' => '⁻',
            other => other,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_become_runs() {
        let runs = spans("*v*_{0}^{2} / 2");
        let kinds: Vec<_> = runs.iter().map(|run| (run.text.as_str(), run.place, run.italic)).collect();
        assert_eq!(
            kinds,
            [
                ("v", Place::Line, true),
                ("0", Place::Lowered, false),
                ("2", Place::Raised, false),
                (" / 2", Place::Line, false)
            ]
        );
        assert_eq!(to_plain("*v*_{0y}^{2} · 10^{−5}"), "v0y² · 10⁻⁵");
        assert_eq!(to_plain("a_b {c}"), "a_b {c}");
    }
}
