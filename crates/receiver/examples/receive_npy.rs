//! Measures a one-dimensional little-endian `.npy` record of f32 or i16 and prints the trace as CSV: the receiver without
//! anything round it, for timing.
//!
//! `receive_npy RECORD.npy BAND RATE_HZ [FROM_HZ TO_HZ STEP_HZ] [rest|settled] [THREADS] [INSTRUCTIONS] [timeline|bare]` (`-` for
//! a default; `bare` leaves out the noise floor, `timeline` adds the time structure)

use std::fmt::Write as _;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::ops::ControlFlow;

use receiver::{Settings, Start};
use signal::{Block, SampleSlice, SampleSource, SourceError};

const BLOCK: usize = 1 << 16;

struct Npy {
    file: File,
    path: String,
    data_at: u64,
    floats: bool,
    /// Room for a block, aligned for every kind of number.
    words: Vec<u64>,
    frames: u64,
}

impl Npy {
    fn open(path: &str) -> Result<Self, Box<dyn std::error::Error>> {
        let mut file = File::open(path)?;
        let mut head = [0; 10];
        file.read_exact(&mut head)?;
        if &head[..6] != b"\x93NUMPY" || head[6] != 1 {
            return Err(format!("{path}: expected a version 1 .npy file").into());
        }
        let len = u64::from(u16::from_le_bytes([head[8], head[9]]));
        let mut text = vec![0; len as usize];
        file.read_exact(&mut text)?;
        let text = String::from_utf8_lossy(&text).into_owned();
        let floats = text.contains("<f4");
        if !(floats || text.contains("<i2")) {
            return Err(format!("{path}: expected <f4 or <i2 numbers, found {text}").into());
        }
        let data_at = 10 + len;
        let frames = (file.metadata()?.len() - data_at) / if floats { 4 } else { 2 };
        Ok(Self { file, path: path.to_owned(), data_at, floats, words: vec![0; BLOCK / 2], frames })
    }
}

impl SampleSource for Npy {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        let width = if self.floats { 4 } else { 2 };
        let bytes = &mut bytemuck::cast_slice_mut::<u64, u8>(&mut self.words)[..BLOCK * width];
        let mut have = 0;
        while have < bytes.len() {
            match self.file.read(&mut bytes[have..]) {
                Ok(0) => break,
                Ok(n) => have += n,
                Err(e) => return Err(SourceError { place: self.path.clone(), what: e.to_string() }),
            }
        }
        let whole = &bytes[..have / width * width];
        if whole.is_empty() {
            return Ok(None);
        }
        let samples = if self.floats {
            SampleSlice::F32(bytemuck::cast_slice(whole))
        } else {
            SampleSlice::I16(bytemuck::cast_slice(whole))
        };
        Ok(Some(Block { samples, channels: 1, complex: false }))
    }

    fn rewind(&mut self) -> Result<(), SourceError> {
        self.file
            .seek(SeekFrom::Start(self.data_at))
            .map(|_| ())
            .map_err(|e| SourceError { place: self.path.clone(), what: e.to_string() })
    }

    fn frames(&self) -> Option<u64> {
        Some(self.frames)
    }
}

/// Appends a number with so many decimals, as `{:.n$}` writes it.
fn decimals(out: &mut String, x: f64, n: usize) {
    let scale = 10_u64.pow(n as u32);
    let scaled = x.abs() * scale as f64;
    // Beyond these bounds, and where a rounding of the product could turn the last digit, the long way.
    if scaled.is_nan() || scaled >= 1e12 || (scaled.fract() - 0.5).abs() < 1e-3 || (x != 0.0 && scaled < 1.0) {
        let _ = write!(out, "{x:.n$}");
        return;
    }
    let digits = scaled.round() as u64;
    if x.is_sign_negative() {
        out.push('-');
    }
    let mut text = [b'0'; 24];
    let mut at = text.len();
    let mut rest = digits;
    let mut place = 0;
    while place <= n || rest > 0 {
        if place == n && n > 0 {
            at -= 1;
            text[at] = b'.';
        }
        at -= 1;
        text[at] = b'0' + (rest % 10) as u8;
        rest /= 10;
        place += 1;
    }
    out.push_str(std::str::from_utf8(&text[at..]).unwrap_or_default());
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let text = |i: usize| args.get(i).map(String::as_str).filter(|s| *s != "-");
    let number = |i: usize| text(i).map(str::parse::<f64>).transpose();
    let path = text(1).ok_or("expected RECORD.npy BAND RATE_HZ")?;
    let mut settings = Settings::new(text(2).ok_or("expected BAND")?.parse()?, number(3)?.ok_or("expected RATE_HZ")?);
    (settings.from_hz, settings.to_hz, settings.step_hz) = (number(4)?, number(5)?, number(6)?);
    settings.start = match text(7) {
        None => None,
        Some("settled") => Some(Start::Settled),
        Some(_) => Some(Start::Rest),
    };
    settings.threads = text(8).map(str::parse).transpose()?;
    settings.noise_floor = text(10) != Some("bare");
    settings.timeline = (text(10) == Some("timeline")).then(receiver::TimelineSize::default);
    let began = std::time::Instant::now();
    let instructions = text(9).unwrap_or(receiver::instruction_set());
    let mut go_on = |_: &receiver::Progress| ControlFlow::Continue(());
    let levels = receiver::receive_on(instructions, &mut Npy::open(path)?, &settings, &mut go_on)?;
    let took = began.elapsed().as_secs_f64();
    eprintln!(
        "{instructions}: {} frequencies, {:.3} s of signal in {took:.3} s ({:.3} x real time)",
        levels.frequency_hz.len(),
        levels.duration_s,
        levels.duration_s / took
    );
    for note in &levels.notes {
        eprintln!("note: {note}");
    }
    let mut out = String::from("frequency_hz,peak_dbuv,quasi_peak_dbuv,cispr_average_dbuv,rms_average_dbuv\n");
    for (k, f) in levels.frequency_hz.iter().enumerate() {
        decimals(&mut out, *f, 3);
        for d in standards::Detector::ALL {
            out.push(',');
            if let Some(r) = levels.reading(d) {
                decimals(&mut out, r.level_dbuv[k], 4);
            }
        }
        out.push('\n');
    }
    std::io::stdout().lock().write_all(out.as_bytes())?;
    Ok(())
}
