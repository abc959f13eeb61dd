//! What is drawn on one frame.

use crate::clip::Picture;
use crate::measurement::{FlightMeasurement, Measurement, SightingRow};
use crate::report::ink::text::{rich, width_em, wrap};
use crate::report::ink::{Anchor, Colour, Drawing, Paint, Stroke, TextLine};
use crate::report::numbers::DecimalMark;
use crate::report::said::in_few_marked_words;
use crate::report::strobe;
use crate::units::PixelPoint;

use super::blend;

const WHITE: Colour = Colour(255, 255, 255);
const INK: Colour = Colour(0x1a, 0x1a, 0x1a);
const GREEN: Colour = Colour(0x00, 0x9e, 0x73);
const VERMILLION: Colour = Colour(0xd5, 0x5e, 0x00);
const PLATE: Paint = Paint { colour: WHITE, opacity: 0.85 };

/// Draws the flight that is on at frame `index`, or the one last seen.
pub fn draw(measurement: &Measurement, index: usize, mark: DecimalMark, picture: &mut Picture) {
    let on = |f: &&FlightMeasurement| f.sightings.first().is_some_and(|s| s.frame <= index);
    let Some(flight) = measurement.flights.iter().filter(on).max_by_key(|f| f.sightings[0].frame) else { return };
    let (width, height) = (picture.width() as u32, picture.height() as u32);
    let mut drawing = Drawing::new(width as f32, height as f32, None);
    let em = strobe::em_px(width, height);
    path(flight, em, &mut drawing);
    let seen: Vec<&SightingRow> = flight.sightings.iter().filter(|s| s.used && s.frame <= index).collect();
    sightings(&seen, index, em, &mut drawing);
    if let Some(row) = seen.last().filter(|row| row.frame == index) {
        velocity(flight, row, em, &mut drawing);
    }
    words(measurement, flight, index, mark, &mut drawing);
    blend::onto(&drawing, picture);
}

fn at(point: PixelPoint) -> (f32, f32) {
    strobe::drawn_at(point, 1.0)
}

fn path(flight: &FlightMeasurement, em: f32, drawing: &mut Drawing) {
    let stroke = |colour: Colour, opacity, width| Stroke { paint: Paint { colour, opacity }, width: width * em };
    if let Some(forecast) = &flight.forecast {
        let points: Vec<_> = forecast.path_px.iter().map(|p| at(*p)).collect();
        for dash in strobe::dashes(&points, 0.7 * em, 0.45 * em) {
            drawing.line(&dash, stroke(WHITE, 0.8, 0.22));
            drawing.line(&dash, stroke(VERMILLION, 1.0, 0.14));
        }
    }
    let points: Vec<_> = flight.path_px.iter().map(|p| at(*p)).collect();
    drawing.line(&points, stroke(Colour(0, 0, 0), 0.8, 0.21));
    drawing.line(&points, stroke(WHITE, 1.0, 0.11));
}

/// A dot for every ball so far, and a ring about the present one that leaves it to be seen.
fn sightings(seen: &[&SightingRow], index: usize, em: f32, drawing: &mut Drawing) {
    for row in seen {
        if row.frame == index {
            let (dx, dy) = row.streak_px.unwrap_or((0.0, 0.0));
            let radius = (row.radius_px + dx.hypot(dy) / 2.0) as f32 + 0.25 * em;
            drawing.ring(at(row.centre_px), radius, Stroke { paint: WHITE.into(), width: 0.22 * em });
            drawing.ring(at(row.centre_px), radius, Stroke { paint: GREEN.into(), width: 0.12 * em });
        } else {
            drawing.disc(at(row.centre_px), 0.26 * em, WHITE);
            drawing.disc(at(row.centre_px), 0.19 * em, GREEN);
        }
    }
}

/// Speed of the fitted path at a time, m/s; `None` where the measurement holds no motion.
fn speed_at(flight: &FlightMeasurement, time_s: f64) -> Option<f64> {
    let samples = &flight.motion.as_ref()?.fitted;
    let off = |time: f64| (time - time_s).abs();
    let nearest = samples.iter().min_by(|a, b| off(a.time_s).total_cmp(&off(b.time_s)))?;
    Some(nearest.vx_m_per_s.value.hypot(nearest.vy_m_per_s.value))
}

