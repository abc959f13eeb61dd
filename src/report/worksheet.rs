//! worksheet
