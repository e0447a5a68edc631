"""What every fit says of its random effects, beside what `inference` says of the fixed ones."""

from __future__ import annotations

import html
from abc import abstractmethod
from collections.abc import Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import sparse, stats

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import Dense, RandomPart
from trialkit.mixed.grouping import Floats
from trialkit.mixed.inference import FixedEffects

if TYPE_CHECKING:
    from matplotlib.figure import Figure


# ------------------------------------------------------------------------------------------------
# How well each level's random effect is known.
#
# With the mixed-model equations (Henderson 1975, Biometrics 31:423)
#
#   C = [ L'Z'WZL + I   L'Z'WX ]        W the weights over the residual variance
#       [ X'WZL         X'WX   ]
#
# the errors b^ - b have covariance L C^-1 L', C^-1 the block of the random effects; with the fixed
# effects taken as known, L (L'Z'WZL + I)^-1 L', the variance of the effects given the records.
# ------------------------------------------------------------------------------------------------

MOST = 6000
"""Effects whose errors are worked out at most: a full matrix of them is held."""


def effect_covariances(
    random: RandomPart,
    factors: Sequence[Floats],
    columns: Floats | None,
    weight: Floats | sparse.csr_matrix,
) -> list[Floats]:
    """Covariance of each level's effects, one (levels, k, k) array a grouping.

    factors: L, in units of the response.  columns: X (n, p), or None with the fixed effects taken
    as known.  weight: one over the residual variance, or the working weights, (n,); or the
    inverse (n, n) of the residuals' covariance.
    """
    total = sum(g.size for g in random.groupings)
    if total > MOST:
        raise MixedModelError(
            f"{total} random effects are too many for errors of each (at most {MOST})."
        )
    inverse_of_r = sparse.diags(weight) if isinstance(weight, np.ndarray) else weight
    n = inverse_of_r.shape[0]
    blocks = []
    for g, f in zip(random.groupings, factors, strict=True):
        own = [np.ones(n) if x is None else x for x in g.values]
        for b in range(g.k):
            mixed = sum(own[a] * f[a, b] for a in range(g.k))
            blocks.append(sparse.csr_matrix((mixed, (np.arange(n), g.codes)), (n, g.n_levels)))
    zl = sparse.hstack(blocks).tocsr()
    weighted = inverse_of_r @ zl
    matrix = np.asarray((zl.T @ weighted).todense()) + np.eye(zl.shape[1])
    if columns is not None:
        side = weighted.T @ columns
        inner = columns.T @ (inverse_of_r @ columns)
        matrix = matrix - side @ np.linalg.solve(inner, side.T)
    inverse = np.linalg.inv(matrix)
    out, start = [], 0
    for g, f in zip(random.groupings, factors, strict=True):
        j = np.arange(g.n_levels)
        at = start + np.arange(g.k)[:, None] * g.n_levels + j
        own_block = inverse[at.T[:, :, None], at.T[:, None, :]]
        out.append(g.outward @ f @ own_block @ f.T @ g.outward.T)
        start += g.size
    return out


