"""Trait models: what the records show of each variety, with its uncertainty."""

from trialkit.models.analysis import Analysis, analyse
from trialkit.models.results import MethodNote, Missing, TraitResult

__all__ = ["Analysis", "MethodNote", "Missing", "TraitResult", "analyse"]
