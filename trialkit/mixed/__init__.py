"""Mixed models over matrices, factors and formulas; it knows nothing of gardens.

`fit_lmm`: linear mixed models by REML or ML, with Kenward-Roger and Satterthwaite inference.
`fit_glmm`: Poisson, negative binomial and binomial mixed models by the Laplace approximation.
"""

from trialkit.mixed.bootstrap import Bootstrap, bootstrap
from trialkit.mixed.comparison import Comparison
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.glmm import GLMM, fit_glmm
from trialkit.mixed.lmm import LMM, fit_lmm
from trialkit.mixed.modelcheck import model_check

__all__ = [
    "GLMM",
    "LMM",
    "Bootstrap",
    "Comparison",
    "MixedModelError",
    "bootstrap",
    "fit_glmm",
    "fit_lmm",
    "model_check",
]
