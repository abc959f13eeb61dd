//! maths
pub mod agreement;
pub mod change_point;
pub mod control_charts;
#[cfg(test)]
pub(crate) mod handbook;
pub mod power;
pub mod run_rules;
pub mod self_starting;
pub mod tests_of_means;
