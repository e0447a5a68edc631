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
