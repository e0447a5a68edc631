"""One table a trait: every variety's estimate, and how it stands against the check."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pandas as pd

from trialkit import wording
from trialkit.models import TraitResult
from trialkit.models.own import OwnResult
from trialkit.report.blocks import Block, tabled
from trialkit.report.measures import Measure, measure, ratio
from trialkit.trial import Trial

Shown = Callable[[Any], str]


def found(result: TraitResult, about: Trial) -> Block:
    """The trait's means, 95 % limits, the comparison with the check and its degrees of freedom.

    Without a check the letters of the varieties not told apart; what the layout does not support
    is left out, not shown empty.
    """
    shown = shown_as(result, about)
    called = wording.capital(wording.with_unit(result.label, shown.unit))
    return means_table(
        called, result.means, shown, result.against_check, result.scale, result.letters,
        headed=True, least_first=getattr(result, "better", "") == "less",
    )


def shown_as(result: TraitResult, about: Trial) -> Measure:
    """The measure of a trait's figures.

    What was dug or cut keeps the gardener's unit of weights, as the answer names it; picks, a few
    pieces at a time, may take the smaller one.
    """
    if isinstance(result, OwnResult):
        return Measure(result.unit)  # as the gardener wrote it
    small = result.means["estimate"].max() if result.trait == "weights" else None
    return measure(result.unit, about, small)


def means_table(
    caption: str, means: pd.DataFrame, shown: Measure, against: pd.DataFrame, scale: str,
    letters: dict[str, str] | None = None, more: Sequence[tuple[str, Shown]] = (),
    headed: bool = False, least_first: bool = False,
) -> Block:
    """A line a variety, best first: the least, where less is better.

    more : headings of further columns, and what fills them.  headed : a heading above says what
    the caption says, so that only what the brackets are is left to say.
    """
    if means.empty:
        return Block("", "")
    order = means.sort_values("estimate", ascending=least_first, kind="stable", na_position="last")
    by = against.set_index("variety") if len(against) else pd.DataFrame()
    check = str(against["check"].iloc[0]) if len(against) else ""
    with_limits = _some(means, "low", "high")
    heads, columns = _columns(order, shown, by, check, scale, letters or {})
    heads, columns = heads + [h for h, _ in more], columns + [c for _, c in more]
    rows = [
        [str(row.variety), *(column(row) for column in columns)]
        for row in order.itertuples(index=False)
    ]
    said = [] if headed else [caption]
    if with_limits:
        several = check and _some(against, "low", "high") and len(against) > 1
        said.append("in brackets 95 % intervals" + (
            ", those of the comparisons holding all together" if several else ""))
        said += filter(None, [_freedom(means, against)])
    else:
        said.append("no intervals")
    text = wording.capital("; ".join(said))
    return tabled(f"{text}.", ["Variety", *heads], rows, caption)


def _columns(
    order: pd.DataFrame, shown: Measure, by: pd.DataFrame, check: str, scale: str,
    letters: dict[str, str],
) -> tuple[list[str], list[Shown]]:
    def level(row: Any) -> str:
        low, high = getattr(row, "low", None), getattr(row, "high", None)
        return shown.estimate(row.estimate, low, high)

    def compared(row: Any) -> str:
        if row.variety == check:
            return "the check"
        if row.variety not in by.index:
            return wording.NONE
        one = by.loc[row.variety]
        if scale != "difference":
            return ratio(one["estimate"], one["low"], one["high"])
        return shown.estimate(one["estimate"], one["low"], one["high"])

    heads = ["Estimate"]
    columns: list[Shown] = [level]
    if check:
        heads.append({"ratio": "Against the check", "odds": "Odds against the check"}.get(
            scale, "More than the check"))
        columns.append(compared)
    elif letters:
        heads.append("Same letter: too close to call")
        columns.append(lambda row: letters.get(row.variety, wording.NONE))
    return heads, columns


def _freedom(means: pd.DataFrame, against: pd.DataFrame) -> str:
    """`12 degrees of freedom`; empty where nothing is estimated with any."""
    frame = against if len(against) else means
    known = frame["df"].dropna() if "df" in frame else pd.Series(dtype=float)
    if known.empty:
        return ""
    least, most = wording.degrees(known.min()), wording.degrees(known.max())
    return f"{least if least == most else f'{least} to {most}'} degrees of freedom"


def _some(frame: pd.DataFrame, *columns: str) -> bool:
    return all(name in frame and bool(frame[name].notna().any()) for name in columns)


def limited(
    caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]], called: str = ""
) -> Block:
    """A table whose caption says what the brackets are, where there are any."""
    some = any(" to " in cell and cell.endswith(")") for row in rows for cell in row)
    return tabled(f"{caption}{'; in brackets 95 % intervals' if some else ''}.", heads, rows,
                  called)


def joined(blocks: Sequence[Block]) -> Block:
    """Several blocks as one; empty ones are left out."""
    kept = [one for one in blocks if one.html]
    return Block("\n".join(one.html for one in kept), "\n\n".join(one.plain for one in kept))
