use bytemuck::Pod;

/// How one number lies in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    U8,
    I8,
    U16,
    I16,
    I24,
    U32,
    I32,
    F32,
    F64,
}

/// A number format with its byte order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Number {
    pub(super) kind: Kind,
    pub(super) big_endian: bool,
}

impl Number {
    pub(super) fn bytes(self) -> usize {
        match self.kind {
            Kind::U8 | Kind::I8 => 1,
            Kind::U16 | Kind::I16 => 2,
            Kind::I24 => 3,
            Kind::U32 | Kind::I32 | Kind::F32 => 4,
            Kind::F64 => 8,
        }
    }

    /// Largest magnitude of an integer format after zero was put in the middle.
    pub(super) fn full_scale(self) -> Option<f64> {
        match self.kind {
            Kind::U8 | Kind::I8 => Some(128.0),
            Kind::U16 | Kind::I16 => Some(32768.0),
            Kind::I24 => Some(8_388_608.0),
            Kind::U32 | Kind::I32 => Some(2_147_483_648.0),
            Kind::F32 | Kind::F64 => None,
        }
    }

    pub(super) fn unsigned(self) -> bool {
        matches!(self.kind, Kind::U8 | Kind::U16 | Kind::U32)
    }

    pub(super) fn words(self, complex: bool) -> String {
        let mut text = match self.kind {
            Kind::U8 => "8-bit unsigned integer",
            Kind::I8 => "8-bit integer",
            Kind::U16 => "16-bit unsigned integer",
            Kind::I16 => "16-bit integer",
            Kind::I24 => "24-bit integer",
            Kind::U32 => "32-bit unsigned integer",
            Kind::I32 => "32-bit integer",
            Kind::F32 => "32-bit float",
            Kind::F64 => "64-bit float",
        }
        .to_owned();
        if self.bytes() > 1 {
            text.push_str(if self.big_endian { ", big endian" } else { ", little endian" });
        }
        if complex {
            text.push_str(", complex");
        }
        text
    }

    /// A SigMF data type (`cf32_le`, `ri16_be`, `cu8`); the leading `r` may be missing. Also says whether it is complex.
    pub(super) fn from_sigmf(text: &str) -> Option<(Self, bool)> {
        let (complex, rest) = match text.as_bytes().first()? {
            b'c' => (true, &text[1..]),
            b'r' => (false, &text[1..]),
            _ => (false, text),
        };
        let (name, big_endian, ordered) = if let Some(name) = rest.strip_suffix("_le") {
            (name, false, true)
        } else if let Some(name) = rest.strip_suffix("_be") {
            (name, true, true)
        } else {
            (rest, false, false)
        };
        let kind = match name {
            "f32" => Kind::F32,
            "f64" => Kind::F64,
            "i32" => Kind::I32,
            "i16" => Kind::I16,
            "u32" => Kind::U32,
            "u16" => Kind::U16,
            "i8" => Kind::I8,
            "u8" => Kind::U8,
            _ => return None,
        };
        let number = Self { kind, big_endian };
        // The order of bytes is part of the type wherever there is more than one byte.
        (ordered || number.bytes() == 1).then_some((number, complex))
    }
}

/// Puts numbers of `width` bytes into the machine's order where the file's is the other one.
pub(super) fn to_native(bytes: &mut [u8], width: usize, big_endian: bool) {
    if width < 2 || big_endian == cfg!(target_endian = "big") {
        return;
    }
    for number in bytes.chunks_exact_mut(width) {
        number.reverse();
    }
}

/// Moves the zero of unsigned numbers (machine order) from the bottom to the middle, so that they become signed.
pub(super) fn centre_unsigned(words: &mut [u64], bytes: usize, kind: Kind) {
    match kind {
        Kind::U16 => {
            for n in &mut bytemuck::cast_slice_mut::<u64, u16>(words)[..bytes / 2] {
                *n ^= 0x8000;
            }
        }
        Kind::U32 => {
            for n in &mut bytemuck::cast_slice_mut::<u64, u32>(words)[..bytes / 4] {
                *n ^= 0x8000_0000;
            }
        }
        _ => {}
    }
}

/// Keeps the named items of each frame, in that order, at the front of the slice.
pub(super) fn keep_items<T: Pod>(numbers: &mut [T], per_frame: usize, keep: &[usize]) {
    let mut frame = vec![T::zeroed(); keep.len()];
    let frames = numbers.len() / per_frame;
    for f in 0..frames {
        for (slot, &k) in frame.iter_mut().zip(keep) {
            *slot = numbers[f * per_frame + k];
        }
        numbers[f * keep.len()..(f + 1) * keep.len()].copy_from_slice(&frame);
    }
}
