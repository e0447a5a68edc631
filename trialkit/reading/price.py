"""Prices as growers write them: "3.50 a kg", "€2 per lb", "0.20 each", "3 USD a dozen".

The currency, sign or word, before or after the number, is kept as written and means nothing here.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from trialkit.reading.numbers import LARGEST, number, tidy
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import folded
from trialkit.reading.units import WEIGHT, unit_name

LONGEST_PRICE = 60
_TONNES = {"t": 1e6, "tonne": 1e6, "tonnes": 1e6}
_MANY = {"dozen": 12.0, "hundred": 100.0, "thousand": 1000.0}
_ONE_PIECE = frozenset({"each", "apiece", "piece", "one"})

_PRICE = re.compile(
    r"(?P<before>[^0-9.,]*?)\s*(?P<amount>[0-9][0-9.,]*|\.[0-9]+)\s*(?P<after>[^0-9]*?)\s*"
    r"(?:\b(?P<each>each|apiece)|(?:\b(?:an?|per)\b|/)\s*"
    r"(?P<several>[0-9.,]+)?\s*(?P<of>[^0-9/]+))",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Price:
    """amount: money for so many `grams`, or for so many `pieces` where grams is None.
    currency: its sign or word, "" where none is written.  text: the whole as written."""

    amount: float
    currency: str
    text: str
    grams: float | None = None
    pieces: float = 1.0

    @property
    def of_one(self) -> float:
        """Money for one gram, or for one piece."""
        return self.amount / (self.pieces if self.grams is None else self.grams)


def accepted_prices(counted: str) -> str:
    """What may be written, of a trial that counts `counted`."""
    piece = _singular(counted)
    return f'"3.50 a kg", "€2 per lb" or, of what is counted, "0.20 each" or "0.20 a {piece}"'


def price_of(text: str, counted: str) -> Price:
    """A price.  counted: what the trial counts ("pods"), which may be priced by the piece.

    Raises Unreadable, with what is wrong: the number, the currency, or what it buys.
    """
    accepted = accepted_prices(counted)
    said = " ".join(tidy(text).split())
    if len(said) > LONGEST_PRICE:
        raise Unreadable("It is too long for a price.", accepted)
    match = _PRICE.fullmatch(said)
    if match is None:
        bare = re.search(r"[0-9]", said)
        raise Unreadable("It does not say of how much: a kg, a lb, each." if bare
                         else "It has no number.", accepted)
    currency = " ".join(filter(None, (match["before"].strip(), match["after"].strip())))
    if any(c in currency for c in "-+"):
        raise Unreadable("A price is above 0.", accepted)
    if not all(c.isalpha() or c in " .'" or unicodedata.category(c) == "Sc" for c in currency):
        raise Unreadable(f"'{currency}' is not a currency's sign or word.", accepted)
    amount = _above_zero(match["amount"], "A price is above 0.", accepted)
    several = (1.0 if match["several"] is None
               else _above_zero(match["several"], "A price is for more than 0.", accepted))
    grams, pieces = _buys(match["each"] or match["of"].strip(), counted, accepted)
    return Price(amount, currency, said, None if grams is None else grams * several,
                 pieces * several)


def _above_zero(text: str, problem: str, accepted: str) -> float:
    value = number(text, mark=None, accepted=accepted)
    if not 0 < value < LARGEST:
        raise Unreadable(problem, accepted)
    return value


def _buys(word: str, counted: str, accepted: str) -> tuple[float | None, float]:
    """Grams (None: it is sold by the piece) and pieces that the word stands for."""
    plain = folded(word)
    unit = unit_name(plain)
    grams = WEIGHT.factors.get(unit or "") or _TONNES.get(plain)
    if grams is not None:
        return grams, 1.0
    if plain in _MANY:
        return None, _MANY[plain]
    if plain in _ONE_PIECE or plain in {folded(counted), folded(_singular(counted))}:
        return None, 1.0
    raise Unreadable(f"'{word}' is neither a weight nor what the trial counts ({counted}).",
                     accepted)


def _singular(counted: str) -> str:
    """One of what is counted: "pods" pod, "berries" berry, "bunches" bunch."""
    for end, singular in (("ies", "y"), ("ches", "ch"), ("shes", "sh"), ("xes", "x"), ("s", "")):
        if counted.endswith(end) and not counted.endswith("ss"):
            return counted.removesuffix(end) + singular
    return counted
