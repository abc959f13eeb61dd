//! Least squares, distributions, uncertainty and sampling: no word of balls or pictures.

pub mod agreement;
pub mod change_point;
pub mod control_charts;
pub mod distributions;
pub mod gum;
#[cfg(test)]
pub(crate) mod handbook;
pub mod least_squares;
pub mod monte_carlo;
pub mod nonlinear;
pub mod power;
pub mod run_rules;
pub mod self_starting;
pub mod tests_of_means;
