"""The comparison as it stood after every pick, from the totals of the plots up to that day.

Produce stays on the plant until somebody looks, so what a plot had given by a day is known
whoever skipped which look, and what is compared is that: picked a plant planted, up to the newest
day that all varieties had been looked at (`models.totals`). Nothing about the pace of a date is
estimated from the varieties it would be used to compare. A look is judged by its own figures: no
claim of an earlier one is carried on. The ratio of totals, one number a plot, has the degrees of
freedom the layout gives, so that the theory behind the boundaries applies
(tests/decide/season_study.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.decide.looks import SETTLED, Look, LooksResult, evaluate_family
from trialkit.decide.ratio import NONE, FittedPlots, fit_plots
from trialkit.decide.spending import sharing
from trialkit.models.analysis import Analysis
from trialkit.models.results import MethodNote, Missing
from trialkit.models.support import layout_columns
from trialkit.models.totals import PlotTotals
from trialkit.wording import counted, figure

# ------------------------------------------------------------------------------------------------
# Whether the rest of the season could still turn a lead round: ahead so far, or for the season.
#
# A variety that bears late gives little at first and more at the end, so that a lead of today is
# not one of the season. What would have to happen can be worked out: a lead that at least holds by
# the ratio L after E days of picking, with T days to come, is made up if the other gives
#
#     R = 1 + (1 - 1 / L) E / T
#
# times a day what the leader has given so far, while the leader goes on as so far: the leader has
# then E r + T r and the other E r / L + T R r. (It is also made up if the leader gives nothing more
# and the other R - 1 times.) Where R is more than a late variety could give, the lead is the
# season's.
# ------------------------------------------------------------------------------------------------

Pair = tuple[str, str]

BEYOND_REACH = 2.0
"""A lead that only R times the leader's rate so far could make up is called the season's. Chosen
by study (tests/decide/README.md): in seasons with one variety 7, 14 or 21 days late and the same
season's total, claims for the season before its end were false in at most 5 % of seasons."""


@dataclass(frozen=True)
class Rest:
    """leader, other: of one comparison. needed: R above. until: the day of the last planned look.
    season: the lead is the season's."""

    leader: str
    other: str
    needed: float
    until: pd.Timestamp

    @property
    def season(self) -> bool:
        return self.needed >= BEYOND_REACH


def needed_to_turn(least_ratio: float, elapsed: float, to_come: float) -> float:
    """R of the formula above. least_ratio: L, at least 1. elapsed, to_come: days, above 0."""
    return 1.0 + (1.0 - 1.0 / least_ratio) * elapsed / to_come


def rests(
    results: Mapping[Pair, LooksResult], day: pd.DatetimeIndex
) -> dict[Pair, Rest]:
    """Of each comparison that is settled while planned looks are still to come, what could turn it.

    day: the day the totals of each look are up to. The time picked so far counts from one usual
    gap before the first look; looks to come are as far from one another as those so far.
    """
    out: dict[Pair, Rest] = {}
    if len(day) < 2:
        return out
    number = np.array([at.toordinal() for at in day], dtype=float)
    gap = max(float(np.median(np.diff(number))), 1.0)
    elapsed = number[-1] - number[0] + gap
    for pair, result in results.items():
        left = 0 if result.planned is None else result.planned - result.looks
        if result.state != SETTLED or result.over or left < 1:
            continue
        leader, other = pair if result.direction > 0 else pair[::-1]
        least = float(np.exp(result.low if result.direction > 0 else -result.high))
        out[pair] = Rest(leader, other, needed_to_turn(max(least, 1.0), elapsed, left * gap),
                         day[-1] + pd.Timedelta(days=round(left * gap)))
    return out


# ------------------------------------------------------------------------------------------------
# The comparison as it stood after every pick, from the totals of the plots up to that day.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Looks:
    """totals: looks of each pair (left, right) from plot totals, one a round of picking. results:
    the judgement of each pair. against_check: pairs are each variety with the check, else all
    pairs. season_over: no look will follow. as_of: the day the newest look's totals are up to.
    rest: of settled comparisons, what could still turn them by the last planned look."""

    totals: dict[Pair, list[Look]]
    results: dict[Pair, LooksResult]
    against_check: bool
    season_over: bool = False
    as_of: pd.Timestamp | None = None
    rest: dict[Pair, Rest] = field(default_factory=dict)


@dataclass(frozen=True)
class Quantity:
    """What the answer is about: its label and unit for a heading, and whether varieties may be
    compared. what: its noun in a sentence ("pods", "kg"); scale: what values are divided by."""

    label: str
    unit: str
    supported: bool
    what: str = ""
    scale: float = 1.0


