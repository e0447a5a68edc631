"""Mixed models over matrices, factors and formulas; it knows nothing of gardens.

`fit_lmm`: linear mixed models by REML or ML, with Kenward-Roger and Satterthwaite inference.
`fit_glmm`: Poisson, negative binomial and binomial mixed models by the Laplace approximation.
"""

from trialkit.mixed.comparison import Comparison
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.glmm import GLMM, fit_glmm
from trialkit.mixed.lmm import LMM, fit_lmm

__all__ = ["GLMM", "LMM", "Comparison", "MixedModelError", "fit_glmm", "fit_lmm"]
