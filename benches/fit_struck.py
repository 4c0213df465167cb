"""Fits the weights of src/pitch/struck.rs and reports them honestly.

    N=800 cargo bench --bench struck_fit > struck.csv
    python3 benches/fit_struck.py struck.csv

The table is leave-one-guitar-out: what it says of a guitar was fitted without that guitar (the four
sampled ones go two by two). The weights printed are fitted to all. Only numpy is needed.
"""

import csv
import sys

import numpy as np

SHARES = (0.3, 0.1, 0.03, 0.01)


def load(path):
    with open(path) as file:
        rows = [r for r in csv.DictReader(line for line in file if "," in line)]
    number = lambda name: np.array([float(r[name]) for r in rows])
    kind = np.array([r["kind"] for r in rows])
    guitar = np.array([r["set"] for r in rows], dtype=object)
    guitar[np.isin(guitar, ("sampled-24", "sampled-25"))] = "sampled, nylon and steel"
    guitar[np.isin(guitar, ("sampled-26", "sampled-27"))] = "sampled, electric"
    heard = number("n_clear") + number("n_unclear") > 0
    mean = number("unclear") / np.maximum(number("n_unclear"), 1)
    signs = np.column_stack([number("rises"), number("phases"), mean])
    return signs[heard], number("n_clear")[heard] > 0, kind[heard], guitar[heard]


def logistic(x, label, weight):
    """Slope and bias by Newton."""
    z = np.column_stack([x, np.ones(len(x))])
    w = np.zeros(2)
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(z @ w, -30, 30)))
        step = np.linalg.solve((z * (weight * p * (1 - p))[:, None]).T @ z, z.T @ (weight * (p - label)))
        w -= step
        if np.abs(step).max() < 1e-8:
            break
    return w


def fit(signs, clear, kind, guitar):
    """Weights for clear partials and for others; every guitar counts alike, ringing on and being struck too."""
    weight = np.zeros(len(kind))
    for name in set(guitar):
        for struck in (False, True):
            these = (guitar == name) & ((kind != "rings") == struck)
            weight[these] = 1 / these.sum()
    weight *= len(kind)
    sums = (signs[:, 0] + signs[:, 1], signs[:, 2])
    return [logistic(x[these], kind[these] != "rings", weight[these]) for x, these in zip(sums, (clear, ~clear))]


def odds(weights, signs, clear):
    (share, bias), (share_of_mean, bias_of_mean) = weights
    return np.where(clear, share * (signs[:, 0] + signs[:, 1]) + bias, share_of_mean * signs[:, 2] + bias_of_mean)


def honest(signs, clear, kind, guitar):
    told = np.zeros(len(kind))
    for name in set(guitar):
        other = guitar != name
        weights = fit(signs[other], clear[other], kind[other], guitar[other])
        told[~other] = odds(weights, signs[~other], clear[~other])
    return told


def main():
    signs, clear, kind, guitar = load(sys.argv[1])

    def line(name, told, these):
        bars = [np.quantile(told[these & (kind == "rings")], 1 - share) for share in SHARES]
        missed = lambda which: " ".join(f"{100 * np.mean(told[these & (kind == which)] <= bar):5.1f}" for bar in bars)
        print(f"{name:26} again {missed('again')}   fresh {missed('fresh')}")

    print("struck notes missed, in %, where 30, 10, 3 and 1 % of those that ring on are told as struck")
    told = honest(signs, clear, kind, guitar)
    line("all", told, kind == kind)
    for name in sorted(set(guitar)):
        line(name, told, guitar == name)
    for name, i in (("without rises", 0), ("without phases", 1)):
        less = signs.copy()
        less[:, i] = 0
        line(name, honest(less, clear, kind, guitar), kind == kind)
    for name, (share, bias) in zip(("CLEAR", "UNCLEAR"), fit(signs, clear, kind, guitar)):
        print(f"{name} {share:.3f} {name}_BIAS {bias:.3f}")


main()
