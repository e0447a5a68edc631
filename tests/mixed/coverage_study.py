"""Do 95 % intervals of a variety difference hold the truth 95 times in 100?

    python tests/mixed/coverage_study.py [seasons] [heights|pods]     (1,000; some minutes)

Made seasons with a known truth: four varieties in three or four randomised blocks, four plants a
plot.  Heights: blocks, plots and plants vary (sd 1.0, 0.7, 1.0).  Pods: counts of four picks,
negative binomial (size 4, mean 6); blocks, plots and plants vary on the log scale (sd 0.2, 0.25,
0.2).
Every season gives the interval of each of the six differences.  The table, printed in Markdown,
is kept in README.md beside this file.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from collections import defaultdict

import numpy as np
import pandas as pd

from trialkit.mixed import MixedModelError, fit_glmm, fit_lmm

VARIETIES, PLANTS, PICKS = 4, 4, 4
TRUTH = np.array([0.0, 0.2, 0.4, 0.6])


def bed(blocks: int) -> pd.DataFrame:
    rows = [(v, b, p) for v in range(VARIETIES) for b in range(blocks) for p in range(PLANTS)]
    data = pd.DataFrame(rows, columns=["v", "b", "p"])
    data["variety"] = data["v"].map("ABCD".__getitem__)
    data["block"] = "b" + data["b"].astype(str)
    data["plot"] = data["variety"] + data["block"]
    data["plant"] = data["plot"] + "p" + data["p"].astype(str)
    return data


def effects(codes: pd.Series, sd: float, rng: np.random.Generator) -> np.ndarray:
    at, levels = pd.factorize(codes)
    return rng.normal(0.0, sd, len(levels))[at]


def covered(table: pd.DataFrame) -> tuple[float, float]:
    """Share of the six differences held, and the median width."""
    names = {name: TRUTH[i] for i, name in enumerate("ABCD")}
    truth = table["left"].map(names) - table["right"].map(names)
    held = (table["low"] <= truth) & (truth <= table["high"])
    return float(held.mean()), float((table["high"] - table["low"]).median())


def one_by_one(fit: object, df: str | float) -> pd.DataFrame:
    """Each difference with its own 95 % interval, not widened for there being six."""
    rows = [(a, b) for i, a in enumerate("ABCD") for b in "ABCD"[i + 1 :]]
    names = list(fit.part.names)  # type: ignore[attr-defined]
    contrast = np.zeros((len(rows), len(names)))
    for i, pair in enumerate(rows):
        for name, sign in zip(pair, (1.0, -1.0), strict=True):
            column = f"variety[T.{name}]"
            if column in names:
                contrast[i, names.index(column)] = sign
    table = fit.contrast(contrast, df=df)  # type: ignore[attr-defined]
    return table.assign(left=[a for a, _ in rows], right=[b for _, b in rows])


def heights(blocks: int, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    data = bed(blocks)
    data["height"] = TRUTH[data["v"]] + effects(data["block"], 1.0, rng)
    data["height"] += effects(data["plot"], 0.7, rng) + rng.normal(0.0, 1.0, len(data))
    groups = ["block", "plot"]
    reml = fit_lmm("height ~ variety", data, groups=groups)
    flat = fit_lmm("height ~ variety", data, groups=["block"])
    return {
        "height, REML, Kenward-Roger": one_by_one(reml, "kenward-roger"),
        "height, REML, Satterthwaite": one_by_one(reml, "satterthwaite"),
        "height, REML, asymptotic": one_by_one(reml, "asymptotic"),
        "height, plots left out of the model": one_by_one(flat, "kenward-roger"),
    }


def pods(blocks: int, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    data = bed(blocks)
    eta = np.log(6.0) + TRUTH[data["v"]] + effects(data["block"], 0.2, rng)
    eta += effects(data["plot"], 0.25, rng) + effects(data["plant"], 0.2, rng)
    data = pd.concat([data.assign(eta=eta)] * PICKS, ignore_index=True)
    data["pods"] = rng.poisson(rng.gamma(4.0, np.exp(data["eta"]) / 4.0))
    groups = ["block", "plot", "plant"]
    of_plots = float((VARIETIES - 1) * (blocks - 1))
    ml = fit_glmm("pods ~ variety", data, "negative-binomial", groups=groups)
    reml = fit_glmm("pods ~ variety", data, "negative-binomial", groups=groups, method="reml")
    return {
        "pods, REML, design df (plots)": one_by_one(reml, of_plots),
        "pods, REML, asymptotic": one_by_one(reml, "asymptotic"),
        "pods, ML, asymptotic": one_by_one(ml, "asymptotic"),
    }


def main(seasons: int = 1000, parts: str = "heights pods") -> None:
    print("| what | blocks | seasons | coverage, % | (standard error) | median width |")
    print("|---|---|---|---|---|---|")
    for make in (heights, pods):
        if make.__name__ not in parts:
            continue
        for blocks in (3, 4):
            rng = np.random.default_rng(20_000 + blocks)
            found: dict[str, list[tuple[float, float]]] = defaultdict(list)
            failed = 0
            for _ in range(seasons):
                try:
                    for name, table in make(blocks, rng).items():
                        found[name].append(covered(table))
                except MixedModelError:
                    failed += 1
            for name, results in found.items():
                share, width = np.array(results).T
                error = 100.0 * share.std(ddof=1) / np.sqrt(len(share))
                print(f"| {name} | {blocks} | {len(share)} | {100.0 * share.mean():.1f} "
                      f"| {error:.1f} | {np.median(width):.2f} |", flush=True)  # fmt: skip
            if failed:
                print(f"| fits that did not settle | {blocks} | {failed} | | | |")


if __name__ == "__main__":
    told = sys.argv[1:]
    main(int(told[0]) if told else 1000, told[1] if len(told) > 1 else "heights pods")
