"""Stage 1: a trial's means with their covariance; a folder that fails says why and no more."""

from __future__ import annotations

import pickle
import shutil
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from season_trials import first

from trialkit.decide import conclude
from trialkit.gardens.season import combine, season
from trialkit.gardens.stage_one import Failed, TrialMeans, trial_means
from trialkit.models import analyse
from trialkit.records import read_records

DATA = Path(__file__).parents[2] / "data"


@pytest.fixture(scope="module")
def beans() -> TrialMeans:
    found = trial_means(DATA / "beans")
    assert isinstance(found, TrialMeans)
    return found


def test_a_yield_is_what_the_trials_own_answer_compares(beans):
    """Pods a plant planted: the ratios of the report, with the error of its plots."""
    own = conclude(read_records(DATA / "beans"))
    ratio = own.table.set_index("variety")["ratio"].astype(float)
    level = dict(zip(beans.varieties, beans.estimates, strict=True))
    for name in beans.varieties:
        assert np.exp(level[name] - level["Tallow Lane"]) == pytest.approx(ratio[name])
    gave = own.table.set_index("variety")["gave"].astype(float)
    assert np.exp(beans.estimates) == pytest.approx(gave[list(beans.varieties)], rel=0.03)
    assert (beans.scale, beans.replicated, beans.answers) == ("log", True, "yield")
    assert beans.df == 12
    assert (beans.check, beans.blocks, beans.year) == ("Tallow Lane", 4, 2025)
    assert beans.own is not None
    assert "Quarterbell" in beans.own.answer


def test_rates_of_living_plants_are_to_be_had_by_their_name():
    pods = analyse(read_records(DATA / "beans")).pods
    rates = trial_means(DATA / "beans", trait="pods", words=False)
    means = pods.means.set_index("variety")
    assert np.exp(rates.estimates) == pytest.approx(means.loc[list(rates.varieties), "estimate"])
    assert rates.covariance == pytest.approx(pods.covariance)


def test_it_pickles_and_is_small(beans):
    packed = pickle.dumps(beans)
    assert len(packed) < 5_000
    again = pickle.loads(packed)
    assert again.varieties == beans.varieties
    assert np.array_equal(again.estimates, beans.estimates)


def test_oats_differences_have_the_published_error():
    """Yates's oats: the standard error of a difference of two variety means is 7.079, that of
    the main plots' mean square 601.33 (Venables & Ripley, MASS, section 10.2)."""
    oats = trial_means(DATA / "oats-1935", words=False)
    c = oats.covariance
    assert np.sqrt(c[0, 0] + c[1, 1] - 2 * c[0, 1]) == pytest.approx(7.079, abs=5e-4)
    assert (oats.scale, oats.df, oats.own) == ("linear", 10, None)


def test_one_plot_a_variety_has_no_error_of_its_own():
    morris = trial_means(DATA / "barley-minnesota" / "morris-1931", words=False)
    assert morris.covariance is None
    assert np.isnan(morris.df)
    assert not morris.replicated
    assert "one plot" in morris.why_not
    assert dict(zip(morris.varieties, morris.estimates, strict=True))["Trebi"] == pytest.approx(
        43.76667)


def test_asking_for_what_was_not_recorded_is_a_failure_with_its_reason():
    found = trial_means(DATA / "beans", trait="harvest")
    assert isinstance(found, Failed)
    assert found.folder == "beans"
    assert "dug or cut" in found.reason
    found = trial_means(DATA / "beans", trait="height")
    assert isinstance(found, Failed)
    assert "there are auto, yield, within reach, early, pods, harvest" in found.reason


def test_until_leaves_out_what_came_later(beans):
    early = trial_means(DATA / "beans", until=date(2025, 7, 20), words=False)
    assert isinstance(early, TrialMeans)
    assert not np.allclose(early.estimates, beans.estimates)


