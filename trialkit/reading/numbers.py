"""Numbers as people write them, with a decimal point or a decimal comma.

A blank is not a zero: nothing, a dash or NA means that nobody looked.  Words are not read as
numbers: "none" may mean that nothing was there or that nobody looked, and that is not guessed.
"""

from __future__ import annotations

import re
from typing import Literal

from trialkit.reading.problems import Unreadable

# Lower case. A cell that says one of these was left blank: not looked at, not measured.
BLANKS = frozenset({"", "-", "--", "–", "—", "na", "n/a", "n.a.", "nan", "null"})
_NOTHING = frozenset({"none", "nil", "zero", "nought", "naught", "nothing", "no"})

_PLAIN = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_THREE_AFTER = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_POINT_THOUSANDS = re.compile(
    r"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+|[+-]?[0-9]{1,3}(?:\.[0-9]{3}){2,}"
)
_COMMA_THOUSANDS = re.compile(
    r"[+-]?[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+|[+-]?[0-9]{1,3}(?:,[0-9]{3}){2,}"
)
_SPACED = re.compile(r"[+-]?[0-9]{1,3}(?: [0-9]{3})+(?:[.,][0-9]+)?")
_SPACES = str.maketrans({"\u00a0": " ", "\u202f": " ", "\u2009": " ", "\u2212": "-", "'": "'"})
# No number is longer; cut off before any pattern sees it.
LONGEST_NUMBER = 400
NUMBER = "a number such as 12 or 12.5 (12,5), or nothing if it was not looked at"
LARGEST = 1e12


def tidy(text: str) -> str:
    """A text without outer spaces, with plain spaces and a plain minus sign inside."""
    return text.translate(_SPACES).strip()


def is_blank(text: str) -> bool:
    """True for a cell left blank: nothing, a dash, NA."""
    return tidy(text).casefold() in BLANKS


Mark = Literal[".", ","]


def number(text: str, *, mark: Mark | None = ".", accepted: str = NUMBER) -> float:
    """A number.  mark : what the table writes before decimals; None where it does not settle it.

    With ".", 1,234 is refused: it may be 1.234 or 1234.  With ",", 1.234 is refused alike, and
    with None both are.  Raises Unreadable.
    """
    if len(text) > LONGEST_NUMBER:
        raise Unreadable("It is too long for a number.", accepted)
    text = tidy(text)
    value = _value(text, mark, accepted)
    if not abs(value) < LARGEST:
        raise Unreadable("The number is too large to be true.", accepted)
    return value


def whole_number(text: str, *, accepted: str = NUMBER) -> float:
    """A count.  It never has decimals, so that no file settles whether 12.000 is 12 or twelve
    thousand; that and 1,234 are refused, whatever the table writes before decimals.

    Raises Unreadable.
    """
    value = number(text, mark=None, accepted=accepted)
    if value != int(value):
        raise Unreadable("A count is a whole number.", accepted)
    return value


def _value(text: str, mark: Mark | None, accepted: str) -> float:
    if _THREE_AFTER.fullmatch(text) and (mark is None or mark not in text):
        whole = re.sub("[.,]", "", text)
        small = re.sub("[.,]", ".", text)
        small = small.removesuffix(".000")
        more = "" if "." not in small else "0"
        raise Unreadable(f"It may mean {small} or {whole}.", f"{whole}, or {small}{more}")
    if _PLAIN.fullmatch(text):
        return float(text)
    if _COMMA.fullmatch(text):
        return float(text.replace(",", "."))
    if _POINT_THOUSANDS.fullmatch(text):
        return float(text.replace(".", "").replace(",", "."))
    if _COMMA_THOUSANDS.fullmatch(text):
        return float(text.replace(",", ""))
    if _SPACED.fullmatch(text):
        return float(text.replace(" ", "").replace(",", "."))
    if text.casefold() in _NOTHING:
        raise Unreadable(
            "Is it 0 (you looked, and there was nothing) or blank (nobody looked)?", accepted,
        )
    raise Unreadable("It is not a number.", accepted)
