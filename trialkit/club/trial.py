"""One trial of a club: its report as the public may see it, and what the index says of it."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypedDict

import pandas as pd

import trialkit
from trialkit import shipped
from trialkit.design.request import PLAN_FILE
from trialkit.engine import page, run
from trialkit.records import RecordsError
from trialkit.records.files import DESCRIPTION, LOG, File, fingerprint, read_file, table_paths
from trialkit.records.findings import Findings
from trialkit.records.read import read_ground
from trialkit.report.opentrial import Showing

WORDS = "words.txt"
"""File of what the pictures of a report show, in words."""

KERNEL = run.SharedKernel()
"""Loading the libraries takes as long as a small trial: one kernel for all trials of a process."""

TRIALS = uuid.UUID("2f6d0ac1-8a6c-5d3a-9b0e-6f1c4e7b2a90")
"""Namespace of the trials' ids (RFC 9562, section 5.5: names within a namespace, by SHA-1)."""


@dataclass(frozen=True)
class Job:
    """A report to be made: the trial's folder, what its garden is called, what may be shown."""

    file: Path
    garden: str
    showing: Showing


@dataclass(frozen=True)
class Made:
    """A report made: the page, what it hands on (`handout.handed_on`), pictures to share."""

    html: str
    facts: Mapping[str, object]
    pictures: dict[str, bytes] = field(default_factory=dict)


class Facts(TypedDict, total=False):
    """What the pages keep of what a report hands on (`handout.handed_on`); nothing without one.
    """

    title: str
    garden: str
    crop: str
    planted: str
    updated: str
    invented: bool
    answer: str
    sure: str
    state: str
    names: list[str]
    results: list[dict[str, object]]
    picture: str
    means: list[dict[str, object]]
    fingerprint: str
    front: dict[str, object] | None
    leader: str
    mark: str
    sentence: str


@dataclass(frozen=True)
class NotMade:
    """No report: `private` says all to whoever ran the command, `public` names nothing."""

    private: str
    public: str


def make_report(job: Job) -> Made | NotMade:
    """Run the report notebook on a trial with what may not be shown left out."""
    parameters = {
        "folder": str(job.file),
        "until": "",
        "shared_as": job.garden,
        "showing": job.showing.text,
    }
    try:
        notebook = KERNEL.execute(shipped.notebook("report"), parameters)
    except run.NotebookStopped as stop:
        public = "its report could not be worked out"
        if stop.name == "RecordsCellStop":
            public = "its records have errors, which trialkit check lists"
        return NotMade(stop.message, public)
    facts = page.facts(notebook)
    return Made(page.render(notebook), facts, share_pictures(facts))


def share_pictures(facts: Mapping[str, object]) -> dict[str, bytes]:
    """The pictures of a report to share, `square.png` and `wide.png`, and the same in words.

    facts : what the report handed on; nothing is drawn where it handed on no first screen.
    """
    from trialkit.report.handout import CARDS, Front, alt_text, card

    plain = facts.get("front")
    if not plain or not isinstance(plain, dict):
        return {}
    rows = None if plain["rows"] is None else pd.DataFrame(plain["rows"])
    front = Front(**{**plain, "rows": rows})
    words = f"{alt_text(front)}\n".encode()
    return {**{f"{kind}.png": card(front, kind) for kind in CARDS}, WORDS: words}


def read_fingerprint(folder: Path) -> str:
    """A fingerprint of the files as they are now, nothing in them checked.

    Raises OSError where there is no trial or it cannot be read.
    """
    findings = Findings()
    if not folder.is_dir():
        raise FileNotFoundError(f"There is no folder {folder}.")
    if not (folder / DESCRIPTION).is_file():
        raise FileNotFoundError(f"{folder} has no {DESCRIPTION}, so it is not a trial.")
    paths = [folder / DESCRIPTION, *table_paths(folder, findings).values()]
    paths += [folder / name for name in (LOG, PLAN_FILE) if (folder / name).exists()]
    files = [read_file(path, findings) for path in paths]
    present: list[File] = [file for file in files if file is not None]
    if len(present) < len(paths):
        raise OSError(f"{folder}: {findings.problems['problem'].iloc[0]}")
    return fingerprint(present)


def identity(folder: Path) -> tuple[str, str]:
    """(the trial's id as a URN, its garden's own name); both "" where the planting is not readable.

    The id is made of what was planted where and when, so that it stays the same as picks come in
    and notes are mended, and of no name or place, so that nothing can be guessed back from it.
    """
    try:
        ground = read_ground(folder, Findings())
    except (RecordsError, OSError):
        return "", ""
    plants = ground.plants.frame
    rows = plants[["variety", "row", "column"]].astype(str).assign(
        block=pd.factorize(plants["block"])[0], plot=pd.factorize(plants["plot"])[0]
    ).to_csv(index=False, lineterminator="\n")
    text = f"{ground.trial.planted.isoformat()}\n{rows}"
    named = uuid.uuid5(TRIALS, hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest())
    return named.urn, ground.trial.garden


def key(prints: str, garden: str, showing: Showing) -> str:
    """Stands for everything a report is made of; the same key, the same report."""
    parts = [prints, garden, showing.text, trialkit.__version__, program_print()]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:32]


def program_print() -> str:
    """Sixteen hex figures for the package's own files, so that a newer trialkit reports anew."""
    here = Path(trialkit.__file__).parent
    whole = hashlib.sha256(shipped.notebook("report").read_bytes())
    for path in sorted((*here.rglob("*.py"), *here.rglob("*.j2"), *here.rglob("*.css"))):
        stat = path.stat()
        whole.update(f"{path.relative_to(here)} {stat.st_size} {stat.st_mtime_ns}\n".encode())
    return whole.hexdigest()[:16]
