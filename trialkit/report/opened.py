"""A trial opened for the cells of a notebook, and how a cell says that it cannot go on."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import ParamSpec, TypeVar

from trialkit import shipped
from trialkit.decide import Conclusion, conclude
from trialkit.errors import TrialkitError
from trialkit.gardens.components import seen_plots
from trialkit.records import Records, RecordsError, read_records
from trialkit.report.privacy import Showing, public_records
from trialkit.trial import TrialProblems

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
        return conclude(self.records, seen_plots(self.records.folder))

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
