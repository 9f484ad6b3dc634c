//! Samples on their way, windows, transforms and statistics. Slices in, numbers out: this room opens no files and knows
//! no limits and no products.

mod block;

pub use block::{Block, SampleSlice, SampleSource, SourceError};
