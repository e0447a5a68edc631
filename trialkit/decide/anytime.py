"""An interval that stays valid however often, and whenever, the grower looks.

For looks nobody planned. The normal-mixture confidence sequence of Robbins (1970, Ann. Math.
Stat. 41:1397-1409; Howard, Ramdas, McAuliffe & Sekhon 2021, Ann. Stat. 49:1055-1080, eq. 14):
with S_k = estimate_k I_k, a process with independent normal increments of variance I_k - I_j,

    P(for some k: |S_k - theta I_k| >= sqrt((I_k + rho) log((I_k + rho) / (rho alpha^2)))) <= alpha

for any rho > 0 fixed beforehand, and any number of looks.

Do looks at one trial behave like that? Take balanced plots, the variety difference after k
picks being a mean over the same plots: its error is (plot part) + (mean of k pick parts), so
var_k = a + b / k and, for j < k, Cov(estimate_j, estimate_k) = a + b / k = var_k: the later
estimate holds all that the earlier one held. Hence with I_k = 1 / var_k

    Cov(S_j, S_k) = I_j I_k var_k = I_j,

exactly the independent increments asked for (Scharfstein, Tsiatis & Robins 1997, J. Am. Stat.
Assoc. 92:1342-1350: every efficient estimator has them, asymptotically). The plots' own
differences do not break the method; they bound it. I_k levels off at 1 / a however many picks
follow, so the interval stops shrinking, and only more plots would shrink it. What must NOT be
done is to count picks as the sample size: then information would grow as k for ever and the
interval would close on the difference of those plots rather than of the varieties.

Two approximations remain. First, se_k is itself estimated from few plots and more picks do
not add plots, so the large-sample argument of asymptotic confidence sequences (Waudby-Smith,
Arbour, Sinha, Kennedy & Ramdas 2024, Ann. Stat. 52) does not come to the rescue. Each
boundary is therefore moved from the normal to the t scale with the same tail probability.
Second, pick parts that carry over from pick to pick make increments positively correlated.
The simulations in tests/decide (looks_study.py) measure both.
"""

from __future__ import annotations

import numpy as np
from scipy.special import lambertw

from trialkit.decide.crossing import Array
from trialkit.decide.spending import repeated_interval

TUNED_AT = 5.0
"""The sequence is tightest where the information is this many times that of the first look.
With plot differences of a third to a quarter of one pick's noise, information over a season
rises about 5 to 10 times. The choice shifts the width by a few per cent only."""


def mixture_rho(information: float, alpha: float = 0.05) -> float:
    """The rho that makes the boundary tightest where I = information.

    rho = I / (-W_{-1}(-alpha^2 / e) - 1), W the Lambert function (Howard et al. 2021,
    Proposition 3). Same unit as `information`.
    Raises ValueError unless information > 0 and 0 < alpha < 1.
    """
    if not information > 0 or not 0 < alpha < 1:
        raise ValueError("needs information > 0 and alpha between 0 and 1")
    return float(information / (-lambertw(-(alpha**2) / np.e, k=-1).real - 1.0))


def anytime_z(information: float | Array, rho: float, alpha: float = 0.05) -> Array:
    """How large |Z_k| must be, at information I_k, to count at any look. Shape as given.

    sqrt((1 + rho / I) (log(1 + I / rho) + 2 log(1 / alpha))), equation above over sqrt(I).
    """
    ratio = np.asarray(information, dtype=float) / rho
    return np.asarray(np.sqrt((1.0 + 1.0 / ratio) * (np.log1p(ratio) - 2.0 * np.log(alpha))))


def anytime_interval(
    estimate: float, se: float, df: float, rho: float, alpha: float = 0.05
) -> tuple[float, float]:
    """Interval for the true difference, valid at this and all other looks. Unit of estimate.

    se, df: standard error and its degrees of freedom. rho: fixed at the first look, see
    `mixture_rho`; its unit is that of 1 / se^2.
    """
    z = float(anytime_z(1.0 / se**2, rho, alpha))
    return repeated_interval(estimate, se, df, z)
