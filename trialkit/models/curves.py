"""Smooth curves over the season: natural cubic splines, and how a variety grows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.mixed import MixedModelError, fit_lmm
from trialkit.mixed.fixed import FixedPart, design_rows
from trialkit.mixed.leastsquares import LeastSquares

# ------------------------------------------------------------------------------------------------
# Natural cubic splines: smooth curves that stay straight beyond their outer knots.
# ------------------------------------------------------------------------------------------------

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Spline:
    """A natural cubic spline basis with k knots: k - 1 columns, the first one linear.

    Hastie, Tibshirani & Friedman 2009, The Elements of Statistical Learning, eq. 5.4 and 5.5,
    with x brought to 0..1 first.
    """

    knots: Floats

    @classmethod
    def through(cls, x: npt.ArrayLike, columns: int) -> Spline:
        """Knots at evenly spaced quantiles of the distinct values of x, both ends included.

        Fewer columns are used where x has too few distinct values.
        """
        values = np.unique(np.asarray(x, dtype=float))
        count = max(min(columns + 1, len(values)), 2)
        return cls(np.quantile(values, np.linspace(0.0, 1.0, count)))

    @property
    def names(self) -> list[str]:
        return [f"curve{i}" for i in range(1, len(self.knots))]

    def basis(self, x: npt.ArrayLike) -> Floats:
        """(n, k - 1)."""
        low, wide = self.knots[0], max(float(np.ptp(self.knots)), 1e-9)
        u = (np.asarray(x, dtype=float) - low) / wide
        knots = (self.knots - low) / wide
        out = [u]
        if len(knots) > 2:
            last = _bend(u, knots[-2], knots[-1])
            out += [_bend(u, knot, knots[-1]) - last for knot in knots[:-2]]
        return np.column_stack(out)

    def columns(self, x: npt.ArrayLike) -> pd.DataFrame:
        """The basis as named columns."""
        return pd.DataFrame(self.basis(x), columns=self.names)


def _bend(u: Floats, knot: float, last: float) -> Floats:
    return np.asarray((np.clip(u - knot, 0, None) ** 3 - np.clip(u - last, 0, None) ** 3)
                      / (last - knot))


@dataclass(frozen=True)
class Curves:
    """A smooth curve a variety with its joint uncertainty.

    days (d,): grid; value (v, d): fitted; rows (v, d, p): what makes it; covariance (p, p).
    """

    varieties: tuple[str, ...]
    days: Floats
    rows: Floats
    beta: Floats
    covariance: Floats
    df: float

    @property
    def value(self) -> Floats:
        return np.asarray(self.rows @ self.beta)

    @property
    def se(self) -> Floats:
        inner = np.einsum("vdp,pq,vdq->vd", self.rows, self.covariance, self.rows, optimize=True)
        return np.asarray(np.sqrt(np.maximum(inner, 0.0)))

    def draws(self, count: int, seed: int) -> Floats:
        """Curves drawn from the estimates' distribution (multivariate t), (count, v, d)."""
        rng = np.random.default_rng(seed)
        beta = draw(self.beta, self.covariance, self.df, count, rng)
        return np.asarray(np.einsum("vdp,np->nvd", self.rows, beta, optimize=True))


def draw(
    mean: Floats, covariance: Floats, df: float, count: int, rng: np.random.Generator
) -> Floats:
    """Draws (count, p) from a multivariate t about `mean`; normal for infinite df."""
    values, vectors = np.linalg.eigh(covariance)
    half = vectors * np.sqrt(np.maximum(values, 0.0))
    z = rng.standard_normal((count, len(mean))) @ half.T
    if np.isfinite(df):
        z = z / np.sqrt(rng.chisquare(df, size=(count, 1)) / df)
    return np.asarray(mean + z)


