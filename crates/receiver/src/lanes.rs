//! Sixteen numbers side by side: the one source of the vector loops, for every instruction set.
//!
//! A loop is written once over [`Lanes16`] and compiled for each set through [`for_each_lanes!`]. Every operation is one
//! correctly rounded operation of IEEE 754 (no fused multiply-add, no approximate reciprocals), so all sets give the same
//! bits.
//!
//! Unsafe code, and why: an instruction of AVX2 or AVX-512 may run only on a machine that has it. The types [`Avx2`] and
//! [`Avx512`] are made only inside functions entered through `for_each_lanes!`, which takes an [`InstructionSet`], and
//! `InstructionSet::available` hands out a set only after it has asked the machine. Loads and stores go through
//! references to arrays of sixteen numbers, so no pointer is made up.
#![allow(unsafe_code)]
// Operations must melt into the function that is compiled for the instruction set.
#![allow(clippy::inline_always)]

/// Numbers in a vector, and spectra in a sheaf.
pub(crate) const WIDTH: usize = 16;

/// Numbers in registers: all sixteen, or as many as one register holds.
pub(crate) trait Floats: Copy {
    /// How many of them make sixteen numbers.
    const PARTS: usize;
    fn splat(x: f32) -> Self;
    fn load_part(from: &[f32; WIDTH], part: usize) -> Self;
    fn store_part(self, to: &mut [f32; WIDTH], part: usize);
    fn add(self, b: Self) -> Self;
    fn sub(self, b: Self) -> Self;
    fn mul(self, b: Self) -> Self;
    fn div(self, b: Self) -> Self;
    fn sqrt(self) -> Self;
    /// `a > b ? a : b`.
    fn max(self, b: Self) -> Self;
    /// Whether any number is above its counterpart.
    fn any_above(self, b: Self) -> bool;
}

/// Does the same for every part of sixteen numbers. One or two are written out and not looped over, so that every address is
/// a constant away from one that is known.
macro_rules! each_part {
    ($v:ty, $part:ident, $body:block) => {
        if <$v>::PARTS <= 2 {
            {
                let $part = 0;
                $body
            }
            if <$v>::PARTS == 2 {
                let $part = 1;
                $body
            }
        } else {
            for $part in 0..<$v>::PARTS $body
        }
    };
}
pub(crate) use each_part;

/// Sixteen numbers in registers.
pub(crate) trait Lanes16: Floats {
    /// One of the machine's registers: where many values are at work at once, sixteen numbers of each would not fit.
    type Register: Floats;
    /// Columns become rows.
    fn transpose(rows: &mut [Self; WIDTH]);
    /// Columns become rows in a square of as many registers as one holds numbers; the others are not touched.
    fn turn_square(rows: &mut [Self::Register; WIDTH]);

    #[inline(always)]
    fn load(from: &[f32; WIDTH]) -> Self {
        Self::load_part(from, 0)
    }
    #[inline(always)]
    fn store(self, to: &mut [f32; WIDTH]) {
        self.store_part(to, 0);
    }
}

/// What every machine has.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Plain([PlainNumbers; WIDTH * size_of::<f32>() / size_of::<PlainNumbers>()]);

/// One register of [`Plain`].
#[derive(Debug, Clone, Copy)]
pub(crate) struct PlainRegister([PlainNumbers; 1]);

#[cfg(all(target_arch = "x86_64", not(miri)))]
type PlainNumbers = core::arch::x86_64::__m128;
#[cfg(all(target_arch = "aarch64", not(miri)))]
type PlainNumbers = core::arch::aarch64::float32x4_t;
#[cfg(any(miri, not(any(target_arch = "x86_64", target_arch = "aarch64"))))]
type PlainNumbers = f32;

