use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use signal::{Block, SampleSlice, SampleSource, SourceError};

use super::number::{Kind, Number, centre_unsigned, keep_items, to_native};

/// Where the numbers lie in a file and what they are.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub(super) number: Number,
    /// Channels in the file (a complex channel is one).
    pub(super) channels: usize,
    pub(super) complex: bool,
    /// First byte of the numbers.
    pub(super) offset: u64,
    /// Frames to hand out at most; `u64::MAX` where the file does not say.
    pub(super) frames: u64,
    /// One channel after the other, each of this many frames, instead of side by side.
    pub(super) planar: Option<u64>,
    /// Channels handed out, in order.
    pub(super) keep: Vec<usize>,
}

impl Layout {
    pub(super) fn parts(&self) -> usize {
        if self.complex { 2 } else { 1 }
    }
    /// Bytes of one channel in one frame.
    pub(super) fn item_bytes(&self) -> u64 {
        (self.number.bytes() * self.parts()) as u64
    }
    pub(super) fn frame_bytes(&self) -> u64 {
        self.item_bytes() * self.channels as u64
    }
    /// Whole frames that a file of this length holds (never more than it promises).
    pub(super) fn frames_in(&self, file_bytes: u64) -> u64 {
        let data = file_bytes.saturating_sub(self.offset);
        let found = match self.planar {
            None => data / self.frame_bytes(),
            Some(stride) => {
                let last_channel = stride.saturating_mul(self.channels as u64 - 1).saturating_mul(self.item_bytes());
                data.saturating_sub(last_channel) / self.item_bytes()
            }
        };
        found.min(self.frames)
    }
    fn all_in_order(&self) -> bool {
        self.keep.iter().copied().eq(0..self.channels)
    }
}

/// Reads numbers in blocks of bounded size. The buffer is made of 64-bit words, so that it is aligned for every number
/// format and a block can be the buffer itself.
pub(super) struct BinarySource {
    file: File,
    name: String,
    layout: Layout,
    words: Vec<u64>,
    scratch: Vec<u8>,
    block_frames: u64,
    next_frame: u64,
    /// Numbers in the block read last.
    last_count: usize,
}

impl BinarySource {
    pub(super) fn new(file: File, name: String, layout: Layout, block_bytes: usize) -> Self {
        let block_frames = (block_bytes as u64 / layout.frame_bytes()).max(1);
        // 24-bit numbers take a third more room in memory than in the file.
        let widened = if layout.number.kind == Kind::I24 { 4 } else { layout.number.bytes() };
        let block_numbers = block_frames as usize * layout.channels * layout.parts();
        let words = vec![0; (block_numbers * widened).div_ceil(8)];
        Self { file, name, layout, words, scratch: Vec::new(), block_frames, next_frame: 0, last_count: 0 }
    }

    pub(super) fn set_next_frame(&mut self, frame: u64) {
        self.next_frame = frame;
    }

    /// The same with no end but that of the file as it grows, where the header leaves the end open (`open`) or the file
    /// ends with its numbers; nothing where channels lie one after the other.
    pub(super) fn growing(mut self, open: bool) -> Option<Self> {
        if open {
            self.layout.frames = u64::MAX;
        }
        self.layout.planar.is_none().then_some(self)
    }

    /// Everything that the header promises has been read.
    pub(super) fn is_through(&self) -> bool {
        self.next_frame >= self.layout.frames
    }

    /// The file holds nothing behind its numbers.
    pub(super) fn ends_with_numbers(&self) -> bool {
        let end = self.layout.frames.saturating_mul(self.layout.frame_bytes()).saturating_add(self.layout.offset);
        self.file.metadata().is_ok_and(|m| m.len() <= end)
    }

    /// Whole frames that the file holds now, where it may grow: never more than the layout allows.
    pub(super) fn frames_now(&self) -> io::Result<u64> {
        Ok(self.layout.frames_in(self.file.metadata()?.len()))
    }

    pub(super) fn next_frame(&self) -> u64 {
        self.next_frame
    }

