"""The stand: how many plants are left, and whether varieties differ in that.

Losses feed the yield a metre of row, where an empty place gives nothing, and not the yield a
living plant; the season trait shows both.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations, permutations
from math import factorial, prod
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import beta, norm

from trialkit.mixed.inference import minimal_letters
from trialkit.models.results import AGAINST, MEANS, PAIRS, MethodNote, Missing, TraitResult, empty

if TYPE_CHECKING:
    from trialkit.models.support import Support
    from trialkit.records import Records


# ------------------------------------------------------------------------------------------------
# The share of plants still standing by Kaplan-Meier, and how far losses bunch in plots.
# ------------------------------------------------------------------------------------------------

Floats = NDArray[np.float64]
CURVE = ["time", "at_risk", "events", "survival", "se", "low", "high"]


def kaplan_meier(time: Floats, lost: NDArray[np.bool_], alpha: float = 0.05,
                 design_effect: float = 1.0) -> pd.DataFrame:  # fmt: skip
    """Product-limit curve (Kaplan & Meier 1958, J. Am. Stat. Assoc. 53:457-481).

    time: days to loss or to the last day seen, shape (n,). lost: whether it ended in loss.
    Returns DataFrame[time, at_risk, events, survival, se, low, high], one row a distinct time.
    se by Greenwood (1926), interval on the log(-log) scale (Kalbfleisch & Prentice 1980, eq.
    1.13), both with the variance times `design_effect`. While nothing is lost (or once all are)
    that interval does not exist: then the exact binomial limit (alpha / 2)^(1 / n) is used, n
    the plants at risk over the design effect (Clopper & Pearson 1934).
    Raises ValueError for no plants, or times that are negative or not finite.
    """
    if time.size == 0 or not np.all(np.isfinite(time) & (time >= 0)):
        raise ValueError("needs plants with times of 0 or more")
    at = np.unique(time)
    at_risk = np.array([np.sum(time >= t) for t in at], dtype=float)
    events = np.array([np.sum((time == t) & lost) for t in at], dtype=float)
    survival = np.cumprod(1.0 - events / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(events / (at_risk * (at_risk - events)))
        se = np.where(survival > 0, survival * np.sqrt(greenwood * design_effect), 0.0)
        reach = norm.isf(alpha / 2) * np.sqrt(greenwood * design_effect) / np.abs(np.log(survival))
        low, high = survival ** np.exp(reach), survival ** np.exp(-reach)
    limit = (alpha / 2) ** (design_effect / at_risk)
    low = np.where(survival == 1.0, limit, np.where(survival == 0.0, 0.0, low))
    high = np.where(survival == 1.0, 1.0, np.where(survival == 0.0, 1.0 - limit, high))
    columns = (at, at_risk, events, survival, se, low, high)
    return pd.DataFrame(dict(zip(CURVE, columns, strict=True)))


def expected_losses(time: Floats, lost: NDArray[np.bool_]) -> Floats:
    """Losses expected of each plant if all plants were alike, shape (n,): log-rank E.

    Sum, over the days with losses up to the plant's own last day, of losses over plants at risk
    (Mantel 1966; Peto & Peto 1972, J. R. Stat. Soc. A 135:185-207).
    """
    at = np.unique(time[lost])
    if at.size == 0:
        return np.zeros(time.size)
    hazard = np.array([np.sum((time == t) & lost) / np.sum(time >= t) for t in at])
    total = np.concatenate([[0.0], np.cumsum(hazard)])
    return np.asarray(total[np.searchsorted(at, time, side="right")])


def design_effect(lost: NDArray[np.bool_], unit: pd.Series, variety: pd.Series) -> float:
    """How much plants of a plot falling together widens an interval: 1 + (m - 1) rho, at least 1.

    rho: intraclass correlation of loss between plants of a plot, within varieties, by the
    analysis of variance (Donner & Klar 2000, Design and Analysis of Cluster Randomization Trials,
    ch. 1); m: the plants of a plot, averaged by size. 1 where it cannot be estimated.
    """
    frame = pd.DataFrame({"y": lost.astype(float), "unit": unit.to_numpy()})
    frame["variety"] = variety.to_numpy()
    plots = frame.groupby("unit").agg(n=("y", "size"), mean=("y", "mean"), v=("variety", "first"))
    units, varieties, n = len(plots), plots["v"].nunique(), len(frame)
    if units <= varieties or n <= units:
        return 1.0
    centre = frame.groupby("variety")["y"].mean().reindex(plots["v"]).to_numpy()
    between = float((plots["n"] * (plots["mean"] - centre) ** 2).sum()) / (units - varieties)
    own = plots["mean"].reindex(frame["unit"]).to_numpy()
    within = float(((frame["y"].to_numpy() - own) ** 2).sum()) / (n - units)
    by_variety = plots.groupby("v")["n"]
    usual = (n - float((by_variety.agg(lambda m: (m**2).sum() / m.sum())).sum())) / (
        units - varieties
    )
    if between + (usual - 1.0) * within <= 0:
        return 1.0
    rho = (between - within) / (between + (usual - 1.0) * within)
    size = float((plots["n"] ** 2).sum()) / n
    return max(1.0, 1.0 + (size - 1.0) * rho)


# ------------------------------------------------------------------------------------------------
# The share of the season's plant-days on which plants were alive, and how far losses could have
# differed.
#
# A plant's loss is a yes or no, and plants of a plot are often lost together.  So the losses of a
# variety are binomial with as many independent plants as its plants over the design effect, and
# their share gets the interval of Jeffreys (Brown, Cai & DasGupta 2001, Statistical Science
# 16:101-133, section 4.3), which is finite and one-sided where nothing was lost.  A plant lost
# takes the mean share of the season that plants lost in this trial took with them.
# ------------------------------------------------------------------------------------------------

ALIVE = ["variety", "planted", "lost", "effective", "taken", "alive"]


def alive_shares(looks: pd.DataFrame, varieties: list[str], ground: Support) -> pd.DataFrame:
    """ALIVE, one row a variety, over the days the picks cover.

    planted, lost: plants set out, and lost by the last pick.  effective: planted over the design
    effect.  taken: mean share of the season lost with a plant (of all lost plants, if the variety
    lost none; 1 if none was lost).  alive: share of plant-days on which plants were alive.
    """
    plants = ground.plants[ground.plants["variety"].isin(varieties)]
    end = looks["date"].max()
    start = looks["date"].min() - pd.Timedelta(days=float(looks["gap"].median()))
    whole = max((end - start).days, 1)
    gone = (plants["lost"].notna() & (plants["lost"] < end)).to_numpy(bool)
    away = 1.0 - (plants["lost"].fillna(end).clip(start, end) - start).dt.days / whole
    widened = design_effect(gone, plants["unit"], plants["variety"])
    frame = pd.DataFrame({"variety": plants["variety"].to_numpy(), "lost": gone,
                          "away": away.to_numpy(float)})
    overall = float(frame.loc[gone, "away"].mean()) if gone.any() else 1.0
    by = frame.groupby("variety")
    taken = frame[gone].groupby("variety")["away"].mean().reindex(varieties).fillna(overall)
    out = pd.DataFrame({"planted": by.size(), "lost": by["lost"].sum().astype(int)})
    out = out.reindex(varieties).fillna(0)
    out["effective"] = out["planted"] / widened
    out["taken"] = taken
    out["alive"] = 1.0 - by["away"].mean().reindex(varieties)
    return out.rename_axis("variety").reset_index()[ALIVE]


def alive_limits(shares: pd.DataFrame, alpha: float = 0.05) -> tuple[Floats, Floats]:
    """Lower and upper limits of `alive`, (v,) each; shares: ALIVE."""
    n = shares["effective"].to_numpy(float)
    share = shares["lost"].to_numpy(float) / np.maximum(shares["planted"].to_numpy(float), 1.0)
    lost = share * n
    with np.errstate(invalid="ignore"):
        least = np.where(lost <= 0, 0.0, beta.ppf(alpha / 2, lost + 0.5, n - lost + 0.5))
        most = np.where(lost >= n, 1.0, beta.isf(alpha / 2, lost + 0.5, n - lost + 0.5))
    taken = shares["taken"].to_numpy(float)
    return np.maximum(1.0 - most * taken, 1e-9), np.maximum(1.0 - least * taken, 1e-9)


# ------------------------------------------------------------------------------------------------
# Did one variety lose more plants? A permutation of varieties over plots.
#
# Losses in a plot are not independent (a wet corner, one vole), so plants must not be shuffled:
# whole plots are, within their blocks, as they were drawn. That test is exact for the layout, holds
# with no loss at all in a group, and needs no model (Fisher 1935; Pitman 1937). A penalised
# (Firth) or exact conditional logistic regression would also take a group without losses, but
# takes plants as independent. The price: with few plots the smallest p the layout can give is
# large, and then no test is shown.
# ------------------------------------------------------------------------------------------------

MOST_EXACT, DRAWS, SEED = 20_000, 9_999, 20


@dataclass(frozen=True)
class LossTest:
    """p: of each pair of varieties, adjusted over all of them. smallest: the smallest p these
    plots and losses could give however they were arranged. arrangements: how many there are, or
    were drawn; exact: all of them were gone through."""

    p: dict[tuple[str, str], float]
    smallest: float
    arrangements: int
    exact: bool


def loss_test(units: pd.DataFrame, pairs: list[tuple[str, str]]) -> LossTest:
    """Permutation test of losses, varieties shuffled over plots within blocks.

    units: one row a plot: variety, block, observed and expected losses (log-rank). pairs: the
    comparisons made. Statistic of a pair: |O_i / E_i - O_j / E_j| / sqrt(1 / E_i + 1 / E_j); p
    counts arrangements whose largest statistic over all pairs is as large as the pair's own, so
    that it covers all pairs at once (Westfall & Young 1993, single step), exact if no variety
    differs.
    """
    names = list(dict.fromkeys(units["variety"]))
    code = np.array([names.index(v) for v in units["variety"]])
    left = np.array([names.index(a) for a, _ in pairs], dtype=int)
    right = np.array([names.index(b) for _, b in pairs], dtype=int)
    blocks = [np.flatnonzero(units["block"] == b) for b in dict.fromkeys(units["block"])]
    sums = units[["observed", "expected"]].to_numpy(float)
    count = prod(_distinct(code[part]) for part in blocks)
    exact = count <= MOST_EXACT
    if exact:
        totals = _all_totals(sums, code, blocks, len(names))
    else:
        totals = _totals_by_lot(sums, code, blocks, len(names))
    statistic = _statistic(totals, left, right)
    seen = _statistic(_totals(sums, code, len(names))[None], left, right)[0]
    largest = statistic.max(axis=1) if pairs else np.zeros(len(totals))
    extra = 0 if exact else 1
    number = len(totals) + extra
    p = {
        pair: float((np.sum(largest >= value - 1e-9) + extra) / number)
        for pair, value in zip(pairs, seen, strict=True)
    }
    top = float((np.sum(largest >= largest.max() - 1e-9) + extra) / number) if pairs else 1.0
    return LossTest(p, top, len(totals), exact)


def _distinct(code: NDArray[np.int64]) -> int:
    _, size = np.unique(code, return_counts=True)
    return factorial(code.size) // prod(factorial(int(n)) for n in size)


def _totals(sums: Floats, code: NDArray[np.int64], varieties: int) -> Floats:
    """Observed and expected losses by variety, shape (varieties, 2)."""
    return np.stack([np.bincount(code, sums[:, k], varieties) for k in (0, 1)], axis=1)


def _all_totals(
    sums: Floats, code: NDArray[np.int64], blocks: list[NDArray[np.int64]], varieties: int
) -> Floats:
    """Totals of every distinct arrangement, shape (arrangements, varieties, 2)."""
    whole = np.zeros((1, varieties, 2))
    for part in blocks:
        arranged = np.array(_arrangements(list(code[part])))
        own = np.array([_totals(sums[part], order, varieties) for order in arranged])
        whole = (whole[:, None] + own[None]).reshape(-1, varieties, 2)
    return whole


def _arrangements(code: list[int]) -> list[tuple[int, ...]]:
    """Every distinct order of a block's varieties, without going through equal ones."""
    if len(set(code)) == len(code):
        return list(permutations(code))
    if len(code) == 1:
        return [tuple(code)]
    orders = []
    for first in sorted(set(code)):
        rest = code.copy()
        rest.remove(first)
        orders += [(first, *tail) for tail in _arrangements(rest)]
    return orders


