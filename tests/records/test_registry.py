"""The registry of what is measured: every part reads it, and it names what is there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from trialkit.models.analysis import Analysis, analyse
from trialkit.recording.offline import page_facts
from trialkit.records import read_records
from trialkit.records.incoming.add import settle
from trialkit.records.schema import LOGGED, TABLES, TRAITS, column_of, own_unit
from trialkit.report.opentrial import Showing, public_records


def test_every_trait_names_columns_and_a_model_that_are_there() -> None:
    assert len({trait.name for trait in TRAITS}) == len(TRAITS)
    for trait in TRAITS:
        model = import_module(f"trialkit.models.{trait.model}")
        stem = {"picks_per_week": "picking"}.get(trait.name, trait.name)
        assert callable(getattr(model, f"{stem}_trait")), trait
        assert [column_of(read).name for read in trait.reads], trait


def test_the_log_knows_what_the_tables_measure() -> None:
    assert {name: table.name for name, (table, _) in LOGGED.items()} == {
        "count": "picks", "weight": "picks", "height": "heights"}
    for table in TABLES:
        fields = [column.field for column in table.columns]
        assert len(set(fields)) == len(fields), table.name


def test_the_phone_asks_what_the_log_takes(make: Callable[..., Path]) -> None:
    records = read_records(make())
    asked = page_facts(records, records.trial.planted)["measures"]
    assert [one["name"] for one in asked] == list(LOGGED)
    assert [one["unit"] for one in asked] == [own_unit(n, records.trial) for n in LOGGED]


def test_every_column_says_whether_a_club_page_may_show_it(make: Callable[..., Path]) -> None:
    records = read_records(make(
        events="date,plant,plot,event,note\n2026-07-01,A1,,a party,secret words\n"))
    assert records.events["note"].tolist() == ["secret words"]
    bare = public_records(records, Showing(), "Trial", "A garden")
    for table in TABLES:
        for column in table.columns:
            values = getattr(bare, table.name)[column.field].dropna().astype(str)
            if column.shown == "notes":
                assert not values.str.contains("secret|party").any(), (table.name, column.name)
    # Free text is never shown unasked: names by other names, notes not at all.
    free = {(t.name, c.name) for t in TABLES for c in t.columns
            if c.kind in ("text", "name") and c.shown == "always"}
    assert free == {("plants", "variety"), ("plants", "treatment"), ("harvest", "grade"),
                    ("traits", "trait"), ("traits", "value")}


def test_a_trait_is_an_entry_and_a_model(
    make: Callable[..., Path], monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A trait the package does not know is worked out, and a fault in its model costs no other."""
    records = read_records(make())
    known = analyse(records).traits

    def broken(analysis: Analysis) -> Any:
        raise ZeroDivisionError("by design")

    import trialkit.models.picked as picked

    monkeypatch.setattr(picked, "sweetness_trait", broken, raising=False)
    monkeypatch.setattr("trialkit.models.analysis.TRAITS", (
        *TRAITS, replace(TRAITS[1], name="sweetness", model="picked")))
    traits = analyse(records).traits
    assert list(traits) == [*known, "sweetness"]
    assert "could not be worked out" in traits["sweetness"].reason


def test_a_settled_value_that_names_its_unit_is_told_with_that_unit_alone(
    make: Callable[..., Path],
) -> None:
    folder = make()
    told = settle(folder, date(2026, 7, 8), "A1", "height", "60 in")
    assert "height: 60 in." in told.text
    assert read_records(folder).heights["height_cm"].tolist() == [152.4]
