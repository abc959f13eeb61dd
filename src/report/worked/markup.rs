//! Marked text (see [`crate::report::ink::text`]) in plain characters.

use crate::report::ink::text::{Place, rich};

/// Marked text in one line of plain characters: `v_{0y}^{2}` becomes `v0y²`.
pub fn to_plain(marked: &str) -> String {
    rich(marked)
        .into_iter()
        .map(|piece| if piece.place == Place::Raised { raised(&piece.text) } else { piece.text })
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
    fn indices_and_powers_become_characters() {
        assert_eq!(to_plain("*v*_{0y}^{2} · 10^{−5}"), "v0y² · 10⁻⁵");
        assert_eq!(to_plain("a_b {c}"), "a_b {c}");
    }
}
