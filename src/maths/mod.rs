//! Least squares, distributions, uncertainty and sampling: no word of balls or pictures.

pub mod distributions;
pub mod gum;
pub mod least_squares;
pub mod monte_carlo;
pub mod nonlinear;
