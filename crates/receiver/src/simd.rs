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

use realfft::num_complex::Complex32;

use crate::weighting::CONDUCTION_CUBIC;

/// Bins that go through the detectors together.
pub(crate) const LANES: usize = 64;
/// One number for each of them.
pub(crate) type Lanes = [f32; LANES];
/// The same in double precision.
pub(crate) type WideLanes = [f64; LANES];
/// Spectra used to interpolate between spectra.
pub(crate) const TAPS: usize = 14;

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

    /// The fastest this machine has.
    pub(crate) fn best() -> Self {
        *Self::available().last().unwrap_or(&Self::Plain)
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
    /// `out[i] += x[i]·w[i]`.
    fn add_product / add_product_body(out: &mut [f32], x: &[f32], w: &[f32]);
    /// `out[2i] += re[i]·w[i]`, `out[2i + 1] += im[i]·w[i]`.
    fn add_product_complex / add_product_complex_body(out: &mut [Complex32], re: &[f32], im: &[f32], w: &[f32]);
    /// Magnitudes.
    fn magnitude / magnitude_body(mag: &mut [f32], spectrum: &[Complex32]);
    /// One spectrum's magnitudes through the detectors of one group of bins.
    fn detect / detect_body(state: &mut Weighting, e: &Lanes, law: &ChargeLaw);
    /// Whether any bin has its highest value at `b` and that could raise its peak.
    fn any_crest / any_crest_body(a: &Lanes, b: &Lanes, c: &Lanes, peak: &Lanes) -> bool;
    /// Raises the peaks by what lies between the spectra round the third before last.
    fn crest / crest_body(peak: &mut Lanes, mags: [&Lanes; 3], spectra: [&[Complex32; LANES]; TAPS + 1], kernels: &CrestKernels);
    /// Moves one meter of every bin over one step with the input held; keeps the highest deflection where `track`.
    fn move_meter / move_meter_body(meter: &mut Meter, x: &WideLanes, f: [[f64; 2]; 2], g: [f64; 2], track: bool);
    /// Square roots of `sum·scale`, negative rounding left-overs taken as zero.
    fn root / root_body(out: &mut WideLanes, sum: &WideLanes, scale: f64);
    /// Sum of products of a real run with the real and the imaginary half of a kernel.
    fn dot / dot_body(x: &[f32], re: &[f32], im: &[f32]) -> (f32, f32);
}

/// Detector states and running sums of one group of bins.
#[derive(Debug, Clone)]
#[repr(align(64))]
pub(crate) struct Weighting {
    pub(crate) last: Lanes,
    pub(crate) v: Lanes,
    /// What rounding has cut off from `v`: over many small steps it would change the discharge time by a per cent.
    pub(crate) v_rest: Lanes,
    pub(crate) peak: Lanes,
    pub(crate) sum_e: Lanes,
    pub(crate) sum_e2: Lanes,
    pub(crate) sum_v: Lanes,
}

impl Weighting {
    pub(crate) fn new() -> Self {
        let z = [0.0; LANES];
        Self { last: z, v: z, v_rest: z, peak: z, sum_e: z, sum_e2: z, sum_v: z }
    }
}

/// The quasi-peak constants for one spectrum step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ChargeLaw {
    /// attack·dt/π.
    pub(crate) attack: f32,
    /// What a discharging capacitor loses over dt.
    pub(crate) loss: f32,
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

/// Interpolation weights at −½, −¼, ¼ and ½ of a step from the middle one of `TAPS + 1` spectra: the first two use all
/// but the last of them, the others all but the first.
#[derive(Debug, Clone, Copy)]
pub(crate) struct CrestKernels {
    pub(crate) weights: [[f32; TAPS]; 4],
}

#[inline(always)]
fn add_product_body(out: &mut [f32], x: &[f32], w: &[f32]) {
    for ((o, x), w) in out.iter_mut().zip(x).zip(w) {
        *o += x * w;
    }
}

#[inline(always)]
fn add_product_complex_body(out: &mut [Complex32], re: &[f32], im: &[f32], w: &[f32]) {
    for (((o, re), im), w) in out.iter_mut().zip(re).zip(im).zip(w) {
        o.re += re * w;
        o.im += im * w;
    }
}

