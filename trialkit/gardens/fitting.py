"""The mixed model of stage 2, and the covariance of stage 1 it is weighted by.

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

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from trialkit.gardens.first import FirstStage
from trialkit.gardens.rows import Rows
from trialkit.gardens.telling import LEAST, told_apart
from trialkit.mixed import LMM, fit_known, fit_lmm

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
class SecondFit:
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


def fit_second(rows: Rows, without: Sequence[str] = ()) -> SecondFit:
    """Fit stage 2, single rows with a variance of their own only where it is clearly there.

    without: terms to leave out.  Needs one spare degree of freedom (`spare_df`) unless every trial
    has its V.  Raises MixedModelError where the core does.
    """
    fitted = _fit(rows, without)
    if OWN not in fitted.terms:
        return fitted
    plain = _fit(rows, (*without, OWN))
    clear = plain.fit.objective - fitted.fit.objective > OWN_CLEAR
    return fitted if clear else plain


def _fit(rows: Rows, without: Sequence[str]) -> SecondFit:
    table = rows.table.assign(trial=rows.table["at"].astype(str), row=np.arange(len(rows.table)))
    spare = spare_df(table, len(rows.groups))
    replicated = table["replicated"].to_numpy()
    known = bool(replicated.any())
    trials = table["at"].nunique()
    judged = trials > 1 and spare >= 1
    fixed = 1 < trials <= MANY
    formula = "y ~ variety + trial" if fixed else "y ~ variety"
    groups, left_out = _groups(table, fixed, without) if judged else ([], [])
    if trials > MANY:
        groups.append((LEVEL, "trial"))
    columns = [column for _, column in groups]
    if not known:
        residual, *others = groups
        fit = fit_lmm(formula, table, groups=columns[1:])
        terms = {residual[0]: fit.residual_sd, **_terms(fit, others)}
        return SecondFit(fit, terms, spare, False, 0.0, tuple(left_out))
    multiplied: dict[str, str] = {}
    if (OWN, "own") in groups:
        single = _single(table)
        table["single"] = single.astype(float)
        # The others' levels, multiplied by zero, stay within their trials: V keeps its blocks.
        table["own"] = np.where(single, table["row"].astype(str), "trial " + table["trial"])
        multiplied = {"own": "single"}
    fit = fit_known(formula, table, first_covariance(rows), columns, multiplied=multiplied)
    error = float(np.nanmedian([mean_variance(one) for one in rows.firsts]))
    # With nothing to judge the trials' agreement by, all there is are the trials' own errors.
    df = spare if judged else min(one.df for one in rows.firsts)
    return SecondFit(fit, _terms(fit, groups), df, True, error, tuple(left_out))


def first_covariance(rows: Rows) -> sparse.csr_array:
    """V (n, n): the trials' covariance matrices along the diagonal."""
    single = single_plot_variance(rows)
    blocks = []
    for at, part in rows.table.groupby("at", sort=True):
        covariance = rows.firsts[int(str(at))].covariance
        blocks.append(np.eye(len(part)) * single if covariance is None else covariance)
    return sparse.csr_array(sparse.block_diag(blocks, format="csr"))


def single_plot_variance(rows: Rows) -> float:
    """Error variance of one plot, as the trials with repeats measured it: the median over trials
    of that of a mean x plots a variety.  NaN where none has repeats."""
    found = [mean_variance(one) * float(np.mean(one.plots)) for one in rows.firsts
             if one.covariance is not None and len(one.varieties) > 1]
    return float(np.median(found)) if found else float("nan")


def mean_variance(one: FirstStage) -> float:
    """Error variance of a variety's mean in a trial, without what its varieties share: half the
    mean variance of a difference.  NaN without repeats."""
    m = len(one.varieties)
    if one.covariance is None or m < 2:
        return float("nan")
    return float((np.trace(one.covariance) - one.covariance.sum() / m) / (m - 1))


def _trial_term(table: pd.DataFrame) -> str:
    if table["at"].nunique() == table["place"].nunique():
        return PLACE
    return YEAR if table["place"].nunique() == 1 else TRIAL


def _groups(
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
    found = told_apart(table, ["variety", "trial"] if fixed else ["variety"], codes)
    left_out += [f"{name}: these trials have too little to tell it from the other terms"
                 for name in codes if name not in found]
    return [(name, columns[name]) for name in found], left_out


def _single(table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Rows without repeats beside another row of their trial; one alone tells nothing."""
    beside = table.groupby("at")["at"].transform("size").to_numpy() > 1
    return np.asarray(~table["replicated"].to_numpy(dtype=bool) & beside)


def _terms(fit: LMM, groups: list[tuple[str, str]]) -> dict[str, float]:
    return {name: float(fit.group_sd[column]) for name, column in groups}
