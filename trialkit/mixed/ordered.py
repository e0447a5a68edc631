"""Ordered scores: cumulative logit and probit models, with or without random effects.

P(Y <= j) = F(theta_j - x'b - z'u), theta increasing (McCullagh 1980, J. R. Stat. Soc. B 42:109,
eq. 2.1); u is integrated out by Laplace, or for one grouping by adaptive Gauss-Hermite quadrature
(Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4:12).  Random effects in cumulative models:
Tutz & Hennevogl 1996, Comput. Stat. Data Anal. 22:537.

Whether one effect serves all thresholds is tested by the likelihood of the model in which a
term has an effect of its own at each (Peterson & Harrell 1990, Appl. Stat. 39:205):

    fit = fit_ordered("score ~ variety + block", data, groups=["taster"])
    fit.proportional()                       # a row a term: statistic, df, p
    odds_test(counts, x, tested=[0, 1])      # the same from counts (plots, scores) and columns x
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy import special, stats
from scipy.optimize import minimize

from trialkit.mixed.comparison import Comparison, compare_means
from trialkit.mixed.crossproducts import Dense, RandomPart, not_in_fixed
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.family import Derivatives
from trialkit.mixed.fit import MixedFit
from trialkit.mixed.fixed import FixedPart, independent_columns, make_fixed, split_formula
from trialkit.mixed.grid import marginal_cells
from trialkit.mixed.grouping import (
    Codes,
    Floats,
    column,
    make_groupings,
    no_blanks,
    numbers_of,
)
from trialkit.mixed.laplace import Laplace, Mode
from trialkit.mixed.smallsample import check_level
from trialkit.mixed.strata import between_within
from trialkit.mixed.threads import few_threads
from trialkit.mixed.triangles import Triangles

LINKS = ("logit", "probit")
# A linear predictor that spans more than this has left the scores' range: separated
SEPARATED = 30.0


@dataclass
class ScoreLaw:
    """The probability of each record's score, with what Laplace needs of it.

    codes (n,) the score's number from 0; times (n,) how often the record stands for; upper, lower
    (n,): the record's thresholds, infinite at the ends.
    """

    codes: Codes
    times: Floats
    link: str
    upper: Floats
    lower: Floats

    name = "ordered"
    has_size = False

    def _density(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """f and its first two derivatives; zero at the infinite ends."""
        at = np.clip(x, -700.0, 700.0)
        if self.link == "logit":
            low = special.expit(at)
            f = low * special.expit(-at)
            bend = 1.0 - 2.0 * low
            return f, f * bend, f * (bend**2 - 2.0 * f)
        f = np.exp(-0.5 * at**2) / np.sqrt(2.0 * np.pi)
        return f, -at * f, (at**2 - 1.0) * f

    def _share(self, a: Floats, b: Floats) -> Floats:
        """F(a) - F(b), from the nearer tail so that small shares keep their digits."""
        law = special.expit if self.link == "logit" else special.ndtr
        right = b > 0
        out = np.where(right, law(-b) - law(-a), law(a) - law(b))
        return np.asarray(np.maximum(out, 1e-300))

    def _parts(self, eta: Floats) -> tuple[Any, Any, Floats]:
        a, b = self.upper - eta, self.lower - eta
        return self._density(a), self._density(b), self._share(a, b)

    def derivatives(self, eta: Floats, k: float) -> Derivatives:
        (fa, fa1, fa2), (fb, fb1, fb2), share = self._parts(eta)
        first = -(fa - fb) / share
        second = (fa1 - fb1) / share
        third = -(fa2 - fb2) / share
        bad = self.upper <= self.lower
        log_density = np.where(bad, -np.inf, np.log(share))
        slope = third - 3.0 * first * second + 2.0 * first**3
        m = self.times
        return Derivatives(
            m * log_density, m * first, m * (first**2 - second), -m * slope
        )

    def in_thresholds(self, eta: Floats) -> tuple[tuple[Floats, Floats, Floats], ...]:
        """For the upper and the lower threshold of each record: dl, d2l/deta, dw (n,)."""
        (fa, fa1, fa2), (fb, fb1, fb2), share = self._parts(eta)
        first = -(fa - fb) / share
        second = (fa1 - fb1) / share - first**2
        out = []
        for sign, f, f1, f2 in ((1.0, fa, fa1, fa2), (-1.0, fb, fb1, fb2)):
            g, g1, g2 = sign * f / share, sign * f1 / share, sign * f2 / share
            mixed = -g1 - first * g
            weight = -(g2 + 2.0 * first * g1 - second * g + first**2 * g)
            out.append((self.times * g, self.times * mixed, self.times * weight))
        return tuple(out)


class _ScoreLaplace(Laplace):
    """`Laplace` whose law has two thresholds a record: derivatives in both, (2, n) in a row."""

    def in_law(self, mode: Mode, k: float, h: Floats, move: Floats) -> Floats:
        law: Any = self.family
        return np.concatenate(
            [-2.0 * g + h * w + move * mixed for g, mixed, w in law.in_thresholds(mode.eta)]
        )


class _Search:
    """-2 log likelihood over (factors, thresholds, effects, effects by threshold).

    x (u, q): centred columns with one effect; own (u, s): columns with an effect at each
    threshold; codes: the row of each record.
    """

    def __init__(self, codes: Codes, scores: Codes, times: Floats, count: int, link: str,
                 x: Floats, own: Floats, random: RandomPart) -> None:  # fmt: skip
        n = len(scores)
        self.link, self.count, self.random, self.own = link, count, random, own
        self.scores, self.codes = scores, codes
        self.law = ScoreLaw(scores, times, link, np.full(n, np.inf), np.full(n, -np.inf))
        self.laplace = _ScoreLaplace(random, Dense(x, codes), self.law, None, reml=False)  # type: ignore[arg-type]
        self.triangles = Triangles(random.groupings, [np.ones(g.k) for g in random.groupings])
        self.q, self.s = x.shape[1], own.shape[1]
        self.nodes = 1

    def start(self) -> Floats:
        share = np.bincount(self.scores, weights=self.law.times, minlength=self.count)
        below = np.cumsum(share)[:-1] / share.sum()
        inverse = special.logit if self.link == "logit" else special.ndtri
        theta = inverse(below)
        steps = np.concatenate([theta[:1], np.log(np.diff(theta))])
        factors = self.triangles.pack([0.5 * np.eye(g.k) for g in self.random.groupings])
        return np.concatenate([factors, steps, np.zeros(self.q + self.s * (self.count - 1))])

    def parts(self, at: Floats) -> tuple[list[Floats], Floats, Floats, Floats]:
        """Factors, thresholds (J - 1,), effects (q,) and effects by threshold (s, J - 1)."""
        a, c = self.triangles.size, self.count - 1
        steps = at[a : a + c]
        theta = np.cumsum(np.concatenate([steps[:1], np.exp(steps[1:])]))
        own = at[a + c + self.q :].reshape(self.s, c)
        return self.triangles.unpack(at), theta, at[a + c : a + c + self.q], own

    def place(self, theta: Floats, own: Floats) -> None:
        """Set each record's two thresholds."""
        table = theta + self.own @ own
        ends = np.column_stack([
            np.full(len(table), -np.inf), table, np.full(len(table), np.inf)
        ])  # fmt: skip
        self.law.lower = ends[self.codes, self.scores]
        self.law.upper = ends[self.codes, self.scores + 1]

    def mode(self, at: Floats) -> Mode:
        factors, theta, beta, own = self.parts(at)
        self.place(theta, own)
        return self.laplace.mode(factors, 0.0, beta)

    def __call__(self, at: Floats) -> tuple[float, Floats]:
        factors, theta, beta, own = self.parts(at)
        self.place(theta, own)
        if (self.law.upper <= self.law.lower).any():
            raise MixedModelError("thresholds out of order")
        mode = self.laplace.mode(factors, 0.0, beta)
        in_factors, in_ends, in_beta = self.laplace.gradient(mode, factors, 0.0)
        up, low = in_ends[: len(self.scores)], in_ends[len(self.scores) :]
        c = self.count - 1
        cells = self.codes * (c + 2) + self.scores
        size = len(self.own) * (c + 2)
        table = np.bincount(cells, low, size) + np.bincount(cells + 1, up, size)
        table = table.reshape(len(self.own), c + 2)[:, 1:-1]
        in_theta = table.sum(axis=0)
        later = np.cumsum(in_theta[::-1])[::-1]
        steps = at[self.triangles.size : self.triangles.size + c]
        in_steps = later * np.concatenate([[1.0], np.exp(steps[1:])])
        in_own = (self.own.T @ table).ravel()
        parts = [self.triangles.gradient(in_factors), in_steps, in_beta, in_own]
        return self.laplace.value(mode), np.concatenate(parts)

    def quadrature(self, at: Floats, nodes: int) -> float:
        """-2 log likelihood by adaptive Gauss-Hermite nodes around each level's mode."""
        mode = self.mode(at)
        g = self.random.groupings[0]
        sd = self.parts(at)[0][0][0, 0]
        fixed = mode.eta - sd * mode.u[0][g.codes, 0]
        spread = 1.0 / np.sqrt(1.0 + sd**2 * np.bincount(g.codes, mode.at.weight, g.n_levels))
        z, w = np.polynomial.hermite.hermgauss(nodes)
        logs = []
        for node, weight in zip(z, w, strict=True):
            u = mode.u[0][:, 0] + np.sqrt(2.0) * spread * node
            density = self.law.derivatives(fixed + sd * u[g.codes], 0.0).log_density
            total = np.bincount(g.codes, density, g.n_levels) - 0.5 * u**2
            logs.append(total + node**2 + np.log(weight) + np.log(spread) - 0.5 * np.log(np.pi))
        return -2.0 * float(special.logsumexp(np.array(logs), axis=0).sum())

    def run(self, nodes: int = 1) -> tuple[Floats, float, Floats]:
        """The optimum, -2 log likelihood there, and its Hessian."""
        at = self._minimise(self.start(), self)
        at = self._settle(at)
        if nodes > 1:

            def value(x: Floats) -> tuple[float, Floats]:
                gradient = np.empty(len(x))
                for i in range(len(x)):
                    step = np.zeros(len(x))
                    step[i] = 1e-4
                    ahead, behind = (self.quadrature(x + s, nodes) for s in (step, -step))
                    gradient[i] = (ahead - behind) / 2e-4
                return self.quadrature(x, nodes), gradient

            at = self._minimise(at, value)
            return at, value(at)[0], self._hessian(at, value)
        return at, self(at)[0], self._hessian(at, self)

    def _minimise(self, at: Floats, value: Any) -> Floats:
        free = np.ones(len(at), dtype=bool)
        free[: self.triangles.size] = at[: self.triangles.size] != 0.0
        full = at.copy()

        def over(part: Floats) -> tuple[float, Floats]:
            there = full.copy()
            there[free] = part
            try:
                low, gradient = value(there)
            except MixedModelError:
                return 1e100, np.zeros(int(free.sum()))
            return (low, gradient[free]) if np.isfinite(low) else (1e100, 0.0 * gradient[free])

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for _ in range(4):
                found = minimize(over, full[free], jac=True, method="BFGS",
                                 options={"gtol": 1e-6, "maxiter": 500})  # fmt: skip
                full[free] = found.x
                if np.abs(found.jac).max() < 1e-4:
                    break
        return full

    def _settle(self, at: Floats) -> Floats:
        """Variances that are nearly zero are tried at exactly zero."""
        low = self(at)[0]
        for columns in self.triangles.columns():
            if np.abs(at[columns]).max() > 0.2:
                continue
            trial = at.copy()
            trial[columns] = 0.0
            trial = self._minimise(trial, self)
            if self(trial)[0] <= low + 1e-6:
                at, low = trial, self(trial)[0]
        return at

    def _hessian(self, at: Floats, value: Any) -> Floats:
        out = np.empty((len(at), len(at)))
        for i in range(len(at)):
            step = np.zeros(len(at))
            step[i] = 1e-4 * max(1.0, abs(at[i]))
            out[i] = (value(at + step)[1] - value(at - step)[1]) / (2.0 * step[i])
        return 0.5 * (out + out.T)


