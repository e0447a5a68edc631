"""Bringing records in: `trialkit add`, `trialkit undo`, and settling a conflict.

Everything goes into the log (see `trialkit.records.log`); the grower's own tables and the files
brought in are only read.  Either all the files come in or none does.  A file that comes in twice
adds nothing the second time.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.reading.problems import Unreadable, problem_table, shown
from trialkit.reading.spelling import plain
from trialkit.records.check import check_records
from trialkit.records.csvfile import read_csv, read_csv_grid
from trialkit.records.files import DESCRIPTION, LOG, TEMPORARY, File, only_writer, read_file
from trialkit.records.findings import LONGEST, Findings, Located, RecordsError
from trialkit.records.incoming.arrangement import SHAPES, Arrangement, Arranger, stacked
from trialkit.records.incoming.contents import Days, Listed, figure, years_in
from trialkit.records.incoming.entries import (
    CHANGED_COLUMNS,
    Incoming,
    Maker,
    Merge,
    is_export,
    measure,
    read_export,
)
from trialkit.records.incoming.lines import SheetTable, sheet_table
from trialkit.records.incoming.sheetreader import SheetReading, read_sheet
from trialkit.records.log import (
    MEASURED,
    SETTLE,
    SETTLED,
    WITHDRAW,
    Conflict,
    Entry,
    Log,
    append,
    called,
    conflict_table,
    holding,
    losses_of,
    standing,
)
from trialkit.records.owntraits import own_of
from trialkit.records.read import Ground, read_ground, read_tables
from trialkit.records.schema import HEIGHTS, OWN_KIND, PICKS, PLANTS
from trialkit.records.sheet import Grid
from trialkit.records.tables import match_headings
from trialkit.records.workbook import read_grids
from trialkit.trial import Trial, TrialProblems

# ------------------------------------------------------------------------------------------------
# Files that `trialkit add` brings in: a phone's export, or spreadsheets as people keep them.
#
# A phone's export is known by its headings:
#
#     record_id, recorded_at, date, plant, kind, value, unit, note, device
#
# Anything else is a spreadsheet; which shapes of it are read, `.arrangement` says.
# Of a workbook every visible sheet is read that names plants; others are left out, and that is
# said.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Brought:
    """What a file brings in.  made : what was made of each of its sheets; none of an export."""

    file: File
    records: list[Incoming]
    made: tuple[SheetReading, ...] = ()


def read_incoming(file: File, ground: Ground, findings: Findings) -> Brought:
    """Every record in a file; what cannot be read goes to ``findings``."""
    if Path(file.name).suffix.casefold() == ".xlsx":
        grids = read_grids(file.name, file.content, findings)
    else:
        of_table = Findings()
        sheet = read_csv(file.name, file.content, of_table, lambda heading: {})
        if sheet is not None and is_export(sheet):
            findings.errors += of_table.errors
            findings.odd += of_table.odd
            return Brought(file, read_export(sheet, ground.trial, findings))
        if sheet is None and b"record_id" in file.content[:LONGEST]:  # an export that is damaged
            findings.errors += of_table.errors
            return Brought(file, [])
        grid = read_csv_grid(file.name, file.content, findings)
        grids = [] if grid is None else [grid]
        if grid is not None and not grid.height:
            findings.error(file.name, 1, "", "", "The file is empty.",
                           "a first line that names the columns")
            return Brought(file, [])
    return _spreadsheet(file, grids, ground, findings)


def _spreadsheet(
    file: File, grids: list[Grid], ground: Ground, findings: Findings
) -> Brought:
    """The records of all sheets that name plants."""
    listed = Listed(ground.plants.frame)
    tables: list[SheetTable] = []
    others: list[Grid] = []
    stem, device = Path(file.name).stem, f"file {file.digest[:12]}"
    for grid in grids:
        named_for = next((p for name in (grid.title, stem) if name
                          and (p := listed.plant(name)) is not None), "")

        def arrange(part: Grid, years: frozenset[int], named: str = named_for) -> SheetTable | None:
            days = Days(ground.trial, years=years)
            days.settle(text for row in part.texts for text in row)
            arranger = Arranger(listed, days, ground.trial.counted, "plant" if named else None,
                                ground.trial.traits)
            arranged = arranger.arrangement(part)
            return None if arranged is None else sheet_table(
                arranged, days, listed, named, file.name, device)

        table = arrange(grid, frozenset())
        if table is None:
            others.append(grid)
            continue
        years = years_in((*(t for _, t in table.arranged.above), grid.title, stem))
        for block in stacked(table.arranged):
            again = arrange(block, years)
            if again is None:
                _not_records(block, listed, findings)
                continue
            tables.append(again)
            _nothing_above(again.arranged, listed, findings)
    # Where one sheet has plants, another with the same by plot or variety is worked out from it.
    by_plants = [table for table in tables if table.arranged.subject == "plant"]
    made: list[SheetReading] = []
    records: list[Incoming] = []
    for table in tables:
        if by_plants and table not in by_plants:
            others.append(table.arranged.grid)
            continue
        of_table, reading = read_sheet(table, findings)
        records += of_table
        made += [] if reading is None else [reading]
    for grid in others:
        if tables:
            findings.doubt(grid.file, None, "", "", "a sheet that is not read: no figures of "
                           "plants stand in it")
        else:
            _not_records(grid, listed, findings)
    return Brought(file, records, tuple(made))


def _nothing_above(arranged: Arrangement, listed: Listed, findings: Findings) -> None:
    """An error where lines above the heading look like records, which would be left out."""
    grid = arranged.grid
    for row in range(arranged.top):
        texts = [t for t in grid.texts[row] if t]
        figures = [t for t in texts if figure(t, grid.mark) == figure(t, grid.mark)]
        plants = [t for t in texts if t not in figures and listed.plant(t) is not None]
        if plants and figures:
            findings.error(grid.file, grid.line(row, 0), "", ", ".join(texts)[:LONGEST],
                           "It stands above the heading that was found, and names a plant.",
                           "one heading, above all records; or a heading above each table")


def _not_records(grid: Grid, listed: Listed, findings: Findings) -> None:
    """An error for a sheet in which no records were found; it says what was looked for."""
    plants = {t for row in grid.texts for t in row if listed.plant(t) is not None}
    first = grid.texts[0] if not grid.turned else next(zip(*grid.texts, strict=True))
    line, texts = grid.lines[0], ", ".join(t for t in first if t)[:LONGEST]
    if "plant" in [t.casefold() for t in first]:
        findings.error(grid.file, line, "", texts, "It has neither counts, weights or heights nor "
                       "dates across the top.", SHAPES)
    elif plants:
        findings.error(grid.file, line, "", texts, "No line of the first 20 says what the figures "
                       "are.", "a heading: date, plant and count, weight or height; or the days")
    else:
        findings.error(grid.file, line, "plant", texts, "There is no such column, and no name of "
                       "a plant stands in the sheet.", f"plants as in plants.csv, in {SHAPES}")


def checked(
    ground: Ground, files: list[list[Incoming]], findings: Findings
) -> list[list[Incoming]]:
    """The records with plants as plants.csv has them; days and plants that cannot be are errors,
    and so is a spreadsheet that says two things of one plant, day and trait."""
    flat = [record for records in files for record in records if record.plant]
    frame = pd.DataFrame({
        "date": pd.Series(np.array([r.date for r in flat], dtype="datetime64[ns]")),
        "plant": pd.Series([r.plant for r in flat], dtype="str"),
    })
    lines = np.array([r.line for r in flat], dtype=np.int64)
    names = np.array([r.file for r in flat], dtype=object)
    rows = check_records(
        ground.trial, ground.plants, "picks", Located(frame, lines, "", names), findings,
        ground.plots,
    )
    plants = iter(rows.frame["plant"].to_list())
    out = [
        [replace(r, plant=str(next(plants))) if r.plant else r for r in records]
        for records in files
    ]
    for records in out:
        _once(records, findings)
    # A plant is judged once for each of a line's cells.
    findings.errors[:] = dict.fromkeys(findings.errors)
    return out


def _once(records: list[Incoming], findings: Findings) -> None:
    first: dict[tuple[str, date | None, str, str], Incoming] = {}
    for record in records:
        unsound = record.blank or not record.plant or record.date is None
        if record.record_id or unsound or record.kind == "note":
            continue
        key = (record.source, record.date, record.plant, record.kind)
        before = first.setdefault(key, record)
        if before is not record:
            findings.error(
                record.file, record.line, "plant", record.plant,
                f"It has a {called(record.kind)} for {record.date} on line {before.line}"
                f"{'' if before.file == record.file else f' of {before.file}'} already.",
                "one line a plant and day, two picks of a day added together",
            )


# ------------------------------------------------------------------------------------------------
# Bringing records in: `trialkit add`, `trialkit undo`, and settling a conflict.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class AddReport:
    """What came in.  added : new records.  known : records that were in the log already.

    corrected : what a source said before and says now (date, plant, trait, before, now, source).
    older : what a file says that its source has corrected since, and that was left as corrected.
    conflicts : every plant, day and trait on which two sources differ, side by side (see
    `trialkit.records.log`); new ones and those that are not settled yet.
    doubts : file, line, column, value, doubt.  files : name, records found, records added.
    batch : the number under which it can be undone; None where nothing was added.
    """

    added: int
    known: int
    corrected: pd.DataFrame
    older: pd.DataFrame
    conflicts: pd.DataFrame
    doubts: pd.DataFrame
    files: tuple[tuple[str, int, int], ...]
    batch: int | None

    @property
    def text(self) -> str:
        """For a terminal."""
        lines = [f"{self.added:,} record{'' if self.added == 1 else 's'} added, "
                 f"{self.known:,} known already."]
        lines += _listed("Corrected; the old values are kept in the log:", [
            f"{r.date} {r.plant}, {r.trait}: {r.before}, now {r.now} ({r.source})"
            for r in self.corrected.itertuples()
        ])
        lines += _listed("Corrected since, and left as corrected:", [
            f"{r.date} {r.plant}, {r.trait}: {r.before} in the file, later {r.now} ({r.source})"
            for r in self.older.itertuples()
        ])
        lost = self.conflicts["trait"] == "lost"
        for heading, rows in (
            ("Two sources differ; neither value is used until this is settled:", ~lost),
            ("Two sources differ on a loss; taken as lost from the earlier day until this is "
             "settled:", lost),
        ):
            lines += _listed(heading, [
                f"{r.date} {r.plant}, {r.trait}: {r.left} ({r.left_source}), "
                f"{r.right} ({r.right_source})"
                for r in self.conflicts[rows].itertuples()
            ])
        return "\n".join(lines)


def _listed(heading: str, items: list[str], most: int = 20) -> list[str]:
    if not items:
        return []
    more = [f"  ... and {len(items) - most:,} more"] if len(items) > most else []
    return [heading, *(f"  {shown(item, 200)}" for item in items[:most]), *more]


@dataclass(frozen=True)
class LookOver:
    """What a file's sheets were taken for, before anything is written.

    files : as they were read, for `add_files`.  made : what was made of each sheet; none of a
    phone's export, which leaves nothing open.  doubts : file, line, column, value, doubt.
    """

    files: tuple[File, ...]
    made: tuple[SheetReading, ...]
    doubts: pd.DataFrame


def look_over(folder: str | Path, files: Iterable[str | Path]) -> LookOver:
    """Read files as `add_files` does, and write nothing.  Raises as it does."""
    with _writing(folder) as (ground, findings):
        brought = _brought(ground, files, findings)
        return LookOver(tuple(source.file for source in brought),
                        tuple(made for source in brought for made in source.made), findings.doubts)


def add_files(folder: str | Path, files: Iterable[str | Path | File]) -> AddReport:
    """Bring the records of phones and spreadsheets into a trial's log.

    files : paths, or files as `look_over` read them.

    Raises RecordsError with every problem in every file, and then nothing came in; TrialProblems;
    TimeoutError when another is writing; OSError where the log cannot be written.
    """
    with _writing(folder) as (ground, findings):
        brought = _brought(ground, files, findings)
        merge = Merge(ground.log)
        counts = []
        for source in brought:
            before = len(merge.new)
            for record in source.records:
                merge.take(record)
            counts.append((source.file.name, sum(not r.blank for r in source.records),
                           len(merge.new) - before))
        conflicts = _judged(ground, merge.new)
        _appended(ground, merge.new)
        return AddReport(
            added=len(merge.new), known=merge.known, corrected=merge.corrected(),
            older=pd.DataFrame(merge.older, columns=CHANGED_COLUMNS),
            conflicts=conflict_table(conflicts), doubts=findings.doubts, files=tuple(counts),
            batch=merge.batch if merge.new else None,
        )


def _brought(
    ground: Ground, files: Iterable[str | Path | File], findings: Findings
) -> list[Brought]:
    """What files bring in, checked.  Raises RecordsError with every problem in every file."""
    brought: list[Brought] = []
    for item in files:
        file = item if isinstance(item, File) else read_file(Path(item), findings)
        if file is not None:
            brought.append(read_incoming(file, ground, findings))
    sound = checked(ground, [item.records for item in brought], findings)
    if findings.errors:
        raise RecordsError(findings.problems)
    return [replace(item, records=records) for item, records in zip(brought, sound, strict=True)]


@dataclass(frozen=True)
class UndoReport:
    """What was taken back.  batch : its number, None where there was nothing to take back.

    records : how many.  sources : where they were from.  entered_at : when they had come in.
    """

    batch: int | None
    records: int
    sources: tuple[str, ...] = ()
    entered_at: str = ""

    @property
    def text(self) -> str:
        """For a terminal."""
        if self.batch is None:
            return "There is nothing in the log to take back."
        what = f"{self.records:,} record{'' if self.records == 1 else 's'}"
        return (
            f"Took back {what} from {', '.join(shown(s) for s in self.sources)}, brought in at "
            f"{shown(self.entered_at)}. The log keeps them; adding the file again brings them back."
        )


def undo_last(folder: str | Path) -> UndoReport:
    """Take back the last batch of the log that still stands; again, the one before.

    Raises as `add_files` does.
    """
    with _writing(folder) as (ground, _):
        here = standing(ground.log.entries, undos=True)
        last = max((e.batch for e in here.values()), default=None)
        if last is None:
            return UndoReport(None, 0)
        mine = [e for e in here.values() if e.batch == last]
        maker = Maker(ground.log)
        new = [
            maker.entry(Incoming(
                "", 0, "undo", f"withdraw-{e.record_id}", "", e.date, e.plant, "withdraw",
                value=e.record_id, note=f"batch {last}"), WITHDRAW)
            for e in mine
        ]
        _appended(ground, new)
        sources = tuple(dict.fromkeys(e.source for e in mine))
        return UndoReport(last, len(mine), sources, mine[0].entered_at)


@dataclass(frozen=True)
class Settled:
    """What was settled.  before : what was said of it until then, by whom, as the log has it.

    still : where a table of the grower's own says something else, side by side.
    """

    entry: Entry
    before: tuple[tuple[str, str], ...]
    still: pd.DataFrame

    @property
    def text(self) -> str:
        """For a terminal."""
        e = self.entry
        lines = [f"{e.date} {shown(e.plant)}, {called(e.trait or '')}: {shown(e.words)}."]
        lines += _listed("It stands in place of what the log keeps:", [
            f"{words} ({source})" for words, source in self.before
        ])
        lines += _listed(
            "A table of your own says something else. trialkit never changes it: change it there, "
            "until then neither is used.",
            [f"{r.left_source}: {r.left}" for r in self.still.itertuples()],
        )
        return "\n".join(lines)


def settle(folder: str | Path, day: date, plant: str, trait: str, value: str) -> Settled:
    """Say what holds of a plant on a day, to correct a record or where sources differ.

    plant : or "plot 1A", a basket.  trait : count, weight, height or lost.  value : as in a table,
    with a unit or in the trial's, or "not looked" for a count; of a loss the reason, or "not
    lost".  What was said stays in the log.  Raises RecordsError with all that is wrong with it,
    and as `add_files` does.
    """
    with _writing(folder) as (ground, findings):
        record = _settling(day, plant, trait, value, ground, findings)
        ((record,),) = checked(ground, [[record]], findings)
        if findings.errors:
            raise RecordsError(findings.problems)
        before = _held_of(ground.log, record)
        maker = Maker(ground.log)
        entry = maker.entry(replace(record, record_id=f"settled-{maker.number}"), SETTLE)
        conflicts = _judged(ground, [entry])
        _appended(ground, [entry])
        still = [c for c in conflicts if (c.plant, c.trait) == (
                     entry.plant, called(entry.trait or ""))
                 and (c.date == day or c.trait == "lost")]
        return Settled(entry, before, conflict_table(still))


def _settling(
    day: date, plant: str, trait: str, value: str, ground: Ground, findings: Findings
) -> Incoming:
    """The record that settles; what is wrong with it goes to ``findings``."""
    trial = ground.trial
    trait = _trait_of(trait, trial)
    base = Incoming("", 0, SETTLED, "", "", day, plant, trait)
    if not plant.strip():
        findings.error("", None, "plant", plant, "It is blank.", "a plant listed in plants.csv")
    own = own_of(trait, trial)
    if own is not None:
        base = replace(base, kind=f"{OWN_KIND}{own.name}")
    elif trait not in (*MEASURED, "lost"):
        findings.error("", None, "trait", trait, "There is no such trait.",
                       ", ".join((*MEASURED, "lost", *(t.name for t in trial.traits))))
        return base
    if trait == "lost":
        gone = plain(value) != "not_lost"
        return replace(base, note=value.strip()) if gone else replace(base, kind="not-lost")
    if trait == "count" and plain(value) in ("not_looked", "not_looked_at"):
        return replace(base, kind="not-looked")
    try:
        text, unit, amount = measure(base.kind, value, "", trial)
    except Unreadable as error:
        findings.error("", None, trait, value, error.problem, error.accepted)
        return base
    return replace(base, value=text, unit=unit, amount=amount)


def _trait_of(name: str, trial: Trial) -> str:
    """The trait that a column of this name holds ("pods", "wt", "weight (g)", "lost reason")."""
    if own_of(name, trial) is not None:
        return name
    for table in (PICKS, HEIGHTS, PLANTS):
        matches, _ = match_headings(table, [name], trial.counted)
        for match in matches.values():
            if match.column.logged:
                return match.column.name
            if match.column.field in ("lost", "lost_reason"):
                return "lost"
    return name


def _held_of(log: Log, record: Incoming) -> tuple[tuple[str, str], ...]:
    """What each source of the log holds of a record's plant, day and trait."""
    if record.kind in ("lost", "not-lost"):
        losses = losses_of(log.entries).get(record.plant, {})
        return tuple((loss.words, loss.source) for loss in losses.values())
    trait = "count" if record.kind == "not-looked" else record.kind
    if record.date is None:
        return ()
    sources = holding(log.entries).get((record.date, record.plant, trait), {})
    return tuple((entry.words, entry.source) for entry in sources.values())