#[inline(always)]
fn magnitude_body(mag: &mut [f32], spectrum: &[Complex32]) {
    for (m, s) in mag.iter_mut().zip(spectrum) {
        *m = (s.re * s.re + s.im * s.im).sqrt();
    }
}

/// Current into the capacitor for carrier amplitude `e` over voltage `v`, up to the attack constant.
#[inline(always)]
fn current(e: f32, v: f32) -> f32 {
    let w = e - v;
    let w = if w > 0.0 { w } else { 0.0 };
    let r = w / (e + 1e-30);
    let [c0, c1, c2, c3] = CONDUCTION_CUBIC;
    w * r.sqrt() * (c0 + r * (c1 + r * (c2 + r * c3)))
}

#[inline(always)]
fn detect_body(state: &mut Weighting, e: &Lanes, law: &ChargeLaw) {
    let ChargeLaw { attack, loss } = *law;
    let half = 0.5 * attack;
    for i in 0..LANES {
        let now = e[i];
        let v = state.v[i];
        // Heun's rule: the current at the start, and at the end as first foreseen.
        let first = current(state.last[i], v);
        let foreseen = v - v * loss + first * attack;
        let second = current(now, foreseen);
        let change = half * (first - first * loss + second) - v * loss + state.v_rest[i];
        let moved = v + change;
        state.v_rest[i] = change - (moved - v);
        state.v[i] = moved;
        state.last[i] = now;
        state.peak[i] = if now > state.peak[i] { now } else { state.peak[i] };
        state.sum_e[i] += now;
        state.sum_e2[i] += now * now;
        state.sum_v[i] += moved;
    }
}

/// A crest half way between two spectra stands at most 0.7 dB above both (step 0.75 standard deviations of the filter), so
/// nothing lower than this share of the peak so far can raise it.
const CREST_GATE: f32 = 0.84;

#[inline(always)]
fn is_crest(a: f32, b: f32, c: f32, peak: f32) -> bool {
    (b >= a) & (b >= c) & (b > CREST_GATE * peak)
}

#[inline(always)]
fn any_crest_body(a: &Lanes, b: &Lanes, c: &Lanes, peak: &Lanes) -> bool {
    let mut any = 0_u32;
    for i in 0..LANES {
        any |= u32::from(is_crest(a[i], b[i], c[i], peak[i]));
    }
    any != 0
}

/// Power of bin `i` interpolated from the spectra `from..from + TAPS`.
#[inline(always)]
fn power_at(spectra: &[&[Complex32; LANES]; TAPS + 1], weights: &[f32; TAPS], i: usize, from: usize) -> f32 {
    let (mut re, mut im) = (0.0_f32, 0.0_f32);
    for (s, w) in spectra[from..from + TAPS].iter().zip(weights) {
        re += s[i].re * w;
        im += s[i].im * w;
    }
    re * re + im * im
}

