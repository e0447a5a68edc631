"""Numbers, dates, lists and shares in words: the one home of how a figure is written.

It knows nothing of trials. Lengths in feet and inches are in `report.measures`, which knows the
gardener's units; here all is plain numbers, days and names.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

NONE = "–"
"""Shown where there is nothing to show."""


def missing(value: object) -> bool:
    """True for None, NaN, NaT and NA."""
    if value is None or isinstance(value, str):
        return value is None
    import pandas as pd  # here, as whoever lays out a page needs none of it

    return bool(pd.isna(value))  # type: ignore[call-overload]


# Numbers


def number(value: object, figures: int = 2) -> str:
    """A number to `figures` significant figures, never in scientific notation: for tables."""
    if missing(value):
        return NONE
    x = float(value)  # type: ignore[arg-type]
    if math.isinf(x):
        return "no limit"
    if x == 0:
        return "0"
    # Rounded first: 9.96 becomes 10, not 10.0.
    x = float(f"{x:.{figures - 1}e}") if abs(x) < 10**figures else x
    places = max(0, figures - 1 - math.floor(math.log10(abs(x))))
    return f"{x:,.{places}f}"


def signed(value: object, figures: int = 2) -> str:
    """`number` with the sign of typography below zero."""
    return number(value, figures).replace("-", "\N{MINUS SIGN}")


def figure(value: float) -> str:
    """Two significant figures in a sentence: 0.62, 1.6, 23, 140."""
    if not math.isfinite(value):
        return "no limit" if value > 0 else "not known"
    return number(round(value) if abs(value) >= 100 else value).replace(",", "")


def whole(value: object) -> str:
    """A whole number: plants, records."""
    return NONE if missing(value) else f"{round(float(value)):,d}"  # type: ignore[arg-type]


def rounded(value: Any) -> str:
    """Two figures on a drawing and in its words: `0.62`, `1.6`, `23`, and `0` for next to none."""
    if abs(value) < 0.095:
        return f"{value:.2f}" if abs(value) >= 0.005 else "0"
    return f"{value:.2g}" if abs(value) < 9.95 else f"{value:,.0f}"


def degrees(value: object) -> str:
    """Degrees of freedom: `12`, `14.4`."""
    return NONE if missing(value) else f"{round(float(value), 1):g}"  # type: ignore[arg-type]


def chance(p: object) -> str:
    """A p-value to two figures, `below 0.001` under that."""
    if missing(p):
        return NONE
    return "below 0.001" if float(p) < 0.001 else number(p)  # type: ignore[arg-type]


def percent(share: float) -> str:
    """`62 %`; `under 1 %` and `over 99 %` at the ends."""
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share > 0.99 else f"{round(100 * share)} %"


def times(ratio: float) -> str:
    """`1.6 times`."""
    return f"{figure(ratio)} times"


def unbroken(text: str) -> str:
    """With a space that no line ends at between a number and its per cent sign."""
    return re.sub(r"(?<=\d) %", "\N{NO-BREAK SPACE}%", text)


# Ranges


def interval(low: object, high: object, figures: int = 2) -> str:
    """`1.7 to 3.0`; an end without limit is said in words; empty where there is no interval."""
    if missing(low) and missing(high):
        return ""
    if missing(high) or math.isinf(float(high)):  # type: ignore[arg-type]
        return f"{number(low, figures)} or more"
    if missing(low) or math.isinf(float(low)):  # type: ignore[arg-type]
        return f"{number(high, figures)} or less"
    return f"{number(low, figures)} to {number(high, figures)}"


def span(low: float, high: float) -> str:
    """` (1.3 to 2.0)` of a ratio, with its leading space; empty where there is no interval."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return ""
    first, last = figure(low), figure(high)
    # An end that is clear of 1 should not read as if it were not.
    if first == "1.0" and low > 1.0:
        first = f"{low:.2f}" if low >= 1.005 else "just over 1"
    if last == "1.0" and high < 1.0:
        last = "just under 1"
    return f" ({first} to {last})"


# Days


def day(when: object, year: bool = False) -> str:
    """`4 August` in a sentence, `4 August 2025` with its year."""
    if missing(when):
        return NONE
    import pandas as pd

    stamp = pd.Timestamp(when)  # type: ignore[arg-type]
    return f"{stamp.day} {stamp:%B}" + (f" {stamp.year}" if year else "")


def short_day(when: object) -> str:
    """`4 Aug` in a table or on a drawing."""
    if missing(when):
        return NONE
    import pandas as pd

    stamp = pd.Timestamp(when)  # type: ignore[arg-type]
    return f"{stamp.day} {stamp:%b}"


def days(low: object, high: object) -> str:
    """A span of dates; open where a date is missing."""
    if missing(low) and missing(high):
        return ""
    if missing(high):
        return f"{short_day(low)} or later"
    if missing(low):
        return f"{short_day(high)} or earlier"
    return f"{short_day(low)} to {short_day(high)}"


# Lists and plurals


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


def counted(n: int, noun: str, things: str | None = None) -> str:
    """`1 plant`, `3 plants`."""
    return f"{n:,d} {noun if n == 1 else things or noun + 's'}"


def capital(text: str) -> str:
    """With its first letter a capital one."""
    return text[:1].upper() + text[1:]


def with_unit(label: str, unit: str) -> str:
    """`weight harvested, g`; the label alone where it names the unit already."""
    named = label.lower().replace(",", " ").split()
    if set(unit.lower().split()) <= set(named):
        return label
    # "weight a plant a week" in "g a plant a week" is "weight, g a plant a week".
    per = " " + unit.partition(" ")[2]
    return f"{label.removesuffix(per) if per.strip() else label}, {unit}"
