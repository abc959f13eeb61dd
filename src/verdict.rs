//! verdict
