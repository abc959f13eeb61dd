//! The individuals chart as text, one shot a line, at most 80 columns.

use super::drift::DriftCheck;
use super::words;

/// Width of the field in which the points stand.
const FIELD: usize = 39;
const WIDTH: usize = 80;

/// The latest `count` shots of the chart, oldest first: number, speed, place between the limits, and what is said of it.
///
/// `|` are the control limits, `:` the centre, `o` a shot, `X` one that completes a pattern, `x` one left out of the tests;
/// `<` and `>` stand at the edge for shots beyond the field. A line names each new session.
pub fn text_chart(check: &DriftCheck, count: usize) -> String {
    let Some(limits) = check.limits else { return "No chart: the baseline has fewer than two shots.".to_owned() };
    let scale = Scale::of(limits.lower, limits.upper, limits.centre);
    let first = check.points.len().saturating_sub(count);
    let mut lines = vec![scale.header()];
    let mut session = None;
    for (index, point) in check.points.iter().enumerate().skip(first) {
        if session != Some(point.shot.session) {
            session = Some(point.shot.session);
            let name = check.session_of(point.shot.session).map_or("", |session| &session.name);
            lines.push(cut(&format!("-- {name}")));
        }
        lines.push(cut(&line(check, &scale, index)));
    }
    lines.join("\n")
}

fn line(check: &DriftCheck, scale: &Scale, index: usize) -> String {
    let point = &check.points[index];
    let from = check.signals.partition_point(|signal| signal.point < index);
    let signal = check.signals.get(from).filter(|signal| signal.point == index);
    let mark = if point.left_out {
        'x'
    } else if signal.is_some() {
        'X'
    } else {
        'o'
    };
    let said = if point.left_out { "left out" } else { signal.map_or("", |signal| words::signal_briefly(signal.kind)) };
    let field = scale.field(point.shot.speed_m_per_s, mark);
    format!("{:>7} {:>8.3} {field} {said}", point.shot.id, point.shot.speed_m_per_s).trim_end().to_owned()
}

/// At most [`WIDTH`] characters.
fn cut(line: &str) -> String {
    line.chars().take(WIDTH).collect()
}

/// Places of speeds in the field; the limits lie a sixth of their distance inside its edges.
struct Scale {
    lower: f64,
    upper: f64,
    centre: f64,
    left: f64,
    per_column: f64,
}

impl Scale {
    fn of(lower: f64, upper: f64, centre: f64) -> Self {
        // A baseline without any scatter still needs a width to draw in.
        let width = (upper - lower).max(1e-6 * centre.abs().max(1e-6));
        let left = lower - width / 6.0;
        Self { lower, upper, centre, left, per_column: width * (4.0 / 3.0) / (FIELD - 1) as f64 }
    }

    fn header(&self) -> String {
        format!(
            "{:>7} {:>8} lower {:.3}, centre {:.3}, upper {:.3} m/s",
            "shot", "m/s", self.lower, self.centre, self.upper
        )
    }

    fn column(&self, speed: f64) -> i64 {
        ((speed - self.left) / self.per_column).round() as i64
    }

    fn field(&self, speed: f64, mark: char) -> String {
        let mut field = [' '; FIELD];
        for (value, sign) in [(self.lower, '|'), (self.centre, ':'), (self.upper, '|')] {
            field[self.column(value).clamp(0, FIELD as i64 - 1) as usize] = sign;
        }
        match self.column(speed) {
            column if column < 0 => field[0] = '<',
            column if column >= FIELD as i64 => field[FIELD - 1] = '>',
            column => field[column as usize] = mark,
        }
        field.iter().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_field_shows_limits_centre_and_what_lies_outside() {
        let scale = Scale::of(3.9, 4.1, 4.0);
        // 39 columns over four thirds of 0.2 m/s: limits at 5 and 33, centre at 19.
        assert_eq!(scale.field(4.0, 'o'), "     |             o             |     ");
        assert_eq!(scale.field(3.0, 'X'), "<    |             :             |     ");
        assert_eq!(scale.field(5.0, 'X'), "     |             :             |    >");
    }
}
