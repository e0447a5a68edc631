"""Which tables a trial folder may hold, and what each column of them is.

A column is known by its name and by the other names growers and trial books use for it, whatever
the case, spacing and marks; a unit may stand in the heading, as in "height (in)" or "weight_kg".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["name", "text", "date", "count", "place", "length", "weight", "temperature",
               "rain"]

# The dates of these tables are those of the crop, and none can lie before planting.
CROP_TABLES = frozenset({"picks", "heights", "harvest"})


@dataclass(frozen=True)
class Column:
    """name : in the file.  stored : in the frame, with its unit.  filled : must not be blank."""

    name: str
    kind: Kind
    other_names: tuple[str, ...] = ()
    stored: str = ""
    filled: bool = False

    @property
    def field(self) -> str:
        """The column's name in the frame."""
        return self.stored or self.name


@dataclass(frozen=True)
class Table:
    """One table.  needs : of each group of columns the file must have at least one."""

    name: str
    columns: tuple[Column, ...]
    needs: tuple[tuple[str, ...], ...]

    @property
    def heading(self) -> str:
        """The heading line in full."""
        return ",".join(column.name for column in self.columns)


_PLANT_NAMES = ("plant id", "plant no", "plant number", "plant name", "plant code", "id")
_PLANT = Column("plant", "name", _PLANT_NAMES, filled=True)
_DATE_NAMES = ("day", "date picked", "pick date", "picked on", "date measured", "when")
_DATE = Column("date", "date", _DATE_NAMES, filled=True)
_PLOT = Column("plot", "text", ("plot id", "plot no", "plot number", "plot name"))
_COUNT = Column("count", "count", ("counted", "number", "no", "how many", "picked", "pods"))
_WEIGHT = Column("weight", "weight", ("wt", "mass", "yield", "weighed"), "weight_g")

PLANTS = Table(
    "plants",
    (
        Column("plant", "name", (*_PLANT_NAMES, "number", "no", "name"), filled=True),
        Column("variety", "text", ("cultivar", "var", "cv", "entry", "sort"), filled=True),
        Column("block", "text", ("rep", "replicate", "replication", "block no")),
        _PLOT,
        Column("row", "place", ("row no", "row number")),
        Column("column", "place", ("col", "position", "place in row", "position in row")),
        Column("treatment", "text", ("treated", "treat")),
        Column("lost", "date", ("date lost", "lost on", "died", "date died", "dead")),
        Column("lost_reason", "text", ("reason", "reason lost", "why lost", "why", "cause")),
    ),
    (("plant",), ("variety",)),
)
PICKS = Table(
    "picks", (_DATE, _PLANT, _COUNT, _WEIGHT), (("date",), ("plant",), ("count", "weight"))
)
HEIGHTS = Table(
    "heights",
    (_DATE, _PLANT, Column("height", "length", ("tall", "plant height", "ht"), "height_cm")),
    (("date",), ("plant",), ("height",)),
)
WEATHER = Table(
    "weather",
    (
        _DATE,
        Column("low", "temperature", ("min", "minimum", "lowest", "tmin", "low temp"), "low_c"),
        Column("high", "temperature", ("max", "maximum", "highest", "tmax", "high temp"), "high_c"),
        Column("rain", "rain", ("rainfall", "precipitation", "precip", "rain fall"), "rain_mm"),
    ),
    (("date",), ("low", "high", "rain")),
)
EVENTS = Table(
    "events",
    (
        _DATE,
        Column("plant", "name", _PLANT_NAMES),
        _PLOT,
        Column("event", "text", ("what", "done", "what happened", "task", "job"), filled=True),
        Column("note", "text", ("notes", "remark", "remarks", "comment", "comments")),
    ),
    (("date",), ("event",)),
)
HARVEST = Table(
    "harvest",
    (
        Column("date", "date", (*_DATE_NAMES, "date dug", "date cut", "harvested on")),
        _PLANT,
        _WEIGHT,
        _COUNT,
        Column("grade", "text", ("class", "size", "quality")),
    ),
    (("plant",), ("weight", "count")),
)
TABLES = (PLANTS, PICKS, HEIGHTS, WEATHER, EVENTS, HARVEST)
