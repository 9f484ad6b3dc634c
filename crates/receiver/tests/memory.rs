//! Memory does not grow with the record. This test has a process of its own, because it looks at the most memory the process
//! ever had.

use std::fs;
use std::ops::ControlFlow;

use receiver::{Settings, Start, TimelineSize, receive};
use signal::{Block, SampleSlice, SampleSource, SourceError};
use standards::Band;

/// The same block again and again, so that the record itself takes no room.
struct Repeated {
    block: Vec<i16>,
    blocks: usize,
    at: usize,
}

impl SampleSource for Repeated {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        self.at += 1;
        Ok((self.at <= self.blocks).then_some(Block {
            samples: SampleSlice::I16(&self.block),
            channels: 1,
            complex: false,
        }))
    }

    fn rewind(&mut self) -> Result<(), SourceError> {
        self.at = 0;
        Ok(())
    }

    fn frames(&self) -> Option<u64> {
        Some((self.block.len() * self.blocks) as u64)
    }
}

fn peak_bytes() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? * 1024)
}

#[test]
fn a_record_four_times_as_long_takes_no_more_memory() {
    let block: Vec<i16> =
        (0..1_i64 << 20).map(|i| (i.wrapping_mul(i).wrapping_mul(2_654_435_761) >> 20) as i16 / 64).collect();
    let mut settings = Settings::new(Band::B, 62.5e6);
    // What is kept besides the levels counts too: time structure and noise floor.
    (settings.start, settings.timeline) = (Some(Start::Rest), Some(TimelineSize::default()));
    let run = |blocks| {
        let mut source = Repeated { block: block.clone(), blocks, at: 0 };
        let levels = receive(&mut source, &settings, &mut |_| ControlFlow::Continue(())).unwrap();
        assert!(levels.timeline.unwrap().times() <= 1000);
        peak_bytes()
    };
    let (Some(short), Some(long)) = (run(8), run(32)) else {
        println!("this system does not say how much memory was used: only the measuring was checked");
        return;
    };
    let mib = |bytes: u64| bytes as f64 / f64::from(1 << 20);
    println!("16 MiB of record: {:.0} MiB resident at most, 64 MiB of record: {:.0} MiB", mib(short), mib(long));
    assert!(long < 500 << 20 && long - short < 24 << 20, "{:.0} MiB, then {:.0} MiB", mib(short), mib(long));
}
