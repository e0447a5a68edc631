"""Lengths and weights as growers write them, in centimetres and grams.

1 inch = 2.54 cm and 1 pound = 453.59237 g exactly (international yard and pound agreement, 1959).
"""

from __future__ import annotations

import re

CM = {"mm": 0.1, "cm": 1.0, "m": 100.0, "in": 2.54, "ft": 30.48}
GRAMS = {"g": 1.0, "kg": 1000.0, "oz": 453.59237 / 16, "lb": 453.59237}

_SPELLINGS = {
    "millimetre": "mm", "millimeter": "mm", "centimetre": "cm", "centimeter": "cm",
    "metre": "m", "meter": "m", "inch": "in", "inche": "in", '"': "in", "”": "in", "″": "in",
    "foot": "ft", "feet": "ft", "'": "ft", "’": "ft", "′": "ft",
    "gram": "g", "gramme": "g", "kilo": "kg", "kilogram": "kg", "kilogramme": "kg",
    "ounce": "oz", "pound": "lb",
}
_NUMBER = r"[0-9]+(?:[.,][0-9]+)?"
_ONE = re.compile(rf"^({_NUMBER})\s*([^\d\s.,]+)?\.?$")
_FEET_INCHES = re.compile(
    rf"^({_NUMBER})\s*(?:ft|feet|foot|'|’|′)\.?\s*({_NUMBER})\s*(?:in|inch|inches|\"|”|″|'')?\.?$"
)


def unit_name(text: str) -> str | None:
    """The unit a word stands for ("feet" is "ft"), or None."""
    word = text.strip().lower().rstrip(".")
    for name in (word, word.rstrip("s")):
        if name in CM or name in GRAMS:
            return name
        if name in _SPELLINGS:
            return _SPELLINGS[name]
    return None


def number(text: str) -> float | None:
    """A plain number, decimal point or comma; None for anything else."""
    if not re.fullmatch(rf"[-+]?{_NUMBER}", text.strip()):
        return None
    return float(text.strip().replace(",", "."))


def length_cm(text: str, unit: str) -> float | None:
    """A height or spacing in cm; a bare number is in ``unit``.  None if it is no length."""
    text = text.strip().lower()
    both = _FEET_INCHES.match(text)
    if both:
        return _value(both[1]) * CM["ft"] + _value(both[2]) * CM["in"]
    return _one(text, unit, CM)


def weight_g(text: str, unit: str) -> float | None:
    """A weight in g; a bare number is in ``unit``.  None if it is no weight."""
    return _one(text.strip().lower(), unit, GRAMS)


def _one(text: str, unit: str, table: dict[str, float]) -> float | None:
    found = _ONE.match(text)
    if not found:
        return None
    name = unit_name(found[2]) if found[2] else unit
    if name is None or name not in table:
        return None
    return _value(found[1]) * table[name]


def _value(text: str) -> float:
    return float(text.replace(",", "."))
