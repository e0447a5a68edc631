"""Mixed models over matrices, factors and formulas; it knows nothing of gardens.

`fit_lmm`: linear mixed models by REML or ML, with Kenward-Roger and Satterthwaite inference.
`fit_structured`: linear models with serial correlation or residual variances by group.
`fit_known`: the same with a known residual covariance, the second of two stages.
`fit_glmm`: Poisson, negative binomial and binomial mixed models by the Laplace approximation.
`fit_ordered`: ordered scores by cumulative logit and probit models, with or without groupings.
"""

from trialkit.errors import MixedModelError
from trialkit.mixed.bootstrap import Bootstrap, bootstrap, model_check
from trialkit.mixed.errorstructure import StructuredLMM, fit_structured
from trialkit.mixed.fit import compare_fits
from trialkit.mixed.glmm import GLMM, fit_glmm
from trialkit.mixed.inference import Comparison
from trialkit.mixed.lmm import LMM, KnownLMM, fit_known, fit_lmm
from trialkit.mixed.ordered import OddsTest, OrderedFit, fit_ordered, odds_test
from trialkit.mixed.spreads import spread_intervals

__all__ = [
    "GLMM",
    "LMM",
    "KnownLMM",
    "Bootstrap",
    "Comparison",
    "MixedModelError",
    "OddsTest",
    "OrderedFit",
    "StructuredLMM",
    "bootstrap",
    "compare_fits",
    "fit_glmm",
    "fit_known",
    "fit_lmm",
    "fit_ordered",
    "fit_structured",
    "model_check",
    "odds_test",
    "spread_intervals",
]
