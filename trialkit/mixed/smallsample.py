"""Small-sample covariance and degrees of freedom for contrasts of fixed effects.

Kenward & Roger 1997 (Biometrics 53:983-997): adjusted covariance of the estimates and a
scaled F with matched moments.  Satterthwaite's method (Giesbrecht & Burns 1985, Biometrics
41:477-486) is the cheaper route; for tests of several rows it follows Fai & Cornelius 1996
(J. Stat. Comput. Simul. 54:363-378).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grouping import Floats
from trialkit.mixed.information import VarianceInformation

METHODS = ("kenward-roger", "satterthwaite", "between-within", "asymptotic")


def check_method(df: str | float) -> str | float:
    """A method by name, or a number of degrees of freedom that the design supplies."""
    if isinstance(df, int | float) and df > 0:
        return float(df)
    if df not in METHODS:
        raise MixedModelError(
            f"df='{df}' is not one of: {', '.join(METHODS)}, or a number above 0."
        )
    return df


def check_level(level: float) -> None:
    if not 0.0 < level < 1.0:
        raise MixedModelError(f"level={level:g} must lie between 0 and 1, for example 0.95.")


@dataclass(frozen=True)
class KenwardRoger:
    """Adjusted covariance (p, p) and what the df need.

    w: (m, m) asymptotic covariance of the variance parameters (unit residual variance);
    d: (m, p, p) derivatives of phi, phi S_i phi (unit residual variance).
    """

    phi: Floats
    adjusted: Floats
    w: Floats
    d: Floats
    scale: float

    def moments(self, contrast: Floats) -> tuple[float, float]:
        """F scaling lambda and denominator df for L b = 0, L (l, p) of full row rank."""
        count = contrast.shape[0]
        if not len(self.d):
            return 1.0, np.inf  # nothing was estimated but the fixed effects
        middle = np.linalg.inv(contrast @ self.phi @ contrast.T)
        td = contrast.T @ middle @ contrast @ self.d
        traces = np.einsum("iaa->i", td)
        a1 = float(traces @ self.w @ traces)
        flat, turned = td.reshape(len(td), -1), td.transpose(0, 2, 1).reshape(len(td), -1)
        a2 = float(np.sum(self.w * (flat @ turned.T)))
        if a2 <= 1e-14:
            return 1.0, np.inf
        if count == 1:
            # the general formulas reduce to this, and lose digits on the way near df 2
            return 1.0, 2.0 / a2
        b = (a1 + 6.0 * a2) / (2.0 * count)
        g = ((count + 1) * a1 - (count + 4) * a2) / ((count + 2) * a2)
        under = 3.0 * count + 2.0 * (1.0 - g)
        c1, c2, c3 = g / under, (count - g) / under, (count + 2 - g) / under
        v0, v1, v2 = 1.0 + c1 * b, 1.0 - c2 * b, 1.0 - c3 * b
        if abs(v0) < 1e-10:
            v0 = 0.0
        # v2 = 0 is no fault: rho is then infinite and the df exactly 4
        with np.errstate(divide="ignore"):
            rho = np.float64((_ratio(1.0 - a2 / count, v1) ** 2) * v0 / count) / np.float64(v2)
            df = float(4.0 + np.float64(count + 2) / (count * rho - 1.0))
        scaling = 1.0 if abs(df - 2.0) < 1e-2 else df * (1.0 - a2 / count) / (df - 2.0)
        return float(scaling), float(df)


def _ratio(x: float, y: float) -> float:
    """x / y, taken as 1 where both vanish (the limit, as both are zero together)."""
    if abs(x) < 1e-14 and abs(y) < 1e-14:
        return 1.0
    return x / y


def kenward_roger(info: VarianceInformation, residual_variance: float) -> KenwardRoger:
    """Kenward & Roger 1997, eqs for Lambda and Phi_A; V is linear, so R_ij = 0."""
    phi, s = info.phi, info.s
    if not len(info.values):
        return KenwardRoger(
            phi, phi, np.zeros((0, 0)), np.zeros((0, *phi.shape)), residual_variance
        )
    w = 2.0 * _inverse(info.expected)
    correction = phi @ np.einsum("ij,ijab->ab", w, info.r) @ phi
    adjusted = phi + correction + correction.T
    return KenwardRoger(phi, adjusted, w, phi @ s @ phi, residual_variance)


def _inverse(matrix: Floats) -> Floats:
    """Inverse after scaling to unit diagonal; the pseudo-inverse where that is singular."""
    size = np.sqrt(np.maximum(np.diagonal(matrix), 1e-300))
    scaled = matrix / size[:, None] / size[None, :]
    values, vectors = np.linalg.eigh(scaled)
    keep = np.abs(values) > 1e-10
    inverse = (vectors[:, keep] / values[keep]) @ vectors[:, keep].T
    out: Floats = inverse / size[:, None] / size[None, :]
    return out


@dataclass(frozen=True)
class Satterthwaite:
    """Covariance of the free variance parameters and derivatives of phi (unit scale)."""

    phi: Floats
    w: Floats
    d: Floats

    def df(self, row: Floats) -> float:
        """2 (l'phi l)^2 / Var(l'phi l), Giesbrecht & Burns 1985."""
        variance = float(row @ self.phi @ row)
        gradient = np.einsum("a,iab,b->i", row, self.d, row)
        under = float(gradient @ self.w @ gradient)
        return np.inf if under <= 0.0 else 2.0 * variance**2 / under

    def f_df(self, contrast: Floats) -> float:
        """Denominator df for several rows, Fai & Cornelius 1996."""
        values, vectors = np.linalg.eigh(contrast @ self.phi @ contrast.T)
        keep = values > 1e-8 * values.max()
        dfs = np.array([self.df(v @ contrast) for v in vectors.T[keep]])
        if len(dfs) == 1:
            return float(dfs[0])
        if np.ptp(dfs) < 1e-8 * abs(dfs.mean()):
            return float(dfs.mean())
        useful = dfs[dfs > 2.0]
        expected = float(np.sum(useful / (useful - 2.0)))
        count = len(dfs)
        return 2.0 * expected / (expected - count) if expected > count else 2.0


def satterthwaite(
    info: VarianceInformation,
    quadratic: Floats,
    residual_variance: float,
    jacobian: Floats,
    bend: Floats,
) -> Satterthwaite:
    """Satterthwaite's method in coordinates that stay inside the bounds.

    quadratic: (m, m), y'P V_i P V_j P y;
    jacobian: (m, c) derivatives of the variance parameters in the coordinates; bend: (c, c) what
    the coordinates' curvature adds to the Hessian where the gradient is not zero (on a boundary).
    """
    hessian = jacobian.T @ info.hessian(quadratic, residual_variance) @ jacobian + bend
    size = np.sqrt(np.maximum(np.abs(np.diagonal(hessian)), 1e-300))
    values, vectors = np.linalg.eigh(hessian / size[:, None] / size[None, :])
    keep = values > 1e-8
    w = 2.0 * (vectors[:, keep] / values[keep]) @ vectors[:, keep].T / size[:, None] / size[None, :]
    d = np.einsum("mc,mab->cab", jacobian, info.phi @ info.s @ info.phi)
    return Satterthwaite(info.phi, w, d)


def t_table(
    estimate: Floats, se: Floats, df: Floats, level: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """t, two-sided p, low and high; df may be infinite."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = estimate / se
    p = np.asarray(2.0 * stats.t.sf(np.abs(t), df))
    half = np.asarray(stats.t.ppf(0.5 + level / 2.0, df)) * se
    return t, p, estimate - half, estimate + half
