//! The fonts that every picture and document uses, kept inside the program so that text looks the same everywhere.
//!
//! DejaVu Sans, cut down to Latin, Greek and the signs of mathematics; its licence lies beside the files in `fonts/`.

use std::sync::{LazyLock, OnceLock};

use plotters::style::{FontStyle, register_font};
use ttf_parser::{GlyphId, OutlineBuilder};

/// Name under which [`register`] makes the fonts known to the plotting library.
pub const FAMILY: &str = "sans-serif";

/// A cut of the typeface.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Face {
    Regular,
    Bold,
    Oblique,
}

impl Face {
    /// The font file.
    pub const fn bytes(self) -> &'static [u8] {
        match self {
            Self::Regular => include_bytes!("fonts/DejaVuSans.ttf"),
            Self::Bold => include_bytes!("fonts/DejaVuSans-Bold.ttf"),
            Self::Oblique => include_bytes!("fonts/DejaVuSans-Oblique.ttf"),
        }
    }

    fn parsed(self) -> &'static ttf_parser::Face<'static> {
        static FACES: LazyLock<[ttf_parser::Face<'static>; 3]> = LazyLock::new(|| {
            [Face::Regular, Face::Bold, Face::Oblique]
                .map(|face| ttf_parser::Face::parse(face.bytes(), 0).expect("the fonts inside the program are whole"))
        });
        &FACES[self as usize]
    }

    /// Design units in one em.
    pub fn units_per_em(self) -> f32 {
        f32::from(self.parsed().units_per_em())
    }

    /// Whether the font can write `character`.
    pub fn has(self, character: char) -> bool {
        self.parsed().glyph_index(character).is_some()
    }

    /// The glyph of `character`, or that of an empty square when the font has none.
    pub fn glyph(self, character: char) -> u16 {
        let found = self.parsed().glyph_index(character).or_else(|| self.parsed().glyph_index('□'));
        found.map_or(0, |id| id.0)
    }

    /// How far the pen moves after `character`, in em.
    pub fn advance_em(self, character: char) -> f32 {
        let units = self.parsed().glyph_hor_advance(GlyphId(self.glyph(character))).unwrap_or(0);
        f32::from(units) / self.units_per_em()
    }

    /// Width of `text` set in one line, in em.
    pub fn width_em(self, text: &str) -> f32 {
        text.chars().map(|c| self.advance_em(c)).sum()
    }

    /// Gives the outline of `character` to `builder` in design units, y up.
    pub fn outline(self, character: char, builder: &mut dyn OutlineBuilder) {
        self.parsed().outline_glyph(GlyphId(self.glyph(character)), builder);
    }
}

/// Height of a capital letter in em, for centring lines of text.
pub const CAPITAL_HEIGHT_EM: f32 = 0.729;

/// Makes the fonts known to the plotting library under [`FAMILY`]; cheap to call again.
pub fn register() {
    static DONE: OnceLock<()> = OnceLock::new();
    DONE.get_or_init(|| {
        let cuts =
            [(FontStyle::Normal, Face::Regular), (FontStyle::Bold, Face::Bold), (FontStyle::Italic, Face::Oblique)];
        for (style, face) in cuts {
            let registered = register_font(FAMILY, style, face.bytes());
            assert!(registered.is_ok(), "the fonts inside the program are whole");
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sign_that_the_reports_write_has_a_glyph() {
        let signs = "abcXYZ019äöüßéñçøłčžșğ αβγθλμπρστχΔΣΩ −±×·°²³½⁻¹₀₁₂√≈≤≥≠→–—‘’“”…′″‰\u{202f}\u{a0}□☐";
        for face in [Face::Regular, Face::Bold, Face::Oblique] {
            let missing: String = signs.chars().filter(|&c| !face.has(c)).collect();
            assert_eq!(missing, "", "{face:?}");
        }
    }

    #[test]
    fn the_plotting_library_finds_the_fonts() {
        use plotters::style::{IntoTextStyle, TextStyle};
        register();
        register();
        let style: TextStyle = (FAMILY, 20).into_text_style(&(100_u32, 100_u32));
        assert!(style.font.layout_box("Höhe −1 ± σ").is_ok());
    }

    /// DejaVu's digits all have the width 1303 of 2048 units, as its `hmtx` table states; tables of numbers rely on it.
    #[test]
    fn digits_are_tabular() {
        for digit in '0'..='9' {
            assert_eq!(Face::Regular.advance_em(digit), 1303.0 / 2048.0);
        }
    }
}
