//! The laws of free flight, each rearranged for one quantity.
//!
//! In the formulas `<v0>` stands for a quantity (its symbol, or its value when substituted), `^{2}` for a superscript. The
//! order is that in which a teacher would reach for them: what the launch says directly, then the time, then the rest.

use super::Quantity::{self, *};
use super::SolveError;

/// A law, solved for one quantity.
#[derive(Debug)]
pub struct Rule {
    pub gives: Quantity,
    pub from: &'static [Quantity],
    /// What is done, in words.
    pub words: &'static str,
    /// The law as it is taught.
    pub law: &'static str,
    /// Right-hand side after rearranging.
    pub solved: &'static str,
    /// `None` where the rule doesn't apply; arguments in the order of `from`.
    pub(super) compute: fn(&[f64]) -> Option<Roots>,
}

impl PartialEq for Rule {
    fn eq(&self, other: &Self) -> bool {
        // Functions have no dependable address to compare by; the formulas tell the rules apart.
        self.gives == other.gives && self.from == other.from && self.words == other.words && self.solved == other.solved
    }
}

/// What a rule makes of its inputs.
#[derive(Debug, Clone, PartialEq)]
pub enum Roots {
    One(f64),
    /// The preferred one first.
    Two(f64, f64),
    /// A root, and the one that must be discarded (an instant before the launch).
    OneOf(f64, f64),
    None(SolveError),
}

fn one(value: f64) -> Option<Roots> {
    value.is_finite().then_some(Roots::One(value))
}

fn tan(angle_deg: f64) -> f64 {
    angle_deg.to_radians().tan()
}

/// Of degrees, exactly nought at whole half turns: straight up is straight up, not 10⁻¹⁶ to the side.
pub(super) fn sin(angle_deg: f64) -> f64 {
    if angle_deg % 180.0 == 0.0 { 0.0 } else { angle_deg.to_radians().sin() }
}

/// As [`sin`], nought at odd quarter turns.
pub(super) fn cos(angle_deg: f64) -> f64 {
    if (angle_deg - 90.0) % 180.0 == 0.0 { 0.0 } else { angle_deg.to_radians().cos() }
}

/// Nought where a difference under a root is nothing but rounding of its terms, of the size `of`: two instants that differ
/// by less than a millionth are one.
fn rounded_off(square: f64, of: f64) -> f64 {
    if square.abs() <= 1e-12 * of { 0.0 } else { square }
}

const fn rule(
    gives: Quantity,
    from: &'static [Quantity],
    words: &'static str,
    law: &'static str,
    solved: &'static str,
    compute: fn(&[f64]) -> Option<Roots>,
) -> Rule {
    Rule { gives, from, words, law, solved, compute }
}

/// A quantity's placeholder in the formulas.
pub const fn placeholder(quantity: Quantity) -> &'static str {
    match quantity {
        Speed => "<v0>",
        Angle => "<a>",
        SpeedX => "<vx>",
        SpeedY => "<v0y>",
        Gravity => "<g>",
        Time => "<t>",
        Distance => "<x>",
        Rise => "<y>",
        EndSpeedY => "<vy>",
        EndSpeed => "<v>",
        EndAngle => "<b>",
        ApexHeight => "<H>",
        ApexTime => "<tH>",
        ApexDistance => "<xH>",
        LevelRange => "<R>",
        LevelTime => "<tR>",
    }
}

