"""The folded part of the report: the records, the layout, how each trait was worked out."""

from __future__ import annotations

import platform
from collections.abc import Iterable
from importlib.metadata import PackageNotFoundError, version
from math import isfinite
from typing import Any

from trialkit.models import TraitResult
from trialkit.models.harvest import HarvestResult
from trialkit.models.rate import RateResult
from trialkit.reporting import words
from trialkit.reporting.blocks import Block, isolate, part, tabled, titled
from trialkit.reporting.opened import OpenTrial, told

LIBRARIES = ("trialkit", "numpy", "scipy", "pandas", "formulaic", "seaborn", "matplotlib",
             "papermill", "nbconvert")  # fmt: skip
DOUBTS_SHOWN = 60
PLOTS_SHOWN = 5


@told
def files_read(trial: OpenTrial) -> Block:
    """The files of the trial and how many lines of each were read."""
    rows = [(name, words.whole(lines)) for name, lines in trial.records.files]
    return tabled("Files read", ("File", "Lines"), rows)


@told
def doubts(trial: OpenTrial) -> Block:
    """Records that are hard to believe; they are kept, and used, as they stand."""
    frame = trial.records.doubts
    if frame.empty:
        return titled("Doubts about the records", ["No record is hard to believe."])
    if not trial.showing.notes:
        said = f"{words.counted(len(frame), 'record')} hard to believe, used as they are."
        return titled("Doubts about the records", [said])
    rows = [
        (_where(row.file, row.line, row.column), _cell(row.value), _cell(row.doubt))
        for row in frame.head(DOUBTS_SHOWN).itertuples(index=False)
    ]
    caption = f"{words.counted(len(frame), 'doubt')} about the records, which are used as they are"
    if len(frame) > DOUBTS_SHOWN:
        caption += f"; the first {DOUBTS_SHOWN} (trialkit check lists all)"
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
    found = [result for result in analysis.traits.values() if isinstance(result, TraitResult)]
    blocks = [_method(result, trial.names) for result in found]
    missing = [f"{words.capital(m.trait.replace('_', ' '))}: {m.reason}." for m in analysis.missing]
    if missing:
        blocks.append(titled("What the records do not give", missing, trial.names))
    return Block("\n".join(b.html for b in blocks), "\n\n".join(b.plain for b in blocks))


@told
def diagnostics(trial: OpenTrial) -> Block:
    """Whether the model of the counts can be trusted, and how much hangs on single plots."""
    found = trial.conclusion.analysis.diagnostics
    blocks = [titled("Can the model be trusted?", found.remarks, trial.names)]
    if not found.residuals.empty:
        agree = [
            (words.capital(str(r.check)), words.number(r.value), words.number(r.expected))
            for r in found.residuals.itertuples(index=False)
        ]
        heads = ("What", "Found", "Expected")
        blocks.append(tabled("Residuals (randomised quantile)", heads, agree))
    if not found.influence.empty:
        without = [
            (str(r.unit), str(r.variety), words.number(r.ratio, 3), f"{r.change:+.1%}")
            for r in found.influence.head(PLOTS_SHOWN).itertuples(index=False)
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


def _method(result: TraitResult, names: Iterable[str]) -> Block:
    note = result.method
    texts = [note.plain, note.full]
    if not result.supported:
        texts.append(result.why_not)
    texts += result.notes
    pairs = {"Model": note.formula, "random terms": ", ".join(note.groups),
             "degrees of freedom": note.df_method}  # fmt: skip
    pairs |= {str(key): _figure(value) for key, value in note.figures.items()}
    fine = "; ".join(f"{key} {value}" for key, value in pairs.items() if value) + "."
    label = words.capital(words.with_unit(result.label, result.unit))
    block = titled(label, [words.capital(t) for t in texts if t], names)
    html = part("paragraphs", paragraphs=[isolate(fine, names)], kind="fine")
    tables = _harvest_tables(result) if isinstance(result, HarvestResult) else []
    if isinstance(result, RateResult) and not result.slumps.empty:
        tables.append(_slumps(result))
    return Block(
        "\n".join([block.html, html, *(t.html for t in tables)]),
        "\n".join([block.plain, fine, *(t.plain for t in tables)]),
    )


def _slumps(result: RateResult) -> Block:
    """The slump of every variety after every hot spell."""
    rows = [
        (
            str(row.variety),
            words.days(row.hot_from, row.hot_to),
            words.number(row.before),
            f"{words.number(row.lowest)} on {words.day(row.lowest_on)}",
            f"{row.depth:.0%}" + _percent(row.depth_low, row.depth_high),
            str(row.recovery),
        )
        for row in result.slumps.itertuples(index=False)
    ]
    heads = ("Variety", "Hot spell", "Rate before", "Lowest", "Share lost", "Recovery")
    return tabled(f"Slump after heat, {result.unit}", heads, rows)


def _percent(low: Any, high: Any) -> str:
    return "" if words.missing(low) or words.missing(high) else f" ({low:.0%} to {high:.0%})"


def _harvest_tables(result: HarvestResult) -> list[Block]:
    """Tests of the terms, and the treatments, of a crop dug or cut once."""
    tables = []
    if not result.tests.empty:
        tests = [
            (
                str(r.term),
                words.number(r.F, 3),
                f"{words.degrees(r.num_df)} and {words.degrees(r.den_df)}",
                words.chance(r.p),
            )
            for r in result.tests.itertuples(index=False)
        ]
        heads = ("Term", "F", "Degrees of freedom", "p")
        tables.append(tabled("Is there any difference at all?", heads, tests))
    if not result.treatments.empty:
        rows = [
            (str(r.treatment), words.number(r.estimate, 3), words.interval(r.low, r.high, 3))
            for r in result.treatments.itertuples(index=False)
        ]
        caption = f"Treatments, {result.unit}, over all varieties"
        tables.append(tabled(caption, ("Treatment", "Mean", "95 % interval"), rows))
    return tables


def _figure(value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        return str(value)
    return words.whole(value) if value == round(value) else words.number(value, 3)


def _where(file: Any, line: Any, column: Any) -> str:
    at = "" if words.missing(line) else f" line {line}"
    return f"{file}{at}, {column}" if column else f"{file}{at}"


def _cell(value: Any) -> str:
    return words.NONE if words.missing(value) else str(value)


def version_of(name: str) -> str:
    """The installed version of a library."""
    try:
        return version(name)
    except PackageNotFoundError:
        import trialkit

        return trialkit.__version__ if name == "trialkit" else "not installed"
