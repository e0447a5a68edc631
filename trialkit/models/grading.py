"""Grades of a harvest: the share of each grade by variety."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from trialkit.mixed import MixedModelError, fit_glmm
from trialkit.models.support import design_df

GRADES = ["variety", "grade", "count", "share", "low", "high", "p"]


def grade_shares(table: pd.DataFrame, data: pd.DataFrame, supported: bool) -> pd.DataFrame:
    """Share of each grade by variety: variety, grade, count, share, low, high, p.

    table: the harvest, with plant, grade, count (a row without a count is one piece).  data:
    what was harvested, with plant, variety, unit, block.  Each grade against the rest by a
    binomial mixed model with blocks and units random, so that pieces of one plot, which go
    together, do not pass for independent ones.  p: of no difference between varieties in that
    grade (F on the layout's df).  low, high, p are NaN where `supported` is False or the model
    cannot be fitted; share is then plain.
    """
    graded = table.dropna(subset=["grade"])
    if graded.empty:
        return pd.DataFrame({name: pd.Series(dtype=float) for name in GRADES})
    graded = graded.merge(data[["plant", "variety", "unit", "block"]], on="plant")
    graded = graded.assign(count=graded["count"].fillna(1.0))
    keys = ["variety", "unit", "block"]
    counts = graded.pivot_table(index=keys, columns="grade", values="count", aggfunc="sum",
                                fill_value=0.0)
    total = counts.sum(axis=1)
    counts, total = counts[total > 0], total[total > 0]
    parts = [_one_grade(str(grade), counts[grade], total, supported) for grade in counts.columns]
    return pd.concat(parts, ignore_index=True)[GRADES]


def _one_grade(
    grade: str, count: pd.Series, total: pd.Series, supported: bool
) -> pd.DataFrame:
    frame = pd.DataFrame({"count": count, "total": total}).reset_index()
    by = frame.groupby("variety", sort=False)[["count", "total"]].sum()
    out = pd.DataFrame({
        "variety": by.index, "grade": grade, "count": by["count"].to_numpy(),
        "share": (by["count"] / by["total"]).to_numpy(), "low": np.nan, "high": np.nan,
        "p": np.nan,
    })
    # a variety with none, or all, of a grade has no finite log-odds: it is left out of the model
    sound = ((by["count"] > 0) & (by["count"] < by["total"])).to_numpy()
    some = frame[frame["variety"].isin(by.index[sound])]
    df = design_df(some)
    if not supported or df < 1 or sound.sum() < 2:
        return out
    groups = ["block", "unit"] if some["block"].nunique() > 1 else ["unit"]
    try:
        fit = fit_glmm("share ~ variety", some.assign(share=some["count"] / some["total"]),
                       family="binomial", weights="total", groups=groups, method="reml")
        means = fit.means("variety", df).set_index("variety").reindex(out["variety"])
        p = float(fit.f_test("variety", df)["p"])
    except (MixedModelError, np.linalg.LinAlgError):
        return out
    low, high = expit(means["low"].to_numpy(float)), expit(means["high"].to_numpy(float))
    return out.assign(low=low, high=high, p=p if sound.all() else np.nan)
