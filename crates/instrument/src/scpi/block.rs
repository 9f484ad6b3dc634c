use super::{AnswerFault, ByteOrder, Encoding, shown};

const HEAD: &str = "a block head: `#`, a digit 1 to 9, and so many digits of length, or `#0`";

/// What the first bytes of an answer say of the block that follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BlockHead {
    /// More bytes are needed to tell.
    More,
    /// `#<digits><length>`: the data begin at `data_at` and are `data_bytes` long.
    Definite {
        /// First byte of the data, from 0.
        data_at: usize,
        /// Length of the data.
        data_bytes: usize,
    },
    /// `#0`: the data begin at byte 2 (from 0) and end where the message ends.
    Indefinite,
}

/// Reads the head of a block. White space before `#` is not allowed by IEEE 488.2 and is refused.
pub fn block_head(bytes: &[u8]) -> Result<BlockHead, AnswerFault> {
    let Some(first) = bytes.first() else { return Ok(BlockHead::More) };
    if *first != b'#' {
        return Err(AnswerFault::new(0, format!("`{}`", shown(&bytes[..bytes.len().min(40)], 40)), HEAD));
    }
    let Some(second) = bytes.get(1) else { return Ok(BlockHead::More) };
    if !second.is_ascii_digit() {
        return Err(AnswerFault::new(1, format!("`{}`", shown(&[*second], 8)), HEAD));
    }
    let digits = usize::from(second - b'0');
    if digits == 0 {
        return Ok(BlockHead::Indefinite);
    }
    let mut data_bytes = 0_usize;
    for k in 0..digits {
        let Some(digit) = bytes.get(2 + k) else { return Ok(BlockHead::More) };
        if !digit.is_ascii_digit() {
            return Err(AnswerFault::new(
                2 + k,
                format!("`{}`", shown(&[*digit], 8)),
                format!("digit {} of the {digits} digits of the block's length", k + 1),
            ));
        }
        data_bytes = data_bytes * 10 + usize::from(digit - b'0');
    }
    Ok(BlockHead::Definite { data_at: 2 + digits, data_bytes })
}

/// The data of a whole answer that is one block, ended by a newline (which may be missing after a definite block).
pub fn whole_block(answer: &[u8]) -> Result<&[u8], AnswerFault> {
    let (data_at, data_bytes) = match block_head(answer)? {
        BlockHead::More => {
            return Err(AnswerFault::new(answer.len(), "the end of the answer", HEAD));
        }
        BlockHead::Indefinite => {
            let data = &answer[2..];
            return data.strip_suffix(b"\n").ok_or_else(|| {
                AnswerFault::new(
                    answer.len(),
                    "the end of the answer",
                    "a newline, which ends a block of indefinite length",
                )
            });
        }
        BlockHead::Definite { data_at, data_bytes } => (data_at, data_bytes),
    };
    let have = answer.len() - data_at;
    if have < data_bytes {
        return Err(AnswerFault::new(
            answer.len(),
            format!("the end after {have} bytes of data"),
            format!("{data_bytes} bytes, as the block's head says"),
        ));
    }
    let (data, rest) = answer[data_at..].split_at(data_bytes);
    match rest {
        b"" | b"\n" | b"\r\n" => Ok(data),
        more => Err(AnswerFault::new(
            data_at + data_bytes,
            format!("`{}`", shown(more, 40)),
            format!("the end of the answer after the {data_bytes} bytes the block's head says"),
        )),
    }
}

fn numbers<const N: usize>(data: &[u8], order: ByteOrder, of: impl Fn([u8; N]) -> f64) -> Vec<f64> {
    data.as_chunks::<N>()
        .0
        .iter()
        .map(|c| {
            let mut c = *c;
            // The readers below take the great byte first.
            if order == ByteOrder::Little {
                c.reverse();
            }
            of(c)
        })
        .collect()
}

/// The values in the data of a block. A length that is no whole number of values is a fault; text is not decoded here.
pub fn decode(data: &[u8], encoding: Encoding) -> Result<Vec<f64>, AnswerFault> {
    let Some(width) = encoding.width() else { return super::list(data) };
    if !data.len().is_multiple_of(width) {
        return Err(AnswerFault::new(
            data.len() - data.len() % width,
            format!("{} bytes of data", data.len()),
            format!("a multiple of {width}, the bytes of one value ({})", encoding.name()),
        ));
    }
    Ok(match encoding {
        Encoding::Ascii => Vec::new(),
        Encoding::Real32(o) => numbers(data, o, |c| f64::from(f32::from_be_bytes(c))),
        Encoding::Real64(o) => numbers(data, o, f64::from_be_bytes),
        Encoding::Int8 => data.iter().map(|b| f64::from(*b as i8)).collect(),
        Encoding::Uint8 => data.iter().map(|b| f64::from(*b)).collect(),
        Encoding::Int16(o) => numbers(data, o, |c| f64::from(i16::from_be_bytes(c))),
        Encoding::Uint16(o) => numbers(data, o, |c| f64::from(u16::from_be_bytes(c))),
        Encoding::Int32(o) => numbers(data, o, |c| f64::from(i32::from_be_bytes(c))),
    })
}