def curves_of(
    part: FixedPart, beta: Floats, covariance: Floats, df: float, varieties: list[str],
    spline: Spline, days: Floats,
) -> Curves:
    """The fitted curve of each variety over `days`, from a model ``~ variety * (curve1 + ...)``."""
    basis = spline.columns(days)
    grid = pd.concat([basis.assign(variety=v) for v in varieties], ignore_index=True)
    rows = design_rows(part, grid)[:, part.kept]
    return Curves(tuple(varieties), days, rows.reshape(len(varieties), len(days), -1), beta,
                  covariance, df)


# ------------------------------------------------------------------------------------------------
# One growth curve a plot from the plants measured in it: the first stage of the height model.
#
# Each plot gets a natural cubic spline of its own, so that whatever makes plots differ (a taller
# plot, a later one, a wet corner from July on) shows in the plots' curves as it is, and not only as
# far as a random intercept and slope could follow it.  Varieties are then compared day by day from
# the plots' curves (`curves`).  Plants that were missed on a date, or died, are allowed for by
# each plant's own level and slope, as far as plants differ in these.
# ------------------------------------------------------------------------------------------------

WORST = 4.0
"""Variance of a day's height, in variances of one reading, above which a curve has too many columns
for the dates read: the standard error is twice that of a reading (own choice)."""


@dataclass(frozen=True)
class PlantSpread:
    """How plants of a plot differ: covariance (2, 2) of level and slope over the knots' range,
    and the variance of one reading about its plant's curve (cm squared)."""

    plant: Floats
    reading: float


@dataclass(frozen=True)
class UnitCurves:
    """units: one row a unit with a curve, columns as in the data.  days (d,): grid.  value
    (u, d): the curves, in cm.  spread: between plants of a unit.  proportional: whether units
    vary in proportion to their height (see `curves`).  at: the day of the grid on which units
    are compared, the last that every cell was measured on or after."""

    units: pd.DataFrame
    days: Floats
    value: Floats
    spread: PlantSpread
    proportional: bool = True
    at: int = -1


def unit_curves(data: pd.DataFrame, spline: Spline, days: Floats) -> UnitCurves:
    """A curve for each level of `unit`.

    data: one row a reading: unit, cell (units with one curve in common), plant, day, height_cm,
    cut (day the unit was topped, NaN if it was not: its curve may drop and bend there).  A unit
    whose dates do not carry all columns of the spline (`carried`) takes the rest of its shape from
    its cell; outside its own first and last reading it keeps its distance from the cell's curve,
    and outside the cell's own the height of its end: no curve goes where nothing was measured.
    """
    shape = _columns(spline, data["day"].to_numpy(), data["cut"].to_numpy())
    height = data["height_cm"].to_numpy(float)
    common: dict[object, Floats] = {}
    left = np.zeros(len(data))
    cells = data.groupby("cell", sort=False).indices
    known: dict[tuple[float, ...], int] = {}

    def columns_of(at: npt.NDArray[np.intp]) -> int:
        """As many as the dates of these readings carry."""
        dates, first = np.unique(data["day"].to_numpy()[at], return_index=True)
        cut = float(data["cut"].iloc[at[0]])
        key = (cut if np.isfinite(cut) else -1.0, *dates)
        if key not in known:
            between = days[(days >= dates[0]) & (days <= dates[-1])]
            known[key] = carried(shape[at[first]],
                                 _columns(spline, between, np.full(len(between), cut)))
        return known[key]

    for cell, at in cells.items():
        many = columns_of(np.asarray(at))
        common[cell] = np.zeros(shape.shape[1])
        common[cell][:many] = np.linalg.lstsq(shape[at][:, :many], height[at], rcond=None)[0]
        left[at] = height[at] - shape[at] @ common[cell]
    of_unit = data.groupby("unit", sort=True).indices
    sizes = {unit: columns_of(np.asarray(at)) for unit, at in of_unit.items()}
    rest = left.copy()
    for unit, at in of_unit.items():
        own = shape[at][:, : sizes[unit]]
        rest[at] -= own @ np.linalg.lstsq(own, left[at], rcond=None)[0]
    spread = _spread(data, spline, rest)
    spans = {cell: (data["day"].iloc[at].min(), data["day"].iloc[at].max())
             for cell, at in cells.items()}
    rows = []
    for unit, at in of_unit.items():
        part = data.iloc[at]
        cut = float(part["cut"].iloc[0])
        own = shape[at][:, : sizes[unit]]
        beta = _weighted(own, left[at], part, spline, spread)
        seen = np.clip(days, part["day"].min(), part["day"].max())
        cell = part["cell"].iloc[0]
        within = np.clip(days, *spans[cell])
        rows.append(_columns(spline, within, np.full(len(days), cut)) @ common[cell]
                    + _columns(spline, seen, np.full(len(days), cut))[:, : sizes[unit]] @ beta)
    units = data.groupby("unit", sort=True).first().reset_index()
    ends = [last for _, last in spans.values()]
    at_all = int(np.searchsorted(days, min(ends)))
    return UnitCurves(units, days, np.array(rows), spread, at=min(at_all, len(days) - 1))


