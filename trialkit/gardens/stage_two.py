"""Stage 2: the trials' means in one table, and the mixed model over them.

The table says who may be put together with whom, under one name a variety, and which varieties
trials link.  The model, weighted by the covariance of stage 1, is

    y = variety + trial + (variety x garden) + (variety x year) + (variety x trial) + e,

variety and trial fixed, what stands in brackets random with variances by REML, and var(e) the
block-diagonal matrix V of stage 1, known (Piepho, Moehring, Schulz-Streeck & Ogutu 2012, Biom. J.
54:844, model 6 with all information on the means carried over).  With trials fixed only what is
common to a trial's means drops out, and two varieties can be compared exactly where trials link
them.

A trial without repeats has no V.  If none has, the residual is variety x trial and the row's own
error in one: each garden is a block, and this is the analysis of randomised blocks (Fisher 1935,
The Design of Experiments, ch. 4).  If only some have, their rows get the error of a single plot
as the other gardens measured it.  A variance of their own on top is estimated only where the
restricted likelihood asks for it: left in regardless, it takes what is variety x garden.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from trialkit.gardens.stage_one import Failed, TrialMeans
from trialkit.mixed import LMM, fit_known, fit_lmm
from trialkit.reading.spelling import folded


@dataclass(frozen=True, eq=False)
class MeansTable:
    """table: one row a variety and trial: trial (name), at (index into `trials`), within (index
    into its estimates), garden, place, year (text), variety, y, replicated.  groups: varieties
    that gardens link, the main group first.  check: shared by the trials, or None."""

    trials: tuple[TrialMeans, ...]
    aside: tuple[Failed, ...]
    table: pd.DataFrame
    varieties: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    check: str | None
    notes: tuple[str, ...]

    @property
    def main(self) -> tuple[str, ...]:
        """The varieties that are compared: those linked with the check, else the most."""
        return self.groups[0] if self.groups else ()


def gather(trials: Sequence[TrialMeans]) -> MeansTable:
    """Put the trials together that measure the same thing on the same crop; set the others aside.

    The kind most trials are of is kept (the first of them where two are as common).
    """
    kinds = [_kind(trial) for trial in trials]
    common = Counter(kinds)
    usual = max(common, key=lambda k: (common[k], -kinds.index(k))) if kinds else ()
    used = tuple(trial for trial, kind in zip(trials, kinds, strict=True) if kind == usual)
    aside = tuple(
        Failed(
            trial.folder, f"it cannot be put together with the others: {_differs(trial, used[0])}"
        )
        for trial, kind in zip(trials, kinds, strict=True)
        if kind != usual
    )
    used = _beds_named(used)
    names, notes = _one_spelling(used)
    table = _table(used, names)
    varieties = tuple(dict.fromkeys(names[folded(v)] for trial in used for v in trial.varieties))
    check = _shared_check(used, names, table)
    return MeansTable(used, aside, table, varieties, _linked(table, varieties, check), check,
                (*notes, *_twice(used)))


def _beds_named(used: tuple[TrialMeans, ...]) -> tuple[TrialMeans, ...]:
    """Trials of one garden and year get their titles beside the garden's name, their folders where
    titles are the same: no two lines are called alike."""
    beds: dict[tuple[str, int], list[TrialMeans]] = {}
    for trial in used:
        beds.setdefault((trial.place, trial.year), []).append(trial)
    out = []
    for trial in used:
        beside = beds[trial.place, trial.year]
        titles = {folded(other.title) for other in beside}
        bed = trial.title if len(titles) == len(beside) else trial.folder
        alone = len(beside) == 1 or not bed
        out.append(trial if alone else replace(trial, garden=f"{trial.garden} ({bed})"))
    return tuple(out)


def _kind(trial: TrialMeans) -> tuple[str, ...]:
    # Ratios need no unit: pods and fruit counted alike compare varieties of one crop.
    unit = "" if trial.scale == "log" else folded(trial.unit)
    return folded(trial.crop), trial.trait, unit


def _differs(trial: TrialMeans, usual: TrialMeans) -> str:
    if folded(trial.crop) != folded(usual.crop):
        return f"its crop is {trial.crop}, theirs {usual.crop}"
    if trial.trait != usual.trait:
        return f"it measures {trial.label}, they {usual.label}"
    return f"its unit is {trial.unit}, theirs {usual.unit}"


def _one_spelling(used: Sequence[TrialMeans]) -> tuple[dict[str, str], list[str]]:
    """Folded name -> the spelling most trials use, and a note where they differ."""
    spelt: dict[str, Counter[str]] = {}
    for trial in used:
        for variety in trial.varieties:
            spelt.setdefault(folded(variety), Counter())[variety] += 1
    names = {key: count.most_common(1)[0][0] for key, count in spelt.items()}
    notes = [
        f"{' and '.join(sorted(count))} are taken to be one variety"
        for count in spelt.values() if len(count) > 1
    ]
    return names, notes


def _twice(used: Sequence[TrialMeans]) -> list[str]:
    """The same records under two folders would count twice."""
    seen = Counter(trial.fingerprint for trial in used)
    return [
        "The same records came from " + " and ".join(o.folder for o in used if o.fingerprint == f)
        + ": they count as often as they were given"
        for f, n in seen.items() if n > 1 and f
    ]


def trial_names(used: Sequence[TrialMeans]) -> list[str]:
    """A name a trial, told apart where two folders share one."""
    count = Counter(trial.folder for trial in used)
    so_far: Counter[str] = Counter()
    out = []
    for trial in used:
        so_far[trial.folder] += 1
        again = f" ({so_far[trial.folder]})" if count[trial.folder] > 1 else ""
        out.append(trial.folder + again)
    return out


def _table(used: Sequence[TrialMeans], names: dict[str, str]) -> pd.DataFrame:
    rows = [
        (name, at, within, trial.garden, trial.place, str(trial.year), names[folded(variety)],
         float(trial.estimates[within]), trial.replicated)
        for at, (name, trial) in enumerate(zip(trial_names(used), used, strict=True))
        for within, variety in enumerate(trial.varieties)
    ]
    columns = ["trial", "at", "within", "garden", "place", "year", "variety", "y", "replicated"]
    return pd.DataFrame(rows, columns=columns)


def _shared_check(
    used: Sequence[TrialMeans], names: dict[str, str], table: pd.DataFrame
) -> str | None:
    """The variety most trials mark as their check, the one grown in more trials at a tie."""
    marked = Counter(names[folded(trial.check)] for trial in used
                     if trial.check and folded(trial.check) in names)
    if not marked:
        return None
    grown = table["variety"].value_counts()
    return max(marked, key=lambda v: (marked[v], int(grown[v])))


def _linked(
    table: pd.DataFrame, varieties: Sequence[str], check: str | None
) -> tuple[tuple[str, ...], ...]:
    """Varieties linked through trials they share: the connected parts of the graph with an edge
    between a variety and every trial it stood in (Weeks & Williams 1964, Technometrics 6:319)."""
    if table.empty:
        return ()
    v = len(varieties)
    index = {name: i for i, name in enumerate(varieties)}
    left = table["variety"].map(index).to_numpy()
    right = v + table["at"].to_numpy()
    size = v + int(table["at"].max()) + 1
    graph = sparse.coo_array((np.ones(len(table)), (left, right)), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    parts: dict[int, list[str]] = {}
    for name in varieties:
        parts.setdefault(int(label[index[name]]), []).append(name)
    return tuple(tuple(part) for part in
                 sorted(parts.values(), key=lambda p: (check not in p, -len(p))))


def shared_varieties(means: MeansTable) -> pd.DataFrame:
    """Who shares varieties with whom: trial, garden, year, varieties, check (bool, grown there),
    shared (varieties that another trial has too), group."""
    grown = {at: set(part["variety"]) for at, part in means.table.groupby("at")}
    group_of = {v: g for g, part in enumerate(means.groups) for v in part}
    count = means.table["variety"].value_counts()
    out = []
    for at, (name, trial) in enumerate(zip(trial_names(means.trials), means.trials, strict=True)):
        own = grown[at]
        out.append((name, trial.garden, trial.year, len(own), means.check in own,
                    sum(int(count[v]) > 1 for v in own), group_of[min(own)]))
    return pd.DataFrame(out, columns=["trial", "garden", "year", "varieties", "check", "shared",
                                      "group"])


Codes = npt.NDArray[np.intp]
LEAST = 2
"""Degrees of freedom a variance needs of its own, and leaves for the others: with one alone it
is known within a factor of a thousand (95 % limits of chi-squared on 1 df)."""
LARGEST = 600
"""Rows up to which ranks are worked out; beyond, terms are told apart by their groupings."""


def separable_terms(
    table: pd.DataFrame, fixed: Sequence[str], terms: Mapping[str, Codes]
) -> list[str]:
    """The names of the terms that can be told from the fixed effects and the terms before them.

    fixed: columns of factors.  terms: the level of each row (n,), below zero for a row that the
    term has no effect on; the first, a level a row, is what the others are told from.  A term's
    degrees of freedom are the ranks it adds to the fixed effects and the terms before, as in the
    analysis of variance with terms in that order.
    """
    first, *others = terms
    if len(table) > LARGEST:
        return [first, *_by_grouping({name: terms[name] for name in others}, terms[first])]
    parts = [pd.get_dummies(table[name]).to_numpy(dtype=np.float64) for name in fixed]
    x = np.hstack(parts)
    left = np.eye(len(table)) - x @ np.linalg.pinv(x)
    separable = [first]
    for name in others:
        codes = terms[name]
        own = left[:, codes >= 0] @ pd.get_dummies(codes[codes >= 0]).to_numpy(float)
        u, size, _ = np.linalg.svd(own, full_matrices=False)
        basis = u[:, size > 1e-8]
        added = basis.shape[1]
        if added >= LEAST and float(np.trace(left)) - added >= LEAST - 1e-6:
            separable.append(name)
            left = left - basis @ basis.T
    return separable


def _by_grouping(terms: Mapping[str, Codes], first: Codes) -> list[str]:
    """Terms whose grouping no term before has."""
    groupings: dict[str, Codes] = {"": first}
    for name, codes in terms.items():
        again = False
        for other in groupings.values():
            pairs = len(np.unique(np.column_stack([codes, other]), axis=0))
            again |= pairs == len(np.unique(codes)) == len(np.unique(other))
        if not again:
            groupings[name] = codes
    return list(groupings)[1:]


Floats = npt.NDArray[np.float64]

PLACE, YEAR, TRIAL = "variety x garden", "variety x year", "variety x trial"
OWN, LEVEL = "single rows", "level of a trial"
OWN_CLEAR = 2.706
"""Fall of -2 log restricted likelihood from which single rows get a variance of their own: 5 % of
the even mixture of 0 and chi-squared on 1 df, the law of a variance tested at its limit of zero
(Self & Liang 1987, J. Am. Stat. Assoc. 82:605)."""
MANY = 200
"""Trials above which a trial's level is random: with so many, what the levels say of varieties
that were not grown everywhere is well weighted, and no column a trial is needed."""


@dataclass(frozen=True, eq=False)
class StageTwo:
    """fit: the mixed model.  terms: standard deviation of each random part, model scale.
    df: degrees of freedom between varieties and trials, the most any comparison may claim.
    known: whether V was known.  error: variance of a variety's mean in a trial by stage 1, median
    over trials; 0 where the row's own error is part of variety x trial.
    """

    fit: LMM
    terms: dict[str, float]
    df: float
    known: bool
    error: float
    left_out: tuple[str, ...] = field(default=())

    @property
    def interaction(self) -> float:
        """Variance of one variety in a garden and year not among these, about its mean."""
        return sum(sd**2 for name, sd in self.terms.items() if name in (PLACE, YEAR, TRIAL))


def spare_df(table: pd.DataFrame, groups: int) -> float:
    """Rows less the rank of varieties and trials: the interaction line of the two-way table."""
    rank = table["variety"].nunique() + table["at"].nunique() - groups
    return float(len(table) - rank)


def fit_stage_two(means: MeansTable, without: Sequence[str] = ()) -> StageTwo:
    """Fit stage 2, single rows with a variance of their own only where it is clearly there.

    without: terms to leave out.  Needs one spare degree of freedom (`spare_df`) unless every trial
    has its V.  Raises MixedModelError where the core does.
    """
    fitted = _fit(means, without)
    if OWN not in fitted.terms:
        return fitted
    plain = _fit(means, (*without, OWN))
    clear = plain.fit.objective - fitted.fit.objective > OWN_CLEAR
    return fitted if clear else plain


def _fit(means: MeansTable, without: Sequence[str]) -> StageTwo:
    table = means.table.assign(trial=means.table["at"].astype(str), row=np.arange(len(means.table)))
    spare = spare_df(table, len(means.groups))
    replicated = table["replicated"].to_numpy()
    known = bool(replicated.any())
    trials = table["at"].nunique()
    judged = trials > 1 and spare >= 1
    fixed = 1 < trials <= MANY
    formula = "y ~ variety + trial" if fixed else "y ~ variety"
    groups, left_out = _random_terms(table, fixed, without) if judged else ([], [])
    if trials > MANY:
        groups.append((LEVEL, "trial"))
    columns = [column for _, column in groups]
    if not known:
        residual, *others = groups
        fit = fit_lmm(formula, table, groups=columns[1:])
        terms = {residual[0]: fit.residual_sd, **_terms(fit, others)}
        return StageTwo(fit, terms, spare, False, 0.0, tuple(left_out))
    multiplied: dict[str, str] = {}
    if (OWN, "own") in groups:
        single = _single(table)
        table["single"] = single.astype(float)
        # The others' levels, multiplied by zero, stay within their trials: V keeps its blocks.
        table["own"] = np.where(single, table["row"].astype(str), "trial " + table["trial"])
        multiplied = {"own": "single"}
    fit = fit_known(formula, table, stage_one_covariance(means), columns, multiplied=multiplied)
    error = float(np.nanmedian([mean_variance(trial) for trial in means.trials]))
    # With nothing to judge the trials' agreement by, all there is are the trials' own errors.
    df = spare if judged else min(trial.df for trial in means.trials)
    return StageTwo(fit, _terms(fit, groups), df, True, error, tuple(left_out))


def stage_one_covariance(means: MeansTable) -> sparse.csr_array:
    """V (n, n): the trials' covariance matrices along the diagonal."""
    single = single_plot_variance(means)
    blocks = []
    for at, part in means.table.groupby("at", sort=True):
        covariance = means.trials[int(str(at))].covariance
        blocks.append(np.eye(len(part)) * single if covariance is None else covariance)
    return sparse.csr_array(sparse.block_diag(blocks, format="csr"))


