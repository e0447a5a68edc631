"""Trials of a season opened for the cells of a notebook."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from trialkit import shipped, wording
from trialkit.gardens import words
from trialkit.gardens.answer import SeasonAnswer
from trialkit.gardens.gathered import GatheredProblem
from trialkit.gardens.season import season as work_out
from trialkit.gardens.workers import ClusterProblem, mapper
from trialkit.report.opened import CellStop, RecordsCellStop


@dataclass(frozen=True)
class OpenSeason:
    """Trials worked out together."""

    answer: SeasonAnswer
    until: date | None

    @property
    def names(self) -> tuple[str, ...]:
        """Variety names, to be fenced off wherever they stand in a sentence."""
        return tuple(self.answer.overall["variety"]) if len(self.answer.overall) else ()

    @property
    def to(self) -> str:
        """What varieties are set against, in words."""
        return self.answer.check or words.AVERAGE

    def __repr__(self) -> str:
        return f"{wording.counted(len(self.answer.trials), 'trial')} together"


def open_season(
    folders: Sequence[str] = (), until: str = "", cluster: str = ""
) -> OpenSeason:
    """Work out the trials in `folders` (twelve published barley trials if none are given).

    cluster: address of a running Dask scheduler; else this machine.  Raises RecordsCellStop where
    no folder gave anything because of its records, CellStop where the cluster is not to be had or
    gathered records are not whole.
    """
    places = [Path(folder) for folder in folders] or shipped.several_trials()
    try:
        day = date.fromisoformat(until) if until else None
    except ValueError:
        raise CellStop(f"until is {until!r}; write a date such as 2025-07-20, or leave it empty.") \
            from None
    try:
        found = work_out(places, until=day, mapper=mapper(cluster or None))
    except (ClusterProblem, GatheredProblem, TimeoutError) as problem:
        raise CellStop(str(problem)) from None
    if not found.trials:
        why = "\n".join(f"{one.folder}: {one.reason}" for one in found.failed)
        raise RecordsCellStop(f"No folder gave a result.\n{why}")
    return OpenSeason(found, day)
