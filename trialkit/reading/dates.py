"""Dates as growers write them; one that could be two days is refused, not guessed.

Accepted: ISO 8601 (2026-07-03, 20260703, with a time after it or not), the month by name
(3 Jul 2026, July 3rd, 2026, Fri 3 July 2026), and numbers that can only be one day (23/7/2026).
3/7/2026 is 3 July to some and 7 March to others: it is read when the trial says which comes first.
A year of two figures is read only then as well.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Literal

from trialkit.reading.problems import Unreadable

Order = Literal["day first", "month first"]
ORDERS: tuple[Order, Order] = ("day first", "month first")
ACCEPTED = "year first, 2026-07-03, or the month by name, 3 Jul 2026"
EARLIEST, LATEST = date(1800, 1, 1), date(2199, 12, 31)

_ISO = re.compile(r"([0-9]{4})([-/.]?)([0-9]{1,2})\2([0-9]{1,2})(?:[t ][0-9:.,z+ -]*)?")
_NUMBERS = re.compile(r"([0-9]{1,2})([-/. ])([0-9]{1,2})\2([0-9]{4}|[0-9]{2})")
_DAY_MONTH = re.compile(
    r"([0-9]{1,2})(?:st|nd|rd|th)?[- .]{1,2}([a-z]{3,9})\.?,?[- ]?([0-9]{4}|[0-9]{2})"
)
_MONTH_DAY = re.compile(r"([a-z]{3,9})\.?[- ]([0-9]{1,2})(?:st|nd|rd|th)?,?[- ]([0-9]{4}|[0-9]{2})")
_WEEKDAY = re.compile(r"(mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,? ")
_SERIAL = re.compile(r"[34][0-9]{4}(?:\.[0-9]+)?")

_MONTHS = {
    name: number
    for number, whole in enumerate(
        ("january", "february", "march", "april", "may", "june", "july", "august", "september",
         "october", "november", "december"), start=1)
    for name in (whole, whole[:3])
} | {"sept": 9}
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def read_date(text: str, order: Order | None = None) -> date:
    """The day that a text names.

    order : which number comes first in 3/7/2026; None where the trial does not say.
    Raises Unreadable for what could be two days and for what is none.
    """
    text = " ".join(text.casefold().split())
    named = _WEEKDAY.match(text)
    day = _day(text[named.end():] if named else text, order)
    if named and _DAYS[day.weekday()] != named[1]:
        raise Unreadable(f"{day.day} {day:%B %Y} was a {day:%A}.", "a day and a date that agree")
    if not EARLIEST <= day <= LATEST:
        raise Unreadable("The year cannot be right.", ACCEPTED)
    return day


def _day(text: str, order: Order | None) -> date:
    found = _ISO.fullmatch(text)
    if found and (found[2] or len(found[3]) == len(found[4]) == 2):
        return _made(found[1], found[3], found[4])
    found = _DAY_MONTH.fullmatch(text)
    if found:
        return _made(_year(found[3], order), _month(found[2]), found[1])
    found = _MONTH_DAY.fullmatch(text)
    if found:
        return _made(_year(found[3], order), _month(found[1]), found[2])
    found = _NUMBERS.fullmatch(text)
    if found:
        return _numbers(found[1], found[3], _year(found[4], order), order)
    if _SERIAL.fullmatch(text):
        raise Unreadable(
            "It looks like a spreadsheet's count of days.",
            f"{ACCEPTED} (in the spreadsheet, give the cells a date format)",
        )
    raise Unreadable("It is not a date.", ACCEPTED)


def _numbers(first: str, second: str, year: str, order: Order | None) -> date:
    if order == "day first":
        return _made(year, second, first)
    if order == "month first":
        return _made(year, first, second)
    a, b = int(first), int(second)
    if a != b and a <= 12 and b <= 12:
        ways = sorted({_made(year, second, first), _made(year, first, second)}, reverse=True)
        raise Unreadable(
            "It could be " + " or ".join(f"{way.day} {way:%B}" for way in ways) + ".",
            f'{ACCEPTED}; or say dates = "day first" (or "month first") in trial.toml',
        )
    return _made(year, second, first) if a > 12 else _made(year, first, second)


def _year(text: str, order: Order | None) -> str:
    if len(text) == 4:
        return text
    if order is None:
        raise Unreadable("The year needs all four figures.", ACCEPTED)
    return f"20{text}"


def _month(name: str) -> str:
    number = _MONTHS.get(name)
    if number is None:
        raise Unreadable(f"'{name}' is not the English name of a month.", ACCEPTED)
    return str(number)


def _made(year: str, month: str, day: str) -> date:
    try:
        return date(int(year), int(month), int(day))
    except ValueError:
        raise Unreadable("There is no such day.", ACCEPTED) from None
