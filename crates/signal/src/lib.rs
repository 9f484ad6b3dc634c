//! Samples on their way, windows, transforms and statistics. Slices in, numbers out: this room opens no files and knows
//! no limits and no products.

mod block;
mod live;
pub mod random;
mod weighted;
mod window;

pub use block::{Block, SampleSlice, SampleSource, SourceError};
pub use live::{Arrival, LiveSource};
pub use weighted::{Mixing, MixingError, Weighted};
pub use window::{KaiserLowPass, bessel_i0, gaussian, next_fast_length};
