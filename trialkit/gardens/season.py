"""From trial folders to the season's answer: stage 1 by folder, stage 2 over all."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from trialkit.gardens.first import Failed, FirstStage, first_stage
from trialkit.gardens.kept import GatheredTrial, trials_of
from trialkit.gardens.second import SeasonAnswer, second_stage
from trialkit.gardens.spread import Fault

Mapper = Callable[[Callable[[Any], Any], Sequence[Any]], Iterable[Any]]
"""Like `map`: applies a picklable function to every trial, results in the trials' order."""


def season(
    folders: Sequence[Path],
    until: date | None = None,
    mapper: Mapper = map,
    *,
    trait: str = "auto",
    words: bool = False,
) -> SeasonAnswer:
    """The answer of several trial folders together.

    folders: of trials, or of gathered records (see `gathered`).  until: leave out what was
    recorded later.  mapper: runs stage 1, `map` by default; `spread.spreading` sends the trials
    to other processes or machines.  words: also word each trial's own answer; a single trial's
    always is, since one trial has one answer, its report's.  Never raises for
    what was recorded; a folder that fails is in `failed`.  Raises GatheredProblem where gathered
    records are spoilt, or not as of `until`.
    """
    trials = trials_of(folders, until)
    work = partial(first_stage, trait=trait, until=until, words=words or len(trials) == 1)
    results = [_said(trial, one) for trial, one in zip(trials, mapper(work, trials), strict=True)]
    good = [one for one in results if isinstance(one, FirstStage)]
    failed = [one for one in results if isinstance(one, Failed)]
    if len(good) == 1 and good[0].own is None:  # the others gave nothing
        worked = first_stage(trials[results.index(good[0])], trait, until)
        good = [worked] if isinstance(worked, FirstStage) else good
    return second_stage(good, failed)


def _said(trial: Path | GatheredTrial, found: FirstStage | Failed | Fault) -> FirstStage | Failed:
    """A result, or what kept a worker from giving one."""
    if not isinstance(found, Fault):
        return found
    name = trial.folder if isinstance(trial, GatheredTrial) else trial.resolve().name
    return Failed(name, f"it could not be worked out: {found.message}")
