"""Do the intervals of the picking window and of the pods within reach hold the truth?

    python tests/models/window_study.py [seasons]            (400; some minutes)

Made seasons with a known truth: four varieties in three or four randomised blocks, four plants a
plot, picked every fourth day from day 50 to day 110 and measured once a week.  Counts are negative
binomial (size 5 a plant and pick); plots and plants differ in yield (sd 0.15 and 0.2 on the log
scale) and in height (sd 6 and 12 cm; a reading errs by 3 cm), and each pick's date has a share of
its own in common to all (sd 0.2).  Early passes reach (200 cm) a sixth of the way through the
picking season, Late about half way, Slow never does but falls below the grower's threshold of 2
pods a plant a week near day 94, Never keeps on.  Yields fall with age by half in 46 days, those of
Slow faster.

The truth of pods within reach: what plots and plants such as these give on average at this
season's dates from the season's start until the window closes, over the weeks of the season.  The
window closes when the variety's mean height passes reach or its mean rate, without the luck of
single dates, the threshold; its length runs from the first pick with a pod.  The mean over plots
and plants is exp(half their variance) times that of a typical one.

The tables, printed in Markdown, are kept in README.md beside this file.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from collections import defaultdict

import numpy as np
import pandas as pd
from seasons import bed, day, grown, records

from trialkit.models import Missing, analyse

FINAL = {"Early": 260.0, "Late": 208.0, "Slow": 150.0, "Never": 160.0}
LEVEL = {"Early": 1.2, "Late": 0.9, "Slow": 1.2, "Never": 0.8}
FADE = {"Early": 66.0, "Late": 66.0, "Slow": 30.0, "Never": 66.0}  # days to 1/e
DAYS, GAP = np.arange(50.0, 111.0, 4.0), 4.0
WEEKS = list(range(14, 113, 7))
HALF, SPEED, REACH, THRESHOLD = 45.0, 10.0, 200.0, 2.0
PLOT, PLANT, DATE, SIZE = 0.15, 0.2, 0.2, 5.0
SPREAD = float(np.exp((PLOT**2 + PLANT**2) / 2.0))
SEED = 20_605


def rate(variety: str, when: np.ndarray) -> np.ndarray:
    """Pods a plant a day, mean over plots and plants, without the dates' luck."""
    return SPREAD * LEVEL[variety] * np.exp(-(np.asarray(when, float) - 50.0) / FADE[variety])


def closes(variety: str) -> float:
    """The day the window closes, from planting; the last pick if nothing closes it."""
    final = FINAL[variety]
    out = HALF - SPEED * np.log(final / REACH - 1.0) if final > REACH else np.inf
    slow = 50.0 + FADE[variety] * np.log(SPREAD * LEVEL[variety] * 7.0 / THRESHOLD)
    return float(min(out, slow, DAYS[-1]))


def pick(plants: pd.DataFrame, rng: np.random.Generator) -> tuple[pd.DataFrame, np.ndarray]:
    """Counts, and what each date did to all of them, (picks,)."""
    def drawn(name: str, sd: float) -> np.ndarray:
        at, levels = pd.factorize(plants[name])
        return rng.normal(0.0, sd, len(levels))[at]

    own = np.exp(drawn("plot", PLOT) + drawn("plant", PLANT)) / SPREAD
    dates = np.exp(rng.normal(0.0, DATE, len(DAYS)))
    middle = DAYS - GAP / 2.0
    mean = np.array([rate(v, middle) for v in plants["variety"]]) * GAP * dates * own[:, None]
    counts = rng.poisson(rng.gamma(SIZE, mean / SIZE))
    frame = pd.DataFrame({
        "date": np.tile([day(d) for d in DAYS], len(plants)),
        "plant": np.repeat(plants["plant"].to_numpy(), len(DAYS)),
        "count": counts.ravel().astype(float), "weight_g": np.nan,
    })
    return frame, dates


def within(variety: str, dates: np.ndarray) -> float:
    """Pods a plant a week within reach, over the weeks of the season, at these dates."""
    start = DAYS[0] - GAP
    covered = np.clip((closes(variety) - (DAYS - GAP)) / GAP, 0.0, 1.0)
    pods = (rate(variety, DAYS - GAP / 2.0) * GAP * dates * covered).sum()
    return float(pods / (DAYS[-1] - start) * 7.0)


def season(blocks: int, rng: np.random.Generator) -> dict[str, float]:
    """Whether each interval holds its truth."""
    plants = bed(list(FINAL), blocks, 4)
    picks, dates = pick(plants, rng)
    heights = grown(plants, FINAL, WEEKS, seed=int(rng.integers(0, 2**31)), plot_sd=6.0,
                    plant_sd=12.0, noise=3.0, half=HALF, speed=SPEED)
    found = analyse(records(plants, picks, heights, reach=REACH, threshold=THRESHOLD,
                            check="Never")).window
    if isinstance(found, Missing):
        raise RuntimeError(found.reason)
    truth = {v: within(v, dates) for v in FINAL}
    out: dict[str, float] = {}
    for row in found.means.itertuples(index=False):
        out[f"pods within reach, {row.variety}"] = float(row.low <= truth[row.variety] <= row.high)
    ratios = found.against_check
    true = ratios["variety"].map(truth) / truth["Never"]
    held = (ratios["low"] <= true) & (true <= ratios["high"])
    out["all three ratios to Never at once"] = float(held.all())
    two = found.pairs.set_index(["left", "right"]).index
    pairs = found.pairs.assign(true=[truth[a] / truth[b] for a, b in two])
    out["all six ratios at once"] = float(
        ((pairs["low"] <= pairs["true"]) & (pairs["true"] <= pairs["high"])).all())
    for row in found.window.itertuples(index=False):
        true_days = closes(row.variety) - (row.start - day(0)).days
        out[f"length of window, {row.variety}"] = float(
            row.days_low - 1e-9 <= true_days <= row.days_high + 1e-9)
    return out


def study(blocks: int, seasons: int, seed: int = SEED) -> pd.DataFrame:
    """what, coverage and Monte Carlo standard error, in %."""
    rng = np.random.default_rng([seed, blocks])
    found: dict[str, list[float]] = defaultdict(list)
    for _ in range(seasons):
        for name, held in season(blocks, rng).items():
            found[name].append(held)
    rows = [(name, 100.0 * np.mean(held), 100.0 * np.std(held) / np.sqrt(len(held)))
            for name, held in found.items()]
    return pd.DataFrame(rows, columns=["what", "coverage", "error"])


def main(seasons: int = 400) -> None:
    print("| blocks | what | coverage, % | (standard error) |")
    print("|---|---|---|---|")
    for blocks in (3, 4):
        for row in study(blocks, seasons).sort_values("what").itertuples(index=False):
            print(f"| {blocks} | {row.what} | {row.coverage:.1f} | {row.error:.1f} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
