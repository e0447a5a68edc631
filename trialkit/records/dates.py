"""Dates as growers write them; one that could be two days is refused, not guessed.

Accepted: ISO 8601 (2026-07-03, a time after it ignored), a month by name (3 Jul 2026, July 3
2026), and with the order stated in trial.toml (dates = "day first"), 3/7/2026.
"""

from __future__ import annotations

import re
from datetime import date

ISO = re.compile(r"^(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ].*)?$")
SLASHED = re.compile(r"^(\d{1,2})[./-](\d{1,2})[./-](\d{4})$")
YEAR_FIRST = re.compile(r"^(\d{4})[./](\d{1,2})[./](\d{1,2})$")
DAY_NAMED = re.compile(r"^(\d{1,2})(?:st|nd|rd|th)?[ -]([A-Za-z]{3,9})\.?,?[ -](\d{4})$")
NAMED_DAY = re.compile(r"^([A-Za-z]{3,9})\.? (\d{1,2})(?:st|nd|rd|th)?,? (\d{4})$")
MONTHS = {
    name: number
    for number, names in enumerate(
        ("january", "february", "march", "april", "may", "june", "july", "august", "september",
         "october", "november", "december"), 1)
    for name in (names, names[:3])
} | {"sept": 9}

ACCEPTED = "year first, 2026-07-03, or the month by name, 3 Jul 2026"


class AmbiguousDate(ValueError):
    """A date that reads as two different days."""


def read_date(text: str, order: str | None) -> date:
    """The day a text names.

    order: "day first", "month first" or None (not stated).
    Raises AmbiguousDate for one that could be two days, ValueError for anything else.
    """
    text = " ".join(text.split())
    found = ISO.match(text) or YEAR_FIRST.match(text)
    if found:
        return date(int(found[1]), int(found[2]), int(found[3]))
    found = DAY_NAMED.match(text)
    if found:
        return date(int(found[3]), _month(found[2]), int(found[1]))
    found = NAMED_DAY.match(text)
    if found:
        return date(int(found[3]), _month(found[1]), int(found[2]))
    found = SLASHED.match(text)
    if not found:
        raise ValueError(text)
    first, second, year = int(found[1]), int(found[2]), int(found[3])
    if order == "day first" or (order is None and first > 12):
        return date(year, second, first)
    if order == "month first" or (order is None and second > 12) or first == second:
        return date(year, first, second)
    raise AmbiguousDate(text)


def _month(name: str) -> int:
    found = MONTHS.get(name.lower())
    if found is None:
        raise ValueError(name)
    return found
