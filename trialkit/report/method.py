"""The folded part of the report: the records, the layout, how each trait was worked out."""

from __future__ import annotations

import platform
from collections.abc import Iterable, Sequence
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from math import isfinite, nan
from typing import Any

from trialkit import wording
from trialkit.models import Missing, TraitResult
from trialkit.models.analysis import Analysis
from trialkit.models.harvest import HarvestResult
from trialkit.models.own import OwnResult
from trialkit.models.results import MethodNote
from trialkit.models.stand import StandResult
from trialkit.report.blocks import Block, isolate, part, tabled, titled
from trialkit.report.measures import joined, shown_as, trait_table
from trialkit.report.opentrial import OpenTrial, told
from trialkit.report.trait_tables import (
    combination_tables,
    tables_of,
    warmth_lines,
    worth_block,
)

LIBRARIES = ("trialkit", "numpy", "scipy", "pandas", "formulaic", "seaborn", "matplotlib",
             "papermill", "nbconvert")  # fmt: skip
NO_FIGURE = "not known"
DOUBTS_SHOWN = 60
ALIKE = 5
"""More doubts than this of one kind in one column are one line."""

PLOTS_SHOWN = 5


@told
def files_read(trial: OpenTrial) -> Block:
    """The files of the trial and how many lines of each were read."""
    rows = [(name, wording.whole(lines)) for name, lines in trial.records.files]
    return tabled("Files read", ("File", "Lines"), rows)


@told
def doubts(trial: OpenTrial) -> Block:
    """Records that are hard to believe; they are kept, and used, as they stand."""
    frame = trial.records.doubts
    if frame.empty:
        return titled("Doubts about the records", ["Nothing looks odd."])
    if not trial.showing.notes:
        said = f"{wording.counted(len(frame), 'record')} hard to believe, used as they are."
        return titled("Doubts about the records", [said])
    rows: list[tuple[str, str, str]] = []
    shown = 0
    for _, alike in frame.groupby(["file", "column", "doubt"], sort=False, dropna=False):
        some = alike if len(alike) <= ALIKE else alike.head(1)
        for row in some.head(DOUBTS_SHOWN - len(rows)).itertuples(index=False):
            where = _where(row.file, row.line, row.column)
            more = f" and {len(alike) - 1:,d} more like it" if len(alike) > ALIKE else ""
            rows.append((f"{where}{more}", _cell(row.value), _cell(row.doubt)))
            shown += len(alike) if more else 1
    many = wording.counted(len(frame), "doubt")
    caption = f"{many} about the records, which are used as they are"
    if shown < len(frame):
        caption += f"; {shown:,d} of them here (trialkit check lists all)"
    return tabled(caption, ("Where", "Value", "Doubt"), rows)


@told
def layout(trial: OpenTrial) -> Block:
    """What the layout of the trial can and cannot support."""
    audit = trial.conclusion.analysis.audit
    lines = [audit.layout, trial.records.trial.notes, *(f.full for f in audit.findings)]
    return titled("The layout, and what it can show", [*filter(None, lines)], trial.names)


@told
def methods(trial: OpenTrial) -> Block:
    """How each trait was worked out: in a sentence, in full, and the model's own figures."""
    analysis = trial.conclusion.analysis
    blocks = [
        _method(_told(result, analysis), trial) for result in analysis.traits.values()
        if isinstance(result, TraitResult)
    ]
    warmth = warmth_lines(analysis.warmth, analysis.hot, trial.records.trial)
    if warmth:
        blocks.append(titled("Warmth and heat", warmth))
    grading = getattr(analysis.harvest, "grading", None)
    if grading is not None:
        blocks.append(_worked_out(
            "Grades", [grading.method.plain, f"Order of the grades: {grading.ordered_by}"], [],
            grading.method, trial.names))
    looked = trial.conclusion.looks_method
    if looked is not None:
        blocks.append(
            _worked_out("Looking after every pick", [looked.plain], [], looked, trial.names))
    worth = worth_block(analysis.worth, trial.records.trial, trial.names)
    if worth.html:
        blocks.append(worth)
    missing = _not_given(analysis.missing)
    if missing:
        blocks.append(titled("What the records do not give", missing, trial.names))
    return joined(blocks)