@contextmanager
def _writing(folder: str | Path) -> Iterator[tuple[Ground, Findings]]:
    """The folder's lock, and what the log is checked against, sound."""
    folder = Path(folder)
    findings = Findings()
    if not (folder / DESCRIPTION).is_file():
        read_ground(folder, findings)  # raises, and says what is missing
    with only_writer(folder):
        for left in folder.glob(f".{LOG}.*{TEMPORARY}"):
            left.unlink(missing_ok=True)  # of a writer that was killed: none writes now
        ground = read_ground(folder, findings)
        if not ground.log.can_grow:
            findings.error(
                LOG, 1, "", "", "Another programme saved the log in another form.",
                "commas and UTF-8, and the columns as they were; or the log from a backup",
            )
        if ground.wrong and not findings.errors:
            raise TrialProblems(problem_table(ground.wrong))
        if findings.errors:
            findings.errors[:0] = ground.wrong
            raise RecordsError(findings.problems)
        findings.odd.clear()  # doubts about what is in the folder are for `trialkit check`
        yield ground, findings


def _judged(ground: Ground, new: Sequence[Entry]) -> list[Conflict]:
    """Where sources differ once the new lines are in the log.  Raises RecordsError where they
    could not stand beside what is recorded, before anything is written."""
    before, after = Findings(), Findings()
    _, conflicts = read_tables(
        replace(ground, log=replace(ground.log, entries=(*ground.log.entries, *new))), after)
    if after.errors:
        read_tables(ground, before)
        fresh = [error for error in after.errors if error not in before.errors]
        if fresh:
            after.errors[:] = fresh
            raise RecordsError(after.problems)
    return conflicts


def _appended(ground: Ground, new: Sequence[Entry]) -> None:
    """The new lines into the log."""
    if new:
        append(ground.folder, ground.log, new)
