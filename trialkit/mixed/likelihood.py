"""The profiled REML and ML objectives, their exact gradients, and the search for the minimum.

Profiled over the fixed effects and the residual variance (Bates et al. 2015, eqs 34, 41):

  REML  log|V| + log|X'V^-1X| + (n - p) (1 + log(2 pi y'Py / (n - p)))
  ML    log|V|                + n (1 + log(2 pi y'Py / n))

With a known residual variance the last term is y'Py + d log(2 pi).  The derivative with
respect to G_f is  sum_j (Z'PZ)_jj - (d / y'Py) sum_j s_j s_j',  s = Z'Py  (Z'V^-1Z in place
of Z'PZ for ML), with d = n - p or n; through G = L L' it becomes 2 (dG) L on the triangle.

The search runs over the triangles' entries without bounds: the objective is even in each
column of L, so a zero variance is an interior stationary point and the search can pass
through it freely.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache, wraps
from typing import ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dtrtrs
from scipy.optimize import minimize
from threadpoolctl import ThreadpoolController

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import Cross, RandomPart, batched, mean_diagonals
from trialkit.mixed.grouping import Floats, Triangles

# ------------------------------------------------------------------------------------------------
# One linear-algebra thread.
#
# The matrices of a fit are small; sharing them between threads costs more than it gains, and on a
# busy machine a hundred times more.  Large ones (over ``LARGE`` rows) keep all threads.
# ------------------------------------------------------------------------------------------------

LARGE = 600

P = ParamSpec("P")
R = TypeVar("R")


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def few_threads(size: int = 0) -> AbstractContextManager[object]:
    """A context in which BLAS uses one thread, unless ``size`` is large."""
    if size > LARGE:
        return nullcontext()
    limited: AbstractContextManager[object] = _controller().limit(limits=1, user_api="blas")
    return limited


def single_threaded(function: Callable[P, R]) -> Callable[P, R]:
    """Run a function with one BLAS thread."""

    @wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        with few_threads():
            return function(*args, **kwargs)

    return run


# ------------------------------------------------------------------------------------------------
# The mixed-model equations at one value of the relative covariances.
#
# Write G_f (k x k) for the covariance of a grouping's effects relative to the residual variance,
# G_f = L_f L_f', and V = I + Z G Z' (in units of the residual variance, after weights).  V_i holds
# the effects of the stages before stage i only.  With T = [Z X y]'V_i^-1[Z X y] for what is left at
# stage i, its elimination gives
#
#   F_i = (I + T_ii G_i)^-1 T_i,    = Z_i'V_{i+1}^-1 [later stages, Z2 X y]
#   M_i = (I + T_ii G_i)^-1 T_ii,   = Z_i'V_{i+1}^-1 Z_i,  block diagonal
#   K_i = G_i (I + T_ii G_i)^-1,    covariance of its effects given those after it
#   T  <- T - T_i'G_i F_i           the next stage's T, block diagonal again where factors nest
#   T_j <- N'F_i where Z_j = Z_i N  the same, and no digit lost where a variance is large
#
# and once the stages (V_c) are gone, one dense Cholesky factor of the rest R = [Z2 X]:
#
#   C  = S'T_RR S + diag(I, 0),  S = diag(L2, I),  = chol chol'   (Bates et al. 2015, eqs 18, 54)
#
# What a stage has with everything after all stages, and the inverses that the gradient needs, come
# by going back up the chain:
#
#   W_fi = Z_f'V_i^-1 Z_i for i after f,   E_f = Z_f'V_c^-1 [Z2 X y]
#   Y_a  = chol^-1 S' (E_a or T_Ra)        so that  Z_f'P Z_g = Z_f'V_c^-1 Z_g - Y_f'Y_g
#
# (the first r rows of Y alone give Z_f'V^-1 Z_g).  Only blocks on the pattern of the equations are
# formed: Takahashi, Fagan & Chin 1973, Proc. 8th PICA Conf.  Nothing is divided by a variance, so
# zero variances need no special case.
# ------------------------------------------------------------------------------------------------

def turned(a: Floats) -> Floats:
    """Each of a stack's matrices transposed."""
    return a.transpose(0, 2, 1)


