"""How many blocks, plants and picks it takes to see a difference between varieties.

Everything is on the log scale, where a ratio is a difference: "1.5 times" is log 1.5 = 0.405,
and a standard deviation of 0.15 is a spread of about 15 %. A plot is the unit that varieties
were drawn to, so plants and picks only help as far as they steady a plot's mean:

    var(plot mean) = s2_plot + s2_plant / plants + s2_pick / (plants picks)

(expected mean squares of nested subsamples; Cochran & Cox 1957, section 2.4; Searle,
Casella & McCulloch 1992, Variance Components, chapter 4). Blocks divide all three; plants
leave s2_plot as it is. That is why more blocks nearly always beat more plants.

Exact where the layout is balanced: the noncentral F and t distributions (Johnson, Kotz &
Balakrishnan 1995, chapters 30 and 31); the last part of this file sets layouts of several sizes
side by side. `simulated_power` fits the mixed model itself for the rest.

What the report will name (`Claims`) has no formula: plot totals of made-up trials are judged by
the report's own rule, its error and degrees of freedom (`decide.ratio`) and the boundary of the
last look. Plots and plants are lognormal, and so is a plant's total over the picks but for a
shift, with the first three moments of such a sum (two of them: Fenton 1960, IRE Trans. Commun.
Syst. 8:57).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, stats

from trialkit.decide.looks import always_z, boundary_z
from trialkit.decide.ratio import fit_plots
from trialkit.decide.spending import alpha_each, dunnett_quantile, on_t_scale, sharing
from trialkit.design.layouts import Planting
from trialkit.design.patterns import pair_efficiency
from trialkit.design.request import (
    COMPLETE_BLOCKS,
    COMPLETELY_RANDOMISED,
    INCOMPLETE_BLOCKS,
    LATIN_SQUARE,
    ROW_COLUMN,
    SPLIT_PLOT,
)

PAIR = "one pair"
WITH_CHECK = "each with the check"
ALL_PAIRS = "all pairs"
TESTS = (PAIR, WITH_CHECK, ALL_PAIRS)


@dataclass(frozen=True)
class Spread:
    """Standard deviations on the log scale: 0.15 is about 15 %.

    plot: between plots of one variety in one block. plant: between plants of one plot.
    pick: of one plant from pick to pick. part: between parts of a split plot. told: where the
    figures come from, in sentences; none for a guess. plot_high: upper 95 % limit of `plot`,
    infinite where there is none; None for a guess.
    The defaults are a guess to start from (common practice, no source); an earlier trial gives
    your own (`trialkit new --from`).
    """

    plot: float = 0.15
    plant: float = 0.30
    pick: float = 0.60
    part: float = 0.0
    told: tuple[str, ...] = ()
    plot_high: float | None = None

    def __post_init__(self) -> None:
        for word in ("plot", "plant", "pick", "part"):
            value = getattr(self, word)
            if not 0 <= value < 10:
                raise ValueError(f"The spread of a {word} is {value}; 0 to 10 is accepted.")


@dataclass(frozen=True)
class Claims:
    """How the report decides: what a true difference must pass to be named.

    looks: as written in trial.toml before the season; None for as many as there are picks.
    ended: whether trial.toml is told when picking stops, so that the last look spends what is
    left. against_check: each variety is compared with the check, else all pairs.
    """

    looks: int | None = None
    ended: bool = True
    against_check: bool = True

    def __str__(self) -> str:
        return "as the report decides"


@dataclass(frozen=True)
class Setup:
    """The size of a trial.

    plants: in a plot (in each part of a split plot). picks: looks at each plant.
    block_size: plots in an incomplete block. grid: rows and columns of a row-column layout.
    efficiency: average efficiency factor of the layout, 1 for complete blocks.
    """

    varieties: int
    blocks: int
    plants: int = 4
    picks: int = 10
    design: str = COMPLETE_BLOCKS
    block_size: int | None = None
    grid: tuple[int, int] | None = None
    treatments: int = 2
    efficiency: float = 1.0

    @property
    def plots(self) -> int:
        """Plots in the whole trial."""
        return self.varieties * self.blocks

    @property
    def parts(self) -> int:
        """Parts of a plot: the treatments of a split plot, else 1."""
        return self.treatments if self.design == SPLIT_PLOT else 1

    @property
    def all_plants(self) -> int:
        """Plants in the whole trial, guards not counted."""
        return self.plots * self.plants * self.parts


def setup_of(planting: Planting, picks: int = 10) -> Setup:
    """The size of a trial that was laid out, with its own efficiency factor."""
    request = planting.request
    plots = planting.plots
    grid = (int(plots["plot_row"].max()), int(plots["plot_column"].max()))
    return Setup(
        varieties=request.count,
        blocks=request.blocks,
        plants=request.plants,
        picks=picks,
        design=request.design,
        block_size=request.block_size,
        grid=grid if request.design == ROW_COLUMN else None,
        treatments=len(request.treatments),
        efficiency=planting.efficiency.average,
    )


def error_df(setup: Setup) -> int:
    """Degrees of freedom left for error in the plot stratum; 0 or less: no comparison.

    Counts of the classical analysis of variance (Cochran & Cox 1957, chapters 4, 7 and 9-11).
    """
    v, b = setup.varieties, setup.blocks
    if setup.design == COMPLETELY_RANDOMISED:
        return v * (b - 1)
    if setup.design in (COMPLETE_BLOCKS, SPLIT_PLOT):
        return (v - 1) * (b - 1)
    if setup.design == LATIN_SQUARE:
        if b != v:
            raise ValueError(f"A Latin square of {v} varieties has {v} repeats, not {b}.")
        return (v - 1) * (v - 2)
    if setup.design == ROW_COLUMN:
        rows, columns = setup.grid or (b, v)
        return v * b - 1 - (rows - 1) - (columns - 1) - (v - 1)
    if setup.design == INCOMPLETE_BLOCKS:
        if setup.block_size is None:
            raise ValueError("Incomplete blocks need a block size.")
        return v * b - b * -(-v // setup.block_size) - (v - 1)
    raise ValueError(f"No layout is called {setup.design!r}.")


def plot_variance(setup: Setup, spread: Spread) -> float:
    """Variance of one plot's mean on the log scale."""
    within = spread.plant**2 / setup.plants + spread.pick**2 / (setup.plants * setup.picks)
    return spread.plot**2 + (spread.part**2 * (setup.parts > 1) + within) / setup.parts


