"""Lengths, weights and numbers as growers write them.

The factors are those of the international yard and pound agreement of 1959: 1 yard = 0.9144 m and
1 pound = 0.45359237 kg, both exact (also NIST Special Publication 811, appendix B.8), with 36
inches to the yard and 16 ounces to the pound.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.reading.amounts import (
    BLANKS,
    CM,
    GRAMS,
    is_blank,
    length_cm,
    number,
    unit_name,
    weight_g,
)
from trialkit.reading.problems import Unreadable

YARD_CM = Fraction(9144, 100)
POUND_G = Fraction(45359237, 100000)


def test_units_are_those_of_the_agreement_of_1959() -> None:
    assert CM["in"] == float(YARD_CM / 36) == 2.54
    assert CM["ft"] == float(YARD_CM / 3) == 30.48
    assert GRAMS["lb"] == float(POUND_G) == 453.59237
    assert GRAMS["oz"] == float(POUND_G / 16)


@pytest.mark.parametrize(("text", "inches"), [
    ("5'6\"", 66), ("5' 6\"", 66), ("5’6”", 66), ("5′6″", 66), ("5'6", 66), ("5'6''", 66),
    ("5 ft 6 in", 66), ("5ft 6in", 66), ("5 feet 6 inches", 66), ("5 foot 6", 66),
    ("5 Ft. 6 In.", 66), ("66 in", 66), ("66in.", 66), ("66\"", 66), ("66 inches", 66),
    ("5.5 ft", 66), ("5.5'", 66), ("6 ft", 72), ("6'", 72), ("66 1/2 in", 66.5), ("66½ in", 66.5),
    ("5'6½\"", 66.5), ("½ in", 0.5),
])  # fmt: skip
def test_feet_and_inches(text: str, inches: float) -> None:
    assert length_cm(text, "cm") == pytest.approx(inches * 2.54, rel=1e-12)


@pytest.mark.parametrize(("text", "cm"), [
    ("168", 168), ("168 cm", 168), ("168.5", 168.5), ("168,5", 168.5), ("1.68 m", 168),
    ("1,68 m", 168), ("1 m 68 cm", 168), ("1m68", 168), ("1680 mm", 168), ("1680mm", 168),
    (" 168 ", 168), ("168\u00a0cm", 168), ("0", 0), ("168 centimetres", 168),
])  # fmt: skip
def test_metric_lengths(text: str, cm: float) -> None:
    assert length_cm(text, "cm") == pytest.approx(cm, rel=1e-12)


@pytest.mark.parametrize(("text", "grams"), [
    ("250", 250), ("250 g", 250), ("250g", 250), ("0.25 kg", 250), ("1 kg 250 g", 1250),
    ("16 oz", 453.59237), ("1 lb", 453.59237), ("1 lb 4 oz", 566.9904625), ("1lb4oz", 566.9904625),
    ("2 lbs", 907.18474), ("2 pounds", 907.18474), ("9 ounces", 255.145708125),
    ("0,25 kg", 250),
])  # fmt: skip
def test_weights(text: str, grams: float) -> None:
    assert weight_g(text, "g") == pytest.approx(grams, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "cm"), [("mm", 0.1), ("cm", 1), ("m", 100), ("in", 2.54), ("ft", 30.48)]
)
def test_a_bare_number_is_in_the_unit_of_the_trial(unit: str, cm: float) -> None:
    assert length_cm("3", unit) == pytest.approx(3 * cm, rel=1e-12)


@pytest.mark.parametrize("text", [
    "-3", "5'13\"", "5'12\"", "1 m 8", "12 lb", "tall", "5'6\" or so", "6 x 4", "cm", "1e3",
    "5.5'6", "1 m 100 cm", "3/2 in", "²", "٣ cm", "5 ft 3 cm", "--", "nan",
])  # fmt: skip
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(Unreadable) as caught:
        length_cm(text, "cm")
    assert caught.value.problem.endswith((".", "?"))
    assert caught.value.accepted


@pytest.mark.parametrize("text", ["-3", "1 lb 16 oz", "1 lb 3", "12 cm", "heavy", "1 lb 3 g"])
def test_what_is_no_weight_is_refused(text: str) -> None:
    with pytest.raises(Unreadable):
        weight_g(text, "g")


@pytest.mark.parametrize(("text", "value"), [
    ("3", 3), ("-3", -3), ("\u22123", -3), ("+3", 3), ("3.25", 3.25), ("3,25", 3.25), (".5", 0.5),
    (",5", 0.5), ("0,125", 0.125), ("0.125", 0.125), ("1e3", 1000), ("1.234,5", 1234.5),
    ("1,234.5", 1234.5), ("1 234,5", 1234.5), ("1\u202f234", 1234), ("1,234,567", 1234567),
    ("1.234.567", 1234567), ("1234.567", 1234.567), ("007", 7),
])  # fmt: skip
def test_numbers_with_points_and_commas(text: str, value: float) -> None:
    assert number(text) == value


def test_a_comma_and_three_figures_may_be_two_numbers() -> None:
    with pytest.raises(Unreadable, match=r"1\.234 or 1234"):
        number("1,234")
    assert number("1,234", mark=",") == 1.234
    assert number("1.234") == 1.234
    with pytest.raises(Unreadable, match=r"1\.234 or 1234"):
        number("1.234", mark=",")


@pytest.mark.parametrize("word", ["none", "zero", "Nil", "nothing", "nought", "NO"])
def test_words_are_not_guessed_to_be_zero(word: str) -> None:
    assert not is_blank(word)
    with pytest.raises(Unreadable, match="0 .you looked"):
        number(word)


@pytest.mark.parametrize("text", ["", "  ", "-", "–", "—", "NA", "n/a", "N/A", "nan", "\u00a0"])
def test_blank_is_blank(text: str) -> None:
    assert is_blank(text)


@pytest.mark.parametrize("text", ["0", "0.0", "00", "o", "."])
def test_zero_is_not_blank(text: str) -> None:
    assert not is_blank(text)


@pytest.mark.parametrize("text", ["1e13", "9" * 400, "-1e300"])
def test_numbers_too_large_to_be_true(text: str) -> None:
    with pytest.raises(Unreadable, match="too large"):
        number(text)


def test_names_of_units() -> None:
    assert unit_name("Inches") == "in"
    assert unit_name("lbs.") == "lb"
    assert unit_name("feet and inches") == "ft"
    assert unit_name("stone") is None
    assert all(unit_name(name) == name for name in (*CM, *GRAMS))


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    for read in (lambda: length_cm(text, "cm"), lambda: weight_g(text, "lb"), lambda: number(text)):
        try:
            value = read()
        except Unreadable:
            continue
        assert value == value
        assert abs(value) < 1e15


@given(st.sampled_from(sorted(BLANKS)))
def test_no_blank_is_a_number(text: str) -> None:
    with pytest.raises(Unreadable):
        number(text)


@given(st.integers(0, 30), st.integers(0, 11))
def test_feet_and_inches_add_up(feet: int, inches: int) -> None:
    assert length_cm(f"{feet}'{inches}\"", "cm") == pytest.approx((12 * feet + inches) * 2.54)
