#!/usr/bin/env python3
"""The measuring receiver of CISPR 16-1-1, one frequency at a time, each step as the circuit has it, in double precision.

It shares no code and no method with the crate it checks: the filter runs as a sum over the record for every output (32 outputs
per bandwidth), the diode's charging is integrated by the classical Runge-Kutta rule with the conduction law itself, the meter
by its exact response to straight lines.

    exact_receiver.py RECORD.npy --band B --rate HZ [--start rest|settled] [--scale V] FREQUENCY_HZ ...

Prints frequency_hz and the four levels (dBuV, r.m.s. of a sine at the input) as CSV.
"""
import argparse
import math

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.signal import lfilter

# bandwidth, charge, discharge, meter, corner of the rms-average: CISPR 16-1-1 (from memory)
BANDS = {"A": (200.0, 45e-3, 0.5, 0.16, 10.0), "B": (9e3, 1e-3, 0.16, 0.16, 100.0), "C": (120e3, 1e-3, 0.55, 0.1, 100.0),
         "D": (120e3, 1e-3, 0.55, 0.1, 100.0), "E": (1e6, None, None, 0.1, 1000.0)}
COLUMNS = ("peak", "quasi_peak", "cispr_average", "rms_average")


def envelope(x, rate, frequency, bandwidth):
    """Carrier amplitude behind the Gaussian filter wherever the whole filter lies in the record, and its time step."""
    sigma = math.sqrt(2 * math.log(2)) / (math.pi * bandwidth)
    half = math.ceil(6 * sigma * rate)
    t = np.arange(-half, half + 1) / rate
    taps = np.exp(-0.5 * (t / sigma) ** 2)
    taps = taps / taps.sum()
    cos, sin = taps * np.cos(2 * np.pi * frequency * t), taps * np.sin(2 * np.pi * frequency * t)
    every = max(1, int(rate / (32 * bandwidth)))
    count = (len(x) - len(taps)) // every + 1
    # The sum for every output, as matrix products: the record in rows of `every` samples, the taps in as many columns as
    # rows they reach over; an output is the sum of its rows' shares.
    columns = -(-len(taps) // every)
    kernel = np.zeros((columns * every, 2))
    kernel[:len(taps), 0], kernel[:len(taps), 1] = cos, sin
    kernel = kernel.reshape(columns, every, 2).transpose(1, 0, 2).reshape(every, 2 * columns)
    out = np.empty(count)
    at_once = 4096
    for first in range(0, count, at_once):
        n = min(at_once, count - first)
        piece = np.zeros((n + columns - 1) * every)
        part = np.asarray(x[first * every:first * every + len(piece)], dtype=np.float64)
        piece[:len(part)] = part
        shares = (piece.reshape(-1, every) @ kernel).reshape(-1, columns, 2)
        total = sum(shares[c:c + n, c] for c in range(columns))
        out[first:first + n] = 2 * np.hypot(total[:, 0], total[:, 1])
    return out, every / rate


def conduction(u):
    return math.sqrt(1 - u * u) - u * math.acos(u) if u < 1 else 0.0


def network(charge, discharge):
    def final(a):
        return brentq(lambda u: a * conduction(u) / math.pi - u / discharge, 0, 1, xtol=1e-14)

    def time_to_63(a):
        end = (1 - math.exp(-1)) * final(a)
        return quad(lambda u: 1 / (a * conduction(u) / math.pi - u / discharge), 0, end)[0]

    a = brentq(lambda a: time_to_63(a) - charge, 0.2 / charge, 20 / charge)
    return a, final(a)


def capacitor(env, dt, attack, discharge, v):
    """Voltage at every output of the filter, the envelope taken as straight between them."""
    def slope(e, v):
        up = attack * e * conduction(v / e) / math.pi if e > v >= 0 and e > 0 else 0.0
        return up - v / discharge

    out = [v]
    for e0, e1 in zip(env[:-1].tolist(), env[1:].tolist()):
        em = 0.5 * (e0 + e1)
        k1 = slope(e0, v)
        k2 = slope(em, v + 0.5 * dt * k1)
        k3 = slope(em, v + 0.5 * dt * k2)
        k4 = slope(e1, v + dt * k3)
        v += dt / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        out.append(v)
    return np.array(out)


def deflection(x, dt, tm, settled):
    """Highest deflection of T^2 y'' + 2 T y' + y = x: two equal lags one after the other, each exact for straight lines."""
    keep = math.exp(-dt / tm)
    a = 1 - (1 - keep) * tm / dt          # share of the step's end, exact for one lag under a straight line
    b = (1 - keep) - a

    def lag(x, y):
        # y[k] = keep * y[k - 1] + b * x[k - 1] + a * x[k]
        later, _ = lfilter([1.0], [1.0, -keep], b * x[:-1] + a * x[1:], zi=[keep * y])
        return np.concatenate([[y], later])

    def both(first, second):
        z = lag(x, first)
        return z, lag(z, second)

    if not settled:
        return both(0.0, 0.0)[1].max()
    whole = keep ** (len(x) - 1)
    first = lag(x, 0.0)[-1] / (1 - whole)
    z = lag(x, first)
    second = lag(z, 0.0)[-1] / (1 - whole)
    return lag(z, second).max()


def read(x, rate, frequency, band, settled):
    bandwidth, charge, discharge, tm, corner = BANDS[band]
    env, dt = envelope(x, rate, frequency, bandwidth)
    n = max(1, round(1 / corner / dt))
    power = env ** 2
    before = np.resize(power[::-1], n)[::-1] if settled else np.zeros(n)
    total = np.concatenate([[0.0], np.cumsum(np.concatenate([before, power]))])
    mean = (total[n + 1:] - total[1:-n]) / n
    volts = {"peak": env.max(), "cispr_average": deflection(env, dt, tm, settled),
             "rms_average": deflection(np.sqrt(np.maximum(mean, 0)), dt, tm, settled)}
    if charge is not None:
        attack, final = network(charge, discharge)
        v = capacitor(env, dt, attack, discharge, 0.0)
        if settled:
            # the end as a function of the start, where both are the same
            def ends(v0):
                return capacitor(env, dt, attack, discharge, v0)[-1]
            low = v[-1]
            for _ in range(200):
                high = ends(low)
                if abs(high - low) <= 1e-7 * v.max():
                    break
                low = high
            v = capacitor(env, dt, attack, discharge, low)
        volts["quasi_peak"] = deflection(v, dt, tm, settled) / final
    return {k: 20 * math.log10(max(v, 1e-12) / math.sqrt(2) * 1e6) for k, v in volts.items()}


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("record")
    p.add_argument("frequency_hz", nargs="+", type=float)
    p.add_argument("--band", required=True, choices=list(BANDS))
    p.add_argument("--rate", type=float, required=True)
    p.add_argument("--start", choices=("rest", "settled"), default="rest")
    p.add_argument("--scale", type=float, default=1.0)
    a = p.parse_args()
    x = np.load(a.record, mmap_mode="r")
    print("frequency_hz,peak_dbuv,quasi_peak_dbuv,cispr_average_dbuv,rms_average_dbuv")
    for f in a.frequency_hz:
        r = read(x, a.rate, f, a.band, a.start == "settled")
        shift = 20 * math.log10(a.scale)
        print(f"{f:.6f}," + ",".join(f"{r[k] + shift:.4f}" if k in r else "" for k in COLUMNS), flush=True)


if __name__ == "__main__":
    main()
