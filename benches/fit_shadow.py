"""Fits the weights of src/pitch/shadow/weights.rs and reports them honestly.

    cargo bench --bench shadow_fit > shadow.csv
    python3 benches/fit_shadow.py shadow.csv src/pitch/shadow/weights.rs

The table is leave-one-guitar-out: what it says of a guitar was fitted without that guitar. The
weights written are fitted to all. Only numpy is needed.
"""

import csv
import sys

import numpy as np

GUITARS = ("hollow-body-1", "solid-body", "steel-acoustic")
RATIOS = (2, 3, 4, 5)
RIDGE = 10.0


def load(path):
    with open(path) as file:
        rows = list(csv.DictReader(file))
    names = [n for n in rows[0] if n[0] == "f" and n[1:].isdigit()]
    rows = [r for r in rows if all(r.get(n) not in (None, "", "NaN") for n in names)]
    number = lambda name: np.array([float(r[name]) for r in rows])
    table = {n: number(n) for n in ("present", "ratio", "others", "length", "cents", "micros", "level", "low")}
    table["set"] = np.array([r["set"] for r in rows])
    table["x"] = np.array([[float(r[n]) for n in names] for r in rows])
    table["label"] = table["present"] == table["ratio"]
    # A question about another ratio than the one that sounds is no example of either answer.
    table["plain"] = table["label"] | (table["present"] == 0)
    return table


def fit(x, label):
    """Mean, spread, weight of every feature, and bias: ridge logistic regression by Newton."""
    mean, spread = x.mean(0), x.std(0) + 1e-9
    z = np.hstack([np.clip((x - mean) / spread, -3, 3), np.ones((len(x), 1))])
    w = np.zeros(z.shape[1])
    penalty = np.full(len(w), RIDGE)
    penalty[-1] = 0
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(z @ w, -30, 30)))
        gradient = z.T @ (p - label) + penalty * w
        hessian = (z * (p * (1 - p))[:, None]).T @ z + np.diag(penalty)
        step = np.linalg.solve(hessian, gradient)
        w -= step
        if np.abs(step).max() < 1e-8:
            break
    return mean, spread, w


def odds(model, x):
    mean, spread, w = model
    return np.clip((x - mean) / spread, -3, 3) @ w[:-1] + w[-1]


def report(t, scores):
    rate = lambda m: 100 * m.mean() if len(m) else float("nan")
    print("ratio length |     n  balanced  missed  false | single  mixed | strict  (level -6..-2) | per guitar | f1 err p50 p90 ct | us")
    for ratio in RATIOS:
        for length in sorted(set(t["length"])):
            m = (t["ratio"] == ratio) & (t["length"] == length) & ~np.isnan(scores)
            yes, no = m & t["label"], m & (t["present"] == 0)
            balanced = lambda a: 100 - 0.5 * (rate(scores[a & yes] <= 0) + rate(scores[a & no] > 0))
            strict = np.quantile(scores[no], 0.995)
            quiet = yes & (t["level"] < -2)
            guitars = " ".join(f"{balanced(t['set'] == g):.1f}" for g in GUITARS)
            cents = np.abs(t["cents"][yes & (scores > 0)])
            print(
                f"{ratio:5} {length:6} | {m.sum():5} {balanced(m):8.1f} {rate(scores[yes] <= 0):8.1f} {rate(scores[no] > 0):6.1f} |"
                f" {rate(scores[no & (t['others'] == 0)] > 0):6.1f} {rate(scores[no & (t['others'] != 0)] > 0):6.1f} |"
                f" {rate(scores[yes] > strict):5.1f} at {strict:4.1f} ({rate(scores[quiet] > strict):5.1f}) | {guitars} |"
                f" {np.quantile(cents, 0.5):.1f} {np.quantile(cents, 0.9):.1f} | {np.median(t['micros'][m]):.0f}"
            )
    print("asked for one ratio while another sounds: share above 0")
    for asked in RATIOS:
        for present in RATIOS:
            if asked != present:
                m = (t["ratio"] == asked) & (t["present"] == present) & ~np.isnan(scores)
                print(f"  asked {asked}, sounds {present}: {rate(scores[m] > 0):.1f}")


def main():
    t = load(sys.argv[1])
    scores = np.full(len(t["label"]), np.nan)
    models = []
    for ratio in RATIOS:
        mine = t["ratio"] == ratio
        for guitar in GUITARS:
            train = mine & t["plain"] & (t["set"] != guitar)
            test = mine & (t["set"] == guitar)
            scores[test] = odds(fit(t["x"][train], t["label"][train]), t["x"][test])
        models.append(fit(t["x"][mine & t["plain"]], t["label"][mine & t["plain"]]))
    report(t, scores)
    if len(sys.argv) < 3:
        return
    with open(sys.argv[2], "w") as out:
        out.write("//! Weights of [`super::Model`], written by `benches/fit_shadow.py`.\n\n")
        out.write("use super::Model;\n\n/// For ratios 2 to 5: mean, spread and weight of every feature.\n")
        out.write("pub(super) const MODELS: [Model; 4] = [\n")
        for mean, spread, w in models:
            out.write(f"    Model {{\n        bias: {w[-1]:.3f},\n        terms: [\n")
            for m, s, v in zip(mean, spread, w):
                out.write(f"            [{m:.3f}, {s:.3f}, {v:.3f}],\n")
            out.write("        ],\n    },\n")
        out.write("];\n")


main()