# ------------------------------------------------------------------------------------------------
# What every fit says of its random effects, beside what `inference` says of the fixed ones.
# ------------------------------------------------------------------------------------------------

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
    @abstractmethod
    def boundary(self) -> tuple[str, ...]:
        """Groupings whose covariance is estimated on its boundary."""

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
            shown = g.outward @ f
            out[g.name] = pd.DataFrame(self._unit_variance * shown @ shown.T, names, names)
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
            g.name: pd.DataFrame(b @ g.outward.T, index=g.levels, columns=list(g.columns))
            for g, b in zip(self.random.groupings, self._effects, strict=True)
        }

    @abstractmethod
    def _error_weights(self) -> Floats | sparse.csr_matrix:
        """One over the residual variance of each record, or the working weights, (n,); or the
        inverse of the residuals' covariance."""

    def random_effect_se(self, *, fixed_known: bool = False) -> dict[str, pd.DataFrame]:
        """Standard errors of the predicted effects, tables as `random_effects`.

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

    def plot(self, kind: str = "residuals", group: str | None = None) -> Figure:
        """A matplotlib figure.  ``residuals``: standardised residuals over fitted values, and
        against the normal law; ``effects``: the predicted effects of a grouping (the one with
        fewest levels unless ``group`` names it) with 95 % limits.  A notebook shows it where it is
        a cell's last line; elsewhere ``savefig`` writes it.

        Raises MixedModelError for another kind, a grouping the fit lacks, and ordered scores'
        residuals."""
        return plot_fit(self, kind, group)

    def fixed_part(self) -> Floats:
        """X b of the records, (n,), without offset or random effects."""
        return Dense(self.part.rows[:, self.part.kept], self.part.codes).times(self._beta)


# ------------------------------------------------------------------------------------------------
# A fit as a page of text.
# ------------------------------------------------------------------------------------------------

def describe(fit: MixedFit, kind: str, scale: str) -> str:
    """What was fitted to what, the spread of each grouping, and the fixed effects."""
    groups = ", ".join(f"{g.name} ({g.n_levels})" for g in fit.random.groupings) or "none"
    lines = [
        f"{kind}, {fit.method.upper()}: {fit.formula}",
        f"{fit.n} records; groupings (levels): {groups}",
        f"-2 log likelihood: {fit.objective:.4f}{'; ' + scale if scale else ''}",
        "",
        "Standard deviations",
        fit.group_sd.to_string() if len(fit.group_sd) else "  no grouping",
    ]
    if fit.boundary:
        lines.append(f"estimated on the boundary: {', '.join(fit.boundary)}")
    if fit.dropped:
        lines.append(f"left out, as other columns say the same: {', '.join(fit.dropped)}")
    errors = pd.Series(fit.cov_fixed.to_numpy().diagonal() ** 0.5, index=fit.fixed.index)
    table = pd.DataFrame({"estimate": fit.fixed, "se": errors})
    return "\n".join([*lines, "", "Fixed effects (se not adjusted for small samples)",
                      table.to_string()])


# ------------------------------------------------------------------------------------------------
# Fits of the same records side by side: likelihood ratio and information criteria.
#
# AIC: Akaike 1974, IEEE Trans. Autom. Control 19:716.  BIC: Schwarz 1978, Ann. Stat. 6:461.  A
# variance tested at zero lies on the edge of what is possible, so that chi-squared gives too large
# a p, for one variance twice (Self & Liang 1987, J. Am. Stat. Assoc. 82:605).
# ------------------------------------------------------------------------------------------------

EDGE = "a variance is tested at zero: p is too large, at most by a factor of two for one variance"


def compare_fits(*fits: MixedFit, names: list[str] | None = None) -> pd.DataFrame:
    """A row a fit, fewest parameters first: formula, parameters, log_likelihood, aic, bic, and
    against the row above statistic, df, p, remark.

    Raises MixedModelError for fits of different records, kinds or methods, and for REML fits
    whose fixed parts differ: their likelihoods are of different quantities; refit by ML.
    """
    if len(fits) < 2:
        raise MixedModelError("give two fits or more to compare.")
    first = fits[0]
    for other in fits[1:]:
        if _kind(other) != _kind(first):
            raise MixedModelError(
                f"fits of different kinds cannot be compared: {_kind(first)} and {_kind(other)}."
            )
        if len(other.y) != len(first.y) or not np.array_equal(other.y, first.y):
            raise MixedModelError("the fits are of different records or responses.")
        if other.method != first.method:
            raise MixedModelError(
                f"one fit is by {first.method.upper()}, another by {other.method.upper()}; "
                "refit them alike."
            )
        if first.method == "reml" and not (_within(first, other) and _within(other, first)):
            raise MixedModelError(
                f"REML fits with different fixed parts cannot be compared ('{first.formula}' and "
                f"'{other.formula}'): the likelihoods are of different residuals. Refit both with "
                "method='ml'."
            )
    titles = names or [f"fit {i + 1}" for i in range(len(fits))]
    order = sorted(range(len(fits)), key=lambda i: fits[i].parameters)
    rows = {}
    before: MixedFit | None = None
    for i in order:
        fit = fits[i]
        k, n = fit.parameters, len(fit.y)
        test = _ratio(before, fit) if before is not None else (np.nan, np.nan, np.nan, "")
        rows[titles[i]] = {
            "formula": fit.formula, "groups": ", ".join(g.name for g in fit.random.groupings),
            "parameters": k, "log_likelihood": -0.5 * fit.objective,
            "aic": fit.objective + 2.0 * k, "bic": fit.objective + np.log(n) * k,
            "statistic": test[0], "df": test[1], "p": test[2], "remark": test[3],
        }  # fmt: skip
        before = fit
    return pd.DataFrame(rows).T.infer_objects()


def _kind(fit: MixedFit) -> str:
    family = getattr(fit, "family", None)
    name = str(getattr(fit, "compared_as", type(fit).__name__))
    return f"{name} {family.name}" if family is not None else name


def _ratio(small: MixedFit, large: MixedFit) -> tuple[float, float, float, str]:
    nested = _within(small, large) and _groups_within(small, large)
    if not nested or not _errors_within(small, large):
        return np.nan, np.nan, np.nan, "not one within the other: no test, compare aic"
    df = large.parameters - small.parameters
    if df <= 0:
        return np.nan, np.nan, np.nan, "as many parameters: no test"
    statistic = max(small.objective - large.objective, 0.0)
    more = _variances(large) > _variances(small)
    return statistic, float(df), float(stats.chi2.sf(statistic, df)), EDGE if more else ""


def _variances(fit: MixedFit) -> int:
    """Variances, without the covariances: those may be of either sign, so zero is no edge."""
    return sum(
        all(a == b for a, b in entries) for g in fit.random.groupings for entries in g.parameters
    )


def _groups_within(small: MixedFit, large: MixedFit) -> bool:
    """Whether each covariance of the small model is one of the large model's, or less of it."""
    named = {g.name: g for g in large.random.groupings}
    for g in small.random.groupings:
        other = named.get(g.name)
        if other is None or not set(g.columns) <= set(other.columns):
            return False
        if other.shared and not g.shared and g.k > 1:
            return False
    return True


