use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Seek};

use encoding_rs::{Decoder, UTF_16BE, UTF_16LE};

/// Longest line that is still a line of a table.
const MAX_LINE: u64 = 1 << 20;

/// Bytes of a text file as UTF-8, whatever of UTF-8, Latin-1 or UTF-16 it is in.
struct Utf8 {
    file: File,
    decoder: Option<Decoder>,
    raw: Vec<u8>,
    ready: Vec<u8>,
    at: usize,
    ended: bool,
}

impl Read for Utf8 {
    fn read(&mut self, target: &mut [u8]) -> io::Result<usize> {
        let Some(decoder) = &mut self.decoder else {
            return self.file.read(target);
        };
        while self.at == self.ready.len() && !self.ended {
            self.raw.resize(1 << 15, 0);
            let n = self.file.read(&mut self.raw)?;
            self.ended = n == 0;
            self.ready.resize((1 << 17) + 64, 0);
            let (_, _, written, _) = decoder.decode_to_utf8(&self.raw[..n], &mut self.ready, self.ended);
            self.ready.truncate(written);
            self.at = 0;
        }
        let n = target.len().min(self.ready.len() - self.at);
        target[..n].copy_from_slice(&self.ready[self.at..self.at + n]);
        self.at += n;
        Ok(n)
    }
}

/// A text file line by line, each at most 1 MiB, in bounded memory.
pub(super) struct Lines {
    reader: BufReader<Utf8>,
    bytes: Vec<u8>,
    line: String,
    /// Number of the line last read, counted from 1.
    pub(super) number: u64,
    /// The line last read ended with a line feed.
    pub(super) complete: bool,
}

impl Lines {
    pub(super) fn new(mut file: File) -> io::Result<Self> {
        file.rewind()?;
        let mut mark = [0u8; 3];
        let mut n = 0;
        while n < 3 {
            match file.read(&mut mark[n..])? {
                0 => break,
                k => n += k,
            }
        }
        let (decoder, skip) = match &mark[..n] {
            [0xFF, 0xFE, ..] => (Some(UTF_16LE.new_decoder_with_bom_removal()), 0),
            [0xFE, 0xFF, ..] => (Some(UTF_16BE.new_decoder_with_bom_removal()), 0),
            [0xEF, 0xBB, 0xBF] => (None, 3),
            _ => (None, 0),
        };
        file.seek(io::SeekFrom::Start(skip))?;
        let text = Utf8 { file, decoder, raw: Vec::new(), ready: Vec::new(), at: 0, ended: false };
        Ok(Self {
            reader: BufReader::with_capacity(1 << 18, text),
            bytes: Vec::new(),
            line: String::new(),
            number: 0,
            complete: true,
        })
    }

    /// Starts again at the first line.
    pub(super) fn restart(&mut self) -> io::Result<()> {
        let file = self.reader.get_ref().file.try_clone()?;
        *self = Self::new(file)?;
        Ok(())
    }

    /// The line last read.
    pub(super) fn current(&self) -> &str {
        &self.line
    }

    /// The next line without its end, or nothing at the end of the file.
    pub(super) fn next(&mut self) -> io::Result<Option<&str>> {
        self.bytes.clear();
        let n = (&mut self.reader).take(MAX_LINE).read_until(b'\n', &mut self.bytes)?;
        if n == 0 {
            return Ok(None);
        }
        self.number += 1;
        self.complete = self.bytes.last() == Some(&b'\n');
        if !self.complete && n as u64 == MAX_LINE {
            return Err(io::Error::new(
                io::ErrorKind::InvalidData,
                format!("line {} is longer than 1 MiB; expected a table of numbers", self.number),
            ));
        }
        while matches!(self.bytes.last(), Some(b'\n' | b'\r')) {
            self.bytes.pop();
        }
        self.line.clear();
        match std::str::from_utf8(&self.bytes) {
            Ok(text) => self.line.push_str(text),
            // Not UTF-8: Latin-1, in which each byte is its own code point. Only units and names can be concerned.
            Err(_) => self.line.extend(self.bytes.iter().map(|b| char::from(*b))),
        }
        Ok(Some(&self.line))
    }
}
