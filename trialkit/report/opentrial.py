"""What of a trial goes out to the public: records with all that names people and places taken out.

The records themselves are stripped, before anything is worked out from them, so that no table,
drawing, alternative text or feed made later can let slip what it was never given.

What is compared goes out always: crop, what is counted, varieties, treatments, grades, dates,
numbers, and where in the bed each plant stood.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import ParamSpec, TypeVar

import pandas as pd

from trialkit import shipped
from trialkit.decide import Conclusion, conclude
from trialkit.errors import TrialkitError
from trialkit.gardens.components import seen_plots
from trialkit.records import Records, RecordsError, read_records
from trialkit.records.files import LOG, WORKBOOK
from trialkit.records.plots import BASKET, basket_names
from trialkit.records.schema import TABLES
from trialkit.records.tables import blank_column
from trialkit.records.tastings import KEY, PLACE, Tasted, read_tasting
from trialkit.trial import Trial, TrialProblems

NAMES, PLACES, NOTES = "names", "places", "notes"
KINDS = (NAMES, PLACES, NOTES)


@dataclass(frozen=True)
class Showing:
    """What may be shown beyond the results.

    names : the trial's title as written, and what plants, plots and blocks are called.
    places : the garden, and sun and shade in the gardener's words.
    notes : notes, source, reasons of losses, doubts with the cells they are about.
    """

    names: bool = False
    places: bool = False
    notes: bool = False

    @property
    def text(self) -> str:
        """As a notebook is told: "names places"."""
        return " ".join(kind for kind in KINDS if getattr(self, kind))

    @classmethod
    def of(cls, text: str) -> Showing:
        """Back from `text`.  Raises ValueError for a word that is none of the three."""
        words = text.split()
        unknown = sorted(set(words) - set(KINDS))
        if unknown:
            raise ValueError(f"{unknown[0]!r} is not one of: {', '.join(KINDS)}.")
        return cls(**{kind: kind in words for kind in KINDS})


# Words a layout is described with; those of a description that are not among them stay at home.
_LAYOUT = re.compile(
    r"\b(?:completely|randomi[sz]ed|random|drawn by lot|by lot|not|complete|incomplete|blocks?|"
    r"latin|squares?|rows?|columns?|row-column|and|split|plots?)\b",
    re.I,
)
# Sun and shade are shown as written where every word is one of these; else only what says where in
# the bed they fall.
_LIGHT = re.compile(
    r"(?:(?:north|south)?-?(?:east|west|north|south)(?:ern)?|rows?|columns?|\d++|a|and|at|along|"
    r"beyond|by|end|ends|first|from|half|hedge|in|last|morning|midday|afternoon|evening|of|on|"
    r"shade|side|sides|sun|the|to|tree|trees|wall|fence|[\s,;])+",
    re.I,
)
_WHERE = re.compile(
    r"\b(?:(?:north|south)[- ]?(?:east|west)?|east|west|"
    r"(?:(?:beyond|along) )?(?:row|column) \d+)\b",
    re.I,
)
# What may stand in a club's pages of an event; the models look for "topped" alone.
WITHHELD = "other"
EVENTS = frozenset({"topped", "fed", "watered", "sprayed", "storm", "frost", "hail"})
_FILES = frozenset(
    {LOG, WORKBOOK, "trial.toml", *(f"{t.name}{end}" for t in TABLES for end in (".csv", ".xlsx"))}
)
_LETTERS = {"plant": "", "plot": "P", "block": "B", "replicate": "R"}
_NUMBER_OR_DAY = re.compile(r"[-+]?[0-9]+(?:[.,][0-9]+)?|[0-9]{4}-[0-9]{2}-[0-9]{2}")


def public_records(records: Records, showing: Showing, title: str, garden: str) -> Records:
    """The records with what is not to be shown taken out, nothing that is worked out changed.

    title, garden : what the trial and its garden are called instead of their own names.  The
    folder stays, for the models to find the bed's plan in; no page shows it.
    """
    trial = _public_trial(records.trial, showing, title, garden)
    frames = {t.name: getattr(records, t.name).copy() for t in TABLES}
    doubts = records.doubts.copy()
    for table in TABLES:
        for column in table.columns:
            if column.shown == "never":
                frames[table.name][column.field] = blank_column(column, len(frames[table.name]))
    if not showing.names:
        for name, letter in _LETTERS.items():
            if name not in frames["plants"]:
                continue
            new = _neutral(frames["plants"][name], letter)
            if name == "plant":
                plots = _neutral(frames["plants"]["plot"], _LETTERS["plot"])
                new |= {basket: f"{BASKET}{plots[plot]}"
                        for basket, plot in basket_names(frames["plants"]).items()}
            for frame in frames.values():
                if name in frame:
                    frame[name] = _renamed(frame[name], new)
            if name == "plant":
                doubts["value"] = [new.get(str(value), value) for value in doubts["value"]]
    if not showing.notes:
        events = frames["events"]["event"]
        for table in TABLES:
            for column in table.columns:
                if column.shown == "notes":
                    frames[table.name][column.field] = pd.NA
        frames["events"]["event"] = events.where(events.isin(EVENTS), WITHHELD)
        doubts["doubt"] = ""
        doubts["value"] = [v if _NUMBER_OR_DAY.fullmatch(str(v)) else "" for v in doubts["value"]]
    # Which rows are queried stays: their places, no cell of them, and every row keeps its place.
    doubts["file"] = doubts["file"].map(_file_name)
    return replace(
        records, trial=trial, doubts=doubts, **frames,
        files=tuple((_file_name(name), rows) for name, rows in records.files),
    )


def _public_trial(trial: Trial, showing: Showing, title: str, garden: str) -> Trial:
    layout = trial.layout
    return replace(
        trial,
        title=trial.title if showing.names else title,
        garden=(showing.places and trial.garden) or garden,
        layout=replace(
            layout,
            design=layout.design if showing.notes else _words(_LAYOUT, layout.design),
            sun=layout.sun if showing.places else _light(layout.sun),
            shade=layout.shade if showing.places else _light(layout.shade),
            seed=None,
        ),
        varieties=tuple(v if showing.notes else replace(v, note="", seed_cost=None)
                        for v in trial.varieties),
        price=trial.price if showing.notes else None,
        source=trial.source if showing.notes else "",
        notes=trial.notes if showing.notes else "",
    )


def _words(known: re.Pattern[str], text: str | None) -> str | None:
    """Those words of a text that are known to name nobody and no place."""
    return " ".join(known.findall(text or "")) or None


def _light(text: str | None) -> str | None:
    """Where sun or shade falls, without what they may say of the place."""
    return text if text and _LIGHT.fullmatch(text) else _words(_WHERE, text)


def _neutral(names: pd.Series, letter: str) -> dict[str, str]:
    """Numbers in the order the names sort in, which some results list their units by."""
    known = sorted(set(names.dropna().astype(str)))
    width = len(str(len(known)))
    return {name: f"{letter}{place:0{width}d}" for place, name in enumerate(known, start=1)}


def _renamed(names: pd.Series, new: dict[str, str]) -> pd.Series:
    """The names replaced; a name that is on no plant becomes blank."""
    return names.map(lambda name: new.get(str(name), pd.NA), na_action="ignore").astype(names.dtype)


def _file_name(name: object) -> str:
    """The file's own name where it is one of ours, without the name of a sheet."""
    file = str(name).split(",")[0]
    return file if file in _FILES else "a table"


