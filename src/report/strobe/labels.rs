//! What is written on the strobe picture: times, scale bar, legend.

use image::RgbImage;

use super::{Ball, LABEL_EVERY, drawn_at, em_px};
use crate::measurement::{FlightMeasurement, Measurement};
use crate::report::axis::round_step;
use crate::report::ink::text::{Piece, rich, width_em, wrap};
use crate::report::ink::{Anchor, Colour, Drawing, Paint, Stroke, TextLine};
use crate::report::numbers::DecimalMark;
use crate::report::said::in_few_marked_words;

pub const WHITE: Colour = Colour(255, 255, 255);
pub const VERMILLION: Colour = Colour(0xd5, 0x5e, 0x00);
const INK: Colour = Colour(0x1a, 0x1a, 0x1a);
/// Lines of the notice in the legend are at most so long.
const NOTICE_EM: f32 = 17.0;
/// More times than this would be a thicket.
const MOST_LABELS: usize = 12;
const PLATE: Paint = Paint { colour: WHITE, opacity: 0.82 };

/// A rectangle in pixels of the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Place {
    x: f32,
    y: f32,
    w: f32,
    h: f32,
}

impl Place {
    fn meets(&self, other: &Self) -> bool {
        self.x < other.x + other.w
            && other.x < self.x + self.w
            && self.y < other.y + other.h
            && other.y < self.y + self.h
    }

    fn holds(&self, point: (f32, f32), margin: f32) -> bool {
        point.0 > self.x - margin
            && point.0 < self.x + self.w + margin
            && point.1 > self.y - margin
            && point.1 < self.y + self.h + margin
    }
}

struct Writer<'a> {
    image: &'a RgbImage,
    em: f32,
    drawing: Drawing,
    /// Centre and reach of every ball, and points of the path with reach nought.
    busy: Vec<((f32, f32), f32)>,
    taken: Vec<Place>,
}

/// All labels for `image`, on which the balls already lie.
pub fn drawing(
    image: &RgbImage,
    balls: &[Ball<'_>],
    flight: &FlightMeasurement,
    of: &Measurement,
    enlarged: f64,
    mark: DecimalMark,
) -> Drawing {
    let reach = |ball: &Ball<'_>| {
        let (dx, dy) = ball.0.streak_px.unwrap_or((0.0, 0.0));
        ((ball.0.radius_px + dx.hypot(dy) / 2.0) * enlarged) as f32
    };
    let of_balls = balls.iter().map(|b| (drawn_at(b.0.centre_px, enlarged), reach(b)));
    let forecast = flight.forecast.iter().flat_map(|f| &f.path_px);
    let of_paths = flight.path_px.iter().chain(forecast).map(|p| (drawn_at(*p, enlarged), 0.0));
    let mut writer = Writer {
        image,
        em: em_px(image.width(), image.height()),
        drawing: Drawing::new(image.width() as f32, image.height() as f32, None),
        busy: of_balls.chain(of_paths).collect(),
        taken: Vec::new(),
    };
    writer.mark_left_out(balls);
    writer.times(balls, flight, enlarged, mark);
    writer.scale_bar(of.scale.metres_per_pixel.value / enlarged, mark);
    writer.legend(balls, flight, &in_few_marked_words(of, Some(flight.number), mark));
    writer.drawing
}

