"""The results of a club as one plain table: CSV, and what its columns mean for people and programs.

CSV after RFC 4180; the description for programs after the W3C's Metadata Vocabulary for Tabular
Data (Recommendation, 17 December 2015), under the name that a reader looks for beside the table
("{+url}-metadata.json", Model for Tabular Data and Metadata on the Web, section 5.3).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from trialkit.records.write import csv_text

TABLE = "results.csv"
METADATA = f"{TABLE}-metadata.json"
DICTIONARY = "results-columns.csv"


class Column(NamedTuple):
    """A column: its name, what it holds (CSVW datatype), its unit and what it means."""

    name: str
    datatype: str
    unit: str
    meaning: str


_OWN = "the row's own unit"
_TIMES = "times, or the row's own unit"
COLUMNS = (
    Column("trial", "integer", "", "The trial's number on these pages."),
    Column("garden", "string", "", "What the garden is called on these pages."),
    Column("crop", "string", "", "The crop."),
    Column("planted", "date", "", "The day the plants went out."),
    Column("last_record", "date", "", "The day of the newest record behind the row."),
    Column("invented", "boolean", "", "Whether the records are made up, to show what it is like."),
    Column("variety", "string", "", "The variety."),
    Column("check", "boolean", "", "Whether it is the check, which the others are set against."),
    Column("trait", "string", "", "What the estimate is of."),
    Column("unit", "string", "", "The unit of estimate, low and high."),
    Column("estimate", "number", _OWN, "Best estimate. Empty where there is none."),
    Column("low", "number", _OWN, "Lower end of its 95 % interval. Empty without one."),
    Column("high", "number", _OWN, "Upper end of its 95 % interval. Empty without one."),
    Column("against", "string", "", "What against_check is: ratio (times the check), "
           "difference (more than the check, in the row's own unit) or odds (a ratio of odds)."),
    Column("against_check", "number", _TIMES, "The estimate against the check's. "
           "Empty without a check."),
    Column("against_low", "number", _TIMES, "Lower end of its interval, which holds however often "
           "the trial was looked at. Empty where the layout supports none."),
    Column("against_high", "number", _TIMES, "Upper end of that interval."),
    Column("finding", "string", "", "Where that comparison stands: settled, keep picking, or will "
           "not be settled this season. Empty for the check and without a comparison."),
    Column("out_of_reach", "date", "", "The day the variety passes the picker's reach. Empty where "
           "it had not by the last measurement."),
    Column("out_earliest", "date", "", "Earliest end of that day's 95 % interval."),
    Column("out_latest", "date", "", "Latest end of that interval; empty without limit."),
    Column("plants", "integer", "plants", "Plants of the variety planted."),
    Column("lost", "integer", "plants", "Plants of it lost."),
    Column("compared", "boolean", "", "Whether the layout supports comparing varieties at all. "
           "Where false, no difference in this trial can be told from chance."),
    Column("report", "string", "", "The trial's report, relative to this table."),
    Column("fingerprint", "string", "", "Stands for the records the row was made from."),
)  # fmt: skip
NEVER_EMPTY = frozenset({"trial", "garden", "crop", "planted", "variety", "check", "plants"})


def table_csv(rows: Iterable[Mapping[str, object]]) -> str:
    """The table.  Text that a spreadsheet would run as a formula gets an apostrophe before it."""
    names = [column.name for column in COLUMNS]
    return csv_text(names, ([_cell(row.get(name)) for name in names] for row in rows))


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return "true" if value else "false"  # XML Schema 1.1, part 2, section 3.3.2
    if isinstance(value, float):
        return f"{value:.6g}"
    return "" if value is None else value


def dictionary_csv() -> str:
    """The columns for people: name, type, unit, meaning."""
    rows = [(c.name, c.datatype, c.unit, c.meaning) for c in COLUMNS]
    return csv_text(("column", "type", "unit", "meaning"), rows)


def metadata_json(title: str) -> str:
    """The columns for programs, as CSV on the Web describes a table."""
    columns = [
        {
            "name": c.name,
            "titles": c.name,
            "datatype": c.datatype,
            "dc:description": c.meaning + (f" Unit: {c.unit}." if c.unit else ""),
            "required": c.name in NEVER_EMPTY,
        }
        for c in COLUMNS
    ]
    whole = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": TABLE,
        "dc:title": title,
        "dc:description": "Text that a spreadsheet would take for a formula has an apostrophe "
        f"before it. The columns for people: {DICTIONARY}.",
        "dialect": {"lineTerminators": ["\n"]},
        "tableSchema": {"columns": columns, "primaryKey": ["trial", "variety"]},
    }
    return json.dumps(whole, ensure_ascii=False, indent=1) + "\n"
