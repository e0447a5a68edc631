"""How one gardener writes dates, lengths and weights: one way to read them, wherever they stand.

A cell of a table, a value of trial.toml and an option of the command line are all read here, so
that 4/20/25 or 3 ft is the same everywhere.  The command line asks `trialkit.trial.habits_of` for
the habits of a folder and then calls `day`, `length_cm` and `weight_g` with the option's text;
each raises `Unreadable`, whose two parts say what is wrong and what to write instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from trialkit.reading.dates import Order, read_date
from trialkit.reading.units import length_cm, weight_g


@dataclass(frozen=True)
class Habits:
    """order : which number comes first in 3/7/2026; None where that is not said, and such a date
    is refused.  length, weight : the units of a bare number (mm, cm, m, in, ft; g, kg, oz, lb)."""

    order: Order | None = None
    length: str = "cm"
    weight: str = "g"

    def day(self, text: str) -> date:
        """The day a text names, as in a table.  Raises Unreadable."""
        return read_date(text, self.order)

    def length_cm(self, text: str) -> float:
        """A height or spacing in cm: "3 ft", "90 cm", 5'6" or a bare number.  Raises Unreadable."""
        return length_cm(text, self.length)

    def weight_g(self, text: str) -> float:
        """A weight in g: "1 lb 4 oz", "250 g" or a bare number.  Raises Unreadable."""
        return weight_g(text, self.weight)
