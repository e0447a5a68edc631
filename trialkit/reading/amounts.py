"""Amounts as people write them: numbers, lengths, weights, prices; and one gardener's habits."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

from trialkit.reading.dates import Order, read_date
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import folded

# ------------------------------------------------------------------------------------------------
# Numbers as people write them, with a decimal point or a decimal comma.
#
# A blank is not a zero: nothing, a dash or NA means that nobody looked.  Words are not read as
# numbers: "none" may mean that nothing was there or that nobody looked, and that is not guessed.
# ------------------------------------------------------------------------------------------------

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


# ------------------------------------------------------------------------------------------------
# Lengths and weights as growers write them, in centimetres and grams.
#
# 1 inch = 2.54 cm and 1 pound = 453.59237 g exactly (international yard and pound agreement, 1959);
# 12 inches to the foot and 16 ounces to the pound.
# ------------------------------------------------------------------------------------------------

CM: Mapping[str, float] = {"mm": 0.1, "cm": 1.0, "m": 100.0, "in": 2.54, "ft": 30.48}
GRAMS: Mapping[str, float] = {"g": 1.0, "kg": 1000.0, "oz": 453.59237 / 16, "lb": 453.59237}

_SPELLINGS = {
    "mm": "mm", "millimetre": "mm", "millimeter": "mm",
    "cm": "cm", "centimetre": "cm", "centimeter": "cm",
    "m": "m", "metre": "m", "meter": "m",
    "in": "in", "ins": "in", "inch": "in", "inches": "in", '"': "in", "''": "in",
    "ft": "ft", "foot": "ft", "feet": "ft", "'": "ft",
    "ft-in": "ft", "ft in": "ft", "feet and inches": "ft",
    "g": "g", "gm": "g", "gr": "g", "gram": "g", "gramme": "g",
    "kg": "kg", "kilo": "kg", "kilogram": "kg", "kilogramme": "kg",
    "oz": "oz", "ounce": "oz", "lb": "lb", "pound": "lb",
}
_MARKS = str.maketrans({"’": "'", "‘": "'", "′": "'", "`": "'", "”": '"', "“": '"', "″": '"'})
_VULGAR = {"½": 0.5, "¼": 0.25, "¾": 0.75, "⅓": 1 / 3, "⅔": 2 / 3, "⅛": 0.125, "⅜": 0.375,
           "⅝": 0.625, "⅞": 0.875}

_NUMBER = r"[0-9]+ [0-9]{1,2}/[0-9]{1,2}|[0-9]{1,2}/[0-9]{1,2}|[0-9]* ?[½¼¾⅓⅔⅛⅜⅝⅞]|[0-9.,]*[0-9]"
_WORD = r"[a-z]+\.?|''|['\"]"
_ONE_UNIT = re.compile(rf"({_NUMBER})\s*({_WORD})?")
_TWO_UNITS = re.compile(rf"([0-9]+)\s*({_WORD})\s*(?:and|,)?\s*({_NUMBER})\s*({_WORD})?")

# A larger unit, the smaller that may follow it, and how many of the smaller make one.
_PAIRS: Mapping[str, tuple[str, float]] = {
    "ft": ("in", 12), "m": ("cm", 100), "lb": ("oz", 16), "kg": ("g", 1000),
}
# Where the smaller unit may go without its name: 5'6, 5 ft 6, 1 m 85.
_UNSAID = frozenset({"ft", "m"})


@dataclass(frozen=True)
class Measure:
    """One kind of quantity: its units in terms of the one kept, and an example of each style."""

    name: str
    factors: Mapping[str, float]
    examples: str


LENGTH = Measure("length", CM, """168 cm, 1.68 m, 66 in, 5'6" or 5 ft 6 in""")
WEIGHT = Measure("weight", GRAMS, "250 g, 1.2 kg, 9 oz or 1 lb 4 oz")


def own_weight(unit: str, weight: str) -> tuple[float, str]:
    """What to divide values in `unit` by to show them in the gardener's unit of weight, and what
    they are in then: ("g a plant", "lb") gives (453.59, "lb a plant"); any other unit stays."""
    first, _, rest = unit.partition(" ")
    if first != "g" or weight not in GRAMS:
        return 1.0, unit
    return GRAMS[weight], f"{weight} {rest}".strip()


def unit_name(word: str) -> str | None:
    """The unit that a word or mark stands for ("feet" is "ft"), or None."""
    word = " ".join(word.translate(_MARKS).casefold().rstrip(".").split())
    return _SPELLINGS.get(word) or _SPELLINGS.get(word.removesuffix("s"))


def length_cm(text: str, unit: str, *, mark: Mark | None = ".") -> float:
    """A height or spacing in cm; a bare number is in ``unit`` (mm, cm, m, in or ft).

    mark : what the table writes before decimals, see `number`.
    Raises Unreadable.
    """
    return _quantity(text, unit, LENGTH, mark)


def in_feet(unit: str) -> bool:
    """Whether somebody whose heights are in this unit says lengths in feet and inches."""
    return unit in ("in", "ft")