impl Writer<'_> {
    /// Rings the balls that the fit left out.
    fn mark_left_out(&mut self, balls: &[Ball<'_>]) {
        let stroke = Stroke { paint: VERMILLION.into(), width: 0.08 * self.em };
        for i in (0..balls.len()).filter(|&i| !balls[i].1.used) {
            let (centre, reach) = self.busy[i];
            self.drawing.ring(centre, reach + 0.12 * self.em, stroke);
        }
    }

    /// The time since the launch beside every fifth ball, on the side of the path with more room.
    fn times(&mut self, balls: &[Ball<'_>], flight: &FlightMeasurement, enlarged: f64, mark: DecimalMark) {
        let every = LABEL_EVERY * balls.len().div_ceil(LABEL_EVERY * MOST_LABELS).max(1);
        for (i, ball) in balls.iter().enumerate().step_by(every) {
            let text = format!("{} s", mark.fixed(ball.1.moment_s() - flight.launch_time_s.value, 3));
            let next = balls.get(i + 1).or(balls.get(i.wrapping_sub(1))).unwrap_or(ball);
            let (centre, other) = (drawn_at(ball.0.centre_px, enlarged), drawn_at(next.0.centre_px, enlarged));
            self.time(&text, centre, across(centre, other), self.busy[i].1);
        }
    }

    fn time(&mut self, text: &str, centre: (f32, f32), (nx, ny): (f32, f32), reach: f32) {
        let size = 0.85 * self.em;
        let pieces = rich(text);
        let (w, h) = ((width_em(&pieces) + 0.5) * size, 1.25 * size);
        let away = reach + 0.4 * self.em + (nx.abs() * w + ny.abs() * h) / 2.0;
        let candidates = [1.0, -1.0, 1.6, -1.6, 2.4, -2.4].map(|side: f32| {
            let extra = (side.abs() - 1.0) * 2.0 * self.em;
            let (dx, dy) = (nx * (away + extra) * side.signum(), ny * (away + extra) * side.signum());
            Place { x: centre.0 + dx - w / 2.0, y: centre.1 + dy - h / 2.0, w, h }
        });
        // Where no place is free a time is left out rather than written over a ball.
        if let Some(place) = candidates.into_iter().find(|place| self.is_free(place)) {
            let edge =
                (centre.0 + (place.x + w / 2.0 - centre.0) * 0.5, centre.1 + (place.y + h / 2.0 - centre.1) * 0.5);
            self.pointer(centre, edge, reach, &place);
            self.plate(&place);
            self.line(pieces, (place.x + 0.25 * size, place.y + 0.95 * size), size);
        }
    }

    /// A hair line from the ball's rim to its label.
    fn pointer(&mut self, centre: (f32, f32), towards: (f32, f32), reach: f32, place: &Place) {
        let (dx, dy) = (towards.0 - centre.0, towards.1 - centre.1);
        let length = dx.hypot(dy).max(1.0);
        let start = (centre.0 + dx / length * (reach + 2.0), centre.1 + dy / length * (reach + 2.0));
        let end = (place.x + place.w / 2.0, place.y + place.h / 2.0);
        let stroke = |colour: Colour, width| Stroke { paint: colour.into(), width };
        self.drawing.line(&[start, end], stroke(WHITE, 0.16 * self.em));
        self.drawing.line(&[start, end], stroke(INK, 0.06 * self.em));
    }

    /// A round length of at most a quarter of the width.
    fn scale_bar(&mut self, metres_per_pixel: f64, mark: DecimalMark) {
        if !(metres_per_pixel.is_finite() && metres_per_pixel > 0.0) {
            return;
        }
        let quarter = metres_per_pixel * f64::from(self.image.width()) / 4.0;
        // The largest round step below the quarter: steps grow by 2.5 at most.
        let length = [1.0, 2.0, 2.5, 5.0].map(|d| round_step(quarter / d)).into_iter().find(|s| *s <= quarter);
        let Some(length) = length else { return };
        let long = (length / metres_per_pixel) as f32;
        let em = self.em;
        let text = format!("{} m", mark.fixed(length, (-length.log10().floor()).max(0.0) as usize));
        let size = (long + 1.6 * em, 2.7 * em);
        let place = self.quiet_corner(size);
        self.plate(&place);
        let (x, y) = (place.x + 0.8 * em, place.y + 2.0 * em);
        let ends = [x, x + long].map(|x| [(x, y - 0.35 * em), (x, y + 0.35 * em)]);
        let stroke = Stroke { paint: INK.into(), width: 0.14 * em };
        self.drawing.line(&[(x, y), (x + long, y)], stroke);
        ends.iter().for_each(|end| self.drawing.line(end, stroke));
        let at = (x + long / 2.0, place.y + 1.2 * em);
        self.drawing.words(&text, at, em, Anchor::Middle, INK);
    }

    /// `notice`: what must be known of the numbers, marked.
    fn legend(&mut self, balls: &[Ball<'_>], flight: &FlightMeasurement, notice: &str) {
        let em = self.em;
        let mut rows = vec![format!("{} balls, each from its own frame", balls.len())];
        let left_out = balls.iter().filter(|ball| !ball.1.used).count();
        if left_out > 0 {
            rows.push(format!("{left_out} of them left out of the fit"));
        }
        if self.path_is_seen(flight.path_px.len(), balls.len()) {
            rows.push("fitted path".to_owned());
        }
        if flight.forecast.is_some() {
            rows.push("forecast path".to_owned());
        }
        rows.push("times since launch".to_owned());
        let size = 0.8 * em;
        let notice = if notice.is_empty() { Vec::new() } else { wrap(notice, NOTICE_EM) };
        let wide = |lines: f32, row: &[Piece]| lines.max(width_em(row));
        let named = rows.iter().fold(0.0, |widest, row| wide(widest, &rich(row))) * size + 2.0 * em;
        let noticed = notice.iter().fold(0.0, |widest, row| wide(widest, row)) * size;
        let lines = (rows.len() + notice.len()) as f32;
        let place = self.quiet_corner((named.max(noticed) + em, (lines * 1.35 + 0.5) * size));
        self.plate(&place);
        let baseline = |i: usize| place.y + (i as f32 * 1.35 + 1.25) * size;
        for (i, row) in rows.iter().enumerate() {
            self.sample(row, (place.x + 0.4 * em, baseline(i) - 0.3 * size));
            self.line(rich(row), (place.x + 2.4 * em, baseline(i)), size);
        }
        for (i, line) in notice.into_iter().enumerate() {
            self.line(line, (place.x + 0.5 * em, baseline(rows.len() + i)), size);
        }
    }

    fn sample(&mut self, row: &str, (x, y): (f32, f32)) {
        let em = self.em;
        let ends = [(x, y), (x + 1.5 * em, y)];
        let stroke = |colour: Colour, width: f32| Stroke { paint: colour.into(), width: width * em };
        if row.ends_with("left out of the fit") {
            self.drawing.ring((x + 0.75 * em, y), 0.3 * em, stroke(VERMILLION, 0.08));
        } else if row.contains("balls") {
            self.drawing.ring((x + 0.75 * em, y), 0.3 * em, stroke(INK, 0.08));
        } else if row.starts_with("fitted") {
            self.drawing.line(&ends, stroke(Colour(0x20, 0x20, 0x20), 0.3));
            self.drawing.line(&ends, stroke(WHITE, 0.13));
        } else if row.starts_with("forecast") {
            for dash in dashes(&ends, 0.4 * em, 0.25 * em) {
                self.drawing.line(&dash, stroke(VERMILLION, 0.16));
            }
        }
    }

    /// Whether the path shows between the balls anywhere worth naming.
    fn path_is_seen(&self, path_points: usize, balls: usize) -> bool {
        let (of_balls, rest) = self.busy.split_at(balls.min(self.busy.len()));
        let hidden = |p: (f32, f32)| of_balls.iter().any(|(c, reach)| (c.0 - p.0).hypot(c.1 - p.1) < reach + 1.0);
        let seen = rest.iter().take(path_points).filter(|(p, _)| !hidden(*p)).count();
        20 * seen > path_points
    }

    fn plate(&mut self, place: &Place) {
        self.drawing.rectangle((place.x, place.y), (place.w, place.h), PLATE);
        self.taken.push(*place);
    }

    fn line(&mut self, pieces: Vec<Piece>, at: (f32, f32), size: f32) {
        self.drawing.text(TextLine { pieces, at, size, anchor: Anchor::Start, upwards: false, paint: INK.into() });
    }

    fn is_free(&self, place: &Place) -> bool {
        let (w, h) = (self.image.width() as f32, self.image.height() as f32);
        let inside = place.x >= 0.0 && place.y >= 0.0 && place.x + place.w <= w && place.y + place.h <= h;
        inside && self.crowd(place) == 0
    }

    /// How many balls, points of a path and labels are in the way.
    fn crowd(&self, place: &Place) -> usize {
        let busy = self.busy.iter().filter(|(centre, reach)| place.holds(*centre, reach + 0.15 * self.em)).count();
        busy + 1000 * self.taken.iter().filter(|other| other.meets(place)).count()
    }

    /// The corner with least in the way; among equals the one whose picture is plainest.
    fn quiet_corner(&self, (w, h): (f32, f32)) -> Place {
        let gap = 0.8 * self.em;
        let (right, low) = (self.image.width() as f32 - w - gap, self.image.height() as f32 - h - gap);
        let corners = [(right, low), (gap, low), (right, gap), (gap, gap)].map(|(x, y)| Place { x, y, w, h });
        let rank = |p: &Place| (self.crowd(p), self.unrest(p));
        corners.into_iter().min_by(|a, b| rank(a).partial_cmp(&rank(b)).expect("finite")).expect("four corners")
    }

    /// Mean difference between neighbouring pixels.
    fn unrest(&self, place: &Place) -> f64 {
        let (x0, y0) = (place.x.max(0.0) as u32, place.y.max(0.0) as u32);
        let x1 = ((place.x + place.w) as u32).min(self.image.width().saturating_sub(1));
        let y1 = ((place.y + place.h) as u32).min(self.image.height());
        let mut sum = 0_u64;
        for y in y0..y1 {
            for x in x0..x1 {
                let (a, b) = (self.image.get_pixel(x, y).0, self.image.get_pixel(x + 1, y).0);
                sum += u64::from(a[1].abs_diff(b[1]));
            }
        }
        sum as f64 / f64::from(((x1.saturating_sub(x0)) * (y1.saturating_sub(y0))).max(1))
    }
}

/// Unit vector across the line between two points, upwards.
fn across(from: (f32, f32), to: (f32, f32)) -> (f32, f32) {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let length = dx.hypot(dy);
    if length == 0.0 {
        return (0.0, -1.0);
    }
    let (nx, ny) = (dy / length, -dx / length);
    if ny > 0.0 { (-nx, -ny) } else { (nx, ny) }
}

/// Cuts a polyline into strokes of length `on` with gaps of `off`, both in its own unit.
pub fn dashes(points: &[(f32, f32)], on: f32, off: f32) -> Vec<Vec<(f32, f32)>> {
    let mut out: Vec<Vec<(f32, f32)>> = Vec::new();
    let mut left = on;
    let mut drawing = true;
    let mut current: Vec<(f32, f32)> = points.first().copied().into_iter().collect();
    for pair in points.windows(2) {
        let (mut from, to) = (pair[0], pair[1]);
        loop {
            let length = (to.0 - from.0).hypot(to.1 - from.1);
            if length <= left {
                left -= length;
                current.push(to);
                break;
            }
            let s = left / length;
            from = (from.0 + s * (to.0 - from.0), from.1 + s * (to.1 - from.1));
            current.push(from);
            if drawing {
                out.push(std::mem::take(&mut current));
            }
            drawing = !drawing;
            current = vec![from];
            left = if drawing { on } else { off };
        }
    }
    if drawing && current.len() > 1 {
        out.push(current);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dashes_have_their_length_and_gap() {
        let pieces = dashes(&[(0.0, 0.0), (4.0, 0.0), (10.0, 0.0)], 3.0, 1.0);
        let ends: Vec<(f32, f32)> = pieces.iter().map(|p| (p[0].0, p[p.len() - 1].0)).collect();
        assert_eq!(ends, [(0.0, 3.0), (4.0, 7.0), (8.0, 10.0)]);
    }
}