pub(super) static RULES: &[Rule] = &[
    // The launch.
    rule(
        SpeedX,
        &[Speed],
        "At rest at the start: no horizontal velocity.",
        "<vx> = <v0> · cos <a>",
        "0 · <v0>",
        |i| (i[0] == 0.0).then_some(Roots::One(0.0)),
    ),
    rule(
        SpeedY,
        &[Speed],
        "At rest at the start: no vertical velocity.",
        "<v0y> = <v0> · sin <a>",
        "0 · <v0>",
        |i| (i[0] == 0.0).then_some(Roots::One(0.0)),
    ),
    rule(
        SpeedY,
        &[Angle],
        "A level launch has no vertical velocity.",
        "<v0y> = <v0> · sin <a>",
        "<v0> · sin <a>",
        |i| (i[0] == 0.0).then_some(Roots::One(0.0)),
    ),
    rule(
        SpeedX,
        &[Angle],
        "A vertical launch has no horizontal velocity.",
        "<vx> = <v0> · cos <a>",
        "<v0> · cos <a>",
        |i| (i[0].abs() == 90.0).then_some(Roots::One(0.0)),
    ),
    rule(
        SpeedX,
        &[Speed, Angle],
        "Horizontal part of the launch velocity.",
        "<vx> = <v0> · cos <a>",
        "<v0> · cos <a>",
        |i| one(i[0] * cos(i[1])),
    ),
    rule(
        SpeedY,
        &[Speed, Angle],
        "Vertical part of the launch velocity.",
        "<v0y> = <v0> · sin <a>",
        "<v0> · sin <a>",
        |i| one(i[0] * sin(i[1])),
    ),
    rule(
        SpeedY,
        &[ApexHeight, Gravity],
        "At the highest point the vertical velocity is nought.",
        "0 = <v0y>^{2} − 2 · <g> · <H>",
        "√(2 · <g> · <H>)",
        |i| one((2.0 * i[0] * i[1]).sqrt()),
    ),
    // The time.
    rule(
        Time,
        &[Distance, SpeedX],
        "Horizontally the velocity stays the same.",
        "<x> = <vx> · <t>",
        "<x> / <vx>",
        |i| {
            if i[1] == 0.0 { None } else { time_to_distance(i[0], i[1]) }
        },
    ),
    rule(
        SpeedX,
        &[Distance, Time],
        "Horizontally the velocity stays the same.",
        "<x> = <vx> · <t>",
        "<x> / <t>",
        |i| one(i[0] / i[1]),
    ),
    rule(
        Time,
        &[SpeedY, EndSpeedY, Gravity],
        "The vertical velocity falls by g every second.",
        "<vy> = <v0y> − <g> · <t>",
        "(<v0y> − <vy>) / <g>",
        |i| {
            let time = (i[0] - i[1]) / i[2];
            if time < 0.0 {
                Some(Roots::None(SolveError::NoFlight("the end would lie before the launch")))
            } else {
                one(time)
            }
        },
    ),
    rule(
        Time,
        &[Rise, SpeedY, Gravity],
        "Vertically the motion is uniformly accelerated; the quadratic equation for the time has two roots.",
        "<y> = <v0y> · <t> − ½ · <g> · <t>^{2}",
        "(<v0y> ± √(<v0y>^{2} − 2 · <g> · <y>)) / <g>",
        |i| Some(time_to_rise(i[0], i[1], i[2])),
    ),
    rule(
        SpeedY,
        &[Rise, Time, Gravity],
        "Vertically the motion is uniformly accelerated.",
        "<y> = <v0y> · <t> − ½ · <g> · <t>^{2}",
        "<y> / <t> + ½ · <g> · <t>",
        |i| one(i[0] / i[1] + 0.5 * i[2] * i[1]),
    ),
    rule(
        SpeedY,
        &[EndSpeedY, Time, Gravity],
        "The vertical velocity falls by g every second.",
        "<vy> = <v0y> − <g> · <t>",
        "<vy> + <g> · <t>",
        |i| one(i[0] + i[2] * i[1]),
    ),
    rule(
        Gravity,
        &[SpeedY, Time, Rise],
        "Vertically the motion is uniformly accelerated.",
        "<y> = <v0y> · <t> − ½ · <g> · <t>^{2}",
        "2 · (<v0y> · <t> − <y>) / <t>^{2}",
        |i| {
            let g = 2.0 * (i[0] * i[1] - i[2]) / (i[1] * i[1]);
            if g > 0.0 { one(g) } else { Some(Roots::None(SolveError::NoFlight("gravity would point upwards"))) }
        },
    ),
    // Through a place.
    rule(
        Speed,
        &[Distance, Rise, Angle, Gravity],
        "On level ground the distance is the range.",
        "<x> = <v0>^{2} · sin(2 · <a>) / <g>",
        "√(<g> · <x> / sin(2 · <a>))",
        |i| {
            let double = sin(2.0 * i[2]);
            (i[1] == 0.0 && double > 1e-12).then(|| Roots::One((i[3] * i[0] / double).sqrt()))
        },
    ),
    rule(
        Speed,
        &[Distance, Rise, Angle, Gravity],
        "The path, with the time t = x / (v₀ · cos α) put in.",
        "<y> = <x> · tan <a> − <g> · <x>^{2} / (2 · <v0>^{2} · cos^{2} <a>)",
        "<x> / cos <a> · √(<g> / (2 · (<x> · tan <a> − <y>)))",
        |i| speed_through(i[0], i[1], i[2], i[3]),
    ),
    rule(
        Angle,
        &[Speed, Distance, Rise, Gravity],
        "On level ground the distance is the range; two angles that make 90° have the same sine of the double angle.",
        "<x> = <v0>^{2} · sin(2 · <a>) / <g>",
        "½ · arcsin(<g> · <x> / <v0>^{2}), or 90° less that",
        |i| if i[2] == 0.0 && i[1] > 0.0 { Some(angles_level(i[0], i[1], i[3])) } else { None },
    ),
    rule(
        Angle,
        &[Speed, Distance, Rise, Gravity],
        "The path, with 1 / cos²α = 1 + tan²α: a quadratic equation for tan α with two roots.",
        "<y> = <x> · tan <a> − <g> · <x>^{2} · (1 + tan^{2} <a>) / (2 · <v0>^{2})",
        "arctan((<v0>^{2} ± √(<v0>^{4} − <g> · (<g> · <x>^{2} + 2 · <y> · <v0>^{2}))) / (<g> · <x>))",
        |i| (i[1] > 0.0).then(|| angles_through(i[0], i[1], i[2], i[3])),
    ),
    rule(
        Distance,
        &[SpeedX, Time],
        "Horizontally the velocity stays the same.",
        "<x> = <vx> · <t>",
        "<vx> · <t>",
        |i| one(i[0] * i[1]),
    ),
    rule(
        Rise,
        &[SpeedY, Time, Gravity],
        "Vertically the motion is uniformly accelerated.",
        "<y> = <v0y> · <t> − ½ · <g> · <t>^{2}",
        "<v0y> · <t> − ½ · <g> · <t>^{2}",
        |i| one(i[0] * i[1] - 0.5 * i[2] * i[1] * i[1]),
    ),
    // Parts of the launch velocity into one another.
    rule(
        Speed,
        &[SpeedX, Angle],
        "The horizontal part of the launch velocity.",
        "<vx> = <v0> · cos <a>",
        "<vx> / cos <a>",
        |i| {
            if i[1].abs() == 90.0 { None } else { positive_speed(i[0] / cos(i[1])) }
        },
    ),
    rule(
        Speed,
        &[SpeedY, Angle],
        "The vertical part of the launch velocity.",
        "<v0y> = <v0> · sin <a>",
        "<v0y> / sin <a>",
        |i| {
            if i[1] == 0.0 { None } else { positive_speed(i[0] / sin(i[1])) }
        },
    ),
    rule(
        SpeedY,
        &[SpeedX, Angle],
        "The two parts of the launch velocity.",
        "tan <a> = <v0y> / <vx>",
        "<vx> · tan <a>",
        |i| {
            if i[1].abs() == 90.0 { None } else { one(i[0] * tan(i[1])) }
        },
    ),
    rule(
        SpeedX,
        &[SpeedY, Angle],
        "The two parts of the launch velocity.",
        "tan <a> = <v0y> / <vx>",
        "<v0y> / tan <a>",
        |i| {
            if i[1] == 0.0 { None } else { one(i[0] / tan(i[1])) }
        },
    ),
    rule(
        Speed,
        &[SpeedX, SpeedY],
        "Pythagoras for the launch velocity.",
        "<v0>^{2} = <vx>^{2} + <v0y>^{2}",
        "√(<vx>^{2} + <v0y>^{2})",
        |i| one(i[0].hypot(i[1])),
    ),
    rule(
        Angle,
        &[SpeedX, SpeedY],
        "The two parts of the launch velocity.",
        "tan <a> = <v0y> / <vx>",
        "arctan(<v0y> / <vx>)",
        |i| (i[0] != 0.0 || i[1] != 0.0).then(|| Roots::One(i[1].atan2(i[0]).to_degrees())),
    ),
    rule(
        SpeedX,
        &[Speed, SpeedY],
        "Pythagoras for the launch velocity.",
        "<v0>^{2} = <vx>^{2} + <v0y>^{2}",
        "√(<v0>^{2} − <v0y>^{2})",
        |i| Some(leg(i[0], i[1]).map_or_else(Roots::None, Roots::One)),
    ),
    rule(
        SpeedY,
        &[Speed, SpeedX],
        "Pythagoras for the launch velocity; up or down.",
        "<v0>^{2} = <vx>^{2} + <v0y>^{2}",
        "±√(<v0>^{2} − <vx>^{2})",
        |i| Some(leg(i[0], i[1]).map_or_else(Roots::None, |leg| Roots::Two(leg, -leg))),
    ),
    // The end.
    rule(
        EndSpeedY,
        &[SpeedY, Time, Gravity],
        "The vertical velocity falls by g every second.",
        "<vy> = <v0y> − <g> · <t>",
        "<v0y> − <g> · <t>",
        |i| one(i[0] - i[2] * i[1]),
    ),
    rule(
        EndSpeed,
        &[SpeedX, EndSpeedY],
        "Pythagoras for the velocity at the end.",
        "<v>^{2} = <vx>^{2} + <vy>^{2}",
        "√(<vx>^{2} + <vy>^{2})",
        |i| one(i[0].hypot(i[1])),
    ),
    rule(
        EndAngle,
        &[SpeedX, EndSpeedY],
        "The two parts of the velocity at the end.",
        "tan <b> = <vy> / <vx>",
        "arctan(<vy> / <vx>)",
        |i| (i[0] != 0.0 || i[1] != 0.0).then(|| Roots::One(i[1].atan2(i[0]).to_degrees())),
    ),
    // The highest point, for launches that rise.
    rule(
        ApexHeight,
        &[SpeedY, Gravity],
        "At the highest point the vertical velocity is nought.",
        "0 = <v0y>^{2} − 2 · <g> · <H>",
        "<v0y>^{2} / (2 · <g>)",
        |i| if i[0] > 0.0 { one(i[0] * i[0] / (2.0 * i[1])) } else { None },
    ),
    rule(
        ApexTime,
        &[SpeedY, Gravity],
        "At the highest point the vertical velocity is nought.",
        "0 = <v0y> − <g> · <tH>",
        "<v0y> / <g>",
        |i| {
            if i[0] > 0.0 { one(i[0] / i[1]) } else { None }
        },
    ),
    rule(
        ApexDistance,
        &[SpeedX, ApexTime],
        "Horizontally the velocity stays the same.",
        "<xH> = <vx> · <tH>",
        "<vx> · <tH>",
        |i| one(i[0] * i[1]),
    ),
    rule(LevelTime, &[ApexTime], "Down takes as long as up.", "<tR> = 2 · <tH>", "2 · <tH>", |i| one(2.0 * i[0])),
    rule(
        LevelRange,
        &[Speed, Angle, Gravity],
        "The range on level ground.",
        "<R> = <v0>^{2} · sin(2 · <a>) / <g>",
        "<v0>^{2} · sin(2 · <a>) / <g>",
        |i| {
            if i[1] > 0.0 { one(i[0] * i[0] * sin(2.0 * i[1]) / i[2]) } else { None }
        },
    ),
    rule(
        LevelRange,
        &[SpeedX, LevelTime],
        "Horizontally the velocity stays the same.",
        "<R> = <vx> · <tR>",
        "<vx> · <tR>",
        |i| one(i[0] * i[1]),
    ),
];

