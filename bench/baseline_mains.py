#!/usr/bin/env python3
"""Harmonic currents and flicker of a recording as an engineer would script them with numpy and scipy, block by block.

    baseline_mains.py RECORD.npy RATE_HZ

The same work: the fundamental followed, windows of exactly 10 cycles by band-limited interpolation, harmonic groups, 1.5 s
smoothing, averages and maxima against class A; the flickermeter of IEC 61000-4-15 (230 V lamp, 50 Hz) with percentiles.
"""
import sys
import time

import numpy as np
import scipy.fft
import scipy.signal as sg

CYCLES, ORDERS, POINTS, TAPS, PHASES = 10, 40, 4096, 12, 512


def kernel(rate):
    """Rows of a Kaiser-windowed sinc at PHASES places between two samples."""
    k = np.arange(TAPS) + 1 - TAPS / 2
    t = k[None, :] - (np.arange(PHASES + 1) / PHASES)[:, None]
    w = np.i0(10.06 * np.sqrt(np.maximum(1 - (t / (TAPS / 2)) ** 2, 0)))
    rows = np.sinc(2 * 0.4975 * t) * w
    return rows / rows.sum(axis=1, keepdims=True)


def phases(u, rate):
    """Phase of the fundamental once a cycle, smoothed, with the frames it belongs to."""
    half, hop = int(round(3 * rate / 50)), int(round(rate / 50))
    n = np.arange(-half, half + 1)
    k = sg.windows.blackmanharris(2 * half + 1) * np.exp(-2j * np.pi * 50 / rate * n)
    centres = np.arange(half, len(u) - half, hop)
    view = np.lib.stride_tricks.sliding_window_view(u, 2 * half + 1)[::hop][:len(centres)]
    z = view @ k
    raw = np.angle(z) + np.pi / 2
    expected = 2 * np.pi * 50 * centres / rate
    raw = np.unwrap(raw - expected) + expected
    drift = sg.savgol_filter(raw - expected, 25, 2) if len(raw) > 25 else raw - expected
    return centres, drift + expected


def main():
    path, rate = sys.argv[1], float(sys.argv[2])
    began = time.perf_counter()
    x = np.load(path, mmap_mode="r")
    rows = kernel(rate)
    groups, lines, power = [], [], []
    # Flicker: block 1 to 4, at the rate of the record up to the demodulator, then at 2 kHz.
    factor = int(rate // 2000)
    low = sg.butter(6, 35 / (rate / factor / 2), output="sos")
    high = sg.butter(1, 0.05 / (rate / factor / 2), "high", output="sos")
    w1, lam, w2, w3, w4, gain = [2 * np.pi * v for v in (9.15494, 4.05981, 2.27979, 1.22535, 21.9)] + [1.74802]
    num = gain * w1 * np.array([1 / w2, 1.0, 0.0])
    den = np.polymul([1, 2 * lam, w1 * w1], np.polymul([1 / w3, 1], [1 / w4, 1]))
    eye = sg.tf2sos(*sg.bilinear(num, den, rate / factor))
    mean = sg.tf2sos(*sg.bilinear([1], [0.3, 1], rate / factor))
    state = {}

    def run(name, sos, y):
        if name not in state:
            state[name] = sg.sosfilt_zi(sos) * np.mean(y)
        y, state[name] = sg.sosfilt(sos, y, zi=state[name])
        return y

    sensation = []
    step, overlap = int(60 * rate), int(2 * rate)
    next_phase = None
    offset_phase = 0.0
    for start in range(0, len(x), step):
        part = np.asarray(x[max(0, start - overlap):start + step + overlap], dtype=np.float64)
        base = max(0, start - overlap)
        u, i = part[:, 0], part[:, 1]
        square = (x[start:start + step, 0].astype(np.float64) / 230.0) ** 2
        square = square[:len(square) // factor * factor].reshape(-1, factor).mean(axis=1)
        y = run("mean", mean, run("eye", eye, run("low", low, run("high", high, square))) ** 2) * 309588.5
        sensation.append(y[::5].astype(np.float32))
        centres, phi = phases(u, rate)
        frames = centres + base
        if next_phase is not None:
            # Blocks overlap: the phase goes on where the block before ended.
            at = np.interp(next_frame, frames, phi)
            phi = phi + 2 * np.pi * np.round((next_phase - at) / (2 * np.pi))
        else:
            next_phase = 2 * np.pi * np.ceil(phi[0] / (2 * np.pi))
        end = min(phi[-1], np.interp(start + step, frames, phi))
        count = int((end - next_phase) // (2 * np.pi * CYCLES))
        for k in range(count):
            wanted = next_phase + 2 * np.pi * CYCLES * (k + np.arange(POINTS) / POINTS)
            place = np.interp(wanted, phi, frames) - base
            whole = place.astype(np.int64)
            row = (place - whole) * PHASES
            r = row.astype(np.int64)
            a = (row - r)[:, None]
            weight = rows[r] + a * (rows[r + 1] - rows[r])
            index = whole[:, None] + np.arange(1 - TAPS // 2, TAPS // 2 + 1)
            uu, ii = (u[index] * weight).sum(axis=1), (i[index] * weight).sum(axis=1)
            c = np.abs(scipy.fft.rfft(ii))[:CYCLES * (ORDERS + 1)] * np.sqrt(2) / POINTS
            energy = c * c
            at = CYCLES * np.arange(1, ORDERS + 1)
            g = sum(energy[at + d] for d in range(-4, 5)) + 0.5 * (energy[at - 5] + energy[np.minimum(at + 5, len(c) - 1)])
            g = np.sqrt(g)
            g[0] = c[CYCLES]
            groups.append(g)
            power.append(np.mean(uu * ii))
        next_phase += 2 * np.pi * CYCLES * count
        next_frame = np.interp(next_phase, phi, frames)
    groups = np.array(groups)
    keep = np.exp(-0.2 / 1.5)
    smoothed = sg.lfilter([1 - keep], [1, -keep], groups, axis=0, zi=groups[:1] * keep)[0]
    average, maximum = smoothed.mean(axis=0), smoothed.max(axis=0)
    h = np.arange(1, ORDERS + 1)
    limit = np.where(h % 2 == 1, 2.25 / h, 1.84 / h)
    for order, value in ((2, 1.08), (3, 2.3), (4, 0.43), (5, 1.14), (6, 0.3), (7, 0.77), (9, 0.4), (11, 0.33), (13, 0.21)):
        limit[order - 1] = value
    failing = h[1:][(average[1:] > limit[1:]) | (maximum[1:] > 1.5 * limit[1:])]
    print("fails in", list(map(int, failing)))
    for order in range(1, 16, 2):
        print(f"order {order:2d} {average[order - 1]:.5f} A")
    p = np.concatenate(sensation)
    per = int(600 * rate / factor / 5)
    severity = []
    for k in range(0, len(p) - per + 1, per):
        q = lambda *xs: np.mean([np.percentile(p[k:k + per], 100 - v) for v in xs])
        severity.append(np.sqrt(0.0314 * q(0.1) + 0.0525 * q(0.7, 1, 1.5) + 0.0657 * q(2.2, 3, 4)
                                + 0.28 * q(6, 8, 10, 13, 17) + 0.08 * q(30, 50, 80)))
    if severity:
        print(f"pst {max(severity):.4f} plt {np.mean(np.array(severity[-12:]) ** 3) ** (1 / 3):.4f}")
    print(f"seconds {time.perf_counter() - began:.3f}")


if __name__ == "__main__":
    main()