/// An arrow from the present ball along the path, as long as the speed there: at launch it has the length of [`ARROW_EM`].
fn velocity(flight: &FlightMeasurement, row: &SightingRow, em: f32, drawing: &mut Drawing) {
    const ARROW_EM: f64 = 6.0;
    let launch = flight.launch_speed_m_per_s.value;
    let Some(speed) = speed_at(flight, row.moment_s()).filter(|_| launch > 0.0) else { return };
    let Some((dx, dy)) = heading(flight, row.centre_px) else { return };
    let length = (ARROW_EM * speed / launch) as f32 * em;
    let (x, y) = at(row.centre_px);
    let tip = (x + length * dx, y + length * dy);
    let barb = |side: f32| {
        let back = (tip.0 - 0.9 * em * dx, tip.1 - 0.9 * em * dy);
        [tip, (back.0 - side * 0.45 * em * dy, back.1 + side * 0.45 * em * dx)]
    };
    for (colour, width) in [(WHITE, 0.34), (INK, 0.18)] {
        let stroke = Stroke { paint: colour.into(), width: width * em };
        drawing.line(&[(x, y), tip], stroke);
        drawing.line(&barb(1.0), stroke);
        drawing.line(&barb(-1.0), stroke);
    }
}

/// Unit vector along the fitted path in the picture, where it passes the ball.
fn heading(flight: &FlightMeasurement, ball: PixelPoint) -> Option<(f32, f32)> {
    let path = &flight.path_px;
    let nearest = (0..path.len()).min_by(|a, b| path[*a].distance(ball).total_cmp(&path[*b].distance(ball)))?;
    let (before, after) = (path[nearest.saturating_sub(1)], path[(nearest + 1).min(path.len() - 1)]);
    let length = before.distance(after);
    (length > 0.0).then(|| (((after.x - before.x) / length) as f32, ((after.y - before.y) / length) as f32))
}

/// The running time while the ball flies; from the landing on the results, and what must be known of them.
fn words(
    measurement: &Measurement,
    flight: &FlightMeasurement,
    index: usize,
    mark: DecimalMark,
    drawing: &mut Drawing,
) {
    /// Lines of what must be known are at most so long.
    const NOTICE_EM: f32 = 17.0;
    let em = strobe::em_px(drawing.width as u32, drawing.height as u32);
    let last = flight.sightings.last().map_or(0, |s| s.frame);
    let time = time_at(flight, index.min(last));
    let mut lines = vec![rich(&format!("*t* = {} s", mark.fixed(time, 3)))];
    if index < last {
        let speed = speed_at(flight, time + flight.launch_time_s.value);
        lines.extend(speed.map(|speed| rich(&format!("*v* = {} m/s", mark.fixed(speed, 2)))));
    }
    if index >= last {
        lines.push(rich(&format!("launch speed {}", mark.with_unit(&flight.launch_speed_m_per_s, "m/s"))));
        lines.push(rich(&format!("launch angle {}", mark.degrees(&flight.launch_angle_deg))));
        lines.push(rich(&format!("*g* = {}", mark.with_unit(&flight.gravity_m_per_s2, "m/s²"))));
        let notice = in_few_marked_words(measurement, Some(flight.number), mark);
        if !notice.is_empty() {
            lines.extend(wrap(&notice, NOTICE_EM));
        }
    }
    let size = 1.1 * em;
    let wide = lines.iter().map(|line| width_em(line)).fold(0.0, f32::max) * size;
    let plate = (wide + 1.2 * em, lines.len() as f32 * 1.4 * size + 0.6 * em);
    let corner = plate_corner(flight, plate, em, drawing);
    drawing.rectangle(corner, plate, PLATE);
    for (i, pieces) in lines.into_iter().enumerate() {
        let at = (corner.0 + 0.6 * em, corner.1 + 0.3 * em + (i as f32 * 1.4 + 1.05) * size);
        drawing.text(TextLine { pieces, at, size, anchor: Anchor::Start, upwards: false, paint: INK.into() });
    }
}

/// The upper corner that the path leaves free; always the same one for a flight, so that nothing jumps.
fn plate_corner(flight: &FlightMeasurement, size: (f32, f32), em: f32, drawing: &Drawing) -> (f32, f32) {
    let (left, right) = (em, drawing.width - size.0 - em);
    let points = flight.path_px.iter().map(|p| at(*p)).filter(|p| p.1 < drawing.height / 3.0);
    let (on_left, on_right) = points.fold((0, 0), |(l, r), p| {
        (l + usize::from(p.0 < drawing.width / 3.0), r + usize::from(p.0 > drawing.width * 2.0 / 3.0))
    });
    (if on_right < on_left { right } else { left }, em)
}

/// Time since the launch at a frame, between those of the neighbouring sightings.
fn time_at(flight: &FlightMeasurement, index: usize) -> f64 {
    let rows = &flight.sightings;
    let after = rows.partition_point(|s| s.frame < index);
    let time = match (rows.get(after.wrapping_sub(1)), rows.get(after)) {
        (_, Some(row)) if row.frame == index => row.time_s,
        (Some(a), Some(b)) => a.time_s + (b.time_s - a.time_s) * (index - a.frame) as f64 / (b.frame - a.frame) as f64,
        (Some(row), None) | (None, Some(row)) => row.time_s,
        (None, None) => flight.launch_time_s.value,
    };
    time - flight.launch_time_s.value
}
