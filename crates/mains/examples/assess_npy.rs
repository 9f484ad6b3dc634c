//! Reads a two-channel little-endian f32 NPY record (voltage, current) and judges it in one pass: harmonic currents,
//! flicker, voltage change. Prints seconds and the peak memory of the process.
//!
//! `cargo run --release -p mains --example assess_npy -- RECORD.npy RATE_HZ`

use std::fs::File;
use std::io::Read;
use std::ops::ControlFlow;
use std::time::Instant;

use mains::assess::{Basis, FlickerJob, assess_flicker_with};
use mains::flicker::Lamp;
use mains::harmonics::{Analyser, Class, Product, Settings, judge};
use mains::record::{ChannelUse, Mains, RecordSetup};
use signal::{Block, SampleSlice, SampleSource, SourceError};

/// The numbers of an NPY file behind its header.
struct Npy {
    path: String,
    file: File,
    bytes: Vec<u8>,
    numbers: Vec<f32>,
}

fn fault(path: &str, e: &std::io::Error) -> SourceError {
    SourceError { place: path.to_owned(), what: e.to_string() }
}

impl Npy {
    fn open(path: &str) -> Result<Self, SourceError> {
        let mut npy = Self {
            path: path.to_owned(),
            file: File::open(path).map_err(|e| fault(path, &e))?,
            bytes: vec![0; 1 << 20],
            numbers: Vec::new(),
        };
        npy.rewind()?;
        Ok(npy)
    }
}

impl SampleSource for Npy {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        let mut have = 0;
        while have < self.bytes.len() {
            match self.file.read(&mut self.bytes[have..]).map_err(|e| fault(&self.path, &e))? {
                0 => break,
                n => have += n,
            }
        }
        self.numbers.clear();
        self.numbers
            .extend(self.bytes[..have / 8 * 8].chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])));
        let block = Block { samples: SampleSlice::F32(&self.numbers), channels: 2, complex: false };
        Ok((have >= 8).then_some(block))
    }

    fn rewind(&mut self) -> Result<(), SourceError> {
        let path = self.path.clone();
        self.file = File::open(&path).map_err(|e| fault(&path, &e))?;
        let mut head = [0; 10];
        self.file.read_exact(&mut head).map_err(|e| fault(&path, &e))?;
        let mut rest = vec![0; usize::from(u16::from_le_bytes([head[8], head[9]]))];
        self.file.read_exact(&mut rest).map_err(|e| fault(&path, &e))
    }

    fn frames(&self) -> Option<u64> {
        None
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let path = args.next().ok_or("which record?")?;
    let rate_hz: f64 = args.next().ok_or("at which rate?")?.parse()?;
    let channel = |index| Some(ChannelUse { index, units_per_count: 1.0 });
    let setup = RecordSetup {
        rate_hz,
        mains: Mains::Hz50,
        voltage: channel(0),
        current: channel(1),
        current_late_s: 0.0,
        full_scale_counts: None,
    };
    let job = FlickerJob {
        setup,
        lamp: Lamp::V230,
        nominal_v: Some(230.0),
        basis: Basis::Voltage,
        equipment: "plain".into(),
        manual_switching: false,
    };
    let start = Instant::now();
    let mut source = Npy::open(&path)?;
    let mut analyser = Analyser::new(Settings { record: setup, ignore_first_s: 0.0, wave_shape: false })?;
    let flicker = assess_flicker_with(&mut source, &job, &mut [&mut analyser], &mut |_| ControlFlow::Continue(()))?;
    let measured = analyser.finish()?;
    let judged = judge(&measured, &Product::of(Class::A))?;
    let seconds = start.elapsed().as_secs_f64();
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let memory = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).unwrap_or("unknown").trim();
    println!("{}", judged.sentence);
    for o in judged.orders.iter().filter(|o| o.order % 2 == 1 && o.order < 16) {
        println!("order {:2} {:.5} A", o.order, o.average_a);
    }
    println!("pst {:.4} plt {:.4}", flicker.flicker.pst, flicker.flicker.plt);
    println!("seconds {seconds:.3}, peak memory {memory}, signal {:.1} s", measured.record_s);
    Ok(())
}