@dataclass(frozen=True)
class OddsTest:
    """statistic: twice the gain in log likelihood; df; p by chi-squared."""

    statistic: float
    df: int
    p: float


def odds_test(
    counts: Floats, x: Floats, tested: Sequence[int], *, link: str = "logit"
) -> OddsTest:
    """Does one effect of the ``tested`` columns serve all thresholds?  By the likelihood.

    counts (plots, scores): pieces of each score in each plot, lowest first.  x (plots, q): columns
    of the model, no intercept among them, linearly independent of each other and of one.

    The test takes pieces of one plot as independent: divide ``statistic`` by the spread between
    plots where there is one.  Raises MixedModelError where a search does not end.
    """
    counts = np.asarray(counts, dtype=np.float64)
    used = counts.sum(axis=0) > 0
    counts = counts[:, used]
    if counts.shape[1] < 3:
        raise MixedModelError("proportional odds need three scores at least; with two there is "
                              "one threshold and nothing to compare.")
    plots, scores = np.nonzero(counts)
    times = counts[plots, scores]
    x = np.asarray(x, dtype=np.float64)
    x = x - np.average(x, axis=0, weights=counts.sum(axis=1))
    none = RandomPart(())
    own = np.asarray(tested, dtype=np.intp)
    rest = np.setdiff1d(np.arange(x.shape[1]), own)
    empty = np.zeros((len(x), 0))
    count = counts.shape[1]
    plain = _least(_Search(plots, scores, times, count, link, _scaled(x), empty, none))
    free = _least(
        _Search(plots, scores, times, count, link, _scaled(x[:, rest]), _scaled(x[:, own]), none)
    )
    return _odds(plain - free, len(own) * (count - 2))


