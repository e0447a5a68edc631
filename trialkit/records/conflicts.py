"""Where sources differ: both values side by side, and who says which."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import pandas as pd

CONFLICT_COLUMNS = ["date", "plant", "trait", "one", "one_source", "other", "other_source"]


@dataclass(frozen=True)
class Conflict:
    """Two values for one plant, day and trait, and which source says which."""

    date: date
    plant: str
    trait: str
    one: str
    one_source: str
    other: str
    other_source: str
    line: int

    @property
    def text(self) -> str:
        """Both values side by side, and what is done until it is settled."""
        until = (
            "taken as lost from the earlier day, for no known reason where reasons differ, until "
            "it is settled which holds"
            if self.trait == "lost"
            else "neither is used until it is settled which holds"
        )
        return (
            f"{self.one_source} says {self.one}, {self.other_source} says {self.other}: {until}"
        )


def conflict_table(conflicts: Iterable[Conflict]) -> pd.DataFrame:
    """The conflicts side by side: date, plant, trait, one, one_source, other, other_source."""
    rows = [[getattr(c, name) for name in CONFLICT_COLUMNS] for c in conflicts]
    return pd.DataFrame(rows, columns=CONFLICT_COLUMNS)