def length_text(cm: float, feet: bool) -> str:
    """A length of a bed in words that `length_cm` reads: "3 ft", "1 ft 6 in", "45 cm", "2.4 m".

    feet : in feet and inches, to half an inch; else in cm, from 1 m on in m, to 1 cm.
    """
    if not feet:
        return f"{cm:g} cm" if cm < 100 else f"{round(cm / 100, 2):g} m"
    whole, inches = divmod(round(2 * cm / CM["in"]) / 2, 12)
    parts = [f"{whole:g} ft"] if whole else []
    if inches or not parts:
        parts.append(f"{inches:g} in")
    return " ".join(parts)


def spacing_text(cm: float, feet: bool) -> str:
    """A spacing for trial.toml: as `length_text` says it, unless that would alter it."""
    text = length_text(cm, feet)
    return text if abs(length_cm(text, "cm") - cm) < 0.005 else f"{cm:g} cm"


def weight_g(text: str, unit: str, *, mark: Mark | None = ".") -> float:
    """A weight in g; a bare number is in ``unit`` (g, kg, oz or lb).  Raises Unreadable."""
    return _quantity(text, unit, WEIGHT, mark)


def _quantity(text: str, unit: str, measure: Measure, mark: Mark | None) -> float:
    accepted = f"a number in {unit}, or {measure.examples}"
    if len(text) > LONGEST_NUMBER:  # before any pattern sees it
        raise Unreadable(f"It is too long for a {measure.name}.", accepted)
    cell = " ".join(tidy(text.translate(_MARKS)).casefold().split())
    if cell.startswith("-"):
        raise Unreadable(f"A {measure.name} cannot be below zero.", accepted)
    both = _TWO_UNITS.fullmatch(cell)
    if both:
        return _two(both, measure, mark, accepted)
    match = _ONE_UNIT.fullmatch(cell)
    if not match:
        # Says so well of words and of numbers that can be read in two ways.
        return number(cell, mark=mark, accepted=accepted) * measure.factors[unit]
    named = unit if match[2] is None else _unit(match[2], measure, accepted)
    return _fraction(match[1], mark, accepted) * measure.factors[named]


def _two(match: re.Match[str], measure: Measure, mark: Mark | None, accepted: str) -> float:
    large = _unit(match[2], measure, accepted)
    if large not in _PAIRS:
        raise Unreadable(f"It is not a {measure.name}.", accepted)
    small, in_one = _PAIRS[large]
    if match[4] is None and large not in _UNSAID:
        raise Unreadable(f"The second number has no unit; {small}?", accepted)
    if match[4] is not None and _unit(match[4], measure, accepted) != small:
        raise Unreadable(f"Only {small} may follow {large}.", accepted)
    rest = _fraction(match[3], mark, accepted)
    if rest >= in_one:
        raise Unreadable(f"{match[3]} {small} is as much as a whole {large}, or more.", accepted)
    if large == "m" and match[4] is None and len(match[3]) != 2:
        raise Unreadable("It may mean metres and centimetres or a decimal.", accepted)
    return int(match[1]) * measure.factors[large] + rest * measure.factors[small]


def _unit(word: str, measure: Measure, accepted: str) -> str:
    name = unit_name(word)
    if name is None or name not in measure.factors:
        raise Unreadable(f"'{word}' is not a unit of {measure.name}.", accepted)
    return name


def _fraction(text: str, mark: Mark | None, accepted: str) -> float:
    whole = text[:-1].strip()
    if text[-1] in _VULGAR:
        return (float(whole) if whole else 0.0) + _VULGAR[text[-1]]
    if "/" in text:
        before, _, part = text.rpartition(" ")
        above, below = (int(n) for n in part.split("/"))
        if not 0 < above < below:
            raise Unreadable("The fraction cannot be read.", accepted)
        return (float(before) if before else 0.0) + above / below
    return number(text, mark=mark, accepted=accepted)


# ------------------------------------------------------------------------------------------------
# Prices as growers write them: "3.50 a kg", "€2 per lb", "0.20 each", "3 USD a dozen".
#
# The currency, sign or word, before or after the number, is kept as written and means nothing here.
# ------------------------------------------------------------------------------------------------

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
    written = " ".join(tidy(text).split())
    if len(written) > LONGEST_PRICE:
        raise Unreadable("It is too long for a price.", accepted)
    match = _PRICE.fullmatch(written)
    if match is None:
        bare = re.search(r"[0-9]", written)
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
    return Price(amount, currency, written, None if grams is None else grams * several,
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


@dataclass(frozen=True)
class Habits:
    """How one gardener writes dates, lengths and weights: one way to read them everywhere.

    A cell of a table, a value of trial.toml and an option of the command line are all read here, so
    that 4/20/25 or 3 ft is the same everywhere (see `trialkit.trial.habits_of`).

    order : which number comes first in 3/7/2026; None where that is not said, and such a date
    is refused.  length, weight : the units of a bare number (mm, cm, m, in, ft; g, kg, oz, lb).
    """

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
