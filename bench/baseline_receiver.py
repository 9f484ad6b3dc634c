#!/usr/bin/env python3
"""The measuring receiver as an engineer would script it with numpy and scipy: a short-time FFT, all four detectors at every
bin, whole arrays at a time, single precision where the record has it, one core.

    baseline_receiver.py RECORD.npy --band B --rate 62.5e6 [--from HZ --to HZ --step HZ] [--scale V] --out TRACE.csv

Equal accuracy is what it is compared at: Gaussian window to +-4.5 sigma, a spectrum every 0.3 sigma, quasi-peak by the
conduction-angle law. Detectors start from rest. Frequencies are multiples of rate/N, N the next fast length for the step.
"""
import argparse
import math
import sys
import time

import numpy as np
import scipy.fft
from scipy.optimize import brentq

# band: low, high, bandwidth, charge, discharge, meter, corner of the rms-average (CISPR 16-1-1)
BANDS = {"A": (9e3, 150e3, 200.0, 45e-3, 0.5, 0.16, 10.0), "B": (150e3, 30e6, 9e3, 1e-3, 0.16, 0.16, 100.0),
         "C": (30e6, 300e6, 120e3, 1e-3, 0.55, 0.1, 100.0), "D": (300e6, 1e9, 120e3, 1e-3, 0.55, 0.1, 100.0),
         "E": (1e9, 18e9, 1e6, None, None, 0.1, 1000.0)}


def charge_constants(charge, discharge):
    """1/SC for which a switched-on sine reaches 63 % at the charge time, and its final value."""
    g = lambda u: math.sqrt(1 - u * u) - u * math.acos(u)

    def final(a):
        return brentq(lambda u: a * g(u) / math.pi - u / discharge, 0.0, 1.0)

    def rise(a):
        u = (1 - math.exp(-1)) * final(a) * np.linspace(0.0, 1.0, 801)
        slope = a * (np.sqrt(1 - u * u) - u * np.arccos(u)) / math.pi - u / discharge
        return np.trapezoid(1 / slope, u)

    a = brentq(lambda a: rise(a) - charge, 0.2 / charge, 20 / charge)
    return a, final(a)


class Meter:
    """Critically damped meter on all bins; the input is held over a step of dt."""

    def __init__(self, bins, dt, tm):
        x = dt / tm
        e = math.exp(-x)
        self.f = (e * (1 + x), e * dt, -e * x / tm, e * (1 - x))
        self.g = (1 - e * (1 + x), e * x / tm)
        self.y, self.dy, self.top = np.zeros(bins), np.zeros(bins), np.zeros(bins)

    def move(self, x):
        f, g = self.f, self.g
        self.y, self.dy = f[0] * self.y + f[1] * self.dy + g[0] * x, f[2] * self.y + f[3] * self.dy + g[1] * x
        np.maximum(self.top, self.y, out=self.top)


