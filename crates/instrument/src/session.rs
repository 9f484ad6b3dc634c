use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use serde::Serialize;

use crate::InstrumentError;
use crate::describe::Limits;
use crate::link::{Address, Hislip, Link, LinkFault, Raw, Until, dial};
use crate::scpi::{self, AnswerFault, BlockHead, Encoding, block_head, decode, shown};
use crate::transcript::{Direction, Transcript};

/// Errors an instrument's queue is asked for at most: a queue that never empties is a fault of its own.
const MOST_ERRORS: usize = 32;

/// An entry of the instrument's error queue.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DeviceError {
    /// SCPI's number: −100 to −499 by the standard, positive by the maker.
    pub code: i64,
    /// The instrument's words.
    pub message: String,
}

/// A conversation with one instrument. One transaction at a time; after one that failed the next is refused until
/// [`Session::reconnect`], because answers and commands may no longer belong together.
pub struct Session {
    address: Address,
    limits: Limits,
    link: Option<Box<dyn Link>>,
    stop: Arc<AtomicBool>,
    transcript: Transcript,
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Session").field("address", &self.address).finish_non_exhaustive()
    }
}

/// What an answer is to be.
#[derive(Clone, Copy)]
enum Wanted {
    Text,
    /// A block; of so many data bytes where that is known.
    Block(Option<usize>),
}

impl Wanted {
    fn words(self) -> String {
        match self {
            Self::Text => "a line of text and its end".to_owned(),
            Self::Block(_) => "a binary block and its end".to_owned(),
        }
    }
}

fn bytes_came(n: usize) -> String {
    match n {
        0 => "no answer came".to_owned(),
        1 => "1 byte came".to_owned(),
        n => format!("{n} bytes came"),
    }
}

impl Session {
    /// Connects. `stop` ends whatever waits, within some hundredths of a second, when it becomes true.
    pub fn connect(address: Address, limits: Limits, stop: Arc<AtomicBool>) -> Result<Self, InstrumentError> {
        let mut session = Self { address, limits, link: None, stop, transcript: Transcript::new() };
        session.reconnect()?;
        Ok(session)
    }

    /// Closes what is open and connects again; the transcript goes on.
    pub fn reconnect(&mut self) -> Result<(), InstrumentError> {
        self.link = None;
        let wait = Duration::from_secs_f64(self.limits.connect_timeout_s);
        let began = Instant::now();
        let fault = |source| InstrumentError::Connect { address: self.address.to_string(), waited: wait, source };
        let stop = Arc::clone(&self.stop);
        let until = Until { deadline: began + wait, stop: &stop };
        let opened: Result<Box<dyn Link>, InstrumentError> = match &self.address {
            Address::Raw { host, port } => {
                dial(host, *port, wait).map(|s| Box::new(Raw::new(s)) as Box<dyn Link>).map_err(fault)
            }
            Address::Hislip { host, port, name } => match Hislip::connect(host, *port, name, wait, until) {
                Ok(link) => Ok(Box::new(link)),
                Err(LinkFault::Io(_, source)) => Err(fault(source)),
                Err(other) => Err(self.told("opening the connection", other, wait, 0, "both channels of HiSLIP")),
            },
        };
        match opened {
            Ok(link) => {
                self.link = Some(link);
                self.transcript.note(&format!("connected to {}", self.address));
                Ok(())
            }
            Err(e) => {
                self.transcript.note(&format!("not connected: {e}"));
                Err(e)
            }
        }
    }

    /// The conversation so far.
    pub fn transcript(&self) -> &Transcript {
        &self.transcript
    }

    /// Where it is connected to.
    pub fn address(&self) -> &Address {
        &self.address
    }

    /// The bounds in force.
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    fn told(&self, asked: &str, fault: LinkFault, after: Duration, came: usize, expected: &str) -> InstrumentError {
        let asked = asked.to_owned();
        match fault {
            LinkFault::Late => {
                InstrumentError::Timeout { asked, after, came: bytes_came(came), expected: expected.to_owned() }
            }
            LinkFault::Closed => InstrumentError::Closed {
                asked,
                came: if came == 1 { "1 byte".to_owned() } else { format!("{came} bytes") },
                expected: expected.to_owned(),
            },
            LinkFault::Stopped => InstrumentError::Cancelled { asked },
            LinkFault::Io(doing, source) => InstrumentError::Io { asked, doing, source },
            LinkFault::TooLong(n) => InstrumentError::TooLong {
                asked,
                came: format!("{n} bytes or more"),
                most: self.limits.most_answer_bytes,
            },
            LinkFault::Rule { what, expected } => InstrumentError::Protocol { asked, what, expected },
        }
    }

