//! Puts a solution back into the laws of motion.

use super::Quantity::{self, *};
use super::Values;

/// How far a quantity may be off, of the size of the terms that make it: givens that say the same twice are typed with
/// rounding, wrong roots are off by far more.
const TOLERANCE: f64 = 1e-6;

/// The first quantity of those `asked` that the laws don't return, with what they make of it instead.
pub(super) fn mismatch(values: &Values, asked: impl Fn(Quantity) -> bool) -> Option<(Quantity, f64)> {
    returned(values).into_iter().find_map(|Returned { quantity, value, size }| {
        let stands = *values.get(&quantity)?;
        let size = size.max(stands.abs());
        (asked(quantity) && (stands - value).abs() > TOLERANCE * size).then_some((quantity, value))
    })
}

/// What the laws make of a quantity.
struct Returned {
    quantity: Quantity,
    value: f64,
    /// Of the terms that it is the sum of.
    size: f64,
}

/// Everything that launch velocity, gravity and the instant of the end settle, as far as they are known.
fn returned(values: &Values) -> Vec<Returned> {
    let get = |quantity: Quantity| values.get(&quantity).copied();
    let mut all = Vec::new();
    let mut add = |quantity: Quantity, of: Option<(f64, f64)>| {
        all.extend(of.map(|(value, size)| Returned { quantity, value, size }));
    };
    let (vx, vy, g, t) = (get(SpeedX), get(SpeedY), get(Gravity), get(Time));
    let launch = vx.zip(vy);
    add(Speed, launch.map(|(x, y)| same_size(x.hypot(y))));
    add(Angle, direction(launch));
    let apex_time = vy.zip(g).map(|(v, g)| v.max(0.0) / g);
    add(ApexTime, apex_time.map(same_size));
    add(LevelTime, apex_time.map(|time| same_size(2.0 * time)));
    add(ApexHeight, vy.zip(apex_time).map(|(v, time)| same_size(0.5 * v.max(0.0) * time)));
    add(ApexDistance, vx.zip(apex_time).map(|(v, time)| same_size(v * time)));
    add(LevelRange, vx.zip(apex_time).map(|(v, time)| same_size(2.0 * v * time)));
    add(Distance, vx.zip(t).map(|(v, t)| same_size(v * t)));
    let fall = vy.zip(g).zip(t);
    add(Rise, fall.map(|((v, g), t)| (v * t - 0.5 * g * t * t, (v * t).abs() + 0.5 * g * t * t)));
    let end_vy = fall.map(|((v, g), t)| v - g * t);
    add(EndSpeedY, fall.map(|((v, g), t)| (v - g * t, v.abs() + g * t)));
    let end = vx.zip(end_vy);
    add(EndSpeed, end.map(|(x, y)| same_size(x.hypot(y))));
    add(EndAngle, direction(end));
    all
}

fn same_size(value: f64) -> (f64, f64) {
    (value, value.abs())
}

/// Degrees above the horizontal; `None` for what is at rest.
fn direction(velocity: Option<(f64, f64)>) -> Option<(f64, f64)> {
    let (x, y) = velocity.filter(|(x, y)| *x != 0.0 || *y != 0.0)?;
    Some((y.atan2(x).to_degrees(), 90.0))
}
