"""Values taken out of a TOML file one by one, every problem noted with its line.

`tomllib` says on which line a file stops being TOML, but not where a value stands; the lines of
keys are found here by reading the file again as text.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from trialkit.reading.problems import Problem, Unreadable, shown
from trialkit.reading.spelling import nearest, plain

T = TypeVar("T")

# Of a line without its outer spaces.
_HEADING = re.compile(r"\[{1,2}([A-Za-z0-9_.\"' -]+)\]{1,2}(?:[ \t]*#.*)?$")
_KEY = re.compile(r"([A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')\s*=")
# A value without quotes that TOML does not know: 4/20/25, 3 ft, south.
_BARE = re.compile(r"\s*([A-Za-z0-9_-]+)\s*=\s*([^\s\"'\[\]{}#=][^\"'\[\]{}#=\\]*)(?:#.*)?$")
LONGEST_BARE = 80
LONGEST_LINE = 4_000
MANY = 1_000_000
# A file with so many lines that are not TOML is something else.
MOST_FAULTS = 20


class TomlReader:
    """One file being read.  ``top`` is its content, {} where it is not TOML at all."""

    def __init__(self, text: str, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.top: Mapping[str, object] = {}
        self.sound = True
        self._lines = _key_lines(text)
        rest: str | None = "\n".join(map(quoted, self._short(text.split("\n"))))
        while rest is not None:
            try:
                self.top = tomllib.loads(rest)
                return
            except tomllib.TOMLDecodeError as error:
                rest = self._without(rest, self._not_toml(str(error)))
            except (RecursionError, ValueError) as error:  # nested too deep, a number too long
                self._not_toml(type(error).__name__)
                return

    def _short(self, lines: list[str]) -> list[str]:
        """The lines, without those too long to be read in good time, which are noted."""
        for i, line in enumerate(lines):
            if len(line) > LONGEST_LINE:
                self.sound = False
                self.problems.append(Problem(
                    self.file, i + 1, "", line[:200], f"The line has {len(line):,} characters.",
                    f"at most {LONGEST_LINE:,} on a line",
                ))
                lines[i] = ""
        return lines

    def _not_toml(self, why: str) -> int | None:
        """Note it; returns the line it stands on, where that is told."""
        self.sound = False
        match = re.search(r"line (\d+)", why)
        line = int(match[1]) if match else None
        self.problems.append(Problem(
            self.file, line, "", "",
            f"It is not valid TOML ({shown(why, 200)}).",
            'lines such as title = "Beans, 5 varieties", text in straight quotes',
        ))
        return line

    def _without(self, text: str, line: int | None) -> str | None:
        """The text with a line taken out that is not TOML, so that the rest can be judged too.

        None where that would mislead: what follows a spoilt heading belongs to no section, and
        a text that is not closed swallows the lines after it.
        """
        lines = text.split("\n")
        many = len(self.problems) >= MOST_FAULTS
        if line is None or many or not _KEY.match(lines[line - 1].strip()):
            return None
        lines[line - 1] = ""
        return "\n".join(lines)

    def line(self, path: str) -> int | None:
        """The line a key stands on: "title", "layout.rows", "varieties.2.name" (from 0)."""
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path.rpartition(".")[0]
        return None

    def wrong(self, path: str, value: object, problem: str, accepted: str) -> None:
        """Note a problem with the value at a path."""
        written = "" if value is None else value if isinstance(value, str) else _as_toml(value)
        name = re.sub(r"\.\d+", "", path)
        self.problems.append(
            Problem(self.file, self.line(path), name, written[:200], problem, accepted)
        )

    def known(
        self, table: Mapping[str, object], keys: Sequence[str], where: str = "",
        elsewhere: Mapping[str, str] | None = None,
    ) -> None:
        """Note every key that is not among ``keys``, with the one that may have been meant.

        elsewhere : what to say of keys, by plain name, that belong in another place.
        """
        for key in table:
            if key in keys:
                continue
            hint = (elsewhere or {}).get(plain(key))
            accepted = "" if hint else ", ".join(keys)
            if hint is None:
                near = nearest(key, [k for k in keys if k not in table] or list(keys))
                hint = f"Did you mean '{near}'?" if near else "There is no such key."
            self.wrong(f"{where}{key}", None, hint, accepted)

    def section(self, key: str) -> Mapping[str, object]:
        """A [section], or {} where it is missing or is something else (then noted)."""
        value = self.top.get(key, {})
        if isinstance(value, dict):
            return value
        self.wrong(key, value, "It should be a section.", f"[{key}] on its own line, keys below")
        return {}

    def take(
        self, table: Mapping[str, object], key: str, convert: Callable[[object], T], accepted: str,
        *, where: str = "", required: bool = False,
    ) -> T | None:
        """The value of a key, converted; None where it is missing or, noted, cannot be read."""
        if key not in table:
            if required and self.sound:
                self.wrong(where + key, None, "It is missing.", f"{key} = {accepted}")
            return None
        try:
            return convert(table[key])
        except Unreadable as error:
            self.wrong(where + key, table[key], error.problem, error.accepted)
        except (ValueError, TypeError, OverflowError):
            problem = "It is blank." if table[key] == "" else "It cannot be used."
            self.wrong(where + key, table[key], problem, accepted)
        return None


def quoted(line: str) -> str:
    """A line whose value lacks its quotes with them: planted = 4/20/25, row_spacing = 3 ft.

    Lines that are TOML already, and those that stand open, stay as they are.
    """
    bare = _BARE.match(line) if len(line) <= LONGEST_BARE else None
    if bare is None:
        return line
    try:
        tomllib.loads(line)
    except tomllib.TOMLDecodeError:
        value = bare[2].strip()
        return line[: bare.start(2)] + f'"{value}"' + line[bare.start(2) + len(value):]
    return line


def _as_toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    try:
        return str(value)
    except (ValueError, RecursionError):  # a whole number of thousands of figures
        return "..."


def _key_lines(text: str) -> dict[str, int]:
    """Paths of keys and the lines they stand on; multi-line texts may add a path too many."""
    lines: dict[str, int] = {}
    times: dict[str, int] = {}
    here = ""
    for number, line in enumerate(text.split("\n"), start=1):
        line = line.strip()
        heading = _HEADING.match(line)
        if heading:
            here = heading[1].strip().strip("\"'") + "."
            if line.startswith("[["):
                times[here] = times.get(here, -1) + 1
                here = f"{here}{times[here]}."
            lines.setdefault(here.rstrip("."), number)
            continue
        key = _KEY.match(line)
        if key:
            lines.setdefault(here + key[1].strip("\"'"), number)
    return lines


def text_of(value: object) -> str:
    """A text that is not empty, without outer spaces."""
    if not isinstance(value, str) or not value.strip():
        raise ValueError("not a text")
    return value.strip()


def any_text(value: object) -> str:
    """A text, which may be empty."""
    if not isinstance(value, str):
        raise ValueError("not a text")
    return value.strip()


def flag_of(value: object) -> bool:
    """true or false."""
    if not isinstance(value, bool):
        raise ValueError("not true or false")
    return value


def whole_of(value: object) -> int:
    """A whole number from 0 to a million."""
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= MANY:
        raise ValueError("not a whole number")
    return value


def seed_of(value: object) -> int:
    """A whole number from 0 up to what a generator of random numbers takes."""
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**64:
        raise ValueError("not a whole number")
    return value


def count_of(value: object) -> int:
    """A whole number from 1 to a million."""
    number = whole_of(value)
    if number < 1:
        raise ValueError("not a whole number from 1")
    return number


def number_of(value: object) -> float:
    """A number above 0."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < MANY:
        raise ValueError("not a number above 0")
    return float(value)
