"""What was done to the bed and what befell it: events and notes, in order of date."""

from __future__ import annotations

import pandas as pd

from trialkit import wording
from trialkit.records.schema import NOTE
from trialkit.report.blocks import Block, bullets
from trialkit.report.opened import OpenTrial, told
from trialkit.report.privacy import WITHHELD
from trialkit.trial import Trial

LINES = 40
"""More lines than this and the earliest are counted, not shown."""
NAMED = 4
"""Plants or plots named of one event; the rest by number."""


@told
def events(trial: OpenTrial) -> Block:
    """A line for each thing done on a day, and the notes made at a pick; nothing without any."""
    records = trial.records
    lines = [*event_lines(records.events), *rain_lines(records.weather, records.trial)]
    return bullets(lines, trial.names)


def rain_lines(weather: pd.DataFrame, about: Trial) -> list[str]:
    """How much rain fell, on how many days and when most; nothing where none was recorded.

    weather : date, rain_mm (missing: not recorded, which is not the same as none).
    """
    known = weather.dropna(subset=["date", "rain_mm"]) if "rain_mm" in weather else weather.head(0)
    if known.empty:
        return []
    inches = about.height_unit in ("ft", "in")

    def amount(mm: float) -> str:
        return f"{mm / 25.4:.2f} in" if inches else f"{mm:.0f} mm"

    first, last = wording.day(known["date"].min()), wording.day(known["date"].max())
    fell = known[known["rain_mm"] > 0]
    span = f"from {first} to {last}, {wording.counted(len(known), 'day')} recorded"
    if fell.empty:
        return [f"No rain {span}."]
    most = fell.sort_values("rain_mm", ascending=False, kind="stable")
    when, mm = most["date"].iloc[0], float(most["rain_mm"].iloc[0])
    return [f"Rain: {amount(float(fell['rain_mm'].sum()))} on "
            f"{wording.counted(len(fell), 'day')} {span}; most on {wording.day(when)}, "
            f"{amount(mm)}."]


def event_lines(recorded: pd.DataFrame) -> list[str]:
    """`12 July: watered (plots 1A and 2B): hose ran all night.` or `12 July, plant P1: limp.`

    recorded : date, plant, plot, event, note; one row a plant or a plot, or one for the whole bed.
    """
    lines = []
    known = recorded.dropna(subset=["date", "event"]).sort_values("date", kind="stable")
    key = [known["date"], known["event"].astype(str), known["note"].fillna("").astype(str)]
    for named, alike in known.groupby(key, sort=False):
        when, event, note = named[0], str(named[1]), str(named[2])
        if event == WITHHELD and not note:
            continue
        where = [
            f"{thing if len(names) == 1 else thing + 's'} {wording.few(names, NAMED)}"
            for thing in ("plot", "plant")
            if (names := list(dict.fromkeys(alike[thing].dropna().astype(str))))
        ]
        if event == NOTE.field:
            lines.append(f"{', '.join([wording.day(when), *where])}: {note.rstrip('. ')}.")
            continue
        said = f"{event} ({', '.join(where)})" if where else event
        told_so = f": {note.rstrip('. ')}" if note else ""
        lines.append(f"{wording.day(when)}: {said}{told_so}.")
    if len(lines) > LINES:
        lines = [f"{len(lines) - LINES} earlier events are in the records.", *lines[-LINES:]]
    return lines
