"""Unusable input is refused in words: which column, what is wrong, what to do.

Every case runs with warnings as errors, so nothing is printed from inside numpy or scipy.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.mixed import MixedModelError, fit_glmm, fit_lmm

pytestmark = pytest.mark.filterwarnings("error")


def bed() -> pd.DataFrame:
    """Three varieties in four blocks, three plants a plot."""
    rng = np.random.default_rng(1)
    rows = [(v, b, k) for v in "ABC" for b in ("b1", "b2", "b3", "b4") for k in range(3)]
    data = pd.DataFrame(rows, columns=["variety", "block", "place"])
    data["plot"] = data["variety"] + data["block"]
    data["day"] = np.arange(len(data)) % 5 * 1.0
    data["height"] = 10.0 + rng.normal(size=len(data))
    data["pods"] = rng.poisson(5.0, len(data))
    data["log_days"], data["w"], data["alive"] = 0.3, 1.0, rng.integers(0, 2, len(data))
    return data


def spoilt(column: str, value: object, at: int = 4) -> pd.DataFrame:
    data = bed()
    data[column] = data[column].astype(object if isinstance(value, str) or value is None else float)
    data.loc[at, column] = value
    return data


def filled(column: str, value: object) -> pd.DataFrame:
    return bed().assign(**{column: value})


def lmm(formula: str = "height ~ variety", data: Any = None, **more: Any) -> Any:
    return fit_lmm(formula, bed() if data is None else data, **({"groups": ["block"]} | more))


def counts(data: Any = None, family: Any = "negative-binomial", **more: Any) -> Any:
    return fit_glmm("pods ~ variety", bed() if data is None else data, family,
                    **({"groups": ["block"]} | more))


BAD = {
    "blank response": (lambda: lmm(data=spoilt("height", np.nan)),
                       r"response 'height' is blank in 1 of 36 records \(first: record 4\)"),
    "blank factor": (lambda: lmm(data=spoilt("variety", None)), "variable 'variety' is blank"),
    "blank grouping": (lambda: lmm(data=spoilt("block", None)), "grouping factor 'block' is blank"),
    "blank covariate": (lambda: lmm("height ~ day", spoilt("day", np.nan)), "'day' is blank in 1"),
    "blank slope": (lambda: lmm(data=spoilt("day", np.nan), slopes={"block": ["day"]}),
                    "slope 'day' is blank"),
    "infinite response": (lambda: lmm(data=spoilt("height", np.inf)), "'height' is infinite in 1"),
    "infinite covariate": (lambda: lmm("height ~ day", spoilt("day", -np.inf)), "'day' is infini"),
    "infinite slope": (lambda: lmm(data=spoilt("day", np.inf), slopes={"block": ["day"]}),
                       "slope 'day' is infinite"),
    "text response": (lambda: lmm(data=spoilt("height", "tall")),
                      "'height' must hold numbers.*'tall'"),
    "text covariate": (lambda: lmm("height ~ day", spoilt("day", "late")),
                       "'day' mixes numbers and text .record 4 holds 'late'"),
    "values for a grouping": (lambda: lmm(groups=bed()["plot"]),
                              r"groups names columns of the data: write \['plot'\]"),
    "slopes among groups": (
        lambda: lmm(groups=["block", "day | plot"]),
        r"holds 'day \| plot'; .* groups=\['block'\], slopes={'plot': \['day'\]}\.$"),
    "slopes alone among groups": (lambda: lmm(groups=["0 + day | plot"]),
                                  r"beside it: slopes={'plot': \['0', 'day'\]}\.$"),
    "an intercept and slopes without covariance": (
        lambda: lmm(groups=["1 | plot", "0 + day | plot"]),
        r"beside it: slopes={'plot': \['day'\]}, uncorrelated=\['plot'\]\.$"),
    "two bars": (lambda: lmm(groups=["day || plot"]),
                 r"slopes={'plot': \['day'\]}, uncorrelated=\['plot'\]\.$"),
    "bars in the formula": (
        lambda: lmm("height ~ variety + (1 | block/plot) + (0 + day | date)"),
        r"'height ~ variety', groups=\['block', 'block:plot'\], slopes={'date': \['0', 'day'\]}"),
    "nothing but bars": (lambda: lmm("height ~ (1|block)"),
                         r"'height ~ 1', groups=\['block'\]\.$"),
    "offset in the formula": (lambda: lmm("height ~ variety + offset(day)"),
                              "holds offset.*offset='column' of fit_glmm"),
    "contrasts without order": (
        lambda: lmm("height ~ C(variety, {'B less A': {'A': -1, 'B': 1}})"),
        "cannot be evaluated.*a number for each level, in the order of the levels"),
    "dates": (lambda: lmm("height ~ day", filled("day", pd.Timestamp("2020-01-01"))),
              "'day' holds dates; turn it into a number"),
    "complex": (lambda: lmm(data=filled("height", 1j)), "'height' must hold numbers"),
    "logarithm of zero": (lambda: lmm("log(pods) ~ variety", spoilt("pods", 0.0)),
                          r"'log\(pods\)' is infinite or undefined in"),
    "logarithm in a term": (lambda: lmm("height ~ log(day)"), r"fixed effects log\(day\) hold inf"),
    "one variety": (lambda: lmm(data=filled("variety", "A")), "'variety' has one level .'A'"),
    "one block": (lambda: lmm(data=filled("block", "b1")), "'block' has one level .'b1'"),
    "n <= p": (lambda: lmm(data=bed().groupby("variety").head(1), groups=[]),
               "3 records cannot estimate 3 fixed effects"),
    "constant": (lambda: lmm(data=filled("height", 5.0)), "'height' is constant .every rec"),
    "all zero": (lambda: lmm(data=filled("height", 0)), "'height' is constant .every record is 0"),
    "exact": (lambda: lmm(data=filled("height", bed()["variety"].map({"A": 1., "B": 2., "C": 4.}))),
              "reproduce 'height' exactly"),
    "too large": (lambda: lmm(data=filled("height", bed()["height"] * 1e300)),
                  "'height' reaches .* other units"),
    "unknown variety": (lambda: lmm("height ~ vareity"), "'vareity'.*Did you mean 'variety'"),
    "unknown response": (lambda: lmm("hight ~ variety"), "response 'hight'.*mean 'height'"),
    "unknown group": (lambda: lmm(groups=["blok"]), "grouping factor 'blok'.*mean 'block'"),
    "unknown in pair": (lambda: lmm(groups=["block:vriety"]), "'vriety'.*Did you mean 'variety'"),
    "unknown slope": (lambda: lmm(slopes={"block": ["dya"]}), "slope 'dya'.*mean 'day'"),
    "unknown weights": (lambda: lmm(weights="ww"), "weights 'ww'.*mean 'w'"),
    "unknown offset": (lambda: counts(offset="logdays"), "offset 'logdays'.*mean 'log_days'"),
    "aliased groups": (lambda: lmm(data=filled("rep", bed()["block"].str.upper()),
                                   groups=["block", "rep"]), "'block' and 'rep' are aliased"),
    "aliased pair": (lambda: lmm(groups=["plot", "variety:block"]),
                     "'plot' and 'variety:block' are aliased"),
    "aliased factors": (lambda: lmm("height ~ variety + kind",
                                    filled("kind", bed()["variety"].str.lower())),
                        "'variety' and 'kind' are aliased.*Keep one"),
    "no replication": (lambda: lmm(groups=["variety"]),
                       "'variety' is aliased with the fixed effects"),
    "plots as fixed cells": (lambda: lmm("height ~ variety * block", groups=["plot"]),
                             "'plot' is aliased with the fixed effects"),
    "count plots as fixed cells": (lambda: counts(groups=["variety"]), "'variety' is aliased with"),
    "group a record": (lambda: lmm(data=filled("tag", range(36)), groups=["tag"]),
                       "'tag' has 36 effects for 36 records"),
    "groups as text": (lambda: lmm(groups="block"), r"groups must be a list.*\['block'\]"),
    "slopes as text": (lambda: lmm(slopes={"block": "day"}), r"slopes of 'block'.*\['day'\]"),
    "constant slope": (lambda: lmm(data=filled("day", 2.0), slopes={"block": ["day"]}),
                       "slope 'day' is 2 in every record"),
    "method": (lambda: lmm(method="mle"), "method='mle' is not one of: reml, ml"),
    "count method": (lambda: counts(method="mle"), "method='mle' is not one of: ml, reml"),
    "family": (lambda: counts(family="gamma"), "family 'gamma' is not one of: poisson"),
    "negative": (lambda: counts(spoilt("pods", -1)), r"'pods' holds -1 \(record 4\)"),
    "fraction": (lambda: counts(spoilt("pods", 2.5)), "'pods' holds 2.5 .*whole numbers"),
    "no pods": (lambda: counts(filled("pods", 0)), "'pods' is zero in every record"),
    "no pods, Poisson": (lambda: counts(filled("pods", 0), "poisson"), "zero in every record"),
    "blank count": (lambda: counts(spoilt("pods", np.nan)), "'pods' is blank"),
    "weight zero": (lambda: lmm(data=spoilt("w", 0.0), weights="w"),
                    "weights 'w' must be above zero; record 4 is 0"),
    "weight negative": (lambda: lmm(data=spoilt("w", -2.0), weights="w"), "record 4 is -2"),
    "weight blank": (lambda: lmm(data=spoilt("w", np.nan), weights="w"), "weights 'w' is blank"),
    "weights short": (lambda: lmm(weights=np.ones(3)), "weights has 3 values for 36 records"),
    "offset blank": (lambda: counts(spoilt("log_days", np.nan), offset="log_days"),
                     "offset 'log_days' is blank"),
    "offset infinite": (lambda: counts(spoilt("log_days", -np.inf), offset="log_days"),
                        "offset 'log_days' is infinite"),
    "offset short": (lambda: counts(offset=np.zeros(3)), "offset has 3 values for 36 records"),
    "count weights": (lambda: counts(weights="w"), "only family 'binomial' has them"),
    "two of one": (lambda: counts(filled("pods", 2), "binomial"), "holds 2 .*takes 0 or 1"),
    "always": (lambda: counts(filled("pods", 1), "binomial"), "is 1 in every record"),
    "no trials": (lambda: counts(spoilt("w", 0.0).assign(pods=bed()["alive"]), "binomial",
                                 weights="w"), "whole numbers of trials from 1; record 4 is 0"),
    "residual_sd": (lambda: lmm(residual_sd=0.0), "residual_sd=0 must be a number above zero"),
    "no records": (lambda: lmm(data=bed().iloc[:0]), "hold no records"),
    "not a frame": (lambda: lmm(data={"height": [1.0]}), "must be a pandas DataFrame, not dict"),
    "twice the same column": (lambda: lmm(data=pd.concat([bed(), bed()[["height"]]], axis=1)),
                              "'height' stands for 2 columns"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_refused_in_words(case: str) -> None:
    call, words = BAD[case]
    with pytest.raises(MixedModelError, match=words):
        call()


@pytest.mark.parametrize(
    "formula",
    ["", "height variety", "~ variety", "height ~", "height ~ variety ~ block", "height ~ (variety",
     "height ~ variety +", "height ~ variety * * block", "height ~ C(variety", "height ~ 0",
     "height + pods ~ variety", "height ~ (1|block)", "height ~ .", "C(variety) ~ day",
     "height ~ variety, block", "height ~ {day/0}", "height ~ variety[", None],
)  # fmt: skip
def test_formulas_that_cannot_be_read(formula: Any) -> None:
    with pytest.raises(MixedModelError) as refusal:
        lmm(formula)
    assert "\x1b" not in str(refusal.value)
    assert "\n" not in str(refusal.value)


QUESTIONS: dict[str, tuple[Callable[[Any], Any], str]] = {
    "term": (lambda m: m.f_test("colour"), "'colour' is not a term.*variety"),
    "factor": (lambda m: m.means("colour"), "'colour' is not a factor.*variety"),
    "by": (lambda m: m.means("variety", by="variety"), "is the factor itself"),
    "df": (lambda m: m.contrast([0, 1, 0], df="kr"), "df='kr' is not one of"),
    "df zero": (lambda m: m.contrast([0, 1, 0], df=0), "df='0' is not one of"),
    "df negative": (lambda m: m.means("variety", df=-3), "df='-3' is not one of"),
    "df of a test": (lambda m: m.f_test("variety", df="zz"), "df='zz' is not one of"),
    "df of pairs": (lambda m: m.compare("variety", df="zz"), "df='zz' is not one of"),
    "level": (lambda m: m.means("variety", level=95), "level=95 must lie between 0 and 1"),
    "level one": (lambda m: m.compare("variety", level=1.0), "level=1 must lie between"),
    "width": (lambda m: m.contrast([0, 1]), "needs 3 columns .Intercept.*this one has 2"),
    "words": (lambda m: m.contrast(["a", "b", "c"]), "must be numbers"),
    "ragged": (lambda m: m.contrast([[0, 1, 0], [1.0]]), "must be numbers"),
    "blank": (lambda m: m.contrast([0, np.nan, 0]), "finite numbers"),
    "against": (lambda m: m.compare("variety", against="Z"), "'Z' is not a level.*A, B, C"),
    "letters": (lambda m: m.compare("variety", against="A").letters(), "letters need all pairs"),
    "residuals": (lambda m: m.residuals("odd"), "kind 'odd'"),
    "new level": (lambda m: m.predict(pd.DataFrame({"variety": ["Z"]})), "not seen: Z"),
    "new column": (lambda m: m.predict(pd.DataFrame({"day": [1.0]})), "'variety' is not a column"),
}


@pytest.mark.parametrize("kind", ["linear", "counts"])
@pytest.mark.parametrize("case", QUESTIONS)
def test_questions_refused_in_words(case: str, kind: str) -> None:
    ask, words = QUESTIONS[case]
    model = lmm() if kind == "linear" else counts()
    with pytest.raises(MixedModelError, match=words):
        ask(model)


def test_kenward_roger_is_refused_where_it_does_not_hold() -> None:
    with pytest.raises(MixedModelError, match="Kenward-Roger needs method='reml'"):
        lmm(method="ml").means("variety")
    with pytest.raises(MixedModelError, match="df='kenward-roger' is not one of: asymptotic"):
        counts().means("variety", df="kenward-roger")
    with pytest.raises(MixedModelError, match="scale='raw'"):
        counts().predict(scale="raw")


def test_a_level_without_a_single_pod_is_named_where_a_refusal_is_asked_for() -> None:
    data = bed()
    data.loc[data["variety"] == "A", "pods"] = 0
    with pytest.raises(MixedModelError, match=r"separated \(variety A\): every record there"):
        counts(data, method="reml", separated="error")


def empty_cell() -> pd.DataFrame:
    data = bed()
    data["patch"] = data["place"]
    return data[~((data["variety"] == "A") & (data["block"] == "b1"))]


def test_an_inestimable_mean_is_never_a_number() -> None:
    model = fit_lmm("height ~ variety * block", empty_cell(), groups=["patch"])
    means = model.means("variety").set_index("variety")
    assert means.loc["A", ["estimate", "se", "low", "high"]].isna().all()
    assert "no data on this combination" in means.loc["A", "reason"]
    assert (means.loc[["B", "C"], "reason"] == "").all()
    pairs = model.compare("variety").table.set_index(["left", "right"])
    assert pairs.loc[("A", "B"), ["estimate", "p", "low"]].isna().all()
    assert np.isfinite(pairs.loc[("B", "C"), "estimate"])
    assert model.dropped
    with pytest.raises(MixedModelError, match="some pairs are not estimable"):
        model.compare("variety").letters()
    zero = model.contrast(np.zeros(len(model.part.names))).iloc[0]
    assert np.isnan(zero["estimate"])
    assert "zero" in zero["reason"]


def test_the_part_of_an_interaction_that_can_be_tested_does_not_hang_on_names() -> None:
    """With one of twelve cells empty, five of the six interaction contrasts remain."""
    renamed = empty_cell().replace({"variety": {"A": "Z"}, "block": {"b1": "b9"}})
    found = [
        fit_lmm("height ~ variety * block", data, groups=["patch"]).f_test("variety:block")
        for data in (empty_cell(), renamed)
    ]
    assert found[0]["num_df"] == found[1]["num_df"] == 5
    assert found[0]["F"] == pytest.approx(found[1]["F"], rel=1e-6)
    assert found[0]["den_df"] == pytest.approx(found[1]["den_df"], rel=1e-6)


def test_tables_too_large_for_the_machine_are_refused_before_they_are_made(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lmm(groups=["plot", "block"])
    monkeypatch.setattr("trialkit.mixed.crossproducts._memory", lambda: 1000.0)
    with pytest.raises(MixedModelError, match=r"groupings plot \(12\), block \(4\) need about"):
        lmm(groups=["plot", "block"])


@pytest.mark.parametrize(
    ("bars", "effects", "shared"),
    [
        (["0 + day | plot"], {"plot": ["day"]}, ()),
        (["day | plot", "block"], {"plot": ["Intercept", "day"], "block": ["Intercept"]}, ()),
        (["1 | plot", "0 + day | plot"], {"plot": ["Intercept", "day"]}, ((0,), (1,))),
    ],
)
def test_what_the_hint_says_to_write_is_what_was_meant(bars, effects, shared) -> None:
    made = bed()
    with pytest.raises(MixedModelError) as refusal:
        fit_lmm("height ~ variety", made, groups=bars)
    call = str(refusal.value).split("beside it: ")[1].rstrip(".")
    fit = eval(f"fit_lmm('height ~ variety', made, {call})")
    named = {g.name: g for g in fit.random.groupings}
    assert {name: list(g.columns) for name, g in named.items()} == effects
    assert named["plot"].shared == shared
