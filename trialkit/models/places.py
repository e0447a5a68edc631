"""Edge, shade and slope at the level of the plots: tested, and taken out one at a time.

Analysis of covariance of the plots' own values (Fisher 1934; Cochran 1957, Biometrics 13:261):
varieties, what the layout takes out (blocks; rows and columns of a square) and the place, by
least squares, so that the degrees of freedom are the layout's less one for the place.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.design.bed import at_edge, plant_positions, shade
from trialkit.models.comparing import ALPHA, Floats, dunnett
from trialkit.models.plot_totals import layout_columns
from trialkit.models.results import empty

if TYPE_CHECKING:
    from trialkit.models.support import Support
    from trialkit.records import Records

MATTERS = 0.10
"""An adjusted answer further than this from the unadjusted one is shown beside it."""
FEWEST_DF = 3.0
"""Fewer left for chance after the place is taken out is no measure of it (own choice)."""
ALONG, ACROSS = "along the rows", "across the rows"
EDGE, SHADE = "the edge of the bed", "the shade"
EFFECTS = ["place", "words", "estimate", "low", "high", "p", "p_single", "df", "F", "F_first",
           "F_varieties", "p_varieties", "note"]
BY_PLACE = ["place", "variety", "against", "unadjusted", "unadjusted_low", "unadjusted_high",
            "adjusted", "adjusted_low", "adjusted_high", "change", "differs"]
AVERAGE = "the average variety"


@dataclass(frozen=True)
class PlaceEffects:
    """What the place in the bed does to the plots, and to the varieties.

    scale: "ratio" or "difference", of every estimate; unit: of a difference.
    effects: place, words (what was compared), estimate (the far end against the near one; plots
    all at the edge, in the shade, against those not) with low and high, p (Holm's over the places
    looked at), p_single, df, F; F_first: F of the place before varieties are fitted; F_varieties
    and p_varieties: of all varieties, the place allowed for; note (why there are no figures).
    by_place: variety against the check (or the average variety), unadjusted and adjusted for that
    place alone, with simultaneous intervals; change: adjusted over unadjusted less 1, or the
    difference over the mean; differs: beyond a tenth, and the place's own p is below 5 %.
    F_plain, p_plain: of all varieties, no place allowed for.
    """

    scale: str
    unit: str
    effects: pd.DataFrame = field(default_factory=lambda: empty(EFFECTS))
    by_place: pd.DataFrame = field(default_factory=lambda: empty(BY_PLACE))
    F_plain: float = float("nan")
    p_plain: float = float("nan")
    why_not: str = ""

    @property
    def differs(self) -> bool:
        """Whether some variety's answer changes by more than a tenth."""
        return bool(self.by_place["differs"].astype(bool).any())


def place_columns(records: Records, ground: Support) -> tuple[pd.DataFrame, dict[str, str]]:
    """Each unit's place, its plants' mean: columns of `ALONG`, `ACROSS`, `EDGE`, `SHADE` where
    known, each from 0 to 1, indexed by unit; and in words what each says."""
    plants = records.plants.drop_duplicates("plant").dropna(subset=["row", "column"])
    if plants.empty or len(plants) < records.plants["plant"].nunique():
        return pd.DataFrame(), {}
    ground_at = plant_positions(records)
    known = pd.DataFrame({"plant": plants["plant"].to_numpy()})
    columns = {
        ALONG: ground_at["x"].reindex(known["plant"]).to_numpy(),
        ACROSS: ground_at["y"].reindex(known["plant"]).to_numpy(),
        EDGE: at_edge(plants).to_numpy(float),
    }
    words = {ALONG: "the last plots of the rows against the first",
             ACROSS: "the last row against the first",
             EDGE: "plots at the edge of the bed against plots inside it"}
    shaded = shade(records)
    if shaded is not None:
        columns[SHADE] = shaded.share.reindex(known["plant"]).to_numpy()
        words[SHADE] = f"plots in the shade against those out of it: {shaded.words}"
    unit = known["plant"].map(ground.unit_of)
    by_unit = pd.DataFrame(columns).groupby(unit.to_numpy())
    out = by_unit.mean()
    some = by_unit[EDGE].max()
    if some.nunique() > 1:  # a plot at an end is an edge plot, however few plants stand there
        out[EDGE] = some
    wide = out.max() - out.min()
    out = out.loc[:, wide > 1e-9]
    out = (out - out.min()) / (out.max() - out.min())
    return out, {name: words[name] for name in out.columns}


def place_effects(
    units: pd.DataFrame, places: pd.DataFrame, words: dict[str, str], varieties: list[str],
    check: str | None, ratio: bool, unit: str, only: tuple[str, ...] = (),
) -> PlaceEffects:
    """Test each place, and compare varieties with and without it.

    units: one row a plot with unit, variety, value (logarithms if `ratio`), block, and bed_row
    and bed_column of a square.  places, words: from `place_columns`.  only: the places to look
    at, all if empty.
    """
    scale = "ratio" if ratio else "difference"
    units = units[units["variety"].isin(varieties)]
    x = np.column_stack([units["variety"] == v for v in varieties]).astype(float)
    plain = _Fit(np.hstack([x, layout_columns(units)]), units["value"].to_numpy(float), x.shape[1])
    if plain.df < 1:
        why = "there are too few plots for any measure of chance"
        return PlaceEffects(scale, unit, why_not=why)
    names = [n for n in places.columns if not only or n in only]
    shown, against, step = _steps(varieties, check)
    counted = _contrasts(plain, step, against)
    rows, sides = [], []
    for name in names:
        place = places[name].reindex(units["unit"]).to_numpy(float)
        row, fit = _effect(name, words[name], plain, place, ratio)
        rows.append(row)
        if fit is not None:
            sides.append(_side(name, shown, against, counted, _contrasts(fit, step, against),
                               float(plain.y.mean()), ratio))
    effects = pd.DataFrame(rows, columns=[c for c in EFFECTS if c != "p"])
    effects = effects.assign(p=holm(effects["p_single"].to_numpy(float)))[EFFECTS]
    told = set(effects.loc[effects["p"] < ALPHA, "place"])
    sides = [one.assign(differs=one["differs"] & one["place"].isin(told)) for one in sides]
    f = plain.f_of_varieties()
    by_place = pd.concat(sides, ignore_index=True) if sides else empty(BY_PLACE)
    return PlaceEffects(scale, unit, effects, by_place, f,
                        float(stats.f.sf(f, len(varieties) - 1, plain.df)))


