use std::ops::ControlFlow;

use crate::{CaptureSpec, Kind};

/// Samples in a block.
pub const BLOCK_LENGTH: usize = 8192;
/// Volts at the receiver input of one count of the 14-bit converter of ±100 mV.
pub const VOLTS_PER_UNIT: f64 = 0.1 / 8192.0;

/// A capture being synthesised, block by block: volts at the receiver input.
#[derive(Debug, Clone)]
pub struct Synthesis {
    left: u64,
}

impl Synthesis {
    /// Begins a record of so many seconds at a rate in Hz.
    pub fn new(_kind: Kind, seconds: f64, rate_hz: f64) -> Self {
        Self { left: (seconds * rate_hz).round() as u64 }
    }
    /// The next samples, volts; nothing at the end.
    pub fn next_block(&mut self, block: &mut [f32; BLOCK_LENGTH]) -> usize {
        let n = self.left.min(BLOCK_LENGTH as u64);
        self.left -= n;
        block.fill(0.0);
        n as usize
    }
}

/// Makes the samples of a capture in counts of `volts_per_unit`, block after block. Stops early where the sink breaks.
pub fn synthesise(spec: &CaptureSpec, sink: &mut dyn FnMut(&[i16]) -> ControlFlow<()>) -> ControlFlow<()> {
    let mut s = Synthesis::new(spec.kind, spec.seconds, spec.rate_hz);
    let mut block = [0f32; BLOCK_LENGTH];
    let mut counts = [0i16; BLOCK_LENGTH];
    loop {
        let n = s.next_block(&mut block);
        if n == 0 {
            return ControlFlow::Continue(());
        }
        for (c, v) in counts[..n].iter_mut().zip(&block) {
            *c = (f64::from(*v) / spec.volts_per_unit).round().clamp(-8192.0, 8191.0) as i16;
        }
        sink(&counts[..n])?;
    }
}
