"""Fits the tail of what chance shows, and writes chance.json: python3 make.py trials.csv [more.csv ...]

The CSV files are those of `cargo run --release --example false_finds -- … --csv trials.csv`. Needs numpy and scipy (1.17 tried).
Tail: generalised Pareto beyond a threshold (Coles, An Introduction to Statistical Modeling of Extreme Values, 2001,
section 4.3), by scipy.stats.genpareto.fit (maximum likelihood), of photos that show rows of another design: chance reaches
further there than where no row is, which is counted beside it. Photos are halved by the last digit of their name; the tail of
each half is held against what happens in the other.
"""

import csv
import json
import math
import pathlib
import sys

import numpy as np
import scipy
from scipy.special import rel_entr
from scipy.stats import genpareto, kstest

SHARE_BEYOND = 0.10  # of all trials that lie beyond the threshold
CHANCE_SHARE, PLACE_MM, HAND_MM = 0.08, 100.0, 1.0
THREAD_SCORE = 0.5


def surprise(visible_mm, found_mm):
    f = found_mm / visible_mm
    if f <= CHANCE_SHARE:
        return 0.0
    return visible_mm / PLACE_MM * float(rel_entr(f, CHANCE_SHARE) + rel_entr(1 - f, 1 - CHANCE_SHARE))


def strength(score, surprised, wobble_mm):
    return math.sqrt(max(score, 0.0) * surprised) / max(wobble_mm / HAND_MM, 1.0)


def fit(values):
    threshold = float(np.quantile(values, 1 - SHARE_BEYOND))
    beyond = values[values > threshold] - threshold
    shape, _, scale = genpareto.fit(beyond, floc=0)
    return {"threshold": threshold, "reached": len(beyond) / len(values), "scale": float(scale), "shape": float(shape),
            "ks_p": float(kstest(beyond, genpareto(shape, 0, scale).cdf).pvalue), "beyond": len(beyond)}


def level(tail, chance):
    """The strength that chance reaches so often."""
    return tail["threshold"] + float(genpareto(tail["shape"], 0, tail["scale"]).isf(chance / tail["reached"]))


def main():
    trials = [row for path in sys.argv[1:] for row in csv.DictReader(open(path))]

    def value(row):
        # What was refused shows nothing.
        if row["surprise"] in ("", "NaN"):
            return 0.0
        counts = THREAD_SCORE if row.get("by_threads") == "true" else 1.0
        return strength(counts * float(row["score"]), float(row["surprise"]), float(row["wobble_mm"]))

    empty = np.array([value(row) for row in trials if not row["distance_mm"]])
    trials = [row for row in trials if row["distance_mm"]]
    everything = np.array([value(row) for row in trials])
    halves = [np.array([value(row) for row in trials if int("0" + "".join(c for c in row["photo"] if c.isdigit())) % 2 == half])
              for half in (0, 1)]
    tail = fit(everything)
    print(len(trials), "trials", tail)
    held_out = []
    for mine, other in ((0, 1), (1, 0)):
        half_tail = fit(halves[mine])
        for chance in (0.05, 0.02, 0.01, 0.005, 0.002, 0.001):
            there = halves[other]
            row = {"stated": chance, "level": level(half_tail, chance), "trials": len(there),
                   "happened": int((there > level(half_tail, chance)).sum())}
            held_out.append(row)
            print(row, "expected %.1f" % (chance * len(there)))
    for chance in (0.05, 0.01, 0.001, 0.0001):
        print("chance", chance, "at", level(tail, chance))
    for chance in (0.05, 0.01, 0.001):
        print("no row, beyond the level of", chance, int((empty > level(tail, chance)).sum()), "of", len(empty))
    if len(empty) > 100:
        print("no row by itself", fit(empty), "chance 0.001 at", level(fit(empty), 0.001))
    beyond = np.sort(everything[everything > tail["threshold"]])
    law = genpareto(tail["shape"], 0, tail["scale"])
    places = [(12.5, 2500, 700, 0.6), (6.0, 400, 160, 1.4), (30.0, 3000, 2400, 1.0), (9.0, 1000, 60, 0.5), (15.0, 800, 800, 2.0)]
    out = {
        "source": f"scipy {scipy.__version__}: stats.genpareto, special.rel_entr; numpy {np.__version__}; make.py beside this",
        "trials": len(trials), "tail": tail, "held_out": held_out,
        "survival": [[x, float(law.sf(x))] for x in (0.0, 0.1, 0.5, 1.0, 2.0, 5.0, 12.0)],
        "exponential": [[x, math.exp(-x / tail["scale"])] for x in (0.0, 1.0, 4.0)],
        "strength": [[s, v, f, w, strength(s, surprise(v, f), w)] for s, v, f, w in places],
        "beyond": [round(float(v), 4) for v in beyond],
    }
    pathlib.Path(__file__).with_name("chance.json").write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
