"""The file a new trial keeps what earlier ones taught of plots, plants and picks: spread.toml.

Written by `trialkit new --from`, read by `trialkit plan`, the planning notebook, and the report of
a trial with one row of each variety.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from math import inf, isfinite
from pathlib import Path
from typing import Any

from trialkit.decide.rowsalone import SeenRows
from trialkit.gardens.components import KINDS, Components, Learned
from trialkit.power import Spread
from trialkit.records.description import toml_value

FILE = "spread.toml"
_WHAT = {
    "plot": "between plots of one variety in one block",
    "plant": "between plants of one plot",
    "pick": "of one plant, from pick to pick",
}


def spread_text(found: Components, sources: Sequence[tuple[str, Components]]) -> str:
    """The file.  found: all trials together.  sources: each trial by its folder's name."""
    guess = Spread()
    lines = [
        "# How much plots, plants and picks differed in earlier trials: standard deviations, 0.15",
        "# being about 15 %. They answer how many blocks and plants the next trial needs:",
        "#     trialkit plan FOLDER      with this file in FOLDER; or add --learned THIS-FILE",
        "# You may change them. low and high are 95 % limits: two or three trials of a season know",
        "# the spread of plots only roughly, and another garden or year may differ.",
        *(f"# {note}" for note in found.notes),
    ]
    for kind in KINDS:
        one = found.of(kind)
        lines += ["", f"# {_WHAT[kind]}", f"[{kind}]"]
        if one is None and kind in found.held:
            lines += ["spread = 0.0  # held in the spread of plots", "learned = true"]
            continue
        if one is None:
            lines += [f"spread = {toml_value(getattr(guess, kind))}  # a guess: not learned",
                      "learned = false"]  # fmt: skip
            continue
        lines += [f"spread = {_figure(one.sd)}", "learned = true", f"low = {_figure(one.low)}"]
        lines += [f"high = {_figure(one.high)}"] if isfinite(one.high) else ["# high = no limit"]
        lines += [f"# {name}: {said(part.of(kind))}" for name, part in sources]
    lines += ["", "[learned]", f"from = {toml_value([name for name, _ in sources])}"]
    return "\n".join(lines) + "\n"


def said(one: Learned | None) -> str:
    """`0.08 (0 to 0.19)`."""
    if one is None:
        return "nothing learned"
    high = _figure(one.high) if isfinite(one.high) else "no limit"
    return f"{_figure(one.sd)} ({_figure(one.low)} to {high})"


def _figure(value: float) -> str:
    return f"{value:.3g}" if value else "0.0"


def read_spread(path: Path) -> Spread:
    """Read the file, or the one in a folder; what was not learned is a guess, and said to be one.

    Raises ValueError, naming the file and the key, for what cannot be a spread; OSError.
    """
    path = path / FILE if path.is_dir() else path
    try:
        whole = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{path.name} is not TOML: {error}") from None
    figures: dict[str, float] = {}
    words: list[str] = []
    for kind in KINDS:
        part = whole.get(kind, {})
        if not isinstance(part, Mapping):
            raise ValueError(f"{path.name}, {kind}: it is not a part; write [{kind}].")
        value = part.get("spread", getattr(Spread(), kind))
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 10:
            raise ValueError(f"{path.name}, {kind}: spread is {value!r}; 0 to 10 is accepted.")
        figures[kind] = float(value)
        words.append(_sentence(kind, float(value), part))
    source = whole.get("learned", {})
    names = source.get("from", []) if isinstance(source, Mapping) else []
    if isinstance(names, list) and names:
        words.append(f"Learned from {', '.join(str(name) for name in names)}.")
    plot = whole.get("plot", {})
    high = plot.get("high", inf) if plot.get("learned") is True else None
    high = float(high) if isinstance(high, int | float) and not isinstance(high, bool) else None
    return Spread(**figures, told=tuple(words), plot_high=high)


def seen_plots(folder: Path) -> SeenRows | None:
    """How much plots differed in earlier trials, as the folder's file tells; None where it does
    not, or has been spoilt (`trialkit plan` says how)."""
    try:
        part = tomllib.loads((folder / FILE).read_text(encoding="utf-8")).get("plot")
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError):
        return None
    if not isinstance(part, Mapping) or part.get("learned") is not True:
        return None
    sd, high = part.get("spread"), part.get("high", inf)
    figures = [one for one in (sd, high) if isinstance(one, int | float) and one >= 0]
    return SeenRows(float(figures[0]), float(figures[1])) if len(figures) == 2 else None


def _sentence(kind: str, value: float, part: Mapping[str, Any]) -> str:
    if part.get("learned") and value == 0 and "low" not in part:
        return f"Spread {_WHAT[kind]}: held in that of plots."
    if not part.get("learned"):
        return (f"Spread {_WHAT[kind]}: {100 * value:.0f} %, a guess; the earlier trials "
                "do not tell.")
    low, high = part.get("low"), part.get("high")
    limits = ""
    if isinstance(low, int | float):
        top = f"{100 * high:.0f} %" if isinstance(high, int | float) else "no limit"
        limits = f" (95 % interval {100 * low:.0f} % to {top})"
    return f"Spread {_WHAT[kind]}: {100 * value:.0f} %{limits}."