def carried(read: Floats, between: Floats) -> int:
    """How many of the leading columns dates of reading carry, at least one.

    read (n, p): the columns on the dates read.  between (d, p): on every day from the first to the
    last of them.  With too many columns a curve goes through its readings and anywhere in a long
    gap between them.  So many are taken that no day's height is less sure than WORST readings'
    variance (leverage of the day: Hoaglin & Welsch 1978, Am. Stat. 32:17-22).
    """
    for many in range(min(read.shape), 1, -1):
        own, grid = read[:, :many], between[:, :many]
        if np.linalg.matrix_rank(own) < many:
            continue
        leverage = np.linalg.norm(np.linalg.lstsq(own.T, grid.T, rcond=None)[0], axis=0) ** 2
        if not leverage.size or leverage.max() <= WORST:
            return many
    return 1


def _columns(spline: Spline, day: Floats, cut: Floats) -> Floats:
    """1, the spline, and where units were cut back a drop and a change of growth, (n, p)."""
    columns = [np.ones((len(day), 1)), spline.basis(day)]
    since = np.maximum(day - cut, 0.0) / max(float(np.ptp(spline.knots)), 1e-9)
    columns.append(np.nan_to_num(np.column_stack([day >= cut, since])))
    return np.hstack(columns)


def _spread(data: pd.DataFrame, spline: Spline, rest: Floats) -> PlantSpread:
    """Plants' own level and slope from what the units' curves leave; none where it cannot tell."""
    frame = pd.DataFrame({"plant": data["plant"].to_numpy(), "rest": rest,
                          "slope": spline.basis(data["day"])[:, 0]})
    plain = PlantSpread(np.zeros((2, 2)), max(float(rest.var()), 1e-12))
    within = data.groupby("unit")["plant"].nunique()
    if within.max() < 2 or rest.var() < 1e-9 or len(frame) <= 2 * frame["plant"].nunique():
        return plain
    try:
        fit = fit_lmm("rest ~ 1", frame, groups=["plant"], slopes={"plant": ["slope"]})
    except (MixedModelError, np.linalg.LinAlgError):
        return plain
    return PlantSpread(fit.group_cov["plant"].to_numpy(float), max(fit.residual_sd**2, 1e-12))


def _weighted(
    own: Floats, left: Floats, part: pd.DataFrame, spline: Spline, spread: PlantSpread
) -> Floats:
    """Generalised least squares of a unit's readings, plants varying in level and slope.

    Whitened plant by plant, since plants are independent given their unit.
    """
    if not spread.plant.any() or part["plant"].nunique() < 2:
        return np.asarray(np.linalg.lstsq(own, left, rcond=None)[0])
    x, y = np.empty_like(own), np.empty_like(left)
    random = np.column_stack([np.ones(len(part)), spline.basis(part["day"])[:, 0]])
    for at in part.groupby("plant", sort=False).indices.values():
        v = random[at] @ spread.plant @ random[at].T + spread.reading * np.eye(len(at))
        half = np.linalg.cholesky(v)
        x[at], y[at] = np.linalg.solve(half, own[at]), np.linalg.solve(half, left[at])
    return np.asarray(np.linalg.lstsq(x, y, rcond=None)[0])


