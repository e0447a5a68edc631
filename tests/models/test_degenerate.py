"""Odd seasons: never a crash, never a claim the records cannot carry."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from seasons import bed, day, grown, picked, records

from trialkit.decide import conclude
from trialkit.models import Missing

DAYS = [50, 54, 57, 61, 64, 68, 71, 75]


def _even(plants, count):
    rows = [(day(d), p, float(count), np.nan) for d in DAYS for p in plants["plant"]]
    return pd.DataFrame(rows, columns=["date", "plant", "count", "weight_g"])


def _everything(season):
    found = conclude(season)
    said = [found.verdict.answer, found.verdict.how_sure, found.verdict.next_step,
            *found.cannot_tell, *found.since_last]
    assert all(line.strip() and "nan" not in line.lower().split() for line in said)
    assert found.verdict.answer.count(". ") >= 1 or found.verdict.answer.endswith(".")
    for trait in found.analysis.traits.values():
        if not isinstance(trait, Missing) and not trait.supported:
            assert trait.letters == {}
            assert trait.against_check[["low", "high", "p"]].isna().all(axis=None)
            assert trait.pairs[["low", "high", "p"]].isna().all(axis=None)
    assert len(found.table) == len(season.trial.variety_names)
    found.analysis.diagnostics  # noqa: B018  (worked out when asked for)
    return found


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
class TestSeasons:
    def test_nothing_recorded(self):
        found = _everything(records(bed("ABC")))
        assert found.verdict.state == "nothing yet"
        assert {m.trait for m in found.analysis.missing} >= {"pods", "height", "harvest"}

    def test_all_zeros(self):
        plants = bed("ABC")
        found = _everything(records(plants, _even(plants, 0)))
        assert found.verdict.state == "nothing yet"
        assert "zero" in found.verdict.answer

    def test_all_equal_names_no_winner(self):
        plants = bed("ABC")
        found = _everything(records(plants, _even(plants, 3)))
        assert found.verdict.state != "settled"

    def test_one_block_supports_no_comparison(self):
        plants = bed("ABC", blocks=1)
        found = _everything(records(plants, picked(plants, {"A": 0.2, "B": 0.9, "C": 0.5}, DAYS)))
        assert found.verdict.state == "description only"
        assert not found.analysis.pods.supported
        assert not found.analysis.position.supported
        assert len(found.analysis.position.bed) == len(plants)  # the map needs no comparison

    def test_one_plant_each(self):
        plants = bed("ABC", blocks=1, plants=1)
        found = _everything(records(plants, picked(plants, {"A": 0.2, "B": 0.9, "C": 0.5}, DAYS)))
        assert found.verdict.state == "description only"

    def test_one_plant_in_all(self):
        plants = bed("A", blocks=1, plants=1)
        _everything(records(plants, picked(plants, {"A": 0.5}, DAYS),
                            grown(plants, {"A": 200.0}, [20, 40, 60])))

    def test_one_variety(self):
        plants = bed("A")
        _everything(records(plants, picked(plants, {"A": 0.5}, DAYS),
                            grown(plants, {"A": 200.0}, [20, 30, 40, 50, 60])))

    def test_first_pick_only(self):
        plants = bed("ABC")
        picks = picked(plants, {"A": 0.5, "B": 1.0, "C": 0.5}, DAYS[:1])
        found = _everything(records(plants, picks))
        assert isinstance(found.analysis.picks_per_week, Missing)
        assert isinstance(found.analysis.rate, Missing)
        assert "first" in found.since_last[0]

    def test_one_variety_wiped_out(self):
        plants = bed("ABC")
        gone = plants["variety"] == "C"
        plants.loc[gone, "lost"] = day(30)
        picks = picked(plants[~gone], {"A": 0.5, "B": 1.0}, DAYS)
        found = _everything(records(plants, picks))
        row = found.table.set_index("variety").loc["C"]
        assert row["lost"] == row["planted"] == 12
        assert np.isnan(row["ratio"])

    def test_the_check_wiped_out(self):
        plants = bed("ABC")
        gone = plants["variety"] == "A"
        plants.loc[gone, "lost"] = day(30)
        _everything(records(plants, picked(plants[~gone], {"B": 0.5, "C": 1.0}, DAYS)))

    def test_one_variety_bears_nothing(self):
        plants = bed("ABC")
        found = _everything(records(plants, picked(plants, {"A": 0.5, "B": 1.0, "C": 0.0}, DAYS)))
        assert found.analysis.pods.of("C")["estimate"] == 0
        note = next(n for n in found.analysis.pods.notes if n.startswith("C gave no pods"))
        nothing, check = found.analysis.pods.of("C"), found.analysis.pods.of("A")
        assert nothing["low"] == 0
        assert 0 < nothing["high"] < check["estimate"]
        # every plant-day of C without a pod: the exact limit of a Poisson count is the least it
        # can be, plots and dates that differ add to it
        looks = found.analysis.pods.looks
        days = looks.loc[looks["variety"] == "A", "days"].sum()
        assert nothing["high"] > 7 * stats.chi2.ppf(0.975, 2) / 2 / days
        assert re.search(r"very likely under [\d.]+ pods a plant a week, or .* of A's", note)

    def test_no_check(self):
        plants = bed("ABC")
        found = _everything(records(plants, picked(plants, {"A": 0.4, "B": 1.2, "C": 0.4}, DAYS),
                                    check=None))
        assert re.match(r"By \d+ \w+ B had given ", found.verdict.answer)

    @pytest.mark.slow
    def test_thirty_varieties(self):
        names = [f"V{i:02d}" for i in range(30)]
        plants = bed(names, blocks=3, plants=2)
        rates = dict.fromkeys(names, 0.6)
        found = _everything(records(plants, picked(plants, rates, DAYS), check="V00"))
        assert found.verdict.state != "settled"

    def test_no_place_no_block_no_plot(self):
        plants = bed("ABC").assign(block=pd.NA, plot=pd.NA, row=np.nan, column=np.nan)
        picks = picked(bed("ABC"), {"A": 0.4, "B": 1.2, "C": 0.4}, DAYS)
        found = _everything(records(plants, picks))
        assert isinstance(found.analysis.position, Missing)

    def test_heights_on_one_day(self):
        plants = bed("AB")
        found = _everything(records(plants, heights=grown(plants, {"A": 200.0, "B": 150.0}, [30])))
        height = found.analysis.height
        assert height.supported
        assert height.growth["estimate"].isna().all()

    def test_equal_harvest_weights(self):
        plants = bed("AB")
        dug = pd.DataFrame({"date": day(90), "plant": plants["plant"], "weight_g": 100.0})
        found = _everything(records(plants, harvest=dug))
        assert found.verdict.state != "settled"
