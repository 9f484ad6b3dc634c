//! Carrying messages: a raw TCP socket, or HiSLIP.

mod hislip;
mod raw;
pub(crate) mod wire;

use std::io;
use std::net::{TcpStream, ToSocketAddrs};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::InstrumentError;

pub(crate) use hislip::Hislip;
pub(crate) use raw::Raw;

/// The port raw SCPI sockets usually listen on (common practice, registered for `scpi-raw`).
pub const RAW_PORT: u16 = 5025;

/// The port of HiSLIP (IVI-6.1).
pub const HISLIP_PORT: u16 = 4880;

/// How often a wait looks at the clock and at the stop flag.
const SLICE: Duration = Duration::from_millis(20);

/// Where an instrument listens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// SCPI over a raw TCP socket.
    Raw {
        /// Name or number of the host.
        host: String,
        /// Port.
        port: u16,
    },
    /// HiSLIP.
    Hislip {
        /// Name or number of the host.
        host: String,
        /// Port.
        port: u16,
        /// Sub-address, `hislip0` where nothing else is said.
        name: String,
    },
}

impl std::fmt::Display for Address {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Raw { host, port } => write!(f, "tcp://{host}:{port}"),
            Self::Hislip { host, port, name } => write!(f, "hislip://{host}:{port}/{name}"),
        }
    }
}

impl std::str::FromStr for Address {
    type Err = InstrumentError;

    /// `HOST:PORT`, `tcp://HOST[:PORT]`, `hislip://HOST[:PORT][/NAME]`; a host that is an IPv6 number stands in brackets.
    fn from_str(text: &str) -> Result<Self, InstrumentError> {
        let wrong = |what: String| InstrumentError::Address { address: text.to_owned(), what };
        let (scheme, rest) = text.split_once("://").unwrap_or(("", text));
        let (place, name) = rest.split_once('/').map_or((rest, None), |(a, b)| (a, Some(b)));
        let (host, port) = match place.rsplit_once(':') {
            Some((host, port)) if !port.contains(']') => {
                let port: u16 = port
                    .parse()
                    .ok()
                    .filter(|p| *p > 0)
                    .ok_or_else(|| wrong(format!("`{port}` is no port (1 to 65535)")))?;
                (host, Some(port))
            }
            _ => (place, None),
        };
        let host = host.strip_prefix('[').and_then(|h| h.strip_suffix(']')).unwrap_or(host).to_owned();
        if host.is_empty() {
            return Err(wrong("no host".to_owned()));
        }
        match (scheme, port, name) {
            ("", None, _) => Err(wrong("no port".to_owned())),
            ("" | "tcp", _, Some(_)) => Err(wrong("a path after the port".to_owned())),
            ("" | "tcp", port, None) => Ok(Self::Raw { host, port: port.unwrap_or(RAW_PORT) }),
            ("hislip", port, name) => Ok(Self::Hislip {
                host,
                port: port.unwrap_or(HISLIP_PORT),
                name: name.filter(|n| !n.is_empty()).unwrap_or("hislip0").to_owned(),
            }),
            (other, ..) => Err(wrong(format!("`{other}` is no protocol spoken here"))),
        }
    }
}

/// Until when a step may take, and who may stop it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Until<'a> {
    pub(crate) deadline: Instant,
    pub(crate) stop: &'a AtomicBool,
}

impl Until<'_> {
    /// The next wait: short, so that clock and flag are looked at.
    pub(crate) fn slice(&self) -> Result<Duration, LinkFault> {
        if self.stop.load(Ordering::Relaxed) {
            return Err(LinkFault::Stopped);
        }
        let left = self.deadline.saturating_duration_since(Instant::now());
        if left.is_zero() { Err(LinkFault::Late) } else { Ok(left.min(SLICE)) }
    }
}

/// What can happen to a message; who asked for it adds the command.
#[derive(Debug)]
pub(crate) enum LinkFault {
    Late,
    Closed,
    Stopped,
    Io(&'static str, io::Error),
    TooLong(u64),
    Rule { what: String, expected: String },
}

pub(crate) trait Link: Send {
    /// Sends one whole message.
    fn send(&mut self, message: &[u8], until: Until<'_>) -> Result<(), LinkFault>;

    /// Appends what has come, at least a byte unless the message ends; true where the transport says that it ends here.
    /// Never lets `into` grow beyond `most`.
    fn receive(&mut self, into: &mut Vec<u8>, most: usize, until: Until<'_>) -> Result<bool, LinkFault>;

    /// Bytes that stand there unasked, without waiting.
    fn unasked(&mut self) -> Result<Vec<u8>, LinkFault>;

    /// Makes the instrument forget a message under way. False where the transport cannot.
    fn clear(&mut self, until: Until<'_>) -> Result<bool, LinkFault>;

    /// Whether the transport marks the ends of messages.
    fn marks_ends(&self) -> bool;
}

fn refused(kind: io::ErrorKind) -> bool {
    matches!(kind, io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut | io::ErrorKind::Interrupted)
}

fn gone(kind: io::ErrorKind) -> bool {
    matches!(
        kind,
        io::ErrorKind::ConnectionReset
            | io::ErrorKind::ConnectionAborted
            | io::ErrorKind::BrokenPipe
            | io::ErrorKind::UnexpectedEof
    )
}

/// Some bytes, as many as there are.
pub(crate) fn read_some(stream: &mut TcpStream, into: &mut [u8], until: Until<'_>) -> Result<usize, LinkFault> {
    use io::Read;
    loop {
        stream.set_read_timeout(Some(until.slice()?)).map_err(|e| LinkFault::Io("setting the timeout", e))?;
        match stream.read(into) {
            Ok(0) => return Err(LinkFault::Closed),
            Ok(n) => return Ok(n),
            Err(e) if refused(e.kind()) => {}
            Err(e) if gone(e.kind()) => return Err(LinkFault::Closed),
            Err(e) => return Err(LinkFault::Io("reading", e)),
        }
    }
}

pub(crate) fn write_whole(stream: &mut TcpStream, mut message: &[u8], until: Until<'_>) -> Result<(), LinkFault> {
    use io::Write;
    while !message.is_empty() {
        stream.set_write_timeout(Some(until.slice()?)).map_err(|e| LinkFault::Io("setting the timeout", e))?;
        match stream.write(message) {
            Ok(0) => return Err(LinkFault::Closed),
            Ok(n) => message = &message[n..],
            Err(e) if refused(e.kind()) => {}
            Err(e) if gone(e.kind()) => return Err(LinkFault::Closed),
            Err(e) => return Err(LinkFault::Io("writing", e)),
        }
    }
    Ok(())
}

/// A connection, tried for so long over all numbers the name has.
pub(crate) fn dial(host: &str, port: u16, wait: Duration) -> Result<TcpStream, io::Error> {
    let end = Instant::now() + wait;
    let mut last = io::Error::new(io::ErrorKind::NotFound, "the host has no address");
    for place in (host, port).to_socket_addrs()? {
        let left = end.saturating_duration_since(Instant::now());
        if left.is_zero() {
            break;
        }
        match TcpStream::connect_timeout(&place, left) {
            Ok(stream) => {
                // Commands are short: waiting for more to send would only delay them. Where it cannot be set, they are slower.
                let _ = stream.set_nodelay(true);
                return Ok(stream);
            }
            Err(e) => last = e,
        }
    }
    Err(last)
}
