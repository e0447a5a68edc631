"""Every key trial.toml may have stands in a new trial's template or its README.txt."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from trialkit import trial
from trialkit.records.start import starter_texts

KEYS = [
    *(("", key) for key in trial.TOP),
    *(("units", key) for key in trial.UNITS),
    *(("layout", key) for key in trial.LAYOUT),
    *(("varieties", key) for key in trial.VARIETY),
    *(("traits", key) for key in trial.TRAIT),
]


@pytest.mark.parametrize(("section", "key"), KEYS, ids=lambda part: part or "top")
def test_a_key_is_shown_to_whoever_begins_a_trial(tmp_path: Path, section: str, key: str) -> None:
    texts = starter_texts(tmp_path / "beans")
    template, explained = texts["trial.toml"], texts["README.txt"]
    if key in ("units", "layout", "varieties", "traits"):
        assert f"[{key}]" in template
        return
    part = template
    if section:
        _, heading, part = template.partition(f"[{section}]")
        assert heading
        part = re.split(r"\n(?:# )?\[", part)[0] if section != "traits" else part
        explained = explained if section != "traits" else ""
        # What introduces a part of its own stands above its heading.
        part += template if section in ("traits", "varieties") else ""
    written = re.compile(rf"(?m)(?:^(?:# )?|[ (]){key} = |\b{key}:|`{key}`")
    assert written.search(part) or written.search(explained), f"{section}.{key}"
