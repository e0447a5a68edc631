"""A record that a file brings in, before it is known whether it is new."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date

from trialkit.reading.numbers import Mark, number
from trialkit.reading.problems import Unreadable
from trialkit.records.log import MEASURED, amount_of, same_amount
from trialkit.records.schema import LOGGED, own_unit
from trialkit.records.sheet import Sheet
from trialkit.records.write import plain_cell
from trialkit.trial import Trial

LONGEST_NOTE = 2000


@dataclass(frozen=True)
class Found:
    """One record that a file holds.  amount : count, g or cm.  blank : the cell is empty."""

    file: str
    line: int
    source: str
    record_id: str
    recorded_at: str
    date: date | None
    plant: str
    kind: str
    value: str = ""
    unit: str = ""
    note: str = ""
    device: str = ""
    amount: float = float("nan")
    blank: bool = False


def texts_of(sheet: Sheet, place: int) -> list[str]:
    """The cells of a column as the texts they stand for."""
    return [plain_cell(text).strip() for text in sheet.cells[place].values.to_list()]


def measure(
    kind: str, text: str, unit: str, trial: Trial, mark: Mark | None = "."
) -> tuple[str, str, float]:
    """Value and unit as the log keeps them, and the amount in count, g or cm.

    A bare number is kept with its unit beside it, a text that names its own unit as it stands.
    mark : what the table writes before decimals; the log writes a point.  Raises Unreadable.
    """
    if kind not in MEASURED:
        return text, "", float("nan")
    quantity = LOGGED[kind][1].quantity
    unit = unit or own_unit(kind, trial)
    amount = amount_of(kind, text, unit, mark)
    if not quantity.units:
        return f"{amount:.0f}", "", amount
    try:
        return f"{number(text, mark=mark):.15g}", unit, amount
    except Unreadable:
        value = text.replace(",", ".") if mark == "," else text
    try:
        if same_amount(amount_of(kind, value, unit), amount):
            return value, "", amount
    except Unreadable:
        pass
    return f"{amount:.15g}", quantity.unit, amount


def content_id(found: Found) -> str:
    """An id made of what a spreadsheet's cell says: the same cell, the same id."""
    said = (found.source, str(found.date), found.plant, found.kind, found.value, found.unit,
            found.note)
    return hashlib.sha256("\0".join(said).encode("utf-8", "surrogatepass")).hexdigest()[:16]
