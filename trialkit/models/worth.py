"""What a harvest is worth: money a length of row, and what is left of it after the seed.

An enterprise budget's first lines: yield times price is the gross return; less what the seed cost,
the return above seed.  Price and seed cost are taken as exact, so the interval is the yield's:
times the price, and moved down by the cost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.models.harvest import HarvestResult
from trialkit.models.pods import WEEK, with_intervals
from trialkit.models.results import Missing
from trialkit.models.season import (
    SeasonResult,
    lived_limits,
    lived_shares,
    losses_joined,
    season_days,
)
from trialkit.models.weights import WeightsResult

if TYPE_CHECKING:
    from trialkit.models.support import Support
    from trialkit.reading.price import Price
    from trialkit.records import Records

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
        shares = lived_shares(records, looks, varieties, ground)
        per = losses_joined(per_living, shares, lived_limits(shares))
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
