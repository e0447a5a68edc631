"""Does a count model look like its counts?  Dispersion and zeros against simulated responses.

The observed figure is set among those of responses drawn from the fit (Gelman, Meng & Stern 1996,
Stat. Sinica 6:733).  The p-value is two-sided and counts the observed draw, so it is never zero.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.mixed.glmm import GLMM
from trialkit.mixed.grouping import Floats


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