def difference_variance(setup: Setup, spread: Spread) -> float:
    """Variance of the difference of two variety means on the log scale: 2 s2 / (b E)."""
    return 2.0 * plot_variance(setup, spread) / (setup.blocks * setup.efficiency)


def f_power(noncentrality: float, df_top: float, df_bottom: float, alpha: float = 0.05) -> float:
    """Power of an F test: P(F' > the alpha point of F), F' noncentral.

    noncentrality: lambda = sum of n (mu_i - mu)^2 / s2 (Johnson, Kotz & Balakrishnan 1995,
    eq. 30.1).
    """
    if df_bottom < 1 or df_top < 1:
        return float("nan")
    critical = float(stats.f.isf(alpha, df_top, df_bottom))
    return _beyond(critical, df_top, df_bottom, noncentrality)


def _beyond(critical: float, df_top: float, df_bottom: float, noncentrality: float) -> float:
    """P(F' > critical). scipy's noncentral F is wrong at a noncentrality of 0: use F there."""
    if noncentrality < 1e-10:
        return float(stats.f.sf(critical, df_top, df_bottom))
    return float(np.clip(stats.ncf.sf(critical, df_top, df_bottom, noncentrality), 0.0, 1.0))


def power_to_see(
    ratio: float,
    setup: Setup,
    spread: Spread,
    *,
    alpha: float = 0.05,
    test: str | Claims = PAIR,
) -> float:
    """Chance that two varieties which truly differ by `ratio` come out as different.

    test: "one pair" for a comparison chosen beforehand (t test); "each with the check" when
    every variety is compared with the check (Dunnett's critical value) and "all pairs" when
    every pair is looked at (Tukey's), so that the whole trial errs at most 5 % of the time.
    Claims: that the report names the difference after the last pick, in either direction.
    NaN where the layout leaves no degrees of freedom. Raises ValueError for a ratio <= 0.
    """
    if ratio <= 0:
        raise ValueError(f"A ratio of {ratio} cannot be; it must be above 0.")
    df = error_df(setup)
    if df < 1:
        return float("nan")
    if isinstance(test, Claims):
        return _claimed(ratio, setup, spread, test, alpha)
    if test == PAIR:
        critical = float(stats.t.isf(alpha / 2, df))
    elif test == WITH_CHECK:
        critical = dunnett_quantile(setup.varieties - 1, df, alpha)
    elif test == ALL_PAIRS:
        critical = float(stats.studentized_range.isf(alpha, setup.varieties, df)) / np.sqrt(2.0)
    else:
        raise ValueError(f"No test is called {test!r}; choose {', '.join(TESTS)}.")
    variance = difference_variance(setup, spread)
    if variance == 0:
        return 1.0 if ratio != 1 else alpha
    shift = float(abs(np.log(ratio)) / np.sqrt(variance))
    # T'^2 with 1 and df degrees of freedom is a noncentral F; both tails at once.
    return _beyond(critical**2, 1, df, shift**2)


