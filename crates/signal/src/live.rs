use std::time::Duration;

use crate::{Block, SourceError};

/// What came of waiting for more of a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arrival {
    /// Frames, to be had from [`LiveSource::block`] until the next wait.
    Block,
    /// So many frames were lost here: what comes next does not join on to what came before.
    Gap(u64),
    /// Nothing within the time; there may be more later.
    Nothing,
    /// The stream is over.
    End,
}

/// A capture that is still coming in: a growing file, a stream.
pub trait LiveSource {
    /// Waits for more, at most this long.
    fn wait(&mut self, at_most: Duration) -> Result<Arrival, SourceError>;
    /// What the last wait brought; empty after anything but [`Arrival::Block`].
    fn block(&self) -> Block<'_>;
    /// Frames that have come in and wait to be taken, where known: how far the one who takes them lags behind.
    fn waiting_frames(&self) -> Option<u64>;
}
