"""The folder of a club's pages: what lies in it, which trial has which number there, and how a new
one takes the place of the old."""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import shutil
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from glob import escape
from pathlib import Path
from typing import NotRequired, TypedDict

from filelock import FileLock, Timeout
from platformdirs import user_state_path

from trialkit.club.trial import TRIALS, Facts, identity
from trialkit.reading.spelling import folded
from trialkit.records.files import sync_folder, write_bytes, write_text

MANIFEST = "club.json"
KIND = "trialkit club"
REPORTS = "reports"
PICTURES = "pictures"
OLD = ".club-before"
PICTURE = re.compile(r"[a-z]+\.(png|txt)")


class KnownTrial(TypedDict):
    """What stays of a trial from run to run: its number, its id, its garden's number."""

    number: int
    id: str
    garden: int


class TrialEntry(KnownTrial):
    """A trial in `club.json`; the fields as in `Placed`, pictures by their names."""

    key: str
    showing: str
    page: str
    facts: Facts
    pictures: NotRequired[list[str]]


class NotAClub(FileExistsError):  # noqa: N818  (what is told of a folder, in the words of a refusal)
    """The folder holds something else than a club's pages; nothing in it was changed."""


@dataclass
class Placed:
    """A trial and its place on the pages.

    garden : what its garden is called there.  key : stands for what its report is made of.  html :
    a report made now; source : one taken over.  pictures : file name -> content of those to share.
    facts : `handout.handed_on`, {} without a report.  showing : what its report shows.
    reason : why it is not up to date, "" if it is.
    """

    folder: Path
    number: int
    id: str
    garden_number: int
    key: str = ""
    html: str = ""
    source: Path | None = None
    pictures: dict[str, bytes] = field(default_factory=dict)
    facts: Facts = field(default_factory=lambda: Facts())
    showing: str = ""
    reason: str = ""

    @property
    def garden(self) -> str:
        return f"Garden {self.garden_number}"

    @property
    def page(self) -> str:
        """The report's place on the pages."""
        return f"{REPORTS}/trial-{self.number}.html"

    def picture(self, name: str) -> str:
        """The place of one of its pictures, or of their words."""
        return f"{PICTURES}/trial-{self.number}-{name}"

    @property
    def content(self) -> str:
        """The report itself."""
        return self.html if self.source is None else self.source.read_text(encoding="utf-8")

    @property
    def entry(self) -> TrialEntry:
        """What the pages keep of it for the next time."""
        return {
            "number": self.number, "id": self.id, "garden": self.garden_number, "key": self.key,
            "showing": self.showing, "page": self.page, "facts": self.facts,
            "pictures": sorted(self.pictures),
        }  # fmt: skip

    def take_over(self, last: TrialEntry, old: Manifest) -> None:
        """Use the report of an earlier run."""
        self.source = old.site / last["page"]
        self.facts, self.showing = last["facts"].copy(), last["showing"]
        self.pictures = {name: (old.site / self.picture(name)).read_bytes()
                         for name in last.get("pictures", ())}


@dataclass
class Manifest:
    """What lies in the folder.

    id : the feed's.  files : path -> SHA-256 of every file written there.  entries : one a trial.
    seasons : of each season's page, the key of what it was made of.
    """

    id: str = ""
    files: dict[str, str] = field(default_factory=dict)
    entries: list[TrialEntry] = field(default_factory=list)
    site: Path = Path()
    seasons: dict[str, str] = field(default_factory=dict)

    def entry(self, id_: str) -> TrialEntry | None:
        """What is kept of the trial with that id."""
        return next((entry for entry in self.entries if entry["id"] == id_), None)

    def sound(self, entry: TrialEntry) -> bool:
        """Whether the entry's report and pictures lie there as they were written."""
        names = [f"{PICTURES}/trial-{entry['number']}-{name}" for name in entry.get("pictures", ())]
        return all(map(self.as_written, (str(entry["page"]), *names)))

    def as_written(self, path: str) -> bool:
        """Whether the file lies there as it was written."""
        try:
            return _print((self.site / path).read_bytes()) == self.files.get(path, "none")
        except OSError:
            return False