# ------------------------------------------------------------------------------------------------
# Varieties compared day by day from the curves of their plots: the second stage.
#
# On each day the plots' heights are analysed as the layout says: varieties and blocks by least
# squares, the error between plots (summary measures of repeated readings: Matthews, Altman,
# Campbell & Royston 1990, BMJ 300:230-235).  The error is that day's own, so that an interval holds
# whatever the plots' differences do over the season, with the degrees of freedom of the layout.
# Tall varieties vary more than short ones; the variance is taken in proportion to the height, half
# way between one standard deviation and one coefficient of variation for all (own choice: too few
# plots tell which, and with one standard deviation the tall ones' intervals held 92 % in
# tests/models/height_study.py).
# Blocks are fixed: the answer is for the places of this bed, not for a draw of other beds.
#
# In a split plot the second factor is compared within plots: its differences have the error
# between parts of a plot, and a mean of one variety under one treatment has both errors, its
# degrees of freedom by Satterthwaite (1946, Biometrics Bulletin 2:110-114).
# ------------------------------------------------------------------------------------------------

TESTS = ["term", "F", "num_df", "den_df", "p", "stratum"]


@dataclass(frozen=True)
class Stratum:
    """One error: joins (v, v) of the means, times sides @ sides.T (d, d) of the days, on df;
    each mean's standard error times its scale (v, d) on the day."""

    joins: Floats
    sides: Floats
    df: float
    scale: Floats


@dataclass(frozen=True)
class MeanCurves:
    """A mean curve a variety (or a variety under a treatment).

    names (v,); days (d,): from planting; value (v, d) in cm; strata: the errors behind it.
    """

    names: tuple[str, ...]
    days: Floats
    value: Floats
    strata: tuple[Stratum, ...]

    @property
    def varieties(self) -> tuple[str, ...]:
        return self.names

    @property
    def supported(self) -> bool:
        return bool(self.strata) and all(stratum.df >= 1 for stratum in self.strata)

    @property
    def _variances(self) -> Floats:
        """(strata, v, d)"""
        return np.array([
            np.outer(np.diagonal(stratum.joins), (stratum.sides**2).sum(axis=1)) * stratum.scale**2
            for stratum in self.strata])

    @property
    def se(self) -> Floats:
        """(v, d); NaN where there is no error to go by."""
        if not self.supported:
            return np.full(self.value.shape, np.nan)
        return np.asarray(np.sqrt(self._variances.sum(axis=0)))

    @property
    def df(self) -> Floats:
        """(v, d)"""
        if not self.supported:
            return np.full(self.value.shape, np.nan)
        of = np.array([stratum.df for stratum in self.strata])
        each = self._variances
        if len(of) == 1:
            return np.full(self.value.shape, of[0])
        total = each.sum(axis=0)
        least = (each**2 / of[:, None, None]).sum(axis=0)
        ratio = np.divide(total**2, least, out=np.full(total.shape, of.min()), where=least > 0)
        return np.asarray(np.maximum(ratio, of.min()))

    @property
    def half(self) -> Floats:
        """Half-width of the 95 % interval, (v, d)."""
        return np.asarray(stats.t.isf(0.025, self.df) * self.se)

    def covariance(self, at: int) -> Floats:
        """(v, v) of the means on one day of the grid; NaN where unsupported."""
        if not self.supported:
            return np.full((len(self.names),) * 2, np.nan)
        return np.asarray(sum(
            stratum.joins * (stratum.sides[at] ** 2).sum()
            * np.outer(stratum.scale[:, at], stratum.scale[:, at])
            for stratum in self.strata))

    def draws(self, count: int, seed: int) -> Floats:
        """Curves drawn from the estimates' distribution, (count, v, d): each error's part a
        multivariate t on its df.  The estimates over and over where unsupported."""
        rng = np.random.default_rng(seed)
        out = np.repeat(self.value[None], count, axis=0)
        for stratum in self.strata if self.supported else ():
            values, vectors = np.linalg.eigh(stratum.joins)
            root = vectors * np.sqrt(np.maximum(values, 0.0))
            z = rng.standard_normal((count, len(self.names), stratum.sides.shape[1]))
            z = z / np.sqrt(rng.chisquare(stratum.df, size=(count, 1, 1)) / stratum.df)
            part = np.einsum("vw,nwm,dm->nvd", root, z, stratum.sides, optimize=True)
            out += part * stratum.scale
        return out