fn positive_speed(value: f64) -> Option<Roots> {
    if value >= 0.0 {
        one(value)
    } else {
        Some(Roots::None(SolveError::NoFlight("the angle points away from where the ball must go")))
    }
}

fn time_to_distance(x: f64, vx: f64) -> Option<Roots> {
    let time = x / vx;
    if time >= 0.0 { one(time) } else { Some(Roots::None(SolveError::NoFlight("the ball flies away from the place"))) }
}

fn leg(hypotenuse: f64, leg: f64) -> Result<f64, SolveError> {
    let square = rounded_off(hypotenuse * hypotenuse - leg * leg, hypotenuse * hypotenuse);
    if square >= 0.0 {
        Ok(square.sqrt())
    } else {
        Err(SolveError::NoFlight("the launch speed is smaller than one of its parts must be"))
    }
}

fn time_to_rise(rise: f64, vy: f64, g: f64) -> Roots {
    let square = rounded_off(vy * vy - 2.0 * g * rise, vy * vy);
    if square < 0.0 {
        return Roots::None(SolveError::TooHigh { rise_m: rise, apex_m: vy.max(0.0).powi(2) / (2.0 * g) });
    }
    // The product of the roots is 2·rise/g: the smaller one without cancellation.
    let root = square.sqrt();
    let large = if vy >= 0.0 { (vy + root) / g } else { (vy - root) / g };
    let small = if large == 0.0 { 0.0 } else { 2.0 * rise / (g * large) };
    let (early, late) = if small < large { (small, large) } else { (large, small) };
    if late <= 0.0 {
        return Roots::None(SolveError::NoFlight("the ball is at that height at no time after the launch"));
    }
    if early > 0.0 { Roots::Two(late, early) } else { Roots::OneOf(late, early) }
}

