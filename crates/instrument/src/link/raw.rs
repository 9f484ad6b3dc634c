use std::io::{self, Read};
use std::net::TcpStream;

use super::{Link, LinkFault, Until, read_some, write_whole};

/// A raw socket: a stream of bytes, messages end with a newline.
pub(crate) struct Raw {
    stream: TcpStream,
}

impl Raw {
    pub(crate) fn new(stream: TcpStream) -> Self {
        Self { stream }
    }
}

impl Link for Raw {
    fn send(&mut self, message: &[u8], until: Until<'_>) -> Result<(), LinkFault> {
        let mut line = message.to_vec();
        line.push(b'\n');
        write_whole(&mut self.stream, &line, until)
    }

    fn receive(&mut self, into: &mut Vec<u8>, most: usize, until: Until<'_>) -> Result<bool, LinkFault> {
        let room = most.saturating_sub(into.len());
        if room == 0 {
            return Err(LinkFault::TooLong(into.len() as u64 + 1));
        }
        let mut some = [0; 16384];
        let n = read_some(&mut self.stream, &mut some[..room.min(16384)], until)?;
        into.extend_from_slice(&some[..n]);
        Ok(false)
    }

    fn unasked(&mut self) -> Result<Vec<u8>, LinkFault> {
        self.stream.set_nonblocking(true).map_err(|e| LinkFault::Io("looking for unasked bytes", e))?;
        let mut some = [0; 256];
        let read = self.stream.read(&mut some);
        self.stream.set_nonblocking(false).map_err(|e| LinkFault::Io("looking for unasked bytes", e))?;
        match read {
            Ok(0) => Err(LinkFault::Closed),
            Ok(n) => Ok(some[..n].to_vec()),
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => Ok(Vec::new()),
            Err(e) if super::gone(e.kind()) => Err(LinkFault::Closed),
            Err(e) => Err(LinkFault::Io("reading", e)),
        }
    }

    fn clear(&mut self, _until: Until<'_>) -> Result<bool, LinkFault> {
        Ok(false)
    }

    fn marks_ends(&self) -> bool {
        false
    }
}
