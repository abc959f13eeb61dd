//! The physics of a thrown ball alone: paths, air, gravity by place, aiming.
//!
//! Ground floor: imports nothing of this crate but `units` and `maths`. Frame of reference everywhere in this folder:
//! x forward (the way the ball flies), y up, origin at the launch point unless said otherwise; SI units, angles in
//! degrees above the horizontal.
//!
//! [`gravity`] and [`air`] say what the place is like, [`drag`] what the air does to a sphere, [`trajectory`]
//! integrates it.

pub mod aim;
pub mod air;
pub mod chance;
pub mod compare;
pub mod drag;
pub mod forecast;
pub mod gravity;
pub mod path;
pub mod safety;
pub mod solve;
pub mod trajectory;

#[cfg(test)]
pub(crate) mod fixture;
