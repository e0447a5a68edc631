"""What changed since the pick before the last."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.decide.looks import KEEP, SETTLED, UNSETTLED, evaluate_looks
from trialkit.decide.series import Looks
from trialkit.models.analysis import Analysis
from trialkit.wording import counted, day, few, figure, times


def since_last(analysis: Analysis, looks: Looks | None) -> tuple[str, ...]:
    """Sentences: what was picked, how the leading comparison moved, what is settled or given up,
    losses.

    Earlier and later figures of a comparison are made in the same way, from plot totals.
    """
    seen = analysis.looks
    if seen.empty:
        return ()
    dates = np.sort(seen["date"].unique())
    last = pd.Timestamp(dates[-1])
    if len(dates) < 2:
        return (f"The pick of {day(last)} is the first.",)
    before = pd.Timestamp(dates[-2])
    out = [_picked(analysis, last, before)]
    if looks is not None:
        out += _moved(looks)
        out += _settled(looks, last)
        out += _given_up(looks)
    out.append(_lost(analysis, before))
    return tuple(line for line in out if line)


def _picked(analysis: Analysis, last: pd.Timestamp, before: pd.Timestamp) -> str:
    seen = analysis.looks
    new = seen[seen["date"] == last]
    old = seen[seen["date"] == before]
    pace = [part["pods"].sum() / max(part["days"].sum(), 1e-9) * 7 for part in (old, new)]
    pods = counted(int(new["pods"].sum()), analysis.counted, analysis.counted)
    plants = counted(int(new["plant"].nunique()), "plant")
    text = (f"On {day(last)}: {pods} from {plants}, {figure(pace[1])} a plant a week "
            f"({figure(pace[0])} at the pick before).")
    by = new.groupby("variety")[["pods", "days"]].sum()
    rate = (by["pods"] / by["days"]).sort_values(ascending=False)
    if len(rate) > 1 and rate.iloc[0] > 0:
        text += f" {rate.index[0]} gave most at this pick."
    return text


def _moved(looks: Looks) -> list[str]:
    pair = max(looks.totals, key=lambda p: _size(looks, p))
    old, new = looks.totals[pair][-2:]
    if not (old.usable and new.usable):
        return []
    left, right = pair
    sign = 1.0 if new.estimate >= 0 else -1.0
    if sign < 0:
        left, right = right, left
    a, b = times(np.exp(sign * old.estimate)), times(np.exp(sign * new.estimate))
    if a == b:
        return [f"{left} stays at {b} {right}."]
    return [f"{left} stood at {a} {right} before this pick and stands at {b} now."]


def _size(looks: Looks, pair: tuple[str, str]) -> float:
    """Against the check the leader's comparison; among pairs the widest."""
    look = looks.totals[pair][-1]
    value = look.estimate if looks.against_check else abs(look.estimate)
    return value if np.isfinite(value) else -np.inf


def _settled(looks: Looks, last: pd.Timestamp) -> list[str]:
    fresh = [pair for pair, r in looks.results.items()
             if r.state == SETTLED and r.settled_on == last.date()]
    if not fresh:
        return ["Nothing was settled by this pick that was not settled before."]
    said = [f"{a} against {b}" for a, b in fresh]
    return [f"This pick settled {few(said)}."]


def _given_up(looks: Looks) -> list[str]:
    """Comparisons that were still worth waiting for before this pick and are not now."""
    fresh = [
        pair for pair, r in looks.results.items()
        if r.state == UNSETTLED and r.looks > 1
        and evaluate_looks(looks.totals[pair][:-1], r.planned, r.alpha).state == KEEP
    ]
    said = [f"{a} against {b}" for a, b in fresh]
    return [f"Not to be settled this season, as it now looks: {few(said)}."] if said else []


def _lost(analysis: Analysis, before: pd.Timestamp) -> str:
    # Those lost after the last pick too: the next report is too late to hear of them.
    plants = analysis.records.plants
    gone = plants[plants["lost"] > before]
    if gone.empty:
        return "No plant was lost since the pick before."
    said = [f"{name} {n}" for name, n in gone.groupby("variety").size().items()]
    return f"{counted(len(gone), 'plant')} lost since the pick before: {few(said)}."
