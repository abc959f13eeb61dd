//! The sketch of a flight with what is known written in, as lines and words that any output can draw.

use super::Given;
use crate::flight::drag::Forces;
use crate::flight::path::FlightPath;
use crate::flight::solve::{Quantity, Solution};
use crate::flight::trajectory::State;

/// A drawing in millimetres, x right, y down from the top left corner.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    pub width_mm: f64,
    pub height_mm: f64,
    pub marks: Vec<Mark>,
    /// What the drawing shows, for those who can't see it.
    pub description: String,
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stroke {
    /// The path of the ball.
    Path,
    /// Measures and axes.
    Thin,
    /// The ground and what is only thought.
    Dashed,
}

/// Side of its point on which a word stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// A line, an arrow, a ball or a word of a drawing.
#[derive(Debug, Clone, PartialEq)]
pub enum Mark {
    Line {
        points: Vec<(f64, f64)>,
        stroke: Stroke,
    },
    /// Triangular head at `tip`, pointing along the direction (dx, dy).
    Head {
        tip: (f64, f64),
        direction: (f64, f64),
    },
    Ball {
        centre: (f64, f64),
    },
    /// Marked text on the base line at `at`.
    Word {
        at: (f64, f64),
        text: String,
        anchor: Anchor,
    },
}

const WIDTH_MM: f64 = 150.0;
const LEFT_MM: f64 = 35.0;
const RIGHT_MM: f64 = 38.0;
const TOP_MM: f64 = 14.0;
const BOTTOM_MM: f64 = 16.0;
const TALLEST_PATH_MM: f64 = 62.0;
const ARROW_MM: f64 = 20.0;

/// Draws the flight of a solution with its givens as values and the wanted quantity as a question mark.
///
/// A flight whose end isn't settled is drawn to its return to the launch height; one without a horizontal part as a vertical line.
pub fn of_flight(solution: &Solution, givens: &[Given], wanted: Quantity) -> Drawing {
    let get = |quantity| solution.values.get(&quantity).copied();
    let vertical = get(Quantity::SpeedY).unwrap_or(0.0);
    let forward = get(Quantity::SpeedX).unwrap_or(0.0);
    let gravity = get(Quantity::Gravity).unwrap_or(9.81);
    let end_s = get(Quantity::Time).or_else(|| get(Quantity::LevelTime)).unwrap_or(1.0);
    let start = State { x: 0.0, y: 0.0, vx: forward, vy: vertical };
    let points = FlightPath::new(start, &Forces::gravity_only(gravity), f64::MIN)
        .map(|path| path.sample(end_s, 61))
        .unwrap_or_default();
    let places: Vec<(f64, f64)> = points.iter().map(|instant| (instant.state.x, instant.state.y)).collect();
    Sketch::new(places, givens, wanted, (forward, vertical)).draw()
}

struct Sketch<'a> {
    /// Places of the ball, m.
    places: Vec<(f64, f64)>,
    givens: &'a [Given],
    wanted: Quantity,
    launch: (f64, f64),
    /// mm per m
    scale: f64,
    highest_m: f64,
    lowest_m: f64,
    marks: Vec<Mark>,
}

impl<'a> Sketch<'a> {
    fn new(places: Vec<(f64, f64)>, givens: &'a [Given], wanted: Quantity, launch: (f64, f64)) -> Self {
        let highest_m = places.iter().map(|place| place.1).fold(0.0, f64::max);
        let lowest_m = places.iter().map(|place| place.1).fold(0.0, f64::min);
        let width_m = places.last().map_or(0.0, |place| place.0);
        let across = (WIDTH_MM - LEFT_MM - RIGHT_MM) / width_m.max(1e-9);
        let up = TALLEST_PATH_MM / (highest_m - lowest_m).max(1e-9);
        // Equal scales on both axes, so that angles look as they are.
        Self { places, givens, wanted, launch, scale: across.min(up), highest_m, lowest_m, marks: Vec::new() }
    }

    fn to_mm(&self, (x, y): (f64, f64)) -> (f64, f64) {
        (LEFT_MM + x * self.scale, TOP_MM + (self.highest_m - y) * self.scale)
    }

    fn draw(mut self) -> Drawing {
        let end = *self.places.last().unwrap_or(&(0.0, 0.0));
        let ground_mm = TOP_MM + (self.highest_m - self.lowest_m) * self.scale;
        let (launch_mm, end_mm) = (self.to_mm((0.0, 0.0)), self.to_mm(end));
        let path = self.places.iter().map(|place| self.to_mm(*place)).collect();
        self.line(
            vec![(LEFT_MM - 8.0, launch_mm.1), (end_mm.0.max(LEFT_MM + 30.0) + 8.0, launch_mm.1)],
            Stroke::Dashed,
        );
        self.marks.push(Mark::Line { points: path, stroke: Stroke::Path });
        self.launch_arrow(launch_mm);
        self.apex();
        self.distance(launch_mm, end_mm, ground_mm + 6.0);
        self.rise(launch_mm, end_mm, end.1);
        self.time_label(end_mm);
        for centre in [launch_mm, end_mm] {
            self.marks.push(Mark::Ball { centre });
        }
        let height_mm = ground_mm + BOTTOM_MM;
        let description = "Sketch of the flight from launch to end with the given quantities marked.".to_owned();
        Drawing { width_mm: WIDTH_MM, height_mm, marks: self.marks, description }
    }

