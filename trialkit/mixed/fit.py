"""What every fit says of its random effects, beside what `inference` says of the fixed ones."""

from __future__ import annotations

from abc import abstractmethod
from functools import cached_property

import numpy as np
import pandas as pd

from trialkit.mixed.crossproducts import Dense, RandomPart
from trialkit.mixed.grouping import Floats
from trialkit.mixed.inference import FixedEffects


class MixedFit(FixedEffects):
    """A fit with groupings: the factors L_f and effects a kind of fit supplies, read as tables."""

    random: RandomPart
    y: Floats

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

    def fixed_part(self) -> Floats:
        """X b of the records, (n,), without offset or random effects."""
        return Dense(self.part.rows[:, self.part.kept], self.part.codes).times(self._beta)
