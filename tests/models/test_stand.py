"""Stand: Kaplan-Meier and log-rank against R, intervals, and the permutation of plots."""

from __future__ import annotations

import json
from itertools import permutations, product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, records
from statsmodels.stats.proportion import proportion_confint

from trialkit.design.audit import audit
from trialkit.models.results import Missing
from trialkit.models.stand import (
    design_effect,
    expected_losses,
    kaplan_meier,
    loss_test,
    stand_trait,
)
from trialkit.models.support import support

REFERENCE = Path(__file__).parent / "reference"


def reference():
    return json.loads((REFERENCE / "survival.json").read_text())


@pytest.mark.parametrize("name", ["aml", "ovarian"])
def test_curve_against_r_survival(name):
    # R's survival package, values stored by reference/survival.R.
    known = reference()[name]
    data = pd.read_csv(REFERENCE / f"{name}.csv")
    for group, curve in known["curves"].items():
        own = data[data["group"] == group]
        found = kaplan_meier(own["time"].to_numpy(float), own["event"].to_numpy() == 1)
        assert found["time"].tolist() == curve["time"]
        assert found["at_risk"].tolist() == curve["at_risk"]
        assert found["survival"].to_numpy() == pytest.approx(curve["survival"], rel=1e-12)
        some = found["survival"].between(0, 1, inclusive="neither").to_numpy()
        for column in ("se", "low", "high"):
            theirs = np.array(curve[column], dtype=float)[some]
            assert found[column].to_numpy()[some] == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("name", ["aml", "ovarian"])
def test_expected_losses_against_r_survdiff(name):
    known = reference()[name]["log_rank"]
    data = pd.read_csv(REFERENCE / f"{name}.csv")
    expected = expected_losses(data["time"].to_numpy(float), data["event"].to_numpy() == 1)
    by_group = pd.Series(expected).groupby(data["group"]).sum()
    assert by_group[known["groups"]].to_numpy() == pytest.approx(known["expected"], rel=1e-9)


def test_curve_of_the_published_remission_data():
    # Weeks of remission on 6-MP, Freireich et al. 1963, the worked example of Kaplan-Meier in
    # many textbooks (values from memory: 0.857 at 6 weeks, 0.807 at 7, 0.690 at 13, 0.448 at 23).
    weeks = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    lost = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    found = kaplan_meier(np.array(weeks, dtype=float), np.array(lost) == 1).set_index("time")
    assert found.loc[[6, 7, 13, 23], "survival"].to_numpy() == pytest.approx(
        [0.857, 0.807, 0.690, 0.448], abs=5e-4
    )


def test_limits_where_nothing_or_everything_is_lost():
    # Exact binomial limits (Clopper & Pearson 1934) from statsmodels.
    none = kaplan_meier(np.full(12, 30.0), np.zeros(12, dtype=bool)).iloc[-1]
    low, high = proportion_confint(12, 12, method="beta")
    assert (none["low"], none["high"]) == pytest.approx((low, high))
    every = kaplan_meier(np.full(12, 30.0), np.ones(12, dtype=bool)).iloc[-1]
    low, high = proportion_confint(0, 12, method="beta")
    assert (every["low"], every["high"]) == pytest.approx((low, high))
    with pytest.raises(ValueError, match="plants"):
        kaplan_meier(np.zeros(0), np.zeros(0, dtype=bool))


def test_design_effect():
    unit = pd.Series(np.repeat(np.arange(8), 6))
    variety = pd.Series(np.repeat(list("ABABABAB"), 6))
    together = np.repeat([True, False, False, False, True, False, False, True], 6)
    assert design_effect(together, unit, variety) == pytest.approx(6.0)
    assert design_effect(np.zeros(48, dtype=bool), unit, variety) == 1.0
    spread = np.tile([True, False, False, False, False, False], 8)
    assert design_effect(spread, unit, variety) == 1.0
    alone = pd.Series(np.arange(48))
    assert design_effect(spread, alone, variety) == 1.0