@dataclass(frozen=True)
class Fitted:
    """Least squares of the units' curves: means (v, d), their joins (v, v), residuals (u, d)."""

    value: Floats
    joins: Floats
    residual: Floats
    df: float

    def stratum(self, most: float, of_units: Floats, of_means: Floats) -> Stratum:
        """most: degrees of freedom of the layout, if those are fewer than are left over here.
        of_units (u, d), of_means (v, d): relative standard deviations; see `relative`."""
        sides = _sides(self.residual / of_units) / np.sqrt(max(self.df, 1.0))
        return Stratum(self.joins, sides, min(self.df, most), of_means)


def fitted(value: Floats, x: Floats, rows: Floats) -> Fitted:
    """value (u, d) on columns x (u, q); rows (v, q): what makes a mean."""
    fit = LeastSquares(x, value)
    joins = np.asarray(rows @ fit.unscaled @ rows.T)
    # Rounded, so that heights all alike do not differ by what the arithmetic leaves.
    return Fitted(np.round(rows @ fit.estimate, 9), joins, fit.residual, float(fit.df))


def relative(heights: Floats, average: Floats, proportional: bool) -> Floats:
    """Standard deviations of heights (n, d) relative to that of the day's average (d,), the
    variance in proportion to the height; all 1 if not `proportional`.

    A height below a twentieth of the average counts as that.
    """
    if not proportional:
        return np.ones_like(heights)
    usual = np.maximum(average, 1e-9)
    return np.asarray(np.sqrt(np.maximum(heights / usual, 0.05)))


def indicators(labels: pd.Series, levels: list[str]) -> Floats:
    """One 0/1 column a level, (n, levels)."""
    return np.array([labels.to_numpy() == level for level in levels], dtype=float).T


def centred(labels: pd.Series, levels: list[str]) -> Floats:
    """Columns of a factor that sum to zero over its levels, (n, levels - 1)."""
    full = indicators(labels, levels)
    return np.asarray(full[:, :-1] - full[:, -1:])


def term_test(term: str, y: Floats, with_it: Floats, without: Floats, stratum: str) -> tuple[
        str, float, float, float, float, str]:
    """F of a term: what is gained by its columns, over the residual of the fuller model."""

    whole, part = LeastSquares(with_it, y), LeastSquares(without, y)
    f, top = whole.f_over(part)
    bottom = float(whole.df)
    if np.isnan(f) or whole.rss <= 1e-9 * max(part.rss, 1e-9):
        return term, np.nan, top, bottom, np.nan, stratum
    return term, f, top, bottom, float(stats.f.sf(f, top, bottom)), stratum


def _sides(residual: Floats) -> Floats:
    """(d, m) with sides @ sides.T = residual.T @ residual, m no more than the units."""
    _, scale, vectors = np.linalg.svd(residual, full_matrices=False)
    keep = scale > 1e-12 * max(float(scale.max(initial=0.0)), 1e-300)
    if not keep.any():
        return np.zeros((residual.shape[1], 1))
    return np.asarray((scale[keep, None] * vectors[keep]).T)


# ------------------------------------------------------------------------------------------------
# Mean height curves as the layout asks: varieties between plots, treatments where they were.
# ------------------------------------------------------------------------------------------------

PLOTS, PARTS = "plots", "parts of plots"


