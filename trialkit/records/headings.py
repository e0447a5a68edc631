"""Headings of a file matched to the columns of its table."""

from __future__ import annotations

import difflib
import re

from trialkit.records.problems import Findings
from trialkit.records.schema import Column, Table
from trialkit.records.tables import RawTable
from trialkit.records.values import FAHRENHEIT
from trialkit.units import unit_name

_UNIT = re.compile(r"^(.*?)[\s_]*(?:\(([^)]*)\)|\[([^\]]*)\]|[\s_]in[\s_](\S+)|[\s_](\S+))$")


def plain(heading: str) -> str:
    """A heading without case, spacing and punctuation."""
    return re.sub(r"[\s_.\-]+", " ", heading.strip().lower()).strip()


def split_unit(heading: str) -> tuple[str, str | None]:
    """The heading's name and the unit it states, if any: "height (in)" is height in inches."""
    found = _UNIT.match(heading.strip())
    if not found:
        return heading, None
    word = next((g for g in found.groups()[1:] if g), "").strip()
    if word.lower().lstrip("°") in {"c", "celsius"}:
        return found[1], "c"
    if word.lower() in FAHRENHEIT:
        return found[1], "f"
    unit = unit_name(word)
    return (found[1], unit) if unit else (heading, None)


def match_headings(
    table: Table, raw: RawTable, counted: str, findings: Findings
) -> dict[str, tuple[str, str | None]]:
    """Column name -> (heading, unit stated in it).

    A missing required column is an error that names the nearest heading; a heading that is no
    column is kept in the file and left alone, with a doubt.
    """
    names: dict[str, Column] = {}
    for column in table.columns:
        for name in (column.name, *column.other_names):
            names[plain(name)] = column
        if column.kind == "count":
            names[plain(counted)] = column
    out: dict[str, tuple[str, str | None]] = {}
    unknown: list[str] = []
    for heading in (str(h) for h in raw.frame.columns):
        found = names.get(plain(heading))
        unit = None
        if found is None:
            base, unit = split_unit(heading)
            found = names.get(plain(base)) if unit else None
        if found is None:
            if heading.strip():
                unknown.append(heading)
            continue
        if found.name in out:
            findings.error(raw.file, 1, heading, "", f"'{out[found.name][0]}' says the same.",
                           "one column for each")
            continue
        out[found.name] = (heading, unit)
    for column in table.columns:
        if column.required and column.name not in out:
            near = difflib.get_close_matches(column.name, [plain(u) for u in unknown], n=1, cutoff=0.6)
            hint = f" Did you mean '{near[0]}' to be '{column.name}'?" if near else ""
            findings.error(raw.file, 1, column.name, "", f"The column is missing.{hint}",
                           "a heading line with " + ", ".join(c.name for c in table.columns))
    for heading in unknown:
        near = difflib.get_close_matches(plain(heading), list(names), n=1, cutoff=0.8)
        hint = f"; did you mean '{names[near[0]].name}'?" if near else ""
        findings.doubt(raw.file, 1, heading, "", f"a column that is not read{hint}")
    return out
