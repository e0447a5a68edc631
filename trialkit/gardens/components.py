"""What a trial taught of how much plots, plants and picks differ, and how well it taught it.

The three spreads of `trialkit.power`: standard deviations on the log scale.  Of counts:

    plot, plant: of the negative binomial mixed model's own groupings;
    pick: what makes a plant's total over n looks vary beyond its plant and plot,
          pick^2 = n var(total) / E(total)^2 = n sum(mu + mu^2 / size) / (sum mu)^2,
          the average over plants (variance of the NB2 law; mu the fitted means).

Of a crop dug once they are coefficients of variation, standard deviations over the mean, which is
the same thing for small spreads (delta method).

What a trial says of a spread is the whole profile of its likelihood: trials are taken together by
adding their profiles, and a 95 % interval is where the sum has not yet risen by 3.84 (Cox &
Hinkley 1974, Theoretical Statistics, section 9.3).

They are kept in spread.toml, written by `trialkit new --from`, read by `trialkit plan`, the
planning notebook, and the report of a trial with one row of each variety.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, isfinite
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy import stats
from scipy.interpolate import PchipInterpolator

from trialkit.decide.conclude import SeenRows
from trialkit.mixed import GLMM, LMM, MixedModelError
from trialkit.mixed.intervals import Profile, count_spread
from trialkit.models import Missing
from trialkit.power import Spread
from trialkit.records.start import toml_value

if TYPE_CHECKING:
    from trialkit.models.analysis import Analysis

KINDS = ("plot", "plant", "pick")
GRID = np.concatenate([[0.0], np.geomspace(0.005, 5.0, 400)])
"""Standard deviations that profiles are kept at."""
RISE = float(stats.chi2.isf(0.05, 1))
SINGLE = "A plot is one plant or one record, so that the spread of plots holds that of plants."
STEEP = 1e6
"""Rise of a spread that cannot be."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Learned:
    """One spread as standard deviation: estimate, 95 % limits, and `rise` of -2 log likelihood
    at each of GRID."""

    sd: float
    low: float
    high: float
    rise: Floats


def from_profile(rise: Floats, sd: float | None = None) -> Learned:
    """From a profile on GRID; `sd` where the estimate is known better than by the grid."""
    best = float(GRID[int(np.argmin(rise))]) if sd is None else sd
    over = rise - rise.min() - RISE
    at = int(np.argmin(rise))
    below, above = np.flatnonzero(over[:at] > 0), np.flatnonzero(over[at:] > 0)
    low = _crossing(over, int(below[-1])) if len(below) else 0.0
    high = _crossing(over, at + int(above[0]) - 1) if len(above) else float("inf")
    return Learned(best, min(low, best), max(high, best), rise - rise.min())


def _crossing(over: Floats, before: int) -> float:
    """Where the straight line from one point of GRID to the next passes zero."""
    left, right = over[before], over[before + 1]
    return float(GRID[before] + (GRID[before + 1] - GRID[before]) * left / (left - right))


@dataclass(frozen=True)
class Components:
    """The spreads of a trial, or of several together; None where nothing was learned.

    held: spreads that are part of the plots' own, and must not be counted again.  notes: what to
    know of them, sentences.
    """

    plot: Learned | None
    plant: Learned | None
    pick: Learned | None
    held: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def of(self, kind: str) -> Learned | None:
        """`plot`, `plant` or `pick`; None where nothing was learned of it."""
        own: Learned | None = getattr(self, kind)
        return own


def components(analysis: Analysis) -> Components | Missing:
    """What the records teach; `Missing` with the reason where the layout or the counts cannot."""
    pods = analysis.pods
    try:
        with np.errstate(all="ignore"):
            if not isinstance(pods, Missing):
                if pods.fit is None:
                    return Missing("spread", pods.why_not or "no model could be fitted")
                return _of_counts(pods.fit)
            harvest = analysis.harvest
            if isinstance(harvest, Missing):
                return Missing("spread", pods.reason)
            if harvest.fit is None:
                return Missing("spread", harvest.why_not or "no model could be fitted")
            mean = float(harvest.means["estimate"].mean())
            if not mean > 0:
                return Missing("spread", "nothing was harvested")
            return _of_harvest(harvest.fit, mean, max(analysis.ground.df(), 1.0))
    except (MixedModelError, np.linalg.LinAlgError) as error:
        return Missing("spread", f"its spreads could not be worked out: {error}")


