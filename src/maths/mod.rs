//! maths