def load(site: Path, folders: Sequence[Path]) -> Manifest:
    """What lies in the folder; an empty manifest where there is none yet.

    Puts back the pages of a run that was cut off in the middle of the swap.  Raises NotAClub for
    a folder that holds anything else, or a trial.
    """
    for folder in (trial.resolve() for trial in folders):
        if folder == site or site in folder.parents:
            raise NotAClub(f"{site} holds the trial {folder.name}; name another folder.")
    _put_back(site)
    if not site.exists():
        return Manifest(site=site)
    if not site.is_dir():
        raise NotAClub(f"{site} is a file; name a folder.")
    if not any(site.iterdir()):
        return Manifest(site=site)
    refusal = NotAClub(f"{site} holds other files, and no {MANIFEST} of a club; nothing was done.")
    try:
        data = json.loads((site / MANIFEST).read_text(encoding="utf-8"))
        entries, files = data["trials"], data["files"]
        if data["kind"] != KIND or not all(_usable(trial) for trial in entries):
            raise refusal
        return Manifest(str(data["id"]), _texts(files), entries, site,
                        _texts(data.get("seasons", {})))
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        raise refusal from None


def _texts(plain: Mapping[str, object]) -> dict[str, str]:
    return {str(name): str(value) for name, value in plain.items()}


def _usable(entry: Mapping[str, object]) -> bool:
    kinds = {"number": int, "id": str, "garden": int, "key": str, "showing": str, "page": str,
             "facts": dict}  # fmt: skip
    sound = all(isinstance(entry.get(name), kind) for name, kind in kinds.items())
    named = entry.get("pictures", [])
    plain = isinstance(named, list) and all(
        isinstance(name, str) and PICTURE.fullmatch(name) for name in named)
    return sound and plain and entry["page"] == f"{REPORTS}/trial-{entry['number']}.html"


def write_site(
    site: Path, manifest: Manifest, pages: Iterable[tuple[str, bytes]]
) -> None:
    """Write everything to a new folder beside `site`, to the disk, then swap the two.

    pages : path and content of every file, one at a time.
    Files in the old folder that trialkit did not write there are carried over.  Raises OSError;
    then the old folder is as it was.
    """
    site.parent.mkdir(parents=True, exist_ok=True)
    new = site.with_name(f".{site.name[:100]}.{secrets.token_hex(6)}.part")
    files: dict[str, str] = {}
    try:
        for folder in (REPORTS, PICTURES):
            (new / folder).mkdir(parents=True)
        for name, content in pages:
            files[name] = _put(new / name, content)
        whole = {"kind": KIND, "id": manifest.id, "trials": manifest.entries, "files": files,
                 "seasons": manifest.seasons}
        _put(new / MANIFEST, (json.dumps(whole, ensure_ascii=False, indent=1) + "\n").encode())
        if site.is_dir():
            _carry_over(site, new, set(manifest.files) | {MANIFEST})
        sync_folder(new)
        _swap(new, site)
    except BaseException:
        shutil.rmtree(new, ignore_errors=True)
        raise


def _put(path: Path, content: bytes) -> str:
    write_bytes(path, content)
    return _print(content)


