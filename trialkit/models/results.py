"""What a trait model hands back: frozen frames that figures, tables and sentences all read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pandas as pd

MEANS = ["variety", "estimate", "se", "df", "low", "high", "plots", "plants", "records"]
AGAINST = ["variety", "check", "estimate", "low", "high", "p", "df"]
PAIRS = ["left", "right", "estimate", "low", "high", "p", "df"]


@dataclass(frozen=True)
class MethodNote:
    """How a trait was worked out: one plain sentence, a full account, and its parts."""

    plain: str
    full: str
    formula: str = ""
    groups: tuple[str, ...] = ()
    df_method: str = ""
    figures: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Missing:
    """A trait the records cannot give, and why."""

    trait: str
    reason: str
    fault: str = ""
    """Where it is a fault of the program: the exception and where it arose, for its makers."""

    supported = False

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True)
class TraitResult:
    """One trait of every variety.

    unit: of `means`.  scale: "ratio" or "difference", of `against_check` and `pairs`.
    means: variety, estimate, se, df, low, high, plots, plants, records (counts behind it).
    against_check: variety, check, estimate, low, high, p, df; simultaneous over the varieties.
    pairs: left, right, estimate, low, high, p, df; simultaneous over all pairs.
    letters: varieties sharing a letter are not told apart; empty when unsupported.
    supported: whether the design supports a comparison; if not, low, high and p are NaN and
    `why_not` says why in plain words.
    """

    trait: str
    label: str
    unit: str
    scale: str
    means: pd.DataFrame
    against_check: pd.DataFrame
    pairs: pd.DataFrame
    letters: dict[str, str]
    supported: bool
    why_not: str
    method: MethodNote
    notes: tuple[str, ...] = ()

    def of(self, variety: str) -> pd.Series:
        """The row of `means` of one variety.  Raises KeyError for a variety without one."""
        rows = self.means[self.means["variety"] == variety]
        if rows.empty:
            raise KeyError(variety)
        return rows.iloc[0]


def empty(columns: list[str]) -> pd.DataFrame:
    """A frame with these columns and no row."""
    return pd.DataFrame({name: pd.Series(dtype=float) for name in columns})