def single_plot_variance(means: MeansTable) -> float:
    """Error variance of one plot, as the trials with repeats measured it: the median over trials
    of that of a mean x plots a variety.  NaN where none has repeats."""
    variances = [mean_variance(trial) * float(np.mean(trial.plots)) for trial in means.trials
             if trial.covariance is not None and len(trial.varieties) > 1]
    return float(np.median(variances)) if variances else float("nan")


def mean_variance(trial: TrialMeans) -> float:
    """Error variance of a variety's mean in a trial, without what its varieties share: half the
    mean variance of a difference.  NaN without repeats."""
    m = len(trial.varieties)
    if trial.covariance is None or m < 2:
        return float("nan")
    return float((np.trace(trial.covariance) - trial.covariance.sum() / m) / (m - 1))


def _trial_term(table: pd.DataFrame) -> str:
    if table["at"].nunique() == table["place"].nunique():
        return PLACE
    return YEAR if table["place"].nunique() == 1 else TRIAL


def _random_terms(
    table: pd.DataFrame, fixed: bool, without: Sequence[str]
) -> tuple[list[tuple[str, str]], list[str]]:
    """Random terms with their columns, variety x trial first, as far as the trials at hand tell
    them apart; and why the others are left out."""
    trial = _trial_term(table)
    columns = {PLACE: "variety:place", YEAR: "variety:year", OWN: "own", trial: "row"}
    single = _single(table)
    codes: dict[str, npt.NDArray[np.intp]] = {trial: np.arange(len(table))}
    left_out = [
        f"{name}: not clearly there" if name == OWN else
        f"{name}: estimated as zero, on too little to judge it by" for name in without
    ]
    for name, column in ((PLACE, "place"), (YEAR, "year")):
        if name == trial or name in without:
            continue
        if table[column].nunique() < 2:
            left_out.append(f"{name}: there is only one {column.replace('place', 'garden')}")
        else:
            codes[name] = pd.factorize(table["variety"] + "\0" + table[column])[0]
    if table["replicated"].any() and single.sum() >= LEAST and OWN not in without:
        codes[OWN] = np.where(single, np.arange(len(table)), -1)
    separable = separable_terms(table, ["variety", "trial"] if fixed else ["variety"], codes)
    left_out += [f"{name}: these trials have too little to tell it from the other terms"
                 for name in codes if name not in separable]
    return [(name, columns[name]) for name in separable], left_out


def _single(table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Rows without repeats beside another row of their trial; one alone tells nothing."""
    beside = table.groupby("at")["at"].transform("size").to_numpy() > 1
    return np.asarray(~table["replicated"].to_numpy(dtype=bool) & beside)


def _terms(fit: LMM, groups: list[tuple[str, str]]) -> dict[str, float]:
    return {name: float(fit.group_sd[column]) for name, column in groups}