/// A vector out of registers `$i` of `$w` numbers each. (Nothing here goes through a closure: only calls that melt into
/// the function compiled for the set keep vectors in registers.)
macro_rules! floats {
    ($name:ident, [$($i:literal),*], $w:literal, $splat:ident, $load:ident, $store:ident, $add:ident, $sub:ident,
     $mul:ident, $div:ident, $sqrt:ident, $max:ident, $any:ident) => {
        // What the target always has needs no unsafe block, what is asked for at run time does.
        #[allow(unused_unsafe, clippy::ptr_offset_with_cast, clippy::erasing_op, clippy::identity_op)]
        impl Floats for $name {
            const PARTS: usize = WIDTH / ([$($i),*].len() * $w);
            #[inline(always)]
            fn splat(x: f32) -> Self {
                // SAFETY: see the module's head; this holds for every block here.
                let x = unsafe { $splat(x) };
                Self([$({ let _ = $i; x }),*])
            }
            #[inline(always)]
            fn load_part(from: &[f32; WIDTH], part: usize) -> Self {
                let p = from.as_chunks::<{ [$($i),*].len() * $w }>().0[part].as_ptr();
                // SAFETY: the part of the array holds all that is read.
                unsafe { Self([$($load(p.add($i * $w))),*]) }
            }
            #[inline(always)]
            fn store_part(self, to: &mut [f32; WIDTH], part: usize) {
                let p = to.as_chunks_mut::<{ [$($i),*].len() * $w }>().0[part].as_mut_ptr();
                // SAFETY: the part of the array has room for all that is written.
                unsafe { $($store(p.add($i * $w), self.0[$i]);)* }
            }
            #[inline(always)]
            fn add(self, b: Self) -> Self {
                unsafe { Self([$($add(self.0[$i], b.0[$i])),*]) }
            }
            #[inline(always)]
            fn sub(self, b: Self) -> Self {
                unsafe { Self([$($sub(self.0[$i], b.0[$i])),*]) }
            }
            #[inline(always)]
            fn mul(self, b: Self) -> Self {
                unsafe { Self([$($mul(self.0[$i], b.0[$i])),*]) }
            }
            #[inline(always)]
            fn div(self, b: Self) -> Self {
                unsafe { Self([$($div(self.0[$i], b.0[$i])),*]) }
            }
            #[inline(always)]
            fn sqrt(self) -> Self {
                unsafe { Self([$($sqrt(self.0[$i])),*]) }
            }
            #[inline(always)]
            fn max(self, b: Self) -> Self {
                unsafe { Self([$($max(self.0[$i], b.0[$i])),*]) }
            }
            #[inline(always)]
            fn any_above(self, b: Self) -> bool {
                unsafe { $($any(self.0[$i], b.0[$i]))||* }
            }
        }
    };
}

/// Sixteen numbers out of `$i` registers of `$w` numbers each, and one such register.
macro_rules! vector {
    ($name:ident, $register:ident, $transpose:ident, $square:ident, [$($i:literal),*], $w:literal, $($operation:ident),*) => {
        floats!($name, [$($i),*], $w, $($operation),*);
        floats!($register, [0], $w, $($operation),*);
        impl Lanes16 for $name {
            type Register = $register;
            #[inline(always)]
            #[allow(unused_unsafe)]
            fn transpose(rows: &mut [Self; WIDTH]) {
                // SAFETY: see the module's head.
                unsafe { $transpose(rows) }
            }
            #[inline(always)]
            #[allow(unused_unsafe)]
            fn turn_square(rows: &mut [$register; WIDTH]) {
                // SAFETY: see the module's head.
                unsafe { $square(rows) }
            }
        }
    };
}

/// Transposition through memory, for sets without a better way.
#[inline(always)]
fn transpose_plainly<V: Lanes16>(rows: &mut [V; WIDTH]) {
    let mut from = [[0.0_f32; WIDTH]; WIDTH];
    for (row, v) in from.iter_mut().zip(rows.iter()) {
        v.store(row);
    }
    for (i, v) in rows.iter_mut().enumerate() {
        *v = V::load(&std::array::from_fn(|j| from[j][i]));
    }
}

/// The same for a square of registers.
#[inline(always)]
#[cfg_attr(all(target_arch = "x86_64", not(miri)), allow(dead_code))]
fn turn_square_plainly<V: Floats>(rows: &mut [V; WIDTH]) {
    let mut from = [[0.0_f32; WIDTH]; WIDTH];
    for (row, v) in from.iter_mut().zip(rows.iter()) {
        v.store_part(row, 0);
    }
    for (i, v) in rows.iter_mut().enumerate().take(WIDTH / V::PARTS) {
        *v = V::load_part(&std::array::from_fn(|j| from[j][i]), 0);
    }
}

