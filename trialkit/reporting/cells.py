"""What the cells of the notebooks call: one call, one piece of the report.

    trial = cells.open_trial(folder, until)
    cells.answer(trial)

Every number comes from the `Conclusion` of the trial; nothing is worked out here but how to say it.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import ParamSpec, TypeVar

from trialkit import plots
from trialkit.decide import Conclusion, conclude
from trialkit.models import Missing
from trialkit.records import Records, RecordsError, read_records
from trialkit.reporting import pictures, shipped, words
from trialkit.reporting.blocks import Block, isolate, part
from trialkit.trial import TrialProblems

P = ParamSpec("P")
R = TypeVar("R")


class CellStop(Exception):
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
    """A trial read and thought through, ready for the cells."""

    records: Records
    until: date | None

    @functools.cached_property
    def conclusion(self) -> Conclusion:
        """Worked out once, when the first cell asks for it."""
        return conclude(self.records)

    @property
    def names(self) -> tuple[str, ...]:
        """Variety names, to be fenced off wherever they stand in a sentence."""
        return tuple(self.records.trial.variety_names)
