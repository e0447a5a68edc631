"""Parametric bootstrap: what the estimates would do over seasons like the fitted one.

Responses are drawn from the fit with new random effects and the model is fitted again to each
(Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 6.5; percentile intervals ch. 13).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.glmm import GLMM
from trialkit.mixed.grouping import Floats
from trialkit.mixed.lmm import LMM


@dataclass(frozen=True)
class Bootstrap:
    """draws: (times, m) statistics of the refits; failed: refits that did not settle."""

    observed: Floats
    draws: Floats
    failed: int

    def interval(self, level: float = 0.95) -> pd.DataFrame:
        """estimate, se, low, high of each statistic; percentile limits."""
        tails = [0.5 - level / 2.0, 0.5 + level / 2.0]
        low, high = np.quantile(self.draws, tails, axis=0)
        return pd.DataFrame(
            {
                "estimate": self.observed,
                "se": self.draws.std(axis=0, ddof=1),
                "low": low,
                "high": high,
            }
        )


def bootstrap(
    fit: LMM | GLMM,
    statistic: Callable[[LMM | GLMM], Floats] | None = None,
    *,
    times: int = 199,
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> Bootstrap:
    """Refit to ``times`` drawn responses.

    statistic: what to keep of each refit, (m,); the fixed effects by default.
    progress: called with (done, times) after each refit.

    Raises MixedModelError when more than one refit in ten fails.
    """
    keep = statistic or _fixed
    rng = np.random.default_rng(seed)
    draws, failed = [], 0
    for done in range(times):
        try:
            draws.append(keep(fit.refit(fit.simulate(rng)[0])))
        except MixedModelError:
            failed += 1
        if progress is not None:
            progress(done + 1, times)
    if failed > 0.1 * times:
        raise MixedModelError(
            f"{failed} of {times} bootstrap refits did not settle, so their spread says little; "
            "use fewer groupings."
        )
    return Bootstrap(keep(fit), np.array(draws), failed)


def _fixed(fit: LMM | GLMM) -> Floats:
    return fit.fixed.to_numpy()
