"""From trial folders to the season's answer: stage 1 by folder, stage 2 over all."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from trialkit.gardens.first import Failed, FirstStage, first_stage
from trialkit.gardens.second import SeasonAnswer, second_stage

Mapper = Callable[[Callable[[Path], FirstStage | Failed], Sequence[Path]], Iterable[Any]]
"""Like `map`: applies a picklable function to every folder, results in the folders' order."""


def season(
    folders: Sequence[Path],
    until: date | None = None,
    mapper: Mapper = map,
    *,
    trait: str = "auto",
    words: bool = False,
) -> SeasonAnswer:
    """The answer of several trial folders together.

    until: leave out what was recorded later.  mapper: runs stage 1, `map` by default; another one
    may send the folders to other processes or machines.  words: also word each trial's own
    answer.  Never raises for what was recorded; a folder that fails is in `failed`.
    """
    work = partial(first_stage, trait=trait, until=until, words=words)
    results = list(mapper(work, [Path(folder) for folder in folders]))
    good = [one for one in results if isinstance(one, FirstStage)]
    return second_stage(good, [one for one in results if isinstance(one, Failed)])
