//! Writing captures: NumPy arrays and wave files, block by block, for any length.

use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::Path;

/// Bytes kept for the header of a .npy file, so that the number of frames can be filled in at the end.
const NPY_HEADER: usize = 128;

/// Writes a `.npy` file of `f32` or `i16`, one channel (one axis) or several (frames × channels, C order).
/// The header is right after every [`NpyWriter::finish`]; without it the file says 0 frames.
#[derive(Debug)]
pub struct NpyWriter {
    file: BufWriter<File>,
    descr: &'static str,
    channels: usize,
    numbers: u64,
}

impl NpyWriter {
    /// Starts a file of single-precision numbers with so many channels side by side.
    pub fn create_f32(path: &Path, channels: usize) -> io::Result<Self> {
        Self::create(path, "<f4", channels)
    }

    /// Starts a file of 16-bit integers with so many channels side by side.
    pub fn create_i16(path: &Path, channels: usize) -> io::Result<Self> {
        Self::create(path, "<i2", channels)
    }

    fn create(path: &Path, descr: &'static str, channels: usize) -> io::Result<Self> {
        if channels == 0 {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, "a capture needs at least one channel"));
        }
        let mut writer =
            Self { file: BufWriter::with_capacity(1 << 20, File::create(path)?), descr, channels, numbers: 0 };
        writer.header()?;
        Ok(writer)
    }

    fn header(&mut self) -> io::Result<()> {
        let frames = self.numbers / self.channels as u64;
        let shape = if self.channels == 1 { format!("({frames},)") } else { format!("({frames}, {})", self.channels) };
        let dict = format!("{{'descr': '{}', 'fortran_order': False, 'shape': {shape}, }}", self.descr);
        let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
        bytes.extend_from_slice(&((NPY_HEADER - 10) as u16).to_le_bytes());
        bytes.extend_from_slice(dict.as_bytes());
        bytes.resize(NPY_HEADER - 1, b' ');
        bytes.push(b'\n');
        self.file.write_all(&bytes)
    }

    fn fits(&self, descr: &str) -> io::Result<()> {
        if self.descr == descr {
            return Ok(());
        }
        Err(io::Error::new(io::ErrorKind::InvalidInput, format!("the file holds {}, not {descr}", self.descr)))
    }

    /// Appends numbers: frame after frame, in each the channels side by side.
    pub fn write_f32(&mut self, numbers: &[f32]) -> io::Result<()> {
        self.fits("<f4")?;
        for n in numbers {
            self.file.write_all(&n.to_le_bytes())?;
        }
        self.numbers += numbers.len() as u64;
        Ok(())
    }

    /// Appends numbers: frame after frame, in each the channels side by side.
    pub fn write_i16(&mut self, numbers: &[i16]) -> io::Result<()> {
        self.fits("<i2")?;
        for n in numbers {
            self.file.write_all(&n.to_le_bytes())?;
        }
        self.numbers += numbers.len() as u64;
        Ok(())
    }

    /// Fills in the number of frames and closes the file. A last frame that is not whole is an error.
    pub fn finish(mut self) -> io::Result<u64> {
        if !self.numbers.is_multiple_of(self.channels as u64) {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, "the last frame lacks channels"));
        }
        self.file.seek(SeekFrom::Start(0))?;
        self.header()?;
        self.file.flush()?;
        Ok(self.numbers / self.channels as u64)
    }
}

/// Writes a 16-bit wave file. Above 4 GiB [`WavWriter::finish`] fails: use a `.npy` there.
#[derive(Debug)]
pub struct WavWriter {
    file: BufWriter<File>,
    channels: u16,
    rate_hz: u32,
    numbers: u64,
}

impl WavWriter {
    /// Starts a file with so many channels side by side and whole hertz as rate.
    pub fn create(path: &Path, channels: u16, rate_hz: u32) -> io::Result<Self> {
        if channels == 0 || rate_hz == 0 {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, "a wave file needs a channel and a rate"));
        }
        let mut writer =
            Self { file: BufWriter::with_capacity(1 << 20, File::create(path)?), channels, rate_hz, numbers: 0 };
        writer.header(0)?;
        Ok(writer)
    }

    fn header(&mut self, data_bytes: u32) -> io::Result<()> {
        let align = self.channels.saturating_mul(2);
        let mut b = Vec::with_capacity(44);
        b.extend_from_slice(b"RIFF");
        b.extend_from_slice(&(data_bytes + 36).to_le_bytes());
        b.extend_from_slice(b"WAVEfmt ");
        b.extend_from_slice(&16u32.to_le_bytes());
        b.extend_from_slice(&1u16.to_le_bytes());
        b.extend_from_slice(&self.channels.to_le_bytes());
        b.extend_from_slice(&self.rate_hz.to_le_bytes());
        b.extend_from_slice(&self.rate_hz.saturating_mul(u32::from(align)).to_le_bytes());
        b.extend_from_slice(&align.to_le_bytes());
        b.extend_from_slice(&16u16.to_le_bytes());
        b.extend_from_slice(b"data");
        b.extend_from_slice(&data_bytes.to_le_bytes());
        self.file.write_all(&b)
    }

    /// Appends numbers: frame after frame, in each the channels side by side.
    pub fn write_i16(&mut self, numbers: &[i16]) -> io::Result<()> {
        for n in numbers {
            self.file.write_all(&n.to_le_bytes())?;
        }
        self.numbers += numbers.len() as u64;
        Ok(())
    }

    /// Fills in the length and closes the file; returns the frames.
    pub fn finish(mut self) -> io::Result<u64> {
        let bytes = u32::try_from(self.numbers * 2).ok().filter(|b| *b < u32::MAX - 36).ok_or_else(|| {
            io::Error::new(io::ErrorKind::InvalidInput, "more than 4 GiB do not fit a wave file: write .npy")
        })?;
        self.file.seek(SeekFrom::Start(0))?;
        self.header(bytes)?;
        self.file.flush()?;
        Ok(self.numbers / u64::from(self.channels))
    }
}