/// One number at a time, for targets without a form of their own.
#[cfg(any(miri, not(any(target_arch = "x86_64", target_arch = "aarch64"))))]
mod single {
    use super::{Floats, Lanes16, Plain, PlainRegister, WIDTH, transpose_plainly, turn_square_plainly};

    fn splat(x: f32) -> f32 {
        x
    }
    unsafe fn load(p: *const f32) -> f32 {
        unsafe { *p }
    }
    unsafe fn store(p: *mut f32, x: f32) {
        unsafe { *p = x }
    }
    fn add(a: f32, b: f32) -> f32 {
        a + b
    }
    fn sub(a: f32, b: f32) -> f32 {
        a - b
    }
    fn mul(a: f32, b: f32) -> f32 {
        a * b
    }
    fn div(a: f32, b: f32) -> f32 {
        a / b
    }
    fn sqrt(a: f32) -> f32 {
        a.sqrt()
    }
    fn max(a: f32, b: f32) -> f32 {
        if a > b { a } else { b }
    }
    fn any(a: f32, b: f32) -> bool {
        a > b
    }

    vector!(
        Plain,
        PlainRegister,
        transpose_plainly,
        turn_square_plainly,
        [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15],
        1,
        splat,
        load,
        store,
        add,
        sub,
        mul,
        div,
        sqrt,
        max,
        any
    );
}

#[cfg(all(target_arch = "aarch64", not(miri)))]
mod arm {
    use core::arch::aarch64::{
        float32x4_t, vaddq_f32, vbslq_f32, vcgtq_f32, vdivq_f32, vdupq_n_f32, vld1q_f32, vmaxvq_u32, vmulq_f32,
        vsqrtq_f32, vst1q_f32, vsubq_f32,
    };

    use super::{Floats, Lanes16, Plain, PlainRegister, WIDTH, transpose_plainly, turn_square_plainly};

    #[inline]
    #[target_feature(enable = "neon")]
    fn max(a: float32x4_t, b: float32x4_t) -> float32x4_t {
        vbslq_f32(vcgtq_f32(a, b), a, b)
    }

    #[inline]
    #[target_feature(enable = "neon")]
    fn any(a: float32x4_t, b: float32x4_t) -> bool {
        vmaxvq_u32(vcgtq_f32(a, b)) != 0
    }

    vector!(
        Plain,
        PlainRegister,
        transpose_plainly,
        turn_square_plainly,
        [0, 1, 2, 3],
        4,
        vdupq_n_f32,
        vld1q_f32,
        vst1q_f32,
        vaddq_f32,
        vsubq_f32,
        vmulq_f32,
        vdivq_f32,
        vsqrtq_f32,
        max,
        any
    );
}

#[cfg(target_arch = "x86_64")]
pub(crate) use x86::{Avx2, Avx512};

#[cfg(target_arch = "x86_64")]
mod x86 {
    // Sixty instructions by name.
    #[allow(clippy::wildcard_imports)]
    use core::arch::x86_64::*;

    use super::{Floats, Lanes16, WIDTH, transpose_plainly};
    #[cfg(not(miri))]
    use super::{Plain, PlainRegister};

    /// AVX2.
    #[derive(Debug, Clone, Copy)]
    pub(crate) struct Avx2([__m256; 2]);

    /// AVX-512.
    #[derive(Debug, Clone, Copy)]
    pub(crate) struct Avx512([__m512; 1]);

    /// One register of [`Avx2`].
    #[derive(Debug, Clone, Copy)]
    pub(crate) struct Avx2Register([__m256; 1]);

    /// One register of [`Avx512`]: all sixteen.
    #[derive(Debug, Clone, Copy)]
    pub(crate) struct Avx512Register([__m512; 1]);

    #[cfg(not(miri))]
    #[inline]
    #[target_feature(enable = "sse2")]
    fn any_128(a: __m128, b: __m128) -> bool {
        _mm_movemask_ps(_mm_cmpgt_ps(a, b)) != 0
    }

    #[inline]
    #[target_feature(enable = "avx2")]
    fn any_256(a: __m256, b: __m256) -> bool {
        _mm256_movemask_ps(_mm256_cmp_ps::<_CMP_GT_OQ>(a, b)) != 0
    }

    #[inline]
    #[target_feature(enable = "avx512f")]
    fn any_512(a: __m512, b: __m512) -> bool {
        _mm512_cmp_ps_mask::<_CMP_GT_OQ>(a, b) != 0
    }

