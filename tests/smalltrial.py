"""A trial of few records, invented: three varieties in three blocks, picked on a few days.

Small enough to be reported on many times over; the figures follow a fixed rule, not chance.
"""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path

VARIETIES = ("Ambrel", "Costry", "Dunwell")
FIRST = date(2026, 6, 20)
EVERY_DAYS = 4

DESCRIPTION = """\
title = "A small trial"
garden = "An invented garden"
crop = "climbing bean"
planted = 2026-05-10
counted = "pods"
reach = "200 cm"
invented = true

[[varieties]]
name = "Ambrel"
check = true

[[varieties]]
name = "Costry"

[[varieties]]
name = "Dunwell"

[layout]
design = "blocks"
row_spacing = "90 cm"
plant_spacing = "45 cm"
"""


def plants() -> list[dict[str, object]]:
    """Two plants a plot, a plot a variety in each of three blocks, in another place in each."""
    return [
        {"plant": f"{variety[0]}{block}{n}", "variety": variety, "block": block,
         "plot": f"{variety[0]}{block}", "row": block, "column": 2 * ((at + block) % 3) + n}
        for block in (1, 2, 3)
        for at, variety in enumerate(VARIETIES)
        for n in (1, 2)
    ]  # fmt: skip


def count(day: int, plant: str) -> int:
    """Pods of a plant on the pick of that number."""
    kind, block, n = plant[0], int(plant[1]), int(plant[2])
    return {"A": 4, "C": 6, "D": 5}[kind] + (day * 7 + block * 5 + n * 3 + ord(kind)) % 4


def pick_day(day: int) -> date:
    """The day of the pick of that number, from 0."""
    return FIRST + timedelta(EVERY_DAYS * day)


def write(folder: Path, picks: int = 4) -> Path:
    """Make the trial, picked so many times; returns its folder."""
    folder.mkdir(parents=True)
    (folder / "trial.toml").write_text(DESCRIPTION, encoding="utf-8")
    rows = plants()
    with (folder / "plants.csv").open("w", newline="") as file:
        out = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        out.writeheader()
        out.writerows(rows)
    (folder / "picks.csv").write_text("date,plant,count\n", encoding="utf-8")
    for day in range(picks):
        pick(folder, day)
    (folder / "heights.csv").write_text(
        "date,plant,height\n"
        + "".join(
            f"{pick_day(day)},{row['plant']},{90 + 20 * day + 5 * i % 17}\n"
            for day in range(picks)
            for i, row in enumerate(rows)
        ),
        encoding="utf-8",
    )
    return folder


def pick(folder: Path, day: int) -> None:
    """Write the pick of that number at the end of picks.csv, as an editor does."""
    with (folder / "picks.csv").open("a", encoding="utf-8") as file:
        file.writelines(
            f"{pick_day(day)},{row['plant']},{count(day, str(row['plant']))}\n"
            for row in plants()
        )
