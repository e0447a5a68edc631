"""One finding of the audit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["stop", "careful", "note"]
STOP: Severity = "stop"
CAREFUL: Severity = "careful"
NOTE: Severity = "note"


@dataclass(frozen=True)
class Finding:
    """Something about the layout the reader must know.

    code: short fixed name. severity: "stop" (no comparison of varieties), "careful" (compare, but
    mind this) or "note". one_line and full: for the grower. fix: the cheapest cure, "" if none.
    """

    code: str
    severity: Severity
    one_line: str
    full: str
    fix: str = ""


def listed(names: list[str], most: int = 6) -> str:
    """ "A, B and C"; long lists are cut."""
    shown = names if len(names) <= most else [*names[: most - 1], f"{len(names) - most + 1} more"]
    if len(shown) < 2:
        return "".join(shown)
    return f"{', '.join(shown[:-1])} and {shown[-1]}"


def counted(number: int, thing: str, things: str = "") -> str:
    """ "1 plot", "4 plots"."""
    return f"{number} {thing if number == 1 else things or thing + 's'}"
