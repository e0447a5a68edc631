"""One table of a trial: its sheet matched to the schema, its cells turned into values."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.reading.amounts import (
    CM,
    GRAMS,
    LARGEST,
    LENGTH,
    LONGEST_NUMBER,
    WEIGHT,
    Mark,
    is_blank,
    length_cm,
    number,
    unit_name,
    weight_g,
    whole_number,
)
from trialkit.reading.dates import Order, read_date
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import nearest, plain
from trialkit.records.csvfile import read_csv
from trialkit.records.files import File, plain_cell
from trialkit.records.findings import LISTED, Coded, Findings, Located
from trialkit.records.schema import QUANTITIES, Column, Kind, Table
from trialkit.records.sheet import Sheet, unreadable
from trialkit.records.workbook import read_workbook
from trialkit.trial import Trial

# ------------------------------------------------------------------------------------------------
# The names at the head of a file matched to the columns of its table.
# ------------------------------------------------------------------------------------------------

LONGEST_HEADING = 120
_BRACKETS = re.compile(r"(.*?)[\s,_]*[(\[]\s*([^)\]]*?)\s*[)\]]\s*")
_TEMPERATURES = {
    "c": "c", "°c": "c", "celsius": "c", "centigrade": "c", "deg c": "c", "degrees c": "c",
    "f": "f", "°f": "f", "fahrenheit": "f", "deg f": "f", "degrees f": "f",
}
_UNITS = {
    "length": LENGTH.factors, "weight": WEIGHT.factors, "temperature": {"c": 1.0, "f": 1.0},
    "rain": {name: LENGTH.factors[name] for name in ("mm", "cm", "in")},
}


@dataclass(frozen=True)
class Match:
    """A column of the table found in the file: at which place, and the unit its name states."""

    column: Column
    place: int
    unit: str | None = None


def match_headings(
    table: Table, heading: Sequence[str], counted: str = "", as_written: str = ""
) -> tuple[dict[str, Match], dict[int, Match]]:
    """Columns found by name, and, by place, the second and later that say the same.

    counted : what the trial counts; a column of that name is the count.  as_written : the unit that
    weights are kept in as written, which a heading may name.
    """
    names = _names(table, counted)
    matches: dict[str, Match] = {}
    again: dict[int, Match] = {}
    for place, name in enumerate(heading):
        match = _match(_without(name, as_written), place, table, names)
        if match is None:
            continue
        if match.column.name in matches:
            again[place] = match
        else:
            matches[match.column.name] = match
    return matches, again


def judge_headings(
    table: Table, sheet: Sheet, matches: dict[str, Match], again: dict[int, Match], counted: str,
    findings: Findings,
) -> None:
    """Errors for columns that are missing or there twice; doubts for those that are not read."""
    file, line = sheet.file, sheet.heading_line
    for place, match in again.items():
        first = sheet.heading[matches[match.column.name].place]
        findings.error(file, line, sheet.heading[place], "",
                       f"It says the same as the column '{first}': {match.column.name}.",
                       "one column for each", table.name)
    taken = {m.place for m in matches.values()} | again.keys()
    unknown = [(i, h) for i, h in enumerate(sheet.heading) if i not in taken]
    names = _names(table, counted)
    for group in table.needs:
        if any(name in matches for name in group):
            continue
        near = next((n for name in group if (n := nearest(name, [h for _, h in unknown]))), None)
        hint = f" Is it the one called '{near}'?" if near else ""
        which = " or ".join(group)
        findings.error(file, line, which, "", f"There is no such column.{hint}",
                       f"a first line such as {table.heading}", table.name)
    missing = {key: c for key, c in names.items() if c.name not in matches}
    for place, name in unknown:
        if not name:
            if not sheet.cells[place].blank.all():
                doubt = f"column {place + 1} has no name and is not read"
                findings.doubt(file, line, "", "", doubt, table.name)
            continue
        near = nearest(name, missing)
        hint = f"; did you mean '{missing[near].name}'?" if near else ""
        findings.doubt(file, line, name, "", f"a column that is not read{hint}", table.name)


@lru_cache(maxsize=256)
def _names(table: Table, counted: str) -> Mapping[str, Column]:
    """Every name a column of the table goes by, as `plain`."""
    out: dict[str, Column] = {}
    for column in table.columns:
        for name in (column.name, column.field, *column.other_names):
            out.setdefault(plain(name), column)
    for column in table.columns:
        if column.kind == "count":
            for name in (counted, counted.removesuffix("s"), f"{counted} picked"):
                if plain(name):
                    out.setdefault(plain(name), column)
    return MappingProxyType(out)


def _match(name: str, place: int, table: Table, names: Mapping[str, Column]) -> Match | None:
    if len(name) > LONGEST_HEADING:  # before any pattern sees it
        return None
    whole = names.get(plain(name))
    if whole is not None:
        stated = whole.stored.rpartition("_")[2] if plain(name) == plain(whole.stored) else None
        return Match(whole, place, stated or None)
    for base, word in _splits(name):
        column = names.get(plain(base)) if base else None
        for kind in ("length", "weight", "temperature") if column is None else (column.kind,):
            unit = _unit(word, kind)
            if unit is None:
                continue
            if column is None and not base:
                of_kind = [c for c in table.columns if c.kind == kind]
                column = of_kind[0] if len(of_kind) == 1 else None
            if column is not None:
                return Match(column, place, unit)
    return None


def _splits(name: str) -> list[tuple[str, str]]:
    """Ways to part a heading into a name and a unit; the name may be empty ("lbs")."""
    name = name.strip()
    inside = _BRACKETS.fullmatch(name)
    if inside:
        return [(inside[1], inside[2])]
    words = re.split(r"[\s_,]+", name)
    out = [("", name)]
    for n in (2, 1):
        if len(words) > n:
            base, unit = words[:-n], " ".join(words[-n:])
            out.append((" ".join(base), unit))
            if base[-1].casefold() == "in" and len(base) > 1:
                out.append((" ".join(base[:-1]), unit))
    return out


def _unit(word: str, kind: Kind | str) -> str | None:
    if kind == "temperature":
        return _TEMPERATURES.get(" ".join(word.casefold().replace("°", " ").split()).strip())
    name = unit_name(word)
    return name if name is not None and name in _UNITS.get(kind, {}) else None


# ------------------------------------------------------------------------------------------------
# Cells turned into values, a column at a time.
#
# Each distinct text is read once, however often it stands in the column.  Blank stays blank (NaN,
# NaT, NA): it means "not looked at" and is never a zero.
# ------------------------------------------------------------------------------------------------

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
Reader = Callable[[str, Reading], object]


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
        return _plain_numbers(rows, cells.values, kind, name, how, findings, filled), None
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
) -> tuple[list[object], dict[int, Unreadable]]:
    """What each distinct text means, and, by place, what is wrong with those that mean nothing."""
    read, blank = READERS[kind], BLANKS_OF[kind]
    certain = replace(how, mark=".")
    values: list[object] = []
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
    rows: Located, cells: pd.Series, kind: str, name: str, how: Reading, findings: Findings,
    filled: bool = False,
) -> pd.Series:
    """A column that pandas has read as numbers: the same rules, all cells at once."""
    values = cells.to_numpy(dtype=np.float64)

    def refuse(bad: npt.NDArray[np.bool_], problem: str, accepted: str) -> None:
        at = np.flatnonzero(bad)
        if len(at):
            findings.errors_at(rows, at, name, [float(v) for v in values[at[:LISTED]]], problem,
                               accepted)

    if filled:
        refuse(np.isnan(values), "It is blank.", f"{name} on every line")
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
    accepted = (f"a number from 0{f' of {how.unit}' if how.unit else ''}, without another unit, "
                "or nothing")
    bare = text.casefold().removesuffix(how.unit.casefold()).strip() if how.unit else text
    value = number(bare or text, mark=how.mark, accepted=accepted)
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
BLANKS_OF: dict[str, object] = {
    "name": None, "text": None, "date": np.datetime64("NaT", "ns"),
    **dict.fromkeys(NUMBERS, np.nan),
}


# ------------------------------------------------------------------------------------------------
# One table of a trial: its sheet matched to the schema, its cells turned into values.
# ------------------------------------------------------------------------------------------------

def sheet_of(file: File, table: Table, trial: Trial, findings: Findings) -> Sheet | None:
    """The sheet that holds a table; None, with ``findings`` saying why, where there is none."""
    if Path(file.name).suffix.casefold() == ".xlsx":
        return read_workbook(file.name, file.content, table.name, findings)

    def plain_numbers(heading: Sequence[str]) -> dict[int, str]:
        matches, _ = match_headings(table, heading, trial.counted)
        # Of feet the text is needed: 5.10 is hardly five feet and a tenth.
        return {m.place: m.column.kind for m in matches.values() if m.column.kind in NUMBERS
                and (m.column.kind != "length" or (m.unit or trial.height_unit) != "ft")}

    return read_csv(file.name, file.content, findings, plain_numbers)


def table_of(sheet: Sheet, table: Table, trial: Trial, findings: Findings) -> Located:
    """The table's frame, with all its columns, and where each row stands."""
    table = table.with_notes
    as_written = _as_written(table, trial)
    matches, again = match_headings(table, sheet.heading, trial.counted, as_written)
    judge_headings(table, sheet, matches, again, trial.counted, findings)
    _judge_weights(table, sheet, matches, trial, findings)
    data: dict[str, pd.Series] = {}
    codes: dict[str, Coded] = {}
    for column in table.columns:
        match = matches.get(column.name)
        if match is None:
            data[column.field] = blank_column(column, len(sheet))
            continue
        kind, how = _reading(table, column, match.unit, trial, sheet.mark)
        data[column.field], coded = read_cells(
            sheet, match.place, kind, how, findings, filled=column.filled,
            literal=column.literal, table=table.name,
        )
        if coded is not None:
            codes[column.field] = coded
    frame = pd.DataFrame(data, copy=False)
    return Located(frame, sheet.lines, sheet.file, codes=codes, table=table.name, mark=sheet.mark,
                   settled=sheet.held_as_numbers)


