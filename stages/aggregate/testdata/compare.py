#!/usr/bin/env python3
"""Invented laps and what statsmodels makes of them.

Writes compare-laps.csv (case, lap, rider, circuit, damage per km) and compare-expected.csv
(case, reference, rider, log10 ratio, 95 % interval, p, p adjusted by Holm's method, degrees of freedom).
The fit is statsmodels' OLS of log10 damage on circuit and rider, covariance HC3, Student's t.

Debian: apt-get install python3-statsmodels; written with statsmodels 0.13.5.
"""
import csv
import os

import numpy as np
import statsmodels.api as sm
from statsmodels.stats.multitest import multipletests

HERE = os.path.dirname(os.path.abspath(__file__))
CASES = {
    # name: (laps of each rider at each circuit, scatter of each rider)
    "unbalanced": ([[9, 4, 0, 3, 2], [2, 6, 5, 0, 1], [0, 3, 8, 4, 0], [1, 0, 2, 7, 3]], [0.05, 0.2, 0.1, 0.3]),
    "two riders": ([[3, 2, 4], [2, 5, 2]], [0.1, 0.25]),
    "one circuit": ([[4], [6], [5]], [0.1, 0.02, 0.3]),
    "through others": ([[5, 0, 0], [4, 3, 0], [0, 4, 2], [0, 0, 6]], [0.1, 0.1, 0.2, 0.1]),
}


def laps(rng, plan, scatter):
    effect = rng.normal(0, 0.15, len(plan))
    rows = []
    for r, counts in enumerate(plan):
        for c, n in enumerate(counts):
            for _ in range(n):
                y = -5 + 0.6 * c + effect[r] + rng.normal(0, scatter[r])
                rows.append((f"R{r}", f"C{c}", 10**y))
    order = rng.permutation(len(rows))
    rows = [rows[i] for i in order]
    return [(f"L{i}", *row) for i, row in enumerate(rows)]


def fit(rows, reference):
    riders, circuits = sorted({r[1] for r in rows}), sorted({r[2] for r in rows})
    x = np.array([[r[2] == c for c in circuits] + [r[1] == q for q in riders[1:]] for r in rows], float)
    y = np.log10([r[3] for r in rows])
    model = sm.OLS(y, x).fit(cov_type="HC3", use_t=True)
    assert np.linalg.matrix_rank(x) == x.shape[1]
    k = len(riders)
    out = []
    for i, rider in enumerate(riders):
        w = np.zeros(k)
        w[i] += 1
        if reference:
            if rider == reference:
                continue
            w[riders.index(reference)] -= 1
        else:
            w -= 1 / k
        t = model.t_test(np.concatenate([np.zeros(len(circuits)), w[1:]]))
        low, high = t.conf_int()[0]
        out.append([rider, t.effect[0], low, high, float(t.pvalue), model.df_resid])
    p = [o[4] for o in out]
    # two riders against their own mean are one test
    adjusted = p if not reference and k == 2 else multipletests(p, method="holm")[1]
    return [o[:5] + [a, o[5]] for o, a in zip(out, adjusted)]


def main():
    rng = np.random.default_rng(20310)
    with open(os.path.join(HERE, "compare-laps.csv"), "w", newline="") as f, open(
        os.path.join(HERE, "compare-expected.csv"), "w", newline=""
    ) as g:
        data, expected = csv.writer(f, lineterminator="\n"), csv.writer(g, lineterminator="\n")
        data.writerow(["case", "lap", "rider", "circuit", "damage_per_km"])
        expected.writerow(["case", "reference", "rider", "log10_ratio", "low", "high", "p", "p_holm", "freedom"])
        for name, (plan, scatter) in CASES.items():
            rows = laps(rng, plan, scatter)
            for row in rows:
                data.writerow([name, *row[:3], repr(float(row[3]))])
            for reference in ["", "R1"]:
                for e in fit(rows, reference):
                    expected.writerow([name, reference, e[0], *(repr(float(v)) for v in e[1:])])


main()
