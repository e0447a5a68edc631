"""Numbers, dates and lengths as a grower reads them.  Inside, all is cm, g and days."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from trialkit.reading.units import CM

NONE = "–"
"""Shown where there is nothing to show."""


def missing(value: object) -> bool:
    """True for None, NaN, NaT and NA."""
    return value is None or bool(pd.isna(value))  # type: ignore[call-overload]


def number(value: object, figures: int = 2) -> str:
    """A number to `figures` significant figures, never in scientific notation."""
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


def whole(value: object) -> str:
    """A whole number: plants, records."""
    return NONE if missing(value) else f"{round(float(value)):,d}"  # type: ignore[arg-type]


def degrees(value: object) -> str:
    """Degrees of freedom: `12`, `14.4`."""
    return NONE if missing(value) else f"{round(float(value), 1):g}"  # type: ignore[arg-type]


def chance(p: object) -> str:
    """A p-value to two figures, `below 0.001` under that."""
    if missing(p):
        return NONE
    return "below 0.001" if float(p) < 0.001 else number(p)  # type: ignore[arg-type]


def interval(low: object, high: object, figures: int = 2) -> str:
    """`1.7 to 3.0`; an end without limit is said in words; empty where there is no interval."""
    if missing(low) and missing(high):
        return ""
    if missing(high) or math.isinf(float(high)):  # type: ignore[arg-type]
        return f"{number(low, figures)} or more"
    if missing(low) or math.isinf(float(low)):  # type: ignore[arg-type]
        return f"{number(high, figures)} or less"
    return f"{number(low, figures)} to {number(high, figures)}"


def day(value: object, year: bool = False) -> str:
    """`4 Aug`, or `4 August 2025` with its year."""
    if missing(value):
        return NONE
    when = pd.Timestamp(value)  # type: ignore[arg-type]
    return f"{when.day} {when:%B} {when.year}" if year else f"{when.day} {when:%b}"


def days(low: object, high: object) -> str:
    """A span of dates; open where a date is missing."""
    if missing(low) and missing(high):
        return ""
    if missing(high):
        return f"{day(low)} or later"
    if missing(low):
        return f"{day(high)} or earlier"
    return f"{day(low)} to {day(high)}"


def height(cm: object, unit: str) -> str:
    """A length or a difference of two in the gardener's unit: `5'6"` where they use feet."""
    if missing(cm):
        return NONE
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


def listed(items: Sequence[str]) -> str:
    """`a, b and c`."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


def counted(n: int, one: str, many: str | None = None) -> str:
    """`1 plant`, `3 plants`."""
    return f"{n:,d} {one if n == 1 else many or one + 's'}"


def with_unit(label: str, unit: str) -> str:
    """`weight harvested, g`; the label alone where it names the unit already."""
    named = label.lower().replace(",", " ").split()
    if set(unit.lower().split()) <= set(named):
        return label
    # "weight a plant a week" in "g a plant a week" is "weight, g a plant a week".
    per = " " + unit.partition(" ")[2]
    return f"{label.removesuffix(per) if per.strip() else label}, {unit}"


def capital(text: str) -> str:
    """With its first letter a capital one."""
    return text[:1].upper() + text[1:]
