"""Make the invented demo trial: climbing beans on an allotment in a town that does not exist.

    python data/make_invented_trial.py

writes `data/beans/` again, byte for byte the same.  Town, allotment and varieties are invented.
The true values behind the records stand in `data/beans/truth.json`, so that a test can check
whether an analysis finds them.  Tests draw other seasons:

    frames = simulate_trial(seed=7, blocks=6, plot_sd=0.05)
    write_trial(folder, frames)
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd
from invented_records import simulate_trial
from invented_season import Season, Variety

__all__ = ["SEED", "Season", "Variety", "demo_trial", "simulate_trial", "with_slips", "write_trial"]

FOLDER = Path(__file__).parent / "beans"
SEED = 18
"""Chosen out of forty so that the story of the demo is plain; tests use other seeds."""

TRIAL = """\
# {what}
title = "Climbing beans, {number} varieties side by side"
garden = "Lantern Bank allotments, Sallowhithe (an invented town)"
crop = "climbing bean"
planted = {planted}
counted = "pods"
reach = "{reach:g} cm"
bears = "top"
looks = {looks}
threshold_per_week = 1.5
invented = true
source = "made by data/make_invented_trial.py, seed {seed}"
notes = '''
Town, allotment and varieties are invented. Transplants, one a cane. Each row of the bed is one \
block, its plots drawn by lot. A hedge shades the west end of every row (column 1 on). Pods out \
of reach were drawn down with a hooked stick and counted too. Weighed at every fourth pick. \
Temperatures in degrees Celsius.'''

[units]
height = "cm"
weight = "g"

[layout]
design = "randomised complete blocks"
rows = {rows}
columns = {columns}
row_spacing = "120 cm"
plant_spacing = "30 cm"
sun = "south"
shade = "west"
"""


def with_slips(frames: Mapping[str, Any]) -> dict[str, Any]:
    """Three slips such as people make: a digit lost, a plant picked twice, a pod of a lost plant.

    Returns new frames; `truth["slips"]` says where they are.
    """
    season, plants = frames["season"], frames["plants"]
    picks, heights = frames["picks"].copy(), frames["heights"].copy()

    at = heights.index[heights["height"].between(185, 199)]
    i = at[len(at) // 2]
    meant = int(heights.loc[i, "height"])
    heights.loc[i, "height"] = meant - 100
    slips = [_slip("a digit lost", heights.loc[i], meant=meant, written=meant - 100)]

    date = season.dated([season.pick_days[12]])[0]
    at = picks.index[(picks["date"] == date) & (picks["count"] >= 3)]
    again = picks.loc[[at[len(at) // 3]]].assign(count=1, weight=pd.NA)
    slips.append(_slip("picked twice", again.iloc[0], again=1))

    gone = plants.dropna(subset="lost").sort_values("lost").iloc[-1]
    after = next(d for d in season.dated(season.pick_days) if d > gone["lost"])
    row = {"date": after, "plant": gone["plant"], "count": 1, "weight": pd.NA}
    ghost = pd.DataFrame([row])
    slips.append(_slip("picked after it was lost", ghost.iloc[0], lost=str(gone["lost"].date())))

    kinds = picks.dtypes.to_dict()
    picks = pd.concat([picks, again.astype(kinds), ghost.astype(kinds)])
    order = {plant: k for k, plant in enumerate(plants["plant"])}
    picks = picks.sort_values(
        ["date", "plant"], key=lambda c: c.map(order) if c.name == "plant" else c, kind="stable"
    ).reset_index(drop=True)
    truth = {**frames["truth"], "slips": slips}
    return {**frames, "picks": picks, "heights": heights, "truth": truth}


def _slip(what: str, row: pd.Series, **more: Any) -> dict[str, Any]:
    return {"what": what, "plant": row["plant"], "date": str(row["date"].date()), **more}


def trial_text(season: Season, seed: int) -> str:
    """trial.toml for a season."""
    text = TRIAL.format(
        what="An invented trial: the town, the allotment and the varieties do not exist.",
        number=len(season.varieties),
        planted=season.planted.isoformat(),
        reach=season.reach,
        looks=season.picks,
        seed=seed,
        rows=season.blocks,
        columns=season.plants_per_plot * len(season.varieties),
    )
    for k, (name, variety) in enumerate(season.varieties.items()):
        text += f'\n[[varieties]]\nname = "{name}"\n'
        text += "check = true\n" if k == 0 else ""
        text += f'note = "{variety.note}"\n' if variety.note else ""
    return text


def write_trial(folder: Path, frames: Mapping[str, Any]) -> None:
    """Write the trial folder: trial.toml, tidy CSV, and truth.json."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("plants", "picks", "heights", "weather", "events"):
        frames[name].to_csv(
            folder / f"{name}.csv", index=False, lineterminator="\n", date_format="%Y-%m-%d"
        )
    truth = frames["truth"]
    told = json.dumps(truth, indent=2, ensure_ascii=False) + "\n"
    (folder / "truth.json").write_text(told, encoding="utf-8", newline="\n")
    text = trial_text(frames["season"], truth["seed"])
    (folder / "trial.toml").write_text(text, encoding="utf-8", newline="\n")


def demo_trial() -> dict[str, Any]:
    """The frames of the demo trial, slips and all."""
    return with_slips(simulate_trial(SEED))


if __name__ == "__main__":
    write_trial(FOLDER, demo_trial())
