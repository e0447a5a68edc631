"""Dates: ISO 8601-1:2019 calendar dates, the month by name, and what is refused as two days."""

from __future__ import annotations

from contextlib import suppress
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.reading.dates import read_date
from trialkit.reading.problems import Unreadable

DAY = date(2026, 7, 3)


@pytest.mark.parametrize("text", [
    # ISO 8601-1:2019, 5.2.2: calendar date, extended and basic; 5.4: with a time of day.
    "2026-07-03", "20260703", "2026-07-03T09:30:00",
    "2026-07-03T09:30:00+02:00", "2026-07-03 09:30",
    "2026-7-3", "2026/07/03", "2026.07.03",
    "3 Jul 2026", "3 July 2026", "03-Jul-2026", "3. July 2026", "3rd July 2026", "3 JUL 2026",
    "July 3 2026", "July 3, 2026", "Jul 3rd, 2026", "Fri 3 Jul 2026", "Friday, July 3, 2026",
    " 2026-07-03 ",
])  # fmt: skip
def test_what_can_only_be_one_day(text: str) -> None:
    assert read_date(text) == DAY


def test_iso_8601_examples() -> None:
    """The standard's own examples of a calendar date, 12 April 1985."""
    assert read_date("1985-04-12") == read_date("19850412") == date(1985, 4, 12)


@pytest.mark.parametrize("text", ["03/07/2026", "3/7/2026", "3.7.2026", "3-7-2026", "03 07 2026"])
def test_what_could_be_two_days_is_refused(text: str) -> None:
    with pytest.raises(Unreadable, match="3 July or 7 March") as caught:
        read_date(text)
    assert 'dates = "day first"' in caught.value.accepted
    assert read_date(text, "day first") == DAY
    assert read_date(text, "month first") == date(2026, 3, 7)


def test_numbers_that_can_be_one_day_alone() -> None:
    assert read_date("23/07/2026") == read_date("07/23/2026") == date(2026, 7, 23)
    assert read_date("7/7/2026") == date(2026, 7, 7)
    with pytest.raises(Unreadable, match="read day first, and there is no month 23"):
        read_date("07/23/2026", "day first")


def test_years_of_two_figures_need_the_order_stated() -> None:
    for text in ("3-Jul-26", "23/07/26"):
        with pytest.raises(Unreadable, match="year in full"):
            read_date(text)
    with pytest.raises(Unreadable, match="3 July or 7 March"):
        read_date("03/07/26")
    assert read_date("3-Jul-26", "day first") == read_date("03/07/26", "day first") == DAY


@pytest.mark.parametrize(("text", "problem"), [
    ("2026-02-29", "no such day"), ("31 Jun 2026", "no such day"), ("2026-13-01", "no such day"),
    ("45841", "count of days"), ("45841.5", "count of days"), ("July", "not a date"),
    ("2026-07", "not a date"), ("2026", "not a date"), ("yesterday", "not a date"),
    ("Thu 3 Jul 2026", "was a Friday"), ("3 Juli 2026", "'juli' is not"), ("", "not a date"),
    ("0999-01-01", "year"), ("2026-07-03x", "not a date"), ("٢٠٢٦-٠٧-٠٣", "not a date"),
])  # fmt: skip
def test_what_is_no_day_is_refused(text: str, problem: str) -> None:
    with pytest.raises(Unreadable, match=problem):
        read_date(text)


@pytest.mark.parametrize("text", [
    "2026-07-03 - 2026-07-05", "2026-07-03 2026-07-04", "2026-07-03 99:99:99", "2026-07-03 25:00",
    "2026-07-03T", "2026-07-03T9", "2026-07-03 09:30 to 10:00", "2026-07-03, 2026-07-05",
    "2026-07-03 09:30 +99:00", "2026-07-03 09:61", "2026-07-03 ...", "2026-07-03 -",
])  # fmt: skip
def test_a_date_is_read_whole_or_refused(text: str) -> None:
    with pytest.raises(Unreadable):
        read_date(text)


def test_a_time_in_utc_may_be_another_day_in_the_garden() -> None:
    """Midnight at UTC+2 (ISO 8601-1:2019, 5.4.2: Z is UTC) is still the day before in UTC."""
    with pytest.raises(Unreadable, match="UTC"):
        read_date("2026-07-02T22:00:00Z")
    assert read_date("2026-07-03T00:30:00+02:00") == DAY


def test_leap_years_of_the_gregorian_calendar() -> None:
    assert read_date("2000-02-29") == date(2000, 2, 29)
    with pytest.raises(Unreadable):
        read_date("1900-02-29")


@given(st.dates(date(1800, 1, 1), date(2199, 12, 31)))
def test_every_day_written_and_read(day: date) -> None:
    assert read_date(day.isoformat()) == day
    assert read_date(f"{day:%A}, {day.day} {day:%B %Y}") == day
    assert read_date(f"{day:%m/%d/%Y}", "month first") == day


@given(st.text(max_size=25), st.sampled_from([None, "day first", "month first"]))
def test_any_text_is_a_day_or_refused(text: str, order: str | None) -> None:
    with suppress(Unreadable):
        assert isinstance(read_date(text, order), date)  # type: ignore[arg-type]