def brute_force(units, pairs):
    """Every order of varieties in every block, one after the other."""
    blocks = [part for _, part in units.groupby("block", sort=False)]

    def largest(frames):
        sums = pd.concat(frames).groupby("variety")[["observed", "expected"]].sum()
        ratio = sums["observed"] / sums["expected"]
        out = {}
        for a, b in pairs:
            spread = np.sqrt(1 / sums.loc[a, "expected"] + 1 / sums.loc[b, "expected"])
            out[a, b] = abs(ratio[a] - ratio[b]) / spread
        return out

    seen = largest(blocks)
    every = [
        max(largest([b.assign(variety=list(o)) for b, o in zip(blocks, orders, strict=True)])
            .values())
        for orders in product(*[list(permutations(b["variety"])) for b in blocks])
    ]  # fmt: skip
    return {pair: np.mean(np.array(every) >= value - 1e-9) for pair, value in seen.items()}


def test_permutation_against_brute_force():
    units = pd.DataFrame(
        {
            "variety": list("ABCCABBAC"),
            "block": list("111222333"),
            "observed": [0.0, 1, 4, 3, 0, 2, 0, 1, 5],
            "expected": [1.5, 1.7, 2.0, 1.9, 1.5, 1.8, 1.6, 1.7, 2.3],
        }
    )
    pairs = [("A", "B"), ("A", "C"), ("B", "C")]
    found = loss_test(units, pairs)
    assert found.exact
    assert found.arrangements == 216
    assert found.p == pytest.approx(brute_force(units, pairs))
    assert found.smallest <= min(found.p.values())


def test_permutation_of_the_tea_tasting():
    # Fisher 1935, The Design of Experiments, ch. 2: eight cups, four of each kind, all four of one
    # kind told and none of the other: one arrangement in 70 for each side, so 2 in 70 both ways.
    # Here eight plots of one plant without blocks, none lost of one variety and all of the other.
    units = pd.DataFrame({"variety": list("AAAABBBB"), "block": "1",
                          "observed": [0.0] * 4 + [1.0] * 4, "expected": 0.5})
    found = loss_test(units, [("A", "B")])
    assert found.arrangements == 70
    assert found.p["A", "B"] == found.smallest == pytest.approx(2 / 70)


def test_permutation_by_lot_is_near_the_exact_one():
    rng = np.random.default_rng(3)
    units = pd.DataFrame({"variety": list("ABCDE") * 6, "block": np.repeat(list("123456"), 5)})
    units["observed"] = rng.poisson(1.0, 30) + 3.0 * (units["variety"] == "E")
    units["expected"] = units["observed"].mean()
    found = loss_test(units, [("A", "E"), ("A", "B")])
    assert not found.exact
    assert found.p["A", "E"] < 0.05 < found.p["A", "B"]


def stood(plants, **more):
    held = records(plants, **more)
    ruling = audit(held)
    return stand_trait(held, support(held, ruling), list(held.trial.variety_names), "A")


def seen_until(n=60):
    """A height on the last day, so that the records go on to it."""
    return pd.DataFrame({"date": [day(n)], "plant": ["1-1"], "height_cm": [100.0]})


def test_losses_of_one_variety_against_none_of_the_others():
    plants = bed(list("ABCD"), blocks=5, plants=6)
    gone = (plants["variety"] == "D") & (plants["column"] % 6 != 0)
    plants.loc[gone, "lost"] = day(20)
    plants.loc[gone, "lost_reason"] = "voles"
    found = stood(plants, heights=seen_until())
    assert found.supported
    assert found.means.set_index("variety").loc["A", ["estimate", "high"]].tolist() == [100, 100]
    assert found.means.set_index("variety").loc["A", "low"] < 95
    row = found.against_check.set_index("variety").loc["D"]
    assert row["p"] < 0.05
    assert row["high"] < 0
    assert found.letters["A"] != found.letters["D"]
    assert found.letters["A"] == found.letters["B"]
    assert found.reasons.values.tolist() == [["D", "voles", int(gone.sum())]]
    table = found.losses.set_index("variety")
    assert table.loc["D", "alive"] == pytest.approx(1 - gone.sum() / 30 * 40 / 60)
    assert table.loc["A", "standing_a_metre"] == 4.0  # plants 25 cm apart
    assert table.loc["D", "standing_a_metre"] == pytest.approx(4.0 * (1 - gone.sum() / 30))