    #[cfg(not(miri))]
    vector!(
        Plain,
        PlainRegister,
        transpose_plainly,
        square_128,
        [0, 1, 2, 3],
        4,
        _mm_set1_ps,
        _mm_loadu_ps,
        _mm_storeu_ps,
        _mm_add_ps,
        _mm_sub_ps,
        _mm_mul_ps,
        _mm_div_ps,
        _mm_sqrt_ps,
        _mm_max_ps,
        any_128
    );

    vector!(
        Avx2,
        Avx2Register,
        transpose_256,
        square_256,
        [0, 1],
        8,
        _mm256_set1_ps,
        _mm256_loadu_ps,
        _mm256_storeu_ps,
        _mm256_add_ps,
        _mm256_sub_ps,
        _mm256_mul_ps,
        _mm256_div_ps,
        _mm256_sqrt_ps,
        _mm256_max_ps,
        any_256
    );

    vector!(
        Avx512,
        Avx512Register,
        transpose_512,
        square_512,
        [0],
        16,
        _mm512_set1_ps,
        _mm512_loadu_ps,
        _mm512_storeu_ps,
        _mm512_add_ps,
        _mm512_sub_ps,
        _mm512_mul_ps,
        _mm512_div_ps,
        _mm512_sqrt_ps,
        _mm512_max_ps,
        any_512
    );

    /// Eight rows of eight.
    #[inline]
    #[target_feature(enable = "avx2")]
    fn transpose_8(r: [__m256; 8]) -> [__m256; 8] {
        let t: [__m256; 8] = std::array::from_fn(|i| {
            let (a, b) = (r[i / 2 * 2], r[i / 2 * 2 + 1]);
            if i % 2 == 0 { _mm256_unpacklo_ps(a, b) } else { _mm256_unpackhi_ps(a, b) }
        });
        let q = |h: usize| {
            [
                _mm256_shuffle_ps::<0x44>(t[h], t[h + 2]),
                _mm256_shuffle_ps::<0xee>(t[h], t[h + 2]),
                _mm256_shuffle_ps::<0x44>(t[h + 1], t[h + 3]),
                _mm256_shuffle_ps::<0xee>(t[h + 1], t[h + 3]),
            ]
        };
        let (a, b) = (q(0), q(4));
        std::array::from_fn(|i| {
            if i < 4 {
                _mm256_permute2f128_ps::<0x20>(a[i], b[i])
            } else {
                _mm256_permute2f128_ps::<0x31>(a[i - 4], b[i - 4])
            }
        })
    }

    #[cfg(not(miri))]
    #[inline]
    #[target_feature(enable = "sse2")]
    fn square_128(rows: &mut [PlainRegister; WIDTH]) {
        let [a, b, c, d] = [rows[0].0[0], rows[1].0[0], rows[2].0[0], rows[3].0[0]];
        let (s, t, u, v) = (_mm_unpacklo_ps(a, b), _mm_unpackhi_ps(a, b), _mm_unpacklo_ps(c, d), _mm_unpackhi_ps(c, d));
        rows[0] = PlainRegister([_mm_movelh_ps(s, u)]);
        rows[1] = PlainRegister([_mm_movehl_ps(u, s)]);
        rows[2] = PlainRegister([_mm_movelh_ps(t, v)]);
        rows[3] = PlainRegister([_mm_movehl_ps(v, t)]);
    }

    #[inline]
    #[target_feature(enable = "avx2")]
    fn square_256(rows: &mut [Avx2Register; WIDTH]) {
        let turned = transpose_8(std::array::from_fn(|i| rows[i].0[0]));
        for i in 0..8 {
            rows[i] = Avx2Register([turned[i]]);
        }
    }

    #[inline]
    #[target_feature(enable = "avx512f")]
    fn square_512(rows: &mut [Avx512Register; WIDTH]) {
        let turned = transpose_16(std::array::from_fn(|i| rows[i].0[0]));
        for i in 0..WIDTH {
            rows[i] = Avx512Register([turned[i]]);
        }
    }

    #[inline]
    #[target_feature(enable = "avx512f")]
    fn transpose_512(rows: &mut [Avx512; WIDTH]) {
        let turned = transpose_16(std::array::from_fn(|i| rows[i].0[0]));
        for i in 0..WIDTH {
            rows[i] = Avx512([turned[i]]);
        }
    }

