"""Days as a sheet writes them: in headings, in cells, in its name and above it.

What one cell leaves open another of the same sheet may settle: where 23/7/2026 stands beside
3/7/2026, the day comes first.  A day without a year is that of the season, of which there is one in
the year after planting.  Where both readings stay possible it is refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta

from trialkit.reading.dates import ACCEPTED, LONGEST_DATE, Order, read_date
from trialkit.reading.problems import Unreadable
from trialkit.trial import SOME_DAY, Trial

_ONLY_NUMBERS = re.compile(r"\s*[0-9]{1,2}([-/. ])[0-9]{1,2}\1(?:[0-9]{4}|[0-9]{2})\s*")
# A month alone does not make a day, nor does 1.5, which may be a weight.
_WITHOUT_A_YEAR = (
    (re.compile(r"([0-9]{1,2}(?:st|nd|rd|th)?)[- .]{0,2}([a-z]{3,9})\.?", re.IGNORECASE),
     "{0} {1} {2}"),
    (re.compile(r"([a-z]{3,9})\.?[- ]?([0-9]{1,2}(?:st|nd|rd|th)?)", re.IGNORECASE),
     "{0} {1} {2}"),
    (re.compile(r"([0-9]{1,2})/([0-9]{1,2})"), "{0}/{1}/{2}"),
    (re.compile(r"([0-9]{1,2})\.\s?([0-9]{1,2})\."), "{0}.{1}.{2}"),
)
_WEEKDAY = re.compile(r"(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,? ", re.IGNORECASE)
_YEAR_NUMBER = re.compile(r"(?<![0-9])(?:19|20)[0-9]{2}(?![0-9])")
_YEAR = timedelta(days=366)


@dataclass
class Days:
    """Reads the days of one sheet.  without_a_year : whether any was read that names none.

    settled : the order of day and month that the sheet's own dates settled; None where the trial
    says it, or nothing does.  years : those that the sheet's name and title speak of.
    """

    trial: Trial
    settled: Order | None = None
    without_a_year: bool = False
    years: frozenset[int] = frozenset()
    _known: dict[str, date | Unreadable] = field(default_factory=dict)

    @property
    def order(self) -> Order | None:
        return self.trial.day_order or self.settled

    def settle(self, texts: Iterable[str]) -> None:
        """Learn from dates of the sheet that can be read in one way only which way that is."""
        numbers = {
            self._in_full(t) for t in texts if len(t) <= LONGEST_DATE and _ONLY_NUMBERS.fullmatch(t)
        }
        ways: list[Order] = []
        if self.trial.day_order is None and any(_has(t, None) for t in numbers):
            if all(_has(t, "day first") for t in numbers):
                ways.append("day first")
            if all(_has(t, "month first") for t in numbers):
                ways.append("month first")
        if len(ways) == 1:
            self.settled = ways[0]
            self._known.clear()

    def _in_full(self, text: str) -> str:
        """A date with its year in full, where two figures can only be the season's."""
        first, *_, last = re.split("[-/. ]", text.strip())
        season = {f"{(self.trial.planted.year + n) % 100:02}" for n in (0, 1)}
        if len(last) == 2 and last in season and first.zfill(2) not in season:
            return f"{text.strip()[:-2]}20{last}"
        return text

    def read(self, text: str) -> date:
        """The day of a text.  Raises Unreadable; ``is_near`` says whether it is a date at all."""
        known = self._known.get(text)
        if known is None:
            try:
                known = self._read(text)
            except Unreadable as error:
                known = error
            self._known[text] = known
        if isinstance(known, Unreadable):
            raise known
        return known

    def day(self, text: str) -> date | None:
        """The day of a text, or None."""
        try:
            return self.read(text)
        except Unreadable:
            return None

    def _read(self, text: str) -> date:
        try:
            return read_date(text, self.order)
        except Unreadable as error:
            day = None if is_near(error) else self._of_the_season(text)
            if day is None:
                raise
            return day

    def _of_the_season(self, text: str) -> date | None:
        planted = self.trial.planted
        if planted == SOME_DAY or len(text) > LONGEST_DATE:
            return None
        bare = _WEEKDAY.sub("", " ".join(text.split()), count=1)
        for pattern, form in _WITHOUT_A_YEAR:
            parts = pattern.fullmatch(bare)
            if parts is None:
                continue
            days: list[date] = []
            for year in (planted.year, planted.year + 1):
                try:
                    day = read_date(form.format(parts[1], parts[2], year), self.order)
                except Unreadable as error:
                    if is_near(error):
                        raise
                    continue
                if planted <= day < planted + _YEAR:
                    days.append(day)
            if len(days) == 1 and self.years and days[0].year not in self.years:
                said = " and ".join(map(str, sorted(self.years)))
                raise Unreadable(
                    f"It names no year; the sheet speaks of {said}, and the trial was planted in "
                    f"{planted.year}.", f"{ACCEPTED}, with the year",
                )
            if len(days) == 1:
                self.without_a_year = True
                return days[0]
        return None


def years_in(texts: Iterable[str]) -> frozenset[int]:
    """The years that titles and names speak of."""
    return frozenset(int(y) for text in texts for y in _YEAR_NUMBER.findall(text[:400]))


def is_near(error: Unreadable) -> bool:
    """Whether a text that could not be read is a date all the same, but which is not clear."""
    return error.accepted != ACCEPTED


def _has(text: str, order: Order | None) -> bool:
    try:
        read_date(text, order)
    except Unreadable:
        return False
    return True
