"""Questions about fixed effects that every kind of fit answers: contrasts, tests, means."""

from __future__ import annotations

import html
import itertools
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.errors import MixedModelError
from trialkit.mixed.fixed import (
    FixedPart,
    independent_columns,
    marginal_rows,
    slope_rows,
    successive_rows,
    term_rows,
)
from trialkit.mixed.grouping import Floats
from trialkit.mixed.likelihood import single_threaded
from trialkit.mixed.manymeans import LargestT, range_ppfs, range_sf
from trialkit.mixed.smallsample import check_level, t_table

# ------------------------------------------------------------------------------------------------
# Letters display: the fewest letters that cover every pair not told apart.
#
# A letter may be shared only by levels no two of which differ, so a letter is a clique of the
# "not different" graph and the display is a clique cover of its edges.  Insert-and-absorb
# (Piepho 2004, J. Comput. Graph. Stat. 13:456) finds all maximal cliques; those whose every
# edge is covered by others are then swept out, and a search makes the cover minimal.
# ------------------------------------------------------------------------------------------------

def minimal_letters(order: list[str], different: set[frozenset[str]]) -> dict[str, str]:
    """Letters of each level; ``order`` sets which level gets "a" first.

    different: pairs of levels that are told apart.  Every pair outside it shares a letter, no
    pair inside it does.
    """
    cliques = _maximal_cliques(order, different)
    chosen = _fewest(order, cliques, different)
    rank = {name: i for i, name in enumerate(order)}
    chosen.sort(key=lambda c: sorted(rank[m] for m in c))
    out = dict.fromkeys(order, "")
    for letter, clique in zip(_alphabet(), chosen, strict=False):
        for name in clique:
            out[name] += letter
    return out


def _alphabet() -> itertools.chain[str]:
    lower = "abcdefghijklmnopqrstuvwxyz"
    return itertools.chain(lower, lower.upper(), (f"({i})" for i in itertools.count(1)))


def _maximal_cliques(order: list[str], different: set[frozenset[str]]) -> list[frozenset[str]]:
    """Insert each difference by splitting the sets that hold both; absorb contained sets."""
    sets = [frozenset(order)]
    for pair in sorted(different, key=sorted):
        left, right = sorted(pair)
        split: list[frozenset[str]] = []
        for s in sets:
            split += [s - {left}, s - {right}] if pair <= s else [s]
        unique = list(dict.fromkeys(split))
        sets = [s for s in unique if not any(s < other for other in unique)]
    return [s for s in sets if s]


def _fewest(
    order: list[str], cliques: list[frozenset[str]], different: set[frozenset[str]]
) -> list[frozenset[str]]:
    """A smallest set of cliques that covers all edges and all lone levels."""
    wanted = {
        frozenset(pair)
        for pair in itertools.combinations(order, 2)
        if frozenset(pair) not in different
    }
    touched = {name for pair in wanted for name in pair}
    wanted |= {frozenset((name,)) for name in order if name not in touched}
    covers = [{w for w in wanted if w <= c} for c in cliques]
    best = _sweep(list(range(len(cliques))), covers, wanted)
    if len(cliques) <= 16:
        for size in range(1, len(best)):
            for trial in itertools.combinations(range(len(cliques)), size):
                if set().union(*(covers[i] for i in trial)) == wanted:
                    return [cliques[i] for i in trial]
    return [cliques[i] for i in best]


def _sweep(
    cliques: list[int], covers: list[set[frozenset[str]]], wanted: set[frozenset[str]]
) -> list[int]:
    """Drop cliques that the others make needless, smallest first."""
    for i in sorted(cliques, key=lambda k: len(covers[k])):
        rest = [k for k in cliques if k != i]
        if set().union(*(covers[k] for k in rest)) >= wanted if rest else not wanted:
            cliques = rest
    return cliques


# ------------------------------------------------------------------------------------------------
# Questions about fixed effects that every kind of fit answers: contrasts, tests, means.
# ------------------------------------------------------------------------------------------------