def _of_counts(fit: GLMM) -> Components:
    spreads = count_spread(fit, ("unit", "plant"))
    of = {name: from_profile(_on_grid(profile), float(fit.group_sd[name]))
          for name, profile in spreads.profiles.items()}  # fmt: skip
    plot, plant = of.get("unit"), of.get("plant")
    single = plant is None and plot is not None
    return Components(plot, plant, _pick(fit, spreads.log_size_variance),
                      ("plant",) if single else (), (SINGLE,) if single else ())  # fmt: skip


def _on_grid(profile: Profile) -> Floats:
    """Between its points by a monotone cubic, past the last along its slope; before the first as
    far as it had risen there, which is out of question."""
    points, rise = profile.points, profile.rise
    curve = PchipInterpolator(points, rise, extrapolate=False)(GRID)
    curve = np.where(points[0] > GRID, max(rise[0], 2 * RISE), curve)
    slope = (rise[-1] - rise[-2]) / (points[-1] - points[-2])
    past = rise[-1] + np.maximum(slope, 0.0) * (GRID - points[-1])
    return np.asarray(np.where(points[-1] < GRID, past, curve), dtype=np.float64)


def _pick(fit: GLMM, log_size_variance: float) -> Learned:
    """From the counts' own law; see the module.  Its uncertainty is that of the law's size."""
    mu = fit.fitted
    by_name = {g.name: g for g in fit.random.groupings}
    grouping = by_name.get("plant") or by_name.get("unit")
    owner = np.zeros(len(mu), dtype=int) if grouping is None else np.asarray(grouping.codes)
    total, squares, n = (np.bincount(owner, w) for w in (mu, mu**2, np.ones_like(mu)))
    by_mean = float(np.average(n / total, weights=total))
    by_size = float(np.average(n * squares / total**2, weights=total))
    size = fit.dispersion
    sd = float(np.sqrt(by_mean + (0.0 if np.isinf(size) else by_size / size)))
    rise = np.full(len(GRID), STEEP)
    if np.isinf(size) or not log_size_variance > 0:
        rise[int(np.argmin(np.abs(GRID - sd)))] = 0.0
        return from_profile(rise, sd)
    extra = GRID**2 - by_mean
    can = extra > 0
    rise[can] = (np.log(by_size / extra[can]) - fit.log_size) ** 2 / log_size_variance
    return from_profile(rise, sd)


def _of_harvest(fit: LMM, mean: float, df: float) -> Components:
    """Coefficients of variation; their profiles are those of the mean squares of the two strata,
    scaled chi-squared on their degrees of freedom (Searle, Casella & McCulloch 1992, Variance
    Components, section 3.6)."""
    residual = (float(fit.residual_sd) / mean) ** 2
    sds = fit.group_sd
    name = next((n for n in ("unit", "main") if n in sds.index), None)
    square = GRID**2
    if name is None:
        return Components(from_profile(_rise(residual, square, df), float(np.sqrt(residual))), None,
                          None, ("plant", "pick"), (SINGLE,))
    groups = next(g for g in fit.random.groupings if g.name == name).n_levels
    each, inner = fit.n / groups, max(float(fit.n - groups), 1.0)
    own = (float(sds[name]) / mean) ** 2
    between = residual + each * own
    within = _rise(residual, square, inner)
    # The plots' profile: the residual square follows, taken over all that it may be.
    joint = _rise(between, square[None, :] + each * square[:, None], df) + within
    return Components(
        from_profile(joint.min(axis=1), float(np.sqrt(own))),
        from_profile(within, float(np.sqrt(residual))), None, ("pick",),
    )  # fmt: skip


