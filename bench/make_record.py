#!/usr/bin/env python3
"""Makes the record that the receiver and the script are timed on: the same bytes on every machine with the same numpy.

    make_record.py OUT.npy --band B [--rate 62.5e6] [--seconds 0.2] [--format f32|i16]

A switching converter's comb, single carriers, pulses at two rates, an intermittent carrier and white noise, in volts at the
receiver input (i16: counts of 1 microvolt). White noise is splitmix64 of the sample number through Box-Muller: no library's
generator is involved.
"""
import argparse
import math

import numpy as np

# band: rate Hz, seconds, lowest and highest frequency Hz
USUAL = {"A": (400e3, 2.0, 9e3, 150e3), "B": (62.5e6, 0.2, 150e3, 30e6), "C": (2.5e9, 5e-3, 30e6, 300e6),
         "D": (2.5e9, 5e-3, 300e6, 1e9), "E": (5e9, 2e-3, 1e9, 2e9)}
U64 = np.uint64


def splitmix64(i):
    with np.errstate(over="ignore"):
        z = i * U64(0x9E3779B97F4A7C15)
        z = (z ^ (z >> U64(30))) * U64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> U64(27))) * U64(0x94D049BB133111EB)
        return z ^ (z >> U64(31))


def noise(start, count):
    """Standard normal numbers for samples start .. start+count-1."""
    i = 2 * np.arange(start, start + count, dtype=np.uint64)
    u1 = ((splitmix64(i + U64(1)) >> U64(11)).astype(np.float64) + 1.0) / 2.0 ** 53
    u2 = (splitmix64(i + U64(2)) >> U64(11)).astype(np.float64) / 2.0 ** 53
    return np.sqrt(-2.0 * np.log(u1)) * np.cos(2.0 * np.pi * u2)


def volts(dbuv):
    """Crest value of a sine of this r.m.s. level."""
    return math.sqrt(2.0) * 1e-6 * 10.0 ** (dbuv / 20.0)


def block(start, count, rate, seconds, low, high):
    n = np.arange(start, start + count, dtype=np.float64)
    x = 10e-6 * noise(start, count)
    # a comb whose lines fall by 20 dB per decade, with a fundamental that fits no grid
    base = low + 0.0137 * (high - low)
    for k in range(1, 12):
        f = base * (1 + 0.913 * (k - 1))
        if f < high:
            x += volts(74.0 - 20.0 * math.log10(k)) * np.cos(2.0 * np.pi * np.mod(n * (f / rate), 1.0) + k)
    # a carrier that comes and goes, five times in the record, half of the time
    on = np.mod(n / rate / seconds * 5.0, 1.0) < 0.5
    x += volts(60.0) * on * np.cos(2.0 * np.pi * np.mod(n * ((0.61 * low + 0.39 * high) / rate), 1.0))
    # pulses: one sample high, 16 in the record and, weaker, 160
    for many, area in ((16, 2e-9), (160, 5e-10)):
        at = np.round((np.arange(many) + 0.31) / many * seconds * rate).astype(np.int64) - start
        at = at[(at >= 0) & (at < count)]
        x[at] += area * rate * (150e3 / low) ** 0.5
    return x


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("out")
    p.add_argument("--band", required=True, choices=list(USUAL))
    p.add_argument("--rate", type=float)
    p.add_argument("--seconds", type=float)
    p.add_argument("--format", choices=("f32", "i16"), default="f32")
    a = p.parse_args()
    rate, seconds, low, high = USUAL[a.band]
    rate, seconds = a.rate or rate, a.seconds or seconds
    total = int(round(rate * seconds))
    kind = np.float32 if a.format == "f32" else np.int16
    out = np.lib.format.open_memmap(a.out, mode="w+", dtype=kind, shape=(total,))
    for start in range(0, total, 1 << 20):
        count = min(1 << 20, total - start)
        x = block(start, count, rate, seconds, low, high)
        out[start:start + count] = x if a.format == "f32" else np.clip(np.round(x / 1e-6), -32768, 32767)
    out.flush()
    print(f"{a.out}: {total} samples, {rate:g} Hz, {seconds:g} s, {a.format}")


if __name__ == "__main__":
    main()
