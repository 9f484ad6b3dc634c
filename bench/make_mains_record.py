#!/usr/bin/env python3
"""A recording of mains voltage and current: RECORD.npy, two channels of 32-bit floats, volts and amperes.

    make_mains_record.py RECORD.npy --rate 20000 --seconds 7200

The voltage drifts about 50 Hz, carries 1.5 % of fifth and 0.6 % of third order and is modulated at 8.8 Hz by 0.25 %; the
current is that of a rectifier (half-cosine pulses, orders up to the 40th) whose size changes every 40 s, with noise.
"""
import argparse

import numpy as np


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("record")
    p.add_argument("--rate", type=float, default=20e3)
    p.add_argument("--seconds", type=float, default=7200.0)
    a = p.parse_args()
    frames = int(a.rate * a.seconds)
    out = np.lib.format.open_memmap(a.record, mode="w+", dtype="<f4", shape=(frames, 2))
    rng = np.random.default_rng(5)
    # One cycle of the current from its closed Fourier series: pulses of 60 degrees about the crest.
    gamma = np.pi / 6
    n = np.arange(1, 41, 2)
    b = np.pi / 2 / gamma
    with np.errstate(divide="ignore", invalid="ignore"):
        size = np.where(n == b, 2 * gamma / np.pi, 4 * b / np.pi * np.cos(n * gamma) / (b * b - n * n))
    sign = np.where(n % 4 == 1, 1.0, -1.0)
    turns = np.arange(65537) / 65536
    cycle = np.sum((sign * size)[:, None] * np.sin(2 * np.pi * n[:, None] * turns), axis=0)
    step = 1 << 20
    for start in range(0, frames, step):
        t = np.arange(start, min(start + step, frames)) / a.rate
        phase = 50.02 * t + 0.3 * np.sin(2 * np.pi * t / 300) / (2 * np.pi)
        p = 2 * np.pi * phase
        swell = 1 + 0.00125 * np.sin(2 * np.pi * 8.8 * t)
        out[start:start + len(t), 0] = 325.27 * swell * (np.sin(p) + 0.006 * np.sin(3 * p) + 0.015 * np.sin(5 * p + 3))
        load = 4 + np.sign(np.sin(2 * np.pi * t / 80))
        current = load * np.interp(phase % 1.0, turns, cycle)
        out[start:start + len(t), 1] = current + 0.002 * rng.standard_normal(len(t))
    out.flush()


if __name__ == "__main__":
    main()
