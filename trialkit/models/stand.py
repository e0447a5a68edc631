"""The stand: how many plants are left, and whether varieties differ in that.

Losses feed the yield a metre of row, where an empty place gives nothing, and not the yield a
living plant; the season trait shows both.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.mixed.inference import minimal_letters
from trialkit.models.results import AGAINST, MEANS, PAIRS, MethodNote, Missing, TraitResult, empty
from trialkit.models.stand_curve import design_effect, expected_losses, kaplan_meier
from trialkit.models.stand_test import LossTest, loss_test

if TYPE_CHECKING:
    from trialkit.models.support import Support
    from trialkit.records import Records

ALPHA = 0.05
UNIT = "% of plants"
SOURCE = (
    "Kaplan-Meier a variety; intervals on the log-log scale, or exact binomial where nothing was "
    "lost, widened by the design effect for plants of a plot lost together; differences from the "
    "two intervals (Newcombe 1998; Zou & Donner 2008), simultaneous by Bonferroni; p by shuffling "
    "varieties over plots within blocks, largest statistic over all pairs (Westfall & Young 1993)."
)


@dataclass(frozen=True)
class StandResult(TraitResult):
    """`means`: % of plants standing on the last day; differences in percentage points.

    curve: variety, date, estimate, low, high (%), a step at each loss. losses: variety, planted,
    lost, plots, plots_hit (plots with a loss), lived (share of plant-days lived),
    planted_a_metre, standing_a_metre (of row; NaN without a plant spacing). reasons: variety,
    reason, plants. widened: the design effect. test: how p was found.
    """

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    losses: pd.DataFrame = field(default_factory=pd.DataFrame)
    reasons: pd.DataFrame = field(default_factory=pd.DataFrame)
    widened: float = 1.0
    test: LossTest | None = None


def stand_trait(
    records: Records, ground: Support, order: list[str], check: str | None
) -> StandResult | Missing:
    """The stand of each variety; `Missing` without plants or before anything was recorded."""
    plants = records.plants.drop_duplicates("plant").dropna(subset=["variety"])
    end, start = last_day(records), pd.Timestamp(records.trial.planted)
    if plants.empty:
        return Missing("stand", "no plants are recorded")
    if end is None or end <= start:
        return Missing("stand", "nothing has been recorded since planting")
    fates = fates_of(plants, ground.unit_of, start, end)
    seen = [v for v in order if (fates["variety"] == v).any()]
    widened = design_effect(fates["lost"].to_numpy(), fates["unit"], fates["variety"])
    losses = _losses(fates, seen, (end - start).days, records.trial.layout.plant_spacing_cm)
    test, why_not = _test(fates, ground, seen)
    usable = None if why_not else test
    means = _means(fates, losses, widened)
    every = list(combinations(seen, 2))
    against = [(v, str(check)) for v in seen if v != check] if check in seen else []
    pairs = _differences(fates, every, PAIRS, widened, usable)
    return StandResult(
        trait="stand",
        label="plants still standing",
        unit=UNIT,
        scale="difference",
        means=means,
        against_check=_differences(fates, against, AGAINST, widened, usable),
        pairs=pairs,
        letters={} if why_not else _letters(means, pairs),
        supported=not why_not,
        why_not=why_not,
        method=_method(losses, test, widened, (end - start).days),
        notes=_notes(losses, widened),
        curve=_curve(fates, seen, start, widened),
        losses=losses,
        reasons=_reasons(fates),
        widened=widened,
        test=test,
    )


def fates_of(
    plants: pd.DataFrame, unit_of: pd.Series, start: pd.Timestamp, end: pd.Timestamp
) -> pd.DataFrame:
    """One row a plant: variety, unit, lost (by `end`), time (days to loss or to `end`), reason."""
    lost = plants["lost"].notna() & (plants["lost"] <= end)
    reason = plants["lost_reason"].astype("object")
    return pd.DataFrame(
        {
            "variety": plants["variety"].astype(str),
            "unit": plants["plant"].map(unit_of),
            "lost": lost.astype(bool),
            "time": (plants["lost"].where(lost, end) - start).dt.days.clip(lower=0).astype(float),
            "reason": reason.where(reason.notna(), "not recorded"),
        }
    ).reset_index(drop=True)


def last_day(records: Records) -> pd.Timestamp | None:
    """The last day anything was written down, or the day the records were cut off at."""
    if records.until is not None:
        return pd.Timestamp(records.until)
    frames = (records.picks, records.heights, records.harvest, records.events)
    days = [frame["date"].dropna().max() for frame in frames if len(frame)]
    days += [records.plants["lost"].dropna().max()]
    known = [pd.Timestamp(one) for one in days if pd.notna(one)]
    return max(known) if known else None


def _losses(fates: pd.DataFrame, seen: list[str], days: int, spacing: float | None) -> pd.DataFrame:
    grouped = fates.assign(lived=fates["time"] / days).groupby("variety")
    a_metre = 100.0 / spacing if spacing else np.nan
    hit = fates[fates["lost"]].groupby("variety")["unit"].nunique()
    table = pd.DataFrame(
        {
            "planted": grouped.size(),
            "lost": grouped["lost"].sum().astype(int),
            "plots": grouped["unit"].nunique(),
            "plots_hit": hit,
            "lived": grouped["lived"].mean(),
            "planted_a_metre": a_metre,
            "standing_a_metre": a_metre * (1.0 - grouped["lost"].mean()),
        }
    )
    table["plots_hit"] = table["plots_hit"].fillna(0).astype(int)
    return table.reindex(seen).rename_axis("variety").reset_index()


def _test(fates: pd.DataFrame, ground: Support, seen: list[str]) -> tuple[LossTest | None, str]:
    """The permutation test, and why its result may not be shown ("" if it may)."""
    pairs = list(combinations(seen, 2))
    if not ground.supported or not pairs:
        return None, ground.why_not or "there is only one variety"
    if not fates["lost"].any():
        return LossTest(dict.fromkeys(pairs, 1.0), 1.0, 1, True), ""
    lost = fates["lost"].to_numpy()
    expected = expected_losses(fates["time"].to_numpy(), lost)
    scores = pd.DataFrame({"observed": lost.astype(float), "expected": expected})
    units = scores.groupby(fates["unit"], sort=False).sum().reset_index()
    units = units.merge(ground.units, on="unit")
    test = loss_test(units[units["variety"].isin(seen)], pairs)
    if test.smallest > ALPHA:
        return test, (
            "with this few plots and losses even the most lopsided outcome would come about by "
            f"chance {100 * test.smallest:.0f} % of the time, so no comparison of losses is made"
        )
    return test, ""


def _means(fates: pd.DataFrame, losses: pd.DataFrame, widened: float) -> pd.DataFrame:
    rows = [
        (one.variety, *_at_end(fates, str(one.variety), ALPHA, widened), one.plots, one.planted)
        for one in losses.itertuples(index=False)
    ]
    columns = ["variety", "low", "estimate", "high", "se", "plots", "plants"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.assign(df=np.nan, records=frame["plants"])[MEANS]


def _at_end(
    fates: pd.DataFrame, variety: str, alpha: float, widened: float
) -> tuple[float, float, float, float]:
    """Low, estimate, high and se in % on the last day."""
    own = fates[fates["variety"] == variety]
    curve = kaplan_meier(own["time"].to_numpy(), own["lost"].to_numpy(), alpha, widened)
    found = 100.0 * curve.iloc[-1][["low", "survival", "high", "se"]].to_numpy(float)
    return float(found[0]), float(found[1]), float(found[2]), float(found[3])


def _differences(
    fates: pd.DataFrame,
    pairs: list[tuple[str, str]],
    columns: list[str],
    widened: float,
    test: LossTest | None,
) -> pd.DataFrame:
    """Differences in percentage points; intervals and p only with a test."""
    if not pairs:
        return empty(columns)
    alpha = ALPHA / len(pairs)
    rows = []
    for left, right in pairs:
        l1, e1, h1, _ = _at_end(fates, left, alpha, widened)
        l2, e2, h2, _ = _at_end(fates, right, alpha, widened)
        difference, low, high, p = e1 - e2, np.nan, np.nan, np.nan
        if test is not None:
            low = difference - float(np.hypot(e1 - l1, h2 - e2))
            high = difference + float(np.hypot(h1 - e1, e2 - l2))
            p = test.p[(left, right) if (left, right) in test.p else (right, left)]
        rows.append((left, right, difference, low, high, p, np.nan))
    return pd.DataFrame(rows, columns=columns)


def _letters(means: pd.DataFrame, pairs: pd.DataFrame) -> dict[str, str]:
    ranked = means.sort_values("estimate", ascending=False, kind="stable")["variety"].tolist()
    told = pairs[pairs["p"] < ALPHA]
    different = {
        frozenset((str(a), str(b))) for a, b in zip(told["left"], told["right"], strict=True)
    }
    return minimal_letters(ranked, different)


def _curve(
    fates: pd.DataFrame, seen: list[str], start: pd.Timestamp, widened: float
) -> pd.DataFrame:
    """Steps from planting day on, in %."""
    day_0 = pd.DataFrame({"time": [0.0], "survival": 1.0, "low": 1.0, "high": 1.0})
    parts = []
    for variety in seen:
        own = fates[fates["variety"] == variety]
        steps = kaplan_meier(own["time"].to_numpy(), own["lost"].to_numpy(), ALPHA, widened)
        steps = pd.concat([day_0, steps]).drop_duplicates("time", keep="last")
        part = 100.0 * steps[["survival", "low", "high"]].rename(columns={"survival": "estimate"})
        part.insert(0, "date", start + pd.to_timedelta(steps["time"], unit="D"))
        part.insert(0, "variety", variety)
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def _reasons(fates: pd.DataFrame) -> pd.DataFrame:
    """variety, reason, plants: why plants were lost, as written down."""
    counts = fates[fates["lost"]].groupby(["variety", "reason"], sort=False).size()
    return counts.rename("plants").reset_index()


def _method(
    losses: pd.DataFrame, test: LossTest | None, widened: float, days: int
) -> MethodNote:  # fmt: skip
    total = int(losses["lost"].sum())
    plain = (
        f"Plants standing {days} days after planting, of {int(losses['planted'].sum())} set out. "
        "Whole plots are compared, since plants of a plot are often lost together."
    )
    figures: dict[str, object] = {"plants lost": total, "design effect": widened}
    if test is not None and total:
        figures["arrangements of plots" if test.exact else "arrangements drawn"] = test.arrangements
        figures["smallest p possible"] = test.smallest
    return MethodNote(plain, SOURCE, df_method="none: permutation of plots", figures=figures)


def _notes(losses: pd.DataFrame, widened: float) -> tuple[str, ...]:
    notes = []
    if not losses["lost"].any():
        notes.append("No plant was lost; the limits say how many may still have been at risk.")
    elif widened > 1.0:
        notes.append(
            f"Plants of one plot tended to be lost together, so intervals are those of about "
            f"1/{widened:.1f} as many independent plants."
        )
    else:
        notes.append(
            "Losses did not bunch in plots as far as can be seen, so plants are taken as "
            "independent for the intervals; with few losses bunching is hard to see."
        )
    return tuple(notes)
