"""Values in the gardener's own units, as a table or a sentence shows them.

Inside the package all is cm and g; here it becomes what trial.toml asks for, and nowhere later.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

import pandas as pd

from trialkit import wording
from trialkit.models import TraitResult
from trialkit.models.own import OwnResult
from trialkit.reading.amounts import CM, own_weight
from trialkit.report.blocks import Block, tabled
from trialkit.trial import Trial

WIDEST = 100.0
"""A ratio's ends a hundredfold apart say nothing yet, and are not shown."""


@dataclass(frozen=True)
class Measure:
    """How values of one kind are shown.

    unit : its name, as a heading says it.  scale : what one of it is in the package's own unit.
    length : the unit of lengths where it is one ("ft" is written as feet and inches), else "".
    """

    unit: str
    scale: float = 1.0
    length: str = ""

    def number(self, value: object, figures: int = 2) -> str:
        """The value alone; feet, inches and metres carry their unit."""
        if wording.missing(value):
            return wording.NONE
        x = float(value)  # type: ignore[arg-type]
        if self.length and isfinite(x):
            # A tenth of a centimetre is beyond what a tape along a bean tells.
            return height(x, self.length).removesuffix(f" {self.length}")
        return wording.signed(x / self.scale, figures)

    def span(self, low: object, high: object, figures: int = 2) -> str:
        """`1.7 to 3.0`; empty unless both ends are known."""
        if not (_known(low) and _known(high)):
            return ""
        return f"{self.number(low, figures)} to {self.number(high, figures)}"

    def estimate(self, value: object, low: object, high: object, figures: int = 2) -> str:
        """`2.1 (1.7 to 3.0)`, the value alone where there is no interval."""
        span = self.span(low, high, figures)
        first, _, last = span.partition(" to ")
        return _with(self.number(value, figures), "" if first == last else span)


def height(cm: object, unit: str) -> str:
    """A length or a difference of two in the gardener's unit: `5'6"` where they use feet."""
    if wording.missing(cm):
        return wording.NONE
    x = float(cm)  # type: ignore[arg-type]
    if x < 0:
        shown = height(-x, unit)
        return shown if shown[0] == "0" and not any(c in shown for c in "123456789") else (
            f"\N{MINUS SIGN}{shown}")
    if unit == "ft":
        inches = round(x / CM["in"])
        return f"{inches // 12}'{inches % 12}\""
    if unit == "in":
        return f"{x / CM['in']:.0f} in"
    if unit == "mm":
        return f"{10 * x:.0f} mm"
    if unit == "m":
        return f"{x / 100:.2f} m"
    return f"{x:.0f} cm"


def height_scale(unit: str) -> tuple[float, str]:
    """(cm in one unit of a drawing's axis, the unit's name): feet for feet and inches."""
    named = {"ft": "feet", "in": "inches", "m": "metres"}
    return CM.get(unit, 1.0), named.get(unit, unit if unit in CM else "cm")


SMALLER = {"lb": "oz", "kg": "g"}
FEW = 0.5
"""Where the largest of some weights is less than this much of the gardener's unit, the next
smaller one is used: 2.4 oz, not 0.15 lb."""


def measure(unit: str, about: Trial, largest: object = None) -> Measure:
    """How values that the package holds in `unit` are shown to this gardener.

    largest : of the values to be shown, where small ones may take a smaller unit.
    """
    first, _, rest = unit.partition(" ")
    if unit == about.harvest_unit:
        return Measure(unit)
    if first == "cm":
        length_unit = about.height_unit if about.height_unit in CM else "cm"
        named = "feet and inches" if length_unit == "ft" else length_unit
        return Measure(f"{named} {rest}".strip(), CM[length_unit], length_unit)
    scale, named = own_weight(unit, about.weight_unit)
    if about.weight_unit in SMALLER and named != unit and _known(largest) and (
            float(largest) < FEW * scale):  # type: ignore[arg-type]
        scale, named = own_weight(unit, SMALLER[about.weight_unit])
    return Measure(named, scale)


def ratio(value: object, low: object, high: object) -> str:
    """`1.6 times (1.2 to 2.1)`; limits that say nothing are left out."""
    if wording.missing(value):
        return wording.NONE
    span = ""
    if _known(low) and _known(high) and float(high) < WIDEST * max(float(low), 1e-12):  # type: ignore[arg-type]
        span = wording.interval(low, high)
    return _with(f"{wording.number(value)} times", span)


def percent(value: object, low: object = None, high: object = None) -> str:
    """A share as `59 % (32 to 75 %)`."""
    if wording.missing(value):
        return wording.NONE
    span = ""
    if _known(low) and _known(high):
        span = f"{_hundredths(low)} to {_hundredths(high)} %"
    return _with(f"{_hundredths(value)} %", span)


def row_of(about: Trial) -> tuple[float, str]:
    """The length of row that yields are told of: (metres in it, its name)."""
    if about.height_unit in ("ft", "in"):
        return CM["ft"] / 100.0, "foot of row"
    return 1.0, "metre of row"


def _hundredths(share: object) -> str:
    return f"{100 * float(share):.0f}".replace("-", "\N{MINUS SIGN}")  # type: ignore[arg-type]


def _known(value: object) -> bool:
    return not wording.missing(value) and isfinite(float(value))  # type: ignore[arg-type]


def _with(value: str, span: str) -> str:
    return f"{value} ({span})" if span else value


# ------------------------------------------------------------------------------------------------
# One table a trait: every variety's estimate, and how it stands against the check.
# ------------------------------------------------------------------------------------------------

Shown = Callable[[Any], str]


def trait_table(result: TraitResult, about: Trial) -> Block:
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
        comparison = by.loc[row.variety]
        if scale != "difference":
            return ratio(comparison["estimate"], comparison["low"], comparison["high"])
        return shown.estimate(comparison["estimate"], comparison["low"], comparison["high"])

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
    brackets = "; in brackets the likely range (95 %)" if some else ""
    return tabled(f"{caption}{brackets}.", heads, rows, called)


def joined(blocks: Sequence[Block]) -> Block:
    """Several blocks as one; empty ones are left out."""
    filled = [block for block in blocks if block.html]
    return Block("\n".join(block.html for block in filled),
                 "\n\n".join(block.plain for block in filled))