    /// Gives up the connection: what comes from now on belongs to nothing.
    fn fail(&mut self, error: InstrumentError) -> InstrumentError {
        self.link = None;
        self.transcript.note(&format!("given up: {error}"));
        error
    }

    /// Sends a command that has no answer.
    pub fn tell(&mut self, command: &str) -> Result<(), InstrumentError> {
        let wait = Duration::from_secs_f64(self.limits.timeout_s);
        self.put(command, Instant::now() + wait, wait)
    }

    fn put(&mut self, command: &str, deadline: Instant, wait: Duration) -> Result<(), InstrumentError> {
        let Some(link) = self.link.as_mut() else {
            return Err(InstrumentError::OutOfStep { asked: command.to_owned() });
        };
        let unasked = link.unasked();
        let sent = match unasked {
            Ok(bytes) if bytes.is_empty() => {
                let stop = Arc::clone(&self.stop);
                link.send(command.as_bytes(), Until { deadline, stop: &stop })
            }
            Ok(bytes) => {
                let came = shown(&bytes, 60);
                return Err(self.fail(InstrumentError::Stale { asked: command.to_owned(), came }));
            }
            Err(fault) => Err(fault),
        };
        match sent {
            Ok(()) => {
                self.transcript.add(Direction::Sent, command.as_bytes());
                Ok(())
            }
            Err(fault) => {
                let e = self.told(command, fault, wait, 0, "that the command can be sent");
                Err(self.fail(e))
            }
        }
    }

    /// Sends a query and reads its answer as a line of text, without its end.
    pub fn ask(&mut self, command: &str) -> Result<String, InstrumentError> {
        self.ask_within(command, self.limits.timeout_s)
    }

    /// As [`Session::ask`] with its own time.
    pub fn ask_within(&mut self, command: &str, timeout_s: f64) -> Result<String, InstrumentError> {
        let answer = self.transact(command, Wanted::Text, timeout_s)?;
        if let Some(at) = answer.iter().position(|b| !matches!(b, 0x20..=0x7e | b'\t')) {
            let came = format!("`{}`", shown(&answer[at..answer.len().min(at + 12)], 60));
            return Err(self.malformed(command, AnswerFault::new(at, came, "printable ASCII, for this answer is text")));
        }
        // Every byte was just seen to be ASCII.
        Ok(String::from_utf8_lossy(&answer).trim().to_owned())
    }

    /// A query answered with one number.
    pub fn ask_number(&mut self, command: &str) -> Result<f64, InstrumentError> {
        let answer = self.ask(command)?;
        scpi::number(answer.as_bytes()).map_err(|fault| self.malformed(command, fault))
    }

    /// A query answered with a whole number.
    pub fn ask_integer(&mut self, command: &str) -> Result<i64, InstrumentError> {
        let answer = self.ask(command)?;
        scpi::integer(answer.as_bytes()).map_err(|fault| self.malformed(command, fault))
    }

    /// A query answered with `1` when what came before is done (`*OPC?`), however long that may take.
    pub fn wait_done(&mut self, query: &str, timeout_s: f64) -> Result<(), InstrumentError> {
        let answer = self.ask_within(query, timeout_s)?;
        match scpi::integer(answer.as_bytes()) {
            Ok(1) => Ok(()),
            Ok(other) => {
                let fault = AnswerFault::new(0, format!("`{other}`"), "1, which says that all is done");
                Err(self.malformed(query, fault))
            }
            Err(fault) => Err(self.malformed(query, fault)),
        }
    }

    /// A query answered with a list of values. `points` is how many are expected, where that is known: another number is a
    /// fault.
    pub fn ask_values(
        &mut self,
        command: &str,
        encoding: Encoding,
        points: Option<usize>,
        timeout_s: f64,
    ) -> Result<Vec<f64>, InstrumentError> {
        let values = match encoding.width() {
            None => {
                let text = self.transact(command, Wanted::Text, timeout_s)?;
                if text.first() == Some(&b'#') {
                    let came = format!("`{}`, a binary block", shown(&text[..text.len().min(12)], 60));
                    let expected = "numbers as text (format = \"ascii\" in the description)";
                    return Err(self.malformed(command, AnswerFault::new(0, came, expected)));
                }
                scpi::list(&text)
            }
            Some(width) => {
                let data = self.transact(command, Wanted::Block(points.map(|p| p * width)), timeout_s)?;
                decode(&data, encoding)
            }
        };
        let values = values.map_err(|fault| self.malformed(command, fault))?;
        if let Some(points) = points.filter(|p| *p != values.len()) {
            let fault = AnswerFault::new(
                0,
                format!("a list of {} values", values.len()),
                format!("{points} values ({})", encoding.name()),
            );
            return Err(self.malformed(command, fault));
        }
        Ok(values)
    }