    #[inline]
    #[target_feature(enable = "avx2")]
    fn transpose_256(rows: &mut [Avx2; WIDTH]) {
        let block = |r: &[Avx2; WIDTH], y: usize, x: usize| transpose_8(std::array::from_fn(|i| r[8 * y + i].0[x]));
        let [a, b, c, d] = [block(rows, 0, 0), block(rows, 0, 1), block(rows, 1, 0), block(rows, 1, 1)];
        for i in 0..8 {
            rows[i] = Avx2([a[i], c[i]]);
            rows[8 + i] = Avx2([b[i], d[i]]);
        }
    }

    // By value, so that all stays in registers.
    #[allow(clippy::large_types_passed_by_value)]
    #[inline]
    #[target_feature(enable = "avx512f")]
    fn transpose_16(r: [__m512; WIDTH]) -> [__m512; WIDTH] {
        let t: [__m512; WIDTH] = std::array::from_fn(|i| {
            let (a, b) = (r[i / 2 * 2], r[i / 2 * 2 + 1]);
            if i % 2 == 0 { _mm512_unpacklo_ps(a, b) } else { _mm512_unpackhi_ps(a, b) }
        });
        // Column c mod 4 of four rows, in each quarter of the register.
        let q: [__m512; WIDTH] = std::array::from_fn(|i| {
            let (h, c) = (i / 4 * 4, i % 4);
            let (a, b) = (t[h + c / 2], t[h + 2 + c / 2]);
            if c % 2 == 0 { _mm512_shuffle_ps::<0x44>(a, b) } else { _mm512_shuffle_ps::<0xee>(a, b) }
        });
        std::array::from_fn(|i| {
            // Quarters 0 and 2 or 1 and 3 of two registers, and again of what that gives.
            let c = i % 4;
            let (a, b, d, e) = (q[c], q[4 + c], q[8 + c], q[12 + c]);
            let (ab, de) = if i / 4 % 2 == 0 {
                (_mm512_shuffle_f32x4::<0x88>(a, b), _mm512_shuffle_f32x4::<0x88>(d, e))
            } else {
                (_mm512_shuffle_f32x4::<0xdd>(a, b), _mm512_shuffle_f32x4::<0xdd>(d, e))
            };
            if i < 8 { _mm512_shuffle_f32x4::<0x88>(ab, de) } else { _mm512_shuffle_f32x4::<0xdd>(ab, de) }
        })
    }
}

/// Functions that take an [`InstructionSet`] first and call a body written over [`Lanes16`], compiled for that set.
macro_rules! for_each_lanes {
    ($($(#[$doc:meta])* fn $name:ident / $body:ident ($($arg:ident: $ty:ty),* $(,)?) $(-> $ret:ty)?;)*) => {
        $(
            $(#[$doc])*
            #[allow(unsafe_code, clippy::too_many_arguments)]
            pub(crate) fn $name(set: $crate::simd::InstructionSet $(, $arg: $ty)*) $(-> $ret)? {
                #[cfg(target_arch = "x86_64")]
                {
                    #[target_feature(enable = "avx2")]
                    fn avx2($($arg: $ty),*) $(-> $ret)? {
                        $body::<$crate::lanes::Avx2>($($arg),*)
                    }
                    #[target_feature(enable = "avx2,avx512f,avx512dq,avx512vl,avx512bw")]
                    fn avx512($($arg: $ty),*) $(-> $ret)? {
                        $body::<$crate::lanes::Avx512>($($arg),*)
                    }
                    match set {
                        $crate::simd::InstructionSet::Plain => $body::<$crate::lanes::Plain>($($arg),*),
                        // SAFETY: `available` hands these out only where the machine has the instructions.
                        $crate::simd::InstructionSet::Avx2 => unsafe { avx2($($arg),*) },
                        // SAFETY: as above.
                        $crate::simd::InstructionSet::Avx512 => unsafe { avx512($($arg),*) },
                    }
                }
                #[cfg(not(target_arch = "x86_64"))]
                {
                    let _ = set;
                    $body::<$crate::lanes::Plain>($($arg),*)
                }
            }
        )*
    };
}
pub(crate) use for_each_lanes;
