use std::net::TcpStream;
use std::time::{Duration, Instant};

use super::wire::{
    ASYNC_DEVICE_CLEAR, ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE, ASYNC_INTERRUPTED,
    ASYNC_MAXIMUM_MESSAGE_SIZE, ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, ASYNC_SERVICE_REQUEST, DATA, DATA_END,
    DEVICE_CLEAR_ACKNOWLEDGE, DEVICE_CLEAR_COMPLETE, ERROR, FATAL_ERROR, FIRST_MESSAGE, HEAD_BYTES, Head, INITIALIZE,
    INITIALIZE_RESPONSE, INTERRUPTED, NO_MESSAGE, message,
};
use super::{Link, LinkFault, Until, dial, read_some, write_whole};
use crate::scpi::shown;

/// Protocol version 1.0 and no vendor, as the parameter of `Initialize`.
const VERSION_1_0: u32 = 0x0100 << 16;

/// The longest message this side takes at once; longer ones come in parts.
const OUR_MOST: u64 = 1 << 20;

/// Payloads that are words about an error: never longer than this.
const MOST_WORDS: u64 = 4096;

/// HiSLIP in synchronised mode: two connections to one port, messages with headers.
pub(crate) struct Hislip {
    sync: TcpStream,
    side: TcpStream,
    next: u32,
    /// The last message that was sent whole: answers carry its number.
    asked: u32,
    /// Whether an answer has been delivered since the last message (RMT-delivered).
    delivered: u8,
    their_most: usize,
    /// What is left to read of the data message under way, and whether it is the last of its answer.
    open: Option<(u64, bool)>,
}

fn take(stream: &mut TcpStream, bytes: usize, until: Until<'_>) -> Result<Vec<u8>, LinkFault> {
    let mut out = vec![0; bytes];
    let mut have = 0;
    while have < bytes {
        have += read_some(stream, &mut out[have..], until)?;
    }
    Ok(out)
}

/// The next header; errors of the other side become faults with its words.
fn head(stream: &mut TcpStream, until: Until<'_>) -> Result<Head, LinkFault> {
    let bytes = take(stream, HEAD_BYTES, until)?;
    let mut fixed = [0; HEAD_BYTES];
    fixed.copy_from_slice(&bytes);
    let head = Head::read(fixed).ok_or_else(|| LinkFault::Rule {
        what: format!("`{}` came where a message begins", shown(&bytes, 60)),
        expected: "a header that begins with HS".to_owned(),
    })?;
    if matches!(head.kind, FATAL_ERROR | ERROR) {
        let words = take(stream, head.payload.min(MOST_WORDS) as usize, until)?;
        let which = if head.kind == FATAL_ERROR { "FatalError" } else { "Error" };
        return Err(LinkFault::Rule {
            what: format!("{which} {} (`{}`)", head.control, shown(&words, 120)),
            expected: "a message that is accepted".to_owned(),
        });
    }
    Ok(head)
}

fn expect(stream: &mut TcpStream, kind: u8, name: &str, until: Until<'_>) -> Result<(Head, Vec<u8>), LinkFault> {
    loop {
        let h = head(stream, until)?;
        if h.payload > MOST_WORDS {
            return Err(LinkFault::Rule {
                what: format!("message type {} with {} bytes", h.kind, h.payload),
                expected: format!("{name} of at most {MOST_WORDS} bytes"),
            });
        }
        let payload = take(stream, h.payload as usize, until)?;
        match h.kind {
            k if k == kind => return Ok((h, payload)),
            // May come at any time and asks for nothing.
            ASYNC_SERVICE_REQUEST | ASYNC_INTERRUPTED => {}
            other => {
                return Err(LinkFault::Rule {
                    what: format!("message type {other}"),
                    expected: format!("{name} (type {kind})"),
                });
            }
        }
    }
}

impl Hislip {
    /// Opens both channels. Overlap mode is refused: every answer is waited for before the next command, which is what
    /// synchronised mode is.
    pub(crate) fn connect(
        host: &str,
        port: u16,
        name: &str,
        wait: Duration,
        until: Until<'_>,
    ) -> Result<Self, LinkFault> {
        let end = Instant::now() + wait;
        let mut sync = dial(host, port, wait).map_err(|e| LinkFault::Io("connecting", e))?;
        write_whole(&mut sync, &message(INITIALIZE, 0, VERSION_1_0, name.as_bytes()), until)?;
        let (h, _) = expect(&mut sync, INITIALIZE_RESPONSE, "InitializeResponse", until)?;
        if h.control & 1 == 1 {
            return Err(LinkFault::Rule {
                what: "the instrument wants overlap mode".to_owned(),
                expected: "synchronised mode (set it at the instrument)".to_owned(),
            });
        }
        let session = h.parameter & 0xffff;
        let left = end.saturating_duration_since(Instant::now()).max(Duration::from_millis(1));
        let mut side = dial(host, port, left).map_err(|e| LinkFault::Io("connecting the second channel", e))?;
        write_whole(&mut side, &message(ASYNC_INITIALIZE, 0, session, &[]), until)?;
        expect(&mut side, ASYNC_INITIALIZE_RESPONSE, "AsyncInitializeResponse", until)?;
        write_whole(&mut side, &message(ASYNC_MAXIMUM_MESSAGE_SIZE, 0, 0, &OUR_MOST.to_be_bytes()), until)?;
        let (_, size) =
            expect(&mut side, ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, "AsyncMaximumMessageSizeResponse", until)?;
        let size: [u8; 8] = size.as_slice().try_into().map_err(|_| LinkFault::Rule {
            what: format!("a largest message size of {} bytes", size.len()),
            expected: "8 bytes".to_owned(),
        })?;
        // Room for the header is left whether or not their size counts it; and something must go through.
        let their_most =
            usize::try_from(u64::from_be_bytes(size)).unwrap_or(usize::MAX).saturating_sub(HEAD_BYTES).max(64);
        Ok(Self { sync, side, next: FIRST_MESSAGE, asked: NO_MESSAGE, delivered: 0, their_most, open: None })
    }
}

