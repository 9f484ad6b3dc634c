//! A stretch of a capture as a capture of its own.

use signal::{Block, SampleSlice, SampleSource, SourceError};

use super::{Capture, CaptureError, Source, choice};

/// Cuts a capture to the frames between two times.
pub(super) fn cut(mut capture: Capture, [from_s, to_s]: [f64; 2]) -> Result<Capture, CaptureError> {
    let rate_hz = capture.rate_hz()?;
    let (first, end) = ((from_s * rate_hz).round() as u64, (to_s * rate_hz).round() as u64);
    let end = end.min(capture.info.frames.unwrap_or(u64::MAX));
    if first >= end {
        let held = capture.info.duration_s.map_or_else(String::new, |d| format!("; the record lasts {d:.6} s"));
        return Err(choice(
            &capture.path,
            "span_s",
            format!("{from_s} s to {to_s} s holds no frame"),
            &format!("a stretch of the record{held}"),
        ));
    }
    let frames = end - first;
    let info = &mut capture.info;
    info.notes.push(format!(
        "only {:.6} s to {:.6} s of the record ({frames} frames)",
        first as f64 / rate_hz,
        end as f64 / rate_hz
    ));
    info.frames = Some(frames);
    info.duration_s = Some(frames as f64 / rate_hz);
    info.start_s = Some(info.start_s.unwrap_or(0.0) + first as f64 / rate_hz);
    info.annotations.retain_mut(|a| {
        let inside = a.frame < end && a.frame + a.frames.unwrap_or(1) > first;
        a.frame = a.frame.saturating_sub(first);
        inside
    });
    capture.source =
        Box::new(Span { inner: capture.source, first, frames, skip: first, left: frames, begun: false, given: (0, 0) });
    Ok(capture)
}

struct Span {
    inner: Box<dyn Source + Send>,
    first: u64,
    frames: u64,
    /// Frames still to be read and left out.
    skip: u64,
    left: u64,
    begun: bool,
    /// What of the inner source's last block was handed out.
    given: (usize, usize),
}

impl Source for Span {
    fn last_block(&self) -> Block<'_> {
        part(&self.inner.last_block(), self.given.0, self.given.1)
    }
}

impl SampleSource for Span {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        if !self.begun {
            self.begun = true;
            if self.inner.go_to(self.first) {
                self.skip = 0;
            }
        }
        while self.left > 0 {
            let Some(block) = self.inner.next_block()? else { return Ok(None) };
            let frames = block.frames() as u64;
            let from = self.skip.min(frames);
            self.skip -= from;
            let to = from + (frames - from).min(self.left);
            if to > from {
                self.left -= to - from;
                self.given = (from as usize, to as usize);
                return Ok(Some(self.last_block()));
            }
        }
        Ok(None)
    }

    fn rewind(&mut self) -> Result<(), SourceError> {
        (self.skip, self.left, self.begun) = (self.first, self.frames, false);
        self.inner.rewind()
    }

    fn frames(&self) -> Option<u64> {
        Some(self.frames)
    }
}

/// Frames `from..to` of a block.
pub(super) fn part<'a>(block: &Block<'a>, from: usize, to: usize) -> Block<'a> {
    let n = block.channels * if block.complex { 2 } else { 1 };
    let (a, b) = (from * n, to * n);
    let samples = match block.samples {
        SampleSlice::U8(s) => SampleSlice::U8(&s[a..b]),
        SampleSlice::I8(s) => SampleSlice::I8(&s[a..b]),
        SampleSlice::I16(s) => SampleSlice::I16(&s[a..b]),
        SampleSlice::I32(s) => SampleSlice::I32(&s[a..b]),
        SampleSlice::F32(s) => SampleSlice::F32(&s[a..b]),
        SampleSlice::F64(s) => SampleSlice::F64(&s[a..b]),
    };
    Block { samples, ..*block }
}
