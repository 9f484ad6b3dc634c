//! A recording on its way: channels picked, scaled to volts and amperes, looked at for faults, and fed block by block to
//! any number of consumers in one pass, in bounded memory.

mod finding;
mod watch;

pub use finding::{Finding, FindingKind};
pub use watch::{Watch, Watched};

use std::ops::ControlFlow;
use std::sync::Arc;
use std::sync::mpsc::sync_channel;

use serde::{Deserialize, Serialize};
use signal::{Block, SampleSlice, SampleSource};

use crate::MainsError;

/// The two mains frequencies the standards know.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Mains {
    /// 50 Hz: windows of 10 cycles.
    #[serde(rename = "50")]
    Hz50,
    /// 60 Hz: windows of 12 cycles.
    #[serde(rename = "60")]
    Hz60,
}

impl Mains {
    /// Nominal frequency, Hz.
    pub fn nominal_hz(self) -> f64 {
        match self {
            Self::Hz50 => 50.0,
            Self::Hz60 => 60.0,
        }
    }

    /// Cycles of a window of IEC 61000-4-7 (about 200 ms).
    pub fn cycles_per_window(self) -> usize {
        match self {
            Self::Hz50 => 10,
            Self::Hz60 => 12,
        }
    }
}

/// One channel of the capture and what it means.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChannelUse {
    /// Channel in the frame, counted from 0.
    pub index: usize,
    /// Volts (or amperes) for one unit of the file; negative turns a reversed probe round.
    pub units_per_count: f64,
}

/// What a recording is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RecordSetup {
    /// Frames per second, Hz.
    pub rate_hz: f64,
    /// Nominal mains frequency.
    pub mains: Mains,
    /// Mains voltage, where recorded.
    pub voltage: Option<ChannelUse>,
    /// Mains current, where recorded.
    pub current: Option<ChannelUse>,
    /// Time by which the current channel shows an event later than the voltage channel, s; it is taken out.
    pub current_late_s: f64,
    /// Largest magnitude the file's number format can hold, as stored; `None` for floating point and text.
    pub full_scale_counts: Option<f64>,
}

/// Consecutive frames in volts and amperes. A channel that was not recorded is empty.
#[derive(Debug, Clone, Copy)]
pub struct MainsBlock<'a> {
    /// Number of the first frame, counted from 0.
    pub first_frame: u64,
    /// Mains voltage, V.
    pub voltage_v: &'a [f64],
    /// Mains current, A.
    pub current_a: &'a [f64],
}

impl MainsBlock<'_> {
    /// Frames in the block.
    pub fn frames(&self) -> usize {
        self.voltage_v.len().max(self.current_a.len())
    }
}

/// A measurement that takes a recording block by block, in order.
pub trait Consumer: Send {
    /// The next frames. An error ends the pass.
    fn take(&mut self, block: &MainsBlock<'_>) -> Result<(), MainsError>;
}

struct Owned {
    first_frame: u64,
    voltage_v: Vec<f64>,
    current_a: Vec<f64>,
}

/// Frames handed on at a time.
const FRAMES_AT_A_TIME: usize = 1 << 16;

/// Reads the source once and feeds every consumer, each on a thread of its own. `progress` is told the frames read and
/// may stop the work. Gives the number of frames.
pub fn feed(
    source: &mut dyn SampleSource,
    setup: &RecordSetup,
    consumers: &mut [&mut dyn Consumer],
    progress: &mut dyn FnMut(u64) -> ControlFlow<()>,
) -> Result<u64, MainsError> {
    check_setup(setup)?;
    std::thread::scope(|scope| {
        let mut lines = Vec::new();
        let mut hands = Vec::new();
        for consumer in consumers.iter_mut() {
            let (line, end) = sync_channel::<Arc<Owned>>(2);
            lines.push(line);
            hands.push(scope.spawn(move || -> Result<(), MainsError> {
                for owned in end {
                    consumer.take(&MainsBlock {
                        first_frame: owned.first_frame,
                        voltage_v: &owned.voltage_v,
                        current_a: &owned.current_a,
                    })?;
                }
                Ok(())
            }));
        }
        let read = (|| -> Result<u64, MainsError> {
            let mut first_frame = 0;
            let mut pending: Vec<Owned> = Vec::new();
            while let Some(block) = source.next_block()? {
                cut(&block, setup, &mut first_frame, &mut pending)?;
                for owned in pending.drain(..) {
                    let owned = Arc::new(owned);
                    // A consumer that hung up has an error to tell, found when it is joined.
                    if lines.iter().any(|l| l.send(Arc::clone(&owned)).is_err()) {
                        return Ok(first_frame);
                    }
                }
                if progress(first_frame).is_break() {
                    return Err(MainsError::Cancelled);
                }
            }
            Ok(first_frame)
        })();
        drop(lines);
        for hand in hands {
            hand.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))?;
        }
        read
    })
}

