"""Writes oscillator.csv: the stretch of a mass on a spring, by scipy.signal.lsim, exact for straight lines between samples.

Run with Python 3 and scipy (made with 1.10.1, numpy 1.24.2): python3 oscillator.py
"""

import csv

import numpy
import scipy
from scipy import signal

RATE = 1000.0
SOURCE = f"scipy.signal.lsim {scipy.__version__}"

rng = numpy.random.default_rng(4)
x = rng.normal(size=150).round(6)
x -= x.mean().round(6)
t = numpy.arange(len(x)) / RATE
rows = []
for f0, q in [(2.0, 10.0), (20.0, 5.0), (47.3, 25.0), (100.0, 10.0), (100.0, 0.6)]:
    w = 2 * numpy.pi * f0
    system = signal.StateSpace([[0, 1], [-w * w, -w / q]], [[0], [-1]], [[1, 0]], [[0]])
    # lsim starts with the first sample already there; one sample of rest before it makes it a ramp from 0.
    _, z, _ = signal.lsim(system, numpy.concatenate([[0], x]), numpy.arange(len(x) + 1) / RATE)
    for i, (a, b) in enumerate(zip(x, z[1:])):
        rows.append([f0, q, RATE, i, a, repr(b), SOURCE])

with open("oscillator.csv", "w", newline="") as f:
    out = csv.writer(f, lineterminator="\n")
    out.writerow(["freq", "q", "rate", "i", "x", "z", "source"])
    out.writerows(rows)