@told
def diagnostics(trial: OpenTrial) -> Block:
    """Whether the model of the counts can be trusted, and how much hangs on single plots."""
    diagnosis = trial.conclusion.analysis.diagnostics
    blocks = [titled("Can the model be trusted?", diagnosis.remarks, trial.names)]
    if not diagnosis.residuals.empty:
        agree = [
            (wording.capital(str(r.check)), wording.number(r.value), wording.number(r.expected))
            for r in diagnosis.residuals.itertuples(index=False)
        ]
        heads = ("What", "Found", "Expected")
        blocks.append(tabled("Residuals (randomised quantile)", heads, agree))
    if not diagnosis.influence.empty:
        without = [
            (str(r.unit), str(r.variety), wording.number(r.ratio, 3),
             f"{r.change:+.1%}".replace("%", " %").replace("-", "−"))
            for r in diagnosis.influence.head(PLOTS_SHOWN).itertuples(index=False)
        ]
        caption = "The leading ratio with one plot left out, the plots that matter most"
        blocks.append(
            tabled(caption, ("Plot", "Variety", "Ratio without it", "Change"), without)
        )
    return Block("\n".join(b.html for b in blocks), "\n\n".join(b.plain for b in blocks))


@told
def versions(trial: OpenTrial) -> Block:
    """Fingerprint of the data and versions of the libraries, so that a run can be repeated."""
    pairs = [("Fingerprint of the records", trial.records.fingerprint)]
    pairs += [(name, f"{lines:,d} lines") for name, lines in trial.records.files]
    pairs.append(("Python", platform.python_version()))
    pairs += [(name, version_of(name)) for name in LIBRARIES]
    html = "<h3>To repeat this run</h3>\n" + part("pairs", pairs=pairs)
    return Block(html, "\n".join(f"{name}: {value}" for name, value in pairs))


def _told(result: TraitResult, analysis: Analysis) -> TraitResult:
    """The result without limits that rest on plants where only plots would do."""
    if not isinstance(result, StandResult) or analysis.ground.supported:
        return result
    bare = {"low": nan, "high": nan}
    return replace(result, means=result.means.assign(**bare), curve=result.curve.assign(**bare))


def _not_given(missing: Iterable[Missing]) -> list[str]:
    """A line a reason, the traits it keeps back before it."""
    by_reason: dict[str, list[str]] = {}
    for gap in missing:
        by_reason.setdefault(gap.reason, []).append(gap.trait.replace("_", " "))
    return [f"{wording.capital(wording.listed(traits))}: {reason}."
            for reason, traits in by_reason.items()]


def _method(result: TraitResult, trial: OpenTrial) -> Block:
    about = trial.records.trial
    shown = shown_as(result, about)
    label = wording.capital(wording.with_unit(result.label, shown.unit))
    said = [result.method.plain, *result.notes]
    if not result.supported and result.why_not not in result.method.plain:
        said.insert(1, result.why_not)
    tables = tables_of(result, about)
    if isinstance(result, OwnResult | HarvestResult):
        tables += combination_tables(result.combined, shown, isinstance(result, OwnResult))
    if result.trait != "position":  # its own tables hold the same figures twice over
        tables.insert(0, trait_table(result, about))
    inside = "" if shown.unit == result.unit else f"lengths and weights here in {_si(result.unit)}"
    return _worked_out(label, said, tables, result.method, trial.names, inside)


def _worked_out(
    label: str, said: Sequence[str], tables: Sequence[Block], note: MethodNote,
    names: Iterable[str], inside: str = "",
) -> Block:
    """In a sentence, in figures, and folded away in full, with the model and what it found."""
    pairs = {"Model": note.formula, "random terms": ", ".join(note.groups),
             "degrees of freedom": note.df_method}  # fmt: skip
    pairs |= {str(key): _figure(value) for key, value in note.figures.items()}
    parts = [f"{key} {value}" for key, value in pairs.items() if value and value != NO_FIGURE]
    fine = wording.capital("; ".join([*parts, *filter(None, [inside])]))
    sentences = [f"{wording.capital(sentence.rstrip('. '))}." for sentence in said if sentence]
    full = f"{wording.capital(note.full.rstrip('. '))}."
    html = part("full", summary=f"In full: {label[:1].lower()}{label[1:]}",
                paragraphs=[isolate(full, names)], fine=isolate(f"{fine}." if fine else "", names))
    body = [titled(label, sentences, names), *tables, Block(html, f"{full}\n{fine}")]
    return joined(body)


def _si(unit: str) -> str:
    return "cm" if unit.startswith("cm") else "g"


def _figure(value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    if not isfinite(value):
        return NO_FIGURE
    return wording.whole(value) if value == round(value) else wording.number(value, 3)


def _where(file: Any, line: Any, column: Any) -> str:
    at = "" if wording.missing(line) else f" line {line}"
    return f"{file}{at}, {column}" if column else f"{file}{at}"


def _cell(value: Any) -> str:
    return wording.NONE if wording.missing(value) else str(value)


def version_of(name: str) -> str:
    """The installed version of a library."""
    try:
        return version(name)
    except PackageNotFoundError:
        import trialkit

        return trialkit.__version__ if name == "trialkit" else "not installed"
