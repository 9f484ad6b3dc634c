#!/usr/bin/env python3
"""How far a trace lies from the exact receiver (crates/receiver/tests/exact_receiver.py), at some of its own frequencies.

    accuracy.py TRACE.csv RECORD.npy --band B --rate 62.5e6 [--start rest|settled] [--scale V] [--rows 6]

The rows are the highest of the trace and others spread evenly over it. Prints one JSON object with the largest difference of
each detector in dB and where it lies.
"""
import argparse
import csv
import importlib.util
import json
import math
import pathlib

import numpy as np

HERE = pathlib.Path(__file__).resolve().parent
SPEC = importlib.util.spec_from_file_location("exact_receiver", HERE.parent / "crates/receiver/tests/exact_receiver.py")
exact = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(exact)


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("trace")
    p.add_argument("record")
    p.add_argument("--band", required=True, choices=list(exact.BANDS))
    p.add_argument("--rate", type=float, required=True)
    p.add_argument("--start", choices=("rest", "settled"), default="rest")
    p.add_argument("--scale", type=float, default=1.0, help="volts per unit that the trace was made with")
    p.add_argument("--rows", type=int, default=6)
    a = p.parse_args()
    with open(a.trace, newline="") as o:
        rows = list(csv.DictReader(o))
    highest = max(range(len(rows)), key=lambda i: float(rows[i]["peak_dbuv"]))
    chosen = sorted({highest, *(round((k + 0.37) / a.rows * (len(rows) - 1)) for k in range(a.rows - 1))})
    x = np.load(a.record, mmap_mode="r")
    shift = 20 * math.log10(a.scale)
    worst = {}
    for i in chosen:
        f = float(rows[i]["frequency_hz"])
        want = exact.read(x, a.rate, f, a.band, a.start == "settled")
        for k, v in want.items():
            got = rows[i].get(k + "_dbuv")
            if got:
                d = float(got) - v - shift
                if k not in worst or abs(d) > abs(worst[k]["difference_db"]):
                    worst[k] = {"difference_db": round(d, 4), "frequency_hz": f}
    print(json.dumps({"start": a.start, "rows": len(chosen), "worst": worst,
                      "worst_db": max(abs(w["difference_db"]) for w in worst.values())}))


if __name__ == "__main__":
    main()
