"""Trials as stage 1 hands them over, drawn from known truth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from trialkit.gardens.stage_one import TrialMeans


def first(
    y: Sequence[float], covariance: Any, *, name: str = "t0", garden: str = "G0",
    year: int = 2025, varieties: Sequence[str] = (), check: str | None = "V0", df: float = 6.0,
    scale: str = "log", **other: Any,
) -> TrialMeans:
    """A trial with these means; covariance None for one plot of each variety."""
    estimates = np.asarray(y, dtype=float)
    names = tuple(varieties) or tuple(f"V{i}" for i in range(len(estimates)))
    known = covariance is not None
    log = scale == "log"
    values = {
        "folder": name, "title": name, "garden": garden, "place": garden.casefold(), "year": year,
        "crop": "climbing bean", "counted": "pods", "trait": "pods" if log else "harvest",
        "label": "pods a plant a week" if log else "weight harvested",
        "unit": "pods a plant a week" if log else "g", "scale": scale, "varieties": names,
        "check": check, "estimates": estimates,
        "covariance": np.asarray(covariance, dtype=float) if known else None,
        "df": df if known else float("nan"), "replicated": known,
        "why_not": "" if known else "each variety stands in one plot only", "blocks": 3,
        "plots": (3 if known else 1,) * len(names), "doubts": 0,
        "fingerprint": f"{name}/{garden}/{year}",
    }
    return TrialMeans(**{**values, **other})


def drawn(
    trials: int, *, effects: Sequence[float] = (0.0, 0.2, 0.4, 0.6), interaction: float = 0.2,
    plot: float = 0.25, reps: int = 3, single: Sequence[int] = (), drop: float = 0.0,
    places: Sequence[int] | None = None, years: Sequence[int] | None = None, seed: int = 0,
    check: str | None = "V0",
) -> list[TrialMeans]:
    """Trials of varieties V0, V1, ...: true effects, sd of variety x trial, sd of a plot.

    single: trials with one plot a variety.  drop: chance that a variety other than V0 is not
    grown.  The covariance has the estimated plot variance, as a real trial's would.
    """
    rng = np.random.default_rng(seed)
    truth = np.asarray(effects, dtype=float)
    out = []
    for t in range(trials):
        grown = [i for i in range(len(truth)) if i == 0 or rng.random() >= drop]
        m, r = len(grown), 1 if t in single else reps
        y = rng.normal(0, 0.5) + truth[grown] + rng.normal(0, interaction, m)
        y = y + rng.normal(0, plot / r**0.5, m)
        df = (reps - 1) * (m - 1)
        seen = plot**2 * rng.chisquare(df) / df if df else plot**2
        out.append(first(
            y, None if t in single or m < 2 else seen / r * np.eye(m) + 0.01,
            name=f"t{t}", garden=f"G{places[t] if places else t}",
            year=years[t] if years else 2025, varieties=[f"V{i}" for i in grown], df=df,
            check=check,
        ))
    return out
