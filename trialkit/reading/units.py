"""Lengths and weights as growers write them, in centimetres and grams.

1 inch = 2.54 cm and 1 pound = 453.59237 g exactly (international yard and pound agreement, 1959);
12 inches to the foot and 16 ounces to the pound.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from trialkit.reading.numbers import LONGEST_NUMBER, Mark, number, tidy
from trialkit.reading.problems import Unreadable

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
_ONE = re.compile(rf"({_NUMBER})\s*({_WORD})?")
_TWO = re.compile(rf"([0-9]+)\s*({_WORD})\s*(?:and|,)?\s*({_NUMBER})\s*({_WORD})?")

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

    mark : what the table writes before decimals, see `trialkit.reading.numbers.number`.
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
    said = length_text(cm, feet)
    return said if abs(length_cm(said, "cm") - cm) < 0.005 else f"{cm:g} cm"


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
    both = _TWO.fullmatch(cell)
    if both:
        return _two(both, measure, mark, accepted)
    match = _ONE.fullmatch(cell)
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
