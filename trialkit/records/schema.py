"""Which files a trial folder may hold, and what each column of them is.

A column is known by its name, by the other names growers and trial books use for it, and
whatever the case or spacing; a unit may stand in the heading, as in "height (in)".
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """kind: text, day, count, number, length, weight or temperature."""

    name: str
    kind: str
    required: bool = False
    other_names: tuple[str, ...] = ()
    blank: bool = True


@dataclass(frozen=True)
class Table:
    """One file of a trial.  ``keys`` are the columns that must be filled in on every line."""

    name: str
    columns: tuple[Column, ...]
    required: bool = False


_PLANT = Column("plant", "text", True, ("plant id", "plant no", "plant number", "id"), blank=False)
_DATE = Column("date", "day", True, ("day",), blank=False)
_PLOT = Column("plot", "text", False, ("plot no", "plot id", "plot number"))

PLANTS = Table(
    "plants",
    (
        _PLANT,
        Column("variety", "text", True, ("cultivar", "var"), blank=False),
        Column("block", "text", False, ("rep", "replicate", "replication")),
        _PLOT,
        Column("row", "number", False, ("row no", "row number")),
        Column("column", "number", False, ("col", "position", "place in row")),
        Column("treatment", "text", False, ("treated",)),
        Column("lost", "day", False, ("date lost", "lost on", "died")),
        Column("lost_reason", "text", False, ("reason", "why lost", "cause")),
    ),
    required=True,
)
PICKS = Table(
    "picks",
    (
        _DATE, _PLANT,
        Column("count", "count", True, ("number", "picked", "pods")),
        Column("weight", "weight"),
    ),
)
HEIGHTS = Table("heights", (_DATE, _PLANT, Column("height", "length", True, ("tall",))))
WEATHER = Table(
    "weather",
    (
        _DATE,
        Column("low", "temperature", True, ("min", "minimum", "lowest", "night")),
        Column("high", "temperature", True, ("max", "maximum", "highest", "day high")),
    ),
)
EVENTS = Table(
    "events",
    (
        _DATE,
        Column("plant", "text", False, ("plant id",)),
        _PLOT,
        Column("event", "text", True, ("what", "done"), blank=False),
        Column("note", "text", False, ("notes", "remark", "remarks")),
    ),
)
HARVEST = Table(
    "harvest",
    (
        Column("date", "day", False, ("day", "dug", "cut")),
        _PLANT,
        Column("weight", "weight", False, ("yield",)),
        Column("count", "count", False, ("number",)),
        Column("grade", "text", False, ("class", "size")),
    ),
)
TABLES = (PLANTS, PICKS, HEIGHTS, WEATHER, EVENTS, HARVEST)
