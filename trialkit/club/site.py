"""A club's pages: many trials in one static folder, written whole beside the old one and swapped.

The site keeps what it says of each trial in `club.json`, so that a trial whose records did not
change is taken over as it is, and one that fails keeps its last good report.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from trialkit.club import pages
from trialkit.club.folder import Manifest, NotAClub, Placed, load, place_all, remembered, write_site
from trialkit.club.pages import CropSeason, Look, seasons, with_pages
from trialkit.club.trial import (
    KERNEL,
    TRIALS,
    Facts,
    Job,
    Made,
    NotMade,
    key,
    make_report,
    read_fingerprint,
)
from trialkit.gardens.workers import Fault, for_each
from trialkit.report.opentrial import Showing

__all__ = ["Club", "Look", "NotAClub", "Showing", "Wanted", "make_club"]

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Wanted:
    """How the pages are to be.

    showing : what the reports show beside the results.  look : of the index.  cluster : address
    of a Dask scheduler to work on.
    """

    showing: Showing = Showing()
    look: Look = Look()
    cluster: str | None = None


@dataclass(frozen=True)
class Club:
    """What was done: the index page (None where nothing could be written), folders whose report
    was made anew and those taken over unchanged, and for each that failed what to tell."""

    index: Path | None
    made: tuple[Path, ...]
    unchanged: tuple[Path, ...]
    failed: tuple[tuple[Path, str], ...]


def make_club(
    folders: Sequence[Path], site: Path, wanted: Wanted | None = None,
    progress: Progress | None = None,
) -> Club:
    """Write or renew the pages of these trials in the folder `site`.

    Raises NotAClub where `site` holds something else, OSError where it cannot be written; then
    the old pages are as they were.
    """
    wanted = wanted or Wanted()
    site = site.resolve()
    with remembered(site) as memory:
        trials = trial_folders(folders)
        old = load(site, trials)
        placed = place_all(trials, old, memory)
        try:
            failed, made, unchanged = _work(placed, old, wanted, progress)
            shown = [trial for trial in placed if trial.facts]
            if not shown:
                return Club(None, (), (), tuple(failed))
            crops, keys = with_pages(seasons(shown), old)
        finally:
            KERNEL.stop()
        manifest = Manifest(old.id or _feed_id(placed), old.files, [p.entry for p in placed],
                            seasons=keys)
        write_site(site, manifest, _files(manifest.id, placed, crops, wanted.look))
        memory.keep({str(trial.folder.resolve()): trial.entry for trial in placed})
    return Club(site / "index.html", tuple(made), tuple(unchanged), tuple(failed))


def _files(
    id_: str, placed: Sequence[Placed], crops: Sequence[CropSeason], look: Look
) -> Iterator[tuple[str, bytes]]:
    """Path and content of every page and picture."""
    for trial in placed:
        if not trial.facts:
            continue
        picture = trial.picture("wide.png") if trial.pictures else ""
        tags = pages.tags(str(trial.facts["title"]), pages.line(trial), look.address, trial.page,
                            picture, pages.words(trial))
        yield trial.page, pages.tagged(trial.content, tags).encode()
        for name, content in sorted(trial.pictures.items()):
            yield trial.picture(name), content
    for crop in crops:
        if crop.html and not isinstance(crop.answer, str) and crop.answer is not None:
            title = pages.season_title(crop)
            tags = pages.tags(title, crop.answer.answer, look.address, crop.page)
            yield crop.page, pages.tagged(crop.html, tags).encode()
    yield from pages.pages(id_, placed, crops, look).items()


def trial_folders(paths: Sequence[Path]) -> list[Path]:
    """Trial folders, each once, in the order given; of a folder of trials, the trials in it."""
    folders: list[Path] = []
    for path in paths:
        own = (path / "trial.toml").is_file() or not path.is_dir()
        inside = [] if own else sorted(file.parent for file in path.glob("*/trial.toml"))
        folders += inside or [path]
    return list({path.resolve(): path for path in folders}.values())


def _work(
    placed: Sequence[Placed], old: Manifest, wanted: Wanted, progress: Progress | None
) -> tuple[list[tuple[Path, str]], list[Path], list[Path]]:
    """Take over what is unchanged, make the rest; fills in the `placed`."""
    failed: list[tuple[Path, str]] = []
    todo: list[Placed] = []
    unchanged: list[Path] = []
    for trial in placed:
        try:
            trial.key = key(read_fingerprint(trial.folder), trial.garden, wanted.showing)
        except OSError as error:
            _failed(trial, NotMade(str(error), "its folder cannot be read"), old, wanted, failed)
            continue
        last = old.entry(trial.id)
        if last is not None and last["key"] == trial.key and old.sound(last):
            trial.take_over(last, old)
            unchanged.append(trial.folder)
        else:
            todo.append(trial)
    jobs = [Job(trial.folder.resolve(), trial.garden, wanted.showing) for trial in todo]
    results = for_each(make_report, jobs, wanted.cluster, progress=progress)
    for trial, result in zip(todo, results, strict=True):
        if isinstance(result, Fault):
            result = NotMade(f"{result.kind}: {result.message}", "it could not be worked out")
        if isinstance(result, Made):
            trial.html, trial.facts = result.html, _public(result.facts)
            trial.pictures = result.pictures
            trial.showing = wanted.showing.text
        else:
            _failed(trial, result, old, wanted, failed)
    gone = {path for path, _ in failed}
    return failed, [trial.folder for trial in todo if trial.folder not in gone], unchanged


def _failed(
    trial: Placed, why: NotMade, old: Manifest, wanted: Wanted, failed: list[tuple[Path, str]]
) -> None:
    """Keep the last good report, unless it shows what is no longer to be shown."""
    failed.append((trial.folder, why.private))
    trial.reason = why.public
    last = old.entry(trial.id)
    if last is None or not last["facts"] or not old.sound(last):
        return
    if set(last["showing"].split()) <= set(wanted.showing.text.split()):
        trial.take_over(last, old)
        trial.key = last["key"]
    else:
        trial.reason += "; its last good report has details you now hide"


def _public(facts: Mapping[str, object]) -> Facts:
    """What the index needs of a report's facts."""
    return cast("Facts", {name: facts[name] for name in Facts.__annotations__ if name in facts})


def _feed_id(placed: Sequence[Placed]) -> str:
    return uuid.uuid5(TRIALS, "feed " + " ".join(trial.id for trial in placed)).urn
