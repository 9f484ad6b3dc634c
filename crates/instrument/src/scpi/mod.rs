//! Answers of instruments as IEEE 488.2 and SCPI-99 define them: pure functions from bytes to numbers.
//!
//! Sources: IEEE 488.2-1992 clause 8 (response formats: NR1, NR2, NR3, definite and indefinite length arbitrary blocks) and
//! SCPI-99 volume 1, 7.2.1 (9.9E37 for infinity, 9.91E37 for not a number), both from memory.

mod block;
mod numbers;

pub use block::{BlockHead, block_head, decode, whole_block};
pub use numbers::{NOT_A_NUMBER, error_entry, integer, list, number};

/// A malformed answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("at byte {at_byte} came {came}; expected {expected}")]
pub struct AnswerFault {
    /// Where in the answer, counted from 1.
    pub at_byte: usize,
    /// What stands there.
    pub came: String,
    /// What should.
    pub expected: String,
}

impl AnswerFault {
    pub(crate) fn new(at: usize, came: impl Into<String>, expected: impl Into<String>) -> Self {
        Self { at_byte: at + 1, came: came.into(), expected: expected.into() }
    }
}

/// How a list of values comes over the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// Numbers as text between commas.
    Ascii,
    /// A block of IEEE 754 single precision (`REAL,32`).
    Real32(ByteOrder),
    /// A block of IEEE 754 double precision (`REAL,64`).
    Real64(ByteOrder),
    /// A block of signed 8-bit integers (`INT,8`).
    Int8,
    /// A block of unsigned 8-bit integers (`UINT,8`).
    Uint8,
    /// A block of signed 16-bit integers (`INT,16`).
    Int16(ByteOrder),
    /// A block of unsigned 16-bit integers (`UINT,16`).
    Uint16(ByteOrder),
    /// A block of signed 32-bit integers (`INT,32`).
    Int32(ByteOrder),
}

/// Which byte of a number comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ByteOrder {
    /// The one of greatest weight (`FORM:BORD NORM`, IEEE 488.2's own).
    Big,
    /// The one of least weight (`FORM:BORD SWAP`).
    Little,
}

impl Encoding {
    /// Bytes of one value; none for text.
    pub const fn width(self) -> Option<usize> {
        match self {
            Self::Ascii => None,
            Self::Int8 | Self::Uint8 => Some(1),
            Self::Int16(_) | Self::Uint16(_) => Some(2),
            Self::Real32(_) | Self::Int32(_) => Some(4),
            Self::Real64(_) => Some(8),
        }
    }

    /// Lowest and highest code of an integer format: a sample there may have been cut off.
    pub const fn ends(self) -> Option<(f64, f64)> {
        match self {
            Self::Ascii | Self::Real32(_) | Self::Real64(_) => None,
            Self::Int8 => Some((-128.0, 127.0)),
            Self::Uint8 => Some((0.0, 255.0)),
            Self::Int16(_) => Some((-32768.0, 32767.0)),
            Self::Uint16(_) => Some((0.0, 65535.0)),
            Self::Int32(_) => Some((-2147483648.0, 2147483647.0)),
        }
    }

    /// Name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ascii => "ascii",
            Self::Real32(ByteOrder::Big) => "real32, great byte first",
            Self::Real32(ByteOrder::Little) => "real32, least byte first",
            Self::Real64(ByteOrder::Big) => "real64, great byte first",
            Self::Real64(ByteOrder::Little) => "real64, least byte first",
            Self::Int8 => "int8",
            Self::Uint8 => "uint8",
            Self::Int16(ByteOrder::Big) => "int16, great byte first",
            Self::Int16(ByteOrder::Little) => "int16, least byte first",
            Self::Uint16(ByteOrder::Big) => "uint16, great byte first",
            Self::Uint16(ByteOrder::Little) => "uint16, least byte first",
            Self::Int32(ByteOrder::Big) => "int32, great byte first",
            Self::Int32(ByteOrder::Little) => "int32, least byte first",
        }
    }
}

/// Bytes for people: printable as they are, others as `\x..`, at most so many characters.
pub fn shown(bytes: &[u8], most: usize) -> String {
    let mut out = String::new();
    for b in bytes {
        if out.len() >= most {
            out.push('…');
            break;
        }
        match b {
            b'\n' => out.push_str("\\n"),
            b'\r' => out.push_str("\\r"),
            0x20..=0x7e => out.push(char::from(*b)),
            _ => out.push_str(&format!("\\x{b:02x}")),
        }
    }
    out
}
