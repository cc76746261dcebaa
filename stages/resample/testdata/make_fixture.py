"""Writes scipy.json beside this script: signals filtered by scipy, for resample's tests.

Run by hand when a case is added:  python3 make_fixture.py   (Debian: python3-scipy)
The filters are designed here by scipy.signal.firwin, not taken from the package.
"""
import json
import os

import numpy as np
import scipy
from scipy import interpolate, signal

ATTENUATION = 96.0


def lowpass(l, passed, stop):
    """The low pass at l times the input rate; edges in cycles per input sample."""
    half = int(np.ceil((ATTENUATION - 7.95) / (14.36 * (stop - passed)) / 2))
    beta = signal.kaiser_beta(ATTENUATION)
    h = signal.firwin(2 * half * l + 1, (passed + stop) / 2, window=("kaiser", beta), fs=l, scale=False) * l
    h[0] = h[-1] = 0  # the window ends at zero
    u = np.arange(-half * l, half * l + 1) / l
    w = signal.windows.kaiser(2 * half * l + 1, beta)
    w[0] = w[-1] = 0
    for p in range(l):  # a gain of one and the centre of gravity at zero for each phase
        s = slice(p, None, l)
        shapes = np.array([w[s], w[s] * u[s]])
        weights = np.array([np.ones_like(u[s]), u[s]])
        h[s] += np.linalg.solve(weights @ shapes.T, [1, 0] - weights @ h[s]) @ shapes
    return h, half


def resample(x, stages):
    """The signal through filters that follow each other, each (l, m, pass, stop) with edges in Hz at its own
    input rate, from one rate on; and how many outputs at either end see beyond the signal."""
    rate, seconds = stages[0], 0.0
    n = len(x)
    for l, m, passed, stop in stages[1:]:
        h, half = lowpass(l, passed / rate, stop / rate)
        lead = -(half * l) % m  # so that the filter's centre falls on an output
        x = signal.upfirdn(np.concatenate([np.zeros(lead), h]), x, l, m)[(half * l + lead) // m:]
        seconds += (half + 1) / rate
        rate = rate * l / m
    last = int((n - 1) / stages[0] * rate + 1e-9)
    first = int(np.ceil(seconds * rate)) + 1
    return x[first:last + 1 - first], first


def rounded(x):
    return [float(v) for v in np.round(x, 4)]


def main():
    rng = np.random.default_rng(20310)
    cases = []

    def case(name, out_rate, high, n, *stages):
        x = np.array(rounded(rng.normal(size=n)))
        y, first = resample(x, stages)
        cases.append(dict(name=name, in_rate=stages[0], out_rate=out_rate, low=0, high=high,
                          tolerance=1e-10, first=first, x=rounded(x), y=[float(v) for v in y]))

    case("up 128/125", 1024, 0, 400, 1000, (128, 125, 450, 500))
    case("up 2/1", 1024, 0, 350, 512, (2, 1, 230.4, 256))
    case("down 4/5", 800, 0, 500, 1000, (4, 5, 360, 400))
    case("down 32/125 in two", 512, 0, 1400, 2000, (1, 2, 256, 744), (64, 125, 230.4, 256))
    case("upper end near the limit", 256, 100, 400, 256, (1, 1, 100, 125))
    case("upper end alone, in three", 250, 20, 1200, 250, (1, 3, 25, 250 / 3 - 25), (1, 1, 20, 25), (3, 1, 25, 250 / 3 - 25))
    case("up 4/1 with an upper end, in three", 2000, 50, 700, 500, (1, 2, 62.5, 187.5), (1, 1, 50, 62.5), (8, 1, 62.5, 187.5))

    x = np.array(rounded(rng.normal(size=900)))
    y, first = resample(x, (64, (1, 10, 2, 4.4), (1, 1, 1, 2), (10, 1, 2, 4.4)))
    cases.append(dict(name="lower end alone", in_rate=64, out_rate=64, low=2, high=0, tolerance=1e-10,
                      first=first, x=rounded(x), y=[float(v) for v in x[first:first + len(y)] - y]))

    splines = []
    for n in (3, 4, 5, 200):
        t = np.array(rounded(7 + (np.arange(n) + rng.uniform(-0.4, 0.4, size=n)) / 50))
        x = np.array(rounded(rng.normal(size=n)))
        at = np.arange(int(np.floor((t[-1] - t[0]) * 50 + 1e-6)) + 1) / 50 + t[0]
        splines.append(dict(rate=50, t=rounded(t), x=rounded(x),
                            y=[float(v) for v in interpolate.CubicSpline(t, x, bc_type="not-a-knot")(at)]))

    path = os.path.join(os.path.dirname(os.path.abspath(__file__)), "scipy.json")
    with open(path, "w") as f:
        json.dump(dict(made_by="scipy %s, numpy %s: firwin, upfirdn, CubicSpline" %
                       (scipy.__version__, np.__version__), filters=cases, splines=splines), f, indent=0)
        f.write("\n")


main()
