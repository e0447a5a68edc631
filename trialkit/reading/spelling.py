"""Names that are nearly right."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from functools import lru_cache

REMEMBERED = 200
"""A name of up to so many letters is worth remembering: it will be asked for again."""


def plain(name: str) -> str:
    """A name without the differences that do not matter: case, spaces, dashes and underscores."""
    return _plain(name) if len(name) <= REMEMBERED else _plain.__wrapped__(name)


@lru_cache(maxsize=8192)
def _plain(name: str) -> str:
    return re.sub(r"[\W_]+", "_", name.casefold()).strip("_")


def folded(name: str) -> str:
    """A name without differences of case and of spaces; marks and dashes stay."""
    return " ".join(name.casefold().split())


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The one of the known names that a slip of the pen may have turned into this; or None."""
    by_plain: dict[str, str] = {}
    for candidate in known:
        by_plain.setdefault(plain(candidate), candidate)
    wanted = plain(name)[:80]
    if wanted in by_plain:
        return by_plain[wanted]
    cutoff = 0.6 if len(wanted) > 4 else 0.65
    matches = difflib.get_close_matches(wanted, by_plain, n=1, cutoff=cutoff)
    return by_plain[matches[0]] if matches else None


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """" Did you mean 'X'?" with a space before it, or nothing."""
    near = nearest(name, known)
    return f" Did you mean '{near}'?" if near is not None else ""
