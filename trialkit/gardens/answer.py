"""What several trials say together: the season's answer, as figures and in words.

Every number in the words comes from the frames of the answer: two sentences, how sure, what next,
what stays open, how it was done.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from html import escape
from math import exp, log, sqrt

import numpy as np
import pandas as pd

from trialkit.decide.verdict import TOO_WIDE
from trialkit.gardens.differences import Differences
from trialkit.gardens.stage_one import Failed, Scale, TrialMeans
from trialkit.gardens.stage_two import LEVEL, YEAR, MeansTable, StageTwo
from trialkit.models.results import MethodNote
from trialkit.reading.spelling import folded
from trialkit.trial import EARLY, WITHIN_REACH, YIELD
from trialkit.wording import counted, degrees, few, figure, listed, percent, span, times

SETTLED, OPEN, DESCRIPTION = "settled", "open", "description only"
SHOWN = ("variety", "gardens", "trials", "estimate", "low", "high", "new_low", "new_high")
"""Columns of `SeasonAnswer.overall` that a notebook shows."""


@dataclass(frozen=True, eq=False, repr=False)
class SeasonAnswer:
    """What several trials say together; frozen and picklable.

    trials: the trials used.  failed: folders without a result.  aside: trials that cannot be put
    together with the rest, and why.  check: the variety the others are set against; None, and
    then it is the mean of all varieties.  scale: "log" (`overall` holds ratios) or "linear"
    (differences in `unit`).
    overall: one row a variety, best first: variety, check (bool), gardens, years, trials, group
    (0, 1, ...: varieties of different groups cannot be compared), mean (model scale), estimate
    (ratio or difference to the check), low, high, p, df (simultaneous over the varieties),
    new_low, new_high (in a garden not among these), best (chance of being the best one there),
    best_here (of being the best on average over these gardens); both chances NaN where nothing
    is settled.
    by_garden: one row a variety and trial, that trial alone, as `interaction.by_garden` gives it,
    but ratios where `overall` holds ratios.
    stability: variety, trials, slope, slope_se, slope_low, slope_high, deviation (sd about the
    line), variance (Shukla 1972), words.
    flips: trial, garden, year, variety, estimate, low, high, chance, supported, words; see
    `interaction.flips`.
    groups: varieties that trials link; only those of the first can be compared with the check.
    shared: who shares varieties with whom, see `stage_two.shared_varieties`.
    variances: standard deviations by term, on the model's scale.  levels: trial, level (the mean
    of all varieties there, model scale) and means: trial, variety, y, for the picture of them.
    supported: intervals of `overall` hold; if not, `why_not`.  new_supported: those of a new
    garden; if not, `new_why_not`.  Where unsupported the columns are NaN.
    answer: two sentences.  how_sure, next_step: sentences.  cannot_tell: what stays open.
    state: "settled", "open", "description only", "nothing".
    """

    trials: tuple[TrialMeans, ...]
    failed: tuple[Failed, ...]
    aside: tuple[Failed, ...]
    crop: str
    trait: str
    label: str
    unit: str
    scale: Scale
    check: str | None
    overall: pd.DataFrame
    by_garden: pd.DataFrame
    stability: pd.DataFrame
    flips: pd.DataFrame
    groups: tuple[tuple[str, ...], ...]
    shared: pd.DataFrame
    variances: dict[str, float]
    levels: pd.DataFrame
    means: pd.DataFrame
    supported: bool
    why_not: str
    new_supported: bool
    new_why_not: str
    answer: str
    how_sure: str
    next_step: str
    cannot_tell: tuple[str, ...]
    state: str
    method: MethodNote
    fingerprint: str = ""
    notes: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        return f"{self.answer}\n{self.how_sure}"

    def _repr_html_(self) -> str:
        table = self.overall[[name for name in SHOWN if name in self.overall]]
        return (f"<p><b>{escape(self.answer)}</b></p><p>{escape(self.how_sure)}</p>"
                f"{table.to_html(index=False, escape=True)}")


# ------------------------------------------------------------------------------------------------
# The season in words: two sentences, how sure, what next, what stays open, how it was done.
#
# Every number comes from the frames of the answer.
# ------------------------------------------------------------------------------------------------

AVERAGE = "the average variety"

LEAD_SHOWS = 0.1
"""An open lead of less than this part of half its range is called too close. Own choice."""


def no_new_garden(places: int, needed: int) -> str:
    """Why nothing is said of another garden; empty where enough gardens took part."""
    if places >= needed:
        return ""
    if places == 1:
        return "only one garden took part, and another may differ by any amount"
    return f"{counted(places, 'garden')} are too few to show how much gardens differ"


def scope(answer: SeasonAnswer) -> str:
    """`12 trials in 6 gardens and 2 years`, `one garden`."""
    trials = answer.trials
    gardens = len({trial.place for trial in trials})
    years = len({trial.year for trial in trials})
    if len(trials) == 1:
        return "one trial in one garden"
    count = f"{counted(len(trials), 'trial')} in " if len(trials) != gardens else ""
    places = "one garden" if gardens == 1 else f"{gardens} gardens"
    return f"{count}{places}" + (f" and {years} years" if years > 1 else "")


def in_words(answer: SeasonAnswer) -> SeasonAnswer:
    """The answer with its fields that are words."""
    best, clear, state = _outcome(answer)
    nothing = barren(answer)
    outlook = nothing or _expectation(answer, best)
    if nothing and state == SETTLED and str(best["variety"]) in bare_in(answer):
        state, clear = OPEN, False
    return replace(
        answer, answer=f"{_lead(answer, best, clear)} {outlook}", state=state,
        how_sure=_how_sure(answer, state),
        next_step=_next(answer, state, str(best["variety"]) if clear else ""),
        cannot_tell=_cannot_tell(answer),
    )


def size(answer: SeasonAnswer, row: pd.Series, to: str, *, ends: tuple[str, str] = ("low", "high")
         ) -> str:
    """`1.4 times (1.1 to 1.8) the pods of TO`, `5.1 bushels an acre (1.2 to 9) more than TO` or
    `7 days (4 to 10) earlier than TO`."""
    value, low, high = (float(row[name]) for name in ("estimate", *ends))
    if answer.scale == "log":
        ends_said = span(low, high) if within(answer, low, high) else ""
        return f"{times(value)}{ends_said} the {answer.trials[0].counted} of {to}"
    more, less = _more_less(answer)
    word = more if value >= 0 else less
    if value < 0:
        value, low, high = -value, -high, -low
    many = f"{figure(value)} {answer.unit}".rstrip()
    return f"{many}{_signed_span(low, high)} {word} than {to}"


def _more_less(answer: SeasonAnswer) -> tuple[str, str]:
    return ("later", "earlier") if answer.trials[0].answers == EARLY else ("more", "less")


def _verb(answer: SeasonAnswer) -> str:
    """Between a variety and its size."""
    about = answer.trials[0]
    return "was" if about.answers == EARLY else "gave" if about.better is None else "had"


def _by_what(answer: SeasonAnswer) -> str:
    """What the size is of, after it, where it is no plain yield."""
    about = answer.trials[0]
    if about.answers == WITHIN_REACH:
        return ", within reach"
    if about.answers == EARLY:
        return f", by the day {'half its crop was in' if about.trait == 'halfway' else FIRST_PICK}"
    return "" if about.better is None else f", for {about.label} ({about.better} is better)"


FIRST_PICK = "of its first pick"


def within(answer: SeasonAnswer, low: float, high: float) -> bool:
    """Whether an interval says anything: ratios whose ends are a hundredfold apart do not."""
    if not (np.isfinite(low) and np.isfinite(high)):
        return False
    return answer.scale == "linear" or bool(np.log(high) - np.log(low) < TOO_WIDE)


def _signed_span(low: float, high: float) -> str:
    if pd.isna(low) or pd.isna(high):
        return ""
    return f" ({signed(low)} to {signed(high)})"


def signed(value: float) -> str:
    """A figure with its sign where it is below zero."""
    return f"\N{MINUS SIGN}{figure(-value)}" if value < 0 else figure(value)


def _outcome(answer: SeasonAnswer) -> tuple[pd.Series, bool, str]:
    """The row to speak of, whether it is clearly above the check (or the mean), and the state."""
    rows = answer.overall[answer.overall["group"] == 0]
    zero = 1.0 if answer.scale == "log" else 0.0
    others = rows[~rows["check"]]
    best = (others if len(others) else rows).iloc[0]
    less = answer.trials[0].better == "less"
    clear = bool(best["high"] < zero if less else best["low"] > zero)
    if not answer.supported:
        return best, False, DESCRIPTION
    below = bool(((others["low"] > zero) if less else (others["high"] < zero)).all())
    return best, clear, SETTLED if clear or below else OPEN


def _lead(answer: SeasonAnswer, best: pd.Series, clear: bool) -> str:
    where = f"Over {scope(answer)}" if len(answer.trials) > 1 else f"In {scope(answer)}"
    zero = 1.0 if answer.scale == "log" else 0.0
    to = f"{answer.check}, the check" if answer.check else AVERAGE
    name, row = best["variety"], size(answer, best, to)
    gave, of = _verb(answer), _by_what(answer)
    if len(answer.overall) == 1:
        return f"{where} there is only one variety, {name}: nothing to compare."
    if not answer.supported:
        return f"{where} {name} {gave} {row}{of}, but there is nothing to judge that by."
    if clear:
        return f"{where} {name} {gave} {row}{of}."
    if not within(answer, float(best["low"]), float(best["high"])):
        return (f"{where} {name} {gave} {row}{of}. The trials are too few to give a range; it "
                "could be luck.")
    if _level(answer, best):
        return f"{where} {name} {gave} {row}{of}: too close to call."
    ahead = best["estimate"] <= zero if answer.trials[0].better == "less" else (
        best["estimate"] >= zero)
    if ahead:
        return f"{where} {name} leads with {row}{of}, but it could be luck."
    better = "was earlier" if gave == "was" else "gave more" if gave == "gave" else "did better"
    return f"{where} no variety {better} than {to}; next is {name}, with {row}{of}."


def _level(answer: SeasonAnswer, row: pd.Series) -> bool:
    """Whether an open lead is none: it reads as 1.0 times, or is next to nothing of its range."""
    value, low, high = (float(row[name]) for name in ("estimate", "low", "high"))
    if answer.scale == "log":
        if figure(value) == figure(1.0):
            return True
        value, low, high = log(value), log(low), log(high)
    return abs(value) < LEAD_SHOWS * (high - low) / 2.0


def bare_in(answer: SeasonAnswer) -> dict[str, list[str]]:
    """Varieties that gave nothing at all in a trial, each with the gardens and years."""
    spelt = {folded(str(name)): str(name) for name in answer.overall["variety"]}
    out: dict[str, list[str]] = {}
    for trial in answer.trials:
        for name in trial.barren:
            out.setdefault(spelt.get(folded(name), name), []).append(
                f"{trial.garden}, {trial.year}"
            )
    return out


def bare_everywhere(answer: SeasonAnswer) -> list[str]:
    """Varieties that gave nothing at all in any trial, and so have no figure."""
    shown = {folded(str(name)) for name in answer.overall["variety"]}
    return [name for name in bare_in(answer) if folded(name) not in shown]


def barren(answer: SeasonAnswer) -> str:
    """`X gave nothing at all in GARDEN, YEAR: its figure comes from the other gardens alone.`"""
    never = bare_everywhere(answer)
    bare = {name: where for name, where in bare_in(answer).items() if name not in never}
    reach = " within reach" if answer.trials[0].answers == WITHIN_REACH else " at all"
    nowhere = (f"{few(never)} gave nothing{reach} in any garden, and so "
               f"{'stands' if len(never) == 1 else 'stand'} in no table." if never else "")
    if not bare:
        return nowhere
    parts = [f"{name} gave nothing{reach} in {'; '.join(where[:3])}"
             + (f" and {len(where) - 3} more" if len(where) > 3 else "")
             for name, where in list(bare.items())[:3]]
    more = f", as did {counted(len(bare) - 3, 'other variety', 'other varieties')}" * (
        len(bare) > 3)
    figures = "its figure comes" if len(bare) == 1 else "their figures come"
    return (f"{'; '.join(parts)}{more}: {figures} from the other gardens alone."
            f"{' ' if nowhere else ''}{nowhere}")


def _expectation(answer: SeasonAnswer, best: pd.Series) -> str:
    if not answer.supported:
        return f"No likely range can be given: {answer.why_not}."
    if not answer.new_supported:
        return f"What another garden would see cannot be said: {answer.new_why_not}."
    group = answer.overall[answer.overall["group"] == 0]
    where = "In another garden"
    if not any(trial.replicated for trial in answer.trials):
        where = "From one row of each in another garden"
    if pd.isna(best["best"]):
        return f"{where} expect {_expected(answer, best)}."
    rival = group.sort_values("best", ascending=False, kind="stable").iloc[0]
    chance = (f"with a chance of {percent(float(best['best']))} that it finishes first of "
              f"{len(group)}")
    if rival["variety"] != best["variety"]:
        chance += f" (for {rival['variety']} {percent(float(rival['best']))})"
    return f"{where} expect {_expected(answer, best)}, {chance}."


def _expected(answer: SeasonAnswer, best: pd.Series) -> str:
    """`0.9 to 2.1 times`, `5.1 g less to 15 g more`, `2 to 9 g more`."""
    low, high = float(best["new_low"]), float(best["new_high"])
    if not within(answer, low, high):
        return "anything, more or less,"
    if answer.scale == "log":
        return f"{figure(low)} to {figure(high)} times"
    more, less = _more_less(answer)
    days = " days" if more == "later" else ""
    if low < 0 < high:
        return f"{figure(-low)}{days} {less} to {figure(high)}{days} {more}"
    near, far = sorted((abs(low), abs(high)))
    return f"{figure(near)} to {figure(far)}{days} {more if high > 0 else less}"


def _how_sure(answer: SeasonAnswer, state: str) -> str:
    if state == DESCRIPTION:
        return "Not sure at all: these are the figures as they came."
    single = [trial for trial in answer.trials if not trial.replicated]
    firm = "Firm: the ranges in brackets hold for all varieties at once (95 %)."
    lines = [firm if state == SETTLED else "Not sure: these trials can't separate them."]
    if single and len(single) == len(answer.trials):
        lines.append(
            "Each trial counts as one block, as none can tell variety from place by its own plots: "
            "together they are one trial in blocks."
        )
    elif single:
        lines.append(f"{len(single)} of the {len(answer.trials)} trials can't tell variety from "
                    "place by their own plots; each of those counts as one block.")
    differ = sum(sd**2 for name, sd in answer.variances.items() if name.startswith("variety"))
    if answer.new_supported and not single:
        lines.append(_gardens_differ(answer, differ))
    met = Counter(trial.garden for trial in answer.trials)
    going_on = [trial.garden if met[trial.garden] == 1 else f"{trial.garden} {trial.year}"
                for trial in answer.trials if trial.going_on]
    if going_on:
        lines.append(f"Not final: in {few(going_on)} the season is not over, and what was picked "
                     "so far is counted.")
    if len(answer.trials) == 1:
        lines.append("It holds for that garden and that year alone.")
    return " ".join(lines)


def _gardens_differ(answer: SeasonAnswer, variance: float) -> str:
    distance = sqrt(2.0 * variance)
    if answer.scale == "log":
        factor = exp(distance)
        if factor < 1.05:
            return "Gardens made no clear difference to the ratios."
        return (f"In two gardens of three a ratio is within {figure(factor)} times, up or down, "
                "of what it is overall.")
    if distance < 0.02 * max(abs(float(answer.means["y"].mean())), 1e-12):
        return "Gardens made no clear difference to the gaps."
    return (f"In two gardens of three a difference is within {figure(distance)} {answer.unit} of "
            "what it is overall.")


def _next(answer: SeasonAnswer, state: str, best: str = "") -> str:
    """best: a variety that is clearly better than the check."""
    check = answer.check or "one variety"
    gardens = len({trial.place for trial in answer.trials})
    keep = f"Next year keep {check} in every garden, so that gardens and years stay linked."
    if gardens == 1:
        among = f", {answer.check} among them" if answer.check else ""
        return (f"Ask others to plant the same varieties{among}: one row of each in a second "
                "garden already counts as a second block.")
    if state == DESCRIPTION:
        return ("Agree on varieties that every garden plants; with two of them in common, gardens "
                "can repeat each other. " + keep)
    if state == OPEN:
        return "More gardens will answer it sooner than more plots in the same ones. " + keep
    if best and answer.check:
        return (f"Grow {best} beside {check} again next year. Keep {check} in every garden, so "
                "that gardens and years stay linked.")
    return keep


ASKS = {YIELD: "Which variety gives most", EARLY: "Which variety is earliest",
        WITHIN_REACH: "Which variety gives most within reach"}


def _cannot_tell(answer: SeasonAnswer) -> tuple[str, ...]:
    out = []
    told = answer.trials[0].answers
    here = {YIELD: "yields", EARLY: "how early they are", WITHIN_REACH: "yields within reach"}
    for question in sorted({trial.question for trial in answer.trials} - {told}):
        asked = [f"{trial.garden} {trial.year}" for trial in answer.trials
                 if trial.question == question]
        what = ASKS.get(question, f"Which variety is best for {question}")
        if len(answer.trials) > 1:
            out.append(f"{what}: {few(asked)} asked that. Here {here.get(told, told)} alone "
                       f"{'is' if told not in here or told == EARLY else 'are'} set side by side; "
                       "each trial's own report answers its question.")
    if not answer.new_supported:
        out.append(f"What another garden would see: {answer.new_why_not}.")
    years = {trial.year for trial in answer.trials}
    if len(years) == 1:
        out.append(f"What another year would bring: all of it is from {min(years)}.")
    elif len(years) == 2:
        out.append("How much years differ: two of them say little about that.")
    known = any(name == YEAR for name in answer.variances)
    if len(years) > 1 and answer.supported and not known:
        out.append("Whether the order of varieties differs from year to year: too little was grown "
                   "in several years, so the ranges are for these years alone.")
    main = answer.groups[0] if answer.groups else ()
    for other in answer.groups[1:]:
        out.append(f"How {few(other)} would do against {answer.check or few(main)}: no garden "
                   "links them, directly or through a third variety.")
    single = [trial for trial in answer.trials if not trial.replicated]
    if single and len(answer.trials) > 1:
        out.append("Whether a garden differs from the others, or the places in it do, where the "
                   "garden's own plots can't tell variety from place.")
    if answer.check:
        without = answer.shared[~answer.shared["check"] & (answer.shared["group"] == 0)]["trial"]
        if len(without):
            out.append(f"How {answer.check} would have done in {few(list(without))}, where it was "
                       "not grown; those count through the other varieties.")
    rows = answer.overall
    once = list(rows[(rows["gardens"] == 1) & (rows["group"] == 0)]["variety"])
    if once and len({trial.place for trial in answer.trials}) > 1:
        out.append(f"Whether {few(once)} {'does' if len(once) == 1 else 'do'} as well elsewhere: "
                   "grown in one garden only.")
    chance = answer.flips[~answer.flips["supported"]] if len(answer.flips) else answer.flips
    if len(chance) and answer.supported:
        where = listed(list(dict.fromkeys(chance["variety"]))[:4])
        out.append(f"Whether the order of {where} against {answer.check or AVERAGE} was truly the "
                   "other way round where it looked so: it could be luck.")
    return tuple(out)


def method(means: MeansTable, fit: StageTwo | None, differences: Differences) -> MethodNote:
    """The method of this season's answer."""
    if fit is None:
        return MethodNote(
            "The varieties' means over the trials, each trial's general level taken out.",
            "Least squares on varieties and trials; no interval, since no error can be estimated.",
        )
    single = sum(not trial.replicated for trial in means.trials)
    several = len(means.trials) > 1
    plain = ("Each trial is worked out by itself; then the trials are put together, each weighted "
             "by how well it knows its means.")
    if not fit.known:
        plain = ("No trial can tell variety from place by its own plots, so that each counts as "
                 "one block and the trials together are worked out as a trial in blocks, with "
                 f"{degrees(differences.df)} degrees of freedom.")
    full = (f"Compared: {means.trials[0].label}. "
            "Two stages (Piepho, Moehring, Schulz-Streeck & Ogutu 2012). Stage 1: each trial's own "
            "model gives its variety means with their full covariance matrix. Stage 2: linear "
            "mixed model by REML, variety"
            + ((" and trial" if LEVEL not in fit.terms else "") + " fixed"))
    full += (", the covariance of stage 1 known. " if fit.known else
             "; the residual is variety x trial and the row's own error in one. ")
    if single and fit.known:
        full += (f"{single} trials without repeats: their rows carry the error of a single plot "
                 "as the other trials measured it, and a variance of their own on top. ")
    if several:
        full += ("Intervals: Kenward and Roger 1997, the degrees of freedom never more than "
                 f"varieties and trials leave ({fit.df:g}); against the check Dunnett's, or "
                 "Bonferroni's where the differences have unlike degrees of freedom or there is no "
                 "check. ")
    else:
        full += "Intervals are those of the one trial. "
    full += ("Another garden: the variances of variety x garden, variety x year and variety x "
             "trial are added, the degrees of freedom Satterthwaite's (1946); each interval is for "
             "its own variety; chances from 20,000 draws, "
             "the means drawn in as far as varieties differ little beside their errors (Lindley "
             "and Smith 1972). Evenness: regression on the trial's mean (Finlay and "
             "Wilkinson 1963) and each variety's own variance (Shukla 1972). Turned orders: named "
             "where intervals simultaneous over gardens and varieties lie on opposite sides. ")
    zero = [name for name, sd in fit.terms.items() if sd <= 1e-6]
    notes = [*fit.left_out, *(f"{name} estimated as zero" for name in zero)]
    if notes:
        full += "Notes: " + "; ".join(notes) + "."
    figures = {f"sd {name}": sd for name, sd in fit.terms.items()}
    groups = tuple(fit.terms)
    return MethodNote(plain, full.strip(), fit.fit.formula, groups,
                      f"Kenward-Roger, {differences.df:.4g}", figures)
