"""From a trial's models to a verdict: looks after every pick, comparisons, words."""

from trialkit.decide.conclude import Conclusion, conclude
from trialkit.decide.verdict import Verdict

__all__ = ["Conclusion", "Verdict", "conclude"]
