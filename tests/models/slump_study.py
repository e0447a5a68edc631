"""Is a slump after heat found, and do its depth, its day and the day of recovery hold the truth?

    python tests/models/slump_study.py [seasons]            (400; some minutes)

Made seasons with a known truth: four varieties in three or four randomised blocks, four plants a
plot, picked every fourth day from day 50 to day 122.  Counts are negative binomial (size 5 a
plant and pick); plots and plants differ (sd 0.15 and 0.2 on the log scale), and each pick's date
has a share of its own in common to all (sd 0.1).  Days 72 to 76 are hot.  Every variety gives 1.5
pods a plant a day before.  From day 76 Dips falls along a cosine by 60 % until day 90 and is back
at day 104; Lasting falls the same way and stays down; Small falls by 35 % and is back; Even does
not fall.

Truths: the greatest fall against the day before the heat, its day (for Dips and Small), the day
three quarters of the rate are back (Dips).  The tables are kept in README.md beside this file.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from collections import defaultdict

import numpy as np
import pandas as pd
from seasons import bed, day, records

from trialkit.models import Missing, analyse
from trialkit.models.rate import BACK, rate_trait

FALL = {"Even": 0.0, "Dips": 0.6, "Lasting": 0.6, "Small": 0.35}
DAYS, GAP = np.arange(50.0, 123.0, 4.0), 4.0
HOT = (72.0, 76.0)
START, LOW, BACK_AGAIN = 76.0, 90.0, 104.0
PLOT, PLANT, DATE, SIZE, LEVEL = 0.15, 0.2, 0.1, 5.0, 1.5
SEED = 20_606


def share(variety: str, when: np.ndarray) -> np.ndarray:
    """Rate as a share of that before the heat."""
    when = np.asarray(when, float)
    if variety == "Lasting":
        when = np.minimum(when, LOW)
    at = np.clip((when - START) / (BACK_AGAIN - START), 0.0, 1.0)
    return 1.0 - FALL[variety] * (1.0 - np.cos(2.0 * np.pi * at)) / 2.0


def back(variety: str) -> float:
    """The day BACK of the rate is there again, from the cosine by hand."""
    turned = np.arccos(1.0 - 2.0 * (1.0 - BACK) / FALL[variety]) / (2.0 * np.pi)
    return float(BACK_AGAIN - turned * (BACK_AGAIN - START))


def pick(plants: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Counts; each pick holds the pods of the days since the last."""
    def drawn(name: str, sd: float) -> np.ndarray:
        at, levels = pd.factorize(plants[name])
        return rng.normal(0.0, sd, len(levels))[at]

    own = np.exp(drawn("plot", PLOT) + drawn("plant", PLANT))
    dates = np.exp(rng.normal(0.0, DATE, len(DAYS)))
    between = DAYS[:, None] - GAP * (np.arange(20) + 0.5) / 20.0
    level = {v: share(v, between).mean(axis=1) for v in FALL}
    mean = LEVEL * GAP * np.array([level[v] for v in plants["variety"]]) * dates * own[:, None]
    counts = rng.poisson(rng.gamma(SIZE, mean / SIZE))
    return pd.DataFrame({
        "date": np.tile([day(d) for d in DAYS], len(plants)),
        "plant": np.repeat(plants["plant"].to_numpy(), len(DAYS)),
        "count": counts.ravel().astype(float), "weight_g": np.nan,
    })


def season(blocks: int, rng: np.random.Generator) -> dict[str, float]:
    """Of each answer whether it holds (NaN where it is not given)."""
    plants = bed(list(FALL), blocks, 4)
    analysis = analyse(records(plants, pick(plants, rng), check="Even"))
    pods = analysis.pods
    if isinstance(pods, Missing):
        raise RuntimeError(pods.reason)
    found = rate_trait(pods, analysis.ground, ((day(HOT[0]), day(HOT[1])),), "pods")
    if isinstance(found, Missing):
        raise RuntimeError(found.reason)
    rows = found.slumps.set_index("variety")
    out: dict[str, float] = {}
    for name, fall in FALL.items():
        row = rows.loc[name]
        told = row["recovery"] not in ("no slump", "could be luck")
        out[f"a slump is told, {name}"] = float(told)
        if fall:
            out[f"depth held, {name}"] = float(row["depth_low"] <= fall <= row["depth_high"])
            out[f"depth off by, {name}"] = float(row["depth"] - fall)
        if name in ("Dips", "Small"):
            held = row["lowest_low"] <= day(LOW) <= row["lowest_high"]
            out[f"day of the lowest held, {name}"] = float(held) if told else np.nan
        if not told:
            continue
        if name == "Lasting":
            out["no recovery yet, Lasting"] = float(row["recovery"] == "no recovery yet")
        if name == "Dips":
            true = back(name)
            low = (row["recovered_low"] - day(0)).days - 1
            last = row["recovered_high"]
            high = np.inf if pd.isna(last) else (last - day(0)).days
            out["day of recovery held, Dips"] = float(low <= true <= high)
            when = row["recovered_on"]
            out["recovery told within a pick, Dips"] = float(
                pd.notna(when) and abs((when - day(0)).days - true) <= GAP)
    return out


def study(blocks: int, seasons: int, seed: int = SEED) -> pd.DataFrame:
    """what, mean and Monte Carlo standard error, in %."""
    rng = np.random.default_rng([seed, blocks])
    found: dict[str, list[float]] = defaultdict(list)
    for _ in range(seasons):
        for name, held in season(blocks, rng).items():
            found[name].append(held)
    rows = []
    for name, held in found.items():
        some = np.array(held)[~np.isnan(held)]
        error = 100.0 * some.std() / np.sqrt(max(len(some), 1))
        rows.append((name, len(some), 100.0 * some.mean(), error))
    return pd.DataFrame(rows, columns=["what", "seasons", "share", "error"])


def main(seasons: int = 400) -> None:
    print("| blocks | what | seasons | share, % | (standard error) |")
    print("|---|---|---|---|---|")
    for blocks in (3, 4):
        for row in study(blocks, seasons).sort_values("what").itertuples(index=False):
            print(f"| {blocks} | {row.what} | {row.seasons} | {row.share:.1f} "
                  f"| {row.error:.1f} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
