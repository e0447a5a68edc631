"""A fault in one trait costs that trait alone; every estimate lies inside its own limits."""

from __future__ import annotations

import logging
from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, grown, picked, records

from trialkit.models import Missing, analyse
from trialkit.models import analysis as analysis_module
from trialkit.models.results import compare, dunnett

DAYS = [50, 54, 57, 61, 64, 68, 71, 75]
RATES = {"A": 0.8, "B": 1.2, "C": 0.6}


def whole_season(seed=1, **kwargs):
    plants = bed("ABC", blocks=4, plants=3)
    plants.loc[plants["plant"].isin(["1-2", "2-4", "3-3"]), "lost"] = day(63)
    picks = picked(plants, RATES, DAYS, seed=seed)
    picks["weight_g"] = picks["count"] * 7.0 + (picks["count"] > 0) * (picks.index % 5)
    heights = grown(plants, {"A": 190.0, "B": 230.0, "C": 150.0}, [20, 30, 40, 50, 60, 70])
    return records(plants, picks, heights, reach=180.0, threshold=3.0, **kwargs)


ERRORS = (KeyError("across"), ValueError("f(a)"), RuntimeError(), ZeroDivisionError("0"),
          AssertionError(), TypeError("x"))  # fmt: skip
WORKS = ("pods_trait", "height_trait", "position_trait", "stand_trait", "rate_trait",
         "window_trait", "season_trait", "picking_trait", "harvest_trait", "weights_trait",
         "diagnose")  # fmt: skip


# Every trait once and every kind of error once, not each with each; with every change those that
# others read, and the diagnostics.
READ = {"pods_trait", "height_trait", "season_trait", "harvest_trait", "diagnose"}


@pytest.mark.parametrize(("work", "error"), [
    *(pytest.param(work, error, marks=() if work in READ else pytest.mark.slow)
      for work, error in zip(WORKS, (ERRORS * 2)[: len(WORKS)], strict=True)),
    *(pytest.param("pods_trait", error, marks=pytest.mark.slow) for error in ERRORS[1:]),
])
def test_no_exception_of_a_trait_costs_another(work, error, monkeypatch, caplog):
    def fault(*_args, **_kwargs):
        raise error

    monkeypatch.setattr(analysis_module, work, fault)
    found = analyse(whole_season())
    with caplog.at_level(logging.ERROR):
        traits = found.traits
        found.diagnostics  # noqa: B018
    faulty = [t for t in traits.values() if isinstance(t, Missing) and t.fault]
    if work == "diagnose":
        assert "could not be worked out" in found.diagnostics.remarks[0]
        assert not faulty
    else:
        assert len(faulty) == 1
        assert "could not be worked out" in faulty[0].reason
        assert type(error).__name__ in faulty[0].fault
    told = [r for r in caplog.records if "fault of the program" in r.getMessage()]
    assert len(told) == 1
    assert told[0].exc_info is not None
    assert type(error).__name__ in told[0].getMessage()


def test_a_fault_reaches_the_notebook(tmp_path):
    """Without a handler the trace goes to standard error, which a notebook shows below its cell."""
    import subprocess
    import sys

    code = ("from trialkit.models.analysis import _tried\n"
            "print(_tried('pods', lambda: {}['across']).reason)")
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                         cwd=tmp_path)
    assert "it could not be worked out: a fault of the program (KeyError: 'across')" in run.stdout
    assert "fault of the program" in run.stderr
    assert "Traceback" in run.stderr


