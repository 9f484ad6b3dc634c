use std::io::{self, Read, Write};
use std::net::{Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU16, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::Fault;
use super::instrument::{Instrument, Reply, SimulatedSettings};
use crate::link::wire::{
    ASYNC_DEVICE_CLEAR, ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE,
    ASYNC_MAXIMUM_MESSAGE_SIZE, ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, DATA, DATA_END, DEVICE_CLEAR_ACKNOWLEDGE,
    DEVICE_CLEAR_COMPLETE, ERROR, FATAL_ERROR, HEAD_BYTES, Head, INITIALIZE, INITIALIZE_RESPONSE, message,
};

/// Longest message a client may send; the instrument has little memory.
const MOST_IN: usize = 4096;

/// Longest part of an answer over HiSLIP, so that answers come in several.
const PART: usize = 2048;

const SLICE: Duration = Duration::from_millis(20);

struct Shared {
    instrument: Mutex<Instrument>,
    stop: AtomicBool,
    sessions: AtomicU16,
    say: Option<fn(&str)>,
}

impl Shared {
    fn stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    fn say(&self, what: &str) {
        if let Some(say) = self.say {
            say(what);
        }
    }

    /// What the instrument answers; waits for a sweep under way where it is asked whether it is done.
    fn answer(&self, line: &str) -> Option<Reply> {
        self.say(line);
        let done_at = self.instrument.lock().unwrap_or_else(PoisonError::into_inner).done_at();
        if line.contains("*OPC?") {
            while Instant::now() < done_at && !self.stopped() {
                std::thread::sleep(done_at.saturating_duration_since(Instant::now()).min(SLICE));
            }
        }
        self.instrument.lock().unwrap_or_else(PoisonError::into_inner).handle(line)
    }
}

/// A simulated instrument that listens on this machine until it is dropped.
pub struct Simulated {
    address: SocketAddr,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl Simulated {
    /// Listens on 127.0.0.1; port 0 takes a free one. `say` is told every message that comes in.
    pub fn start(settings: SimulatedSettings, port: u16, say: Option<fn(&str)>) -> io::Result<Self> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port))?;
        let address = listener.local_addr()?;
        listener.set_nonblocking(true)?;
        let shared = Arc::new(Shared {
            instrument: Mutex::new(Instrument::new(settings)),
            stop: AtomicBool::new(false),
            sessions: AtomicU16::new(1),
            say,
        });
        let of_thread = Arc::clone(&shared);
        let thread = std::thread::Builder::new().name("simulated-instrument".into()).spawn(move || {
            while !of_thread.stopped() {
                match listener.accept() {
                    Ok((stream, _)) => {
                        let shared = Arc::clone(&of_thread);
                        // Where no thread can be made the connection closes, which its client sees.
                        let _ = std::thread::Builder::new().spawn(move || {
                            // A client that goes away is no matter of the instrument's.
                            let _ = connection(stream, &shared);
                        });
                    }
                    Err(_) => std::thread::sleep(Duration::from_millis(5)),
                }
            }
        })?;
        Ok(Self { address, shared, thread: Some(thread) })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for Simulated {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // A panic there has been reported already.
            let _ = thread.join();
        }
    }
}

/// Bytes as they come; none where the client is gone or the instrument is switched off.
fn some(stream: &mut TcpStream, into: &mut [u8], shared: &Shared) -> io::Result<usize> {
    stream.set_read_timeout(Some(SLICE))?;
    loop {
        if shared.stopped() {
            return Ok(0);
        }
        match stream.read(into) {
            Err(e) if matches!(e.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut) => {}
            other => return other,
        }
    }
}

fn exactly(stream: &mut TcpStream, bytes: usize, shared: &Shared) -> io::Result<Vec<u8>> {
    let mut out = vec![0; bytes];
    let mut have = 0;
    while have < bytes {
        match some(stream, &mut out[have..], shared)? {
            0 => return Err(io::ErrorKind::UnexpectedEof.into()),
            n => have += n,
        }
    }
    Ok(out)
}

fn connection(mut stream: TcpStream, shared: &Shared) -> io::Result<()> {
    stream.set_nonblocking(false)?;
    stream.set_nodelay(true)?;
    let first = exactly(&mut stream, 1, shared)?;
    if first == b"H" {
        let second = exactly(&mut stream, 1, shared)?;
        if second == b"S" {
            return hislip(stream, shared);
        }
        return raw(stream, [first, second].concat(), shared);
    }
    raw(stream, first, shared)
}

/// Bytes one after the other, slowly.
fn trickle(stream: &mut TcpStream, bytes: &[u8], shared: &Shared) -> io::Result<()> {
    for b in bytes {
        if shared.stopped() {
            break;
        }
        stream.write_all(&[*b])?;
        std::thread::sleep(Duration::from_millis(50));
    }
    Ok(())
}

