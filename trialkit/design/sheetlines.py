"""The lines of a record sheet in walking order, and the pages they go on."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from trialkit.design.bed import Bed
from trialkit.design.layouts import walking_order
from trialkit.design.paper import MARGIN_MM, Paper

LINE_MM = 11.0
TURN_MM = 6.5
COLUMN_HEAD_MM = 7.0
FOOT_MM = 8.0


@dataclass(frozen=True)
class Entry:
    """A plant's line, or (plant is None) the band that says where to walk next."""

    plant: dict[str, object] | None
    text: str = ""

    @property
    def tall(self) -> float:
        """Its height in mm."""
        return LINE_MM if self.plant is not None else TURN_MM


def head_tall(first: bool) -> float:
    """Height of a page's head in mm: the first page has the rules in full."""
    return 52.0 if first else 17.0


def entries_of(bed: Bed) -> list[Entry]:
    """Plants in walking order with a band at each new row."""
    plants = walking_order(bed.plants)
    entries: list[Entry] = []
    last: object = None
    for place, record in enumerate(plants.to_dict("records")):
        plant = {str(key): value for key, value in record.items()}
        row = plant["row"]
        if place == 0 or row != last:
            entries.append(Entry(None, _turn(plants, row)))
            last = row
        entries.append(Entry(plant))
    return entries


def _turn(plants: pd.DataFrame, row: object) -> str:
    """The words of a turn, for example "row 2: walk back, from plant 16 to 1"."""
    if row != row or row is None:
        return "plants without a row"
    line = plants[plants["row"] == row]["column"]
    if line.isna().any():
        return f"row {_number(row)}"
    first, last = _number(line.iloc[0]), _number(line.iloc[-1])
    arrow = "→" if line.iloc[-1] >= line.iloc[0] else "←"
    return f"ROW {_number(row)} {arrow}  plant {first} to {last}"


def _number(value: object) -> str:
    return f"{float(str(value)):g}"


def paged(entries: list[Entry], sheet: Paper) -> list[list[list[Entry]]]:
    """Entries shared out into pages of two columns; a turn never stands last in a column."""
    pages: list[list[list[Entry]]] = []
    waiting = list(entries)
    row = ""
    while waiting or not pages:
        room = sheet.tall - 2 * MARGIN_MM - FOOT_MM - COLUMN_HEAD_MM - head_tall(not pages)
        halves: list[list[Entry]] = []
        for _ in range(2):
            half: list[Entry] = []
            used = 0.0
            if waiting and waiting[0].plant is not None:
                half.append(Entry(None, f"{row}, on from the last column"))
                used = TURN_MM
            while waiting and used + waiting[0].tall <= room:
                used += waiting[0].tall
                half.append(waiting.pop(0))
                if half[-1].plant is None:
                    row = half[-1].text.split("  ")[0]
            if half and half[-1].plant is None and waiting:
                waiting.insert(0, half.pop())
            halves.append(half)
        pages.append(halves)
    return pages