def test_a_row_that_is_one_with_a_variety():
    """D alone in the last row: across the rows is one with it, along the rows is not."""
    plants = bed("ABC", blocks=4, plants=3)
    last = pd.DataFrame({"plant": [f"5-{i}" for i in range(1, 10)], "variety": "D", "row": 5.0,
                         "column": np.arange(1.0, 10)})
    last["plot"] = [f"5{(i - 1) // 3}" for i in range(1, 10)]
    last["block"] = [str((i - 1) // 3 + 1) for i in range(1, 10)]
    plants = pd.concat([plants.assign(row=1.0 + plants["row"] % 2), last.assign(row=3.0)])
    plants = plants.astype({"lost": "datetime64[ns]"}).reset_index(drop=True)
    plants["block"] = np.where(plants["variety"] == "D", plants["block"], plants["block"])
    season = records(plants, picked(plants, RATES | {"D": 1.0}, DAYS))
    found = analyse(season).position
    assert isinstance(found, Missing) or not found.trend.isna().any(axis=None)
    assert not (isinstance(found, Missing) and found.fault)


def test_heights_left_blank_above_reach():
    """The tall one is no longer read once above reach; nothing fails, and its curve ends there."""
    season = whole_season()
    heights = season.heights
    about = season.plants.set_index("plant")["variety"]
    tall = heights["plant"].map(about).eq("B") & (heights["date"] > day(50))
    found = analyse(replace(season, heights=heights[~tall].reset_index(drop=True))).height
    assert found.supported
    ends = found.curve.groupby("variety")["date"].max()
    assert ends["B"] == day(50)
    assert ends["A"] == day(70)
    assert found.curve["estimate"].between(0, 300).all()
    assert f"{day(50):%-d %B}" in found.label
    assert any("B on" in note for note in found.notes)
    assert found.growth.groupby("variety")["date"].max()["B"] == day(50)


def test_only_the_check_varies():
    """Comparisons with the check are then one and the same: the t interval of one."""
    covariance = np.zeros((3, 3))
    covariance[0, 0] = 2.0
    found = compare(["A", "B", "C"], np.array([1.0, 3.0, 5.0]), covariance, 6.0, "A", False)
    half = found.against_check["high"] - found.against_check["estimate"]
    assert half.to_numpy() == pytest.approx(2.446912 * np.sqrt(2.0), abs=1e-5)  # t(6), 97.5 %


@pytest.mark.parametrize("closeness", [0.99, 0.9995, 0.99995, 0.9999999, 1.0])
@pytest.mark.parametrize("count", [2, 3, 6])
def test_comparisons_nearly_one_have_an_interval(closeness, count):
    joint = np.full((count, count), closeness)
    np.fill_diagonal(joint, 1.0)
    p, half = dunnett(np.full(count, 1.0), np.ones(count), joint, 8.0)
    assert (half >= 2.306 - 1e-3).all()  # t(8), 97.5 %
    assert (half < 2.5).all()
    assert np.isfinite(p).all()


def test_a_height_measured_once():
    """One day: the plots' means by analysis of variance, by a general library."""
    import statsmodels.formula.api as smf

    season = whole_season()
    once = season.heights[season.heights["date"] == day(60)].reset_index(drop=True)
    found = analyse(replace(season, heights=once)).height
    assert found.supported
    plants = season.plants.set_index("plant")
    plots = once.assign(variety=once["plant"].map(plants["variety"]),
                        plot=once["plant"].map(plants["plot"]),
                        block=once["plant"].map(plants["block"]))
    plots = plots.groupby("plot").agg(variety=("variety", "first"), block=("block", "first"),
                                      height=("height_cm", "mean"))
    peer = smf.ols("height ~ variety + block", plots).fit()
    gap = found.against_check.set_index("variety")["estimate"]
    assert gap["B"] == pytest.approx(peer.params["variety[T.B]"], abs=0.2)
    assert found.growth["estimate"].isna().all()
    assert len(found.curve) == 3


def triples(frame):
    """(name, estimate, low, high) of every estimate in a frame that has limits of its own."""
    columns = set(frame.columns)
    for low in [c for c in frame.columns if c == "low" or c.endswith("_low")]:
        high = low.replace("low", "high")
        stem = low.removesuffix("_low") if low != "low" else ""
        names = [stem] if stem else ["estimate", "mean", "share", "ratio", "date", "depth"]
        for name in names:
            if name in columns and high in columns:
                yield name, frame[name], frame[low], frame[high]
                break


def outside(trait):
    """The estimates outside their limits, by frame and column."""
    bad = []
    for one in fields(trait):
        frame = getattr(trait, one.name)
        if isinstance(frame, pd.DataFrame):
            for name, value, low, high in triples(frame):
                known = value.notna()
                slack = 0.0 if value.dtype.kind == "M" else 1e-9 * value.abs().fillna(0) + 1e-9
                if value.dtype.kind == "M":
                    wrong = known & ((low.notna() & (value.dt.floor("D") < low.dt.floor("D")))
                                     | (high.notna() & (value.dt.floor("D") > high.dt.floor("D"))))
                else:
                    wrong = known & ((value < low - slack) | (value > high + slack))
                bad += [f"{trait.__class__.__name__}.{one.name}.{name}: {frame.loc[i].to_dict()}"
                        for i in frame.index[wrong.fillna(False)]]
        elif hasattr(frame, "__dataclass_fields__") and not isinstance(frame, type):
            bad += outside(frame) if one.name in ("grading", "ready", "places") else []
    return bad


@pytest.mark.parametrize("seed", [
    0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (1, 2, 3))])
def test_every_estimate_of_every_trait_lies_inside_its_limits(seed):
    season = whole_season(seed)
    rng = np.random.default_rng(seed)
    weather = pd.DataFrame({"date": [day(d) for d in range(40, 80)], "low_c": 18.0,
                            "high_c": [36.0 if 56 <= d <= 60 else 25.0 for d in range(40, 80)]})
    rows = []
    for plant, variety in zip(season.plants["plant"], season.plants["variety"], strict=True):
        weight = rng.normal(400, 150) + 200 * (variety == "B")
        rows.append((day(88 + int(rng.integers(3)) * 7), plant, max(weight, 20.0), np.nan, None))
    dug = pd.DataFrame(rows, columns=["date", "plant", "weight_g", "count", "grade"])
    season = replace(season, weather=weather, harvest=dug)
    bad = [line for trait in analyse(season).traits.values() if not isinstance(trait, Missing)
           for line in outside(trait)]
    assert bad == []


@pytest.mark.parametrize("seed", [
    0, 1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(2, 6))])
def test_every_share_of_a_grade_lies_inside_its_limits(seed):
    rng = np.random.default_rng(seed)
    plants = bed("ABC", blocks=5, plants=1)
    rows = []
    for row in plants.itertuples(index=False):
        eta = {"A": 0.0, "B": 2.5, "C": -2.0}[row.variety] + rng.normal(0, 0.5)
        counts = np.histogram(eta + rng.logistic(size=25), [-99, -1.5, 0.0, 1.5, 99])[0]
        rows += [(day(90), row.plant, np.nan, float(k), str(g)) for g, k in enumerate(counts, 1)]
    dug = pd.DataFrame(rows, columns=["date", "plant", "weight_g", "count", "grade"])
    found = analyse(records(plants, harvest=dug)).harvest
    assert found.grading.shares["low"].notna().all()
    assert outside(found) == []