def _totals_by_lot(
    sums: Floats, code: NDArray[np.int64], blocks: list[NDArray[np.int64]], varieties: int
) -> Floats:
    """Totals of DRAWS arrangements drawn by lot (seeded, so that a report repeats itself)."""
    rng = np.random.default_rng(SEED)
    shuffled = np.tile(code, (DRAWS, 1))
    for part in blocks:
        shuffled[:, part] = rng.permuted(shuffled[:, part], axis=1)
    held = shuffled[:, :, None] == np.arange(varieties)
    return np.asarray(np.einsum("dpv,pk->dvk", held, sums), dtype=float)


def _statistic(totals: Floats, left: NDArray[np.int64], right: NDArray[np.int64]) -> Floats:
    """Scaled difference of observed over expected, shape (arrangements, pairs)."""
    observed, expected = totals[..., 0], np.maximum(totals[..., 1], 1e-12)
    ratio, weight = observed / expected, 1.0 / expected
    spread = np.sqrt(weight[:, left] + weight[:, right])
    return np.asarray(np.abs(ratio[:, left] - ratio[:, right]) / spread)


# ------------------------------------------------------------------------------------------------
# The stand: how many plants are left, and whether varieties differ in that.
# ------------------------------------------------------------------------------------------------

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
    lost, plots, plots_hit (plots with a loss), alive (share of plant-days),
    planted_a_metre, standing_a_metre (of row; NaN without a plant spacing). reasons: variety,
    reason, plants. test: how p was found.
    """

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    losses: pd.DataFrame = field(default_factory=pd.DataFrame)
    reasons: pd.DataFrame = field(default_factory=pd.DataFrame)
    test: LossTest | None = None


def stand_trait(
    records: Records, ground: Support, order: list[str], check: str | None
) -> StandResult | Missing:
    """The stand of each variety; `Missing` without plants or before anything was recorded."""
    plants = ground.plants.dropna(subset=["variety"])
    end, start = last_day(records), pd.Timestamp(records.trial.planted)
    if plants.empty:
        return Missing("stand", "no plants are recorded")
    if end is None or end <= start:
        return Missing("stand", "nothing has been recorded since planting")
    fates = fates_of(plants, start, end)
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
        test=test,
    )


def fates_of(plants: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
    """One row a plant: variety, unit, lost (by `end`), time (days to loss or to `end`), reason."""
    lost = plants["lost"].notna() & (plants["lost"] <= end)
    reason = plants["lost_reason"].astype("object")
    return pd.DataFrame(
        {
            "variety": plants["variety"].astype(str),
            "unit": plants["unit"],
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
    known = [pd.Timestamp(day) for day in days if pd.notna(day)]
    return max(known) if known else None


def _losses(fates: pd.DataFrame, seen: list[str], days: int, spacing: float | None) -> pd.DataFrame:
    grouped = fates.assign(alive=fates["time"] / days).groupby("variety")
    a_metre = 100.0 / spacing if spacing else np.nan
    hit = fates[fates["lost"]].groupby("variety")["unit"].nunique()
    table = pd.DataFrame(
        {
            "planted": grouped.size(),
            "lost": grouped["lost"].sum().astype(int),
            "plots": grouped["unit"].nunique(),
            "plots_hit": hit,
            "alive": grouped["alive"].mean(),
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
            "with so few plots and losses, luck alone brings even the most lopsided outcome "
            f"{100 * test.smallest:.0f} % of the time"
        )
    return test, ""


def _means(fates: pd.DataFrame, losses: pd.DataFrame, widened: float) -> pd.DataFrame:
    rows = [
        (row.variety, *_at_end(fates, str(row.variety), ALPHA, widened), row.plots, row.planted)
        for row in losses.itertuples(index=False)
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
    figures = 100.0 * curve.iloc[-1][["low", "survival", "high", "se"]].to_numpy(float)
    return float(figures[0]), float(figures[1]), float(figures[2]), float(figures[3])


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
    clear = pairs[pairs["p"] < ALPHA]
    different = {
        frozenset((str(a), str(b))) for a, b in zip(clear["left"], clear["right"], strict=True)
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