    fn malformed(&mut self, command: &str, fault: AnswerFault) -> InstrumentError {
        let error = InstrumentError::Answer { asked: command.to_owned(), fault };
        self.fail(error)
    }

    /// One query, one answer.
    fn transact(&mut self, command: &str, wanted: Wanted, timeout_s: f64) -> Result<Vec<u8>, InstrumentError> {
        let wait = Duration::from_secs_f64(timeout_s);
        let deadline = Instant::now() + wait;
        self.put(command, deadline, wait)?;
        let Some(link) = self.link.as_mut() else {
            return Err(InstrumentError::OutOfStep { asked: command.to_owned() });
        };
        let stop = Arc::clone(&self.stop);
        let until = Until { deadline, stop: &stop };
        let most = self.limits.most_answer_bytes;
        let mut came = Vec::new();
        let outcome = match wanted {
            Wanted::Text => text(link.as_mut(), &mut came, most, until),
            Wanted::Block(expected) => block(link.as_mut(), &mut came, expected, most, until),
        };
        if !came.is_empty() {
            self.transcript.add(Direction::Received, &came);
        }
        match outcome {
            Ok(answer) => Ok(answer),
            Err(Trouble::Fault(fault)) => Err(self.malformed(command, fault)),
            Err(Trouble::Link(fault, missing)) => {
                let expected = missing.unwrap_or_else(|| wanted.words());
                let e = self.told(command, fault, wait, came.len(), &expected);
                Err(self.fail(e))
            }
        }
    }

    /// `*IDN?`: maker, model, serial number, version, as the instrument says them.
    pub fn identify(&mut self) -> Result<String, InstrumentError> {
        self.ask("*IDN?")
    }

    /// `*RST`.
    pub fn reset(&mut self) -> Result<(), InstrumentError> {
        self.tell("*RST")
    }

    /// `*CLS`: forgets errors and events.
    pub fn clear_status(&mut self) -> Result<(), InstrumentError> {
        self.tell("*CLS")
    }

    /// `*ESR?`: the standard event status register, which is cleared by reading.
    pub fn event_status(&mut self) -> Result<u8, InstrumentError> {
        let value = self.ask_integer("*ESR?")?;
        u8::try_from(value).map_err(|_| {
            self.malformed("*ESR?", AnswerFault::new(0, format!("`{value}`"), "0 to 255, an 8-bit register"))
        })
    }

    /// `SYSTem:ERRor?` until the queue is empty.
    pub fn errors(&mut self) -> Result<Vec<DeviceError>, InstrumentError> {
        let mut out = Vec::new();
        for _ in 0..MOST_ERRORS {
            let answer = self.ask("SYST:ERR?")?;
            match scpi::error_entry(answer.as_bytes()) {
                Ok((0, _)) => return Ok(out),
                Ok((code, message)) => out.push(DeviceError { code, message }),
                Err(fault) => return Err(self.malformed("SYST:ERR?", fault)),
            }
        }
        let fault = AnswerFault::new(0, format!("error after error, {MOST_ERRORS} times"), "0,\"No error\" at last");
        Err(self.malformed("SYST:ERR?", fault))
    }

    /// Fails where the instrument's error queue holds something; `after` says in words what was done before.
    pub fn no_errors(&mut self, after: &str) -> Result<(), InstrumentError> {
        let errors = self.errors()?;
        if errors.is_empty() {
            return Ok(());
        }
        let words: Vec<String> = errors.iter().map(|e| format!("{},\"{}\"", e.code, e.message)).collect();
        Err(InstrumentError::Device { after: after.to_owned(), errors: words.join("; ") })
    }

