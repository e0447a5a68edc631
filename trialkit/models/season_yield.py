"""The season's yield: of a living plant, of a metre of row with its losses, and its worth."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.models.harvest import HarvestResult
from trialkit.models.picked import PodsResult, WeightsResult
from trialkit.models.results import Floats, MethodNote, Missing, TraitResult, empty, rate_means
from trialkit.models.stand import alive_limits, alive_shares
from trialkit.models.totals import WEEK, with_intervals

if TYPE_CHECKING:
    from trialkit.models.support import Support
    from trialkit.reading.amounts import Price
    from trialkit.records import Records


# ------------------------------------------------------------------------------------------------
# The season's yield: of a living plant, and of a metre of row with its losses.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class SeasonResult(TraitResult):
    """`means`: pods a plant that stood the whole season.  `metre`: variety, estimate, low, high,
    pods a metre of row as planted, losses and their uncertainty included (NaN without a plant
    spacing).  `per_planted`: the same a plant set out.  `metre_ratio`: as `against_check`, of a
    metre of row.  `losses`: variety, planted, lost, alive (share of plant-days) with alive_low
    and alive_high.  `days` of the season so far.  `curve`: variety, date, estimate, low, high,
    pods a living plant so far."""

    metre: pd.DataFrame = field(default_factory=pd.DataFrame)
    per_planted: pd.DataFrame = field(default_factory=pd.DataFrame)
    metre_ratio: pd.DataFrame = field(default_factory=pd.DataFrame)
    losses: pd.DataFrame = field(default_factory=pd.DataFrame)
    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    days: float = float("nan")


def season_trait(
    records: Records, pods: PodsResult, check: str | None, counted: str, ground: Support,
) -> SeasonResult:
    """Rates times the days of the season.

    A plant not looked at on some date still had its pods: the rate covers those days, so a
    missed pick counts neither as zero nor twice.  Losses enter the metre of row only, as the
    share of plant-days on which plants were alive, with an uncertainty of their own.  The
    ratios of a living plant are those of the rates.
    """
    looks = pods.looks
    days = season_days(looks)
    varieties = list(pods.varieties)
    means = rate_means(varieties, pods.log_rate, pods.covariance, pods.df, days)
    behind = pods.means.set_index("variety").loc[varieties, ["plots", "plants", "records"]]
    means = means.join(behind.reset_index(drop=True))
    shares = alive_shares(looks, varieties, ground)
    low, high = alive_limits(shares)
    planted = losses_joined(means, shares, (low, high))
    spacing = records.trial.layout.plant_spacing_cm
    a_metre = 100.0 / spacing if spacing else np.nan
    metre = planted.copy()
    metre[["estimate", "low", "high"]] = planted[["estimate", "low", "high"]] * a_metre
    alive = dict(zip(shares["variety"], shares["alive"], strict=True))
    bounded = pods.supported
    losses = shares[["variety", "planted", "lost", "alive"]].assign(
        alive_low=low if bounded else np.nan, alive_high=high if bounded else np.nan)
    method = MethodNote(
        f"{counted} a day times the {days:.0f} days picked so far. A living plant: one that stood "
        "to the end. The row: as planted, so that lost plants count as losses, and as more or "
        "fewer could have been lost.",
        "Season total = modelled rate x days from the usual interval before the first pick to "
        "the last pick. Row = that x share of plant-days lived x plants a length of row. Its "
        "interval joins that of the rate and that of the losses, taken as independent (Zou & "
        "Donner 2008): losses binomial with Jeffreys' interval (Brown, Cai & DasGupta 2001), "
        "plants counted as fewer where plants of a plot were lost together (design effect). "
        "How early lost plants went is taken as it was.",
        pods.method.formula, pods.method.groups, pods.method.df_method,
        {"days": days, **{f"lived {v}": float(alive[v]) for v in varieties}},
    )
    return SeasonResult(
        "season", f"{counted} a living plant, season so far", f"{counted} a plant", "ratio", means,
        pods.against_check, pods.pairs, pods.letters, pods.supported, pods.why_not, method, (),
        metre, planted, _with_losses(pods.against_check, shares, check), losses,
        total_curve(pods), days,
    )


def losses_joined(
    means: pd.DataFrame, shares: pd.DataFrame, limits: tuple[Floats, Floats]
) -> pd.DataFrame:
    """A plant set out: variety, estimate, low, high; losses' limits joined to those of `means`,
    of a plant that stood the whole season.  shares, limits: as `alive_shares`, `alive_limits`."""
    log_alive = np.log(np.maximum(shares["alive"].to_numpy(float), 1e-9))
    least, most = limits
    with np.errstate(divide="ignore"):
        log = np.log(means[["estimate", "low", "high"]].to_numpy(float)).T
    low, high = combined(log[0] + log_alive, [(log[0], log[1], log[2]),
                                          (log_alive, np.log(least), np.log(most))])
    return pd.DataFrame({"variety": means["variety"], "estimate": np.exp(log[0] + log_alive),
                         "low": np.exp(low), "high": np.exp(high)})


def combined(
    estimate: Floats, parts: list[tuple[Floats, Floats, Floats]]
) -> tuple[Floats, Floats]:
    """Limits of a sum from its independent parts: each (value, low, high), all (n,).

    low = sum - sqrt(sum of (value - low)^2) and likewise above (the recovery of variances from
    limits: Zou & Donner 2008, Statistics in Medicine 27:1693-1702, eq. 3), so that a part with a
    one-sided interval widens one side only.
    """
    below = np.sqrt(sum((value - low) ** 2 for value, low, _ in parts))
    above = np.sqrt(sum((high - value) ** 2 for value, _, high in parts))
    return np.asarray(estimate - below), np.asarray(estimate + above)


def season_days(looks: pd.DataFrame) -> float:
    """Days the picks cover: first to last look, and the usual interval before the first."""
    first = looks.loc[looks["first"], "gap"]
    before = float(first.median()) if len(first) else 0.0
    return float((looks["date"].max() - looks["date"].min()).days) + before


def total_curve(pods: PodsResult) -> pd.DataFrame:
    """Pods a living plant so far, at each pick: variety, date, estimate, low, high.

    Each step is the variety's pods over its plant-days since the last pick times the days; a
    plant not looked at stands out of both.  The band is the season's relative uncertainty of the
    variety at its last point, narrowing to none at the first: it belongs to the total.
    """
    looks = pods.looks
    if looks.empty or not pods.varieties:
        return empty(["variety", "date", "estimate", "low", "high"])
    every = pods.tally.by_date.index
    cells = pods.tally.by_variety_and_date
    pace = (cells["pods"] / cells["days"]).unstack("variety").reindex(every)
    gaps = pd.Series(pd.to_datetime(every)).diff().dt.days.to_numpy(float, copy=True)
    gaps[0] = float(looks["gap"].median())
    total = pace.interpolate(limit_direction="both").mul(gaps, axis=0).cumsum()
    end = season_days(looks)
    half = _half(pods)
    rows = []
    for variety, level in zip(pods.varieties, pods.log_rate, strict=True):
        part = total[variety]
        part = part * (np.exp(level) * end / part.iloc[-1]) if part.iloc[-1] > 0 else part
        rows.append(pd.DataFrame({
            "variety": variety, "date": every, "estimate": part.to_numpy(),
            "low": part.to_numpy() * np.exp(-half[variety]),
            "high": part.to_numpy() * np.exp(half[variety]),
        }))
    return pd.concat(rows, ignore_index=True)


def _half(pods: PodsResult) -> dict[str, float]:
    rows = pods.means.set_index("variety")
    half = np.log(rows["high"].astype(float) / rows["estimate"].astype(float))
    return {v: float(half[v]) for v in pods.varieties}


def _with_losses(
    against: pd.DataFrame, shares: pd.DataFrame, check: str | None
) -> pd.DataFrame:
    """Ratios a metre of row: those of a living plant times the ratio of the shares alive.

    The losses' limits hold over all comparisons together by Bonferroni, as the ratios' do by
    Dunnett.
    """
    if check is None or against.empty:
        return against.copy()
    least, most = alive_limits(shares, 0.05 / len(against))
    at = {v: i for i, v in enumerate(shares["variety"])}
    variety = np.array([at[v] for v in against["variety"]])
    other = np.full(len(variety), at[check])
    log_alive = np.log(np.maximum(shares["alive"].to_numpy(float), 1e-9))
    below, above = np.log(least), np.log(most)
    rate = np.log(against[["estimate", "low", "high"]].to_numpy(float)).T
    ratio = rate[0] + log_alive[variety] - log_alive[other]
    low, high = combined(ratio, [
        (rate[0], rate[1], rate[2]), (log_alive[variety], below[variety], above[variety]),
        (-log_alive[other], -above[other], -below[other])])
    return against.assign(estimate=np.exp(ratio), low=np.exp(low), high=np.exp(high), p=np.nan)


# ------------------------------------------------------------------------------------------------
# What a harvest is worth: money a length of row, and what is left of it after the seed.
#
# An enterprise budget's first lines: yield times price is the gross return; less what the seed
# cost, the return above seed.  Price and seed cost are taken as exact, so the interval is the
# yield's: times the price, and moved down by the cost.
# ------------------------------------------------------------------------------------------------

WORTH = ["variety", "gross", "low", "high", "seed", "net", "net_low", "net_high"]
LIMITS = ["estimate", "low", "high"]
_NO_SPACING = ("the distance between plants is not given: write plant_spacing under [layout] in "
               "trial.toml")


@dataclass(frozen=True)
class Worth:
    """table: WORTH, one row a variety, in the price's money a metre of row as planted (a plant
    set out where `metres` is False): gross return with its limits, cost of the seed (NaN: none
    given), and what is left (NaN without one).  A variety without limits has no figures at all.
    basis: sentences, what yield was priced.  left_out: varieties without limits."""

    table: pd.DataFrame
    metres: bool
    basis: tuple[str, ...]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Sold:
    """What is sold, a metre of row or a plant set out: variety, estimate, low, high in g or
    pieces; and why there are no limits, where there are none."""

    yields: pd.DataFrame
    metres: bool
    basis: tuple[str, ...]
    why_not: str


def worth_of(
    records: Records, ground: Support, season: SeasonResult | Missing,
    weights: WeightsResult | Missing, harvest: HarvestResult | Missing,
) -> Worth | Missing | None:
    """The harvest's worth; None where neither a price nor a seed cost is given, `Missing` where
    the records or the layout do not support a figure with its interval."""
    trial = records.trial
    price = trial.price
    if price is None:
        if all(v.seed_cost is None for v in trial.varieties):
            return None
        return Missing("worth", 'seed costs are given but no price: write price = "3.50 a kg" in '
                                "trial.toml")
    sold = _sold(records, ground, price, season, weights, harvest)
    if isinstance(sold, Missing):
        return sold
    known = sold.yields[np.isfinite(sold.yields[LIMITS].astype(float)).all(axis=1)]
    if known.empty:
        return Missing("worth", f"no interval can be given: {sold.why_not}" if sold.why_not else
                       "no interval can be given from these records")
    names = list(known["variety"])
    spacing = trial.layout.plant_spacing_cm
    plants = 100.0 / spacing if sold.metres and spacing else 1.0
    cost = {v.name: np.nan if v.seed_cost is None else v.seed_cost * plants
            for v in trial.varieties}
    table = pd.DataFrame({
        "variety": names, **{to: known[of].to_numpy(float) * price.of_one for to, of in
                             zip(("gross", "low", "high"), LIMITS, strict=True)}})
    table["seed"] = table["variety"].map(cost).astype(float)
    for net, gross in (("net", "gross"), ("net_low", "low"), ("net_high", "high")):
        table[net] = table[gross] - table["seed"]
    left_out = tuple(v for v in trial.variety_names if v not in names)
    return Worth(table[WORTH], sold.metres, sold.basis, left_out)


def _sold(
    records: Records, ground: Support, price: Price, season: SeasonResult | Missing,
    weights: WeightsResult | Missing, harvest: HarvestResult | Missing,
) -> _Sold | Missing:
    if not records.harvest.empty and not records.picks.empty:
        return Missing("worth", "picks and a single harvest are both recorded, and they are not "
                                "added up")
    if not records.harvest.empty:
        return _dug(records, price, harvest)
    if records.picks.empty:
        return Missing("worth", "nothing is picked or harvested yet")
    if price.grams is None:
        return _counted(records, season)
    return _weighed(records, ground, season, weights)


def _dug(records: Records, price: Price, harvest: HarvestResult | Missing) -> _Sold | Missing:
    """A crop dug or cut once: its table of a length of row."""
    trial = records.trial
    if not isinstance(harvest, HarvestResult):
        return harvest
    if trial.harvest_unit:
        return Missing("worth", f"the yields are kept as written ({trial.harvest_unit}), and how "
                                "much that is of a metre of row is not known")
    weighed = harvest.unit == "g"
    if weighed != (price.grams is not None):
        had, write = (("weight", "a kg") if weighed else ("count", "each"))
        return Missing("worth", f"the harvest is known by {had} and the price is not: write a "
                                f'price "{write}"')
    if not trial.layout.plant_spacing_cm:
        return Missing("worth", _NO_SPACING)
    basis = ["Priced: all that was harvested" + (
        ", grades unfit to sell too" if harvest.grading is not None else "") + ".",
        "Plants that gave nothing count as they were; that more or fewer could have been lost is "
        "not in the range."]
    return _Sold(harvest.metre, True, tuple(basis), harvest.why_not)


def _counted(records: Records, season: SeasonResult | Missing) -> _Sold | Missing:
    """Picks priced by the piece: the season's yield as planted, losses counted."""
    if not records.picks["count"].notna().any():
        return Missing("worth", "the price is by the piece and the picks are not counted: write a "
                                'price "a kg"')
    if not isinstance(season, SeasonResult):
        return season
    per, metres = _as_planted(season)
    return _Sold(per, metres, ("Priced: all that was picked so far, losses counted.",),
                 season.why_not)


