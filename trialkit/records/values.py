"""Cells turned into values, a column at a time.

Each distinct text is read once, however often it stands in the column.  Blank stays blank (NaN,
NaT, NA): it means "not looked at" and is never a zero.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.records.dates import ACCEPTED, AmbiguousDate, read_date
from trialkit.records.problems import Findings
from trialkit.records.tables import RawTable

# What growers put in a cell they have nothing to say in.
BLANK = {"", "-", "–", "—", "na", "n/a", "nan", "null", "?", "not looked", "not looked at"}
FAHRENHEIT = {"f", "°f", "fahrenheit"}


@dataclass(frozen=True)
class Reading:
    """How a column's texts are read: units for bare numbers and the order of dates."""

    unit: str
    day_order: str | None
    planted: date
    latest: date


class Refused(ValueError):
    """A text that cannot be read; says what is wrong and what is accepted."""

    def __init__(self, problem: str, accepted: str) -> None:
        super().__init__(problem)
        self.problem, self.accepted = problem, accepted


def read_column(
    table: RawTable, heading: str, kind: str, how: Reading, findings: Findings, *, blank: bool
) -> pd.Series:
    """One column as values; every text that cannot be read goes to ``findings``."""
    raw = table.frame[heading]
    if kind == "count" or kind == "number":
        fast = _plain_numbers(raw, kind)
        if fast is not None:
            return fast
    codes, texts = pd.factorize(raw, use_na_sentinel=False)
    read = READERS[kind]
    empty = _empty(kind)
    values: list[object] = []
    refused: dict[int, Refused] = {}
    for at, text in enumerate(texts):
        cell = "" if text is None or text != text else str(text).strip()
        if cell.lower() in BLANK:
            if not blank:
                refused[at] = Refused("It is blank.", f"{heading} on every line")
            values.append(empty)
            continue
        try:
            values.append(read(cell, how))
        except Refused as error:
            refused[at] = error
            values.append(empty)
    for at, error in refused.items():
        lines = table.lines[codes == at]
        findings.errors_at(table.file, lines, heading, [texts[at]] * len(lines), error.problem,
                           error.accepted)
    out = _series(values, kind).take(codes).reset_index(drop=True)
    return out


def _plain_numbers(raw: pd.Series, kind: str) -> pd.Series | None:
    """The fast way for a column of plain numbers and empty cells; None if it holds anything else."""
    sample = raw.iloc[:50]
    if sample.str.contains(r"[^0-9. ]", regex=True).any():
        return None
    numbers = pd.to_numeric(raw.where(raw != "", "nan"), errors="coerce")
    filled = raw != ""
    if numbers[filled].isna().any() or (numbers < 0).any():
        return None
    if kind == "count" and (numbers.dropna() % 1 != 0).any():
        return None
    return numbers.astype(np.float64)


def _empty(kind: str) -> object:
    return pd.NaT if kind == "day" else None if kind == "text" else np.nan


def _series(values: list[object], kind: str) -> pd.Series:
    if kind == "day":
        return pd.Series(pd.to_datetime(pd.Series(values, dtype=object)), dtype="datetime64[ns]")
    if kind == "text":
        return pd.Series(values, dtype="str")
    return pd.Series(values, dtype=np.float64)


def _day(cell: str, how: Reading) -> object:
    try:
        day = read_date(cell, how.day_order)
    except AmbiguousDate:
        raise Refused(
            "It could be two different days.",
            ACCEPTED + '; or state dates = "day first" or "month first" in trial.toml',
        ) from None
    except ValueError:
        raise Refused("It is no date.", ACCEPTED) from None
    if day < how.planted:
        raise Refused(f"It is before planting ({how.planted}).", "a day from planting on")
    if day > how.latest:
        raise Refused("It lies in the future.", f"a day up to {how.latest}")
    return pd.Timestamp(day)


def _any_day(cell: str, how: Reading) -> object:
    return _day(cell, Reading(how.unit, how.day_order, date(1800, 1, 1), how.latest))


def _number(cell: str, how: Reading) -> object:
    found = units.number(cell)
    if found is None:
        raise Refused("It is no number.", "a number such as 3 or 3.5")
    return found


def _count(cell: str, how: Reading) -> object:
    found = units.number(cell)
    if found is None:
        raise Refused("It is no count.", "0, 1, 2, ...; blank for not looked at")
    if found < 0:
        raise Refused("A count cannot be below zero.", "0, 1, 2, ...; blank for not looked at")
    if found != int(found):
        raise Refused("A count is a whole number.", "0, 1, 2, ...; blank for not looked at")
    return found


def _length(cell: str, how: Reading) -> object:
    found = units.length_cm(cell, how.unit)
    if found is None:
        raise Refused("It is no height.", f"""a number in {how.unit}, or 170 cm, 1.7 m, 5'6", 66 in""")
    return found


def _weight(cell: str, how: Reading) -> object:
    found = units.weight_g(cell, how.unit)
    if found is None:
        raise Refused("It is no weight.", f"a number in {how.unit}, or 250 g, 1.2 kg, 9 oz, 2 lb")
    return found


def _temperature(cell: str, how: Reading) -> object:
    found = re.fullmatch(r"([-+]?\d+(?:[.,]\d+)?)\s*(°?\s*[CcFf])?", cell)
    if not found:
        raise Refused("It is no temperature.", "a number of degrees Celsius, or 80 F")
    value = float(found[1].replace(",", "."))
    unit = (found[2] or how.unit).replace(" ", "").lower()
    return (value - 32.0) / 1.8 if unit in FAHRENHEIT else value


def _text(cell: str, how: Reading) -> object:
    return cell


READERS: dict[str, Callable[[str, Reading], object]] = {
    "text": _text, "day": _day, "number": _number, "count": _count, "length": _length,
    "weight": _weight, "temperature": _temperature,
}