def _as_written(table: Table, trial: Trial) -> str:
    """The unit that the table's weights are kept in as written; "" where they are weights."""
    return (trial.harvest_unit or "") if table.name == "harvest" else ""


def _without(heading: str, unit: str) -> str:
    """A heading without the unit weights are kept in: "yield (t/ha)" is "yield", "t/ha" weight."""
    tidied = " ".join(heading.split())
    for end in (f"({unit})", f"[{unit}]", unit) if unit and len(tidied) <= LONGEST_HEADING else ():
        if tidied.casefold().endswith(end.casefold()):
            return tidied[: -len(end)].rstrip(" ,_") or "weight"
    return heading


def _judge_weights(
    table: Table, sheet: Sheet, matches: Mapping[str, Match], trial: Trial, findings: Findings
) -> None:
    """An error for weights in a unit other than the one trial.toml says is kept as written."""
    match = matches.get("weight")
    if match is None or sheet.cells[match.place].blank.all():
        return
    as_written, heading = _as_written(table, trial), sheet.heading[match.place]
    if as_written and match.unit and unit_name(as_written) != match.unit:
        findings.error(sheet.file, sheet.heading_line, heading, heading,
                       f'It is in {match.unit}; trial.toml has the harvest in "{as_written}". '
                       "No area is known to turn one into the other.", f"weight ({as_written})",
                       table.name)
    elif table.name == "picks" and trial.weight_as_written and not match.unit:
        findings.error(sheet.file, sheet.heading_line, heading, heading,
                       f'Picks cannot be weighed in "{trial.harvest_unit}", as units.weight in '
                       "trial.toml has it.", "weight (kg) or another unit of weight; a yield of "
                       "an area goes into harvest.csv", table.name)