def _rise(mean_square: float, expected: Floats, df: float) -> Floats:
    """Of -2 log likelihood of a mean square, over its least value."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = mean_square / expected
        rise = df * (ratio - 1.0 - np.log(ratio))
    return np.where(np.isfinite(rise), np.minimum(rise, STEEP), STEEP)


def pooled(several: Sequence[Components]) -> Components:
    """Trials together, taken to have one spread each of plots, plants and picks.

    Raises ValueError for none.
    """
    if not several:
        raise ValueError("There is no trial to learn from.")
    notes = tuple(dict.fromkeys(note for trial in several for note in trial.notes))
    plot, plant, pick = (_pool([trial.of(kind) for trial in several]) for kind in KINDS)
    held = tuple(k for k in KINDS if all(k in trial.held for trial in several))
    return Components(plot, plant, pick, held, notes)


def _pool(spreads: Sequence[Learned | None]) -> Learned | None:
    known = [own for own in spreads if own is not None]
    if len(known) < 2:
        return known[0] if known else None
    return from_profile(np.sum([own.rise for own in known], axis=0))


FILE = "spread.toml"
_WHAT = {
    "plot": "between plots of one variety in one block",
    "plant": "between plants of one plot",
    "pick": "of one plant, from pick to pick",
}


def spread_text(components: Components, sources: Sequence[tuple[str, Components]]) -> str:
    """The file.  components: all trials together.  sources: each trial by its folder's name."""
    guess = Spread()
    lines = [
        "# How much plots, plants and picks differed in earlier trials: standard deviations, 0.15",
        "# being about 15 %. They answer how many blocks and plants the next trial needs:",
        "#     trialkit plan FOLDER      with this file in FOLDER; or add --learned THIS-FILE",
        "# You may change them. low and high are 95 % limits: two or three trials of a season know",
        "# the spread of plots only roughly, and another garden or year may differ.",
        *(f"# {note}" for note in components.notes),
    ]
    for kind in KINDS:
        own = components.of(kind)
        lines += ["", f"# {_WHAT[kind]}", f"[{kind}]"]
        if own is None and kind in components.held:
            lines += ["spread = 0.0  # held in the spread of plots", "learned = true"]
            continue
        if own is None:
            lines += [f"spread = {toml_value(getattr(guess, kind))}  # a guess: not learned",
                      "learned = false"]  # fmt: skip
            continue
        lines += [f"spread = {_figure(own.sd)}", "learned = true", f"low = {_figure(own.low)}"]
        lines += [f"high = {_figure(own.high)}"] if isfinite(own.high) else ["# high = no limit"]
        lines += [f"# {name}: {limits_text(part.of(kind))}" for name, part in sources]
    lines += ["", "[learned]", f"from = {toml_value([name for name, _ in sources])}"]
    return "\n".join(lines) + "\n"


def limits_text(learned: Learned | None) -> str:
    """`0.08 (0 to 0.19)`."""
    if learned is None:
        return "nothing learned"
    high = _figure(learned.high) if isfinite(learned.high) else "no limit"
    return f"{_figure(learned.sd)} ({_figure(learned.low)} to {high})"


def _figure(value: float) -> str:
    return f"{value:.3g}" if value else "0.0"


def read_spread(path: Path) -> Spread:
    """Read the file, or the one in a folder; what was not learned is a guess, and said to be one.

    Raises ValueError, naming the file and the key, for what cannot be a spread; OSError.
    """
    path = path / FILE if path.is_dir() else path
    try:
        whole = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{path.name} is not TOML: {error}") from None
    figures: dict[str, float] = {}
    words: list[str] = []
    for kind in KINDS:
        part = whole.get(kind, {})
        if not isinstance(part, Mapping):
            raise ValueError(f"{path.name}, {kind}: it is not a part; write [{kind}].")
        value = part.get("spread", getattr(Spread(), kind))
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 10:
            raise ValueError(f"{path.name}, {kind}: spread is {value!r}; 0 to 10 is accepted.")
        figures[kind] = float(value)
        words.append(_sentence(kind, float(value), part))
    source = whole.get("learned", {})
    names = source.get("from", []) if isinstance(source, Mapping) else []
    if isinstance(names, list) and names:
        words.append(f"Learned from {', '.join(str(name) for name in names)}.")
    plot = whole.get("plot", {})
    high = plot.get("high", inf) if plot.get("learned") is True else None
    high = float(high) if isinstance(high, int | float) and not isinstance(high, bool) else None
    return Spread(**figures, told=tuple(words), plot_high=high)


def seen_plots(folder: Path) -> SeenRows | None:
    """How much plots differed in earlier trials, as the folder's file tells; None where it does
    not, or has been spoilt (`trialkit plan` says how)."""
    try:
        part = tomllib.loads((folder / FILE).read_text(encoding="utf-8")).get("plot")
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError):
        return None
    if not isinstance(part, Mapping) or part.get("learned") is not True:
        return None
    sd, high = part.get("spread"), part.get("high", inf)
    figures = [own for own in (sd, high) if isinstance(own, int | float) and own >= 0]
    return SeenRows(float(figures[0]), float(figures[1])) if len(figures) == 2 else None


def _sentence(kind: str, value: float, part: Mapping[str, object]) -> str:
    if part.get("learned") and value == 0 and "low" not in part:
        return f"Spread {_WHAT[kind]}: held in that of plots."
    if not part.get("learned"):
        return (f"Spread {_WHAT[kind]}: {100 * value:.0f} %, a guess; the earlier trials "
                "do not tell.")
    low, high = part.get("low"), part.get("high")
    limits = ""
    if isinstance(low, int | float):
        top = f"{100 * high:.0f} %" if isinstance(high, int | float) else "no limit"
        limits = f" (95 % interval {100 * low:.0f} % to {top})"
    return f"Spread {_WHAT[kind]}: {100 * value:.0f} %{limits}."