# ------------------------------------------------------------------------------------------------
# What the report will name: its own rule on made-up trials.
# ------------------------------------------------------------------------------------------------

Array = npt.NDArray[np.float64]

DRAWS, FEWEST_TRIALS, MOST_TRIALS = 120_000, 1000, 8000
"""Plots made up to find a chance, and in how many trials at least and at most, the same ones for
every ratio: a chance of 8 in 10 is known to 0.4 points (one standard error), to 1.3 in beds of 120
plots or more. Own choice."""


def _level(moments: tuple[float, float], sd: float, many: float) -> tuple[float, float]:
    """Variance and third central moment, one level up: a value of mean 1 with these moments times
    a lognormal one of mean 1, then the mean of so many."""
    w = float(np.exp(sd**2))
    square, cube = w * (1.0 + moments[0]), w**3 * (1.0 + 3.0 * moments[0] + moments[1])
    return (square - 1.0) / many, (cube - 3.0 * square + 2.0) / many**2


def look_variances(setup: Setup, spread: Spread) -> Array:
    """Variance of the log ratio of two varieties' totals after each pick, shape (picks,)."""
    out = []
    for picks in range(1, setup.picks + 1):
        plant = _level(_level((0.0, 0.0), spread.pick, picks), spread.plant, setup.plants)
        part = _level(plant, spread.part * (setup.parts > 1), setup.parts)
        out.append(2.0 * _level(part, spread.plot, 1)[0] / (setup.blocks * setup.efficiency))
    return np.array(out)


ROUNDS, NEAR, FARTHEST = 20, 0.002, 10.0
"""Rounds to find the ratio named 8 times in 10, its logarithm to 0.2 %; past e^10 no ratio is."""

DRAWN_PLANTS = 4
"""Up to so many plants of a plot are made up one by one; of more, so many means of some. One value
for all plants of a plot, with the same three moments, promised a point too much of a single pick
of three plants. Own choice."""


@lru_cache(maxsize=4)
def _made_up_totals(setup: Setup, spread: Spread, trials: int, plots: int) -> Array:
    """Totals of plots, their mean being 1, (trials, plots)."""
    rng = np.random.default_rng(1)
    each = min(setup.plants, DRAWN_PLANTS)
    moments = _level(_level((0.0, 0.0), spread.pick, setup.picks), spread.plant,
                     setup.plants / each)
    plant = _shifted_lognormal(*moments, rng.standard_normal((trials, plots, setup.parts, each)))
    part = plant.mean(axis=3) * _lognormal(
        spread.part * (setup.parts > 1), rng, (trials, plots, setup.parts))
    return np.asarray(part.mean(axis=2) * _lognormal(spread.plot, rng, (trials, plots)))