    fn line(&mut self, points: Vec<(f64, f64)>, stroke: Stroke) {
        self.marks.push(Mark::Line { points, stroke });
    }

    fn word(&mut self, at: (f64, f64), text: String, anchor: Anchor) {
        self.marks.push(Mark::Word { at, text, anchor });
    }

    /// `v0 = 4.00 m/s` for a given, `v0 = ?` for what is wanted, `None` for the rest.
    fn label(&self, quantity: Quantity) -> Option<String> {
        let symbol = super::symbol(quantity);
        if quantity == self.wanted {
            return Some(format!("{symbol} = ?"));
        }
        let given = self.givens.iter().find(|given| given.quantity == quantity)?;
        Some(format!("{symbol} = {}", given.text()))
    }

    fn labels(&self, quantities: &[Quantity]) -> Vec<String> {
        quantities.iter().filter_map(|quantity| self.label(*quantity)).collect()
    }

    fn launch_arrow(&mut self, from: (f64, f64)) {
        let speed = self.launch.0.hypot(self.launch.1);
        let words = self.labels(&[Quantity::Speed, Quantity::Angle, Quantity::SpeedX, Quantity::SpeedY]);
        if speed > 0.0 {
            let direction = (self.launch.0 / speed, -self.launch.1 / speed);
            let tip = (from.0 + ARROW_MM * direction.0, from.1 + ARROW_MM * direction.1);
            self.line(vec![from, tip], Stroke::Thin);
            self.marks.push(Mark::Head { tip, direction });
        }
        // Left of the launch, where no path can be; upwards from just above the base line.
        let count = words.len();
        for (i, word) in words.into_iter().enumerate() {
            let y = from.1 - 3.0 - 5.5 * (count - 1 - i) as f64;
            self.word((LEFT_MM - 4.0, y), word, Anchor::End);
        }
    }

    fn apex(&mut self) {
        let words = self.labels(&[Quantity::ApexHeight, Quantity::ApexTime, Quantity::ApexDistance]);
        let top = self.places.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1));
        let Some(top) = top.filter(|_| !words.is_empty() && self.launch.1 > 0.0) else { return };
        let (top, foot) = (self.to_mm(top), self.to_mm((top.0, 0.0)));
        self.line(vec![foot, top], Stroke::Dashed);
        self.word((top.0, top.1 - 3.0), words.join(",  "), Anchor::Middle);
    }

    fn distance(&mut self, launch: (f64, f64), end: (f64, f64), y: f64) {
        let Some(word) = self.label(Quantity::Distance).or_else(|| self.label(Quantity::LevelRange)) else { return };
        if end.0 - launch.0 < 5.0 {
            return;
        }
        self.line(vec![(launch.0, launch.1), (launch.0, y + 2.0)], Stroke::Dashed);
        self.line(vec![(end.0, end.1), (end.0, y + 2.0)], Stroke::Dashed);
        self.measure((launch.0, y), (end.0, y));
        self.word((0.5 * (launch.0 + end.0), y + 5.0), word, Anchor::Middle);
    }

    fn rise(&mut self, launch: (f64, f64), end: (f64, f64), rise_m: f64) {
        let Some(word) = self.label(Quantity::Rise) else { return };
        let x = end.0.max(LEFT_MM + 30.0) + 5.0;
        if (launch.1 - end.1).abs() > 4.0 {
            self.line(vec![end, (x + 2.0, end.1)], Stroke::Dashed);
            self.measure((x, launch.1), (x, end.1));
            self.word((x + 2.5, 0.5 * (launch.1 + end.1) + 1.5), word, Anchor::Start);
        } else {
            let below = if rise_m < 0.0 { 5.0 } else { -2.5 };
            self.word((x + 2.5, end.1 + below), word, Anchor::Start);
        }
    }

    fn time_label(&mut self, end: (f64, f64)) {
        let words = self.labels(&[Quantity::Time, Quantity::EndSpeedY, Quantity::EndSpeed, Quantity::EndAngle]);
        let x = end.0.max(LEFT_MM + 30.0) + 7.5;
        for (i, word) in words.into_iter().enumerate() {
            // Above what `rise` writes, which stands between the launch's level and the end's.
            self.word((x, end.1.min(TOP_MM + self.highest_m * self.scale) - 8.0 - 5.5 * i as f64), word, Anchor::Start);
        }
    }

    /// A line with a head at either end.
    fn measure(&mut self, from: (f64, f64), to: (f64, f64)) {
        let length = (to.0 - from.0).hypot(to.1 - from.1);
        let direction = ((to.0 - from.0) / length, (to.1 - from.1) / length);
        self.line(vec![from, to], Stroke::Thin);
        self.marks.push(Mark::Head { tip: to, direction });
        self.marks.push(Mark::Head { tip: from, direction: (-direction.0, -direction.1) });
    }
}