def scale_rows(random: RandomPart, factors: Sequence[Floats], t: Floats) -> Floats:
    """S' t for a matrix with the rest's rows (r of other groupings, then X, untouched).

    ``factors``: one a grouping, those of the stages unused."""
    out = np.array(t, order="F", copy=True)
    dense = factors[len(random.stages) :]
    for g, s, factor in zip(random.others, random.slices, dense, strict=True):
        if g.k == 1:
            out[s] *= factor[0, 0]
        else:
            block = t[s].reshape(g.n_levels, g.k, -1)
            out[s] = np.matmul(factor.T, block).reshape(g.size, -1)
    return out


def forward(chol: Floats, b: Floats) -> Floats:
    """chol^-1 b by substitution."""
    if b.size == 0 or chol.shape[0] == 0:
        return b
    out, info = dtrtrs(chol, b, lower=1)
    if info != 0:
        raise MixedModelError("the mixed-model equations are singular; check for aliased columns.")
    return np.asarray(out)


def backward(chol: Floats, b: Floats) -> Floats:
    """chol'^-1 b by substitution."""
    if b.size == 0 or chol.shape[0] == 0:
        return b
    out, info = dtrtrs(chol, b, lower=1, trans=1)
    if info != 0:
        raise MixedModelError("the mixed-model equations are singular; check for aliased columns.")
    return np.asarray(out)


@dataclass(frozen=True)
class Eliminated:
    """A stage after its elimination: G_i (width, width), M_i and K_i (units, width, width), F_i
    (units, width, later widths + m), and log |I + T_ii G_i|."""

    g: Floats
    m: Floats
    k: Floats
    f: Floats
    logdet: float


def eliminate(rows: Floats, g: Floats) -> Eliminated:
    """Eliminate a stage from its rows of T, (units, width, width + later widths + m)."""
    width = len(g)
    own, later = rows[:, :, :width], rows[:, :, width:]
    if width == 1:
        shrink = 1.0 / (1.0 + g * own)
        logdet = float(-np.log(shrink).sum())
        return Eliminated(g, own * shrink, g * shrink, later * shrink, logdet)
    eye = np.eye(width)
    system = eye + own @ g
    if width == 2:
        # an intercept and a slope: by hand, as a call a unit costs more than the work
        a, b, c, d = system.reshape(-1, 4).T
        det = a * d - b * c
        inverse = np.stack([d, -b, -c, a], axis=-1).reshape(-1, 2, 2) / det[:, None, None]
        done = inverse[:, :, :1] * rows[:, :1] + inverse[:, :, 1:] * rows[:, 1:]
        k = g @ inverse
        logdet = float(np.log(det).sum())
        return Eliminated(g, done[:, :, :2], 0.5 * (k + turned(k)), done[:, :, 2:], logdet)
    both = np.linalg.solve(system, np.concatenate([rows, np.broadcast_to(eye, own.shape)], axis=2))
    k = g @ both[:, :, -width:]
    _, logs = np.linalg.slogdet(system)
    return Eliminated(
        g, both[:, :, :width], 0.5 * (k + turned(k)), both[:, :, width:-width], float(logs.sum())
    )


def _gram(later: Floats, e: Eliminated) -> Floats:
    """T_i'G_i F_i = T_i'K_i T_i over the rest's columns, (m, m)."""
    m = later.shape[2]
    if len(e.g) == 1:
        # the same matrix twice: half the work for BLAS
        half = (later * np.sqrt(e.k)).reshape(-1, m)
        return np.asarray(half.T @ half)
    out: Floats = later.reshape(-1, m).T @ (e.g @ e.f[:, :, -m:]).reshape(-1, m)
    return 0.5 * (out + out.T)


def _outer(a: Floats, b: Floats) -> Floats:
    """Sum over u and s of a[u, :, s] b[u, :, s]', (k, k)."""
    return np.asarray(np.tensordot(a, b, axes=([0, 2], [0, 2])))