def test_one_whole_plot_lost_is_one_mishap_not_six():
    plants = bed(list("ABCD"), blocks=4, plants=6)
    plants.loc[(plants["variety"] == "D") & (plants["block"] == "1"), "lost"] = day(20)
    found = stood(plants, heights=seen_until())
    assert found.method.figures["design effect"] == pytest.approx(6.0)
    if found.supported:
        assert found.against_check["p"].min() > 0.2
    assert set(found.letters.values()) <= {"a"}


def test_too_few_plots_for_any_test_says_so():
    plants = bed(list("AB"), blocks=3, plants=6)
    plants.loc[plants["variety"] == "B", "lost"] = day(20)
    found = stood(plants, heights=seen_until())
    assert not found.supported
    assert "25 % of the time" in found.why_not
    assert found.against_check["p"].isna().all()
    assert found.against_check["low"].isna().all()
    assert found.letters == {}
    assert found.means.set_index("variety")["estimate"].to_dict() == {"A": 100.0, "B": 0.0}


def test_no_losses_at_all():
    found = stood(bed(list("ABC")), heights=seen_until())
    assert found.supported
    assert (found.against_check["p"] == 1.0).all()
    assert (found.against_check["estimate"] == 0.0).all()
    assert (found.against_check["low"] < 0).all()
    assert set(found.letters.values()) == {"a"}


def test_a_loss_after_the_last_day_asked_for_does_not_count():
    plants = bed(list("ABC"))
    plants.loc[0, "lost"] = day(80)
    early = pd.DataFrame({"date": [day(30)], "plant": ["1-1"], "height_cm": [50.0]})
    held = records(plants, heights=early)
    assert stood(plants, heights=early).losses["lost"].sum() == 1
    cut = stand_trait(
        held.__class__(**{**held.__dict__, "until": day(40)}),
        support(held, audit(held)), list("ABC"), "A",
    )  # fmt: skip
    assert cut.losses["lost"].sum() == 0


@pytest.mark.slow
def test_missing_before_anything_is_recorded_and_degenerate_beds():
    assert isinstance(stood(bed(list("AB"))), Missing)
    assert isinstance(stood(bed(list("AB")).iloc[:0], heights=seen_until()), Missing)
    one = stood(bed(["A"], blocks=1, plants=1), heights=seen_until())
    assert not one.supported
    row = bed(list("AB"), blocks=1, plants=6)
    single = stood(row, heights=seen_until())
    assert not single.supported
    assert single.against_check["p"].isna().all()
    many = bed([f"V{i}" for i in range(30)], blocks=2, plants=2)
    many.loc[::7, "lost"] = day(9)
    found = stood(many, heights=seen_until())
    assert len(found.means) == 30


@pytest.mark.slow
@pytest.mark.parametrize("third", [0.1, 0.7])
def test_false_alarms_with_losses_that_bunch_in_plots(third):
    """No difference between A and B, C losing as many or far more: A against B called different
    at most 5 % of the time (plus simulation error), with losses bunched by plot (rho 0.3)."""
    rng = np.random.default_rng(11)
    base = bed(list("ABC"), blocks=4, plants=6)
    wrong, runs = 0, 400
    for _ in range(runs):
        chance = {"A": 0.1, "B": 0.1, "C": third}
        own = {
            p: rng.beta(chance[v] * 7 / 3, (1 - chance[v]) * 7 / 3)
            for p, v in base[["plot", "variety"]].drop_duplicates().values
        }
        plants = base.copy()
        fall = rng.random(len(plants)) < plants["plot"].map(own)
        plants.loc[fall, "lost"] = day(20)
        found = stood(plants, heights=seen_until())
        told = found.pairs[found.pairs["p"] < 0.05]
        if third != 0.1:  # C does differ: only A against B can be a false alarm
            told = told[(told["left"] != "C") & (told["right"] != "C")]
        wrong += not told.empty
    print(f"false alarms with C losing {third:.0%}: {wrong / runs:.1%}")
    assert wrong / runs < 0.05 + 2 * np.sqrt(0.05 * 0.95 / runs)
