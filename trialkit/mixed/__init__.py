"""Mixed models over matrices, factors and formulas; it knows nothing of gardens.

What fits what:

`fit_lmm`: linear mixed models by REML or ML, with Kenward-Roger and Satterthwaite inference.
`fit_structured`: linear models with serial correlation or residual variances by group.
`fit_known`: the same with a known residual covariance, the second of two stages.
`fit_glmm`: Poisson, negative binomial and binomial mixed models by the Laplace approximation.
`fit_ordered`: ordered scores by cumulative logit and probit models, with or without groupings.

The formula holds the fixed effects; groupings are named beside it:

    fit = fit_lmm("yield_ ~ variety * nitro", data, groups=["block/variety"])
    fit_lmm("height ~ days", data, groups=["block"], slopes={"plant": ["days"]})

``"block/variety"`` is blocks and varieties within blocks, ``"a:b"`` an interaction; nested or
crossed shows in the data.  Slopes correlate with their intercept unless the factor is among
``uncorrelated``; ``slopes={"plant": ["0", "days"]}`` has no intercept.  Blanks are refused, never
dropped in silence.

What every fit answers (tables are pandas frames):

    fit.summary()                            fixed effects: estimate, se, df, t, p, limits
    fit.f_test("variety")                    test of a term
    fit.means("variety", by="nitro")         marginal means, at=... for covariates
    fit.compare("variety")                   all pairs; against="A" for one level; .letters()
    fit.contrasts("nitro", {"a less b": {"a": 1, "b": -1}})       contrasts by name
    fit.contrast(matrix)                     of the coefficients themselves
    fit.slopes("days", "variety")            change with a covariate
    fit.fixed, fit.cov_fixed                 estimates and their covariance
    fit.group_sd, fit.group_cov              spreads of the groupings; `spread_intervals` of them
    fit.random_effects, fit.random_effect_se()     predicted effects and their errors
    fit.predict(newdata), fit.residuals(), fit.simulate(seed), fit.plot()
    fit.log_likelihood, fit.aic, fit.bic     `compare_fits` sets fits side by side

``df=`` is ``"kenward-roger"`` (the default of linear fits by REML), ``"satterthwaite"``,
``"between-within"``, ``"asymptotic"`` or a number.  Counts take an ``offset`` and answer in ratios
with ``ratio=True``; ordered fits have ``shares`` and ``proportional``; `bootstrap` draws from any
of them.  What cannot be answered is refused as a `MixedModelError` in words, or told in the
table's ``reason``.
"""

from trialkit.errors import MixedModelError
from trialkit.mixed.errorstructure import StructuredLMM, fit_structured
from trialkit.mixed.fit import compare_fits
from trialkit.mixed.glmm import GLMM, fit_glmm, model_check
from trialkit.mixed.inference import Comparison
from trialkit.mixed.intervals import Bootstrap, bootstrap, spread_intervals
from trialkit.mixed.lmm import LMM, KnownLMM, fit_known, fit_lmm
from trialkit.mixed.ordered import OddsTest, OrderedFit, fit_ordered, odds_test

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