def holm(p: Floats) -> Floats:
    """Holm (1979, Scand. J. Statist. 6:65), NaN left out: the smallest times m, the next m - 1."""
    out, known = p.copy(), np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    out[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(order), 0, -1)), 1.0)
    return out


class _Fit:
    """Least squares of y on varieties (the first `varieties` columns) and the rest."""

    def __init__(self, x: Floats, y: Floats, varieties: int) -> None:
        self.x, self.y, self.varieties = x, y, varieties
        self.inverse = np.linalg.pinv(x.T @ x)
        self.beta = self.inverse @ x.T @ y
        self.df = float(len(y) - np.linalg.matrix_rank(x))
        self.rss = float(((y - x @ self.beta) ** 2).sum())

    @property
    def covariance(self) -> Floats:
        return np.asarray(self.inverse * (self.rss / self.df if self.df > 0 else np.nan))

    def f_of_varieties(self) -> float:
        """All varieties alike, against everything else in the model."""
        rest = np.hstack([np.ones((len(self.y), 1)), self.x[:, self.varieties:]])
        rss, rank = _rss(rest, self.y)
        lost = np.linalg.matrix_rank(self.x) - rank
        return float((rss - self.rss) / lost / (self.rss / self.df)) if lost else float("nan")


def _rss(x: Floats, y: Floats) -> tuple[float, int]:
    beta, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
    return float(((y - x @ beta) ** 2).sum()), int(rank)


def _effect(
    name: str, words: str, plain: _Fit, place: Floats, ratio: bool
) -> tuple[tuple[object, ...], _Fit | None]:
    """The row of `effects`, and the fit with the place in it (None where it cannot be told)."""
    nothing = [np.nan] * 9
    left = place - plain.x @ (plain.inverse @ plain.x.T @ place)
    if not np.isfinite(place).all() or left @ left < 0.05 * max(float(np.ptp(place)) ** 2, 1e-12):
        note = "goes with the varieties or the blocks: it cannot be told from them"
        return (name, words, *nothing, note), None
    if plain.df - 1 < FEWEST_DF:
        return (name, words, *nothing, "too few plots to tell it from chance"), None
    fit = _Fit(np.column_stack([plain.x, place]), plain.y, plain.varieties)
    estimate, se = float(fit.beta[-1]), float(np.sqrt(fit.covariance[-1, -1]))
    if not se > 0:
        return (name, words, *nothing, "the plots do not vary"), None
    half = float(stats.t.isf(ALPHA / 2, fit.df)) * se
    ends = np.array([estimate, estimate - half, estimate + half])
    f = (estimate / se) ** 2
    rest = np.hstack([np.ones((len(place), 1)), plain.x[:, plain.varieties:]])
    first = (_rss(rest, plain.y)[0] - _rss(np.column_stack([rest, place]), plain.y)[0]) / (
        fit.rss / fit.df)
    of_all = fit.f_of_varieties()
    p_all = float(stats.f.sf(of_all, plain.varieties - 1, fit.df))
    shown = np.exp(ends) if ratio else ends
    return (name, words, *map(float, shown), float(stats.f.sf(f, 1, fit.df)), fit.df, f, first,
            of_all, p_all, ""), fit


def _steps(varieties: list[str], check: str | None) -> tuple[list[str], str, Floats]:
    """Each variety against the check, or against the average variety where there is none."""
    v = len(varieties)
    if check not in varieties:
        return varieties, AVERAGE, np.eye(v) - 1.0 / v
    at = varieties.index(str(check))
    step = np.delete(np.eye(v) - np.eye(v)[at], at, axis=0)
    return [n for n in varieties if n != check], str(check), step


def _contrasts(fit: _Fit, step: Floats, against: str) -> tuple[Floats, Floats]:
    """Values and half-widths: Dunnett against a check, Bonferroni against the average."""
    v = step.shape[1]
    value = step @ fit.beta[:v]
    joint = step @ fit.covariance[:v, :v] @ step.T
    se = np.sqrt(np.maximum(np.diagonal(joint), 0.0))
    if against != AVERAGE:
        return value, dunnett(value, se, joint, fit.df)[1]
    return value, np.asarray(stats.t.isf(ALPHA / 2 / v, fit.df) * se)


def _side(
    name: str, shown: list[str], against: str, plain: tuple[Floats, Floats],
    adjusted: tuple[Floats, Floats], mean: float, ratio: bool,
) -> pd.DataFrame:
    out = pd.DataFrame({"place": name, "variety": shown, "against": against})
    for label, (value, half) in (("unadjusted", plain), ("adjusted", adjusted)):
        for end, values in (("", value), ("_low", value - half), ("_high", value + half)):
            out[f"{label}{end}"] = np.exp(values) if ratio else values
    change = (out["adjusted"] / out["unadjusted"] - 1.0 if ratio
              else (out["adjusted"] - out["unadjusted"]) / (abs(mean) or 1.0))
    return out.assign(change=change, differs=change.abs() > MATTERS)[BY_PLACE]
