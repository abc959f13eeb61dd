//! What the hits and misses of the shot book teach of the next shot.

use crate::book::Usual;
use crate::flight::aim::{AimQuestion, chance_at};
use crate::flight::chance::{Taught, Tried};

/// The chance at each target is that of the launcher's usual shot, from the height of the launch and with the scatter of the
/// question. Nothing is taught where no scatter is known.
pub fn taught_by_book(usual: &Usual, question: &AimQuestion) -> Taught {
    let mut usually = question.clone();
    usually.launch.speed_m_per_s = usual.speed_m_per_s;
    if let Some(angle) = usual.angle_deg {
        usually.launch.angle_deg = angle;
    }
    let mut taught = Taught::default();
    for at in &usual.tried {
        let bracket = at.target.and_then(|target| chance_at(&usually, &target).ok().flatten());
        match bracket {
            Some(bracket) => taught.tried.push(Tried { bracket, hits: at.hits, misses: at.misses }),
            None => taught.unplaced += at.hits + at.misses,
        }
    }
    taught
}
