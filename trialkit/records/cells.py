"""Cells turned into values, a column at a time.

Each distinct text is read once, however often it stands in the column.  Blank stays blank (NaN,
NaT, NA): it means "not looked at" and is never a zero.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.reading.dates import Order, read_date
from trialkit.reading.numbers import LARGEST, LONGEST_NUMBER, Mark, is_blank, number, whole_number
from trialkit.reading.problems import Unreadable
from trialkit.reading.units import CM, GRAMS, LENGTH, WEIGHT, length_cm, weight_g
from trialkit.records.findings import LISTED, Coded, Findings, Located
from trialkit.records.sheet import Sheet, unreadable
from trialkit.records.write import plain_cell

COUNT = "a whole number from 0, or nothing if nobody looked"
TEMPERATURE = "a number of degrees Celsius such as 21.5, or 71 F"
# Beyond every air temperature on record, -89 and 57 degrees (World Meteorological Organization,
# World Weather & Climate Extremes Archive).
COLDEST_C, HOTTEST_C = -95.0, 60.0
_FAHRENHEIT = re.compile(r"(.*?)\s*°?\s*([cf])", re.IGNORECASE)
# 5.10 and 5.11 in a column of feet.
_LIKE_INCHES = re.compile(r"[0-9]+[.,]1[01]")


@dataclass(frozen=True)
class Reading:
    """How bare texts are read: the unit of a bare number, the order of dates, the decimal mark
    (None where the file does not settle it)."""

    unit: str = ""
    order: Order | None = None
    mark: Mark | None = "."


# What one text means.  Raises Unreadable.
Reader = Callable[[str, Reading], Any]


def read_cells(
    sheet: Sheet, place: int, kind: str, how: Reading, findings: Findings, *,
    filled: bool = False, literal: bool = False, table: str = "",
) -> tuple[pd.Series, Coded | None]:
    """One column of a sheet as values; every text that cannot be read goes to ``findings``.

    kind : see `schema.Column`; "amount" is a number without a unit.  filled : a blank cell is an
    error.  literal : "NA" and "-" are no blanks.  table : the table the column is of.  Returns
    datetime64[ns] for dates, text for names and text, float64 (cm, g, degrees Celsius) for the
    rest; and, for dates, names and text, the
    same as codes of distinct values.
    """
    cells = sheet.cells[place]
    name = sheet.heading[place]
    rows = Located(pd.DataFrame(), sheet.lines, sheet.file, table=table)
    if not cells.are_text:
        return _plain_numbers(rows, cells.values, kind, name, how, findings), None
    codes, texts = cells.coded
    values, wrong = _distinct(texts, kind, how, name, filled, filled or literal,
                              sheet.held_as_numbers)
    if wrong:
        _report(rows, name, codes, texts, wrong, findings)
    if kind == "length" and how.unit == "ft":
        _feet_like_inches(rows, name, codes, texts, findings)
    if kind in NUMBERS:
        return pd.Series(np.array(values, dtype=np.float64)[codes]), None
    if kind == "date":
        days = np.array(values, dtype="datetime64[ns]")
        return pd.Series(days[codes]), _recoded(codes, pd.Series(days))
    if values == texts:
        return cells.values, (codes, np.array(texts, dtype=object))
    names = pd.Series(values, dtype=cells.values.dtype)
    return names.take(codes).reset_index(drop=True), _recoded(codes, names)


def _recoded(codes: npt.NDArray[np.intp], values: pd.Series) -> Coded:
    """Codes of distinct values, where several texts may have meant the same, or nothing."""
    new, distinct = pd.factorize(values)
    same = len(distinct) == len(values)
    return codes if same else new[codes], np.asarray(distinct)


def _distinct(
    texts: list[str], kind: str, how: Reading, name: str, filled: bool, literal: bool,
    settled: frozenset[str],
) -> tuple[list[Any], dict[int, Unreadable]]:
    """What each distinct text means, and, by place, what is wrong with those that mean nothing."""
    read, blank = READERS[kind], BLANKS_OF[kind]
    certain = replace(how, mark=".")
    values: list[Any] = []
    wrong: dict[int, Unreadable] = {}
    for code, text in enumerate(texts):
        values.append(blank)
        # Where something must stand, "NA" and "-" are names like others, and checked as such.
        spoilt = unreadable(text)
        if spoilt is not None:
            wrong[code] = Unreadable(spoilt, "the value itself, or an empty cell")
            continue
        if not text.strip() or (not literal and is_blank(text)):
            if filled:
                wrong[code] = Unreadable("It is blank.", f"{name} on every line")
            continue
        try:
            values[code] = read(text, certain if text in settled else how)
        except Unreadable as error:
            wrong[code] = error
    return values, wrong


def _report(
    rows: Located, name: str, codes: npt.NDArray[np.intp], texts: list[str],
    wrong: dict[int, Unreadable], findings: Findings,
) -> None:
    """An error for each cell with a text that cannot be read, those alike in accepted together."""
    groups: dict[str, list[int]] = {}
    for code, error in wrong.items():
        groups.setdefault(error.accepted, []).append(code)
    for accepted, among in groups.items():
        bad = np.zeros(len(texts), dtype=bool)
        bad[among] = True
        at = np.flatnonzero(bad[codes])
        first = codes[at[: LISTED + 1]]
        findings.errors_at(
            rows, at, name, [texts[c] for c in first], [wrong[int(c)].problem for c in first],
            accepted,
        )


def _feet_like_inches(
    rows: Located, name: str, codes: npt.NDArray[np.intp], texts: list[str], findings: Findings
) -> None:
    like = np.array([bool(_LIKE_INCHES.fullmatch(text.strip())) for text in texts], dtype=bool)
    if like.any():
        at = np.flatnonzero(like[codes])
        values = [texts[c] for c in codes[at[:LISTED]]]
        findings.doubts_at(rows, at, name, values, "read as feet with decimals; five feet ten is "
                           """written 5'10" or 5 ft 10""")