@dataclass(frozen=True)
class Layout:
    """varieties: their mean curves.  cells: curves of each variety under each treatment, with
    `named` (variety, treatment) in the same order; treatments: over the varieties, compared by
    `between` (the error of their differences).  tests: TESTS, on the day compared."""

    varieties: MeanCurves
    cells: MeanCurves | None = None
    named: tuple[tuple[str, str], ...] = ()
    treatments: MeanCurves | None = None
    between: MeanCurves | None = None
    tests: pd.DataFrame | None = None
    formula: str = "variety"


def plain(curves: UnitCurves, varieties: list[str], df: float, blocked: bool) -> Layout:
    """No treatment: variety and block.  df: of the layout.  blocked: whether blocks are used."""
    x = indicators(curves.units["variety"], varieties)
    rows = np.eye(len(varieties))
    places = _blocks(curves.units) if blocked else np.zeros((len(x), 0))
    fit = fitted(curves.value, np.hstack([x, places]), _wide(rows, places))
    stratum = _between(curves, fit, df, x @ fit.value)
    means = MeanCurves(tuple(varieties), curves.days, fit.value, (stratum,))
    return Layout(means, formula="variety + block" if places.size else "variety")


def whole_plots(
    curves: UnitCurves, varieties: list[str], levels: list[str], df: float, blocked: bool
) -> Layout:
    """Treatments given to whole plots: one error.  The interaction where all combinations are
    there more than once, else variety and treatment alone."""
    units = curves.units
    v, t = len(varieties), len(levels)
    of_v, of_t = indicators(units["variety"], varieties), centred(units["treatment"], levels)
    places = _blocks(units) if blocked else np.zeros((len(units), 0))
    counts = of_v.T @ indicators(units["treatment"], levels)
    crossed = bool(counts.min() > 1)
    both = _products(of_v, of_t) if crossed else of_t
    table = np.vstack([np.eye(t - 1), -np.ones((1, t - 1))])
    at_v, at_t = np.repeat(np.eye(v), t, axis=0), np.tile(table, (v, 1))
    rows = np.hstack([at_v, _products(at_v, at_t) if crossed else at_t])
    named = tuple((variety, level) for variety in varieties for level in levels)
    x = np.hstack([of_v, both, places])
    fit = fitted(curves.value, x, _wide(rows, places))
    of_treatment = indicators(units["treatment"], levels)
    of_units = _products(of_v, of_treatment) @ fit.value

    def mean_of(average: Floats, names: tuple[str, ...]) -> MeanCurves:
        own = fitted(curves.value, x, _wide(average @ rows, places))
        return MeanCurves(names, curves.days, own.value, (_between(curves, own, df, of_units),))

    over = np.tile(np.eye(t), (1, v)) / v
    treatments = mean_of(over, tuple(levels))
    cells = MeanCurves(tuple(f"{a}, {b}" for a, b in named), curves.days, fit.value,
                       (_between(curves, fit, df, of_units),))
    constant = np.ones((len(units), 1))
    c_v = centred(units["variety"], varieties)
    terms = {"variety": c_v, "treatment": of_t}
    if crossed:
        terms["variety x treatment"] = _products(c_v, of_t)
    last = curves.value[:, curves.at]
    whole = np.hstack([constant, *terms.values(), places])
    tests = [term_test(name, last, whole, np.hstack(
        [constant, *(terms[k] for k in terms if k != name), places]), PLOTS) for name in terms]
    star = "variety * treatment" if crossed else "variety + treatment"
    return Layout(mean_of(np.repeat(np.eye(v), t, axis=1) / t, tuple(varieties)), cells, named,
                  treatments, treatments, pd.DataFrame(tests, columns=TESTS),
                  f"{star} + block" if places.size else star)


