//! What looks on while spectra go by: the time structure and the noise floor. Neither changes a level.

use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

use crate::floor::Sampler;
use crate::timeline::{Held, Keeper};

/// What is to be kept of the spectra besides the detectors' levels.
#[derive(Default)]
pub(crate) struct Witness {
    pub(crate) keeper: Option<Keeper>,
    pub(crate) sampler: Option<Sampler>,
    /// Number of the pass's first spectrum on the whole record's count: a stream with gaps is measured in several passes.
    pub(crate) begins_at: AtomicU64,
}

impl Witness {
    /// Whether anything is to be kept of spectrum number `j` of the pass.
    pub(crate) fn wants(&self, j: u64) -> bool {
        let j = j + self.begins_at.load(Relaxed);
        self.keeper.is_some() || self.sampler.as_ref().is_some_and(|s| Sampler::wants(j) && s.wants_now(j))
    }

    /// Where it is asked for when a peak stood: number of the pass's first spectrum on the whole record's count.
    pub(crate) fn peaks_from(&self) -> Option<u64> {
        self.keeper.as_ref().map(|_| self.begins_at.load(Relaxed))
    }

    /// Spectrum number `j` of the pass with its magnitudes, V. Any thread may call it, each with its own `held`.
    pub(crate) fn row(&self, held: &mut Held, j: u64, magnitudes: &[f32]) {
        let j = j + self.begins_at.load(Relaxed);
        if let Some(keeper) = &self.keeper {
            keeper.row(held, j, magnitudes);
        }
        if let Some(sampler) = &self.sampler
            && Sampler::wants(j)
        {
            sampler.row(j, magnitudes);
        }
    }

    /// A thread's part of a tile is done.
    pub(crate) fn flush(&self, held: &mut Held) {
        if let Some(keeper) = &self.keeper {
            keeper.flush(held);
        }
    }
}
