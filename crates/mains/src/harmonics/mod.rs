//! Harmonic currents: windows of exactly 10 or 12 cycles, groups by IEC 61000-4-7, rules of IEC 61000-3-2 and -3-12.
