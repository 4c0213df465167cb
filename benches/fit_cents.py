"""Fits the two shares of src/pitch/line.rs, AKIN and MOVES, and reports them honestly.

    N=4 cargo bench --bench cents_fit > cents.csv
    python3 benches/fit_cents.py cents.csv

The table is leave-one-guitar-out: shares of true errors inside one and two told ones of a guitar that the
constants were not fitted to (the four sampled ones go together, as do both noises of the synthesiser).
Only numpy is needed.
"""

import csv
import sys

import numpy as np

GRID = np.arange(0, 1.55, 0.05)
ASKED = (0.68, 0.95)


def shares(rows, akin, moves):
    """Shares of the true errors inside one and two told ones."""
    off, chance, stray, moved = rows.T
    told = np.sqrt(chance**2 + (akin * stray) ** 2 + (moves * moved) ** 2)
    size = np.abs(off) / told
    return np.mean(size < 1), np.mean(size < 2)


def fit(groups):
    """The constants that bring the shares of all groups nearest to what is asked."""
    def off(constants):
        found = [shares(rows, *constants) for rows in groups]
        return sum((one - ASKED[0]) ** 2 + 4 * (two - ASKED[1]) ** 2 for one, two in found)
    return min(((a, m) for a in GRID for m in GRID), key=off)


def main():
    guitars = {}
    with open(sys.argv[1]) as file:
        for row in csv.DictReader(line for line in file if "," in line):
            guitar = row["set"].split("-2")[0]
            name = (guitar, row["noise"])
            guitars.setdefault(name, []).append([float(row[k]) for k in ("off", "chance", "stray", "moved")])
    guitars = {name: np.array(rows) for name, rows in guitars.items()}
    print("inside one and two told errors, in %, the constants fitted to other guitars")
    for name, rows in guitars.items():
        akin, moves = fit([r for other, r in guitars.items() if other[0] != name[0]])
        one, two = shares(rows, akin, moves)
        print(f"{name[0]:16} {name[1]:>4} {len(rows):6} notes {100 * one:5.1f} {100 * two:5.1f}   akin {akin:.2f} moves {moves:.2f}")
    akin, moves = fit(list(guitars.values()))
    print(f"AKIN {akin:.2f} MOVES {moves:.2f}")


main()
