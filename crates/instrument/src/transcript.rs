use std::collections::VecDeque;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::scpi::shown;

/// Entries kept from the beginning, and as many from the end.
const KEPT: usize = 5000;

/// Characters of one message that are written out; a longer or binary one is told by length and hash.
const SHOWN: usize = 200;

/// Who speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// The program, to the instrument.
    Sent,
    /// The instrument.
    Received,
    /// What happened to the connection.
    Note,
}

/// One line of the conversation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Entry {
    /// Seconds since the conversation began.
    pub at_s: f64,
    /// Who.
    pub direction: Direction,
    /// The message, printable, cut where it is long.
    pub text: String,
    /// Its length.
    pub bytes: usize,
    /// SHA-256 of the whole message where it is cut or binary.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
}

/// A conversation with an instrument, bounded: the first and the last thousands of messages, and how many are left out
/// between them.
#[derive(Debug, Clone, Serialize)]
pub struct Transcript {
    /// When it began, seconds since 1970-01-01 UTC.
    pub began_unix_s: f64,
    /// Entries left out between `first` and `last`.
    pub left_out: u64,
    /// The beginning.
    pub first: Vec<Entry>,
    /// The end, where it does not fit into `first`.
    pub last: VecDeque<Entry>,
    #[serde(skip)]
    began: Instant,
}

impl Transcript {
    pub(crate) fn new() -> Self {
        let began_unix_s = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0.0, |d| d.as_secs_f64());
        Self { began_unix_s, left_out: 0, first: Vec::new(), last: VecDeque::new(), began: Instant::now() }
    }

    /// Every entry that is kept, in order.
    pub fn entries(&self) -> impl Iterator<Item = &Entry> {
        self.first.iter().chain(&self.last)
    }

    pub(crate) fn add(&mut self, direction: Direction, message: &[u8]) {
        let binary = message.iter().any(|b| !matches!(b, 0x20..=0x7e | b'\n' | b'\r' | b'\t'));
        let cut = message.len() > SHOWN;
        let text = if binary { shown(&message[..message.len().min(12)], 60) } else { shown(message, SHOWN) };
        let sha256 = (binary || cut).then(|| format!("{:x}", Sha256::digest(message)));
        let at_s = self.began.elapsed().as_secs_f64();
        self.keep(Entry { at_s, direction, text, bytes: message.len(), sha256 });
    }

    fn keep(&mut self, entry: Entry) {
        if self.first.len() < KEPT {
            self.first.push(entry);
            return;
        }
        self.last.push_back(entry);
        if self.last.len() > KEPT {
            self.last.pop_front();
            self.left_out += 1;
        }
    }

    pub(crate) fn note(&mut self, what: &str) {
        let at_s = self.began.elapsed().as_secs_f64();
        self.keep(Entry { at_s, direction: Direction::Note, text: what.to_owned(), bytes: 0, sha256: None });
    }
}
