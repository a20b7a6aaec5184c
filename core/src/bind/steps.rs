//! How far a trial bind is, for whoever watches it, and whether it is to go on.

use std::sync::atomic::{AtomicU64, Ordering};

use super::Refusal;
use crate::check::Observer;

/// What a trial bind is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked {
    /// Influences kept per vertex, at most [`super::MOST_KEPT`].
    pub influences: usize,
    /// Larger skins are bound by a smaller mesh, points after welding.
    pub most_points: usize,
}

impl Default for Asked {
    fn default() -> Self {
        Self { influences: super::KEPT, most_points: super::MOST_POINTS }
    }
}

/// The steps of one trial bind; points that were looked at and points that were solved for.
pub(super) struct Steps<'o> {
    observer: &'o dyn Observer,
    done: AtomicU64,
    of: u64,
}

impl<'o> Steps<'o> {
    /// So many steps; with none, nobody is told.
    pub(super) fn new(observer: &'o dyn Observer, of: usize) -> Self {
        Self { observer, done: AtomicU64::new(0), of: of as u64 }
    }

    /// Some more are done. An error if nobody waits any longer.
    pub(super) fn more(&self, steps: usize) -> Result<(), Refusal> {
        if self.of > 0 && steps > 0 {
            let before = self.done.fetch_add(steps as u64, Ordering::Relaxed);
            self.observer.binding((before + steps as u64).min(self.of), self.of);
        }
        if self.observer.cancelled() { Err(Refusal::Cancelled) } else { Ok(()) }
    }
}

/// What every solve of one bind has in common.
pub(super) struct Terms<'o> {
    /// S, metres.
    pub(super) s: f64,
    /// Influences kept.
    pub(super) influences: usize,
    /// Who is told.
    pub(super) steps: Steps<'o>,
}
