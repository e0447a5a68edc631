"""Ordered scores: cumulative logit and probit models, with or without random effects.

Random effects in cumulative models: Tutz & Hennevogl 1996, Comput. Stat. Data Anal. 22:537.

Whether one effect serves all thresholds is tested by the likelihood of the model in which a
term has an effect of its own at each (Peterson & Harrell 1990, Appl. Stat. 39:205):

    fit = fit_ordered("score ~ variety + block", data, groups=["taster"])
    fit.proportional()                       # a row a term: statistic, df, p
    odds_test(counts, x, tested=[0, 1])      # the same from counts (plots, scores) and columns x
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special, stats

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import Dense, RandomPart, not_in_fixed
from trialkit.mixed.fixed import (
    FixedPart,
    design_rows,
    independent_columns,
    make_fixed,
    marginal_cells,
    split_formula,
)
from trialkit.mixed.grouping import (
    Codes,
    Floats,
    Triangles,
    column,
    make_groupings,
    no_blanks,
    numbers_of,
)
from trialkit.mixed.inference import Comparison, at_infinity, compare_means
from trialkit.mixed.laplace import (
    Derivatives,
    Laplace,
    Mode,
    Value,
    curvature,
    quasi_newton,
    settle_zeros,
)
from trialkit.mixed.likelihood import few_threads
from trialkit.mixed.linkfit import (
    Ends,
    LinkFit,
    Remaining,
    Separation,
    find_separation,
    separated_levels,
    without,
)
from trialkit.mixed.lmm import draw_effects, fixed_prediction, random_prediction
from trialkit.mixed.smallsample import check_level

# ------------------------------------------------------------------------------------------------
# Ordered scores: their probabilities, and the search for a cumulative model's parameters.
#
# P(Y <= j) = F(theta_j - x'b - z'u), theta increasing (McCullagh 1980, J. R. Stat. Soc. B 42:109,
# eq. 2.1); u is integrated out by Laplace, or for one grouping by adaptive Gauss-Hermite quadrature
# (Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4:12).
# ------------------------------------------------------------------------------------------------

SLOPE = 1e-6
"""The search for the least of -2 log likelihood ends where no slope is greater."""


Density = tuple[Floats, Floats, Floats]
"""f and its first two derivatives, (n,) each."""


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

    def density(self, x: Floats) -> Density:
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

    def _parts(self, eta: Floats) -> tuple[Density, Density, Floats]:
        a, b = self.upper - eta, self.lower - eta
        return self.density(a), self.density(b), self._share(a, b)

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


class ScoreLaplace(Laplace):
    """`Laplace` whose law has two thresholds a record: derivatives in both, (2, n) in a row."""

    def in_law(self, mode: Mode, k: float, h: Floats, move: Floats) -> Floats:
        law = cast(ScoreLaw, self.family)
        return np.concatenate(
            [-2.0 * g + h * w + move * mixed for g, mixed, w in law.in_thresholds(mode.eta)]
        )


class ScoreSearch:
    """-2 log likelihood over (factors, thresholds, effects, effects by threshold).

    x (u, q): centred columns with one effect; own (u, s): columns with an effect at each
    threshold; codes: the row of each record.  shift, tied (u,): the linear predictor also holds
    shift + tied mean(theta).
    """

    def __init__(self, codes: Codes, scores: Codes, times: Floats, count: int, link: str,
                 x: Floats, own: Floats, random: RandomPart, shift: Floats | None = None,
                 tied: Floats | None = None) -> None:  # fmt: skip
        n = len(scores)
        self.link, self.count, self.random, self.own = link, count, random, own
        self.scores, self.codes = scores, codes
        self.law = ScoreLaw(scores, times, link, np.full(n, np.inf), np.full(n, -np.inf))
        self.laplace = ScoreLaplace(random, Dense(x, codes), self.law, None, reml=False)  # type: ignore[arg-type]
        self.triangles = Triangles(random.groupings, [np.ones(g.k) for g in random.groupings])
        self.q, self.s = x.shape[1], own.shape[1]
        self.shift = np.zeros(len(x)) if shift is None else shift
        self.tied = np.zeros(len(x)) if tied is None else tied

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
        table = table - (self.shift + self.tied * theta.mean())[:, None]
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
        in_theta = table.sum(axis=0) - float(self.tied @ table.sum(axis=1)) / c
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

    def value_of(self, nodes: int) -> Value:
        """-2 log likelihood and its gradient: Laplace, or quadrature where nodes > 1."""
        if nodes <= 1:
            return self

        def value(x: Floats) -> tuple[float, Floats]:
            gradient = np.empty(len(x))
            for i in range(len(x)):
                step = np.zeros(len(x))
                step[i] = 1e-4
                ahead, behind = (self.quadrature(x + s, nodes) for s in (step, -step))
                gradient[i] = (ahead - behind) / 2e-4
            return self.quadrature(x, nodes), gradient

        return value

    def least(self, nodes: int = 1) -> tuple[Floats, float]:
        """The optimum and -2 log likelihood there."""
        start = self.start()
        at = quasi_newton(self, start, np.ones(len(start), dtype=bool), SLOPE)
        at = settle_zeros(self, self.triangles.columns(), at, SLOPE)
        if nodes > 1:
            # these slopes are differences themselves, good to about 1e-5
            at = quasi_newton(self.value_of(nodes), at, self.free(at), 10.0 * SLOPE, restarts=2)
        return at, self.value_of(nodes)(at)[0]

    def free(self, at: Floats) -> NDArray[np.bool_]:
        """All entries but variances at zero."""
        out = np.ones(len(at), dtype=bool)
        out[: self.triangles.size] = at[: self.triangles.size] != 0.0
        return out


# ------------------------------------------------------------------------------------------------
# Ordered scores: cumulative logit and probit models, with or without random effects.
# ------------------------------------------------------------------------------------------------

LINKS = ("logit", "probit")
# A linear predictor that spans more than this has left the scores' range: separated
SEPARATED = 30.0


@dataclass(frozen=True)
class OddsTest:
    """statistic: twice the gain in log likelihood; df; p by chi-squared."""

    statistic: float
    df: int
    p: float

    def to_frame(self) -> pd.DataFrame:
        """One row: statistic, df, p."""
        return pd.DataFrame([{"statistic": self.statistic, "df": self.df, "p": self.p}])


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
    plain = _height(ScoreSearch(plots, scores, times, count, link, _scaled(x), empty, none))
    free = _height(
        ScoreSearch(plots, scores, times, count, link, _scaled(x[:, rest]), _scaled(x[:, own]),
                    none)  # fmt: skip
    )
    return _odds(plain - free, len(own) * (count - 2))


def _odds(statistic: float, df: int) -> OddsTest:
    statistic = max(statistic, 0.0)
    return OddsTest(statistic, df, float(stats.chi2.sf(statistic, df)))


def _height(search: ScoreSearch) -> float:
    return search.least()[1]


def _scaled(x: Floats) -> Floats:
    """The same column space with columns of unit mean square and no correlation."""
    if not x.shape[1]:
        return x
    return np.asarray(independent_columns(x)[1] * np.sqrt(len(x)))


@dataclass(frozen=True)
class ScoreOptimum:
    """factors L; thresholds (J - 1,) and effects (q,) of the columns beside the intercept; joint:
    covariance of the two; mode of the random effects."""

    factors: tuple[Floats, ...]
    thresholds: Floats
    effects: Floats
    joint: Floats
    mode: Mode


@dataclass(frozen=True, repr=False)
class OrderedFit(LinkFit):
    """A fitted cumulative model.  Made by `fit_ordered`; see there for the arguments.

    Estimates are on the scale of the link (log-odds, or standard deviations): positive means
    higher scores.  scores: the distinct scores, lowest first.  separated, remaining: as in `GLMM`.
    """

    formula: str
    link: str
    part: FixedPart
    random: RandomPart
    y: Floats
    times: Floats
    scores: pd.Index
    objective: float
    nodes: int
    optimum: ScoreOptimum
    separation: Separation | None = None
    separated: tuple[str, ...] = ()
    remaining: Remaining | None = None

    default_df = "asymptotic"
    method = "ml"

    def __repr__(self) -> str:
        errors = np.sqrt(np.diagonal(self.joint))
        c = len(self.thresholds)
        groups = ", ".join(f"{g.name} ({g.n_levels})" for g in self.random.groupings) or "none"
        ends = pd.DataFrame({"estimate": self.thresholds, "se": errors[:c]})
        se = np.where(np.isfinite(self.effects), errors[c:], np.nan)
        effects = pd.DataFrame({"estimate": self.effects, "se": se})
        return "\n".join([
            f"Cumulative {self.link} model: {self.formula}",
            f"{self.n} records; groupings (levels): {groups}",
            f"-2 log likelihood: {self.objective:.4f}", "", "Standard deviations",
            self.group_sd.to_string() if len(self.group_sd) else "  no grouping", "",
            "Thresholds", ends.to_string(), "", "Effects", effects.to_string(),
        ])  # fmt: skip

    @property
    def _own(self) -> int:
        """The thresholds; the intercept among the fixed effects is none."""
        return len(self.scores) - 2

    def _error_weights(self) -> Floats:
        weights = np.zeros(self.n)
        records = np.ones(self.n, dtype=bool) if self.remaining is None else self.remaining.records
        weights[records] = self.optimum.mode.at.weight
        return weights

    @cached_property
    def thresholds(self) -> pd.Series:
        """Where one score gives way to the next, (J - 1,), at zero of all effects."""
        shown = [str(v) for v in self.scores]
        names = [f"{low}|{high}" for low, high in zip(shown[:-1], shown[1:], strict=True)]
        return pd.Series(self.optimum.thresholds, index=names, name="estimate")

    @cached_property
    def factors(self) -> tuple[Floats, ...]:
        return self._of_groupings(self.optimum.factors)

    @cached_property
    def joint(self) -> Floats:
        """Covariance of (thresholds, effects), (J - 1 + q,) square; zero where an effect is not
        finite."""
        if self.remaining is None:
            return self.optimum.joint
        c = len(self.optimum.thresholds)
        at = np.concatenate([np.arange(c), c + self._known[1:] - 1])
        out = np.zeros((c + self.p - 1, c + self.p - 1))
        out[np.ix_(at, at)] = self.optimum.joint
        return out

    @property
    def effects(self) -> pd.Series:
        """Effects of the columns beside the intercept, (q,)."""
        return self.fixed.iloc[1:]

    @cached_property
    def _effect_values(self) -> Floats:
        """The same with zero where the remaining records have no estimate, (q,)."""
        if self.remaining is None:
            return self.optimum.effects
        out = np.zeros(self.p)
        out[self._known[1:]] = self.optimum.effects
        return out[1:]

    @cached_property
    def _to_kept(self) -> Floats:
        """(thresholds, effects) -> coefficients whose intercept stands for -mean(thresholds)."""
        c, q = len(self.optimum.thresholds), self.p - 1
        out = np.zeros((q + 1, c + q))
        out[0, :c] = -1.0 / c
        out[1:, c:] = np.eye(q)
        return out

    @cached_property
    def _beta(self) -> Floats:
        both = np.concatenate([self.optimum.thresholds, self._effect_values])
        return np.asarray(self._to_kept @ both)

    @cached_property
    def _phi(self) -> Floats:
        return np.asarray(self._to_kept @ self.joint @ self._to_kept.T)

    @cached_property
    def _effects(self) -> list[Floats]:
        return self._of_levels(self.optimum.mode.u, self.optimum.factors)

    @property
    def _least(self) -> float:
        return self.objective

    def _held(self, contrast: Floats, values: Floats) -> float:
        """The constraint  C b - c mean(theta) = values  of centred columns is solved for b:
        b = C^+ (values + c mean(theta)) + N d, d free, N the null space of C."""
        columns = self.part.rows[:, self.part.kept[1:]]
        mean = np.average(columns[self.part.codes], axis=0, weights=self.times)
        own, first = contrast[:, 1:] - contrast[:, :1] * mean, contrast[:, 0]
        columns = columns - mean
        size = np.linalg.norm(columns, axis=0)
        columns, own = columns / size, own / size
        _, singular, right = np.linalg.svd(own)
        rank = int((singular > 1e-10 * singular[0]).sum())
        back = np.linalg.pinv(own)
        rest = columns @ right[rank:].T
        shift, tied = columns @ back @ values, columns @ back @ first
        design = np.column_stack([tied - 1.0, rest])
        codes = self.y.astype(np.intp)
        ends = Ends.of(self.part.codes, len(design), codes == 0, codes == len(self.scores) - 1)
        separation = find_separation(design, ends)
        records = np.ones(self.n, dtype=bool)
        if separation is not None:
            records = ~separation.rows[self.part.codes]
        left = without(self.part, self.random, records)
        rows = np.unique(self.part.codes[records])
        search = ScoreSearch(
            left.part.codes, codes[records], self.times[records], len(self.scores), self.link,
            _scaled(rest[rows]), columns[rows][:, :0], left.random, shift[rows], tied[rows],
        )
        with few_threads(self.random.r + self.p):
            return search.least(self.nodes)[1]

    def compare(self, factor: str, against: str | None = None, *, df: str | float | None = None,
                level: float = 0.95, by: str | None = None,
                at: Mapping[str, float] | None = None, ratio: bool = False
                ) -> Comparison:  # fmt: skip
        """All pairs (Tukey-Kramer) or each against one level (Dunnett), on the link's scale;
        ``ratio=True`` gives odds ratios (logit only)."""
        if ratio and self.link != "logit":
            raise MixedModelError("only logit effects are ratios of odds; leave ratio out.")
        return compare_means(self, factor, against, df=df, level=level, by=by, ratio=ratio,
                             at=at)

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
        ends = self.optimum.thresholds
        law = special.expit if self.link == "logit" else special.ndtr
        density = ScoreLaw(np.zeros(1, dtype=np.intp), np.ones(1), self.link, ends, ends).density
        for i, rows in enumerate(cells):
            x = rows[:, self.part.kept[1:]]
            at = ends[None, :] - (x @ self._effect_values)[:, None]
            below, f = law(at), density(at)[0]
            slopes = np.zeros((c + 2, c + x.shape[1]))
            slopes[1 : c + 1, :c] = np.diag(f.mean(axis=0))
            slopes[1 : c + 1, c:] = -f.T @ x / len(x)
            share = np.diff(np.concatenate([[0.0], below.mean(axis=0), [1.0]]))
            step = np.diff(slopes, axis=0)
            se = np.sqrt(np.einsum("ja,ab,jb->j", step, self.joint, step))
            share = np.where(self.part.estimable(rows).all(), share, np.nan)
            far = self._far(rows[:, self.part.kept])
            if (far != 0.0).any():
                share, se = self._far_shares(far), np.full(c + 1, np.nan)
            half = z * se / np.maximum(share * (1.0 - share), 1e-300)
            middle = special.logit(share)
            table = pd.DataFrame({"score": self.scores, "share": share, "se": se,
                                  "low": special.expit(middle - half),
                                  "high": special.expit(middle + half)})  # fmt: skip
            for name in reversed(list(labels.columns)):
                table.insert(0, name, labels[name].iloc[i])
            tables.append(table)
        return pd.concat(tables, ignore_index=True)

    def _far_shares(self, far: Floats) -> Floats:
        """Of cells (m,) all at the lowest (-1) or all at the highest (1) score; else NaN."""
        out = np.zeros(len(self.scores))
        if (far == -1.0).all():
            out[0] = 1.0
        elif (far == 1.0).all():
            out[-1] = 1.0
        else:
            out[:] = np.nan
        return out

    def search(self) -> ScoreSearch:
        """The likelihood of this model as its own search sees it."""
        rows = self.part.rows[:, self.part.kept[1:]]
        rows = rows - rows[self.part.codes].mean(axis=0)
        return ScoreSearch(self.part.codes, self.y.astype(np.intp), self.times, len(self.scores),
                           self.link, _scaled(rows), rows[:, :0], self.random)  # fmt: skip

    def predict(
        self, newdata: pd.DataFrame | None = None, *, random: bool = True
    ) -> pd.DataFrame:
        """The probability of each score, a row a record, a column a score.

        ``random`` adds the predicted effects of known levels; an unseen level, or a grouping
        factor whose columns newdata lacks, counts as average."""
        if newdata is None:
            x = self.part.rows[self.part.codes]
            eta = x[:, self.part.kept] @ self._beta
            effects = self.random.times(self._effects) if self.random.groupings else 0.0
        else:
            eta = fixed_prediction(self.part, self._beta, newdata)
            x = design_rows(self.part, newdata)
            effects = random_prediction(self.random, self._effects, newdata)
        eta = eta + self.optimum.thresholds.mean() + (effects if random else 0.0)
        far = self._far(x[:, self.part.kept])
        eta = np.where(far == 0.0, eta, at_infinity(far))
        index = None if newdata is None else newdata.index
        return pd.DataFrame(self._probabilities(eta), index=index, columns=self.scores)

    def _probabilities(self, eta: Floats) -> Floats:
        """(n, J) of linear predictors (n,)."""
        law = special.expit if self.link == "logit" else special.ndtr
        below = law(self.optimum.thresholds - eta[:, None])
        ends = np.zeros((len(eta), 1)), np.ones((len(eta), 1))
        return np.diff(np.hstack([ends[0], below, ends[1]]), axis=1)

    def simulate(self, seed: int | np.random.Generator, times: int = 1) -> Floats:
        """Draw scores from the fitted model as their numbers from 0, (times, n), with new random
        effects.  Raises MixedModelError where records stand for several pieces, or a level is
        separated."""
        if (self.times != 1.0).any() or self.separation is not None:
            raise MixedModelError(
                "scores are drawn for records of one piece each, where no level is separated."
            )
        rng = np.random.default_rng(seed)
        base = self.part.rows[self.part.codes][:, self.part.kept] @ self._beta
        base = base + self.optimum.thresholds.mean()
        out = np.empty((times, self.n))
        for row in out:
            eta = base
            if self.random.groupings:
                eta = base + self.random.times(draw_effects(self.random, list(self.factors), rng))
            upper = self._probabilities(eta).cumsum(axis=1)[:, :-1]
            row[:] = (rng.random(self.n)[:, None] > upper).sum(axis=1)
        return out

    def refit(self, y: Floats) -> OrderedFit:
        """The same model fitted to other scores, as their numbers from 0 (n,).  Raises
        MixedModelError where one of the scores is not among them."""
        codes = np.asarray(y, dtype=np.intp)
        if len(np.unique(codes)) < len(self.scores):
            raise MixedModelError("one of the scores was not drawn.")
        objective, optimum = _searched(
            self.part, self.random, codes, self.times, self.scores, self.link, self.nodes, "drawn"
        )
        return OrderedFit(self.formula, self.link, self.part, self.random, codes.astype(np.float64),
                          self.times, self.scores, objective, self.nodes, optimum)  # fmt: skip

    def proportional(self, terms: Sequence[str] | None = None) -> pd.DataFrame:
        """Test proportional odds term by term: statistic, df, p of the likelihood ratio against a
        model in which the term has an effect of its own at each threshold, everything else (the
        groupings' variances too) fitted again.  NaN with one threshold."""
        if self.separation is not None:
            raise MixedModelError(
                f"proportional odds cannot be tested where a level is separated "
                f"({'; '.join(self.separated)}): leave it out."
            )
        named = [t for t in self.part.terms if t != "1"] if terms is None else list(terms)
        positions = self.part.kept[1:]
        rows = self.part.rows[:, positions]
        rows = rows - rows[self.part.codes].mean(axis=0)
        plain = self.search()
        out = {}
        codes = self.y.astype(np.intp)
        count = len(self.scores)
        for term in named:
            if term not in self.part.terms:
                raise MixedModelError(f"'{term}' is not a term of the formula; its terms: "
                                      f"{', '.join(self.part.terms)}.")
            own = np.isin(positions, self.part.terms[term])
            df = int(own.sum()) * (count - 2)
            if not df:
                out[term] = {"statistic": np.nan, "df": 0, "p": np.nan}
                continue
            free = ScoreSearch(self.part.codes, codes, self.times, count, self.link,
                           _scaled(rows[:, ~own]), _scaled(rows[:, own]), self.random)
            test = _odds(_height(plain) - _height(free), df)
            out[term] = {"statistic": test.statistic, "df": test.df, "p": test.p}
        return pd.DataFrame(out).T


def fit_ordered(
    formula: str,
    data: pd.DataFrame,
    groups: Sequence[str] = (),
    slopes: Mapping[str, Sequence[str]] | None = None,
    *,
    link: str = "logit",
    scores: Sequence[object] | None = None,
    weights: str | Floats | None = None,
    quadrature: int = 1,
    separated: str = "limits",
    uncorrelated: Sequence[str] = (),
) -> OrderedFit:
    """Fit a cumulative model to ordered scores by maximum likelihood.

    formula: ``"score ~ terms"``, with the intercept that a formula has unless told otherwise.
    groups, slopes, uncorrelated: as in `fit_lmm`.
    link: ``"logit"`` (proportional odds) or ``"probit"``.
    scores: the scores in order, lowest first; without it an ordered categorical column's own
        order, or numbers by size.  A score never given is left out.
    weights: whole numbers, how many pieces a record stands for.
    quadrature: nodes of adaptive Gauss-Hermite quadrature, for one grouping without slopes;
        1 is the Laplace approximation.

    separated: as in `fit_glmm`: ``"limits"`` or ``"error"`` where a level has only the lowest or
        only the highest score.

    Raises MixedModelError on unusable input, fewer than two scores, and scores that the terms
    separate in between.
    """
    if separated not in {"limits", "error"}:
        raise MixedModelError(f"separated='{separated}' is not one of: limits, error.")
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
    groupings = make_groupings(data, groups, slopes, saturated=True, uncorrelated=uncorrelated)
    random = RandomPart(groupings, keep_pairs=True)
    if quadrature > 1 and (len(random.groupings) != 1 or random.groupings[0].k != 1):
        raise MixedModelError("quadrature needs one grouping without slopes; use quadrature=1 "
                              "(Laplace) for this model.")
    with few_threads(random.r + part.p):
        not_in_fixed(random, part)
    ends = Ends.of(part.codes, len(part.basis), codes == 0, codes == len(levels) - 1)
    separation = find_separation(part.basis, ends)
    if separation is None:
        objective, optimum = _searched(part, random, codes, times, levels, link, quadrature, left)
        return OrderedFit(formula, link, part, random, codes.astype(np.float64), times, levels,
                          objective, quadrature, optimum)  # fmt: skip
    at_end = separation.rows[part.codes]
    names = separated_levels(part.factors, data, at_end)
    remaining = without(part, random, ~at_end)
    if separated == "error" or len(np.unique(codes[~at_end])) < len(levels):
        what = "; ".join(names) or "some combination of the terms"
        raise MixedModelError(
            f"separated ({what}): every record there has the lowest or the highest score, so that "
            "no finite effect fits. Leave it out, or merge scores that no other record has."
        )
    objective, optimum = _searched(remaining.part, remaining.random, codes[~at_end], times[~at_end],
                                   levels, link, quadrature, left)  # fmt: skip
    return OrderedFit(formula, link, part, random, codes.astype(np.float64), times, levels,
                      objective, quadrature, optimum, separation, names, remaining)  # fmt: skip


def _searched(
    part: FixedPart, random: RandomPart, codes: Codes, times: Floats, levels: pd.Index, link: str,
    nodes: int, name: str,
) -> tuple[float, ScoreOptimum]:  # fmt: skip
    """-2 log likelihood at its least, and the parameters there with their covariance."""
    centred = part.rows[:, part.kept[1:]]
    mean = np.average(centred[part.codes], axis=0, weights=times)
    _, basis, triangle = independent_columns(centred - mean)
    if basis.shape[1] < centred.shape[1]:
        # one row a record keeps the intercept apart however few distinct rows there are
        raise MixedModelError("the thresholds and the terms of the formula say the same thing.")
    size = np.sqrt(len(basis))
    with few_threads(random.r + part.p):
        search = ScoreSearch(part.codes, codes, times, len(levels), link, basis * size,
                             centred[:, :0], random)  # fmt: skip
        at, objective = search.least(nodes)
        factors, theta, beta, _ = search.parts(at)
        if np.ptp(search.laplace.dense.times(beta)) > SEPARATED:
            raise MixedModelError(
                f"the scores of '{name}' are separated: some combination of the terms tells "
                "lower from higher scores without error, so that no finite effect fits. "
                "Use fewer terms."
            )
        free = search.free(at)
        inverse = 2.0 * np.linalg.inv(
            curvature(search.value_of(nodes), at, np.flatnonzero(free).tolist())
        )
    effects = np.linalg.solve(triangle, beta * size) if len(beta) else beta
    # from the search's coordinates to (thresholds, effects)
    a, c, q = search.triangles.size, len(theta), len(beta)
    steps = np.concatenate([[1.0], np.exp(at[a + 1 : a + c])])
    jacobian = np.zeros((c + q, a + c + q))
    jacobian[:c, a : a + c] = np.tril(np.ones((c, c))) * steps
    jacobian[c:, a + c :] = np.linalg.inv(triangle) * size if q else np.zeros((0, 0))
    jacobian[:c, a + c :] = mean @ jacobian[c:, a + c :]
    joint = jacobian[:, free] @ inverse @ jacobian[:, free].T
    if (np.diagonal(joint) <= 0).any():
        raise MixedModelError("the scores do not determine this model; use fewer terms or groups.")
    return objective, ScoreOptimum(
        tuple(factors), theta + mean @ effects, effects, joint, search.mode(at)
    )


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
