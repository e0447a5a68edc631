"""What a layout can support, said before any number.

Finds the experimental unit, counts repetitions, looks whether varieties can be told apart from
places, blocks and treatments, and gives the degrees of freedom of the layout.

With one row of each variety the difference between two varieties and the difference between
their two rows of ground cannot be told apart, so there is no test.  What can be said is how large
ordinary row-to-row differences would have to be to produce a difference like this one.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.stats import chi2, studentized_range

from trialkit.design import rules
from trialkit.design.experimental_units import (
    NEARLY_ALL,
    Unit,
    Units,
    comparable,
    find_units,
    strata,
    treatments,
    variety_df,
)
from trialkit.design.rules import STOP, Finding
from trialkit.wording import counted, listed

if TYPE_CHECKING:
    from trialkit.records import Records

__all__ = [
    "Audit", "Finding", "RowsExplain", "audit", "audit_plants",
    "row_sd_to_explain",
]  # fmt: skip

_BY_LOT = re.compile(r"random|latin|drawn by lot|by lot", re.I)
# Layouts that are drawn by lot by their nature, where nothing says where plots stood.
_DRAWN = re.compile(
    r"random|latin|lots?\b|lattice|alpha|incomplete block|row.?(and.?)?column|split.?plot", re.I
)
_SPLIT = re.compile(r"split|strip", re.I)


@dataclass(frozen=True)
class Audit:
    """What the layout can support.

    unit: "plot", "row" or "plant", what varieties were given to. replicated: every variety is in
    two units or more. n_plots: units by variety, in the order of the trial. blocks: blocks with
    several varieties (0 if none). layout: in words. findings: worst first.
    supports_comparison: whether varieties may be compared; if not, why_not says why (a clause)
    and fix the cheapest cure. strata: DataFrame[stratum, source, df], the skeleton analysis of
    variance. strata_df: residual degrees of freedom for varieties (0 if none).
    units: DataFrame[unit, variety, replicate, block, treatment, row, column, plants]. unit_of: unit
    of each plant, indexed by plant. groups: varieties that can be compared with each other.
    by: the columns of `units` taken out before varieties: ("block",), ("replicate", "block") where
    blocks lie within complete replicates, ("bed_row", "bed_column") of a square, or none.
    """

    unit: Unit
    replicated: bool
    n_plots: pd.Series
    blocks: int
    layout: str
    findings: tuple[Finding, ...]
    supports_comparison: bool
    why_not: str
    fix: str
    strata: pd.DataFrame
    strata_df: int
    units: pd.DataFrame
    unit_of: pd.Series
    groups: tuple[tuple[str, ...], ...]
    by: tuple[str, ...] = ()

    def has(self, code: str) -> bool:
        """Whether a finding of this code was made."""
        return any(finding.code == code for finding in self.findings)


def audit(records: Records) -> Audit:
    """Audit the layout of a trial as recorded."""
    return audit_plants(records.plants, records.trial.layout.design, records.trial.variety_names)


def audit_plants(
    plants: pd.DataFrame, design: str | None = None, varieties: tuple[str, ...] = ()
) -> Audit:
    """Audit a frame of plants: plant, variety, block, plot, row, column, treatment, lost.

    Further treatment factors stand in treatment_2, treatment_3, ...; together they are one
    treatment with every combination a level.
    design: how the trial says places were given ("randomised complete block", "completely
    randomised", "Latin square", ...); trusted as to lots, checked as to the rest. varieties:
    the order to list them in; default as they come.
    """
    plants = plants.drop_duplicates("plant").dropna(subset=["variety"]).reset_index(drop=True)
    names = [v for v in varieties if (plants["variety"] == v).any()]
    names += [v for v in plants["variety"].astype(str).unique() if v not in names]
    if not names:
        return _nothing()
    words = design or ""
    units = find_units(plants, bool(_BY_LOT.search(words)), bool(_SPLIT.search(words)))
    by = _nuisance(units, design)
    splits = _parts(plants, units)
    treated = bool(splits == 1 and units.frame["treatment"].nunique() > 1)
    table = strata(units.frame, by, treated, splits)
    df = variety_df(table)
    groups, cause = _comparable(plants, units, by, treated)
    enough = len(names) > 1 and df >= 1 and len(groups) == 1
    findings = [
        *_one_variety(names),
        *rules.unknown_places(units, lots=bool(_DRAWN.search(words))),
        *rules.contradicted(units, words),
        *rules.kept_to_rows(units, plants),
        *rules.patches(units, plants),
        *rules.replication(units, plants, df),
        *rules.neighbours(units, still=enough),
        *rules.across_edges(units),
        *rules.aliasing(units, groups, cause),
        *rules.places(units, plants),
        *rules.balance(units, plants),
        *rules.assumptions(units),
    ]
    blind = any(finding.code in rules.PLACES_MISSING for finding in findings)
    findings.sort(key=lambda finding: ("stop", "careful", "note").index(finding.severity))
    stops = [finding for finding in findings if finding.severity == STOP]
    n_plots = units.frame.groupby("variety").size().reindex(names)
    return Audit(
        unit=units.unit,
        replicated=bool((n_plots >= 2).all()) and not blind,
        n_plots=n_plots.rename("plots"),
        blocks=units.frame["block"].nunique() if units.blocks_used else 0,
        layout=_in_words(units, by, splits, names),
        findings=tuple(findings),
        supports_comparison=not stops,
        why_not=_clause(stops[0].one_line) if stops else "",
        fix=next((finding.fix for finding in findings if finding.fix), ""),
        strata=table,
        strata_df=df,
        units=units.frame,
        unit_of=units.of,
        groups=tuple(tuple(group) for group in groups),
        by=by,
    )


_SQUARE = re.compile(r"latin|lattice square|rows?\W*(?:and|x|by|&)?\W*columns?", re.I)
_ROWS = re.compile(r"rows? (?:with)?in (?:the |each |complete )*(?:rep|block)", re.I)


def _nuisance(units: Units, design: str | None) -> tuple[str, ...]:
    """What is taken out before varieties: replicates and blocks, or rows and columns."""
    outer = ("replicate",) if units.replicates_used else ()
    blocks = ("block",) if units.blocks_used else ()
    lines: tuple[str, ...] = ()
    if design and _SQUARE.search(design) and units.placed:
        lines = ("row", "column")
    elif design and _ROWS.search(design) and units.frame["row"].notna().all():
        lines = ("row",)
    if not lines:
        return (*outer, *blocks)
    frame = units.frame
    for name in lines:
        frame[f"bed_{name}"] = _lines(frame, name, (outer or blocks)[:1])
    names = tuple(f"bed_{name}" for name in lines)
    levels = [frame[name].nunique() for name in names]
    if len(frame) <= sum(levels):
        return (*outer, *blocks)
    separate = bool(blocks) and frame["block"].nunique() not in levels
    return (*outer, *(blocks if separate else ()), *names)


def _lines(frame: pd.DataFrame, name: str, within: tuple[str, ...]) -> pd.Series:
    """The row (or column) of each unit, those of each complete block or replicate by themselves.

    Lots are drawn in each of these, so that a row is its own (Kempton & Fox 1997, Statistical
    Methods for Plant Variety Evaluation, p. 62) even where it runs on into the next, unless the
    whole row holds every variety: then it is a block of its own across them.
    """
    number = pd.Series(pd.factorize(frame[name], sort=True)[0] + 1, index=frame.index).astype(str)
    if not within:
        return number
    (outer,) = within
    every = frame["variety"].nunique()
    whole = bool((frame.groupby(outer)["variety"].nunique() >= NEARLY_ALL * every).all())
    again = bool(frame.duplicated(["row", "column"]).any())
    shared = frame.groupby(number)[outer].nunique()
    across = (frame.groupby(number)["variety"].nunique() == every).all()
    is_line = (frame.groupby(outer)[["row", "column"]].nunique().max() == 1).any()
    if again or (whole and (shared > 1).any() and not across and not is_line):
        return frame[outer].astype(str) + " " + number
    return number


def _parts(plants: pd.DataFrame, units: Units) -> int:
    """Levels of treatment within a unit, each in every unit: a split plot; else 1."""
    treatment = treatments(plants)
    if (treatment == "").all():
        return 1
    owner = plants["plant"].map(units.of)
    cells = pd.crosstab(owner, treatment)
    return cells.shape[1] if cells.shape[1] > 1 and bool((cells > 0).all(axis=None)) else 1


def _comparable(
    plants: pd.DataFrame, units: Units, by: tuple[str, ...], treated: bool
) -> tuple[list[list[str]], str]:
    """Groups of comparable varieties, and what divides them."""
    frame = units.frame
    owner = plants["plant"].map(units.of)
    divided = ["treatment"] if treated else []
    for extra in ("planted", "garden"):  # columns a trial may add
        if extra in plants and plants[extra].notna().any():
            first = plants.assign(owner=owner).groupby("owner")[extra].first()
            frame = frame.assign(**{extra: frame["unit"].map(first).astype(str)})
            divided += [extra] if frame[extra].nunique() > 1 else []
    for cause in divided:
        groups = comparable(frame, (cause,))
        if len(groups) > 1:
            return groups, "planting date" if cause == "planted" else cause
    return comparable(frame, (*by, *divided)), "block"


def _one_variety(names: list[str]) -> list[Finding]:
    if len(names) > 1:
        return []
    return [
        Finding(
            "one-variety",
            STOP,
            "There is only one variety, so there is nothing to compare.",
            f"Only {names[0]} was planted. The report describes it.",
            "Plant a second variety next to it.",
        )
    ]


def _nothing() -> Audit:
    finding = Finding(
        "no-plants", STOP, "No plant is recorded.", "plants.csv has no plant with a variety."
    )
    empty = pd.DataFrame(
        columns=["unit", "variety", "replicate", "block", "treatment", "row", "column", "plants"]
    )
    return Audit(
        "plot", False, pd.Series(dtype=int, name="plots"), 0, "No plants.", (finding,), False,
        _clause(finding.one_line), "", pd.DataFrame(columns=["stratum", "source", "df"]), 0, empty,
        pd.Series(dtype=object), (), (),
    )  # fmt: skip


def grouped_in(units: pd.DataFrame, by: tuple[str, ...]) -> str:
    """What the plots were grouped in, "4 blocks", "5 rows and 5 columns", "18 blocks in 3
    replicates"; "" for nothing.

    units: with the columns of `by`, as `Audit.units`.
    """
    words = {"replicate": "replicate", "block": "block", "bed_row": "row", "bed_column": "column"}
    counts = [(units[name].nunique(), words[name]) for name in by if name in units]
    several = [counted(number, word) for number, word in counts if number > 1]
    if by[:1] == ("replicate",) and len(several) > 1:
        return f"{listed(several[1:])} in {several[0]}"
    return listed(several)


def _clause(sentence: str) -> str:
    """A sentence as the clause that follows "because"."""
    first, rest = sentence[:1], sentence.rstrip(".")[1:]
    keep = sentence.split(" ")[0] not in {
        "Each", "There", "It", "Some", "Plots", "Plants", "Variety", "No", "Like", "Every",
        "Nothing", "The",
    }  # fmt: skip
    return (first if keep else first.lower()) + rest


def _in_words(units: Units, by: tuple[str, ...], splits: int, names: list[str]) -> str:
    """The layout in a sentence."""
    per = units.frame.groupby("variety").size()
    v, n = counted(len(names), "variety", "varieties"), len(units.frame)
    things = {"plot": "plots", "row": "rows", "plant": "plots of one line each"}[units.unit]
    sizes = units.frame["plants"]
    typical = int(np.median(sizes))
    of = f" of {typical} plants" if typical > 1 else ""
    if sizes.nunique() > 1 and of:
        of = f" of {sizes.min()} to {sizes.max()} plants"
    if units.basis == "unknown":
        return f"{v}, {counted(int(sizes.sum()), 'plant')}; where they stood is not recorded."
    if (per == 1).all():
        spot = "row" if units.unit == "row" else "plot"
        return f"{v}, one {spot} each{of}."
    each = str(per.iloc[0]) if per.nunique() == 1 else f"{per.min()} to {per.max()}"
    if "bed_row" in by:
        place = "in rows and columns" if "bed_column" in by else "in rows"
        outer = grouped_in(units.frame, tuple(n for n in by if not n.startswith("bed_")))
        place += f" of {outer}" if outer else ""
    elif "replicate" in by:
        place = _in_replicates(units.frame)
    elif by:
        table = pd.crosstab(units.frame["block"], units.frame["variety"])
        blocks = counted(len(table), "block")
        complete = bool((table == 1).all(axis=None))
        place = f"in {blocks}, every variety once in each" if complete else f"in {blocks}"
        if not complete and bool((table == 0).any(axis=None)):
            place += " that do not hold all varieties"
    else:
        place = "without blocks"
    split = f", each split for {splits} treatments" if splits > 1 else ""
    return f"{v} in {n} {things}{of} ({each} each), {place}{split}."


def _in_replicates(frame: pd.DataFrame) -> str:
    """`in 3 replicates of 6 blocks, every variety once in each replicate`."""
    table = pd.crosstab(frame["replicate"], frame["variety"])
    blocks = frame.groupby("replicate")["block"].nunique()
    each = counted(int(blocks.iloc[0]), "block") if blocks.nunique() == 1 else (
        f"{blocks.min()} to {blocks.max()} blocks")
    once = (", every variety once in each replicate" if (table == 1).all(axis=None) else
            ", every variety in each replicate" if (table > 0).all(axis=None) else "")
    return f"in {counted(len(table), 'replicate')} of {each}{once}"


@dataclass(frozen=True)
class RowsExplain:
    """sd: the row-to-row standard deviation that would explain the difference away, in its units.

    seen: row-to-row sd in the user's own other trials, None without such trials. one_line, full:
    in words.
    """

    sd: float
    seen: float | None
    one_line: str
    full: str


def row_sd_to_explain(
    difference: float,
    within_se: float = 0.0,
    rows: int = 2,
    seen_sd: float | None = None,
    seen_df: float | None = None,
    seen_high: float | None = None,
    scale: str = "ratio",
    unit: str = "",
) -> RowsExplain:
    """How large the row-to-row sd must be for a difference like this to come from rows alone.

    difference: between two row means (log ratio for scale "ratio"). within_se: standard error of
    the difference from plants within rows. rows: how many rows, one a variety, the difference was
    picked from as the largest. Without a variety difference the largest of the differences has
    its 95 % point at k sqrt(2 sd^2 + within_se^2), k = q(0.95; rows, infinity) / sqrt(2), q the
    studentised range (1.96 for two rows); set equal to |difference| and solved for sd:

        sd = sqrt(((difference / k)^2 - within_se^2) / 2), 0 if negative.

    seen_sd, seen_df: row-to-row (or plot-to-plot) sd and its degrees of freedom from the user's
    own replicated trials, same scale. Upper end by the chi-squared interval, or
    seen_high where it is known otherwise.
    Raises ValueError for fewer than two rows or negative standard errors.
    """
    if rows < 2 or within_se < 0:
        raise ValueError("needs at least two rows and a standard error of 0 or more")
    reach = float(studentized_range.ppf(0.95, rows, 1e5)) / np.sqrt(2.0)
    square = ((abs(difference) / reach) ** 2 - within_se**2) / 2.0
    sd = float(np.sqrt(max(square, 0.0)))
    high = seen_high
    if high is None and seen_sd is not None and seen_df is not None and seen_df > 0:
        high = float(seen_sd * np.sqrt(seen_df / chi2.ppf(0.05, seen_df)))
    one_line, why = _words(sd, seen_sd, high, scale, unit)
    return RowsExplain(sd, seen_sd, one_line, f"{one_line} {why}")


def _words(
    sd: float, seen: float | None, high: float | None, scale: str, unit: str
) -> tuple[str, str]:
    def shown(value: float) -> str:
        if scale == "ratio":
            return f"{100 * np.expm1(value):.0f} %" if np.isfinite(value) else "any amount"
        return f"{value:.2g}{' ' + unit if unit else ''}"

    if sd == 0.0:
        return (
            "Rows need not differ at all to explain this.",
            "The scatter from plant to plant within the rows is enough.",
        )
    first = (f"Rows that are often {shown(sd)} off the average could explain this on their own, "
             "whatever the variety.")
    if seen is None or high is None:
        return first, (
            "With rows like that, a gap this wide turns up in 1 trial of 20 between rows of one "
            "variety. No trial of yours with several plots of each variety has yet shown how much "
            "your rows differ."
        )
    own = f"In your own trials with several plots of each, rows were often {shown(seen)} off"
    if sd <= seen:
        return first, f"{own}: ordinary rows explain it."
    if sd <= high:
        return first, (
            f"{own}, and by up to {shown(high)} for all those trials can tell: rows may explain it."
        )
    return first, (
        f"{own}, at most some {shown(high)}: it would take rows less alike than yours have been. "
        "That is a reason to plant it again in several plots, not a proof."
    )