#[inline(always)]
fn crest_body(peak: &mut Lanes, mags: [&Lanes; 3], spectra: [&[Complex32; LANES]; TAPS + 1], kernels: &CrestKernels) {
    let power = |i: usize, k: usize, from: usize| power_at(&spectra, &kernels.weights[k], i, from);
    // Highest point of the parabola through three powers where it lies between them, else the middle one.
    let top = |a: f32, b: f32, c: f32| {
        let bend = 2.0 * b - a - c;
        let rise = (c - a) * (c - a) / (8.0 * bend + 1e-37);
        if (bend > 0.0) & ((c - a).abs() <= 2.0 * bend) { b + rise } else { b }
    };
    let max = |a: f32, b: f32| if a > b { a } else { b };
    for i in 0..LANES {
        let p0 = power(i, 0, 0);
        let p1 = power(i, 1, 0);
        let p2 = mags[1][i] * mags[1][i];
        let p3 = power(i, 2, 1);
        let p4 = power(i, 3, 1);
        let best = max(max(max(top(p0, p1, p2), top(p1, p2, p3)), top(p2, p3, p4)), max(p0, p4)).sqrt();
        let crest = is_crest(mags[0][i], mags[1][i], mags[2][i], peak[i]);
        peak[i] = if crest & (best > peak[i]) { best } else { peak[i] };
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
fn root_body(out: &mut WideLanes, sum: &WideLanes, scale: f64) {
    for i in 0..LANES {
        let s = sum[i] * scale;
        out[i] = (if s > 0.0 { s } else { 0.0 }).sqrt();
    }
}

#[inline(always)]
fn dot_body(x: &[f32], re: &[f32], im: &[f32]) -> (f32, f32) {
    const W: usize = 16;
    let (mut a, mut b) = ([0.0_f32; W], [0.0_f32; W]);
    for ((x, re), im) in x.chunks_exact(W).zip(re.chunks_exact(W)).zip(im.chunks_exact(W)) {
        for i in 0..W {
            a[i] += x[i] * re[i];
            b[i] += x[i] * im[i];
        }
    }
    let mut width = W / 2;
    while width > 0 {
        for i in 0..width {
            a[i] += a[i + width];
            b[i] += b[i + width];
        }
        width /= 2;
    }
    (a[0], b[0])
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
    fn every_instruction_set_gives_the_same_bits() {
        let run = |set: InstructionSet| -> Vec<u64> {
            let mut state = Weighting::new();
            let law = ChargeLaw { attack: 0.047, loss: 2.3e-4 };
            let rows: Vec<Lanes> = (0..40).map(|k| numbers(k + 1, LANES).try_into().unwrap()).collect();
            let spectra: Vec<[Complex32; LANES]> = (0..40)
                .map(|k| {
                    let (re, im) = (numbers(k + 100, LANES), numbers(k + 200, LANES));
                    std::array::from_fn(|i| Complex32::new(re[i], im[i]))
                })
                .collect();
            let kernels = CrestKernels {
                weights: std::array::from_fn(|k| std::array::from_fn(|t| 0.1 * (t as f32 + 1.0) - 0.07 * k as f32)),
            };
            let mut meter = Meter::new();
            let mut crests = 0;
            for j in 0..rows.len() {
                detect(set, &mut state, &rows[j], &law);
                if j >= TAPS {
                    let middle = j - TAPS / 2;
                    let mags = [&rows[middle - 1], &rows[middle], &rows[middle + 1]];
                    if any_crest(set, mags[0], mags[1], mags[2], &state.peak) {
                        crests += 1;
                        crest(set, &mut state.peak, mags, std::array::from_fn(|t| &spectra[j - TAPS + t]), &kernels);
                    }
                }
                let mut x = [0.0; LANES];
                root(set, &mut x, &std::array::from_fn(|i| f64::from(rows[j][i])), 0.3);
                move_meter(set, &mut meter, &x, [[0.99, 0.01], [-0.1, 0.98]], [0.01, 0.1], true);
            }
            assert!(crests > 0);
            let (d0, d1) = dot(set, &numbers(7, 96), &numbers(8, 96), &numbers(9, 96));
            let mut folded = numbers(10, 77);
            add_product(set, &mut folded, &numbers(11, 77), &numbers(12, 77));
            let mut mags = vec![0.0; LANES];
            magnitude(set, &mut mags, &spectra[3]);
            let mut z = spectra[4];
            add_product_complex(set, &mut z, &numbers(13, LANES), &numbers(14, LANES), &numbers(15, LANES));
            let single = state.v.iter().chain(&state.peak).chain(&state.sum_v).chain(&state.sum_e2).chain(&folded);
            let single = single.chain(&mags).chain([&d0, &d1]).map(|x| u64::from(x.to_bits()));
            let complex = z.iter().flat_map(|z| [u64::from(z.re.to_bits()), u64::from(z.im.to_bits())]);
            single.chain(complex).chain(meter.top.iter().map(|x| x.to_bits())).collect()
        };
        let plain = run(InstructionSet::Plain);
        for set in InstructionSet::available() {
            assert!(run(set) == plain, "{} differs from plain", set.name());
        }
    }
}