@pytest.mark.slow
def test_folders_that_fail_do_not_stop_the_others(tmp_path):
    broken = tmp_path / "broken"
    shutil.copytree(DATA / "beans", broken)
    picks = broken / "picks.csv"
    picks.write_text(picks.read_text() + "2025-07-99,nobody,many,\n")
    untold = tmp_path / "untold"
    shutil.copytree(DATA / "beans", untold)
    (untold / "trial.toml").write_text("title = [", encoding="utf-8")
    (tmp_path / "empty").mkdir()
    answer = season([broken, DATA / "beans", tmp_path / "empty", untold, tmp_path / "not-there"])
    assert [one.folder for one in answer.trials] == ["beans"]
    reasons = {one.folder: one.reason for one in answer.failed}
    assert set(reasons) == {"broken", "empty", "untold", "not-there"}
    assert "2025-07-99" in reasons["broken"]
    assert "trial.toml" in reasons["empty"]
    assert answer.supported


def test_a_fault_in_one_folder_is_reported_and_the_rest_goes_on(monkeypatch):
    from trialkit.gardens import stage_one

    def read(folder, until=None):
        if folder.name == "beans":
            raise RuntimeError("out of luck")
        return read_records(folder, until=until)

    monkeypatch.setattr(stage_one, "read_records", read)
    answer = season([DATA / "beans", DATA / "barley-minnesota" / "morris-1931"])
    assert answer.failed == (Failed("beans", "a fault in trialkit: RuntimeError: out of luck"),)
    assert len(answer.trials) == 1


def test_another_mapper_gives_the_same_answer():
    folders = sorted((DATA / "barley-minnesota").iterdir())[:3]
    seen = []

    def mapper(work, places):
        seen.extend(places)
        return [pickle.loads(pickle.dumps(pickle.loads(pickle.dumps(work))(p))) for p in places]

    one, other = season(folders), season(folders, mapper=mapper)
    assert seen == folders
    assert one.overall.equals(other.overall)
    assert one.answer == other.answer


def test_a_variety_that_gave_nothing_is_named_as_barren(tmp_path, beans):
    import pandas as pd

    folder = tmp_path / "beans"
    shutil.copytree(DATA / "beans", folder)
    plants = pd.read_csv(folder / "plants.csv", dtype=str).set_index("plant")["variety"]
    picks = pd.read_csv(folder / "picks.csv", dtype=str, keep_default_na=False)
    bare = picks["plant"].map(plants).eq("Thimblerow") & picks["count"].ne("")
    picks.loc[bare, "count"] = "0"
    picks.to_csv(folder / "picks.csv", index=False)
    found = trial_means(folder, words=False)
    assert isinstance(found, TrialMeans)
    assert found.barren == ("Thimblerow",)
    assert "Thimblerow" not in found.varieties
    assert beans.barren == ()


POUND = 453.59237
"""Grams, exactly (international yard and pound agreement, 1959)."""


def weighed_trials(*units: str):
    rng = np.random.default_rng(4)
    joint = 900.0 * np.eye(3) + 400.0
    return [first(rng.normal([900, 1000, 1200], 40), joint, name=f"t{n}", garden=f"G{n}",
                  scale="linear", weight_unit=unit) for n, unit in enumerate(units)]


def test_one_unit_of_all_is_that_of_the_season():
    grams, pounds = combine(weighed_trials(*["g"] * 5)), combine(weighed_trials(*["lb"] * 5))
    assert (grams.unit, pounds.unit) == ("g", "lb")
    columns = ["estimate", "low", "high", "new_low", "new_high"]
    pd.testing.assert_frame_equal(pounds.overall[columns] * POUND, grams.overall[columns],
                                  rtol=1e-4)
    assert pounds.overall["df"].tolist() == pytest.approx(grams.overall["df"].tolist(), rel=1e-3,
                                                        nan_ok=True)
    assert "V2 gave 0.66 lb (0.49 to 0.84) more than V0" in pounds.answer
    assert " g " not in pounds.answer


def test_gardens_that_weigh_in_different_units_are_told_in_grams():
    mixed = combine(weighed_trials("lb", "g", "oz", "lb", "kg"))
    assert mixed.unit == "g"
    assert mixed.overall["estimate"].tolist() == pytest.approx(
        combine(weighed_trials(*["g"] * 5)).overall["estimate"].tolist())
