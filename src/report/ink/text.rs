//! Text with italic symbols, indices and powers, and breaking it into lines.
//!
//! Marks: `*y*` sets a symbol in italics, `_{max}` lowers and `^{2}` raises what is inside the braces. Everything else is literal.

use crate::report::fonts::Face;

/// How a piece of text stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    Line,
    Lowered,
    Raised,
}

/// Text of one cut and height.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    pub face: Face,
    pub text: String,
    pub place: Place,
}

impl Piece {
    pub fn new(face: Face, text: impl Into<String>) -> Self {
        Self { face, text: text.into(), place: Place::Line }
    }

    /// Size against the line's own.
    pub fn size(&self) -> f32 {
        if self.place == Place::Line { 1.0 } else { 0.72 }
    }

    /// How far below the line's baseline it stands, in em of the line.
    pub fn drop(&self) -> f32 {
        match self.place {
            Place::Line => 0.0,
            Place::Lowered => 0.18,
            Place::Raised => -0.35,
        }
    }
}

/// Reads marked text into pieces.
pub fn rich(marked: &str) -> Vec<Piece> {
    with_face(marked, Face::Regular)
}

/// Marked text in bold; symbols are italic as ever.
pub fn bold(marked: &str) -> Vec<Piece> {
    with_face(marked, Face::Bold)
}

fn with_face(marked: &str, upright: Face) -> Vec<Piece> {
    let mut pieces: Vec<Piece> = Vec::new();
    let (mut face, mut place) = (upright, Place::Line);
    let mut rest = marked;
    while let Some(character) = rest.chars().next() {
        let (taken, literal) = match character {
            '*' => {
                face = if face == upright { Face::Oblique } else { upright };
                (1, false)
            }
            '_' | '^' if rest[1..].starts_with('{') && rest.contains('}') => {
                place = if character == '_' { Place::Lowered } else { Place::Raised };
                (2, false)
            }
            '}' if place != Place::Line => {
                place = Place::Line;
                (1, false)
            }
            other => (other.len_utf8(), true),
        };
        if literal {
            push(&mut pieces, face, place, &rest[..taken]);
        }
        rest = &rest[taken..];
    }
    pieces
}

fn push(pieces: &mut Vec<Piece>, face: Face, place: Place, text: &str) {
    match pieces.last_mut() {
        Some(last) if last.face == face && last.place == place => last.text.push_str(text),
        _ => pieces.push(Piece { face, text: text.to_owned(), place }),
    }
}

/// Marked text as plain words, for readers without type: alt texts, tables.
pub fn plain(marked: &str) -> String {
    rich(marked).into_iter().map(|p| p.text).collect()
}

/// Text from outside, such as a file name, kept from being read as marks.
pub fn literal(text: &str) -> String {
    // The asterisk operator looks the same; braces after an underscore are rare enough to lose.
    text.replace('*', "∗").replace("_{", "_(").replace("^{", "^(").replace(['\n', '\r', '\t'], " ")
}

/// Width of `pieces` set in one line, in em.
pub fn width_em(pieces: &[Piece]) -> f32 {
    pieces.iter().map(|p| p.face.width_em(&p.text) * p.size()).sum()
}

/// Breaks marked text at spaces into lines of at most `width_em`; a longer word stands alone on its line.
pub fn wrap(marked: &str, width: f32) -> Vec<Vec<Piece>> {
    wrap_pieces(rich(marked), width)
}

/// As [`wrap`], for pieces.
pub fn wrap_pieces(pieces: Vec<Piece>, width: f32) -> Vec<Vec<Piece>> {
    let mut lines: Vec<Vec<Piece>> = vec![Vec::new()];
    for word in words(pieces) {
        let line = lines.last_mut().expect("never empty");
        let space = if line.is_empty() { 0.0 } else { Face::Regular.advance_em(' ') };
        if !line.is_empty() && width_em(line) + space + width_em(&word) > width {
            lines.push(word);
            continue;
        }
        if !line.is_empty() {
            push(line, word[0].face, Place::Line, " ");
        }
        word.iter().for_each(|p| push(line, p.face, p.place, &p.text));
    }
    lines
}

/// Cuts at spaces; a word may have several pieces.
fn words(pieces: Vec<Piece>) -> Vec<Vec<Piece>> {
    let mut words: Vec<Vec<Piece>> = Vec::new();
    let mut open = false;
    for piece in pieces {
        for (i, part) in piece.text.split(' ').enumerate() {
            open &= i == 0;
            if part.is_empty() {
                continue;
            }
            let part = Piece { text: part.to_owned(), ..piece.clone() };
            if open && let Some(word) = words.last_mut() {
                word.push(part);
            } else {
                words.push(vec![part]);
            }
            open = true;
        }
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn symbols_are_italic_indices_low_and_powers_high() {
        let pieces = rich("speed *v*_{y}^{2} / (m/s)");
        let seen: Vec<(Face, &str, Place)> = pieces.iter().map(|p| (p.face, p.text.as_str(), p.place)).collect();
        let expected = [
            (Face::Regular, "speed ", Place::Line),
            (Face::Oblique, "v", Place::Line),
            (Face::Regular, "y", Place::Lowered),
            (Face::Regular, "2", Place::Raised),
            (Face::Regular, " / (m/s)", Place::Line),
        ];
        assert_eq!(seen, expected);
        assert_eq!(plain("*v*_{y}"), "vy");
        assert_eq!(plain("a_b {c}"), "a_b {c}");
    }

    #[test]
    fn lines_break_at_spaces_and_lose_no_word() {
        let text = "the ball left at *v*_{0} = 3.5 m/s, and landed in the bucket";
        let lines = wrap(text, 12.0);
        assert!(lines.len() > 2);
        assert!(lines.iter().all(|line| width_em(line) <= 12.0));
        let joined: Vec<String> = lines.iter().map(|l| l.iter().map(|p| p.text.as_str()).collect()).collect();
        assert_eq!(joined.join(" "), plain(text));
    }
}
