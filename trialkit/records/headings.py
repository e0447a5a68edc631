"""The names at the head of a file matched to the columns of its table."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from trialkit.reading.spelling import nearest, plain
from trialkit.reading.units import LENGTH, WEIGHT, unit_name
from trialkit.records.findings import Findings
from trialkit.records.schema import Column, Kind, Table
from trialkit.records.sheet import Sheet

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
    table: Table, heading: Sequence[str], counted: str = ""
) -> tuple[dict[str, Match], dict[int, Match]]:
    """Columns found by name, and, by place, the second and later that say the same.

    counted : what the trial counts; a column of that name is the count.
    """
    names = _names(table, counted)
    found: dict[str, Match] = {}
    again: dict[int, Match] = {}
    for place, name in enumerate(heading):
        match = _match(name, place, table, names)
        if match is None:
            continue
        if match.column.name in found:
            again[place] = match
        else:
            found[match.column.name] = match
    return found, again


def judge_headings(
    table: Table, sheet: Sheet, found: dict[str, Match], again: dict[int, Match], counted: str,
    findings: Findings,
) -> None:
    """Errors for columns that are missing or there twice; doubts for those that are not read."""
    file, line = sheet.file, sheet.heading_line
    for place, match in again.items():
        first = sheet.heading[found[match.column.name].place]
        findings.error(file, line, sheet.heading[place], "",
                       f"It says the same as the column '{first}': {match.column.name}.",
                       "one column for each", table.name)
    taken = {m.place for m in found.values()} | again.keys()
    unknown = [(i, h) for i, h in enumerate(sheet.heading) if i not in taken]
    names = _names(table, counted)
    for group in table.needs:
        if any(name in found for name in group):
            continue
        near = next((n for name in group if (n := nearest(name, [h for _, h in unknown]))), None)
        hint = f" Is it the one called '{near}'?" if near else ""
        which = " or ".join(group)
        findings.error(file, line, which, "", f"There is no such column.{hint}",
                       f"a first line such as {table.heading}", table.name)
    missing = {key: c for key, c in names.items() if c.name not in found}
    for place, name in unknown:
        if not name:
            if not sheet.cells[place].blank.all():
                doubt = f"column {place + 1} has no name and is not read"
                findings.doubt(file, line, "", "", doubt, table.name)
            continue
        near = nearest(name, missing)
        hint = f"; did you mean '{missing[near].name}'?" if near else ""
        findings.doubt(file, line, name, "", f"a column that is not read{hint}", table.name)


def _names(table: Table, counted: str) -> dict[str, Column]:
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
    return out


def _match(name: str, place: int, table: Table, names: dict[str, Column]) -> Match | None:
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