@dataclass(frozen=True)
class Solved:
    """The equations solved at one set of factors L_f (see the module text for symbols).

    t: T of the rest, (m, m); p: columns of X; the last column of the rest is the response.
    """

    random: RandomPart
    cross: Cross
    factors: tuple[Floats, ...]
    stages: tuple[Eliminated, ...]
    t: Floats
    chol: Floats
    p: int

    @property
    def r(self) -> int:
        return self.random.r

    @property
    def size(self) -> int:
        """Rows of C: dense random effects, then fixed effects."""
        return self.random.r + self.p

    @cached_property
    def logdet_z(self) -> float:
        """log |I + L'Z'ZL|, = log |V|."""
        dense = 2.0 * float(np.log(np.diagonal(self.chol)[: self.r]).sum())
        return sum(e.logdet for e in self.stages) + dense

    @cached_property
    def logdet_x(self) -> float:
        """log |X'V^-1X|."""
        return 2.0 * float(np.log(np.diagonal(self.chol)[self.r :]).sum())

    @cached_property
    def c(self) -> Floats:
        """chol^-1 S'T_Ry, (r + p,)."""
        top = self.t[: self.size, -1:]
        return self._half(top)[:, 0]

    @cached_property
    def rss(self) -> float:
        """y'Py, the penalised residual sum of squares at the solution."""
        return float(self.t[-1, -1] - self.c @ self.c)

    @cached_property
    def xvx(self) -> Floats:
        """X'V^-1X, (p, p)."""
        low = self.chol[self.r :, self.r :]
        out: Floats = low @ low.T
        return out

    @cached_property
    def coefficients(self) -> Floats:
        """The generalised least squares estimate, (p,)."""
        return backward(self.chol[self.r :, self.r :], self.c[self.r :])

    @cached_property
    def reach(self) -> tuple[Floats, ...]:
        """One array a stage, (units, width, later widths + m): W_fi for each later stage i, then
        E_f."""
        last = len(self.stages) - 1
        out = []
        for f, e in enumerate(self.stages):
            row = e.f if f == last else e.f.copy()
            for i in range(f + 1, last + 1):
                at = self.random.columns(f, i)
                step, link = self.stages[i], self.random.links[f, i]
                row[:, :, at.stop :] -= batched(row[:, :, at] @ step.g, link.down(step.f))
            out.append(row)
        return tuple(out)

    def between(self, f: int, i: int) -> Floats:
        """W_fi, (units of f, width of f, width of i)."""
        return np.asarray(self.reach[f][:, :, self.random.columns(f, i)])

    def to_rest(self, f: int) -> Floats:
        """E_f, (units, width, m)."""
        return np.asarray(self.reach[f][:, :, self.random.tail(f) :])

    def _half(self, b: Floats) -> Floats:
        """chol^-1 S' b for (r + p, ...) b."""
        return forward(self.chol, scale_rows(self.random, self.factors, b))

    @cached_property
    def y_stages(self) -> tuple[Floats, ...]:
        """Y' of each stage, (units * width, r + p)."""
        out = []
        for f, stage in enumerate(self.random.stages):
            e = self.to_rest(f)[:, :, : self.size]
            out.append(self._half(e.reshape(stage.n_units * stage.width, self.size).T).T)
        return tuple(out)

    def y_units(self, f: int) -> Floats:
        """Y' of stage f, unit by unit: (units, width, r + p)."""
        stage = self.random.stages[f]
        return self.y_stages[f].reshape(stage.n_units, stage.width, self.size)

    @cached_property
    def y_rest(self) -> Floats:
        """Y of the dense groupings, (r + p, r)."""
        return self._half(self.t[: self.size, : self.r])

    @cached_property
    def y_x(self) -> Floats:
        """Y of X, the dense groupings' rows only, (r, p)."""
        scaled = scale_rows(self.random, self.factors, self.t[: self.r, self.r : self.size])
        return forward(self.chol[: self.r, : self.r], scaled)

    def scores(self) -> list[Floats]:
        """Z_f'Py, one (levels, k) array a grouping."""
        z = [self.to_rest(f)[:, :, -1:] for f in range(len(self.stages))]
        return [s[:, :, 0] for s in self._given_rest(z, self.t[: self.r, -1:], self.c[:, None])[0]]

    def _given_rest(
        self, z: Sequence[Floats], rest: Floats, c: Floats
    ) -> tuple[list[Floats], Floats]:
        """Z_f'P w, (levels, k, q) a grouping, and the fixed effects (p, q), of Z_f'V_c^-1 w by
        stage (units, width, q), Z2'V_c^-1 w (r, q) and c = chol^-1 S'R'V_c^-1 w."""
        q = c.shape[1]
        b = backward(self.chol, c)
        b = scale_rows(self.random, [f.T for f in self.factors], b)
        out = [
            stage.by_level(own - self.to_rest(f)[:, :, : self.size] @ b)
            for f, (stage, own) in enumerate(zip(self.random.stages, z, strict=True))
        ]
        low = rest - self.t[: self.r, : self.size] @ b
        for g, s in zip(self.random.others, self.random.slices, strict=True):
            out.append(low[s].reshape(g.n_levels, g.k, q))
        return out, b[self.r :]

    def project(self, zw: Sequence[Floats], xw: Floats) -> tuple[list[Floats], Floats]:
        """Z_f'P w, (levels, k, q) a grouping, and the fixed effects (X'V^-1X)^-1 X'V^-1 w, (p, q),
        given Z_f'w (levels, k, q) and X'w (p, q)."""
        stages = self.random.stages
        now = [s.by_unit(z) for s, z in zip(stages, zw, strict=False)]
        q = xw.shape[1]
        rest = np.concatenate([*(z.reshape(-1, q) for z in zw[len(stages) :]), xw])
        for i, e in enumerate(self.stages):
            weighted = e.g @ now[i]
            for j in range(i + 1, len(stages)):
                through = batched(turned(e.f[:, :, self.random.columns(i, j)]), weighted)
                now[j] = now[j] - self.random.links[i, j].up(through)
            start = self.random.tail(i)
            down = e.f[:, :, start : start + self.size]
            rest = rest - np.tensordot(down, weighted, axes=([0, 1], [0, 1]))
            now[i] = now[i] - e.m @ weighted  # (I + T G)^-1 = I - M G
        for f in range(len(stages)):
            own = now[f]
            for i in range(f + 1, len(stages)):
                effect = self.stages[i].g @ now[i]
                own = own - batched(self.between(f, i), self.random.links[f, i].down(effect))
            now[f] = own
        return self._given_rest(now, rest[: self.r], self._half(rest))

    def own_blocks(self, *, x_out: bool) -> list[Floats]:
        """Sum over levels of the level's own k x k block of Z'PZ (x_out) or Z'V^-1Z."""
        rows = self.size if x_out else self.r
        out = []
        for f, (stage, e) in enumerate(zip(self.random.stages, self.stages, strict=True)):
            total = stage.own_sum(e.m)
            for i in range(f + 1, len(self.stages)):
                w = self.between(f, i)
                wk = batched(w, self.random.links[f, i].down(self.stages[i].k))
                shape = (-1, stage.k, w.shape[2])
                total = total - _outer(wk.reshape(shape), w.reshape(shape))
            y = self.y_stages[f][:, :rows].reshape(stage.n_places, stage.k, rows)
            out.append(total - _outer(y, y))
        y2 = self.y_rest[:rows]
        for g, s in zip(self.random.others, self.random.slices, strict=True):
            ys = y2[:, s].reshape(-1, g.k)
            own = self.t[s, s].reshape(g.n_levels, g.k, g.n_levels, g.k)
            out.append(np.einsum("jajb->ab", own) - ys.T @ ys)
        return out

    def in_units(self, scale: float) -> Solved:
        """The same solution with the response, and so the effects, times ``scale``."""

        def scaled(e: Eliminated) -> Eliminated:
            f = e.f.copy()
            f[:, :, -1] *= scale
            return replace(e, f=f)

        t = self.t.copy()
        t[-1, :] *= scale
        t[:, -1] *= scale
        return replace(self, stages=tuple(scaled(e) for e in self.stages), t=t)