def _print(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _carry_over(site: Path, new: Path, written: set[str]) -> None:
    """What someone else put there: a host's own settings, a picture, a history."""
    for path in sorted(site.iterdir()):
        ours = path.name in (REPORTS, PICTURES)
        inside = ours and path.is_dir() and not path.is_symlink()
        for entry in sorted(path.iterdir()) if inside else (path,):
            name = entry.relative_to(site).as_posix()
            to = new / name
            if name in written or to.exists():
                continue
            if entry.is_dir() and not entry.is_symlink():
                shutil.copytree(entry, to, symlinks=True)
            else:
                shutil.copy2(entry, to, follow_symlinks=False)


def _swap(new: Path, site: Path) -> None:
    """Two renames: between them only `_put_back` stands between a power cut and no pages."""
    before = site.with_name(f".{site.name}{OLD}")
    if site.exists():
        os.rename(site, before)
    try:
        os.rename(new, site)
    except OSError:
        if before.exists():
            os.rename(before, site)
        raise
    sync_folder(site.parent)
    shutil.rmtree(before, ignore_errors=True)


def _put_back(site: Path) -> None:
    """After a run that was cut off: the old pages back, or the rest of them away."""
    before = site.with_name(f".{site.name}{OLD}")
    if site.exists():
        shutil.rmtree(before, ignore_errors=True)
    elif (before / MANIFEST).is_file():
        os.rename(before, site)
    for part in site.parent.glob(f".{escape(site.name[:100])}.*.part"):
        shutil.rmtree(part, ignore_errors=True)


# ------------------------------------------------------------------------------------------------
# Which folder is which trial of a club's pages: kept with the user, never on the pages.
#
# A folder's path names people and places, so it must not be in anything that is published; and a
# trial whose records cannot be read at all is known by its folder only.
# ------------------------------------------------------------------------------------------------

PATIENCE_S = 60.0


@dataclass(frozen=True)
class Memory:
    """known: by the folder's full path, number, id and garden number on these pages."""

    known: dict[str, KnownTrial]
    file: Path | None

    def keep(self, entries: Mapping[str, KnownTrial]) -> None:
        """Remember these too.  Where nothing can be written nothing is remembered: trials are
        then known by what was planted."""
        if self.file is None:
            return
        by_folder = {
            folder: KnownTrial(number=entry["number"], id=entry["id"], garden=entry["garden"])
            for folder, entry in entries.items()
        }
        with suppress(OSError):
            write_text(self.file, json.dumps({**self.known, **by_folder}, indent=1) + "\n")
            self.file.chmod(0o600)


@contextmanager
def remembered(site: Path) -> Iterator[Memory]:
    """What is known of the trials on these pages; only one at a time may renew them.

    Raises TimeoutError where another renews them for longer than a minute.
    """
    name = hashlib.sha256(str(site).encode("utf-8", "surrogatepass")).hexdigest()[:16]
    file = user_state_path("trialkit") / f"club-{name}.json"
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(file.with_suffix(".lock"))
        lock.acquire(timeout=PATIENCE_S)
    except Timeout:
        raise TimeoutError("Another trialkit is renewing these pages.") from None
    except OSError:
        yield Memory({}, None)
        return
    try:
        yield Memory(_read(file), file)
    finally:
        lock.release()


def _read(file: Path) -> dict[str, KnownTrial]:
    with suppress(OSError, ValueError):
        content = json.loads(file.read_text(encoding="utf-8"))
        if isinstance(content, dict):
            needed = {"number": int, "id": str, "garden": int}
            return {
                folder: KnownTrial(number=entry["number"], id=entry["id"], garden=entry["garden"])
                for folder, entry in content.items() if isinstance(entry, dict)
                and all(isinstance(entry.get(k), kind) for k, kind in needed.items())
            }
    return {}


# ------------------------------------------------------------------------------------------------
# Which number and which garden a trial has on a club's pages, the same from run to run.
# ------------------------------------------------------------------------------------------------

def place_all(folders: Sequence[Path], old: Manifest, memory: Memory) -> list[Placed]:
    """A place for every folder.

    A trial is known again by its folder, else by what was planted; a new one takes the next
    number.  Trials whose gardens have the same name share one garden number.
    """
    read = [identity(folder) for folder in folders]
    known = _known(folders, [id_ for id_, _ in read], old, memory)
    gardens: dict[str, int] = {}
    for entry, (_, garden) in zip(known, read, strict=True):
        if entry and garden.strip():
            gardens.setdefault(folded(garden), int(entry["garden"]))
    earlier: list[KnownTrial] = [*old.entries, *memory.known.values()]
    number = max((int(e["number"]) for e in earlier), default=0)
    last_garden = max((int(e["garden"]) for e in earlier), default=0)
    taken = {str(e["id"]) for e in known if e} | {str(e["id"]) for e in earlier}
    placed = []
    for folder, entry, (id_, garden) in zip(folders, known, read, strict=True):
        name = folded(garden) if garden.strip() else ""
        if entry is None:
            number += 1
            entry = KnownTrial(number=number, id=_unique(id_ or str(number), taken), garden=0)
            taken.add(str(entry["id"]))
        where = gardens.get(name, 0) or int(entry["garden"])
        if not where:
            last_garden += 1
            where = last_garden
        if name:
            gardens.setdefault(name, where)
        placed.append(Placed(folder, int(entry["number"]), str(entry["id"]), where))
    return placed


def _known(
    folders: Sequence[Path], ids: Sequence[str], old: Manifest, memory: Memory
) -> list[KnownTrial | None]:
    """What is known of each folder: by its path, then by what was planted, each entry once."""
    entries: list[KnownTrial | None] = [
        memory.known.get(str(folder.resolve())) for folder in folders
    ]
    used = {str(entry["id"]) for entry in entries if entry}
    for at, id_ in enumerate(ids):
        entry = None if entries[at] is not None else old.entry(id_)
        if entry is not None and id_ not in used:
            entries[at] = entry
            used.add(id_)
    return entries


def _unique(id_: str, taken: set[str]) -> str:
    """The id, or one made from it where another trial with the very same planting has it."""
    if not id_.startswith("urn:uuid:"):
        id_ = uuid.uuid5(TRIALS, f"unread {id_}").urn
    made, again = id_, 1
    while made in taken:
        again += 1
        made = uuid.uuid5(TRIALS, f"{id_} {again}").urn
    return made
