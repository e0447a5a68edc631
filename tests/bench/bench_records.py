"""How long a million-row picks.csv takes to read, against pandas's own reading of the same file.

    python tests/bench/bench_records.py [rows]

Prints both times (the least of several runs, in turn) and their ratio, which is to stay below 3.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.records import read_records

RUNS = 9
MOST = 3.0
TRIAL = """title = "Bench"
crop = "climbing bean"
planted = 2025-05-01
[[varieties]]
name = "A"
[[varieties]]
name = "B"
"""


def make(folder: Path, rows: int) -> None:
    """A season of many plants: a hundred dates, blank cells, weights with a decimal."""
    chance = np.random.default_rng(1)
    plants = [f"P{i:05d}" for i in range(rows // 100)]
    days = pd.date_range("2025-06-01", periods=100).strftime("%Y-%m-%d")
    count = chance.poisson(2.5, rows).astype(object)
    count[chance.random(rows) < 0.02] = ""
    picks = pd.DataFrame(
        {
            "date": np.repeat(days.to_numpy(), len(plants)),
            "plant": np.tile(plants, 100),
            "count": count,
            "weight": np.round(chance.gamma(2, 10, rows), 1),
        }
    )
    picks.loc[picks["count"] == "", "weight"] = np.nan
    picks.loc[picks["count"] == 0, "weight"] = 0
    picks.to_csv(folder / "picks.csv", index=False)
    kinds = np.where(np.arange(len(plants)) % 2, "A", "B")
    pd.DataFrame({"plant": plants, "variety": kinds}).to_csv(folder / "plants.csv", index=False)
    (folder / "trial.toml").write_text(TRIAL)


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main(rows: int) -> int:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder, rows)
        ours, theirs = [], []
        for _ in range(RUNS):
            theirs.append(timed(lambda: pd.read_csv(folder / "picks.csv")))
            ours.append(timed(lambda: read_records(folder)))
        records = read_records(folder)
    ratio = min(ours) / min(theirs)
    kept = (
        "python strings"
        if records.picks["plant"].dtype == object
        else str(getattr(records.picks["plant"].dtype, "storage", "?"))
    )
    print(f"{len(records.picks):,} rows, text kept by {kept}, pandas {pd.__version__}")
    print(
        f"pandas.read_csv {min(theirs):.3f} s, read_records {min(ours):.3f} s: "
        f"ratio {ratio:.2f} (to stay below {MOST:g})"
    )
    return 0 if ratio < MOST else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000))
