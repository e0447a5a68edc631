"""Numbers, dates and lengths as they are read.

The inch is 2.54 cm and the ounce 28.349523125 g exactly (international yard and pound, 1959).
"""

from __future__ import annotations

import math

import pandas as pd
import pytest

from trialkit import wording
from trialkit.report.measures import height


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (2.3456, "2.3"), (0.04567, "0.046"), (123.4, "123"), (12345.6, "12,346"), (0, "0"),
        (9.96, "10"), (-1.25, "-1.2"), (math.nan, "–"), (None, "–"), (math.inf, "no limit"),
        (1e-9, "0.0000000010"),
    ],
)  # fmt: skip
def test_number(value, shown):
    assert wording.number(value) == shown


@pytest.mark.parametrize(
    ("low", "high", "shown"),
    [
        (1.7, 3.0, "1.7 to 3.0"), (1.7, math.inf, "1.7 or more"), (1.7, None, "1.7 or more"),
        (-math.inf, 3.0, "3.0 or less"), (math.nan, math.nan, ""),
    ],
)  # fmt: skip
def test_interval(low, high, shown):
    assert wording.interval(low, high) == shown


@pytest.mark.parametrize(
    ("cm", "unit", "shown"),
    [
        (167.64, "ft", "5'6\""), (-50.8, "ft", "\N{MINUS SIGN}1'8\""), (-0.2, "cm", "0 cm"),
        (16.84, "mm", "168 mm"), (182.0, "ft", "6'0\""),
        (100, "in", "39 in"), (168.4, "cm", "168 cm"), (168.4, "m", "1.68 m"), (None, "m", "–"),
    ],
)  # fmt: skip
def test_height(cm, unit, shown):
    assert height(cm, unit) == shown


def test_days_with_an_open_end():
    assert wording.days("2025-07-04", "2025-07-11") == "4 Jul to 11 Jul"
    assert wording.days("2025-07-04", pd.NaT) == "4 Jul or later"
    assert wording.days(None, None) == ""


def test_chance_and_degrees_of_freedom():
    assert wording.chance(2.5e-12) == "below 0.001"
    assert wording.chance(0.2724) == "0.27"
    assert wording.degrees(10.0000001) == "10"
    assert wording.degrees(14.423) == "14.4"


def test_a_unit_is_named_once():
    assert wording.with_unit("weight harvested", "g") == "weight harvested, g"
    assert wording.with_unit("pods a plant, so far", "pods a plant") == "pods a plant, so far"
    assert wording.with_unit("pods a living plant", "pods a plant") == "pods a living plant"
    assert wording.with_unit("weight a plant a week", "oz a plant a week") == \
        "weight, oz a plant a week"


def test_listed_and_counted():
    assert wording.listed(["a"]) == "a"
    assert wording.listed(["a", "b", "c"]) == "a, b and c"
    assert wording.counted(1, "plant") == "1 plant"
    assert wording.counted(1200, "plant") == "1,200 plants"


def test_a_number_and_its_per_cent_sign_stand_on_one_line():
    assert wording.unbroken("a range (95 %), 4 % and a % b") == (
        "a range (95\N{NO-BREAK SPACE}%), 4\N{NO-BREAK SPACE}% and a % b")
