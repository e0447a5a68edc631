"""Numbers and days in the verdict's sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd


def figure(value: float) -> str:
    """Two significant figures, never in scientific notation: 0.62, 1.6, 23, 140."""
    if not math.isfinite(value):
        return "no limit" if value > 0 else "not known"
    if value == 0:
        return "0"
    value = float(f"{value:.1e}") if abs(value) < 100 else round(value)
    places = max(0, 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{places}f}"


def times(ratio: float) -> str:
    """`1.6 times`."""
    return f"{figure(ratio)} times"


def span(low: float, high: float) -> str:
    """` (1.3 to 2.0)`, with its leading space; empty where there is no interval."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return ""
    first, last = figure(low), figure(high)
    # An end that is clear of 1 should not read as if it were not.
    if first == "1.0" and low > 1.0:
        first = f"{low:.2f}" if low >= 1.005 else "just over 1"
    if last == "1.0" and high < 1.0:
        last = "just under 1"
    return f" ({first} to {last})"


def day(when: object) -> str:
    """`4 August`."""
    stamp = pd.Timestamp(when)  # type: ignore[arg-type]
    return f"{stamp.day} {stamp:%B}"


def listed(items: Sequence[str]) -> str:
    """`a, b and c`."""
    items = list(items)
    return "".join(items) if len(items) < 2 else ", ".join(items[:-1]) + " and " + items[-1]


def few(items: Sequence[str], most: int = 4) -> str:
    """Some of them by name, the rest by number."""
    items = list(items)
    if len(items) <= most:
        return listed(items)
    return ", ".join(items[:most]) + f" and {len(items) - most} more"


def plain(n: int, one: str, many: str | None = None) -> str:
    """`1 plant`, `3 plants`."""
    return f"{n} {one if n == 1 else many or one + 's'}"
