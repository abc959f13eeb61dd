//! What recorded hits and misses teach of the next shot.

use crate::book::Usual;
use crate::flight::aim::{AimQuestion, chance_at};
use crate::flight::chance::Tried;

/// Hits and misses, each with the chance that was there for them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Taught {
    pub tried: Vec<Tried>,
    /// Hits and misses that don't count: at which target isn't stated, or it is one that this ball doesn't fit or reach.
    pub unplaced: u32,
}

impl Taught {
    /// Of the shots in the book: the chance at each target is that of the launcher's usual shot, from the height of the launch and
    /// with the scatter of the question. Nothing is taught where no scatter is known.
    pub fn by_book(usual: &Usual, question: &AimQuestion) -> Self {
        let mut usually = question.clone();
        usually.launch.speed_m_per_s = usual.speed_m_per_s;
        if let Some(angle) = usual.angle_deg {
            usually.launch.angle_deg = angle;
        }
        let mut taught = Self::default();
        for at in &usual.tried {
            let bracket = at.target.and_then(|target| chance_at(&usually, &target).ok().flatten());
            match bracket {
                Some(bracket) => taught.tried.push(Tried { bracket, hits: at.hits, misses: at.misses }),
                None => taught.unplaced += at.hits + at.misses,
            }
        }
        taught
    }
}
