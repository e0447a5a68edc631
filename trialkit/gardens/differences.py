"""How far varieties are apart over all trials, jointly, and in a garden not among them.

The one place comparisons come from.  Of a garden that was not among these: intervals, and the
chance of being best there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.gardens.stage_two import (
    LEVEL,
    MeansTable,
    StageTwo,
    fit_stage_two,
    stage_one_covariance,
)
from trialkit.mixed.fixed import marginal_rows
from trialkit.models.results import ALPHA, compare

Floats = npt.NDArray[np.float64]
ZERO = 1e-6
"""A standard deviation up to this, on the model's scale, is one estimated as zero."""
ALIKE = 1.1
"""Degrees of freedom within this factor count as one number."""


@dataclass(frozen=True, eq=False)
class Differences:
    """mean (v,): about their own mean, model scale.  covariance (v, v): of these deviations,
    small-sample adjusted; NaN where the layout gives no measure of error.  check: what each is
    set against, None for the mean of all.  df_each (v,): of each variety's difference from that,
    NaN below 1, where nothing can be judged.  df: of the whole, the median of any two's.
    """

    varieties: tuple[str, ...]
    mean: Floats
    covariance: Floats
    check: str | None
    df_each: Floats
    df: float

    @property
    def judged(self) -> bool:
        """Whether any difference has an error to judge it by."""
        return bool(np.isfinite(self.df) and np.isfinite(self.df_each).any())

    @property
    def weights(self) -> Floats:
        """(v, v): the means' weights in each variety's difference from the check or the mean."""
        v = len(self.varieties)
        if self.check is None:
            return np.eye(v) - 1.0 / v
        weights = np.eye(v)
        weights[:, self.varieties.index(self.check)] -= 1.0
        return weights


def pairwise_differences(fit: StageTwo, varieties: Sequence[str], check: str | None) -> Differences:
    """Differences of `varieties` (all linked) in the fitted model.

    The Kenward-Roger variances of all pairs, D (v, v), are turned into the covariance of the
    deviations from the mean, -JDJ/2 with J the centring matrix (Gower 1966, Biometrika 53:325),
    which gives each pair its own variance back.  Degrees of freedom are Kenward and Roger's, but
    never more than varieties and trials leave: a variance that REML puts at zero frees none.
    """
    names = tuple(varieties)
    v = len(names)
    to = check if check in names else None
    if v < 2:
        return undetermined(names, np.zeros(v), check)
    labels, rows = marginal_rows(fit.fit.part, "variety")
    at = [list(labels["variety"]).index(name) for name in names]
    rows = rows[at]
    pairs = list(combinations(range(v), 2))
    table = fit.fit.contrast(np.array([rows[i] - rows[j] for i, j in pairs]))
    difference, distance = np.zeros((v, v)), np.zeros((v, v))
    for (i, j), estimate, se in zip(pairs, table["estimate"], table["se"], strict=True):
        difference[i, j], difference[j, i] = estimate, -estimate
        distance[i, j] = distance[j, i] = se**2
    centre = np.eye(v) - 1.0 / v
    frame = Differences(names, difference.mean(axis=1), -0.5 * centre @ distance @ centre, to,
                  np.full(v, np.nan), float("nan"))
    others = [i for i in range(v) if names[i] != to]
    own = fit.fit.contrast((frame.weights @ rows)[others])["df"].to_numpy(dtype=np.float64)
    each = np.full(v, np.nan)
    each[others] = _capped(own, fit.df)
    whole = float(np.median(np.fmin(table["df"].to_numpy(dtype=np.float64), fit.df)))
    return Differences(names, frame.mean, frame.covariance, to, each,
                 whole if whole >= 1.0 else float("nan"))


