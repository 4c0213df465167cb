"""Fits the weights of src/engine/unasked/weights.rs and reports them honestly.

    cargo bench --bench unasked_fit > unasked.csv
    python3 benches/fit_unasked.py unasked.csv src/engine/unasked/weights.rs

The table is leave-one-guitar-out: what it says of a guitar was fitted without that guitar (the four sampled ones go
two by two). The weights written are fitted to all. Every guitar counts alike, and every style. Only numpy is needed.
"""

import csv
import sys

import numpy as np

STANDINGS = ("Clear", "Alone", "Octave", "Twelfth", "Faint")
RIDGE = 3.0
HEAD = """//! Weights of [`super::Candidate`], written by `benches/fit_unasked.py`.

use super::SIGNS;

/// For every [`super::Standing`], in their order: bias, then the weight of every sign.
pub(super) const MODELS: [[f64; SIGNS + 1]; 5] = [
"""


def load(path):
    with open(path) as file:
        rows = list(csv.DictReader(line for line in file if "," in line))
    signs = [name for name in rows[0] if name[0] == "s" and name[1:].isdigit()]
    missed = {}
    for row in rows:
        if row["standing"] == "None":
            key = (row["set"], row["style"])
            missed[key] = missed.get(key, 0) + int(row["struck"])
    rows = [row for row in rows if row["standing"] != "None"]
    column = lambda name: np.array([row[name] for row in rows])
    x = np.array([[float(row[sign]) for sign in signs] for row in rows])
    return x, column("struck") == "1", column("standing"), column("set"), column("style"), missed


def logistic(x, label, weight):
    """Bias and weight of every sign: ridge logistic regression by Newton, on signs of equal spread."""
    mean, spread = x.mean(0), x.std(0) + 1e-9
    z = np.column_stack([np.ones(len(x)), (x - mean) / spread])
    w = np.zeros(z.shape[1])
    penalty = np.full(len(w), RIDGE)
    penalty[0] = 0
    for _ in range(60):
        p = 1 / (1 + np.exp(-np.clip(z @ w, -30, 30)))
        hessian = (z * (weight * p * (1 - p))[:, None]).T @ z + np.diag(penalty)
        step = np.linalg.solve(hessian, z.T @ (weight * (p - label)) + penalty * w)
        w -= step
        if np.abs(step).max() < 1e-8:
            break
    slopes = w[1:] / spread
    return np.concatenate([[w[0] - slopes @ mean], slopes])


def alike(guitar, style):
    """Weights that make every guitar in every style count alike."""
    weight = np.zeros(len(guitar))
    for one in set(zip(guitar, style)):
        these = (guitar == one[0]) & (style == one[1])
        weight[these] = 1 / these.sum()
    return weight * len(weight) / weight.sum()


def fit(x, label, standing, weight):
    return [logistic(x[standing == s], label[standing == s], weight[standing == s]) for s in STANDINGS]


def odds(models, x, standing):
    told = np.zeros(len(x))
    for s, w in zip(STANDINGS, models):
        these = standing == s
        told[these] = w[0] + x[these] @ w[1:]
    return told


def main():
    x, label, standing, guitar, style, missed = load(sys.argv[1])
    family = guitar.astype(object)
    family[np.isin(guitar, ("sampled-24", "sampled-25"))] = "sampled, nylon and steel"
    family[np.isin(guitar, ("sampled-26", "sampled-27"))] = "sampled, electric"
    weight = alike(guitar, style)
    told = np.zeros(len(x))
    for name in set(family):
        other = family != name
        models = fit(x[other], label[other], standing[other], weight[other])
        told[~other] = odds(models, x[~other], standing[~other])

    def line(name, these, lacking):
        reference = label[these].sum() + lacking
        cells = []
        for bar in (-0.5, 0.0, 0.5, 1.0):
            right, all_told = (these & label & (told > bar)).sum(), (these & (told > bar)).sum()
            cells.append(f"{2 * right / (reference + all_told):.3f} {right / max(all_told, 1):.3f} {right / reference:.3f}")
        print(f"{name:28} " + "   ".join(cells) + f"   {label[these].sum() / reference:.3f}")

    print("F1, precision, recall from log odds of -0.5, 0, 0.5 and 1 on; recall if all were told")
    for one in sorted(set(style)):
        line(one, style == one, sum(n for (_, s), n in missed.items() if s == one))
    for one in sorted(set(guitar)):
        line(one, guitar == one, sum(n for (g, _), n in missed.items() if g == one))
    print("of log odds, the share that was struck (even in all styles)")
    for low, high in ((-1, -0.5), (-0.5, 0), (0, 0.5), (0.5, 1), (1, 2), (2, 3), (3, 5), (5, 99)):
        cells = []
        for one in sorted(set(style)):
            these = (told >= low) & (told < high) & (style == one)
            cells.append(f"{one} {label[these].mean():.2f} ({these.sum()})")
        print(f"{low:5} {high:5} " + "   ".join(cells))
    models = fit(x, label, standing, weight)
    with open(sys.argv[2], "w") as file:
        file.write(HEAD)
        for w in models:
            rows = ["    [", *(f"        {value:.3f}," for value in w), "    ],"]
            file.write("\n".join(rows) + "\n")
        file.write("];\n")


main()