def _errors_within(small: MixedFit, large: MixedFit) -> bool:
    """Whether the small model's errors are those of the large one, or those of equal variance
    without correlation."""
    small_errors, large_errors = (getattr(fit, "structure", None) for fit in (small, large))
    if small_errors is None:
        return True
    return large_errors is not None and all(
        mine in ("", its) for mine, its in ((small_errors.serial, large_errors.serial),
                                            (small_errors.spread_by, large_errors.spread_by))
    )  # fmt: skip


def _within(small: MixedFit, large: MixedFit) -> bool:
    """Whether the small model's fixed effects lie in the span of the large one's."""
    pairs, _ = _distinct(small, large)
    a = small.part.basis[pairs[:, 0]]
    b = large.part.basis[pairs[:, 1]]
    left = a - b @ np.linalg.lstsq(b, a, rcond=None)[0]
    return bool(np.abs(left).max() <= 1e-7 * max(float(np.abs(a).max()), 1e-300))


def _distinct(small: MixedFit, large: MixedFit) -> tuple[Floats, Floats]:
    both = np.column_stack([small.part.codes, large.part.codes])
    return np.unique(both, axis=0, return_inverse=True)


# ------------------------------------------------------------------------------------------------
# Pictures of a fit: its residuals, and its predicted effects with their errors.
#
# Plain matplotlib, loaded when a picture is asked for.
# ------------------------------------------------------------------------------------------------