def solve(random: RandomPart, cross: Cross, factors: Sequence[Floats], p: int) -> Solved:
    """Eliminate the stages, factor the rest.  ``factors`` one lower triangle (k, k) a grouping.

    Raises MixedModelError if X'V^-1X is singular.
    """
    rows, t = list(cross.rows), cross.rest
    done = []
    for i, stage in enumerate(random.stages):
        lower = stage.factor(factors[i])
        e = eliminate(rows[i], lower @ lower.T)
        later = rows[i][:, :, stage.width :]
        for j in range(i + 1, len(rows)):
            at, link = random.columns(i, j), random.links[i, j]
            if (i, j) in random.sums:
                rows[j] = link.up(batched(random.sums[i, j].T[None], e.f[:, :, at.start :]))
            else:
                through = batched(turned(later[:, :, at]) @ e.g, e.f[:, :, at.start :])
                rows[j] = rows[j] - link.up(through)
        t = t - _gram(later[:, :, random.tail(i) :], e)
        done.append(e)
    r, size = random.r, random.r + p
    scaled = scale_rows(random, factors, t[:size, :size])
    both = scale_rows(random, factors, scaled.T)
    both[np.arange(r), np.arange(r)] += 1.0
    if size == 0:
        chol = both
    else:
        chol, info = dpotrf(both, lower=1, clean=1, overwrite_a=1)
        if info != 0:
            raise MixedModelError(
                "the fixed effects are not of full rank given the random effects; "
                "check for columns that say the same thing."
            )
    return Solved(random, cross, tuple(factors), tuple(done), t, chol, p)


