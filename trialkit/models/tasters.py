"""What a tasting says: varieties against tasters, each with a use of the scale of its own.

Tasters are the replication: each is a draw from those who might have tasted.  The dish of fruit is
not replicated, so that nothing is said of other plants, plots or days.

As ordered categories: cumulative logit with tasters random (`trialkit.mixed.fit_ordered`), all
varieties alike against the model by the likelihood ratio.  As numbers: a linear mixed model with
tasters random, means for the picture, pairs by Tukey and Kramer.  Whether two can be told apart at
all: a triangle test, the exact chance of so many right by guessing one in three (binomial).
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
from scipy import stats

from trialkit.mixed import MixedModelError, fit_lmm, fit_ordered

_FEWEST_TASTERS = 3
_GUESSED = 1.0 / 3.0


@dataclass(frozen=True)
class TastingResult:
    """One trait of a tasting.

    means : variety, estimate, low, high (95 %), tasters; best first.  pairs : left, right,
    estimate, low, high, all held at once at 95 %.  statistic, df, p : all alike, as ordered
    categories; NaN where that cannot be fitted, and ``ordered_why`` says why.  effects : log odds
    of a higher score by variety, against the first by name.
    """

    trait: str
    tasters: int
    means: pd.DataFrame
    pairs: pd.DataFrame
    statistic: float
    df: int
    p: float
    effects: pd.Series
    ordered_why: str = ""

    @property
    def text(self) -> str:
        """For a terminal and a page."""
        lines = [f"{self.trait}, {self.tasters} tasters:"]
        lines += [f"  {r.variety}: {r.estimate:.1f} ({r.low:.1f} to {r.high:.1f})"
                  for r in self.means.itertuples()]
        clear = self.pairs[(self.pairs["low"] > 0) | (self.pairs["high"] < 0)]
        values = clear[["estimate", "low", "high"]].to_numpy(dtype=float)
        for left, right, (by, low, high) in zip(clear["left"], clear["right"], values, strict=True):
            better, other = (left, right) if by > 0 else (right, left)
            least, most = sorted((abs(low), abs(high)))
            lines.append(f"  {better} above {other} by {abs(by):.1f} ({least:.1f} to {most:.1f}).")
        if not len(clear):
            lines.append("  These tasters can't separate them; that doesn't make them equal.")
        return "\n".join(lines)


NOTE = ("Each taster counts as one test. One dish of each variety was tasted, from these plants on "
        "this day: another picking may taste otherwise.")


def tasting_result(scores: pd.DataFrame, trait: str) -> TastingResult:
    """Work out one trait.  scores : taster, variety, score, one row a taster and variety.

    Raises ValueError where there are too few tasters or varieties, or no two scores differ.
    """
    data = scores.dropna(subset=["score"]).astype({"taster": "str", "variety": "str"})
    tasters, varieties = data["taster"].nunique(), data["variety"].nunique()
    if tasters < _FEWEST_TASTERS or varieties < 2:
        raise ValueError(f"{trait}: {tasters} tasters and {varieties} varieties have scores. "
                         f"{_FEWEST_TASTERS} tasters and 2 varieties are needed.")
    if data["score"].nunique() < 2:
        raise ValueError(f"{trait}: every score is the same, so nothing can be compared.")
    groups = ["taster"]
    if data.duplicated(["taster", "variety"]).any():  # some tasted a variety more than once
        data["own view"] = data["taster"] + "\0" + data["variety"]
        groups.append("own view")
    try:
        fit = fit_lmm("score ~ variety", data, groups=groups)
    except MixedModelError:
        raise ValueError(f"{trait}: the tasters' scores agree so well, or are so few, that nothing "
                         "is left to judge chance by.") from None
    means = fit.means("variety")[["variety", "estimate", "low", "high"]]
    counts = data.groupby("variety")["taster"].nunique()
    means = means.assign(tasters=means["variety"].map(counts)).sort_values(
        "estimate", ascending=False, ignore_index=True)
    pairs = fit.compare("variety").table[["left", "right", "estimate", "low", "high"]]
    statistic, p, why = float("nan"), float("nan"), ""
    effects = pd.Series(dtype=float)
    try:
        full = fit_ordered("score ~ variety", data, groups=groups)
        none = fit_ordered("score ~ 1", data, groups=groups)
        statistic = max(2.0 * (full.log_likelihood - none.log_likelihood), 0.0)
        p = float(stats.chi2.sf(statistic, varieties - 1))
        effects = full.effects
    except MixedModelError as error:
        why = str(error)
    return TastingResult(trait, tasters, means, pairs, statistic, varieties - 1, p, effects, why)


def triangle_test(right: int, tasted: int) -> float:
    """The chance of at least so many right answers of so many by guessing: two cups are alike, one
    is not, and each taster names the odd one.  Raises ValueError."""
    if not 0 <= right <= tasted or tasted < 1:
        raise ValueError(f"{right} right of {tasted} cannot be: write 0 to {tasted}.")
    return float(stats.binom.sf(right - 1, tasted, _GUESSED))


def fewest_right(tasted: int, alpha: float = 0.05) -> int | None:
    """The fewest right answers that guessing gives with a chance of at most alpha; None where not
    even all right would do."""
    fewest = int(stats.binom.isf(alpha, tasted, _GUESSED)) + 1
    return fewest if fewest <= tasted else None
