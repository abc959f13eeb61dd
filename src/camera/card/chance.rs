//! Whether a mark that was read is one: how often chance alone would spell as much of a mark.
//!
//! A brick wall, a window or a keyboard is full of dark quadrangles on a lighter ground, and a pattern of 36 cells that may be wrong
//! in some of them is met there sooner or later. What it is wrong in is counted, and so is how many quadrangles were tried.

use super::family::MARKS;

/// Marks that chance alone may be expected to spell in a picture. One that isn't there would give a wrong scale for the right one.
const ALLOWED: f64 = 1e-3;
/// Cells of the black border that may be contradicted: glare, a tape that holds the card.
const BORDER_ALLOWED: usize = 3;
/// Least breadth of a mark over its length in the picture: one seen more obliquely than 65° isn't one to measure by.
const LEAST_BREADTH: f64 = 0.42;

/// How the picture speaks against a fitted mark.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reading {
    /// Of the 36 cells inside, those that the picture would rather have of the other colour.
    pub wrong_inside: usize,
    /// The same of the 28 cells of the border.
    pub wrong_border: usize,
    /// Breadth over length of the mark in the picture.
    pub breadth: f64,
}

impl Reading {
    /// Whether the mark is believed, of `tried` quadrangles that were read in the picture.
    pub fn is_believed(&self, tried: usize) -> bool {
        self.breadth >= LEAST_BREADTH
            && self.wrong_border <= BORDER_ALLOWED
            && spelt_by_chance(tried, self.wrong_inside) <= ALLOWED
    }
}

/// How many of `tried` quadrangles are expected to spell some mark in some turn with at most `wrong` cells wrong, were each of the 36
/// cells as often black as white (the a-contrario rule: Desolneux, Moisan and Morel, *From Gestalt Theory to Image Analysis*, 2008,
/// ch. 3).
///
/// Neighbouring cells of a wall or a window are more alike than that, which makes them still less like a mark: the family leaves
/// out patterns of few and large fields (Olson 2011).
fn spelt_by_chance(tried: usize, wrong: usize) -> f64 {
    let mut ways = 1.0;
    let mut sum = 1.0;
    for k in 1..=wrong.min(36) {
        ways *= (37 - k) as f64 / k as f64;
        sum += ways;
    }
    (tried * MARKS * 4) as f64 * sum / 2f64.powi(36)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chance_is_counted_as_the_binomial_has_it() {
        // One quadrangle against 64 marks in four turns: 256/2³⁶ for all cells right, all 2³⁶ patterns for any.
        assert!((spelt_by_chance(1, 0) * 2f64.powi(28) - 1.0).abs() < 1e-12);
        assert!((spelt_by_chance(1, 36) - 256.0).abs() < 1e-9);
        // 1 + 36 + 630 + 7140 patterns differ in at most three cells.
        assert!((spelt_by_chance(1, 3) / spelt_by_chance(1, 0) - 7807.0).abs() < 1e-6);
    }

    #[test]
    fn the_more_is_tried_the_less_is_forgiven() {
        let reading = |wrong_inside| Reading { wrong_inside, wrong_border: 0, breadth: 1.0 };
        assert!(reading(3).is_believed(20) && !reading(3).is_believed(2000));
        assert!(reading(1).is_believed(2000) && !reading(5).is_believed(1));
        assert!(!Reading { breadth: 0.3, ..reading(0) }.is_believed(1));
        assert!(!Reading { wrong_border: 6, ..reading(0) }.is_believed(1));
    }
}