fn check_setup(setup: &RecordSetup) -> Result<(), MainsError> {
    if !(setup.rate_hz.is_finite() && setup.rate_hz > 0.0) {
        return Err(MainsError::Setting {
            field: "rate_hz",
            what: setup.rate_hz.to_string(),
            expected: "a positive number".into(),
        });
    }
    for (field, channel) in [("voltage scale", setup.voltage), ("current scale", setup.current)] {
        if let Some(c) = channel
            && !(c.units_per_count.is_finite() && c.units_per_count != 0.0)
        {
            return Err(MainsError::Setting {
                field,
                what: c.units_per_count.to_string(),
                expected: "a number other than zero".into(),
            });
        }
    }
    Ok(())
}

fn cut(block: &Block<'_>, setup: &RecordSetup, first_frame: &mut u64, out: &mut Vec<Owned>) -> Result<(), MainsError> {
    if block.complex {
        return Err(MainsError::Setting {
            field: "record",
            what: "complex samples".into(),
            expected: "real ones: mains voltage and current".into(),
        });
    }
    let frames = block.frames();
    for from in (0..frames).step_by(FRAMES_AT_A_TIME) {
        let to = frames.min(from + FRAMES_AT_A_TIME);
        let voltage_v = channel(block, setup.voltage, from, to, *first_frame, "mains voltage")?;
        let current_a = channel(block, setup.current, from, to, *first_frame, "mains current")?;
        out.push(Owned { first_frame: *first_frame, voltage_v, current_a });
        *first_frame += (to - from) as u64;
    }
    Ok(())
}

fn channel(
    block: &Block<'_>,
    wanted: Option<ChannelUse>,
    from: usize,
    to: usize,
    first_frame: u64,
    name: &'static str,
) -> Result<Vec<f64>, MainsError> {
    let Some(ChannelUse { index, units_per_count: scale }) = wanted else { return Ok(Vec::new()) };
    let step = block.channels;
    if index >= step {
        return Err(MainsError::Setting {
            field: "channel",
            what: format!("{} of {step} for the {name}", index + 1),
            expected: format!("1 to {step}"),
        });
    }
    macro_rules! take {
        ($s:expr, $to_f64:expr) => {
            $s[from * step..to * step].iter().skip(index).step_by(step).map(|x| $to_f64(*x) * scale).collect()
        };
    }
    let values: Vec<f64> = match block.samples {
        SampleSlice::U8(s) => take!(s, |x: u8| f64::from(x) - 128.0),
        SampleSlice::I8(s) => take!(s, f64::from),
        SampleSlice::I16(s) => take!(s, f64::from),
        SampleSlice::I32(s) => take!(s, f64::from),
        SampleSlice::F32(s) => take!(s, f64::from),
        SampleSlice::F64(s) => take!(s, |x: f64| x),
    };
    if let Some(bad) = values.iter().position(|x| !x.is_finite()) {
        return Err(MainsError::NotFinite { frame: first_frame + bad as u64, channel: name });
    }
    Ok(values)
}
