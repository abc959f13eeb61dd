//! flight