def empty_table(table: Table) -> Located:
    """The table without a row."""
    frame = pd.DataFrame({column.field: blank_column(column, 0) for column in table.columns})
    return Located(frame, np.array([], dtype=np.int64), f"{table.name}.csv", table=table.name)


def blank_column(column: Column, rows: int) -> pd.Series:
    """A column of blanks of the right type."""
    blank = BLANKS_OF[column.kind]
    if column.kind in ("name", "text"):
        return pd.Series([blank] * rows, dtype="str")
    if column.kind == "date":
        return pd.Series(np.full(rows, blank, dtype="datetime64[ns]"))
    return pd.Series(np.full(rows, blank, dtype=np.float64))


def _reading(
    table: Table, column: Column, unit: str | None, trial: Trial, mark: Mark | None
) -> tuple[str, Reading]:
    """How a column's cells are read, and as what."""
    if column.kind == "weight" and table.name == "harvest" and trial.harvest_unit and not unit:
        return "amount", Reading(trial.harvest_unit, mark=mark)  # in the published unit, as given
    own = {"temperature": "c", "rain": trial.rain_unit}
    if column.kind in QUANTITIES and column.quantity.own:
        own[column.kind] = getattr(trial, column.quantity.own)
    return column.kind, Reading(unit or own.get(column.kind, ""), trial.day_order, mark)
