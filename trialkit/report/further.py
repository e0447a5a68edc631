"""What else a grower goes by: yield of a plant and of the row, days of picking, weight; of a crop
dug or cut once its grades and when it was ready."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd

from trialkit import wording
from trialkit.models import Missing, TraitResult
from trialkit.models.window import RECORDS
from trialkit.records.schema import TRAITS
from trialkit.report.answered import Cell, Row
from trialkit.report.blocks import Block, bullets, part
from trialkit.report.digging import grade_lines, ready_lines, treatment_line
from trialkit.report.drawn import headline, ranked
from trialkit.report.found import joined, shown_as
from trialkit.report.growing import stand_lines
from trialkit.report.measures import Measure, measure, percent, row_of
from trialkit.report.opened import OpenTrial, told
from trialkit.report.yields import window_days

_OWN_COLUMNS = frozenset({"window", "weights"})
Column = tuple[str, Callable[[str], Cell]]


@told
def further(trial: OpenTrial) -> Block:
    """A card a variety, and a few sentences; nothing where there is nothing to add."""
    columns = [*_season(trial), *_window(trial), *_weights(trial), *_harvest(trial),
               *_others(trial)]
    lines = _lines(trial)
    if not columns:
        return bullets(lines, trial.names)
    about = trial.records.trial
    rows = [
        Row(name, name == about.check, [show(name) for _, show in columns])
        for name in ranked(trial)["variety"]
    ]
    caption = "In the order of the table above"
    if any(cell.range for row in rows for cell in row.cells):
        caption += "; below each estimate its likely range (95 %)"
    heads = [head for head, _ in columns]
    html = part("cards", caption=f"{caption}.{_meaning(trial)}", heads=heads, rows=rows,
                compact=True)
    plain = ["  ".join(["Variety", *heads])]
    plain += ["  ".join([row.name, *(f"{c.value} {c.range}".strip() for c in row.cells)])
              for row in rows]
    return joined([Block(html, "\n".join(plain)), bullets(lines, trial.names)])


def _season(trial: OpenTrial) -> list[Column]:
    season = trial.conclusion.analysis.season
    if isinstance(season, Missing):
        return []
    led = headline(trial)
    counted = wording.capital(trial.conclusion.analysis.counted)
    columns = [] if led is season else [
        (f"{counted} a living plant, so far", _cells(season.means, Measure("")))]
    if season.metre["estimate"].notna().any():
        metres, row = row_of(trial.records.trial)
        columns.append((f"{counted} a {row}, gaps included",
                        _cells(season.metre, Measure("", 1.0 / metres))))
    return columns


def _meaning(trial: OpenTrial) -> str:
    """What the two yields are, for the caption."""
    season = trial.conclusion.analysis.season
    if isinstance(season, Missing):
        return ""
    said = " A living plant: one still standing."
    if season.metre["estimate"].notna().any():
        row = row_of(trial.records.trial)[1].split()[0]
        said += f" A {row}: as planted, gaps of lost plants included."
    return said


def _window(trial: OpenTrial) -> list[Column]:
    window = trial.conclusion.analysis.window
    if isinstance(window, Missing) or window.window["ended_by"].eq(RECORDS).all():
        return []  # none has ended: it is as long as the picking so far
    rows = {row.variety: row for row in window.window.itertuples(index=False)}

    def shown(name: str) -> Cell:
        if name not in rows:
            return Cell(wording.NONE)
        value, _, span = window_days(rows[name]).partition(" (")
        return Cell(value, span.rstrip(")"))

    return [("Picking season", shown)]


def _weights(trial: OpenTrial) -> list[Column]:
    weights = trial.conclusion.analysis.weights
    if isinstance(weights, Missing) or headline(trial) is weights:
        return []
    shown = shown_as(weights, trial.records.trial)
    picked = trial.records.picks["date"].nunique()
    weighed = len(weights.weighed)
    some = f" ({weighed} of {picked} picks weighed)" if weighed < picked else ""
    return [(f"Weight, {shown.unit}{some}", _cells(weights.means, shown))]


def _harvest(trial: OpenTrial) -> list[Column]:
    harvest = trial.conclusion.analysis.harvest
    if isinstance(harvest, Missing):
        return []
    columns: list[Column] = []
    about = trial.records.trial
    if len(harvest.metre):
        metres, row = row_of(about)
        shown = measure(harvest.unit, about)
        columns.append((f"{wording.capital(shown.unit)} a {row}, gaps included",
                        _cells(harvest.metre, Measure("", shown.scale / metres))))
    if harvest.grading is not None:
        shares = harvest.grading.shares.dropna(subset=["share"])
        columns += [(f"Graded {grade}", _share(shares[shares["grade"] == grade]))
                    for grade in dict.fromkeys(shares["grade"])]
    return columns


def _others(trial: OpenTrial) -> list[Column]:
    """Of any other trait whose place is beside the answer its estimates."""
    columns: list[Column] = []
    for trait in TRAITS:
        result = trial.conclusion.analysis.trait(trait)
        if trait.place != "beside" or trait.name in _OWN_COLUMNS or isinstance(result, Missing):
            continue
        shown = shown_as(result, trial.records.trial)
        columns.append((wording.capital(wording.with_unit(result.label, shown.unit)),
                        _cells(result.means, shown)))
    for own in trial.conclusion.analysis.own.values():
        if not isinstance(own, Missing):
            columns.append((wording.capital(wording.with_unit(own.label, own.unit)),
                            _cells(own.means, Measure(own.unit))))
    return columns


def _share(shares: pd.DataFrame) -> Callable[[str], Cell]:
    rows: dict[Any, Any] = {row.variety: row for row in shares.itertuples(index=False)}

    def shown(name: str) -> Cell:
        if name not in rows:
            return Cell(wording.NONE)
        row = rows[name]
        value, _, span = percent(row.share, row.low, row.high).partition(" (")
        return Cell(value, span.rstrip(")"))

    return shown


def _cells(means: pd.DataFrame, shown: Measure) -> Callable[[str], Cell]:
    rows: dict[Any, Any] = {row.variety: row for row in means.itertuples(index=False)}

    def cell(name: str) -> Cell:
        if name not in rows:
            return Cell(wording.NONE)
        row = rows[name]
        return Cell(shown.number(row.estimate), shown.span(row.low, row.high))

    return cell


def _lines(trial: OpenTrial) -> list[str]:
    """Losses, grades and readiness, a sentence or two each."""
    analysis = trial.conclusion.analysis
    lines: list[str] = []
    if not isinstance(analysis.harvest, Missing):
        if analysis.harvest.grading is not None:
            lines += grade_lines(analysis.harvest.grading)
        lines += treatment_line(analysis.harvest, trial.records.trial)
        lines += ready_lines(analysis.harvest)
    if isinstance(analysis.stand, TraitResult):
        lines += stand_lines(analysis.stand)
    return lines
