"""Recomputes the figures in another way, with exact fractions; writes exact.json beside itself.

Wilson: the two roots of (p - share)^2 = z^2 * p * (1 - p) / n, found by bisection, not by the closed formula.
Control limits: the root of (p - centre)^2 = 9 * centre * (1 - centre) / n, by bisection.
Quantiles: Python's statistics.quantiles(method="inclusive"), which is Hyndman and Fan's definition 7.
"""
import json
import os
import random
import statistics
from fractions import Fraction as F

Z = F("1.959963984540054")


def root(f, low, high):
    """f(low) and f(high) differ in sign."""
    rising = f(low) < 0
    for _ in range(60):
        middle = (low + high) / 2
        if (f(middle) < 0) == rising:
            low = middle
        else:
            high = middle
    return float((low + high) / 2)


def wilson(k, n):
    share = F(k, n)
    f = lambda p: (p - share) ** 2 - Z**2 * p * (1 - p) / n
    # with a share of 0 or 1 one root is the share itself: the other one lies a little further in
    hair = F(1, 10**9)
    low = 0.0 if k == 0 else root(f, F(0), share - (hair if k == n else 0))
    high = 1.0 if k == n else root(f, share + (hair if k == 0 else 0), F(1))
    return [low, high]


def limits(k, n, size):
    centre = F(k, n)
    f = lambda p: (p - centre) ** 2 - 9 * centre * (1 - centre) / size
    low = 0.0 if f(F(0)) <= 0 else root(f, F(0), centre)
    high = 1.0 if f(F(1)) <= 0 else root(f, centre, F(1))
    return [low, high]


luck = random.Random(20261128)
pairs = [(0, 1), (1, 1), (1, 2), (5, 10), (19, 20), (199, 200), (0, 2000)]
pairs += [(luck.randint(0, n), n) for n in (luck.randint(1, 500) for _ in range(40))]
samples = [[luck.randint(0, 100_000) for _ in range(n)] for n in (2, 3, 4, 5, 9, 10, 11, 40, 101)]
table = {
    "wilson": [[k, n, *wilson(k, n)] for k, n in pairs],
    "limits": [[k, n, size, *limits(k, n, size)] for (k, n), size in zip(pairs, [1, 3, 7, 50, 4, 12, 30] * 7) if 0 < k < n],
    "quantiles": [
        [sample, statistics.median(sample), statistics.quantiles(sample, n=10, method="inclusive")[-1]] for sample in samples
    ],
}
with open(os.path.join(os.path.dirname(__file__), "exact.json"), "w") as out:
    json.dump(table, out)
    out.write("\n")