    /// The frames read last, as a block.
    pub(super) fn last_block(&self) -> Block<'_> {
        let samples = self.samples(self.last_count);
        Block { samples, channels: self.layout.keep.len(), complex: self.layout.complex }
    }

    fn samples(&self, count: usize) -> SampleSlice<'_> {
        let w = &self.words;
        match self.layout.number.kind {
            Kind::U8 => SampleSlice::U8(&bytemuck::cast_slice(w)[..count]),
            Kind::I8 => SampleSlice::I8(&bytemuck::cast_slice(w)[..count]),
            Kind::U16 | Kind::I16 => SampleSlice::I16(&bytemuck::cast_slice(w)[..count]),
            Kind::I24 | Kind::U32 | Kind::I32 => SampleSlice::I32(&bytemuck::cast_slice(w)[..count]),
            Kind::F32 => SampleSlice::F32(&bytemuck::cast_slice(w)[..count]),
            Kind::F64 => SampleSlice::F64(&bytemuck::cast_slice(w)[..count]),
        }
    }

    /// Fills `target` from a place in the file; returns how many bytes there were.
    fn read_at(file: &mut File, at: u64, target: &mut [u8]) -> io::Result<usize> {
        file.seek(SeekFrom::Start(at))?;
        let mut done = 0;
        while done < target.len() {
            match file.read(&mut target[done..]) {
                Ok(0) => break,
                Ok(n) => done += n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
        Ok(done)
    }

    /// Frames side by side in the file: one read. Returns frames and whether all channels are still there.
    fn read_interleaved(&mut self, wanted: u64) -> io::Result<u64> {
        let frame = self.layout.frame_bytes();
        let at = self.layout.offset.saturating_add(self.next_frame.saturating_mul(frame));
        let bytes = (wanted * frame) as usize;
        if self.layout.number.kind == Kind::I24 {
            self.scratch.resize(bytes, 0);
            let frames = Self::read_at(&mut self.file, at, &mut self.scratch)? as u64 / frame;
            let numbers = (frames * frame) as usize / 3;
            let big_endian = self.layout.number.big_endian;
            let wide = bytemuck::cast_slice_mut::<u64, i32>(&mut self.words);
            for (to, from) in wide.iter_mut().zip(self.scratch.chunks_exact(3)).take(numbers) {
                *to = widen_24(from, big_endian);
            }
            return Ok(frames);
        }
        let target = &mut bytemuck::cast_slice_mut::<u64, u8>(&mut self.words)[..bytes];
        Ok(Self::read_at(&mut self.file, at, target)? as u64 / frame)
    }

    /// One channel after the other in the file: one read for each kept channel, put side by side here.
    fn read_planar(&mut self, wanted: u64, stride: u64) -> io::Result<u64> {
        let item = self.layout.item_bytes();
        let mut frames = wanted;
        let kept = self.layout.keep.len();
        for (slot, &channel) in self.layout.keep.clone().iter().enumerate() {
            self.scratch.resize((frames * item) as usize, 0);
            let first = stride.saturating_mul(channel as u64).saturating_add(self.next_frame);
            let at = self.layout.offset.saturating_add(first.saturating_mul(item));
            frames = frames.min(Self::read_at(&mut self.file, at, &mut self.scratch)? as u64 / item);
            let item = item as usize;
            let target = bytemuck::cast_slice_mut::<u64, u8>(&mut self.words);
            for f in 0..frames as usize {
                let to = (f * kept + slot) * item;
                target[to..to + item].copy_from_slice(&self.scratch[f * item..(f + 1) * item]);
            }
        }
        Ok(frames)
    }
}

/// A 24-bit two's complement number as 32 bits of the same value.
fn widen_24(b: &[u8], big_endian: bool) -> i32 {
    if big_endian {
        i32::from_be_bytes([b[0], b[1], b[2], 0]) >> 8
    } else {
        i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8
    }
}

impl SampleSource for BinarySource {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        let wanted = self.block_frames.min(self.layout.frames.saturating_sub(self.next_frame));
        if wanted == 0 {
            return Ok(None);
        }
        let read = match self.layout.planar {
            None => self.read_interleaved(wanted),
            Some(stride) => self.read_planar(wanted, stride),
        };
        let frames = read.map_err(|e| SourceError {
            place: format!("{}, frame {}", self.name, self.next_frame),
            what: e.to_string(),
        })?;
        if frames == 0 {
            return Ok(None);
        }
        self.next_frame += frames;
        let Layout { number, channels, planar, ref keep, .. } = self.layout;
        let parts = self.layout.parts();
        let read_channels = if planar.is_some() { keep.len() } else { channels };
        let mut count = frames as usize * read_channels * parts;
        if number.kind != Kind::I24 {
            let bytes = count * number.bytes();
            to_native(
                &mut bytemuck::cast_slice_mut::<u64, u8>(&mut self.words)[..bytes],
                number.bytes(),
                number.big_endian,
            );
            centre_unsigned(&mut self.words, bytes, number.kind);
        }
        if planar.is_none() && !self.layout.all_in_order() {
            let items: Vec<usize> = keep.iter().flat_map(|&c| (0..parts).map(move |p| c * parts + p)).collect();
            let per_frame = channels * parts;
            let w = &mut self.words;
            match number.kind {
                Kind::U8 | Kind::I8 => {
                    keep_items(&mut bytemuck::cast_slice_mut::<_, u8>(w)[..count], per_frame, &items);
                }
                Kind::U16 | Kind::I16 => {
                    keep_items(&mut bytemuck::cast_slice_mut::<_, u16>(w)[..count], per_frame, &items);
                }
                Kind::I24 | Kind::U32 | Kind::I32 | Kind::F32 => {
                    keep_items(&mut bytemuck::cast_slice_mut::<_, u32>(w)[..count], per_frame, &items);
                }
                Kind::F64 => keep_items(&mut w[..count], per_frame, &items),
            }
            count = frames as usize * items.len();
        }
        self.last_count = count;
        Ok(Some(self.last_block()))
    }

    fn rewind(&mut self) -> Result<(), SourceError> {
        self.next_frame = 0;
        Ok(())
    }

    fn frames(&self) -> Option<u64> {
        (self.layout.frames != u64::MAX).then_some(self.layout.frames)
    }
}
