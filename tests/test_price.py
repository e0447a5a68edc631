"""Prices and seed costs in trial.toml: what may be written, and what is said of what may not."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.reading.amounts import Price, price_of
from trialkit.reading.problems import Unreadable
from trialkit.trial import TrialProblems, parse_trial

POUND = 453.59237  # grams, international yard and pound agreement, 1959
LEAST = """\
title = "T"
crop = "bean"
planted = 2026-05-24
counted = "{counted}"
{price}
[[varieties]]
name = "A"
{seed}
"""


def said(price: str = "", seed: str = "", counted: str = "pods") -> str:
    return LEAST.format(price=price, seed=seed, counted=counted)


@pytest.mark.parametrize(("text", "currency", "of_one", "by_weight"), [
    ("3.50 a kg", "", 3.50 / 1000, True),
    ("€3.50 a kg", "€", 3.50 / 1000, True),
    ("3,50 € per kg", "€", 3.50 / 1000, True),
    ("3.50 USD a kg", "USD", 3.50 / 1000, True),
    ("$2/lb", "$", 2 / POUND, True),
    ("2 pounds a pound", "pounds", 2 / POUND, True),
    ("0.25 an oz", "", 0.25 * 16 / POUND, True),
    ("0.35 per 100 g", "", 0.0035, True),
    ("Rs 40 per kilo", "Rs", 0.04, True),
    ("900 per tonne", "", 0.0009, True),
    ("0.20 each", "", 0.20, False),
    ("20p each", "p", 20.0, False),
    ("0.20 a pod", "", 0.20, False),
    ("CHF 3 a dozen", "CHF", 0.25, False),
    ("1.80 for", "", None, False),
])
def test_what_a_price_may_say(
    text: str, currency: str, of_one: float | None, by_weight: bool
) -> None:
    if of_one is None:
        with pytest.raises(Unreadable, match="of how much"):
            price_of(text, "pods")
        return
    price = price_of(text, "pods")
    assert (price.currency, price.text) == (currency, text)
    assert price.of_one == pytest.approx(of_one, rel=1e-12)
    assert (price.grams is not None) == by_weight


@pytest.mark.parametrize(("counted", "one"), [
    ("bunches", "bunch"), ("berries", "berry"), ("heads", "head"), ("fruit", "fruit"),
    ("boxes", "box"), ("radishes", "radish"),
])
def test_one_of_what_is_counted(counted: str, one: str) -> None:
    assert price_of(f"0.50 a {one}", counted) == Price(0.5, "", f"0.50 a {one}")


@pytest.mark.parametrize(("value", "problem"), [
    ('"dear"', "It has no number."),
    ('"3.50"', "It does not say of how much"),
    ("3.50", "It does not say of how much"),
    ('"3.50 a bushel"', "'bushel' is neither a weight nor what the trial counts (pods)."),
    ('"3.50 a plant"', "'plant' is neither"),
    ('"0 a kg"', "A price is above 0."),
    ('"-3 a kg"', "A price is above 0."),
    ('"3 per 0 kg"', "A price is for more than 0."),
    ('"3 # a kg"', "'#' is not a currency's sign or word."),
    ('""', "It is blank."),
    ("true", "It cannot be used."),
    (f'"{"9" * 90} a kg"', "It is too long for a price."),
])
def test_a_malformed_price_names_line_key_value_and_what_is_accepted(
    value: str, problem: str
) -> None:
    with pytest.raises(TrialProblems) as caught:
        parse_trial(said(f"price = {value}"))
    (row,) = caught.value.problems.to_dict("records")
    assert (row["file"], row["line"], row["column"]) == ("trial.toml", 5, "price")
    assert row["value"] == {"3.50": "3.5"}.get(value, value.strip('"'))
    assert problem in row["problem"]
    assert '"3.50 a kg"' in row["accepted"]
    assert '"0.20 a pod"' in row["accepted"]


def test_a_number_that_may_be_two_is_asked_about() -> None:
    with pytest.raises(TrialProblems, match="1234, or 1.2340"):
        parse_trial(said('price = "1,234 a kg"'))


@pytest.mark.parametrize(("line", "cost"), [
    ("seed_cost = 0.12", 0.12), ("seed_cost = 1", 1.0), ("seed_cost = 0", 0.0), ("", None),
])
def test_seed_cost_is_money_a_plant(line: str, cost: float | None) -> None:
    assert parse_trial(said(seed=line)).varieties[0].seed_cost == cost


@pytest.mark.parametrize("value", ["-1", '"cheap"', "true", "nan", "inf"])
def test_a_malformed_seed_cost(value: str) -> None:
    with pytest.raises(TrialProblems) as caught:
        parse_trial(said(seed=f"seed_cost = {value}"))
    (row,) = caught.value.problems.to_dict("records")
    assert (row["line"], row["column"]) == (8, "varieties.seed_cost")
    assert "money a plant set out" in row["accepted"]


def test_a_seed_cost_on_top_is_sent_to_its_place() -> None:
    with pytest.raises(TrialProblems, match="below the name of each variety"):
        parse_trial(said("seed_cost = 0.12"))


@given(st.text(max_size=80))
def test_no_text_is_worse_than_refused(text: str) -> None:
    with suppress(Unreadable):
        assert price_of(text, "pods").of_one > 0