def _plain_numbers(
    rows: Located, cells: pd.Series, kind: str, name: str, how: Reading, findings: Findings
) -> pd.Series:
    """A column that pandas has read as numbers: the same rules, all cells at once."""
    values = cells.to_numpy(dtype=np.float64)

    def refuse(bad: npt.NDArray[np.bool_], problem: str, accepted: str) -> None:
        at = np.flatnonzero(bad)
        if len(at):
            findings.errors_at(rows, at, name, [float(v) for v in values[at[:LISTED]]], problem,
                               accepted)

    accepted = COUNT if kind == "count" else "a number"
    refuse(np.abs(values) >= LARGEST, "The number is too large to be true.", accepted)
    if kind == "count":
        refuse(values < 0, "A count cannot be below zero.", accepted)
        if cells.dtype.kind not in "iu":
            refuse(np.isfinite(values) & (values != np.floor(values)) & (values >= 0),
                   "A count is a whole number.", accepted)
    elif kind == "amount":
        refuse(values < 0, "An amount cannot be below zero.", "a number from 0")
    elif kind == "rain" and not how.unit:
        refuse(values < 0, "A length cannot be below zero.", _RAIN)
        refuse(values > 0, _WHICH_RAIN, _RAIN)
        return pd.Series(values)
    elif kind in ("length", "weight", "rain"):
        measure, factors = (WEIGHT, GRAMS) if kind == "weight" else (LENGTH, CM)
        accepted = f"a number in {how.unit}, or {measure.examples}"
        refuse(values < 0, f"A {measure.name} cannot be below zero.", accepted)
        factor = factors[how.unit] * (10.0 if kind == "rain" else 1.0)
        return pd.Series(values if factor == 1.0 else values * factor)
    elif kind == "temperature":
        values = (values - 32.0) / 1.8 if how.unit == "f" else values
        refuse((values > HOTTEST_C) | (values < COLDEST_C), _TOO_HOT, TEMPERATURE)
    return pd.Series(values)


_RAIN = ("the unit in the heading, rain (mm) or rain (in); or beside the number, 12 mm or 0.5 in; "
         'or [units] height = "cm" or "in" in trial.toml')
_WHICH_RAIN = "It may mean millimetres or inches."
_TOO_HOT = "No air was ever so hot or cold, in degrees Celsius; is it Fahrenheit?"


def _count(text: str, how: Reading) -> float:
    value = whole_number(text, accepted=COUNT)
    if value < 0:
        raise Unreadable("A count cannot be below zero.", COUNT)
    return value


def _place(text: str, how: Reading) -> float:
    return number(text, mark=how.mark, accepted="a number such as 3, or nothing")


def _amount(text: str, how: Reading) -> float:
    accepted = "a number from 0, without a unit, or nothing"
    value = number(text, mark=how.mark, accepted=accepted)
    if value < 0:
        raise Unreadable("An amount cannot be below zero.", accepted)
    return value


def _length(text: str, how: Reading) -> float:
    return length_cm(text, how.unit, mark=how.mark)


def _rain(text: str, how: Reading) -> float:
    if how.unit:
        return 10.0 * length_cm(text, how.unit, mark=how.mark)
    try:
        mm, inches = (10.0 * length_cm(text, unit, mark=how.mark) for unit in ("mm", "in"))
    except Unreadable as error:
        raise Unreadable(error.problem, _RAIN) from None
    if mm != inches:
        raise Unreadable(_WHICH_RAIN, _RAIN)
    return mm


def _weight(text: str, how: Reading) -> float:
    return weight_g(text, how.unit, mark=how.mark)


def _temperature(text: str, how: Reading) -> float:
    if len(text) > LONGEST_NUMBER:  # before any pattern sees it
        raise Unreadable("It is too long for a number.", TEMPERATURE)
    named = _FAHRENHEIT.fullmatch(" ".join(text.split()))
    bare, unit = (named[1], named[2].casefold()) if named else (text, how.unit)
    value = number(bare, mark=how.mark, accepted=TEMPERATURE)
    value = (value - 32.0) / 1.8 if unit == "f" else value
    if not COLDEST_C <= value <= HOTTEST_C:
        raise Unreadable(_TOO_HOT, TEMPERATURE)
    return value


def _date(text: str, how: Reading) -> np.datetime64:
    return np.datetime64(read_date(text, how.order), "ns")


def _name(text: str, how: Reading) -> str:
    return plain_cell(text).strip()


NUMBERS = ("count", "place", "amount", "length", "weight", "temperature", "rain")
READERS: dict[str, Reader] = {
    "name": _name, "text": _name, "date": _date, "count": _count, "place": _place,
    "amount": _amount,
    "length": _length, "weight": _weight, "temperature": _temperature,
    "rain": _rain,
}
BLANKS_OF: dict[str, Any] = {
    "name": None, "text": None, "date": np.datetime64("NaT", "ns"),
    **dict.fromkeys(NUMBERS, np.nan),
}