def _odds(statistic: float, df: int) -> OddsTest:
    statistic = max(statistic, 0.0)
    return OddsTest(statistic, df, float(stats.chi2.sf(statistic, df)))


def _scaled(x: Floats) -> Floats:
    """The same column space with columns of unit mean square and no correlation."""
    if not x.shape[1]:
        return x
    return np.asarray(independent_columns(x)[1] * np.sqrt(len(x)))


def _least(search: _Search) -> float:
    at = search._minimise(search.start(), search)
    return search(at)[0]


@dataclass(frozen=True, repr=False)
class OrderedFit(MixedFit):
    """A fitted cumulative model.  Made by `fit_ordered`; see there for the arguments.

    Estimates are on the scale of the link (log-odds, or standard deviations): positive means
    higher scores.  scores: the distinct scores, lowest first; thresholds: one less.
    """

    formula: str
    link: str
    part: FixedPart
    random: RandomPart
    y: Floats
    times: Floats
    scores: pd.Index
    thresholds: pd.Series
    objective: float
    nodes: int
    found: tuple[tuple[Floats, ...], Floats, Floats, Mode]

    default_df = "asymptotic"
    method = "ml"

    def __repr__(self) -> str:
        errors = np.sqrt(np.diagonal(self.joint))
        c = len(self.thresholds)
        groups = ", ".join(f"{g.name} ({g.n_levels})" for g in self.random.groupings) or "none"
        ends = pd.DataFrame({"estimate": self.thresholds, "se": errors[:c]})
        effects = pd.DataFrame({"estimate": self.effects, "se": errors[c:]})
        return "\n".join([
            f"Cumulative {self.link} model: {self.formula}",
            f"{self.n} records; groupings (levels): {groups}",
            f"-2 log likelihood: {self.objective:.4f}", "", "Standard deviations",
            self.group_sd.to_string() if len(self.group_sd) else "  no grouping", "",
            "Thresholds", ends.to_string(), "", "Effects", effects.to_string(),
        ])  # fmt: skip

    @property
    def log_likelihood(self) -> float:
        return -0.5 * self.objective

    @property
    def factors(self) -> tuple[Floats, ...]:
        return self.found[0]

    @property
    def joint(self) -> Floats:
        """Covariance of (thresholds, effects), (J - 1 + q,) square."""
        return self.found[2]

    @property
    def effects(self) -> pd.Series:
        """Effects of the columns beside the intercept, (q,)."""
        return pd.Series(self.found[1], index=self._kept_names[1:], name="estimate")

    @property
    def _unit_variance(self) -> float:
        return 1.0

    @cached_property
    def boundary(self) -> tuple[str, ...]:
        """Groupings whose variance is estimated as zero."""
        pairs = zip(self.random.groupings, self.factors, strict=True)
        return tuple(g.name for g, f in pairs if np.abs(np.diagonal(f)).min() < 1e-6)

    @cached_property
    def _to_kept(self) -> Floats:
        """(thresholds, effects) -> coefficients whose intercept stands for -mean(thresholds)."""
        c, q = len(self.thresholds), len(self.found[1])
        out = np.zeros((q + 1, c + q))
        out[0, :c] = -1.0 / c
        out[1:, c:] = np.eye(q)
        return out

    @cached_property
    def _beta(self) -> Floats:
        both = np.concatenate([self.thresholds.to_numpy(), self.found[1]])
        return np.asarray(self._to_kept @ both)

    @cached_property
    def _phi(self) -> Floats:
        return np.asarray(self._to_kept @ self.joint @ self._to_kept.T)

    def _rows_covariance(self, contrast: Floats, df: str | float) -> Floats:
        return np.asarray(contrast @ self._phi @ contrast.T)

    def _row_df(self, contrast: Floats, df: str | float) -> Floats:
        if isinstance(df, int | float) and df > 0:
            return np.full(len(contrast), float(df))
        if df == "between-within":
            return between_within(self.part, self.random, contrast)
        if df == "asymptotic":
            return np.full(len(contrast), np.inf)
        raise MixedModelError(
            f"df='{df}' is not one of: asymptotic, between-within, or a number above 0."
        )

    def _f_moments(self, contrast: Floats, df: str | float) -> tuple[float, float]:
        return 1.0, float(np.min(self._row_df(contrast, df)))

    @cached_property
    def _effects(self) -> list[Floats]:
        return [u @ f.T for u, f in zip(self.found[3].u, self.factors, strict=True)]

    def compare(self, factor: str, against: str | None = None, *, df: str | float | None = None,
                level: float = 0.95, by: str | None = None, ratio: bool = False
                ) -> Comparison:  # fmt: skip
        """All pairs (Tukey-Kramer) or each against one level (Dunnett), on the link's scale;
        ``ratio=True`` gives odds ratios (logit only)."""
        if ratio and self.link != "logit":
            raise MixedModelError("only logit effects are ratios of odds; leave ratio out.")
        return compare_means(self, factor, against, df=df, level=level, by=by, ratio=ratio)

    def shares(self, factor: str, *, by: str | None = None, level: float = 0.95) -> pd.DataFrame:
        """The share of each score at each level of a factor, for an average level of every
        grouping: probabilities of the grid's cells, averaged with equal weights.

        Columns: the factor (and ``by``), score, share, se (delta method), low, high (on the logit
        of the share, so that they stay between 0 and 1)."""
        check_level(level)
        labels, cells = marginal_cells(self.part, factor, by)
        tables = []
        z = stats.norm.ppf(0.5 + level / 2.0)
        c = len(self.thresholds)
        ends = self.thresholds.to_numpy()
        law = special.expit if self.link == "logit" else special.ndtr
        density = ScoreLaw(np.zeros(1, dtype=np.intp), np.ones(1), self.link, ends, ends)._density
        for i, rows in enumerate(cells):
            x = rows[:, self.part.kept[1:]]
            at = ends[None, :] - (x @ self.found[1])[:, None]
            below, f = law(at), density(at)[0]
            slopes = np.zeros((c + 2, c + x.shape[1]))
            slopes[1 : c + 1, :c] = np.diag(f.mean(axis=0))
            slopes[1 : c + 1, c:] = -f.T @ x / len(x)
            share = np.diff(np.concatenate([[0.0], below.mean(axis=0), [1.0]]))
            step = np.diff(slopes, axis=0)
            se = np.sqrt(np.einsum("ja,ab,jb->j", step, self.joint, step))
            share = np.where(self.part.estimable(rows).all(), share, np.nan)
            half = z * se / np.maximum(share * (1.0 - share), 1e-300)
            middle = special.logit(share)
            table = pd.DataFrame({"score": self.scores, "share": share, "se": se,
                                  "low": special.expit(middle - half),
                                  "high": special.expit(middle + half)})  # fmt: skip
            for name in reversed(list(labels.columns)):
                table.insert(0, name, labels[name].iloc[i])
            tables.append(table)
        return pd.concat(tables, ignore_index=True)

    def proportional(self, terms: Sequence[str] | None = None) -> pd.DataFrame:
        """Test proportional odds term by term: statistic, df, p of the likelihood ratio against a
        model in which the term has an effect of its own at each threshold, everything else (the
        groupings' variances too) fitted again.  NaN with one threshold."""
        named = [t for t in self.part.terms if t != "1"] if terms is None else list(terms)
        kept = self.part.kept[1:]
        rows = self.part.rows[:, kept]
        rows = rows - rows[self.part.codes].mean(axis=0)
        out = {}
        codes = np.searchsorted(np.arange(len(self.scores)), self.y.astype(np.intp))
        count = len(self.scores)
        for term in named:
            if term not in self.part.terms:
                raise MixedModelError(f"'{term}' is not a term of the formula; its terms: "
                                      f"{', '.join(self.part.terms)}.")
            own = np.isin(kept, self.part.terms[term])
            df = int(own.sum()) * (count - 2)
            if not df:
                out[term] = {"statistic": np.nan, "df": 0, "p": np.nan}
                continue
            free = _Search(self.part.codes, codes, self.times, count, self.link,
                           _scaled(rows[:, ~own]), _scaled(rows[:, own]), self.random)
            plain = _Search(self.part.codes, codes, self.times, count, self.link,
                            _scaled(rows), rows[:, :0], self.random)
            test = _odds(_least(plain) - _least(free), df)
            out[term] = {"statistic": test.statistic, "df": test.df, "p": test.p}
        return pd.DataFrame(out).T


