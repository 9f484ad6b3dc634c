//! The inner loops, compiled once for each instruction set and chosen when the program runs.
//!
//! The only unsafe code of the receiver: calling a function compiled for an instruction set is safe only on a machine
//! that has it, which [`InstructionSet::best`] (the only way to make anything but `Plain`) has checked. The loops are the
//! same safe source for every set; they use no fused multiply-add and keep the order of every sum, so each set gives the
//! same bits.
#![allow(unsafe_code)]
// Bodies must melt into each set's function to be compiled for it; loops over lanes and conditions without branches become
// vector instructions.
#![allow(clippy::inline_always, clippy::needless_range_loop, clippy::needless_bitwise_bool)]

use std::sync::OnceLock;

use crate::types::ReceiverError;

/// What a person chose instead of the fastest.
static CHOSEN: OnceLock<InstructionSet> = OnceLock::new();

/// Bins that go through the detectors together.
pub(crate) const LANES: usize = 64;
/// One number for each of them.
pub(crate) type Lanes = [f32; LANES];
/// The same in double precision.
pub(crate) type WideLanes = [f64; LANES];

/// Which instructions the loops may use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum InstructionSet {
    /// What every machine of the target has (SSE2 on x86-64, NEON on AArch64).
    Plain,
    /// AVX2.
    #[cfg(target_arch = "x86_64")]
    Avx2,
    /// AVX-512 F, DQ, VL, BW.
    #[cfg(target_arch = "x86_64")]
    Avx512,
}

impl InstructionSet {
    /// Every set this machine has, the plainest first.
    pub(crate) fn available() -> Vec<Self> {
        #[allow(unused_mut)]
        let mut sets = vec![Self::Plain];
        #[cfg(target_arch = "x86_64")]
        {
            if std::arch::is_x86_feature_detected!("avx2") {
                sets.push(Self::Avx2);
                if std::arch::is_x86_feature_detected!("avx512f")
                    && std::arch::is_x86_feature_detected!("avx512dq")
                    && std::arch::is_x86_feature_detected!("avx512vl")
                    && std::arch::is_x86_feature_detected!("avx512bw")
                {
                    sets.push(Self::Avx512);
                }
            }
        }
        sets
    }

    /// The one that was chosen, or else the fastest this machine has.
    pub(crate) fn best() -> Self {
        CHOSEN.get().copied().unwrap_or_else(|| *Self::available().last().unwrap_or(&Self::Plain))
    }

    /// The set of this name, if the machine has it.
    pub(crate) fn named(name: &str) -> Result<Self, ReceiverError> {
        let sets = Self::available();
        sets.iter().find(|s| s.name().eq_ignore_ascii_case(name)).copied().ok_or_else(|| ReceiverError::Settings {
            field: "instructions",
            what: format!("\"{name}\" is no instruction set of this machine"),
            expected: sets.iter().map(|s| s.name()).collect::<Vec<_>>().join(", "),
        })
    }

    /// This one from now on, unless one was chosen before.
    pub(crate) fn choose(self) {
        CHOSEN.get_or_init(|| self);
    }

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            #[cfg(target_arch = "x86_64")]
            Self::Avx2 => "AVX2",
            #[cfg(target_arch = "x86_64")]
            Self::Avx512 => "AVX-512",
        }
    }
}

/// What some numbers lie between.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Span {
    pub(crate) low: f32,
    pub(crate) high: f32,
    pub(crate) finite: bool,
}