# ------------------------------------------------------------------------------------------------
# A trial opened for the cells of a notebook, and how a cell says that it cannot go on.
# ------------------------------------------------------------------------------------------------

P = ParamSpec("P")
R = TypeVar("R")


class CellStop(TrialkitError):
    """A cell cannot go on, and the message says why in the package's own words.

    A notebook shows the message alone; there is nothing for a grower in a traceback.
    """

    def _render_traceback_(self) -> list[str]:
        return str(self).splitlines()


class RecordsCellStop(CellStop):
    """The records have errors; the message is the table of them."""


def told(cell: Callable[P, R]) -> Callable[P, R]:
    """Turn the package's own errors into `CellStop`; anything else is a fault and shows as one."""

    @functools.wraps(cell)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return cell(*args, **kwargs)
        except (RecordsError, TrialProblems) as error:
            raise RecordsCellStop(str(error)) from None

    return wrapped


@dataclass(frozen=True)
class OpenTrial:
    """A trial whose records are read; what follows from them is worked out when first asked for.

    shared : the report goes onto a club's pages.  showing : what it may show beyond the results;
    what it may not is out of `records` already.
    """

    records: Records
    until: date | None
    shared: bool = False
    showing: Showing = Showing(names=True, places=True, notes=True)

    @functools.cached_property
    def conclusion(self) -> Conclusion:
        """The conclusion all cells read from."""
        return conclude(self.records, seen_plots(self.records.folder),
                        tasted=isinstance(self.tasted, Tasted))

    @functools.cached_property
    def tasted(self) -> Tasted | RecordsError | None:
        """The tasting; None where none was held yet, or what is wrong with its files.

        Its day is not recorded: as of an earlier day there is none.
        """
        place = self.records.folder / PLACE
        if self.until is not None or not (place / KEY).is_file():
            return None
        try:
            tasted = read_tasting(place, self.records.trial.variety_names)
        except RecordsError as error:
            return error
        return None if tasted.empty else tasted

    @property
    def names(self) -> tuple[str, ...]:
        """Variety names, to be fenced off wherever they stand in a sentence."""
        return tuple(self.records.trial.variety_names)

    def __repr__(self) -> str:
        return f"the trial in {self.records.folder}"


@told
def open_trial(
    folder: str = "", until: str = "", shared_as: str = "", showing: str = ""
) -> OpenTrial:
    """Read the trial in `folder` (the demo trial if empty), up to the day `until` if given.

    shared_as : what the garden is called on a club's pages; "" for the gardener's own report.
    showing : what may go onto those pages beyond the results: names, places, notes.
    Raises RecordsCellStop where the records have errors, CellStop where there is no such trial.
    """
    place = Path(folder) if folder else shipped.demo()
    if not (place / "trial.toml").is_file():
        raise CellStop(f"There is no trial in {place}: it has no trial.toml.")
    try:
        day = date.fromisoformat(until) if until else None
    except ValueError:
        raise CellStop(f"until is {until!r}; write a date such as 2025-07-20, or leave it empty.") \
            from None
    records = read_records(place, until=day)
    if not shared_as:
        return OpenTrial(records, day)
    try:
        shown = Showing.of(showing)
    except ValueError as error:
        raise CellStop(f"showing cannot be read: {error}") from None
    about = records.trial
    garden = (shown.places and about.garden) or shared_as
    title = f"{garden}: {about.crop}, {about.planted.year}"
    return OpenTrial(public_records(records, shown, title, shared_as), day, True, shown)