class FixedEffects(ABC):
    """What a fit must supply, and what follows from it.

    Contrasts are given over all columns of the model matrix (``part.names``) or over the kept
    ones; a contrast the data cannot estimate comes back as NaN with the reason.
    """

    default_df = "asymptotic"
    part: FixedPart

    @property
    @abstractmethod
    def _beta(self) -> Floats: ...

    @property
    @abstractmethod
    def _phi(self) -> Floats: ...

    @abstractmethod
    def _rows_covariance(self, contrast: Floats, df: str | float) -> Floats: ...

    @abstractmethod
    def _row_df(self, contrast: Floats, df: str | float) -> Floats: ...

    @abstractmethod
    def _f_moments(self, contrast: Floats, df: str | float) -> tuple[float, float]: ...

    @property
    def fixed(self) -> pd.Series:
        """Estimates of the fixed effects; dropped columns are left out (see ``dropped``)."""
        return pd.Series(self._beta, index=self._kept_names, name="estimate")

    @property
    def cov_fixed(self) -> pd.DataFrame:
        """Covariance matrix of the estimates, not adjusted for small samples."""
        return pd.DataFrame(self._phi, self._kept_names, self._kept_names)

    @property
    def dropped(self) -> tuple[str, ...]:
        """Columns left out because earlier ones already say the same."""
        return self.part.dropped

    @property
    def _kept_names(self) -> list[str]:
        return [self.part.names[i] for i in self.part.kept]

    def contrast(
        self,
        L: Floats | pd.DataFrame | list[float] | list[list[float]],  # noqa: N803
        df: str | float | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Estimate each row of ``L`` (rows, p): estimate, se, df, t, p, low, high, reason.

        The standard error and df are those of ``df`` (``kenward-roger``, ``satterthwaite`` or
        ``asymptotic``).  A row that the data cannot estimate is NaN, with ``reason`` saying why.
        """
        index = L.index if isinstance(L, pd.DataFrame) else None
        try:
            rows = np.atleast_2d(np.asarray(L, dtype=np.float64))
        except ValueError as err:
            raise MixedModelError("a contrast must be numbers, each row as long.") from err
        if rows.ndim != 2 or not np.isfinite(rows).all():
            raise MixedModelError("a contrast must be rows of finite numbers.")
        return self._contrast_rows(rows, df, level, index)

    def _far(self, contrast: Floats) -> Floats:
        """Of contrasts (m, p) of the kept columns: 0 where the estimate is finite, -1 and 1 where
        it lies at minus and plus infinity, NaN where it may lie anywhere.  Fits by likelihood on
        a link scale have such estimates (see `linkfit.py`)."""
        return np.zeros(len(contrast))

    def _far_reason(self, sign: float) -> str:
        raise NotImplementedError

    def _far_statistic(self, contrast: Floats, sign: float, df: float) -> float:
        """The t whose tail is that of a contrast (p,) at infinity being zero."""
        raise NotImplementedError

    def _far_limits(
        self, contrast: Floats, sign: float, half: float, df: float
    ) -> tuple[float, float]:
        """The limits of a contrast (p,) at infinity; ``half``: the quantile of t they are of."""
        raise NotImplementedError

    def _contrast_rows(
        self,
        rows: Floats,
        df: str | float | None,
        level: float,
        index: pd.Index | None = None,
        *,
        limits: bool = True,
    ) -> pd.DataFrame:
        method = self.default_df if df is None else df
        check_level(level)
        contrasts, ok = self._estimable(rows)
        count = len(rows)
        estimate, se, dof = (np.full(count, np.nan) for _ in range(3))
        if ok.any():
            estimate[ok] = contrasts[ok] @ self._beta
            covariance = self._rows_covariance(contrasts[ok], method)
            se[ok] = np.sqrt(np.maximum(np.diagonal(covariance), 0.0))
            dof[ok] = self._row_df(contrasts[ok], method)
        t, p, low, high = t_table(estimate, se, dof, level)
        empty = np.abs(rows).max(axis=1, initial=0.0) == 0.0
        why = np.where(
            empty,
            "every weight of this contrast is zero",
            "not estimable: these records hold no data on this combination",
        )
        reason = np.where(ok, "", why).astype(object)
        far = np.where(ok, self._far(contrasts), 0.0)
        for i in np.flatnonzero(far != 0.0):
            estimate[i], se[i] = at_infinity(far[i : i + 1])[0], np.nan
            t[i] = self._far_statistic(contrasts[i], far[i], dof[i])
            p[i] = 2.0 * stats.t.sf(abs(t[i]), dof[i])
            reason[i] = self._far_reason(far[i])
            if limits:
                half = float(stats.t.ppf(0.5 + level / 2.0, dof[i]))
                low[i], high[i] = self._far_limits(contrasts[i], far[i], half, dof[i])
        return pd.DataFrame(
            {
                "estimate": estimate,
                "se": se,
                "df": dof,
                "t": t,
                "p": p,
                "low": low,
                "high": high,
                "reason": reason,
            },
            index=index,
        )

    def _estimable(self, rows: Floats) -> tuple[Floats, np.ndarray]:
        """L over the kept columns, and which rows can be estimated."""
        full, rank = len(self.part.names), self.part.p
        if rows.shape[1] == rank and rank != full:
            return rows, np.ones(len(rows), dtype=bool)
        if rows.shape[1] != full:
            raise MixedModelError(
                f"a contrast needs {full} columns ({', '.join(self.part.names)}); "
                f"this one has {rows.shape[1]}."
            )
        zero = np.abs(rows).max(axis=1) == 0.0
        return rows[:, self.part.kept], self.part.estimable(rows) & ~zero

    def f_test(
        self,
        term: str,
        df: str | float | None = None,
        *,
        at: Mapping[str, float] | None = None,
    ) -> pd.Series:
        """Test that every coefficient of a term is zero over equally weighted cells.

        For a factor this is the hypothesis of equal marginal means, for an interaction that of
        no interaction (Searle 1987, Linear Models for Unbalanced Data), so it does not depend on
        the coding.  A formula without the terms below it (``v + 0``, ``v:w`` alone) leaves a term
        what they would say: there all means of ``v`` are tested at zero.  Covariates outside the
        term are held at their mean, or where ``at`` puts them.  Returns F, num_df, den_df, p and
        reason: why num_df is less than the term's own.
        """
        method = self.default_df if df is None else df
        rows, reason = self._hypothesis(term, df, at)
        scaling, den = self._f_moments(rows, method)
        middle = self._rows_covariance(rows, method)
        value = rows @ self._beta
        f = scaling * float(value @ np.linalg.solve(middle, value)) / len(rows)
        p = (
            stats.f.sf(f, len(rows), den)
            if np.isfinite(den)
            else stats.chi2.sf(f * len(rows), len(rows))
        )
        return pd.Series(
            {"F": f, "num_df": float(len(rows)), "den_df": den, "p": float(p), "reason": reason},
            name=term,
        )

    def _hypothesis(
        self, term: str, df: str | float | None, at: Mapping[str, float] | None
    ) -> tuple[Floats, str]:
        """Independent contrasts (m, p) of the kept columns that a term's test is of, and why they
        are fewer than the term's own."""
        rows = term_rows(self.part, term, at)
        if (self.default_df if df is None else df) == "satterthwaite":
            successive = successive_rows(self.part, term)
            rows = rows if successive is None else successive
        own = len(_independent_rows(rows))
        basis = _independent_rows(rows[:, self.part.kept][self._estimable(rows)[1]])
        if self.dropped:
            basis = self.part.estimable_span(rows)
        if not len(basis):
            raise MixedModelError(f"term '{term}' cannot be tested: none of it is estimable.")
        reason = ""
        if len(basis) < own:
            reason = (
                f"{own - len(basis)} of the term's {own} contrasts cannot be estimated: no data on "
                f"some combination, or columns that others say already ({', '.join(self.dropped)})"
            )
        return basis, reason

    def summary(self, df: str | float | None = None, level: float = 0.95) -> pd.DataFrame:
        """The fixed effects with their tests: estimate, se, df, t, p, low, high, reason."""
        rows = pd.DataFrame(np.eye(len(self.part.names))[self.part.kept], self._kept_names)
        return self.contrast(rows, df, level)

    def slopes(
        self,
        covariate: str,
        factor: str | None = None,
        df: str | float | None = None,
        level: float = 0.95,
        *,
        by: str | None = None,
        at: Mapping[str, float] | None = None,
    ) -> pd.DataFrame:
        """Change of the mean with a covariate, for each level of a factor (and of ``by``), others
        averaged with equal weights; of a curve, its slope at the covariate's mean or where ``at``
        puts it.  Columns as of `means`, with t and p against no slope."""
        labels, rows = slope_rows(self.part, covariate, factor, by, at)
        return pd.concat([labels, self._contrast_rows(rows, df, level)], axis=1)

    def contrasts(
        self,
        factor: str,
        weights: Mapping[str, Mapping[str, float]],
        df: str | float | None = None,
        level: float = 0.95,
        *,
        by: str | None = None,
        at: Mapping[str, float] | None = None,
    ) -> pd.DataFrame:
        """Contrasts of a factor's means by name: ``{"early less late": {"A": 0.5, "B": 0.5,
        "C": -1}}``; levels left out weigh nothing.  A row a contrast (within each level of
        ``by``), columns as of `contrast`; each with its own interval, not simultaneous.

        Raises MixedModelError for a level that the factor does not have."""
        labels, rows = marginal_rows(self.part, factor, by, at)
        names = labels.iloc[:, -1].astype(str)
        unknown = sorted({str(k) for w in weights.values() for k in w} - set(names))
        if unknown:
            raise MixedModelError(
                f"'{unknown[0]}' is not a level of {factor}; levels: {', '.join(names.unique())}."
            )
        groups = labels.iloc[:, 0] if by is not None else pd.Series("", index=labels.index)
        index, out = [], []
        for group in groups.unique():
            here = (groups == group).to_numpy()
            for title, chosen in weights.items():
                w = names[here].map({str(k): float(v) for k, v in chosen.items()}).fillna(0.0)
                out.append(w.to_numpy() @ rows[here])
                index.append(title if by is None else f"{title}, {by} {group}")
        return self._contrast_rows(np.array(out), df, level, pd.Index(index))

    def letters(self, factor: str, df: str | float | None = None, alpha: float = 0.05
                ) -> dict[str, str]:
        """Letters display of a factor's means, all pairs by Tukey-Kramer (`Comparison.letters`)."""
        return compare_means(self, factor, None, df=df, level=1.0 - alpha).letters()

    def means(
        self,
        factor: str,
        df: str | float | None = None,
        level: float = 0.95,
        *,
        by: str | None = None,
        at: Mapping[str, float] | None = None,
    ) -> pd.DataFrame:
        """Estimated marginal means of a factor: equal weights over the other factors' cells,
        covariates at their mean or where ``at`` puts them (Searle, Speed & Milliken 1980, Am.
        Stat. 34:216).

        Columns: the factor (and ``by``), estimate, se, df, low, high, reason.
        """
        labels, rows = marginal_rows(self.part, factor, by, at)
        table = self._contrast_rows(rows, df, level)
        keep = table[["estimate", "se", "df", "low", "high", "reason"]]
        return pd.concat([labels, keep], axis=1)


def at_infinity(sign: Floats) -> Floats:
    """Infinity with the sign of each entry; NaN where that is NaN or 0."""
    return np.where(sign > 0.0, np.inf, np.where(sign < 0.0, -np.inf, np.nan))


def _independent_rows(rows: Floats) -> Floats:
    """The rows that are linearly independent of the ones before, as they stand: the
    Fai-Cornelius df depends on the rows and not only on their span."""
    return rows[independent_columns(rows.T)[0]] if len(rows) else rows


# ------------------------------------------------------------------------------------------------
# Comparisons among the levels of a factor: all pairs, or each against one.
#
# Tukey-Kramer for all pairs (Tukey 1953; Kramer 1956, Biometrics 12:307), each pair with its own
# standard error and degrees of freedom.  Dunnett against one level (Dunnett 1955, J. Am. Stat.
# Assoc. 50:1096) by the multivariate t with the comparisons' own correlations.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Comparison:
    """Compared levels.  ``table``: left, right, estimate (left - right) or ratio (left / right),
    se, df, statistic, p, low, high, reason; simultaneous over the family ``adjustment`` names."""

    table: pd.DataFrame
    factor: str
    adjustment: str
    level: float
    means: pd.DataFrame = field(repr=False)

    def __getitem__(self, column: str) -> pd.Series:
        """A column of the table."""
        return self.table[column]

    def __len__(self) -> int:
        return len(self.table)

    def to_frame(self) -> pd.DataFrame:
        """A copy of the table."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        shown = self.table if (self.table["reason"] != "").any() else self.table.drop(
            columns="reason")  # fmt: skip
        what = "all pairs, Tukey-Kramer" if self.adjustment == "tukey" else "Dunnett"
        table = shown.to_html(index=False, float_format="{:.5g}".format)
        return f"<p>{html.escape(self.factor)}: {what}, level {self.level:g}</p>{table}"

    def letters(self, alpha: float | None = None) -> dict[str, str]:
        """Levels that share a letter are not told apart at ``alpha`` (default 1 - level).

        A cover of all such pairs with the fewest letters found; every level gets one at least.
        Raises MixedModelError for comparisons against one level only, or with missing pairs.
        """
        cut = 1.0 - self.level if alpha is None else alpha
        if self.adjustment != "tukey":
            raise MixedModelError("letters need all pairs; call compare without 'against'.")
        if self.table["p"].isna().any():
            raise MixedModelError("letters need every pair; some pairs are not estimable.")
        order = (
            self.means.sort_values("estimate", ascending=False)[self.factor].astype(str).tolist()
        )
        different = {
            frozenset((str(a), str(b)))
            for a, b, p in self.table[["left", "right", "p"]].itertuples(index=False)
            if p < cut
        }
        return minimal_letters(order, different)


@single_threaded
def compare_means(
    fit: FixedEffects,
    factor: str,
    against: str | None,
    *,
    df: str | float | None,
    level: float,
    by: str | None = None,
    ratio: bool = False,
    at: Mapping[str, float] | None = None,
) -> Comparison:

    labels, rows = marginal_rows(fit.part, factor, by, at)
    name = str(labels.columns[-1])
    method = fit.default_df if df is None else df
    check_level(level)
    pairs = _pairs(labels, name, against, by)
    contrast = np.array([rows[i] - rows[j] for i, j in pairs])
    table = fit._contrast_rows(contrast, method, level, limits=False)
    out = pd.DataFrame(
        {"left": [labels[name][i] for i, _ in pairs], "right": [labels[name][j] for _, j in pairs]}
    )
    if by is not None:
        out.insert(0, by, [labels.iloc[i, 0] for i, _ in pairs])
    estimate, se = table["estimate"].to_numpy(), table["se"].to_numpy()
    dof, t = table["df"].to_numpy(), table["t"].to_numpy()
    groups = out[by].to_numpy() if by is not None else np.zeros(len(out))
    p, half = np.full(len(out), np.nan), np.full(len(out), np.nan)
    for group in pd.unique(groups):
        here = np.flatnonzero((groups == group) & np.isfinite(t))
        if not len(here):
            continue
        if against is None:
            members = len({m for i in np.flatnonzero(groups == group) for m in pairs[i]})
            p[here], half[here] = _tukey(t[here], dof[here], members, level)
        else:
            reduced, _ = fit._estimable(contrast[here])
            correlation = _correlation(fit._rows_covariance(reduced, method))
            p[here], half[here] = _dunnett(t[here], dof[here], correlation, level)
    low, high = estimate - half * se, estimate + half * se
    reduced, ok = fit._estimable(contrast)
    far = np.where(ok, fit._far(reduced), 0.0)
    for i in np.flatnonzero(far != 0.0):
        low[i], high[i] = fit._far_limits(reduced[i], far[i], half[i], dof[i])
    out["ratio" if ratio else "estimate"] = np.exp(estimate) if ratio else estimate
    out["se"] = se * np.exp(estimate) if ratio else se
    out["df"], out["statistic"], out["p"] = dof, t, p
    out["low"], out["high"] = (np.exp(low), np.exp(high)) if ratio else (low, high)
    out["reason"] = table["reason"].to_numpy()
    reduced, ok = fit._estimable(rows)
    level_at = np.where(ok, reduced @ fit._beta, np.nan)
    far = np.where(ok, fit._far(reduced), 0.0)
    means = labels.assign(estimate=np.where(far == 0.0, level_at, at_infinity(far)))
    return Comparison(out, name, "tukey" if against is None else "dunnett", level, means)


def _pairs(
    labels: pd.DataFrame, name: str, against: str | None, by: str | None
) -> list[tuple[int, int]]:
    groups = labels[by] if by is not None and by in labels else pd.Series(0, index=labels.index)
    pairs: list[tuple[int, int]] = []
    for _, at in labels.groupby(groups.to_numpy(), sort=False).groups.items():
        members = list(at)
        if against is None:
            pairs += [(i, j) for k, i in enumerate(members) for j in members[k + 1 :]]
            continue
        base = [i for i in members if str(labels[name][i]) == str(against)]
        if not base:
            have = ", ".join(str(v) for v in labels[name].unique())
            raise MixedModelError(f"'{against}' is not a level of {name}; levels: {have}.")
        pairs += [(i, base[0]) for i in members if i != base[0]]
    return pairs


def _pairwise(t: Floats, df: Floats, level: float) -> tuple[Floats, Floats]:
    """A single comparison needs no more than its own t."""
    p, half = 2.0 * stats.t.sf(np.abs(t), df), stats.t.ppf(0.5 + level / 2.0, df)
    return np.asarray(p), np.asarray(half)


def _tukey(t: Floats, df: Floats, members: int, level: float) -> tuple[Floats, Floats]:
    """p and half-width factor from the studentised range of ``members`` means."""
    if members == 2:
        return _pairwise(t, df, level)
    root = np.sqrt(2.0)
    dfs = np.round(df, 6)
    p = [range_sf(abs(float(v)) * root, members, float(d)) for v, d in zip(t, dfs, strict=True)]
    return np.array(p), range_ppfs(level, members, dfs) / root


def _dunnett(t: Floats, df: Floats, correlation: Floats, level: float) -> tuple[Floats, Floats]:
    """p and half-width factor: P(max |T_i| > |t|), each row with its own df."""
    if len(t) == 1:
        return _pairwise(t, df, level)
    law = LargestT(correlation)
    dfs = np.round(df, 6)
    p = [law.sf(abs(float(v)), float(d)) for v, d in zip(t, dfs, strict=True)]
    return np.array(p), law.isfs(1.0 - level, dfs)


def _correlation(covariance: Floats) -> Floats:
    """Comparisons without a variance (at infinity) count as independent, which is the careful side
    (Sidak 1967, J. Am. Stat. Assoc. 62:626)."""
    size = np.sqrt(np.diagonal(covariance))
    size = np.where(size > 0.0, size, np.inf)
    out: Floats = covariance / size[:, None] / size[None, :]
    np.fill_diagonal(out, 1.0)
    return out
