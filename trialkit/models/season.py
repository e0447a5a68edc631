"""The season's yield: of a plant that lived, and of a metre of row with its losses."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.models.pods import PodsResult, rate_means
from trialkit.models.results import Floats, MethodNote, TraitResult, empty
from trialkit.models.stand import design_effect

if TYPE_CHECKING:
    from trialkit.models.support import Support
    from trialkit.records import Records


# ------------------------------------------------------------------------------------------------
# The share of the season's plant-days that were lived, and how far losses could have differed.
#
# A plant's loss is a yes or no, and plants of a plot are often lost together.  So the losses of a
# variety are binomial with as many independent plants as its plants over the design effect (Donner
# & Klar 2000; see `stand_curve.design_effect`), and their share gets the interval of Jeffreys
# (Brown, Cai & DasGupta 2001, Statistical Science 16:101-133, section 4.3), which is finite and
# one-sided where nothing was lost.  A plant lost takes the mean share of the season that plants
# lost in this trial took with them.
# ------------------------------------------------------------------------------------------------

LIVED = ["variety", "planted", "lost", "effective", "taken", "lived"]


def lived_shares(
    records: Records, looks: pd.DataFrame, varieties: list[str], ground: Support | None = None
) -> pd.DataFrame:
    """LIVED, one row a variety, over the days the picks cover.

    planted, lost: plants set out, and lost by the last pick.  effective: planted over the design
    effect.  taken: mean share of the season lost with a plant (of all lost plants, if the variety
    lost none; 1 if none was lost).  lived: share of plant-days lived.
    """
    plants = records.plants.drop_duplicates("plant")
    plants = plants[plants["variety"].isin(varieties)]
    end = looks["date"].max()
    start = looks["date"].min() - pd.Timedelta(days=float(looks["gap"].median()))
    whole = max((end - start).days, 1)
    gone = (plants["lost"].notna() & (plants["lost"] < end)).to_numpy(bool)
    away = 1.0 - (plants["lost"].fillna(end).clip(start, end) - start).dt.days / whole
    unit = plants["plant"].map(ground.unit_of) if ground is not None else plants["plot"]
    widened = design_effect(gone, unit.astype(str).reset_index(drop=True),
                            plants["variety"].reset_index(drop=True))
    frame = pd.DataFrame({"variety": plants["variety"].to_numpy(), "lost": gone,
                          "away": away.to_numpy(float)})
    overall = float(frame.loc[gone, "away"].mean()) if gone.any() else 1.0
    by = frame.groupby("variety")
    taken = frame[gone].groupby("variety")["away"].mean().reindex(varieties).fillna(overall)
    out = pd.DataFrame({"planted": by.size(), "lost": by["lost"].sum().astype(int)})
    out = out.reindex(varieties).fillna(0)
    out["effective"] = out["planted"] / widened
    out["taken"] = taken
    out["lived"] = 1.0 - by["away"].mean().reindex(varieties)
    return out.rename_axis("variety").reset_index()[LIVED]


def lived_limits(shares: pd.DataFrame, alpha: float = 0.05) -> tuple[Floats, Floats]:
    """Lower and upper limits of `lived`, (v,) each."""
    n = shares["effective"].to_numpy(float)
    share = shares["lost"].to_numpy(float) / np.maximum(shares["planted"].to_numpy(float), 1.0)
    lost = share * n
    with np.errstate(invalid="ignore"):
        least = np.where(lost <= 0, 0.0, stats.beta.ppf(alpha / 2, lost + 0.5, n - lost + 0.5))
        most = np.where(lost >= n, 1.0, stats.beta.isf(alpha / 2, lost + 0.5, n - lost + 0.5))
    taken = shares["taken"].to_numpy(float)
    return np.maximum(1.0 - most * taken, 1e-9), np.maximum(1.0 - least * taken, 1e-9)


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


# ------------------------------------------------------------------------------------------------
# The season's yield: of a plant that lived, and of a metre of row with its losses.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class SeasonResult(TraitResult):
    """`means`: pods a plant that stood the whole season.  `metre`: variety, estimate, low, high,
    pods a metre of row as planted, losses and their uncertainty included (NaN without a plant
    spacing).  `per_planted`: the same a plant set out.  `metre_ratio`: as `against_check`, of a
    metre of row.  `losses`: variety, planted, lost, lived (share of plant-days) with lived_low
    and lived_high.  `days` of the season so far.  `curve`: variety, date, estimate, low, high,
    pods a living plant so far."""

    metre: pd.DataFrame = field(default_factory=pd.DataFrame)
    per_planted: pd.DataFrame = field(default_factory=pd.DataFrame)
    metre_ratio: pd.DataFrame = field(default_factory=pd.DataFrame)
    losses: pd.DataFrame = field(default_factory=pd.DataFrame)
    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    days: float = float("nan")


def season_trait(
    records: Records, pods: PodsResult, check: str | None, counted: str,
    ground: Support | None = None,
) -> SeasonResult:
    """Rates times the days of the season.

    A plant not looked at on some date still had its pods: the rate covers those days, so a
    missed pick counts neither as zero nor twice.  Losses enter the metre of row only, as the
    share of plant-days that were lived, with an uncertainty of their own (see `lived`).  The
    ratios of a living plant are those of the rates.
    """
    looks = pods.looks
    days = season_days(looks)
    varieties = list(pods.varieties)
    means = rate_means(varieties, pods.log_rate, pods.covariance, pods.df, days)
    behind = pods.means.set_index("variety").loc[varieties, ["plots", "plants", "records"]]
    means = means.join(behind.reset_index(drop=True))
    shares = lived_shares(records, looks, varieties, ground)
    low, high = lived_limits(shares)
    planted = losses_joined(means, shares, (low, high))
    spacing = records.trial.layout.plant_spacing_cm
    a_metre = 100.0 / spacing if spacing else np.nan
    metre = planted.copy()
    metre[["estimate", "low", "high"]] = planted[["estimate", "low", "high"]] * a_metre
    lived = shares.set_index("variety")["lived"]
    bounded = pods.supported
    losses = shares[["variety", "planted", "lost", "lived"]].assign(
        lived_low=low if bounded else np.nan, lived_high=high if bounded else np.nan)
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
        {"days": days, **{f"lived {v}": float(lived[v]) for v in varieties}},
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
    of a plant that stood the whole season.  shares, limits: as `lived_shares`, `lived_limits`."""
    lived = np.log(np.maximum(shares["lived"].to_numpy(float), 1e-9))
    least, most = limits
    with np.errstate(divide="ignore"):
        log = np.log(means[["estimate", "low", "high"]].to_numpy(float)).T
    low, high = combined(log[0] + lived, [(log[0], log[1], log[2]),
                                          (lived, np.log(least), np.log(most))])
    return pd.DataFrame({"variety": means["variety"], "estimate": np.exp(log[0] + lived),
                         "low": np.exp(low), "high": np.exp(high)})


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
    looks = looks[looks["variety"].isin(pods.varieties)]
    every = np.sort(looks["date"].unique())
    cells = looks.groupby(["variety", "date"])[["pods", "days"]].sum()
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
    """Ratios a metre of row: those of a living plant times the ratio of the shares lived.

    The losses' limits hold over all comparisons together by Bonferroni, as the ratios' do by
    Dunnett.
    """
    if check is None or against.empty:
        return against.copy()
    least, most = lived_limits(shares, 0.05 / len(against))
    at = {v: i for i, v in enumerate(shares["variety"])}
    variety = np.array([at[v] for v in against["variety"]])
    other = np.full(len(variety), at[check])
    lived = np.log(np.maximum(shares["lived"].to_numpy(float), 1e-9))
    below, above = np.log(least), np.log(most)
    rate = np.log(against[["estimate", "low", "high"]].to_numpy(float)).T
    ratio = rate[0] + lived[variety] - lived[other]
    low, high = combined(ratio, [
        (rate[0], rate[1], rate[2]), (lived[variety], below[variety], above[variety]),
        (-lived[other], -above[other], -below[other])])
    return against.assign(estimate=np.exp(ratio), low=np.exp(low), high=np.exp(high), p=np.nan)
