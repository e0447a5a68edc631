"""Honest side-by-side variety trials for people who grow food.

    import trialkit as tk

`read`, `analyse`, `season`, `plan`, `write_report`, what they return (`Trial`, `TrialAnswer`,
`TraitView`), the mixed models (`mixed`) and `TrialkitError` are public and stay as they are;
all other names may move.  They are loaded when first used, so that the command line answers at
once.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trialkit import mixed
    from trialkit.errors import TrialkitError
    from trialkit.public import (
        TraitView,
        Trial,
        TrialAnswer,
        analyse,
        plan,
        read,
        season,
        write_report,
    )

__version__ = "0.1.0"
__all__ = [
    "TraitView",
    "Trial",
    "TrialAnswer",
    "TrialkitError",
    "__version__",
    "analyse",
    "mixed",
    "plan",
    "read",
    "season",
    "write_report",
]


def __getattr__(name: str) -> Any:
    if name == "mixed":
        return import_module("trialkit.mixed")
    if name == "TrialkitError":
        return import_module("trialkit.errors").TrialkitError
    if name in __all__:
        return getattr(import_module("trialkit.public"), name)
    raise AttributeError(f"module 'trialkit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
