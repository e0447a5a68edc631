"""What of a trial goes out to the public: records with all that names people and places taken out.

The records themselves are stripped, before anything is worked out from them, so that no table,
drawing, alternative text or feed made later can let slip what it was never given.

What is compared goes out always: crop, what is counted, varieties, treatments, grades, dates,
numbers, and where in the bed each plant stood.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import pandas as pd

from trialkit.records import Records
from trialkit.records.check import BASKET, basket_names
from trialkit.records.folder import LOG, WORKBOOK
from trialkit.records.schema import TABLES
from trialkit.records.tables import blank_column
from trialkit.trial import Trial

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
_LETTERS = {"plant": "", "plot": "P", "block": "B"}
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
        varieties=tuple(v if showing.notes else replace(v, note="") for v in trial.varieties),
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
    return names.map(lambda one: new.get(str(one), pd.NA), na_action="ignore").astype(names.dtype)


def _file_name(name: object) -> str:
    """The file's own name where it is one of ours, without the name of a sheet."""
    file = str(name).split(",")[0]
    return file if file in _FILES else "a table"