def fit_ordered(
    formula: str,
    data: pd.DataFrame,
    groups: Sequence[str] = (),
    slopes: dict[str, Sequence[str]] | None = None,
    *,
    link: str = "logit",
    scores: Sequence[object] | None = None,
    weights: str | Floats | None = None,
    quadrature: int = 1,
) -> OrderedFit:
    """Fit a cumulative model to ordered scores by maximum likelihood.

    formula: ``"score ~ terms"``, with the intercept that a formula has unless told otherwise.
    groups, slopes: as in `fit_lmm`.
    link: ``"logit"`` (proportional odds) or ``"probit"``.
    scores: the scores in order, lowest first; without it an ordered categorical column's own
        order, or numbers by size.  A score never given is left out.
    weights: whole numbers, how many pieces a record stands for.
    quadrature: nodes of adaptive Gauss-Hermite quadrature, for one grouping without slopes;
        1 is the Laplace approximation.

    Raises MixedModelError on unusable input, fewer than two scores, and scores that a term
    separates (some level with only the lowest or only the highest: no finite effect).
    """
    if link not in LINKS:
        raise MixedModelError(f"link='{link}' is not one of: {', '.join(LINKS)}.")
    left, right = split_formula(formula)
    codes, levels = _score_codes(column(data, left, "response"), left, scores)
    part = make_fixed(right, data)
    if "Intercept" not in part.names:
        raise MixedModelError("the thresholds are the intercept of a cumulative model; leave "
                              "'0 +' or '- 1' out of the formula.")
    times, name = numbers_of(weights, data, "weights")
    times = np.ones(len(codes)) if times is None else times
    if (times <= 0).any() or (times != np.round(times)).any():
        raise MixedModelError(f"{name} must be whole numbers of pieces from 1.")
    random = RandomPart(make_groupings(data, groups, slopes, saturated=True), keep_pairs=True)
    if quadrature > 1 and (len(random.groupings) != 1 or random.groupings[0].k != 1):
        raise MixedModelError("quadrature needs one grouping without slopes; use quadrature=1 "
                              "(Laplace) for this model.")
    centred = part.rows[:, part.kept[1:]]
    mean = np.average(centred[part.codes], axis=0, weights=times)
    _, basis, triangle = independent_columns(centred - mean)
    if basis.shape[1] < centred.shape[1]:
        # one row a record keeps the intercept apart however few distinct rows there are
        raise MixedModelError("the thresholds and the terms of the formula say the same thing.")
    size = np.sqrt(len(basis))
    with few_threads(random.r + part.p):
        not_in_fixed(random, part)
        search = _Search(part.codes, codes, times, len(levels), link, basis * size,
                         centred[:, :0], random)  # fmt: skip
        at, objective, hessian = search.run(quadrature)
    factors, theta, beta, _ = search.parts(at)
    effects = np.linalg.solve(triangle, beta * size) if len(beta) else beta
    if np.ptp(search.laplace.dense.times(beta)) > SEPARATED:
        raise MixedModelError(
            f"the scores of '{left}' are separated: some combination of the terms has only the "
            f"lowest or only the highest score.{_one_sided(part, data, codes, levels)}"
        )
    # from the search's coordinates to (thresholds, effects)
    a, c, q = search.triangles.size, len(theta), len(beta)
    steps = np.concatenate([[1.0], np.exp(at[a + 1 : a + c])])
    jacobian = np.zeros((c + q, a + c + q))
    jacobian[:c, a : a + c] = np.tril(np.ones((c, c))) * steps
    jacobian[c:, a + c :] = np.linalg.inv(triangle) * size if q else np.zeros((0, 0))
    jacobian[:c, a + c :] = mean @ jacobian[c:, a + c :]
    free = np.ones(len(at), dtype=bool)
    free[:a] = at[:a] != 0.0
    inverse = 2.0 * np.linalg.inv(hessian[np.ix_(free, free)])
    joint = jacobian[:, free] @ inverse @ jacobian[:, free].T
    if (np.diagonal(joint) <= 0).any():
        raise MixedModelError("the scores do not determine this model; use fewer terms or groups.")
    shown = [str(v) for v in levels]
    names = [f"{low}|{high}" for low, high in zip(shown[:-1], shown[1:], strict=True)]
    thresholds = pd.Series(theta + mean @ effects, index=names, name="estimate")
    return OrderedFit(formula, link, part, random, codes.astype(np.float64), times, levels,
                      thresholds, objective, quadrature,
                      (tuple(factors), effects, joint, search.mode(at)))  # fmt: skip


