"""The share of the season's plant-days that were lived, and how far losses could have differed.

A plant's loss is a yes or no, and plants of a plot are often lost together.  So the losses of a
variety are binomial with as many independent plants as its plants over the design effect (Donner
& Klar 2000; see `stand_curve.design_effect`), and their share gets the interval of Jeffreys
(Brown, Cai & DasGupta 2001, Statistical Science 16:101-133, section 4.3), which is finite and
one-sided where nothing was lost.  A plant lost takes the mean share of the season that plants
lost in this trial took with them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.models.comparing import Floats
from trialkit.models.stand_curve import design_effect

if TYPE_CHECKING:
    from trialkit.models.support import Support
    from trialkit.records import Records

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
