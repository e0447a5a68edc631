"""What every fit says of its random effects, beside what `inference` says of the fixed ones."""

from __future__ import annotations

import html
from abc import abstractmethod
from functools import cached_property

import numpy as np
import pandas as pd

from trialkit.mixed.crossproducts import Dense, RandomPart
from trialkit.mixed.effecterrors import effect_covariances
from trialkit.mixed.grouping import Floats
from trialkit.mixed.inference import FixedEffects


class MixedFit(FixedEffects):
    """A fit with groupings: the factors L_f and effects a kind of fit supplies, read as tables."""

    random: RandomPart
    y: Floats
    formula: str
    method: str
    objective: float

    @property
    def parameters(self) -> int:
        """Fixed effects, variances and covariances, and the law's own (residual, size)."""
        return self.part.p + sum(len(g.parameters) for g in self.random.groupings) + self._own

    @property
    def _own(self) -> int:
        return 0

    @property
    def log_likelihood(self) -> float:
        """Restricted for ``method="reml"``."""
        return -0.5 * self.objective

    @property
    def aic(self) -> float:
        return self.objective + 2.0 * self.parameters

    @property
    def bic(self) -> float:
        return float(self.objective + np.log(self.n) * self.parameters)

    def to_frame(self) -> pd.DataFrame:
        """The fixed effects with their tests, as `summary`."""
        return self.summary()

    def _repr_html_(self) -> str:
        """The fit as its text, and its tables, for a notebook."""
        spreads = self.group_sd.to_frame().to_html() if len(self.group_sd) else ""
        head = html.escape(repr(self).split("\n\n")[0])
        effects = self.summary().drop(columns="reason").to_html(float_format="{:.5g}".format)
        return f"<pre>{head}</pre>{spreads}{effects}"

    @property
    @abstractmethod
    def factors(self) -> tuple[Floats, ...]:
        """One lower triangle (k, k) a grouping."""

    @property
    @abstractmethod
    def _unit_variance(self) -> float:
        """What L_f L_f' is relative to: the residual variance, or 1 on a link scale."""

    @property
    @abstractmethod
    def _effects(self) -> list[Floats]:
        """Predicted effects, one (levels, k) array a grouping."""

    @property
    def n(self) -> int:
        return len(self.y)

    @property
    def p(self) -> int:
        return self.part.p

    @cached_property
    def group_cov(self) -> dict[str, pd.DataFrame]:
        """Covariance of the effects of each grouping, (k, k): squared units of the response, or
        of the link scale."""
        out = {}
        for g, f in zip(self.random.groupings, self.factors, strict=True):
            names = list(g.columns)
            out[g.name] = pd.DataFrame(self._unit_variance * f @ f.T, names, names)
        return out

    @cached_property
    def group_sd(self) -> pd.Series:
        """Standard deviation of each grouping's effects; a slope is named ``group.column``."""
        sds: dict[str, float] = {}
        for name, cov in self.group_cov.items():
            for effect, variance in zip(cov.index, np.diagonal(cov.to_numpy()), strict=True):
                key = name if effect == "Intercept" else f"{name}.{effect}"
                sds[key] = float(np.sqrt(max(variance, 0.0)))
        return pd.Series(sds, dtype=float, name="sd")

    @cached_property
    def random_effects(self) -> dict[str, pd.DataFrame]:
        """Predicted effects of each grouping: a row a level, a column an effect."""
        return {
            g.name: pd.DataFrame(b, index=g.levels, columns=list(g.columns))
            for g, b in zip(self.random.groupings, self._effects, strict=True)
        }

    @abstractmethod
    def _error_weights(self) -> Floats:
        """One over the residual variance of each record, or the working weights, (n,)."""

    def random_effect_se(self, *, fixed_known: bool = False) -> dict[str, pd.DataFrame]:
        """Standard errors of the predicted effects, tables as `random_effects` (`effecterrors.py`).

        ``fixed_known`` leaves out what the fixed effects' own error adds.  The variances are taken
        as known.  Raises MixedModelError where there are too many effects."""
        columns = None if fixed_known else self.part.basis[self.part.codes]
        root = np.sqrt(self._unit_variance)
        covariances = effect_covariances(
            self.random, [root * f for f in self.factors], columns, self._error_weights()
        )
        return {
            g.name: pd.DataFrame(np.sqrt(np.diagonal(c, axis1=1, axis2=2)), g.levels,
                                 list(g.columns))
            for g, c in zip(self.random.groupings, covariances, strict=True)
        }  # fmt: skip

    def fixed_part(self) -> Floats:
        """X b of the records, (n,), without offset or random effects."""
        return Dense(self.part.rows[:, self.part.kept], self.part.codes).times(self._beta)
