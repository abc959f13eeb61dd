//! Least squares, distributions, uncertainty and sampling: no word of balls or pictures.

pub mod distributions;
pub mod least_squares;
pub mod nonlinear;
