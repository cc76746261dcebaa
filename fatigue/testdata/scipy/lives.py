"""Writes lives.csv: likelihood-ratio intervals found by scipy's general optimiser and root finder.

Run with Python 3 and scipy (made with 1.10.1, numpy 1.24.2): python3 lives.py
"""

import csv

import numpy
import scipy
from scipy import optimize, stats

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3: 20 units, 10 suspended at 500 h.
NIST = ([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10)
FEW = ([1.1e5, 1.9e5, 2.3e5, 3.6e5, 8.0e5], [])
MIXED = ([2.0e4, 3.1e4, 7.5e4, 1.2e5], [1.0e4, 9.0e4, 3.0e5])
LATE = ([4.0e5, 5.0e5], [2.0e5, 1.0e6, 1.0e6])
SETS = {"nist": NIST, "few": FEW, "mixed": MIXED, "late": LATE}
MODELS = {"weibull": stats.gumbel_l, "lognormal": stats.norm}
SOURCE = f"scipy {scipy.__version__}: stats.gumbel_l, stats.norm, optimize.minimize, optimize.brentq; NIST e-Handbook 8.4.1.3 data in nist"


def negative(dist, location, scale, data):
    failed, out = (numpy.log(numpy.array(x, dtype=float)) for x in data)
    l = dist.logpdf(failed, location, scale).sum() - failed.sum() + dist.logsf(out, location, scale).sum()
    return -l if numpy.isfinite(l) else 1e300


def least(f, x0):
    best = None
    for _ in range(4):
        best = optimize.minimize(f, x0, method="Nelder-Mead", options=dict(xatol=1e-12, fatol=1e-13, maxiter=20000))
        x0 = best.x
    return best


def fit(dist, data):
    start = [numpy.log(numpy.array(data[0] + data[1])).mean(), 0.0]
    best = least(lambda v: negative(dist, v[0], numpy.exp(v[1]), data), start)
    return best.x[0], numpy.exp(best.x[1]), best.fun


def ends(profile, at, lowest, confidence, step):
    level = lowest + stats.chi2.ppf(confidence, 1) / 2
    found = []
    for sign in (-1, 1):
        far = at + sign * step
        while profile(far) < level:
            far += sign * step
        found.append(optimize.brentq(lambda v: profile(v) - level, at, far, xtol=1e-11))
    return found


rows = []
for name, data in SETS.items():
    for model, dist in MODELS.items():
        location, scale, lowest = fit(dist, data)
        rows.append([name, model, "location", repr(location), ""])
        rows.append([name, model, "scale", repr(scale), ""])
        rows.append([name, model, "loglik", repr(-lowest), ""])
        for p in (0.1, 0.5):
            z = dist.ppf(p)
            profile = lambda y: least(lambda v: negative(dist, y - z * numpy.exp(v[0]), numpy.exp(v[0]), data), [numpy.log(scale)]).fun
            lo, hi = ends(profile, location + z * scale, lowest, 0.95, scale)
            rows.append([name, model, f"life {p}", repr(numpy.exp(lo)), repr(numpy.exp(hi))])
        profile = lambda s: least(lambda v: negative(dist, v[0], numpy.exp(s), data), [location]).fun
        lo, hi = ends(profile, numpy.log(scale), lowest, 0.90, 0.5)
        rows.append([name, model, "scale interval", repr(numpy.exp(lo)), repr(numpy.exp(hi))])

with open("lives.csv", "w", newline="") as f:
    out = csv.writer(f, lineterminator="\n")
    out.writerow(["set", "model", "quantity", "value", "upper", "source"])
    out.writerows(r + [SOURCE] for r in rows)
