"""Damage of every column of CSV files: read with pandas, counted by the four-point method.

Usage: rainflow.py HOW FILE...; HOW is "pure Python" or "numba". Prints the seconds taken and a damage.
"""
import sys
import time

import numpy as np
import pandas as pd


def count(x, out):
    """Writes the ranges of closed cycles to out and returns how many they are, and the residue."""
    stack = [0.0] * 0
    n = 0
    for v in x:
        stack.append(v)
        while len(stack) >= 4:
            a, b, c, d = stack[-4], stack[-3], stack[-2], stack[-1]
            inner = abs(c - b)
            if inner > abs(b - a) or inner > abs(d - c):
                break
            out[n] = inner
            n += 1
            stack.pop()
            stack.pop()
            stack.pop()
            stack.append(d)
    return n, stack


def turning_points(x):
    x = x[np.concatenate(([True], np.diff(x) != 0))]
    if len(x) < 3:
        return x
    up = np.diff(x) > 0
    return x[np.concatenate(([True], up[1:] != up[:-1], [True]))]


def damage(x, counter, pure):
    p = turning_points(x)
    out = [0.0] * len(p) if pure else np.empty(len(p))
    n, residue = counter(p.tolist() if pure else p, out)
    full = np.asarray(out[:n]) / 2
    half = np.abs(np.diff(np.asarray(residue))) / 2
    return ((full / 4.5) ** 7).sum() / 1e6 + ((half / 4.5) ** 7).sum() / 2e6


def main():
    how, files = sys.argv[1], sys.argv[2:]
    counter = count
    if how == "numba":
        import numba
        counter = numba.njit(count)
        damage(np.array([0.0, 1, 0, 2, 0, 1, 0]), counter, False)  # compiles
    start = time.perf_counter()
    total = 0.0
    for path in files:
        table = pd.read_csv(path)
        for name in table.columns:
            total += damage(table[name].to_numpy(), counter, how != "numba")
    print(time.perf_counter() - start, total)


main()