fn speed_through(x: f64, y: f64, angle_deg: f64, g: f64) -> Option<Roots> {
    if angle_deg.abs() == 90.0 || x <= 0.0 {
        return None;
    }
    let below_line = x * tan(angle_deg) - y;
    if below_line <= 0.0 {
        return Some(Roots::None(SolveError::AngleTooFlat { angle_deg }));
    }
    one(x / cos(angle_deg) * (g / (2.0 * below_line)).sqrt())
}

fn out_of_reach(v0: f64, x: f64, y: f64, g: f64) -> Roots {
    // The parabola that envelops all flights of this speed, and the least speed g(y + √(x² + y²)) through the place.
    let envelope_m = v0 * v0 / (2.0 * g) - g * x * x / (2.0 * v0 * v0);
    Roots::None(SolveError::OutOfReach {
        distance_m: x,
        rise_m: y,
        envelope_m,
        farthest_m: Some(v0 / g * (v0 * v0 - 2.0 * g * y).sqrt()).filter(|farthest| farthest.is_finite()),
        least_speed: (g * (y + x.hypot(y))).sqrt(),
    })
}

fn angles_level(v0: f64, x: f64, g: f64) -> Roots {
    let sine = g * x / (v0 * v0);
    if sine > 1.0 + 1e-12 {
        return out_of_reach(v0, x, 0.0, g);
    }
    let low = 0.5 * sine.min(1.0).asin().to_degrees();
    Roots::Two(low, 90.0 - low)
}

fn angles_through(v0: f64, x: f64, y: f64, g: f64) -> Roots {
    let v2 = v0 * v0;
    let square = rounded_off(v2 * v2 - g * (g * x * x + 2.0 * y * v2), v2 * v2);
    if square < 0.0 {
        return out_of_reach(v0, x, y, g);
    }
    let steep = (v2 + square.sqrt()) / (g * x);
    // The product of the two tangents is (g x² + 2 y v0²)/(g x²): the flatter one without cancellation.
    let flat = (1.0 + 2.0 * y * v2 / (g * x * x)) / steep;
    Roots::Two(flat.atan().to_degrees(), steep.atan().to_degrees())
}