def _lognormal(sd: float, rng: np.random.Generator, shape: tuple[int, ...]) -> Array:
    """Of mean 1."""
    return np.asarray(np.exp(sd * rng.standard_normal(shape) - sd**2 / 2.0))


def _shifted_lognormal(square: float, third: float, normal: Array) -> Array:
    """Values of mean 1 with this variance and third central moment, from normal ones."""
    if square <= 0 or third <= 0:
        return np.ones(normal.shape)
    skew = third / square**1.5
    # Of a lognormal value: (w + 2) sqrt(w - 1), w the exponential of its variance on the log scale.
    root = float(optimize.brentq(lambda u: (u**2 + 3.0) * u - skew, 0.0, skew))
    sd = np.sqrt(np.log1p(root**2))
    return np.asarray(1.0 + np.sqrt(square) / root * np.expm1(sd * normal - sd**2 / 2.0))


def _plots(setup: Setup) -> tuple[Array, ...]:
    """(plots, levels) ones and zeros: which variety a plot holds, then which block of each kind.

    A layout whose blocks are not complete is taken as complete blocks with as many df.
    """
    v, b = setup.varieties, setup.blocks
    if setup.design in (ROW_COLUMN, INCOMPLETE_BLOCKS):
        b = max(round(error_df(setup) / (v - 1)) + 1, 2)
    variety, place = np.repeat(np.arange(v), b), np.tile(np.arange(b), v)
    blocks = [] if setup.design == COMPLETELY_RANDOMISED else [place]
    if setup.design == LATIN_SQUARE:
        blocks.append((variety + place) % v)
    return tuple(np.eye(level.max() + 1)[level] for level in (variety, *blocks))


def _places(setup: Setup) -> Array | None:
    """(plots, 1) where each plot of `_plots` lies in its block, as drawn; None for a square, of
    which rows and columns are taken out."""
    of_variety, *blocks = _plots(setup)
    if len(blocks) > 1:
        return None
    n = len(of_variety)
    within = blocks[0].argmax(axis=1) if blocks else np.zeros(n)
    order = np.lexsort((np.random.default_rng(1).random(n), within)).argsort()
    return np.asarray(order[:, None] % (setup.varieties if blocks else n), dtype=np.float64)


