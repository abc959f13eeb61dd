//! The balls of the sports, by the name of the sport: diameter and mass as the governing bodies' rules give them.

/// A sport's ball: limits of the rule, which worn balls may leave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SportBall {
    pub sport: &'static str,
    /// Least and greatest diameter, mm.
    pub diameter_mm: (f64, f64),
    /// Least and greatest mass, g; `None` where the rule gives none.
    pub mass_g: Option<(f64, f64)>,
}

impl SportBall {
    /// Middle of the limits and the standard uncertainty of a rectangular distribution between them (JCGM 100:2008, 4.3.7), m.
    pub fn diameter_m(&self) -> (f64, f64) {
        middle_and_u(self.diameter_mm, 1e-3)
    }

    /// Middle of the limits and standard uncertainty of the mass, kg.
    pub fn mass_kg(&self) -> Option<(f64, f64)> {
        self.mass_g.map(|limits| middle_and_u(limits, 1e-3))
    }
}

fn middle_and_u((lo, hi): (f64, f64), unit: f64) -> (f64, f64) {
    ((lo + hi) / 2.0 * unit, (hi - lo) / 12f64.sqrt() * unit)
}

const fn ball(sport: &'static str, diameter_mm: (f64, f64), mass_g: Option<(f64, f64)>) -> SportBall {
    SportBall { sport, diameter_mm, mass_g }
}

/// Sources are named ball by ball in `fixtures/known_lengths.toml`, with a flag where the rule was remembered, not read.
/// Rules that give a circumference: divided by π. Golf's rule is one-sided (42.67 mm at least, 45.93 g at most) and balls are
/// made at the limits.
pub const SPORT_BALLS: &[SportBall] = &[
    ball("table tennis", (40.0, 40.0), Some((2.7, 2.7))),
    ball("golf", (42.67, 42.67), Some((45.93, 45.93))),
    ball("tennis", (65.4, 68.6), Some((56.0, 59.4))),
    ball("padel", (63.5, 67.7), Some((56.0, 59.4))),
    ball("squash", (39.5, 40.5), Some((23.0, 25.0))),
    ball("racquetball", (57.15, 57.15), Some((39.7, 39.7))),
    ball("pickleball", (72.97, 75.51), Some((22.1, 26.5))),
    ball("floorball", (71.0, 73.0), Some((22.0, 24.0))),
    ball("baseball", (72.76564, 74.786908), Some((141.75, 148.83))),
    ball("softball", (96.010219, 98.031487), Some((177.2, 198.4))),
    ball("cricket", (71.301415, 72.892964), Some((155.9, 163.0))),
    ball("field hockey", (71.301415, 74.802823), Some((156.0, 163.0))),
    ball("lacrosse", (62.675217, 64.680569), Some((142.0, 149.0))),
    ball("football", (216.45072, 222.81692), Some((410.0, 450.0))),
    ball("futsal", (197.35213, 203.71833), Some((400.0, 440.0))),
    ball("basketball", (238.73241, 245.09861), Some((580.0, 620.0))),
    ball("volleyball", (206.90143, 213.26762), Some((260.0, 280.0))),
    ball("handball size 3", (184.61973, 190.98593), Some((425.0, 475.0))),
    ball("handball size 2", (171.88734, 178.25354), Some((325.0, 375.0))),
    ball("handball size 1", (159.154943, 165.521141), Some((290.0, 330.0))),
    ball("pool", (57.023, 57.277), Some((156.0, 170.0))),
    ball("snooker", (52.45, 52.55), None),
];

/// The ball of a sport; upper and lower case alike.
pub fn sport_ball(sport: &str) -> Option<&'static SportBall> {
    SPORT_BALLS.iter().find(|ball| ball.sport.eq_ignore_ascii_case(sport.trim()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Names in the reference list that differ from the word offered to the user.
    fn reference_name(sport: &str) -> &str {
        match sport {
            "tennis" => "tennis type 1 and 2",
            "softball" => "softball 12 inch",
            "cricket" => "cricket, men's",
            "football" => "football size 5",
            "basketball" => "basketball size 7",
            other => other,
        }
    }

    fn limits(value: &toml::Value) -> (f64, f64) {
        let number = |v: &toml::Value| v.as_float().unwrap();
        (number(&value[0]), number(&value[1]))
    }

    #[test]
    fn sizes_are_those_of_the_rules() {
        // fixtures/known_lengths.toml names the governing body's rule for each ball.
        let text = include_str!("../../fixtures/known_lengths.toml");
        let reference: toml::Table = text.parse().unwrap();
        let entries = reference["ball"].as_array().unwrap();
        for ball in SPORT_BALLS {
            let entry = entries.iter().find(|e| e["name"].as_str() == Some(reference_name(ball.sport))).unwrap();
            let table = entry.as_table().unwrap();
            let Some(range) = table.get("diameter_mm").or_else(|| table.get("diameter_mm_computed")) else {
                assert_eq!(table["diameter_mm_min"].as_float(), Some(ball.diameter_mm.0));
                continue;
            };
            let (lo, hi) = limits(range);
            // The list's circumferences are divided by π to eight digits.
            assert!((ball.diameter_mm.0 - lo).abs() < 1e-5 && (ball.diameter_mm.1 - hi).abs() < 1e-5, "{}", ball.sport);
            let mass = table.get("mass_g").map(limits);
            assert_eq!(ball.mass_g, mass, "{}", ball.sport);
        }
    }

    #[test]
    fn the_uncertainty_is_that_of_a_rectangle() {
        // Tennis in fixtures/known_lengths.toml: 67.0 mm, u = 0.92376 mm, printed to five decimals.
        let (diameter, u) = sport_ball("Tennis").unwrap().diameter_m();
        assert!((diameter - 0.067).abs() < 1e-12 && (u - 0.92376e-3).abs() < 1e-8);
    }
}
