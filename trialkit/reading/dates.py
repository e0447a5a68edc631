"""Dates as growers write them; one that could be two days is refused, not guessed.

Accepted: ISO 8601 (2026-07-03, 20260703, with a time of day after it or not), the month by name
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

# A calendar date and, after it, a time of day (ISO 8601-1:2019, 5.4): read whole or refused.
_ISO = re.compile(
    r"([0-9]{4})([-/.]?)([0-9]{1,2})\2([0-9]{1,2})"
    r"(?:[t ]([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:[.,][0-9]{1,9})?)?"
    r" ?(z|[+-][0-9]{2}(?::?[0-9]{2})?)?)?"
)
LONGEST_DATE = 60
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
    if len(text) > LONGEST_DATE:
        raise Unreadable("It is too long for a date.", ACCEPTED)
    text = " ".join(text.casefold().split())
    named = _WEEKDAY.match(text)
    day = _day(text[named.end():] if named else text, order)
    if named and _DAYS[day.weekday()] != named[1]:
        raise Unreadable(f"{day.day} {day:%B %Y} was a {day:%A}.", "a day and a date that agree")
    if not EARLIEST <= day <= LATEST:
        raise Unreadable("The year cannot be right.", ACCEPTED)
    return day


def _day(text: str, order: Order | None) -> date:
    iso = _ISO.fullmatch(text)
    if iso and (iso[2] or len(iso[3]) == len(iso[4]) == 2):
        day = _made(iso[1], iso[3], iso[4])
        return day if iso[5] is None else _in_the_garden(day, iso[5], iso[6], iso[7], iso[8])
    written = _DAY_MONTH.fullmatch(text)
    if written:
        return _made(_year(written[3], order), _month(written[2]), written[1])
    written = _MONTH_DAY.fullmatch(text)
    if written:
        return _made(_year(written[3], order), _month(written[1]), written[2])
    numbers = _NUMBERS.fullmatch(text)
    if numbers:
        return _numbers(numbers[1], numbers[3], numbers[4], order)
    if _SERIAL.fullmatch(text):
        raise Unreadable(
            "It looks like a spreadsheet's count of days.",
            f"{ACCEPTED} (in the spreadsheet, give the cells a date format)",
        )
    raise Unreadable("It is not a date.", ACCEPTED)


def _in_the_garden(
    day: date, hour: str, minute: str, second: str | None, zone: str | None
) -> date:
    """The day, where its time of day is one and leaves no other day open.

    A time with an offset is the clock's own, and its day the garden's.  A time in UTC ("Z") may
    be the day before or after where the garden is: offsets in use run from -12 to +14 hours (IANA
    time zone database), so that no hour in UTC is of one day everywhere.
    """
    if int(hour) > 23 or int(minute) > 59 or int(second or 0) > 60:
        raise Unreadable("There is no such time of day.", ACCEPTED)
    if zone == "z":
        raise Unreadable(
            "It is a time in UTC, which may be another day in the garden.",
            f"the garden's own day, such as {day.isoformat()}",
        )
    if zone is not None:
        digits = zone[1:].replace(":", "").ljust(4, "0")
        if int(digits[:2]) > 14 or int(digits[2:]) > 59:
            raise Unreadable("There is no such time zone.", ACCEPTED)
    return day


def _numbers(first: str, second: str, short: str, order: Order | None) -> date:
    a, b = int(first), int(second)
    unclear = order is None and a != b and a <= 12 and b <= 12
    # Where the day and the month are not clear either, that is the first thing to ask.
    year = f"20{short}" if unclear and len(short) == 2 else _year(short, order)
    if order is not None:
        month, day = (b, a) if order == "day first" else (a, b)
        if month > 12 >= day:
            raise Unreadable(f"It is read {order}, and there is no month {month}.", ACCEPTED)
        return _made(year, str(month), str(day))
    if unclear:
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
        raise Unreadable("Write the year in full, with four figures.", ACCEPTED)
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
