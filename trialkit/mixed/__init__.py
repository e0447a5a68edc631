"""Mixed models over matrices, factors and formulas; it knows nothing of gardens.

`fit_lmm`: linear mixed models by REML or ML, with Kenward-Roger and Satterthwaite inference.
"""

from trialkit.mixed.comparison import Comparison
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.lmm import LMM, fit_lmm

__all__ = ["LMM", "Comparison", "MixedModelError", "fit_lmm"]
