"""How the comparisons were looked at after every pick, for the folded part of the report."""

from __future__ import annotations

from trialkit.decide.series import Looks
from trialkit.models.analysis import Analysis
from trialkit.models.results import MethodNote, Missing
from trialkit.wording import counted, figure

# Figures of tests/decide/README.md, made by route_study.py: 20 looks, 3 and 4 blocks, two
# varieties, plots that differ by 0 to 20 % (0 to 30 % where there is no difference to find).
FALSE = "3 to 4"
NAIVE = "15 to 30"
PLANNED_SETTLES = "20 to 77"
ANYTIME_SETTLES = "2 to 22"


def looks_method(analysis: Analysis, looks: Looks) -> MethodNote:
    """The rule in use in a sentence, then in full with what simulation showed of it."""
    one = next(iter(looks.results.values()))
    so_far = counted(one.looks, "look")
    shared = "" if one.shared_by == 1 else (
        f" The 5 % are shared among {one.shared_by} comparisons (Bonferroni).")
    simulated = (
        "In simulated seasons of 20 looks at two varieties that do not differ, a false winner was "
        f"named in {FALSE} % with a plan; asked after every pick whether p is below 0.05, in "
        f"{NAIVE} %.")
    if one.planned is None:
        said = (
            f"Looked at after every pick, {so_far} so far; how many there will be was not written "
            "down, so the range holds for any number of looks and is wide.")
        rule = (
            "Anytime-valid interval by the normal mixture of Robbins (1970), carried to the t "
            f"scale.{shared} Its power is low: where one variety truly gives 1.5 times the check, "
            f"it settled {ANYTIME_SETTLES} % of simulated seasons within 20 looks, planned looks "
            f"{PLANNED_SETTLES} %. Write looks = 20, or as many as you mean to take, into "
            "trial.toml before the season.")
    else:
        said = (
            f"Looked at after every pick, {so_far} of {one.planned} planned; the range is widened "
            "so that over all of them together a winner that is none is seldom named.")
        rule = (
            "Alpha spending on the planned looks (Lan & DeMets 1983, O'Brien-Fleming type), "
            "correlation between looks from the standard errors, carried to the t scale, with a "
            f"charge for few degrees of freedom.{shared} Where one variety truly gives 1.5 times "
            f"the check, {PLANNED_SETTLES} % of simulated seasons were settled within 20 looks.")
        if looks.season_over and one.looks < one.planned:
            rule += " The season is over, so the last look spent what the looks not taken left."
    full = (
        "Each comparison, at each look, is that of the logarithms of the plots' pods up to then "
        "over those expected of an average plant on the same dates, by least squares on variety "
        f"and block. What was said of a look is not changed by later ones. {rule} {simulated}")
    return MethodNote(said, full, "log(pods / expected) ~ variety + block", (),
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
