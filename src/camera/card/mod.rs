//! The scale card: printed marks of known size that give scale, level and, where they span enough, tilt by themselves.
//!
//! A card carries four marks; a mark sheet one large one, for long throws. Each is numbered, so that several can hang in one
//! picture. The marks are of the open AprilTag family 36h11.

mod chance;
pub mod family;
mod find;
mod light;
mod refine;
pub mod sheet;

use std::f64::consts::FRAC_PI_2;

use serde::{Deserialize, Serialize};

use super::marks;
use crate::clip::{Plane, Transfer};
use crate::units::{MetrePoint, PixelPoint};

pub use refine::FoundMark;

/// Side of the black square of a card's marks, m.
pub const CARD_MARK_M: f64 = 0.080;
/// From one mark's left edge to the next one's, and from one's lower edge to the next one's, m.
pub const CARD_PITCH_M: (f64, f64) = (0.106, 0.120);
/// Side of the black square of a mark sheet, m.
pub const SHEET_MARK_M: f64 = 0.160;
/// Nominal length of the bar that is printed beside the marks, m.
pub const BAR_M: f64 = 0.150;
/// Cards, numbered from 1; each uses four marks.
pub const CARDS: usize = 12;
/// Mark sheets, numbered from 1; the marks after those of the cards.
pub const SHEETS: usize = family::MARKS - 4 * CARDS;

/// What a printed page is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum CardKind {
    /// Four marks of 80 mm.
    Card,
    /// One mark of 160 mm.
    Sheet,
}

/// A page of the set: kind and number from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct CardName {
    pub kind: CardKind,
    pub number: usize,
}

impl CardName {
    /// The page that carries mark `id`.
    pub fn of_mark(id: usize) -> Option<Self> {
        match id {
            _ if id < 4 * CARDS => Some(Self { kind: CardKind::Card, number: id / 4 + 1 }),
            _ if id < family::MARKS => Some(Self { kind: CardKind::Sheet, number: id - 4 * CARDS + 1 }),
            _ => None,
        }
    }

    /// The page's marks: number in the family, lower left corner and side, m. The page's origin is the lower left corner of its
    /// lower left mark. `None` where there is no page of that number.
    pub fn marks(self) -> Option<Vec<(usize, MetrePoint, f64)>> {
        let first = self.number.checked_sub(1)?;
        match self.kind {
            CardKind::Card if first < CARDS => {
                let (px, py) = CARD_PITCH_M;
                // Read like a page: upper left, upper right, lower left, lower right.
                let places = [(0.0, py), (px, py), (0.0, 0.0), (px, 0.0)];
                let mark = |(k, (x, y))| (4 * first + k, MetrePoint::new(x, y), CARD_MARK_M);
                Some(places.into_iter().enumerate().map(mark).collect())
            }
            CardKind::Sheet if first < SHEETS => {
                Some(vec![(4 * CARDS + first, MetrePoint::new(0.0, 0.0), SHEET_MARK_M)])
            }
            _ => None,
        }
    }

    /// "scale card 1", "mark sheet 2".
    pub fn words(self) -> String {
        match self.kind {
            CardKind::Card => format!("scale card {}", self.number),
            CardKind::Sheet => format!("mark sheet {}", self.number),
        }
    }
}

/// A card found in a picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FoundCard {
    pub name: CardName,
    pub marks: Vec<FoundMark>,
}

impl FoundCard {
    /// All corners: in the picture, and on the page in m as printed without scaling.
    pub fn corners(&self) -> Vec<(PixelPoint, MetrePoint)> {
        let Some(printed) = self.name.marks() else { return Vec::new() };
        let mut corners = Vec::new();
        for mark in &self.marks {
            let Some((_, at, side)) = printed.iter().find(|(id, _, _)| *id == mark.id) else { continue };
            let page = [(0.0, 1.0), (1.0, 1.0), (1.0, 0.0), (0.0, 0.0)];
            for (px, (x, y)) in mark.corners.iter().zip(page) {
                corners.push((*px, MetrePoint::new(at.x + side * x, at.y + side * y)));
            }
        }
        corners
    }

    /// How the card hangs; `None` where the corners tell nothing.
    pub fn hanging(&self) -> Option<Hanging> {
        let corners = self.corners();
        let seen: Vec<PixelPoint> = corners.iter().map(|(px, _)| *px).collect();
        let (_, turn) = marks::similarity(&corners, &seen)?;
        let quarters = (turn / FRAC_PI_2).round();
        let quarter_turns = quarters.rem_euclid(4.0) as u8;
        Some(Hanging { quarter_turns, lean_deg: (turn - quarters * FRAC_PI_2).to_degrees() })
    }

    /// [`FoundCard::corners`] with the page turned by quarters until its upright is the picture's to 45°: whichever way a card was
    /// taped to the wall, things don't fall upwards.
    pub fn upright_corners(&self) -> Vec<(PixelPoint, MetrePoint)> {
        let mut corners = self.corners();
        for _ in 0..self.hanging().map_or(0, |hanging| hanging.quarter_turns) {
            corners.iter_mut().for_each(|(_, at)| *at = MetrePoint::new(-at.y, at.x));
        }
        corners
    }
}

/// How a card hangs in the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hanging {
    /// Quarter turns anticlockwise by which the page's upright is turned away from the picture's, 0 to 3: 2 is upside down.
    pub quarter_turns: u8,
    /// What is left of the turn after those, degrees anticlockwise, −45 to 45.
    pub lean_deg: f64,
}

/// Finds all marks in a picture, in order of their numbers. A mark seen twice is left out: it can't be told which one counts; so is
/// what chance could spell as well.
///
/// `picture` is the full-range luma of the still background (a median over the clip), `transfer` how its samples relate to
/// light.
pub fn find_marks(picture: &Plane, transfer: Transfer) -> Vec<FoundMark> {
    let light = light::Light::of(picture, transfer);
    let (candidates, tried) = find::candidates(&light);
    let mut marks: Vec<FoundMark> = candidates
        .iter()
        .filter_map(|candidate| refine::refined(&light, candidate))
        .filter(|(_, reading)| reading.is_believed(tried))
        .map(|(mark, _)| mark)
        .collect();
    marks.sort_by_key(|mark| mark.id);
    let ids: Vec<usize> = marks.iter().map(|mark| mark.id).collect();
    marks.retain(|mark| ids.iter().filter(|id| **id == mark.id).count() == 1);
    marks
}

/// Finds all cards in a picture, in order of their numbers; see [`find_marks`].
pub fn find_cards(picture: &Plane, transfer: Transfer) -> Vec<FoundCard> {
    let mut cards: Vec<FoundCard> = Vec::new();
    for mark in find_marks(picture, transfer) {
        let Some(name) = CardName::of_mark(mark.id) else { continue };
        match cards.iter_mut().find(|card| card.name == name) {
            Some(card) => card.marks.push(mark),
            None => cards.push(FoundCard { name, marks: vec![mark] }),
        }
    }
    cards.sort_by_key(|card| card.name);
    cards
}

#[cfg(test)]
mod tests;
