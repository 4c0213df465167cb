"""Fits the weights of src/pitch/presence.rs and reports them honestly.

    N=16 cargo bench --bench presence_fit > presence.csv
    python3 benches/fit_presence.py presence.csv

The table is leave-one-guitar-out: what it says of a guitar was fitted without that guitar (the four
sampled ones go two by two). The weights printed are fitted to all. Only numpy is needed.
"""

import csv
import sys

import numpy as np

SIGNS = ("clarity", "level_db", "has_first", "first")
RIDGE = 1.0


def load(path):
    with open(path) as file:
        rows = [r for r in csv.DictReader(line for line in file if "," in line)]
    x = np.array([[float(r[n]) for n in SIGNS] for r in rows])
    label = np.array([r["sounds"] == "1" for r in rows])
    column = lambda name: np.array([r[name] for r in rows])
    guitar = column("set")
    guitar[np.isin(guitar, ("sampled-24", "sampled-25"))] = "sampled, nylon and steel"
    guitar[np.isin(guitar, ("sampled-26", "sampled-27"))] = "sampled, electric"
    return x, label, guitar, column("length"), column("phone")


def fit(x, label, guitar):
    """Weights and bias: ridge logistic regression by Newton, every guitar and both answers counting alike."""
    mean, spread = x.mean(0), x.std(0)
    z = np.hstack([(x - mean) / spread, np.ones((len(x), 1))])
    weight = np.zeros(len(x))
    for name in set(guitar):
        for answer in (False, True):
            these = (guitar == name) & (label == answer)
            weight[these] = 1 / these.sum()
    weight *= len(x) / weight.sum()
    w = np.zeros(z.shape[1])
    penalty = np.full(len(w), RIDGE)
    penalty[-1] = 0
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(z @ w, -30, 30)))
        gradient = z.T @ (weight * (p - label)) + penalty * w
        hessian = (z * (weight * p * (1 - p))[:, None]).T @ z + np.diag(penalty)
        step = np.linalg.solve(hessian, gradient)
        w -= step
        if np.abs(step).max() < 1e-8:
            break
    slopes = w[:-1] / spread
    return slopes, w[-1] - slopes @ mean


def missed(label, odds, false_per_note):
    """Share of the notes that are missed where so many false ones are told for every note."""
    order = np.argsort(-odds)
    hits, false = np.cumsum(label[order]), np.cumsum(~label[order])
    at = np.searchsorted(false, false_per_note * label.sum())
    return 100 * (1 - hits[min(at, len(hits) - 1)] / label.sum())


def honest_odds(x, label, guitar):
    """Log odds of every candidate, fitted to the other guitars."""
    odds = np.zeros(len(x))
    for name in set(guitar):
        other = guitar != name
        slopes, bias = fit(x[other], label[other], guitar[other])
        odds[~other] = x[~other] @ slopes + bias
    return odds


def main():
    x, label, guitar, length, phone = load(sys.argv[1])
    odds = honest_odds(x, label, guitar)
    print("notes missed, in %, where 1 false one is told for 1000, 100, 33 and 10 notes")
    groups = {"all": label == label}
    groups |= {name: guitar == name for name in sorted(set(guitar))}
    groups |= {f"{s} s": length == s for s in sorted(set(length))}
    groups |= {"through a phone": phone == "1", "plain": phone == "0"}
    for name, these in groups.items():
        shares = [missed(label[these], odds[these], q) for q in (0.001, 0.01, 0.03, 0.1)]
        print(f"{name:26} {these.sum():7} candidates {label[these].sum():6} notes  " + " ".join(f"{s:5.1f}" for s in shares))
    print("the same without one of the signs, all")
    for sign in ("clarity", "level_db", "first"):
        kept = [i for i, name in enumerate(SIGNS) if sign not in name]
        shares = [missed(label, honest_odds(x[:, kept], label, guitar), q) for q in (0.001, 0.01, 0.03, 0.1)]
        print(f"without {sign:18} " + " ".join(f"{s:5.1f}" for s in shares))
    slopes, bias = fit(x, label, guitar)
    print(f"BIAS {bias:.3f}", *(f"{n.upper()} {s:.4f}" for n, s in zip(SIGNS, slopes)))


if __name__ == "__main__":
    main()
