"""The registry of what is measured: every table, column and trait, each said once.

Reading, the log, the phone page, spreadsheets brought in, doubts, gathered tables, a club's
privacy, the order of the report and its methods read it here.  A new input column is one entry in
its table; a new trait one entry in `TRAITS` and one model.

A column is known by its name and by the other names growers and trial books use for it, whatever
the case, spacing and marks; a unit may stand in the heading, as in "height (in)" or "weight_kg".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from trialkit.reading.amounts import CM, GRAMS

if TYPE_CHECKING:
    from trialkit.trial import Trial

Kind = Literal["name", "text", "date", "count", "place", "length", "weight", "temperature",
               "rain"]
Shown = Literal["always", "names", "notes", "never"]
Place = Literal["answer", "beside", "pictures", "method"]


@dataclass(frozen=True)
class Quantity:
    """How measures of one kind are held.

    unit : in the package.  own : the field of `Trial` with the gardener's unit; "" for none.
    units : those a cell may name, in that unit.
    """

    unit: str = ""
    own: str = ""
    units: Mapping[str, float] = field(default_factory=dict)


QUANTITIES: dict[str, Quantity] = {
    "count": Quantity(),
    "weight": Quantity("g", "weight_unit", GRAMS),
    "length": Quantity("cm", "height_unit", CM),
}


@dataclass(frozen=True)
class Column:
    """One column of a table.

    name : in the file, in the log, on the phone and for `trialkit correct`.  stored : in the frame,
    with its unit.  filled : must not be blank.  logged : comes in by phone and by other
    spreadsheets too, through the log.  shown : when a club's pages may show what it says: always,
    with names, with notes, or never.  offered : stands in the heading a new trial's file is given.
    literal : "NA" and "-" are names like others.
    """

    name: str
    kind: Kind
    other_names: tuple[str, ...] = ()
    stored: str = ""
    filled: bool = False
    logged: bool = False
    shown: Shown = "always"
    offered: bool = True
    literal: bool = False

    @property
    def field(self) -> str:
        """The column's name in the frame."""
        return self.stored or self.name

    @property
    def quantity(self) -> Quantity:
        """How its measures are held.  Raises KeyError for a column that measures nothing."""
        return QUANTITIES[self.kind]


@dataclass(frozen=True)
class Table:
    """One table.

    needs : of each group of columns the file must have at least one.  crop : its days are those of
    the crop, and none can lie before planting.  noted : its lines may carry a note, which is read
    as an event of that day and plant.
    """

    name: str
    columns: tuple[Column, ...]
    needs: tuple[tuple[str, ...], ...]
    crop: bool = False
    noted: bool = False

    @property
    def with_notes(self) -> Table:
        """The table with the column its notes stand in, where its lines may carry one."""
        return replace(self, columns=(*self.columns, NOTE)) if self.noted else self

    @property
    def heading(self) -> str:
        """The heading line a new trial's file is given."""
        return ",".join(self.offered)

    @property
    def offered(self) -> tuple[str, ...]:
        """The names in that line."""
        return tuple(column.name for column in self.columns if column.offered)

    @property
    def measured(self) -> tuple[Column, ...]:
        """The columns that hold measures of the crop."""
        return tuple(column for column in self.columns if column.kind in QUANTITIES)


_PLANT_NAMES = ("plant id", "plant no", "plant number", "plant name", "plant code", "id")
_PLANT = Column("plant", "name", _PLANT_NAMES, shown="names", literal=True)
_DATE_NAMES = ("day", "date picked", "pick date", "picked on", "date measured", "when")
_DATE = Column("date", "date", _DATE_NAMES, filled=True)
_PLOT = Column("plot", "text", ("plot id", "plot no", "plot number", "plot name"), shown="names")
_BASKET = replace(_PLOT, offered=False)
_COUNT = Column("count", "count", ("counted", "number", "no", "how many", "picked", "pods"))
_WEIGHT = Column("weight", "weight", ("wt", "mass", "yield", "weighed"), "weight_g")
NOTE = Column("note", "text", ("notes", "remark", "remarks", "comment", "comments"), shown="notes")

