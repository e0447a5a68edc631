"""Reading, checking and storing a trial's records; nothing here knows a model.

The names below are loaded when first used: who only writes a file needs no tables.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trialkit.records.findings import RecordsError
    from trialkit.records.read import Records, read_records

__all__ = ["Records", "RecordsError", "read_records"]


def __getattr__(name: str) -> object:
    if name in __all__:
        home = "findings" if name == "RecordsError" else "read"
        return getattr(import_module(f"trialkit.records.{home}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