def looks_so_far(analysis: Analysis, totals: PlotTotals | None) -> Looks | None:
    """Judge every comparison after the picks so far; None where there is none to be made.

    A look is a round of picking with a count. What is said of a look rests on the records up to
    it alone. The error is shared among the comparisons of all varieties planted, whichever have
    borne yet. None where the layout supports no comparison, and where nobody wrote a zero though
    plants were passed over, until trial.toml says what a blank is.
    """
    if totals is None or not analysis.ground.supported or totals.zeros_unsure:
        return None
    check, trial = analysis.check, analysis.records.trial
    planted = [v for v in analysis.order if v in set(totals.plots["variety"])]
    against, over = check in planted, analysis.season_over
    looks = pair_looks(totals, planted, check if against else None)
    if not looks:
        return None
    within = None if trial.worthwhile is None else float(np.log(trial.worthwhile))
    results = evaluate_family(
        looks, trial.looks, varieties=len(planted), against_check=against, last=over,
        alike_within=within, unit="",
    )
    return Looks(looks, results, against, over, totals.day[-1], rests(results, totals.day))


def pair_looks(
    totals: PlotTotals, varieties: Sequence[str], check: str | None
) -> dict[Pair, list[Look]]:
    """Each comparison at each look: log ratio a plant planted, standard error, df.

    varieties: those planted, in order. check: pairs are each variety with it; None for all pairs.
    """
    pairs = ([(v, check) for v in varieties if v != check] if check is not None
             else list(combinations(varieties, 2)))
    out: dict[Pair, list[Look]] = {(str(a), str(b)): [] for a, b in pairs}
    name = totals.plots["variety"].astype(str).to_numpy()
    planted = totals.plots["planted"].to_numpy(float)
    blocks = layout_columns(totals.plots)
    for k, known in enumerate(totals.known):
        fit, there = _fit_look(
            totals.pods[:, k], planted, name, blocks, varieties, totals.place)
        for (left, right), series in out.items():
            ratio = NONE
            if fit is not None and left in there and right in there:
                ratio = fit.ratio(there.index(left), there.index(right),
                                  in_all=check is not None)
            series.append(Look(pd.Timestamp(known).date(), *ratio))
    return out


def _fit_look(
    pods: npt.NDArray[np.float64], planted: npt.NDArray[np.float64], name: npt.NDArray[np.object_],
    blocks: npt.NDArray[np.float64], varieties: Sequence[str],
    place: npt.NDArray[np.float64] | None = None,
) -> tuple[FittedPlots | None, list[str]]:
    """The plots known at one look, fitted, and the varieties among them by code."""
    known = np.isfinite(pods) & np.isin(name, list(varieties))
    there = [v for v in varieties if (name[known] == v).any()]
    code = np.array([there.index(v) for v in name[known]], dtype=np.int64)
    return fit_plots(pods[known], planted[known], code, blocks[known],
                     None if place is None else place[known]), there


@dataclass(frozen=True, eq=False)
class Newest:
    """What the ground gave a plant planted up to the newest look, as logarithms: bearing, the
    varieties that gave something (v,); level (v,) and covariance (v, v) of the fit of plots, df its
    degrees of freedom; covariance None where the plots leave none.  plain (v,): of the plots' sums
    alone."""

    bearing: tuple[str, ...]
    level: npt.NDArray[np.float64]
    covariance: npt.NDArray[np.float64] | None
    df: float
    plain: npt.NDArray[np.float64]


def fit_newest(totals: PlotTotals, varieties: Sequence[str]) -> Newest | None:
    """The varieties at the newest look, by the fit that compares them; None without any plot.

    The error is that of plots in proportion to the fit, one for all varieties, and no less than
    `ratio.LEAST_SHARE` of what counts alone would leave.
    """
    pods = totals.pods[:, -1]
    planted = totals.plots["planted"].to_numpy(float)
    name = totals.plots["variety"].astype(str).to_numpy()
    known = np.isfinite(pods)
    gave = {v: float(pods[known & (name == v)].sum()) for v in varieties
            if (known & (name == v)).any()}
    bearing = [v for v, many in gave.items() if many > 0]
    if not gave:
        return None
    plain = np.log([gave[v] / planted[known & (name == v)].sum() for v in bearing])
    use = np.isin(name, bearing)
    fit, _ = _fit_look(pods[use], planted[use], name[use], layout_columns(totals.plots)[use],
                       bearing)
    if fit is None or fit.layout.df < 1:
        return Newest(tuple(bearing), plain, None, float("nan"), plain)
    level, joint = fit.means()
    return Newest(tuple(bearing), level, joint, fit.layout.df, plain)