fn raw(mut stream: TcpStream, mut have: Vec<u8>, shared: &Shared) -> io::Result<()> {
    let mut chunk = [0; 1024];
    loop {
        while let Some(end) = have.iter().position(|b| *b == b'\n') {
            let line: Vec<u8> = have.drain(..=end).collect();
            let line = String::from_utf8_lossy(&line).trim().to_owned();
            match shared.answer(&line) {
                None => {}
                Some(Reply::Well(answer) | Reply::Ill(Fault::WrongCount | Fault::Garbage, answer)) => {
                    stream.write_all(&answer)?;
                }
                Some(Reply::Ill(Fault::Slow, answer)) => trickle(&mut stream, &answer, shared)?,
                Some(Reply::Ill(Fault::Drop, answer)) => {
                    stream.write_all(&answer[..answer.len() / 2])?;
                    return stream.shutdown(Shutdown::Both);
                }
                Some(Reply::Ill(Fault::Truncate, answer)) => stream.write_all(&answer[..answer.len() / 2])?,
                Some(Reply::Ill(Fault::Busy, _)) => {}
            }
        }
        match some(&mut stream, &mut chunk, shared)? {
            0 => return Ok(()),
            n => have.extend_from_slice(&chunk[..n]),
        }
        if have.len() > MOST_IN {
            return Ok(());
        }
    }
}

fn hislip(mut stream: TcpStream, shared: &Shared) -> io::Result<()> {
    let mut begun = true;
    let mut line = Vec::new();
    let mut which = None;
    loop {
        let rest = exactly(&mut stream, if begun { HEAD_BYTES - 2 } else { HEAD_BYTES }, shared)?;
        let mut head = [0; HEAD_BYTES];
        if begun {
            head[..2].copy_from_slice(b"HS");
            head[2..].copy_from_slice(&rest);
        } else {
            head.copy_from_slice(&rest);
        }
        begun = false;
        let Some(h) = Head::read(head) else {
            return stream.write_all(&message(FATAL_ERROR, 1, 0, b"poorly formed header"));
        };
        if h.payload > MOST_IN as u64 {
            return stream.write_all(&message(ERROR, 4, 0, b"message too large"));
        }
        let payload = exactly(&mut stream, h.payload as usize, shared)?;
        match (h.kind, which) {
            (INITIALIZE, None) => {
                which = Some(false);
                let session = u32::from(shared.sessions.fetch_add(1, Ordering::Relaxed));
                stream.write_all(&message(INITIALIZE_RESPONSE, 0, 0x0100 << 16 | session, &[]))?;
            }
            (ASYNC_INITIALIZE, None) => {
                which = Some(true);
                stream.write_all(&message(ASYNC_INITIALIZE_RESPONSE, 0, 0, &[]))?;
            }
            (ASYNC_MAXIMUM_MESSAGE_SIZE, Some(true)) => {
                let size = (MOST_IN as u64).to_be_bytes();
                stream.write_all(&message(ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, 0, 0, &size))?;
            }
            (ASYNC_DEVICE_CLEAR, Some(true)) => {
                stream.write_all(&message(ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, 0, 0, &[]))?;
            }
            (DEVICE_CLEAR_COMPLETE, Some(false)) => {
                line.clear();
                stream.write_all(&message(DEVICE_CLEAR_ACKNOWLEDGE, 0, 0, &[]))?;
            }
            (DATA, Some(false)) => line.extend(payload),
            (DATA_END, Some(false)) => {
                line.extend(payload);
                let text = String::from_utf8_lossy(&std::mem::take(&mut line)).trim().to_owned();
                match shared.answer(&text) {
                    None | Some(Reply::Ill(Fault::Busy, _)) => {}
                    Some(Reply::Well(answer) | Reply::Ill(Fault::WrongCount | Fault::Garbage, answer)) => {
                        stream.write_all(&parts(&answer, h.parameter))?;
                    }
                    Some(Reply::Ill(Fault::Slow, answer)) => {
                        trickle(&mut stream, &parts(&answer, h.parameter), shared)?;
                    }
                    Some(Reply::Ill(Fault::Drop, answer)) => {
                        let all = parts(&answer, h.parameter);
                        stream.write_all(&all[..all.len() / 2])?;
                        return stream.shutdown(Shutdown::Both);
                    }
                    // The message is whole, so that what follows can be understood; the end of the answer never comes.
                    Some(Reply::Ill(Fault::Truncate, answer)) => {
                        stream.write_all(&message(DATA, 0, h.parameter, &answer[..answer.len() / 2]))?;
                    }
                }
            }
            (_, None) => return stream.write_all(&message(FATAL_ERROR, 3, 0, b"invalid initialization sequence")),
            _ => stream.write_all(&message(ERROR, 1, 0, b"unrecognized message type"))?,
        }
    }
}

/// An answer in parts no longer than the instrument's memory.
fn parts(answer: &[u8], to: u32) -> Vec<u8> {
    let mut out = Vec::new();
    let chunks: Vec<&[u8]> = answer.chunks(PART).collect();
    for (i, part) in chunks.iter().enumerate() {
        out.extend(message(if i + 1 == chunks.len() { DATA_END } else { DATA }, 0, to, part));
    }
    out
}
