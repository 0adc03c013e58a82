"""Works statistics out again by general libraries and compares them with ours.

Reads what cases prints. Fails if anything differs, or if a kind never came.
"""

import json
import math
import sys
import warnings
from collections import Counter
from functools import cache

import numpy as np
import pandas as pd
import pingouin
from scipy import stats
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.weightstats import DescrStatsW

seen = Counter()
EXACT_DAYS = 30  # up to which ours counts Kendall's distribution out


def near(ours, theirs, what, case, within=1e-9):
    seen[what] += 1
    if ours is None or not math.isclose(ours, theirs, rel_tol=within, abs_tol=within):
        sys.exit(f"{what}: ours {ours}, theirs {theirs}\n{json.dumps(case)}")


@cache
def exact_rank(n):
    """The highest rank whose chance on one side is 2.5 %, by scipy's exact test
    of Kendall's tau: its p-value of an order with so many pairs out of order."""
    rank = 0
    while True:
        order, left = list(range(n)), rank
        for i in range(n):  # move things back until that many pairs are out of order
            move = min(left, n - 1 - i)
            order.insert(i, order.pop(i + move))
            left -= move
        if stats.kendalltau(range(n), order, method="exact").pvalue > 0.05:
            return rank
        rank += 1


def check_trend(case):
    weeks, points = np.array(case["days"]) / 7, np.array(case["points"])
    slope, start, low, high = stats.theilslopes(points, weeks, 0.95, method="joint")
    near(case["slope"][0], slope, "slope", case)
    near(case["start"], start, "height at the start", case, 1e-8)
    if len(weeks) <= EXACT_DAYS:
        i, j = np.triu_indices(len(weeks), 1)
        slopes = np.sort((points[j] - points[i]) / (weeks[j] - weeks[i]))
        rank = exact_rank(len(weeks))
        low, high = slopes[rank - 1], slopes[-rank]
    near(case["slope"][1], low, "slope's interval", case)
    near(case["slope"][2], high, "slope's interval", case)
    near(case["mean"], np.trapezoid(points, weeks) / (weeks[-1] - weeks[0]), "time-weighted mean", case)


def check_agreement(case):
    own, team = np.array(case["self"]), np.array(case["clinician"])
    n, difference = len(own), np.array(case["self"]) - np.array(case["clinician"])
    described = DescrStatsW(difference)
    near(case["bias"][0], described.mean, "bias", case)
    low, high = described.tconfint_mean(0.05)
    near(case["bias"][1], low, "bias's interval", case, 1e-7)
    near(case["bias"][2], high, "bias's interval", case, 1e-7)
    sd = np.std(difference, ddof=1)
    near(case["deviation"], sd, "deviation", case)
    for name, sign in (("lower", -1), ("upper", 1)):
        value = described.mean + sign * 1.96 * sd
        half = stats.t.ppf(0.975, n - 1) * math.sqrt(3 * sd**2 / n)
        near(case[name][0], value, "limit", case)
        near(case[name][1], value - half, "limit's interval", case, 1e-7)
        near(case[name][2], value + half, "limit's interval", case, 1e-7)
    check_icc(case, n)
    near(case["precision"], stats.pearsonr(own, team).statistic, "Pearson's r", case)
    check_lin(case, own, team)


def concordance_of(moments):
    mean1, mean2, var1, var2, covariance = moments
    return 2 * covariance / (var1 + var2 + (mean1 - mean2) ** 2)


def check_lin(case, own, team):
    """The interval by another way than Lin's printed formula: the delta method on
    the moments of two normal variables, with a gradient by differences."""
    (v1, c), (_, v2) = np.cov(own, team, ddof=0)
    moments = np.array([own.mean(), team.mean(), v1, v2, c])
    value = concordance_of(moments)
    near(case["lin"][0], value, "concordance", case)
    near(case["precision"] * case["accuracy"], value, "precision times accuracy", case)
    spread = np.zeros((5, 5))
    spread[:2, :2] = [[v1, c], [c, v2]]
    spread[2:, 2:] = [[2 * v1 * v1, 2 * c * c, 2 * v1 * c], [2 * c * c, 2 * v2 * v2, 2 * v2 * c], [2 * v1 * c, 2 * v2 * c, v1 * v2 + c * c]]
    steps = np.diag(1e-5 * np.maximum(np.abs(moments), 1))
    gradient = np.array([(concordance_of(moments + h) - concordance_of(moments - h)) / (2 * h.sum()) for h in steps])
    error = math.sqrt(gradient @ spread @ gradient / (len(own) - 2)) / (1 - value**2)
    for ours, sign in zip(case["lin"][1:], (-1, 1)):
        near(ours, math.tanh(math.atanh(value) + sign * stats.norm.ppf(0.975) * error), "concordance's interval", case, 1e-6)


def check_icc(case, n):
    long = pd.DataFrame({
        "target": list(range(n)) * 2, "rater": ["self"] * n + ["clinician"] * n, "score": case["self"] + case["clinician"],
    })
    table = pingouin.intraclass_corr(long, "target", "rater", "score")
    row = table[table["Type"].isin(["ICC2", "ICC(A,1)"])].iloc[0]
    near(case["icc"][0], row["ICC"], "ICC(2,1)", case)
    column = next(c for c in table.columns if c.startswith("CI95"))
    for ours, theirs in zip(case["icc"][1:], row[column]):
        # pingouin rounds its intervals to two decimals
        near(ours, theirs, "ICC's interval", case, 0.005001)


def check_table(case):
    for weight in ("linear", "quadratic"):
        if case[weight] is not None:
            near(case[weight], cohens_kappa(np.array(case["table"]), wt=weight).kappa, weight + " kappa", case)


warnings.simplefilter("ignore")
check = {"trend": check_trend, "agreement": check_agreement, "table": check_table}
for line in sys.stdin:
    case = json.loads(line)
    check[case["kind"]](case)
    seen["cases of " + case["kind"]] += 1
for kind in check:
    if seen["cases of " + kind] < 100:
        sys.exit(f"too few cases of {kind}")
print("\n".join(f"{count:6} compared: {what}" for what, count in sorted(seen.items())))
