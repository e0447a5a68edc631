"""How the comparisons were looked at after every pick, for the folded part of the report."""

from __future__ import annotations

from trialkit.decide.series import Looks
from trialkit.models.analysis import Analysis
from trialkit.models.results import MethodNote, Missing
from trialkit.wording import counted, figure

# Figures of tests/decide/README.md, made by season_study.py.
FALSE = "6"
NAMED = "21 and 44"


def looks_method(analysis: Analysis, looks: Looks) -> MethodNote:
    """The rule in use in a sentence, then in full with what simulation showed of it."""
    one = next(iter(looks.results.values()))
    so_far = counted(one.looks, "look")
    shared = "" if one.shared_by == 1 else (
        f" The 5 % are shared among {one.shared_by} comparisons by the method of "
        f"{'Dunnett (1955)' if looks.against_check else 'Tukey (1953)'}.")
    simulated = (
        "In simulated seasons, varieties up to 14 days apart, uneven plots, losses and missed "
        f"picks among them, a false claim at any look was made in at most {FALSE} %. One variety "
        f"that truly gave 1.5 times the check was named after 20 planned looks in {NAMED} % with 3 "
        "and 4 blocks whose plots differ by 15 %.")
    if one.planned is None:
        said = (
            f"Looked at after every pick, {so_far} so far; how many there will be was not written "
            "down, so the range holds for any number of looks and is wide.")
        rule = (
            "Anytime-valid interval by the normal mixture of Robbins (1970), carried to the t "
            f"scale.{shared} Its power is low. Write looks = 20, or as many as you mean to take, "
            "into trial.toml before the season.")
    else:
        said = (
            f"Looked at after every pick, {so_far} of {one.planned} planned; the range is widened "
            "so that over all of them together a winner that is none is seldom named.")
        rule = (
            "Alpha spending on the planned looks (Lan & DeMets 1983, O'Brien-Fleming type), "
            "correlation between looks from the standard errors, carried to the t scale, with a "
            f"charge for few degrees of freedom.{shared}")
        if looks.season_over and one.looks < one.planned:
            rule += " The season is over, so the last look spent what the looks not taken left."
    full = (
        "Each comparison, at each look, is the ratio of what the plots had given a plant planted "
        "up to the newest day that every variety had been looked at, losses counted: variety x "
        "block by quasi-likelihood with variance in proportion to the mean (Wedderburn 1974), the "
        "error that of plots in proportion to the fit; where one variety's plots scatter more, "
        "a pair has the error of its own plots. Between two looks at a plant its pods are taken to "
        "have come evenly. Only the newest look's range is claimed, and what was said of a look "
        f"is not changed by later ones. {rule} {simulated}")
    return MethodNote(said, full, "pods a plant planted ~ variety x block", (),
                      f"design, {one.history['df'].iloc[-1]:g}", _by_the_model(analysis, looks))


def _by_the_model(analysis: Analysis, looks: Looks) -> dict[str, str]:
    """The same ratios from the model of every record, to set beside those that decide."""
    pods = analysis.pods
    if isinstance(pods, Missing) or not looks.against_check:
        return {}
    rows = pods.against_check
    return {
        f"{name} by the model of every record": f"{figure(ratio)} times"
        for name, ratio in zip(rows["variety"], rows["estimate"].astype(float), strict=True)
    }
