"""What happens to a report and to the records when things go wrong, with figures.

    python tests/faults/fault_report.py [kills]

Kills `trialkit report`, its kernel with it, at random moments (200), and as often a process that
does nothing but write reports; takes away the right to write and the room to write in.  Prints a
line a fault; exits with 1 if a record was altered, a report lost or half written, or if anything
but a clear message and exit code 6 came out.
"""

from __future__ import annotations

import itertools
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

import nbformat

sys.path.insert(0, str(Path(__file__).parents[1]))

import smalltrial  # noqa: E402

# Loaded before a child is made, which then does nothing but write.
import trialkit.records.files  # noqa: E402, F401
from trialkit.engine import publish  # noqa: E402

NOT_WRITTEN = 6
BAD = ("altered", "neither", "half", "failed", "wrong")
EVERY = 20
"""A whole run is made after so many kills, and after each that left something behind."""


@contextmanager
def trial() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        os.chmod(name, 0o755)
        (Path(name) / "tmp").mkdir(mode=0o777)
        os.chmod(Path(name) / "tmp", 0o777)
        yield smalltrial.write(Path(name) / "trial", picks=3)


def start(folder: Path, limit: Callable[[], None] | None = None) -> subprocess.Popen:
    home = str(folder.parent / "tmp")
    package = str(Path(__file__).parents[2])
    known = os.environ.get("PYTHONPATH")
    return subprocess.Popen(
        [sys.executable, "-m", "trialkit.cli", "report", str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
        preexec_fn=limit,
        cwd=folder.parent,
        env={**os.environ, "TMPDIR": home, "HOME": home,
             "PYTHONPATH": os.pathsep.join(filter(None, (known, package)))},
        text=True,
    )  # fmt: skip


def whole_run(folder: Path, limit: Callable[[], None] | None = None) -> tuple[int, str]:
    process = start(folder, limit)
    said, _ = process.communicate()
    return process.returncode, said


def family(pid: int) -> list[int]:
    """A process and all that came of it."""
    found = [pid]
    for one in found:
        try:
            found += map(int, Path(f"/proc/{one}/task/{one}/children").read_text().split())
        except OSError:
            continue
    return found


def kill_all(process: subprocess.Popen) -> None:
    """kill -9 for the process, its kernel and whatever else it started."""
    for pid in family(process.pid):
        try:
            os.kill(pid, signal.SIGKILL)
        except ProcessLookupError:
            continue
    process.wait()
    if process.stdout:
        process.stdout.close()


def files(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if p.is_file()}


class Season:
    """A trial that stands at one of two picks by turns, and the page that belongs to each."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.picks: list[bytes] = []
        self.pages: list[bytes] = []
        self.books: list[nbformat.NotebookNode] = []
        self.seconds = 0.0
        for more in range(2):
            if more:
                smalltrial.pick(folder, 3)
            self.picks.append((folder / "picks.csv").read_bytes())
            start_ = time.monotonic()
            code, said = whole_run(folder)
            self.seconds = time.monotonic() - start_
            assert code == 0, said
            self.pages.append(self.page.read_bytes())
            self.books.append(nbformat.read(self.page.with_suffix(".ipynb"), as_version=4))
        assert self.pages[0] != self.pages[1]

    @property
    def page(self) -> Path:
        return self.folder / "report" / "trial.html"

    def stand_at(self, turn: int) -> dict[str, bytes]:
        (self.folder / "picks.csv").write_bytes(self.picks[turn])
        return files(self.folder)


def killed_at_random(times: int) -> str:
    """kill -9 at random moments of a report: the records as they were, the page old or new."""
    chance = random.Random(5)
    count: Counter[str] = Counter()
    with trial() as folder:
        season = Season(folder)
        for n in range(times):
            old = season.page.read_bytes()
            turn = 1 - season.pages.index(old)
            before = season.stand_at(turn)
            process = start(folder)
            time.sleep(chance.uniform(0.0, season.seconds))
            count["running"] += process.poll() is None
            kill_all(process)
            count["altered"] += files(folder) != before
            left = _look_at(season.page, old, season.pages[turn], count)
            count["left"] += len(left)
            if left or n % EVERY == EVERY - 1:
                begun = time.monotonic()
                code, _ = whole_run(folder)
                season.seconds = time.monotonic() - begun
                count["runs after"] += 1
                count["failed"] += code != 0
                count["wrong"] += season.page.read_bytes() != season.pages[turn]
                print(f"  {n + 1} kills: {dict(count)}", file=sys.stderr, flush=True)
            shutil.rmtree(folder.parent / "tmp", ignore_errors=True)
            (folder.parent / "tmp").mkdir()
    assert not any(count[name] for name in BAD), dict(count)
    return (
        f"{times} kills of a report ({count['running']} while it ran): "
        f"{count['altered']} records altered, {count['old page']} times the last good page as it "
        f"was, {count['new page']} times the whole new one, {count['neither']} times neither, "
        f"{count['half']} half notebooks, {count['left']} temporary files left; "
        f"{count['runs after']} whole runs after: {count['failed']} failed, {count['wrong']} wrong"
    )


def killed_in_writing(times: int) -> str:
    """The same of a process that writes one report after the other, the work already done."""
    chance = random.Random(6)
    count: Counter[str] = Counter()
    with trial() as folder:
        season = Season(folder)
        for n in range(times):
            child = os.fork()
            if not child:
                _write_on_and_on(season, n % 2)
            time.sleep(chance.uniform(0.0, 0.25))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            left = _look_at(season.page, *season.pages, count)
        count["left"] = len(left)
        before = files(folder)
        count["failed"] += whole_run(folder)[0] != 0
        count["wrong"] += season.page.read_bytes() != season.pages[1]
        count["altered"] += files(folder) != before
    assert not any(count[name] for name in BAD), dict(count)
    midway = count["old page"] and count["new page"] and count["left"]
    assert times < EVERY or midway, f"no kill fell into the writing: {dict(count)}"
    return (
        f"{times} kills while writing two reports by turns: {count['old page']} times the one page "
        f"whole, {count['new page']} times the other, {count['neither']} times neither, "
        f"{count['half']} half notebooks, {count['left']} temporary files left; the next run right"
    )


def _write_on_and_on(season: Season, first: int) -> None:
    """In a child, until it is killed: the two reports by turns, run and laid out before."""
    try:
        both = zip(season.books, season.pages, strict=True)
        pages = {id(book): page.decode() for book, page in both}
        for book in itertools.islice(itertools.cycle(season.books), first, None):
            with (
                mock.patch.object(publish.run, "execute", lambda *_, book=book: book),
                mock.patch.object(publish.page, "render", lambda book: pages[id(book)]),
            ):
                publish.publish(season.folder)
    finally:
        os._exit(1)


def _look_at(page: Path, old: bytes, new: bytes, count: Counter[str]) -> list[Path]:
    """Which page is there; what else is, whole or not.  Returns temporary files left over."""
    found = page.read_bytes()
    count["old page" if found == old else "new page" if found == new else "neither"] += 1
    count["half"] += not _whole(page.with_suffix(".ipynb"))
    return list(page.parent.glob(".*.part"))


def _whole(notebook: Path) -> bool:
    try:
        nbformat.validate(nbformat.read(notebook, as_version=4))
    except Exception:
        return False
    return True


def _small_files() -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))


def refused(folder: Path, limit: Callable[[], None] | None = None) -> str:
    """What a report says that cannot be written; it must leave the last one as it is."""
    report = folder / "report"
    before, records = files(report), files(folder)
    code, said = whole_run(folder, limit)
    assert code == NOT_WRITTEN, f"exit code {code}: {said}"
    assert "Traceback" not in said, said
    assert "Could not write the report" in said, said
    after = files(report)
    assert after["trial.html"] == before["trial.html"], "the last good report has changed"
    assert _whole(report / "trial.ipynb")
    assert set(after) == set(before), sorted(set(after) ^ set(before))
    assert files(folder) == records
    return " ".join(said.split()).replace(str(folder.parent), "...")


def read_only() -> str:
    with trial() as folder:
        assert whole_run(folder)[0] == 0
        report = folder / "report"
        report.chmod(0o555)
        with _unwritable(report) as possible:
            if not possible:
                return "read-only folder: not possible here (root, and no right to mount)"
            said = refused(folder)
        report.chmod(0o755)
        assert whole_run(folder)[0] == 0
    return f"read-only folder: exit code 6, the last report as it was; it says {said!r}"


@contextmanager
def _unwritable(report: Path) -> Iterator[bool]:
    """Root may write where it is forbidden, but not on what is mounted to be read only."""
    if os.getuid() != 0:
        yield True
        return
    kept = files(report)
    if not _mount(report):
        yield False
        return
    try:
        for name, content in kept.items():
            (report / name).write_bytes(content)
        subprocess.run(["mount", "-o", "remount,ro", str(report)], check=True)
        yield True
    finally:
        subprocess.run(["umount", str(report)], check=True)


def _mount(where: Path) -> bool:
    """A disk of 2 MB at `where`, if this process may."""
    command = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(where)]
    may = shutil.which("mount") is not None
    return may and subprocess.run(command, capture_output=True).returncode == 0


def full_disk() -> str:
    said = []
    with trial() as folder:
        assert whole_run(folder)[0] == 0
        said.append(f"by a limit on sizes {refused(folder, _small_files)!r}")
        for name, disk in (("report", folder / "report"), ("tmp", folder.parent / "tmp")):
            kept = files(disk)
            if not _mount(disk):
                said.append(f"{name} on a full disk: not possible here (no right to mount)")
                continue
            try:
                for file, content in kept.items():
                    (disk / file).write_bytes(content)
                _fill(disk)
                said.append(f"{name} on a full disk {refused(folder)!r}")
                (disk / "filler").unlink()
                assert whole_run(folder)[0] == 0
            finally:
                subprocess.run(["umount", str(disk)], check=True)
    done = "full disk: exit code 6, the last report as it was, room again and it works"
    return "; ".join([done, *said])


def _fill(disk: Path) -> None:
    """All but some kilobytes of a disk."""
    with (disk / "filler").open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            file.truncate(max(0, file.tell() - 20_480))


def main(kills: int) -> int:
    failed = 0
    for fault in (
        read_only,
        full_disk,
        lambda: killed_in_writing(kills),
        lambda: killed_at_random(kills),
    ):
        begun = time.monotonic()
        try:
            said = fault()
        except Exception as error:
            failed += 1
            said = f"FAILED: {type(error).__name__}: {error}"
        print(f"{said} [{time.monotonic() - begun:.0f} s]", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(*[int(word) for word in sys.argv[1:2]] or [200]))