def _made_up(
    setup: Setup, spread: Spread, ratio: float, against_check: bool
) -> tuple[Array, Array, Array]:
    """log(left / right) where that is truly `ratio`, its standard error and degrees of freedom, in
    made-up trials; the other varieties give as much as the right one."""
    of_variety, *blocks = _plots(setup)
    n, b = len(of_variety), len(of_variety) / setup.varieties
    variety = of_variety.argmax(axis=1)
    taken = np.hstack([np.zeros((n, 0)), *(part[:, 1:] - part[:, :1] for part in blocks)])
    fit = fit_plots(np.full(n, 1e6), np.ones(n), variety, taken)
    assert fit is not None
    trials = int(np.clip(DRAWS // n, FEWEST_TRIALS, MOST_TRIALS))
    y = _made_up_totals(setup, spread, trials, n) * np.where(variety == 1, ratio, 1.0)
    # The fitted margins are those of the totals (Deming & Stephan 1940, Ann. Math. Stat.
    # 11:427-444): at once in blocks.
    mean = np.ones_like(y)
    for _ in range(20 if len(blocks) > 1 else 1):
        for part in (of_variety, *blocks):
            mean = mean * (((y @ part) / (mean @ part)) @ part.T)
    total = y @ of_variety
    away = ((y - mean) / mean) @ fit.layout.rest.T
    variance, df = fit.layout.pair_error(
        1, 0, fit.squares(1, 0), away**2 @ of_variety, in_all=against_check)
    place = _places(setup)
    if place is not None:  # even ground, too, may look as if it sloped
        df = np.where(fit.layout.on_slope(place, away), fit.layout.cut(df), df)
    if len(blocks) == 1:  # blocks that gave more weigh more in a total
        share = (y @ blocks[0]) / y.sum(axis=1, keepdims=True)
        variance = variance * b * (share**2).sum(axis=1)
    wider = np.sqrt(b / (setup.blocks * setup.efficiency))
    noise = np.log(total[:, 1] / total[:, 0]) - np.log(ratio)
    return np.log(ratio) + wider * noise, wider * np.sqrt(variance), df


@lru_cache(maxsize=4096)
def _claimed(ratio: float, setup: Setup, spread: Spread, claims: Claims, alpha: float) -> float:
    """Chance that the report names the difference after the last pick, in either direction."""
    z = _claim_z(setup, spread, claims, alpha)
    if not np.isfinite(z):
        return 0.0
    if look_variances(setup, spread)[-1] == 0:
        return 1.0 if ratio != 1 else alpha
    estimate, se, df = _made_up(setup, spread, max(ratio, 1.0 / ratio), claims.against_check)
    return float(np.mean(np.abs(estimate) > on_t_scale(z, df) * se))


@lru_cache(maxsize=1024)
def _smallest_claimed(
    setup: Setup, spread: Spread, claims: Claims, target: float, alpha: float
) -> float:
    """The ratio at which a made-up trial names the difference is the one whose logarithm makes up
    for its error and its critical value; the target share of trials has a smaller one. Errors
    hardly hang on the ratio, so that a few rounds find it."""
    z = _claim_z(setup, spread, claims, alpha)
    if not np.isfinite(z):
        return float("inf")
    if look_variances(setup, spread)[-1] == 0:
        return 1.0
    size = 0.5
    for _ in range(ROUNDS):
        estimate, se, df = _made_up(setup, spread, float(np.exp(size)), claims.against_check)
        before, size = size, float(np.quantile(on_t_scale(z, df) * se - (estimate - size), target))
        if size > FARTHEST:
            return float("inf")
        if abs(size - before) < NEAR:
            break
    return float(np.exp(size))


@lru_cache(maxsize=4096)
def _claim_z(setup: Setup, spread: Spread, claims: Claims, alpha: float) -> float:
    """The boundary of the last look on the normal scale; infinite where nothing passes it.

    Of the looks as planned, the error shared among the comparisons. Picks beyond the planned looks
    are judged by the interval that needs no plan (both in `decide.spending`).
    """
    df = error_df(setup)
    information = 1.0 / np.maximum(look_variances(setup, spread), 1e-12)
    how = sharing(setup.varieties, claims.against_check)
    each = alpha_each(setup.varieties, claims.against_check, alpha, how, float(df))
    looks = claims.looks or setup.picks
    if setup.picks > looks:
        z = always_z(information, each)[-1]
    else:
        number = np.arange(1.0, setup.picks + 1)
        z = boundary_z(information, number, float(df), looks, each, claims.ended)[-1]
    return float(z)


def power_of_pairs(
    ratio: float, planting: Planting, spread: Spread, *, picks: int = 10, alpha: float = 0.05
) -> pd.DataFrame:
    """Power for every pair of a layout, each with its own efficiency factor.

    Where blocks are incomplete some pairs share more blocks than others and are seen better;
    `power_to_see` answers for a pair of average efficiency.  Columns: left, right, efficiency,
    power.
    """
    setup, plots = setup_of(planting, picks), planting.plots
    strata = {
        COMPLETELY_RANDOMISED: (),
        LATIN_SQUARE: ("plot_row", "plot_column"),
        ROW_COLUMN: ("plot_row", "plot_column"),
    }.get(setup.design, ("block",))
    factors = pair_efficiency(plots["variety"], *(plots[name] for name in strata))
    names = sorted(plots["variety"].unique())
    rows = [
        (names[i], names[j], factors[i, j],
         power_to_see(ratio, replace(setup, efficiency=factors[i, j]), spread, alpha=alpha))
        for i, j in combinations(range(len(names)), 2)
    ]
    return pd.DataFrame(rows, columns=["left", "right", "efficiency", "power"])


def power_of_any(ratio: float, setup: Setup, spread: Spread, *, alpha: float = 0.05) -> float:
    """Power of the F test over all varieties when the best and worst differ by `ratio`.

    The others sit half way, the least favourable case for a given range (Kastenbaum, Hoel &
    Bowman 1970, Biometrika 57:421), so the true power is at least this.
    """
    noncentrality = np.log(ratio) ** 2 / difference_variance(setup, spread)
    return f_power(noncentrality, setup.varieties - 1, error_df(setup), alpha)


def power_of_treatment(ratio: float, setup: Setup, spread: Spread, *, alpha: float = 0.05) -> float:
    """Chance to see a difference between two treatments within the plots of a split plot.

    Plot and block drop out of the difference, which is why a split plot sees its treatment
    better than its varieties (Cochran & Cox 1957, section 7.1). v(b-1)(t-1) error df.
    """
    if setup.design != SPLIT_PLOT:
        raise ValueError("Only a split plot compares treatments within plots.")
    within = spread.plant**2 / setup.plants + spread.pick**2 / (setup.plants * setup.picks)
    variance = 2.0 * (spread.part**2 + within) / setup.plots
    df = setup.varieties * (setup.blocks - 1) * (setup.treatments - 1)
    return f_power(np.log(ratio) ** 2 / variance, 1, df, alpha)


def smallest_ratio(
    setup: Setup,
    spread: Spread,
    *,
    target: float = 0.8,
    alpha: float = 0.05,
    test: str | Claims = PAIR,
) -> float:
    """The smallest ratio seen with the target chance, such as 8 times in 10.

    Infinite where the layout can compare nothing.
    """
    if error_df(setup) < 1:
        return float("inf")
    if isinstance(test, Claims):
        return _smallest_claimed(setup, spread, test, target, alpha)
    return _smallest(
        lambda ratio: power_to_see(ratio, setup, spread, alpha=alpha, test=test), target
    )


def smallest_treatment_ratio(
    setup: Setup, spread: Spread, *, target: float = 0.8, alpha: float = 0.05
) -> float:
    """The smallest ratio between two treatments of a split plot seen with the target chance."""
    if setup.blocks < 2:
        return float("inf")
    return _smallest(lambda ratio: power_of_treatment(ratio, setup, spread, alpha=alpha), target)


def _smallest(power: Callable[[float], float], target: float) -> float:
    """The ratio above 1 at which the power reaches the target; infinite above e^200."""

    def short(log_ratio: float) -> float:
        return power(float(np.exp(log_ratio))) - target

    top = 0.5
    while short(top) < 0:
        top *= 2.0
        if top > 200:
            return float("inf")
    return float(np.exp(optimize.brentq(short, 1e-9, top, xtol=1e-10)))


# ------------------------------------------------------------------------------------------------
# Power of one layout in several sizes: more blocks, more plants, more picks, side by side.
# ------------------------------------------------------------------------------------------------

MOST_BLOCKS = 60


def power_by_blocks(
    ratio: float,
    setup: Setup,
    spread: Spread,
    *,
    plants: tuple[int, ...] = (1, 2, 4, 8),
    blocks: tuple[int, ...] = tuple(range(2, 13)),
    alpha: float = 0.05,
    test: str | Claims = PAIR,
) -> pd.DataFrame:
    """Power for each number of blocks and plants.

    Columns: blocks, plants, picks, all_plants, df, power, smallest_ratio (seen 8 times in 10).
    """
    rows = []
    for each in plants:
        for many in blocks:
            size = _resized(setup, many, each)
            rows.append(
                {
                    "blocks": many,
                    "plants": each,
                    "picks": size.picks,
                    "all_plants": size.all_plants,
                    "df": error_df(size),
                    "power": power_to_see(ratio, size, spread, alpha=alpha, test=test),
                    "smallest_ratio": smallest_ratio(size, spread, alpha=alpha, test=test),
                }
            )
    return pd.DataFrame(rows)


def ways_to_see(
    ratio: float,
    setup: Setup,
    spread: Spread,
    *,
    plants: tuple[int, ...] = (1, 2, 3, 4, 6, 8, 12),
    picks: tuple[int, ...] = (5, 10, 20),
    target: float = 0.8,
    alpha: float = 0.05,
    test: str | Claims = PAIR,
) -> pd.DataFrame:
    """The fewest blocks that do it, for each number of plants and picks; cheapest first.

    Columns: blocks, plants, picks, all_plants, counts (plants times picks), power. Rows that
    would need more than 60 blocks are left out.
    """
    rows = []
    for looks in picks:
        for each in plants:
            sizes = [replace(_resized(setup, many, each), picks=looks)
                     for many in range(2, MOST_BLOCKS + 1)]

            def power(size: Setup) -> float:
                return power_to_see(ratio, size, spread, alpha=alpha, test=test)

            # More blocks always help, so that halving finds the fewest.
            enough = bisect_left(sizes, target, key=power)
            if enough < len(sizes):
                size = sizes[enough]
                rows.append({
                    "blocks": size.blocks, "plants": each, "picks": looks,
                    "all_plants": size.all_plants, "counts": size.all_plants * looks,
                    "power": power(size),
                })
    columns = ["blocks", "plants", "picks", "all_plants", "counts", "power"]
    table = pd.DataFrame(rows, columns=columns)
    return table.sort_values(["all_plants", "counts"], ignore_index=True)


@dataclass(frozen=True)
class Doubling:
    """What twice the plants buy, spent in two ways.

    now, more_plants, more_blocks: power as planned, with twice the plants in each plot, and
    with twice the blocks.  plot_share: of the variance between plots what is not that of plants.
    """

    ratio: float
    setup: Setup
    now: float
    more_plants: float
    more_blocks: float
    plot_share: float

    @property
    def text(self) -> str:
        """In words."""
        if np.isnan(self.now):
            return (
                "As planned, nothing can be compared: there is no second plot of a variety to "
                f"judge by. {self.setup.blocks * 2} blocks give a {in_words(self.more_blocks)} "
                "chance."
            )
        beaten = self.more_blocks > self.more_plants + 0.005
        better = "More blocks beat more plants" if beaten else "They buy the same"
        return (
            f"To see {self.ratio:g} times: {in_words(self.now)} as planned, "
            f"{in_words(self.more_plants)} with twice the plants in each plot, "
            f"{in_words(self.more_blocks)} with twice the blocks, for the same "
            f"{2 * self.setup.all_plants} plants. {better}: {100 * self.plot_share:.0f} % of what "
            "makes plots differ is the plot itself, which more plants in it cannot average away."
        )


def double_plants_or_blocks(
    ratio: float, setup: Setup, spread: Spread, *, alpha: float = 0.05, test: str | Claims = PAIR
) -> Doubling:
    """Compare doubling the plants in each plot with doubling the blocks."""
    sizes = (
        setup,
        _resized(setup, setup.blocks, setup.plants * 2),
        _resized(setup, setup.blocks * 2, setup.plants),
    )
    now, plants, blocks = (
        power_to_see(ratio, size, spread, alpha=alpha, test=test) for size in sizes
    )
    return Doubling(ratio, setup, now, plants, blocks,
                    spread.plot**2 / plot_variance(setup, spread))


def in_words(chance: float) -> str:
    """A chance in whole per cent; never "100 %", for no trial is certain."""
    return "over 99 %" if chance >= 0.995 else f"{100 * chance:.0f} %"


def _resized(setup: Setup, blocks: int, plants: int) -> Setup:
    """The same trial with other numbers; a Latin square turns into complete blocks."""
    design = setup.design
    if design == LATIN_SQUARE and blocks != setup.varieties:
        design = COMPLETE_BLOCKS
    grid = setup.grid if blocks == setup.blocks else None
    return replace(setup, blocks=blocks, plants=plants, design=design, grid=grid)
