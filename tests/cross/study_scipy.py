"""Does SciPy find the same numbers on random designs?

Usage: python tests/cross/study_scipy.py PATH_TO_study_cases [SEED [COUNT]]
Exits 1 with the first case that differs.
"""

import json
import subprocess
import sys

import numpy as np
from scipy import optimize, stats


def close(name, got, want, rel, abs_=0.0):
    got, want = np.asarray(got, float), np.asarray(want, float)
    if not np.all(np.abs(got - want) <= abs_ + rel * np.abs(want)):
        sys.exit(f"{name}: got {got}, SciPy {want}")


def check(case):
    a, b = (np.array(g) for g in case["groups"])
    d = case["comparison"]
    matters = case["matters"]
    t = stats.ttest_ind(b, a)
    ci = t.confidence_interval(0.95)
    deg = np.degrees
    close("difference", d["difference_deg"], deg(b.mean() - a.mean()), 1e-9)
    close("df", d["df"], t.df, 1e-9)
    close("interval", [d["low_deg"], d["high_deg"]], deg([ci.low, ci.high]), 1e-7, 1e-9)
    close("p differs", d["p_differs"], t.pvalue, 1e-7)
    low = stats.ttest_ind(b + matters, a, alternative="greater").pvalue
    high = stats.ttest_ind(b - matters, a, alternative="less").pvalue
    close("p same", d["p_same"], max(low, high), 1e-7)
    same, differs = max(low, high) <= 0.05, t.pvalue <= 0.05
    verdict = "same" if same else "differs" if differs else "unclear"
    if d["verdict"] != verdict:
        sys.exit(f"verdict {d['verdict']}, SciPy {verdict}")

    volleys = [np.array(v) for v in case["volleys"]]
    f = stats.f_oneway(*volleys)
    close("F", case["f"], f.statistic, 1e-9)
    sizes = np.array([len(v) for v in volleys])
    n0 = (sizes.sum() - (sizes**2).sum() / sizes.sum()) / (len(volleys) - 1)
    within = sum(((v - v.mean()) ** 2).sum() for v in volleys) / (sizes.sum() - len(volleys))
    close("within", case["within"], within, 1e-9)
    close("between", case["between"], max(0.0, within * (f.statistic - 1) / n0), 1e-7, 1e-9)

    x, y = np.array(case["line_points"]).T
    line = stats.linregress(x, y)
    close("slope", [case["slope"], case["u_slope"]], [line.slope, line.stderr], 1e-8)

    y, w = np.array(case["isotonic_in"]).T
    close("isotonic", case["isotonic"], optimize.isotonic_regression(y, weights=w, increasing=False).x, 1e-9)

    p = np.array(case["p"])
    order = np.argsort(p)
    holm = np.empty_like(p)
    holm[order] = np.minimum(1, np.maximum.accumulate(p[order] * (len(p) - np.arange(len(p)))))
    close("holm", case["holm"], holm, 1e-12)

    t_, df, ncp = case["nct_in"]
    close("noncentral t", case["nct"], stats.nct.sf(t_, df, ncp), 1e-6, 1e-7)
    close("t quantile", case["t975"], stats.t.ppf(0.975, df), 1e-9)
    n = case["power_in"]
    df = 2 * (n - 1)
    power = stats.nct.sf(stats.t.ppf(0.975, df), df, np.sqrt(n / 2))
    close("power", case["power"], power, 1e-6)
    close("equivalence", case["equivalence_power"], max(0, 1 - 2 * stats.t.sf(3 - stats.t.ppf(0.95, n), n)), 1e-8, 1e-10)


def main():
    program, *rest = sys.argv[1:]
    seed, count = (rest + ["1", "200"][len(rest) :])[:2]
    out = subprocess.run([program, seed, count], check=True, capture_output=True, text=True).stdout
    cases = [json.loads(line) for line in out.splitlines()]
    for case in cases:
        check(case)
    print(f"{len(cases)} random designs agree with SciPy")


if __name__ == "__main__":
    main()