def split_plots(
    curves: UnitCurves, varieties: list[str], levels: list[str], df: float, blocked: bool
) -> Layout:
    """Treatments within plots: two errors (Cochran & Cox 1957, Experimental Designs, ch. 7)."""
    parts, t = curves.units, len(levels)
    mains = sorted(parts["main"].unique())
    of_main = indicators(parts["main"], mains)
    of_v, of_t = indicators(parts["variety"], varieties), centred(parts["treatment"], levels)
    both = _products(of_v, of_t)
    table = np.vstack([np.eye(t - 1), -np.ones((1, t - 1))])
    v = len(varieties)
    at_v, at_t = np.repeat(np.eye(v), t, axis=0), np.tile(table, (v, 1))
    rows = np.hstack([np.zeros((v * t, len(mains))), _products(at_v, at_t)])
    x = np.hstack([of_main, both])
    within = fitted(curves.value, x, rows)
    effect = x[:, len(mains):] @ (np.linalg.pinv(x) @ curves.value)[len(mains):]
    # A plot's own curve: mean of its parts, each brought to the average of the treatments.
    level = np.linalg.pinv(of_main) @ (curves.value - effect)
    plots = parts.groupby("main", sort=True).first().loc[mains].reset_index()
    own = replace(curves, units=plots, value=level)
    base = plain(own, varieties, df, blocked)
    spread = np.repeat(np.eye(v), t, axis=0)  # (cells, v)
    named = tuple((variety, level) for variety in varieties for level in levels)
    over = np.tile(np.eye(t), (1, v)) / v
    value = spread @ base.varieties.value + within.value
    of_parts = _products(of_v, indicators(parts["treatment"], levels)) @ value
    average_day = of_parts.mean(axis=0)
    main = base.varieties.strata[0]
    sub = within.stratum(np.inf, relative(of_parts, average_day, curves.proportional),
                         np.ones_like(value))

    def mean_of(average: Floats, names: tuple[str, ...]) -> MeanCurves:
        lift = average @ spread
        scale = relative(average @ value, average_day, curves.proportional)
        strata = (Stratum(lift @ main.joins @ lift.T, main.sides, main.df, scale),
                  Stratum(average @ sub.joins @ average.T, sub.sides, sub.df, scale))
        return MeanCurves(names, curves.days, average @ value, strata)

    cells = mean_of(np.eye(v * t), tuple(f"{a}, {b}" for a, b in named))
    between = MeanCurves(tuple(levels), curves.days, over @ value,
                         (Stratum(over @ sub.joins @ over.T, sub.sides, sub.df,
                                  np.ones((t, len(curves.days)))),))
    places = _blocks(plots) if blocked else np.zeros((len(plots), 0))
    constant, c_v = np.ones((len(plots), 1)), centred(plots["variety"], varieties)
    last = curves.value[:, curves.at]
    c_both = _products(centred(parts["variety"], varieties), of_t)
    tests = [
        term_test("variety", level[:, curves.at], np.hstack([constant, c_v, places]),
                  np.hstack([constant, places]), PLOTS),
        term_test("treatment", last, np.hstack([of_main, of_t, c_both]),
                  np.hstack([of_main, c_both]), PARTS),
        term_test("variety x treatment", last, np.hstack([of_main, of_t, c_both]),
                  np.hstack([of_main, of_t]), PARTS),
    ]
    return Layout(base.varieties, cells, named, mean_of(over, tuple(levels)), between,
                  pd.DataFrame(tests, columns=TESTS),
                  f"{base.formula}; within plots treatment + variety:treatment")


def _between(curves: UnitCurves, fit: Fitted, df: float, of_units: Floats) -> Stratum:
    """The error between units; of_units: what the fit says of each unit's height, (u, d)."""
    average = of_units.mean(axis=0)
    return fit.stratum(df, relative(of_units, average, curves.proportional),
                       relative(fit.value, average, curves.proportional))


def _blocks(units: pd.DataFrame) -> Floats:
    return centred(units["block"], sorted(units["block"].unique()))


def _products(left: Floats, right: Floats) -> Floats:
    """Every column of left times every column of right, (n, a * b)."""
    return np.asarray((left[:, :, None] * right[:, None, :]).reshape(len(left), -1))


def _wide(rows: Floats, places: Floats) -> Floats:
    """rows with zeros for the blocks: means at the average block."""
    return np.hstack([rows, np.zeros((len(rows), places.shape[1]))])