    /// Makes the instrument forget a message under way (device clear). False where the transport has no such thing: then
    /// only [`Session::reconnect`] helps.
    pub fn device_clear(&mut self) -> Result<bool, InstrumentError> {
        let wait = Duration::from_secs_f64(self.limits.timeout_s);
        let Some(link) = self.link.as_mut() else {
            return Err(InstrumentError::OutOfStep { asked: "device clear".to_owned() });
        };
        let stop = Arc::clone(&self.stop);
        match link.clear(Until { deadline: Instant::now() + wait, stop: &stop }) {
            Ok(done) => {
                self.transcript.note(if done { "device clear" } else { "no device clear over this transport" });
                Ok(done)
            }
            Err(fault) => {
                let e = self.told("device clear", fault, wait, 0, "its acknowledgement");
                Err(self.fail(e))
            }
        }
    }
}

enum Trouble {
    Fault(AnswerFault),
    /// With what was still missing, in words.
    Link(LinkFault, Option<String>),
}

impl From<LinkFault> for Trouble {
    fn from(fault: LinkFault) -> Self {
        Self::Link(fault, None)
    }
}

fn text(link: &mut dyn Link, came: &mut Vec<u8>, most: usize, until: Until<'_>) -> Result<Vec<u8>, Trouble> {
    let mut looked = 0;
    loop {
        let ends = link.receive(came, most, until)?;
        let at = came[looked..].iter().position(|b| *b == b'\n').map(|k| looked + k);
        looked = came.len();
        let (end, rest) = match at {
            Some(at) if ends || !link.marks_ends() => (at, came.len() - at - 1),
            None if ends => (came.len(), 0),
            _ => continue,
        };
        if rest > 0 {
            return Err(Trouble::Fault(AnswerFault::new(
                end + 1,
                format!("`{}`", shown(&came[end + 1..], 40)),
                "the end of the answer after its newline",
            )));
        }
        let line = &came[..end];
        return Ok(line.strip_suffix(b"\r").unwrap_or(line).to_vec());
    }
}

fn block(
    link: &mut dyn Link,
    came: &mut Vec<u8>,
    expected: Option<usize>,
    most: usize,
    until: Until<'_>,
) -> Result<Vec<u8>, Trouble> {
    let mut ended = false;
    let head = loop {
        match block_head(came).map_err(Trouble::Fault)? {
            BlockHead::More if ended => {
                let fault = AnswerFault::new(came.len(), "the end of the answer", "the rest of a block's head");
                return Err(Trouble::Fault(fault));
            }
            BlockHead::More => ended = link.receive(came, most, until)?,
            head => break head,
        }
    };
    let (data_at, data_bytes) = match head {
        BlockHead::Definite { data_at, data_bytes } => (data_at, data_bytes),
        // Where the transport marks the end of a message the block is what lies before it; a raw socket does not, and its
        // data may hold newlines, so only a known length can tell where it ends.
        _ if link.marks_ends() => {
            while !ended {
                ended = link.receive(came, most, until)?;
            }
            let data = &came[2..];
            return Ok(data.strip_suffix(b"\n").unwrap_or(data).to_vec());
        }
        _ => match expected {
            Some(bytes) => (2, bytes),
            None => {
                return Err(Trouble::Fault(AnswerFault::new(
                    0,
                    "`#0`, a block of indefinite length over a raw socket",
                    "a block that says its length, or `points` in the description, for its end cannot be told from data",
                )));
            }
        },
    };
    if data_bytes.saturating_add(data_at + 2) > most {
        return Err(Trouble::Link(LinkFault::TooLong(data_bytes as u64), None));
    }
    let whole = data_at + data_bytes;
    while came.len() < whole {
        if ended {
            return Err(Trouble::Fault(AnswerFault::new(
                came.len(),
                format!("the end after {} bytes of data", came.len() - data_at),
                format!("{data_bytes} bytes, as the block's head says"),
            )));
        }
        ended = link.receive(came, most, until).map_err(|fault| {
            let missing =
                format!("{data_bytes} bytes of data, as the block's head says, of which {} came", came.len() - data_at);
            Trouble::Link(fault, Some(missing))
        })?;
    }
    // The newline that ends the message belongs to it: left unread it would stand before the next answer.
    loop {
        match &came[whole..] {
            b"\n" | b"\r\n" => break,
            b"" if ended => break,
            b"" | b"\r" if !ended => {
                ended = link
                    .receive(came, most, until)
                    .map_err(|fault| Trouble::Link(fault, Some("a newline after the block".to_owned())))?;
            }
            more => {
                return Err(Trouble::Fault(AnswerFault::new(
                    whole,
                    format!("`{}`", shown(&more[..more.len().min(40)], 40)),
                    format!("the end of the answer after {data_bytes} bytes of data"),
                )));
            }
        }
    }
    Ok(came[data_at..whole].to_vec())
}
