//! Message headers of HiSLIP (IVI-6.1, table 3 and 4, from memory): `HS`, type, control code, parameter (32 bit), payload
//! length (64 bit), great byte first.

pub(crate) const HEAD_BYTES: usize = 16;

pub(crate) const INITIALIZE: u8 = 0;
pub(crate) const INITIALIZE_RESPONSE: u8 = 1;
pub(crate) const FATAL_ERROR: u8 = 2;
pub(crate) const ERROR: u8 = 3;
pub(crate) const DATA: u8 = 6;
pub(crate) const DATA_END: u8 = 7;
pub(crate) const DEVICE_CLEAR_COMPLETE: u8 = 8;
pub(crate) const DEVICE_CLEAR_ACKNOWLEDGE: u8 = 9;
pub(crate) const INTERRUPTED: u8 = 13;
pub(crate) const ASYNC_INTERRUPTED: u8 = 14;
pub(crate) const ASYNC_MAXIMUM_MESSAGE_SIZE: u8 = 15;
pub(crate) const ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE: u8 = 16;
pub(crate) const ASYNC_INITIALIZE: u8 = 17;
pub(crate) const ASYNC_INITIALIZE_RESPONSE: u8 = 18;
pub(crate) const ASYNC_DEVICE_CLEAR: u8 = 19;
pub(crate) const ASYNC_SERVICE_REQUEST: u8 = 20;
pub(crate) const ASYNC_DEVICE_CLEAR_ACKNOWLEDGE: u8 = 23;

/// The first message of a client; each further one is two more.
pub(crate) const FIRST_MESSAGE: u32 = 0xffff_ff00;

/// Stands for "no message in particular".
pub(crate) const NO_MESSAGE: u32 = 0xffff_ffff;

/// One message's header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Head {
    pub(crate) kind: u8,
    pub(crate) control: u8,
    pub(crate) parameter: u32,
    pub(crate) payload: u64,
}

impl Head {
    pub(crate) fn bytes(self) -> [u8; HEAD_BYTES] {
        let mut out = [0; HEAD_BYTES];
        out[..2].copy_from_slice(b"HS");
        out[2] = self.kind;
        out[3] = self.control;
        out[4..8].copy_from_slice(&self.parameter.to_be_bytes());
        out[8..].copy_from_slice(&self.payload.to_be_bytes());
        out
    }

    /// None where the two letters are wrong.
    pub(crate) fn read(bytes: [u8; HEAD_BYTES]) -> Option<Self> {
        if &bytes[..2] != b"HS" {
            return None;
        }
        let parameter = u32::from_be_bytes([bytes[4], bytes[5], bytes[6], bytes[7]]);
        let mut payload = [0; 8];
        payload.copy_from_slice(&bytes[8..]);
        Some(Self { kind: bytes[2], control: bytes[3], parameter, payload: u64::from_be_bytes(payload) })
    }
}

/// A message as it goes over the wire.
pub(crate) fn message(kind: u8, control: u8, parameter: u32, payload: &[u8]) -> Vec<u8> {
    let mut out = Head { kind, control, parameter, payload: payload.len() as u64 }.bytes().to_vec();
    out.extend_from_slice(payload);
    out
}
