"""What a cell of a sheet says: a day, the name of a plant, a figure worked out of others."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Literal

import pandas as pd

from trialkit.reading.amounts import Mark, is_blank, number
from trialkit.reading.dates import ACCEPTED, LONGEST_DATE, Order, read_date
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import folded, plain
from trialkit.trial import SOME_DAY, Trial

# ------------------------------------------------------------------------------------------------
# Days as a sheet writes them: in headings, in cells, in its name and above it.
#
# What one cell leaves open another of the same sheet may settle: where 23/7/2026 stands beside
# 3/7/2026, the day comes first.  A day without a year is that of the season, of which there is one
# in the year after planting.  Where both readings stay possible it is refused.
# ------------------------------------------------------------------------------------------------

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
        """Which number of a date comes first; None where that is not known."""
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
                years = " and ".join(map(str, sorted(self.years)))
                raise Unreadable(
                    f"It names no year; the sheet speaks of {years}, and the trial was planted in "
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


# ------------------------------------------------------------------------------------------------
# Which plant a line of a sheet is about, by its name or by where it stands.
#
# plants.csv is the measure: a name is a plant's where it is listed there, but for case, spaces,
# dashes and zeros before a number (R1-1 is R1-01) where only one plant is so called.  A plant may
# also be named in parts, plot and number or row and place, where each line then names one plant.
# ------------------------------------------------------------------------------------------------

Subject = Literal["plant", "plot", "variety"]
# What a line may say of a plant beside its name.
LABELS = ("variety", "replicate", "block", "plot", "row", "column", "treatment")
_JOINED_BY = ("-", "", "_", ".", "/", " ")


def slack(name: str) -> str:
    """A name without case, spaces, marks, and zeros before its numbers."""
    return re.sub(r"0*([0-9]+)", r"\1", plain(name)).replace("_", "")


@dataclass(frozen=True)
class Listed:
    """The plants of a trial, as plants.csv lists them."""

    plants: pd.DataFrame

    @cached_property
    def names(self) -> Mapping[str, str | None]:
        """The plant that a name stands for, by `folded` name; None for a name of several."""
        return _by(folded, self._column("plant"))

    @cached_property
    def _slack(self) -> Mapping[str, str | None]:
        return _by(slack, self._column("plant"))

    @cached_property
    def varieties(self) -> Mapping[str, str | None]:
        """The variety that a name stands for, by `folded` name; None for a name of several."""
        return _by(folded, self._column("variety"))

    @cached_property
    def plots(self) -> Mapping[str, str | None]:
        """The plot that a name stands for, by `folded` name; None for a name of several."""
        return _by(folded, self._column("plot"))

    def _column(self, name: str) -> list[str]:
        return [str(v) for v in self.plants[name].dropna().unique()]

    def plant(self, name: str) -> str | None:
        """The plant of that name, but for differences that do not matter."""
        exact = self.names.get(folded(name))
        return exact if exact is not None else self._slack.get(slack(name)) if name else None

    def subject(self, name: str) -> Subject | None:
        """What a name is the name of."""
        if self.plant(name) is not None:
            return "plant"
        if self.plots.get(folded(name)) is not None:
            return "plot"
        return "variety" if self.varieties.get(folded(name)) is not None else None

    def share(self, names: Sequence[str]) -> float:
        """The share of names that are names of plants."""
        return sum(self.plant(n) is not None for n in names) / len(names) if names else 0.0

    def joined(
        self, names: Sequence[str], labels: Mapping[str, Sequence[str]]
    ) -> tuple[list[str], str] | None:
        """Plants named by a label and a number in it (plot 1A, 3: 1A-3), and by which label.

        None unless every line names a plant then, and in one way only.
        """
        labels = self._in_replicates(labels)
        for label in ("plot", "row", "block", "variety"):
            if label not in labels:
                continue
            for mark in _JOINED_BY:
                whole = [f"{a}{mark}{b}" for a, b in zip(labels[label], names, strict=True)]
                plants = [self.plant(name) for name in whole]
                if plants and all(p is not None for p in plants):
                    return [str(p) for p in plants], label
        return None

    def by_place(self, labels: Mapping[str, Sequence[str]], lines: int) -> list[str] | None:
        """Plants named by where they stand (row and place, plot of one plant); None unless every
        line names one plant then."""
        labels = self._in_replicates(labels)
        columns = {
            label: [_label(v) for v in self.plants[label]] for label in labels
        }
        if not columns or not lines:
            return None
        here: dict[tuple[str, ...], list[str]] = {}
        for plant, *key in zip(self.plants["plant"], *columns.values(), strict=True):
            here.setdefault(tuple(key), []).append(str(plant))
        out = []
        for where in zip(*([_label(v) for v in labels[label]] for label in columns), strict=True):
            plants = here.get(where, [])
            if len(plants) != 1:
                return None
            out.append(plants[0])
        return out

    def _in_replicates(self, labels: Mapping[str, Sequence[str]]) -> Mapping[str, Sequence[str]]:
        """The labels with replicates and blocks as plants.csv is read (see
        `records.check.in_replicates`)."""
        if "replicate" not in labels:
            return labels
        rest = {name: texts for name, texts in labels.items() if name != "replicate"}
        if self.plants["replicate"].isna().all():
            return rest if "block" in rest else {**rest, "block": labels["replicate"]}
        if "block" in rest:
            pairs = zip(labels["replicate"], rest["block"], strict=True)
            whole = [f"{replicate}/{block}" for replicate, block in pairs]
            if self.plants["block"].isin(whole).any():
                rest["block"] = whole
        return {**rest, "replicate": labels["replicate"]}


def _by(key: Callable[[str], str], names: Iterable[str]) -> dict[str, str | None]:
    """The name that each key stands for; None where several names have it."""
    out: dict[str, str | None] = {}
    for name in names:
        out[key(name)] = None if out.get(key(name), name) != name else name
    return out


def _label(value: object) -> str:
    """A label as compared: 2.0 of a number is 2."""
    if pd.isna(value):  # type: ignore[call-overload]
        return ""
    text = folded(str(value))
    return text[:-2] if text.endswith(".0") and text[:-2].isdigit() else text


# ------------------------------------------------------------------------------------------------
# Totals and means that stand among the figures: known by their sum, left out and said so.
# ------------------------------------------------------------------------------------------------

Summary = Literal["total", "mean", "other"]
_TOTALS = frozenset({
    "total", "totals", "sum", "sums", "subtotal", "sub_total", "grand_total", "overall",
    "all_plants", "season", "whole_season", "altogether", "tot", "in_all", "cumulative", "cum",
    "running_total", "to_date", "so_far", "σ", "∑",
})
_MEANS = frozenset({"mean", "means", "average", "averages", "avg", "ave", "per_plant"})
_OTHERS = frozenset({"min", "max", "minimum", "maximum", "median", "sd", "std_dev", "count_of",
                     "n", "range", "stdev", "standard_deviation"})


def summary_word(text: str) -> Summary | None:
    """Whether a label is one of a total, a mean or another summary: Total, Ambrel total, Avg."""
    name = plain(text[:80])
    if not name:
        return "total" if text.strip() in ("Σ", "∑") else None
    parts = {name, name.split("_")[0], name.split("_")[-1]}
    if name.startswith(("sub_total", "grand_total")):
        return "total"
    if parts & _TOTALS:
        return "total"
    if parts & _MEANS:
        return "mean"
    return "other" if name in _OTHERS else None


def figure(text: str, mark: Mark | None) -> float:
    """The number of a cell; NaN where it holds none."""
    if is_blank(text):
        return math.nan
    try:
        return number(text, mark=mark)
    except Unreadable:
        return math.nan


def is_sum(
    cells: Mapping[int, tuple[str, float]], parts: Mapping[int, Sequence[float]], *,
    mean: bool = False,
) -> bool:
    """Whether every cell with a number is the sum (or mean) of its parts, as far as it is shown.

    cells : by place the text and its number.  parts : by place the numbers that may make it up.
    """
    figures = {place: cell for place, cell in cells.items() if not math.isnan(cell[1])}
    if not figures:
        return False
    for place, (text, value) in figures.items():
        numbers = [v for v in parts.get(place, ()) if not math.isnan(v)]
        if not numbers:
            return False
        sums = math.fsum(numbers)
        expected = sums / len(numbers) if mean else sums
        if abs(value - expected) > _last_figure(text) / 2 + 1e-6 * abs(expected):
            return False
    return True


def _last_figure(text: str) -> float:
    """What the last figure shown is worth: 0.1 of 12.5, 1 of 12."""
    decimals = text.strip().replace(",", ".").rpartition(".")
    return 10.0 ** -len(decimals[2]) if decimals[1] else 1.0