def fitted_differences(means: MeansTable) -> tuple[StageTwo, Differences]:
    """Stage 2 fitted, and the differences of the varieties that are compared.

    Where the trials agree as far as their own errors tell (every variance estimated as zero),
    the differences are judged by those errors; see `agreeing`.  Kenward and Roger's degrees of
    freedom vanish where a variance rests on next to nothing.  A term estimated as zero is then
    left out, which changes no estimate; where variety x trial is the only one, the degrees of
    freedom are those of varieties and trials (the layout's own).
    Raises MixedModelError where the core does.
    """
    fit = fit_stage_two(means)
    several = len(means.trials) > 1 and fit.known and LEVEL not in fit.terms
    if several and all(sd <= ZERO for sd in fit.terms.values()):
        return fit, agreeing(means, fit.df)
    differences = pairwise_differences(fit, means.main, means.check)
    if differences.judged:
        return fit, differences
    terms = [name for name in fit.terms if name != LEVEL]
    zero = [name for name in terms[1:] if fit.terms[name] <= ZERO]
    if zero:
        fit = fit_stage_two(means, without=zero)
        differences = pairwise_differences(fit, means.main, means.check)
        terms = [name for name in fit.terms if name != LEVEL]
    if not differences.judged and fit.df >= 1:
        each = np.where(
            [name == differences.check for name in differences.varieties], np.nan, fit.df
        )
        differences = replace(differences, df_each=each, df=fit.df)
    return fit, differences


def _error_scales(
    means: MeansTable, trials: npt.NDArray[np.intp], place: npt.NDArray[np.intp]
) -> Iterable[tuple[float, npt.NDArray[np.intp]]]:
    """Of each scale of stage 1's errors its degrees of freedom and its rows: one a trial with
    repeats; one for all rows without, known as well as the median trial knows its own.

    trials: places in `means.trials`.  place: of each row in `trials`."""
    repeated = [trial.df for trial in means.trials if trial.covariance is not None]
    scales: dict[int, tuple[float, npt.NDArray[np.intp]]] = {}
    for t, number in enumerate(trials):
        single = means.trials[int(number)].covariance is None
        df = float(np.median(repeated)) if single else means.trials[int(number)].df
        lines = np.flatnonzero(place == t)
        before = scales.get(-1, (df, lines[:0]))[1] if single else lines[:0]
        scales[-1 if single else t] = (df, np.concatenate([before, lines]))
    return scales.values()


def agreeing(means: MeansTable, spare: float) -> Differences:
    """Differences where no variance but that of stage 1 is left: weighted least squares.

    The trials' errors are estimates, each a scale s_t of its V known on the df of its trial, so
    that the covariance is adjusted by Kenward & Roger 1997 (Biometrics 53:983) with the scales
    as the parameters, var(s_t) = 2 / df_t:

        C + 2 C [sum of 2 / df_t (M_t - M_t C M_t)] C,  M_t = X_t' V_t^-1 X_t,  C = (sum M_t)^-1,

    for a common mean that of Meier (1953, Biometrics 9:59); a difference l has
    df = (l'Cl)^2 / sum of (l'C M_t C l)^2 / df_t.  Rows without repeats share one scale.

    spare: degrees of freedom between varieties and trials.  With a single one an estimate of
    zero means little (two varieties that differ by chance alike in two gardens), and no more
    than 2 are given: over ratios of the mean squares of 1 to 100 an interval then holds the
    truth in 94 to 99 % of cases, against 89 % with all of them and 99.9 % with one.
    """
    names, table = list(means.main), means.table[means.table["variety"].isin(means.main)]
    at = table.index.to_numpy()
    v = stage_one_covariance(means).toarray()[np.ix_(at, at)]
    own = pd.Index(names).get_indexer(pd.Index(table["variety"]))
    trials, place = np.unique(table["at"].to_numpy(), return_inverse=True)
    x = np.hstack([np.eye(len(names))[own], np.eye(len(trials))[place]])
    weighted = np.linalg.solve(v, x)
    whole = np.linalg.pinv(x.T @ weighted, hermitian=True)
    beta = whole @ (weighted.T @ table["y"].to_numpy(dtype=np.float64))
    parts = [(df, x[lines].T @ weighted[lines])
             for df, lines in _error_scales(means, trials, place)]
    middle = sum((2.0 / df * (m - m @ whole @ m) for df, m in parts), np.zeros_like(whole))
    adjusted = whole + 2.0 * whole @ middle @ whole

    size = len(names)
    centre = np.hstack([np.eye(size) - 1.0 / size, np.zeros((size, len(trials)))])
    frame = Differences(
        tuple(names),
        centre @ beta,
        centre @ adjusted @ centre.T,
        means.check if means.check in names else None,
        np.full(size, np.nan),
        float("nan"),
    )
    most = 2.0 if spare < 2.0 else np.inf

    def df_of(contrast: Floats) -> Floats:
        under = sum((np.einsum("ia,ab,ib->i", contrast @ whole, m, contrast @ whole) ** 2 / df
                     for df, m in parts), np.zeros(len(contrast)))
        with np.errstate(divide="ignore", invalid="ignore"):
            own_df = np.einsum("ia,ab,ib->i", contrast, whole, contrast) ** 2 / under
        return _capped(own_df, most)

    each = df_of(frame.weights @ centre)
    each[[name == frame.check for name in names]] = np.nan
    pairs = np.array([centre[i] - centre[j] for i, j in combinations(range(size), 2)])
    return replace(frame, df_each=each, df=float(np.median(df_of(pairs))))


