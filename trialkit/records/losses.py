"""Plants lost, as the log and plants.csv say together.

plants.csv stays as it is; what the log holds of losses is laid over it on reading.  A plant is
lost once, so the days are not kept apart as those of picks are: two sources that give a plant
different days or different reasons are a conflict.  Both say that the plant is gone, so until that
is settled it is taken as lost from the earlier day, the reason left blank where they differ, and
the conflict is listed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from trialkit.reading.spelling import folded
from trialkit.records.conflicts import Conflict
from trialkit.records.findings import Located
from trialkit.records.folder import LOG
from trialkit.records.log import SETTLE, Entry, standing


@dataclass(frozen=True)
class Loss:
    """What one source says of a plant: the day it was lost, None for not lost, and why."""

    plant: str
    day: date | None
    reason: str
    source: str
    line: int

    @property
    def said(self) -> str:
        """In words."""
        if self.day is None:
            return "not lost"
        return f"lost {self.day}" + (f", {self.reason}" if self.reason else "")

    def agrees(self, other: Loss) -> bool:
        """The same day and no two different reasons."""
        reasons = {folded(r) for r in (self.reason, other.reason) if r}
        return self.day == other.day and len(reasons) < 2


def loss_rows(entries: Iterable[Entry]) -> Located:
    """Day and plant of every loss in the log that stands, to be checked as records are."""
    rows = [e for e in standing(entries).values() if e.kind in ("lost", "not-lost")]
    frame = pd.DataFrame({
        "date": pd.Series(np.array([e.date for e in rows], dtype="datetime64[ns]")),
        "plant": pd.Series([e.plant for e in rows], dtype="str"),
    })
    return Located(frame, np.array([e.line for e in rows], dtype=np.int64), LOG)


def losses_of(entries: Iterable[Entry]) -> dict[str, dict[str, Loss]]:
    """For each plant what each source of the log holds.

    Of several losses that one source gives a plant the earliest holds, and of those of one day
    the last.  What was settled stands in place of all that was said before it.
    """
    held: dict[str, dict[str, Loss]] = {}
    for e in standing(entries).values():
        if e.kind not in ("lost", "not-lost") or e.date is None:
            continue
        sources = held.setdefault(e.plant, {})
        day = e.date if e.kind == "lost" else None
        loss = Loss(e.plant, day, e.note or e.value, e.source, e.line)
        before = sources.get(e.holder)
        if e.act == SETTLE:
            sources.clear()
        elif before is not None and before.day is not None and (day is None or before.day < day):
            continue
        sources[e.holder] = loss
    return held


def with_losses(
    plants: Located, entries: Iterable[Entry]
) -> tuple[Located, list[Conflict]]:
    """The plants with the losses of the log, and where it differs with itself or plants.csv.

    Plants that are not listed are left out; `trialkit.records.check` has said so by then.
    """
    held = losses_of(entries)
    if not held:
        return plants, []
    at = {folded(str(name)): i for i, name in enumerate(plants.frame["plant"].to_list())}
    days = plants.frame["lost"].to_numpy(dtype="datetime64[ns]", copy=True)
    reasons = plants.frame["lost_reason"].astype(object).to_list()
    conflicts: list[Conflict] = []
    for plant, sources in held.items():
        i = at.get(folded(plant))
        if i is None:
            continue
        said = list(sources.values())
        own = "" if pd.isna(reasons[i]) else str(reasons[i])
        if own or not np.isnat(days[i]):
            # A reason without a day contradicts a reason only.
            day = said[0].day if np.isnat(days[i]) else pd.Timestamp(days[i]).date()
            file, line = plants.where(i)
            said.insert(0, Loss(plant, day, own, f"{file} line {line}", 0))
        day, reason = _taken(said)
        conflicts += _differing(said)
        days[i] = np.datetime64("NaT") if day is None else np.datetime64(day)
        reasons[i] = reason or None
    kind = plants.frame["lost_reason"].dtype
    lost, why = pd.Series(days), pd.Series(reasons, dtype=kind)
    return plants.having(lost=lost, lost_reason=why), conflicts


def _taken(said: list[Loss]) -> tuple[date | None, str]:
    """The day and reason that are used: the earliest day any source gives, a reason none denies."""
    lost = [loss for loss in said if loss.day is not None]
    if not lost:
        return None, ""
    reasons = {folded(loss.reason): loss.reason for loss in reversed(lost) if loss.reason}
    return min(loss.day for loss in lost if loss.day), (
        next(iter(reasons.values())) if len(reasons) == 1 else ""
    )


def _differing(said: list[Loss]) -> list[Conflict]:
    """The first two that do not agree, side by side; none where all do."""
    for one in said:
        for other in said:
            if not one.agrees(other):
                day = min(loss.day for loss in (one, other) if loss.day)
                return [Conflict(day, one.plant, "lost", one.said, one.source, other.said,
                                 other.source, max(one.line, other.line))]
    return []
