//! Named scenes: the demo, and one for each hard kind of recording.

use super::*;

/// A foam ball lobbed from a hidden tube before a plain wall, in good light: the base of the other presets.
pub fn clean_60fps(seed: u64) -> Scene {
    let mut scene = Scene::plain("clean_60fps", seed);
    scene.launches = vec![lob(4.2, 55.0)];
    scene
}

/// A launch from a hidden tube at (0.1, 0.8) m, 0.3 s into the recording.
pub fn lob(speed_m_per_s: f64, angle_deg: f64) -> Launch {
    Launch {
        ball: Ball::orange_foam(),
        launcher: Launcher::Tube { stroke_m: 0.2 },
        placed_s: 0.0,
        release_s: 0.3,
        release_m: [0.1, 0.8, 0.0],
        speed_m_per_s,
        angle_deg,
    }
}

/// Every preset with the seed `seed`.
pub fn all(seed: u64) -> Vec<Scene> {
    vec![clean_60fps(seed)]
}
