"""Values in the gardener's own units, as a table or a sentence shows them.

Inside the package all is cm and g; here it becomes what trial.toml asks for, and nowhere later.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from trialkit import wording
from trialkit.reading.units import CM, own_weight
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
        kept = about.height_unit if about.height_unit in CM else "cm"
        named = "feet and inches" if kept == "ft" else kept
        return Measure(f"{named} {rest}".strip(), CM[kept], kept)
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