def means_so_far(totals: PlotTotals, supported: bool, look: int = -1) -> pd.DataFrame:
    """Picked a plant planted up to a look, the newest unless said: variety, estimate, low, high.

    low, high: 95 % for a single look, from how plots of one variety differ (pooled over
    varieties, in proportion; blocks are not taken out, as this is what the bed gave), t on plots
    less varieties; NaN where the layout supports none.
    """
    known = np.isfinite(totals.pods[:, look])
    pods = totals.pods[known, look]
    planted = totals.plots["planted"].to_numpy(float)[known]
    code, names = pd.factorize(totals.plots["variety"].to_numpy()[known])
    many = len(names)
    number, each = np.bincount(code, minlength=many), pods / planted

    def summed(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.bincount(code, weights=values, minlength=many).astype(np.float64)

    estimate = summed(pods) / summed(planted)
    mean = (summed(each) / number)[code]
    bore = mean != 0
    relative = each[bore] / mean[bore] - 1.0
    df = float(len(relative) - len(np.unique(code[bore])))
    half = np.full(many, np.nan)
    if supported and df >= 1:
        half = stats.t.isf(0.025, df) * np.sqrt(float((relative**2).sum()) / df / number)
    return pd.DataFrame({
        "variety": names, "estimate": estimate, "low": estimate * np.exp(-half),
        "high": estimate * np.exp(half)})


# ------------------------------------------------------------------------------------------------
# How the comparisons were looked at after every pick, for the folded part of the report.
# ------------------------------------------------------------------------------------------------

# Figures of tests/decide/README.md, made by season_study.py.
FALSE = "6"
NAMED = "25 and 45"


SHARED = {"dunnett": "by the method of Dunnett (1955)", "tukey": "by the method of Tukey (1953)",
          "bonferroni": "in equal parts (Bonferroni)"}

_ERROR = {
    True: "the check's plots with an error of their own, a fifth of it that of all plots, and the "
          "other varieties with one in common unless one scatters more, which can only widen the "
          "range",
    False: "one in common; where one variety's plots scatter more, its pairs have the error of "
           "their own plots"}


def looks_method(analysis: Analysis, looks: Looks) -> MethodNote:
    """The rule in use in a sentence, then in full with what simulation showed of it."""
    pair = next(iter(looks.results.values()))
    so_far = counted(pair.looks, "look")
    how = sharing(pair.shared_by + 1, looks.against_check)
    shared = "" if pair.shared_by == 1 else (
        f" The 5 % are shared among {pair.shared_by} comparisons {SHARED[how]}.")
    simulated = (
        "In simulated seasons, varieties up to 14 days apart, uneven plots, losses and missed "
        f"picks among them, a false claim at any look was made in at most {FALSE} %. One variety "
        f"that truly gave 1.5 times the check was named after 20 planned looks in {NAMED} % with 3 "
        "and 4 blocks whose plots differ by 15 %.")
    if pair.planned is None:
        said = (
            f"Looked at after every pick, {so_far} so far; how many there will be was not written "
            "down, so the range holds for any number of looks and is wide.")
        rule = (
            "Anytime-valid interval by the normal mixture of Robbins (1970), carried to the t "
            f"scale.{shared} Its power is low. Write looks = 20, or as many as you mean to take, "
            "into trial.toml before the season.")
    else:
        said = (
            f"Looked at after every pick, {so_far} of {pair.planned} planned; the range is widened "
            "so that over all of them together a winner that is none is seldom named.")
        rule = (
            "Alpha spending on the planned looks (Lan & DeMets 1983, O'Brien-Fleming type), "
            "correlation between looks from the standard errors, carried to the t scale, with a "
            f"charge for few degrees of freedom.{shared}")
        if looks.season_over and pair.looks < pair.planned:
            rule += " The season is over, so the last look spent what the looks not taken left."
    full = (
        "Each comparison, at each look, is the ratio of what the plots had given a plant planted "
        "up to the newest day that every variety had been looked at, losses counted: variety x "
        "block by quasi-likelihood with variance in proportion to the mean (Wedderburn 1974), the "
        f"error that of plots in proportion to the fit, {_ERROR[looks.against_check]}. "
        "Where the plots of three or more varieties stray along a slope of the bed, by an F test "
        "at 5 %, degrees of freedom are cut (Box & Andersen 1955). "
        "Between two looks at a plant its pods are taken to "
        "have come evenly. Only the newest look's range is claimed, and what was said of a look "
        f"is not changed by later ones. {rule} {simulated}")
    return MethodNote(said, full, "pods a plant planted ~ variety x block", (),
                      f"design, {pair.history['df'].iloc[-1]:g}", _by_the_model(analysis, looks))


def _by_the_model(analysis: Analysis, looks: Looks) -> dict[str, str]:
    """The same ratios from the model of every record, to set beside those that decide."""
    pods = analysis.pods
    if isinstance(pods, Missing) or not looks.against_check:
        return {}
    rows = pods.against_check
    return {
        f"{name} by the model of every record": f"{figure(ratio)} times"
        for name, ratio in zip(rows["variety"], rows["estimate"].astype(float), strict=True)
    }