def undetermined(varieties: tuple[str, ...], mean: Floats, check: str | None) -> Differences:
    """Means without any measure of error."""
    v = len(varieties)
    return Differences(
        varieties,
        mean,
        np.full((v, v), np.nan),
        check if check in varieties else None,
        np.full(v, np.nan),
        float("nan"),
    )


def _capped(df: Floats, most: float) -> Floats:
    least = np.fmin(df, most)
    return np.where(least >= 1.0 - 1e-9, least, np.nan)


def comparisons(differences: Differences) -> pd.DataFrame:
    """Each variety against the check, or against the mean of all, on the model's scale: variety,
    estimate, low, high, p, df; one row a variety, in order.

    Simultaneous over the varieties: Dunnett's with a check, where all differences have much the
    same degrees of freedom; else Bonferroni's, each difference with its own.
    """
    names = list(differences.varieties)
    known = differences.df_each[np.isfinite(differences.df_each)]
    alike = len(known) > 0 and float(known.max()) <= ALIKE * float(known.min())
    if differences.check is not None and alike and len(known) == len(names) - 1:
        table = compare(
            names,
            differences.mean,
            differences.covariance,
            float(known.min()),
            differences.check,
            False,
        )
        out = table.against_check.set_index("variety").reindex(names).reset_index()
    else:
        weights = differences.weights
        value = weights @ differences.mean
        se = np.sqrt(np.maximum(np.diagonal(weights @ differences.covariance @ weights.T), 0.0))
        many = max(len(names) - (differences.check is not None), 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            p = np.minimum(1.0, many * 2.0 * stats.t.sf(np.abs(value / se), differences.df_each))
        half = stats.t.isf(0.5 * ALPHA / many, differences.df_each) * se
        out = pd.DataFrame({"variety": names, "estimate": value, "low": value - half,
                            "high": value + half, "p": p, "df": differences.df_each})
    if differences.check is not None:
        itself = out["variety"] == differences.check
        out.loc[itself, ["estimate", "low", "high"]] = 0.0
        out.loc[itself, ["p", "df"]] = np.nan
    return out[["variety", "estimate", "low", "high", "p", "df"]]

DRAWS = 20_000
SPREADS, SCALES = 40, 60
"""Points at which the spread of varieties and the scale of the error are weighed."""


def at_least(interaction: float, error: float, spare: float) -> float:
    """The variance of a variety in a new garden that is reckoned with: the estimate, or one
    standard error of an estimate of zero, error x sqrt(2 / spare), where that is more.

    An estimate near zero is often too small.  Without the least value an interval for a new
    garden held its truth in 85 to 93 % of cases where the true variance was 0.2 to 1 times the
    error of a mean (2 to 5 varieties, 6 to 20 gardens, 200,000 cases each), with it in 93 to 100.
    """
    return max(interaction, error * float(np.sqrt(2.0 / spare)) if spare > 0 else 0.0)


def new_df(
    differences: Differences,
    interaction: float,
    error: float,
    gardens: int,
    spare: float = float("inf"),
) -> Floats:
    """Degrees of freedom of var(difference) + 2 interaction, (v,).

    The interaction is what the trials' disagreement leaves once stage 1's error of a mean, `error`
    (known), is taken off, so that it is less well known than the disagreement itself: df times
    (T / (T + 2 error))^2, T the sum above (Satterthwaite 1946, Biometrics Bulletin 2:110).  Never
    fewer than gardens less two, those of Higgins, Thompson & Spiegelhalter (2009), nor more than
    those of the difference, nor than `spare`, those between varieties and trials.
    """
    total = _variance(differences, interaction)
    extra = error * (differences.weights**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.nan_to_num((total / (total + extra)) ** 2)
    most = np.where(np.isnan(differences.df_each), np.nan, np.fmin(differences.df_each, spare))
    least = np.where(np.isnan(most), np.nan, np.fmin(gardens - 2.0, most))
    return np.asarray(np.clip(most * share, least, most))


def _variance(differences: Differences, interaction: float) -> Floats:
    weights = differences.weights
    own = np.diagonal(weights @ differences.covariance @ weights.T)
    return np.asarray(np.maximum(own + interaction * (weights**2).sum(axis=1), 0.0))


def new_garden(differences: Differences, interaction: float, df: Floats) -> pd.DataFrame:
    """Interval for each variety against the check (or the mean of all) in a new garden, on the
    model's scale.

    interaction: variance of a variety in a new garden about its mean over gardens.  df: from
    `new_df`.  Estimate plus or minus t sqrt(var(difference) + 2 interaction), after Higgins,
    Thompson & Spiegelhalter (2009, J. R. Stat. Soc. A 172:137), here for several treatments of one
    variance.  Each interval is for its own variety.  Returns variety, low, high.
    """
    value = differences.weights @ differences.mean
    half = stats.t.isf(0.5 * ALPHA, df) * np.sqrt(_variance(differences, interaction))
    return pd.DataFrame(
        {"variety": differences.varieties, "low": value - half, "high": value + half}
    )


def chance_best(
    differences: Differences, interaction: float, df: float, seed: int, *, less: bool = False
) -> Floats:
    """Chance of each variety to be the best, (v,), sums to 1; less: the least is the best.

    The leader of several is partly the luckiest, so that means are drawn in as far as varieties
    differ little beside their errors: true effects are normal about their mean (Lindley & Smith
    1972, J. R. Stat. Soc. B 34:1) with a spread that is itself unknown, its density falling as
    1 / (1 + spread / error); errors have the covariance of `differences` and its df, spread and
    error scale both weighted by their likelihood.  `interaction`: variance of a garden's own
    deviations, added on top with `df` degrees of freedom (0: best on average over these gardens).
    The same seed draws the same.  NaN where the means have no covariance.

    Said against came true over 2,400 seasons of 3 to 8 varieties in 3 to 10 gardens (true sd of
    varieties 0.05, 0.1, 0.2 or 0.4, of interaction 0 to 0.3, some gardens single rows), of which
    809 were settled, the leader's chance on average: 67 % said and 56 % came, 75 and 77, 84 and
    88, 89 and 88; without drawing in 76 and 56, 82 and 77, 86 and 88, 90 and 88.
    """
    v = len(differences.varieties)
    if v < 2 or not np.isfinite(differences.covariance).all() or not differences.df > 0:
        return np.full(v, np.nan)
    rng = np.random.default_rng(seed)
    basis = np.linalg.svd(np.eye(v) - 1.0 / v)[0][:, : v - 1]
    joint = basis.T @ differences.covariance @ basis
    error, turn = np.linalg.eigh((joint + joint.T) / 2.0)
    error = np.maximum(error, 1e-12 * max(float(error.max()), 1e-300))
    axes = basis @ turn
    y = differences.mean @ axes
    usual = float(np.sqrt(error.mean()))
    largest = max(usual, float(np.sqrt(np.mean(y**2))))
    spread = np.concatenate([[1e-4 * usual], np.geomspace(usual / 20.0, 20.0 * largest, SPREADS)])
    scale = _scales(differences.df, SCALES, rng)
    both = scale[:, None, None] * error + spread[None, :, None] ** 2
    rise = -0.5 * (np.log(both) + y**2 / both).sum(axis=2)
    weight = np.exp(rise - rise.max()) * np.gradient(spread) / (1.0 + spread / usual)
    at = rng.choice(weight.size, DRAWS, p=(weight / weight.sum()).ravel())
    of_scale, of_spread = np.divmod(at, len(spread))
    own, known = spread[of_spread, None] ** 2, scale[of_scale, None] * error
    share = own / (own + known)
    means = (share * y + np.sqrt(share * known) * rng.standard_normal((DRAWS, v - 1))) @ axes.T
    if interaction > 0:
        away = interaction * _scales(df, DRAWS, rng)[:, None]
        means = means + np.sqrt(away) * rng.standard_normal((DRAWS, v))
    winner = np.argmax(-means if less else means, axis=1)
    return np.asarray(np.bincount(winner, minlength=v) / DRAWS)


def _scales(df: float, many: int, rng: np.random.Generator) -> Floats:
    """Draws of the true variance over its estimate on df degrees of freedom."""
    return df / rng.chisquare(df, many) if np.isfinite(df) else np.ones(many)
