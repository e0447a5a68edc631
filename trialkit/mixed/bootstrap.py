"""Parametric bootstrap: what the estimates would do over seasons like the fitted one.

Responses are drawn from the fit with new random effects and the model is fitted again to each
(Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 6.5; percentile intervals ch. 13).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.errors import MixedModelError
from trialkit.mixed.glmm import GLMM
from trialkit.mixed.grouping import Floats
from trialkit.mixed.lmm import LMM
from trialkit.mixed.ordered import OrderedFit


@dataclass(frozen=True)
class Bootstrap:
    """draws: (times, m) statistics of the refits; failed: refits that did not settle."""

    observed: Floats
    draws: Floats
    failed: int

    def to_frame(self) -> pd.DataFrame:
        """`interval` at 95 %."""
        return self.interval()

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
    fit: LMM | GLMM | OrderedFit,
    statistic: Callable[[LMM | GLMM | OrderedFit], Floats] | None = None,
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


def _fixed(fit: LMM | GLMM | OrderedFit) -> Floats:
    return fit.fixed.to_numpy()


# ------------------------------------------------------------------------------------------------
# Does a count model look like its counts?  Dispersion and zeros against simulated responses.
#
# The observed figure is set among those of responses drawn from the fit (Gelman, Meng & Stern 1996,
# Stat. Sinica 6:733).  The p-value is two-sided and counts the observed draw, so it is never zero.
# ------------------------------------------------------------------------------------------------

def model_check(fit: GLMM, *, times: int = 250, seed: int = 0) -> pd.DataFrame:
    """Rows ``dispersion`` and ``zeros``: observed, expected, ratio, p.

    dispersion: sum of squared Pearson residuals about the fixed part, over the same in the
        draws; above 1 the counts vary more than the model allows.
    zeros: records with a count of zero; above 1 there are more than the model makes.
    Both hold the random effects' spread as fitted; p is two-sided, at least 2 / (times + 1).
    """
    mean = fit.predict(random=False)
    scale = fit.family.variance(fit.predict(random=False, scale="link"), fit.log_size)
    draws = fit.simulate(seed, times)

    def spread(y: Floats) -> Floats:
        return np.asarray(((y - mean) ** 2 / scale).sum(axis=-1))

    def zeros(y: Floats) -> Floats:
        return np.asarray((y == 0).sum(axis=-1), dtype=np.float64)

    rows = {}
    for name, figure in (("dispersion", spread), ("zeros", zeros)):
        observed, drawn = float(figure(fit.y)), figure(draws)
        expected = float(drawn.mean())
        above = (1 + int((drawn >= observed).sum())) / (times + 1)
        below = (1 + int((drawn <= observed).sum())) / (times + 1)
        rows[name] = {
            "observed": observed,
            "expected": expected,
            "ratio": observed / expected if expected > 0 else np.nan,
            "p": min(1.0, 2.0 * min(above, below)),
        }
    return pd.DataFrame(rows).T