def _weighed(
    records: Records, ground: Support, season: SeasonResult | Missing,
    weights: WeightsResult | Missing,
) -> _Sold | Missing:
    """Picks priced by weight: the weight picked over the season where every pick was weighed, else
    the season's pieces times the weight of one on the days that were."""
    if not records.picks["weight_g"].notna().any():
        return Missing("worth", "the price is by weight and no pick was weighed: weigh some, or "
                                'write a price "each"')
    if not isinstance(weights, WeightsResult):
        return weights
    picks = records.picks.dropna(subset=["date", "plant"])
    picks = picks.dropna(subset=["count", "weight_g"], how="all")
    days = set(pd.to_datetime(picks["date"]).unique())
    if days <= set(weights.weighed):
        looks = with_intervals(
            records, picks.assign(g=picks["weight_g"].fillna(0.0)), g=("g", "sum"))
        per_living = weights.means[["variety"]].join(
            weights.means[LIMITS] * (season_days(looks) / WEEK))
        varieties = list(per_living["variety"])
        shares = alive_shares(looks, varieties, ground)
        per = losses_joined(per_living, shares, alive_limits(shares))
        spacing = records.trial.layout.plant_spacing_cm
        if spacing:
            per[LIMITS] = per[LIMITS] * (100.0 / spacing)
        return _Sold(per, bool(spacing), ("Priced: all that was picked so far, losses counted.",),
                     weights.why_not)
    if not isinstance(season, SeasonResult) or weights.each.empty:
        return Missing("worth", "only some picks were weighed, and the others not counted")
    per, metres = _as_planted(season)
    each = weights.each.set_index("variety")[LIMITS].reindex(per["variety"]).to_numpy(float)
    product = per.assign(**dict(zip(LIMITS, (per[LIMITS].to_numpy(float) * each).T, strict=True)))
    basis = (f"Priced: all that was counted so far, losses counted, times the weight of one. "
             f"Picks of {len(weights.weighed)} of {len(days)} days were weighed; the others are "
             "taken to be alike. Low is multiplied with low and high with high, so the range is "
             "on the wide side.")
    return _Sold(product, metres, (basis,), weights.why_not or season.why_not)


def _as_planted(season: SeasonResult) -> tuple[pd.DataFrame, bool]:
    """A metre of row, or without a plant spacing a plant set out; and whether it is the first."""
    metres = not (season.metre.empty or season.metre["estimate"].isna().all())
    return (season.metre if metres else season.per_planted), metres
