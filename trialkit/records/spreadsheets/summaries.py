"""Totals and means that stand among the figures: known by their sum, left out and said so."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Literal

from trialkit.reading.numbers import Mark, is_blank, number
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import plain

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
    for words, summary in ((_TOTALS, "total"), (_MEANS, "mean")):
        if parts & words:
            return summary  # type: ignore[return-value]
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
