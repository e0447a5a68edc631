"""Which plant a line of a sheet is about, by its name or by where it stands.

plants.csv is the measure: a name is a plant's where it is listed there, but for case, spaces,
dashes and zeros before a number (R1-1 is R1-01) where only one plant is so called.  A plant may
also be named in parts, plot and number or row and place, where each line then names one plant.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import pandas as pd

from trialkit.reading.spelling import folded, plain

Subject = Literal["plant", "plot", "variety"]
# What a line may say of a plant beside its name.
LABELS = ("variety", "replicate", "block", "plot", "row", "column", "treatment")
_JOINED_BY = ("-", "", "_", ".", "/", " ")


def slack(name: str) -> str:
    """A name without case, spaces, marks, and zeros before its numbers."""
    return re.sub(r"0*([0-9]+)", r"\1", plain(name)).replace("_", "")


@dataclass(frozen=True)
class Listed:
    """The plants of a trial, as plants.csv lists them."""

    plants: pd.DataFrame

    @cached_property
    def names(self) -> Mapping[str, str | None]:
        """The plant that a name stands for, by `folded` name; None for a name of several."""
        return _by(folded, self._column("plant"))

    @cached_property
    def _slack(self) -> Mapping[str, str | None]:
        return _by(slack, self._column("plant"))

    @cached_property
    def varieties(self) -> Mapping[str, str | None]:
        return _by(folded, self._column("variety"))

    @cached_property
    def plots(self) -> Mapping[str, str | None]:
        return _by(folded, self._column("plot"))

    def _column(self, name: str) -> list[str]:
        return [str(v) for v in self.plants[name].dropna().unique()]

    def plant(self, name: str) -> str | None:
        """The plant of that name, but for differences that do not matter."""
        exact = self.names.get(folded(name))
        return exact if exact is not None else self._slack.get(slack(name)) if name else None

    def subject(self, name: str) -> Subject | None:
        """What a name is the name of."""
        if self.plant(name) is not None:
            return "plant"
        if self.plots.get(folded(name)) is not None:
            return "plot"
        return "variety" if self.varieties.get(folded(name)) is not None else None

    def share(self, names: Sequence[str]) -> float:
        """The share of names that are names of plants."""
        return sum(self.plant(n) is not None for n in names) / len(names) if names else 0.0

    def joined(
        self, names: Sequence[str], labels: Mapping[str, Sequence[str]]
    ) -> tuple[list[str], str] | None:
        """Plants named by a label and a number in it (plot 1A, 3: 1A-3), and by which label.

        None unless every line names a plant then, and in one way only.
        """
        labels = self._in_replicates(labels)
        for label in ("plot", "row", "block", "variety"):
            if label not in labels:
                continue
            for mark in _JOINED_BY:
                whole = [f"{a}{mark}{b}" for a, b in zip(labels[label], names, strict=True)]
                plants = [self.plant(name) for name in whole]
                if plants and all(p is not None for p in plants):
                    return [str(p) for p in plants], label
        return None

    def by_place(self, labels: Mapping[str, Sequence[str]], lines: int) -> list[str] | None:
        """Plants named by where they stand (row and place, plot of one plant); None unless every
        line names one plant then."""
        labels = self._in_replicates(labels)
        columns = {
            label: [_label(v) for v in self.plants[label]] for label in labels
        }
        if not columns or not lines:
            return None
        here: dict[tuple[str, ...], list[str]] = {}
        for plant, *key in zip(self.plants["plant"], *columns.values(), strict=True):
            here.setdefault(tuple(key), []).append(str(plant))
        out = []
        for where in zip(*([_label(v) for v in labels[label]] for label in columns), strict=True):
            plants = here.get(where, [])
            if len(plants) != 1:
                return None
            out.append(plants[0])
        return out


    def _in_replicates(self, labels: Mapping[str, Sequence[str]]) -> Mapping[str, Sequence[str]]:
        """The labels with replicates and blocks as plants.csv is read (see
        `records.check.in_replicates`)."""
        if "replicate" not in labels:
            return labels
        rest = {name: texts for name, texts in labels.items() if name != "replicate"}
        if self.plants["replicate"].isna().all():
            return rest if "block" in rest else {**rest, "block": labels["replicate"]}
        if "block" in rest:
            pairs = zip(labels["replicate"], rest["block"], strict=True)
            whole = [f"{replicate}/{block}" for replicate, block in pairs]
            if self.plants["block"].isin(whole).any():
                rest["block"] = whole
        return {**rest, "replicate": labels["replicate"]}


def _by(key: object, names: Iterable[str]) -> dict[str, str | None]:
    out: dict[str, str | None] = {}
    for name in names:
        plain_name = key(name)  # type: ignore[operator]
        out[plain_name] = None if out.get(plain_name, name) != name else name
    return out


def _label(value: object) -> str:
    """A label as compared: 2.0 of a number is 2."""
    if pd.isna(value):  # type: ignore[call-overload]
        return ""
    text = folded(str(value))
    return text[:-2] if text.endswith(".0") and text[:-2].isdigit() else text
