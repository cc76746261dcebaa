"""Writes spectra-*.csv: two signals and what scipy.signal makes of them.

Run with Python 3 and scipy (made with 1.10.1, numpy 1.24.2): python3 spectra.py
"""

import csv

import numpy
import scipy
from scipy import signal

RATE = 500.0
SOURCE = f"scipy.signal {scipy.__version__}: csd, welch, coherence, get_window"


def signals():
    rng = numpy.random.default_rng(2)
    x = signal.lfilter([1], [1, -1.2, 0.6], rng.normal(size=700)) + 3
    y = signal.lfilter([0.5, 0.3, -0.2], [1, -0.4], x) + 0.7 * rng.normal(size=700) - 40
    return x.round(6), y.round(6)


def write(name, header, rows):
    with open(name, "w", newline="") as f:
        out = csv.writer(f, lineterminator="\n")
        out.writerow(header)
        out.writerows(rows)


x, y = signals()
write("spectra-signals.csv", ["x", "y", "source"], [(a, b, "numpy normal noise, filtered; see spectra.py") for a, b in zip(x, y)])

rows = []
for window in ["boxcar", "hann", "hamming", "blackmanharris", "flattop"]:
    for length, overlap in [(64, 32), (75, 50), (128, 0)]:
        how = dict(fs=RATE, window=window, nperseg=length, noverlap=overlap)
        f, pxx = signal.welch(x, **how)
        _, pyy = signal.welch(y, **how)
        _, pxy = signal.csd(x, y, **how)
        _, c = signal.coherence(x, y, **how)
        for i in range(len(f)):
            rows.append([window, length, overlap, repr(f[i]), repr(pxx[i]), repr(pyy[i]), repr(pxy[i].real), repr(pxy[i].imag), repr(c[i]), SOURCE])
write("spectra.csv", ["window", "length", "overlap", "freq", "pxx", "pyy", "pxy_re", "pxy_im", "coherence", "source"], rows)