PLANTS = Table(
    "plants",
    (
        replace(_PLANT, other_names=(*_PLANT_NAMES, "number", "no", "name")),
        Column("plants", "count", ("number of plants", "plants in plot"), offered=False),
        Column("variety", "text", ("cultivar", "var", "cv", "entry", "sort"), filled=True),
        Column("replicate", "text", ("rep", "replication", "repetition", "rep no", "superblock"),
               shown="names", offered=False),
        Column("block", "text", ("block no", "incomplete block", "sub block", "iblock"),
               shown="names"),
        _PLOT,
        Column("row", "place", ("row no", "row number")),
        Column("column", "place", ("col", "position", "place in row", "position in row")),
        Column("treatment", "text", ("treated", "treat")),
        Column("lost", "date", ("date lost", "lost on", "died", "date died", "dead")),
        Column("lost_reason", "text", ("reason", "reason lost", "why lost", "why", "cause"),
               shown="notes"),
    ),
    (("plant", "plot"), ("variety",)),
)
PICKS = Table(
    "picks",
    (_DATE, _PLANT, _BASKET, replace(_COUNT, logged=True), replace(_WEIGHT, logged=True)),
    (("date",), ("plant", "plot"), ("count", "weight")),
    crop=True,
    noted=True,
)
HEIGHTS = Table(
    "heights",
    (
        _DATE,
        _PLANT,
        _BASKET,
        Column("height", "length", ("tall", "plant height", "ht"), "height_cm", logged=True),
    ),
    (("date",), ("plant", "plot"), ("height",)),
    crop=True,
    noted=True,
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
        replace(_PLANT, literal=False),
        _PLOT,
        Column("event", "text", ("what", "done", "what happened", "task", "job"), filled=True,
               shown="notes"),
        NOTE,
    ),
    (("date",), ("event",)),
)
HARVEST = Table(
    "harvest",
    (
        Column("date", "date", (*_DATE_NAMES, "date dug", "date cut", "harvested on")),
        _PLANT,
        _BASKET,
        _WEIGHT,
        _COUNT,
        Column("grade", "text", ("class", "size", "quality")),
    ),
    (("plant", "plot"), ("weight", "count")),
    crop=True,
    noted=True,
)
OWN = Table(
    "traits",
    (
        _DATE,
        _PLANT,
        _PLOT,
        Column("trait", "text", ("what", "property"), filled=True),
        Column("value", "text", ("score", "result", "reading"), literal=True),
    ),
    (("date",), ("plant", "plot"), ("trait",)),
    crop=True,
)
TABLES = (PLANTS, PICKS, HEIGHTS, WEATHER, EVENTS, HARVEST, OWN)

def plants_of(trial: Trial) -> Table:
    """plants.csv with the columns that trial.toml says to adjust for, a number on every line."""
    more = tuple(Column(name, "place", filled=True, offered=False) for name in trial.covariates)
    return replace(PLANTS, columns=(*PLANTS.columns, *more),
                   needs=(*PLANTS.needs, *((name,) for name in trial.covariates)))


OWN_KIND = "trait:"
"""Before the name of a trait of one's own: its kind in the log and on the phone."""

LOGGED: dict[str, tuple[Table, Column]] = {
    column.name: (table, column) for table in TABLES for column in table.columns if column.logged
}
"""What the log, the phone and other spreadsheets may hold of a plant, by name."""


def own_unit(name: str, trial: Trial) -> str:
    """What a bare number of a measure in the log is in: the gardener's unit, "" for a count."""
    _, column = LOGGED[name]
    return str(getattr(trial, column.quantity.own)) if column.quantity.own else ""


@dataclass(frozen=True)
class Trait:
    """One thing a trial may tell of its varieties.

    name : in the answer, as in `a["pods"]`.  reads : "table.column", as they stand in the records.
    model : the file of `models/` whose function `<name>_trait` works it out.  place : where it
    stands in the report besides its method: in the answer, beside it as a column of its own, as a
    picture, or nowhere else.  question : what stays open where it cannot be told; "" where that
    need not be said.

    A club's pages may show a trait where they may show the columns it reads.
    """

    name: str
    reads: tuple[str, ...]
    model: str
    place: Place = "beside"
    question: str = ""

    @property
    def shown(self) -> Shown:
        """When a club's pages may show it: the strictest of its columns'."""
        order: tuple[Shown, ...] = ("always", "names", "notes", "never")
        return max((column_of(read).shown for read in self.reads), key=order.index)


def column_of(read: str) -> Column:
    """The column that "table.column" names.  Raises KeyError for one that is not there."""
    table, _, name = read.partition(".")
    columns = {(t.name, c.name): c for t in TABLES for c in t.columns}
    return columns[table, name]


TRAITS: tuple[Trait, ...] = (
    Trait("window", ("picks.count",), "window"),
    Trait("pods", ("picks.count",), "picked", "answer"),
    Trait("picks_per_week", ("picks.count",), "picked", "method"),
    Trait("season", ("picks.count", "plants.lost"), "season_yield", "answer"),
    Trait("height", ("heights.height",), "height", "answer",
          "How tall they grow and when they pass reach"),
    Trait("rate", ("picks.count",), "rate", "pictures", "How the rate ran over the season"),
    Trait("stand", ("plants.lost",), "stand", "answer"),
    Trait("position", ("picks.count", "plants.row", "plants.column"), "position", "pictures"),
    Trait("harvest", ("harvest.weight", "harvest.count", "harvest.grade"), "harvest", "answer"),
    Trait("weights", ("picks.weight",), "picked"),
)
"""Every trait, in the order of the report's methods."""
