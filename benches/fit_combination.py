"""Fits the weights of src/pitch/combination.rs and reports them honestly.

    N=6000 cargo bench --bench combination_fit > combination.csv
    python3 benches/fit_combination.py combination.csv

The table is leave-one-guitar-out: what it says of a guitar was fitted without that guitar (the four
sampled ones go two by two). The weights printed are fitted to all. Only numpy is needed.
"""

import csv
import sys

import numpy as np

from fit_presence import fit

SIGNS = ("below_db", "pair_odds", "octave")
DRIVES_DB = (-6, -2, 2, 6, 12)


def load(path):
    with open(path) as file:
        rows = [r for r in csv.DictReader(line for line in file if "," in line)]
    for row in rows:
        row["octave"] = "2" in (row["p"], row["q"])
    column = lambda name: np.array([r[name] for r in rows], dtype=object)
    x = np.column_stack([column(name).astype(float) for name in SIGNS])
    guitar = column("set")
    guitar[np.isin(guitar, ("sampled-24", "sampled-25"))] = "sampled, nylon and steel"
    guitar[np.isin(guitar, ("sampled-26", "sampled-27"))] = "sampled, electric"
    drive = np.array([float(r["drive"]) if r["drive"] != "none" else np.nan for r in rows])
    return x, column("sounds") == "0", guitar, drive


def balanced(x, label):
    """Weights and bias, both answers counting alike."""
    return fit(x, label, np.full(len(x), "all"))


def main():
    x, label, guitar, drive = load(sys.argv[1])
    odds = np.zeros(len(x))
    for name in set(guitar):
        other = guitar != name
        slopes, bias = balanced(x[other], label[other])
        odds[~other] = x[~other] @ slopes + bias
    print("combinations told, in %, by how far the amplifier is driven, and of notes that sound how many are told so")
    print("from      " + " ".join(f"{low:4}..{high:<3}" for low, high in zip(DRIVES_DB, DRIVES_DB[1:])) + "  notes")
    for least in (1, 2, 3, 4):
        told = odds > least
        bands = [label & (drive > low) & (drive <= high) for low, high in zip(DRIVES_DB, DRIVES_DB[1:])]
        shares = " ".join(f"{100 * told[band].mean():8.1f}" for band in bands)
        false = {name: int((told & ~label & (guitar == name)).sum()) for name in sorted(set(guitar))}
        print(f"{least:4} {shares}  {false}")
    slopes, bias = balanced(x, label)
    print(f"BIAS {bias:.3f}", *(f"{n.upper()} {s:.4f}" for n, s in zip(SIGNS, slopes)))


main()
