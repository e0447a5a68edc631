"""Whether the rest of the season could still turn a lead round: ahead so far, or for the season.

A variety that bears late gives little at first and more at the end, so that a lead of today is
not one of the season. What would have to happen can be worked out: a lead that at least holds by
the ratio L after E days of picking, with T days to come, is made up if the other gives

    R = 1 + (1 - 1 / L) E / T

times a day what the leader has given so far, while the leader goes on as so far: the leader has
then E r + T r and the other E r / L + T R r. (It is also made up if the leader gives nothing more
and the other R - 1 times.) Where R is more than a late variety could give, the lead is the
season's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.decide.looks import SETTLED, LooksResult

Pair = tuple[str, str]

BEYOND_REACH = 2.0
"""A lead that only R times the leader's rate so far could make up is called the season's. Chosen
by study (tests/decide/README.md): in seasons with one variety 7, 14 or 21 days late and the same
season's total, claims for the season before its end were false in at most 5 % of seasons."""


@dataclass(frozen=True)
class Rest:
    """leader, other: of one comparison. needed: R above. until: the day of the last planned look.
    season: the lead is the season's."""

    leader: str
    other: str
    needed: float
    until: pd.Timestamp

    @property
    def season(self) -> bool:
        return self.needed >= BEYOND_REACH


def needed_to_turn(least_ratio: float, elapsed: float, to_come: float) -> float:
    """R of the formula above. least_ratio: L, at least 1. elapsed, to_come: days, above 0."""
    return 1.0 + (1.0 - 1.0 / least_ratio) * elapsed / to_come


def rests(
    results: Mapping[Pair, LooksResult], day: pd.DatetimeIndex
) -> dict[Pair, Rest]:
    """Of each comparison that is settled while planned looks are still to come, what could turn it.

    day: the day the totals of each look are up to. The time picked so far counts from one usual
    gap before the first look; looks to come are as far from one another as those so far.
    """
    out: dict[Pair, Rest] = {}
    if len(day) < 2:
        return out
    number = np.array([at.toordinal() for at in day], dtype=float)
    gap = max(float(np.median(np.diff(number))), 1.0)
    elapsed = number[-1] - number[0] + gap
    for pair, result in results.items():
        left = 0 if result.planned is None else result.planned - result.looks
        if result.state != SETTLED or result.over or left < 1:
            continue
        leader, other = pair if result.direction > 0 else pair[::-1]
        least = float(np.exp(result.low if result.direction > 0 else -result.high))
        out[pair] = Rest(leader, other, needed_to_turn(max(least, 1.0), elapsed, left * gap),
                         day[-1] + pd.Timedelta(days=round(left * gap)))
    return out