def _score_codes(
    values: pd.Series, name: str, scores: Sequence[object] | None
) -> tuple[Codes, pd.Index]:
    """Each record's score as a number from 0, and the scores that were given."""
    no_blanks(values, name, "response")
    if scores is not None:
        order = pd.Index(list(scores))
        unknown = sorted({str(v) for v in values.unique() if v not in order})
        if unknown:
            raise MixedModelError(
                f"response '{name}' holds {', '.join(unknown)}, not among scores."
            )
    elif isinstance(values.dtype, pd.CategoricalDtype):
        if not values.dtype.ordered:
            raise MixedModelError(f"response '{name}' is a categorical without an order; give "
                                  "scores=[lowest, ..., highest].")
        order = pd.Index(values.dtype.categories)
    elif pd.api.types.is_numeric_dtype(values):
        order = pd.Index(np.sort(values.unique()))
    else:
        raise MixedModelError(f"response '{name}' holds text; give scores=[lowest, ..., highest].")
    used = pd.Index([v for v in order if (values == v).any()])
    if len(used) < 2:
        raise MixedModelError(f"response '{name}' is {used[0]} in every record; there is nothing "
                              "to model.")
    return np.asarray(used.get_indexer(pd.Index(values)), dtype=np.intp), used


def _one_sided(part: FixedPart, data: pd.DataFrame, codes: Codes, levels: pd.Index) -> str:
    found = []
    for name in part.factors:
        ends = pd.Series(codes).groupby(data[name].to_numpy()).agg(["min", "max"])
        found += [
            f" Level '{level}' of '{name}' has only {levels[low]}."
            for level, low, high in ends.itertuples()
            if low == high and low in (0, len(levels) - 1)
        ]
    return "".join(found)

