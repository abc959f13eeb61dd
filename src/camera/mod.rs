//! camera