# ------------------------------------------------------------------------------------------------
# The profiled REML and ML objectives, their exact gradients, and the search for the minimum.
# ------------------------------------------------------------------------------------------------

LOG_2PI = float(np.log(2.0 * np.pi))
# A relative standard deviation this small, against the scale on which the grouping
# starts to matter, is tried at exactly zero.
NEAR_ZERO = 3e-2
# Part of the objective's size that its slopes are rounded to, and that it is itself
ROUNDING = 1e-9
FLAT = 1e-14
# Values in a row that are alike but for rounding, after which a search has nothing to gain
UNCHANGED = 6


@dataclass
class Objective:
    """The objective as a function of the packed triangles (scaled by ``mean_diagonals``)."""

    random: RandomPart
    cross: Cross
    n: int
    p: int
    reml: bool
    known_residual: bool
    constant: float

    def __post_init__(self) -> None:
        scales = [1.0 / np.sqrt(d) for d in mean_diagonals(self.random, self.cross)]
        self.triangles = Triangles(self.random.groupings, scales)
        self.last: tuple[bytes, float, Floats, Solved] | None = None

    @property
    def divisor(self) -> int:
        return self.n - self.p if self.reml else self.n

    def solved(self, factors: Sequence[Floats]) -> Solved:
        return solve(self.random, self.cross, factors, self.p)

    def value(self, s: Solved) -> float:
        d = self.divisor
        rss = max(s.rss, 1e-300)
        fit = rss + d * LOG_2PI if self.known_residual else d * (1.0 + LOG_2PI + np.log(rss / d))
        return s.logdet_z + (s.logdet_x if self.reml else 0.0) + float(fit) + self.constant

    def slopes(self, s: Solved) -> list[Floats]:
        """Derivative with respect to each G_f, (k, k) symmetric."""
        ratio = 1.0 if self.known_residual else self.divisor / max(s.rss, 1e-300)
        return [
            own - ratio * (score.T @ score)
            for own, score in zip(s.own_blocks(x_out=self.reml), s.scores(), strict=True)
        ]

    def __call__(self, x: Floats) -> tuple[float, Floats]:
        """Value and gradient; asked again at the same point, it remembers."""
        if self.last is not None and self.last[0] == x.tobytes():
            return self.last[1], self.last[2]
        self.last = None  # its tables are as large as those now made
        factors = self.triangles.unpack(x)
        s = self.solved(factors)
        value = self.value(s)
        in_factors = [2.0 * d @ f for d, f in zip(self.slopes(s), factors, strict=True)]
        gradient = self.triangles.gradient(in_factors)
        self.last = (x.tobytes(), value, gradient, s)
        return value, gradient

    def solved_at(self, x: Floats) -> Solved:
        self(x)
        assert self.last is not None
        return self.last[3]


@dataclass(frozen=True)
class Optimum:
    """gradient: the largest slope in the parameters searched over; relative: the largest in their
    logarithms, which is what is left to find where a parameter is large."""

    value: float
    solved: Solved
    evaluations: int
    gradient: float
    relative: float = 0.0


def minimise(objective: Objective, start: Floats) -> Optimum:
    """Find the minimum from ``start``, then settle which variances are exactly zero.

    Raises MixedModelError when the search does not reach a stationary point.
    """
    least = descend(objective, start)
    if not least.gradient <= 1e-3 * (1.0 + abs(least.value) * 1e-3):
        raise MixedModelError(
            f"the variance components did not settle (largest slope {least.gradient:.2g}); "
            "the data may not hold enough information for so many groupings."
        )
    return least


def descend(objective: Objective, start: Floats) -> Optimum:
    """As `minimise`, wherever the search ends."""
    if not objective.random.groupings:
        s = objective.solved([])
        return Optimum(objective.value(s), s, 1, 0.0)
    x, count = _search(objective, start, np.ones(len(start), dtype=bool))
    x, more = _settle_zeros(objective, x)
    value, gradient = objective(x)
    size = float(np.abs(gradient).max()) if np.isfinite(value) else np.inf
    relative = float(np.abs(gradient * x).max())
    return Optimum(value, objective.solved_at(x), count + more, size, relative)