impl Link for Hislip {
    fn send(&mut self, text: &[u8], until: Until<'_>) -> Result<(), LinkFault> {
        let mut line = text.to_vec();
        line.push(b'\n');
        let parts: Vec<&[u8]> = line.chunks(self.their_most).collect();
        for (i, part) in parts.iter().enumerate() {
            let kind = if i + 1 == parts.len() { DATA_END } else { DATA };
            let sent = message(kind, self.delivered, self.next, part);
            self.delivered = 0;
            self.asked = self.next;
            self.next = self.next.wrapping_add(2);
            write_whole(&mut self.sync, &sent, until)?;
        }
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>, most: usize, until: Until<'_>) -> Result<bool, LinkFault> {
        let (left, last) = match self.open.take() {
            Some(open) => open,
            None => loop {
                let h = head(&mut self.sync, until)?;
                if !matches!(h.kind, DATA | DATA_END) {
                    if h.payload > MOST_WORDS {
                        return Err(LinkFault::Rule {
                            what: format!("message type {} with {} bytes", h.kind, h.payload),
                            expected: "Data or DataEnd".to_owned(),
                        });
                    }
                    take(&mut self.sync, h.payload as usize, until)?;
                    if h.kind == INTERRUPTED {
                        into.clear();
                        continue;
                    }
                    return Err(LinkFault::Rule {
                        what: format!("message type {}", h.kind),
                        expected: "Data or DataEnd (type 6 or 7)".to_owned(),
                    });
                }
                if into.len() as u64 + h.payload > most as u64 {
                    return Err(LinkFault::TooLong(into.len() as u64 + h.payload));
                }
                if h.parameter == self.asked || h.parameter == NO_MESSAGE {
                    break (h.payload, h.kind == DATA_END);
                }
                return Err(LinkFault::Rule {
                    what: format!("an answer to message {:08x}", h.parameter),
                    expected: format!("the answer to message {:08x}, the last that was sent", self.asked),
                });
            },
        };
        if left > 0 {
            let mut some = [0; 16384];
            let n = read_some(&mut self.sync, &mut some[..left.min(16384) as usize], until)?;
            into.extend_from_slice(&some[..n]);
            if (n as u64) < left {
                self.open = Some((left - n as u64, last));
                return Ok(false);
            }
        }
        if last {
            self.delivered = 1;
        }
        Ok(last)
    }

    fn unasked(&mut self) -> Result<Vec<u8>, LinkFault> {
        // Answers carry the number of their message, so a late one is found out where it is read.
        Ok(Vec::new())
    }

    fn clear(&mut self, until: Until<'_>) -> Result<bool, LinkFault> {
        write_whole(&mut self.side, &message(ASYNC_DEVICE_CLEAR, 0, 0, &[]), until)?;
        let (h, _) = expect(&mut self.side, ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, "AsyncDeviceClearAcknowledge", until)?;
        write_whole(&mut self.sync, &message(DEVICE_CLEAR_COMPLETE, h.control & 1, 0, &[]), until)?;
        // Whatever was under way is read and thrown away.
        if let Some((left, _)) = self.open.take() {
            skip(&mut self.sync, left, until)?;
        }
        loop {
            let h = head(&mut self.sync, until)?;
            skip(&mut self.sync, h.payload, until)?;
            if h.kind == DEVICE_CLEAR_ACKNOWLEDGE {
                break;
            }
        }
        self.next = FIRST_MESSAGE;
        self.asked = NO_MESSAGE;
        self.delivered = 0;
        Ok(true)
    }

    fn marks_ends(&self) -> bool {
        true
    }
}

fn skip(stream: &mut TcpStream, mut left: u64, until: Until<'_>) -> Result<(), LinkFault> {
    let mut some = [0; 4096];
    while left > 0 {
        left -= read_some(stream, &mut some[..left.min(4096) as usize], until)? as u64;
    }
    Ok(())
}