macro_rules! for_each_set {
    ($($(#[$doc:meta])* fn $name:ident / $body:ident ($($arg:ident: $ty:ty),* $(,)?) $(-> $ret:ty)?;)*) => {
        $(
            $(#[$doc])*
            #[inline]
            pub(crate) fn $name(set: InstructionSet $(, $arg: $ty)*) $(-> $ret)? {
                #[cfg(target_arch = "x86_64")]
                {
                    #[target_feature(enable = "avx2")]
                    fn avx2($($arg: $ty),*) $(-> $ret)? {
                        $body($($arg),*)
                    }
                    #[target_feature(enable = "avx2,avx512f,avx512dq,avx512vl,avx512bw")]
                    fn avx512($($arg: $ty),*) $(-> $ret)? {
                        $body($($arg),*)
                    }
                    match set {
                        InstructionSet::Plain => $body($($arg),*),
                        // SAFETY: `available` hands these out only where the machine has the instructions.
                        InstructionSet::Avx2 => unsafe { avx2($($arg),*) },
                        // SAFETY: as above.
                        InstructionSet::Avx512 => unsafe { avx512($($arg),*) },
                    }
                }
                #[cfg(not(target_arch = "x86_64"))]
                {
                    let _ = set;
                    $body($($arg),*)
                }
            }
        )*
    };
}

for_each_set! {
    /// Moves one meter of every bin over one step with the input held; keeps the highest deflection where `track`.
    fn move_meter / move_meter_body(meter: &mut Meter, x: &WideLanes, f: [[f64; 2]; 2], g: [f64; 2], track: bool);
    /// `out[i] = x[i]·scale`.
    fn scaled / scaled_body(out: &mut WideLanes, x: &Lanes, scale: f64);
    /// Leaves `share` of a block's sums in the block, and takes the rest from the sum over all blocks.
    fn leave / leave_body(sum: &mut WideLanes, block: &mut Lanes, share: f64);
    /// Adds a block's sums to the sum over all blocks.
    fn enter / enter_body(sum: &mut WideLanes, block: &Lanes);
    /// The lowest and the highest of some numbers, and whether all are finite.
    fn span / span_body(x: &[f32]) -> Span;
    /// Magnitudes in sixteen bits.
    fn pack / pack_body(out: &mut [u16; LANES], x: &Lanes);
    /// Magnitudes from sixteen bits.
    fn unpack / unpack_body(out: &mut Lanes, x: &[u16; LANES]);
    /// Square roots of `sum·scale` (negative rounding left-overs taken as zero), each joined by the mean with the root
    /// before it, which it then takes the place of.
    fn root / root_body(out: &mut WideLanes, before: &mut WideLanes, sum: &WideLanes, scale: f64);
}

/// One meter of every bin of a group.
#[derive(Debug, Clone)]
#[repr(align(64))]
pub(crate) struct Meter {
    pub(crate) y: WideLanes,
    pub(crate) dy: WideLanes,
    pub(crate) top: WideLanes,
}

impl Meter {
    pub(crate) fn new() -> Self {
        Self { y: [0.0; LANES], dy: [0.0; LANES], top: [0.0; LANES] }
    }
}

#[inline(always)]
fn span_body(x: &[f32]) -> Span {
    // Sixteen at a time, which the order of the search does not change.
    const W: usize = 16;
    let (wide, rest) = x.as_chunks::<W>();
    let (mut low, mut high, mut worst) = ([f32::INFINITY; W], [f32::NEG_INFINITY; W], [0_u32; W]);
    let mut see = |i: usize, x: f32| {
        low[i] = if x < low[i] { x } else { low[i] };
        high[i] = if x > high[i] { x } else { high[i] };
        worst[i] = worst[i].max(x.to_bits() & 0x7fff_ffff);
    };
    for x in wide {
        for i in 0..W {
            see(i, x[i]);
        }
    }
    for x in rest {
        see(0, *x);
    }
    Span {
        low: low.into_iter().fold(f32::INFINITY, |a, x| if x < a { x } else { a }),
        high: high.into_iter().fold(f32::NEG_INFINITY, |a, x| if x > a { x } else { a }),
        // Not a number or infinite: the exponent is all ones.
        finite: worst.into_iter().fold(0, u32::max) < 0x7f80_0000,
    }
}

#[inline(always)]
fn move_meter_body(meter: &mut Meter, x: &WideLanes, f: [[f64; 2]; 2], g: [f64; 2], track: bool) {
    for i in 0..LANES {
        let (y, dy) = (meter.y[i], meter.dy[i]);
        let new = f[0][0] * y + f[0][1] * dy + g[0] * x[i];
        meter.dy[i] = f[1][0] * y + f[1][1] * dy + g[1] * x[i];
        meter.y[i] = new;
        if track {
            meter.top[i] = if new > meter.top[i] { new } else { meter.top[i] };
        }
    }
}

#[inline(always)]
fn scaled_body(out: &mut WideLanes, x: &Lanes, scale: f64) {
    for i in 0..LANES {
        out[i] = f64::from(x[i]) * scale;
    }
}

#[inline(always)]
fn leave_body(sum: &mut WideLanes, block: &mut Lanes, share: f64) {
    for i in 0..LANES {
        let kept = (f64::from(block[i]) * share) as f32;
        sum[i] += f64::from(kept) - f64::from(block[i]);
        block[i] = kept;
    }
}

#[inline(always)]
fn enter_body(sum: &mut WideLanes, block: &Lanes) {
    for i in 0..LANES {
        sum[i] += f64::from(block[i]);
    }
}

/// Bits of a number's mantissa that sixteen bits have no room for.
const PACK_SHIFT: u32 = 13;
/// Bits of the smallest number that they hold, 2^-48: six bits of exponent reach from 3.6e-15 to 6.5e4.
const PACK_BASE: u32 = (127 - 48) << 23;

#[inline(always)]
fn pack_body(out: &mut [u16; LANES], x: &Lanes) {
    for i in 0..LANES {
        let rounded = x[i].to_bits().wrapping_add(1 << (PACK_SHIFT - 1));
        let clear = if rounded > PACK_BASE { rounded.wrapping_sub(PACK_BASE) } else { 0 };
        let short = clear >> PACK_SHIFT;
        out[i] = (if short < 0xffff { short } else { 0xffff }) as u16;
    }
}

#[inline(always)]
fn unpack_body(out: &mut Lanes, x: &[u16; LANES]) {
    for i in 0..LANES {
        out[i] = f32::from_bits((u32::from(x[i]) << PACK_SHIFT).wrapping_add(PACK_BASE));
    }
}

#[inline(always)]
fn root_body(out: &mut WideLanes, before: &mut WideLanes, sum: &WideLanes, scale: f64) {
    for i in 0..LANES {
        let s = sum[i] * scale;
        let now = (if s > 0.0 { s } else { 0.0 }).sqrt();
        out[i] = 0.5 * (before[i] + now);
        before[i] = now;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers spread over 100 dB, the same on every machine.
    fn numbers(seed: u64, n: usize) -> Vec<f32> {
        let mut s = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        (0..n)
            .map(|_| {
                s = s.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                let u = (s >> 40) as f32 / (1_u64 << 24) as f32;
                10f32.powf(-5.0 * u)
            })
            .collect()
    }

    #[test]
    fn sixteen_bits_hold_a_magnitude_to_half_a_thousandth() {
        for set in InstructionSet::available() {
            for k in 0..200 {
                let scale = 10f32.powf(f32::from(k as u8) / 12.0 - 13.0);
                let x: Lanes = std::array::from_fn(|i| scale * (1.0 + i as f32 * 0.071));
                let (mut short, mut back) = ([0; LANES], [0.0; LANES]);
                pack(set, &mut short, &x);
                unpack(set, &mut back, &short);
                for i in 0..LANES {
                    assert!((back[i] / x[i] - 1.0).abs() <= 1.0 / 2048.0, "{} {}: {}", set.name(), x[i], back[i]);
                }
                // Nothing is as little as the smallest number, and nothing overflows.
                pack(set, &mut short, &[0.0; LANES]);
                assert_eq!(short, [0; LANES]);
                pack(set, &mut short, &[1e30; LANES]);
                assert_eq!(short, [0xffff; LANES]);
            }
        }
    }

    #[test]
    fn every_instruction_set_gives_the_same_bits() {
        let run = |set: InstructionSet| -> Vec<u64> {
            let mut meter = Meter::new();
            let mut before = [0.0; LANES];
            for j in 0..40 {
                let row = numbers(j + 1, LANES);
                let mut x = [0.0; LANES];
                root(set, &mut x, &mut before, &std::array::from_fn(|i| f64::from(row[i])), 0.3);
                move_meter(set, &mut meter, &x, [[0.99, 0.01], [-0.1, 0.98]], [0.01, 0.1], true);
            }
            meter.top.iter().map(|x| x.to_bits()).collect()
        };
        let plain = run(InstructionSet::Plain);
        for set in InstructionSet::available() {
            assert!(run(set) == plain, "{} differs from plain", set.name());
        }
    }
}
