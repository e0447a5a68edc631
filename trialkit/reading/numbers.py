"""Numbers as people write them, with a decimal point or a decimal comma.

A blank is not a zero: nothing, a dash or NA means that nobody looked.  Words are not read as
numbers: "none" may mean that nothing was there or that nobody looked, and that is not guessed.
"""

from __future__ import annotations

import re

from trialkit.reading.problems import Unreadable

# Lower case. A cell that says one of these was left blank: not looked at, not measured.
BLANKS = frozenset({"", "-", "--", "–", "—", "na", "n/a", "n.a.", "#n/a", "nan", "null"})
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
NUMBER = "a number such as 12 or 12.5 (12,5), or nothing if it was not looked at"
LARGEST = 1e12


def tidy(text: str) -> str:
    """A text without outer spaces, with plain spaces and a plain minus sign inside."""
    return text.translate(_SPACES).strip()


def is_blank(text: str) -> bool:
    """True for a cell left blank: nothing, a dash, NA."""
    return tidy(text).casefold() in BLANKS


def number(text: str, *, comma: bool = False, accepted: str = NUMBER) -> float:
    """A number.  comma : the table writes decimal commas, so that 1,234 is 1.234.

    Without that, 1,234 is refused: it may be 1.234 or 1234.  With it, 1.234 is refused alike.
    Raises Unreadable.
    """
    text = tidy(text)
    value = _value(text, comma, accepted)
    if not abs(value) < LARGEST:
        raise Unreadable("The number is too large to be true.", accepted)
    return value


def _value(text: str, comma: bool, accepted: str) -> float:
    if _THREE_AFTER.fullmatch(text) and ("," in text) != comma:
        whole = re.sub("[.,]", "", text)
        small = re.sub("[.,]", ".", text)
        raise Unreadable(f"It may mean {small} or {whole}.", f"{whole}, or {small}0")
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
