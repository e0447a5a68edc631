"""A phone: real Chromium at phone size with touch, opening the page from a file on disk."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import tempfile
import time
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from chromium import CHROMIUM, FLAGS

from trialkit.records import Records, read_records

# As by hand, but in one go: tapping each box takes a browser longer than many a whole test.
FILL_IN = """([day, asks]) => {
  const date = document.getElementById("date");
  date.value = day;
  for (const kind of ["input", "change"]) date.dispatchEvent(new Event(kind, { bubbles: true }));
  for (const [name, wanted] of Object.entries(asks)) {
    const box = document.getElementById(`ask-${name}`);
    if (box.checked !== wanted) box.click();
  }
}"""
SIZE = {"width": 360, "height": 740}
HELD = {"viewport": SIZE, "has_touch": True, "is_mobile": True}
DAY = "2024-07-14"
MADE = date(2024, 1, 5)
VARIETIES = ("Amber Lantern", "Long Marrow", "Pale Tower")


def bed(rows: int = 6, columns: int = 20, **trial: str) -> Records:
    """An invented trial of `rows` rows of `columns` plants, P001 onwards along the rows."""
    with tempfile.TemporaryDirectory() as folder:
        return read_records(plant_bed(Path(folder), rows, columns, **trial))


def plant_bed(folder: Path, rows: int = 6, columns: int = 20, **trial: str) -> Path:
    """Write the trial's folder. trial : other words for title, garden, crop, counted, units."""
    words = {"title": "Okra rows, invented", "garden": "Hollow Lane", "crop": "okra",
             "counted": "pods", "height": "cm", "weight": "g", **trial}  # fmt: skip
    quoted = {name: json.dumps(text) for name, text in words.items()}
    lines = [f"{name} = {quoted[name]}" for name in ("title", "garden", "crop", "counted")]
    lines += ["planted = 2024-05-03", "invented = true", "[units]"]
    lines += [f"{name} = {quoted[name]}" for name in ("height", "weight")]
    lines += [f'[[varieties]]\nname = "{name}"' for name in VARIETIES[: min(rows, 3)]]
    (folder / "trial.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    table = ["plant,variety,block,row,column"]
    for row in range(rows):
        for column in range(columns):
            name = f"P{row * columns + column + 1:03d}"
            variety = VARIETIES[row % len(VARIETIES)]
            table.append(f"{name},{variety},{row // 2 + 1},{row + 1},{column + 1}")
    (folder / "plants.csv").write_text("\n".join(table) + "\n", encoding="utf-8")
    return folder


def walk(rows: int, columns: int) -> list[str]:
    """Plant names as a person walks: along row 1, back along row 2, and so on."""
    names: list[str] = []
    for row in range(rows):
        line = [f"P{row * columns + at + 1:03d}" for at in range(columns)]
        names += line if row % 2 == 0 else line[::-1]
    return names


@dataclass
class Phone:
    """One phone with a memory of its own; in `profile`, if given, it outlives a killed browser."""

    player: Any
    browser: Any
    profile: Path | None
    url: str
    context: Any = None
    page: Any = None
    script: str = ""
    asked: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def switch_on(self, script: str = "", **options: Any) -> Any:
        """Start the browser and open the page. script : runs before the page's own.

        No phone shares a context with another, not even one after another: the small store is one
        to all pages of a context, in whatever order the browser's processes hear of each other.
        """
        self.script = script
        options = {**HELD, **options}
        if self.profile is None:
            self.context = self.browser.new_context(**options)
        else:
            self.context = self.player.chromium.launch_persistent_context(
                str(self.profile), executable_path=str(CHROMIUM), args=FLAGS, **options
            )
        self.context.set_default_timeout(15000)
        self.page = self.tab()
        return self.page

    def tab(self, url: str | None = None) -> Any:
        page = self.context.new_page()
        if self.script:
            page.add_init_script(f"window.prepared = true;{self.script}")
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("pageerror", lambda fault: self.faults.append(str(fault)))
        page.on("dialog", lambda box: self.faults.append(box.message) or box.accept())
        page.goto(url or self.url)
        # A page that began without the script would be a phone of another kind than was asked for:
        # the records then lie where the test does not look.
        for _ in range(3 if self.script else 0):
            if page.evaluate("window.prepared === true"):
                break
            page.reload()
        else:
            assert not self.script, "the page never ran the script that prepares the phone"
        return page

    def kill(self) -> None:
        """SIGKILL to the browser, as when a phone dies: nothing gets a chance to tidy up."""
        assert self.profile is not None
        for pid in self._processes():
            os.kill(pid, signal.SIGKILL)
        until = time.monotonic() + 10
        while self._processes() and time.monotonic() < until:
            time.sleep(0.02)
        # The driver complains in several ways that its browser is gone.
        with contextlib.suppress(Exception):
            self.context.close()
        for lock in self.profile.glob("Singleton*"):
            lock.unlink(missing_ok=True)
        self.context = None

    def _processes(self) -> list[int]:
        """This phone's own browser processes, known by its profile folder."""
        mine = f"--user-data-dir={self.profile}"
        found = []
        for entry in Path("/proc").iterdir():
            try:
                words = (entry / "cmdline").read_bytes().decode(errors="replace").split("\0")
            except (OSError, ValueError):
                continue
            if mine in words:
                found.append(int(entry.name))
        return found

    def switch_off(self) -> None:
        if self.context is not None:
            self.context.close()
        self.context = None


def start_pick(
    page: Any, day: str = DAY, asks: tuple[str, ...] = ("count",), who: str = ""
) -> None:
    """Fill in the first screen as a grower would, and start."""
    page.wait_for_selector("#start:not([hidden])")
    page.evaluate(FILL_IN, [day, {name: name in asks for name in ("count", "weight", "height")}])
    if who:
        page.tap("summary:has-text('More choices')")
        page.fill("#who", who)
    page.tap("#begin")
    page.wait_for_selector("#plant:not([hidden])")


def go_home(page: Any) -> None:
    """Back to the first screen, to start or reopen another pick."""
    if page.is_visible("#send"):
        page.tap("#send-list")
    elif page.is_visible("#plant"):
        page.tap("#to-list")
    page.tap("#list-home")
    page.locator("#start").wait_for()


def saved(page: Any) -> None:
    """Wait until the page says that all is saved."""
    page.locator("#where-kept", has_text="✓ Saved").wait_for()


def kept(page: Any) -> list[dict[str, Any]]:
    """Every event the phone holds, out of its database and its small store."""
    found: list[dict[str, Any]] = page.evaluate(
        """async () => {
          const out = Object.values({ ...localStorage }).map((text) => JSON.parse(text));
          for (const { name } of await indexedDB.databases()) {
            const database = await new Promise((done) => {
              const asked = indexedDB.open(name);
              asked.onsuccess = () => done(asked.result);
            });
            out.push(...await new Promise((done) => {
              const asked = database.transaction("journal").objectStore("journal").getAll();
              asked.onsuccess = () => done(asked.result);
            }));
            database.close();
          }
          return out;
        }"""
    )
    return found


def noted(page: Any, op: str, value: str | None = None) -> None:
    """Wait until the phone holds an event of this kind: what is no record is not called saved."""
    until = time.monotonic() + 15
    while not any(e["op"] == op and value in (None, e.get("value")) for e in kept(page)):
        assert time.monotonic() < until, f"{op} {value or ''} was not noted"
        page.wait_for_timeout(20)


def type_number(page: Any, text: str, opener: str = "#type") -> None:
    page.tap(opener)
    for key in text:
        page.tap(
            f"#keys button:text-is('{key}')" if key != "'" else "#keys button[aria-label=feet]"
        )
    page.tap("#pad-keep")


def sent_text(page: Any, every: bool = False) -> str:
    """The text of the file as saved; the copyable text must be the same."""
    if not page.evaluate("location.hash").startswith("#send"):
        page.tap("#list-send" if page.is_visible("#list") else "#to-send")
    page.locator("#send").wait_for()
    if page.is_visible("#all"):
        page.set_checked("#all", every)
    with page.expect_download() as download:
        page.tap("#save")
    text = Path(download.value.path()).read_bytes().decode("utf-8")
    copyable = page.evaluate("document.getElementById('text').value")
    assert copyable == text.replace("\r\n", "\n")
    return text