KINDS = ("residuals", "effects")
BAND = 0.95


def plot_fit(fit: MixedFit, kind: str, group: str | None) -> Figure:
    """A figure of one kind; see `MixedFit.plot`."""
    if kind not in KINDS:
        raise MixedModelError(f"plot kind '{kind}' is not one of: {', '.join(KINDS)}.")
    from matplotlib import pyplot

    figure = _residuals(fit) if kind == "residuals" else _effects(fit, group)
    pyplot.close(figure)  # a notebook shows what a cell returns, and would show it twice
    return figure


def _canvas(width: float, height: float) -> Figure:
    from matplotlib import pyplot

    return pyplot.figure(figsize=(width, height), layout="constrained")


def _residuals(fit: MixedFit) -> Figure:
    """Left, residuals over fitted values; right, against the normal law they should follow."""
    figure = _canvas(8.0, 3.6)
    left, right = figure.subplots(1, 2)
    residuals = getattr(fit, "residuals", None)
    if residuals is None:
        raise MixedModelError("residuals of ordered scores are not drawn; plot('effects') is.")
    values: Floats = residuals("quantile")
    fitted: Floats = fit.fitted  # type: ignore[attr-defined]
    left.scatter(fitted, values, s=12, alpha=0.5, color="C0", edgecolor="none")
    left.axhline(0.0, color="0.4", linewidth=1)
    left.set(xlabel="fitted", ylabel="standardised residual")
    n = len(values)
    order = np.arange(1, n + 1)
    expected = stats.norm.ppf((order - 0.5) / n)
    # each point's own limits: the law of the i-th of n in order (uniform: beta(i, n + 1 - i))
    tail = 0.5 * (1.0 - BAND)
    low, high = (stats.norm.ppf(stats.beta.ppf(q, order, n + 1 - order))
                 for q in (tail, 1.0 - tail))  # fmt: skip
    right.fill_between(expected, low, high, color="0.85", linewidth=0)
    right.plot(expected, expected, color="0.4", linewidth=1)
    right.scatter(expected, np.sort(values), s=12, alpha=0.6, color="C0", edgecolor="none")
    right.set(xlabel=f"normal quantile (band: {100 * BAND:.0f}% for each point)",
              ylabel="residual, in order")  # fmt: skip
    return figure


def _effects(fit: MixedFit, group: str | None) -> Figure:
    """Each level's effects in order of size, with 95% limits, a panel an effect."""
    names = list(fit.random_effects)
    if not names:
        raise MixedModelError("this fit has no groupings, so there are no effects to draw.")
    name = min(names, key=lambda x: len(fit.random_effects[x])) if group is None else group
    if name not in names:
        raise MixedModelError(f"'{name}' is not a grouping of this fit: {', '.join(names)}.")
    effects = fit.random_effects[name]
    errors = fit.random_effect_se()[name]
    count, panels = effects.shape
    height = min(12.0, 1.2 + 0.2 * count)
    figure = _canvas(4.0 * panels, height)
    axes = figure.subplots(1, panels, squeeze=False)[0]
    for axis, column in zip(axes, effects.columns, strict=True):
        order = np.argsort(effects[column].to_numpy())
        value = effects[column].to_numpy()[order]
        half = stats.norm.ppf(0.5 + 0.5 * BAND) * errors[column].to_numpy()[order]
        axis.errorbar(value, np.arange(count), xerr=half, fmt="o", markersize=4, color="C0")
        axis.axvline(0.0, color="0.4", linewidth=1)
        labels = [str(x) for x in effects.index[order]]
        axis.set_yticks(np.arange(count), labels if count <= 60 else [""] * count)
        title = name if column == "Intercept" else f"{name}, slope in {column}"
        axis.set(xlabel=f"{title} ({100 * BAND:.0f}% limits)")
    return figure