def measure(x, scale, rate, band, low, high, step, hop_sigma=0.3, half=4.5, at_once=16):
    b_low, b_high, width, charge, discharge, tm, corner = BANDS[band]
    low, high, step = low or b_low, high or b_high, step or width / 2
    high = min(high, rate / 2)
    sigma = math.sqrt(2 * math.log(2)) / (math.pi * width) * rate
    hop = max(1, int(hop_sigma * sigma))
    per_step = rate / step
    n = round(per_step) if abs(per_step - round(per_step)) < 1e-9 * per_step else scipy.fft.next_fast_len(
        math.ceil(per_step), real=True)
    m = int(half * sigma)
    window = np.exp(-0.5 * (np.arange(-m, m + 1) / sigma) ** 2)
    window = (window * (math.sqrt(2) * scale / window.sum())).astype(np.float32)
    length = len(window)
    padded = -(-length // n) * n
    first, last = math.ceil(low * n / rate - 1e-9), math.floor(high * n / rate + 1e-9)
    bins = last - first + 1

    dt = hop / rate
    block = max(1, round(1 / corner / 20 / dt))
    ring = np.zeros((max(1, round(1 / corner / (block * dt))), bins), np.float32)
    ring_at = 0
    meters = [Meter(bins, block * dt, tm) for _ in range(3)]
    peak, v = np.zeros(bins, np.float32), np.zeros(bins, np.float32)
    sum_e, sum_e2, sum_v = (np.zeros(bins, np.float32) for _ in range(3))
    quasi = charge is not None
    if quasi:
        attack, final = charge_constants(charge, discharge)
        keep, attack = np.float32(math.exp(-dt / discharge)), np.float32(attack * dt / math.pi)
    filled = 0
    frames = np.lib.stride_tricks.sliding_window_view(x, length)[::hop]
    folded = np.zeros((at_once, padded), np.float32)
    u, d = np.empty(bins, np.float32), np.empty(bins, np.float32)
    for i in range(0, len(frames), at_once):
        part = frames[i:i + at_once]
        k = len(part)
        np.multiply(part, window, out=folded[:k, :length])
        z = folded[:k].reshape(k, -1, n).sum(axis=1) if padded > n else folded[:k]
        envelope = np.abs(scipy.fft.rfft(z, axis=1, workers=1)[:, first:last + 1])
        np.maximum(peak, envelope.max(axis=0), out=peak)
        for e in envelope:
            sum_e += e
            np.multiply(e, e, out=u)
            sum_e2 += u
            if quasi:
                # charge through the diode: e * (sqrt(1 - u^2) - u * arccos u), u = v / e
                np.divide(v, np.maximum(e, np.float32(1e-30)), out=u)
                np.minimum(u, 1, out=u)
                np.arccos(u, out=d)
                d *= u
                u *= u
                np.subtract(1, u, out=u)
                np.sqrt(u, out=u)
                u -= d
                np.maximum(u, 0, out=u)
                u *= e
                u *= attack
                v *= keep
                v += u
                sum_v += v
            filled += 1
            if filled == block:
                meters[0].move(sum_e / block)
                ring[ring_at] = sum_e2 / block
                ring_at = (ring_at + 1) % len(ring)
                meters[1].move(np.sqrt(ring.mean(axis=0)))
                if quasi:
                    meters[2].move(sum_v / block)
                filled = 0
                for s in (sum_e, sum_e2, sum_v):
                    s[:] = 0
    level = lambda a: 20 * np.log10(np.maximum(a, 1e-12) * 1e6)
    columns = [level(peak.astype(float)), level(meters[2].top / final) if quasi else None, level(meters[0].top),
               level(meters[1].top)]
    return np.arange(first, last + 1) * (rate / n), columns


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("record")
    p.add_argument("--band", required=True, choices=list(BANDS))
    p.add_argument("--rate", type=float, required=True)
    p.add_argument("--from", dest="low", type=float)
    p.add_argument("--to", dest="high", type=float)
    p.add_argument("--step", type=float)
    p.add_argument("--scale", type=float, default=1.0, help="volts per unit")
    p.add_argument("--hop-sigma", type=float, default=0.3)
    p.add_argument("--out", required=True)
    a = p.parse_args()
    x = np.load(a.record, mmap_mode="r")
    began = time.perf_counter()
    f, columns = measure(x, a.scale, a.rate, a.band, a.low, a.high, a.step, a.hop_sigma)
    took = time.perf_counter() - began
    signal = len(x) / a.rate
    with open(a.out, "w") as o:
        o.write("frequency_hz,peak_dbuv,quasi_peak_dbuv,cispr_average_dbuv,rms_average_dbuv\n")
        for i in range(len(f)):
            o.write(f"{f[i]:.3f}," + ",".join("" if c is None else f"{c[i]:.4f}" for c in columns) + "\n")
    print(f"{len(f)} frequencies, {signal:.4g} s of signal in {took:.3f} s ({signal / took:.4f} x real time)", file=sys.stderr)


if __name__ == "__main__":
    main()