def near_minimum(objective: Objective, start: Floats) -> Solved:
    """Close to the minimum: where a search that goes on elsewhere can start."""
    if not objective.random.groupings:
        return objective.solved([])
    x, _ = _search(objective, start, np.ones(len(start), dtype=bool), 0.01)
    return objective.solved_at(x)


def _search(
    objective: Objective, x: Floats, free: NDArray[np.bool_], slope: float = 1e-6
) -> tuple[Floats, int]:
    """Quasi-Newton over the free entries until no slope exceeds ``slope``, restarted while it
    still gains."""
    if not free.any():
        return x, 0
    full, count = x.copy(), 0
    # a slope is the difference of sums as large as the value, and cannot be nearer to zero
    slope = max(slope, ROUNDING * abs(objective(x)[0]))
    best, least, steepest, still = full[free], np.inf, np.inf, 0

    def over_free(part: Floats) -> tuple[float, Floats]:
        nonlocal best, least, steepest, still, count
        at = full.copy()
        at[free] = part
        value, gradient = objective(at)
        steep = float(np.abs(gradient[free]).max())
        flat = abs(value - least) <= FLAT * abs(value)
        if steep < steepest if flat else value < least:
            best, steepest = part.copy(), steep
        least, still, count = min(least, value), still + 1 if flat else 0, count + 1
        if flat and (steep <= slope or still >= UNCHANGED):
            raise _NothingToGain
        return value, gradient[free]

    last = np.inf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(4):
            try:
                optimum = minimize(
                    over_free,
                    full[free],
                    jac=True,
                    method="BFGS",
                    options={
                        "gtol": slope, "maxiter": 200,
                        "hess_inv0": np.diag(objective.triangles.first_steps(full)[free]),
                    },
                )  # fmt: skip
            except _NothingToGain:
                full[free] = best
                break
            full[free] = optimum.x
            if np.abs(optimum.jac).max() < 10.0 * slope or last - optimum.fun < 1e-9:
                break
            last = float(optimum.fun)
    return full, count


class _NothingToGain(Exception):
    """The value no longer changes but by rounding; a line search would look on for ever."""


def _curves_up(objective: Objective, x: Floats, cols: list[int]) -> bool:
    """Whether a column of L that is zero at ``x`` is at a least there: G grows by e^2 v v' as the
    column becomes e v, so the objective by e^2 v'Dv, D its derivative in G (scaled rows)."""
    triangles = objective.triangles
    slopes = objective.slopes(objective.solved_at(x))
    start = 0
    for d, scale, shape in zip(slopes, triangles.scales, triangles.shapes, strict=True):
        own = [shape[at - start] for at in cols if start <= at < start + len(shape)]
        start += len(shape)
        if not own:
            continue
        if len(own) == 1:  # one variance, of one column or of several
            rows = own[0][0]
            return bool(np.sum(np.diagonal(d)[rows] * scale[rows] ** 2) > 0.0)
        rows = np.array([i[0] for i, _ in own])
        scaled = d[np.ix_(rows, rows)] * np.outer(scale[rows], scale[rows])
        return bool(np.linalg.eigvalsh(scaled)[0] > 0.0)
    return False


def _settle_zeros(objective: Objective, x: Floats) -> tuple[Floats, int]:
    """Try exact zeros for columns of L that are nearly zero; leave saddles at zero."""
    count = 0
    value, _ = objective(x)
    for cols in objective.triangles.columns():
        small = np.abs(x[cols]).max() < NEAR_ZERO
        if not small:
            continue
        trial = x.copy()
        trial[cols] = 0.0
        free = trial != 0.0
        # nothing moves where the column was zero already but for rounding
        steepest = float(np.abs(objective(x)[1]).max(initial=0.0))
        if np.abs(objective(trial)[1][free]).max(initial=0.0) > max(1e-6, 1.1 * steepest):
            trial, more = _search(objective, trial, free)
            count += more
        at_zero, _ = objective(trial)
        if at_zero > value + 1e-8 * (1.0 + abs(value)):
            continue
        if _curves_up(objective, trial, cols):
            x, value = trial, at_zero
            continue
        # a saddle: at zero, but the variance wants to grow
        lift = trial.copy()
        lift[cols[0]] = 0.3
        lift, more = _search(objective, lift, np.ones(len(x), dtype=bool))
        count += more
        above, _ = objective(lift)
        if above < at_zero - 1e-8 * (1.0 + abs(at_zero)):
            x, value = lift, above
        else:
            x, value = trial, at_zero
    return x, count
